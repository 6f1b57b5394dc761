"""Beads as curves in a frame: straight lines and arcs, as columns. Knows no solid and no plate.

A path runs from t = 0 to t = 1 at even speed. Arcs turn about a vertical axis while z changes evenly (a
helix); arcs in other planes, which no slicer lays beads along, are taken as their chord.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Hits", "Paths", "joined"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

# Places on paths: (m,) index into Paths, (m,) parameter t.
Hits = tuple[I8, F8]


@dataclass(frozen=True, slots=True)
class Paths:
    """Curves in the frame of a part, mm.

    p0, p1 : (n, 3) ends. layer : (n,) layer of the instance, from 1.
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
        start = self.p0[index]
        points: F8 = start + (self.p1[index] - start) * t[:, None]
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
        return Paths(
            self.p0[index],
            self.p1[index],
            self.layer[index],
            arc,
            self.cx[k],
            self.cy[k],
            self.radius[k],
            self.begin[k],
            self.sweep[k],
        )

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

    def touching(self, low: F8, high: F8) -> I8:
        """Indices of the paths whose box meets [low, high], (4,) each: x, y, z and layer.

        The box of an arc is that of its circle, so that none is missed.
        """
        keep = np.ones(len(self.p0), bool)
        for axis in range(3):
            if np.isneginf(low[axis]) and np.isposinf(high[axis]):
                continue
            a, b = self.p0[:, axis], self.p1[:, axis]
            least, most = np.minimum(a, b), np.maximum(a, b)
            if axis < 2 and len(self.arc):
                centre = self.cx if axis == 0 else self.cy
                least[self.arc], most[self.arc] = centre - self.radius, centre + self.radius
            keep &= (least <= high[axis]) & (most >= low[axis])
        if not (np.isneginf(low[3]) and np.isposinf(high[3])):
            keep &= (self.layer >= low[3]) & (self.layer <= high[3])
        return np.flatnonzero(keep)


def joined(parts: list[Hits]) -> Hits:
    """Several hits as one."""
    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
