"""Runs: new moves of ours, laid between the file's own. Columns a run, and the text they become.

A run stands before a piece of the draft. It says where each of its moves ends; where it begins is where the
nozzle happens to be. It leaves feed, fan and acceleration as they were, and the marks restored.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.commands import accel_in_force, accel_words, fan_in_force, fewest_decimals
from gcodetools.edit.context import Context, coordinate_decimals, feed_text
from gcodetools.edit.draft import Draft, Run, e_decimals
from gcodetools.edit.filament import file_counter
from gcodetools.edit.moves import BEAD, FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, TRAVEL, WIPE
from gcodetools.gcode.numbers import Pool, fixed, fixed_text, join_pools
from gcodetools.gcode.program import RAPID
from gcodetools.marks import speak
from gcodetools.marks.features import FEATURES
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["emit_runs", "state_pieces"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_WIDTH_STEP_MM = 0.02  # a change of width that is worth a mark


@dataclass(frozen=True, slots=True)
class _Stack:
    """All moves of all runs, one after the other. owner : (n,) run of each. row : (n,) row before which each stands.

    state : (n,) row whose modes hold: of an early run the one before, as the file may change them in between.

    place : (r,) byte where each run goes. piece : (r,) the piece it stands before. last : (n,) whether a move
    is its run's last, first likewise.
    """

    runs: Sequence[Run]
    owner: I8
    row: I8
    state: I8
    kind: NDArray[np.uint8]
    first: Bool
    last: Bool
    place: I8
    piece: I8
    seq: I8

    def column(self, name: str) -> F8:
        """One column of all runs."""
        return np.concatenate([np.asarray(getattr(run, name), np.float64) for run in self.runs])


def emit_runs(context: Context, feed_behind: F8, shift_before: F8 | None) -> None:
    """Write the draft's runs.

    Parameters
    ----------
    feed_behind : (p,) feed in force behind each piece as it is written, mm/s.
    shift_before : (r,) E units by which the written counter is ahead of the file's where each run begins, in
    the order of the draft's runs; None where no absolute E shifts.
    """
    draft = context.draft
    if not draft.runs:
        return
    stack = _stacked(draft)
    feed = np.append(stack.column("feed"), np.nan)[:-1]
    words = [_command(draft.plate, stack), *_points(context, stack)]
    words.append(_filament(context, stack, shift_before))
    words.append(_feeds(context, stack, feed))
    head, tail = _around(context, stack, feed_behind)
    text = join_pools(head, *words, context.newline, tail, count=len(stack.kind))
    starts = np.flatnonzero(stack.first)
    pool = Pool(text.data, np.add.reduceat(text.length, starts))
    context.edits.add(stack.place, stack.place, stack.seq, 6, pool)
    rows = np.unique(np.concatenate([np.maximum(stack.row[starts] - 1, 0), stack.row[starts]]))
    context.declare(rows, ("position", "e"), "new beads")


def _stacked(draft: Draft) -> _Stack:
    lines, start = draft.plate.program.moves.line, draft.plate.program.lines.start
    runs = draft.runs
    size = np.array([len(run.kind) for run in runs])
    owner = np.repeat(np.arange(len(runs)), size)
    ends = np.cumsum(size)
    first, last = np.zeros(len(owner), bool), np.zeros(len(owner), bool)
    first[ends - size] = True
    last[ends - 1] = True
    piece = draft.run_pieces()
    row = draft.row[piece].astype(np.int64)
    early = np.array([run.early for run in runs])
    before = np.maximum(row - 1, 0)
    place = np.where(early & (row > 0), start[lines[before] + 1], start[lines[row]])
    # An early run stands right behind the row before, ahead of all that belongs to its own piece.
    seq = np.where(early, 2 * (piece - 1), 2 * piece - 1)
    kind = np.concatenate([run.kind for run in runs])
    state = np.where(early, before, row)
    return _Stack(runs, owner, row[owner], state[owner], kind, first, last, place, piece, seq)


def _command(plate: Plate, stack: _Stack) -> Pool:
    """`G0` for travels where the file itself travels so, `G1` else; `G10`, `G11` for firmware retraction."""
    rapid = bool(np.any((plate.program.moves.kind & RAPID) != 0))
    table = {FIRMWARE_PULL: b"G10", FIRMWARE_PUSH: b"G11", TRAVEL: b"G0" if rapid else b"G1"}
    texts = [table.get(int(kind), b"G1") for kind in range(8)]
    length = np.array([len(t) for t in texts])
    letters = np.frombuffer(b"".join(t.ljust(3) for t in texts), np.uint8).reshape(-1, 3)
    used = np.arange(3) < length[:, None]
    return Pool(letters[stack.kind][used[stack.kind]], length[stack.kind])


def _present(letter: bytes, number: Pool, present: Bool) -> Pool:
    """` L<number>` where present, nothing elsewhere."""
    words = join_pools(b" " + letter, number, count=int(present.sum()))
    length = np.zeros(len(present), np.int64)
    length[present] = words.length
    return Pool(words.data, length)


def _points(context: Context, stack: _Stack) -> list[Pool]:
    """X and Y where a move goes somewhere, Z where it lifts."""
    flat = np.isin(stack.kind, (TRAVEL, BEAD, WIPE))
    return [
        _coordinate(context, stack, "X", flat),
        _coordinate(context, stack, "Y", flat),
        _coordinate(context, stack, "Z", stack.kind == LIFT),
    ]


def _coordinate(context: Context, stack: _Stack, letter: str, present: Bool) -> Pool:
    axis = letter.lower()
    program = context.draft.plate.program
    line = program.moves.line[stack.state[present]]
    offset = np.nan_to_num(getattr(program.states, f"offset_{axis}").at(line))
    unit = np.where(program.states.inches.at(line) == 1.0, 25.4, 1.0)
    value = (stack.column(axis)[present] - offset) / unit
    return _present(letter.encode(), fixed(value, coordinate_decimals(program, letter)), present)


def _filament(context: Context, stack: _Stack, shift_before: F8 | None) -> Pool:
    """E words: the running counter where E is absolute; where it is relative, what rounding loses is carried
    to the next move of the run."""
    program = context.draft.plate.program
    line = program.moves.line[stack.state]
    unit = np.where(program.states.inches.at(line) == 1.0, 25.4, 1.0)
    if len(program.states.volumetric.line):
        unit = unit * program.states.volumetric.at(line)
    e = stack.column("e") / unit
    present = (e != 0) & ~np.isin(stack.kind, (FIRMWARE_PULL, FIRMWARE_PUSH))
    total = np.cumsum(np.where(present, e, 0.0))
    starts = np.flatnonzero(stack.first)
    base = np.concatenate([[0.0], total])[starts]
    running = total - base[stack.owner]
    relative = program.states.e_relative.at(line) == 1.0
    decimals = e_decimals(context.draft.plate)
    scale = 10.0**decimals
    rounded = np.rint(running * scale) / scale
    before = np.concatenate([[0.0], rounded[:-1]])
    before[starts] = 0.0
    counter = _counter(context, stack, starts, unit[starts])
    if shift_before is not None:
        counter = counter + shift_before
    value = np.where(relative, rounded - before, running + counter[stack.owner])
    return _present(b"E", fixed(value[present], decimals), present)


def _counter(context: Context, stack: _Stack, starts: I8, unit: F8) -> F8:
    """(r,) the file's counter where each run stands: right behind the row before, or before its own piece."""
    e = context.draft.plate.program.moves.e
    row = stack.row[starts]
    early = np.array([run.early for run in stack.runs]) & (row > 0)
    at = np.where(early, row - 1, row)
    # The part of a move before the piece at which a run stands has been pushed.
    share = np.where(early, 1.0, [run.t0 for run in stack.runs])
    counter: F8 = file_counter(context, at) + e[at] * share / unit
    return counter


