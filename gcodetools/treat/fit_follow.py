"""What follows a wall that is moved: inner perimeters, the ends of fill, and the flow of beads that get other room.

An inner perimeter moves as the outermost place nearest to it does, along its own normal, so pitch and overlap hold;
one in the middle between two walls moves by the mean of both. Fill that ends at a wall goes with it. Where beads
side by side come nearer to each other, or part, their filament changes by as much as their room.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.records import dataclass
from gcodetools.toolpath.courses import Course, Shifted, shifted

__all__ = ["Body", "bodies", "filled", "followed", "moved_ends"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
# Which pairs of points and pieces count, by how far a piece is and how far of that to the left.
Pairs = Callable[[I8, I8, F8, F8], Bool]

_CHORD_MM = 0.3
_SAMPLE_MM = 0.5  # along inner perimeters
_BENDS_MM = 0.0015  # off a straight course, from which on a sample is kept
_TOUCHES = 1.35  # pitches from a wall within which the end of a line of fill meets it
_BESIDE = 1.25  # pitches between beads side by side
_PLACES = 5  # of a distance, mm, within which two are the same
_LEAST_BESIDE = 0.5  # pitches: nearer is the same bead going on
_PARALLEL = 0.95
_STRAIGHT = 0.95  # cosine: a wall on the other side counts where it lies straight across
_ROOM_MM = 0.004  # of room, below which the flow stays
_ALONG_MM = 1.5  # between samples along long beads
_MOST_SAMPLES = 12


@dataclass(frozen=True, slots=True)
class Body:
    """Straight pieces of beads, (k,) each, with how their ends move, mm.

    row. wall : number of the course they are of. ring : number of the outermost loop, -1 for others. a, b : (k, 2)
    ends. va, vb : (k, 2) how these move. out : (k, 2) unit normal away from the plastic, NaN where it has none.
    place : mm along the ring.
    """

    row: I8
    wall: I8
    ring: I8
    a: F8
    b: F8
    va: F8
    vb: F8
    out: F8
    place: F8

    def __len__(self) -> int:
        return len(self.row)

    def of(self, which: NDArray[np.generic]) -> Body:
        """Some of them."""
        return Body(*(getattr(self, name)[which] for name in self.__slots__))

    @property
    def lines(self) -> NDArray[np.object_]:
        """Where they are in the file."""
        return _lines(self.a, self.b)

    @property
    def moved_lines(self) -> NDArray[np.object_]:
        """Where they will be."""
        return _lines(self.a + self.va, self.b + self.vb)

    @property
    def moves(self) -> Bool:
        """(k,) whether they move."""
        result: Bool = np.any((self.va != 0) | (self.vb != 0), axis=1)
        return result


def _lines(a: F8, b: F8) -> NDArray[np.object_]:
    lines: NDArray[np.object_] = shapely.linestrings(np.stack([a, b], axis=1))
    return lines


def bodies(program: Program, courses: list[tuple[Shifted, int, float, float]]) -> Body:
    """Pieces of moved courses.

    Parameters
    ----------
    courses : each with the number of its ring (-1), the side that is away from the plastic (+1 left, -1 right), and
    where it begins along the ring.
    """
    columns: list[tuple[NDArray[np.generic], ...]] = []
    for number, (one, ring, side, start) in enumerate(courses):
        piece, course = one.pieces(program, _CHORD_MM), one.course
        way = piece.b - piece.a
        left = np.column_stack([-way[:, 1], way[:, 0]]) / np.maximum(np.hypot(*way.T), 1e-12)[:, None]
        out = left * side if ring >= 0 else np.full_like(left, np.nan)
        at = start + np.cumsum(course.length)[piece.element] - course.length[piece.element] * (1 - piece.t0)
        row = course.row[piece.element]
        same = np.full(len(row), number), np.full(len(row), ring)
        columns.append((row, *same, piece.a, piece.b, piece.va, piece.vb, out, at))
    if not columns:
        none, flat = np.empty(0, np.int64), np.empty((0, 2))
        return Body(none, none, none, flat, flat, flat, flat, flat, np.empty(0))
    return Body(*(np.concatenate(parts) for parts in zip(*columns, strict=True)))


@dataclass(frozen=True, slots=True)
class _Near:
    """The nearest piece on each side of points: (k, 2) left and right; index -1 where there is none. far : mm.
    by : (k, 2, 2) how the nearest place of it moves. straight : whether it lies straight across, along the normal."""

    index: I8
    far: F8
    by: F8
    straight: Bool

    def left(self, pitch: float) -> F8:
        """(k,) share of the left one in what moves a point: all of the nearer one, but half of each for a point in
        the middle between two that face each other."""
        there, far = self.index >= 0, np.where(self.index >= 0, self.far, 0.0)
        nearer = (self.far[:, 1] < self.far[:, 0]).astype(np.int64)
        both = there.all(axis=1) & self.straight[np.arange(len(far)), 1 - nearer]
        share: F8 = np.where(both, np.clip(0.5 + (far[:, 1] - far[:, 0]) / pitch, 0.0, 1.0), 1.0 - nearer)
        return share


def _nearest(body: Body, point: F8, normal: F8, reach: float, keep: Pairs | None = None) -> _Near:
    """Nearest pieces to the left and the right of points with these normals, at most `reach` away."""
    index = np.full((len(point), 2), -1)
    far = np.full((len(point), 2), np.inf)
    by = np.zeros((len(point), 2, 2))
    straight = np.zeros((len(point), 2), bool)
    if len(body) == 0 or len(point) == 0:
        return _Near(index, far, by, straight)
    tree = shapely.STRtree(body.lines)
    which, piece = tree.query(shapely.points(point), predicate="dwithin", distance=reach)
    way = body.b[piece] - body.a[piece]
    size = np.maximum((way**2).sum(axis=1), 1e-18)
    t = np.clip(((point[which] - body.a[piece]) * way).sum(axis=1) / size, 0.0, 1.0)
    off = body.a[piece] + way * t[:, None] - point[which]
    beside = (off * normal[which]).sum(axis=1)
    distance = np.hypot(*off.T)
    # Of two pieces that meet in the nearest corner the one that runs along counts.
    across = np.abs(way[:, 1] * normal[which, 0] - way[:, 0] * normal[which, 1]) / np.sqrt(size)
    good = np.ones(len(which), bool) if keep is None else keep(which, piece, distance, beside)
    which, piece, t, beside, distance = which[good], piece[good], t[good], beside[good], distance[good]
    side = (beside < 0).astype(np.int64)
    order = np.lexsort((-across[good], np.round(distance, _PLACES), side, which))
    first = np.ones(len(order), bool)
    first[1:] = np.diff(2 * which[order] + side[order]) != 0
    best = order[first]
    at = which[best], side[best]
    index[at], far[at] = piece[best], distance[best]
    moved = body.va[piece[best]] + (body.vb[piece[best]] - body.va[piece[best]]) * t[best][:, None]
    by[at] = moved
    straight[at] = np.abs(beside[best]) >= _STRAIGHT * distance[best]
    return _Near(index, far, by, straight)


def followed(
    program: Program, outer: Body, course: Course, closed: bool, reach: float, pitch: float
) -> Shifted | None:
    """A perimeter moved with the outermost walls around it; None where it would fold up."""
    count = len(course)
    parts = np.maximum(np.ceil(course.length / _SAMPLE_MM), 1).astype(np.int64)
    e = np.repeat(np.arange(count), parts)
    t = (np.arange(len(e)) - np.repeat(np.cumsum(parts) - parts, parts)) / np.repeat(parts, parts)
    point, normal = course.at(program, e, t)
    inner = t > 0
    ends = course.end[-1:], course.begin[:1]
    if closed:  # one corner
        ends = (ends[0] + ends[1],) * 2
    mean = np.vstack([ends[1], course.begin[1:] + course.end[:-1], ends[0]])
    size = np.hypot(*mean.T)
    own = np.vstack([course.begin, course.end[-1:]])
    mean = np.where((size > 1e-6)[:, None], mean / np.maximum(size, 1e-6)[:, None], own)
    normal[~inner] = mean[:-1]
    point, normal = np.vstack([point, course.points[-1:]]), np.vstack([normal, mean[-1:]])
    far = _shares(outer, point, normal, reach, pitch)
    if not np.any(far):
        still = np.zeros((count + 1, 2))
        return Shifted(course, still, np.empty(0, np.int64), np.empty(0), np.empty((0, 2)))
    corner = np.append(np.flatnonzero(~inner), len(e))
    kept = np.setdiff1d(_turns(np.append(e + t, count), far, corner), corner)
    knots = e[kept], t[kept], far[kept]
    found = shifted(program, [course], [far[corner]], [knots], closed)
    return None if found is None else found[0]


def _turns(place: F8, far: F8, ends: I8) -> I8:
    """Indices, ascending, of the samples that a course of straight pieces through them needs, `ends` among them."""
    kept = np.zeros(len(far), bool)
    kept[ends] = True
    while True:
        index = np.flatnonzero(kept)
        off = np.abs(far - np.interp(place, place[index], far[index]))
        piece = np.cumsum(kept) - 1
        worst = np.maximum.reduceat(off, index)[piece]
        more = np.flatnonzero((off == worst) & (off > _BENDS_MM))
        if len(more) == 0:
            return index
        kept[more[np.diff(piece[more], prepend=-1) != 0]] = True


def _shares(outer: Body, point: F8, normal: F8, reach: float, pitch: float) -> F8:
    """(k,) how far points move along their normals with the walls on both sides of them."""
    near = _nearest(outer, point, normal, reach)
    there = near.index >= 0
    out = outer.out[np.maximum(near.index, 0)] if len(outer) else np.zeros((len(point), 2, 2))
    # How far the wall goes away from the plastic, which is along the normal or against it.
    gone = np.where(there, (near.by * out).sum(axis=2), 0.0)
    along = np.sign((out * normal[:, None, :]).sum(axis=2)) * gone
    left = near.left(pitch)
    share: F8 = np.where(there[:, 0], along[:, 0], 0.0) * left + np.where(there[:, 1], along[:, 1], 0.0) * (
        1 - left
    )
    return share


def moved_ends(walls: Body, point: F8, pitch: float) -> F8:
    """(k, 2) how ends of fill move: with the wall that they meet; between two walls by the mean of both."""
    result = np.zeros((len(point), 2))
    moving = walls.moves
    if not np.any(moving) or len(point) == 0:
        return result
    nearest = _nearest(walls, point, np.tile([1.0, 0.0], (len(point), 1)), _TOUCHES * pitch)
    best = np.argmin(nearest.far, axis=1)
    k = np.arange(len(point))
    there = nearest.index[k, best] >= 0
    if not np.any(there):
        return result
    piece = nearest.index[k, best][there]
    # The direction to the nearest wall tells which wall is on the other side.
    way = walls.b[piece] - walls.a[piece]
    size = np.maximum((way**2).sum(axis=1), 1e-18)
    t = np.clip(((point[there] - walls.a[piece]) * way).sum(axis=1) / size, 0.0, 1.0)
    to = walls.a[piece] + way * t[:, None] - point[there]
    to /= np.maximum(np.hypot(*to.T), 1e-9)[:, None]
    both = _nearest(walls, point[there], to, _TOUCHES * pitch)
    left = both.left(pitch)[:, None]
    result[there] = both.by[:, 0] * left + both.by[:, 1] * (1 - left)
    return result


@dataclass(frozen=True, slots=True)
class _Beside:
    """Beads that run side by side, not across the air outside an outermost wall."""

    row: I8
    way: F8
    out: F8
    normal: F8
    body: Body
    unit: F8
    pitch: float

    def __call__(self, point: I8, piece: I8, distance: F8, beside: F8) -> Bool:
        """(n,) flags, as `_nearest` asks for them."""
        alike = np.abs((self.way[point] * self.unit[piece]).sum(axis=1)) > _PARALLEL
        good = (
            alike & (self.row[point] != self.body.row[piece]) & (np.abs(beside) > _LEAST_BESIDE * self.pitch)
        )
        good &= np.abs(beside) > 0.9 * distance
        outside = np.nan_to_num((self.out[point] * self.normal[point]).sum(axis=1)) * beside > 0
        result: Bool = good & ~outside
        return result


def filled(body: Body, pitch: float, breadth_of: F8) -> tuple[I8, F8]:
    """Rows, ascending, whose beads get other room, and the factor of their filament.

    Parameters
    ----------
    body : all beads that may. breadth_of : (k,) breadth of each piece, mm.
    """
    way = body.b - body.a
    size = np.hypot(*way.T)
    keep = size > 1e-6
    body, way, size, breadth = body.of(keep), way[keep], size[keep], breadth_of[keep]
    if len(body) == 0:
        return np.empty(0, np.int64), np.empty(0)
    unit = way / size[:, None]
    parts = np.clip(np.ceil(size / _ALONG_MM), 1, _MOST_SAMPLES).astype(np.int64)
    piece = np.repeat(np.arange(len(body)), parts)
    t = (np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts) + 0.5) / np.repeat(parts, parts)
    point = body.a[piece] + way[piece] * t[:, None]
    own = body.va[piece] + (body.vb[piece] - body.va[piece]) * t[:, None]
    normal = np.column_stack([-unit[piece, 1], unit[piece, 0]])
    pairs = _Beside(body.row[piece], unit[piece], body.out[piece], normal, body, unit, pitch)
    near = _nearest(body, point, normal, _BESIDE * pitch, pairs)
    apart = ((near.by - own[:, None, :]) * normal[:, None, :]).sum(axis=2) * np.array([1.0, -1.0])
    room = np.where(near.index >= 0, apart, 0.0).sum(axis=1)
    weight = size[piece] / parts[piece]
    rows, owner = np.unique(body.row, return_inverse=True)
    length = np.bincount(owner, size)
    mean = np.bincount(owner[piece], room * weight) / length
    wide = np.bincount(owner, breadth * size) / length
    some = np.abs(mean) > _ROOM_MM
    return rows[some], 1.0 + mean[some] / (2.0 * wide[some])
