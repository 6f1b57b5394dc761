"""The ladder to print next: where it goes, what bounds it, and that printing it makes the peak surer, as said."""

from __future__ import annotations

import numpy as np
import pytest
from ladders import drawn, grid, trial_of

from gcodetools.trials.next_ladder import loss_of, next_ladder, wanted_copies
from gcodetools.trials.peak import course_of, effect_of, peak_of
from gcodetools.trials.response import fit
from gcodetools.trials.terms import design_of
from gcodetools.trials.trial import Trial, factor_from

WIDE = (150.0, 350.0)
AT = np.zeros(1)


def truth(z, peak=0.2, curve=0.25):
    return 3.0 - curve * (z[:, 0] - peak) ** 2


def joined(trial, levels, copies, rng, sigma):
    """The trial with a ladder printed besides."""
    x = np.concatenate([trial.factors[0].x, np.repeat(levels, copies)])
    z = (x[len(trial) :, None] - 235.0) / 15.0
    y = np.concatenate([trial.y, truth(z) + sigma * rng.standard_normal(len(z))])
    factor = factor_from("nozzle", x, None)
    n = len(x)
    return Trial(
        (factor,),
        y,
        np.zeros(n, int),
        np.zeros((n, 0)),
        (),
        np.zeros(n, int),
        np.searchsorted(factor.levels, x),
    )


def wide(trial):
    told = peak_of(course_of(fit(design_of(trial), draws=1000), 0, AT))
    return told.high - told.low


def test_it_stays_around_a_peak_that_is_told_and_within_what_was_printed():
    trial = drawn(np.random.default_rng(1), truth, grid([4], 4), 0.05)
    found = fit(design_of(trial))
    chosen = next_ladder(found, 0, AT, WIDE, (False, False))
    assert 220 <= chosen.levels[0] < chosen.peak < chosen.levels[-1] <= 250
    assert all(level % 5 == 0 for level in chosen.levels) and chosen.copies >= 3


def test_after_it_the_peak_is_about_as_sure_as_said():
    """Twenty trials, each with its next ladder printed besides: the median interval is within a factor of two of what
    was told, and less than four fifths of what it was."""
    rng = np.random.default_rng(2)
    said, got, before = [], [], []
    for _ in range(20):
        trial = drawn(rng, truth, grid([4], 3), 0.07)
        found = fit(design_of(trial), draws=1000)
        chosen = next_ladder(found, 0, AT, WIDE, (False, False))
        said.append(2 * chosen.half)
        before.append(wide(trial))
        got.append(wide(joined(trial, chosen.levels, chosen.copies, rng, 0.07)))
    assert 0.5 < np.median(said) / np.median(got) < 2.0
    assert np.median(got) < 0.8 * np.median(before)


def test_it_tells_more_than_as_many_specimens_at_one_end():
    rng = np.random.default_rng(3)
    chosen_wide, end_wide = [], []
    for _ in range(20):
        trial = drawn(rng, truth, grid([4], 3), 0.07)
        chosen = next_ladder(fit(design_of(trial), draws=1000), 0, AT, WIDE, (False, False))
        chosen_wide.append(wide(joined(trial, chosen.levels, chosen.copies, rng, 0.07)))
        end_wide.append(wide(joined(trial, (220.0,), len(chosen.levels) * chosen.copies, rng, 0.07)))
    assert np.median(chosen_wide) < np.median(end_wide)


def test_past_an_end_it_goes_as_far_as_it_may():
    rising = drawn(np.random.default_rng(4), lambda z: 3 + 0.2 * z[:, 0], grid([4], 3), 0.05)
    found = fit(design_of(rising))
    free = next_ladder(found, 0, AT, WIDE, (False, True))
    assert free.levels[-1] > 250 and free.levels[-1] <= 250 + 3 * 10
    bound = next_ladder(found, 0, AT, (220.0, 260.0), (False, True))
    assert 250 < bound.levels[-1] <= 260
    assert max(next_ladder(found, 0, AT, WIDE, (False, False)).levels) <= 250
    assert next_ladder(found, 0, AT, (300.0, 310.0), (False, True)) is None


def test_what_is_lost_by_the_doubt_is_more_where_there_is_more_doubt():
    rng = np.random.default_rng(5)
    sure, unsure = (
        np.mean(
            [
                loss_of(course_of(fit(design_of(drawn(rng, truth, grid([4], 3), sigma)), draws=500), 0, AT))
                for _ in range(10)
            ]
        )
        for sigma in (0.02, 0.15)
    )
    assert 0 <= sure < 0.2 * unsure


def test_copies_that_would_show_an_effect():
    """Twelve specimens, an effect seen half as large as its doubt: about four times as many; none at all: beyond 60."""
    trial = trial_of(grid([2], 6), np.tile([0.0, 0.1], 6) + np.repeat([0.0, 0.03], 6))
    found = fit(design_of(trial))
    effect = effect_of(found, 0)
    half = (effect.whole[2] - effect.whole[0]) / 2
    wanted = wanted_copies(found, [effect], 0)
    assert 24 < wanted < 60 and wanted == pytest.approx(12 * (half / effect.whole[1]) ** 2, abs=1)
    none = trial_of(grid([2], 6), np.tile([0.0, 0.1], 6))
    found = fit(design_of(none))
    assert wanted_copies(found, [effect_of(found, 0)], 0) is None
