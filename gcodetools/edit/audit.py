"""Reads back what was written and compares every surviving move with the original.

By induction: bytes outside the edits are copies, so only windows around edits and declared changes are read
again (see `windows`), each from the place the original had at its first line and from the state that the
window before has left. State at a line depends on the state before it and on bytes alone, so a window whose
end agrees carries the proof on to the next. `full=True` reads the whole output instead; both must agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.changes import Changes
from gcodetools.edit.comparing import Comparer
from gcodetools.edit.draft import Draft
from gcodetools.edit.foreign import foreign_problem
from gcodetools.edit.moves import Wait
from gcodetools.edit.sequence import surviving_rows
from gcodetools.edit.splice import Edits, first_stray_byte
from gcodetools.edit.windows import fan_as_read, line_map, read_windows, windows
from gcodetools.errors import Fault
from gcodetools.gcode.arrays import distinct, give_back_gaps
from gcodetools.gcode.program import Program
from gcodetools.gcode.scan import read_program
from gcodetools.records import dataclass

__all__ = ["Audit", "audit"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Rows = NDArray[np.integer]

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
    line = edits.lines(program.lines.start)
    mapped = line_map(edits, program.lines.start, line)
    first, last = windows(program, edits, changes, line)
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
        at = output.count(b"\n", 0, stray) + 1
        why = f"line {at} of the output is neither an edit nor the original's"
        return Audit(len(program.lines), 0, 0, len(set(held_back)), 1, 0, whole, why)
    foreign = foreign_problem(program, edits, output, line)
    if foreign:
        return Audit(len(program.lines), 0, 0, len(set(held_back)), 1, 0, whole, foreign)
    give_back_gaps(len(output))
    comparer = Comparer(draft, program, changes, waits)
    if whole:
        bad, why, read = _whole_file(comparer, output, mapped)
    else:
        bad, why, read = _window_by_window(comparer, output, edits, mapped, (first, last))
    replaced = len(_replaced_lines(program, edits, line))
    inserted = int(edits.newlines.sum())
    return Audit(
        len(program.lines) - replaced, replaced, inserted, len(set(held_back)), bad, read, whole, why
    )


def _whole_file(comparer: Comparer, output: bytes, mapped: Rows) -> tuple[int, str, int]:
    """Moves that differ, a sentence on the first, and how many were read: the whole output."""
    other = read_program(output, "output")
    if other.states.fan_full != comparer.program.states.fan_full:
        # A line of ours may be what tells one from the other, and would be read by itself as it should not.
        states = replace(other.states, fan=fan_as_read(other, comparer.program))
        other = replace(other, states=states)
    other = _with_base(other, comparer.draft.base_fan)
    rows = surviving_rows(comparer.draft)
    to_line = mapped[comparer.program.moves.line[rows]]
    return *comparer.problems(other, rows, to_line, np.array([len(rows)])), len(rows)


def _window_by_window(
    comparer: Comparer, output: bytes, edits: Edits, mapped: Rows, found: tuple[I8, I8]
) -> tuple[int, str, int]:
    """The same for the windows, a batch at a time."""
    bad, why, read = 0, "", 0
    for batch in read_windows(comparer.program, output, edits, mapped, found):
        off, sentence = comparer.problems(batch.other, batch.rows, batch.to_line, batch.ends)
        bad, why, read = bad + off, why or sentence, read + len(batch.rows)
    return bad, why, read


def _with_base(program: Program, base_fan: float) -> Program:
    if base_fan == 0.0 or np.isnan(base_fan):
        return program
    fan = replace(program.states.fan, initial=base_fan)
    return replace(program, states=replace(program.states, fan=fan))


def _replaced_lines(program: Program, edits: Edits, line: I8) -> I8:
    """Lines of the original in which an edit does more than stand before them."""
    begins = program.lines.start[np.minimum(line, len(program.lines))]
    return distinct(line[(edits.end > edits.begin) | (edits.begin != begins)])


def _needs_whole(program: Program) -> bool:
    """Files whose coordinates are shifted, in inches, volumetric or with absolute arc centres: rare, and read
    back whole."""
    states = program.states
    shifted = any(len(t.line) for t in (states.offset_x, states.offset_y, states.offset_z))
    moded = np.any(states.inches.value == 1.0) or np.any(states.arc_absolute.value == 1.0)
    return shifted or bool(moded) or bool(len(states.volumetric.line))
