"""Centre lines of beads as points: paths joined, arcs as chords."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_points
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

__all__ = ["ARC_TOLERANCE_MM", "bead_lines", "part_rows"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

ARC_TOLERANCE_MM = 0.005
_PART = tuple(
    FEATURE_INDEX[w] for w in ("outermost", "perimeter", "solid", "sparse", "bridge", "overhang", "gap")
)


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
