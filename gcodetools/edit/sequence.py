"""Checks stretches where moves came or went, move by move, against what the draft says.

Elsewhere a surviving line is compared with itself. Here the moves between two surviving lines are others, so
their whole sequence is worked out from the draft and compared with what was read back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.displaced import circles_of, ends_of
from gcodetools.edit.draft import INCH_MM, Draft, e_decimals
from gcodetools.edit.lines import line_words
from gcodetools.edit.moves import Wait
from gcodetools.gcode.program import ARC, CLOCKWISE, DWELL, RETRACT, UNRETRACT, Program
from gcodetools.records import dataclass

if TYPE_CHECKING:
    from gcodetools.edit.newmoves import NewMoves

__all__ = ["covered_rows", "disturbed_rows", "ordinary_rows", "pauses", "sequence_problem", "surviving_rows"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_STILL_MM = 2e-3  # a move without filament that is shorter is none: rounding decides whether it is there
_MIN_DECIMALS = 3
_PAUSE_S = 0.51e-3  # G4 is written in whole milliseconds
_CODES = DWELL | RETRACT | UNRETRACT | ARC | CLOCKWISE  # what tells moves apart whose places are alike


def surviving_rows(draft: Draft) -> I8:
    """Rows whose own line is still there: all whose last piece is not removed."""
    if draft.removed is None:
        return np.arange(len(draft.first) - 1)
    last = draft.first[1:] - 1
    rows: I8 = np.flatnonzero(~draft.removed[last])
    return rows


def disturbed_rows(draft: Draft, waits: Sequence[Wait] = ()) -> Bool:
    """(m,) rows with a piece that is removed, or moves of ours before one of their pieces."""
    count = len(draft.first) - 1
    result = np.zeros(count + 1, bool)
    if draft.removed is not None:
        result[draft.row[draft.removed]] = True
    result[[run.row for run in draft.runs]] = True
    result[[wait.row + 1 for wait in waits]] = True
    return result[:count]


def ordinary_rows(draft: Draft, rows: I8, waits: Sequence[Wait] = ()) -> Bool:
    """(k,) which of the surviving rows have nothing new or left out before or in them."""
    if draft.removed is None and not draft.runs and not waits:
        return np.ones(len(rows), bool)
    result = ~disturbed_rows(draft, waits)[rows]
    result[1:] &= np.diff(rows) == 1
    return result


@dataclass(frozen=True, slots=True)
class _Path:
    """Moves in order: window, line of the output (of the original for what is expected), where they end, filament,
    feed, what tells them apart (bits of `kind`), seconds they wait, centre and sweep of arcs.

    begin : (n, 2) where they begin in X and Y; of what is expected that of the file's own beads, NaN elsewhere: a
    travel may begin anywhere. origin : index into the new moves of all runs, then of all rests; -1 - p for piece p
    of the file's own.
    """

    window: I8
    line: I8
    point: F8
    e: F8
    feed: F8
    code: NDArray[np.uint8]
    seconds: F8
    arc: F8
    begin: F8
    origin: I8

    def only(self, which: NDArray[np.generic]) -> _Path:
        """Some of it, by a mask or by indices."""
        return _Path(*(getattr(self, field.name)[which] for field in fields(self)))


def sequence_problem(draft: Draft, other: Program, rows: I8, at: I8, waits: Sequence[Wait] = ()) -> str:
    """What is wrong in the disturbed stretches, as a sentence; empty for nothing.

    Parameters
    ----------
    rows : (k,) the surviving rows, ascending. at : (k,) the row of `other` that each became. waits : the moves of
    rests.
    """
    low, high = _windows(draft, rows, waits)
    if len(low) == 0:
        return ""
    from gcodetools.edit.newmoves import new_moves, states_off

    new = new_moves(draft, waits)
    expected = _expected(draft, low, high, new)
    place = np.full(len(draft.plate.program.moves), -1)
    place[rows] = at
    begin = np.where(low >= 0, place[np.maximum(low, 0)], -1)
    end = np.where(high < len(place), place[np.minimum(high, len(place) - 1)], len(other.moves) - 1)
    actual = _actual(other, begin, end)
    line = draft.plate.program.moves.line[np.maximum(low, 0)] + 1
    counts = [np.bincount(path.window, minlength=len(low)) for path in (expected, actual)]
    if np.any(counts[0] != counts[1]):
        k = int(np.flatnonzero(counts[0] != counts[1])[0])
        return (
            f"{counts[1][k]} moves behind line {line[k]} of the original, {counts[0][k]} expected "
            "where moves came or went"
        )
    found = _differences(draft, expected, actual, low)
    found += states_off(draft, other, actual.line, new.states(expected.origin))
    for name, off in found:
        if np.any(off):
            k = int(np.argmax(off))
            which = "new moves" if expected.origin[k] >= 0 else "a move"
            return f"{name} of {which} behind line {line[expected.window[k]]} of the original"
    return ""


def covered_rows(draft: Draft, rows: I8, waits: Sequence[Wait] = ()) -> Bool:
    """(k,) which of the surviving rows `sequence_problem` looks at: their places and filament are worked out."""
    low, high = _windows(draft, rows, waits)
    k = np.searchsorted(low, rows, side="left") - 1
    result: Bool = (k >= 0) & (rows <= np.append(high, -1)[k])
    return result


def _windows(draft: Draft, rows: I8, waits: Sequence[Wait]) -> tuple[I8, I8]:
    """Stretches (low, high] of rows: from a surviving undisturbed row to the next that survives."""
    disturbed = disturbed_rows(draft, waits)
    changed = np.flatnonzero(disturbed)
    if any(wait.row + 1 == len(disturbed) for wait in waits):
        changed = np.append(changed, len(disturbed))
    if len(changed) == 0:
        return changed, changed
    # Behind a move in X and Y the nozzle is where the file has it.
    moves = draft.plate.program.moves
    moving = (np.diff(moves.x, prepend=np.nan) != 0) | (np.diff(moves.y, prepend=np.nan) != 0)
    anchors = rows[~disturbed[rows] & moving[rows]]
    before = np.searchsorted(anchors, changed) - 1
    low = np.where(before >= 0, anchors[np.maximum(before, 0)] if len(anchors) else 0, -1)
    behind = np.searchsorted(anchors, changed)
    count = len(disturbed)
    high = np.where(behind < len(anchors), np.append(anchors, count)[behind], count)
    first = np.diff(low, prepend=-9) != 0
    return low[first], high[first]


def _expected(draft: Draft, low: I8, high: I8, new: NewMoves) -> _Path:
    """What the draft says: kept pieces and the new moves before them, in order."""
    program = draft.plate.program
    moves, count = program.moves, len(program.moves)
    row = _ranges(low + 1, np.minimum(high + 1, count))
    window = np.repeat(np.arange(len(low)), np.minimum(high + 1, count) - low - 1)
    pieces_each = draft.first[row + 1] - draft.first[row]
    piece = _ranges(draft.first[row].astype(np.int64), draft.first[row + 1].astype(np.int64))
    window = np.repeat(window, pieces_each)
    if draft.removed is not None:
        kept = ~draft.removed[piece]
        piece, window = piece[kept], window[kept]
    kept_path, stays = _kept(draft, piece, window)
    own = np.searchsorted(low, new.row, side="left") - 1
    nowhere = np.full((len(new.row), 3), np.nan)
    added = _Path(own, moves.line[np.minimum(new.row, count - 1)].astype(np.int64), new.point, new.e, new.feed,
                  new.code, new.seconds, nowhere, nowhere[:, :2], np.arange(len(own)))  # fmt: skip
    path = _Path(
        *(np.concatenate([getattr(p, field.name) for p in (kept_path, added)]) for field in fields(_Path))
    )
    stays = np.concatenate([stays, new.stays])
    order = np.argsort(np.concatenate([4 * piece + 3, new.key]), kind="stable")
    path, stays = path.only(order), stays[order]
    start = np.column_stack([c[np.maximum(low, 0)] for c in (*draft.places(), moves.z)])
    before = path.point[:, :2].copy()
    path.point[:, :2] = _carried(path.point[:, :2], stays, path.window, start[:, :2])
    # A circle that names no end is drawn where the nozzle stands.
    path.arc[:, :2] += path.point[:, :2] - before
    return _acting(path, _before(path, start))


def _kept(draft: Draft, piece: I8, window: I8) -> tuple[_Path, Bool]:
    """The file's own pieces as they should be, and which of them stay in place."""
    program = draft.plate.program
    moves = program.moves
    begin, end = ends_of(draft, piece)
    rows = draft.row[piece]
    before = np.maximum(rows - 1, 0)
    stays = (moves.x[rows] == moves.x[before]) & (moves.y[rows] == moves.y[before])
    # The pieces of a circle that is cut name where they end.
    stays &= ((moves.kind[rows] & ARC) == 0) | ((draft.t0[piece] == 0.0) & (draft.t1[piece] == 1.0))
    stays[stays] = ~_named(draft, rows[stays])
    z = moves.z[before] + (moves.z[rows] - moves.z[before]) * draft.t1[piece]
    flow = draft.pushed(piece)
    share = draft.t1[piece] - draft.t0[piece]
    file_feed = moves.f[rows]
    feed = np.where(np.isnan(draft.feed[piece]) | np.isnan(file_feed), file_feed, draft.feed[piece])
    arc = np.full((len(piece), 3), np.nan)
    bent = np.flatnonzero((moves.kind[rows] & ARC) != 0)
    circle = circles_of(draft, piece[bent])
    arc[bent] = np.column_stack([circle.cx, circle.cy, circle.sweep])
    # Where the machine stands before the first move nobody knows.
    laid = (moves.e[rows] > 0) & (rows > 0) & (~stays | ((moves.kind[rows] & ARC) != 0))
    begin[~laid] = np.nan
    return _Path(
        window, moves.line[rows].astype(np.int64), np.column_stack([end, z]), moves.e[rows] * share * flow, feed,
        _codes(program, rows), pauses(program, rows), arc, begin, -1 - piece,
    ), stays  # fmt: skip


