"""Reads back what was written and compares every surviving move with the original.

By induction: bytes outside the edits are copies, so only windows around edits and declared changes are read
again (see `windows`), each from the place the original had at its first line and from the state that the
window before has left. State at a line depends on the state before it and on bytes alone, so a window whose
end agrees carries the proof on to the next. `full=True` reads the whole output instead; both must agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.context import INCH_MM, coordinate_step
from gcodetools.edit.draft import Draft
from gcodetools.edit.foreign import foreign_problem
from gcodetools.edit.moves import Wait
from gcodetools.edit.sequence import covered_rows, ordinary_rows, pauses, sequence_problem, surviving_rows
from gcodetools.edit.splice import Edits, first_stray_byte
from gcodetools.edit.wanted import wanted_problems
from gcodetools.edit.windows import line_map, read_windows, windows
from gcodetools.errors import Fault
from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import Program, Track
from gcodetools.gcode.scan import read_program

__all__ = ["Audit", "audit"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Rows = NDArray[np.integer]

POSITION_MM = 1e-6  # a surviving line's own words are never rewritten
_STATE = 1e-3  # of what commands have set
LENGTH_MM = 6e-3  # pieces of one move, each end rounded
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


def audit(
    draft: Draft,
    edits: Edits,
    output: bytes,
    changes: Changes,
    held_back: list[int],
    waits: Sequence[Wait] = (),
    *,
    full: bool = False,
) -> Audit:
    """Compare `output` with the original under the declared `changes`, and with what the draft wants.

    waits : the moves of rests.

    Raises
    ------
    Fault : nothing was edited, yet the output differs.
    """
    program = _with_base(draft.plate.program, draft.base_fan)
    mapped = line_map(edits, program.lines.start)
    first, last = windows(program, edits, changes)
    reworked = bool(draft.runs) or draft.removed is not None or len(waits) > 0 or draft.moved is not None
    whole = (
        full
        or reworked
        or _needs_whole(program)
        or int((last - first).sum()) > _FULL_SHARE * len(program.lines)
    )
    if len(edits) == 0:
        if output != program.lines.data:
            raise Fault("nothing was edited, yet the output differs from the input")
        return Audit(len(program.lines), 0, 0, 0, 0, 0, False)
    stray = first_stray_byte(program.lines.data, edits, output)
    if stray >= 0:
        line = output.count(b"\n", 0, stray) + 1
        why = f"line {line} of the output is neither an edit nor the original's"
        return Audit(len(program.lines), 0, 0, len(set(held_back)), 1, 0, whole, why)
    foreign = foreign_problem(program, edits, output)
    if foreign:
        return Audit(len(program.lines), 0, 0, len(set(held_back)), 1, 0, whole, foreign)
    if whole:
        bad, why, read = _whole_file(draft, program, output, mapped, changes, waits)
    else:
        bad, why, read = _window_by_window(draft, program, output, mapped, (first, last), changes)
    touched = distinct(np.searchsorted(program.lines.start, edits.begin, side="right") - 1)
    replaced = int(np.count_nonzero(np.isin(touched, _replaced_lines(program, edits))))
    inserted = int(edits.newlines.sum())
    return Audit(
        len(program.lines) - replaced, replaced, inserted, len(set(held_back)), bad, read, whole, why
    )


def _whole_file(
    draft: Draft, program: Program, output: bytes, mapped: Rows, changes: Changes, waits: Sequence[Wait]
) -> tuple[int, str, int]:
    """Moves that differ, a sentence on the first, and how many were read: the whole output."""
    other = _with_base(read_program(output, "output"), draft.base_fan)
    rows = surviving_rows(draft)
    ends = np.array([len(rows)])
    to_line = mapped[program.moves.line[rows]]
    return *_compare(draft, program, other, rows, to_line, ends, _Allowed(changes), waits), len(rows)


def _window_by_window(
    draft: Draft, program: Program, output: bytes, mapped: Rows, found: tuple[I8, I8], changes: Changes
) -> tuple[int, str, int]:
    """The same for the windows, a batch at a time."""
    bad, why, read = 0, "", 0
    allowed = _Allowed(changes)
    for batch in read_windows(program, output, mapped, found):
        off, sentence = _compare(draft, program, batch.other, batch.rows, batch.to_line, batch.ends, allowed)
        bad, why, read = bad + off, why or sentence, read + len(batch.rows)
    return bad, why, read


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
    """Files whose coordinates are shifted, in inches, volumetric or with absolute arc centres: rare, and read
    back whole."""
    states = program.states
    shifted = any(len(t.line) for t in (states.offset_x, states.offset_y, states.offset_z))
    moded = np.any(states.inches.value == 1.0) or np.any(states.arc_absolute.value == 1.0)
    return shifted or bool(moded) or bool(len(states.volumetric.line))


class _Allowed:
    """Lines in which a field may differ, by the declared changes; each field's spans are joined once."""

    def __init__(self, changes: Changes) -> None:
        self.changes = changes
        self.spans: dict[str, tuple[I8, I8]] = {}

    def rows(self, name: str, line: Rows) -> Bool:
        """(k,) whether a field may differ in each of the ascending lines."""
        if name not in self.spans:
            self.spans[name] = _joined(*self.changes.spans(name))
        first, last = self.spans[name]
        near = slice(np.searchsorted(last, line[0]), np.searchsorted(first, line[-1], side="right"))
        begin = np.searchsorted(line, first[near])
        end = np.searchsorted(line, last[near], side="right")
        edges = np.column_stack([begin, end]).ravel()
        inside = np.arange(len(edges) + 1) % 2 == 1
        return np.repeat(inside, np.diff(edges, prepend=0, append=len(line)))


