"""Reads back what was written and compares every surviving move with the original.

By induction: bytes outside the edits are copies, so only windows around edits and declared changes are read
again, each from the state the original had at its first line. State at a line depends on the state before it
and on bytes alone, so a window whose end agrees carries the proof on to the next. `full=True` reads the
whole output instead; both must agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.draft import Draft
from gcodetools.edit.splice import Edits, first_stray_byte
from gcodetools.edit.wanted import wanted_problems
from gcodetools.errors import Fault
from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.arrays import distinct, give_back
from gcodetools.gcode.numbers import Pool, fixed, join_pools
from gcodetools.gcode.program import Program, Track
from gcodetools.gcode.scan import read_program

__all__ = ["Audit", "audit", "line_map"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

POSITION_MM = 1e-6  # a surviving line's own words are never rewritten
LENGTH_MM = 6e-3  # pieces of one move, each end rounded
_GAP_LINES = 12
_BATCH_MOVES = 150_000
_LARGE_BYTES = 1 << 24
_FULL_SHARE = 0.6  # reading windows costs more than reading everything from here on


@dataclass(frozen=True, slots=True)
class Audit:
    """Lines kept, replaced and inserted; lines of the file's own that were held back; moves that differ."""

    kept: int
    replaced: int
    inserted: int
    held_back: int
    differing: int
    moves_read: int
    whole_file: bool
    first_difference: str = ""

    def require_clean(self) -> None:
        """Raise if anything differs.

        Raises
        ------
        Fault : with the first difference.
        """
        if self.differing:
            raise Fault(
                f"the audit found {self.differing} move(s) that differ undeclared: {self.first_difference}",
                "Nothing was written. Please report this with the file and the kit.",
            )


def line_map(edits: Edits, start: I8) -> I8:
    """(n + 1,) output line of each original line; the last entry is the output's count."""
    total = np.concatenate([[0], np.cumsum(edits.newlines)])
    before = np.searchsorted(edits.begin, start, side="right")
    result: I8 = before
    # In place: the columns of a large file are a good part of the memory in use.
    np.take(total, before, out=result)
    result += np.arange(len(start))
    return result


def audit(
    draft: Draft,
    edits: Edits,
    output: bytes,
    changes: Changes,
    held_back: list[int],
    *,
    full: bool = False,
) -> Audit:
    """Compare `output` with the original under the declared `changes`, and with what the draft wants.

    Raises
    ------
    Fault : nothing was edited, yet the output differs.
    """
    program = _with_base(draft.plate.program, draft.base_fan)
    mapped = line_map(edits, program.lines.start)
    first, last = _windows(program, edits, changes)
    whole = full or _needs_whole(program) or int((last - first).sum()) > _FULL_SHARE * len(program.lines)
    if len(edits) == 0:
        if output != program.lines.data:
            raise Fault("nothing was edited, yet the output differs from the input")
        return Audit(len(program.lines), 0, 0, 0, 0, 0, False)
    stray = first_stray_byte(program.lines.data, edits, output)
    if stray >= 0:
        line = output.count(b"\n", 0, stray) + 1
        why = f"line {line} of the output is neither an edit nor the original's"
        return Audit(len(program.lines), 0, 0, len(set(held_back)), 1, 0, whole, why)
    if whole:
        bad, why, read = _whole_file(draft, program, output, mapped, changes)
    else:
        bad, why, read = _window_by_window(draft, program, output, mapped, (first, last), changes)
    touched = distinct(np.searchsorted(program.lines.start, edits.begin, side="right") - 1)
    replaced = int(np.count_nonzero(np.isin(touched, _replaced_lines(program, edits))))
    inserted = int(edits.newlines.sum())
    return Audit(
        len(program.lines) - replaced, replaced, inserted, len(set(held_back)), bad, read, whole, why
    )


def _whole_file(
    draft: Draft, program: Program, output: bytes, mapped: I8, changes: Changes
) -> tuple[int, str, int]:
    """Moves that differ, a sentence on the first, and how many were read: the whole output."""
    other = _with_base(read_program(output, "output"), draft.base_fan)
    rows = np.arange(len(program.moves))
    ends = np.array([len(rows)])
    return *_compare(draft, program, other, rows, mapped[program.moves.line], ends, changes), len(rows)


