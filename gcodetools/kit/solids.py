"""Solids of a kit as geometry: what is inside, and where beads meet the faces. Vectorised over beads.

Each declared solid (`kit.shapes`) becomes an object with `contains(points, layer)` and `crossings(paths)`.
Lists (`all_of`, `any_of`, `none_of`) need no geometry of their own: all crossings are collected, and
`stretches` judges each piece by its midpoint. Faces are inclusive to 1e-9 mm. Lengths mm, in the part's own
frame.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from math import cos, inf, pi, radians, sin
from operator import and_, or_
from typing import Protocol

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit import shapes
from gcodetools.kit.faces import meet_ball, meet_cylinder, meet_height, meet_upright, meet_walls
from gcodetools.kit.paths import Boxes, Hits, Paths, joined
from gcodetools.kit.sure import Sure, beside, between, left_of, nearer_than
from gcodetools.records import dataclass

__all__ = ["FACE_MM", "Section", "Solid", "Thin", "compile_solid", "stretches"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

FACE_MM = 1e-9  # a point this near to a face is on it
_MOST_PARTS = 24  # polygons of a section that are looked at one by one
_SAME_T = 1e-12  # crossings of two faces that share an edge are one

# Thin areas by thickness, mm: layer of the instance -> polygons in the part's frame.
Thin = Callable[[float], dict[int, shapely.Geometry]]


class Solid(Protocol):
    """A solid in the part's frame. low, high : (4,) box in x, y, z and layer, infinite where open."""

    @property
    def low(self) -> F8: ...

    @property
    def high(self) -> F8: ...

    def contains(self, points: F8, layer: I4) -> Bool:
        """(n,) whether points (n, 3) of layers (n,) are inside or on a face."""

    def crossings(self, paths: Paths) -> Hits:
        """Where paths meet the faces: (m,) index, (m,) 0 < t < 1, in no order."""

    def sure(self, boxes: Boxes) -> Sure:
        """Which straight paths surely lie inside or outside, where that is easy to tell; of arcs nothing."""


def compile_solid(declared: shapes.Solid, thin: Thin | None = None) -> Solid:
    """Geometry of a declared solid.

    Parameters
    ----------
    thin : what `thinner_than` asks; without it there is nothing thin.

    Raises
    ------
    InputError : a mesh that can't be read or is not closed.
    """
    match declared:
        case shapes.Slab(z=None, layers=(first, last)):
            return _Layers(first, last)
        case shapes.Slab(z=z):
            return _Box((None, None, z))
        case shapes.Box(x=x, y=y, z=z):
            return _Box((x, y, z))
        case shapes.Cylinder(centre=centre, radius=radius, z=z):
            return _in_heights(_Sector(centre, 0.0, radius), z)
        case shapes.Ring(centre=centre, radius=(inner, outer), z=z):
            return _in_heights(_Sector(centre, inner, outer), z)
        case shapes.Wedge(centre=centre, radius=(inner, outer), angle_deg=(start, stop), z=z):
            return _in_heights(_Sector(centre, inner, outer, radians(start), radians(stop - start)), z)
        case shapes.Prism(polygon=polygon, z=z):
            return _in_heights(Section(shapely.Polygon(polygon)), z)
        case shapes.Near(point=point, radius=radius):
            return _Ball(point, radius)
        case shapes.ThinnerThan(thickness_mm=thickness):
            return _Stack(thin(thickness) if thin else {})
        case shapes.Mesh(path=path):
            # Only kits that name a mesh pay for the mesh library, or need to have it.
            from gcodetools.kit.mesh import load_body

            return load_body(path)
        case shapes.All():
            return _Box((None, None, None))
        case shapes.AllOf(solids=parts):
            return _AllOf(_mirrored(parts, thin))
        case shapes.AnyOf(solids=parts):
            return _AnyOf(_mirrored(parts, thin))
        case shapes.NoneOf(solids=parts):
            return _NoneOf(_mirrored(parts, thin))
    raise TypeError(f"no geometry for {declared!r}")


