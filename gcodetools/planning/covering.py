"""How many of which plate: the cheapest whole numbers that cover what is ordered.

min cost·x  subject to  holds^T x >= need, x whole and at least 0. Branch and bound over linear programmes: each is
solved by the dual simplex method on a dense tableau, which starts without a first phase because no cost is
negative, and goes on from its parent's tableau behind one more bound (Land and Doig 1960; Lemke 1954). The
tableau has a row a part and a row a bound, so it stays small.
"""

from __future__ import annotations

import heapq

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Choice", "choose", "spread"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_TINY = 1e-9
_TRADED, _TRADES = 200, 20  # plates up to which trades are tried one by one, and how many are made
_NODES = 1500  # of one search; kinds of plate are few, so that most need under a hundred


@dataclass(frozen=True, slots=True)
class Choice:
    """counts : (n,) of each kind of plate. cost : their cost. bound : no choice costs less. proven : none does."""

    counts: I8
    cost: float
    bound: float
    proven: bool


def choose(holds: NDArray[np.integer], need: NDArray[np.integer], cost: F8, nodes: int = _NODES) -> Choice:
    """The counts that cover the need at the least cost, and among those of that cost with the fewest parts.

    Parameters
    ----------
    holds : (n, m) parts on each kind of plate. need : (m,) of each part. cost : (n,) of a plate, above 0.
    nodes : bounds tried before the search is given up; what it has then covers the need, and `bound` tells how
    far from the best it can be.

    Raises
    ------
    ValueError : a part that is needed is on no plate, or a cost is not above 0.
    """
    need = np.maximum(np.asarray(need, np.int64), 0)
    holds = np.asarray(holds, np.int64)
    if np.any((holds.sum(axis=0) == 0) & (need > 0)) or np.any(~(cost > 0)):
        raise ValueError("no plate holds a part that is needed, or a plate costs nothing")
    wanted = need > 0
    if not np.any(wanted):
        return Choice(np.zeros(len(cost), np.int64), 0.0, 0.0, True)
    rows, least = holds[:, wanted].T.astype(np.float64), need[wanted].astype(np.float64)
    first = _search(rows, least, cost, None, nodes)
    # Among those as cheap: the fewest parts, so that the fewest are left over.
    ceiling = float(cost @ first.counts) * (1 + _TINY)
    parts = holds.sum(axis=1).astype(np.float64)
    second = _search(
        np.vstack([rows, -cost]), np.append(least, -ceiling), parts, first.counts, nodes, whole=True
    )
    counts = second.counts
    return Choice(counts, float(cost @ counts), first.bound, first.proven)


def spread(
    holds: NDArray[np.integer], need: NDArray[np.integer], takes: F8, number: NDArray[np.integer]
) -> I8:
    """Counts that cover the need and share the work out where printers may not all print the same plates.

    Least T with  sum_g,k x_gk holds_k >= need,  sum_k takes_gk x_gk <= T number_g,  in parts of plates that
    are then made whole.

    Parameters
    ----------
    holds : (n, m) parts on each kind of plate. need : (m,) of each part. takes : (g, n) s of a plate in a group of
    printers, infinite where it may not run. number : (g,) of printers.

    Raises
    ------
    ValueError : a part that is needed is on no plate that may run.
    """
    group, kind = np.nonzero(np.isfinite(takes))
    each, unit = takes[group, kind], float(takes[np.isfinite(takes)].max(initial=1.0))
    wanted = np.asarray(need) > 0
    rows, least = np.asarray(holds, np.float64)[:, wanted].T, np.asarray(need, np.float64)[wanted]
    cover = np.hstack([rows[:, kind], np.zeros((len(rows), 1))])
    load = np.zeros((len(takes), len(kind) + 1))
    load[group, np.arange(len(kind))] = -each / unit
    load[:, -1] = number
    # Time on printers that are done early costs a little, so that none is spent for nothing.
    cost = np.append(1e-3 * each / each.sum(), 1.0)
    found = _Tableau.of(np.vstack([cover, load]), np.append(least, np.zeros(len(load))), cost).solved()
    if found is None:
        raise ValueError("no plate holds a part that is needed")
    parts = np.bincount(kind, found.x(len(kind)), len(holds)).astype(np.float64)
    counts = _made_whole(parts, rows, least, np.where(np.isfinite(takes), takes, 0.0).max(axis=0))
    assert counts is not None  # rounding up covers what parts of plates cover
    return _traded(counts, rows, least, takes, number) if counts.sum() <= _TRADED else counts


def _traded(counts: I8, rows: F8, least: F8, takes: F8, number: NDArray[np.integer]) -> I8:
    """While all is done earlier so: a plate less of one kind, for as many of another as are then needed."""
    best = _longest_load(counts, takes, number)
    runs = np.isfinite(takes).any(axis=0)
    for _ in range(_TRADES):
        found: tuple[float, I8] | None = None
        for less in np.flatnonzero(counts > 0).tolist():
            for more in np.flatnonzero(runs).tolist():
                tried = counts.copy()
                tried[less] -= 1
                gap, gives = least - rows @ tried, rows[:, more]
                if more == less or np.any((gap > 0) & (gives == 0)):
                    continue
                tried[more] += int(np.ceil(np.max(gap[gives > 0] / gives[gives > 0], initial=0.0)))
                done = _longest_load(tried, takes, number)
                if done < (found[0] if found else best) * (1 - _TINY):
                    found = done, tried
        if found is None:
            break
        best, counts = found
    return counts


