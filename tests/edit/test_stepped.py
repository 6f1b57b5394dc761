"""A column held as its steps reads as the plain array does (NumPy's own indexing and arithmetic are the judge)."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.stepped import Stepped, known_or, stepped

COUNT = 4000


def plain(seed: int, steps: int) -> np.ndarray:
    """Values that hold for long, some of them unknown."""
    random = np.random.default_rng(seed)
    places = np.sort(random.choice(np.arange(1, COUNT), steps, replace=False))
    values = random.choice([np.nan, 0.0, 1.0, 0.25, 60.0, 700.0], steps + 1)
    return np.repeat(values, np.diff(places, prepend=0, append=COUNT))


@pytest.fixture(params=[(0, 0), (1, 1), (2, 40), (3, 700)], ids=str)
def pair(request) -> tuple[np.ndarray, Stepped]:
    column = plain(*request.param)
    found = stepped(column)
    assert isinstance(found, Stepped)
    return column, found


def same(a, b) -> bool:
    return type(a) is type(b) and np.array_equal(a, b, equal_nan=True)


def test_any_index_finds_what_the_array_has(pair):
    column, found = pair
    random = np.random.default_rng(9)
    some = random.integers(-COUNT, COUNT, 300)
    for at in (
        some, np.sort(some[some >= 0]), np.arange(COUNT), np.arange(17, 900, dtype=np.int32), some[:0], some[:1],
        np.array([5, 5, 5]), np.array([COUNT - 1]), column == 1.0, np.zeros(COUNT, bool), [3, 2, 2],
        slice(None), slice(100, 2000), slice(-30, None), slice(5, 5), slice(None, None, 7), slice(50, 10, -3),
    ):  # fmt: skip
        assert same(np.asarray(found[at]), column[at]), at
    for at in (0, -1, COUNT - 1, np.int64(77)):
        assert np.array_equal(found[at], column[at], equal_nan=True)


def test_a_place_beyond_is_refused_as_by_an_array(pair):
    _, found = pair
    for at in (np.array([COUNT]), np.array([1, 2, COUNT]), np.array([4, -COUNT - 1]), COUNT):
        with pytest.raises(IndexError):
            found[at]


def test_functions_give_what_the_array_gives(pair):
    column, found = pair
    other = np.arange(float(COUNT))
    for function in (
        np.isnan, lambda c: c == 1.0, lambda c: c < 1.0, lambda c: ~np.isnan(c), lambda c: 1.0 - c,
        lambda c: c + other, lambda c: other - c, lambda c: c * c, lambda c: np.where(c > 0.5, c, -1.0),
        lambda c: np.maximum(c, other), np.add.accumulate, lambda c: np.append(c, 2.0), np.asarray,
        lambda c: known_or(c, 3.0), lambda c: np.add(c, 1.0, out=np.empty(COUNT)),
    ):  # fmt: skip
        assert same(function(found), function(column))


def test_a_copy_is_an_array_of_its_own(pair):
    column, found = pair
    copy = found.copy()
    copy[:] = -1.0
    assert same(np.asarray(found), column)


def test_it_is_to_be_read_alone(pair):
    _, found = pair
    with pytest.raises(TypeError):
        found[3] = 1.0
    with pytest.raises(TypeError):
        found *= 2.0


def test_a_column_that_changes_all_the_time_stays_as_it_is():
    for column in (np.arange(500.0), np.empty(0), np.array([np.nan])):
        assert stepped(column) is column
    found = stepped(plain(5, 20))
    assert stepped(found) is found