def stretches(solid: Solid, paths: Paths, boxes: Boxes | None = None) -> tuple[I8, F8, F8]:
    """The stretches of paths inside a solid: (m,) index ascending, (m,) t0 < t1, neighbours joined.

    boxes : of `paths`, where several solids are asked about.
    """
    boxes = boxes or Boxes(paths)
    near = boxes.touching(solid.low - FACE_MM, solid.high + FACE_MM)
    if len(near) < len(paths):
        boxes = Boxes(paths.take(near))
    sure = solid.sure(boxes)
    look = ~(sure.inside | sure.outside)
    look[boxes.paths.arc], sure.inside[boxes.paths.arc] = True, False
    some, whole = np.flatnonzero(look), np.flatnonzero(sure.inside)
    row, t0, t1 = _stretches_of(solid, boxes.paths.take(some))
    index = np.concatenate([whole, some[row]])
    order = np.argsort(index, kind="stable")
    t0, t1 = np.concatenate([np.zeros(len(whole)), t0]), np.concatenate([np.ones(len(whole)), t1])
    return near[index[order]], t0[order], t1[order]


def _stretches_of(solid: Solid, mine: Paths) -> tuple[I8, F8, F8]:
    """The same, each path looked at."""
    row, t0, t1 = _pieces(len(mine), *solid.crossings(mine))
    inside = solid.contains(mine.at(row, (t0 + t1) / 2), mine.layer[row])
    row, t0, t1 = row[inside], t0[inside], t1[inside]
    follows = (np.diff(row) == 0) & (t0[1:] - t1[:-1] <= _SAME_T) if len(row) else np.empty(0, bool)
    first = np.concatenate([[True], ~follows]) if len(row) else follows
    last = np.concatenate([~follows, [True]]) if len(row) else follows
    return row[first], t0[first], t1[last]


def _pieces(count: int, index: I8, t: F8) -> tuple[I8, F8, F8]:
    """Paths cut at crossings: path (ascending), begin and end of each piece. Few paths are cut at all."""
    row = np.arange(count)
    if len(index) == 0:
        return row, np.zeros(count), np.ones(count)
    order = np.lexsort((t, index))
    index, t = index[order], t[order]
    row = np.repeat(row, 1 + np.bincount(index, minlength=count))
    t0, t1 = np.zeros(len(row)), np.ones(len(row))
    before = index + np.arange(len(index))
    t1[before], t0[before + 1] = t, t
    piece = np.flatnonzero(t1 - t0 > _SAME_T)
    return row[piece], t0[piece], t1[piece]


def _mirrored(parts: tuple[shapes.Solid, ...], thin: Thin | None) -> list[Solid]:
    """The solids of a list; a mirror stands for those before it again."""
    found: list[Solid] = []
    for part in parts:
        if isinstance(part, shapes.Mirror):
            found += [_Mirrored(solid, 0 if part.axis == "x" else 1) for solid in found]
        else:
            found.append(compile_solid(part, thin))
    return found


def _in_heights(flat: Solid, z: tuple[float, float] | None) -> Solid:
    return flat if z is None else _AllOf([flat, _Box((None, None, z))])


def _box(x: tuple[float, float], y: tuple[float, float]) -> tuple[F8, F8]:
    return np.array([x[0], y[0], -inf, -inf]), np.array([x[1], y[1], inf, inf])


