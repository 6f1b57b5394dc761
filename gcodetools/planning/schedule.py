"""Which plate when on which printer: parallel machines that need a person between two plates.

A plate holds its printer from its start until it is taken off, which somebody must be there for. Waiting before a
start gains nothing, so a plan is an order of plates on each printer. It is found by list schedules (longest first;
what idles least), made better by moves and exchanges from the printer that is done last, and for few plates by a
search of all of them that proves it the best. Nothing here is random.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.planning.shop import Shop
from gcodetools.records import dataclass

__all__ = ["Plan", "Run", "lower_bound", "planned"]

F8 = NDArray[np.float64]

_STEPS = 120_000  # placements of plates that the search for a better plan may take; about a second
_STATES = 20_000  # of the search of all plans
_EXACT_RUNS = 24


@dataclass(frozen=True, slots=True)
class Run:
    """One plate on one printer. kind : of plate. start_s, end_s, off_s : POSIX times at which it starts, ends and is
    off the printer."""

    kind: int
    start_s: float
    end_s: float
    off_s: float


@dataclass(frozen=True, slots=True)
class Plan:
    """runs : of each printer, in their order. done_s : when the last plate is off. bound_s : before which no plan is
    done. proven : no plan of these plates is done more than a second earlier.
    pace : with which it was made."""

    runs: tuple[tuple[Run, ...], ...]
    done_s: float
    bound_s: float
    proven: bool
    pace: float = 1.0


def planned(shop: Shop, counts: NDArray[np.integer], steps: int = _STEPS, pace: float = 1.0) -> Plan:
    """A plan of `counts` (k,) plates of each kind.

    pace : the plan is made as if plates took so many times as long, which leaves room in it, and then told with the
    times that they take.

    Raises
    ------
    ValueError : a kind that no printer may run. Refused : it would take more than twenty years.
    """
    allowed = shop.allowed()
    if np.any((counts > 0) & ~allowed.any(axis=0)):
        raise ValueError("a plate that no printer may run")
    slow = replace(shop, seconds=shop.seconds * pace, longest=shop.longest / pace)
    orders, best = _ordered(_Work(slow, allowed), counts, steps)
    work = _Work(shop, allowed)
    runs = tuple(tuple(work.runs(p, order)) for p, order in enumerate(orders))
    done = max((run.off_s for row in runs for run in row), default=shop.start_s)
    bound = min(lower_bound(shop, counts, done), done)
    proven = done <= bound + 1.0 or (best and pace == 1.0)
    return Plan(runs, done, done if proven else bound, proven, pace)


def _ordered(work: _Work, counts: NDArray[np.integer], steps: int) -> tuple[list[list[int]], bool]:
    """Kinds of plate in the order of each printer, and whether no order is done earlier."""
    lists = [_longest_first(work, counts)]
    if np.count_nonzero(counts) == 1:
        # The n-th of plates alike is off a printer when it is, so the earliest of all are the best.
        return lists[0], True
    total = int(np.sum(counts))
    if total * int(np.count_nonzero(counts)) <= steps:
        lists += [_least_idle(work, counts, by_day) for by_day in (_fullest, _shortest)]
    orders = _improved(work, min(lists, key=work.done), steps)
    found = work.done(orders)
    if found <= lower_bound(work.shop, counts, found) + 1.0:
        return orders, True
    return _exact(work, counts, orders) if max(total, len(orders)) <= _EXACT_RUNS else (orders, False)


def lower_bound(shop: Shop, counts: NDArray[np.integer], until_s: float | None = None) -> float:
    """A moment before which no plan of these plates is done. until_s : at which one is.

    No plate is off earlier than alone on an empty printer. And all printers together can't work off more than the
    hours with somebody there, and through each gap between them one plate: the longest through the longest.
    """
    kinds = np.flatnonzero(np.asarray(counts) > 0)
    if len(kinds) == 0:
        return shop.start_s
    work = _Work(shop, shop.allowed())
    groups = range(len(shop.groups))
    alone = max(min(work.off(g, int(k), shop.start_s) for g in groups) for k in kinds)
    swap = np.array([group.presence.swap_s for group in shop.groups])[:, None]
    least = np.where(work.allowed, shop.seconds + swap, np.inf).min(axis=0)
    needed = float(least[kinds] @ np.asarray(counts)[kinds])
    number = np.asarray(counts, np.int64)[kinds]
    longest = np.sort(np.repeat(np.where(work.allowed, shop.seconds, 0.0).max(axis=0)[kinds], number))[::-1]
    low, high = shop.start_s, until_s
    if high is None:
        high = shop.start_s + 86_400.0
        while _room(shop, high, longest) < needed:
            high += high - shop.start_s
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (low, middle) if _room(shop, middle, longest) >= needed else (middle, high)
    # Nothing is off while nobody is there.
    return max(alone, min(group.presence.off(low - group.presence.swap_s) for group in shop.groups))


def _room(shop: Shop, until_s: float, longest: F8) -> float:
    """Printer time until a moment that plates and swaps can take at most. longest : (n,) of plates, longest first."""
    total, gaps = 0.0, []
    for group in shop.groups:
        begin, end = group.presence.windows(until_s)
        begin, end = np.clip(begin, shop.start_s, until_s), np.clip(end, shop.start_s, until_s)
        total += len(group.printers) * float(np.sum(end - begin))
        if group.presence.alone:
            between = np.append(begin[1:], until_s) - end
            gaps.append(np.repeat(between[between > 0], len(group.printers)))
    through = np.sort(np.concatenate(gaps) if gaps else np.empty(0))[::-1]
    count = min(len(through), len(longest))
    return total + float(np.minimum(through[:count], longest[:count]).sum())


class _Work:
    """Times of plates on printers, remembered by group, kind and start."""

    def __init__(self, shop: Shop, allowed: NDArray[np.bool_]) -> None:
        self.shop, self.allowed = shop, allowed
        self.group_of: list[int] = shop.group_of.tolist()
        self.seconds: list[list[float]] = np.where(allowed, shop.seconds, np.inf).tolist()
        self.need: list[list[float]] = np.where(allowed, shop.seconds * shop.longest, np.inf).tolist()
        self.steps = 0

    def off(self, g: int, kind: int, free_s: float) -> float:
        """When a plate is off that goes on a printer free from `free_s` on; infinite where it may not."""
        seconds = self.seconds[g][kind]
        self.steps += 1
        if seconds == np.inf:
            return float("inf")
        presence = self.shop.groups[g].presence
        return presence.off(presence.start(free_s, self.need[g][kind]) + seconds)

    def chain(self, g: int, kinds: list[int], free_s: float) -> float:
        """When the last of some plates one after the other is off."""
        for kind in kinds:
            free_s = self.off(g, kind, free_s)
            if free_s == np.inf:
                break
        return free_s

    def gains(self, g: int, kinds: list[int], frees: list[float], same: int) -> bool:
        """Whether plates in another order are off earlier. frees : as they were, the first the begin; behind place
        `same` the order is the same, so that what is not earlier by then, or later on, never will be."""
        free_s = frees[0]
        for k, kind in enumerate(kinds):
            free_s = self.off(g, kind, free_s)
            if k >= same and free_s >= frees[k + 1]:
                return False
        return True

    def frees(self, order: list[int], p: int) -> list[float]:
        """When each plate of a printer may start, and when the last is off."""
        free = [self.shop.start_s]
        for kind in order:
            free.append(self.off(self.group_of[p], kind, free[-1]))
        return free

    def done(self, orders: list[list[int]]) -> float:
        return max(
            self.chain(self.group_of[p], order, self.shop.start_s) if order else self.shop.start_s
            for p, order in enumerate(orders)
        )

    def runs(self, p: int, order: list[int]) -> list[Run]:
        g, free, result = self.group_of[p], self.shop.start_s, []
        presence = self.shop.groups[g].presence
        for kind in order:
            start = presence.start(free, self.need[g][kind])
            end = start + self.seconds[g][kind]
            free = presence.off(end)
            result.append(Run(kind, start, end, free))
        return result


def _longest(work: _Work, counts: NDArray[np.integer]) -> list[int]:
    """Kinds, the longest first by the shortest time any printer takes for it."""
    least = np.where(work.allowed, work.shop.seconds, np.inf).min(axis=0)
    return [int(k) for k in np.argsort(-least, kind="stable") if counts[k] > 0]


def _longest_first(work: _Work, counts: NDArray[np.integer]) -> list[list[int]]:
    """Each plate, the longest first, on the printer from which it is off the earliest (Graham 1969)."""
    groups = len(work.shop.groups)
    free: list[list[tuple[float, int]]] = [[] for _ in range(groups)]
    for p, g in enumerate(work.group_of):
        free[g].append((work.shop.start_s, p))
    orders: list[list[int]] = [[] for _ in work.group_of]
    for kind in _longest(work, counts):
        for _ in range(int(counts[kind])):
            # Printers of a group are alike, so only the one that is free first counts.
            off, g = min((work.off(g, kind, free[g][0][0]), g) for g in range(groups))
            _, p = heapq.heapreplace(free[g], (off, free[g][0][1]))
            orders[p].append(kind)
    return orders


def _fullest(seconds: float, taken_s: float) -> tuple[float, float]:
    """The plate that leaves the least share of the printer's time unused; of such the longest."""
    return -seconds / taken_s, -seconds


