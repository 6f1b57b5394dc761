"""What new beads would gain: rooms that the file's own fill holds as well stay as they are."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.intervals import segments
from gcodetools.treat.laying import Bead
from gcodetools.treat.replacing import SLIT, lying

__all__ = ["FILLED", "LEAST_LEFT", "FillThere", "along", "poorer"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

FILLED = "already filled with as much plastic as new beads would hold"
_AS_MUCH = 0.9  # of what a new bead holds: less than a tenth is no gain
_LOOP = 0.95  # of a closed one, which goes round the ends of the room too
_STRETCH, _MOST = (
    4.0,
    1.1,
)  # pitches of a bead that are looked at by themselves; of its plastic, that count there
_FLAT = 1.3  # breadths that the sides of a loop lie apart
_MOSTLY = 0.75  # of it along a bead that is no loop, where all that goes is as much as the bead
_ALONG = np.cos(np.radians(30.0))  # lines that run so nearly alike follow it
LEAST_LEFT = 0.97  # of what goes that new beads hold: ends of lines, corners


@dataclass(frozen=True, slots=True)
class FillThere:
    """Where beads would be laid. rows : of the fill there. space : free inside the walls. pitch_mm : of perimeters.
    new_mm2, most_mm2 : height times fill, of new beads as usual and of the file's solid work."""

    rows: I8
    space: shapely.Geometry
    pitch_mm: float
    new_mm2: float
    most_mm2: float


def along(plate: Plate, there: FillThere, zone: shapely.Geometry, beads: list[Bead]) -> Bool:
    """(k,) of beads: whether the fill in `zone`, that would give way, holds as much plastic along each of them."""
    begin, end, owner, new = _stretches(there, beads)
    a, b, volume = lying(plate, there.rows, zone)
    middle, way, volume = _pieces(a, b, volume, there.pitch_mm)
    if not len(middle):
        return np.zeros(len(beads), bool)
    near = shapely.STRtree(_lines(begin, end)).nearest(shapely.points(middle))
    own, length = (end - begin)[near], np.hypot(*(end - begin).T)
    size = np.hypot(*way.T) * length[near]
    alike = np.abs(np.einsum("ij,ij->i", way, own)) >= _ALONG * size
    whole = np.bincount(owner[near], volume, minlength=len(beads))
    # Too much beside one stretch of a bead makes up for no other: of lines across a room two sides run along.
    total = np.bincount(owner, length, minlength=len(beads))
    stretches = np.maximum(total // (_STRETCH * there.pitch_mm), 1).astype(np.int64)
    flat = np.array([_flat(bead) for bead in beads])
    stretches[flat] = 1
    first = np.cumsum(stretches) - stretches
    ahead = np.einsum("ij,ij->i", middle - begin[near], own) / np.maximum(length[near], 1e-12)
    at = (np.cumsum(length) - length)[near] - (np.cumsum(total) - total)[owner[near]] + ahead
    nth = np.clip(at / (total / stretches)[owner[near]], 0, stretches[owner[near]] - 1).astype(np.int64)
    like = np.bincount(first[owner[near]] + nth, volume * alike, minlength=int(stretches.sum()))
    like = np.add.reduceat(np.minimum(like, _MOST * np.repeat(new / stretches, stretches)), first)
    closed = np.array([bead.strand.closed for bead in beads])
    # Fill at the ends of a flat loop is nearest to where that turns.
    enough, in_all = np.where(closed, _LOOP, _AS_MUCH), np.where(flat, _AS_MUCH, 1.0)
    mostly = (whole >= in_all * new) & (like >= _MOSTLY * new) & (flat | ~closed)
    found: Bool = (like >= enough * new) | mostly
    # Loops side by side are laid or left together: lines that stay would lie half over the next loop.
    loops = np.array([bead.strand.loop > 0 for bead in beads]) & ~flat
    parts = shapely.get_parts(there.space)
    part = _parts_of(shapely.STRtree(parts), begin, end, owner, len(beads))
    held, due = (np.bincount(part[loops], v[loops], minlength=len(parts)) for v in (like, new))
    found[loops] = (held >= _LOOP * due)[part[loops]]
    return found


def poorer(plate: Plate, there: FillThere, zone: shapely.Geometry, beads: list[Bead]) -> Bool:
    """(k,) of beads: whether all of their part of the room would hold less than the fill in `zone`, that would give
    way, and that is no more than the file's solid work holds."""
    begin, end, owner, new = _stretches(there, beads)
    a, b, volume = lying(plate, there.rows, zone)
    middle, _, volume = _pieces(a, b, volume, there.pitch_mm)
    if not len(middle):
        return np.zeros(len(beads), bool)
    parts = shapely.get_parts(there.space)
    tree = shapely.STRtree(parts)
    part = _parts_of(tree, begin, end, owner, len(beads))
    came = np.bincount(part, new, minlength=len(parts)) * there.most_mm2 / there.new_mm2
    went = np.bincount(tree.nearest(shapely.points(middle)), volume, minlength=len(parts))
    slit = SLIT * there.pitch_mm
    left = shapely.buffer(shapely.difference(parts, zone), -slit, join_style="mitre")
    taken = shapely.area(parts) - shapely.area(shapely.buffer(left, slit, join_style="mitre"))
    found: Bool = ((came < LEAST_LEFT * went) & (went <= there.most_mm2 * taken))[part]
    return found


def _flat(bead: Bead) -> bool:
    """Whether a loop's sides lie side by side, as one broad bead: what lies between them is beside both."""
    strand = bead.strand
    if not strand.closed:
        return False
    length, area = (float(f(shapely.linearrings(strand.points))) for f in (shapely.length, _inside))
    return area < _FLAT * length / 2 * float(strand.breadth.mean())


def _inside(ring: shapely.LinearRing) -> float:
    return float(shapely.area(shapely.polygons(ring)))


def _stretches(there: FillThere, beads: list[Bead]) -> tuple[F8, F8, I8, F8]:
    """Straight pieces of beads, the bead of each, and mm3 of each bead."""
    strands = [bead.strand for bead in beads]
    begin, end, owner = segments(strands)
    breadth = np.concatenate([strand.breadth for strand in strands])
    size = np.hypot(*(end - begin).T)
    new: F8 = np.bincount(owner, size * breadth * there.new_mm2, minlength=len(beads)).astype(np.float64)
    return begin, end, owner, new


def _parts_of(tree: shapely.STRtree, begin: F8, end: F8, owner: I8, count: int) -> I8:
    """(count,) the part of a room that each bead lies in: that of its first stretch."""
    first = np.searchsorted(owner, np.arange(count))
    part: I8 = tree.nearest(shapely.points((begin + end)[first] / 2))
    return part


def _lines(begin: F8, end: F8) -> NDArray[np.object_]:
    lines: NDArray[np.object_] = shapely.linestrings(np.stack([begin, end], axis=1))
    return lines


def _pieces(begin: F8, end: F8, volume: F8, longest_mm: float) -> tuple[F8, F8, F8]:
    """Middles and ways of straight pieces cut into shorter ones, and mm3 of each."""
    step = end - begin
    count = np.maximum(np.ceil(np.hypot(*step.T) / longest_mm), 1).astype(np.int64)
    of = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    middle = begin[of] + step[of] * ((nth + 0.5) / count[of])[:, None]
    return middle, step[of] / count[of][:, None], volume[of] / count[of]
