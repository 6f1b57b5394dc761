"""Compares moves that were read back with the original's and with what a draft wants of them.

Nearly all rows are as they were, so columns are compared for equality and only what differs is looked at closely.
Whatever is found is told as indices into the rows compared.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.context import coordinate_step
from gcodetools.edit.draft import INCH_MM, Draft
from gcodetools.edit.moves import Wait
from gcodetools.edit.sequence import covered_rows, ordinary_rows, pauses, sequence_problem
from gcodetools.edit.wanted import Wanted, behind, e_step_mm, edges_of, from_edges
from gcodetools.edit.windows import joined
from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.program import ARC, Program, Track
from gcodetools.records import dataclass

__all__ = ["Comparer"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Rows = NDArray[np.integer]
Problem = tuple[str, I8]

POSITION_MM = 1e-6  # a surviving line's own words are never rewritten
_STATE = 1e-3  # of what commands have set
LENGTH_MM = 6e-3  # pieces of one move, each end rounded
_TELLING = 0b00001111  # bits of a kind
_STATES = {"accel": "accel", "travel_accel": "travel_accel", "retract_accel": "", "jerk_xy": "", "bed": "",
           "speed_factor": "", "flow_factor": "", "e_relative": "", "xyz_relative": "", "inches": "",
           "plane": "", "arc_absolute": "", "volumetric": "", "fan": "fan"}  # fmt: skip


class _Allowed:
    """Lines in which a field may differ, by the declared changes; each field's spans are joined once."""

    def __init__(self, changes: Changes) -> None:
        self.changes = changes
        self.spans: dict[str, tuple[I8, I8]] = {}

    def lines(self, name: str, line: Rows) -> Bool:
        """(k,) whether a field may differ in each of the ascending lines."""
        if name not in self.spans:
            self.spans[name] = joined(*self.changes.spans(name))
        first, last = self.spans[name]
        near = slice(np.searchsorted(last, line[0]), np.searchsorted(first, line[-1], side="right"))
        begin = np.searchsorted(line, first[near])
        end = np.searchsorted(line, last[near], side="right")
        edges = np.column_stack([begin, end]).ravel()
        inside = np.arange(len(edges) + 1) % 2 == 1
        return np.repeat(inside, np.diff(edges, prepend=0, append=len(line)))


@dataclass(frozen=True, slots=True)
class Read:
    """Rows that were read back.

    other : what was read. rows : (k,) surviving rows of the original, ascending. at : (k,) the row of `other` that
    each became. starts : indices into `rows` before which something was left out. line, there : (k,) their lines,
    of the original and of `other`.
    """

    other: Program
    rows: I8
    at: I8
    starts: I8
    line: Rows
    there: Rows

    def unlike(self, column: F8, other: F8) -> I8:
        """Which rows differ in a column; NaN differs from all."""
        return np.flatnonzero(column[self.rows] != other[self.at])


