"""Beads as paths on the plane: arcs in short pieces, uninterrupted extrusions, which of them are loops.

A chain is a sequence of beads, each beginning where the one before ended, with no filament pulled in between.
Coordinates mm; ragged arrays are flat columns with `begin` and `stop` indices.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import RETRACT, Moves, Program
from gcodetools.records import dataclass

__all__ = ["Chains", "Paths", "Segments", "chains_of", "drawn_mm", "dry_path", "segments_of", "spread"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_JOINED_MM = 1e-6
SEAM_WIDTHS = 2.0  # a loop's ends lie this close: its seam gap
_SEAM_TIMES, _SEAM_LEAST = 3.0, 0.3  # and within this many times the file's usual gap, or widths
_COASTED_MM = 5.0  # farther where the nozzle runs dry to the start: coasting, or a wipe
_COASTING_MOVES = 8
_AT_START_MM = 0.05
_SEAM_SHARE = 0.25  # of a loop's length that its gap may be


@dataclass(frozen=True, slots=True)
class Segments:
    """Straight pieces of beads in file order, (s,) each. bead : index into the rows they were made of.
    first : (n + 1,) index of each bead's first piece."""

    bead: I8
    first: I8
    x0: F8
    y0: F8
    x1: F8
    y1: F8


@dataclass(frozen=True, slots=True)
class Chains:
    """(c,) each. begin, stop : beads [begin, stop) of the rows they were made of. first, end : segments
    [first, end). length_mm. area_mm2 : signed, counter-clockwise positive, closed by a straight line.
    gap_mm : from end to start. closed : it is a loop that winds once around itself.
    x0, y0, x1, y1 : its box."""

    begin: I8
    stop: I8
    first: I8
    end: I8
    length_mm: F8
    area_mm2: F8
    gap_mm: F8
    closed: Bool
    x0: F8
    y0: F8
    x1: F8
    y1: F8

    def __len__(self) -> int:
        return len(self.begin)


@dataclass(frozen=True, slots=True)
class Paths:
    """Beads of the print as chains. layer, rising : (c,) of each chain: its layer, whether it climbs.
    width : mm, of a usual bead."""

    segments: Segments
    chains: Chains
    layer: I8
    rising: Bool
    width: float


def spread(begin: I8, stop: I8) -> tuple[I8, I8]:
    """All indices of the ranges [begin, stop), one range after the other, and the range of each."""
    count = stop - begin
    owner = np.repeat(np.arange(len(count)), count)
    offset = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    return begin[owner] + offset, owner


def segments_of(program: Program, rows: I8, tolerance_mm: float) -> Segments:
    """Pieces of the beads `rows` (k,): lines as they are, arcs in the XY plane in equal turns.

    Parameters
    ----------
    tolerance_mm : how far a piece may stand off its arc: its sagitta, r (1 - cos(sweep / 2)).
    """
    moves, arcs = program.moves, program.arcs
    before = np.maximum(rows - 1, 0)
    x0, y0 = np.where(rows > 0, moves.x[before], 0.0), np.where(rows > 0, moves.y[before], 0.0)
    x1, y1 = moves.x[rows], moves.y[rows]
    index = np.arange(len(rows))
    bent, arc = _arcs_among(rows, arcs.row, arcs.plane)
    if len(bent) == 0:
        return Segments(index, np.arange(len(rows) + 1), x0, y0, x1, y1)
    radius = arcs.radius[arc]
    step = 2 * np.arccos(np.clip(1 - tolerance_mm / np.maximum(radius, tolerance_mm), -1.0, 1.0))
    pieces = np.ones(len(rows), np.int64)
    pieces[bent] = np.maximum(np.ceil(np.abs(arcs.sweep[arc]) / step - 1e-9), 1).astype(np.int64)
    first = np.concatenate([[0], np.cumsum(pieces)])
    bead = np.repeat(index, pieces)
    nth = np.arange(len(bead)) - first[bead]
    which = np.full(len(rows), -1)
    which[bent] = arc
    out = [x0[bead], y0[bead], x1[bead], y1[bead]]
    of = which[bead]
    for end, (u, v) in ((0, (0, 1)), (1, (2, 3))):
        inner = np.flatnonzero((of >= 0) & ((nth > 0) if end == 0 else (nth + 1 < pieces[bead])))
        a = of[inner]
        angle = arcs.begin[a] + arcs.sweep[a] * (nth[inner] + end) / pieces[bead[inner]]
        out[u][inner] = arcs.cx[a] + arcs.radius[a] * np.cos(angle)
        out[v][inner] = arcs.cy[a] + arcs.radius[a] * np.sin(angle)
    return Segments(bead, first, *out)


