"""What happens when plates fail: a print run simulated many times, with failures and the doubt of times.

Every plate fails with the share its printer has, by itself and none the wiser from others. Each printer works
through what is planned for it; a plate that failed is printed again behind that, by the printer that is done with
it the earliest, in the order in which they failed. How long plates take is one doubt for all of them, the same in
both of two plans with one seed, as are the failures of each plate.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.planning.schedule import Plan, planned
from gcodetools.planning.shop import Shop
from gcodetools.records import dataclass

__all__ = ["Bands", "Chance", "Outcomes", "chance", "doubt", "quantile", "simulated", "standing", "sturdiest"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Pair = tuple[float, float]

_SIGMAS = 1.6449  # of a normal distribution, from its middle to the ends that hold nine tenths
_TWO_SIDED = 1.96  # likewise for 95 of 100
_FIRST, _AGAIN, _DOUBT = 0, 1, 2  # streams of random numbers


@dataclass(frozen=True, slots=True)
class Bands:
    """Doubt of what a plate takes, as factors (low, high) that hold nine of ten. seconds : (k, 2) by kind of plate."""

    seconds: F8


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What came of each of r runs.

    done_s : (r,) POSIX time at which all that is wanted is off. plates : (r,) printed, failed ones counted. failed :
    (r,). busy_s : (r, g) spent printing by each group, failed plates as far as they came. spent : (r, g, k) plates'
    worth printed, failed ones as far as they came. begun : (r, p, k) plates begun on each printer. good : (r, k)
    plates done by the due date, zeros without one.
    """

    done_s: F8
    plates: I8
    failed: I8
    busy_s: F8
    spent: F8
    begun: NDArray[np.int32]
    good: I8


def doubt(name: int, low: float | F8, high: float | F8, seed: int, runs: int) -> F8:
    """(r,) or, for ends (k,), (r, k) factors around 1, nine of ten from low to high: halves of two normal
    distributions that meet at 1. name : factors of one name are wide or narrow together."""
    z = np.random.default_rng([seed, _DOUBT, name]).standard_normal(runs) / _SIGMAS
    low, high = np.asarray(low, np.float64), np.asarray(high, np.float64)
    z = z.reshape(-1, *([1] * low.ndim))
    result: F8 = np.maximum(1.0 + np.where(z < 0, z * (1.0 - low), z * (high - 1.0)), 0.05)
    return result


def simulated(
    shop: Shop, plan: Plan, bands: Bands, runs: int, seed: int, due_s: float | None = None
) -> Outcomes:
    """A plan carried out `runs` times.

    Raises
    ------
    Refused : a run takes more than twenty years.
    """
    return _Simulation(shop, plan, bands, runs, seed, due_s).outcomes()


def sturdiest(
    shop: Shop,
    counts: NDArray[np.integer],
    bands: Bands,
    runs: int,
    seed: int,
    due_s: float | None = None,
    paces: Sequence[float] = (),
) -> tuple[Plan, Outcomes]:
    """Of some plans the one with the best odds of the due date, then the earliest by which 95 of 100 runs are done.

    The plan that is done first if nothing fails may leave no room: a plate that ends a minute before everybody goes
    home. So there are also plans made as if plates took as long as they may, and some of them were printed twice.
    paces : try these instead (see `planned`).

    Raises
    ------
    ValueError, Refused : as `planned`.
    """
    slow = float(bands.seconds[:, 1].max(initial=1.0))
    failed = max((group.failed for group in shop.groups), default=0.0)
    found: list[tuple[tuple[float, float, float], Plan, Outcomes]] = []
    for pace in paces or dict.fromkeys((1.0, slow, slow / (1.0 - failed))):
        plan = planned(shop, counts, pace=pace)
        if any(plan.runs == other.runs for _, other, _ in found):
            continue
        outcomes = simulated(shop, plan, bands, runs, seed, due_s)
        found.append((standing(plan, outcomes, due_s), plan, outcomes))
    _, plan, outcomes = min(found, key=lambda one: one[0])
    return plan, outcomes