def _feeds(context: Context, stack: _Stack, feed: F8) -> Pool:
    """F on a run's first move and where it changes."""
    changed = np.ones(len(feed), bool)
    changed[1:] = feed[1:] != feed[:-1]
    changed |= stack.first
    changed &= ~np.isnan(feed)
    return _present(b"F", feed_text(context, feed[changed], stack.row[changed]), changed)


def _around(context: Context, stack: _Stack, feed_behind: F8) -> tuple[Pool, Pool]:
    """Lines before each move (marks, fan, acceleration) and behind it (all restored), nearly all empty."""
    newline = context.newline
    head, tail = _Marks(context, stack).lines()
    states = _States(context, stack)
    for k in np.flatnonzero(stack.first).tolist():
        r = int(stack.owner[k])
        head[k] = states.before(r) + head.get(k, b"")
    ends = np.flatnonzero(stack.last)
    owner = stack.owner[ends]
    piece = stack.piece[owner]
    # Behind a late run the piece itself says its feed.
    says = (piece > 0) & np.array([run.early for run in stack.runs])[owner]
    feed = np.where(says, feed_behind[piece - 1], np.nan)
    told = np.flatnonzero(~np.isnan(feed))
    words = feed_text(context, feed[told], stack.row[ends[told]])
    data, stop = words.data.tobytes(), np.cumsum(words.length)
    spans = zip(told.tolist(), (stop - words.length).tolist(), stop.tolist(), strict=True)
    lines = {n: b"G1 F" + data[low:high] + newline for n, low, high in spans}
    for n, (k, r) in enumerate(zip(ends.tolist(), owner.tolist(), strict=True)):
        tail[k] = tail.get(k, b"") + lines.get(n, b"") + states.behind(r)
    return _sparse(head, len(stack.kind)), _sparse(tail, len(stack.kind))