def drawn_mm(program: Program, rows: I8) -> F8:
    """(k,) length in the plane of the beads `rows`, along their arcs."""
    moves, arcs = program.moves, program.arcs
    before = np.maximum(rows - 1, 0)
    length: F8 = np.hypot(moves.x[rows] - moves.x[before], moves.y[rows] - moves.y[before])
    bent, arc = _arcs_among(rows, arcs.row, arcs.plane)
    length[bent] = arcs.radius[arc] * np.abs(arcs.sweep[arc])
    return length


def _arcs_among(rows: I8, arc_row: NDArray[np.int32], plane: NDArray[np.uint8]) -> tuple[I8, I8]:
    """Which of `rows` are arcs in XY, and their index into the arcs."""
    if len(arc_row) == 0 or len(rows) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    at = np.minimum(np.searchsorted(arc_row, rows), len(arc_row) - 1)
    bent = np.flatnonzero((arc_row[at] == rows) & (plane[at] == 17))
    return bent, at[bent]


def chains_of(
    program: Program, rows: I8, segments: Segments, group: NDArray[np.integer], width_mm: float
) -> Chains:
    """Chains of the beads `rows` (k,), ascending.

    Parameters
    ----------
    group : (k,) a chain ends where this changes (layer, kind of feature). width_mm : of a usual bead; tells
    how far apart the ends of a loop may stand.
    """
    joined = _joined(program, rows, segments) & (np.diff(group) == 0)
    begin = np.flatnonzero(np.concatenate([[True], ~joined])) if len(rows) else np.empty(0, np.int64)
    stop = np.append(begin[1:], len(rows)) if len(rows) else begin
    first, end = segments.first[begin], segments.first[stop]
    if len(begin) == 0:
        none = np.empty(0)
        return Chains(begin, stop, first, end, none, none, none, none > 0, none, none, none, none)
    x0, y0, x1, y1 = segments.x0, segments.y0, segments.x1, segments.y1
    dx, dy = x1 - x0, y1 - y0
    owner = np.repeat(np.arange(len(begin)), end - first)
    length = np.add.reduceat(np.hypot(dx, dy), first)
    ax, ay = x0 - x0[first][owner], y0 - y0[first][owner]
    area = np.add.reduceat(ax * dy - ay * dx, first) / 2
    gap = np.hypot(x1[end - 1] - x0[first], y1[end - 1] - y0[first])
    near = gap <= SEAM_WIDTHS * width_mm
    coasted = (gap <= _COASTED_MM) & _reaches(program, rows[stop - 1], x0[first], y0[first])
    closed = near | coasted
    closed &= (gap <= _SEAM_SHARE * length) & (end - first > 2) & (np.abs(area) > 1e-6)
    closed[closed] &= _winds_once(segments, first[closed], end[closed], width_mm)
    # Loops of one file have one seam; what leaves much more open happens to end near its start.
    usual = _usual_gap(gap[closed & near], np.abs(area[closed & near]))
    closed &= coasted | (gap <= max(_SEAM_TIMES * usual, _SEAM_LEAST * width_mm))
    box = (
        np.minimum.reduceat(np.minimum(x0, x1), first),
        np.minimum.reduceat(np.minimum(y0, y1), first),
        np.maximum.reduceat(np.maximum(x0, x1), first),
        np.maximum.reduceat(np.maximum(y0, y1), first),
    )
    return Chains(begin, stop, first, end, length, area, gap, closed, *box)