def _longest_load(counts: I8, takes: F8, number: NDArray[np.integer]) -> float:
    """When the last printer is done: each plate, the longest first, where it is done the earliest."""
    free = [[0.0] * int(n) for n in number]
    each = takes.tolist()
    for k in sorted(np.flatnonzero(counts).tolist(), key=lambda k: -float(takes[:, k].min())):
        for _ in range(int(counts[k])):
            done, g = min((free[g][0] + row[k], g) for g, row in enumerate(each))
            heapq.heapreplace(free[g], done)
    return max(max(row) for row in free)


@dataclass(frozen=True, slots=True)
class _Tableau:
    """A linear programme on its way: body (r, c) with the right-hand side in the last column, cost (c,) reduced,
    basis (r,) the column of each row. The first n columns are the plates."""

    body: F8
    cost: F8
    basis: I8

    @classmethod
    def of(cls, rows: F8, least: F8, cost: F8) -> _Tableau:
        r, n = rows.shape
        body = np.hstack([-rows, np.eye(r), -least[:, None]])
        return cls(body, np.concatenate([cost, np.zeros(r + 1)]), n + np.arange(r))

    @property
    def value(self) -> float:
        return -float(self.cost[-1])

    def x(self, n: int) -> F8:
        found = np.zeros(n)
        mine = self.basis < n
        found[self.basis[mine]] = self.body[mine, -1]
        return found

    def bounded(self, column: int, limit: float, up: bool) -> _Tableau:
        """With x[column] <= limit, or >= limit where `up`, as one more row."""
        r, c = self.body.shape
        row = np.zeros(c + 1)
        sign = -1.0 if up else 1.0
        row[column], row[-2], row[-1] = sign, 1.0, sign * limit
        body = np.zeros((r + 1, c + 1))
        body[:r, : c - 1], body[:r, -1] = self.body[:, :-1], self.body[:, -1]
        at = np.flatnonzero(self.basis == column)
        if len(at):
            row -= sign * body[at[0]]
        body[r] = row
        cost = np.concatenate([self.cost[:-1], [0.0], self.cost[-1:]])
        return _Tableau(body, cost, np.append(self.basis, c - 1))

    def solved(self) -> _Tableau | None:
        """Feasible by the dual simplex method; None where nothing is."""
        body, cost, basis = self.body.copy(), self.cost.copy(), self.basis.copy()
        for step in range(50 * (len(basis) + 10)):
            low = np.flatnonzero(body[:, -1] < -1e-8)
            if len(low) == 0:
                return _Tableau(body, cost, basis)
            # Bland's rule once it takes long, so that it can't go in a circle.
            r = int(low[np.argmin(body[low, -1])]) if step < 500 else int(low[np.argmin(basis[low])])
            open_ = np.flatnonzero(body[r, :-1] < -_TINY)
            if len(open_) == 0:
                return None
            ratio = cost[open_] / -body[r, open_]
            k = int(open_[np.flatnonzero(ratio <= ratio.min() + 1e-12)[0]])
            body[r] /= body[r, k]
            factor = body[:, k].copy()
            factor[r] = 0.0
            body -= np.outer(factor, body[r])
            cost -= cost[k] * body[r]
            basis[r] = k
        return None


def _search(rows: F8, least: F8, cost: F8, known: I8 | None, nodes: int, *, whole: bool = False) -> Choice:
    """Branch and bound, the lowest bound first. known : counts that serve. whole : costs are whole numbers."""
    n = rows.shape[1]
    best = known
    best_cost = float(cost @ known) if known is not None else np.inf
    root = _Tableau.of(rows, least, cost).solved()
    if root is None:
        return Choice(known if known is not None else np.zeros(n, np.int64), best_cost, best_cost, False)
    heap: list[tuple[float, int, _Tableau]] = [(root.value, 0, root)]
    number, floor = 0, root.value
    while heap and number < nodes:
        bound, _, node = heapq.heappop(heap)
        floor = _rounded(bound, whole)
        if floor >= best_cost - _TINY * max(abs(best_cost), 1.0):
            return Choice(_counts(best, n), best_cost, best_cost, True)
        x = node.x(n)
        tried = _made_whole(x, rows, least, cost)
        if tried is not None and float(cost @ tried) < best_cost:
            best, best_cost = tried, float(cost @ tried)
        gap = np.abs(x - np.round(x))
        if gap.max(initial=0.0) < 1e-7:
            counts = np.round(x).astype(np.int64)
            if float(cost @ counts) < best_cost:
                best, best_cost = counts, float(cost @ counts)
            continue
        column = int(np.argmax(gap))
        for up in (False, True):
            limit = np.ceil(x[column]) if up else np.floor(x[column])
            child = node.bounded(column, float(limit), up).solved()
            if child is not None and _rounded(child.value, whole) < best_cost:
                number += 1
                heapq.heappush(heap, (child.value, number, child))
    if not heap:
        return Choice(_counts(best, n), best_cost, best_cost, True)
    return Choice(_counts(best, n), best_cost, min(_rounded(heap[0][0], whole), best_cost), False)


def _counts(best: I8 | None, n: int) -> I8:
    return best if best is not None else np.zeros(n, np.int64)


def _rounded(bound: float, whole: bool) -> float:
    return float(np.ceil(bound - 1e-6)) if whole else bound


def _made_whole(x: F8, rows: F8, least: F8, cost: F8) -> I8 | None:
    """Whole numbers near `x` that serve: rounded up, then as many taken away again as nobody needs."""
    counts = np.ceil(x - 1e-7).astype(np.int64)
    if np.any(rows @ counts < least - 1e-6):
        return None
    for k in np.argsort(-cost, kind="stable"):
        if counts[k] == 0:
            continue
        spare = rows @ counts - least
        holds = rows[:, k]
        room = spare[holds > 0] / holds[holds > 0]
        less = int(min(counts[k], np.floor(room.min(initial=np.inf) + 1e-9))) if len(room) else int(counts[k])
        counts[k] -= max(less, 0)
    return counts
