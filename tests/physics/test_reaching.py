"""The scan equals a plain loop, however long the list and however unlike its numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.reaching import reached, reached_backward

numbers = st.one_of(st.just(0.0), st.floats(1e-6, 1e12))


def loop(cap: list[float], gain: list[float]) -> list[float]:
    result = cap[:1]
    for step, most in zip(gain, cap[1:], strict=True):
        result.append(min(most, result[-1] + step))
    return result


@given(st.lists(st.tuples(numbers, numbers), min_size=1, max_size=200))
def test_scan_equals_the_loop(pairs):
    cap, gain = [c for c, _ in pairs], [g for _, g in pairs][1:]
    found = reached(np.array(cap), np.array(gain))
    assert found == pytest.approx(loop(cap, gain), rel=1e-12, abs=0)
    behind = reached_backward(np.array(cap), np.array(gain))
    assert behind == pytest.approx(loop(cap[::-1], gain[::-1])[::-1], rel=1e-12, abs=0)


def test_a_hundred_thousand_places_keep_their_digits_where_sums_would_lose_them():
    """Large gains first, then small caps: a running sum of the gains has 1e13 beside 1e-3."""
    random = np.random.default_rng(7)
    gain = 10.0 ** random.uniform(-6, 8, 100_000)
    cap = 10.0 ** random.uniform(-3, 6, 100_001)
    expected = np.array(loop(cap.tolist(), gain.tolist()))
    assert reached(cap, gain) == pytest.approx(expected, rel=1e-12, abs=0)


def test_a_long_climb_without_any_cap_is_the_running_sum():
    gain = np.full(5000, 0.3)
    cap = np.concatenate([[0.0], np.full(5000, np.inf)])
    assert reached(cap, gain) == pytest.approx(0.3 * np.arange(5001), rel=1e-12)


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_short_lists_pass(count):
    cap = np.arange(1.0, count + 1)
    assert len(reached(cap, np.ones(max(count - 1, 0)))) == count
