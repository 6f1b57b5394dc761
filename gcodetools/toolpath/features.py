"""What beads are where no comment says it: closed loops are perimeters, open runs are fill, dense or sparse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.program import Moves
from gcodetools.toolpath.beads import FEATURE_INDEX, Layers

__all__ = ["classify"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]

_SEAM_MM = 0.8  # a loop's ends lie this close: its seam gap, or what coasting left out
_DENSE = 0.62  # bead area over the area fill spans, above which it is solid
_SKIRT_AWAY_MM = 1.5
_OUTERMOST, _PERIMETER = FEATURE_INDEX["outermost"], FEATURE_INDEX["perimeter"]
_SOLID, _SPARSE, _GAP = FEATURE_INDEX["solid"], FEATURE_INDEX["sparse"], FEATURE_INDEX["gap"]
_SKIRT, _OTHER = FEATURE_INDEX["skirt"], FEATURE_INDEX["other"]


@dataclass(frozen=True, slots=True)
class _Path:
    """Rows [first, last) of one uninterrupted extrusion, its points (n + 1, 2), whether it closes."""

    rows: I8
    points: F8
    closed: bool

    @property
    def length(self) -> float:
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())


def classify(moves: Moves, beads: NDArray[np.bool_], layers: Layers, width_mm: F8) -> U1:
    """(m,) own feature of each row, from geometry alone.

    Parameters
    ----------
    beads : rows that lay a bead. width_mm : (m,) width of each bead, NaN elsewhere.
    """
    result = np.where(beads, _OTHER, 0).astype(np.uint8)
    for k in range(len(layers)):
        rows = np.flatnonzero(beads[layers.first_row[k] : layers.last_row[k]]) + int(layers.first_row[k])
        if len(rows):
            width = float(np.nanmedian(width_mm[rows]))
            _layer(moves, rows, width, first=k == 0 or layers.run[k] != layers.run[k - 1], result=result)
    return result


def _layer(moves: Moves, rows: I8, width: float, *, first: bool, result: U1) -> None:
    paths = _paths(moves, rows)
    loops = [p for p in paths if p.closed]
    middles = np.concatenate([(p.points[1:] + p.points[:-1]) / 2 for p in paths])
    owner = np.repeat(np.arange(len(paths)), [len(p.rows) for p in paths])
    rings = [shapely.Polygon(p.points) for p in loops]
    index_of = {id(p): k for k, p in enumerate(paths)}
    for loop, ring in zip(loops, rings, strict=True):
        result[loop.rows] = _loop_feature(loop, ring, rings, middles, owner, index_of[id(loop)], width, first)
    group: list[_Path] = []
    for path in [*paths, None]:
        if path is not None and not path.closed:
            group.append(path)
        elif group:
            feature = _fill_feature(group, width)
            for item in group:
                result[item.rows] = feature
            group = []


def _paths(moves: Moves, rows: I8) -> list[_Path]:
    """Extrusions without a travel or a retraction between their beads."""
    start = np.column_stack([moves.x[rows - 1], moves.y[rows - 1]])
    end = np.column_stack([moves.x[rows], moves.y[rows]])
    joined = np.all(np.abs(start[1:] - end[:-1]) < 1e-6, axis=1)
    pushed = np.cumsum(np.abs(moves.e)) - np.cumsum(np.where(moves.e > 0, moves.e, 0.0))
    joined &= np.abs(np.diff(pushed[rows])) < 1e-9
    cuts = np.flatnonzero(~joined) + 1
    # A loop that closes inside an uninterrupted extrusion ends there: perimeters are often joined.
    pieces = []
    for part in np.split(np.arange(len(rows)), cuts):
        points = np.vstack([start[part[:1]], end[part]])
        away = np.hypot(*(points - points[0]).T)
        closed = len(part) >= 3 and away[-1] < _SEAM_MM and away.max() > 2 * _SEAM_MM
        pieces.append(_Path(rows[part], points, bool(closed)))
    return pieces


def _loop_feature(
    loop: _Path,
    ring: shapely.Polygon,
    rings: list[shapely.Polygon],
    middles: F8,
    owner: I8,
    me: int,
    width: float,
    first: bool,
) -> int:
    """Outermost: inside no other loop, or around nothing at all (the edge of a hole)."""
    if not ring.is_valid or ring.area < width * width:
        return _PERIMETER
    spot = shapely.Point(*loop.points[0])
    holders = [r for r in rings if r is not ring and r.is_valid and r.area > ring.area and r.contains(spot)]
    others = owner != me
    inside = shapely.contains_xy(ring, middles[others, 0], middles[others, 1])
    if first and not holders and np.any(inside):
        nearest = shapely.distance(ring.exterior, shapely.points(middles[others][inside])).min()
        if nearest > _SKIRT_AWAY_MM:
            return _SKIRT
    if first:
        holders = [
            r for r in holders if r.exterior.distance(spot) < _SKIRT_AWAY_MM or not _is_skirt(r, middles)
        ]
    return _OUTERMOST if not holders or not np.any(inside) else _PERIMETER


def _is_skirt(ring: shapely.Polygon, middles: F8) -> bool:
    """Whether the ring keeps away from every bead inside it but its own."""
    distance = shapely.distance(ring.exterior, shapely.points(middles))
    inner = distance[distance > 0.05]
    return bool(len(inner)) and float(inner.min()) > _SKIRT_AWAY_MM


def _fill_feature(group: list[_Path], width: float) -> int:
    """Solid or sparse by the share of the spanned area that beads cover; a narrow span is a gap."""
    points = np.vstack([p.points for p in group])
    length = sum(p.length for p in group)
    hull = shapely.convex_hull(shapely.MultiPoint(points)).buffer(width / 2)
    narrow = 2.0 * hull.area / hull.length
    if narrow < 1.5 * width or length < 4 * width:
        return _GAP
    return _SOLID if length * width / hull.area > _DENSE else _SPARSE