def _sparse(lines: dict[int, bytes], count: int) -> Pool:
    length = np.zeros(count, np.int64)
    keys = sorted(lines)
    length[keys] = [len(lines[k]) for k in keys]
    return Pool(np.frombuffer(b"".join(lines[k] for k in keys), np.uint8), length)


def state_pieces(draft: Draft) -> I8:
    """(r,) the piece whose state holds where each run stands: an early run has that of the row before."""
    piece = draft.run_pieces()
    early = np.array([run.early for run in draft.runs]) & (draft.row[piece] > 0)
    return np.where(early, piece - 1, piece)


class _States:
    """Fan and acceleration in runs, and what puts them back."""

    def __init__(self, context: Context, stack: _Stack) -> None:
        draft = context.draft
        piece = state_pieces(draft)
        rows = draft.row[piece]
        self.runs, self.newline = stack.runs, context.newline
        full = draft.plate.program.states.fan_full
        self.steps = 255.0 if full == 255.0 else 100.0
        self.full = full
        self.fan = fan_in_force(draft, rows)
        # A fan that a treatment holds stays held.
        self.free = np.ones(len(rows), bool) if draft.fan is None else np.isnan(draft.fan[rows])
        self.accel = np.full(len(rows), np.nan)
        if any(run.accel == run.accel for run in stack.runs):
            self.accel = accel_in_force(context)[piece]
        self.word = accel_words(context)

    def before(self, r: int) -> bytes:
        """Lines in front of a run."""
        fan, accel = self._asked(r)
        fan = float(np.rint(fan * self.steps) / self.steps)
        return self._lines(fan, accel)

    def behind(self, r: int) -> bytes:
        """Lines that put back what those in front changed."""
        fan, accel = self._asked(r)
        nan = float("nan")
        return self._lines(
            float(self.fan[r]) if fan == fan else nan, float(self.accel[r]) if accel == accel else nan
        )

    def _asked(self, r: int) -> tuple[float, float]:
        """Fan and acceleration of a run, NaN where they stay as they are."""
        run, nan = self.runs[r], float("nan")
        fan = run.fan if self.free[r] and run.fan != self.fan[r] else nan
        # Where the file never set an acceleration there is none to put back.
        accel = run.accel if self.accel[r] == self.accel[r] and run.accel != self.accel[r] else nan
        return fan, accel

    def _lines(self, fan: float, accel: float) -> bytes:
        text = b""
        if fan == fan:
            value = np.array([fan * self.full])
            text += b"M106 S" + fixed_text(float(value[0]), fewest_decimals(value)) + self.newline
        if accel == accel:
            text += self.word + fixed_text(accel, fewest_decimals(np.array([accel]))) + self.newline
        return text


