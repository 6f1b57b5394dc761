"""Which plate when: small cases against every order on every printer, larger ones within their bound."""

from __future__ import annotations

import time
from itertools import pairwise, permutations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.planning.hours import Presence, moment_of, week_of, zone_of
from gcodetools.planning.schedule import lower_bound, planned
from gcodetools.planning.shop import Group, Shop

ZONE = zone_of("Europe/Vienna")
START = moment_of("2026-03-27T08:00", ZONE).s
HOUR = 3600.0


def shop(*groups: tuple[int, str, list[float]], swap_s=600.0, alone=True, longest=1.0) -> Shop:
    """groups : (printers, hours, hours that each kind takes; infinite where it may not run)."""
    made = [
        Group(
            f"g{k}",
            tuple(f"g{k}.{n}" for n in range(count)),
            Presence(week_of(said), ZONE, START, swap_s, alone),
            0.0,
        )
        for k, (count, said, _) in enumerate(groups)
    ]
    seconds = HOUR * np.array([hours for _, _, hours in groups])
    return Shop(tuple(made), seconds, np.full(seconds.shape[1], longest), START)


def by_hand(made: Shop, counts) -> float:
    """When the best of all plans is done: every printer for every plate, every order on it."""
    plates = [k for k, n in enumerate(counts) for _ in range(n)]
    seconds = np.where(made.allowed(), made.seconds, np.inf)

    def chain(g: int, order) -> float:
        presence, free = made.groups[g].presence, made.start_s
        for k in order:
            if not np.isfinite(seconds[g, k]):
                return float("inf")
            free = presence.off(presence.start(free, seconds[g, k] * made.longest[k]) + seconds[g, k])
        return free

    known: dict[tuple[int, tuple[int, ...]], float] = {}
    best = float("inf")
    for who in product(range(len(made.group_of)), repeat=len(plates)):
        done = made.start_s
        for p, g in enumerate(made.group_of.tolist()):
            mine = tuple(sorted(k for k, q in zip(plates, who, strict=True) if q == p))
            key = (g, mine)
            if key not in known:
                known[key] = min(chain(g, order) for order in set(permutations(mine)))
            done = max(done, known[key])
        best = min(best, done)
    return best


HOURS = ["round the clock", "07:00-23:00", "08:00-17:00", "08:00-09:00, 16:00-17:00", "22:00-06:00"]


@given(
    st.sampled_from(HOURS),
    st.sampled_from(HOURS),
    st.lists(
        st.sampled_from([0.5, 1.3, 2.0, 3.7, 5.0, 8.5, 11.0, 14.0]), min_size=2, max_size=3, unique=True
    ),
    st.lists(st.integers(0, 2), min_size=3, max_size=3),
    st.booleans(),
    st.sampled_from([0, 120_000]),
)
def test_small_plans_are_the_best_of_all(first, second, hours, numbers, second_pair, steps):
    """Without a step of the search that makes lists better, all is left to the search of all plans."""
    counts = numbers[: len(hours)]
    made = shop((1, first, hours), (1 + second_pair, second, [1.2 * h for h in hours]))
    plan = planned(made, np.array(counts), steps)
    assert plan.proven
    assert plan.done_s == pytest.approx(by_hand(made, counts), abs=1.0)
    assert lower_bound(made, np.array(counts)) <= plan.done_s + 1e-6


@pytest.mark.parametrize("steps", [0, 120_000])
@pytest.mark.parametrize("m", [2, 3, 4, 5])
def test_where_longest_first_is_at_its_worst_the_best_is_found(m, steps):
    """Graham 1969: two plates each of 2m-1 down to m+1 hours and three of m; longest first takes 4m-1, the best 3m."""
    hours = [float(h) for h in range(2 * m - 1, m - 1, -1)]
    made = shop((m, "round the clock", hours), swap_s=0.0)
    plan = planned(made, np.array([2] * (m - 1) + [3]), steps)
    assert plan.proven and (plan.done_s - START) / HOUR == pytest.approx(3 * m)


