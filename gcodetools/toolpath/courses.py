"""Courses: beads end to end, with their normals, and how they lie once they are moved along these.

A course's elements are rows of the file, lines or arcs in the XY plane, in file order or the other way round. At a
corner the two lines moved meet in a new corner (a mitre), so corners stay corners. Coordinates mm; a shift is
counted to the left of the direction of travel.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_points
from gcodetools.gcode.program import ARC, Moves, Program
from gcodetools.records import dataclass

__all__ = [
    "Course",
    "Pieces",
    "Shifted",
    "courses_of",
    "in_ring_order",
    "mitred",
    "shifted",
    "with_dry_rows",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_JOINED_MM = 1e-6
_SEAM_MM = 0.8  # ends of a loop this close are one corner: what a seam leaves between them stays as it is
_DRY_ROWS, _AT_START_MM = 48, 0.05  # as walls have it
_SHORT_MM = 0.02  # of an element beside a corner that is cut short
_ON = 0.3  # cosine from which on a gap goes on as the bead did
_MITRE_LIMIT = 5.0  # corners sharper than 23 degrees are cut short, as a needle's tip would run away
_NEEDLE_MM = 1.0  # of either side of such a corner gives way to it
_FOLDED = 0.1  # share of its length, seen along itself, below which an element has folded
_TRIES = 12


@dataclass(frozen=True, slots=True)
class Course:
    """Elements end to end.

    row : (n,) their rows. back : whether they are followed against the file's direction. points : (n + 1, 2).
    begin, end, middle : (n, 2) unit normals to the left at the start, the end and the middle. length : (n,).
    node : (n + 1,) the row behind which the nozzle stands at each point.
    """

    row: I8
    back: bool
    points: F8
    begin: F8
    end: F8
    middle: F8
    length: F8
    node: I8

    def __len__(self) -> int:
        return len(self.row)

    def turned(self) -> Course:
        """The same the other way round."""
        return Course(
            self.row[::-1], not self.back, self.points[::-1], -self.end[::-1], -self.begin[::-1],
            -self.middle[::-1], self.length[::-1], self.node[::-1],
        )  # fmt: skip

    def own(self, t: F8) -> F8:
        """Fractions along elements as fractions along their rows, or the other way round."""
        return 1.0 - t if self.back else t

    def at(self, program: Program, element: I8, t: F8) -> tuple[F8, F8]:
        """(k, 2) points at fraction `t` along elements, and the normals to the left there."""
        a, b = self.points[element], self.points[element + 1]
        point = a + (b - a) * t[:, None]
        normal = self.middle[element].copy()
        bent = np.flatnonzero((program.moves.kind[self.row[element]] & ARC) != 0)
        if len(bent):
            k = np.searchsorted(program.arcs.row, self.row[element[bent]])
            own = self.own(t[bent])
            on: F8 = arc_points(program.moves, program.arcs, k, own)[:, :2]
            radial = (on - np.column_stack([program.arcs.cx[k], program.arcs.cy[k]])) / program.arcs.radius[
                k, None
            ]
            # To the left of a counter-clockwise arc lies its centre.
            sign = -np.sign(program.arcs.sweep[k]) * (-1.0 if self.back else 1.0)
            inner = (own > 0.0) & (own < 1.0)
            point[bent] = np.where(inner[:, None], on, point[bent])
            normal[bent] = radial * sign[:, None]
        return point, normal


def courses_of(program: Program, rows: I8) -> list[Course]:
    """Courses of beads `rows` (ascending); a new one begins where a bead does not go on from the one before."""
    moves, arcs = program.moves, program.arcs
    before = np.maximum(rows - 1, 0)
    start = np.column_stack([moves.x[before], moves.y[before]])
    stop = np.column_stack([moves.x[rows], moves.y[rows]])
    way = stop - start
    length = np.hypot(*way.T)
    bent = np.flatnonzero((moves.kind[rows] & ARC) != 0)
    k = np.searchsorted(arcs.row, rows[bent])
    length[bent] = np.abs(arcs.radius[k] * arcs.sweep[k])
    keep = length > _JOINED_MM
    unit = way / np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    left = np.column_stack([-unit[:, 1], unit[:, 0]])
    begin, end, middle = left.copy(), left.copy(), left.copy()
    for normals, share in ((begin, 0.0), (middle, 0.5), (end, 1.0)):
        angle = arcs.begin[k] + arcs.sweep[k] * share
        normals[bent] = -np.sign(arcs.sweep[k])[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    rows, start, stop, length = rows[keep], start[keep], stop[keep], length[keep]
    begin, end, middle = begin[keep], end[keep], middle[keep]
    if len(rows) == 0:
        return []
    cuts = np.flatnonzero(np.abs(start[1:] - stop[:-1]).max(axis=1) > _JOINED_MM) + 1
    found = []
    for a, b in pairwise([0, *cuts.tolist(), len(rows)]):
        part = slice(a, b)
        points = np.vstack([start[a : a + 1], stop[part]])
        node = np.concatenate([rows[a : a + 1] - 1, rows[part]])
        found.append(
            Course(rows[part], False, points, begin[part], end[part], middle[part], length[part], node)
        )
    return found


def with_dry_rows(moves: Moves, rows: I8) -> I8:
    """Beads of a closed loop, and behind them the moves along which the nozzle runs dry back to its start: where a
    file coasts these are part of the wall. Only the beads where it does not go there at once."""
    last, before = int(rows[-1]), int(rows[0]) - 1
    start = moves.x[before], moves.y[before]
    if before < 0 or np.hypot(moves.x[last] - start[0], moves.y[last] - start[1]) <= _SEAM_MM:
        return rows
    ahead = np.arange(last + 1, min(last + 1 + _DRY_ROWS, len(moves)))
    back = np.flatnonzero(np.hypot(moves.x[ahead] - start[0], moves.y[ahead] - start[1]) < _AT_START_MM)
    if len(back) == 0 or np.any(moves.e[ahead[: back[0] + 1]] > 0):
        return rows
    return np.concatenate([rows, ahead[: back[0] + 1]])


def in_ring_order(courses: list[Course]) -> list[Course]:
    """Courses of one loop as they follow each other around it, turned where that needs it."""
    left, done = list(courses[1:]), [courses[0]]
    while left:
        here = done[-1].points[-1]
        gaps = [(np.hypot(*(c.points[side] - here)), n, side) for n, c in enumerate(left) for side in (0, -1)]
        _, n, side = min(gaps)
        course = left.pop(n)
        done.append(course if side == 0 else course.turned())
    return done


def mitred(before: F8, after: F8) -> tuple[F8, Bool]:
    """(k, 2) how far corners between lines with normals `before` and `after` move when both lines move by 1 along
    these, at most 5; and (k,) where it would be more. A turn right about moves as its first line does."""
    total = before + after
    share = 1.0 + (before * after).sum(axis=1)
    sharp = share < 2.0 / _MITRE_LIMIT**2  # |m|^2 = 2 / (1 + cos)
    result = total / np.maximum(share, 1e-9)[:, None]
    size = np.hypot(*result.T)
    short = np.maximum(size, 1e-12)
    result = np.where(sharp[:, None], result * (_MITRE_LIMIT / short)[:, None], result)
    about = np.hypot(*total.T) < 1e-6
    return np.where(about[:, None], before, result), sharp


@dataclass(frozen=True, slots=True)
class Shifted:
    """A course once it is moved.

    course. by : (n + 1, 2) how each of its points moves. element, t, knot : (k,), (k,), (k, 2) points inside
    elements at which the moved course turns, by element and fraction along it, and how they move.
    """

    course: Course
    by: F8
    element: I8
    t: F8
    knot: F8

    def pieces(self, program: Program, step_mm: float) -> Pieces:
        """The course in pieces: lines from knot to knot, arcs in chords of at most `step_mm`."""
        course, count = self.course, len(self.course)
        arc = (program.moves.kind[course.row] & ARC) != 0
        parts = np.where(arc, np.maximum(np.ceil(course.length / step_mm), 4), 1).astype(np.int64)
        e = np.repeat(np.arange(count), parts)
        t = (np.arange(len(e)) - np.repeat(np.cumsum(parts) - parts, parts)) / np.repeat(parts, parts)
        e, t = np.concatenate([e, self.element]), np.concatenate([t, self.t])
        order = np.lexsort((t, e))
        e, t = e[order], t[order]
        end = np.append(np.where(np.diff(e) == 0, t[1:], 1.0), 1.0)
        (a, _), (b, _) = course.at(program, e, t), course.at(program, e, end)
        return Pieces(e, t, end, a, b, self.moves_at(program, e, t), self.moves_at(program, e, end))

    def moves_at(self, program: Program, element: I8, t: F8) -> F8:
        """(k, 2) how places on elements move."""
        course = self.course
        every = np.arange(len(course))
        key = np.concatenate([2.0 * every, 2.0 * self.element + self.t, 2.0 * every + 1.0])
        order = np.argsort(key, kind="stable")
        at = 2.0 * element + t
        values = np.concatenate([self.by[:-1], self.knot, self.by[1:]])[order]
        moved: F8 = np.column_stack([np.interp(at, key[order], values[:, n]) for n in (0, 1)])
        bent = np.flatnonzero((program.moves.kind[course.row[element]] & ARC) != 0)
        if len(bent):
            # An arc's radius changes evenly, not its points' way.
            _, inner = course.at(program, self.element, self.t)
            far = np.concatenate([(self.by[:-1] * course.begin).sum(axis=1), (self.knot * inner).sum(axis=1),
                                  (self.by[1:] * course.end).sum(axis=1)])[order]  # fmt: skip
            _, normal = course.at(program, element[bent], t[bent])
            on = np.interp(at[bent], key[order], far)[:, None] * normal
            inside = (t[bent] > 0.0) & (t[bent] < 1.0)
            moved[bent] = np.where(inside[:, None], on, moved[bent])
        return moved


@dataclass(frozen=True, slots=True)
class Pieces:
    """Straight pieces of a moved course, (k,) each: element, fractions along it; (k, 2) ends in the file and how
    these move."""

    element: I8
    t0: F8
    t1: F8
    a: F8
    b: F8
    va: F8
    vb: F8


def shifted(
    program: Program, courses: list[Course], distance: list[F8], knots: list[tuple[I8, F8, F8]], closed: bool
) -> list[Shifted] | None:
    """Courses moved to their left; None where so small a loop would fold up.

    Parameters
    ----------
    courses : in ring order, or one. distance : (n + 1,) mm at each point of each. knots : element, fraction and
    distance at points inside. closed : whether the last one leads on to the first.
    """
    found = []
    count = len(courses)
    for n, course in enumerate(courses):
        after = _meets(course, courses[(n + 1) % count], True) if closed or n + 1 < count else None
        before = _meets(courses[n - 1], course, False) if closed or n else None
        loop = closed and count == 1 and np.hypot(*(course.points[-1] - course.points[0])) <= _SEAM_MM
        by, sharp = _corners(course, distance[n], before, after)
        folded = _unfolded(course, by, distance[n], before, after, bool(loop))
        if folded is None:
            return None
        element, t, knot = _with_needles(program, course, distance[n], knots[n], sharp)
        found.append(Shifted(course, folded, element, t, knot))
    return found


def _meets(one: Course, other: Course, behind: bool) -> F8 | None:
    """The normal that one course's last element, or the other's first, meets at the junction between both: that of
    the other's, or of the gap between them where it goes on from there."""
    way = other.points[0] - one.points[-1]
    gap = float(np.hypot(*way))
    if gap <= _SEAM_MM:
        met: F8 = other.begin[0] if behind else one.end[-1]
        return met
    unit = way / gap
    normal: F8 = np.array([-unit[1], unit[0]])
    ends = one.end[-1], other.begin[0]
    return normal if min(float(normal @ end) for end in ends) > -_ON and max(
        float(normal @ end) for end in ends) > _ON else None  # fmt: skip


