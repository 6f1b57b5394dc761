"""Where the machine stands still: which commands stop it, and for how long those last that say so."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import RETRACT, UNRETRACT, Program
from gcodetools.gcode.states import Commands, value_track

__all__ = ["stops", "waits"]

F8 = NDArray[np.float64]

# Meanings are common practice, no source. Pauses, waiting for temperatures, waiting for moves to end.
_STOPPING = (0, 1, 25, 109, 116, 190, 400, 600, 601)
_HOME, _FINISH, _IF, _END_IF = 28, 400, 622, 623
_LENGTH, _BACK = 207, 208


def stops(program: Program) -> NDArray[np.int64]:
    """Rows before which the machine stands still whatever comes: dwells and retractions by G10 and G11, and what
    follows them; behind M400, waiting for a temperature (M109, M116, M190), homing, pauses (M0, M1, M25, M600,
    M601); where the tool changes. Ascending, each once; may hold the number of rows."""
    commands = Commands(program.words)
    lines = [commands.lines("M", number) for number in _STOPPING]
    lines.append(commands.lines("G", _HOME))
    rows = np.searchsorted(program.moves.line, np.concatenate(lines))
    changes = np.flatnonzero(np.diff(program.moves.tool)) + 1
    still = np.concatenate([program.dwell_row, _retractions(program)]).astype(np.int64)
    return np.unique(np.concatenate([rows, changes, still, still + 1]))


def waits(program: Program) -> F8:
    """(m,) seconds that the machine waits at each row: G4, M400 with P (milliseconds) or S (seconds), and G10
    and G11 where M207 and M208 say how much and how fast.

    What stands between M622 and M623 is done on a condition that is not in the file, and isn't counted. An M400
    counts at the row behind it.
    """
    count = len(program.moves)
    seconds = np.zeros(count)
    if count == 0:
        return seconds
    commands = Commands(program.words)
    begins, ends = commands.lines("M", _IF), commands.lines("M", _END_IF)

    def sure(lines: NDArray[np.int32]) -> NDArray[np.bool_]:
        result: NDArray[np.bool_] = np.searchsorted(begins, lines) <= np.searchsorted(ends, lines)
        return result

    dwell = sure(program.moves.line[program.dwell_row])
    seconds[program.dwell_row[dwell]] += program.dwell_s[dwell]
    lines = commands.lines("M", _FINISH)
    lines = lines[sure(lines)]
    waited = np.nan_to_num(commands.words_of(lines, "S")) + np.nan_to_num(commands.words_of(lines, "P")) / 1e3
    np.add.at(seconds, np.minimum(np.searchsorted(program.moves.line, lines), count - 1), waited)
    _add_retractions(program, commands, seconds)
    return seconds


def _retractions(program: Program) -> NDArray[np.intp]:
    """Rows of G10 and G11: their length stands in the firmware, not in the file's E."""
    moves = program.moves
    kind = moves.kind
    either = ((kind & (RETRACT | UNRETRACT)) != 0) & (moves.e == 0)
    return np.flatnonzero(either)


def _add_retractions(program: Program, commands: Commands, seconds: F8) -> None:
    rows = _retractions(program)
    if len(rows) == 0 or len(commands.lines("M", _LENGTH)) == 0:
        return
    line = program.moves.line[rows]
    length = value_track(commands, "M", _LENGTH, "S").at(line)
    feed = value_track(commands, "M", _LENGTH, "F", 1 / 60).at(line)
    back = value_track(commands, "M", _BACK, "F", 1 / 60).at(line)
    out = (program.moves.kind[rows] & UNRETRACT) != 0
    feed = np.where(out & (back > 0), back, feed)
    known = (length > 0) & (feed > 0)
    seconds[rows[known]] += length[known] / feed[known]