def _shortest(seconds: float, taken_s: float) -> tuple[float, float]:
    """The plate that leaves the least time unused; of such the shortest, so that long ones are left for nights."""
    return round(taken_s - seconds), seconds


def _least_idle(
    work: _Work, counts: NDArray[np.integer], key: Callable[[float, float], tuple[float, float]]
) -> list[list[int]]:
    """Each time a printer is free it gets the plate that leaves the least of its time unused until it is off."""
    left = np.array(counts, np.int64).tolist()
    kinds = _longest(work, counts)
    free = [(work.shop.start_s, p) for p in range(len(work.group_of))]
    orders: list[list[int]] = [[] for _ in work.group_of]
    while free and any(left):
        at, p = heapq.heappop(free)
        seconds = work.seconds[work.group_of[p]]
        offs = {k: work.off(work.group_of[p], k, at) for k in kinds if left[k] and seconds[k] < np.inf}
        if offs:
            kind = min(offs, key=lambda k: key(seconds[k], offs[k] - at))
            left[kind] -= 1
            orders[p].append(kind)
            heapq.heappush(free, (offs[kind], p))
    return orders


def _improved(work: _Work, orders: list[list[int]], steps: int) -> list[list[int]]:
    """Moves and exchanges while they help: within the printer that is done last, from it to another, against
    another's plate."""
    orders = [list(order) for order in orders]
    work.steps = 0
    frees = [work.frees(order, p) for p, order in enumerate(orders)]
    while work.steps < steps:
        done = [free[-1] for free in frees]
        last = int(np.argmax(done))
        changed = _reordered(work, orders, frees, last, steps) or _shared(work, orders, frees, last, steps)
        if not changed:
            break
        for p in changed:
            frees[p] = work.frees(orders[p], p)
    return orders