def _window_by_window(
    draft: Draft, program: Program, output: bytes, mapped: I8, windows: tuple[I8, I8], changes: Changes
) -> tuple[int, str, int]:
    """The same for the windows, some hundred thousand moves at a time so that memory stays bounded."""
    first, last = windows
    low, high = np.searchsorted(program.moves.line, first), np.searchsorted(program.moves.line, last)
    starts = _output_starts(output)
    batch = np.cumsum(high - low) // _BATCH_MOVES
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(batch)) + 1, [len(first)]])
    bad, why, read, carried = 0, "", 0, _Carried.before(program)
    for a, b in pairwise(cuts.tolist()):
        text, shift = _windowed_text(program, output, starts, mapped, first[a:b], last[a:b], carried)
        other = read_program(text if text else b"\n", "output")
        rows = _ranges(low[a:b], high[a:b])
        owner = np.repeat(np.arange(a, b), (high - low)[a:b])
        to_line = mapped[program.moves.line[rows]] - mapped[first[owner]] + shift[owner - a]
        ends = np.cumsum((high - low)[a:b])
        found, sentence = _compare(draft, program, other, rows, to_line, ends, changes)
        bad, why, read = bad + found, why or sentence, read + len(rows)
        carried = _Carried.behind(other, int(last[b - 1]))
        del text, other
        if len(output) > _LARGE_BYTES:
            give_back()
    return bad, why, read


@dataclass(frozen=True, slots=True)
class _Carried:
    """Where the windows read so far end (line), and the fan and nozzles in force there; None before any."""

    line: int
    fan: float
    nozzle: dict[int, float]

    @classmethod
    def before(cls, program: Program) -> _Carried:
        """At the head of the file: what the first window finds is the original's."""
        return cls(0, float("nan"), {tool: float("nan") for tool in program.states.nozzle})

    @classmethod
    def behind(cls, other: Program, line: int) -> _Carried:
        """Behind the last line of a text that was read."""
        states = other.states
        nozzle = {tool: _final(track) for tool, track in states.nozzle.items()}
        return cls(line, _final(states.fan), nozzle)


def _final(track: Track) -> float:
    return float(track.value[-1]) if len(track.value) else track.initial


def _with_base(program: Program, base_fan: float) -> Program:
    if base_fan == 0.0 or np.isnan(base_fan):
        return program
    fan = replace(program.states.fan, initial=base_fan)
    return replace(program, states=replace(program.states, fan=fan))


def _replaced_lines(program: Program, edits: Edits) -> I8:
    line = np.searchsorted(program.lines.start, edits.begin, side="right") - 1
    inside = (edits.end > edits.begin) | (
        edits.begin != program.lines.start[np.minimum(line, len(program.lines))]
    )
    return distinct(line[inside])


def _needs_whole(program: Program) -> bool:
    """Files whose coordinates are shifted, in inches or volumetric: rare, and read back whole."""
    states = program.states
    shifted = any(len(t.line) for t in (states.offset_x, states.offset_y, states.offset_z))
    return shifted or bool(np.any(states.inches.value == 1.0)) or bool(len(states.volumetric.line))


def _windows(program: Program, edits: Edits, changes: Changes) -> tuple[I8, I8]:
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


def _ranges(low: I8, high: I8) -> I8:
    count = high - low
    return np.repeat(low - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))


def _windowed_text(
    program: Program, output: bytes, starts: I8, mapped: I8, first: I8, last: I8, carried: _Carried
) -> tuple[bytes, I8]:
    """The output's windows, each behind lines that set the original's state, and where each begins (line)."""
    seeds, seed_lines = _seeds(program, first, last, carried)
    seed_end = np.cumsum(seeds.length)
    # Lines inserted before a window's first line belong to it.
    previous = np.where(first > 0, mapped[np.maximum(first - 1, 0)] + 1, 0)
    begin, end = previous, mapped[last]
    lines_before = np.cumsum(seed_lines + (end - begin)) - (end - begin)
    shift = lines_before + (mapped[first] - begin)
    view = seeds.data.tobytes()
    columns = (seed_end - seeds.length, seed_end, starts[begin], starts[end])
    parts = [
        piece
        for a, b, c, d in zip(*(column.tolist() for column in columns), strict=True)
        for piece in (view[a:b], output[c:d])
    ]
    return b"".join(parts), shift


def _output_starts(output: bytes) -> I8:
    ends = np.flatnonzero(np.frombuffer(output, np.uint8) == 10) + 1
    starts = np.concatenate([[0], ends])
    return starts if output.endswith(b"\n") else np.append(starts, len(output))


