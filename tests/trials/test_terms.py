"""Which terms a trial gets, and what is said of those it does not get."""

from __future__ import annotations

import numpy as np
import pytest
from ladders import factors_of, grid, trial_of

from gcodetools.trials.terms import Design, Lacking, design_of
from gcodetools.trials.trial import Trial


def names(design):
    assert isinstance(design, Design)
    return [term.name for term in design.base]


def told(design, word):
    return [text for text in design.told if word in text]


def test_three_levels_get_a_square_two_do_not():
    assert names(design_of(trial_of(grid([3], 2), np.arange(6)))) == ["mean", "nozzle", "nozzle^2"]
    design = design_of(trial_of(grid([2], 3), np.arange(6)))
    assert names(design) == ["mean", "nozzle"] and told(design, "two levels")


def test_four_levels_may_bend_and_two_settings_may_go_together():
    design = design_of(trial_of(grid([4, 3], 1), np.arange(12)))
    assert {model.name for model in design.models} == {
        "plain", "bend of nozzle", "nozzle x fan", "nozzle x fan, bend of nozzle",
    }  # fmt: skip
    assert sum(model.prior for model in design.models) == pytest.approx(1)


@pytest.mark.parametrize("levels", [[2, 2], [2, 2, 2], [4, 2, 2]])
def test_at_most_two_interactions(levels):
    design = design_of(trial_of(grid(levels, 2), np.arange(2 * np.prod(levels))))
    pairs = [k for k, term in enumerate(design.doubted) if term.kind == "pair"]
    assert max((model.extra[pairs] > 0).sum() for model in design.models) == min(2, len(pairs))
    assert sum(model.prior for model in design.models) == pytest.approx(1)


def test_too_few_specimens_say_how_many_more():
    lacking = design_of(trial_of(grid([2, 2], 1)[:3], np.arange(3)))
    assert isinstance(lacking, Lacking) and lacking.more == 1 and "3 specimens for 3 terms" in lacking.why
    design = design_of(trial_of(grid([3], 1), np.arange(3)))
    assert names(design) == ["mean", "nozzle"] and told(design, "2 more specimens would let the curve")


def test_a_setting_that_went_with_another_is_named():
    coded = np.repeat(grid([3], 3), 2, axis=1)
    design = design_of(trial_of(coded, np.arange(9)))
    assert names(design) == ["mean", "nozzle", "nozzle^2"] and told(design, "fan went with")


def test_the_place_is_taken_out_where_it_can_be():
    rng = np.random.default_rng(1)
    coded = grid([3], 5)
    place = rng.permutation(np.column_stack([np.arange(15) % 5 * 30.0, np.arange(15) // 5 * 30.0]))
    assert names(design_of(trial_of(coded, np.arange(15), place=place)))[-2:] == ["x", "y"]
    few = design_of(trial_of(coded[::2], np.arange(8), place=place[:8]))
    assert "x" not in names(few) and told(few, "too few specimens to take out the place")
    goes = design_of(trial_of(coded, np.arange(15), place=np.column_stack([coded[:, 0] * 50, place[:, 1]])))
    assert "x" not in names(goes) and told(goes, "place x goes with the settings")
    same = design_of(trial_of(coded, np.arange(15), place=np.full((15, 2), 3.0)))
    assert names(same) == ["mean", "nozzle", "nozzle^2"] and not told(same, "place")


def sheets_of(coded, sheet):
    n = len(coded)
    return Trial(
        factors_of(coded),
        np.arange(float(n)),
        np.zeros(n, int),
        np.zeros((n, 0)),
        (),
        np.array(sheet),
        np.arange(n),
    )


def test_sheets_differ_by_an_offset_where_they_share_a_setting():
    coded = grid([3], 3)
    assert "sheet 2" in names(design_of(sheets_of(coded, [0, 0, 1] * 3)))
    apart = design_of(sheets_of(grid([2], 4), [0] * 4 + [1] * 4))
    assert "sheet 2" not in names(apart) and told(apart, "shares no setting")


def test_bends_are_smooth_and_have_the_variance_they_say():
    design = design_of(trial_of(grid([5], 2), np.arange(10)))
    bends = [k for k, term in enumerate(design.terms) if term.kind == "bend"]
    columns = design.columns(np.linspace(-1, 1, 401)[:, None])[:, bends]
    variance = np.square(columns).sum(axis=1)
    at_levels = variance[::100]
    assert at_levels == pytest.approx(np.ones(5), abs=1e-6) and variance.max() < 1.0 + 1e-6
    assert np.abs(np.diff(columns, 2, axis=0)).max() < 1e-3
