"""Which stretches of the output the audit reads again, and the text that brings a reader into their state.

A window begins one move before the first edit or declared change in it and ends behind the move that follows
the last. Between windows stand copies of the file's own bytes: they set what they set in the original, and
what they leave alone is carried over from the end of the window before.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.splice import Edits, ranges, slices
from gcodetools.gcode.arrays import distinct, spans_of
from gcodetools.gcode.growing import in_turn
from gcodetools.gcode.numbers import Pool
from gcodetools.gcode.program import Program, States, Track
from gcodetools.gcode.scan import read_program
from gcodetools.gcode.states import Commands, fan_track
from gcodetools.records import dataclass

__all__ = ["Batch", "fan_as_read", "joined", "line_map", "read_windows", "rows_at", "windows"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
U1 = NDArray[np.uint8]

_GAP_LINES = 6  # windows nearer to each other are read as one: what brings a reader there costs as much
_BATCH_MOVES = 30_000
_THREADS = 2
_CARRIED = ("accel", "travel_accel", "jerk_xy", "retract_accel", "bed", "fan")
_PLACES = 9
_MOST = 1e18  # digits and sign of such a number fit a whole number of the machine


def line_map(edits: Edits, start: I8, line: I8 | None = None) -> I4:
    """(n + 1,) output line of each original line; the last entry is the output's count. line : as in `windows`."""
    total = np.concatenate([[0], np.cumsum(edits.newlines)]).astype(np.int32)
    changes = np.flatnonzero(edits.newlines)
    reached = (edits.lines(start) if line is None else line)[changes]
    reached = reached + (start[reached] < edits.begin[changes])
    result: I4 = np.repeat(total[np.append(0, changes + 1)], np.diff(reached, prepend=0, append=len(start)))
    for low, high in spans_of(len(result)):
        result[low:high] += np.arange(low, high, dtype=np.int32)
    return result


def windows(program: Program, edits: Edits, changes: Changes, line: I8 | None = None) -> tuple[I8, I8]:
    """First and behind-last line of each stretch to read again; each ends behind a move. line : (k,) the line in which
    each edit begins, where it is known."""
    count, moves = len(program.lines), program.moves.line
    line = distinct(edits.lines(program.lines.start) if line is None else line)
    local_first, local_last = changes.local()
    first, last = joined(np.concatenate([line, local_first]), np.concatenate([line, local_last]))
    if len(first) == 0 or len(moves) == 0:
        return np.minimum(first, count), np.minimum(last + 1, count)
    # One move before the first edit, so that what is inserted stands between two moves of the window.
    before = rows_at(program, first) - 1
    first = np.where(before >= 0, moves[np.maximum(before, 0)], first)
    next_row = np.minimum(rows_at(program, last + 1), len(moves) - 1)
    last = np.maximum.accumulate(np.maximum(last, moves[next_row]))
    new = np.append(True, first[1:] > last[:-1] + _GAP_LINES)
    return np.minimum(first[new], count), np.minimum(last[np.append(new[1:], True)] + 1, count)


def rows_at(program: Program, lines: NDArray[np.integer]) -> I8:
    """The first row in or behind each of some lines."""
    # Of the type of the rows' own lines, so that not all of these are turned into another first.
    line = program.moves.line
    found: I8 = np.searchsorted(line, lines.astype(line.dtype))
    return found


def joined(first: I8, last: I8) -> tuple[I8, I8]:
    """Spans [first, last] ascending, those that touch or overlap as one."""
    order = np.argsort(first, kind="stable")
    first, last = first[order], np.maximum.accumulate(last[order]) if len(order) else last
    begins = np.ones(len(first), bool)
    begins[1:] = first[1:] > last[:-1] + 1
    return first[begins], last[np.append(begins[1:], True)] if len(last) else last


@dataclass(frozen=True, slots=True)
class Batch:
    """Some windows as they were read back.

    other : what their text says. rows : (k,) rows of the original in them. to_line : (k,) the line of `other`
    where each should stand. ends : (w,) indices into `rows` behind each window.
    """

    other: Program
    rows: I8
    to_line: NDArray[np.integer]
    ends: I8


def read_windows(
    program: Program, output: bytes, edits: Edits, mapped: NDArray[np.integer], found: tuple[I8, I8]
) -> Iterator[Batch]:
    """Read the windows `found` of the output, some ten thousand moves at a time so that memory stays
    bounded; two batches at once, or one while another is compared."""
    reader = _Reader(program, output, edits, mapped, *found)
    carried = _Carried.of(program, int(found[0][0]))
    with ThreadPoolExecutor(_THREADS) as pool:
        for batch in in_turn(pool, reader.batch, range(len(reader.cuts) - 1), _THREADS):
            other = carried.into(batch.other, program)
            carried = _Carried.of(other, len(other.lines))
            yield replace(batch, other=other)