def _codes(program: Program, rows: NDArray[np.integer]) -> NDArray[np.uint8]:
    """What tells moves apart whose places are alike: arcs and their sense, dwells, G10 and G11."""
    kind = program.moves.kind[rows]
    bits = np.where(program.moves.e[rows] == 0, _CODES, _CODES & ~(RETRACT | UNRETRACT))
    result: NDArray[np.uint8] = (kind & bits).astype(np.uint8)
    return result


def pauses(program: Program, rows: NDArray[np.integer]) -> F8:
    """(k,) seconds that rows wait, 0 for all but G4."""
    result = np.zeros(len(rows))
    at = np.flatnonzero((program.moves.kind[rows] & DWELL) != 0)
    result[at] = program.dwell_s[np.searchsorted(program.dwell_row, rows[at])]
    return result


def _arcs(program: Program, rows: NDArray[np.integer]) -> F8:
    """(k, 3) centre and sweep of arcs, NaN elsewhere."""
    result = np.full((len(rows), 3), np.nan)
    at = np.flatnonzero((program.moves.kind[rows] & ARC) != 0)
    k = np.searchsorted(program.arcs.row, rows[at])
    result[at] = np.column_stack([program.arcs.cx[k], program.arcs.cy[k], program.arcs.sweep[k]])
    return result


