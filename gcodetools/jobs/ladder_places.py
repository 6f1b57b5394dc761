"""What a plate offers a ladder: instances one by one or layer by layer, a coupon's layers and how long each takes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import Refused
from gcodetools.jobs.region_states import nozzle_base_c, region_state
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.physics.timing import Times, layer_seconds
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Coupon", "centre_of", "coupon_of", "one_by_one", "visit_seconds"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Coupon:
    """What all instances have alike.

    layers : of the region, first and last, from 1. top_mm : (l + 1,) underside of the first of them and the top of
    each, on the plate. layer_s : (l,) seconds of each, at the fastest step. before_s : of the layers between the
    instance's first, in which nothing is told, and these.
    nozzle_c, fan_percent : as the file has them in the region, None where nobody knows.
    """

    layers: tuple[int, int]
    top_mm: F8
    layer_s: F8
    before_s: float
    nozzle_c: float | None
    fan_percent: float | None

    def height_mm(self, start: int = 0) -> float:
        """From the underside of a layer (index) to the top of the last."""
        return float(self.top_mm[-1] - self.top_mm[start])


def one_by_one(plate: Plate, poses: Sequence[Pose]) -> bool:
    """Whether instances are printed one after the other: no two have layers in one run."""
    runs = [np.unique(plate.layers.run[plate.beads.layer[pose.rows]]) for pose in poses]
    alone = all(len(run) == 1 for run in runs)
    return alone and len(poses) > 1 and len({int(run[0]) for run in runs}) == len(poses)


def coupon_of(
    plate: Plate, poses: Sequence[Pose], hits: Sequence[RegionHit], planned: Times, faster: float, blown: bool
) -> Coupon:
    """The layers that the region has in all instances.

    Parameters
    ----------
    faster : by how much a step may shorten layers. blown : leave out layers at which the file keeps the fan at 0,
    since no treatment raises it there.

    Raises
    ------
    Refused : instances of unlike heights, no layer above the first, or the fan is off throughout.
    """
    counts = {pose.layers for pose in poses}
    if len(counts) > 1:
        odd = next(pose for pose in poses if pose.layers != poses[0].layers)
        raise Refused(
            f"{plate.program.lines.name}: instances of unlike heights: {poses[0].part}#{poses[0].instance} has "
            f"{poses[0].layers} layers, {odd.part}#{odd.instance} has {odd.layers}; a ladder compares like with like",
            "Name alike ones with --object or --only.",
        )
    # The first layer stays as it is sliced, for it must hold on the bed.
    first = max(2, *(hit.layers[0] for hit in hits))
    last = min(hit.layers[1] for hit in hits)
    if blown:
        first = max(first, max(_blown_from(plate, hit) for hit in hits))
    if first > last:
        raise Refused(
            f"{plate.program.lines.name}: {hits[0].part}/{hits[0].region} has no layer above the first in all "
            "instances",
            "The first layer stays as sliced; name a region that goes on above it.",
        )
    of_plate = _plate_layers(plate, poses[0])
    seconds = layer_seconds(plate, planned)
    shortest = np.min([seconds[_plate_layers(plate, pose)] for pose in poses], axis=0) / faster
    mine = of_plate[first - 1 : last]
    top = plate.layers.z_mm[mine]
    under = float(top[0] - plate.layers.height_mm[mine[0]])
    state = region_state(plate, hits[0].selection, 1.0, nozzle_base_c(plate, None))
    nozzle, fan = state.get("nozzle_c"), state.get("fan_percent")
    return Coupon(
        (first, last),
        np.concatenate([[under], top]),
        shortest[first - 1 : last],
        float(shortest[1 : first - 1].sum()),
        nozzle[0] if nozzle else None,
        fan[1] if fan and np.isfinite(fan[1]) else None,
    )


def _blown_from(plate: Plate, hit: RegionHit) -> int:
    """The first layer of a region (of the instance, from 1) from which on the file's fan runs.

    Raises
    ------
    Refused : it is off in all of them.
    """
    rows = hit.selection.row
    runs = np.nan_to_num(plate.program.states.fan.at(plate.moves.line[rows])) > 0
    layer = plate.beads.layer[rows]
    used = np.unique(layer)
    off = used[~np.isin(used, layer[runs])]
    if len(off) == len(used):
        raise Refused(
            f"{plate.program.lines.name}: {hit.part}#{hit.instance}/{hit.region}: the file keeps the fan at 0 on "
            "all of its layers, and no treatment raises it there",
            "Possible: slice it with the fan on, or vary something else.",
        )
    return hit.layers[0] + int(np.searchsorted(used, used[np.isin(used, layer[runs])][0]))


def _plate_layers(plate: Plate, pose: Pose) -> I8:
    """(n,) the plate's layers of an instance, raft left out."""
    found: I8 = np.unique(plate.beads.layer[pose.rows[pose.layer > 0]]).astype(np.int64)
    return found


def visit_seconds(plate: Plate, poses: Sequence[Pose], planned: Times) -> F8:
    """(n,) how long each instance is printed in a layer, on the median of its layers."""
    found = []
    for pose in poses:
        layer = plate.beads.layer[pose.rows]
        spent = np.bincount(layer - layer.min(), planned.seconds[pose.rows])
        found.append(float(np.median(spent[spent > 0])))
    return np.array(found)


def centre_of(plate: Plate, pose: Pose) -> tuple[float, float]:
    """The middle of an instance's bounds on the bed, mm."""
    x, y = plate.moves.x[pose.rows], plate.moves.y[pose.rows]
    return float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2