def _corners(course: Course, distance: F8, before: F8 | None, after: F8 | None) -> tuple[F8, Bool]:
    into = np.vstack([course.begin[:1] if before is None else before, course.end])
    out = np.vstack([course.begin, course.end[-1:] if after is None else after])
    mitre, sharp = mitred(into, out)
    return mitre * distance[:, None], sharp


def _unfolded(
    course: Course, by: F8, distance: F8, before: F8 | None, after: F8 | None, loop: bool
) -> F8 | None:
    """The same where no element turns about: those that would are moved as they are, together with their like, to
    where their neighbours meet. None where nothing is left."""
    count = len(course)
    turn = 0
    if loop:  # begin behind the longest element, which does not fold first
        turn = (int(np.argmax(course.length)) + 1) % count
    order = np.roll(np.arange(count), -turn)
    way = np.diff(course.points, axis=0)[order]
    shift = np.vstack([by[:-1][order], by[1:][order][-1:]]) if loop else by.copy()
    reach = np.append(distance[:-1][order], distance[1:][order][-1]) if loop else distance
    begin, end = course.begin[order], course.end[order]
    if loop:
        before, after = end[-1], begin[0]
    size = (way**2).sum(axis=1)
    whole = np.abs(course.length[order]) > 1.5 * np.sqrt(
        size
    )  # arcs of much more than half a turn never fold
    folded = np.zeros(count, bool)
    for _ in range(_TRIES):
        along = ((way + np.diff(shift, axis=0)) * way).sum(axis=1)
        bad = (along < _FOLDED * size) & ~whole & ~folded
        if not np.any(bad):
            break
        folded |= bad
        if np.all(folded):
            return None
        _together(shift, reach, begin, end, folded, before, after)
    else:
        return None
    if not loop:
        return shift
    result = np.empty_like(by)
    result[:-1][order] = shift[:-1]
    # The ends of a loop are one corner; the offset may differ by a little from one to the other.
    result[-1] = by[-1] if np.array_equal(result[0], by[0]) else result[0]
    return result


