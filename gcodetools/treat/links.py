"""Ways between beads of one island: straight where that stays inside, along the wall, or pulled back and lifted."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from gcodetools.records import dataclass
from gcodetools.treat.memory import remembered

__all__ = ["LONGEST_MM", "Ground", "Way", "ground_of"]

F8 = NDArray[np.float64]

LONGEST_MM = 25.0  # a way along the wall longer than this oozes too much; common practice, no source
_SIMPLE_MM = 0.02  # points of a way along the wall that matter less are left out
_MOST_KNOWN = 4096  # ways of a ground that are remembered
_INSETS = 1.6, 0.6  # widths inside the edge that such a way keeps: off the outermost bead where there is room


@dataclass(frozen=True, slots=True)
class Way:
    """Points (n, 2) to travel to, the last is the goal. leaves : it leaves the outline, so that filament must
    be pulled back."""

    points: F8
    leaves: bool

    def key(self) -> tuple[object, ...]:
        """What tells it apart."""
        return self.points, self.leaves


class Ground:
    """The island on which the nozzle may travel without pulling filament back."""

    def __init__(self, polygon: Polygon, width_mm: float) -> None:
        # Beads end on the centre of a wall at most; a hair more room keeps rounding out of it.
        self.polygon = shapely.buffer(polygon, 0.01, quad_segs=2)
        shapely.prepare(self.polygon)
        self.rings = [[_Ring.of(ring) for ring in _rings(polygon, inset * width_mm)] for inset in _INSETS]
        self._inside: dict[bytes, bool] = {}
        self._ways: dict[tuple[bytes, float], Way] = {}

    def key(self) -> tuple[object, ...]:
        """What tells it apart."""
        return (self.polygon,)

    def inside(self, a: F8, b: F8) -> bool:
        """Whether the straight way from a to b stays on the island."""
        ends = np.array([a, b])
        known = ends.tobytes()
        if known not in self._inside:
            if len(self._inside) >= _MOST_KNOWN:
                self._inside.clear()
            self._inside[known] = bool(shapely.covers(self.polygon, shapely.linestrings(ends)))
        return self._inside[known]

    def way(self, a: F8, b: F8, longest_mm: float = LONGEST_MM) -> Way:
        """The way from a to b; one along the wall that is longer leaves instead. Layers that are alike ask for the
        same ways again."""
        known = np.array([a, b]).tobytes(), longest_mm
        if known not in self._ways:
            if len(self._ways) >= _MOST_KNOWN:
                self._ways.clear()
            self._ways[known] = self._way(a, b, longest_mm)
        return self._ways[known]

    def _way(self, a: F8, b: F8, longest_mm: float) -> Way:
        goal = np.array([b], float)
        if np.hypot(*(goal[0] - a)) < 1e-9 or self.inside(a, b):
            return Way(goal, False)
        for rings in self.rings:
            best: F8 | None = None
            shortest = longest_mm
            for ring in rings:
                for points in ring.along(a, b, shortest):
                    length = _length(np.vstack([a, points, goal]))
                    if length < shortest and self._covered(a, points, goal):
                        best, shortest = points, length
            if best is not None:
                return Way(np.vstack([best, goal]), False)
        return Way(goal, True)

    def _covered(self, a: F8, points: F8, goal: F8) -> bool:
        return self.inside(a, points[0]) and self.inside(points[-1], goal[0])


def _rings(polygon: Polygon, inset_mm: float) -> list[shapely.LinearRing]:
    """All edges of a polygon moved inwards."""
    inner = shapely.buffer(polygon, -inset_mm, join_style="mitre", mitre_limit=2.0)
    parts = [part for part in shapely.get_parts(inner).tolist() if not part.is_empty]
    return [ring for part in parts for ring in (part.exterior, *part.interiors)]


@remembered(256)
def ground_of(polygon: Polygon, width_mm: float) -> Ground:
    """The ground of an island, once for islands that are alike."""
    return Ground(polygon, width_mm)


def _length(points: F8) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


@dataclass(frozen=True, slots=True)
class _Ring:
    """A ring (n corners) and what each way along it needs. place : (n,) length along it up to each corner."""

    line: LineString
    total: float
    corners: F8
    place: F8

    @classmethod
    def of(cls, ring: shapely.LinearRing) -> _Ring:
        line = LineString(ring.coords)
        corners = shapely.get_coordinates(line)[:-1]
        place = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        return cls(line, line.length, corners, place)

    def along(self, a: F8, b: F8, most_mm: float) -> list[F8]:
        """Both ways along it, from its point nearest to a to that nearest to b; without one that makes the whole way
        from a to b longer than `most_mm`, as far as that is seen at once."""
        place, total = self.place, self.total
        s, t = (float(shapely.line_locate_point(self.line, shapely.Point(p))) for p in (a, b))
        ends = [shapely.get_coordinates(shapely.line_interpolate_point(self.line, p))[0] for p in (s, t)]
        beside = float(np.hypot(*(ends[0] - a)) + np.hypot(*(ends[1] - b)))
        found = []
        for forward in (True, False):
            ahead = (place - s) % total if forward else (s - place) % total
            reach = (t - s) % total if forward else (s - t) % total
            between = np.flatnonzero((ahead > 1e-9) & (ahead < reach - 1e-9))
            corners = self.corners[between]
            # Whatever simplifying leaves out, the way comes as near as that to each of its corners.
            out = np.hypot(*(corners - ends[0]).T) + np.hypot(*(corners - ends[1]).T)
            if beside + out.max(initial=0.0) - 3 * _SIMPLE_MM > most_mm:
                continue
            path = np.vstack([ends[0], corners[np.argsort(ahead[between])], ends[1]])
            found.append(shapely.get_coordinates(LineString(path).simplify(_SIMPLE_MM)))
        return found