@pytest.mark.parametrize("said", HOURS)
@pytest.mark.parametrize("seed", range(4))
def test_plans_of_seven_plates_are_the_best_of_all(said, seed):
    rng = np.random.default_rng(seed)
    made = shop((1, said, list(rng.uniform(0.5, 9, 4))), (1, "07:00-23:00", list(rng.uniform(0.5, 9, 4))))
    counts = [2, 2, 2, 1]
    plan = planned(made, np.array(counts), steps=0)
    assert plan.proven and plan.done_s == pytest.approx(by_hand(made, counts), abs=1.0)


@given(
    st.sampled_from(["07:00-23:00", "08:00-17:00", "10:00-13:00, 14:00-20:00"]),
    st.lists(st.integers(0, 2), min_size=3, max_size=3),
)
def test_small_plans_of_printers_that_are_never_alone_are_the_best_of_all(said, counts):
    made = shop((2, said, [0.5, 2.0, 3.0]), alone=False, longest=1.1)
    plan = planned(made, np.array(counts))
    assert plan.proven and plan.done_s == pytest.approx(by_hand(made, counts), abs=1.0)
    for runs in plan.runs:
        for run in runs:
            k = int(np.searchsorted(made.groups[0].presence.windows(run.off_s)[1], run.start_s))
            begin, end = (side[k] for side in made.groups[0].presence.windows(run.off_s))
            assert begin <= run.start_s and run.start_s + 1.1 * (run.end_s - run.start_s) <= end + 1e-6


@pytest.mark.parametrize("steps", [0, 200, 150_000])
@pytest.mark.parametrize("said", HOURS)
def test_plans_of_any_size_are_whole_and_keep_the_hours(said, steps):
    made = shop((2, said, [1.5, 4.0, 9.0]), (1, "09:00-15:00", [2.0, np.inf, 11.0]))
    counts = np.array([23, 11, 8])
    plan = planned(made, counts, steps)
    found = np.zeros(3, int)
    for g, runs in zip(made.group_of.tolist(), plan.runs, strict=True):
        presence = made.groups[g].presence
        for run in runs:
            found[run.kind] += 1
            assert run.end_s - run.start_s == pytest.approx(made.seconds[g, run.kind])
            assert run.start_s == presence.start(run.start_s, 0.0)  # somebody is there
            assert run.off_s == presence.off(run.end_s) >= run.end_s + presence.swap_s
        assert all(b.start_s >= a.off_s for a, b in pairwise(runs))
        assert not runs or runs[0].start_s >= START
    assert found.tolist() == counts.tolist()
    assert plan.done_s == max(run.off_s for runs in plan.runs for run in runs) >= plan.bound_s


@pytest.mark.parametrize("seed", range(12))
def test_longest_first_keeps_grahams_bound_where_the_best_is_known(seed):
    """Graham 1969, SIAM J. Appl. Math. 17, 416: longest first is done within 4/3 - 1/(3m) of the best. The best is
    known where the plates are made by cutting up m equal stretches. Without a single step of search, then with all."""
    rng = np.random.default_rng(seed)
    m = int(rng.integers(2, 7))
    pieces = [np.diff([0.0, *np.sort(rng.uniform(0, 20, 13)), 20.0]) for _ in range(m)]
    made = shop((m, "round the clock", list(np.concatenate(pieces))), swap_s=0.0)
    counts = np.ones(14 * m, int)
    for steps in (0, 150_000):
        plan = planned(made, counts, steps)
        took = (plan.done_s - START) / HOUR
        assert 20 - 1e-6 <= took <= 20 * (4 / 3 - 1 / (3 * m)) + 1e-6
        assert (plan.bound_s - START) / HOUR == pytest.approx(20, abs=0.01)
    assert took <= 20 * 1.02


