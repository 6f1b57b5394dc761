"""Fill that gives way to new beads: cut exactly at the edge of what they take."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.edit.draft import MIN_PIECE_MM, least_piece_e_mm
from gcodetools.records import dataclass
from gcodetools.toolpath.bands import polygons_of, sound
from gcodetools.toolpath.chains import segments_of
from gcodetools.toolpath.islands import ARC_TOLERANCE_MM
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.strands import Strand
from gcodetools.toolpath.walls import bead_areas
from gcodetools.treat.intervals import in_polygon, line_of
from gcodetools.treat.memory import remembered

__all__ = ["SLIT", "Replaced", "band_of", "beside", "lying", "replaced", "volume_of", "zone_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

SLIT = 0.3  # pitches on either side of a slit that fill may not stay in
_NEAR = 0.6  # pitches beside new beads
_LEAST_CUT_MM = 0.05  # less is not worth a cut
_STEP_MM = 0.02
_LEVEL_MM = 1e-6
_SLIVER_MM = 0.02  # half of what is too narrow to be free
_SIMPLE_MM = 0.002  # points of an edge that matter less are left out
_SLIT_MM2 = 0.02  # less than a dot of the thinnest bead
_PLACES = 6  # of mm: like strands elsewhere are the same ones
_END_OVERLAP = 0.15  # breadths by which an open end reaches into what stays


@dataclass(frozen=True, slots=True)
class Replaced:
    """Stretches (row, t0, t1) that go, by row; crumbs : pieces left over that are too short to print, which go
    too, and their length in mm."""

    row: I8
    t0: F8
    t1: F8
    crumbs: int
    crumbs_mm: float


@remembered(256)
def band_of(strands: list[Strand]) -> shapely.Geometry:
    """The area that strands take: their breadth along their centre lines, flat at open ends and a little
    shorter there. Breadths count in steps of 0.02 mm."""
    here = strands[0].points[0]
    there = [replace(s, points=np.round(s.points - here, _PLACES)) for s in strands]
    return sound(shapely.transform(_band_there(there), lambda xy: xy + here))


@remembered(256)
def _band_there(strands: list[Strand]) -> shapely.Geometry:
    shapes = []
    for strand in strands:
        line = _line_of(strand)
        step = np.round(strand.breadth / _STEP_MM).astype(np.int64)
        if strand.closed and np.all(step == step[0]):
            ring = shapely.linearrings(strand.points)
            half = float(strand.breadth.mean()) / 2
            shapes.append(shapely.buffer(ring, half, join_style="mitre", mitre_limit=2.0))
            continue
        for k in np.unique(step).tolist():
            mine = step == k
            pieces = _runs_of(line, mine)
            half = float(strand.breadth[mine].mean()) / 2
            shapes.append(shapely.buffer(pieces, half, cap_style="flat", join_style="mitre", mitre_limit=2.0))
        shapes.append(_joints(strand, line, step))
    whole = shapely.union_all([shape for shape in shapes if not shape.is_empty])
    return sound(shapely.simplify(_without_slits(whole), _SIMPLE_MM))


def _without_slits(area: shapely.Geometry) -> shapely.Geometry:
    """An area without holes too small for anything: thousands of them lie between beads whose breadth changes."""
    kept = [
        shapely.Polygon(
            part.exterior, [hole for hole in part.interiors if shapely.Polygon(hole).area > _SLIT_MM2]
        )
        for part in polygons_of(area)
    ]
    return kept[0] if len(kept) == 1 else shapely.multipolygons(kept)


def beside(strands: list[Strand], by_mm: float) -> shapely.Geometry:
    """The area within half a breadth and `by_mm` of strands, nothing of it beyond their open ends."""
    here = strands[0].points[0]
    there = [replace(s, points=np.round(s.points - here, _PLACES)) for s in strands]
    return sound(shapely.transform(_beside_there(there, by_mm), lambda xy: xy + here))


@remembered(256)
def _beside_there(strands: list[Strand], by_mm: float) -> shapely.Geometry:
    half = np.array([float(strand.breadth.max()) / 2 + by_mm for strand in strands])
    lines = [shapely.linestrings(_line_of(strand)) for strand in strands]
    return shapely.union_all(
        shapely.buffer(lines, half, cap_style="flat", join_style="mitre", mitre_limit=2.0)
    )


def zone_of(
    band: shapely.Geometry, strands: list[Strand], walls: shapely.Geometry, space: shapely.Geometry,
    pitch_mm: float, overlap_mm: float,
) -> shapely.Geometry:  # fmt: skip
    """Where fill goes: the band, and beside it the walls, which fill reaches into, with the slits between them.

    Nothing beyond the band's open ends: fill between walls that no new bead lies beside stays.

    Parameters
    ----------
    band : what `strands` take. walls : plastic of the layer's perimeters. space : free inside them. overlap_mm : how
    far what stays may reach over the band.
    """
    return _zone(band, beside(strands, _NEAR * pitch_mm), walls, space, pitch_mm, overlap_mm)


@remembered(256)
def _zone(
    band: shapely.Geometry, near: shapely.Geometry, walls: shapely.Geometry, space: shapely.Geometry,
    pitch_mm: float, overlap_mm: float,
) -> shapely.Geometry:  # fmt: skip
    closed = _closed(band, walls, SLIT * pitch_mm)
    zone = shapely.union(band, shapely.intersection(closed, sound(near)))
    if overlap_mm <= 0:
        return zone
    free = shapely.buffer(shapely.difference(space, closed), -_SLIVER_MM, join_style="mitre")
    return shapely.difference(zone, shapely.buffer(free, overlap_mm + _SLIVER_MM, quad_segs=2))


@remembered(64)
def _closed(band: shapely.Geometry, walls: shapely.Geometry, close_mm: float) -> shapely.Geometry:
    """Both, and the slits between them. Asked for again where only the overlap is another."""
    grown = shapely.buffer(shapely.union(band, walls), close_mm, join_style="mitre")
    return sound(shapely.buffer(grown, -close_mm, join_style="mitre", mitre_limit=2.0))


def lying(plate: Plate, rows: I8, zone: shapely.Geometry) -> tuple[F8, F8, F8]:
    """(k, 2) begin and end of what of the fill `rows` lies in `zone`, straight pieces, and (k,) mm3 of each."""
    taken = segments_of(plate.program, rows, ARC_TOLERANCE_MM)
    begin, end = np.column_stack([taken.x0, taken.y0]), np.column_stack([taken.x1, taken.y1])
    index, t0, t1 = in_polygon(begin, end, zone)
    step = end[index] - begin[index]
    area = np.nan_to_num(bead_areas(plate, rows))[taken.bead[index]]
    volume = area * np.hypot(*step.T) * (t1 - t0)
    return begin[index] + step * t0[:, None], begin[index] + step * t1[:, None], volume


def volume_of(plate: Plate, gone: Replaced) -> float:
    """mm3 of plastic in what goes."""
    volume = np.nan_to_num(bead_areas(plate, gone.row)) * plate.beads.length_mm[gone.row]
    return float((volume * (gone.t1 - gone.t0)).sum())


def _runs_of(line: F8, mine: NDArray[np.bool_]) -> shapely.Geometry:
    """Stretches of a line that are `mine`, neighbours joined, as lines."""
    index = np.flatnonzero(mine)
    breaks = np.flatnonzero(np.diff(index) > 1) + 1
    runs = np.split(index, breaks)
    return shapely.multilinestrings([shapely.linestrings(line[r[0] : r[-1] + 2]) for r in runs])


def _joints(strand: Strand, line: F8, step: I8) -> shapely.Geometry:
    """Discs where the breadth changes, so that no wedge stays open between two stretches."""
    before = np.roll(step, 1) if strand.closed else np.concatenate([step[:1], step[:-1]])
    at = np.flatnonzero(step != before)
    if len(at) == 0:
        return shapely.MultiPolygon()
    half = np.minimum(strand.breadth[at], strand.breadth[at - 1]) / 2
    return shapely.union_all(shapely.buffer(shapely.points(line[at]), half, quad_segs=4))


def _line_of(strand: Strand) -> F8:
    """The line of a strand, a little shorter at open ends, which reach into what stays."""
    line = line_of(strand)
    if strand.closed:
        return line
    return _shortened(line, _END_OVERLAP * float(strand.breadth[[0, -1]].min()))


def _shortened(line: F8, by_mm: float) -> F8:
    """A line with both ends drawn in along their own pieces, as far as they go."""
    line = line.copy()
    for end, towards in ((0, 1), (-1, -2)):
        step = line[towards] - line[end]
        size = float(np.hypot(*step))
        if size > 0:
            line[end] = line[end] + step * min(by_mm / size, 0.45)
    return line


def replaced(plate: Plate, rows: I8, zone: shapely.Geometry) -> Replaced:
    """Which stretches of the fill `rows` (ascending) lie in `zone`, and what is too short to stay."""
    none = Replaced(np.empty(0, np.int64), np.empty(0), np.empty(0), 0, 0.0)
    rows = (
        rows[~np.isin(plate.program.moves.line[rows], plate.program.odd)] if len(plate.program.odd) else rows
    )
    # What climbs on its way belongs to no layer's room.
    z = plate.program.moves.z
    rows = rows[np.abs(z[rows] - z[np.maximum(rows - 1, 0)]) < _LEVEL_MM]
    if len(rows) == 0 or zone.is_empty:
        return none
    taken = segments_of(plate.program, rows, ARC_TOLERANCE_MM)
    begin, end = np.column_stack([taken.x0, taken.y0]), np.column_stack([taken.x1, taken.y1])
    index, t0, t1 = in_polygon(begin, end, zone)
    if len(index) == 0:
        return none
    # Pieces of an arc are equal: piece k of n runs from k / n to (k + 1) / n of its move.
    count = np.diff(taken.first)
    of = taken.bead[index]
    nth = index - taken.first[of]
    a, b = (nth + t0) / count[of], (nth + t1) / count[of]
    length = plate.beads.length_mm[rows]
    of, a, b = _merged(of, a, b)
    keep = ((b - a) * length[of] >= _LEAST_CUT_MM) | ((a <= 0.0) & (b >= 1.0))
    of, a, b = of[keep], a[keep], b[keep]
    return _without_crumbs(plate, rows, of, a, b, length)


def _merged(of: I8, a: F8, b: F8) -> tuple[I8, F8, F8]:
    """Stretches of one row that touch, as one."""
    if len(of) == 0:
        return of, a, b
    new = np.ones(len(of), bool)
    new[1:] = (np.diff(of) != 0) | (a[1:] > b[:-1] + 1e-9)
    first = np.flatnonzero(new)
    return of[first], a[first], np.maximum.reduceat(b, first)


def _without_crumbs(plate: Plate, rows: I8, of: I8, a: F8, b: F8, length: F8) -> Replaced:
    """Add what stays only in crumbs: chains of kept stretches too short to print."""
    # Kept stretches: the gaps between removed ones, row by row.
    count = np.bincount(of, minlength=len(rows))
    before = np.concatenate([[0], np.cumsum(count)])
    k_of = np.repeat(np.arange(len(rows)), count + 1)
    nth = np.arange(len(k_of)) - np.repeat(np.cumsum(count + 1) - (count + 1), count + 1)
    left = before[k_of] + nth - 1
    right = before[k_of] + nth
    k0 = np.where(nth > 0, np.append(b, 0.0)[np.maximum(left, 0)], 0.0)
    k1 = np.where(nth < count[k_of], np.append(a, 1.0)[np.minimum(right, len(a))], 1.0)
    real = k1 - k0 > 1e-9
    k_of, k0, k1 = k_of[real], k0[real], k1[real]
    size = (k1 - k0) * length[k_of]
    # What is left of a cut row must carry enough E to be written.
    e = plate.program.moves.e[rows]
    starved = (e[k_of] * (k1 - k0) < least_piece_e_mm(plate)) & (count[k_of] > 0)
    joined = np.zeros(len(k_of), bool)
    follows = (np.diff(k_of) == 1) & (np.diff(rows[k_of]) == 1)
    joined[1:] = follows & (k1[:-1] >= 1 - 1e-9) & (k0[1:] <= 1e-9)
    chain = np.cumsum(~joined) - 1
    short = np.bincount(chain, size)[chain] < MIN_PIECE_MM if len(chain) else np.empty(0, bool)
    # Only what a cut has left is a crumb; short beads of the file's own stay.
    gone_end, gone_begin = np.zeros(len(rows) + 1, bool), np.zeros(len(rows) + 1, bool)
    gone_end[of[b >= 1 - 1e-9]] = True
    gone_begin[of[a <= 1e-9]] = True
    after = np.minimum(k_of + 1, len(rows) - 1)
    beside = (k0 <= 1e-9) & gone_end[k_of - 1] & (rows[k_of] - rows[k_of - 1] == 1)
    beside |= (k1 >= 1 - 1e-9) & gone_begin[after] & (rows[after] - rows[k_of] == 1)
    cut = np.bincount(chain, (count[k_of] > 0) | beside)[chain] > 0 if len(chain) else short
    crumb = (short & cut) | starved
    crumbs = len(np.unique(chain[crumb]))
    crumbs_mm = float(size[crumb].sum())
    of = np.concatenate([of, k_of[crumb]])
    a, b = np.concatenate([a, k0[crumb]]), np.concatenate([b, k1[crumb]])
    order = np.lexsort((a, of))
    of, a, b = _merged(of[order], a[order], b[order])
    a[a < 1e-9] = 0.0
    b[b > 1 - 1e-9] = 1.0
    return Replaced(rows[of], a, b, crumbs, crumbs_mm)
