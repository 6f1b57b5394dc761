"""Where new loops may begin: off the outermost seam, and never where the part bends most."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.toolpath.rooms import Room
from gcodetools.treat.laying import Seams

__all__ = ["seams_of"]

F8 = NDArray[np.float64]

_LEAST_DEPTH_MM = 2.0
_ROOT = 0.5  # of a pocket's depth, about its deepest point: the back of an open ring, the root of a hook
_LEVEL = (
    0.1  # of a pocket's depth: a straight stretch that comes so near to the deepest point is a back with it
)
_STRETCH = 0.1  # of a pocket's depth: a shorter stretch is a piece of a curve
_STRAIGHT_MM = 0.02  # what a stretch may be off a straight line
_ROUND_MM = 0.01
_CACHED = 512


def seams_of(room: Room) -> Seams:
    """Seams of an island.

    An open ring or a hook is told by the pocket between it and its convex hull: its free ends are the ends of
    the hull's chord over the pocket, and it bends most about the pocket's deepest point; where its back is straight,
    all along the back and about the corners at both its ends.
    """
    near, avoid = _pocket(shapely.to_wkb(room.island.polygon))
    outer = [wall.points[0] for wall in room.walls if wall.outermost and len(wall.points)]
    return Seams(np.array(outer).reshape(-1, 2), near, avoid)


@lru_cache(maxsize=_CACHED)
def _pocket(wkb: bytes) -> tuple[F8, shapely.Geometry]:
    """Ends of the chord over the deepest pocket (k, 2), and the area that bends most."""
    outline = Polygon(shapely.from_wkb(wkb).exterior)
    hull = shapely.convex_hull(outline)
    best: tuple[float, F8, Polygon] | None = None
    for pocket in shapely.get_parts(hull.difference(outline)).tolist():
        if not isinstance(pocket, Polygon) or pocket.area < _LEAST_DEPTH_MM**2 / 2:
            continue
        corners = shapely.get_coordinates(pocket.exterior)[:-1]
        on_hull = shapely.distance(hull.exterior, shapely.points(corners)) < 1e-6
        ends = corners[on_hull]
        if len(ends) < 2:
            continue
        depth = float(_below(ends, corners).max())
        if depth >= _LEAST_DEPTH_MM and (best is None or depth > best[0]):
            best = depth, ends, pocket
    if best is None:
        return np.empty((0, 2)), Polygon()
    depth, ends, pocket = best
    return ends, _back(outline, pocket, ends, depth)


def _below(ends: F8, points: F8) -> F8:
    """How far points lie below the chord over a pocket."""
    away: F8 = shapely.distance(shapely.linestrings(ends[[0, -1]]), shapely.points(points))
    return away


def _back(outline: Polygon, pocket: Polygon, ends: F8, depth: float) -> shapely.Geometry:
    """The area about the deepest point of a pocket, and about straight stretches as deep as that."""
    corners = shapely.get_coordinates(pocket.exterior)[:-1]
    deepest = corners[int(np.argmax(_below(ends, corners)))]
    along = ends[-1] - ends[0]
    away = np.array([along[1], -along[0]]) / max(float(np.hypot(*along)), 1e-9)
    away = away if away @ (deepest - ends[0]) >= 0 else -away
    reach = max(_ROOT * depth, min(_inside(outline, deepest, away), depth))
    areas = [shapely.Point(deepest).buffer(reach)]
    edge = shapely.get_coordinates(_straight(pocket))
    below = _below(ends, edge)
    level = np.minimum(below[:-1], below[1:]) >= (1 - _LEVEL) * depth
    long = np.hypot(*np.diff(edge, axis=0).T) >= _STRETCH * depth
    for k in np.flatnonzero(level & long).tolist():
        one, two = edge[k], edge[k + 1]
        areas += [shapely.linestrings([one, two]).buffer(reach), _wall(outline, one, two, away, depth)]
    return shapely.union_all(areas)


def _straight(pocket: Polygon) -> shapely.Geometry:
    """A pocket's edge without the points within its straight stretches, wherever it begins."""
    edge = shapely.simplify(pocket.exterior, _STRAIGHT_MM)
    xy = shapely.get_coordinates(edge)[:-1]
    # The first point is kept by `simplify`, so it should be a corner.
    return shapely.simplify(shapely.linearrings(np.roll(xy, -(len(xy) // 2), axis=0)), _STRAIGHT_MM)


def _wall(outline: Polygon, one: F8, two: F8, away: F8, depth: float) -> Polygon:
    """The wall behind a straight back, with its corners."""
    size = float(np.hypot(*(two - one)))
    on, most = (two - one) / size, max(depth, size / 2)  # a back may stand on a body
    behind = max(min(_inside(outline, p, away), most) for p in (one, (one + two) / 2, two))
    first, last = (min(_inside(outline, p, side), most) for p, side in ((one, -on), (two, on)))
    a, b = one - on * (first + _ROUND_MM), two + on * (last + _ROUND_MM)
    return Polygon([a, b, b + away * (behind + _ROUND_MM), a + away * (behind + _ROUND_MM)])


def _inside(outline: Polygon, begin: F8, way: F8) -> float:
    """How far it goes on inside an outline from a point of its edge."""
    x0, y0, x1, y1 = outline.bounds
    ray = shapely.linestrings([begin + way * _ROUND_MM, begin + way * (x1 - x0 + y1 - y0)])
    parts = shapely.get_parts(shapely.intersection(ray, outline))
    near = parts[shapely.distance(parts, shapely.Point(begin)) < 2 * _ROUND_MM]
    return float(shapely.length(near).max(initial=0.0))
