"""Failures, against closed forms of the negative binomial distribution and of makespans on one printer."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.stats import nbinom, norm

from gcodetools.planning.failures import Bands, chance, doubt, quantile, simulated, standing, sturdiest
from gcodetools.planning.hours import Presence, moment_of, week_of, zone_of
from gcodetools.planning.schedule import planned
from gcodetools.planning.shop import Group, Shop

ZONE = zone_of("Europe/Vienna")
START = moment_of("2026-03-02T08:00", ZONE).s
HOUR = 3600.0
RUNS = 4000
FOUR = 4.0  # standard errors that a mean may be off; one in 16,000, and the seed is fixed


def shop(
    printers=1, said="round the clock", hours=(2.0,), failed=0.2, end=True, swap_s=600.0, alone=True
) -> Shop:
    presence = Presence(week_of(said), ZONE, START, swap_s, alone)
    group = Group("g", tuple(f"g {k}" for k in range(printers)), presence, failed, end)
    seconds = HOUR * np.array([hours])
    return Shop((group,), seconds, np.full(len(hours), 1.2), START)


def exact(kinds: int) -> Bands:
    return Bands(np.ones((kinds, 2)))


def played(made: Shop, counts, *, runs=RUNS, seed=1, due_s=None, bands=None):
    plan = planned(made, np.array(counts))
    return plan, simulated(made, plan, bands or exact(len(counts)), runs, seed, due_s)


def near(values, mean: float, variance: float) -> bool:
    error = np.sqrt(variance / len(values))
    return abs(float(np.mean(values)) - mean) <= FOUR * error


@pytest.mark.parametrize("printers", [1, 3])
@pytest.mark.parametrize(("n", "p"), [(1, 0.5), (12, 0.04), (12, 0.3), (5, 0.9)])
def test_plates_printed_follow_the_negative_binomial_distribution(printers, n, p):
    """Tries until n are good: mean n/(1-p), variance np/(1-p)^2 (any textbook; scipy.stats.nbinom counts the bad)."""
    _, out = played(shop(printers, failed=p), [n])
    variance = n * p / (1 - p) ** 2
    assert np.all(out.plates - out.failed == n) and np.all(out.begun.sum(axis=(1, 2)) == out.plates)
    assert near(out.plates, n / (1 - p), variance)
    assert float(np.var(out.plates)) == pytest.approx(variance, rel=0.25)
    for k in range(int(nbinom.ppf(0.98, n, 1 - p)) + 1):
        here = chance(int((out.failed <= k).sum()), RUNS)
        assert here.low - 0.02 <= nbinom.cdf(k, n, 1 - p) <= here.high + 0.02


@pytest.mark.parametrize(("n", "p"), [(3, 0.1), (20, 0.04), (60, 0.02)])
def test_none_fails_with_the_product_of_the_chances(n, p):
    _, out = played(shop(2, failed=p), [n])
    hits = int((out.failed == 0).sum())
    expected = (1 - p) ** n
    assert abs(hits / RUNS - expected) <= FOUR * np.sqrt(expected * (1 - expected) / RUNS)


@pytest.mark.parametrize("end", [True, False])
def test_one_printer_round_the_clock_is_done_when_all_tries_are(end):
    """Found at the end, a failure costs a whole plate: done = tries * (time + swap), exactly. Anywhere on the way it
    costs a uniform share u of it: mean n (d + s) + m (d/2 + s) with m = np/(1-p) failures, and by the law of total
    variance m d^2/12 + (d/2 + s)^2 np/(1-p)^2."""
    n, p, d, s = 10, 0.25, 2 * HOUR, 600.0
    _, out = played(shop(failed=p, end=end), [n])
    took = out.done_s - START
    if end:
        assert took == pytest.approx(out.plates * (d + s))
    m, spread = n * p / (1 - p), n * p / (1 - p) ** 2
    lost = d + s if end else d / 2 + s
    variance = lost**2 * spread + (0.0 if end else m * d**2 / 12)
    assert near(took, n * (d + s) + m * lost, variance)
    assert float(np.var(took)) == pytest.approx(variance, rel=0.15)
    assert out.busy_s[:, 0] == pytest.approx(took - s * out.plates)
    assert out.spent.sum(axis=(1, 2)) * d == pytest.approx(out.busy_s[:, 0])


def test_the_last_of_many_printers_with_one_plate_each():
    """P(all of m printers are done after their first plate) = (1-p)^m; each then repeats its own or another's."""
    p, m = 0.1, 6
    plan, out = played(shop(m, failed=p), [m])
    first = float(np.mean(out.done_s <= plan.done_s))
    assert abs(first - (1 - p) ** m) <= FOUR * np.sqrt((1 - p) ** m / RUNS)
    # A repeat starts at once, so that all is done after whole rounds.
    rounds = (out.done_s - START) / (2 * HOUR + 600)
    assert np.allclose(rounds, np.round(rounds)) and {1, 2} <= set(np.round(rounds).tolist())


