"""Which stretches of the output the audit reads again, and the text that brings a reader into their state.

A window begins one move before the first edit or declared change in it and ends behind the move that follows
the last. Between windows stand copies of the file's own bytes: they set what they set in the original, and
what they leave alone is carried over from the end of the window before.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.splice import Edits
from gcodetools.gcode.numbers import Pool, fixed, join_pools
from gcodetools.gcode.program import Program, States, Track
from gcodetools.gcode.scan import read_program

__all__ = ["Batch", "line_map", "read_windows", "windows"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_GAP_LINES = 6  # windows nearer to each other are read as one: what brings a reader there costs as much
_BATCH_MOVES = 150_000
_BLOCK_BYTES = 1 << 20
_THREADS = 2
_CARRIED = ("accel", "travel_accel", "jerk_xy", "retract_accel", "bed", "fan")
_PLACES = 9


def line_map(edits: Edits, start: I8) -> I4:
    """(n + 1,) output line of each original line; the last entry is the output's count."""
    total = np.concatenate([[0], np.cumsum(edits.newlines)]).astype(np.int32)
    reached = np.searchsorted(start, edits.begin)
    result: I4 = np.repeat(total, np.diff(reached, prepend=0, append=len(start)))
    result += np.arange(len(start), dtype=np.int32)
    return result


def windows(program: Program, edits: Edits, changes: Changes) -> tuple[I8, I8]:
    """First and behind-last line of each stretch to read again; each ends behind a move."""
    count = len(program.lines)
    line = np.searchsorted(program.lines.start, edits.begin, side="right") - 1
    local_first, local_last = changes.local()
    first = np.concatenate([line, local_first])
    last = np.concatenate([line, local_last])
    # One move before the first edit, so that what is inserted stands between two moves of the window.
    before = np.searchsorted(program.moves.line, first) - 1
    if len(program.moves):
        first = np.where(before >= 0, program.moves.line[np.maximum(before, 0)], first)
    order = np.argsort(first, kind="stable")
    first, last = first[order], np.maximum.accumulate(last[order]) if len(order) else last
    if len(first) == 0:
        return first, last
    next_row = np.minimum(
        np.searchsorted(program.moves.line, last, side="right"), max(len(program.moves) - 1, 0)
    )
    last = np.maximum(last, program.moves.line[next_row]) if len(program.moves) else last
    new = np.concatenate([[True], first[1:] > np.maximum.accumulate(last)[:-1] + _GAP_LINES])
    begin = np.flatnonzero(new)
    end = np.maximum.reduceat(last, begin)
    return np.minimum(first[begin], count), np.minimum(end + 1, count)


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
    program: Program, output: bytes, mapped: NDArray[np.integer], found: tuple[I8, I8]
) -> Iterator[Batch]:
    """Read the windows `found` of the output, some hundred thousand moves at a time so that memory stays
    bounded; while one batch is compared the next is read."""
    reader = _Reader(program, output, mapped, *found)
    carried = _Carried.of(program, int(found[0][0]))
    with ThreadPoolExecutor(1) as pool:
        ahead = pool.submit(reader.batch, 0)
        for k in range(len(reader.cuts) - 1):
            batch = ahead.result()
            if k + 2 < len(reader.cuts):
                ahead = pool.submit(reader.batch, k + 1)
            other = carried.into(batch.other, program)
            carried = _Carried.of(other, len(other.lines))
            yield replace(batch, other=other)