def _named(draft: Draft, rows: NDArray[np.integer]) -> Bool:
    """Whether the lines of rows name X or Y."""
    lines = draft.plate.program.moves.line[rows]
    words = line_words(draft.plate.program.lines, lines, "XY")
    at = words.of(lines)
    named: Bool = (words.begin["X"][at] >= 0) | (words.begin["Y"][at] >= 0)
    return named


def _carried(point: F8, stays: Bool, window: I8, start: F8) -> F8:
    """Points with those of moves that stay in place replaced by the one before, or by their window's start."""
    first = np.diff(window, prepend=-1) != 0
    begin = first & stays
    point[begin] = start[window[begin]]
    stays = stays & ~first
    at = np.maximum.accumulate(np.where(stays, 0, np.arange(len(point))))
    result: F8 = point[at]
    return result


def _actual(other: Program, begin: I8, end: I8) -> _Path:
    moves = other.moves
    row = _ranges(begin + 1, end + 1)
    window = np.repeat(np.arange(len(begin)), np.maximum(end - begin, 0))
    point = np.column_stack([moves.x[row], moves.y[row], moves.z[row]])
    start = np.column_stack([getattr(moves, c)[np.maximum(begin, 0)] for c in "xyz"])
    path = _Path(
        window, moves.line[row].astype(np.int64), point, moves.e[row], moves.f[row], _codes(other, row),
        pauses(other, row), _arcs(other, row), np.empty((len(row), 2)), np.full(len(row), -1),
    )  # fmt: skip
    before = _before(path, start)
    path.begin[:] = before[:, :2]
    return _acting(path, before)


