"""Stretches of lines: which parts of straight pieces lie in a polygon or a solid, and strands cut by them."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit.paths import Paths
from gcodetools.kit.placing import Pose
from gcodetools.kit.solids import Solid, stretches
from gcodetools.toolpath.strands import Strand

__all__ = ["Stretches", "cut_strands", "in_polygon", "in_solid", "line_of", "segments"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

# Index of the piece, and the fractions t0 < t1 of it; ascending by piece and t0.
Stretches = tuple[I8, F8, F8]

_SAME_T = 1e-9


def segments(strands: list[Strand]) -> tuple[F8, F8, I8]:
    """(k, 2) begin and (k, 2) end of every straight piece of strands, and (k,) the strand of each."""
    begins, ends, owner = [], [], []
    for n, strand in enumerate(strands):
        points = strand.points
        following = np.roll(points, -1, axis=0) if strand.closed else points[1:]
        begins.append(points[: len(following)])
        ends.append(following)
        owner.append(np.full(len(following), n))
    if not begins:
        return np.empty((0, 2)), np.empty((0, 2)), np.empty(0, np.int64)
    return np.concatenate(begins), np.concatenate(ends), np.concatenate(owner)


def line_of(strand: Strand) -> F8:
    """(n, 2) points of a strand, the first again at the end where it is closed."""
    return np.vstack([strand.points, strand.points[:1]]) if strand.closed else strand.points


def in_polygon(begin: F8, end: F8, area: shapely.Geometry) -> Stretches:
    """Stretches of straight pieces that lie in an area."""
    if len(begin) == 0 or area.is_empty:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    shapely.prepare(area)
    lines = shapely.linestrings(np.stack([begin, end], axis=1))
    meets = shapely.intersects(area, lines)
    whole = np.zeros(len(lines), bool)
    whole[meets] = shapely.covers(area, lines[meets])
    part = np.flatnonzero(meets & ~whole)
    owner, t0, t1 = _clipped(begin[part], end[part], lines[part], area)
    full = np.flatnonzero(whole)
    index = np.concatenate([full, part[owner]])
    t0 = np.concatenate([np.zeros(len(full)), t0])
    t1 = np.concatenate([np.ones(len(full)), t1])
    order = np.lexsort((t0, index))
    return index[order].astype(np.int64), t0[order], t1[order]


def _clipped(begin: F8, end: F8, lines: NDArray[np.object_], area: shapely.Geometry) -> Stretches:
    """Stretches of straight pieces that cross an area's edge: cut at every crossing, judged by midpoints."""
    a, b = _edges(area)
    piece, edge = shapely.STRtree(shapely.linestrings(np.stack([a, b], axis=1))).query(lines)
    along, across = end[piece] - begin[piece], b[edge] - a[edge]
    to = a[edge] - begin[piece]
    turn = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (to[:, 0] * across[:, 1] - to[:, 1] * across[:, 0]) / turn
        s = (to[:, 0] * along[:, 1] - to[:, 1] * along[:, 0]) / turn
    hits = (turn != 0) & (t > 0) & (t < 1) & (s >= -_SAME_T) & (s <= 1 + _SAME_T)
    # Along an edge the piece may turn in and out at the edge's own ends.
    flat = np.flatnonzero(turn == 0)
    size = np.maximum((along[flat] ** 2).sum(axis=1), 1e-18)
    ends = [((p[edge[flat]] - begin[piece[flat]]) * along[flat]).sum(axis=1) / size for p in (a, b)]
    count = len(begin)
    row = np.concatenate([np.arange(count), piece[hits], piece[flat], piece[flat], np.arange(count)])
    place = np.concatenate([np.zeros(count), t[hits], *(np.clip(e, 0, 1) for e in ends), np.ones(count)])
    order = np.lexsort((place, row))
    row, place = row[order], place[order]
    k = np.flatnonzero((np.diff(row) == 0) & (np.diff(place) > _SAME_T))
    row, t0, t1 = row[k], place[k], place[k + 1]
    middle = begin[row] + (end[row] - begin[row]) * ((t0 + t1) / 2)[:, None]
    inside = shapely.intersects_xy(area, middle[:, 0], middle[:, 1])
    row, t0, t1 = row[inside], t0[inside], t1[inside]
    first = np.ones(len(row), bool)
    first[1:] = (np.diff(row) != 0) | (t0[1:] - t1[:-1] > _SAME_T)
    last = np.append(first[1:], True)[: len(row)]
    return row[first], t0[first], t1[last]


def _edges(area: shapely.Geometry) -> tuple[F8, F8]:
    """Begins and ends of all edges of an area."""
    rings = shapely.get_rings(shapely.get_parts(area))
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    same = owner[1:] == owner[:-1]
    return xy[:-1][same], xy[1:][same]


def in_solid(begin: F8, end: F8, solid: Solid, pose: Pose, z_mm: float, layer: int) -> Stretches:
    """Stretches of straight pieces at height `z_mm` of the part's frame, layer from 1, that lie in a solid."""
    if len(begin) == 0:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    ends = []
    for points in (begin, end):
        x, y = pose.to_part(points[:, 0], points[:, 1])
        ends.append(np.column_stack([x, y, np.full(len(x), z_mm)]))
    return stretches(solid, Paths.lines(ends[0], ends[1], np.full(len(begin), layer, np.int32)))


def cut_strands(strands: list[Strand], owner: I8, inside: Stretches) -> list[Strand]:
    """What of strands lies inside, as strands; whole ones are themselves.

    owner : (k,) strand of each piece, as `segments` gives it. inside : stretches of those pieces.
    """
    index, t0, t1 = inside
    result: list[Strand] = []
    first = np.searchsorted(owner, np.arange(len(strands) + 1))
    low = np.searchsorted(index, first)
    for n, strand in enumerate(strands):
        part = slice(int(low[n]), int(low[n + 1]))
        mine, a, b = index[part] - first[n], t0[part], t1[part]
        if len(mine) == 0:
            continue
        count = int(first[n + 1] - first[n])
        if len(mine) == count and np.all(a <= _SAME_T) and np.all(b >= 1 - _SAME_T):
            result.append(strand)
        else:
            result += _pieces(strand, mine, a, b, count)
    return result


def _pieces(strand: Strand, index: I8, t0: F8, t1: F8, count: int) -> list[Strand]:
    """Open strands of the stretches of one strand, neighbours joined."""
    line = line_of(strand)
    joined = np.zeros(len(index), bool)
    joined[1:] = (np.diff(index) == 1) & (t1[:-1] >= 1 - _SAME_T) & (t0[1:] <= _SAME_T)
    joined[1:] |= (np.diff(index) == 0) & (np.abs(t0[1:] - t1[:-1]) <= _SAME_T)
    wraps = bool(
        strand.closed
        and len(index) > 1
        and index[0] == 0
        and t0[0] <= _SAME_T
        and index[-1] == count - 1
        and t1[-1] >= 1 - _SAME_T
    )
    starts = np.flatnonzero(~joined)
    groups = np.split(np.arange(len(index)), starts[1:])
    if wraps and len(groups) > 1:
        groups = [np.concatenate([groups[-1], groups[0]]), *groups[1:-1]]
    result = []
    for group in groups:
        k, a, b = index[group], t0[group], t1[group]
        step = line[k + 1] - line[k]
        points = np.vstack([line[k[:1]] + step[:1] * a[0], line[k] + step * b[:, None]])
        result.append(Strand(points, strand.breadth[k], False, strand.loop))
    return result