def test_a_failed_plate_goes_to_the_printer_that_is_done_with_it_first():
    """The slow printer spoils its plate; the quick one, which is through with its own by then or a little later, prints
    it again."""
    presence = [Presence(week_of("round the clock"), ZONE, START, 600.0) for _ in range(2)]
    groups = (
        Group("slow", ("slow",), presence[0], 0.9, True),
        Group("quick", ("quick",), presence[1], 0.0, True),
    )
    made = Shop(groups, HOUR * np.array([[4.0], [1.0]]), np.ones(1), START)
    plan = planned(made, np.array([5]))
    assert [len(runs) for runs in plan.runs] == [1, 4]
    out = simulated(made, plan, exact(1), 400, 1)
    again = out.failed == 1
    assert np.all(out.begun[again, 1, 0] == 5) and np.all(out.begun[:, 0, 0] == 1)
    # Off the slow one after 4 h 10 min, then one hour and ten minutes on the quick one, free since 4 h 40 min.
    assert np.all(out.done_s[again] - START == 5 * (HOUR + 600.0))


def test_a_failed_plate_is_not_printed_again_before_it_failed():
    """The quick printer is through with its own after 3 h 30 min, and waits until 4 h 10 min for what fails then."""
    presence = [Presence(week_of("round the clock"), ZONE, START, 600.0) for _ in range(2)]
    groups = (
        Group("slow", ("slow",), presence[0], 0.9, True),
        Group("quick", ("quick",), presence[1], 0.0, True),
    )
    made = Shop(groups, HOUR * np.array([[4.0], [1.0]]), np.ones(1), START)
    plan = planned(made, np.array([4]))
    assert [len(runs) for runs in plan.runs] == [1, 3]
    out = simulated(made, plan, exact(1), 400, 1)
    again = out.failed == 1
    assert np.any(again) and np.all(out.done_s[again] - START == 5 * HOUR + 1200.0)


def test_without_failures_and_doubt_every_run_is_the_plan():
    for said in ("07:00-23:00", "08:00-09:00, 17:00-18:00"):
        plan, out = played(shop(3, said, (2.0, 5.0), failed=0.0), [7, 4], runs=150, due_s=START + 20 * HOUR)
        assert np.all(out.done_s == plan.done_s) and not np.any(out.failed)
        by_due = [
            sum(run.kind == k and run.off_s <= START + 20 * HOUR for row in plan.runs for run in row)
            for k in (0, 1)
        ]
        assert np.all(out.good == by_due)


@pytest.mark.parametrize("alone", [True, False])
def test_repeats_wait_for_somebody_to_be_there(alone):
    made = shop(2, "08:00-17:00", (3.0,), failed=0.5, end=False, alone=alone)
    _, out = played(made, [4], runs=300)
    group = made.groups[0].presence
    begin, end = group.windows(float(out.done_s.max()))
    k = np.searchsorted(end, out.done_s)
    assert np.all(begin[k] + group.swap_s <= out.done_s + 1e-6)
    assert np.all(out.plates - out.failed == 4)


def test_more_plates_on_one_printer_than_a_short_number_holds():
    """20,000 plates are the most of an order, and nine of ten may fail."""
    _, out = played(shop(), [1], runs=10)
    assert np.iinfo(out.begun.dtype).max > 2 * 20_000 / (1 - 0.9)


def test_plans_are_ranked_by_the_due_date_before_the_date():
    made = shop(2, hours=(2.0,), failed=0.3)
    plan, out = played(made, [6], runs=200)
    late, by, done = standing(plan, out, float(np.median(out.done_s)))
    assert late == np.sum(out.done_s > np.median(out.done_s)) > 0
    assert (by, done) == (quantile(out.done_s, 0.95)[1], plan.done_s)
    assert standing(plan, out)[0] == 0


def test_good_plates_by_the_due_date():
    """One printer, plates of 2 h 10 min found bad at their end: of five tries those that are good."""
    n, p = 5, 0.3
    due = START + n * (2 * HOUR + 600.0)
    _, out = played(shop(failed=p), [n], due_s=due)
    assert near(out.good[:, 0], n * (1 - p), n * p * (1 - p))
    assert np.array_equal(out.good[:, 0] == n, out.done_s <= due)


