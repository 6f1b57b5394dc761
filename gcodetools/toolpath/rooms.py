"""Rooms: what is free inside the walls of each island of a layer, and what of it the file fills solidly."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiLineString, MultiPolygon

from gcodetools.records import dataclass
from gcodetools.toolpath.apart import direction_of, ends_of, side_by_side
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.islands import Island, of_layer
from gcodetools.toolpath.measures import Measure, breadths_of, measure
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.walls import Area, Same, Wall, bead_areas, polygonal, space_within, walls_of

__all__ = ["Measure", "Room", "Wall", "fill_direction", "measure", "rooms_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_DENSE = 0.75  # of q: where other lines hold this much of what solid ones leave, they are solid too
_LEFT = 0.1  # of a space, that is little
_IS_SOLID = np.isin(np.arange(256), [FEATURE_INDEX[w] for w in ("solid", "gap", "bridge")])
_CLOSING = 0.3  # breadths on either side that count as covered between solid lines
_NARROW = 0.2  # breadths on either side: what is left narrower is covered
_SURE = 0.5  # of the solid fill, that lies side by side
_STRAIGHT = 0.4  # of sparse fill, that runs one way
_CACHED = 1024


@dataclass(frozen=True, slots=True)
class Room:
    """What is inside the walls of one island of one layer.

    layer : index into the plate's layers. island : with its polygon. wall_rows : (k,) int64, beads of its
    walls. fill_rows : (k,) int64, everything else. height_mm : of the layer. space : free inside the walls.
    solid : part of the space that the file fills solidly. walls, breadth_mm : its walls, and the breadth of
    their stretches.
    """

    layer: int
    island: Island
    wall_rows: I8
    fill_rows: I8
    height_mm: float
    space: Area
    solid: Area
    walls: tuple[Wall, ...]
    breadth_mm: tuple[F8, ...]


def rooms_of(
    plate: Plate, layer: int, rows: NDArray[np.generic] | None = None, gauge: Measure | None = None
) -> list[Room]:
    """Rooms of one layer, one an island, in the order of `islands.of_layer`.

    Parameters
    ----------
    layer : index into the plate's layers. rows : which rows count, a mask over all moves or ascending
    indices; None for all of the layer. gauge : what the plate's beads measure; None measures it.
    """
    gauge = gauge or measure(plate)
    islands = of_layer(plate, layer, rows)
    height = float(plate.layers.height_mm[layer])
    result = []
    for island, walls in zip(islands, walls_of(plate, islands), strict=True):
        breadth = breadths_of(walls, height, gauge)
        space = space_within(island.polygon, walls, breadth, gauge.breadth_mm)
        own = island.rows.astype(np.int64)
        wall_rows = np.sort(np.concatenate([w.rows for w in walls])) if walls else np.empty(0, np.int64)
        inside = np.ones(len(own), bool)
        inside[np.searchsorted(own, wall_rows)] = False
        fill_rows = own[inside]
        solid = _solid(plate, fill_rows, space, gauge, height)
        result.append(
            Room(layer, island, wall_rows, fill_rows, height, space, solid, tuple(walls), tuple(breadth))
        )
    return result


def fill_direction(
    plate: Plate, fill: Room | NDArray[np.integer], gauge: Measure | None = None
) -> float | None:
    """Dominant direction of a room's (or of rows') own fill, radians in [0, pi): of its solid lines, else of the
    sparse ones, else, where there are none, of bridges. None where there is no fill that has one.

    Solid lines lie side by side: loops round a small patch and the ways from one short line to the next tell none.
    No more do waves, and the ways along the walls between them.
    """
    rows = fill.fill_rows if isinstance(fill, Room) else np.asarray(fill, np.int64)
    gauge = gauge or measure(plate)
    solid, sparse, bridge = (
        rows[plate.beads.feature[rows] == FEATURE_INDEX[word]] for word in ("solid", "sparse", "bridge")
    )
    lines = side_by_side(plate, solid, gauge.solid_pitch_mm)
    length = plate.beads.length_mm
    sure = lines if length[lines].sum() >= _SURE * length[solid].sum() else lines[:0]
    wanted = [(sure, 0.0), (sparse, _STRAIGHT)] if len(sparse) else [(sure, 0.0), (bridge, 0.0), (lines, 0.0)]
    if isinstance(fill, Room) and len(sparse):
        x, y, dx, dy = ends_of(plate, sparse)
        away = shapely.distance(fill.space.boundary, shapely.points(x + dx / 2, y + dy / 2))
        wanted[1] = sparse[~(away < gauge.pitch_mm)], _STRAIGHT
    for own, least in wanted:
        direction = direction_of(plate, own, least) if len(own) else None
        if direction is not None:
            return direction
    return None


def _solid(plate: Plate, rows: I8, space: Area, gauge: Measure, height_mm: float) -> Area:
    """What of the space the file fills.

    Lines of solid fill, gaps and bridges; other lines too where they fill what those leave.
    """
    if space.is_empty or len(rows) == 0:
        return MultiPolygon()
    volume = np.nan_to_num(bead_areas(plate, rows) * plate.beads.length_mm[rows])
    marked = _IS_SOLID[plate.beads.feature[rows]]
    left = gauge.fill * height_mm * space.area - volume[marked].sum()
    dense = volume[~marked].sum() >= _DENSE * max(left, _LEFT * gauge.fill * height_mm * space.area)
    full = rows if dense else rows[marked]
    full = full[plate.beads.length_mm[full] > 1e-6]
    if len(full) == 0:
        return MultiPolygon()
    moves = plate.program.moves
    before = np.maximum(full - 1, 0)
    ends = np.column_stack([moves.x[before], moves.y[before], moves.x[full], moves.y[full]])
    return _covered(Same(space), np.round(ends, 6).tobytes(), round(gauge.solid_breadth_mm, 3))


@lru_cache(maxsize=_CACHED)
def _covered(within: Same, ends: bytes, breadth: float) -> Area:
    """What lines cover of a space, but for what is too narrow to lay a bead in."""
    space = within.shape
    lines = MultiLineString(_joined(np.frombuffer(ends).reshape(-1, 4)))
    closing, narrow = _CLOSING * breadth, _NARROW * breadth
    free = space.difference(lines.buffer(breadth / 2 + closing, quad_segs=2))
    # Lines were drawn broader by the closing; what is free was narrowed by it, on either side.
    left = free.buffer(-narrow, quad_segs=2).buffer(narrow + closing, quad_segs=2)
    return polygonal(space if left.is_empty else space.difference(left))


def _joined(ends: F8) -> list[F8]:
    """Lines x0, y0, x1, y1 as paths; buffers of paths take a quarter of the time that those of lines take."""
    broken = np.flatnonzero(np.any(ends[1:, :2] != ends[:-1, 2:], axis=1)) + 1
    points = np.insert(ends[:, 2:], np.append(0, broken), ends[np.append(0, broken), :2], axis=0)
    return np.split(points, broken + np.arange(1, len(broken) + 1))
