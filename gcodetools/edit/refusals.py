"""Files that are not changed: those in which words of ours would be read otherwise than they are meant."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.displaced import displaced
from gcodetools.edit.draft import Draft
from gcodetools.errors import InputError
from gcodetools.gcode.program import Program
from gcodetools.gcode.states import Commands, several_commands

__all__ = [
    "origin_lines",
    "require_absolute",
    "require_followed",
    "require_one_unit",
    "require_origins",
    "require_single_commands",
]

I8 = NDArray[np.int64]

_ACTING = (0, 1, 2, 3, 4, 10, 11, 28, 92)  # G commands that move something or say where it is


def require_one_unit(draft: Draft) -> None:
    """Refuse a change where the file goes from mm to inches, or back, on its way: words of ours, and E counters that
    run on, would be read in the other unit. Behind the last bead it may, where no counter runs on.

    Raises
    ------
    InputError : naming the line of the G20 or G21.
    """
    program = draft.plate.program
    track, lines = program.states.inches, program.moves.line
    if len(track.line) == 0 or len(lines) == 0:
        return
    last = int(lines[-1])
    beads = np.flatnonzero(draft.plate.beads.is_bead)
    if len(beads):
        end = int(lines[beads[-1]])
        relative = program.states.e_relative
        if np.all(relative.at(np.append(end, relative.line[relative.line > end] + 1)) == 1.0):
            last = end
    inner = track.line[(track.line > lines[0]) & (track.line < last)]
    turns = inner[track.at(inner) != track.at(inner + 1)]
    if len(turns) and _asks(draft):
        raise InputError(
            f"{_told(program, int(turns[0]))}: the unit changes in the middle of the print, expected G20 or G21 once, "
            "before the first move",
            "Slice again in one unit.",
        )


def require_single_commands(draft: Draft) -> None:
    """Refuse a change where a line between beads holds two commands that move something or say where it is.

    Two G words of one modal group on a line, or two that both use axis words, are an error (NIST RS274/NGC version 3,
    sections on repeated items and modal groups; from memory). Printers take the first with the last of each word,
    carry out both or stop, so nobody knows where nozzle and E counter are behind it.

    Raises
    ------
    InputError : naming the line.
    """
    program = draft.plate.program
    words, beads = program.words, np.flatnonzero(draft.plate.beads.is_bead)
    commands = Commands(words)
    acting = (words.letter == ord("G")) & np.isin(words.value, _ACTING)
    acting[commands.at] = False  # what is not read: all but the first
    lines = np.intersect1d(words.line[acting], several_commands(commands))
    if len(lines) == 0 or len(beads) == 0:
        return
    ends = program.moves.line[beads[[0, -1]]]
    lines = lines[(lines >= ends[0]) & (lines <= ends[1])]
    if len(lines) == 0 or not _asks(draft):
        return
    if b"\r" in program.lines.text(int(lines[0])):
        raise InputError(
            f"{_told(program, int(lines[0]))}: a carriage return between two commands, expected line feeds",
            "Convert the line ends (most editors can) and try again.",
        )
    raise InputError(
        f"{_told(program, int(lines[0]))}: two commands on one line, of which printers carry out the first, both "
        "or none; expected one",
        "Put each command on a line of its own, or slice again.",
    )


def _asks(draft: Draft) -> bool:
    """Whether anything is to be another than in the file."""
    if draft.runs or draft.rests or draft.removed is not None or draft.moved is not None:
        return True
    columns = (draft.feed, draft.flow, draft.accel, draft.nozzle_c, draft.fan)
    return any(column is not None and not np.all(np.isnan(column)) for column in columns)


def _told(program: Program, line: int) -> str:
    text = program.lines.text(line).replace(b"\r", b" ")[:40].decode("utf-8", "replace")
    return f"{program.lines.name}:{line + 1}: {text}"


def require_followed(draft: Draft) -> None:
    """Refuse new beads behind the last move of a file: each run stands before a move. A printed file goes on with a
    retraction or a way off the print.

    Raises
    ------
    InputError : naming the line of the last move.
    """
    program = draft.plate.program
    if any(run.row >= len(program.moves) for run in draft.runs):
        raise InputError(
            f"{_told(program, int(program.moves.line[-1]))}: new beads would stand behind the last move of the file, "
            "expected a move behind the print",
            "The file may be cut short: slice again, or add the travel that leaves the print.",
        )


def require_absolute(draft: Draft) -> None:
    """Refuse new moves where the file moves in steps (G91): they say places.

    Raises
    ------
    InputError : naming the line of the file's own move there.
    """
    program = draft.plate.program
    if not draft.runs or not np.any(program.states.xyz_relative.value == 1.0):
        return
    row = draft.row[draft.run_pieces()].astype(np.int64)
    lines = program.moves.line
    early = np.array([run.early for run in draft.runs]) & (row > 0)
    place = np.where(early, lines[np.maximum(row - 1, 0)] + 1, lines[row])
    stepping = np.flatnonzero(program.states.xyz_relative.at(place) == 1.0)
    if len(stepping):
        line = int(lines[row[stepping[0]]])
        raise InputError(
            f"{_told(program, line)}: beads come or go where the file moves in relative coordinates, expected absolute "
            "ones (G90)",
            "Slice again in absolute coordinates, or leave that layer out of the regions with perimeters or infill.",
        )


def origin_lines(program: Program) -> I8:
    """Lines of the file that say where the nozzle is: G92 with X, Y or Z, or without any letter."""
    words = program.words
    lines = words.line[(words.letter == ord("G")) & (words.value == 92)]
    if len(lines) == 0:
        return np.empty(0, np.int64)
    of_axes = np.isin(lines, words.line[np.isin(words.letter, np.frombuffer(b"XYZ", np.uint8))])
    found: I8 = lines[of_axes | ~np.isin(lines, words.line[words.letter == ord("E")])].astype(np.int64)
    return found


def require_origins(draft: Draft) -> None:
    """Refuse beads that come, go or move where the file says where the nozzle is, which then is elsewhere.

    Raises
    ------
    InputError : naming the line of the G92.
    """
    program = draft.plate.program
    at = origin_lines(program)
    if len(at) == 0:
        return
    lines = program.moves.line
    off = np.zeros(len(at), bool)
    before = np.searchsorted(lines, at) - 1
    if draft.moved is not None:
        row = np.maximum(before, 0)
        x, y = draft.places()
        off |= (before >= 0) & ((x[row] != program.moves.x[row]) | (y[row] != program.moves.y[row]))
    if draft.removed is not None or draft.runs:
        apart = displaced(draft, returned=True)
        since = np.where(apart.since >= 0, draft.row[apart.since], -1)
        # Spans (since, row of the piece] may overlap; a row is in one if more have begun than ended.
        begun = np.searchsorted(np.sort(since), before, side="right")
        ended = np.searchsorted(np.sort(draft.row[apart.piece]), before, side="right")
        off |= begun > ended
    if np.any(off):
        raise InputError(
            f"{_told(program, int(at[np.argmax(off)]))}: the file sets its coordinates between beads that come, go or "
            "move",
            "Slice again without that command, or leave that layer out of the regions with perimeters, infill or fit.",
        )
