"""Loops that are run dry: near their end the file pushes no more filament, and what still oozes closes the loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import DWELL, ENDSTOP, RETRACT, UNRETRACT
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.remembered import Remembered

__all__ = ["Coasts", "coasts_of"]

I8 = NDArray[np.int64]

_OUTERMOST, _PERIMETER, _OVERHANG = (FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang"))
_IS_WALL = np.isin(np.arange(256), (_OUTERMOST, _PERIMETER, _OVERHANG))
_MOVES, _MOST_MM, _SHARE = (
    48,
    5.0,
    0.3,
)  # of the loop that is run dry, in moves, mm and share; as walls have it
_AT_START_MM = 0.05
_LEAST_MM = 0.1  # a smaller gap is a seam's
_JOINED_MM = 1e-6
_OTHER = DWELL | ENDSTOP | RETRACT | UNRETRACT


@dataclass(frozen=True, slots=True)
class Coasts:
    """(k,) each: last, the last bead's row of a wall that is run dry, ascending; stop, the row with which the nozzle
    is back where the wall began. wipes : whether filament is pulled back on that way."""

    last: I8
    stop: I8
    wipes: NDArray[np.bool_]

    def end(self, row: NDArray[np.integer]) -> I8:
        """(n,) rows with which walls end whose last beads are `row`; these themselves where nothing is run dry, or
        filament is pulled back."""
        own = row.astype(np.int64)
        if len(self.last) == 0:
            return own
        at = np.minimum(np.searchsorted(self.last, own), len(self.last) - 1)
        return np.where((self.last[at] == own) & ~self.wipes[at], self.stop[at], own)

    def behind(self, row: int) -> I8:
        """Rows on which a wall whose last bead is `row` is run dry, filament pulled back or not."""
        at = int(np.searchsorted(self.last, row))
        if at == len(self.last) or self.last[at] != row:
            return np.empty(0, np.int64)
        return np.arange(row + 1, self.stop[at] + 1)

    def wiped(self, row: int) -> I8:
        """The same where filament is pulled back."""
        behind = self.behind(row)
        return behind if self.end_of(row) == row else behind[:0]

    def end_of(self, row: int) -> int:
        """As `end`, of one row."""
        return int(self.end(np.array([row]))[0])


_COASTS: Remembered[Coasts] = Remembered()


def coasts_of(plate: Plate) -> Coasts:
    """Walls of a plate that are run dry to where they began: level, pushing no filament, at once."""
    return _COASTS.of(plate, lambda: _found(plate))


def _found(plate: Plate) -> Coasts:
    moves = plate.program.moves
    last, start, length = _chains(plate)
    x, y = moves.x[start], moves.y[start]
    gap = np.hypot(moves.x[last] - x, moves.y[last] - y)
    most = np.minimum(_MOST_MM, _SHARE * length)
    left = np.flatnonzero((gap > _LEAST_MM) & (gap <= most))
    ends, stops = [left[:0]], [left[:0]]
    way, wipes = np.zeros(len(last)), np.zeros(len(last), bool)
    for ahead in range(1, _MOVES + 1):
        left = left[last[left] + ahead < len(moves)]
        row = last[left] + ahead
        way[left] += plate.beads.length_mm[row]
        wipes[left] |= moves.e[row] < 0
        dry = (moves.e[row] <= 0) & ((moves.kind[row] & _OTHER) == 0)
        dry &= (np.abs(moves.z[row] - moves.z[last[left]]) < _JOINED_MM) & (way[left] <= most[left])
        left, row = left[dry], row[dry]
        back = np.hypot(moves.x[row] - x[left], moves.y[row] - y[left]) < _AT_START_MM
        ends.append(left[back])
        stops.append(row[back])
        left = left[~back]
        if len(left) == 0:
            break
    end, stop = np.concatenate(ends), np.concatenate(stops)
    order = np.argsort(end)
    end, stop = end[order], stop[order]
    return Coasts(last[end], stop, wipes[end])


def _chains(plate: Plate) -> tuple[I8, I8, NDArray[np.float64]]:
    """Last row of each wall's beads, the row behind which they begin, and their length, mm."""
    moves, feature = plate.program.moves, plate.beads.feature
    rows = np.flatnonzero(_IS_WALL[feature] & (plate.beads.layer >= 0))
    rows = rows[rows > 0]
    if len(rows) == 0:
        return rows, rows, np.empty(0)
    far = np.abs(moves.x[rows[1:] - 1] - moves.x[rows[:-1]]) > _JOINED_MM
    far |= np.abs(moves.y[rows[1:] - 1] - moves.y[rows[:-1]]) > _JOINED_MM
    # What is over air belongs to the loop that it is joined to.
    kind = feature[rows]
    far |= (kind[1:] != kind[:-1]) & (kind[1:] != _OVERHANG) & (kind[:-1] != _OVERHANG)
    far |= np.diff(plate.beads.layer[rows]) != 0
    first = np.concatenate([[0], np.flatnonzero(far) + 1])
    last = rows[np.append(first[1:], len(rows)) - 1]
    return last, rows[first] - 1, np.add.reduceat(plate.beads.length_mm[rows], first)