class _Box:
    """Ranges along the axes; open where None."""

    def __init__(self, ranges: tuple[tuple[float, float] | None, ...]) -> None:
        self.ranges = ranges
        self.low = np.array([*(r[0] if r else -inf for r in ranges), -inf])
        self.high = np.array([*(r[1] if r else inf for r in ranges), inf])

    def contains(self, points: F8, layer: I4) -> Bool:
        inside = np.ones(len(points), bool)
        for axis, span in enumerate(self.ranges):
            if span is not None:
                at = points[:, axis]
                inside &= (at >= span[0] - FACE_MM) & (at <= span[1] + FACE_MM)
        return inside

    def crossings(self, paths: Paths) -> Hits:
        x, y, z = self.ranges
        found = [meet_height(paths, level) for level in z or ()]
        found += [meet_upright(paths, 0, level) for level in x or ()]
        found += [meet_upright(paths, 1, level) for level in y or ()]
        return joined(found)

    def sure(self, boxes: Boxes) -> Sure:
        found = Sure.all_inside(len(boxes.paths))
        for axis, span in enumerate(self.ranges):
            if span is not None:
                found &= between(*boxes.along(axis), *span)
        return found


class _Layers:
    """A range of the instance's layers, both ends included."""

    def __init__(self, first: int, last: int) -> None:
        self.low = np.array([-inf, -inf, -inf, first])
        self.high = np.array([inf, inf, inf, last])

    def contains(self, points: F8, layer: I4) -> Bool:
        inside: Bool = (layer >= self.low[3]) & (layer <= self.high[3])
        return inside

    def crossings(self, paths: Paths) -> Hits:
        return joined([])

    def sure(self, boxes: Boxes) -> Sure:
        inside = self.contains(boxes.paths.p0, boxes.paths.layer)
        return Sure(inside, ~inside)


class _Sector:
    """Between two radii, and between two angles counter-clockwise; a whole turn unless told, radians."""

    def __init__(
        self,
        centre: tuple[float, float],
        inner: float,
        outer: float,
        start: float = 0.0,
        span: float = 2 * pi,
    ) -> None:
        self.centre, self.inner, self.outer = centre, inner, outer
        self.start, self.span = start, span
        self.whole = span >= 2 * pi - 1e-12
        self.low, self.high = _sector_box(centre, inner, outer, start, span)

    def contains(self, points: F8, layer: I4) -> Bool:
        dx, dy = points[:, 0] - self.centre[0], points[:, 1] - self.centre[1]
        away = np.hypot(dx, dy)
        inside: Bool = (away >= self.inner - FACE_MM) & (away <= self.outer + FACE_MM)
        if not self.whole:
            turned = np.mod(np.arctan2(dy, dx) - self.start, 2 * pi)
            with np.errstate(divide="ignore"):
                slack = np.minimum(FACE_MM / away, pi)
            inside &= (turned <= self.span + slack) | (turned >= 2 * pi - slack)
        return inside

    def crossings(self, paths: Paths) -> Hits:
        found = [meet_cylinder(paths, *self.centre, r) for r in (self.inner, self.outer) if r > 0]
        if not self.whole:
            way = np.array([(cos(a), sin(a)) for a in (self.start, self.start + self.span)])
            middle = np.array(self.centre)
            found.append(meet_walls(paths, middle + self.inner * way, middle + self.outer * way))
        return joined(found)

    def sure(self, boxes: Boxes) -> Sure:
        found = nearer_than(boxes, self.centre, self.outer)
        if self.inner > 0:
            found &= ~nearer_than(boxes, self.centre, self.inner)
        if not self.whole:
            begin = left_of(boxes, self.centre, self.start)
            end = ~left_of(boxes, self.centre, self.start + self.span)
            found &= begin & end if self.span <= pi else begin | end
        return found


def _sector_box(
    centre: tuple[float, float], inner: float, outer: float, start: float, span: float
) -> tuple[F8, F8]:
    """Box of a sector: its four corners, and the points of its outer arc that lie along an axis."""
    quarters = np.arange(np.ceil(start / (pi / 2)), np.floor((start + span) / (pi / 2)) + 1) * (pi / 2)
    far = np.concatenate([[start, start + span], quarters])
    angle = np.concatenate([far, far[:2]])
    radius = np.concatenate([np.full(len(far), outer), [inner, inner]])
    x, y = centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)
    return _box((float(x.min()), float(x.max())), (float(y.min()), float(y.max())))