def standing(plan: Plan, outcomes: Outcomes, due_s: float | None = None) -> tuple[float, float, float]:
    """How good a plan is, the least the best: runs that miss the due date, when 95 of 100 are done, when it is done
    if nothing fails."""
    late = 0.0 if due_s is None else float((outcomes.done_s > due_s).sum())
    return late, quantile(outcomes.done_s, 0.95)[1], plan.done_s


class _Simulation:
    def __init__(
        self, shop: Shop, plan: Plan, bands: Bands, runs: int, seed: int, due_s: float | None
    ) -> None:
        self.shop, self.plan, self.runs, self.seed = shop, plan, runs, seed
        self.due_s = -np.inf if due_s is None else due_s
        groups, kinds = shop.seconds.shape
        self.group_of = shop.group_of
        self.pace = doubt(0, bands.seconds[:, 0], bands.seconds[:, 1], seed, runs)
        self.seconds = np.where(shop.allowed(), shop.seconds, np.inf)
        self.free = np.full((runs, len(self.group_of)), shop.start_s)
        self.done = np.full(runs, shop.start_s)
        self.plates, self.failed = np.zeros(runs, np.int64), np.zeros(runs, np.int64)
        self.spent = np.zeros((runs, groups, kinds))
        self.busy = np.zeros((runs, groups))
        self.begun = np.zeros((runs, len(self.group_of), kinds), np.int32)
        self.good = np.zeros((runs, kinds), np.int64)
        self.again: list[tuple[I8, F8, int]] = []  # runs in which a plate failed, when it was off, its kind

    def outcomes(self) -> Outcomes:
        copies = [0] * self.shop.seconds.shape[1]
        for p, row in enumerate(self.plan.runs):
            for run in row:
                self._first(p, run.kind, copies[run.kind])
                copies[run.kind] += 1
        self._repeats()
        return Outcomes(self.done, self.plates, self.failed, self.busy, self.spent, self.begun, self.good)

    def _first(self, p: int, kind: int, copy: int) -> None:
        """A planned plate, in all runs at once."""
        g = int(self.group_of[p])
        group = self.shop.groups[g]
        luck, where = np.random.default_rng([self.seed, _FIRST, kind, copy]).random((2, self.runs))
        fails = luck < group.failed
        share = np.where(fails & (not group.to_the_end), where, 1.0)
        seconds = self.seconds[g, kind] * self.pace[:, kind]
        need = self.seconds[g, kind] * self.shop.longest[kind]
        start = group.presence.start_all(self.free[:, p], np.array(need))
        off = group.presence.off_all(start + seconds * share)
        self.free[:, p] = off
        self.plates += 1
        self.failed += fails
        self.spent[:, g, kind] += share
        self.busy[:, g] += seconds * share
        self.begun[:, p, kind] += 1
        self.good[:, kind] += ~fails & (off <= self.due_s)
        np.maximum(self.done, off, out=self.done, where=~fails)
        lost = np.flatnonzero(fails)
        if len(lost):
            self.again.append((lost, off[lost], kind))

    def _count(
        self, run: I8, p: I8, kind: I8, share: F8, seconds: F8, fails: NDArray[np.bool_], off: F8
    ) -> None:
        """Note one plate in each of `run`, which holds no run twice."""
        g = self.group_of[p]
        self.plates[run] += 1
        self.failed[run] += fails
        self.spent[run, g, kind] += share
        self.busy[run, g] += seconds
        self.begun[run, p, kind] += 1
        good = ~fails
        self.good[run[good], kind[good]] += off[good] <= self.due_s
        self.done[run] = np.maximum(self.done[run], np.where(good, off, -np.inf))

    def _repeats(self) -> None:
        """Print again what failed, until all is good: in each step the first to have failed in each run."""
        if not self.again:
            return
        ready, kinds = _pool(self.again, self.runs)
        step = 0
        while True:
            slot = np.argmin(ready, axis=1)
            run = np.flatnonzero(np.isfinite(ready[np.arange(self.runs), slot]))
            if len(run) == 0:
                return
            slot = slot[run]
            kind = kinds[run, slot]
            luck, where = np.random.default_rng([self.seed, _AGAIN, step]).random((2, self.runs))
            p, start = self._placed(run, kind, ready[run, slot])
            g = self.group_of[p]
            chances = np.array([group.failed for group in self.shop.groups])[g]
            end = np.array([group.to_the_end for group in self.shop.groups])[g]
            fails = luck[run] < chances
            share = np.where(fails & ~end, where[run], 1.0)
            seconds = self.seconds[g, kind] * self.pace[run, kind] * share
            off = np.empty(len(run))
            for number, group in enumerate(self.shop.groups):
                mine = g == number
                off[mine] = group.presence.off_all((start + seconds)[mine])
            self.free[run, p] = off
            self._count(run, p, kind, share, seconds, fails, off)
            ready[run, slot] = np.where(fails, off, np.inf)
            step += 1

    def _placed(self, run: I8, kind: I8, ready: F8) -> tuple[I8, F8]:
        """The printer that would be done the earliest with a plate, if it did not fail, and when it starts there.
        Printers of a group are alike, so of each only the one that is free first is looked at."""
        best = np.full(len(run), np.inf)
        printer, begin = np.zeros(len(run), np.int64), np.zeros(len(run))
        for g, group in enumerate(self.shop.groups):
            mine = np.flatnonzero(self.group_of == g)
            free = self.free[np.ix_(run, mine)]
            first = np.argmin(free, axis=1)
            seconds = self.seconds[g, kind]
            fits = np.flatnonzero(np.isfinite(seconds))
            if len(fits) == 0:
                continue
            since = np.maximum(free[np.arange(len(run)), first], ready)[fits]
            start = group.presence.start_all(since, seconds[fits] * self.shop.longest[kind[fits]])
            off = group.presence.off_all(start + seconds[fits] * self.pace[run[fits], kind[fits]])
            better = off < best[fits]
            at = fits[better]
            best[at], printer[at], begin[at] = off[better], mine[first[at]], start[better]
        return printer, begin