class _Reader:
    """Reads batches of windows, each on its own: what is carried over is put in afterwards."""

    def __init__(
        self, program: Program, output: bytes, edits: Edits, mapped: NDArray[np.integer], first: I8, last: I8
    ) -> None:
        self.program, self.output, self.mapped = program, output, mapped
        self.first, self.last = first, last
        self.low, self.high = rows_at(program, first), rows_at(program, last)
        batch = np.cumsum(self.high - self.low) // _BATCH_MOVES
        self.cuts = [0, *(np.flatnonzero(np.diff(batch)) + 1).tolist(), len(first)]
        self.counter = _counter_before(program, first)
        # Lines inserted before a window's first line belong to it; none are before the line behind it.
        self.begin = np.where(first > 0, mapped[np.maximum(first - 1, 0)] + 1, 0)
        self.end = mapped[last]
        start, size = program.lines.start, len(program.lines.data)
        self.begin_byte = edits.moved(start[first], size)
        self.end_byte = edits.moved(start[last], size)

    def batch(self, number: int) -> Batch:
        """Batch `number` (from 0)."""
        a, b = self.cuts[number], self.cuts[number + 1]
        low, high, mapped = self.low[a:b], self.high[a:b], self.mapped
        text, shift = self._text(a, b)
        # Batches are read two at once already.
        other = read_program(text if text else b"\n", "output", threads=1)
        rows = ranges(low, high)
        offset = (shift - mapped[self.first[a:b]]).astype(np.int32)
        to_line = mapped[self.program.moves.line[rows]] + np.repeat(offset, high - low)
        return Batch(other, rows, to_line, np.cumsum(high - low))

    def _text(self, a: int, b: int) -> tuple[bytes, I8]:
        """The output's windows, each behind lines that set the original's state, and where each begins."""
        mine = slice(a, b)
        first, begin, end = self.first[mine], self.begin[mine], self.end[mine]
        gap = np.concatenate([self.last[a - 1 : a] if a else [0], self.last[a : b - 1]])
        seeds, seed_lines = _seeds(self.program, first, gap, self.counter[mine])
        seed_end = np.cumsum(seeds.length)
        lines_before = np.cumsum(seed_lines + (end - begin)) - (end - begin)
        pieces = [b""] * (2 * len(first))
        pieces[::2] = slices(seeds.data.tobytes(), seed_end - seeds.length, seed_end)
        pieces[1::2] = slices(self.output, self.begin_byte[mine], self.end_byte[mine])
        return b"".join(pieces), lines_before + (self.mapped[first] - begin)


@dataclass(frozen=True, slots=True)
class _Carried:
    """What commands have set before a line, by the names of `States`, and the nozzles."""

    value: dict[str, float]
    nozzle: dict[int, float]

    @classmethod
    def of(cls, program: Program, line: int) -> _Carried:
        """What is in force before `line`."""
        states, here = program.states, np.array([line])
        value = {name: float(_track(states, name).at(here)[0]) for name in _CARRIED}
        return cls(value, {tool: float(track.at(here)[0]) for tool, track in states.nozzle.items()})

    def into(self, other: Program, program: Program) -> Program:
        """`other`, the text of later windows, as it reads behind what is carried."""
        states = other.states
        begun: dict[str, Any] = {
            name: replace(_track(states, name), initial=value) for name, value in self.value.items()
        }
        if states.fan_full != program.states.fan_full:
            # Of a few lines it can't be told what S means full: the whole file decides.
            begun["fan"] = replace(fan_as_read(other, program), initial=self.value["fan"])
        none = Track(np.empty(0, np.int32), np.empty(0))
        nozzle = {
            tool: replace(states.nozzle.get(tool, none), initial=self.nozzle.get(tool, float("nan")))
            for tool in {**self.nozzle, **states.nozzle}
        }
        full = program.states.fan_full
        return replace(other, states=replace(states, nozzle=nozzle, fan_full=full, **begun))


def fan_as_read(other: Program, program: Program) -> Track:
    """The fan of `other` with S meaning full what it means in `program`."""
    return fan_track(Commands(other.words), program.states.fan_full)[0]


def _track(states: States, name: str) -> Track:
    found: Track = getattr(states, name)
    return found


