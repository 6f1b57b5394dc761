"""Which stretches of which beads lie in a region of an instance."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import field, replace
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.program import ARC
from gcodetools.kit.paths import Boxes, Paths, columns, together
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Region
from gcodetools.kit.shapes import ThinnerThan, names
from gcodetools.kit.solids import Solid, compile_solid, stretches
from gcodetools.kit.thickness import thin_places
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX, FEATURES
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate

__all__ = ["RegionHit", "Selection", "not_met", "overlaps", "select", "select_all"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_BEADS = {
    "perimeters": tuple(FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang")),
    "infill": tuple(FEATURE_INDEX[w] for w in ("solid", "sparse", "gap", "bridge")),
}
_BEADS["any"] = _BEADS["perimeters"] + _BEADS["infill"]
_OVERLAP_MM = 0.5
_THREADS = 2
_GROUP_ROWS = 1 << 17


@dataclass(frozen=True, slots=True)
class Selection:
    """Stretches of beads: row (k,) int64 ascending, t0 and t1 (k,) fractions of the bead's path."""

    row: I8
    t0: F8
    t1: F8


@dataclass(frozen=True, slots=True)
class RegionHit:
    """A region of one instance: layers (first, last) of the instance and z_mm (low, high) in its frame, and the
    solid it is, in the part's frame."""

    part: str
    instance: int
    region: str
    role: str
    selection: Selection
    layers: tuple[int, int]
    z_mm: tuple[float, float]
    solid: Solid | None = field(default=None, repr=False, compare=False)


def select(plate: Plate, pose: Pose, region: Region, name: str) -> RegionHit:
    """Select the beads of a region. A bead is its centre line at mid-height of its layer; support, skirt,
    tower, wipe and travel never count."""
    return _select_in(plate, [pose], {name: region})[0][name]


def select_all(plate: Plate, poses: Sequence[Pose], regions: dict[str, Region]) -> list[dict[str, RegionHit]]:
    """Every region of every pose of a part: one mapping from region names a pose.

    The beads of a pose are brought into the part's frame once, those of small instances are looked at together, and
    two groups at a time.
    """
    groups = _groups(poses, regions)
    if len(groups) < 2:
        return [hits for group in groups for hits in _select_in(plate, group, regions)]
    with ThreadPoolExecutor(_THREADS) as pool:
        found = pool.map(lambda group: _select_in(plate, group, regions), groups)
        return [hits for group in found for hits in group]


def _groups(poses: Sequence[Pose], regions: dict[str, Region]) -> list[list[Pose]]:
    """Poses in order, as many together as have some beads; each alone where a region depends on its plastic."""
    groups: list[list[Pose]] = []
    count = most = 0 if any(names(region.within, ThinnerThan) for region in regions.values()) else _GROUP_ROWS
    for pose in poses:
        if count >= most:
            groups.append([])
            count = 0
        groups[-1].append(pose)
        count += len(pose.rows)
    return groups


def _select_in(plate: Plate, poses: list[Pose], regions: dict[str, Region]) -> list[dict[str, RegionHit]]:
    kinds = {region.beads for region in regions.values()}
    beads = kinds.pop() if len(kinds) == 1 else "any"
    each = [_rows(plate, pose, beads) for pose in poses]
    paths = together([_paths(plate, pose, *mine) for pose, mine in zip(poses, each, strict=True)])
    rows, behind = np.concatenate([mine for mine, _ in each]), np.cumsum([len(mine) for mine, _ in each])
    boxes, thin = Boxes(paths), _ThinParts(plate, poses[0])
    found: list[dict[str, RegionHit]] = [{} for _ in poses]
    for name, region in regions.items():
        solid = compile_solid(region.within, thin)
        index, t0, t1 = stretches(solid, paths, boxes)
        row, layer, z = rows[index], paths.layer[index], paths.p1[:, 2][index]
        if kinds and region.beads != "any":
            keep = _is_any(region.beads)[plate.beads.feature[row]]
            index, row, t0, t1, layer, z = (column[keep] for column in (index, row, t0, t1, layer, z))
        cuts = np.searchsorted(index, behind).tolist()
        for pose, hits, a, b in zip(poses, found, [0, *cuts], cuts, strict=False):
            selection = Selection(row[a:b], t0[a:b], t1[a:b])
            hits[name] = replace(_hit(pose, region, name, selection, layer[a:b], z[a:b]), solid=solid)
    return found