def test_the_doubt_of_times_is_one_factor_for_all_plates():
    bands = Bands(np.array([[0.9, 1.3], [0.9, 1.3]]))
    plan, out = played(shop(1, hours=(2.0, 3.0), failed=0.0, swap_s=0.0), [3, 2], bands=bands, runs=20_000)
    factor = (out.done_s - START) / (plan.done_s - START)
    low, middle, high = np.quantile(factor, (0.05, 0.5, 0.95))
    assert (low, middle, high) == pytest.approx((0.9, 1.0, 1.3), abs=0.01)


def test_factors_are_halves_of_two_normal_distributions():
    found = doubt(1, 0.8, 1.1, 5, 50_000)
    for q in (0.02, 0.2, 0.4, 0.6, 0.8, 0.98):
        z = norm.ppf(q) / 1.6449
        assert np.quantile(found, q) == pytest.approx(1 + z * (0.2 if z < 0 else 0.1), abs=0.006)
    both = doubt(1, np.array([0.8, 0.9]), np.array([1.1, 1.2]), 5, 100)
    assert np.array_equal(both[:, 0], doubt(1, 0.8, 1.1, 5, 100)) and both.shape == (100, 2)
    assert not np.array_equal(found[:100], doubt(2, 0.8, 1.1, 5, 100))


def test_one_seed_one_answer_and_another_seed_another():
    made = shop(3, "07:00-23:00", (2.0, 5.0), failed=0.2, end=False)
    runs = [played(made, [7, 4], runs=200, seed=seed)[1] for seed in (1, 1, 2)]
    assert np.array_equal(runs[0].done_s, runs[1].done_s) and np.array_equal(runs[0].spent, runs[1].spent)
    assert not np.array_equal(runs[0].done_s, runs[2].done_s)


def test_two_plans_share_their_failures():
    """The same plates, a little slower: the same ones fail first."""
    fast, slow = (played(shop(1, hours=(h,), failed=0.2), [8], runs=500)[1] for h in (2.0, 2.1))
    assert np.array_equal(fast.failed, slow.failed)
    assert slow.done_s - START == pytest.approx((fast.done_s - START) * (2.1 * HOUR + 600) / (2 * HOUR + 600))


def test_a_plan_with_room_is_taken_where_the_tight_one_runs_into_the_night():
    """Tight, the last plate ends shortly before everybody goes home; if plates are a little slower it is taken off in
    the morning after. With room the plan is done later if all goes well, and hours earlier with 95 %."""
    made = shop(2, "08:00-17:10", (4.4, 3.0), failed=0.0)
    bands = Bands(np.array([[0.9, 1.1], [0.9, 1.1]]))
    tight = planned(made, np.array([5, 5]))
    plain = simulated(made, tight, bands, 500, 1)
    plan, out = sturdiest(made, np.array([5, 5]), bands, 500, 1)
    assert plan.done_s > tight.done_s
    assert quantile(out.done_s, 0.95)[1] < quantile(plain.done_s, 0.95)[1] - 8 * HOUR
    due = tight.done_s + 60.0
    plan, out = sturdiest(made, np.array([5, 5]), bands, 500, 1, due)
    assert (out.done_s <= due).sum() >= (plain.done_s <= due).sum()


@pytest.mark.parametrize(("hits", "runs"), [(0, 100), (3, 100), (1900, 2000), (2000, 2000), (1, 2000)])
def test_chances_have_wilsons_interval(hits, runs):
    """statsmodels' proportion_confint(method="wilson")."""
    from statsmodels.stats.proportion import proportion_confint

    found = chance(hits, runs)
    low, high = proportion_confint(hits, runs, alpha=0.05, method="wilson")
    assert (found.low, found.high) == pytest.approx((low, high), abs=2e-5) and found.best == hits / runs
    assert 0.0 <= found.low <= found.best <= found.high <= 1.0


def test_a_quantile_is_the_least_value_that_so_many_do_not_exceed():
    values = np.arange(1.0, 2001.0)[::-1]
    assert quantile(values, 0.95)[1] == 1900.0 and quantile(values, 0.5)[1] == 1000.0
    assert quantile(np.full(7, 3.0), 0.8) == (3.0, 3.0, 3.0)


def test_the_ends_of_a_quantile_hold_the_true_one_as_often_as_they_say():
    rng = np.random.default_rng(0)
    held = 0
    for _ in range(400):
        low, _, high = quantile(rng.exponential(size=500), 0.8)
        held += low <= -np.log(0.2) <= high
    assert 0.92 <= held / 400 <= 0.98


def test_a_large_run_takes_seconds():
    made = shop(40, "07:00-23:00", (5.0, 3.0, 9.0), failed=0.04, end=False)
    plan = planned(made, np.array([150, 100, 50]))
    began = time.process_time()
    simulated(made, plan, exact(3), 2000, 1)
    assert time.process_time() - began < 4.0
