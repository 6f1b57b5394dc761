"""Designs against published ones, and dealing runs out to places.

The plans and their confounding are those of Box, Hunter and Hunter, Statistics for Experimenters (2nd ed. 2005,
chapter 6), and of the NIST/SEMATECH e-Handbook of Statistical Methods, sections 5.3.3.4 (fractions) and 5.3.3.6.2
(Box-Behnken); both from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.errors import Refused, UsageError
from gcodetools.trials.design import arrange, confounding_of, correlations, grid, smallest_share
from gcodetools.trials.factors import Factor
from gcodetools.trials.fractions import middles, subset_of_grid, two_level_fraction
from gcodetools.trials.runs import runs_of

PAIRS = {frozenset(pair) for pair in (("AB", "CD"), ("AC", "BD"), ("AD", "BC"))}


def coded(runs):
    return 2 * runs - 1


def test_half_of_four_factors_is_the_published_one():
    """2^(4-1) with D = ABC: the eight runs (1), ad, bd, ab, cd, ac, bc, abcd."""
    runs = two_level_fraction(4, 1)
    names = {"".join("abcd"[k] for k in np.flatnonzero(row)) for row in runs}
    assert names == {"", "ad", "bd", "ab", "cd", "ac", "bc", "abcd"}
    told = confounding_of(runs)
    assert told.words == ("ABCD",) and told.resolution == 4
    assert {frozenset(group) for group in told.aliases} == PAIRS


@pytest.mark.parametrize(
    ("factors", "halvings", "runs", "resolution"),
    # The handbook's summary table of useful fractions: 2_III^(3-1), 2_IV^(4-1), 2_V^(5-1), 2_III^(5-2).
    [(3, 1, 4, 3), (4, 1, 8, 4), (5, 1, 16, 5), (5, 2, 8, 3)],
)
def test_fractions_have_the_published_size_and_resolution(factors, halvings, runs, resolution):
    design = two_level_fraction(factors, halvings)
    assert design.shape == (runs, factors)
    assert confounding_of(design).resolution == resolution
    # Orthogonal: X'X is n times the identity, with the constant among the columns.
    x = np.column_stack([np.ones(runs), coded(design)])
    np.testing.assert_array_equal(x.T @ x, runs * np.eye(factors + 1))


def test_half_of_three_confounds_each_factor_with_a_pair():
    """2^(3-1) with C = AB: A with BC, B with AC, C with AB."""
    told = confounding_of(two_level_fraction(3, 1))
    assert {frozenset(group) for group in told.aliases} == {
        frozenset(pair) for pair in (("A", "BC"), ("B", "AC"), ("C", "AB"))
    }


def test_the_other_half_has_the_negative_word():
    told = confounding_of(1 - two_level_fraction(3, 1))
    assert told.words == ("-ABC",) and told.resolution == 3


def test_a_full_grid_confounds_nothing():
    told = confounding_of(grid((2, 2, 2)))
    assert told == type(told)((), None, ())


def test_a_factor_of_three_values_has_no_two_level_confounding():
    with pytest.raises(ValueError, match="two values"):
        confounding_of(grid((2, 3)))


def test_box_behnken_of_three_is_the_published_one():
    """Twelve edge middles, one factor in its middle in each, and the centre."""
    runs = middles(3) - 1
    edges = {row for row in map(tuple, runs.tolist()) if sorted(map(abs, row)) == [0, 1, 1]}
    assert len(runs) == 13 and len(edges) == 12 and (0, 0, 0) in set(map(tuple, runs.tolist()))
    with pytest.raises(ValueError, match="needs 3"):
        middles(2)


def test_a_third_of_three_times_three_times_three_is_a_latin_square():
    runs = subset_of_grid((3, 3, 3), 3)
    assert len(runs) == 9
    for a, b in ((0, 1), (0, 2), (1, 2)):
        assert len({(row[a], row[b]) for row in runs.tolist()}) == 9


def test_a_grid_has_every_combination_once():
    runs = grid((2, 3, 2))
    assert (
        len(np.unique(runs, axis=0)) == 12 and runs[0].tolist() == [0, 0, 0] and runs[1].tolist() == [0, 0, 1]
    )
    assert grid(()).shape == (1, 0)


@pytest.mark.parametrize(
    ("factors", "most", "halvings"),
    [(5, 32, 0), (5, 31, 1), (5, 8, 2), (5, 7, None), (3, 4, 1), (2, 3, None), (1, 2, 0)],
)
def test_how_often_a_design_is_halved(factors, most, halvings):
    assert smallest_share(factors, most) == halvings


def test_correlations_are_those_of_numpy():
    chance = np.random.default_rng(5)
    places, values = chance.normal(size=(20, 2)), chance.normal(size=(20, 3))
    found = correlations(places, values)
    whole = np.corrcoef(np.column_stack([places, values]).T)[:2, 2:]
    np.testing.assert_allclose(found, whole, atol=1e-12)
    assert not correlations(np.ones((5, 1)), chance.normal(size=(5, 1))).any()


SQUARE = np.array([[x, y] for y in range(3) for x in range(3)], float)
NINE = np.array([[a, b] for a in (220.0, 230.0, 240.0) for b in (0.0, 25.0, 50.0)])


def test_each_run_stands_somewhere_and_position_goes_with_no_factor():
    """Two orthogonal Latin squares of order three (Euler) place nine runs so that nothing correlates; the best of
    some thousand deals comes near."""
    found = arrange(SQUARE, NINE, 1, seed=1)
    assert sorted(found.run.tolist()) == list(range(9))
    table = np.corrcoef(np.column_stack([SQUARE, NINE[found.run]]).T)[:2, 2:]
    assert found.greatest == pytest.approx(np.abs(table).max(), abs=1e-12)
    assert found.greatest <= 0.2
    assert abs(table[found.coordinate, found.factor]) == pytest.approx(found.greatest, abs=1e-12)
    first = arrange(SQUARE, NINE, 1, seed=1, tries=1)
    assert found.greatest < first.greatest


def test_the_same_seed_deals_the_same():
    one, two, other = (arrange(SQUARE, NINE, 1, seed=seed, tries=50).run.tolist() for seed in (7, 7, 8))
    assert one == two != other


def test_repeats_and_places_left_over():
    places = np.column_stack([np.arange(11.0), np.zeros(11)])
    found = arrange(places, np.array([[1.0], [2.0], [3.0]]), 3, seed=2)
    assert np.bincount(found.run + 1).tolist() == [2, 3, 3, 3]
    with pytest.raises(ValueError, match="12 specimens for 11 places"):
        arrange(places, np.array([[1.0], [2.0], [3.0]]), 4, seed=2)


def test_blocks_hold_all_runs_each_alike_or_not():
    height = np.tile(np.arange(4.0), 6)[:, None]
    block = np.repeat(np.arange(6), 4)
    values = np.arange(4.0)[:, None]
    apart = arrange(height, values, 1, seed=3, block=block).run.reshape(6, 4)
    alike = arrange(height, values, 1, seed=3, block=block, alike=True).run.reshape(6, 4)
    assert all(sorted(row) == [0, 1, 2, 3] for row in [*apart.tolist(), *alike.tolist()])
    assert len(np.unique(apart, axis=0)) > 1 and len(np.unique(alike, axis=0)) == 1
    with pytest.raises(ValueError, match="unlike sizes"):
        arrange(np.append(height, [[4.0]], axis=0), values, 1, seed=3, block=np.append(block, 5), alike=True)


FOUR = tuple(
    Factor(name, (a, b))
    for name, a, b in (("nozzle", 220, 240), ("fan", 0, 40), ("speed", 60, 100), ("flow", 98, 102))
)


def test_a_fraction_takes_the_largest_that_fits_and_says_what_it_confounds():
    found = runs_of("fraction", FOUR, 9)
    assert len(found) == 8 and found.repeats == 1 and found.of_all == 16
    assert "resolution 4" in found.notes[0] and "nozzle x fan with speed x flow" in found.notes[0]
    assert found.settings(0) == {"nozzle": 220, "fan": 0, "speed": 60, "flow": 98}


@pytest.mark.parametrize(
    ("kind", "factors", "places", "more", "error", "words"),
    [
        ("grid", FOUR, 9, {}, Refused, ("there is room for 9 specimens", "8 steps with --design fraction")),
        ("grid", FOUR[:1], 1, {}, Refused, ("2 steps", "Possible: more specimens.")),
        ("grid", FOUR[:2], 9, {"repeats": 3}, Refused, ("4 steps, each 3 times, make 12", "more specimens")),
        ("grid", FOUR[:2], 9, {"count": 3}, UsageError, ("--runs 3", "--design fraction")),
        ("fraction", FOUR[:2], 9, {}, UsageError, ("2 factors", "--design grid")),
        ("fraction", FOUR, 4, {}, Refused, ("need at least 8 steps", "room for 4")),
        ("fraction", FOUR, 9, {"count": 6}, UsageError, ("--runs 6", "There are: 8")),
        ("fraction", (*FOUR[:2], Factor("speed", (60, 80, 100))), 9, {}, UsageError, ("speed has 3", "speed=60%,100%")),
        ("curve", FOUR, 30, {}, UsageError, ("nozzle has 2 values", "three values")),
        ("subset", (Factor("nozzle", (1, 2, 3)), Factor("fan", (1, 2, 3))), 2, {}, Refused, ("room for 2", "runs")),
    ],
)  # fmt: skip
def test_what_is_impossible_is_refused_with_what_is_possible(kind, factors, places, more, error, words):
    with pytest.raises(error) as caught:
        runs_of(kind, factors, places, **more)
    assert all(word in str(caught.value) for word in words)


def test_a_grid_is_printed_as_often_as_there_is_room():
    assert runs_of("grid", FOUR[:2], 9).repeats == 2
    assert runs_of("grid", FOUR[:2], 9, repeats=1).repeats == 1
