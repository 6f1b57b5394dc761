"""Outermost loops of a layer, what of them lies in regions, and how far each place of them is moved.

Away from the plastic is positive: an outside grows, a hole shrinks. From a region's border inwards the offset grows
from nothing to all of it along the blend, as 3 u^2 - 2 u^3, so nothing outside the region moves.
"""

from __future__ import annotations

from dataclasses import field

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.records import dataclass
from gcodetools.toolpath.courses import Course, courses_of, in_ring_order, with_dry_rows
from gcodetools.toolpath.walls import Wall

__all__ = ["STEP_MM", "Asked", "Ring", "rings_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

STEP_MM = 0.02  # between two points of a blend
_STEEPEST = 1.5  # of the blend's course, over its mean
_WRITTEN = 0.92  # of a step, which leaves room for coordinates of three decimals
_JOINED_MM = 0.05  # stretches of a region this close along a wall are one
_BESIDE_MM = 0.02
_SIMPLE = 0.95  # of all that a loop's path goes around
_LEAST_MM = 0.1  # of a stretch, and between the end of a blend and that of a bead
_SAME_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Asked:
    """What a region asks of a wall: its number, the offset, the blend (mm), and stretches of rows (row, t0, t1)."""

    number: int
    offset_mm: float
    blend_mm: float
    row: I8
    t0: F8
    t1: F8


@dataclass(frozen=True, slots=True)
class _Claim:
    """A stretch of a ring [low, high), mm along it, and who asked; whole : all of it."""

    low: float
    high: float
    asked: Asked
    whole: bool


@dataclass(slots=True)
class Ring:
    """A closed outermost loop.

    island : number of its island. courses : in ring order. hole : it bounds a hole. side : +1 where the left is
    away from the plastic, else -1. starts : of each course, mm along the ring. size_mm : around it. last : row of
    its last bead; what comes behind is run dry.
    """

    island: int
    courses: list[Course]
    hole: bool
    side: float
    polygon: shapely.Polygon
    starts: list[float]
    size_mm: float
    last: int
    claims: list[_Claim] = field(default_factory=list)

    def offset(self, s: F8) -> F8:
        """(k,) mm away from the plastic at places along the ring."""
        result = np.zeros(len(s))
        for claim in self.claims:
            if claim.whole:
                return np.full(len(s), claim.asked.offset_mm)
            for turn in (0.0, self.size_mm):
                depth = np.minimum(s + turn - claim.low, claim.high - s - turn)
                u = np.clip(depth / claim.asked.blend_mm, 0.0, 1.0)
                result = np.where(depth > 0, claim.asked.offset_mm * u * u * (3 - 2 * u), result)
        return result

    def swept_mm2(self) -> float:
        """The offset over the length of the ring, in closed form."""
        total = 0.0
        for claim in self.claims:
            offset, blend, size = claim.asked.offset_mm, claim.asked.blend_mm, claim.high - claim.low
            if claim.whole:
                total += offset * size
            elif size >= 2 * blend:  # the mean of 3 u^2 - 2 u^3 is a half
                total += offset * (size - blend)
            else:
                u = size / 2 / blend
                total += 2 * offset * blend * (u**3 - u**4 / 2)
        return total

    def along(self, course: int) -> F8:
        """(n + 1,) places along the ring of a course's points."""
        result: F8 = self.starts[course] + np.concatenate([[0.0], np.cumsum(self.courses[course].length)])
        return result

    def distances(self) -> list[F8]:
        """Of each course, how far its points move to the left."""
        return [self.side * self.offset(self.along(n)) for n in range(len(self.courses))]

    def knots(self) -> list[tuple[I8, F8, F8]]:
        """Of each course, points inside elements at which the blend turns: element, fraction, distance."""
        ramps = self._ramps()
        return [self._knots(n, ramps) for n in range(len(self.courses))]

    def _ramps(self) -> list[tuple[float, float, float]]:
        """Stretches of the ring along which an offset grows or fades: from, to, and the longest part of one, mm,
        over which the offset changes by less than 0.02 mm."""
        found = []
        for claim in self.claims:
            if claim.whole:
                continue
            asked = claim.asked
            reach = min(asked.blend_mm, (claim.high - claim.low) / 2)
            part = _WRITTEN * STEP_MM * asked.blend_mm / (_STEEPEST * abs(asked.offset_mm))
            for turn in (-self.size_mm, 0.0, self.size_mm):
                low, high = claim.low + turn, claim.high + turn
                found += [(low, low + reach, part), (high - reach, high, part)]
        return found

    def _knots(self, n: int, ramps: list[tuple[float, float, float]]) -> tuple[I8, F8, F8]:
        """Each element's share of each ramp in even parts; the ends of a ramp, where it is level, only well inside."""
        course, s = self.courses[n], self.along(n)
        value = self.offset(s)
        # Where an element is short and its ends part by little a straight line is near enough.
        mild = (np.abs(np.diff(value)) <= STEP_MM) & (course.length < 1.0)
        elements, places = [np.empty(0, np.int64)], [np.empty(0)]
        for low, high, part in ramps:
            a, b = np.maximum(s[:-1], low), np.minimum(s[1:], high)
            e = np.flatnonzero(b - a > _SAME_MM)
            a, b = a[e], b[e]
            parts = np.maximum(np.ceil((b - a) / part - _SAME_MM), 1).astype(np.int64)
            owner = np.repeat(np.arange(len(e)), parts - 1)
            step = np.arange(len(owner)) - np.repeat(np.cumsum(parts - 1) - (parts - 1), parts - 1) + 1
            elements.append(e[owner])
            places.append(a[owner] + (b - a)[owner] * step / parts[owner])
            keep = ~mild[e] | (parts > 1)
            for end in (a, b):
                clear = np.minimum(end - s[e], s[e + 1] - end) >= _LEAST_MM
                elements.append(e[keep & clear])
                places.append(end[keep & clear])
        element, here = np.concatenate(elements), np.concatenate(places)
        order = np.argsort(here, kind="stable")
        element, here = element[order], here[order]
        fresh = np.diff(here, prepend=-np.inf) > _SAME_MM
        element, here = element[fresh], here[fresh]
        t = (here - s[element]) / course.length[element]
        return element, t, self.side * self.offset(here)

    def claim(self, asked: Asked) -> None:
        """Take what lies in a region and no earlier region has."""
        spans = _joined(self._spans(asked), self.size_mm)
        for low, high, whole in spans:
            free = [(low, high)]
            for other in self.claims:
                if other.whole:
                    return
                for turn in (-self.size_mm, 0.0, self.size_mm):
                    free = _without(free, other.low + turn, other.high + turn)
            alone = whole and free == [(low, high)]
            self.claims += [_Claim(a, b, asked, alone) for a, b in free if b - a > _LEAST_MM]

    def _spans(self, asked: Asked) -> list[tuple[float, float]]:
        """Stretches of the ring in a region, ascending; the gap of a seam is in where both sides are."""
        found: list[tuple[float, float]] = []
        for n, course in enumerate(self.courses):
            order = np.argsort(course.row)
            at = np.searchsorted(course.row[order], asked.row)
            at = np.minimum(at, len(course) - 1)
            hit = np.flatnonzero(course.row[order][at] == asked.row)
            element = order[at[hit]]
            t0, t1 = asked.t0[hit], asked.t1[hit]
            if course.back:
                t0, t1 = 1.0 - t1, 1.0 - t0
            s = self.along(n)
            low, high = s[element] + t0 * course.length[element], s[element] + t1 * course.length[element]
            found += zip(low.tolist(), high.tolist(), strict=True)
            laid = float(s[-1] if course.back else s[int(np.count_nonzero(course.row <= self.last))])
            if len(high) and high.max() > laid - _JOINED_MM:
                following = self.starts[n + 1] if n + 1 < len(self.courses) else self.size_mm
                found.append((laid, following))
        return sorted((a, b) for a, b in found if b > a)

    def moved_mm(self, number: int) -> tuple[float, float]:
        """Length of wall that a region moves, mm, and how much of it by the whole offset."""
        some = full = 0.0
        for claim in self.claims:
            if claim.asked.number == number:
                some += claim.high - claim.low
                full += claim.high - claim.low - (0.0 if claim.whole else 2 * claim.asked.blend_mm)
        return some, max(full, 0.0)


def _joined(spans: list[tuple[float, float]], size: float) -> list[tuple[float, float, bool]]:
    """Stretches that touch as one, around the ring too; whether one is all of it."""
    runs: list[list[float]] = []
    for low, high in spans:
        if runs and low <= runs[-1][1] + _JOINED_MM:
            runs[-1][1] = max(runs[-1][1], high)
        else:
            runs.append([low, high])
    if not runs:
        return []
    if runs[0][0] <= _JOINED_MM and runs[-1][1] >= size - _JOINED_MM:
        if len(runs) == 1:
            return [(0.0, size, True)]
        runs[-1][1] = runs[0][1] + size
        runs = runs[1:]
    return [(low, high, False) for low, high in runs]


def _without(spans: list[tuple[float, float]], low: float, high: float) -> list[tuple[float, float]]:
    """Spans less one."""
    result = []
    for a, b in spans:
        if high <= a or low >= b:
            result.append((a, b))
            continue
        if low > a:
            result.append((a, low))
        if high < b:
            result.append((high, b))
    return result


def rings_of(program: Program, walls: list[list[Wall]]) -> list[Ring]:
    """The closed outermost loops of the islands of a layer, those that can be told inside from outside."""
    loops = [(n, wall) for n, own in enumerate(walls) for wall in own if wall.outermost and wall.closed]
    polygons = [_inside(wall) for _, wall in loops]
    found = []
    for (island, wall), polygon in zip(loops, polygons, strict=True):
        courses = courses_of(program, with_dry_rows(program.moves, wall.rows))
        if polygon is None or not courses:
            continue
        inside = sum(
            _holds(other, polygon) for other in polygons if other is not None and other is not polygon
        )
        courses = in_ring_order(courses)
        starts, size = _starts(courses)
        hole = inside % 2 == 1
        ccw = _turns_left(program, courses, polygon)
        # Of a loop that runs counter-clockwise the left is its inside.
        side = (1.0 if hole else -1.0) * (1.0 if ccw else -1.0)
        beads = int(wall.rows[-1])
        found.append(Ring(island, courses, hole, side, polygon, starts, size, beads))
    return found


def _inside(wall: Wall) -> shapely.Polygon | None:
    """What a loop goes around; its ends may cross at the seam. None where it is no simple loop."""
    ring = shapely.Polygon(wall.points)
    if ring.is_valid:
        return ring
    parts = [p for p in shapely.get_parts(shapely.make_valid(ring)) if isinstance(p, shapely.Polygon)]
    largest = max(parts, key=lambda p: float(p.area), default=None)
    if largest is None or largest.area < _SIMPLE * sum(float(p.area) for p in parts):
        return None
    return largest


def _holds(outer: shapely.Polygon, inner: shapely.Polygon) -> bool:
    if outer.area <= inner.area * (1 + 1e-6):
        return False
    return bool(outer.contains(shapely.Point(inner.exterior.coords[0])))


def _starts(courses: list[Course]) -> tuple[list[float], float]:
    """Where each course begins along the ring, gaps between them counted, and all of it."""
    starts, at = [], 0.0
    for n, course in enumerate(courses):
        starts.append(at)
        following = courses[(n + 1) % len(courses)]
        at += float(course.length.sum() + np.hypot(*(following.points[0] - course.points[-1])))
    return starts, at


def _turns_left(program: Program, courses: list[Course], polygon: shapely.Polygon) -> bool:
    """Whether the inside lies to the left, beside the middle of the longest element."""
    element = np.array([int(np.argmax(courses[0].length))])
    point, normal = courses[0].at(program, element, np.array([0.5]))
    return bool(polygon.contains(shapely.Point(point[0] + _BESIDE_MM * normal[0])))
