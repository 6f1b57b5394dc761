"""One layer's beads as pieces, cut where regions begin and end, and what their rows tell of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.program import ARC
from gcodetools.kit.selection import Selection
from gcodetools.physics.pieces import STEP_MM, divide_rows
from gcodetools.report.plot_data import LayerBeads
from gcodetools.report.strokes import KEPT
from gcodetools.toolpath.plate import Plate

__all__ = ["beads_of", "chains", "feed_mm_s", "of_rows", "rate_mm3_s", "unmatched"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_NO_WIDTH_MM = 0.4  # where a file tells no bead's width; common practice, no source
_SAME_T = 1e-9
_WHOLE_MM = 1e9
_SAME_PLACE_MM = 0.03  # a file's rounding to hundredths, on both sides
_JOINED_MM = 0.05  # pieces of arcs are tangents, and part by less
_SAME_WAY = 0.1  # sine of the angle between two pieces that lie alike


def beads_of(plate: Plate, rows: I8, selections: Sequence[Selection], fine: bool) -> LayerBeads:
    """Pieces of beads.

    Parameters
    ----------
    rows : (r,) ascending, beads. selections : of regions, the first wins. fine : pieces of at most `STEP_MM`; else
    straight stretches stay whole.

    Returns
    -------
    LayerBeads
        All KEPT, no value. Each piece lies in a region as a whole or not at all.
    """
    row, t0, t1 = _cut(rows, selections)
    moves, beads = plate.program.moves, plate.beads
    bent = (moves.kind[row] & ARC) != 0
    found = []
    for mine, step in (
        (np.flatnonzero(~bent), STEP_MM if fine else _WHOLE_MM),
        (np.flatnonzero(bent), STEP_MM),
    ):
        r = row[mine]
        pieces = divide_rows(moves, plate.program.arcs, r, t0[mine], t1[mine], beads.length_mm[r], step)
        found.append((mine[pieces.index], pieces))
    index = np.concatenate([at for at, _ in found])
    column = {
        name: np.concatenate([getattr(pieces, name) for _, pieces in found])
        for name in ("t", "x_mm", "y_mm", "ux", "uy", "length_mm")
    }
    order = np.lexsort((column["t"], row[index]))
    index, column = index[order], {name: values[order] for name, values in column.items()}
    own, t = row[index], column["t"]
    # A bead that climbs is longer than its shadow, which is what is drawn.
    flat = _flatness(plate, own)
    half = (column["length_mm"] * flat)[:, None] * np.column_stack([column["ux"], column["uy"]]) / 2
    middle = np.column_stack([column["x_mm"], column["y_mm"]])
    width = beads.width[own].astype(np.float64)
    n = len(own)
    return LayerBeads(
        begin=middle - half,
        end=middle + half,
        length_mm=column["length_mm"],
        width_mm=np.where(width > 0, width, _NO_WIDTH_MM),
        height_mm=beads.height[own].astype(np.float64),
        feature=beads.feature[own],
        row=own,
        t=t,
        region=_region(own, t, selections),
        status=np.full(n, KEPT, np.uint8),
        value=np.full(n, np.nan),
    )


def _cut(rows: I8, selections: Sequence[Selection]) -> tuple[I8, F8, F8]:
    """Stretches of rows, cut where any selection begins or ends."""
    at, t = [np.arange(len(rows))], [np.zeros(len(rows))]
    for one in selections:
        for ends in (one.t0, one.t1):
            k = np.searchsorted(rows, one.row)
            here = (k < len(rows)) & (ends > _SAME_T) & (ends < 1.0 - _SAME_T)
            here[here] = rows[k[here]] == one.row[here]
            at.append(k[here])
            t.append(ends[here])
    where, begin = np.concatenate(at), np.concatenate(t)
    order = np.lexsort((begin, where))
    where, begin = where[order], begin[order]
    keep = np.ones(len(where), bool)
    keep[1:] = (np.diff(where) != 0) | (np.diff(begin) > _SAME_T)
    where, begin = where[keep], begin[keep]
    end = np.ones(len(where))
    same = np.flatnonzero(np.diff(where) == 0)
    end[same] = begin[same + 1]
    return rows[where], begin, end


def _flatness(plate: Plate, row: I8) -> F8:
    """(n,) length in XY over that in XYZ; 1 for arcs, whose climb is not seen here."""
    moves, length = plate.program.moves, plate.beads.length_mm[row]
    before = np.maximum(row - 1, 0)
    way = np.hypot(moves.x[row] - moves.x[before], moves.y[row] - moves.y[before])
    plain = (row > 0) & ((moves.kind[row] & ARC) == 0) & (length > 0)
    return np.where(plain, way / np.maximum(length, 1e-12), 1.0)


def _region(row: I8, t: F8, selections: Sequence[Selection]) -> I4:
    """(n,) the first selection that holds each place, -1 for none."""
    region = np.full(len(row), -1, np.int32)
    for number in reversed(range(len(selections))):
        one = selections[number]
        if len(one.row) == 0:
            continue
        k = np.searchsorted(one.row + np.minimum(one.t0, 1.0 - _SAME_T), row + t, side="right") - 1
        inside = (k >= 0) & (one.row[k] == row) & (t <= one.t1[k])
        region[inside] = number
    return region


def feed_mm_s(plate: Plate, row: I8) -> F8:
    """(n,) feed as commanded, with M220."""
    moves = plate.moves
    feed: F8 = moves.f[row] * plate.program.states.speed_factor.at(moves.line[row])
    return feed


def rate_mm3_s(plate: Plate, row: I8, mm3_per_mm: float) -> F8:
    """(n,) plastic a second at the feed commanded. mm3_per_mm : plastic by filament."""
    length = np.maximum(plate.beads.length_mm[row], 1e-12)
    rate: F8 = plate.moves.e[row] * mm3_per_mm / length * feed_mm_s(plate, row)
    return rate


def of_rows(row: I8, known: I8, value: F8) -> F8:
    """(n,) `value` (k,) of the ascending rows `known` at `row`; NaN where a row is not among them."""
    if len(known) == 0:
        return np.full(len(row), np.nan)
    k = np.minimum(np.searchsorted(known, row), len(known) - 1)
    return np.where(known[k] == row, value[k], np.nan)


def chains(beads: LayerBeads, tone: NDArray[np.integer]) -> tuple[list[F8], I8]:
    """Lines (k, 2) of pieces that go on where the one before ended, alike in width (to a hundredth) and `tone` (n,);
    and the first piece of each, with the number of pieces at the end."""
    n = len(beads)
    if n == 0:
        return [], np.zeros(1, np.int64)
    apart = np.hypot(*(beads.begin[1:] - beads.end[:-1]).T) > _JOINED_MM
    apart |= (tone[1:] != tone[:-1]) | (np.diff(np.round(beads.width_mm, 2)) != 0)
    starts = np.concatenate([[0], np.flatnonzero(apart) + 1, [n]])
    lines = [np.vstack([beads.begin[a : a + 1], beads.end[a:b]]) for a, b in pairwise(starts.tolist())]
    return lines, starts


def unmatched(mine: LayerBeads, other: LayerBeads, status: int) -> LayerBeads:
    """`mine` with `status` where no bead of `other` lies at the place of a piece and runs the same way."""
    lines = shapely.linestrings(np.stack([other.begin, other.end], axis=1)) if len(other) else []
    tree = shapely.STRtree(lines)
    middle = shapely.points((mine.begin + mine.end) / 2)
    k, m = tree.query(middle, predicate="dwithin", distance=_SAME_PLACE_MM)
    a, b = (one.end - one.begin for one in (mine, other))
    cross = np.abs(a[k, 0] * b[m, 1] - a[k, 1] * b[m, 0])
    alike = cross <= _SAME_WAY * np.hypot(*a[k].T) * np.hypot(*b[m].T)
    alone = np.ones(len(mine), bool)
    alone[k[alike]] = False
    return replace(mine, status=np.where(alone, status, KEPT).astype(np.uint8))