def _pool(again: Sequence[tuple[I8, F8, int]], runs: int) -> tuple[F8, I8]:
    """(r, f) when each failed plate of a run was off, infinite where there is none, and (r, f) its kind."""
    run = np.concatenate([rows for rows, _, _ in again])
    ready = np.concatenate([off for _, off, _ in again])
    kind = np.concatenate([np.full(len(rows), k) for rows, _, k in again])
    order = np.argsort(run, kind="stable")
    run, ready, kind = run[order], ready[order], kind[order]
    place = np.arange(len(run)) - np.searchsorted(run, run)
    times, kinds = (
        np.full((runs, int(place.max()) + 1), np.inf),
        np.zeros((runs, int(place.max()) + 1), np.int64),
    )
    times[run, place], kinds[run, place] = ready, kind
    return times, kinds


@dataclass(frozen=True, slots=True)
class Chance:
    """A share of runs with the ends between which the chance lies in 95 of 100 simulations of as many runs."""

    low: float
    best: float
    high: float


def chance(hits: int, runs: int) -> Chance:
    """A chance from hits among runs, with Wilson's interval (Wilson 1927, J. Am. Stat. Assoc. 22, 209)."""
    p, z2 = hits / runs, _TWO_SIDED**2
    middle = (p + z2 / (2 * runs)) / (1 + z2 / runs)
    half = _TWO_SIDED / (1 + z2 / runs) * np.sqrt(p * (1 - p) / runs + z2 / (4 * runs**2))
    return Chance(max(0.0, min(p, float(middle - half))), p, min(1.0, max(p, float(middle + half))))


def quantile(values: F8, q: float) -> tuple[float, float, float]:
    """The least value that a share q of the runs does not exceed, with the ends that hold the true one in about 95 of
    100 simulations: values a rank of two standard deviations of the binomial count apart."""
    ordered = np.sort(values)
    n = len(ordered)
    half = _TWO_SIDED * float(np.sqrt(n * q * (1 - q)))
    ranks = [int(np.ceil(q * n - half)) - 1, int(np.ceil(q * n - 1e-9)) - 1, int(np.ceil(q * n + half)) - 1]
    low, best, high = (float(ordered[min(max(rank, 0), n - 1)]) for rank in ranks)
    return low, best, high
