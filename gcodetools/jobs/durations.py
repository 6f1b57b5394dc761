"""How long a plate takes before and after treatment, by planning its motion."""

from __future__ import annotations

from typing import Any

import numpy as np

from gcodetools.documents.profiles import Machine
from gcodetools.edit.draft import Draft
from gcodetools.edit.treated import Treated
from gcodetools.gcode.arrays import give_back
from gcodetools.jobs.records import estimate
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate

__all__ = ["time_added"]

_LARGE_BYTES = 1 << 24


def time_added(plate: Plate, treated: Treated, machine: Machine | None) -> dict[str, Any]:
    """Seconds before, after and added, each an estimate.

    The treated text is read again. On large files whose moves are all still there the new feeds are planned
    on the original's moves instead, to keep memory within bounds; what an `accel` costs and cuts at a region's
    edge are then left out, and the source says so. Both plans are scaled alike where the file's own time is
    what they are scaled to.
    """
    if len(plate.program.lines.data) > _LARGE_BYTES:
        give_back()
    before = times(plate, machine)
    source = before.source
    if treated.output == plate.program.lines.data:
        after_s = before.total_s
    elif _read_again(plate, treated.draft):
        after_s = times(treated.plate, machine, factor=before.factor).total_s
    else:
        after_s = times(plate, machine, factor=before.factor, feed_mm_s=_row_feeds(treated.draft)).total_s
        source += "; changed accelerations left out"
    added = after_s - before.total_s
    return {
        "before_s": estimate(before.total_s, *before.within(before.total_s), source),
        "after_s": estimate(after_s, *before.within(after_s), source),
        "time_s": estimate(added, *before.within(added), source),
    }


def _read_again(plate: Plate, draft: Draft) -> bool:
    """Whether only the treated text tells; else its feeds on the original's moves do."""
    moved = bool(draft.runs) or draft.removed is not None or bool(draft.rests)
    return moved or len(plate.program.lines.data) <= _LARGE_BYTES


def _row_feeds(draft: Draft) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(m,) the one feed at which each row would take as long as its pieces do at theirs, mm/s."""
    moves = draft.plate.program.moves
    own = moves.f[draft.row]
    feed = np.where(np.isnan(draft.feed) | np.isnan(own), own, draft.feed)
    with np.errstate(divide="ignore", invalid="ignore"):
        slowness = np.bincount(draft.row, (draft.t1 - draft.t0) / feed, minlength=len(moves))
        result = 1.0 / slowness
    return np.where(np.isfinite(result), result, moves.f)