def _reordered(
    work: _Work, orders: list[list[int]], frees: list[list[float]], p: int, steps: int
) -> tuple[int, ...]:
    """Exchange two plates of a printer so that it is done earlier."""
    order, g = orders[p], work.group_of[p]
    for i in range(len(order)):
        seen = {order[i]}
        for j in range(i + 1, len(order)):
            if order[j] in seen or work.steps >= steps:
                continue
            tried = [order[j], *order[i + 1 : j], order[i], *order[j + 1 :]]
            if work.gains(g, tried, frees[p][i:], j - i):
                orders[p] = order[:i] + tried
                return (p,)
    return ()


def _shared(
    work: _Work, orders: list[list[int]], frees: list[list[float]], p: int, steps: int
) -> tuple[int, ...]:
    """Give a plate of the printer that is done last to another, alone or for one of its own, so that both are done
    earlier than it was."""
    order, g, done = orders[p], work.group_of[p], frees[p][-1]
    tried: set[tuple[int, tuple[int, ...], int]] = set()
    for i in [k for k, kind in enumerate(order) if kind not in order[:k]]:
        rest = order[i + 1 :]
        for q in sorted(range(len(orders)), key=lambda q: (frees[q][-1], q)):
            # Printers alike with the same plates are the same.
            key = (work.group_of[q], tuple(orders[q]), order[i])
            if q == p or key in tried or work.steps >= steps or frees[q][-1] >= done:
                continue
            tried.add(key)
            other = orders[q]
            if work.off(work.group_of[q], order[i], frees[q][-1]) < done:
                if work.chain(g, rest, frees[p][i]) < done:
                    orders[q], orders[p] = [*other, order[i]], order[:i] + rest
                    return p, q
                continue
            for j in [k for k, kind in enumerate(other) if kind not in other[:k] and kind != order[i]]:
                theirs = [order[i], *other[j + 1 :]]
                if work.chain(work.group_of[q], theirs, frees[q][j]) < done and (
                    work.chain(g, [other[j], *rest], frees[p][i]) < done
                ):
                    orders[q], orders[p] = other[:j] + theirs, [*order[:i], other[j], *rest]
                    return p, q
    return ()


