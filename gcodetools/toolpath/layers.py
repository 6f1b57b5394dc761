"""Which rows make a layer: by the file's marks, or from the heights of its beads alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import ARC, ENDSTOP, Program
from gcodetools.marks.types import Marks
from gcodetools.toolpath.beads import Layers

__all__ = ["find_layers", "laying"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_SAME_Z_MM = 1e-4
_PRIMING_BEADS = 8  # a start code draws a line or two, a first layer does not
_VASE_SHARE = 0.5  # of beads that end at another height than they begin


def laying(program: Program, marks: Marks) -> Bool:
    """(m,) whether a row lays a bead: pushes filament while it moves in X or Y; wipes are none."""
    moves = program.moves
    if len(moves) == 0:
        return np.zeros(0, bool)
    moved = np.ones(len(moves), bool)
    moved[1:] = (np.diff(moves.x) != 0) | (np.diff(moves.y) != 0)
    moved[0] = moves.x[0] != 0 or moves.y[0] != 0
    moved |= (moves.kind & ARC) != 0
    beads: Bool = moved & (moves.e > 0) & ((moves.kind & ENDSTOP) == 0)
    if len(marks.wipes.first):
        beads &= ~marks.wipes.holds(moves.line)
    return beads


def find_layers(program: Program, marks: Marks, beads: Bool, layer_height_mm: float | None) -> Layers:
    """Layers of a plate in file order.

    Parameters
    ----------
    beads : rows that lay a bead, see `laying`.
    layer_height_mm : of the settings, for prints that rise all the time; None if unknown.
    """
    if len(marks.layer_line):
        return _by_marks(program, marks, beads)
    return _by_height(program, beads, layer_height_mm)


def _by_marks(program: Program, marks: Marks, beads: Bool) -> Layers:
    moves = program.moves
    first = np.searchsorted(moves.line, marks.layer_line)
    stop = np.append(first[1:], len(moves))
    z = _typical_z(moves.z, beads, first, stop)
    keep = ~np.isnan(z)
    line, first, stop, z = marks.layer_line[keep], first[keep], stop[keep], z[keep]
    height, raft = marks.layer_height[keep], marks.layer_raft[keep]
    # A second mark at the same height (another tool) goes on with the layer.
    new = np.concatenate([[True], np.abs(np.diff(z)) > _SAME_Z_MM])
    group = np.flatnonzero(new)
    line, first, z, height, raft = line[group], first[group], z[group], height[group], raft[group]
    stop = stop[np.append(group[1:], len(new)) - 1] if len(group) else stop
    return _finished(line, first, stop, z, height, raft, beads, "comments")


def _typical_z(z: F8, beads: Bool, first: I8, stop: I8) -> F8:
    """Height of the layer's beads: the one most of its rows end at; NaN where it has none."""
    result = np.full(len(first), np.nan)
    rows = np.flatnonzero(beads)
    low, high = np.searchsorted(rows, first), np.searchsorted(rows, stop)
    heights = z[rows]
    filled = np.flatnonzero(high > low)
    middle = (low[filled] + high[filled]) // 2
    # In a layer of one height any bead tells it; where heights differ the median does.
    result[filled] = heights[middle]
    low_z = np.minimum.reduceat(heights, low[filled]) if len(filled) else heights
    high_z = np.maximum.reduceat(heights, low[filled]) if len(filled) else heights
    for k in np.flatnonzero(high_z - low_z > _SAME_Z_MM).tolist():
        layer = filled[k]
        result[layer] = np.median(heights[low[layer] : high[layer]])
    return result


def _finished(
    line: NDArray[np.int32], first: I8, stop: I8, z: F8, height: F8, raft: Bool, beads: Bool, source: str
) -> Layers:
    """Runs, missing heights, and the end of the last layer at its last bead."""
    fall = np.concatenate([[False], np.diff(z) < -_SAME_Z_MM])
    run = np.cumsum(fall)
    step = np.diff(z, prepend=0.0)
    step[fall] = z[fall]
    height = np.where(np.isnan(height) | (height <= 0), np.maximum(step, 0.0), height)
    if len(stop):
        last = np.flatnonzero(beads[int(first[-1]) :])
        stop = stop.copy()
        stop[-1] = int(first[-1]) + (int(last[-1]) + 1 if len(last) else 0)
    return Layers(
        line.astype(np.int32),
        first.astype(np.int32),
        stop.astype(np.int32),
        z,
        height,
        run.astype(np.int16),
        raft.astype(bool),
        source,
    )


def _by_height(program: Program, beads: Bool, layer_height_mm: float | None) -> Layers:
    """Layers where no mark is: stretches of beads at one height."""
    moves = program.moves
    rows = np.flatnonzero(beads)
    z = moves.z[rows]
    if len(rows) == 0:
        none = np.empty(0)
        return _finished(
            none.astype(np.int32),
            none.astype(np.int64),
            none.astype(np.int64),
            none,
            none,
            none > 0,
            beads,
            "geometry",
        )
    start = _behind_priming(z)
    rows, z = rows[start:], z[start:]
    rising = np.abs(moves.z[rows] - moves.z[np.maximum(rows - 1, 0)]) > 1e-9
    if rising.mean() > _VASE_SHARE:
        z = _turns(z, rising, layer_height_mm)
    change = np.concatenate([[True], np.abs(np.diff(z)) > _SAME_Z_MM])
    begin = np.flatnonzero(change)
    first = rows[begin]
    # The travel to the first bead belongs to its layer: from behind the bead before it.
    first = np.concatenate([[first[0]], rows[begin[1:] - 1] + 1])
    stop = np.append(first[1:], rows[-1] + 1)
    count = len(first)
    line = moves.line[first]
    return _finished(
        line, first, stop, z[begin], np.full(count, np.nan), np.zeros(count, bool), beads, "geometry"
    )


def _behind_priming(z: F8) -> int:
    """Index of the first bead of the print: a few beads at another height before it are the start code's."""
    change = np.flatnonzero(np.abs(np.diff(z)) > _SAME_Z_MM) + 1
    if len(change) and change[0] <= _PRIMING_BEADS and z[change[0]] < z[0]:
        return int(change[0])
    return 0


def _turns(z: F8, rising: Bool, layer_height_mm: float | None) -> F8:
    """Heights of a print that rises all the time, in steps of its layer height."""
    start = int(np.argmax(rising))
    flat = z[:start]
    height = layer_height_mm
    if height is None:
        steps = np.diff(np.unique(np.round(flat, 4)))
        height = float(np.median(steps)) if len(steps) else 0.2
    base = float(flat[-1]) if len(flat) else 0.0
    result = z.copy()
    rise = np.ceil((z[start:] - base) / height - 1e-6)
    result[start:] = base + np.maximum(rise, 1.0) * height
    return np.maximum.accumulate(result)
