"""Moves that serve nothing once the beads they lead to are gone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import DWELL, ENDSTOP, RETRACT, UNRETRACT
from gcodetools.toolpath.coasts import coasts_of
from gcodetools.toolpath.plate import Plate

__all__ = ["with_useless"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_NET_MM = 1e-6
_NET_E_MM = 1e-3  # what rounded words of a retraction leave
_PLAIN = {
    "G": (0, 1, 2, 3, 10, 11, 17, 21, 90, 92),
    "M": (73, 82, 83, 106, 107, 117, 201, 203, 204, 205, 566, 572, 900),
}  # commands that may stand between beads that go


def with_useless(plate: Plate, row: I8, t0: F8, t1: F8, closed: I8 | None = None) -> tuple[I8, F8, F8]:
    """Add the travels, retractions and lifts between removed beads to what is removed.

    From the last bead that stays to the last one that goes, all moves go, where they leave the filament and
    the height as they found them, on one layer, of one tool and inside one object's bracket. Behind a macro,
    whose moves belong to its other commands, they go from the first bead that goes. The moves on which a wall is
    run dry to its start are part of it, and stay; those on which it is wiped closed stay but where new beads follow,
    which go that way first.

    Parameters
    ----------
    row, t0, t1 : stretches of beads that are removed, sorted; touching ones may overlap. closed : (n,) last
    bead's rows of walls behind which new beads go.
    """
    row, t0, t1 = _merged(row, t0, t1)
    beads, moves = plate.beads, plate.program.moves
    index = np.flatnonzero(beads.feature != 0)
    at = np.searchsorted(index, row)
    head_gone, whole = np.zeros(len(index), bool), np.zeros(len(index), bool)
    head_gone[at[t0 <= 0.0]] = True
    whole[at[(t0 <= 0.0) & (t1 >= 1.0)]] = True
    macro = np.zeros(len(index), bool)
    macro[1:] = np.diff(np.searchsorted(_macros(plate), moves.line[index])) != 0
    # A chain is a run of beads that go, each whole but perhaps the last, with no macro between them.
    goes_on = np.zeros(len(index), bool)
    goes_on[1:] = head_gone[1:] & whole[:-1] & ~macro[1:]
    begins = head_gone & ~goes_on
    chain = np.cumsum(begins) - 1
    mine = np.flatnonzero(head_gone & ~macro & (np.arange(len(index)) > 0))
    low, high = coasts_of(plate).end(index[mine - 1]) + 1, index[mine]
    size = high - low
    between = np.repeat(low - (np.cumsum(size) - size), size) + np.arange(int(size.sum()))
    owner = np.repeat(chain[mine], size)
    count = int(chain[-1]) + 1 if len(chain) else 0
    if count == 0 or len(between) == 0:
        return row, t0, t1
    head = np.flatnonzero(begins)
    last = np.zeros(count, np.int64)
    np.maximum.at(last, chain[mine], index[mine])
    before = np.where(macro[head], index[head], index[np.maximum(head - 1, 0)])
    ok = np.abs(np.bincount(owner, moves.e[between], minlength=count)) < _NET_E_MM
    firmware = np.where((moves.kind[between] & RETRACT) != 0, 1, 0) * (moves.e[between] == 0)
    firmware -= np.where((moves.kind[between] & UNRETRACT) != 0, 1, 0) * (moves.e[between] == 0)
    ok &= np.bincount(owner, firmware, minlength=count) == 0
    odd = (moves.kind[between] & (DWELL | ENDSTOP)) != 0
    if len(plate.program.odd):
        odd |= np.isin(moves.line[between], plate.program.odd)
    ok &= np.bincount(owner, odd, minlength=count) == 0
    ok &= np.abs(moves.z[before] - moves.z[last]) < _NET_MM
    for column in (moves.tool, beads.layer, beads.instance):
        ok &= column[before] == column[last]
    ok &= macro[head] | (index[head] > before)
    coasts = coasts_of(plate)
    wiped = coasts.last[coasts.wipes]
    ok &= ~np.isin(before, wiped if closed is None else np.setdiff1d(wiped, closed))
    gone = between[ok[owner]]
    row = np.concatenate([row, gone])
    t0, t1 = np.concatenate([t0, np.zeros(len(gone))]), np.concatenate([t1, np.ones(len(gone))])
    order = np.lexsort((t0, row))
    return row[order], t0[order], t1[order]


def _macros(plate: Plate) -> NDArray[np.integer]:
    """Lines (ascending) of commands that do more than printing does between beads."""
    words = plate.program.words
    command = np.diff(words.line, prepend=-1) != 0
    plain = np.zeros(len(words.line), bool)
    for letter, values in _PLAIN.items():
        plain |= (words.letter == ord(letter)) & np.isin(words.value, values)
    coded = np.isin(words.letter, [ord("G"), ord("M"), ord("T")]) & ~np.isnan(words.value)
    lines: NDArray[np.integer] = words.line[command & coded & ~plain]
    return lines


def _merged(row: I8, t0: F8, t1: F8) -> tuple[I8, F8, F8]:
    """Stretches of one row that touch, as one."""
    if len(row) == 0:
        return row, t0, t1
    # Ends of a row's stretches so far, kept apart from those of other rows by an offset a row.
    rank = np.cumsum(np.diff(row, prepend=row[0]) != 0)
    reach = np.maximum.accumulate(t1 + 2.0 * rank) - 2.0 * rank
    new = np.ones(len(row), bool)
    new[1:] = (np.diff(row) != 0) | (t0[1:] > reach[:-1] + 1e-9)
    first = np.flatnonzero(new)
    return row[first], t0[first], np.maximum.reduceat(t1, first)