def test_a_long_plate_is_left_for_the_night():
    """With hours from 8 to 17 the three short ones go first; the 14 h plate starts at 14:30, ends at 04:30 and is off
    at 08:10."""
    made = shop((1, "08:00-17:00", [14.0, 2.0]))
    plan = planned(made, np.array([1, 3]))
    assert [run.kind for run in plan.runs[0]] == [1, 1, 1, 0]
    assert (plan.done_s - START) / HOUR == pytest.approx(24 + 1 / 6)


def test_plates_go_where_they_may_run():
    made = shop((1, "round the clock", [1.0, np.inf]), (1, "round the clock", [np.inf, 2.0]))
    plan = planned(made, np.array([2, 3]))
    assert [[run.kind for run in runs] for runs in plan.runs] == [[0, 0], [1, 1, 1]]
    with pytest.raises(ValueError, match="no printer"):
        planned(shop((1, "round the clock", [np.inf])), np.array([1]))


def test_a_plan_made_with_room_is_told_with_the_times_that_plates_take():
    made = shop((2, "08:00-17:00", [4.2, 3.0]))
    tight, wide = planned(made, np.array([4, 4])), planned(made, np.array([4, 4]), pace=1.15)
    for plan in (tight, wide):
        assert all(
            run.end_s - run.start_s == pytest.approx(made.seconds[0, run.kind])
            for runs in plan.runs
            for run in runs
        )
    assert wide.done_s >= tight.done_s and wide.bound_s <= tight.done_s
    assert not wide.proven or wide.done_s <= wide.bound_s + 1.0


def test_the_bound_knows_that_a_night_holds_one_plate():
    """One hour a day with somebody there, plates of one hour: no more than two or so a day."""
    made = shop((1, "08:00-09:00", [1.0]))
    plan = planned(made, np.array([20]))
    assert (plan.bound_s - START) / HOUR > 8 * 24
    assert plan.done_s >= plan.bound_s


def test_nothing_to_print_is_done_at_once():
    plan = planned(shop((2, "07:00-23:00", [1.0])), np.array([0]))
    assert plan.done_s == START == plan.bound_s and plan.proven


def test_the_same_order_gives_the_same_plan():
    plans = [planned(shop((3, "07:00-22:00", [1.5, 4.0, 9.0])), np.array([20, 15, 10])) for _ in range(2)]
    assert plans[0] == plans[1]


def test_a_large_order_is_planned_in_seconds():
    rng = np.random.default_rng(1)
    made = shop(
        (30, "07:00-23:00", list(rng.uniform(2, 12, 12))), (10, "08:00-17:00", list(rng.uniform(2, 12, 12)))
    )
    began = time.process_time()
    plan = planned(made, np.full(12, 25))
    assert time.process_time() - began < 5.0
    assert plan.done_s <= START + 1.35 * (plan.bound_s - START)


def test_plates_of_one_kind_are_known_to_be_planned_the_best_way():
    """Against every way to share them: the n-th on a printer is off when it is."""
    made = shop((2, "18:00-20:00", [1.1]), (1, "08:00-12:00, 13:00-17:00", [2.5]))
    plan = planned(made, np.array([40]))
    offs = []
    for g, printers in ((0, 2), (1, 1)):
        presence, free = made.groups[g].presence, START
        for _ in range(40):
            free = presence.off(presence.start(free, 0.0) + made.seconds[g, 0])
            offs += [free] * printers
    assert plan.proven and plan.done_s == plan.bound_s == sorted(offs)[39]


def test_the_pace_of_a_kind_of_plate_counts_the_hours():
    """2 h and 10 min a plate: in 15 h of hours six end and one is on over night, so that seven take a day; where nobody
    is ever away as long as it takes."""
    made = shop((1, "08:00-23:00", [2.0, np.inf]), (3, "round the clock", [2.0, 5.0]))
    pace = made.pace_s() / HOUR
    assert pace[0, 0] == pytest.approx(24 / 7, rel=0.02) and pace[0, 1] == np.inf
    assert pace[1] == pytest.approx([2 + 1 / 6, 5 + 1 / 6])
