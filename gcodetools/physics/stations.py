"""Stations along the outermost beads of standing walls: which side is inside, and what stands opposite."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.pieces import Samples
from gcodetools.records import dataclass

__all__ = ["CAUSES", "Stations", "crossings", "pairs", "stations"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_BLOCK = 4_000_000  # pairs at a time, some 300 MB
_REACH = 0.005  # pieces are lengthened by this share and by the next number, since arcs are cut into tangents
_REACH_MM = 0.002
_SAME_MM = 0.1  # crossings closer than this are one: two pieces meet there, or a seam is laid twice
_ITSELF = 0.25  # widths; nearer crossings are the bead the station stands on
_LEANS = np.cos(np.radians(45.0))  # an opposite bead that leans more is no other side of the wall
CAUSES = ("good", "open", "thick", "askew", "end")
_OPEN, _THICK, _ASKEW, _END = 1, 2, 3, 4


@dataclass(frozen=True, slots=True)
class Stations:
    """Places on outermost beads, columns (s,).

    piece : the piece stood on. x, y, ux, uy : its middle and direction. side : 1 where left is inside, else -1.
    width : of the bead. depth : to the opposite centre line, 0 for a bead alone. other : width of the opposite bead,
    along the normal. behind, ahead : plastic that goes on along the wall, just inside. why : index of CAUSES.
    """

    piece: I8
    x: F8
    y: F8
    ux: F8
    uy: F8
    side: F8
    width: F8
    depth: F8
    other: F8
    behind: F8
    ahead: F8
    why: I8

    def __len__(self) -> int:
        return len(self.piece)

    @property
    def thickness(self) -> F8:
        """(s,) outer edge to outer edge."""
        return self.depth + (self.width + self.other) / 2

    def take(self, index: I8) -> Stations:
        """Those stations, in that order."""
        return Stations(*(getattr(self, name)[index] for name in self.__slots__))


def stations(
    pieces: Samples, outer: Bool, within: Bool, together: I8, strip_mm: float, max_mm: float, most: int
) -> Stations:
    """Stations on the pieces of `outer & within`, one every `strip_mm`; see `walls.walls`.

    Parameters
    ----------
    together : (n,) pieces of one number, counted from 0, belong together.
    """
    edges = np.flatnonzero(outer)
    chosen = _spaced(pieces.length_mm, pieces.layer, np.flatnonzero(outer & within), strip_mm, most)
    hollow = np.bincount(together[~outer], minlength=int(together.max(initial=-1)) + 1) == 0
    return _with_ends(pieces, edges, together, _opposite(pieces, edges, chosen, together, max_mm, hollow))


def _spaced(length_mm: F8, layer: I4, candidates: I8, strip_mm: float, most: int) -> I8:
    """Candidates one every `strip_mm` of their length, of as many layers as give `most`."""
    layers = np.unique(layer[candidates])
    step = int(np.ceil(length_mm[candidates].sum() / strip_mm / most))
    if step > 1:
        candidates = candidates[np.isin(layer[candidates], layers[step // 2 :: step])]
    run = np.cumsum(length_mm[candidates])
    return candidates[np.diff(np.floor(run / strip_mm), prepend=-1.0) > 0]


def pairs(low: I8, high: I8, key: I8) -> Iterator[tuple[I8, I8]]:
    """Blocks of (asker, piece) indices: pieces whose key is from `low` to `high` of the asker."""
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    first = np.searchsorted(ordered, low, side="left")
    count = np.searchsorted(ordered, high, side="right") - first
    block = (np.cumsum(count) - 1) // _BLOCK
    for mine in np.split(np.arange(len(count)), np.flatnonzero(np.diff(block)) + 1):
        size = count[mine]
        which = np.repeat(mine, size)
        at = np.repeat(first[mine] - (np.cumsum(size) - size), size) + np.arange(int(size.sum()))
        yield which, order[at]


def _opposite(pieces: Samples, outer: I8, chosen: I8, together: I8, max_mm: float, hollow: Bool) -> Stations:
    """The inside of each chosen piece, and what stands opposite."""
    s = len(chosen)
    x, y, ux, uy = (c[chosen] for c in (pieces.x_mm, pieces.y_mm, pieces.ux, pieces.uy))
    width = pieces.width_mm[chosen]
    which, across, j = crossings(pieces, outer, together, together[chosen], x, y, -uy, ux)
    keep = np.abs(across) > _ITSELF * width[which]
    which, across, j = which[keep], across[keep], j[keep]
    left = np.bincount(which[across > 0], minlength=s) % 2 == 1
    right = np.bincount(which[across < 0], minlength=s) % 2 == 1
    side = np.where(left, 1.0, -1.0)
    why = np.where(left == right, _OPEN, 0)
    depth, opposite = np.full(s, np.inf), np.zeros(s, np.int64)
    inward = across * side[which]
    on = np.flatnonzero(inward > 0)
    on = on[np.lexsort((-inward[on], which[on]))]  # the nearest is written last
    depth[which[on]], opposite[which[on]] = inward[on], j[on]
    lean = np.abs(pieces.ux[opposite] * ux + pieces.uy[opposite] * uy)
    other = pieces.width_mm[opposite] / np.maximum(lean, _LEANS)
    thickness = depth + (width + other) / 2
    why = np.where((why == 0) & (thickness > max_mm), _THICK, why)
    why = np.where((why == 0) & (lean < _LEANS), _ASKEW, why)
    alone = hollow[together[chosen]] & ((why == _OPEN) | (why == _THICK))
    depth, other = np.where(alone, 0.0, depth), np.where(alone, width, other)
    endless = np.full(s, np.inf)
    why = np.where(alone, 0, why)
    return Stations(chosen, x, y, ux, uy, side, width, depth, other, endless, endless, why)


def crossings(
    pieces: Samples, outer: I8, together: I8, group: I8, x: F8, y: F8, nx: F8, ny: F8
) -> tuple[I8, F8, I8]:
    """Where lines through (x, y) in the direction (nx, ny) cross outer pieces of their group: (which line, signed
    distance, piece), by line and distance. Pieces that meet where they are crossed count once."""
    found: list[tuple[I8, F8, I8]] = []
    for which, k in pairs(group, group, together[outer]):
        j = outer[k]
        dx, dy = pieces.x_mm[j] - x[which], pieces.y_mm[j] - y[which]
        beside = dx * ny[which] - dy * nx[which]
        near = np.flatnonzero(np.abs(beside) < pieces.length_mm[j])
        which, j, dx, dy, beside = which[near], j[near], dx[near], dy[near], beside[near]
        slope = pieces.ux[j] * ny[which] - pieces.uy[j] * nx[which]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = -beside / slope
        hit = np.flatnonzero(np.abs(t) <= pieces.length_mm[j] * (0.5 + _REACH) + _REACH_MM)
        which, j, t = which[hit], j[hit], t[hit]
        far = (dx[hit] + t * pieces.ux[j]) * nx[which] + (dy[hit] + t * pieces.uy[j]) * ny[which]
        found.append((which, far, j))
    which, far, j = (np.concatenate(c) for c in zip(*found, strict=True))
    order = np.lexsort((far, which))
    which, far, j = which[order], far[order], j[order]
    fresh = (np.diff(which, prepend=-1) != 0) | (np.diff(far, prepend=-np.inf) > _SAME_MM)
    return which[fresh], far[fresh], j[fresh]


def _with_ends(pieces: Samples, outer: I8, together: I8, found: Stations) -> Stations:
    """How far the plastic goes on along the wall, just inside. Where that is less than the wall is thick, the
    station stands on the end of a wall, or on the tip of a rib."""
    at = np.flatnonzero((found.why == 0) & (found.depth > 0))
    ux, uy = found.ux[at], found.uy[at]
    into = np.minimum(found.depth[at] / 2, found.width[at]) * found.side[at]
    x, y = found.x[at] - uy * into, found.y[at] + ux * into
    which, far, _ = crossings(pieces, outer, together, together[found.piece[at]], x, y, ux, uy)
    ahead, behind, why = found.ahead.copy(), found.behind.copy(), found.why.copy()
    np.minimum.at(ahead, at[which[far > 0]], far[far > 0])
    np.minimum.at(behind, at[which[far < 0]], -far[far < 0])
    why[at[(ahead + behind)[at] < found.depth[at]]] = _END
    ahead, behind = ahead + found.width / 2, behind + found.width / 2
    return replace(found, ahead=ahead, behind=behind, why=why)
