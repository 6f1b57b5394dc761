"""Draws: what they hold, that they hang on their name alone, and that bands hold the best."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.documents.quantities import Quantity
from gcodetools.strength.spreads import COVERAGE, Band, Draws, band_of

DRAWS = Draws()
numbers = st.floats(0.01, 1000.0)


def quantity(value: float, spread: tuple[float, float] | None) -> Quantity:
    return Quantity(value, "made up", "assumption", spread)


def test_first_draw_is_the_best_and_the_rest_has_the_normal_law():
    """Mean 0, deviation 1, nine of ten within 1.645: tables of the normal distribution. 1000 draws leave 3 %."""
    drawn = DRAWS.normal("a")
    assert len(drawn) == len(DRAWS) == DRAWS.count + 1
    assert drawn[0] == 0.0
    assert abs(drawn[1:].mean()) < 0.1 and abs(drawn[1:].std() - 1.0) < 0.07
    assert np.mean(np.abs(drawn[1:]) < 1.6449) == pytest.approx(COVERAGE, abs=0.03)


@pytest.mark.parametrize("ratio", [False, True])
def test_nine_of_ten_lie_between_the_ends(ratio):
    drawn = DRAWS.between("b", 2.0, 3.0, 8.0, ratio=ratio)[1:]
    assert np.mean((drawn >= 2.0) & (drawn <= 8.0)) == pytest.approx(COVERAGE, abs=0.03)
    assert np.mean(drawn < 3.0) == pytest.approx(0.5, abs=0.05)
    assert np.mean(drawn < 2.0) == pytest.approx(0.05, abs=0.025)
    assert np.mean(drawn > 8.0) == pytest.approx(0.05, abs=0.025)
    band = band_of(np.concatenate([[3.0], drawn]))
    assert band.low == pytest.approx(2.0, rel=0.1) and band.high == pytest.approx(8.0, rel=0.1)


@given(values=st.tuples(numbers, numbers, numbers), ratio=st.booleans(), name=st.text(max_size=8))
def test_band_holds_the_best(values, ratio, name):
    low, best, high = sorted(values)
    drawn = DRAWS.between(name, low, best, high, ratio=ratio)
    band = band_of(drawn)
    assert drawn[0] == best == band.best
    assert band.low <= best <= band.high
    assert not ratio or np.all(drawn > 0)


def test_band_is_stretched_to_a_best_outside_of_its_draws():
    assert band_of(np.array([5.0, 1.0, 2.0, 3.0])) == Band(pytest.approx(1.1), 5.0, 5.0)
    assert band_of(np.array([5.0])) == Band(5.0, 5.0, 5.0)


def test_draws_hang_on_their_name_alone():
    first = {name: DRAWS.normal(name) for name in ("x", "y", "z")}
    again = {name: Draws().normal(name) for name in ("z", "x", "y", "w")}
    for name, drawn in first.items():
        assert np.array_equal(drawn, again[name])
    assert abs(np.corrcoef(first["x"][1:], first["y"][1:])[0, 1]) < 0.12
    assert not np.array_equal(first["x"], Draws(seed=21).normal("x"))


def test_one_doubt_under_one_name_is_shared():
    """A number of another size and spread is high where the first is high."""
    one, other = DRAWS.between("c", 1, 2, 3), DRAWS.between("c", 10, 20, 50, ratio=True)
    assert np.array_equal(np.argsort(one[1:]), np.argsort(other[1:]))
    assert np.array_equal(one > 2, other > 20)


def test_numbers_of_a_profile():
    assert np.all(DRAWS.of("d", quantity(3.0, None)) == 3.0)
    assert np.array_equal(DRAWS.of("d", quantity(3.0, (1.0, 4.0))), DRAWS.between("d", 1.0, 3.0, 4.0))
    wide = DRAWS.of("d", quantity(3.0, (-5.0, 4.0)), least=0.0)
    assert wide.min() == 0.0 and wide[0] == 3.0
    assert DRAWS.of("d", quantity(3.0, (-5.0, 4.0))).min() < 0.0


@pytest.mark.parametrize(
    ("low", "best", "high", "ratio"), [(2, 1, 3, False), (1, 4, 3, False), (0, 1, 3, True), (-1, 1, 3, True)]
)
def test_ends_that_make_no_sense_are_refused(low, best, high, ratio):
    with pytest.raises(ValueError, match=f"q: {low} to {high} around {best}"):
        DRAWS.between("q", low, best, high, ratio=ratio)
