"""Visits and holds: which passes of a nozzle share one state, and what each bead shall have in them.

A visit is an uninterrupted pass through a region; a hold is visits joined under one state. When each is told is
in `leads`.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.hotend import Beads
from gcodetools.records import dataclass

__all__ = ["Mode", "Visits", "Wanted", "desired", "find_visits", "wish_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Mode = Literal["auto", "follow", "hold", "pause"]

SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Wanted:
    """What each of a tool's beads shall have.

    value : (n,) NaN = as the file has it. own : (n,) the file's own target. run : (n,) visits of different runs
    are not joined for being short (objects one after the other, layers apart); None for one run. kept : (n,)
    beads that keep the file's own whatever is held around them; None for none.
    """

    value: F8
    own: F8
    run: I8 | None = None
    kept: Bool | None = None


@dataclass(frozen=True, slots=True)
class Visits:
    """Uninterrupted passes. first, last : (v,) beads, both in it. begin_s, end_s : (v,) s of the file's clock.
    target : (v,) wanted at the first bead. run : (v,)."""

    first: I8
    last: I8
    begin_s: F8
    end_s: F8
    target: F8
    run: I8

    def __len__(self) -> int:
        return len(self.first)


def wish_of(beads: Beads, wanted: Wanted, low: float, high: float) -> F8:
    """(n,) wanted values between `low` and `high` (or the file's own beyond them); NaN where the file's own
    will do.

    Raises
    ------
    ValueError : arrays of unlike lengths, an unknown value of the file where one is wanted.
    """
    count = len(beads)
    given = (wanted.value, wanted.own, wanted.run, wanted.kept)
    if any(column is not None and len(column) != count for column in given):
        raise ValueError(f"every column needs {count} values, one a bead")
    if np.any(np.isnan(wanted.own)):
        raise ValueError("the file's own value must be known at every bead")
    value = np.clip(wanted.value, np.minimum(low, wanted.own), np.maximum(high, wanted.own))
    idle = np.abs(value - wanted.own) <= SAME
    if wanted.kept is not None:
        idle |= wanted.kept
    result: F8 = np.where(idle, np.nan, value)
    return result


def find_visits(beads: Beads, wish: F8, wanted: Wanted) -> Visits:
    """Passes without a bead in between that wants nothing. A pass ends where another value is wanted although
    the file's own stays; where both change, the wish moves with the file."""
    inside = ~np.isnan(wish)
    run = np.zeros(len(wish), np.int64) if wanted.run is None else wanted.run.astype(np.int64)
    begins = inside.copy()
    if len(wish):
        moved = (np.abs(wish[1:] - wish[:-1]) > SAME) & (np.abs(wanted.own[1:] - wanted.own[:-1]) <= SAME)
        begins[1:] &= ~inside[:-1] | moved | (run[1:] != run[:-1])
    first = np.flatnonzero(begins)
    ends = inside.copy()
    ends[:-1] &= ~inside[1:] | begins[1:]
    last = np.flatnonzero(ends)
    return Visits(first, last, beads.begin_s[first], beads.end_s[last], wish[first], run[first])


def join_short(visits: Visits, joined: Bool, ramp_s: F8) -> Bool:
    """`joined` (v - 1,) and, where passes joined so far are shorter than their ramp, with their neighbours of
    the same run too."""
    if len(visits) < 2:
        return joined
    starts = np.concatenate([[0], np.flatnonzero(~joined) + 1])
    stops = np.append(starts[1:], len(visits)) - 1
    longest = np.maximum.reduceat(ramp_s, starts)
    short = visits.end_s[stops] - visits.begin_s[starts] < longest
    hold = np.concatenate([[0], np.cumsum(~joined)])
    result: Bool = joined | (
        (visits.run[1:] == visits.run[:-1]) & (short[hold[1:]] | short[hold[:-1]])  # either side
    )
    return result


def desired(beads: Beads, wish: F8, wanted: Wanted, visits: Visits, hold: I8, ramp_s: F8) -> F8:
    """(n,) what each bead shall have once visits are joined to holds.

    hold : (v,) ascending. ramp_s : (v,). Where the visits of a hold disagree and one of the stretches is
    shorter than its ramp, what is asked for the longest time is held throughout.
    """
    result = wanted.own.copy()
    if len(visits) == 0:
        return result
    starts = np.flatnonzero(np.diff(hold, prepend=-1))
    first, last = visits.first[starts], visits.last[np.append(starts[1:], len(visits)) - 1]
    bead, of = _ranges(first, last)
    asked = bead[~np.isnan(wish[bead])]
    begin = np.searchsorted(asked, first)
    shift = wish - wanted.own
    # What nobody asked for gets what the bead before it got: the file's own with the same shift.
    before = bead[np.maximum.accumulate(np.where(np.isnan(wish[bead]), 0, np.arange(len(bead))))]
    held = np.where(np.isnan(wish[bead]), wanted.own[bead] + shift[before], wish[bead])
    lowest, highest = (f(wish[asked], begin) for f in (np.minimum.reduceat, np.maximum.reduceat))
    one = highest - lowest <= SAME
    held = np.where(one[of], lowest[of], held)
    for h in np.flatnonzero(~one & _at_odds(visits, wish, wanted, hold, ramp_s)).tolist():
        mine = asked[begin[h] : begin[h + 1] if h + 1 < len(begin) else None]
        shifts, which = np.unique(np.round(shift[mine], 6), return_inverse=True)
        lasting = np.bincount(which, beads.end_s[mine] - beads.begin_s[mine])
        inside = of == h
        held[inside] = wanted.own[bead[inside]] + shifts[np.argmax(lasting)]
    result[bead] = held
    if wanted.kept is not None:
        result[wanted.kept] = wanted.own[wanted.kept]
    return result


def _ranges(first: I8, last: I8) -> tuple[I8, I8]:
    """All beads of the ranges, and the range of each."""
    count = last - first + 1
    of = np.repeat(np.arange(len(first)), count)
    return np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count - first, count), of


def _at_odds(visits: Visits, wish: F8, wanted: Wanted, hold: I8, ramp_s: F8) -> Bool:
    """(h,) holds in which something else is wanted, with the file's own alike, for less than a ramp takes."""
    within = hold[1:] == hold[:-1]
    own = wanted.own
    differs = np.abs(wish[visits.first[1:]] - wish[visits.last[:-1]]) > SAME
    alike = np.abs(own[visits.first[1:]] - own[visits.last[:-1]]) <= SAME
    odd = within & differs & alike
    starts = np.concatenate([[0], np.flatnonzero(odd | ~within) + 1])
    stops = np.append(starts[1:], len(visits)) - 1
    short = visits.end_s[stops] - visits.begin_s[starts] < np.maximum.reduceat(ramp_s, starts)
    result = np.zeros(int(hold[-1]) + 1, bool)
    several = np.bincount(hold[starts], minlength=len(result)) > 1
    result[hold[starts[short]]] = True
    found: Bool = result & several
    return found