def _hit(
    pose: Pose, region: Region, name: str, selection: Selection, layer: NDArray[np.int32], z: F8
) -> RegionHit:
    layers, heights = (0, 0), (0.0, 0.0)
    if len(layer):
        layers = (int(layer.min()), int(layer.max()))
        heights = (float(z.min()), float(z.max()))
    return RegionHit(pose.part, pose.instance, name, region.role, selection, layers, heights)


def _rows(plate: Plate, pose: Pose, beads: str) -> tuple[I8, NDArray[np.int32]]:
    keep = _is_any(beads)[plate.beads.feature[pose.rows]]
    return pose.rows[keep].astype(np.int64), pose.layer[keep]


@lru_cache(maxsize=len(_BEADS))
def _is_any(beads: str) -> NDArray[np.bool_]:
    """By feature, whether it is among those that a kit calls `beads`."""
    table = np.zeros(len(FEATURES), bool)
    table[list(_BEADS[beads])] = True
    return table


def _paths(plate: Plate, pose: Pose, rows: I8, layer: NDArray[np.int32]) -> Paths:
    """Beads in the part's frame, at mid-height of their layers."""
    moves, first = plate.program.moves, np.flatnonzero(np.diff(rows, prepend=-2) != 1)
    # Beads mostly begin where the one before ends.
    before = np.maximum(rows[first] - 1, 0)
    end_x, end_y = pose.to_part(moves.x[rows], moves.y[rows])
    start_x, start_y = _shifted(end_x), _shifted(end_y)
    start_x[first], start_y[first] = pose.to_part(moves.x[before], moves.y[before])
    start_z, end_z = _heights(plate, pose, rows, first)
    ends = columns(start_x, start_y, start_z), columns(end_x, end_y, end_z)
    arcs = plate.program.arcs
    on = np.flatnonzero((moves.kind[rows] & ARC) != 0)
    k = np.searchsorted(arcs.row, rows[on])
    flat = (arcs.plane[k] == 17) & (arcs.radius[k] > 0) & (arcs.sweep[k] != 0)
    on, k = on[flat], k[flat]
    cx, cy = pose.to_part(arcs.cx[k], arcs.cy[k])
    begin, sweep = arcs.begin[k] - np.radians(pose.turn_deg), arcs.sweep[k]
    if pose.mirrored:
        begin, sweep = np.pi - begin, -sweep
    return Paths(ends[0], ends[1], layer, on, cx, cy, arcs.radius[k] / pose.scale, begin, sweep)


def _shifted(values: F8) -> F8:
    """What stands before each; the first is to be filled in."""
    result = np.empty_like(values)
    result[1:] = values[:-1]
    return result


def _heights(plate: Plate, pose: Pose, rows: I8, first: I8) -> tuple[F8, F8]:
    """Height of both ends of beads above the part's z = 0, at mid-height of their layers. first : those that do not
    follow the one before."""
    z, height = plate.program.moves.z, plate.beads.height[rows]
    end = z[rows]
    # They step from layer to layer, and are worked out where they do.
    step = np.ones(len(rows), bool)
    step[1:] = (end[1:] != end[:-1]) | (height[1:] != height[:-1])
    at = np.flatnonzero(step)
    # Rounded, so that what single precision adds keeps no bead off a face at mid-height.
    half = np.round(np.nan_to_num(height[at].astype(np.float64)), 6) / 2

    def above(values: F8, half: F8) -> F8:
        return (values - half - pose.z_mm) / pose.scale

    count = np.diff(at, append=len(rows))
    middle = np.repeat(above(end[at], half), count)
    # Only a bead that climbs (a vase) starts lower; a lift before it is no part of it.
    before = _shifted(end)
    before[first] = z[np.maximum(rows[first] - 1, 0)]
    climbs = np.flatnonzero(before != end)
    climbs = climbs[plate.beads.feature[np.maximum(rows[climbs] - 1, 0)] != 0]
    start = middle.copy()
    start[climbs] = above(before[climbs], np.repeat(half, count)[climbs])
    return start, middle


