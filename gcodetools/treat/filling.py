"""Strands for what is free: beads that follow the room, or solid lines, with just the plastic that fits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.toolpath.hatch import hatch
from gcodetools.toolpath.strands import Filled, Gauge, Strand, fill_room
from gcodetools.treat.intervals import line_of, segments
from gcodetools.treat.memory import moved, remembered, shifted

__all__ = ["area_of", "filled", "hatched", "size_of", "with_ends"]

F8 = NDArray[np.float64]

_LINES = 0.85, 1.1  # by which the flow of solid lines may be changed to fill an area exactly
_SEEN = 0.9  # least beads: a gap between beads that is wider is one
_SPREAD = 0.3  # least beads by which plastic spreads into a gap
_RATHER = 0.993  # of what lines reach: too little shows, too much jams a fit
_ENDS = np.pi / 8  # breadths: half of two round ends, as one of them often meets another bead
_MORE = 0.06  # of a bead, that its ends may add
_EVEN_MM = 0.01  # breadths that differ less are one


def filled(room: shapely.Polygon, gauge: Gauge, count: int | None) -> Filled:
    """`fill_room`, once for rooms that are alike, wherever they lie."""
    room = shapely.normalize(room)
    here = shapely.get_coordinates(room)[0]
    found = _filled_there(shifted(room, -here), gauge, count)
    strands = tuple(moved(found.strands, here))
    return replace(found, strands=strands, left=shifted(found.left, here), at=found.at + here)


@remembered(512)
def _filled_there(room: shapely.Polygon, gauge: Gauge, count: int | None) -> Filled:
    return fill_room(room, gauge, count)


def with_ends(strand: Strand, gauge: Gauge) -> Strand:
    """A bead along the middle with the plastic of its round ends, which lie beyond the ends of its path."""
    if strand.closed or strand.loop != 0:
        return strand
    size, breadth = size_of(strand), float(strand.breadth.mean())
    share = 1.0 + min(_ENDS * breadth / size, _MORE)
    return replace(strand, breadth=np.minimum(strand.breadth * share, gauge.most_mm))


@remembered(256)
def hatched(
    area: shapely.Polygon, free: shapely.Geometry, gauge: Gauge, pitch_mm: float, direction: float,
    origin: tuple[float, float], overlap_mm: float,
) -> list[Strand]:  # fmt: skip
    """Solid lines over an area, as much plastic as it holds; beads along it where it is too narrow for lines.

    free : what holds the area and what is beside it that the file fills itself.
    """
    strands = hatch(area, pitch_mm, direction, origin, overlap_mm)
    share = _RATHER * _share(strands, area, free, gauge)
    if not _LINES[0] <= share <= _LINES[1]:
        strands = [replace(strand, loop=-2) for strand in fill_room(area, gauge, None).strands]
        share = min(_share(strands, area, free, gauge), 1.0)
        return [replace(s, breadth=np.maximum(s.breadth * share, gauge.least_mm)) for s in strands]
    # Where lines turn at once they cover themselves more than along a straight wall.
    own = np.array([_beside([s], 0.0).intersection(area).area / max(area_of(s), 1e-9) for s in strands])
    laid = np.array([area_of(s) for s in strands])
    shares = own * share * laid.sum() / float((own * laid).sum())
    return [
        replace(s, breadth=np.maximum(s.breadth * k, gauge.least_mm))
        for s, k in zip(strands, shares.tolist(), strict=True)
    ]


def _share(strands: list[Strand], area: shapely.Polygon, free: shapely.Geometry, gauge: Gauge) -> float:
    """By how much beads must change to fill what they can reach of an area."""
    laid = sum(area_of(strand) for strand in strands)
    return _reached(strands, area, free, gauge.least_mm) / laid if laid > 0 else 0.0


def _reached(strands: list[Strand], area: shapely.Geometry, free: shapely.Geometry, least_mm: float) -> float:
    """What of an area beads fill, mm2: all but what they leave that is wide enough to see. Plastic spreads a
    little into that too, but not towards what others fill beside the area."""
    seen, spread = _SEEN * least_mm / 2, _SPREAD * least_mm
    left = _wide(shapely.difference(free, _beside(strands, 0.0)), seen).intersection(area)
    if left.is_empty:
        return float(area.area)
    others = shapely.buffer(shapely.difference(free, area), 2 * seen, quad_segs=2)
    far = shapely.difference(free, _beside(strands, spread)).difference(others)
    return float(area.area - left.intersection(shapely.union(far, others)).area)


def _wide(shape: shapely.Geometry, by_mm: float) -> shapely.Geometry:
    return shapely.buffer(shapely.buffer(shape, -by_mm, quad_segs=4), by_mm, quad_segs=4)


def _beside(strands: list[Strand], more_mm: float) -> shapely.Geometry:
    """What lies within half a breadth and so much more of beads."""
    even = all(float(np.ptp(strand.breadth)) < _EVEN_MM for strand in strands)
    if not even:
        begin, end, _ = segments(strands)
        half = np.concatenate([strand.breadth for strand in strands]) / 2 + more_mm
        return shapely.union_all(
            shapely.buffer(shapely.linestrings(np.stack([begin, end], axis=1)), half, quad_segs=2)
        )
    lines = [shapely.linestrings(line_of(strand)) for strand in strands]
    half = np.array([float(strand.breadth.mean()) / 2 + more_mm for strand in strands])
    return shapely.union_all(shapely.buffer(lines, half, quad_segs=2))


def area_of(strand: Strand) -> float:
    """Length of a strand times its breadth, mm2."""
    begin, end, _ = segments([strand])
    return float((np.hypot(*(end - begin).T) * strand.breadth).sum())


def size_of(strand: Strand) -> float:
    """Length of a strand, mm."""
    points = np.vstack([strand.points, strand.points[:1]]) if strand.closed else strand.points
    return float(np.hypot(*np.diff(points, axis=0).T).sum())
