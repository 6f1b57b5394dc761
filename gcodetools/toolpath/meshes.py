"""A room's edge in closely set points, and the triangles between them: what lies opposite to what, how far off.

The mesh is the Delaunay triangulation of the points, made to hold every stretch of the edge. An inner edge of it
(a chord) leads across the room, so its length, measured square to the wall, is the room's thickness there, and
the middles of the chords make the room's middle line. (The chordal axis after Prasad, "Morphological analysis of
shapes", CNLS Newsletter 139, 1997; from memory.)

Arrays: n points, k triangles, m chords. Lengths in mm.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.records import dataclass

__all__ = ["Edge", "Mesh", "groups", "mesh_of", "rings_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_ROUNDS = 5  # stretches of edge that the triangulation does not hold are halved at most so often
_MOST_POINTS = 400_000  # more edge than a bed holds, some 100 m: damage, and triangles would take all memory
_LIFT_MM = 2e-4  # height of the arc that a straight edge is taken for
_LOST = 1e-6  # of the area; more may not get lost where triangles are put together
_FLAT = 1e-6  # height over length of a triangle that is none
_SMOOTH = np.cos(np.radians(30.0))  # a vertex that turns less is a chord of an arc, not a corner
_CORNER = 2.2  # along the edge over across: a chord with less cuts off a corner of over 54 degrees or a cap
_SHARP_CORNER = 3.6  # the same where the walls are not parallel: a corner of over 32 degrees
_PARALLEL = -np.cos(np.radians(25.0))
_NEARLY = -np.cos(np.radians(45.0))


@dataclass(frozen=True, slots=True)
class Edge:
    """Points along a polygon's rings, the inside to the left.

    xy : (n, 2). ring : (n,) index. follow : (n,) the next point on the ring. arc : (n,) way along the ring.
    around : (rings,) their lengths. normal : (n, 2) towards the inside; NaN at corners. inner : (n,) whether a
    corner points into the polygon.
    """

    xy: F8
    ring: I8
    follow: I8
    arc: F8
    around: F8
    normal: F8
    inner: Bool


@dataclass(frozen=True, slots=True)
class Mesh:
    """The triangles inside a polygon and the chords between them.

    triangle : (k, 3) points. chord : (m, 2) points. beside : (m, 2) the triangles on both sides. chords : (k, 3)
    chord that is each side of a triangle, side j being opposite to corner j; -1 the polygon's edge. across : (m,)
    thickness of the room at the chord. middle : (m, 2) its point midway between the walls. corner : (m,) whether
    it merely cuts off a corner or a cap. facing : (m,) whether the walls at its ends are parallel.
    """

    edge: Edge
    triangle: I8
    chord: I8
    beside: I8
    chords: I8
    across: F8
    middle: F8
    corner: Bool
    facing: Bool

    @property
    def areas(self) -> F8:
        """(k,) of the triangles."""
        a, b, c = (self.edge.xy[self.triangle[:, j]] for j in range(3))
        area: F8 = (
            np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
        )
        return area

    def union(self, which: Bool) -> list[Polygon]:
        """The polygons that some of the triangles make together."""
        if not which.any():
            return []
        corners, n = self.triangle[which], len(self.edge.xy)
        keys, times = np.unique(_key(corners, np.roll(corners, -1, axis=1), n), return_counts=True)
        once = keys[times == 1]
        lines = self.edge.xy[np.column_stack([once // n, once % n])]
        faces = shapely.get_parts(shapely.polygonize(shapely.linestrings(lines))).tolist()
        centre = self.edge.xy[corners].mean(axis=1)
        # What others enclose is a face too.
        parts = [p for p in faces if shapely.contains_xy(p, centre[:, 0], centre[:, 1]).any()]
        area = float(self.areas[which].sum())
        if abs(sum(p.area for p in parts) - area) > _LOST * area:
            # A point that lies on a line it is no end of keeps rings from being found.
            whole = shapely.union_all(shapely.polygons(self.edge.xy[corners]))
            parts = [p for p in shapely.get_parts(whole).tolist() if isinstance(p, Polygon)]
        return parts


def rings_of(polygon: Polygon) -> list[F8]:
    """Its rings, each (n, 2) without the repeated point, the inside to the left."""
    rings = []
    for j, ring in enumerate([polygon.exterior, *polygon.interiors]):
        xy = shapely.get_coordinates(ring)[:-1]
        x, y = xy.T
        ahead = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0
        rings.append(xy if ahead == (j == 0) else xy[::-1])
    return rings


def mesh_of(polygon: Polygon, step_mm: float) -> Mesh | None:
    """Its mesh with points at most `step_mm` apart; None where there are no two triangles, or far too many."""
    if polygon.length > _MOST_POINTS * step_mm:
        return None
    xy, lift, ring = _points(polygon, step_mm)
    middle = xy.mean(axis=0)
    for round_ in range(_ROUNDS + 1):
        n = len(xy)
        follow = _follow(ring)
        triangle = _triangles(xy - middle + lift)
        held = np.isin(_key(np.arange(n), follow, n), _key(triangle, np.roll(triangle, -1, axis=1), n))
        if held.all() or len(triangle) == 0 or round_ == _ROUNDS:
            break
        at = np.flatnonzero(~held)
        xy, lift = (np.insert(a, at + 1, (a[at] + a[follow[at]]) / 2, axis=0) for a in (xy, lift))
        ring = np.insert(ring, at + 1, ring[at])
    shapely.prepare(polygon)
    centre = xy[triangle].mean(axis=1)
    triangle = triangle[shapely.contains_xy(polygon, centre[:, 0], centre[:, 1]) & _solid(xy, triangle)]
    if len(triangle) < 2:
        return None
    mesh = _mesh(_edge(xy, ring, follow), triangle)
    return mesh if len(mesh.chord) else None


def _solid(xy: F8, triangle: I8) -> Bool:
    """(k,) whether a triangle has an area; of three points on one straight edge it has none."""
    a, b, c = (xy[triangle[:, j]] for j in range(3))
    area = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    longest = np.max([((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    solid: Bool = area > _FLAT * longest
    return solid


def _points(polygon: Polygon, step_mm: float) -> tuple[F8, F8, I8]:
    """Vertices and points between them, how much to lift those for triangulation, the ring each is of.

    Points in line make triangulation fail; so those of a straight edge are taken as of a very flat arc.
    """
    points, lifts, ring = [], [], []
    for j, xy in enumerate(rings_of(polygon)):
        way = np.roll(xy, -1, axis=0) - xy
        length = np.hypot(*way.T)
        pieces = np.maximum(np.ceil(length / step_mm - 1e-3).astype(np.int64), 1)
        first = np.repeat(np.cumsum(pieces) - pieces, pieces)
        part = ((np.arange(len(first)) - first) / np.repeat(pieces, pieces))[:, None]
        outward = np.column_stack([way[:, 1], -way[:, 0]]) / np.maximum(length, 1e-12)[:, None]
        points.append(np.repeat(xy, pieces, axis=0) + np.repeat(way, pieces, axis=0) * part)
        lifts.append(np.repeat(outward, pieces, axis=0) * (4 * _LIFT_MM * part * (1 - part)))
        ring.append(np.full(len(first), j))
    return np.concatenate(points), np.concatenate(lifts), np.concatenate(ring)


def _follow(ring: I8) -> I8:
    follow = np.arange(1, len(ring) + 1)
    first = np.flatnonzero(np.diff(ring, prepend=-1))
    follow[np.append(first[1:], len(ring)) - 1] = first
    return follow


def _key(a: I8, b: I8, n: int) -> I8:
    key: I8 = np.minimum(a, b) * n + np.maximum(a, b)
    return key


def _triangles(xy: F8) -> I8:
    """(k, 3) points of the Delaunay triangles; none where triangulation fails."""
    try:
        whole = shapely.delaunay_triangles(shapely.multipoints(xy))
    except shapely.errors.GEOSException:
        return np.zeros((0, 3), np.int64)
    corners = np.ascontiguousarray(shapely.get_coordinates(whole).reshape(-1, 4, 2)[:, :3])
    known = np.ascontiguousarray(xy).view(np.complex128)[:, 0]
    order = np.argsort(known, kind="stable")
    at = np.searchsorted(known[order], corners.reshape(-1, 2).view(np.complex128)[:, 0])
    triangle: I8 = order[np.minimum(at, len(order) - 1)].reshape(-1, 3)
    return triangle


def _edge(xy: F8, ring: I8, follow: I8) -> Edge:
    way = xy[follow] - xy
    length = np.hypot(*way.T)
    first = np.flatnonzero(np.diff(ring, prepend=-1))
    run = np.cumsum(length) - length
    arc = run - run[first][ring]
    around = np.add.reduceat(length, first)
    unit = way / np.maximum(length, 1e-12)[:, None]
    before = np.empty_like(unit)
    before[follow] = unit
    middle = unit + before
    size = np.hypot(*middle.T)
    smooth = np.einsum("ij,ij->i", unit, before) > _SMOOTH
    normal = np.column_stack([-middle[:, 1], middle[:, 0]]) / np.maximum(size, 1e-12)[:, None]
    normal[~smooth] = np.nan
    inner = ~smooth & (before[:, 0] * unit[:, 1] - before[:, 1] * unit[:, 0] < 0)
    return Edge(xy, ring, follow, arc, around, normal, inner)


def _mesh(edge: Edge, triangle: I8) -> Mesh:
    n, k = len(edge.xy), len(triangle)
    sides = _key(triangle[:, [1, 2, 0]], triangle[:, [2, 0, 1]], n)
    on_edge = np.isin(sides, _key(np.arange(n), edge.follow, n))
    keys, number, times = np.unique(sides, return_inverse=True, return_counts=True)
    number = number.reshape(k, 3)
    chord_of = np.full(len(keys), -1)
    inner = times == 2
    inner[number[on_edge]] = False
    chord_of[inner] = np.arange(np.count_nonzero(inner))
    chords = chord_of[number]
    owner = np.repeat(np.arange(k), 3)
    flat = chords.ravel()
    order = np.argsort(flat, kind="stable")
    beside = owner[order[np.count_nonzero(flat < 0) :]].reshape(-1, 2)
    chord = np.column_stack([keys[inner] // n, keys[inner] % n])
    return Mesh(edge, triangle, chord, beside, chords, *_across(edge, chord))


def _across(edge: Edge, chord: I8) -> tuple[F8, F8, Bool, Bool]:
    """Of chords: thickness, square to the walls; middle between the walls; which are corners; which face."""
    i, j = chord.T
    way = edge.xy[j] - edge.xy[i]
    length = np.hypot(*way.T)
    near, far = np.einsum("ij,ij->i", edge.normal[i], way), -np.einsum("ij,ij->i", edge.normal[j], way)
    turn = np.einsum("ij,ij->i", edge.normal[i], edge.normal[j])
    facing = turn <= _PARALLEL
    both = (turn < _NEARLY) & (near > 0) & (far > 0)
    # Between walls that nearly face, the point whose distances to the lines of both are the same.
    whole = np.where(both, near + far, 1.0)
    part = np.where(both, np.clip(far / whole, 0.25, 0.75), 0.5)
    square = np.where(both, 2 * near * far / whole, np.fmax(near, far))
    across = np.where(square > 0, np.minimum(square, length), length)
    middle = edge.xy[i] + way * part[:, None]
    along = np.abs(edge.arc[i] - edge.arc[j])
    along = np.minimum(along, edge.around[edge.ring[i]] - along)
    along[edge.ring[i] != edge.ring[j]] = np.inf
    corner = along < np.where(turn > _PARALLEL, _SHARP_CORNER, _CORNER) * length
    return across, middle, corner, facing


def groups(count: int, pairs: I8) -> I8:
    """(count,) the same number for what is connected by `pairs` (p, 2), directly or through others."""
    label = np.arange(count)
    if len(pairs) == 0:
        return label
    while True:
        low = np.minimum(label[pairs[:, 0]], label[pairs[:, 1]])
        new = label.copy()
        for end in (0, 1):
            np.minimum.at(new, pairs[:, end], low)
            np.minimum.at(new, label[pairs[:, end]], low)
        new = new[new]
        if np.array_equal(new, label):
            return label
        label = new
