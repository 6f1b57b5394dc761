"""The choice of plates, against all of them and against a solver of others."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, milp

from gcodetools.planning.covering import choose

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
