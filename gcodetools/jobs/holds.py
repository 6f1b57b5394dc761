"""What holds are, what their regions got, and the spill on others."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Hold
from gcodetools.edit.treated import Treated
from gcodetools.jobs.records import estimate
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit, Selection
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.reached import Schedule

__all__ = ["hold_records", "reached_record", "spill_records"]

F8 = NDArray[np.float64]
_ROWS = 1 << 16
_LEAST_MM = 0.05  # below, it is rounding at a region's edge


def hold_records(
    plate: Plate, treated: Treated, hits: list[RegionHit], poses: tuple[Pose, ...]
) -> list[dict[str, Any]]:
    """A record a hold: setting, plate layers, value (low, high), beads under it, and its spill.

    `spill` is what other beads got: their length, its share of the plate's bead length, and the instances.
    """
    total = float(plate.beads.length_mm.sum(where=plate.beads.is_bead))
    owner = np.full(len(plate.beads.feature), -1, np.int16)
    for k, pose in enumerate(poses):
        owner[pose.rows] = k
    by_name = {f"{hit.part}#{hit.instance}/{hit.region}": hit.selection for hit in hits}
    result = []
    for hold in sorted(treated.draft.holds, key=lambda h: (h.setting, h.first)):
        column = treated.draft.nozzle_c if hold.setting == "nozzle" else treated.draft.fan
        if column is None:
            continue
        meant = [by_name[name] for name in hold.regions if name in by_name]
        reach = _reach(plate, hold, column, owner, meant, len(poses))
        if reach is None:
            continue
        spilt = float(reach.spilt_mm.sum())
        whose = np.flatnonzero(reach.spilt_mm[1:] > _LEAST_MM).tolist()
        result.append(
            {
                "setting": hold.setting,
                "layers": [reach.layers[0] + 1, reach.layers[1] + 1],
                "value": [round(value, 4) for value in reach.value],
                "bead_length_mm": round(reach.length_mm, 1),
                "regions": list(hold.regions),
                "spill": {
                    "length_mm": round(spilt, 1),
                    "share_of_plate": round(spilt / total, 4) if total else 0.0,
                    "instances": [f"{poses[k].part}#{poses[k].instance}" for k in whose],
                },
            }
        )
    return result


def reached_record(schedule: Schedule, setting: str, name: str) -> dict[str, Any] | None:
    """What a region (`part#instance/region`) got of nozzle (C) or fan (0 to 1): wanted (lowest, highest), least,
    mean and most reached, each with its band, and what the first bead of a visit lacks at worst."""
    reach = schedule.first(setting, name)
    if reach is None:
        return None
    least, mean, most = (
        estimate(best, low, high, schedule.source) for low, best, high in (ends for ends in reach.reached)
    )
    record = {"target": [reach.low, reach.high], "min": least, "mean": mean, "max": most}
    return record | ({"first_bead_off": round(reach.missed, 3)} if reach.missed else {})


def spill_records(schedule: Schedule, poses: tuple[Pose, ...]) -> list[dict[str, Any]]:
    """What beads got that nobody meant, a record a setting and instance: their length, the change on the mean and
    at most (C, or share of the fan), the share of the plate's bead length with any change, and the heights of
    the outer wall at which the change may be seen."""
    result = []
    for spilt in schedule.spills:
        pose = poses[spilt.owner] if spilt.owner >= 0 else None
        bands = [
            {
                "z_mm": [round(end, 3) + 0.0 for end in (band.low_mm, band.high_mm)],
                "mean_c": round(band.mean_c, 2),
            }
            for band in spilt.bands
            if not band.whole
        ]
        result.append(
            {
                "setting": spilt.setting,
                **({"part": pose.part, "instance": pose.instance} if pose else {}),
                "length_mm": round(spilt.length_mm, 1),
                "mean": round(spilt.mean, 3),
                "most": round(spilt.most, 3),
                "share_of_plate": round(spilt.share, 4),
                "basis": "modelled",
                "source": schedule.source,
                **({"bands": bands} if bands else {}),
            }
        )
    return result


@dataclass(frozen=True, slots=True)
class _Reach:
    """What a hold reaches: plate layers and values (lowest, highest), length of its beads, and of those that
    lie in none of its regions by owner: index + 1, 0 for nobody's."""

    layers: tuple[int, int]
    value: tuple[float, float]
    length_mm: float
    spilt_mm: F8


def _reach(
    plate: Plate, hold: Hold, column: F8, owner: NDArray[np.int16], meant: list[Selection], poses: int
) -> _Reach | None:
    """What a hold reaches, None for no bead; some rows at a time, since it may reach over the whole plate."""
    beads = plate.beads
    row = np.concatenate([np.empty(0, np.int64), *(s.row for s in meant)])
    order = np.argsort(row, kind="stable")
    row = row[order]
    share = np.concatenate([np.empty(0), *(s.t1 - s.t0 for s in meant)])[order]
    found: list[tuple[int, int, float, float]] = []
    length, spilt = 0.0, np.zeros(poses + 1)
    for low in range(hold.first, hold.last, _ROWS):
        high = min(low + _ROWS, hold.last)
        held = (beads.feature[low:high] != 0) & (beads.length_mm[low:high] > 0) & ~np.isnan(column[low:high])
        rows = np.flatnonzero(held)
        if len(rows) == 0:
            continue
        a, b = np.searchsorted(row, (low, high))
        inside = np.bincount(row[a:b] - low, share[a:b], minlength=high - low)[rows]
        rows += low
        layer, value, mm = beads.layer[rows], column[rows], beads.length_mm[rows]
        inner = layer[layer >= 0]  # what the start code draws is in no layer
        if len(inner):
            found.append((int(inner.min()), int(inner.max()), float(value.min()), float(value.max())))
        length += float(mm.sum())
        spilt += np.bincount(owner[rows] + 1, mm * (1.0 - np.minimum(inside, 1.0)), minlength=poses + 1)
    if not found:
        return None
    lowest, highest = np.min(found, axis=0), np.max(found, axis=0)
    layers = int(lowest[0]), int(highest[1])
    return _Reach(layers, (float(lowest[2]), float(highest[3])), length, spilt)
