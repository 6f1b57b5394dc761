"""Sliced files in containers: opened before a job, packed again behind it, checked as their readers get them.

A plate keeps the container that its text came in. What only the container states (settings, totals) counts as the
file's own, and its totals are brought up to date with those of the text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.progress import Clock, Restated, Used, restate
from gcodetools.edit.record import MARK, already_treated
from gcodetools.edit.treated import Treated
from gcodetools.errors import Fault, UsageError
from gcodetools.gcode.containers.base import Container, NoSuchPlate, Written, sniff
from gcodetools.gcode.program import Program
from gcodetools.gcode.scan import read_program
from gcodetools.jobs.records import counted
from gcodetools.marks.progress import Stated, Statement, find_stated
from gcodetools.toolpath.plate import Plate, marks_of_said

__all__ = ["container_record", "opened", "packed", "packed_record", "restated_totals"]

Record = dict[str, Any]

_LARGE_BYTES = 1 << 24
_HEAD_BYTES = 1 << 16  # of a text behind the start of our record
_KINDS = {"prediction": "s", "weight": "g"}  # totals of a package, and what they count
_USED = re.compile(r"filament (\d{1,9}) used_(m|g)")
_NUMBER = re.compile(r"[-+]?(?:[0-9]{1,18}\.?[0-9]{0,9}|\.[0-9]{1,9})")  # no other digits, exponent or blank
_RECORD = re.compile(rb"^; beadwright [^\r\n]*", re.MULTILINE)
_MOVES = ("x", "y", "z", "e", "f", "kind", "tool")
_ARCS = ("row", "cx", "cy", "radius", "begin", "sweep", "plane")


def opened(
    data: bytes, name: str, number: int | None = None, lenient: bool = False
) -> tuple[bytes, Container | None, tuple[str, ...]]:
    """The G-code text in a file's bytes, its container if it has one, and sentences on how it was opened.

    Parameters
    ----------
    number : of the plate, where there are several. lenient : a file of one plate is taken whatever its number, with a
    sentence on it.

    Raises
    ------
    InputError : a container that is damaged, or that a careful reader does not take. UsageError : no such plate, or
    several and none is chosen.
    """
    if sniff(data) is None:
        if number in (None, 1):
            return data, None, ()
        if lenient:
            return data, None, (_alone(name, number),)
        raise UsageError(
            f"{name}: a text file holds one plate, asked for plate {number}", "Leave --plate out."
        )
    # What unpacks is of no use to a plain file, and most are plain.
    from gcodetools.gcode.containers.opening import open_container

    notes: list[str] = []
    try:
        container = open_container(data, name, number)
    except UsageError as error:
        if not lenient or number is None:
            raise
        try:
            container = open_container(data, name)
        except NoSuchPlate:
            raise error from None
        notes.append(_alone(name, number))
    return container.text, container, (*notes, *(f"{name}: {note}" for note in container.notes))


def _alone(name: str, number: int | None) -> str:
    return f"{name}: holds one plate, which is taken; plate {number} was asked for"


def restated_totals(plate: Plate, clock: Clock, used: Used) -> tuple[dict[str, str], tuple[str, ...]]:
    """New texts for the totals that a container states beside its text, and the keys that can't be read."""
    container = plate.container
    if container is None or not container.totals:
        return {}, ()
    keys = list(container.totals)
    said = container.said
    program = read_program(said, container.name)
    if container.kind == "package":
        stated = _stated(container)
    else:
        # Behind the totals come settings, which no treatment changes.
        every = find_stated(program, marks_of_said(plate.marks, program))
        found = tuple(one for one in every.found if one.line < len(keys))
        stated = Stated(found, tuple(line for line in every.unread if line < len(keys)))
    new = restate(replace(plate, program=program), stated, clock, used)
    return container.restated_in(_spliced(said, new)), tuple(keys[line] for line in new.unread)


def _stated(container: Container) -> Stated:
    """What the totals of a package count: whole seconds, and filament of all tools or of one."""
    found, unread, at = [], [], 0
    for line, (key, value) in enumerate(container.totals.items()):
        begin = at + len(f"; {key} = ".encode())
        end = begin + len(value.encode("utf-8", "surrogateescape"))
        at = end + 1
        one = _USED.fullmatch(key)
        kind, tool = (one[2], int(one[1]) - 1) if one else (_KINDS.get(key), None)
        if kind is None or not _NUMBER.fullmatch(value):
            unread.append(line)
        else:
            found.append(Statement(line, begin, end, kind, tool))
    return Stated(tuple(found), tuple(unread))


def _spliced(text: bytes, new: Restated) -> bytes:
    parts, at = [], 0
    for begin, end, put in zip(new.begin.tolist(), new.end.tolist(), new.text, strict=True):
        parts += [text[at:begin], put]
        at = end
    return b"".join([*parts, text[at:]])