class _Seeds:
    """Lines before each of some windows: a table of bytes a line, of which some windows have none, and what stands
    before the first window alone."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.tables: list[U1] = []
        self.wanted: list[Bool] = []
        self.head: list[bytes] = []

    def add(self, wanted: Bool, *words: bytes | tuple[F8, int]) -> None:
        """A line of words, constant or a number with its decimals, before each window `wanted`."""
        if np.any(wanted):
            numbers = [w if isinstance(w, bytes) else (np.where(wanted, w[0], 0.0), w[1]) for w in words]
            self.tables.append(_line(self.count, *numbers))
            self.wanted.append(wanted)

    def first(self, *words: bytes | tuple[F8, int]) -> None:
        """A line before the first window and all that is added there; numbers : of all windows."""
        texts = [w if isinstance(w, bytes) else b"%.*f" % (w[1], float(w[0][0])) for w in words]
        self.head.append(b"".join((*texts, b"\n")))

    def text(self) -> tuple[Pool, I8]:
        """What stands before each window, and how many lines that is."""
        length, lines = np.zeros(self.count, np.int64), np.zeros(self.count, np.int64)
        for table, wanted in zip(self.tables, self.wanted, strict=True):
            length += wanted * table.shape[1]
            lines += wanted
        data = np.empty(0, np.uint8)
        if self.tables:
            width = [table.shape[1] for table in self.tables]
            table, wanted = np.concatenate(self.tables, axis=1), np.column_stack(self.wanted)
            data = table.ravel() if wanted.all() else table[np.repeat(wanted, width, axis=1)]
        head = np.frombuffer(b"".join(self.head), np.uint8)
        length[0] += len(head)
        lines[0] += len(self.head)
        return Pool(np.concatenate([head, data]), length), lines


def _line(count: int, *words: bytes | tuple[F8, int]) -> U1:
    """(k, w) lines of words that are all as long."""
    parts = [
        np.broadcast_to(np.frombuffer(word, np.uint8), (count, len(word)))
        if isinstance(word, bytes)
        else _padded(*word)
        for word in (*words, b"\n")
    ]
    return np.concatenate(parts, axis=1)


def _padded(values: F8, decimals: int) -> U1:
    """(k, w) text of numbers, all as wide, with zeros in front; whole multiples of the last decimal as they are.

    Raises
    ------
    ValueError : a number that is not finite or has too many digits.
    """
    scaled = np.rint(values * 10.0**decimals)
    most = float(np.abs(scaled).max(initial=0.0))
    if not most < _MOST:
        raise ValueError("a number to print is not finite or has too many digits")
    rest = np.abs(scaled).astype(np.int64)
    digits = max(len(str(int(most))), decimals + 1)
    signed = bool(np.any(scaled < 0))
    table = np.empty((len(values), signed + digits + (decimals > 0)), np.uint8)
    if signed:
        table[:, 0] = np.where(scaled < 0, 45, 48)
    column = table.shape[1] - 1
    for place in range(digits):
        if decimals and place == decimals:
            table[:, column] = 46
            column -= 1
        tenth = rest // 10
        table[:, column] = rest - 10 * tenth + 48
        rest = tenth
        column -= 1
    return table


def _seeds(program: Program, first: I8, gap: I8, counter: F8) -> tuple[Pool, I8]:
    """Lines that bring a reader from the end of one window, behind the kept lines from `gap` on, to `first`:
    the place and feed of the move before, and the original's value of whatever those kept lines set.

    The first window is the first of a batch: what decides the meaning of words is set there in any case.
    """
    states, count = program.states, len(first)
    every, begins = np.ones(count, bool), np.arange(count) == 0
    seeds = _Seeds(count)
    movable = bool(np.any(states.xyz_relative.value == 1.0))
    if movable:
        seeds.add(every, b"G90")

    seeds.add(every, *_place_before(program, first, movable))
    known: dict[int, tuple[I8, Bool]] = {}
    lines, gap_lines = first.astype(np.int32), gap.astype(np.int32)  # as the lines of commands are

    def set_by(track: Track) -> tuple[I8, Bool]:
        """How many of its commands stand before each window, and whether one of them behind the last."""
        if id(track) not in known:
            number = np.searchsorted(track.line, lines)
            known[id(track)] = number, number > np.searchsorted(track.line, gap_lines)
        return known[id(track)]

    def seed(head: bytes, track: Track, decimals: int, scale: float = 1.0, always: bool = False) -> None:
        number, wanted = set_by(track)
        if not (always or np.any(wanted)):
            return
        value = np.append(track.initial, track.value)[number] * scale
        wanted = (wanted | begins if always else wanted) & ~np.isnan(value)
        if np.any(wanted[1:]):
            seeds.add(wanted, head, (value, decimals))
        elif wanted[0]:
            seeds.first(head, (value, decimals))

    absolute = states.e_relative.at(first) != 1.0
    mode = np.where(absolute, 82.0, 83.0), 0
    seeds.add(absolute, b"G92 E", (counter, _PLACES))
    # G91 changes what E means, so it goes before what says that.
    if movable:
        seeds.add(states.xyz_relative.at(first) == 1.0, b"G91")
        seeds.add(every, b"M", mode)
    else:
        seeds.first(b"M", mode)
        seeds.add(set_by(states.e_relative)[1] & ~begins, b"M", mode)
    seed(b"T", states.tool, 0, always=True)
    seed(b"G", states.plane, 0, always=True)
    seed(b"M220 S", states.speed_factor, 6, 100.0, True)
    seed(b"M221 S", states.flow_factor, 6, 100.0, True)
    for head, name in ((b"M204 P", "accel"), (b"M204 T", "travel_accel"), (b"M204 R", "retract_accel")):
        seed(head, _track(states, name), 3)
    seed(b"M205 X", states.jerk_xy, 6)
    seed(b"M140 S", states.bed, 3)
    seed(b"M106 S", states.fan, 4, states.fan_full)
    for tool, track in states.nozzle.items():
        seed(f"M104 T{tool} S".encode(), track, 4)
    return seeds.text()


def _place_before(program: Program, first: I8, movable: bool) -> list[bytes | tuple[F8, int]]:
    """Words of the place and feed of the move before each of the lines `first`. movable : places may be relative."""
    moves = program.moves
    row = rows_at(program, first) - 1
    has, at = row >= 0, np.maximum(row, 0)

    def place(column: F8, letter: str) -> tuple[F8, int]:
        # Where all words are absolute the columns hold the very numbers of the file.
        places = _PLACES if movable else min(program.decimals.get(letter, 0), _PLACES)
        return np.where(has, column[at], 0.0) if len(column) else np.zeros(len(first)), places

    feed = np.where(has, moves.f[at] * 60.0, np.nan) if len(moves) else np.full(len(first), np.nan)
    feeds = np.where(np.isnan(feed), 1.0, feed), min(program.decimals.get("F", 0), _PLACES)
    return [
        b"G1 X",
        place(moves.x, "X"),
        b" Y",
        place(moves.y, "Y"),
        b" Z",
        place(moves.z, "Z"),
        b" F",
        feeds,
    ]


def _counter_before(program: Program, first: I8) -> F8:
    """Any counter will do where E is relative; where it is absolute it must be the file's own."""
    absolute = program.states.e_relative.at(first) == 0.0
    counter = np.zeros(len(first))
    if np.any(absolute):
        from_line = first[absolute]
        row = rows_at(program, from_line)
        counter[absolute] = _counter_of_rows(program, row)
    return counter


