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
_CACHED = 512


def seams_of(room: Room) -> Seams:
    """Seams of an island.

    An open ring or a hook is told by the pocket between it and its convex hull: its free ends are the ends of
    the hull's chord over the pocket, and it bends most about the pocket's deepest point.
    """
    near, avoid = _pocket(shapely.to_wkb(room.island.polygon))
    outer = [wall.points[0] for wall in room.walls if wall.outermost and len(wall.points)]
    return Seams(np.array(outer).reshape(-1, 2), near, avoid)


@lru_cache(maxsize=_CACHED)
def _pocket(wkb: bytes) -> tuple[F8, shapely.Geometry]:
    """Ends of the chord over the deepest pocket (k, 2), and the area about its deepest point."""
    outline = Polygon(shapely.from_wkb(wkb).exterior)
    hull = shapely.convex_hull(outline)
    best: tuple[float, F8, F8] | None = None
    for pocket in shapely.get_parts(hull.difference(outline)).tolist():
        if not isinstance(pocket, Polygon) or pocket.area < _LEAST_DEPTH_MM**2 / 2:
            continue
        corners = shapely.get_coordinates(pocket.exterior)[:-1]
        on_hull = shapely.distance(hull.exterior, shapely.points(corners)) < 1e-6
        ends = corners[on_hull]
        if len(ends) < 2:
            continue
        chord = shapely.linestrings(ends[[0, -1]])
        away = shapely.distance(chord, shapely.points(corners))
        depth = float(away.max())
        if depth >= _LEAST_DEPTH_MM and (best is None or depth > best[0]):
            best = depth, ends, corners[int(np.argmax(away))]
    if best is None:
        return np.empty((0, 2)), Polygon()
    depth, ends, deepest = best
    return ends, shapely.Point(deepest).buffer(_ROOT * depth)