def _together(
    shift: F8, reach: F8, begin: F8, end: F8, folded: Bool, before: F8 | None, after: F8 | None
) -> None:
    """Move each run of folded elements as one."""
    edges = np.diff(np.concatenate([[False], folded, [False]]).astype(int))
    for a, b in zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True):
        first = end[a - 1] if a else before
        last = begin[b] if b < len(begin) else after
        if first is None:
            first = last
        if last is None:
            last = first
        if first is None or last is None:
            continue
        corner, _ = mitred(first[None, :], last[None, :])
        shift[a : b + 1] = corner[0] * float(np.mean(reach[a : b + 1]))


def _with_needles(
    program: Program, course: Course, distance: F8, knots: tuple[I8, F8, F8], sharp: Bool
) -> tuple[I8, F8, F8]:
    """Knots with how they move, and more on either side of corners that are cut short."""
    element, t, far = knots
    more: list[tuple[int, float, float]] = []
    for v in np.flatnonzero(sharp & (np.abs(distance) > 0)).tolist():
        for e, ahead in ((v - 1, False), (v, True)):
            if 0 <= e < len(course) and course.length[e] > _SHORT_MM:
                share = min(_NEEDLE_MM / float(course.length[e]), 1.0 / 3.0)
                at = share if ahead else 1.0 - share
                ends = distance[e], distance[e + 1]
                more.append((e, at, float(ends[0] + (ends[1] - ends[0]) * at)))
    if more:
        table = np.array(more)
        element = np.concatenate([element, table[:, 0].astype(np.int64)])
        t, far = np.concatenate([t, table[:, 1]]), np.concatenate([far, table[:, 2]])
    order = np.lexsort((t, element))
    element, t, far = element[order], t[order], far[order]
    _, normal = course.at(program, element, t)
    return element, t, normal * far[:, None]
