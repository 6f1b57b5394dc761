"""Where instances are on a treated plate: where they were, since a treatment moves none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.edit.splice import Edits
from gcodetools.edit.windows import line_map
from gcodetools.kit.placing import Pose
from gcodetools.toolpath.plate import Plate

__all__ = ["carried"]

I8 = NDArray[np.int64]
_NOBODY = -1


def carried(draft: Draft, treated: Plate, edits: Edits, poses: Sequence[Pose]) -> list[Pose]:
    """The poses with the rows they have on the treated plate.

    A move of the file keeps its instance, and pieces of a cut one stand right before it; new beads belong to
    the instance whose region asked for them.
    """
    plate = draft.plate
    line = line_map(edits, plate.program.lines.start)[plate.moves.line].astype(np.int64)
    owner = np.full(len(plate.moves), _NOBODY, np.int32)
    for k, pose in enumerate(poses):
        owner[pose.rows] = k
    # Lines that are left out fall together with the next that stays, which is the last of them.
    # How many lines of moves come before each line: looked up, which is quicker than searched for.
    most = max(int(line.max(initial=0)), int(treated.moves.line.max(initial=0)))
    before = np.concatenate([[0], np.cumsum(np.bincount(line, minlength=most + 1))])
    behind, last = before[treated.moves.line], before[treated.moves.line + np.int64(1)] - 1
    mine = np.where(last >= behind, last, np.minimum(behind, len(owner) - 1))
    new_owner = owner[mine]
    own_line = last >= behind
    # A travel left out behind a bead falls together with it.
    new_owner = np.where(
        own_line & (new_owner == _NOBODY), owner[np.minimum(behind, len(owner) - 1)], new_owner
    )
    if draft.runs:
        # Where rows before the next that stays were left out, the run may stand before any of these.
        new = np.flatnonzero(~own_line | (new_owner == _NOBODY))
        stays = before[line[np.minimum(behind[new], len(line) - 1)] + 1] - 1
        new_owner[new] = _of_runs(draft, poses, behind[new], stays, new_owner[new])
    beads = np.flatnonzero(treated.beads.is_bead & (treated.beads.layer >= 0) & (new_owner >= 0))
    order = beads[np.argsort(new_owner[beads], kind="stable")]
    ends = np.searchsorted(new_owner[order], np.arange(len(poses) + 1))
    result = []
    for k, pose in enumerate(poses):
        rows = order[ends[k] : ends[k + 1]]
        raft = treated.layers.raft[treated.beads.layer[rows]]
        used, number = np.unique(treated.beads.layer[rows[~raft]], return_inverse=True)
        layer = np.zeros(len(rows), np.int32)
        layer[~raft] = number + 1
        result.append(replace(pose, rows=rows.astype(np.int32), layer=layer, layers=len(used)))
    return result


def _of_runs(
    draft: Draft, poses: Sequence[Pose], behind: I8, stays: I8, owner: NDArray[np.int32]
) -> NDArray[np.int32]:
    """Owners of new rows: where a run stands before one of the rows `behind` to `stays`, of who asked for it."""
    number = {f"{pose.part}#{pose.instance}": k for k, pose in enumerate(poses)}
    rows = np.array([run.row for run in draft.runs], np.int64)
    asked = np.array([number.get(run.region.rsplit("/", 1)[0], _NOBODY) for run in draft.runs], np.int32)
    order = np.argsort(rows, kind="stable")
    rows, asked = rows[order], asked[order]
    at = np.minimum(np.searchsorted(rows, behind, side="left"), len(rows) - 1)
    near = (rows[at] >= behind) & (rows[at] <= np.maximum(stays, behind))
    found = np.where(near, asked[at], _NOBODY)
    return np.where(found >= 0, found, owner).astype(np.int32)
