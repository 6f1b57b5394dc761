"""Which plates an order is carried out with: the least printer time, or more of it where that is done earlier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError, UsageError
from gcodetools.jobs.plan_plates import Takes
from gcodetools.planning.covering import Choice, choose, spread
from gcodetools.planning.failures import Bands, Outcomes, standing, sturdiest
from gcodetools.planning.order import Order
from gcodetools.planning.schedule import Plan
from gcodetools.planning.shop import Shop
from gcodetools.records import dataclass

__all__ = ["Chooser", "Chosen", "first_of"]

I8 = NDArray[np.int64]

_MOST_PLATES = 20_000
_MOST_NUMBERS = 100_000_000  # runs times printers times kinds of plate: half a gigabyte
_SURE = 0.95


def first_of(takes: Sequence[Sequence[Takes | None]], kind: int) -> Takes:
    """What a plate takes on the first group that may run it."""
    return next(one for row in takes if (one := row[kind]) is not None)


@dataclass(frozen=True, slots=True)
class Chosen:
    """Plates planned and simulated.

    counts : (k,) of all kinds. choice : of them. shared_out : see `Chooser`. used : kinds that are printed; shop,
    bands, plan and outcomes are of these.
    """

    counts: I8
    choice: Choice
    shared_out: bool
    used: list[int]
    shop: Shop
    bands: Bands
    plan: Plan
    outcomes: Outcomes


@dataclass(frozen=True, slots=True)
class Chooser:
    """Finds the plates to print: those of the least printer time.

    Where printers may not all print the same plates, that may leave some of them idle. Then, unless the due date is as
    good as sure, plates that share the work out are tried too, and taken if they are done earlier.

    takes : (g, k) what a plate takes on each group, None where it may not run. holds : (k, m) of each part. need :
    (m,). usable : kinds that may run somewhere. runs, seed, paces : as for `sturdiest`.
    """

    order: Order
    shop: Shop
    takes: Sequence[Sequence[Takes | None]]
    holds: I8
    need: I8
    usable: I8
    runs: int
    seed: int
    paces: tuple[float, ...] = ()

    def found(self) -> Chosen:
        """The plates with their plan.

        Raises
        ------
        InputError : too many plates. UsageError : too many runs to keep. Refused : more than twenty years.
        """
        cost, due_s = self.shop.cost_s()[self.usable], self.order.due_s
        choice = choose(self.holds[self.usable], self.need, cost)
        first = self._carried(self._all(choice.counts), choice)
        other = self._shared_out(first)
        if other is None:
            return first
        again = Choice(other[self.usable], float(cost @ other[self.usable]), choice.bound, False)
        second = self._carried(other, again, shared_out=True)
        return min((first, second), key=lambda one: standing(one.plan, one.outcomes, due_s))

    def _all(self, counts: I8) -> I8:
        """Counts of usable kinds as counts of all."""
        result = np.zeros(len(self.holds), np.int64)
        result[self.usable] = counts
        return result

    def _carried(self, counts: I8, choice: Choice, *, shared_out: bool = False) -> Chosen:
        used: list[int] = np.flatnonzero(counts).tolist()
        _check_size(self.order, int(counts.sum()), len(used), self.shop, self.runs)
        shop = replace(self.shop, seconds=self.shop.seconds[:, used], longest=self.shop.longest[used])
        bands = Bands(np.array([first_of(self.takes, k).time_s.band for k in used]).reshape(-1, 2))
        plan, outcomes = sturdiest(
            shop, counts[used], bands, self.runs, self.seed, self.order.due_s, self.paces
        )
        return Chosen(counts, choice, shared_out, used, shop, bands, plan, outcomes)

    def _shared_out(self, first: Chosen) -> I8 | None:
        """Other counts (k,), by which more printers have work; None where there is no reason for them."""
        if self.shop.allowed()[:, self.usable].all():
            return None
        due_s = self.order.due_s
        if due_s is not None and np.mean(first.outcomes.done_s <= due_s) >= _SURE:
            return None
        seconds, longest = self.shop.seconds[:, self.usable], self.shop.longest[self.usable]
        pace_s = replace(self.shop, seconds=seconds, longest=longest).pace_s()
        number = np.array([len(group.printers) for group in self.shop.groups])
        found = self._all(spread(self.holds[self.usable], self.need, pace_s, number))
        return None if np.array_equal(found, first.counts) or found.sum() > _MOST_PLATES else found


def _check_size(order: Order, plates: int, kinds: int, shop: Shop, runs: int) -> None:
    if plates > _MOST_PLATES:
        raise InputError(
            f"{order.name}: {plates:,} plates to print, expected at most {_MOST_PLATES:,}",
            "Order less at a time, or give a plate that holds more.",
        )
    if runs * len(shop.printers) * kinds > _MOST_NUMBERS:
        most = _MOST_NUMBERS // (len(shop.printers) * kinds)
        raise UsageError(
            f"--runs {runs}: too many for {len(shop.printers)} printers and {kinds} kinds of plate",
            f"Give at most {most}.",
        )