class _Ball:
    def __init__(self, centre: tuple[float, float, float], radius: float) -> None:
        self.centre, self.radius = centre, radius
        self.low = np.array([*(c - radius for c in centre), -inf])
        self.high = np.array([*(c + radius for c in centre), inf])

    def contains(self, points: F8, layer: I4) -> Bool:
        away = np.sqrt(((points - np.array(self.centre)) ** 2).sum(axis=1))
        inside: Bool = away <= self.radius + FACE_MM
        return inside

    def crossings(self, paths: Paths) -> Hits:
        return meet_ball(paths, self.centre, self.radius)

    def sure(self, boxes: Boxes) -> Sure:
        return nearer_than(boxes, self.centre, self.radius)


class Section:
    """Above a polygon, or several, at any height."""

    def __init__(self, polygon: shapely.Geometry) -> None:
        self.polygon = polygon
        self.edge = shapely.boundary(polygon)
        shapely.prepare([self.polygon, self.edge])
        parts = shapely.get_parts(polygon)
        parts = parts if len(parts) <= _MOST_PARTS else np.array([polygon])
        # Each part has its own walls and box, so that far ones are not asked about.
        self.walls = [(*wall_ends(part), *_bounds_of(part)) for part in parts if not part.is_empty]
        self.low, self.high = _bounds_of(polygon)

    def contains(self, points: F8, layer: I4) -> Bool:
        x, y = points[:, 0], points[:, 1]
        inside: Bool = shapely.contains_xy(self.polygon, x, y)
        # The library's test leaves out the edge, and no test is exact for a point computed to lie on it.
        slack = FACE_MM
        beside = ~inside & (x >= self.low[0] - slack) & (x <= self.high[0] + slack)
        beside &= (y >= self.low[1] - slack) & (y <= self.high[1] + slack)
        k = np.flatnonzero(beside)
        if len(k):
            inside[k] = shapely.dwithin(self.edge, shapely.points(x[k], y[k]), slack)
        return inside

    def crossings(self, paths: Paths) -> Hits:
        found = []
        for a, b, low, high in self.walls:
            near = paths.touching(low, high)
            index, t = meet_walls(paths.take(near), a, b)
            found.append((near[index], t))
        return joined(found)

    def sure(self, boxes: Boxes) -> Sure:
        return beside(boxes, self.low, self.high)


def _bounds_of(polygon: shapely.Geometry) -> tuple[F8, F8]:
    if polygon.is_empty:
        return _box((inf, -inf), (inf, -inf))
    left, bottom, right, top = polygon.bounds
    return _box((left, right), (bottom, top))


def wall_ends(polygon: shapely.Geometry) -> tuple[F8, F8]:
    """Ends (m, 2) of all the edges of a polygon or several."""
    rings = shapely.get_rings(shapely.get_parts(polygon))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    same = np.flatnonzero(np.diff(ring) == 0)
    return points[same], points[same + 1]


class _Stack:
    """Another section a layer of the instance; nothing where a layer has none.

    Layers that share one polygon, as those of an upright part do, are worked on together.
    """

    def __init__(self, polygons: dict[int, shapely.Geometry]) -> None:
        number: dict[int, int] = {}
        self.sections: list[Section] = []
        self.of_layer = np.full(max(polygons, default=0) + 2, -1, np.int32)
        for layer, polygon in polygons.items():
            if id(polygon) not in number:
                number[id(polygon)] = len(self.sections)
                self.sections.append(Section(polygon))
            self.of_layer[layer] = number[id(polygon)]
        lows = [s.low for s in self.sections] or [np.full(4, inf)]
        highs = [s.high for s in self.sections] or [np.full(4, -inf)]
        self.low, self.high = np.min(lows, axis=0), np.max(highs, axis=0)
        self.low[3], self.high[3] = min(polygons, default=inf), max(polygons, default=-inf)

    def contains(self, points: F8, layer: I4) -> Bool:
        inside = np.zeros(len(points), bool)
        for section, k in self._groups(layer):
            inside[k] = section.contains(points[k], layer[k])
        return inside

    def crossings(self, paths: Paths) -> Hits:
        found = []
        for section, k in self._groups(paths.layer):
            index, t = section.crossings(paths.take(k))
            found.append((k[index], t))
        return joined(found)

    def sure(self, boxes: Boxes) -> Sure:
        return beside(boxes, self.low, self.high)

    def _groups(self, layer: I4) -> list[tuple[Section, I8]]:
        number = self.of_layer[np.clip(layer, 0, len(self.of_layer) - 1)]
        return [(self.sections[n], k) for n, k in by_value(number) if n >= 0]