def _seeds(program: Program, first: I8, last: I8, carried: _Carried) -> tuple[Pool, I8]:
    """Lines that bring a reader into the original's state at each window's first line.

    Nozzle and fan may differ there by a declared hold: they are carried over from the window before, unless
    the kept stretch between sets them itself.
    """
    moves, states = program.moves, program.states
    row = np.searchsorted(moves.line, first) - 1
    has = row >= 0
    at = np.maximum(row, 0)
    count = len(first)
    zero = np.zeros(count)

    def end(column: F8) -> Pool:
        return fixed(np.where(has, column[at], zero) if len(column) else zero, 9)

    counter = _counter_before(program, first)
    feed = moves.f[at] * 60.0 if len(moves) else zero
    known = has & ~np.isnan(feed)
    parts: list[Pool | bytes] = [
        b"G21\nG90\nM82\nG1 X", end(moves.x), b" Y", end(moves.y), b" Z", end(moves.z),
        b" F", fixed(np.where(known, feed, 1.0), 9), b"\nG92 E", fixed(counter, 9), b"\n",
    ]  # fmt: skip
    lines = np.full(count, 5)
    tracks: list[tuple[bytes, Track, int]] = [
        (b"M204 P", states.accel, 3), (b"M204 T", states.travel_accel, 3), (b"M205 X", states.jerk_xy, 6),
        (b"M204 R", states.retract_accel, 3), (b"M140 S", states.bed, 3),
    ]  # fmt: skip
    for head, track, decimals in tracks:
        _seed_track(parts, lines, head, track.at(first), decimals, np.ones(count, bool))
    for head, track in ((b"M220 S", states.speed_factor), (b"M221 S", states.flow_factor)):
        _seed_track(parts, lines, head, track.at(first) * 100.0, 6, np.ones(count, bool))
    _seed_track(parts, lines, b"T", states.tool.at(first), 0, np.ones(count, bool))
    _seed_track(parts, lines, b"G", states.plane.at(first), 0, np.ones(count, bool))
    gap = np.concatenate([[carried.line], last[:-1]])
    scale = states.fan_full
    value, wanted = _carried_on(states.fan, gap, first, carried.fan)
    _seed_track(parts, lines, b"M106 S", value * scale, 4, wanted)
    for tool, track in states.nozzle.items():
        head = f"M104 T{tool} S".encode()
        value, wanted = _carried_on(track, gap, first, carried.nozzle.get(tool, float("nan")))
        _seed_track(parts, lines, head, value, 4, wanted)
    relative = states.e_relative.at(first) == 1.0
    _seed_track(parts, lines, b"M", np.where(relative, 83.0, np.nan), 0, np.ones(count, bool))
    moved = states.xyz_relative.at(first) == 1.0
    _seed_track(parts, lines, b"G", np.where(moved, 91.0, np.nan), 0, np.ones(count, bool))
    return join_pools(*parts, count=count), lines


def _seed_track(
    parts: list[Pool | bytes], lines: I8, head: bytes, value: F8, decimals: int, wanted: Bool
) -> None:
    present = wanted & ~np.isnan(value)
    if not np.any(present):
        return
    text = join_pools(head, fixed(value[present], decimals), b"\n", count=int(present.sum()))
    length = np.zeros(len(value), np.int64)
    length[present] = text.length
    parts.append(Pool(text.data, length))
    lines += present


def _carried_on(track: Track, low: I8, high: I8, carried: float) -> tuple[F8, Bool]:
    """What to set before each window, and where: the original's value where lines [low, high) set it, and
    before the first window what was in force behind the last one read."""
    found = np.searchsorted(track.line, high) > np.searchsorted(track.line, low)
    value = track.at(high)
    if len(found) and not found[0]:
        value[0] = value[0] if np.isnan(carried) else carried
    found[:1] = True
    return value, found


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
    total = np.concatenate([[0.0], np.cumsum(moves.e)])
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
    base_row = np.searchsorted(moves.line, lines[np.maximum(k, 0)])
    since = total[row] - total[base_row]
    return np.where(k >= 0, values[np.maximum(k, 0)] + since, total[row])


class _Allowed:
    """Rows in whose lines a field may differ, by the declared changes; each field is worked out once."""

    def __init__(self, program: Program, rows: I8, changes: Changes) -> None:
        self.line = program.moves.line[rows]
        self.changes = changes
        self.known: dict[str, Bool] = {}

    def __getitem__(self, name: str) -> Bool:
        if name not in self.known:
            self.known[name] = self._rows(*self.changes.spans(name))
        return self.known[name]

    def _rows(self, first: I8, last: I8) -> Bool:
        if len(first) == 0:
            return np.zeros(len(self.line), bool)
        order = np.argsort(first, kind="stable")
        first, last = first[order], np.maximum.accumulate(last[order])
        # Spans that touch or overlap count as one: the lines ascend, so their ends bound whole stretches.
        at = np.searchsorted(first, self.line, side="right") - 1
        inside: Bool = (at >= 0) & (self.line <= last[np.maximum(at, 0)])
        return inside