class Comparer:
    """What is read back is held against a draft, its original `program` and the declared changes.

    waits : the moves of rests.
    """

    def __init__(self, draft: Draft, program: Program, changes: Changes, waits: Sequence[Wait] = ()) -> None:
        self.draft, self.program, self.waits = draft, program, waits
        self.allowed = _Allowed(changes)
        self.wanted = Wanted(draft)
        self.sequenced = draft.removed is not None or bool(draft.runs) or len(waits) > 0
        self.asked_accel = np.flatnonzero(~np.isnan(draft.accel))
        self.moving: Bool | None = None
        if draft.moved is not None:
            self.moving = np.zeros(len(draft.first) - 1, bool)
            self.moving[draft.moved.touched] = True

    def problems(self, other: Program, rows: I8, to_line: Rows, ends: I8) -> tuple[int, str]:
        """Count of rows that differ undeclared, and a sentence on the first.

        Parameters
        ----------
        rows : (k,) the rows of the original that must be there, ascending. to_line : (k,) the line of `other` in
        which each should stand. ends : (w,) indices into `rows` behind each stretch that is read in one go.
        """
        if len(rows) == 0:
            return 0, ""
        at, lost = _found(other, to_line)
        read = Read(other, rows, at, np.concatenate([[0], ends[:-1]]), self.program.moves.line[rows],
                    other.moves.line[at])  # fmt: skip
        judged: Bool | None = None
        covered: Bool | None = None
        if self.sequenced:
            # Where moves came or went their places and filament are worked out, all of them.
            covered = covered_rows(self.draft, rows, self.waits)
            judged = ordinary_rows(self.draft, rows, self.waits)
        found: list[Problem] = [("missing", lost)]
        apart = self._apart(read)
        found += self._columns(read, covered, apart)
        found += _only(judged, self._sums(read, covered, apart))
        found += _only(judged, self.wanted.problems(other, rows, at, apart))
        between = self.wanted.between(other, rows, at, read.starts)
        found += _only(judged, [("between", between if covered is None else between[~covered[between]])])
        found += self.wanted.holds(other, rows, read.line, read.there)
        found += self._states(read)
        bad = np.zeros(len(rows), bool)
        sentence = ""
        for name, off in found:
            if len(off) and not sentence:
                sentence = f"{name} in line {int(read.line[off.min()]) + 1} of the original"
            bad[off] = True
        if not sentence and self.sequenced:
            sentence = sequence_problem(self.draft, other, rows, at, self.waits)
            return int(bad.sum()) + bool(sentence), sentence
        return int(bad.sum()), sentence

    def _may(self, name: str, line: Rows, which: I8) -> Bool:
        """(n,) whether a field may differ in the lines of the rows `which`, ascending."""
        return self.allowed.lines(name, line[which]) if len(which) else np.zeros(0, bool)

    def _apart(self, read: Read) -> dict[str, I8]:
        """Rows that differ by however little: where they should end on each axis, filament, feed."""
        a, b = self.program.moves, read.other.moves
        columns = {"x": a.x, "y": a.y, "z": a.z, "e": a.e, "f": a.f}
        columns["x"], columns["y"] = self.draft.places()
        return {name: read.unlike(column, getattr(b, name)) for name, column in columns.items()}

    def _columns(self, read: Read, covered: Bool | None, apart: dict[str, I8]) -> list[Problem]:
        """Where rows end, their tool, kind, pause and feed."""
        a, b, rows, at = self.program.moves, read.other.moves, read.rows, read.at
        found: list[Problem] = []
        for name, place, slack_mm in self._places(rows):
            off = apart[name]
            if len(off):
                slack = slack_mm if isinstance(slack_mm, float) else slack_mm[off]
                off = off[np.abs(place[rows[off]] - getattr(b, name)[at[off]]) > slack]
                if covered is not None:
                    off = off[~(covered[off] & self._may("position", read.line, off))]
            found.append((name, off))
        found.append(("tool", np.flatnonzero(a.tool[rows] != b.tool[at])))
        found.append(("kind", np.flatnonzero((a.kind[rows] ^ b.kind[at]) & _TELLING)))
        if len(self.program.dwell_row) or len(read.other.dwell_row):
            waits = np.abs(pauses(self.program, rows) - pauses(read.other, at))
            found.append(("pause", np.flatnonzero(waits > 1e-6)))
        off = apart["f"]
        feed = a.f[rows[off]]
        far = ~(np.abs(feed - b.f[at[off]]) <= 1e-6 * np.maximum(np.abs(feed), 1.0)) & ~np.isnan(feed)
        off = off[far]
        found.append(("feed", off[~self._may("feed", read.line, off)]))
        return found

    def _places(self, rows: I8) -> list[tuple[str, F8, F8 | float]]:
        """Each axis with where all rows should end on it, and how far off each of `rows` may be: one that was moved by
        what its rounding leaves."""
        program, draft = self.program, self.draft
        moves = program.moves
        if draft.moved is None:
            return [(axis, getattr(moves, axis), POSITION_MM) for axis in "xyz"]
        unit = np.where(program.states.inches.at(moves.line[rows]) == 1.0, INCH_MM, 1.0)
        found: list[tuple[str, F8, F8 | float]] = [("z", moves.z, POSITION_MM)]
        for axis, place in zip("xy", draft.places(), strict=True):
            off = place[rows] != getattr(moves, axis)[rows]
            found.append(
                (axis, place, POSITION_MM + off * unit * 0.501 * coordinate_step(program, axis.upper()))
            )
        return found

    def _sums(self, read: Read, covered: Bool | None, apart: dict[str, I8]) -> list[Problem]:
        """Filament and path length of each surviving move together with the moves inserted before it.

        Of a line behind one that ended where it should, with none between, both follow from what it says.
        """
        program, other, rows, at = self.program, read.other, read.rows, read.at
        before = np.concatenate([[-1], at[:-1]])
        # A window's first move is compared alone unless lines were inserted before it: its seed is no move of it.
        first = read.starts[read.starts < len(rows)]
        before[first] = at[first] - 1
        some = self._uneven(read, before, first, apart)
        rows, at, before = rows[some], at[some], before[some]
        pieces = at - before
        e_total = np.concatenate([[0.0], np.cumsum(other.moves.e)])
        length = np.concatenate([[0.0], np.cumsum(_lengths(other))])
        e_new = e_total[at + 1] - e_total[before + 1]
        l_new = length[at + 1] - length[before + 1]
        step = e_step_mm(self.draft, read.line[some])
        e_off = np.abs(e_new - program.moves.e[rows]) > 1.02 * step * np.maximum(pieces, 1)
        old = self.draft.plate.beads.length_mm[rows]
        l_off = np.abs(l_new - old) > LENGTH_MM * np.maximum(pieces, 1)
        l_off &= rows > 0  # where the machine stands before the first move nobody knows
        e_at, l_at = np.flatnonzero(e_off), np.flatnonzero(l_off)
        e_at = e_at[~self._pushed(read, covered, rows[e_at], some[e_at])]
        l_at = l_at[~self._longer(read, covered, rows[l_at], some[l_at])]
        return [("filament", some[e_at]), ("path length", some[l_at])]

    def _uneven(self, read: Read, before: I8, first: I8, apart: dict[str, I8]) -> I8:
        """Rows whose filament and path length don't follow from their own end and that of the row before."""
        count = len(read.rows)
        if self.sequenced or self.draft.moved is not None:
            return np.arange(count)
        flag = read.at - before != 1
        flag[first] = True
        flag[apart["e"]] = True
        for axis in "xyz":
            flag[apart[axis]] = True
            flag[np.minimum(apart[axis] + 1, count - 1)] = True
        if len(self.program.arcs.row) or len(read.other.arcs.row):
            flag |= ((self.program.moves.kind[read.rows] | read.other.moves.kind[read.at]) & ARC) != 0
        return np.flatnonzero(flag)

    def _pushed(self, read: Read, covered: Bool | None, rows: I8, which: I8) -> Bool:
        """Rows of which a piece has a flow of its own, or that are moved: their filament is compared with what is
        wanted; and those whose filament may differ where moves came or went."""
        may = self._may("e", read.line, which)
        if not np.any(may):
            return may
        flowing = self.wanted.flowing(rows)
        if self.moving is not None:
            flowing |= self.moving[rows]
        return may & (flowing if covered is None else flowing | covered[which])

    def _longer(self, read: Read, covered: Bool | None, rows: I8, which: I8) -> Bool:
        """Rows that go elsewhere than in the file: where each piece of them ends is compared with what is wanted."""
        result = np.zeros(len(rows), bool) if self.moving is None else self.moving[rows]
        if covered is not None:
            result |= covered[which] & self._may("position", read.line, which)
        return result

    def _states(self, read: Read) -> list[Problem]:
        """What is in force at each row's line, against the output's at its line there."""
        states, others, found = self.program.states, read.other.states, []
        for name, field in _STATES.items():
            off = _state_off(getattr(states, name), getattr(others, name), read.line, read.there)
            if len(off):
                off = off[~(self._may(field, read.line, off) & self._held(name, read, off))]
                found.append((name, off))
        for tool in {**states.nozzle, **others.nozzle}:
            new = others.nozzle.get(tool, Track(np.empty(0, np.int32), np.empty(0)))
            own = self.wanted.nozzles.get(tool) or self.draft.nozzle_track(tool)
            off = _state_off(own, new, read.line, read.there)
            if len(off):
                off = off[~self._heated(states.nozzle.get(tool), own, new, read, off)]
            if len(off):
                found.append((f"nozzle {tool}", off[~self._may("nozzle", read.line, off)]))
        return found

    def _heated(self, said: Track | None, own: Track, new: Track, read: Read, which: I8) -> Bool:
        """(n,) rows that both print at what a macro heats to: neither says so, or a command of 0 left it alone. said :
        what the original's commands set."""
        line = read.line[which]
        before, after = own.at(line), new.at(read.there[which])
        macro = before == self.draft.base_nozzle_c
        if said is not None:
            told = said.at(line)
            macro &= np.isnan(told) | (told == 0)
        result: Bool = macro & (np.isnan(after) | (after == 0))
        return result

    def _held(self, name: str, read: Read, which: I8) -> Bool:
        """(n,) rows on which what is in force may be another: a fan that is held, which is compared with what is
        wanted, and the last acceleration that was wanted, which lasts over travels."""
        draft, rows, there = self.draft, read.rows[which], read.there[which]
        if name == "fan":
            return np.zeros(len(rows), bool) if draft.fan is None else ~np.isnan(draft.fan[rows])
        now = read.other.states.accel.at(there)
        if name == "travel_accel":  # one word may set both
            return np.abs(read.other.states.travel_accel.at(there) - now) <= _STATE
        asked = self.asked_accel
        if len(asked) == 0:
            return np.zeros(len(rows), bool)
        last = np.searchsorted(asked, draft.first[rows + 1] - 1, side="right") - 1
        lasting = np.where(last >= 0, draft.accel[asked[np.maximum(last, 0)]], np.nan)
        return np.abs(lasting - now) <= _STATE