class _Marks:
    """Feature and width marks before beads in the file's own words, and what restores them behind.

    None where the file itself goes without: nothing could be restored, and its own beads behind would be read by ours.
    """

    def __init__(self, context: Context, stack: _Stack) -> None:
        self.plate = context.draft.plate
        self.stack, self.newline = stack, context.newline
        self.convention = self.plate.marks.convention
        self.speaks = self.plate.beads.source == "comments"
        self.feature = np.concatenate([run.feature for run in stack.runs])
        self.width = stack.column("width")

    def lines(self) -> tuple[dict[int, bytes], dict[int, bytes]]:
        """Text before and behind moves, by index into the stack."""
        head: dict[int, bytes] = {}
        tail: dict[int, bytes] = {}
        if not self.speaks and not len(self.plate.marks.width_line):
            return head, tail
        beads = np.flatnonzero(self.stack.kind == BEAD)
        begins = np.diff(self.stack.owner[beads], prepend=-1) != 0
        new_word = begins | (np.diff(self.feature[beads].astype(np.int64), prepend=-1) != 0)
        new_width = new_word | self._jumps(beads)
        for k in beads[new_word | new_width].tolist():
            head[k] = b""
        for k, begin in zip(beads[new_word].tolist(), begins[new_word].tolist(), strict=True):
            head[k] += self._open(k, begin)
        for k in beads[new_width].tolist():
            head[k] += self._width(k)
        laid = set(self.stack.owner[beads].tolist())
        for k in np.flatnonzero(self.stack.last).tolist():
            if int(self.stack.owner[k]) in laid:
                tail[k] = self._restore(k)
        return head, tail

    def _jumps(self, beads: I8) -> Bool:
        """Where a width parts from the last one told by more than a step; counted in steps of twice that."""
        told = np.floor(self.width[beads] / _WIDTH_STEP_MM + 0.25).astype(np.int64)
        result: Bool = np.diff(told, prepend=-1) != 0
        return result

    def _line(self, k: int) -> int:
        """The line (0-based) at whose start run of move `k` stands."""
        place = int(self.stack.place[self.stack.owner[k]])
        return int(np.searchsorted(self.plate.program.lines.start, place))

    def _in_force(self, k: int) -> bytes | None:
        return speak.mark_in_force(self.plate.program, self.plate.marks, self._line(k) - 1)

    def _word_in_force(self, k: int) -> str | None:
        marks = self.plate.marks
        at = int(np.searchsorted(marks.feature_line, self._line(k))) - 1
        return FEATURES[int(marks.feature[at])] if at >= 0 and marks.feature_word[at] >= 0 else None

    def _word_before(self, k: int) -> str:
        earlier = self.feature[:k]
        return FEATURES[int(earlier[np.flatnonzero(earlier)[-1]])]

    def _mark(self, word: str) -> bytes | None:
        return speak.feature(self.convention, word)

    def _open(self, k: int, begins: bool) -> bytes:
        if not self.speaks:
            return b""
        word = FEATURES[int(self.feature[k])]
        before = self._word_in_force(k) if begins else self._word_before(k)
        text = b""
        closing = speak.feature_end(self.convention, before) if before else None
        if closing is not None:
            text += closing + self.newline
        mark = self._mark(word)
        return text + (mark + self.newline if mark is not None else b"")

    def _spoken_width(self, width: float, height: float) -> bytes | None:
        return speak.width(self.convention, width, height)

    def _width(self, k: int) -> bytes:
        if self._width_in_force(k) is None:
            return b""
        mark = self._spoken_width(
            round(float(self.width[k]), 2), self.stack.runs[int(self.stack.owner[k])].height_mm
        )
        return mark + self.newline if mark is not None else b""

    def _width_in_force(self, k: int) -> bytes | None:
        """The file's own width mark that holds where a run stands."""
        lines = self.plate.marks.width_line
        at = int(np.searchsorted(lines, self._line(k))) - 1
        return self.plate.program.lines.text(int(lines[at])) if at >= 0 else None

    def _restore(self, k: int) -> bytes:
        marks: list[bytes | None] = []
        if self.speaks:
            laid = self.stack.runs[int(self.stack.owner[k])].feature
            closing = speak.feature_end(self.convention, FEATURES[int(laid[laid > 0][-1])])
            marks += [closing, self._in_force(k)]
        if self._spoken_width(0.4, 0.2) is not None:
            marks.append(self._width_in_force(k))
        return b"".join(mark + self.newline for mark in marks if mark is not None)
