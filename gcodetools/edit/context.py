"""What the emitting steps share: the draft, the edits so far, what they declare, how numbers are written."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.draft import INCH_MM, Draft
from gcodetools.edit.splice import EditList
from gcodetools.gcode.numbers import Pool, fixed
from gcodetools.gcode.program import Program
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = [
    "Context",
    "coordinate_decimals",
    "coordinate_step",
    "e_factor",
    "feed_text",
    "logical",
    "row_brackets",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
_MIN_DECIMALS = 3


def row_brackets(plate: Plate) -> NDArray[np.int32]:
    """(m,) number of the object bracket that each row's line stands in, -1 outside. As lines ascend, whole
    stretches at once."""
    brackets = plate.marks.objects.brackets()
    line = plate.program.moves.line
    count = len(brackets.first)
    begin = np.searchsorted(line, brackets.first.astype(line.dtype))
    end = np.searchsorted(line, brackets.last.astype(line.dtype), side="right")
    end = np.minimum(end, np.append(begin[1:], len(line)))
    edges = np.column_stack([begin, end]).ravel()
    number = np.full(2 * count + 1, -1, np.int32)
    number[1::2] = np.arange(count)
    return np.repeat(number, np.diff(edges, prepend=0, append=len(line)))


@dataclass(slots=True)
class Context:
    """What the emitting steps share: the draft, the edits so far, the declared changes, lines held back.

    shift_after : (p,) E units by which the written counter is ahead of the file's behind each piece, None
    where it never is. rebased : lines before which a G92 of ours sets it back. bracket : (m,) int32, number of
    the object bracket each row stands in, -1 outside.
    """

    draft: Draft
    edits: EditList = field(default_factory=EditList)
    changes: Changes = field(default_factory=Changes)
    held_back: list[int] = field(default_factory=list)
    shift_after: F8 | None = None
    rebased: I8 = field(default_factory=lambda: np.empty(0, np.int64))
    bracket_first: I8 = field(init=False)
    bracket_last: I8 = field(init=False)
    bracket: NDArray[np.int32] = field(init=False)
    bracket_steps: I8 = field(init=False)

    def __post_init__(self) -> None:
        brackets = self.draft.plate.marks.objects.brackets()
        self.bracket_first = brackets.first.astype(np.int64)
        self.bracket_last = brackets.last.astype(np.int64)
        self.bracket = row_brackets(self.draft.plate)
        self.bracket_steps = np.flatnonzero(self.bracket[1:] != self.bracket[:-1]) + 1

    def bracket_at(self, lines: NDArray[np.integer]) -> NDArray[np.int32]:
        """Bracket of each line, -1 outside."""
        if len(self.bracket_first) == 0:
            return np.full(len(lines), -1, np.int32)
        at = np.searchsorted(self.bracket_first, lines, side="right") - 1
        inside = (at >= 0) & (lines <= self.bracket_last[np.maximum(at, 0)])
        return np.where(inside, at, -1).astype(np.int32)

    @property
    def newline(self) -> bytes:
        return self.draft.plate.program.lines.newline

    def declare(self, rows: NDArray[np.integer], fields: tuple[str, ...], why: str) -> None:
        """Declare a change of `fields` for the lines of `rows` (ascending): one span a run of rows."""
        if len(rows):
            breaks = np.flatnonzero(np.diff(rows) > 1) + 1
            first = rows[np.concatenate([[0], breaks])]
            self.declare_runs(first, rows[np.append(breaks, len(rows)) - 1], fields, why)

    def declare_runs(
        self, first: NDArray[np.integer], last: NDArray[np.integer], fields: tuple[str, ...], why: str
    ) -> None:
        """The same for the runs of rows [first, last]: from behind the line before the first to the last line
        before the next row."""
        program = self.draft.plate.program
        line, count = program.moves.line, len(program.moves)
        behind = last + 1
        begin = np.where(first > 0, line[np.maximum(first - 1, 0)] + 1, 0)
        end = np.where(behind < count, line[np.minimum(behind, count - 1)], len(program.lines)) - 1
        self.changes.add(begin, end, fields, why)


def logical(program: Program, rows: NDArray[np.integer], values: F8, axis: str) -> F8:
    """Machine coordinates as the file's text would write them at `rows`."""
    line = program.moves.line[rows]
    offset = getattr(program.states, f"offset_{axis}").at(line)
    unit = np.where(program.states.inches.at(line) == 1.0, INCH_MM, 1.0)
    result: F8 = (values - np.nan_to_num(offset)) / unit
    return result


def coordinate_decimals(program: Program, letter: str) -> int:
    """Decimals of a coordinate: the most the file uses for that letter, at least 3."""
    return max(program.decimals.get(letter, 0), _MIN_DECIMALS)


def coordinate_step(program: Program, letter: str) -> float:
    """Step between two coordinates as they are printed, in units of the text."""
    return float(10.0 ** -coordinate_decimals(program, letter))


def feed_text(context: Context, feed: F8, rows: NDArray[np.integer]) -> Pool:
    """Feeds in mm/s as the file would write them for `rows`: mm/min, or inches."""
    plate = context.draft.plate
    unit = np.where(plate.program.states.inches.at(plate.program.moves.line[rows]) == 1.0, INCH_MM, 1.0)
    decimals = max(plate.program.decimals.get("F", 0), 0)
    return fixed(feed * 60.0 / unit, decimals)


def e_factor(context: Context, rows: NDArray[np.integer]) -> F8:
    """mm of filament per E unit in the file's text for each row."""
    program = context.draft.plate.program
    line = program.moves.line[rows]
    factor = np.where(program.states.inches.at(line) == 1.0, INCH_MM, 1.0)
    if len(program.states.volumetric.line):
        factor = factor * program.states.volumetric.at(line)
    return factor