class _Reader:
    """Reads batches of windows, each on its own: what is carried over is put in afterwards."""

    def __init__(
        self, program: Program, output: bytes, mapped: NDArray[np.integer], first: I8, last: I8
    ) -> None:
        self.program, self.output, self.mapped = program, output, mapped
        self.first, self.last = first, last
        line = program.moves.line
        self.low, self.high = np.searchsorted(line, first), np.searchsorted(line, last)
        batch = np.cumsum(self.high - self.low) // _BATCH_MOVES
        self.cuts = [0, *(np.flatnonzero(np.diff(batch)) + 1).tolist(), len(first)]
        self.counter = _counter_before(program, first)
        # Lines inserted before a window's first line belong to it.
        self.begin = np.where(first > 0, mapped[np.maximum(first - 1, 0)] + 1, 0)
        self.end = mapped[last]
        edges = np.column_stack([self.begin, self.end]).ravel().astype(np.int64)
        self.begin_byte, self.end_byte = _line_bytes(output, edges).reshape(-1, 2).T

    def batch(self, number: int) -> Batch:
        """Batch `number` (from 0)."""
        a, b = self.cuts[number], self.cuts[number + 1]
        low, high, mapped = self.low[a:b], self.high[a:b], self.mapped
        text, shift = self._text(a, b)
        other = read_program(text if text else b"\n", "output")
        rows = _ranges(low, high)
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
        view, output = seeds.data.tobytes(), self.output
        columns = (seed_end - seeds.length, seed_end, self.begin_byte[mine], self.end_byte[mine])
        pieces = [
            piece
            for p, q, r, s in zip(*(column.tolist() for column in columns), strict=True)
            for piece in (view[p:q], output[r:s])
        ]
        return b"".join(pieces), lines_before + (self.mapped[first] - begin)


def _line_bytes(output: bytes, lines: I8) -> I8:
    """Byte at which each of the ascending `lines` begins; the output's length for one behind the last."""
    text = np.frombuffer(output, np.uint8)

    def behind_ends(low: int) -> I8:
        found: I8 = np.flatnonzero(text[low : low + _BLOCK_BYTES] == 10)
        found += low + 1
        return found

    result = np.where(lines > 0, len(output), 0)
    done = 1
    with ThreadPoolExecutor(_THREADS) as pool:
        for begins in pool.map(behind_ends, range(0, len(text), _BLOCK_BYTES)):
            low, high = np.searchsorted(lines, (done, done + len(begins)))
            result[low:high] = begins[lines[low:high] - done]
            done += len(begins)
    return result


def _ranges(low: I8, high: I8) -> I8:
    count = high - low
    result: I8 = np.repeat(low - (np.cumsum(count) - count), count)
    result += np.arange(len(result))
    return result


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
            share = states.fan_full / program.states.fan_full
            begun["fan"] = replace(begun["fan"], value=np.minimum(begun["fan"].value * share, 1.0))
        none = Track(np.empty(0, np.int32), np.empty(0))
        nozzle = {
            tool: replace(states.nozzle.get(tool, none), initial=self.nozzle.get(tool, float("nan")))
            for tool in {**self.nozzle, **states.nozzle}
        }
        full = program.states.fan_full
        return replace(other, states=replace(states, nozzle=nozzle, fan_full=full, **begun))


def _track(states: States, name: str) -> Track:
    found: Track = getattr(states, name)
    return found


class _Seeds:
    """Lines before each of some windows, a part at a time."""

    def __init__(self, count: int) -> None:
        self.parts: list[Pool | bytes] = []
        self.lines = np.zeros(count, np.int64)
        self.count = count

    def add(self, wanted: Bool, *words: bytes | tuple[F8, int]) -> None:
        """A line of words, constant or a number with its decimals, before each window `wanted`."""
        count = int(np.count_nonzero(wanted))
        if count == 0:
            return
        pools = [word if isinstance(word, bytes) else fixed(word[0][wanted], word[1]) for word in words]
        text = join_pools(*pools, b"\n", count=count)
        length = np.zeros(self.count, np.int64)
        length[wanted] = text.length
        self.parts.append(Pool(text.data, length))
        self.lines += wanted


