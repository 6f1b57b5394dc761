"""Where the nozzle stands elsewhere than in the file: behind what was removed and behind new beads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.edit.lines import line_words
from gcodetools.edit.moves import Bent
from gcodetools.gcode.arcs import arc_points
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import ARC, RETRACT, UNRETRACT, Program
from gcodetools.records import dataclass

__all__ = ["Displaced", "circles_of", "displaced", "ends_of", "stranded_from"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_SAME_MM = 1e-6
_PULLED_MM = 0.01  # of filament; less is what rounded words of a retraction leave


@dataclass(frozen=True, slots=True)
class Displaced:
    """The first pieces that move in X and Y behind a removal or a run.

    piece : (k,) index into the draft. since : (k,) the last one before that stays and moves, -1 for none.
    here : (k, 2) where the nozzle stands before it. there : (k, 2) where the piece begins in the file.
    end : (k, 2) where it ends. free : (k,) it is a travel that names both X and Y, which may begin anywhere.
    pulled : (k,) filament is pulled back while it stands there.
    """

    piece: I8
    since: I8
    here: F8
    there: F8
    end: F8
    free: Bool
    pulled: Bool


def ends_of(draft: Draft, piece: I8) -> tuple[F8, F8]:
    """(k, 2) where pieces begin and where they end, in X and Y."""
    program = draft.plate.program
    rows = draft.row[piece].astype(np.int64)
    if draft.moved is not None:
        return draft.moved.points(rows, draft.t0[piece]), draft.moved.points(rows, draft.t1[piece])
    return _points(program, rows, draft.t0[piece]), _points(program, rows, draft.t1[piece])


def circles_of(draft: Draft, piece: I8) -> Bent:
    """The circles of pieces that are arcs."""
    rows, t0, t1 = draft.row[piece].astype(np.int64), draft.t0[piece], draft.t1[piece]
    if draft.moved is not None:
        return draft.moved.arcs(rows, t0, t1)
    arcs = draft.plate.program.arcs
    k = np.searchsorted(arcs.row, rows)
    sweep = arcs.sweep[k]
    return Bent(arcs.cx[k], arcs.cy[k], arcs.radius[k], arcs.begin[k] + sweep * t0, sweep * (t1 - t0))


def _points(program: Program, rows: I8, t: F8) -> F8:
    moves = program.moves
    before = np.maximum(rows - 1, 0)
    a = np.column_stack([moves.x[before], moves.y[before]])
    b = np.column_stack([moves.x[rows], moves.y[rows]])
    point: F8 = a + (b - a) * t[:, None]
    on = np.flatnonzero((moves.kind[rows] & ARC) != 0)
    if len(on):
        k = np.searchsorted(program.arcs.row, rows[on])
        point[on] = arc_points(moves, program.arcs, k, t[on])[:, :2]
    point[t == 1.0] = b[t == 1.0]
    return point


def displaced(draft: Draft, returned: bool = False, staying: bool = False) -> Displaced:
    """Find them; runs and removals of the draft as they are now.

    returned : also pieces to whose begin a run goes back, behind moves that don't move in X and Y. staying : only if
    one of those moves stays; else nothing is left that begins elsewhere.
    """
    program = draft.plate.program
    moves = program.moves
    gone = np.zeros(len(draft.row), bool) if draft.removed is None else draft.removed
    runs = draft.run_pieces() if draft.runs else np.empty(0, np.int64)
    event = distinct(np.sort(np.concatenate([2 * np.flatnonzero(gone) + 1, 2 * runs])))
    none = np.empty((0, 2))
    if len(event) == 0:
        no = np.empty(0, np.int64)
        return Displaced(no, no, none, none, none, np.empty(0, bool), np.empty(0, bool))
    moved = _moving(program)
    stays = np.flatnonzero(~gone & moved[draft.row])
    next_at = np.searchsorted(2 * stays + 1, event, side="right")
    event, next_at = event[next_at < len(stays)], next_at[next_at < len(stays)]
    piece = _named_earlier(draft, gone, event, stays[next_at])
    piece = distinct(np.sort(piece))
    # What names X or Y moves the nozzle to where the file has it, if only now.
    moving = ~gone & moved[draft.row]
    moving[piece] = True
    stays = np.flatnonzero(moving)
    there, end = ends_of(draft, piece)
    at = np.searchsorted(stays, piece) - 1
    since = np.where(at >= 0, stays[np.maximum(at, 0)], -1)
    here = _standing(draft, since, runs, piece)
    off = np.hypot(*(here - there).T) > _SAME_MM
    if returned:
        left = _standing(draft, since, runs, piece, late=False)
        apart = draft.row[piece] > draft.row[np.maximum(since, 0)] + 1
        if staying:
            kept = np.concatenate([[0], np.cumsum(~gone)])
            apart &= kept[piece] > kept[since + 1]
        off |= apart & (np.hypot(*(left - there).T) > _SAME_MM)
    piece, since, here, there, end = piece[off], since[off], here[off], there[off], end[off]
    rows = draft.row[piece].astype(np.int64)
    lines = moves.line[rows]
    words = line_words(program.lines, lines, "XY")
    at = words.of(lines)
    free = (words.begin["X"][at] >= 0) & (words.begin["Y"][at] >= 0)
    free &= ((moves.kind[rows] & ARC) == 0) & (moves.e[rows] <= 0) & (draft.t0[piece] == 0.0)
    free &= program.states.xyz_relative.at(lines) == 0.0
    return Displaced(piece, since, here, there, end, free, _pulled(draft, piece))


def _moving(program: Program) -> Bool:
    """(m,) rows that move in X and Y."""
    moves = program.moves
    moved: Bool = (moves.kind & ARC) != 0
    moved[1:] |= (np.diff(moves.x) != 0) | (np.diff(moves.y) != 0)
    return moved


def stranded_from(draft: Draft) -> int:
    """The first row behind the last move in X and Y that stays, where beads behind it went or came: nothing brings the
    nozzle back to where the file has it. The count of rows for none.

    The print may then end up to a bead's length elsewhere than in the file, within the outline of its last layer, and
    that is right: what is left of the file retracts, climbs, homes (G28) or stops where the nozzle is. A way back would
    be one more travel over the finished top. Any move in X or Y behind the print, a step in G91 too, ends this: it is
    displaced, and begins where the file has it (`treat.hops`) unless it names both and may begin anywhere.
    """
    count = len(draft.first) - 1
    gone = np.zeros(len(draft.row), bool) if draft.removed is None else draft.removed
    events = np.concatenate(
        [np.flatnonzero(gone), draft.run_pieces() if draft.runs else np.empty(0, np.int64)]
    )
    stays = np.flatnonzero(~gone & _moving(draft.plate.program)[draft.row])
    last = int(stays[-1]) if len(stays) else -1
    if events.max(initial=-1) <= last:
        return count
    return int(draft.row[last]) + 1 if last >= 0 else 0


def _named_earlier(draft: Draft, gone: Bool, event: I8, piece: I8) -> I8:
    """The same, or an earlier piece that names X or Y without moving in the file: now it moves."""
    first = (event + 1) // 2
    # Stretches of one long gap lie within each other, so each piece is asked once for all of them.
    inside = np.zeros(len(gone) + 1, np.int64)
    np.add.at(inside, first, 1)
    np.add.at(inside, np.maximum(piece, first), -1)
    between = np.flatnonzero((np.cumsum(inside[:-1]) > 0) & ~gone & (draft.t0 == 0.0))
    if len(between) == 0:
        return piece
    lines = draft.plate.program.moves.line[draft.row[between]]
    words = line_words(draft.plate.program.lines, lines, "XY")
    at = words.of(lines)
    named = between[(words.begin["X"][at] >= 0) | (words.begin["Y"][at] >= 0)]
    ahead = np.append(named, len(gone))[np.searchsorted(named, first)]
    earlier: I8 = np.minimum(piece, ahead)
    return earlier


def _standing(draft: Draft, last: I8, runs: I8, piece: I8, late: bool = True) -> F8:
    """Where the nozzle stands before each piece: the end of the last move that stays, or of a run behind it. late :
    also of one right before the piece itself."""
    _, here = ends_of(draft, np.maximum(last, 0))
    if len(runs):
        ends = np.array([[run.x[-1], run.y[-1]] for run in draft.runs])
        place = 2 * runs + np.array([not run.early for run in draft.runs])
        run = np.searchsorted(place, 2 * piece + late, side="right") - 1
        newer = (run >= 0) & (runs[np.maximum(run, 0)] > last)
        here[newer] = ends[run[newer]]
    return here


def _pulled(draft: Draft, piece: I8) -> Bool:
    """Whether filament is pulled back where each piece begins: net E since the last bead, of what stays."""
    from_row = draft.row[piece].astype(np.int64)
    moves, bead = draft.plate.program.moves, draft.plate.beads.feature != 0
    e = np.where(bead, 0.0, moves.e)
    # A firmware retraction pulls an amount nobody knows; any will do here.
    e += np.where((moves.e == 0) & ((moves.kind & RETRACT) != 0), -1.0, 0.0)
    e += np.where((moves.e == 0) & ((moves.kind & UNRETRACT) != 0), 1.0, 0.0)
    if draft.removed is not None:
        whole = draft.removed & (draft.t0 == 0.0) & (draft.t1 == 1.0)
        e[draft.row[whole]] = 0.0
        bead = bead.copy()
        bead[draft.row[whole]] = False
    total = np.concatenate([[0.0], np.cumsum(e)])
    beads = np.flatnonzero(bead)
    at = np.searchsorted(beads, from_row) - 1
    since = np.where(at >= 0, beads[np.maximum(at, 0)], 0)
    result: Bool = total[from_row] - total[since] < -_PULLED_MM
    return result
