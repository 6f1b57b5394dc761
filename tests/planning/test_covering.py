"""The choice of plates, against all of them and against a solver of others."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, linprog, milp

from gcodetools.planning.covering import choose, spread

small = st.integers(1, 3).flatmap(
    lambda m: st.tuples(
        st.lists(st.lists(st.integers(0, 4), min_size=m, max_size=m), min_size=1, max_size=3),
        st.lists(st.integers(0, 7), min_size=m, max_size=m),
    )
)


def coverable(holds, need) -> bool:
    return bool(np.all((holds.sum(axis=0) > 0) | (need == 0)))


def by_hand(holds, need, cost) -> tuple[float, int]:
    """The least cost of all counts that cover the need, and the fewest parts at that cost."""
    most = int(need.max(initial=0)) + 1
    best = (np.inf, 0)
    for counts in product(range(most), repeat=len(holds)):
        x = np.array(counts)
        if np.all(x @ holds >= need):
            best = min(best, (round(float(cost @ x), 6), int((x @ holds).sum())))
    return best


@given(small, st.lists(st.integers(1, 6), min_size=3, max_size=3))
def test_the_choice_is_the_cheapest_and_then_leaves_the_least(case, prices):
    holds, need = np.array(case[0]), np.array(case[1])
    assume(coverable(holds, need))
    cost = np.array(prices[: len(holds)], float)
    found = choose(holds, need, cost)
    cheapest, parts = by_hand(holds, need, cost)
    assert np.all(found.counts @ holds >= need) and np.all(found.counts >= 0)
    assert found.cost == pytest.approx(cheapest) and found.proven and found.bound == pytest.approx(cheapest)
    assert int((found.counts @ holds).sum()) == parts


@pytest.mark.parametrize("seed", range(40))
def test_larger_orders_cost_what_another_solver_finds(seed):
    """scipy's `milp` (HiGHS), without a gap."""
    rng = np.random.default_rng(seed)
    n, m = int(rng.integers(2, 9)), int(rng.integers(1, 6))
    holds = rng.integers(0, 12, (n, m))
    holds[0] = np.maximum(holds[0], 1)
    need, cost = rng.integers(0, 400, m), rng.uniform(600.0, 40_000.0, n)
    found = choose(holds, need, cost)
    other = milp(
        cost,
        constraints=LinearConstraint(holds.T, need, np.inf),
        integrality=np.ones(n),
        options={"mip_rel_gap": 0},
    )
    assert np.all(found.counts @ holds >= need)
    assert found.bound <= other.fun * (1 + 1e-9) and found.cost >= other.fun * (1 - 1e-9)
    assert not found.proven or found.cost == pytest.approx(other.fun, rel=1e-7)


@pytest.mark.long
def test_a_search_that_is_given_up_says_how_far_it_may_be_from_the_best():
    rng = np.random.default_rng(3)
    holds = rng.integers(0, 10, (60, 10)) * (rng.random((60, 10)) < 0.4)
    holds[0] = 1
    need, cost = np.full(10, 333), holds.sum(axis=1) * 600.0 * rng.uniform(0.8, 1.2, 60) + 600.0
    found = choose(holds, need, cost, nodes=20)
    assert not found.proven and 0 < found.cost / found.bound - 1 < 0.05
    assert np.all(found.counts @ holds >= need)
    other = milp(
        cost,
        constraints=LinearConstraint(holds.T, need, np.inf),
        integrality=np.ones(60),
        options={"time_limit": 1.0},
    )
    assert found.bound <= other.fun * (1 + 1e-9)


def test_where_two_choices_cost_the_same_fewer_parts_are_left_over():
    found = choose(np.array([[4, 3], [4, 0]]), np.array([4, 0]), np.array([10.0, 10.0]))
    assert found.counts.tolist() == [0, 1]


def test_nothing_wanted_is_nothing_printed():
    assert choose(np.array([[3]]), np.array([0]), np.array([5.0])).counts.tolist() == [0]
    assert choose(np.array([[3]]), np.array([-2]), np.array([5.0])).counts.tolist() == [0]


def test_what_no_plate_holds_is_refused():
    with pytest.raises(ValueError, match="no plate holds"):
        choose(np.array([[3, 0]]), np.array([1, 1]), np.array([5.0]))
    with pytest.raises(ValueError, match="costs nothing"):
        choose(np.array([[3]]), np.array([1]), np.array([0.0]))


def test_the_same_order_gives_the_same_choice():
    rng = np.random.default_rng(8)
    holds, need, cost = rng.integers(0, 6, (12, 5)) + 1, rng.integers(50, 200, 5), rng.uniform(1, 9, 12)
    first, second = (choose(holds, need, cost) for _ in range(2))
    assert first.counts.tolist() == second.counts.tolist() and first.cost == second.cost


@pytest.mark.parametrize("seed", range(4))
def test_large_work_is_shared_out_as_another_solver_does(seed):
    """scipy's linprog: the least T for these very counts is that of the best counts, but for the whole numbers."""
    rng = np.random.default_rng(seed)
    holds, need = rng.integers(1, 6, (4, 2)), rng.integers(4000, 9000, 2)
    number = rng.integers(1, 4, 3)
    takes = rng.uniform(1e3, 9e3, (3, 4))
    takes[0, 2:] = takes[1, :2] = takes[2, 1] = np.inf
    group, kind = np.nonzero(np.isfinite(takes))

    def least(rows, bound) -> float:
        load = np.zeros((3, len(kind) + 1))
        load[group, np.arange(len(kind))] = takes[group, kind]
        load[:, -1] = -number
        cover = np.hstack([-rows[:, kind], np.zeros((len(rows), 1))])
        limits = np.concatenate([-bound, np.zeros(3)])
        return float(linprog(np.append(np.zeros(len(kind)), 1.0), np.vstack([cover, load]), limits).fun)

    counts = spread(holds, need, takes, number)
    assert np.all(counts @ holds >= need)
    best = least(holds.T.astype(float), need.astype(float))
    assert best - 1e-6 <= least(np.eye(4), counts.astype(float)) <= best * 1.005


def test_two_printers_with_plates_of_their_own_share_the_work():
    """One plate a printer, of one part: of 30 parts 20 for the one that is twice as quick."""
    takes = np.array([[1.0, np.inf], [np.inf, 2.0]])
    assert spread(np.array([[1], [1]]), np.array([30]), takes, np.array([1, 1])).tolist() == [20, 10]
    assert spread(np.array([[1], [1]]), np.array([30]), takes, np.array([1, 4])).tolist() == [10, 20]
    with pytest.raises(ValueError, match="no plate holds"):
        spread(np.array([[1, 0], [1, 0]]), np.array([3, 1]), takes, np.array([1, 1]))


@pytest.mark.parametrize("seed", range(40))
def test_small_work_is_shared_out_the_best_way(seed):
    """Two groups of printers with a plate each: against every way to cover the need."""
    rng = np.random.default_rng(seed)
    holds, need, number = rng.integers(1, 5, (2, 1)), rng.integers(5, 25, 1), rng.integers(1, 4, 2)
    each = rng.uniform(1.0, 5.0, 2)

    def done(counts) -> float:
        return float(np.max(np.ceil(np.array(counts) / number) * each))

    ways = [x for x in product(range(26), repeat=2) if np.dot(x, holds[:, 0]) >= need[0]]
    takes = np.where(np.eye(2, dtype=bool), each, np.inf)
    assert done(spread(holds, need, takes, number)) == pytest.approx(min(map(done, ways)))