def _compare(
    draft: Draft,
    program: Program,
    other: Program,
    rows: I8,
    to_line: I8,
    ends: I8,
    changes: Changes,
) -> tuple[int, str]:
    """Count of rows that differ undeclared, and a sentence on the first."""
    if len(rows) == 0:
        return 0, ""
    found = np.searchsorted(other.moves.line, to_line)
    present = found < len(other.moves)
    present[present] &= other.moves.line[found[present]] == to_line[present]
    allowed = _Allowed(program, rows, changes)
    problems: list[tuple[str, Bool]] = [("missing", ~present)]
    at = np.where(present, found, 0)
    a, b = program.moves, other.moves
    for name in ("x", "y", "z"):
        off = np.abs(getattr(a, name)[rows] - getattr(b, name)[at]) > POSITION_MM
        problems.append((name, off & ~allowed["position"]))
    problems.append(("tool", a.tool[rows] != b.tool[at]))
    problems.append(("kind", (a.kind[rows] ^ b.kind[at]) & 0b00001111 != 0))
    slack = 1e-6 * np.maximum(np.abs(a.f[rows]), 1.0)
    feed_off = ~((np.abs(a.f[rows] - b.f[at]) <= slack) | np.isnan(a.f[rows]))
    problems.append(("feed", feed_off & ~allowed["feed"]))
    problems += _sums(draft, other, rows, at, ends, allowed)
    rested = allowed["position"]
    for name, off in wanted_problems(draft, other, rows, at, np.concatenate([[0], ends[:-1]])):
        problems.append((name, off & present & ~(rested & (name == "between"))))
    line, there = a.line[rows], b.line[at]
    names = {"accel": "accel", "travel_accel": "travel_accel", "retract_accel": "", "jerk_xy": "", "bed": "",
             "speed_factor": "", "flow_factor": "", "e_relative": "", "xyz_relative": "", "inches": "",
             "plane": "", "fan": "fan"}  # fmt: skip
    for name, field in names.items():
        old, new = getattr(program.states, name).at(line), getattr(other.states, name).at(there)
        problems.append((name, _state_off(old, new) & ~allowed[field]))
    for tool in program.states.nozzle:
        new_track = other.states.nozzle.get(tool, Track(np.empty(0, np.int32), np.empty(0)))
        old, new = draft.nozzle_track(tool).at(line), new_track.at(there)
        # Before any command that counts, both have what the start macro set.
        heated = (np.isnan(new) | (new == 0)) & (old == draft.base_nozzle_c)
        off = _state_off(old, new) & ~heated
        problems.append((f"nozzle {tool}", off & ~allowed["nozzle"]))
    bad = np.zeros(len(rows), bool)
    sentence = ""
    for name, off in problems:
        if np.any(off) and not sentence:
            k = int(np.flatnonzero(off)[0])
            sentence = f"{name} in line {int(program.moves.line[rows[k]]) + 1} of the original"
        bad |= off
    return int(bad.sum()), sentence


def _state_off(old: F8, new: F8) -> Bool:
    """Where a state differs; a window's reader may not know what the original never set."""
    return ~(np.abs(old - new) <= 1e-3) & ~np.isnan(old)


def _sums(
    draft: Draft, other: Program, rows: I8, at: I8, ends: I8, allowed: _Allowed
) -> list[tuple[str, Bool]]:
    """Filament and path length of each surviving move together with the moves inserted before it."""
    program = draft.plate.program
    starts = np.concatenate([[0], ends[:-1]])
    e_total = np.concatenate([[0.0], np.cumsum(other.moves.e)])
    length = np.concatenate([[0.0], np.cumsum(_lengths(other))])
    before = np.concatenate([[-1], at[:-1]])
    # A window's first move is compared alone unless lines were inserted before it: its seed is no move of it.
    first = starts[starts < len(rows)]
    before[first] = at[first] - 1
    pieces = at - before
    e_new = e_total[at + 1] - e_total[before + 1]
    l_new = length[at + 1] - length[before + 1]
    units = 10.0 ** -max(program.decimals.get("E", 0), 5)
    e_off = np.abs(e_new - program.moves.e[rows]) > 0.51 * units * np.maximum(pieces, 1) * 2
    old = draft.plate.beads.length_mm[rows]
    l_off = np.abs(l_new - old) > LENGTH_MM * np.maximum(pieces, 1)
    l_off &= rows > 0  # where the machine stands before the first move nobody knows
    return [
        ("filament", e_off & ~allowed["e"]),
        ("path length", l_off & ~allowed["position"]),
    ]


def _lengths(program: Program) -> F8:
    moves = program.moves
    if len(moves) == 0:
        return np.empty(0)
    d = [np.diff(c, prepend=c[0]) for c in (moves.x, moves.y, moves.z)]
    result = np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    if len(program.arcs.row):
        result[program.arcs.row] = arc_lengths(moves, program.arcs)
    return result
