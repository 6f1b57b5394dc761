"""`nozzle`: a hotter (or cooler) nozzle over the layers of a region."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.errors import Refused
from gcodetools.gcode.arrays import present
from gcodetools.kit.settings import Nozzle
from gcodetools.treat.schedule import fast_layers, held_note, hold_spans, layer_words, record_hold
from gcodetools.treat.target import Done, Target

__all__ = ["file_nozzle", "treat"]

F8 = NDArray[np.float64]


def file_nozzle(draft: Draft, tool: int, rows: NDArray[np.integer] | slice) -> F8:
    """Temperature the file has for `tool` at `rows`, C; the base where no command came before."""
    return draft.nozzle_track(tool).at(draft.plate.program.moves.line[rows])


def treat(draft: Draft, target: Target, setting: Nozzle) -> list[Done]:
    """Hold the nozzle of the tool that prints the region at another temperature.

    Past the material's measured peak it is done only up to the peak. On layers faster than the material's
    minimum a rise is held back.

    Raises
    ------
    Refused : outside the material's or the machine's range.
    """
    asked = f"{setting.add_c:+g} C" if setting.add_c is not None else f"{setting.set_c:g} C"
    rows = draft.row[target.pieces]
    tools = present(draft.plate.program.moves.tool[rows])
    return [_one_tool(draft, target, setting, int(tool), asked) for tool in tools]


def _one_tool(draft: Draft, target: Target, setting: Nozzle, tool: int, asked: str) -> Done:
    rows = draft.row[target.pieces]
    here = file_nozzle(draft, tool, rows)
    if np.any(np.isnan(here)):
        why = (
            "no temperature is known before these beads, so there is none to return to: "
            "name `base: {nozzle: ...}` in the kit"
        )
        return target.answer("nozzle", asked, "nothing", why, refused=True)
    _check_range(draft, target, _wanted(setting, here), rows, asked)
    left_out = fast_layers(target)
    if not np.any(_wanted(setting, here) > here):
        left_out = np.zeros_like(left_out)
    spans = hold_spans(draft, target, left_out)
    held = held_note(draft, target, left_out)
    if not spans:
        return target.answer("nozzle", asked, "nothing", held or "no layer left", warning=True)
    if draft.nozzle_c is None:
        draft.nozzle_c = np.full(len(draft.plate.program.moves), np.nan)
    note, low, high = "", np.inf, -np.inf
    for span in spans:
        # Instances of one region ask for the same hold again and again.
        key = (setting, tool, span.first, span.last)
        if key not in draft.asked:
            draft.asked[key] = _hold(draft, target, setting, tool, slice(span.first, span.last), asked)
        said, least, most = draft.asked[key]
        note, low, high = note or said, min(low, least), max(high, most)
    why = "; ".join(n for n in (note, held) if n)
    if low > high:
        return target.answer("nozzle", asked, "nothing", why or "an earlier region holds these layers")
    record_hold(draft, "nozzle", spans, target.name)
    at = f"{low:g} C" if low == high else f"{low:g} to {high:g} C"
    return target.answer("nozzle", asked, f"{at} over {layer_words(spans)}", why, warning=bool(note or held))


def _wanted(setting: Nozzle, own: F8) -> F8:
    return own + setting.add_c if setting.add_c is not None else np.full(len(own), float(setting.set_c or 0))


def _hold(
    draft: Draft, target: Target, setting: Nozzle, tool: int, rows: slice, asked: str
) -> tuple[str, float, float]:
    """Fill one hold where nobody has asked yet; (note, lowest and highest C of its tool's beads)."""
    assert draft.nozzle_c is not None
    column = draft.nozzle_c[rows]
    mine = draft.plate.program.moves.tool[rows] == tool
    capped, note = _capped(target, setting, draft, tool, rows)
    is_bead = draft.plate.beads.feature[rows] != 0
    held = np.flatnonzero(mine & is_bead)
    _check_range(draft, target, capped[held], held + rows.start, asked)
    free = np.isnan(column) & mine
    column[free] = capped[free]
    taken = column[mine & is_bead & (column == capped)]
    return note, float(taken.min(initial=np.inf)), float(taken.max(initial=-np.inf))


def _capped(target: Target, setting: Nozzle, draft: Draft, tool: int, rows: slice) -> tuple[F8, str]:
    """Wanted temperatures of a stretch, no higher than the measured peak unless the file itself was."""
    own = file_nozzle(draft, tool, rows)
    wanted = _wanted(setting, own)
    peak = target.bounds.material.measured_peak_c
    if peak is None:
        return wanted, ""
    limit = np.fmax(peak.value, own)
    capped = np.minimum(wanted, limit)
    over = (capped < wanted) & (draft.plate.beads.feature[rows] != 0)
    note = f"only up to the measured peak of {peak.value:g} C ({peak.flag})" if np.any(over) else ""
    return capped, note


def _check_range(draft: Draft, target: Target, wanted: F8, rows: NDArray[np.integer], asked: str) -> None:
    bounds = target.bounds
    off = (wanted > bounds.nozzle_high_c) | (wanted < bounds.nozzle_low_c)
    if np.any(off):
        k = int(np.argmax(off))
        program = draft.plate.program
        raise Refused(
            f"{program.lines.name}:{int(program.moves.line[rows[k]]) + 1}: {target.name}: nozzle {asked} "
            f"would print this bead at {wanted[k]:g} C, allowed are {bounds.nozzle_low_c:g} to "
            f"{bounds.nozzle_high_c:g} C ({bounds.nozzle_from})",
            "Ask for less, or name the material and the machine that allow it (--material, --machine).",
        )