def packed(
    treated: Treated, restated: Mapping[str, str], *, full: bool, wanted: bool
) -> tuple[Treated, list[str]]:
    """A treated plate with its text in the original's container, and sentences on what that can't hold.

    What a reader gets from the new container is held against the text that was written: it may lack comments and
    blanks, no command.

    Parameters
    ----------
    restated : new texts for the container's totals. full : open it again too, however large it is. wanted : else the
    text stays plain.

    Raises
    ------
    Refused : the container can't be written so that it stays true. Fault : it does not give back what went in.
    """
    container = treated.original.container
    if container is None:
        return treated, []
    told = replace(container, totals={**container.totals, **restated})
    if not wanted:
        return replace(treated, said=told.said), []
    text = treated.render()
    if not container.keeps_comments:
        new = b"".join(line + b"\n" for line in _RECORD.findall(text[: text.find(MARK) + _HEAD_BYTES]))
        container = replace(container, remarks=new + container.remarks)
    written = container.written(text, restated)
    _check(container.name, text, written)
    if full or len(text) <= _LARGE_BYTES:
        _check_opened(container, text, written, restated)
    notes = [f"{container.name}: {note}" for note in (*written.notes, *_stale(treated, container))]
    return replace(treated, packed=written, said=told.said), notes


def _stale(treated: Treated, container: Container) -> list[str]:
    """What of a package is not brought up to date."""
    if container.kind != "package" or treated.draft.moved is None:
        return []
    return [
        f"Metadata/plate_{container.plate}.json: the boxes of objects in it stay as they were, and walls that were "
        "moved may stand out of them by as much"
    ]


def _check(name: str, text: bytes, written: Written) -> None:
    """See that a container's reader gets the same commands.

    Raises
    ------
    Fault : it does not.
    """
    if written.text == text:
        return
    one, other = read_program(text, name), read_program(written.text, name)
    problem = _difference(one, other)
    if problem:
        raise Fault(f"{name}: {problem} once the text is packed", "Nothing was written. Please report this.")


def _difference(one: Program, other: Program) -> str:
    """What differs between two texts but for comments and blanks; "" if nothing does."""
    if len(one.moves) != len(other.moves):
        return f"{len(other.moves)} moves instead of {len(one.moves)}"
    for name in _MOVES:
        a, b = getattr(one.moves, name), getattr(other.moves, name)
        differs = np.flatnonzero((a != b) & ~(np.isnan(a) & np.isnan(b)))
        if len(differs):
            line = int(one.moves.line[differs[0]]) + 1
            return f"line {line}: {name} is {b[differs[0]]} instead of {a[differs[0]]}"
    if any(not _same(getattr(one.arcs, name), getattr(other.arcs, name)) for name in _ARCS):
        return "an arc is another"
    if not all(_same(*pair) for pair in zip(_words(one), _words(other), strict=True)):
        return "a command has other words"
    if not _same(_order(one), _order(other)):
        return "commands stand in another order"
    if _odd(one) != _odd(other):
        return "a line that is no plain command reads differently"
    return ""


def _same(one: NDArray[Any], other: NDArray[Any]) -> bool:
    return bool(np.array_equal(one, other, equal_nan=one.dtype.kind == "f"))


def _words(program: Program) -> tuple[NDArray[Any], ...]:
    """Words of commands that are no moves, and how many each line has."""
    words = program.words
    return words.letter, words.value, np.unique(words.line, return_counts=True)[1]


def _order(program: Program) -> NDArray[np.bool_]:
    """Which lines that say something are moves, in their order."""
    saying = np.unique(np.concatenate([program.moves.line, program.words.line, program.odd]))
    return np.isin(saying, program.moves.line)


def _odd(program: Program) -> list[bytes]:
    texts = (program.lines.text(line).partition(b";")[0].strip() for line in program.odd.tolist())
    return [text for text in texts if text]


def _check_opened(before: Container, text: bytes, written: Written, restated: Mapping[str, str]) -> None:
    """Open what is to be written, and see that it holds its text, its totals, our record, and what it held besides.

    Raises
    ------
    Fault : it does not.
    """
    from gcodetools.gcode.containers.opening import open_container

    after = open_container(written.data, before.name, before.plate)
    recorded = already_treated(after.text) == already_treated(text) if after.keeps_comments else True
    same = (
        after.text == written.text
        and dict(after.totals) == {**before.totals, **restated}
        and dict(after.settings) == dict(before.settings)
        and (after.plates, after.thumbnails) == (before.plates, before.thumbnails)
        # Where no block can hold them, that was told.
        and after.remarks in (before.remarks, b"")
    )
    if not (same and recorded):
        raise Fault(
            f"{before.name}: what was packed does not open as it should",
            "Nothing was written. Please report this.",
        )


def container_record(container: Container) -> Record:
    """What a file is packed in, for the records that `--json` prints."""
    return {
        "kind": container.kind,
        "plate": container.plate,
        "plates": [
            {"number": one.number, **({"name": one.name} if one.name else {})} for one in container.plates
        ],
        "inside": container.inside,
        "bytes": len(container.data),
        "thumbnails": container.thumbnails,
        "notes": list(container.notes),
    }


def packed_record(treated: Treated) -> Record:
    """The key `container` for the record of a treatment; empty for a plain file."""
    container, written = treated.original.container, treated.packed
    if container is None:
        return {}
    notes = () if written is None else (*written.notes, *written.asides)
    record: Record = {"kind": container.kind, "plate": container.plate, "inside": container.inside}
    if written is None:
        held = (
            (len(container.settings), "setting"),
            (len(container.totals), "total"),
            (container.thumbnails, "picture"),
        )
        left = ", ".join(counted(count, word) for count, word in held if count)
        notes = (f"left behind in the container: {left}",) if left else ()
    return {"container": {**record, "unpacked": written is None, "notes": list(notes)}}
