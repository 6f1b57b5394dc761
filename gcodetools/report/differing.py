"""Which beads stand on one side only, layer by layer.

A stretch is the same on both sides where its ends are, in units; what is left, by rounding and by other cuts, is the
same where it runs along beads of the other side within a twentieth of a millimetre.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.report.pagedata import ADDED, PEN_UP, Points

__all__ = ["mark_differences"]

I8 = NDArray[np.int64]
U8 = NDArray[np.uint64]
F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]

_NEAR_MM = 0.05
_STATIONS = (0.1, 0.5, 0.9)
_ODD = tuple(
    np.uint64(n) for n in (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0x27D4EB2F165667C5)
)


def mark_differences(before: Points, after: Points, same: Mapping[int, int], unit_mm: float) -> None:
    """Set ADDED on the points of stretches that the other side does not have.

    Parameters
    ----------
    same : layers of `before` with those of `after` at the same height. A layer without one is different throughout.
    """
    for points, pairs, other in (
        (before, same, after),
        (after, {b: a for a, b in same.items()}, before),
    ):
        for k in range(len(points.start) - 1):
            mine = points.layer(k)
            if len(mine) == 0:
                continue
            odd = ~_up(mine)
            if k in pairs:
                odd &= ~_matched(mine, other.layer(pairs[k]), unit_mm)
            points.flag[points.start[k] : points.start[k + 1]][odd] |= np.uint8(ADDED)


def _up(points: Points) -> Bool:
    up: Bool = (points.flag & PEN_UP) != 0
    return up


def _ends(points: Points) -> tuple[I8, NDArray[np.int64]]:
    """Points that end a stretch, and (n, 4) begin and end of each."""
    at = np.flatnonzero(~_up(points))
    columns = (points.x[at - 1], points.y[at - 1], points.x[at], points.y[at])
    return at, np.column_stack(columns).astype(np.int64)


def _matched(mine: Points, other: Points, unit_mm: float) -> Bool:
    """(n,) whether each stretch of `mine` is among those of `other`."""
    at, ends = _ends(mine)
    _, others = _ends(other)
    found = np.zeros(len(mine), bool)
    alike = np.isin(_keys(ends), _keys(others))
    found[at[alike]] = True
    left = np.flatnonzero(~alike)
    if len(left) and len(others):
        found[at[left]] = _along(ends[left], others, _NEAR_MM / unit_mm)
    return found


def _keys(ends: I8) -> U8:
    """One number for each stretch, whichever way it runs."""
    swap = (ends[:, 0] > ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] > ends[:, 3]))
    turned = np.where(swap[:, None], ends[:, [2, 3, 0, 1]], ends).view(np.uint64)
    key = np.zeros(len(ends), np.uint64)
    for column, odd in zip(turned.T, _ODD, strict=True):
        key = (key ^ (column * odd)) * _ODD[0]
        key ^= key >> np.uint64(29)
    return key


def _along(ends: I8, others: I8, near: float) -> Bool:
    """Whether stations along each stretch all lie near beads of the other side."""
    tree = shapely.STRtree(shapely.linestrings(others.reshape(-1, 2, 2).astype(np.float64)))
    result = np.ones(len(ends), bool)
    for t in _STATIONS:
        left = np.flatnonzero(result)
        places = ends[left, :2] + (ends[left, 2:] - ends[left, :2]) * t
        close, _ = tree.query(shapely.points(places), predicate="dwithin", distance=near)
        hit = np.zeros(len(left), bool)
        hit[close] = True
        result[left[~hit]] = False
    return result