def _joined(first: I8, last: I8) -> tuple[I8, I8]:
    """Spans [first, last] ascending, those that touch or overlap as one."""
    order = np.argsort(first, kind="stable")
    first, last = first[order], np.maximum.accumulate(last[order]) if len(order) else last
    begins = np.ones(len(first), bool)
    begins[1:] = first[1:] > last[:-1] + 1
    return first[begins], last[np.append(begins[1:], True)] if len(last) else last


class _May:
    """Rows in whose lines a field may differ; each field is worked out once."""

    def __init__(self, allowed: _Allowed, line: Rows) -> None:
        self.allowed, self.line = allowed, line
        self.known: dict[str, Bool] = {}

    def __getitem__(self, name: str) -> Bool:
        if name not in self.known:
            self.known[name] = self.allowed.rows(name, self.line)
        return self.known[name]


def _compare(
    draft: Draft,
    program: Program,
    other: Program,
    rows: I8,
    to_line: Rows,
    ends: I8,
    allowed: _Allowed,
    waits: Sequence[Wait] = (),
) -> tuple[int, str]:
    """Count of rows that differ undeclared, and a sentence on the first."""
    if len(rows) == 0:
        return 0, ""
    at = np.searchsorted(other.moves.line, to_line)
    at = np.minimum(at, len(other.moves) - 1)
    present = other.moves.line[at] == to_line
    a, b = program.moves, other.moves
    line, there = a.line[rows], b.line[at]
    may = _May(allowed, line)
    # Where moves came or went their places and filament are worked out, all of them.
    covered = covered_rows(draft, rows, waits)
    moved = may["position"] & covered
    problems: list[tuple[str, Bool]] = [("missing", ~present)]
    for name, place, slack_mm in _places(draft, program, rows):
        off = np.abs(place[rows] - getattr(b, name)[at]) > slack_mm
        problems.append((name, off & ~moved))
    problems.append(("tool", a.tool[rows] != b.tool[at]))
    problems.append(("kind", (a.kind[rows] ^ b.kind[at]) & 0b00001111 != 0))
    problems.append(("pause", np.abs(pauses(program, rows) - pauses(other, at)) > 1e-6))
    feed = a.f[rows]
    slack = 1e-6 * np.maximum(np.abs(feed), 1.0)
    feed_off = ~((np.abs(feed - b.f[at]) <= slack) | np.isnan(feed))
    problems.append(("feed", feed_off & ~may["feed"]))
    judged = present & ordinary_rows(draft, rows, waits)
    pushed = may["e"] & (covered | _flowing(draft, rows))
    longer = moved | _moving(draft, rows)
    problems += [(n, off & judged) for n, off in _sums(draft, other, rows, at, ends, (longer, pushed))]
    for name, off in wanted_problems(draft, other, rows, at, np.concatenate([[0], ends[:-1]])):
        sure = present if name in ("fan", "nozzle") else judged
        problems.append((name, off & sure & ~(covered & (name == "between"))))
    problems += _states_off(draft, program, other, rows, there, may)
    bad = np.zeros(len(rows), bool)
    sentence = ""
    for name, off in problems:
        if np.any(off) and not sentence:
            k = int(np.flatnonzero(off)[0])
            sentence = f"{name} in line {int(program.moves.line[rows[k]]) + 1} of the original"
        bad |= off
    if not sentence:
        sentence = sequence_problem(draft, other, rows, at, waits)
        return int(bad.sum()) + bool(sentence), sentence
    return int(bad.sum()), sentence


