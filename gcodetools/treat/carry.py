"""What carries a new bead: solid plastic below, a perimeter at its side, or a span that it can bridge."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.strands import Strand
from gcodetools.treat.intervals import Stretches, cut_strands, in_polygon, line_of, segments
from gcodetools.treat.memory import remembered

__all__ = ["SIDE_BEADS", "SPAN_MM", "Below", "Carried", "carried"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

SPAN_MM = 5.0  # what a bead bridges between two places that carry it; common practice, no source
SIDE_BEADS = 2.0  # breadths beside a perimeter, or beside solid plastic below, that its side carries
_MOSTLY = 0.5  # of a bead over solid plastic; less, and it is laid as a bridge
_SLACK_MM = 0.02
_EDGE_MM = 1.5  # of a bridge that lies on what it leans on
_NONE = shapely.MultiPolygon()


@dataclass(frozen=True, slots=True)
class Below:
    """What lies under a layer of an island: solid plastic, None on the bed, and the centre lines of sparse fill."""

    solid: shapely.Geometry | None
    sparse: shapely.Geometry


@dataclass(frozen=True, slots=True)
class Carried:
    """strands : what may be laid. bridge : (k,) laid as a bridge. open_mm : length that nothing carries."""

    strands: list[Strand]
    bridge: NDArray[np.bool_]
    open_mm: float


def carried(
    strands: list[Strand],
    below: Below,
    walls: shapely.Geometry,
    pitch_mm: float,
    width_mm: float,
    bridges: shapely.Geometry = _NONE,
) -> Carried:
    """Sort out what is carried.

    Parameters
    ----------
    walls : plastic of the layer's own perimeters. pitch_mm, width_mm : of the file's inner perimeters.
    bridges : of the file's own bridge beads: one over air stays whole, since new beads would cut it off what it
    leans on.
    """
    if not strands or below.solid is None:
        return Carried(strands, np.zeros(len(strands), bool), 0.0)
    box = _box(walls, pitch_mm)
    solid = shapely.clip_by_rect(below.solid, *box)
    sides = _sides(walls, solid, pitch_mm)
    if not bridges.is_empty:
        sides = _without_air(sides, bridges, solid, shapely.clip_by_rect(below.sparse, *box), pitch_mm)
    if _held_by_sides(strands, sides):
        return Carried(strands, _bridging(strands, solid), 0.0)
    sparse = shapely.clip_by_rect(below.sparse, *box).buffer(width_mm / 2, quad_segs=1)
    begin, end, owner = segments(strands)
    inside = in_polygon(begin, end, shapely.union(sides, sparse))
    total = _length(begin, end, (np.arange(len(begin)), np.zeros(len(begin)), np.ones(len(begin))))
    kept = _spanned(begin, end, owner, strands, inside)
    left_out = float(total.sum() - _length(begin, end, kept).sum())
    result = cut_strands(strands, owner, kept)
    return Carried(result, _bridging(result, solid), max(left_out, 0.0))


def _box(walls: shapely.Geometry, pitch_mm: float) -> tuple[float, float, float, float]:
    low_x, low_y, high_x, high_y = walls.bounds
    return low_x - pitch_mm, low_y - pitch_mm, high_x + pitch_mm, high_y + pitch_mm


@remembered(64)
def _sides(walls: shapely.Geometry, solid: shapely.Geometry, pitch_mm: float) -> shapely.Geometry:
    """What is carried from the side or from below."""
    return shapely.union(walls, solid).buffer(SIDE_BEADS * pitch_mm + _SLACK_MM, quad_segs=4)


@remembered(64)
def _without_air(
    sides: shapely.Geometry,
    bridges: shapely.Geometry,
    solid: shapely.Geometry,
    sparse: shapely.Geometry,
    pitch_mm: float,
) -> shapely.Geometry:
    """The sides without bridges under whose inside is air, with no sparse fill in it; where these lean on what lies
    below, too. A slit in solid plastic is no air."""
    inner = [shapely.buffer(part, -_EDGE_MM, quad_segs=1) for part in shapely.get_parts(bridges).tolist()]
    air = shapely.buffer(shapely.difference(inner, solid), -pitch_mm, quad_segs=1)
    over_air = ~shapely.is_empty(air) & (shapely.length(shapely.intersection(sparse, inner)) < _EDGE_MM)
    if not np.any(over_air):
        return sides
    return shapely.difference(sides, shapely.union_all(shapely.get_parts(bridges)[over_air]))


@remembered(256)
def _held_by_sides(strands: list[Strand], sides: shapely.Geometry) -> bool:
    shapely.prepare(sides)
    return bool(np.all(shapely.covers(sides, [shapely.linestrings(line_of(s)) for s in strands])))


def _length(begin: F8, end: F8, part: Stretches) -> F8:
    index, t0, t1 = part
    along: F8 = np.hypot(*(end[index] - begin[index]).T) * (t1 - t0)
    return along


def _spanned(begin: F8, end: F8, owner: I8, strands: list[Strand], inside: Stretches) -> Stretches:
    """The stretches that are held, and those between two of them that are short enough."""
    index, t0, t1 = inside
    length = np.hypot(*(end - begin).T)
    at = np.concatenate([[0.0], np.cumsum(length)])
    a, b = at[index] + t0 * length[index], at[index] + t1 * length[index]
    rows: list[tuple[float, float]] = []
    first = np.searchsorted(owner, np.arange(len(strands) + 1))
    low = np.searchsorted(index, first)
    for n, strand in enumerate(strands):
        start, stop = float(at[first[n]]), float(at[first[n + 1]])
        spans = _bridged(a[low[n] : low[n + 1]], b[low[n] : low[n + 1]], start, stop, strand.closed)
        rows += spans
    if not rows:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    return _as_stretches(np.array(rows), at, length)


def _bridged(a: F8, b: F8, start: float, stop: float, closed: bool) -> list[tuple[float, float]]:
    """Held stretches (a, b) of one strand from start to stop, gaps of at most 5 mm filled."""
    if len(a) == 0:
        return []
    gap = a[1:] - b[:-1]
    breaks = np.flatnonzero(gap > SPAN_MM)
    begins, ends = a[np.concatenate([[0], breaks + 1])], b[np.concatenate([breaks, [len(b) - 1]])]
    if closed and (a[0] - start) + (stop - b[-1]) <= SPAN_MM:
        begins[0], ends[-1] = start, stop
    return list(zip(begins.tolist(), ends.tolist(), strict=True))


def _as_stretches(spans: F8, at: F8, length: F8) -> Stretches:
    """Spans along all pieces end to end as stretches of the pieces."""
    low = np.maximum(np.searchsorted(at, spans[:, 0], side="right") - 1, 0)
    high = np.minimum(np.searchsorted(at, spans[:, 1], side="left"), len(length))
    count = np.maximum(high - low, 0)
    owner = np.repeat(np.arange(len(spans)), count)
    piece = np.repeat(low - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
    size = np.maximum(length[piece], 1e-12)
    t0 = np.clip((spans[owner, 0] - at[piece]) / size, 0.0, 1.0)
    t1 = np.clip((spans[owner, 1] - at[piece]) / size, 0.0, 1.0)
    keep = t1 - t0 > 1e-9
    return piece[keep].astype(np.int64), t0[keep], t1[keep]


@remembered(256)
def _bridging(strands: list[Strand], solid: shapely.Geometry) -> NDArray[np.bool_]:
    """(k,) whether less than half of each lies over solid plastic."""
    begin, end, owner = segments(strands)
    index, t0, t1 = in_polygon(begin, end, shapely.buffer(solid, _SLACK_MM, quad_segs=2))
    size = np.hypot(*(end - begin).T)
    total = np.bincount(owner, size, minlength=len(strands))
    over = np.bincount(owner[index], size[index] * (t1 - t0), minlength=len(strands))
    result: NDArray[np.bool_] = over < _MOSTLY * total
    return result
