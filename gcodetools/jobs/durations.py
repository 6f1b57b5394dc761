"""How long a plate takes before and after treatment, by planning its motion."""

from __future__ import annotations

from dataclasses import replace
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
    before_s, source = before.total_s, before.source
    # Its columns are large, and no longer needed while the other plan is made.
    before = replace(before, seconds=np.empty(0), waits_s=np.empty(0))
    if treated.output == plate.program.lines.data:
        after_s = before_s
    elif _read_again(plate, treated.draft):
        after_s = times(treated.plate, machine, factor=before.factor).total_s
    else:
        after_s = times(plate, machine, factor=before.factor, feed_mm_s=_row_feeds(treated.draft)).total_s
        source += "; changed accelerations left out"
    added = after_s - before_s
    return {
        "before_s": estimate(before_s, *before.within(before_s), source),
        "after_s": estimate(after_s, *before.within(after_s), source),
        "time_s": estimate(added, *before.within(added), source),
    }


def _read_again(plate: Plate, draft: Draft) -> bool:
    """Whether only the treated text tells; else its feeds on the original's moves do."""
    moved = bool(draft.runs) or draft.removed is not None or bool(draft.rests)
    return moved or len(plate.program.lines.data) <= _LARGE_BYTES


def _row_feeds(draft: Draft) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(m,) the one feed at which each row would take as long as its pieces do at theirs, mm/s."""
    result = draft.plate.program.moves.f.copy()
    changed = np.zeros(len(result), bool)
    changed[draft.row[~np.isnan(draft.feed)]] = True
    piece = np.flatnonzero(changed[draft.row])
    rows = np.flatnonzero(changed)
    own, feed = result[draft.row[piece]], draft.feed[piece]
    feed = np.where(np.isnan(feed) | np.isnan(own), own, feed)
    owner = np.cumsum(np.diff(draft.row[piece], prepend=-1) != 0) - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        slowness = np.bincount(owner, (draft.t1[piece] - draft.t0[piece]) / feed, minlength=len(rows))
        mean = 1.0 / slowness
    result[rows] = np.where(np.isfinite(mean), mean, result[rows])
    return result