def _seeds(program: Program, first: I8, gap: I8, counter: F8) -> tuple[Pool, I8]:
    """Lines that bring a reader from the end of one window, behind the kept lines from `gap` on, to `first`:
    the place and feed of the move before, and the original's value of whatever those kept lines set.

    The first window is the first of a batch: what decides the meaning of words is set there in any case.
    """
    moves, states = program.moves, program.states
    count = len(first)
    row = np.searchsorted(moves.line, first) - 1
    has, at = row >= 0, np.maximum(row, 0)
    every, begins = np.ones(count, bool), np.arange(count) == 0
    seeds = _Seeds(count)
    movable = bool(np.any(states.xyz_relative.value == 1.0))
    if movable:
        seeds.add(every, b"G90")

    def place(column: F8, letter: str) -> tuple[F8, int]:
        # Where all words are absolute the columns hold the very numbers of the file.
        places = _PLACES if movable else min(program.decimals.get(letter, 0), _PLACES)
        return np.where(has, column[at], 0.0) if len(column) else np.zeros(count), places

    feed = np.where(has, moves.f[at] * 60.0, np.nan) if len(moves) else np.full(count, np.nan)
    feeds = np.where(np.isnan(feed), 1.0, feed), min(program.decimals.get("F", 0), _PLACES)
    columns = place(moves.x, "X"), place(moves.y, "Y"), place(moves.z, "Z")
    seeds.add(every, b"G1 X", columns[0], b" Y", columns[1], b" Z", columns[2], b" F", feeds)

    def set_by(track: Track) -> Bool:
        found: Bool = np.searchsorted(track.line, first) > np.searchsorted(track.line, gap)
        return found

    def seed(
        head: bytes, track: Track, decimals: int, scale: float = 1.0, always: Bool | None = None
    ) -> None:
        wanted = set_by(track) if always is None else set_by(track) | always
        if np.any(wanted):
            value = track.at(first) * scale
            seeds.add(wanted & ~np.isnan(value), head, (value, decimals))

    absolute = states.e_relative.at(first) != 1.0
    seeds.add(absolute, b"G92 E", (counter, _PLACES))
    mode = np.where(absolute, 82.0, 83.0), 0
    seeds.add(set_by(states.e_relative) | begins, b"M", mode)
    seed(b"T", states.tool, 0, always=begins)
    seed(b"G", states.plane, 0, always=begins)
    seed(b"M220 S", states.speed_factor, 6, 100.0, begins)
    seed(b"M221 S", states.flow_factor, 6, 100.0, begins)
    for head, name in ((b"M204 P", "accel"), (b"M204 T", "travel_accel"), (b"M204 R", "retract_accel")):
        seed(head, _track(states, name), 3)
    seed(b"M205 X", states.jerk_xy, 6)
    seed(b"M140 S", states.bed, 3)
    seed(b"M106 S", states.fan, 4, states.fan_full)
    for tool, track in states.nozzle.items():
        seed(f"M104 T{tool} S".encode(), track, 4)
    if movable:
        seeds.add(states.xyz_relative.at(first) == 1.0, b"G91")
    return join_pools(*seeds.parts, count=count), seeds.lines


def _counter_before(program: Program, first: I8) -> F8:
    """Any counter will do where E is relative; where it is absolute it must be the file's own."""
    absolute = program.states.e_relative.at(first) == 0.0
    counter = np.zeros(len(first))
    if np.any(absolute):
        from_line = first[absolute]
        row = np.searchsorted(program.moves.line, from_line)
        counter[absolute] = _counter_of_rows(program, row)
    return counter


def _counter_of_rows(program: Program, row: I8) -> F8:
    """E counter before `row` from sums: exact enough (1e-9), and independent of the writer's own look-up."""
    moves = program.moves
    total = np.concatenate([[0.0], np.cumsum(moves.e[: row[-1]])])
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
        return total[row]
    base_row = np.minimum(np.searchsorted(moves.line, lines[np.maximum(k, 0)]), row)
    since = total[row] - total[base_row]
    return np.where(k >= 0, values[np.maximum(k, 0)] + since, total[row])
