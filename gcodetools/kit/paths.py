"""Beads as curves in a frame: straight lines and arcs, as columns. Knows no solid and no plate.

A path runs from t = 0 to t = 1 at even speed. Arcs turn about a vertical axis while z changes evenly (a
helix); arcs in other planes, which no slicer lays beads along, are taken as their chord.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Boxes", "Hits", "Paths", "columns", "joined", "rows_of", "together"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

# Places on paths: (m,) index into Paths, (m,) parameter t.
Hits = tuple[I8, F8]


@dataclass(frozen=True, slots=True)
class Paths:
    """Curves in the frame of a part, mm.

    p0, p1 : (n, 3) ends, best column by column in memory (`columns`), as they are asked for. layer : (n,) layer of
    the instance, from 1.
    arc : (k,) ascending indices of the paths that are arcs, with cx, cy, radius, begin, sweep (k,): angle
    begin + sweep t, radians, counter-clockwise positive.
    """

    p0: F8
    p1: F8
    layer: NDArray[np.int32]
    arc: I8
    cx: F8
    cy: F8
    radius: F8
    begin: F8
    sweep: F8

    def __len__(self) -> int:
        return len(self.p0)

    @classmethod
    def lines(cls, p0: F8, p1: F8, layer: NDArray[np.int32]) -> Paths:
        """Straight paths only."""
        none = np.empty(0)
        return cls(p0, p1, layer, np.empty(0, np.int64), none, none, none, none, none)

    @property
    def straight(self) -> I8:
        """Indices of the straight paths."""
        if len(self.arc) == 0:
            return np.arange(len(self.p0))
        mask = np.ones(len(self.p0), bool)
        mask[self.arc] = False
        return np.flatnonzero(mask)

    def at(self, index: I8, t: F8) -> F8:
        """(m, 3) points of the paths `index` at `t`."""
        start, end = rows_of(self.p0, index), rows_of(self.p1, index)
        end -= start
        end *= t[:, None]
        end += start
        points: F8 = end
        if len(self.arc):
            k = np.minimum(np.searchsorted(self.arc, index), len(self.arc) - 1)
            on = self.arc[k] == index
            k = k[on]
            angle = self.begin[k] + self.sweep[k] * t[on]
            points[on, 0] = self.cx[k] + self.radius[k] * np.cos(angle)
            points[on, 1] = self.cy[k] + self.radius[k] * np.sin(angle)
        return points

    def take(self, index: I8) -> Paths:
        """The paths `index` (ascending), in that order."""
        arc = np.empty(0, np.int64)
        k = arc
        if len(self.arc):
            place = np.searchsorted(self.arc, index)
            on = self.arc[np.minimum(place, len(self.arc) - 1)] == index
            arc, k = np.flatnonzero(on), place[on]
        on_arcs = (column[k] for column in (self.cx, self.cy, self.radius, self.begin, self.sweep))
        return Paths(rows_of(self.p0, index), rows_of(self.p1, index), self.layer[index], arc, *on_arcs)

    def mirrored(self, axis: int) -> Paths:
        """With x (axis 0) or y (axis 1) negated."""
        sign = np.ones(3)
        sign[axis] = -1.0
        turned = np.pi - self.begin if axis == 0 else -self.begin
        return Paths(
            self.p0 * sign,
            self.p1 * sign,
            self.layer,
            self.arc,
            self.cx * sign[0],
            self.cy * sign[1],
            self.radius,
            turned,
            -self.sweep,
        )

    def box(self, axis: int) -> tuple[F8, F8]:
        """(n,) least and (n,) most of the paths' boxes along an axis; that of an arc is its circle's."""
        a, b = self.p0[:, axis], self.p1[:, axis]
        least, most = np.minimum(a, b), np.maximum(a, b)
        if axis < 2 and len(self.arc):
            centre = self.cx if axis == 0 else self.cy
            least[self.arc], most[self.arc] = centre - self.radius, centre + self.radius
        return least, most

    def touching(self, low: F8, high: F8) -> I8:
        """Indices of the paths whose box meets [low, high], (4,) each: x, y, z and layer.

        The box of an arc is that of its circle, so that none is missed.
        """
        return Boxes(self).touching(low, high)


class Boxes:
    """The boxes of paths, worked out once for several solids."""

    def __init__(self, paths: Paths) -> None:
        self.paths = paths
        self._box: dict[int, tuple[F8, F8]] = {}

    def touching(self, low: F8, high: F8) -> I8:
        """See `Paths.touching`."""
        keep = np.ones(len(self.paths), bool)
        for axis, (lowest, highest) in enumerate(zip(low.tolist(), high.tolist(), strict=True)):
            if lowest == -np.inf and highest == np.inf:
                continue
            least, most = self.along(axis)
            keep &= least <= highest
            keep &= most >= lowest
        return np.flatnonzero(keep)

    def along(self, axis: int) -> tuple[NDArray[np.floating | np.integer], NDArray[np.floating | np.integer]]:
        """(n,) least and (n,) most of each path along an axis; 3 is the layer."""
        if axis == 3:
            return self.paths.layer, self.paths.layer
        if axis not in self._box:
            self._box[axis] = self.paths.box(axis)
        return self._box[axis]


def together(parts: list[Paths]) -> Paths:
    """Paths of several as one, part by part; there must be one."""
    if len(parts) == 1:
        return parts[0]
    p0, p1 = (
        np.concatenate(tables, axis=1).T for tables in ([p.p0.T for p in parts], [p.p1.T for p in parts])
    )
    begins = np.cumsum([0, *(len(part) for part in parts[:-1])])
    arc = np.concatenate([part.arc + begin for part, begin in zip(parts, begins, strict=True)])
    rest = ([getattr(p, name) for p in parts] for name in ("cx", "cy", "radius", "begin", "sweep"))
    return Paths(p0, p1, np.concatenate([p.layer for p in parts]), arc, *map(np.concatenate, rest))


def columns(*values: F8) -> F8:
    """(n, k) of k columns (n,), each in one stretch of memory."""
    table: F8 = np.stack(values).T
    return table


def rows_of(table: F8, index: I8) -> F8:
    """The rows `index` of (n, k), column by column in memory."""
    taken = np.empty((table.shape[1], len(index)))
    for column, out in zip(table.T, taken, strict=True):
        np.take(column, index, out=out, mode="clip")
    rows: F8 = taken.T
    return rows


def joined(parts: list[Hits]) -> Hits:
    """Several hits as one."""
    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