def _exact(work: _Work, counts: NDArray[np.integer], orders: list[list[int]]) -> tuple[list[list[int]], bool]:
    """The best of all plans, and whether all could be looked at.

    Plates are put on the printer that is free first, or that printer gets no more; what can't be done earlier
    than the best so far is left, and so is a state that was seen before.
    """
    search = _Search(work, orders)
    kinds = _longest(work, counts)
    free: list[float | None] = [work.shop.start_s] * len(work.group_of)
    search.go([int(n) for n in counts], free, [[] for _ in free], kinds)
    return search.best, search.states < _STATES


class _Search:
    """All plans, depth first."""

    def __init__(self, work: _Work, orders: list[list[int]]) -> None:
        self.work, self.best, self.done = work, orders, work.done(orders)
        self.seen: set[tuple[object, ...]] = set()
        self.states = 0
        swap = np.array([group.presence.swap_s for group in work.shop.groups])[:, None]
        least = np.where(work.allowed, work.shop.seconds + swap, np.inf).min(axis=0)
        self.least: list[float] = least.tolist()

    def go(
        self, left: list[int], free: list[float | None], orders: list[list[int]], kinds: list[int]
    ) -> None:
        """free : of each printer, None where it gets no more."""
        if not any(left):
            offs = [self.work.shop.start_s]
            offs += [self.work.frees(order, p)[-1] for p, order in enumerate(orders)]
            if max(offs) < self.done:
                self.done, self.best = max(offs), [list(order) for order in orders]
            return
        self.states += 1
        open_ = [(at, p) for p, at in enumerate(free) if at is not None]
        room = sum(self.done - at for at, _ in open_)
        needed = sum(n * self.least[k] for k, n in enumerate(left) if n)
        if self.states >= _STATES or not open_ or room <= needed:
            return
        key = (tuple(left), tuple(sorted((self.work.group_of[p], at) for at, p in open_)), self.done)
        if key in self.seen:
            return
        self.seen.add(key)
        at, p = min(open_)
        for kind in kinds:
            if not left[kind]:
                continue
            off = self.work.off(self.work.group_of[p], kind, at)
            if off < self.done:
                left[kind] -= 1
                orders[p].append(kind)
                free[p] = off
                self.go(left, free, orders, kinds)
                free[p] = at
                orders[p].pop()
                left[kind] += 1
        free[p] = None
        self.go(left, free, orders, kinds)
        free[p] = at