def by_value(values: NDArray[np.integer]) -> list[tuple[int, I8]]:
    """Each distinct value with the ascending indices that have it."""
    order = np.argsort(values, kind="stable")
    starts = np.flatnonzero(np.diff(values[order], prepend=values[order[:1]] - 1))
    groups = np.split(order, starts[1:]) if len(order) else []
    return [(int(values[group[0]]), group) for group in groups]


@dataclass(frozen=True)
class _Mirrored:
    solid: Solid
    axis: int

    @property
    def low(self) -> F8:
        low = self.solid.low.copy()
        low[self.axis] = -self.solid.high[self.axis]
        return low

    @property
    def high(self) -> F8:
        high = self.solid.high.copy()
        high[self.axis] = -self.solid.low[self.axis]
        return high

    def contains(self, points: F8, layer: I4) -> Bool:
        sign = np.ones(3)
        sign[self.axis] = -1.0
        return self.solid.contains(points * sign, layer)

    def crossings(self, paths: Paths) -> Hits:
        return self.solid.crossings(paths.mirrored(self.axis))

    def sure(self, boxes: Boxes) -> Sure:
        return self.solid.sure(Boxes(boxes.paths.mirrored(self.axis)))


class _Combined:
    def __init__(self, solids: list[Solid]) -> None:
        self.solids = solids

    def crossings(self, paths: Paths) -> Hits:
        found = []
        for solid in self.solids:
            near = paths.touching(solid.low, solid.high)
            index, t = solid.crossings(paths.take(near) if len(near) < len(paths) else paths)
            found.append((near[index], t))
        return joined(found)


class _AllOf(_Combined):
    def __init__(self, solids: list[Solid]) -> None:
        super().__init__(solids)
        self.low = np.max([s.low for s in solids], axis=0)
        self.high = np.min([s.high for s in solids], axis=0)

    def contains(self, points: F8, layer: I4) -> Bool:
        inside = np.ones(len(points), bool)
        for solid in self.solids:
            k = np.flatnonzero(inside)
            inside[k] = solid.contains(points[k], layer[k])
        return inside

    def sure(self, boxes: Boxes) -> Sure:
        return reduce(and_, (solid.sure(boxes) for solid in self.solids))


class _AnyOf(_Combined):
    def __init__(self, solids: list[Solid]) -> None:
        super().__init__(solids)
        self.low = np.min([s.low for s in solids], axis=0)
        self.high = np.max([s.high for s in solids], axis=0)

    def contains(self, points: F8, layer: I4) -> Bool:
        inside = np.zeros(len(points), bool)
        for solid in self.solids:
            k = np.flatnonzero(~inside)
            inside[k] = solid.contains(points[k], layer[k])
        return inside

    def sure(self, boxes: Boxes) -> Sure:
        return reduce(or_, (solid.sure(boxes) for solid in self.solids))


class _NoneOf(_Combined):
    def __init__(self, solids: list[Solid]) -> None:
        super().__init__(solids)
        self.low, self.high = np.full(4, -inf), np.full(4, inf)

    def contains(self, points: F8, layer: I4) -> Bool:
        inside = np.zeros(len(points), bool)
        for solid in self.solids:
            inside |= solid.contains(points, layer)
        return ~inside

    def sure(self, boxes: Boxes) -> Sure:
        return ~reduce(or_, (solid.sure(boxes) for solid in self.solids))
