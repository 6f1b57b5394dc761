"""How the beads of a region are laid: nozzle, fan, feed, lengths and counts, as the file commands them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.kit.schema import Kit
from gcodetools.kit.selection import Selection
from gcodetools.marks.settings import macro_nozzle
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

__all__ = ["nozzle_base_c", "region_state", "state_difference"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
_OUTERMOST, _INNER = FEATURE_INDEX["outermost"], FEATURE_INDEX["perimeter"]


def nozzle_base_c(plate: Plate, kit: Kit | None) -> float | None:
    """The nozzle before the file's first command, C: by a start macro, else the settings, else the kit's base."""
    beads = np.flatnonzero(plate.beads.is_bead)
    value = macro_nozzle(plate.program, int(plate.moves.line[beads[0]])) if len(beads) else None
    if value is None:
        value = plate.settings.nozzle_c
    if value is None and kit is not None and kit.base is not None:
        value = kit.base.nozzle_c
    return value


def region_state(
    plate: Plate, selection: Selection, mm3_per_mm: float, base_c: float | None
) -> dict[str, Any]:
    """What the beads of a selection get.

    Parameters
    ----------
    mm3_per_mm : plastic by filament. base_c : nozzle where no command has set it.

    Returns
    -------
    beads, length_mm, volume_mm3; feed_mm_s as commanded, with M220, half of the length slower and half faster;
    fan_percent and nozzle_c (lowest, highest) as commanded, not as reached; perimeters : how many lie side by
    side on the mean, that is 1 and the length of the inner ones over that of the outermost. Overhangs count as
    neither, for a file does not tell which they are. What is not known is absent.
    """
    row, share = selection.row, selection.t1 - selection.t0
    line, length = plate.moves.line[row], plate.beads.length_mm[row] * share
    states, feature = plate.program.states, plate.beads.feature[row]
    result: dict[str, Any] = {
        "beads": len(np.unique(row)),
        "length_mm": float(length.sum()),
        "volume_mm3": float((plate.moves.e[row] * share).sum()) * mm3_per_mm,
    }
    feed = _median(plate.moves.f[row] * states.speed_factor.at(line), length)
    if feed is not None:
        result["feed_mm_s"] = feed
    outer, inner = (float(length[feature == code].sum()) for code in (_OUTERMOST, _INNER))
    if outer > 0:
        result["perimeters"] = 1.0 + inner / outer
    if len(row):
        fan = states.fan.at(line) * 100.0
        result["fan_percent"] = [float(fan.min()), float(fan.max())]
    nozzle = _nozzle_c(plate, row, base_c)
    if len(nozzle):
        result["nozzle_c"] = [float(nozzle.min()), float(nozzle.max())]
    return result


def _nozzle_c(plate: Plate, row: I8, base_c: float | None) -> F8:
    """Nozzle temperatures commanded at rows, those that are known."""
    tool, line = plate.moves.tool[row], plate.moves.line[row]
    found = np.full(len(row), np.nan)
    for number, track in plate.program.states.nozzle.items():
        mine = tool == number
        found[mine] = track.at(line[mine])
    found[found == 0] = np.nan  # off: a start macro heats it, or nothing does
    if base_c is not None:
        found[np.isnan(found)] = base_c
    known: F8 = found[~np.isnan(found)]
    return known


def _median(value: F8, weight: F8) -> float | None:
    """The value below which half of the weight lies; None where none is known."""
    known = np.isfinite(value) & (weight > 0)
    if not np.any(known):
        return None
    order = np.argsort(value[known], kind="stable")
    sums = np.cumsum(weight[known][order])
    return float(value[known][order][np.searchsorted(sums, sums[-1] / 2)])


def state_difference(before: dict[str, Any], after: dict[str, Any]) -> dict[str, Any]:
    """What is more in `after`, key by key where both know it; ranges end by end."""
    result: dict[str, Any] = {}
    for key in before.keys() & after.keys():
        a, b = before[key], after[key]
        result[key] = [y - x for x, y in zip(a, b, strict=True)] if isinstance(a, list) else b - a
    return {key: result[key] for key in before if key in result}