def _only(judged: Bool | None, found: list[Problem]) -> list[Problem]:
    """What was found on rows that are judged; None for all."""
    return found if judged is None else [(name, off[judged[off]]) for name, off in found]


def _found(other: Program, to_line: Rows) -> tuple[I8, I8]:
    """Row of `other` in each of the lines, or one near it; and the indices of those lines that have none."""
    lines, count = other.moves.line, len(other.lines)
    if to_line.min() >= 0 and to_line.max() <= count:
        wanted = np.zeros(count + 1, bool)
        wanted[to_line] = True
        at = np.flatnonzero(wanted[lines])
        if len(at) == len(to_line) and np.array_equal(lines[at], to_line):
            return at, np.empty(0, np.int64)
    at = np.minimum(np.searchsorted(lines, to_line), len(lines) - 1)
    return at, np.flatnonzero(lines[at] != to_line)


def _state_off(old: Track, new: Track, line: Rows, there: Rows) -> I8:
    """Where a state differs; both hold still between commands, so only the first row behind each is looked at."""
    if len(old.line) == 0 and len(new.line) == 0 and old.initial == new.initial:
        return np.empty(0, np.int64)
    edges = edges_of(len(line), behind(old, line), behind(new, there))
    before, after = old.at(line[edges]), new.at(there[edges])
    off = ~(np.abs(before - after) <= _STATE) & ~(np.isnan(before) & np.isnan(after))
    return from_edges(edges, off, len(line))


def _lengths(program: Program) -> F8:
    moves = program.moves
    if len(moves) == 0:
        return np.empty(0)
    result = np.diff(moves.x, prepend=moves.x[0])
    np.square(result, out=result)
    for column in (moves.y, moves.z):
        step = np.diff(column, prepend=column[0])
        result += np.square(step, out=step)
    np.sqrt(result, out=result)
    if len(program.arcs.row):
        result[program.arcs.row] = arc_lengths(moves, program.arcs)
    return result
