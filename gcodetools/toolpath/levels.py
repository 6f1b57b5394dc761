"""Layers from geometry alone: heights at which plastic leaves the nozzle.

Only beads count, so lifts and hops don't. A bead that rises inside a loop (a seam laid as a ramp) goes with
the flat ones around it. A stretch that keeps rising without a travel in Z is a spiral and is cut into its
turns. An excursion to another height and back (a tower, a support) stays in its layer. A fall to the bed
starts the next object's run.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Moves, Program
from gcodetools.records import dataclass
from gcodetools.toolpath.chains import Segments, drawn_mm, segments_of

__all__ = ["SAME_Z_MM", "by_geometry", "on_the_bed", "turns"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

SAME_Z_MM = 1e-4  # layers differ by 0.01 mm at least; rounded and re-based heights by less than this
_BED_SHARE = 1.5  # objects of one plate may start with first layers that differ by this much
_PRIMING_BEADS = 16  # a start code draws a line or two; a first layer has a skirt or walls
_PRIMING_FLOW = 2.2  # and pushes this many times the filament of the print's beads a millimetre
_PRIMING_AWAY_MM = 5.0
_ARC_MM = 0.05  # how far a piece may stand off its arc
_LINE_MM = 0.8  # area over length: two lines a millimetre apart have half of one
_SPIRAL_BEADS = 8
_SPIRAL_RISE = 1.5  # layers; a ramp at a seam climbs one at most
_PASSES_MM = 1.0  # a spiral's turns stand over each other; an overhang shifts them by less
_TURN_LEAST, _TURN_MOST = (
    0.4,
    1.6,
)  # of a usual turn's height, where the path's next pass over its start is looked for
_UNEVEN, _UNEVEN_MM = (
    0.15,
    0.015,
)  # of a turn's height, and two steps of Z in hundredths: turns that differ by more
_UNKNOWN_HEIGHT_MM = 0.3  # to tell a spiral where nothing states a layer height; common practice, no source
_BESIDE_MM = 0.6  # a spiral's first turn stands this close over the walls of a bottom; a skirt is farther off
_RAFT_LAYERS = 8
_RAFT_GAP = 1.1  # step over a raft's gap against the layers'
_RAFT_THICK = 1.4  # raft layers without a gap against the layers'
_RAFT_MARGIN_MM = 1.0


def on_the_bed(z: F8, first_z: F8) -> Bool:
    """Whether heights are those of a first layer, given the plate's first."""
    low: Bool = z <= _BED_SHARE * np.maximum(first_z, 0.0) + SAME_Z_MM
    return low


@dataclass(frozen=True, slots=True)
class _Rows:
    """Bead rows in file order: index into the moves, z at start and end."""

    row: I8
    z0: F8
    z1: F8


def by_geometry(program: Program, beads: Bool, layer_height_mm: float | None) -> tuple[I8, I8, Bool]:
    """First row, end row (exclusive) and raft of each layer, in file order.

    Parameters
    ----------
    beads : (m,) rows that lay a bead. layer_height_mm : what the settings state, None if nothing.
    """
    row = np.flatnonzero(beads)
    none = np.empty(0, np.int64)
    if len(row) == 0:
        return none, none, np.empty(0, bool)
    row = row[_behind_priming(program, row) :]
    before = program.moves.z[np.maximum(row - 1, 0)]
    rows = _Rows(row, np.where(row > 0, before, 0.0), program.moves.z[row])
    level = _levels(program.moves, rows, layer_height_mm)
    begin = np.flatnonzero(np.concatenate([[True], np.abs(np.diff(level)) > SAME_Z_MM]))
    begin = begin[_layer_starts(level[begin])]
    # The travel to the first bead belongs to its layer: from behind the bead before it.
    first = np.append(row[:1], row[begin[1:] - 1] + 1)
    stop = np.append(first[1:], row[-1] + 1)
    return first, stop, _raft(program.moves, row, begin, level)


