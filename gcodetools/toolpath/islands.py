"""Islands: the connected pieces of a layer, as polygons of the plastic's edge.

The edge is the outermost centre line plus half its width. Arcs are cut to chords that stay within 0.005 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_points
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

__all__ = ["ARC_TOLERANCE_MM", "Island", "bead_lines", "layer_islands", "thin_part"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

ARC_TOLERANCE_MM = 0.005
_SEAM_MM = 1.0
_OUTER = tuple(FEATURE_INDEX[w] for w in ("outermost", "overhang"))
_PART = tuple(
    FEATURE_INDEX[w] for w in ("outermost", "perimeter", "solid", "sparse", "bridge", "overhang", "gap")
)


@dataclass(frozen=True, slots=True)
class Island:
    """One connected piece of a layer: its polygon (holes cut out) and, if asked for, the rows inside it."""

    polygon: shapely.Polygon


def part_rows(plate: Plate, layer: int) -> I8:
    """Rows of a plate layer that lay a part: no support, skirt, brim, tower or start code."""
    first, last = int(plate.layers.first_row[layer]), int(plate.layers.last_row[layer])
    return np.flatnonzero(np.isin(plate.beads.feature[first:last], _PART)) + first


def bead_lines(plate: Plate, rows: I8) -> list[F8]:
    """Centre lines (k, 2) of the paths that `rows` (ascending) make; arcs as chords."""
    moves = plate.program.moves
    if len(rows) == 0:
        return []
    before = np.maximum(rows - 1, 0)
    start = np.column_stack([moves.x[before], moves.y[before]])
    end = np.column_stack([moves.x[rows], moves.y[rows]])
    broken = np.any(np.abs(start[1:] - end[:-1]) > 1e-6, axis=1)
    broken |= plate.beads.feature[rows[1:]] != plate.beads.feature[rows[:-1]]
    cuts = np.flatnonzero(broken) + 1
    arcs = plate.program.arcs
    where = np.searchsorted(arcs.row, rows)
    is_arc = np.zeros(len(rows), bool)
    if len(arcs.row):
        is_arc = arcs.row[np.minimum(where, len(arcs.row) - 1)] == rows
    lines = []
    for part in np.split(np.arange(len(rows)), cuts):
        if not np.any(is_arc[part]):
            lines.append(np.vstack([start[part[:1]], end[part]]))
            continue
        pieces = [start[part[:1]]]
        for k in part.tolist():
            pieces.append(_chords(plate, int(where[k])) if is_arc[k] else end[k : k + 1])
        lines.append(np.vstack(pieces))
    return lines


def _chords(plate: Plate, arc: int) -> F8:
    arcs = plate.program.arcs
    radius, sweep = float(arcs.radius[arc]), abs(float(arcs.sweep[arc]))
    step = 2 * np.arccos(max(1 - ARC_TOLERANCE_MM / max(radius, ARC_TOLERANCE_MM), -1.0))
    count = max(int(np.ceil(sweep / step)), 1)
    t = np.arange(1, count + 1) / count
    return arc_points(plate.program.moves, arcs, np.full(count, arc), t)[:, :2]


def layer_islands(plate: Plate, layer: int, rows: I8 | None = None) -> list[Island]:
    """Islands of a plate layer, or of those of its `rows` only; none where no part is printed."""
    rows = part_rows(plate, layer) if rows is None else rows
    outer = rows[np.isin(plate.beads.feature[rows], _OUTER)]
    rings, loose = [], []
    for line in _joined(bead_lines(plate, outer)):
        gap = float(np.hypot(*(line[-1] - line[0])))
        ring = shapely.Polygon(line) if len(line) >= 4 and gap < _SEAM_MM else None
        if ring is not None and ring.is_valid and ring.area > 0.05:
            rings.append(ring)
        else:
            loose.append(line)
    if not rings:
        return [Island(p) for p in _covered(plate, rows)]
    half = float(np.nanmedian(plate.beads.width[outer])) / 2
    return [Island(p) for p in _from_rings(rings, half)]


def _joined(lines: list[F8]) -> list[F8]:
    """Lines of different features that go on from one another, as a perimeter over air does."""
    out: list[F8] = []
    for line in lines:
        if out and np.hypot(*(out[-1][-1] - line[0])) < 1e-6 and np.hypot(*(out[-1][-1] - out[-1][0])) > _SEAM_MM:
            out[-1] = np.vstack([out[-1], line[1:]])
        else:
            out.append(line)
    return out


def _from_rings(rings: list[shapely.Polygon], half: float) -> list[shapely.Polygon]:
    """Polygons of nested rings: even depth is an edge outside, odd the edge of a hole."""
    order = sorted(rings, key=lambda r: -r.area)
    depth: list[int] = []
    for k, ring in enumerate(order):
        spot = ring.representative_point()
        holders = [n for n in range(k) if order[n].contains(spot)]
        depth.append(1 + max((depth[n] for n in holders), default=-1))
    solid = [r.buffer(half, join_style="mitre") for r, d in zip(order, depth, strict=True) if d % 2 == 0]
    holes = [r.buffer(-half, join_style="mitre") for r, d in zip(order, depth, strict=True) if d % 2 == 1]
    shape = shapely.union_all(solid)
    if holes:
        inner = [r.buffer(half, join_style="mitre") for r, d in zip(order, depth, strict=True) if d and d % 2 == 0]
        shape = shape.difference(shapely.union_all(holes))
        shape = shapely.union_all([shape, *inner]) if inner else shape
    return _polygons(shape)


def _covered(plate: Plate, rows: I8) -> list[shapely.Polygon]:
    """Where no outermost perimeter is marked: what the beads cover, seams closed."""
    lines = [shapely.LineString(line) for line in bead_lines(plate, rows) if len(line) > 1]
    if not lines:
        return []
    half = float(np.nanmedian(plate.beads.width[rows])) / 2
    return _polygons(shapely.union_all(shapely.buffer(lines, half + 0.05)).buffer(-0.05))


def _polygons(shape: shapely.Geometry) -> list[shapely.Polygon]:
    parts = shapely.get_parts(shape)
    return [p for p in parts if isinstance(p, shapely.Polygon) and p.area > 0.05]


def thin_part(polygon: shapely.Geometry, thickness_mm: float) -> shapely.Geometry:
    """Where a polygon is thinner than `thickness_mm`: what an opening by half of it does not reach.

    Corners of thick parts, which an opening rounds, are not thin: what is left over there is narrower than
    the rounding and dropped.
    """
    half = thickness_mm / 2
    opened = polygon.buffer(-half).buffer(half * 1.0001)
    rest = polygon.difference(opened.buffer(half * 0.25))
    return rest.buffer(-0.01).buffer(half * 0.25 + 0.01).intersection(polygon)