def _usual_gap(gap_mm: F8, area_mm2: F8) -> float:
    """Gap that half of the area lies below; 0 where there is none. Turns of a zigzag, which are like loops left
    open, may be many, but those in a loop hold less than it does."""
    if len(gap_mm) == 0:
        return 0.0
    order = np.argsort(gap_mm, kind="stable")
    total = np.cumsum(area_mm2[order])
    return float(gap_mm[order[np.searchsorted(total, total[-1] / 2)]])


def _joined(program: Program, rows: I8, segments: Segments) -> Bool:
    """(k - 1,) whether each bead goes on where the one before ended, filament not pulled in between."""
    start, last = segments.first[1:-1], segments.first[1:-1] - 1
    joined = np.abs(segments.x0[start] - segments.x1[last]) < _JOINED_MM
    joined &= np.abs(segments.y0[start] - segments.y1[last]) < _JOINED_MM
    moves = program.moves
    if len(rows) == 0:
        return joined
    low, high = int(rows[0]), int(rows[-1]) + 1
    pulled = np.cumsum((moves.e[low:high] < 0) | ((moves.kind[low:high] & RETRACT) != 0))
    joined &= np.diff(pulled[rows - low]) == 0
    return joined


def _reaches(program: Program, last: I8, x: F8, y: F8) -> Bool:
    """(c,) whether one of the few moves behind each row `last` ends at (x, y) without pushing filament."""
    moves = program.moves
    found = np.zeros(len(last), bool)
    dry = np.ones(len(last), bool)
    for ahead in range(1, _COASTING_MOVES + 1):
        row = np.minimum(last + ahead, len(moves) - 1)
        dry &= moves.e[row] <= 0
        found |= dry & (np.hypot(moves.x[row] - x, moves.y[row] - y) < _AT_START_MM)
    return found


def dry_path(moves: Moves, last: int, start: F8) -> F8:
    """(n, 2) points the nozzle passes dry behind row `last` until it is back at `start` (x, y).

    Empty if it does not go there at once.
    """
    ends = slice(last + 1, last + 1 + _COASTING_MOVES)
    points = np.column_stack([moves.x[ends], moves.y[ends]])
    pushed = np.flatnonzero(moves.e[ends] > 0)
    back = np.flatnonzero(np.hypot(*(points - start).T) < _AT_START_MM)
    if len(back) == 0 or (len(pushed) and pushed[0] <= back[0]):
        return np.empty((0, 2))
    return points[: back[0]]


def _winds_once(segments: Segments, first: I8, end: I8, width_mm: float) -> Bool:
    """Whether closed paths turn by one full turn (as simple closed curves do), not to and fro as hatching."""
    index, owner = spread(first, end)
    if len(index) == 0:
        return np.empty(0, bool)
    gap_x, gap_y = segments.x0[first] - segments.x1[end - 1], segments.y0[first] - segments.y1[end - 1]
    # A seam's ends may overlap; across so small a gap the directions alone tell.
    wide = np.hypot(gap_x, gap_y) > width_mm
    gap_x, gap_y = gap_x * wide, gap_y * wide
    # The closing line is one more piece behind each path's own.
    places = np.cumsum(end - first)
    dx = np.insert(segments.x1[index] - segments.x0[index], places, gap_x)
    dy = np.insert(segments.y1[index] - segments.y0[index], places, gap_y)
    owner = np.insert(owner, places, np.arange(len(first)))
    long = np.hypot(dx, dy) > 1e-4
    heading, owner = np.arctan2(dy[long], dx[long]), owner[long]
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    following = np.arange(1, len(heading) + 1)
    following[np.append(starts[1:], len(heading)) - 1] = starts
    turn = heading[following] - heading
    turn -= 2 * np.pi * np.round(turn / (2 * np.pi))
    total = np.zeros(len(first))
    total[owner[starts]] = np.add.reduceat(turn, starts)
    once: Bool = np.abs(np.abs(total) - 2 * np.pi) < 0.5
    # A turn right about, at the end of a wall of no breadth, counts either way.
    about = np.zeros(len(first), bool)
    about[owner[np.abs(turn) > np.pi - 1e-3]] = True
    once |= about & (np.abs(total) < 0.5)
    return once