def _behind_priming(program: Program, row: I8) -> int:
    """Index into `row` of the print's first bead: what the start code drew comes before it."""
    moves = program.moves
    x, y, z = moves.x[row], moves.y[row], moves.z[row]
    head = min(_PRIMING_BEADS + 1, len(row))
    if head < 2:
        return 0
    x0, y0 = moves.x[np.maximum(row[:head] - 1, 0)], moves.y[np.maximum(row[:head] - 1, 0)]
    flow = moves.e[row[:head]] / np.maximum(drawn_mm(program, row[:head]), 1e-9)
    usual = _usual_flow(program, row)
    drawn = segments_of(program, row[:head], _ARC_MM)
    start = 0
    for k in range(1, head):
        falls = z[k] < z[k - 1] - SAME_Z_MM and z[k - 1] - z[0] <= SAME_Z_MM
        thick = bool(np.all(flow[start:k] > _PRIMING_FLOW * usual)) and flow[k] < _PRIMING_FLOW * usual
        jump = np.hypot(x0[k] - x[k - 1], y0[k] - y[k - 1]) > _PRIMING_AWAY_MM
        if falls or thick or (jump and _apart(x, y, z, k, drawn)):
            start = k
    return start


def _usual_flow(program: Program, row: I8) -> float:
    """Filament a millimetre of most beads, by a sample spread over the print."""
    some = row[:: max(1, len(row) // 2000)]
    some = some[some > 0]
    length = drawn_mm(program, some)
    some, length = some[length > 0], length[length > 0]
    return float(np.median(program.moves.e[some] / length)) if len(some) else np.inf


def _apart(x: F8, y: F8, z: F8, k: int, drawn: Segments) -> bool:
    """Whether the first k beads are lines at one height that stand off from all later ones, of which there is
    more than one layer. A loop is no such line: it holds more area than one drawn to and fro. drawn : the first beads'
    pieces."""
    if z[k:].max() - z[k:].min() <= SAME_Z_MM or z[:k].max() - z[:k].min() > SAME_Z_MM:
        return False
    stop = int(drawn.first[k])
    x0, y0, x1, y1 = drawn.x0[:stop], drawn.y0[:stop], drawn.x1[:stop], drawn.y1[:stop]
    dx, dy = x1 - x0, y1 - y0
    area = abs(float(((x0 - x0[0]) * dy - (y0 - y0[0]) * dx).sum())) / 2
    if area > _LINE_MM * float(np.hypot(dx, dy).sum()):
        return False
    for begin, end, later in ((x0, x1, x[k:]), (y0, y1, y[k:])):
        low, high = min(begin.min(), end.min()), max(begin.max(), end.max())
        if high < later.min() or low > later.max():
            return True
    return False


def _levels(moves: Moves, rows: _Rows, layer_height_mm: float | None) -> F8:
    """Height of the layer that each bead belongs to, as far as it and its neighbours tell."""
    rising = np.abs(rows.z1 - rows.z0) > 1e-6
    if not np.any(rising):
        return rows.z1
    joined = np.concatenate([[False], np.abs(rows.z0[1:] - rows.z1[:-1]) < 1e-6])
    begin = np.flatnonzero(~joined)
    stop = np.append(begin[1:], len(rows.row))
    climb = rows.z1[stop - 1] - rows.z0[begin]
    usual = layer_height_mm or _UNKNOWN_HEIGHT_MM
    count = np.add.reduceat(rising.astype(np.int64), begin)
    level = _with_flat_neighbours(rows.z1, rising, begin)
    for k in np.flatnonzero((climb > _SPIRAL_RISE * usual) & (count >= _SPIRAL_BEADS)).tolist():
        climbing = int(begin[k]) + np.flatnonzero(rising[begin[k] : stop[k]])
        part = slice(int(climbing[0]), int(climbing[-1]) + 1)
        level[part] = _spiral(moves, rows, part, layer_height_mm)
        level[part.stop : stop[k]] = level[part.stop - 1]
        _onto_the_bed(moves, rows, level, part)
    return level


def _onto_the_bed(moves: Moves, rows: _Rows, level: F8, part: slice) -> None:
    """Join a spiral's first turn with a first layer that is not below it (a skirt): both lie on the bed."""
    base = rows.z0[part.start]
    below = np.flatnonzero(np.abs(level[: part.start] - base) <= SAME_Z_MM)
    if len(below) == 0 or below[0] != 0:
        return
    turn = part.start + np.flatnonzero(level[part] == level[part.start])
    some = rows.row[turn[:: max(1, len(turn) // 32)]]
    row = rows.row[below]
    near = [np.hypot(moves.x[row] - moves.x[r], moves.y[row] - moves.y[r]).min() for r in some.tolist()]
    if np.median(near) > _BESIDE_MM:
        level[turn] = base


def _with_flat_neighbours(z1: F8, rising: Bool, begin: I8) -> F8:
    """z of flat beads; of a rising one that of the next flat bead it runs into, else of the one before."""
    index = np.arange(len(z1))
    last = np.zeros(len(z1), np.int64)
    last[begin] = 1
    stretch = np.cumsum(last)
    flat = np.flatnonzero(~rising)
    if len(flat) == 0:
        return z1.copy()
    following = flat[np.minimum(np.searchsorted(flat, index), len(flat) - 1)]
    previous = flat[np.maximum(np.searchsorted(flat, index, side="right") - 1, 0)]
    source = np.where(stretch[following] == stretch, following, previous)
    return z1[np.where(stretch[source] == stretch, source, index)]


def turns(x: F8, y: F8) -> float:
    """How often a path (k,) points winds around itself: its total turning over a full turn.

    A simple closed curve turns by one full turn however it is bent (Hopf, "Ueber die Drehung der Tangenten
    und Sehnen ebener Kurven", Compositio Mathematica 2, 1935), so a spiral's loops can be counted on any
    outline.
    """
    dx, dy = np.diff(x), np.diff(y)
    long = np.hypot(dx, dy) > 1e-9
    heading = np.arctan2(dy[long], dx[long])
    turn = np.diff(heading)
    turn -= 2 * np.pi * np.round(turn / (2 * np.pi))
    return abs(float(turn.sum())) / (2 * np.pi)


def _spiral(moves: Moves, rows: _Rows, part: slice, layer_height_mm: float | None) -> F8:
    """Levels of a spiral's beads: its rise cut into turns, as the path tells them (`_rise_a_turn`).

    The settings' layer height is taken where it gives as many, within a turn in a hundred: it is exact. Turns that
    differ in height are cut where the path passes over the start of each.
    """
    row, z0, z1 = rows.row[part], rows.z0[part], rows.z1[part]
    base, rise = float(z0[0]), float(z1[-1] - z0[0])
    height = _rise_a_turn(moves, row, z0, z1)
    middle = np.maximum.accumulate((z0 + z1) / 2)
    ends = None if height is None else _uneven_turns(moves, row, z0, z1, height)
    if ends is not None:
        level: F8 = ends[np.minimum(np.searchsorted(ends, middle - 1e-6), len(ends) - 1)]
        return level
    if height is None or (
        layer_height_mm and abs(rise / layer_height_mm - rise / height) < 0.5 + 0.01 * rise / height
    ):
        height = layer_height_mm or _UNKNOWN_HEIGHT_MM
    nth = np.ceil((middle - base) / height - 1e-6)
    return base + np.maximum(nth, 1.0) * height


def _uneven_turns(moves: Moves, row: I8, z0: F8, z1: F8, height: float) -> F8 | None:
    """z at which each turn ends where turns differ in height; None where they are alike, or one can't be followed.
    height : of most."""
    x, y = np.append(moves.x[row[0] - 1], moves.x[row]), np.append(moves.y[row[0] - 1], moves.y[row])
    middle = np.maximum.accumulate((z0 + z1) / 2)
    ends, top = [float(z0[0])], float(z1[-1])

    def following() -> float | None:
        low, high = np.searchsorted(
            middle, [ends[-1] + share * height for share in (_TURN_LEAST, _TURN_MOST)]
        )
        passed = _height_over(x, y, z0, z1, np.arange(low, high))
        # A bead that climbs a whole turn at once may pass at its own begin, and get no further.
        return None if passed is None or passed - ends[-1] < _TURN_LEAST * height / 2 else passed

    while ends[-1] + _TURN_MOST * height < top:
        if (passed := following()) is None:
            return None
        ends.append(passed)
    if np.all(np.abs(np.diff(ends) - height) <= max(_UNEVEN * height, _UNEVEN_MM)):
        return None
    if (passed := following()) is not None:
        ends.append(passed if top - passed > _UNEVEN * height else top)
    return np.append(ends[1:], ends[-1] + height)


def _rise_a_turn(moves: Moves, row: I8, z0: F8, z1: F8) -> float | None:
    """How far a spiral climbs a turn: a first count by its turning, made exact by where it passes over its
    start again, after one turn, two, four and so on. None where it does not turn."""
    x, y = np.append(moves.x[row[0] - 1], moves.x[row]), np.append(moves.y[row[0] - 1], moves.y[row])
    count = turns(x, y)
    if count < 0.5:
        return None
    height = float(z1[-1] - z0[0]) / count
    nth = 1
    while nth <= count - 0.5:
        middle = (z0 + z1) / 2 - z0[0]
        near = np.flatnonzero(np.abs(middle - nth * height) < height / 2)
        passed = _height_over(x, y, z0, z1, near)
        if passed is not None:
            height = (passed - float(z0[0])) / nth
        nth *= 2
    return height


def _height_over(x: F8, y: F8, z0: F8, z1: F8, pieces: I8) -> float | None:
    """z at which one of the straight `pieces` of a path passes its first point, None if none comes near."""
    if len(pieces) == 0:
        return None
    dx, dy = x[pieces + 1] - x[pieces], y[pieces + 1] - y[pieces]
    square = np.maximum(dx**2 + dy**2, 1e-12)
    t = np.clip(((x[0] - x[pieces]) * dx + (y[0] - y[pieces]) * dy) / square, 0.0, 1.0)
    away = np.hypot(x[pieces] + t * dx - x[0], y[pieces] + t * dy - y[0])
    best = int(np.argmin(away))
    piece = int(pieces[best])
    return float(z0[piece] + t[best] * (z1[piece] - z0[piece])) if away[best] < _PASSES_MM else None


def _layer_starts(level: F8) -> I8:
    """Which of the stretches at one level begin a layer; the others go on with the layer before."""
    starts: list[int] = []
    first = top = float("nan")
    values = level.tolist()
    for k, z in enumerate(values):
        if not starts:
            starts.append(k)
            first = top = z
            continue
        bed = _BED_SHARE * max(first, 0.0) + SAME_Z_MM
        if z < top - SAME_Z_MM:
            new = z <= bed
        else:
            back = k + 1 < len(values) and abs(values[k + 1] - top) <= SAME_Z_MM
            new = z > top + SAME_Z_MM and not (back and top > bed)
        if new:
            starts.append(k)
            top = z
    return np.array(starts, np.int64)


def _raft(moves: Moves, row: I8, begin: I8, level: F8) -> Bool:
    """Layers of a raft: wider on all sides than what stands on them, and below a gap or much thicker."""
    raft = np.zeros(len(begin), bool)
    if len(begin) < 4:
        return raft
    step = np.diff(level[begin])
    usual = float(np.median(step[step > 0])) if np.any(step > 0) else 0.0
    x, y = moves.x[row], moves.y[row]
    for k in range(min(_RAFT_LAYERS, len(step) - 2), 0, -1):
        stop = int(begin[min(k + 4, len(begin) - 1)])
        below, above = slice(int(begin[k - 1]), int(begin[k])), slice(int(begin[k]), stop)
        gap = step[k - 1] > _RAFT_GAP * usual
        thick = k > 1 and step[: k - 1].min() > _RAFT_THICK * usual
        if (gap or thick) and _surrounds(x, y, below, above):
            raft[:k] = True
            return raft
    return raft


def _surrounds(x: F8, y: F8, outer: slice, inner: slice) -> bool:
    low = all(c[outer].min() < c[inner].min() - _RAFT_MARGIN_MM for c in (x, y))
    return low and all(c[outer].max() > c[inner].max() + _RAFT_MARGIN_MM for c in (x, y))
