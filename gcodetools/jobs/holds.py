"""What holds reach: the beads of their regions, and the spill on others."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Hold
from gcodetools.edit.treated import Treated
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.toolpath.plate import Plate

__all__ = ["hold_records"]

F8 = NDArray[np.float64]
_LEAST_MM = 0.05  # below, it is rounding at a region's edge


def hold_records(
    plate: Plate, treated: Treated, hits: list[RegionHit], poses: tuple[Pose, ...]
) -> list[dict[str, Any]]:
    """A record a hold: setting, plate layers, value (low, high), beads under it, and its spill.

    `spill` is what other beads got: their length, its share of the plate's bead length, and the instances.
    """
    length = np.where(plate.beads.feature != 0, plate.beads.length_mm, 0.0)
    total = float(length.sum())
    owner = np.full(len(length), -1, np.int16)
    for k, pose in enumerate(poses):
        owner[pose.rows] = k
    by_name = {f"{hit.part}#{hit.instance}/{hit.region}": hit for hit in hits}
    result = []
    for hold in sorted(treated.draft.holds, key=lambda h: (h.setting, h.first)):
        column = treated.draft.nozzle_c if hold.setting == "nozzle" else treated.draft.fan
        if column is None:
            continue
        span = slice(hold.first, hold.last)
        rows = np.flatnonzero((length[span] > 0) & ~np.isnan(column[span])) + hold.first
        if len(rows) == 0:
            continue
        layers = plate.beads.layer[rows]
        spilt, names = _spill(hold, rows, length, by_name, owner, poses)
        result.append(
            {
                "setting": hold.setting,
                "layers": [int(layers.min()) + 1, int(layers.max()) + 1],
                "value": [round(float(column[rows].min()), 4), round(float(column[rows].max()), 4)],
                "bead_length_mm": round(float(length[rows].sum()), 1),
                "regions": list(hold.regions),
                "spill": {
                    "length_mm": round(spilt, 1),
                    "share_of_plate": round(spilt / total, 4) if total else 0.0,
                    "instances": names,
                },
            }
        )
    return result


def _spill(
    hold: Hold,
    rows: NDArray[np.int64],
    length: F8,
    by_name: dict[str, RegionHit],
    owner: NDArray[np.int16],
    poses: tuple[Pose, ...],
) -> tuple[float, list[str]]:
    """Length, mm, of beads under a hold that lie in none of its regions, and the instances whose they are."""
    meant = np.zeros(hold.last - hold.first)
    for name in hold.regions:
        if name not in by_name:
            continue
        selection = by_name[name].selection
        a, b = np.searchsorted(selection.row, (hold.first, hold.last))
        np.add.at(meant, selection.row[a:b] - hold.first, (selection.t1 - selection.t0)[a:b])
    spilt = length[rows] * (1.0 - np.minimum(meant[rows - hold.first], 1.0))
    whose = np.bincount(owner[rows] + 1, spilt, minlength=len(poses) + 1)[1:]
    names = [f"{poses[k].part}#{poses[k].instance}" for k in np.flatnonzero(whose > _LEAST_MM).tolist()]
    return float(spilt.sum()), names