class _ThinParts:
    """Answers `thinner_than`: the thin parts of each layer, worked out once for layers that are alike."""

    def __init__(self, plate: Plate, pose: Pose) -> None:
        self.plate, self.pose = plate, pose

    def __call__(self, thickness_mm: float) -> dict[int, shapely.Geometry]:
        beads, moves, pose = self.plate.beads, self.plate.program.moves, self.pose
        rows = pose.rows.astype(np.int64)
        found: dict[int, shapely.Geometry] = {}
        alike: dict[bytes, shapely.Geometry] = {}
        starts = np.flatnonzero(np.diff(pose.layer, prepend=-1) != 0)
        for mine in np.split(np.arange(len(rows)), starts[1:]):
            outer = rows[mine][beads.feature[rows[mine]] == FEATURE_INDEX["outermost"]]
            key = np.round(np.column_stack([moves.x[outer], moves.y[outer]]), 3).tobytes()
            if key not in alike:
                alike[key] = self._thin(int(beads.layer[rows[mine[0]]]), rows[mine], thickness_mm)
            if not alike[key].is_empty:
                found[int(pose.layer[mine[0]])] = alike[key]
        return found

    def _thin(self, layer: int, rows: I8, thickness_mm: float) -> shapely.Geometry:
        """Thin parts of one layer's islands, in the part's frame."""
        islands = of_layer(self.plate, layer, rows)
        parts = [thin_places(island.polygon, thickness_mm * self.pose.scale) for island in islands]
        shape = shapely.union_all(parts)
        return shapely.transform(shape, lambda xy: np.column_stack(self.pose.to_part(xy[:, 0], xy[:, 1])))


def not_met(plate: Plate, pose: Pose, region: Region) -> str:
    """What was searched when a region meets no bead: layers, heights and box of the instance in its frame."""
    rows, layer = _rows(plate, pose, region.beads)
    if len(rows) == 0:
        return f"the instance has no beads of kind `{region.beads}`"
    paths = _paths(plate, pose, rows, layer)
    low = np.minimum(paths.p0, paths.p1).min(axis=0)
    high = np.maximum(paths.p0, paths.p1).max(axis=0)
    return (
        f"searched layers {int(layer.min())} to {int(layer.max())}: beads of kind `{region.beads}` lie in x "
        f"{low[0]:.1f} to {high[0]:.1f}, y {low[1]:.1f} to {high[1]:.1f}, z {low[2]:.2f} to {high[2]:.2f} mm "
        "of the part's frame"
    )


def overlaps(plate: Plate, hits: list[RegionHit]) -> list[str]:
    """Sentences on regions of one part that claim the same beads, the first-written one named first."""
    found: dict[tuple[str, str, str], float] = {}
    by_instance: dict[tuple[str, int], list[RegionHit]] = {}
    for hit in hits:
        by_instance.setdefault((hit.part, hit.instance), []).append(hit)
    for mine in by_instance.values():
        for k, first in enumerate(mine):
            for second in mine[k + 1 :]:
                length = _shared_mm(plate, first.selection, second.selection)
                if length > _OVERLAP_MM:
                    key = (first.part, first.region, second.region)
                    found[key] = found.get(key, 0.0) + length
    return [
        f"{part}: regions {a} and {b} share {length:.0f} mm of beads; {a} is written first and wins where "
        "both set the same thing"
        for (part, a, b), length in found.items()
    ]


def _shared_mm(plate: Plate, a: Selection, b: Selection) -> float:
    """Length of beads in both selections."""
    if len(a.row) == 0 or len(b.row) == 0 or a.row[0] > b.row[-1] or b.row[0] > a.row[-1]:
        return 0.0
    low = np.searchsorted(b.row, a.row, side="left")
    if not np.any(b.row[np.minimum(low, len(b.row) - 1)] == a.row):
        return 0.0
    count = np.searchsorted(b.row, a.row, side="right") - low
    left = np.repeat(np.arange(len(a.row)), count)
    right = np.repeat(low - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
    shared = np.minimum(a.t1[left], b.t1[right]) - np.maximum(a.t0[left], b.t0[right])
    length = plate.beads.length_mm[a.row[left]]
    return float((np.maximum(shared, 0.0) * length).sum())
