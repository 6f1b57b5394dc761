"""`nozzle`: a hotter (or cooler) nozzle over the layers of a region."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.errors import Refused
from gcodetools.kit.settings import Nozzle
from gcodetools.treat.schedule import fast_layers, held_note, hold_spans, layer_words, record_hold
from gcodetools.treat.target import Done, Target

__all__ = ["file_nozzle", "treat"]

F8 = NDArray[np.float64]


def file_nozzle(draft: Draft, tool: int) -> F8:
    """(m,) temperature the file has for `tool` at each row, C; the base where no command came before."""
    program = draft.plate.program
    track = program.states.nozzle.get(tool)
    if track is None:
        return np.full(len(program.moves), draft.base_nozzle_c)
    value = track.at(program.moves.line)
    return np.where(np.isnan(value), draft.base_nozzle_c, value)


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
    tools = np.unique(draft.plate.program.moves.tool[rows]).tolist()
    return [_one_tool(draft, target, setting, int(tool), asked) for tool in tools]


def _one_tool(draft: Draft, target: Target, setting: Nozzle, tool: int, asked: str) -> Done:
    own = file_nozzle(draft, tool)
    here = own[draft.row[target.pieces]]
    if setting.add_c is not None and np.any(np.isnan(here)):
        why = (
            "no temperature is known before these beads: name `base: {nozzle: ...}` in the kit, or `set` one"
        )
        return target.answer("nozzle", asked, "nothing", why, refused=True)
    wanted = (
        own + setting.add_c if setting.add_c is not None else np.full(len(own), float(setting.set_c or 0))
    )
    rises = bool(np.nanmax(wanted[draft.row[target.pieces]] - here) > 0) if len(here) else False
    left_out = fast_layers(target)
    if not rises:
        left_out = np.zeros_like(left_out)
    spans = hold_spans(draft, target, left_out)
    held = held_note(draft, target, left_out)
    if not spans:
        return target.answer("nozzle", asked, "nothing", held or "no layer left", warning=True)

    reach = np.zeros(len(own), bool)
    for span in spans:
        reach[span.first : span.last] = True
    reach &= draft.plate.program.moves.tool == tool
    beads = reach & (draft.plate.beads.feature != 0)
    _check_range(target, wanted[beads], asked)
    capped, note = _up_to_peak(target, own, wanted, beads)
    column = draft.nozzle_c if draft.nozzle_c is not None else np.full(len(own), np.nan)
    draft.nozzle_c = column
    free = reach & np.isnan(column)
    column[free] = capped[free]
    record_hold(draft, "nozzle", spans, target.name)
    taken = beads & free
    why = "; ".join(n for n in (note, held) if n)
    if not np.any(taken):
        return target.answer("nozzle", asked, "nothing", why or "an earlier region holds these layers")
    low, high = float(capped[taken].min()), float(capped[taken].max())
    at = f"{low:g} C" if low == high else f"{low:g} to {high:g} C"
    done = f"{at} over {layer_words(spans)}"
    return target.answer("nozzle", asked, done, why, warning=bool(note or held))


def _check_range(target: Target, wanted: F8, asked: str) -> None:
    bounds = target.bounds
    if len(wanted) == 0:
        return
    low, high = float(np.nanmin(wanted)), float(np.nanmax(wanted))
    if high > bounds.nozzle_high_c or low < bounds.nozzle_low_c:
        value = high if high > bounds.nozzle_high_c else low
        raise Refused(
            f"{target.name}: nozzle {asked}: would be {value:g} C, allowed are {bounds.nozzle_low_c:g} to "
            f"{bounds.nozzle_high_c:g} C ({bounds.nozzle_from})",
            "Ask for less, or name the material and the machine that allow it (--material, --machine).",
        )


def _up_to_peak(target: Target, own: F8, wanted: F8, beads: NDArray[np.bool_]) -> tuple[F8, str]:
    """Wanted temperatures, no higher than the measured peak unless the file itself was."""
    peak = target.bounds.material.measured_peak_c
    if peak is None:
        return wanted, ""
    limit = np.fmax(peak.value, own)
    capped = np.where(wanted > limit, limit, wanted)
    if not np.any(capped[beads] < wanted[beads]):
        return capped, ""
    return capped, f"only up to the measured peak of {peak.value:g} C ({peak.source}, {peak.flag})"