def _before(path: _Path, start: F8) -> F8:
    """(n, 3) where each move begins: where the one before ends, or its window."""
    before = np.concatenate([path.point[:1], path.point[:-1]])
    first = np.diff(path.window, prepend=-1) != 0
    before[first] = start[path.window[first]]
    return before


def _acting(path: _Path, before: F8) -> _Path:
    """A path without moves that do nothing."""
    moves = np.abs(path.point - before).max(axis=1, initial=0.0) > _STILL_MM
    acting = moves | (np.abs(path.e) > 1e-9) | (path.code != 0)
    return path if np.all(acting) else path.only(acting)


def _differences(draft: Draft, expected: _Path, actual: _Path, low: I8) -> list[tuple[str, Bool]]:
    program = draft.plate.program
    line = program.moves.line[np.maximum(low, 0)][expected.window]
    unit = np.where(program.states.inches.at(line) == 1.0, INCH_MM, 1.0)
    decimals = np.array([max(program.decimals.get(k, 0), _MIN_DECIMALS) for k in "XYZ"])
    slack = 0.501 * 10.0**-decimals * unit[:, None] + 1e-6
    point = np.any(np.abs(expected.point - actual.point) > slack, axis=1)
    begin = np.any(np.abs(expected.begin - actual.begin) > slack[:, :2], axis=1)
    per_unit = unit
    if len(program.states.volumetric.line):
        per_unit = unit * program.states.volumetric.at(line)
    filament = np.abs(expected.e - actual.e) > 1.01 * 10.0 ** -e_decimals(draft.plate) * per_unit + 1e-6
    step = 0.501 * 10.0 ** -program.decimals.get("F", 0) / 60.0 * unit
    feed = ~(np.abs(expected.feed - actual.feed) <= step + 1e-6) & ~np.isnan(expected.feed)
    return [
        ("the command", expected.code != actual.code),
        ("the place", point),
        ("the begin", begin),
        ("the filament", filament),
        ("the feed", feed),
        ("the pause", np.abs(expected.seconds - actual.seconds) > _PAUSE_S),
        ("the arc", _arc_off(program, expected, actual, unit)),
    ]


def _arc_off(program: Program, expected: _Path, actual: _Path, unit: F8) -> Bool:
    """Centres are printed with rounded I and J from a rounded start."""
    result = np.zeros(len(unit), bool)
    at = np.flatnonzero((expected.code & actual.code & ARC) != 0)
    want, got = expected.arc[at], actual.arc[at]
    decimals = min(max(program.decimals.get(k, 0), _MIN_DECIMALS) for k in "IJXY")
    slack = 1.01 * 10.0**-decimals * unit[at] + 1e-6
    radius = np.hypot(*(expected.point[at, :2] - want[:, :2]).T)
    turned = np.abs(want[:, 2] - got[:, 2]) * radius
    centre = np.abs(want[:, :2] - got[:, :2]).max(axis=1, initial=0.0)
    result[at] = (centre > slack) | (turned > 4 * slack)
    return result


def _ranges(low: I8, high: I8) -> I8:
    count = np.maximum(high - low, 0)
    return np.repeat(low - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
