"""What each bead of a file got: when it was laid, by what nozzle and under what fan, as they followed commands.

The file's own commands are put on its clock and carried out by the laws of `physics.hotend`. Beads within half a
second of one another get the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Heating
from gcodetools.gcode.program import Track
from gcodetools.physics.hotend import (
    Beads,
    Fan,
    Hotend,
    Trace,
    block_trace,
    fan_received,
    fan_trace,
    nozzle_received,
)
from gcodetools.physics.timing import Times
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Got", "got_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_STEP_S = 0.5
_BLOCK = 1 << 18


@dataclass(frozen=True, slots=True)
class Got:
    """Of each stretch of beads, in the order of printing.

    row : (n,) its first row; a bead belongs to the last stretch that begins at or before it. nozzle_c : (n,) of
    the plastic, NaN where nobody knows. told_c : (n,) what was commanded. fan : (n,) 0 to 1.
    begin_s : (m + 1,) when each row of the plate begins, from the file's begin on, and the end of the last.
    """

    row: I8
    nozzle_c: F8
    told_c: F8
    fan: F8
    begin_s: F8

    def at(self, rows: NDArray[np.integer]) -> tuple[F8, F8, F8]:
        """Nozzle reached, nozzle told and fan at beads `rows`."""
        k = np.maximum(np.searchsorted(self.row, rows, side="right") - 1, 0)
        return self.nozzle_c[k], self.told_c[k], self.fan[k]

    def laid_s(self, rows: NDArray[np.integer], share: F8) -> F8:
        """When the place at `share` of each of `rows` was laid."""
        begin = self.begin_s[rows]
        laid: F8 = begin + share * (self.begin_s[rows + 1] - begin)
        return laid


def got_of(plate: Plate, planned: Times, heating: Heating, base_c: float | None, mm3_per_mm: float) -> Got:
    """Carry out a file's own commands.

    Parameters
    ----------
    planned : seconds of its rows. heating : how fast nozzle and fan follow. base_c : the nozzle before the first
    command; None where nobody knows. mm3_per_mm : plastic by filament.
    """
    begin = np.zeros(len(planned.seconds) + 1)
    np.cumsum(planned.seconds, out=begin[1:])
    rows = np.flatnonzero(plate.beads.is_bead)
    fan = plate.program.states.fan
    at = _stretches(plate, rows, begin, base_c)
    pushed = plate.moves.e[rows]
    volume = np.add.reduceat(np.maximum(pushed, 0.0, out=pushed), at) if len(at) else np.empty(0)
    volume = volume * mm3_per_mm
    last = np.append(at[1:], len(rows)) - 1
    row = rows[at]
    tool, told = plate.moves.tool[row], _told(plate, row, base_c)
    begins = begin[row]
    ends = np.maximum(begin[rows[last] + 1], begins)
    nozzle = told.copy()
    for number in np.unique(tool).tolist():
        mine = np.flatnonzero((tool == number) & ~np.isnan(told))
        if len(mine) == 0:
            continue
        beads = Beads(begins[mine], ends[mine], volume[mine])
        track = plate.program.states.nozzle.get(number)
        trace = _nozzle_trace(plate, track, begin, float(told[mine[0]]), float(begins[mine[0]]), heating)
        nozzle[mine] = nozzle_received(beads, trace, Hotend.of(heating)).got
    everything = Beads(begins, ends, volume)
    blown: F8 = np.empty(0)
    if len(at):
        blown = fan_received(everything, _fan_trace(plate, fan, begin, heating)).got
    return Got(row.astype(np.int64), nozzle, told, blown, begin)


def _stretches(plate: Plate, rows: NDArray[np.integer], begin: F8, base_c: float | None) -> I8:
    """Which of `rows` begin a stretch: another half a second, tool, fan or nozzle than the one before. In blocks, for a
    plate has millions and each needs half a dozen columns."""
    found = [np.zeros(min(len(rows), 1), np.int64)]
    for low in range(1, len(rows), _BLOCK):
        part = rows[low - 1 : low + _BLOCK]
        step = np.floor(begin[part] / _STEP_S)
        tool, line = plate.moves.tool[part], plate.moves.line[part]
        told = _told(plate, part, base_c)
        new = (step[1:] != step[:-1]) | (tool[1:] != tool[:-1])
        new |= np.diff(plate.program.states.fan.at(line)) != 0
        new |= np.nan_to_num(np.diff(told), nan=1.0) != 0
        found.append(np.flatnonzero(new) + low)
    return np.concatenate(found)


def _told(plate: Plate, rows: NDArray[np.integer], base_c: float | None) -> F8:
    """Nozzle commanded at rows; off counts as unknown, for then a start macro heats it, or nothing does."""
    tool, line = plate.moves.tool[rows], plate.moves.line[rows]
    found = np.full(len(rows), np.nan)
    for number, track in plate.program.states.nozzle.items():
        mine = tool == number
        found[mine] = track.at(line[mine])
    found[found == 0] = np.nan
    if base_c is not None:
        found[np.isnan(found)] = base_c
    return found


def _commands(plate: Plate, track: Track, begin: F8, since_s: float) -> tuple[F8, F8]:
    """Times and values of a track's commands after `since_s`."""
    time = begin[np.searchsorted(plate.moves.line, track.line)]
    behind = (time > since_s) & ~np.isnan(track.value)
    return time[behind], track.value[behind]


def _nozzle_trace(
    plate: Plate, track: Track | None, begin: F8, start_c: float, since_s: float, heating: Heating
) -> Trace:
    """From the first bead on, where the nozzle has settled: what a start heats is waited for."""
    times, values = [since_s], [start_c]
    if track is not None:
        later, told = _commands(plate, track, begin, since_s)
        hot = told > 0
        times, values = [*times, *later[hot].tolist()], [*values, *told[hot].tolist()]
    return block_trace(np.array(times), np.array(values), Hotend.of(heating), start_c)


def _fan_trace(plate: Plate, track: Track, begin: F8, heating: Heating) -> Trace:
    start = 0.0 if np.isnan(track.initial) else track.initial
    later, told = _commands(plate, track, begin, -1.0)
    times, values = np.concatenate([[0.0], later]), np.concatenate([[start], told])
    return fan_trace(times, values, Fan.of(heating), start)
