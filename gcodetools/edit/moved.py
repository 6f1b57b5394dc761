"""Moves that go elsewhere than in the file: where their rows end, the points put into them, how arcs run then.

A moved row goes from where the row before it ends now to where it ends itself, over its knots. Between two of
these a line is straight; an arc turns evenly about its old centre while its radius changes evenly, and each piece
of it is written as the arc through its ends and its middle (off that by less than 0.001 mm for a piece of 2 mm
whose radius changes by 0.02 mm).
"""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.moves import Bent
from gcodetools.gcode.arcs import arc_points, sweep_of
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import ARC, CLOCKWISE, Program
from gcodetools.records import dataclass

__all__ = ["Moved", "carriers"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_SAME_MM = 1e-9
_CLOSED_MM = 1e-6
_LEAST_MM = 1e-6  # of length, below which a piece has no share to scale


@dataclass(frozen=True, slots=True)
class Moved:
    """Where a plate's rows end, if not where the file has them.

    x, y : (m,) end of each row, machine mm; the file's own where it stays. row, t, px, py : (k,) points inside
    rows at which they turn, ascending by row and by fraction. fill_row, fill : (r,) rows, ascending, whose filament
    per length is another, and by which factor.
    """

    program: Program
    x: F8
    y: F8
    row: I8
    t: F8
    px: F8
    py: F8
    fill_row: I8
    fill: F8
    touched: I8 = field(init=False, repr=False)
    _bent: Bool = field(init=False, repr=False)

    def __post_init__(self) -> None:
        moves = self.program.moves
        off = (self.x != moves.x) | (self.y != moves.y)
        near = off.copy()
        near[1:] |= off[:-1]
        near[self.row] = True
        bent = near & ((moves.kind & ARC) != 0)
        near[self.fill_row] = True
        object.__setattr__(self, "touched", np.flatnonzero(near))
        object.__setattr__(self, "_bent", bent)

    @classmethod
    def of(
        cls,
        program: Program,
        row: I8,
        shift: F8,
        knots: tuple[I8, F8, F8] | None = None,
        fill: tuple[I8, F8] | None = None,
    ) -> Moved:
        """Rows `row` (k,) end `shift` (k, 2) mm off the file's place, and so does what stays there behind them.

        Parameters
        ----------
        knots : rows (n,), fractions (n,) and points (n, 2) inside rows. fill : rows, ascending, and factors.
        """
        moves = program.moves
        off = np.zeros((len(moves), 2))
        source = carriers(program)
        off[source[row]] = shift
        off = off[source]
        if knots is None:
            knots = np.empty(0, np.int64), np.empty(0), np.empty((0, 2))
        order = np.lexsort((knots[1], knots[0]))
        rows, t, point = knots[0][order], knots[1][order], knots[2][order]
        fill = (np.empty(0, np.int64), np.empty(0)) if fill is None else fill
        return cls(
            program, moves.x + off[:, 0], moves.y + off[:, 1], rows, t, point[:, 0], point[:, 1], *fill
        )

    def knots(self) -> tuple[I8, F8]:
        """Where rows are cut for it: rows and fractions."""
        return self.row, self.t

    def is_knot(self, rows: NDArray[np.integer], t: F8) -> Bool:
        """(k,) whether a place is one at which its row turns."""
        found: Bool = np.isin(2.0 * rows + t, 2.0 * self.row + self.t)
        return found

    def points(self, rows: NDArray[np.integer], t: F8) -> F8:
        """(k, 2) the points at fraction `t` of rows."""
        rows = np.asarray(rows, np.int64)
        before = np.maximum(rows - 1, 0)
        a = np.column_stack([self.x[before], self.y[before]])
        b = np.column_stack([self.x[rows], self.y[rows]])
        point: F8 = a + (b - a) * t[:, None]
        arc = (self.program.moves.kind[rows] & ARC) != 0
        turning = np.isin(rows, self.row) & ~arc
        if np.any(turning):
            u = distinct(np.sort(rows[turning]))
            first = np.maximum(u - 1, 0)
            key = np.concatenate([2.0 * u, 2.0 * self.row + self.t, 2.0 * u + 1.0])
            order = np.argsort(key, kind="stable")
            for axis, (ends, inner) in enumerate(((self.x, self.px), (self.y, self.py))):
                value = np.concatenate([ends[first], inner, ends[u]])[order]
                point[turning, axis] = np.interp(2.0 * rows[turning] + t[turning], key[order], value)
        if np.any(arc):
            point[arc] = self._on_arcs(rows[arc], t[arc])
        between = (t > 0.0) & (t < 1.0)
        exact: F8 = np.where(between[:, None], point, np.where((t == 1.0)[:, None], b, a))
        return exact

    def _on_arcs(self, rows: I8, t: F8) -> F8:
        """Points on arcs, the file's own and bent ones."""
        moves, arcs = self.program.moves, self.program.arcs
        k = np.searchsorted(arcs.row, rows)
        point: F8 = arc_points(moves, arcs, k, t)[:, :2]
        bent = np.flatnonzero(self._bent[rows])
        carried = _idle(self.program, rows[bent])
        whole = bent[carried]
        if len(whole):
            before = np.maximum(rows[whole] - 1, 0)
            point[whole, 0] += self.x[before] - moves.x[before]
            point[whole, 1] += self.y[before] - moves.y[before]
        bent = bent[~carried]
        if len(bent) == 0:
            return point
        u = distinct(np.sort(rows[bent]))
        n = np.searchsorted(arcs.row, u)
        first = np.maximum(u - 1, 0)
        mine = np.isin(self.row, u)
        own = np.searchsorted(arcs.row, self.row[mine])
        key = np.concatenate([2.0 * u, 2.0 * self.row[mine] + self.t[mine], 2.0 * u + 1.0])
        arc = np.concatenate([n, own, n])
        x = np.concatenate([self.x[first], self.px[mine], self.x[u]]) - arcs.cx[arc]
        y = np.concatenate([self.y[first], self.py[mine], self.y[u]]) - arcs.cy[arc]
        share = np.concatenate([np.zeros(len(u)), self.t[mine], np.ones(len(u))])
        old = arcs.begin[arc] + arcs.sweep[arc] * share
        turn = np.arctan2(y, x) - old
        turn -= 2 * np.pi * np.round(turn / (2 * np.pi))
        order = np.argsort(key, kind="stable")
        at = 2.0 * rows[bent] + t[bent]
        off = np.interp(at, key[order], turn[order])
        radius = np.interp(at, key[order], np.hypot(x, y)[order])
        angle = arcs.begin[k[bent]] + arcs.sweep[k[bent]] * t[bent] + off
        point[bent, 0] = arcs.cx[k[bent]] + radius * np.cos(angle)
        point[bent, 1] = arcs.cy[k[bent]] + radius * np.sin(angle)
        return point

    def arcs(self, rows: NDArray[np.integer], t0: F8, t1: F8) -> Bent:
        """Circles of the pieces t0..t1 of rows that are arcs."""
        program, rows = self.program, np.asarray(rows, np.int64)
        arcs = program.arcs
        k = np.searchsorted(arcs.row, rows)
        begin, sweep = arcs.begin[k] + arcs.sweep[k] * t0, arcs.sweep[k] * (t1 - t0)
        found = Bent(arcs.cx[k].copy(), arcs.cy[k].copy(), arcs.radius[k].copy(), begin, sweep)
        bent = np.flatnonzero(self._bent[rows])
        carried = _idle(program, rows[bent])
        whole = bent[carried]
        if len(whole):
            before = np.maximum(rows[whole] - 1, 0)
            found.cx[whole] += self.x[before] - program.moves.x[before]
            found.cy[whole] += self.y[before] - program.moves.y[before]
        bent = bent[~carried]
        if len(bent) == 0:
            return found
        row, s0, s1 = rows[bent], t0[bent], t1[bent]
        a, c = self.points(row, s0), self.points(row, s1)
        b = self.points(row, (s0 + s1) / 2)
        # The ends of a full circle are one point: it goes through two more.
        full = np.hypot(*(c - a).T) < _CLOSED_MM
        late = np.where(full[:, None], self.points(row, s0 + (s1 - s0) * 0.75), c)
        centre = _circle(a, b, late)
        clockwise = (program.moves.kind[row] & CLOCKWISE) != 0
        start = np.arctan2(a[:, 1] - centre[:, 1], a[:, 0] - centre[:, 0])
        end = np.arctan2(c[:, 1] - centre[:, 1], c[:, 0] - centre[:, 0])
        found.cx[bent], found.cy[bent] = centre.T
        found.radius[bent] = np.hypot(*(a - centre).T)
        found.begin[bent] = start
        found.sweep[bent] = sweep_of(start, end, clockwise, full, np.ones(len(row)))
        return found

    def lengths(self, rows: NDArray[np.integer], t0: F8, t1: F8) -> F8:
        """(k,) length in X and Y of the pieces t0..t1 of rows, mm."""
        rows = np.asarray(rows, np.int64)
        length: F8 = np.hypot(*(self.points(rows, t1) - self.points(rows, t0)).T)
        arc = np.flatnonzero((self.program.moves.kind[rows] & ARC) != 0)
        if len(arc):
            bent = self.arcs(rows[arc], t0[arc], t1[arc])
            length[arc] = bent.radius * np.abs(bent.sweep)
        return length

    def gains(self, rows: NDArray[np.integer], t0: F8, t1: F8, length_mm: F8) -> F8:
        """(k,) factor of the filament of pieces: new length over the file's, `length_mm`, times their fill."""
        rows = np.asarray(rows, np.int64)
        result = np.ones(len(rows))
        # What is pulled back on the way is no bead's.
        pushes = self.program.moves.e[rows] > 0
        mine = np.flatnonzero(pushes & np.isin(rows, self.touched) & (length_mm > _LEAST_MM))
        if len(mine) == 0:
            return result
        row, moves = rows[mine], self.program.moves
        before = np.maximum(row - 1, 0)
        # A move that climbs keeps its rise.
        rise = (moves.z[row] - moves.z[before]) * (t1[mine] - t0[mine])
        new = np.hypot(self.lengths(row, t0[mine], t1[mine]), rise)
        result[mine] = new / length_mm[mine]
        if len(self.fill_row):
            at = np.minimum(np.searchsorted(self.fill_row, row), len(self.fill_row) - 1)
            result[mine] *= np.where(self.fill_row[at] == row, self.fill[at], 1.0)
        return result


def carriers(program: Program) -> I8:
    """(m,) the last row up to each that moves in X and Y: behind it the nozzle stands where that one ends. A way
    round that comes back to its start and lays nothing does not count: it goes wherever the nozzle is."""
    moves = program.moves
    goes = np.zeros(len(moves), bool)
    goes[:1] = True
    goes[1:] = (np.diff(moves.x) != 0) | (np.diff(moves.y) != 0)
    arc = program.arcs.row.astype(np.int64)
    goes[arc] = ~_idle(program, arc)
    source: I8 = np.maximum.accumulate(np.where(goes, np.arange(len(moves)), 0))
    return source


def _idle(program: Program, rows: NDArray[np.integer]) -> Bool:
    """(k,) arcs that end where they begin and push nothing: a lift in a spiral goes wherever the nozzle is."""
    moves = program.moves
    before = np.maximum(rows - 1, 0)
    back = np.hypot(moves.x[rows] - moves.x[before], moves.y[rows] - moves.y[before]) < _CLOSED_MM
    idle: Bool = back & (moves.e[rows] <= 0)
    return idle


def _circle(a: F8, b: F8, c: F8) -> F8:
    """(k, 2) centres of the circles through three points each."""
    u, v = b - a, c - a
    cross = 2.0 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    cross = np.where(np.abs(cross) < _SAME_MM * _SAME_MM, np.nan, cross)
    uu, vv = (u**2).sum(axis=1), (v**2).sum(axis=1)
    x = (v[:, 1] * uu - u[:, 1] * vv) / cross
    y = (u[:, 0] * vv - v[:, 0] * uu) / cross
    centre: F8 = a + np.column_stack([x, y])
    return centre
