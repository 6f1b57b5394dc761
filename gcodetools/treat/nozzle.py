"""`nozzle`: a hotter (or cooler) nozzle for the beads of a region; when it is told is in `schedule`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.edit.sparse import sparse
from gcodetools.errors import Refused
from gcodetools.gcode.arrays import distinct, present
from gcodetools.kit.settings import Nozzle
from gcodetools.treat.asks import Ask, ask_of, fast_layers, held_note
from gcodetools.treat.target import Done, Target

__all__ = ["file_nozzle", "treat"]

# Up and down again with settling (common practice, no source): shorter stretches of layers are not worth it.
RAMPS_S = 60.0

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]


def file_nozzle(draft: Draft, tool: int, rows: NDArray[np.integer] | slice) -> F8:
    """Temperature the file has for `tool` at `rows`, C; the base where no command came before."""
    return draft.nozzle_track(tool).at(draft.plate.program.moves.line[rows])


def treat(draft: Draft, target: Target, setting: Nozzle) -> list[Done | Ask]:
    """Want another temperature of the tools that print the region.

    Past the material's measured peak it is done only up to the peak. On layers faster than the material's
    minimum a rise is held back.

    Raises
    ------
    Refused : outside the material's or the machine's range.
    """
    asked = f"{setting.add_c:+g} C" if setting.add_c is not None else f"{setting.set_c:g} C"
    rows = distinct(target.rows).astype(np.int64)
    tool = draft.plate.program.moves.tool[rows]
    return [_one_tool(draft, target, setting, int(k), rows[tool == k], asked) for k in present(tool)]


def _one_tool(draft: Draft, target: Target, setting: Nozzle, tool: int, rows: I8, asked: str) -> Done | Ask:
    own = file_nozzle(draft, tool, rows)
    if np.any(np.isnan(own)):
        why = (
            "no temperature is known before these beads, so there is none to return to: "
            "name `base: {nozzle: ...}` in the kit"
        )
        return target.answer("nozzle", asked, "nothing", why, refused=True)
    peak = target.bounds.material.measured_peak_c

    def uncapped(own: F8) -> F8:
        return own + setting.add_c if setting.add_c is not None else np.full(len(own), setting.set_c, float)

    def wanted(own: F8) -> F8:
        value = uncapped(own)
        return value if peak is None else np.minimum(value, np.fmax(peak.value, own))

    value, whole = wanted(own), uncapped(own)
    _check_range(draft, target, whole, own, rows, setting)
    note = ""
    if peak is not None and np.any(value < whole):
        note = f"only up to the measured peak of {peak.value:g} C ({peak.flag})"
    left_out = fast_layers(draft, target, RAMPS_S)
    if not np.any(value > own):
        left_out = np.zeros_like(left_out)
    held = held_note(draft, target, left_out)
    if held:
        held += "; where they are few in a row the nozzle stays hot over them, since it can't follow"
    if draft.nozzle_c is None:
        draft.nozzle_c = sparse(len(draft.plate.program.moves))
    why = "; ".join(n for n in (note, held) if n)
    found = ask_of(
        draft,
        target,
        "nozzle",
        tool,
        rows,
        own,
        draft.nozzle_c,
        wanted,
        left_out,
        (asked, why, bool(note or held)),
    )
    return found or target.answer("nozzle", asked, "nothing", held or "no layer left", warning=True)


def _check_range(draft: Draft, target: Target, wanted: F8, own: F8, rows: I8, setting: Nozzle) -> None:
    bounds = target.bounds
    given = f"add: {setting.add_c:g}" if setting.add_c is not None else f"set: {setting.set_c:g}"

    def where(off: NDArray[np.bool_]) -> tuple[int, str]:
        k = int(np.argmax(off))
        program = draft.plate.program
        line = int(program.moves.line[rows[k]]) + 1
        return k, f"{program.lines.name}:{line}: {target.name}: `nozzle: {{{given}}}`"

    if bounds.material_assumed:
        usual = bounds.material.nozzle_c
        # A limit of some other material would allow what harms and refuse what doesn't.
        off = (own < usual.low) | (own > usual.high)
        if np.any(off):
            k, asked = where(off)
            name = bounds.material.name.upper()
            raise Refused(
                f"{asked}: the file prints this bead at {own[k]:g} C; {name} is only assumed, since nobody "
                f"names a material, and does not fit: it prints at {usual.low:g} to {usual.high:g} C",
                "Name the material: --material NAME, or `material:` in the kit.",
            )
    off = (wanted > bounds.nozzle_high_c) | (wanted < bounds.nozzle_low_c)
    if np.any(off):
        k, asked = where(off)
        low = wanted[k] < bounds.nozzle_low_c
        raise Refused(
            f"{asked} would print this bead at {wanted[k]:g} C, allowed are {bounds.nozzle_low_c:g} to "
            f"{bounds.nozzle_high_c:g} C ({bounds.nozzle_from})",
            "Ask for a hotter nozzle, or name the material that allows it (--material)."
            if low
            else "Ask for less, or name the material and the machine that allow it (--material, --machine).",
        )
