"""Treated: an original, what was wanted of it, and the bytes that come of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from gcodetools.documents.profiles import Bed
from gcodetools.edit.audit import Audit, audit
from gcodetools.edit.changes import Change, Changes
from gcodetools.edit.checksums import add_checksums
from gcodetools.edit.commands import emit_accel, emit_fan, emit_nozzle
from gcodetools.edit.context import Context
from gcodetools.edit.draft import Draft
from gcodetools.edit.emit import emit_beads
from gcodetools.edit.moves import Wait
from gcodetools.edit.progress import Restated
from gcodetools.edit.refusals import (
    require_absolute,
    require_one_unit,
    require_origins,
    require_single_commands,
)
from gcodetools.edit.splice import Edits, apply_edits
from gcodetools.gcode.arrays import give_back_gaps
from gcodetools.gcode.containers.base import Written
from gcodetools.gcode.program import Moves
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

if TYPE_CHECKING:
    from gcodetools.edit.rests import Unrested

__all__ = ["Reread", "Treated", "emit"]

Reread = Callable[[], tuple[Plate, Edits]]
"""Reads what has been written so far: the plate, and the edits that made it."""


@dataclass(frozen=True, slots=True)
class Treated:
    """A treated plate: the original, the draft, the edits, the declared changes, the lines held back
    (0-based), the rests that found no place, and the moves of those that did.

    packed : the output in the original's container, None where there is none or it is not wanted. said : what that
    container states then; None for what it stated before.
    """

    original: Plate
    draft: Draft
    edits: Edits
    declared: Changes
    held_back: tuple[int, ...]
    unrested: tuple[Unrested, ...]
    output: bytes
    waits: tuple[Wait, ...] = ()
    packed: Written | None = None
    said: bytes | None = None

    def render(self) -> bytes:
        """The treated G-code text; the very input where nothing changes."""
        return self.output

    def render_file(self) -> bytes:
        """The treated file: the text, or the container that it came in with the text in place of the old one."""
        return self.output if self.packed is None else self.packed.data

    @property
    def changes(self) -> tuple[Change, ...]:
        """The declared changes, in the order of their lines."""
        return tuple(self.declared)

    @property
    def moves(self) -> Moves:
        """The treated file's moves."""
        return self.plate.program.moves

    @property
    def plate(self) -> Plate:
        """The treated file as a plate."""
        said = self.original.said if self.said is None else self.said
        return Plate.from_bytes(self.output, self.original.program.lines.name, said, self.original.assumed_mm)

    def audit(self, *, full: bool = False) -> Audit:
        """Read back what was written (see `edit.audit`)."""
        held_back, waits = list(self.held_back), list(self.waits)
        return audit(self.draft, self.edits, self.output, self.declared, held_back, waits, full=full)


def emit(
    draft: Draft,
    *,
    ooze_mm: float,
    bed: Bed | None,
    record: tuple[int, Callable[[list[Unrested]], bytes]] | None = None,
    restate: Callable[[Reread], Restated] | None = None,
) -> Treated:
    """Turn a draft into text.

    Parameters
    ----------
    ooze_mm, bed : for rests, see `rests.emit_rests`.
    record : line (0-based) before which the record goes, and what writes its text once the rests without a
    place are known; left out where nothing changes.
    restate : what brings the file's own times and totals up to date; not asked where nothing changes.

    Raises
    ------
    InputError : something changes in a file whose unit changes between its moves or that has two commands on a line,
    or beads where it says where the nozzle is or moves in steps.
    """
    require_one_unit(draft)
    require_single_commands(draft)
    require_origins(draft)
    require_absolute(draft)
    context = Context(draft)
    emit_beads(context)
    emit_nozzle(context)
    emit_fan(context)
    emit_accel(context)
    unrested: list[Unrested] = []
    waits: list[Wait] = []
    if draft.rests:
        from gcodetools.edit.rests import emit_rests

        unrested, waits = emit_rests(context, ooze_mm, bed)
    data = draft.plate.program.lines.data
    if len(context.edits) and restate is not None:
        _restate(context, restate)
    if len(context.edits) and record is not None:
        place = int(draft.plate.program.lines.start[record[0]])
        context.edits.one(place, place, -1, 0, record[1](unrested))
    edits = context.edits.finish(data)
    if len(edits) and add_checksums(draft.plate.program.lines, edits, context.edits):
        edits = context.edits.finish(data)
    held_back = tuple(int(k) for k in np.unique(np.array(context.held_back, np.int64)))
    give_back_gaps(len(data))
    output = apply_edits(data, edits)
    return Treated(
        draft.plate, draft, edits, context.changes, held_back, tuple(unrested), output, tuple(waits)
    )


def _restate(context: Context, restate: Callable[[Reread], Restated]) -> None:
    """Bring times and totals up to date; they set no state, so their lines are declared without a field."""
    lines = context.draft.plate.program.lines

    def reread() -> tuple[Plate, Edits]:
        edits = context.edits.finish(lines.data)
        plate = context.draft.plate
        return Plate.from_bytes(
            apply_edits(lines.data, edits), lines.name, plate.said, plate.assumed_mm
        ), edits

    new = restate(reread)
    if len(new.begin):
        context.edits.add(new.begin, new.end, np.zeros(len(new.begin), np.int64), 4, new.pool())
        changed = np.unique(new.line)
        context.changes.add(changed, changed, (), "times and totals brought up to date")
