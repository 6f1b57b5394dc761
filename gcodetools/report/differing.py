"""Which stretches of beads stand on one side only, layer by layer.

A stretch is the same on both sides where its ends are, in units, and where both are walls, or both fill. Of what is
left, by rounding and by other cuts, that is the same which such beads of the other side cover: they run along it
within a twentieth of a millimetre. A bead that is covered in part is cut.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from typing import Protocol

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.report.pagedata import ADDED, PEN_UP, Points
from gcodetools.toolpath.beads import FEATURES

__all__ = ["differences"]

I8 = NDArray[np.int64]
U8 = NDArray[np.uint64]
F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]

_ALIKE = {
    "perimeter": "outermost",
    "overhang": "outermost",
    "sparse": "solid",
    "bridge": "solid",
    "gap": "solid",
}
_SORT = np.array([FEATURES.index(_ALIKE.get(word, word)) for word in FEATURES], np.int64)
_NEAR_MM, _LEAST_MM = 0.05, 0.1
_ALONG = 0.9  # cosine between beads that run along each other
_SHORT = 5.0  # units: what is shorter has no way of its own
_ODD = tuple(
    np.uint64(n)
    for n in (
        0x9E3779B97F4A7C15,
        0xC2B2AE3D27D4EB4F,
        0x165667B19E3779F9,
        0x27D4EB2F165667C5,
        0xD6E8FEB86659FD93,
    )
)


class Layered(Protocol):
    """Points whose layers are had one by one."""

    @property
    def layers(self) -> int: ...

    def layer(self, k: int) -> Points: ...


def differences(
    before: Layered, after: Layered, same: Mapping[int, int], unit_mm: float, sorts: bool = True
) -> tuple[Iterator[Points], Iterator[Points]]:
    """The layers of both sides with ADDED where the other side does not have a stretch.

    Parameters
    ----------
    same : layers of `before` with those of `after` at the same height. A layer without one is different throughout.
    sorts : whether walls and fill are told apart; not where a file does not mark them.
    """
    back = {b: a for a, b in same.items()}
    return _marked(before, after, same, unit_mm, sorts), _marked(after, before, back, unit_mm, sorts)


def _marked(
    points: Layered, other: Layered, pairs: Mapping[int, int], unit_mm: float, sorts: bool
) -> Iterator[Points]:
    for k in range(points.layers):
        mine = points.layer(k)
        if k in pairs:
            yield _layer(mine, other.layer(pairs[k]), unit_mm, sorts)
        else:
            flag = np.where(_up(mine), mine.flag, mine.flag | ADDED).astype(np.uint8)
            yield replace(mine, flag=flag)


def _with(points: Points, index: I8, **changed: NDArray[np.generic]) -> Points:
    columns = {field.name: getattr(points, field.name)[index] for field in fields(Points)[1:]}
    return Points(start=np.array([0, len(index)], np.int64), **{**columns, **changed})


def _up(points: Points) -> Bool:
    up: Bool = (points.flag & PEN_UP) != 0
    return up


def _ends(points: Points, sorts: bool) -> tuple[I8, I8]:
    """Points that end a stretch, and (n, 5) begin, end and sort of each."""
    at = np.flatnonzero(~_up(points))
    sort = _SORT[points.feature[at]] if sorts else np.zeros(len(at), np.int64)
    columns = (points.x[at - 1], points.y[at - 1], points.x[at], points.y[at], sort)
    return at, np.column_stack(columns).astype(np.int64)


def _layer(mine: Points, other: Points, unit_mm: float, sorts: bool) -> Points:
    """A layer with what `other` lacks marked."""
    at, ends = _ends(mine, sorts)
    _, others = _ends(other, sorts)
    left = np.flatnonzero(~np.isin(_keys(ends), _keys(others)))
    if len(left) == 0:
        return mine
    bare = _bare(ends[left].astype(np.float64), others.astype(np.float64), unit_mm)
    return _cut(mine, at[left], ends[left], bare)


def _keys(ends: I8) -> U8:
    """One number for each stretch, whichever way it runs."""
    swap = (ends[:, 0] > ends[:, 2]) | ((ends[:, 0] == ends[:, 2]) & (ends[:, 1] > ends[:, 3]))
    turned = np.where(swap[:, None], ends[:, [2, 3, 0, 1, 4]], ends).view(np.uint64)
    key = np.zeros(len(ends), np.uint64)
    for column, odd in zip(turned.T, _ODD, strict=True):
        key = (key ^ (column * odd)) * _ODD[0]
        key ^= key >> np.uint64(29)
    return key


@dataclass(frozen=True, slots=True)
class _Bare:
    """What nothing covers of some stretches: index of the stretch ascending, from and to along it, units."""

    index: I8
    low: F8
    high: F8


def _bare(ends: F8, others: F8, unit_mm: float) -> _Bare:
    """What of each stretch no other covers, where that is longer than a tenth of a millimetre or all of it."""
    way = ends[:, 2:4] - ends[:, :2]
    length = np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)
    k, low, high = _covers(ends, way / length[:, None], length, others, _NEAR_MM / unit_mm)
    # On one line, each stretch behind the one before; a cover of no length stands at both of its ends.
    far = 2.0 * float(length.max()) + 1.0
    n = np.arange(len(ends))
    k, low, high = (
        np.concatenate(c) for c in ((k, n, n), (low, 0 * length, length), (high, 0 * length, length))
    )
    order = np.lexsort((low, k))
    k, low, high = k[order], low[order], high[order]
    reached = np.maximum.accumulate(high + k * far) - k * far
    gap = np.flatnonzero((k[1:] == k[:-1]) & (low[1:] > reached[:-1]))
    wide = low[gap + 1] - reached[gap]
    whole = wide >= length[k[gap]] - 1e-6
    gap = gap[whole | (wide > _LEAST_MM / unit_mm)]
    return _Bare(k[gap], reached[gap], low[gap + 1])


def _covers(ends: F8, unit: F8, length: F8, others: F8, near: float) -> tuple[I8, F8, F8]:
    """(stretch, from, to) of each piece of another bead that runs along a stretch."""
    if len(others) == 0:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    tree = shapely.STRtree(shapely.linestrings(others[:, :4].reshape(-1, 2, 2)))
    k, j = tree.query(shapely.linestrings(ends[:, :4].reshape(-1, 2, 2)), predicate="dwithin", distance=near)
    alike = ends[k, 4] == others[j, 4]
    k, j = k[alike], j[alike]
    ux, uy = unit[k, 0], unit[k, 1]
    along, beside = [], []
    for n in (0, 2):
        x, y = others[j, n] - ends[k, 0], others[j, n + 1] - ends[k, 1]
        along.append(x * ux + y * uy)
        beside.append(y * ux - x * uy)
    span = along[1] - along[0]
    size = np.hypot(others[j, 2] - others[j, 0], others[j, 3] - others[j, 1])
    low = np.maximum(np.minimum(*along), 0.0)
    high = np.minimum(np.maximum(*along), length[k])
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(span == 0, 0.0, (beside[1] - beside[0]) / span)
    off = np.maximum(*(np.abs(beside[0] + slope * (t - along[0])) for t in (low, high)))
    runs = (np.abs(span) >= _ALONG * size) | (size < _SHORT)
    good = runs & (off <= near) & (high >= low)
    return k[good], low[good], high[good]


def _cut(mine: Points, at: I8, ends: I8, bare: _Bare) -> Points:
    """The layer with stretches that end at the points `at` cut where what is bare of them begins and ends."""
    way = (ends[:, 2:4] - ends[:, :2]).astype(np.float64)
    length = np.hypot(way[:, 0], way[:, 1])
    k = np.concatenate([bare.index, bare.index])
    t = np.concatenate([bare.low, bare.high])
    inside = (t > 1e-6) & (t < length[k] - 1e-6)
    k, t = k[inside], t[inside]
    n = len(mine)
    point = np.concatenate([np.arange(n), at[k]])
    where = np.concatenate([np.full(n, np.inf), t])
    order = np.lexsort((where, point))
    x = np.concatenate([mine.x, np.rint(ends[k, 0] + way[k, 0] * t / np.maximum(length[k], 1e-9))])[order]
    y = np.concatenate([mine.y, np.rint(ends[k, 1] + way[k, 1] * t / np.maximum(length[k], 1e-9))])[order]
    point, where = point[order], where[order]
    number = np.full(n, -1, np.int64)
    number[at] = np.arange(len(at))
    stretch = number[point]
    # A piece ends here; it began at the cut before on the same bead, or at the bead's own begin.
    begin = np.where(
        np.concatenate([[False], point[1:] == point[:-1]]), np.concatenate([[0.0], where[:-1]]), 0.0
    )
    end = np.where(np.isinf(where), np.where(stretch >= 0, length[stretch], 0.0), where)
    middle = (begin + end) / 2
    far = 2.0 * float(length.max()) + 1.0
    hit = np.searchsorted(bare.index * far + bare.low, stretch * far + middle, side="right") - 1
    known = (stretch >= 0) & (hit >= 0)
    hit = np.maximum(hit, 0)
    odd = np.zeros(len(point), bool)
    if len(bare.index):
        odd = known & (bare.index[hit] == stretch) & (middle <= bare.high[hit])
    flag = np.where(odd, mine.flag[point] | ADDED, mine.flag[point]).astype(np.uint8)
    return _with(mine, point, x=x.astype(np.int32), y=y.astype(np.int32), flag=flag)