def _states_off(
    draft: Draft, program: Program, other: Program, rows: I8, there: Rows, may: _May
) -> list[tuple[str, Bool]]:
    """What is in force at each row's line, against the output's at its line there."""
    line = program.moves.line[rows]
    names = {"accel": "accel", "travel_accel": "travel_accel", "retract_accel": "", "jerk_xy": "", "bed": "",
             "speed_factor": "", "flow_factor": "", "e_relative": "", "xyz_relative": "", "inches": "",
             "plane": "", "arc_absolute": "", "volumetric": "", "fan": "fan"}  # fmt: skip
    problems = []
    for name, field in names.items():
        off = _state_off(getattr(program.states, name), getattr(other.states, name), line, there)
        if off is not None:
            problems.append((name, off & ~(may[field] & _held(draft, name, rows, other, there))))
    for tool in {**program.states.nozzle, **other.states.nozzle}:
        new = other.states.nozzle.get(tool, Track(np.empty(0, np.int32), np.empty(0)))
        off = _state_off(draft.nozzle_track(tool), new, line, there, draft.base_nozzle_c)
        if off is not None:
            problems.append((f"nozzle {tool}", off & ~may["nozzle"]))
    return problems


def _held(draft: Draft, name: str, rows: I8, other: Program, there: Rows) -> Bool:
    """(k,) rows on which what is in force may be another: a fan that is held, which is compared with what is
    wanted, and the last acceleration that was wanted, which lasts over travels."""
    if name == "fan":
        return np.zeros(len(rows), bool) if draft.fan is None else ~np.isnan(draft.fan[rows])
    now = other.states.accel.at(there)
    if name == "travel_accel":  # one word may set both
        return np.abs(other.states.travel_accel.at(there) - now) <= _STATE
    asked = np.flatnonzero(~np.isnan(draft.accel))
    if len(asked) == 0:
        return np.zeros(len(rows), bool)
    last = np.searchsorted(asked, draft.first[rows + 1] - 1, side="right") - 1
    lasting = np.where(last >= 0, draft.accel[asked[np.maximum(last, 0)]], np.nan)
    return np.abs(lasting - now) <= _STATE


def _state_off(old: Track, new: Track, line: Rows, there: Rows, base: float = float("nan")) -> Bool | None:
    """Where a state differs, None if nowhere; a window's reader may not know what the original never set.

    Both hold still between commands, so only the first row behind each is looked at. base : before any
    command that counts, both may have what the start macro set.
    """
    edges = np.concatenate([[0], _behind(old, line), _behind(new, there)])
    edges = distinct(np.sort(edges[edges < len(line)]))
    before, after = old.at(line[edges]), new.at(there[edges])
    heated = (np.isnan(after) | (after == 0)) & (before == base)
    off = ~(np.abs(before - after) <= _STATE) & ~(np.isnan(before) & np.isnan(after)) & ~heated
    if not np.any(off):
        return None
    return np.repeat(off, np.diff(edges, append=len(line)))


def _behind(track: Track, lines: Rows) -> I8:
    """Index of the first of the ascending `lines` behind each command between the first of them and the last."""
    near = slice(*np.searchsorted(track.line, (lines[0], lines[-1])))
    found: I8 = np.searchsorted(lines, track.line[near], side="right")
    return found


def _flowing(draft: Draft, rows: I8) -> Bool:
    """(k,) rows of which a piece has a flow of its own: their filament is compared with what is wanted."""
    result = np.zeros(len(draft.first) - 1, bool)
    result[draft.row[~np.isnan(draft.flow)]] = True
    return result[rows] | _moving(draft, rows)


def _moving(draft: Draft, rows: I8) -> Bool:
    """(k,) rows that go elsewhere than in the file: where each piece of them ends is compared with what is
    wanted."""
    result = np.zeros(len(draft.first) - 1, bool)
    if draft.moved is not None:
        result[draft.moved.touched] = True
    return result[rows]


def _places(draft: Draft, program: Program, rows: I8) -> list[tuple[str, F8, F8 | float]]:
    """Each axis with where all rows should end on it, and how far off each of `rows` may be: one that was moved by
    what its rounding leaves."""
    moves = program.moves
    if draft.moved is None:
        return [(axis, getattr(moves, axis), POSITION_MM) for axis in "xyz"]
    unit = np.where(program.states.inches.at(moves.line[rows]) == 1.0, INCH_MM, 1.0)
    found: list[tuple[str, F8, F8 | float]] = [("z", moves.z, POSITION_MM)]
    for axis, place in zip("xy", draft.places(), strict=True):
        off = place[rows] != getattr(moves, axis)[rows]
        found.append((axis, place, POSITION_MM + off * unit * 0.501 * coordinate_step(program, axis.upper())))
    return found


def _sums(
    draft: Draft, other: Program, rows: I8, at: I8, ends: I8, may: tuple[Bool, Bool]
) -> list[tuple[str, Bool]]:
    """Filament and path length of each surviving move together with the moves inserted before it.

    may : rows whose path, and rows whose filament, may differ.
    """
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
        ("filament", e_off & ~may[1]),
        ("path length", l_off & ~may[0]),
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
