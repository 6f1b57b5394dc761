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


def hold_records(
    plate: Plate, treated: Treated, hits: list[RegionHit], poses: tuple[Pose, ...]
) -> list[dict[str, Any]]:
    """A record a hold: setting, plate layers, value (low, high), beads under it, and its spill.

    `spill` is what other beads got: their length, its share of the plate's bead length, and the instances.
    """
    length = np.where(plate.beads.feature != 0, plate.beads.length_mm, 0.0)
    by_name = {f"{hit.part}#{hit.instance}/{hit.region}": hit for hit in hits}
    result = []
    for hold in sorted(treated.draft.holds, key=lambda h: (h.setting, h.first)):
        column = treated.draft.nozzle_c if hold.setting == "nozzle" else treated.draft.fan
        if column is None:
            continue
        rows = np.arange(hold.first, hold.last)
        rows = rows[(length[rows] > 0) & ~np.isnan(column[rows])]
        if len(rows) == 0:
            continue
        layers = plate.beads.layer[rows]
        result.append(
            {
                "setting": hold.setting,
                "layers": [int(layers.min()) + 1, int(layers.max()) + 1],
                "value": [round(float(column[rows].min()), 4), round(float(column[rows].max()), 4)],
                "bead_length_mm": round(float(length[rows].sum()), 1),
                "regions": list(hold.regions),
                "spill": _spill(hold, rows, length, by_name, poses),
            }
        )
    return result


def _spill(
    hold: Hold,
    rows: NDArray[np.int64],
    length: F8,
    by_name: dict[str, RegionHit],
    poses: tuple[Pose, ...],
) -> dict[str, Any]:
    """Length of beads under a hold that lie in none of its regions, and whose they are."""
    meant = np.zeros(len(length))
    for name in hold.regions:
        if name in by_name:
            selection = by_name[name].selection
            np.add.at(meant, selection.row, selection.t1 - selection.t0)
    under = np.zeros(len(length))
    under[rows] = length[rows] * (1.0 - np.minimum(meant[rows], 1.0))
    spilt, total = float(under.sum()), float(length.sum())
    reached = [f"{pose.part}#{pose.instance}" for pose in poses if float(under[pose.rows].sum()) > 0.05]
    return {
        "length_mm": round(spilt, 1),
        "share_of_plate": round(spilt / total, 4) if total else 0.0,
        "instances": reached,
    }