def _counter_of_rows(program: Program, row: I8) -> F8:
    """E counter before `row` from sums: exact enough (1e-9), and independent of the writer's own look-up."""
    moves = program.moves
    words = program.words
    g92 = words.line[(words.letter == ord("G")) & (words.value == 92)]
    e_at = np.flatnonzero((words.letter == ord("E")) & np.isin(words.line, g92))
    lines, values = words.line[e_at].astype(np.int64), np.nan_to_num(words.value[e_at])
    axes = np.isin(words.letter, np.frombuffer(b"XYZE", np.uint8))
    bare = np.setdiff1d(g92, words.line[axes])
    lines = np.concatenate([lines, bare])
    values = np.concatenate([values, np.zeros(len(bare))])
    order = np.argsort(lines, kind="stable")
    lines, values = lines[order], values[order]
    here = np.append(moves.line, len(program.lines)).astype(np.int64)[row]
    k = np.searchsorted(lines, here) - 1
    if len(lines) == 0:
        return _sums_before(moves.e, row)
    base_row = np.minimum(rows_at(program, lines[np.maximum(k, 0)]), row)
    total = _sums_before(moves.e, row)
    since = total - _sums_before(moves.e, base_row)
    return np.where(k >= 0, values[np.maximum(k, 0)] + since, total)


def _sums_before(values: F8, rows: I8) -> F8:
    """(k,) sum of all `values` before each of the ascending `rows`; no column of their length is made."""
    result, total = np.zeros(len(rows)), 0.0
    for low, high in spans_of(int(rows[-1])):
        sums = np.cumsum(np.append(total, values[low:high]))
        total = float(sums[-1])
        a, b = np.searchsorted(rows, np.array([low, high + 1]))
        result[a:b] = sums[rows[a:b] - low]
    return result
