"""The printers of a print run and what plates take on them, as numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.planning.hours import Presence
from gcodetools.records import dataclass

__all__ = ["Group", "Shop"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_PACE_PLATES = 500
_WEEK_S = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class Group:
    """Printers alike. failed : share of plates that fail, below 1. to_the_end : a plate that fails does so at its
    end; else anywhere on the way."""

    name: str
    printers: tuple[str, ...]
    presence: Presence
    failed: float
    to_the_end: bool = False


@dataclass(frozen=True, slots=True)
class Shop:
    """Groups of printers, and how long plates of each kind take there.

    seconds : (g, k) of a plate of kind k on a printer of group g, infinite where it may not run. longest :
    factor (k,) on them that holds the doubt of the times, for printers that may not print alone. start_s : POSIX
    time from which the printers stand ready, each with an empty bed.
    """

    groups: tuple[Group, ...]
    seconds: F8
    longest: F8
    start_s: float

    @property
    def group_of(self) -> I8:
        """(p,) group of each printer."""
        return np.repeat(np.arange(len(self.groups)), [len(group.printers) for group in self.groups])

    @property
    def printers(self) -> tuple[str, ...]:
        """(p,) their names."""
        return tuple(name for group in self.groups for name in group.printers)

    def allowed(self) -> NDArray[np.bool_]:
        """(g, k) whether a plate may run there, and ends while somebody is there where that is asked."""
        fits = np.isfinite(self.seconds)
        for g, group in enumerate(self.groups):
            if not group.presence.alone:
                fits[g] &= self.seconds[g] * self.longest <= group.presence.week.longest_s
        return fits

    def cost_s(self) -> F8:
        """(k,) printer time of a plate with its swap, the mean over the printers that may run it; infinite where
        none may."""
        count = np.array([len(group.printers) for group in self.groups], np.float64)[:, None]
        swap = np.array([group.presence.swap_s for group in self.groups])[:, None]
        fits = self.allowed()
        whole = np.where(fits, self.seconds + swap, 0.0)
        number = (fits * count).sum(axis=0)
        return np.where(number > 0, (whole * count).sum(axis=0) / np.maximum(number, 1.0), np.inf)

    def pace_s(self) -> F8:
        """(g, k) real time that a plate takes up where nothing but its kind is printed: its share of a week and
        more, nights in which the printer waits counted; infinite where it may not run."""
        result = np.where(self.allowed(), self.seconds, np.inf)
        for g, k in np.argwhere(np.isfinite(result)).tolist():
            presence, seconds = self.groups[g].presence, float(self.seconds[g, k])
            need_s = seconds * float(self.longest[k])
            free_s, count = self.start_s, 0
            while count < _PACE_PLATES and free_s < self.start_s + _WEEK_S:
                free_s = presence.off(presence.start(free_s, need_s) + seconds)
                count += 1
            result[g, k] = (free_s - self.start_s) / count
        return result
