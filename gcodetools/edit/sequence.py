"""Checks stretches where beads were removed or laid, move by move, against what the draft says.

Elsewhere a surviving line is compared with itself. Here the moves between two surviving lines are others, so
their whole sequence is worked out from the draft and compared with what was read back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.context import INCH_MM
from gcodetools.edit.displaced import ends_of
from gcodetools.edit.draft import Draft, e_decimals
from gcodetools.edit.lines import line_words
from gcodetools.edit.moves import FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, PULL, PUSH
from gcodetools.gcode.program import ARC, DWELL, RETRACT, UNRETRACT, Program

__all__ = ["disturbed_rows", "ordinary_rows", "sequence_problem", "surviving_rows"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_STILL_MM = 2e-3  # a move without filament that is shorter is none: rounding decides whether it is there
_MIN_DECIMALS = 3
_REST = "rest of"  # how a declared change that inserts a rest begins
_IN_PLACE = (PULL, PUSH, LIFT, FIRMWARE_PULL, FIRMWARE_PUSH)


def surviving_rows(draft: Draft) -> I8:
    """Rows whose own line is still there: all whose last piece is not removed."""
    if draft.removed is None:
        return np.arange(len(draft.first) - 1)
    last = draft.first[1:] - 1
    rows: I8 = np.flatnonzero(~draft.removed[last])
    return rows


def disturbed_rows(draft: Draft) -> Bool:
    """(m,) rows with a piece that is removed, or a run before one of their pieces."""
    result = np.zeros(len(draft.first) - 1, bool)
    if draft.removed is not None:
        result[draft.row[draft.removed]] = True
    result[[run.row for run in draft.runs]] = True
    return result


def ordinary_rows(draft: Draft, rows: I8) -> Bool:
    """(k,) which of the surviving rows have nothing new or left out before or in them."""
    if draft.removed is None and not draft.runs:
        return np.ones(len(rows), bool)
    result = ~disturbed_rows(draft)[rows]
    result[1:] &= np.diff(rows) == 1
    return result


@dataclass(frozen=True, slots=True)
class _Path:
    """Moves in order: window, line of the original (of the output for what was read back), where they end,
    filament, feed, whether they dwell."""

    window: I8
    line: I8
    point: F8
    e: F8
    feed: F8
    dwells: Bool

    def only(self, which: NDArray[np.generic]) -> _Path:
        """Some of it, by a mask or by indices."""
        k = which
        return _Path(
            self.window[k], self.line[k], self.point[k], self.e[k], self.feed[k], self.dwells[k]
        )  # fmt: skip


def sequence_problem(draft: Draft, other: Program, rows: I8, at: I8, changes: Changes | None = None) -> str:
    """What is wrong in the disturbed stretches, as a sentence; empty for nothing.

    Parameters
    ----------
    rows : (k,) the surviving rows, ascending. at : (k,) the row of `other` that each became. changes : what was
    declared; the moves of rests are in the output alone.
    """
    low, high = _windows(draft, rows)
    if len(low) == 0:
        return ""
    expected = _expected(draft, low, high)
    place = np.full(len(draft.plate.program.moves), -1)
    place[rows] = at
    begin = np.where(low >= 0, place[np.maximum(low, 0)], -1)
    end = np.where(high < len(place), place[np.minimum(high, len(place) - 1)], len(other.moves) - 1)
    actual = _actual(other, begin, end)
    if changes is not None:
        expected, actual = _without_rests(draft, expected, actual, (low, high), changes)
    line = draft.plate.program.moves.line[np.maximum(low, 0)] + 1
    counts = [np.bincount(path.window, minlength=len(low)) for path in (expected, actual)]
    if np.any(counts[0] != counts[1]):
        k = int(np.flatnonzero(counts[0] != counts[1])[0])
        return (
            f"{counts[1][k]} moves behind line {line[k]} of the original, {counts[0][k]} expected "
            "where beads were laid or removed"
        )
    for name, off in _differences(draft, expected, actual, low):
        if np.any(off):
            k = int(np.flatnonzero(off)[0])
            return f"{name} of new beads behind line {line[expected.window[k]]} of the original"
    return ""


def _windows(draft: Draft, rows: I8) -> tuple[I8, I8]:
    """Stretches (low, high] of rows: from a surviving undisturbed row to the next that survives."""
    disturbed = disturbed_rows(draft)
    changed = np.flatnonzero(disturbed)
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


def _expected(draft: Draft, low: I8, high: I8) -> _Path:
    """What the draft says: kept pieces and the runs before them, in order."""
    moves = draft.plate.program.moves
    count = len(moves)
    row = _ranges(low + 1, np.minimum(high + 1, count))
    window = np.repeat(np.arange(len(low)), np.minimum(high + 1, count) - low - 1)
    pieces_each = draft.first[row + 1] - draft.first[row]
    piece = _ranges(draft.first[row].astype(np.int64), draft.first[row + 1].astype(np.int64))
    window = np.repeat(window, pieces_each)
    if draft.removed is not None:
        kept = ~draft.removed[piece]
        piece, window = piece[kept], window[kept]
    _, end = ends_of(draft, piece)
    rows = draft.row[piece]
    before = np.maximum(rows - 1, 0)
    stays = (moves.x[rows] == moves.x[before]) & (moves.y[rows] == moves.y[before])
    stays &= (moves.kind[rows] & ARC) == 0
    stays[stays] = ~_named(draft, rows[stays])
    z = moves.z[before] + (moves.z[rows] - moves.z[before]) * draft.t1[piece]
    flow = np.where(np.isnan(draft.flow[piece]), 1.0, draft.flow[piece])
    e = moves.e[rows] * (draft.t1[piece] - draft.t0[piece]) * flow
    file_feed = moves.f[rows]
    feed = np.where(np.isnan(draft.feed[piece]) | np.isnan(file_feed), file_feed, draft.feed[piece])
    still = (moves.kind[rows] & (RETRACT | UNRETRACT | DWELL)) != 0
    key, point = 2 * piece + 1, np.column_stack([end, z])
    if draft.runs:
        at = draft.run_pieces()
        size = np.array([len(run.kind) for run in draft.runs])
        runs = draft.runs
        key = np.concatenate([key, np.repeat(2 * at, size)])
        # The window of a run is that of the row it stands before.
        own = np.searchsorted(low, draft.row[at], side="left") - 1
        window = np.concatenate([window, np.repeat(own, size)])
        new = np.column_stack([np.concatenate([getattr(run, c) for run in runs]) for c in "xyz"])
        point = np.concatenate([point, new])
        e = np.concatenate([e, *(run.e for run in runs)])
        feed = np.concatenate([feed, *(run.feed for run in runs)])
        kind = np.concatenate([run.kind for run in runs])
        still = np.concatenate([still, np.isin(kind, (FIRMWARE_PULL, FIRMWARE_PUSH))])
        stays = np.concatenate([stays, np.isin(kind, _IN_PLACE)])
    order = np.argsort(key, kind="stable")
    dwells = np.zeros(len(key), bool)
    dwells[: len(rows)] = (moves.kind[rows] & DWELL) != 0
    line = moves.line[draft.row[np.minimum(key // 2, len(draft.row) - 1)]].astype(np.int64)
    start = np.column_stack([getattr(moves, c)[np.maximum(low, 0)] for c in "xyz"])
    point[order, :2] = _carried(point[order, :2], stays[order], window[order], start[:, :2])
    path = _Path(window, line, point, e, feed, dwells).only(order)
    return _acting(path, still[order], start)


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
    window = np.repeat(np.arange(len(begin)), end - begin)
    point = np.column_stack([moves.x[row], moves.y[row], moves.z[row]])
    still = (moves.kind[row] & (RETRACT | UNRETRACT | DWELL)) != 0
    start = np.column_stack([getattr(moves, c)[np.maximum(begin, 0)] for c in "xyz"])
    dwells = (moves.kind[row] & DWELL) != 0
    path = _Path(window, moves.line[row].astype(np.int64), point, moves.e[row], moves.f[row], dwells)
    return _acting(path, still, start)


def _acting(path: _Path, still: Bool, start: F8) -> _Path:
    """A path without moves that do nothing. still : (n,) those that act though they move nothing."""
    before = np.concatenate([path.point[:1], path.point[:-1]])
    first = np.diff(path.window, prepend=-1) != 0
    before[first] = start[path.window[first]]
    moves = np.abs(path.point - before).max(axis=1, initial=0.0) > _STILL_MM
    return path.only(moves | (np.abs(path.e) > 1e-9) | still)


def _without_rests(
    draft: Draft, expected: _Path, actual: _Path, ends: tuple[I8, I8], changes: Changes
) -> tuple[_Path, _Path]:
    """What was read back without the moves of declared rests, and what was expected with the nozzle where a
    rest leaves it, until the travel that the rest declares."""
    moves = draft.plate.program.moves
    first, last = changes.because(_REST)
    rows = np.searchsorted(moves.line, first) - 1  # the one that each rest stands behind
    window = np.searchsorted(ends[0], rows, side="right") - 1
    inside = (window >= 0) & (rows < ends[1][np.maximum(window, 0)]) if len(ends[0]) else window >= 0
    start = np.column_stack([getattr(moves, c)[np.maximum(ends[0], 0)] for c in "xyz"])
    keep = np.ones(len(actual.line), bool)
    point = expected.point.copy()
    for w, end in zip(window[inside].tolist(), last[inside].tolist(), strict=True):
        own, new = (np.arange(*np.searchsorted(path.window, [w, w + 1])) for path in (expected, actual))
        new = new[keep[new]]
        at, size = _rest_in(expected.only(own), actual.only(new))
        if size == 0:
            continue
        keep[new[at : at + size]] = False
        stands = point[own[at - 1]] if at else start[w]
        beside = own[at:][expected.line[own[at:]] < end]
        moved = np.any(point[beside, :2] != stands[:2], axis=1)
        beside = beside[~np.logical_or.accumulate(moved)]
        point[beside, :2] = actual.point[new[at + size - 1], :2]
    return replace(expected, point=point), actual.only(keep)


def _rest_in(expected: _Path, actual: _Path) -> tuple[int, int]:
    """Where in a window the moves of a rest begin, and how many they are; none for what is no rest.

    It waits, comes and goes without laying a bead, and pulls back what it pushes.
    """
    size = len(actual.line) - len(expected.line)
    if size <= 0:
        return 0, 0
    count = len(expected.line)
    off = np.any(np.abs(expected.point - actual.point[:count]) > _STILL_MM, axis=1)
    off |= (np.abs(expected.e - actual.e[:count]) > _STILL_MM) | (expected.dwells != actual.dwells[:count])
    at = int(np.argmax(off)) if np.any(off) else count
    part = actual.only(np.arange(at, at + size))
    before = np.vstack([actual.point[at - 1 : at] if at else part.point[:1], part.point[:-1]])
    travels = np.abs(part.point - before).max(axis=1) > _STILL_MM
    ours = np.any(part.dwells) and not np.any(travels & (part.e != 0)) and part.e.sum() > -_STILL_MM
    return (at, size) if ours else (0, 0)


def _differences(draft: Draft, expected: _Path, actual: _Path, low: I8) -> list[tuple[str, Bool]]:
    program = draft.plate.program
    line = program.moves.line[np.maximum(low, 0)][expected.window]
    unit = np.where(program.states.inches.at(line) == 1.0, INCH_MM, 1.0)
    decimals = np.array([max(program.decimals.get(k, 0), _MIN_DECIMALS) for k in "XYZ"])
    slack = 0.501 * 10.0**-decimals * unit[:, None] + 1e-6
    point = np.any(np.abs(expected.point - actual.point) > slack, axis=1)
    per_unit = unit
    if len(program.states.volumetric.line):
        per_unit = unit * program.states.volumetric.at(line)
    filament = np.abs(expected.e - actual.e) > 1.01 * 10.0 ** -e_decimals(draft.plate) * per_unit + 1e-6
    step = 0.501 * 10.0 ** -program.decimals.get("F", 0) / 60.0 * unit
    feed = ~(np.abs(expected.feed - actual.feed) <= step + 1e-6) & ~np.isnan(expected.feed)
    return [("the place", point), ("the filament", filament), ("the feed", feed)]


def _ranges(low: I8, high: I8) -> I8:
    count = np.maximum(high - low, 0)
    return np.repeat(low - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
