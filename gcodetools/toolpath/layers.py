"""Which rows make a layer: by the file's marks where it has them, else by geometry (`levels`).

A layer's z is the nozzle height of its beads, so a mark that names another number changes nothing. Rows
before the first layer and behind the last bead belong to none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arrays import spans_of
from gcodetools.gcode.program import Program
from gcodetools.marks.types import Marks
from gcodetools.toolpath.beads import Layers
from gcodetools.toolpath.chains import drawn_mm
from gcodetools.toolpath.levels import SAME_Z_MM, by_geometry, on_the_bed

__all__ = ["find", "laying"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
I4 = NDArray[np.int32]
Bool = NDArray[np.bool_]

STILL_MM = 1e-6  # below any file's last decimal, above what G92 leaves in the sums
_DEFAULT_HEIGHT_MM = 0.2  # common practice, no source; where a file has one layer and no settings
_PRESSED = 0.4  # a first layer below this share of the others is an offset of the bed, not its thickness


def laying(program: Program) -> Bool:
    """(m,) whether a row lays a bead: it pushes filament while it moves in X or Y.

    Wipes pull filament, lifts don't move in X or Y, endstop moves end where they began: none of them do.
    """
    moves = program.moves
    if len(moves) == 0:
        return np.zeros(0, bool)
    beads = np.empty(len(moves), bool)
    beads[0] = max(abs(moves.x[0]), abs(moves.y[0])) > STILL_MM
    for low, high in spans_of(len(moves), 1):
        beads[low:high] = np.abs(np.diff(moves.x[low - 1 : high])) > STILL_MM
        beads[low:high] |= np.abs(np.diff(moves.y[low - 1 : high])) > STILL_MM
    arcs = program.arcs
    if len(arcs.row):
        beads[arcs.row] |= np.abs(arcs.radius * arcs.sweep) > STILL_MM
    beads &= moves.e > 0
    words = program.words
    homed = words.line[(words.letter == ord("G")) & (words.value == 28)]
    behind = np.searchsorted(moves.line, homed, side="right")
    behind = behind[(behind > 0) & (behind < len(moves))]
    # Where homing left the nozzle is not where the move before ended.
    beads[behind[np.abs(moves.z[behind] - moves.z[behind - 1]) > STILL_MM]] = False
    return beads


def find(
    program: Program, marks: Marks, beads: Bool | None = None, layer_height_mm: float | None = None
) -> Layers:
    """Layers of a plate in file order.

    Parameters
    ----------
    beads : (m,) rows that lay a bead; None finds them (`laying`).
    layer_height_mm : what the file's settings state, None if nothing.

    Returns
    -------
    Layers
        A mark without any bead before the next makes no layer; a second mark at the same height (another
        tool, another object) goes on with its layer.
    """
    if beads is None:
        beads = laying(program)
    if len(marks.layer_line):
        return _by_marks(program, marks, beads, layer_height_mm)
    first, stop, raft = by_geometry(program, beads, layer_height_mm)
    z, inner_rise = _heights_of(program, beads, first, stop)
    stated = np.full(len(first), np.nan)
    line = program.moves.line[first] if len(first) else np.empty(0, np.int32)
    return _finished(line, first, stop, z, inner_rise, stated, raft, beads, layer_height_mm, "geometry")


def _by_marks(program: Program, marks: Marks, beads: Bool, layer_height_mm: float | None) -> Layers:
    moves = program.moves
    first = np.searchsorted(moves.line, marks.layer_line)
    stop = np.append(first[1:], len(moves))
    z, inner_rise = _heights_of(program, beads, first, stop)
    keep = np.flatnonzero(~np.isnan(z))
    if len(keep):
        keep = keep[np.concatenate([[True], np.abs(np.diff(z[keep])) > SAME_Z_MM])]
        stop = np.append(first[keep[1:]], len(moves))
    return _finished(
        marks.layer_line[keep],
        first[keep],
        stop[: len(keep)],
        z[keep],
        inner_rise[keep],
        marks.layer_height[keep],
        marks.layer_raft[keep],
        beads,
        layer_height_mm,
        "comments",
    )


def _heights_of(program: Program, beads: Bool, first: I8, stop: I8) -> tuple[F8, F8]:
    """z that half of each layer's bead length lies below, and how far z rises inside; NaN without beads."""
    middle, rise = np.full(len(first), np.nan), np.full(len(first), np.nan)
    rows = np.flatnonzero(beads)
    low, high = np.searchsorted(rows, first), np.searchsorted(rows, stop)
    filled = np.flatnonzero(high > low)
    if len(filled) == 0:
        return middle, rise
    rows = rows[: high[filled[-1]]]
    heights = program.moves.z[rows]
    low, high = low[filled], high[filled]
    rise[filled] = np.maximum.reduceat(heights, low) - np.minimum.reduceat(heights, low)
    # In a layer of one height any bead tells it.
    middle[filled] = heights[(low + high - 1) // 2]
    for k in np.flatnonzero(rise[filled] > SAME_Z_MM).tolist():
        middle[filled[k]] = _half_below(program, rows[low[k] : high[k]])
    return middle, rise


def _half_below(program: Program, rows: I8) -> float:
    z = program.moves.z[rows]
    order = np.argsort(z, kind="stable")
    total = np.cumsum(drawn_mm(program, rows)[order])
    return float(z[order[np.searchsorted(total, total[-1] / 2)]])


def _finished(
    line: I4,
    first: I8,
    stop: I8,
    z: F8,
    inner_rise: F8,
    stated_mm: F8,
    raft: Bool,
    beads: Bool,
    layer_height_mm: float | None,
    source: str,
) -> Layers:
    """Runs and thicknesses, and the end of the last layer at its last bead."""
    falls = np.concatenate([[False], (np.diff(z) < -SAME_Z_MM) & on_the_bed(z[1:], z[:1])])[: len(z)]
    if len(stop):
        stop = stop.copy()
        stop[-1] = first[-1] + np.flatnonzero(beads[first[-1] : stop[-1]])[-1] + 1
    height = _thickness(z, falls, inner_rise, raft, layer_height_mm)
    height = np.where(stated_mm > 0, stated_mm, height)
    columns = (
        line.astype(np.int32),
        first.astype(np.int32),
        stop.astype(np.int32),
        z,
        height,
        np.cumsum(falls).astype(np.int16),
        raft.astype(bool),
    )
    for column in columns:
        column.setflags(write=False)
    return Layers(*columns, source)


def _thickness(z: F8, falls: Bool, inner_rise: F8, raft: Bool, layer_height_mm: float | None) -> F8:
    """Layer thickness by the steps between layers.

    The first layer above a raft stands over a gap, a layer that rises all the time (spiral) has its middle at
    no fixed place, and a first layer far thinner than all others is an offset of the bed: these get the
    nominal thickness.
    """
    if len(z) == 0:
        return z.copy()
    step = np.diff(z, prepend=0.0)
    starts = falls.copy()
    starts[0] = True
    step[starts] = z[starts]
    rising = step > SAME_Z_MM
    plain = step[rising & ~starts & ~raft]
    nominal = layer_height_mm or (float(np.median(plain)) if len(plain) else 0.0)
    if nominal <= 0:
        nominal = float(z[0]) if z[0] > SAME_Z_MM else _DEFAULT_HEIGHT_MM
    above_raft = np.concatenate([[False], raft[:-1] & ~raft[1:]])
    spiral = inner_rise > nominal / 4
    # The layer after the first above a raft may stand close to it: the first is let down onto the raft.
    second = np.concatenate([[False], above_raft[:-1]])
    pressed = (starts | second) & (step < _PRESSED * nominal)
    odd = ~rising | above_raft | spiral | pressed
    return np.where(odd, nominal, step)
