"""A column held as its steps reads as the plain array does (NumPy's own indexing and arithmetic are the judge)."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.sparse import sparse, unknown
from gcodetools.edit.stepped import Stepped, filled, known_or, step_at, stepped, steps_of, without

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


def test_values_at_some_places_are_the_array_with_them_put_in():
    random = np.random.default_rng(3)
    for count, some in ((0, 0), (1, 1), (7, 0), (7, 7), (COUNT, 1), (COUNT, 60), (COUNT, 3000)):
        places = np.sort(random.choice(count, some, replace=False)) if some else np.empty(0, np.int64)
        values = random.choice([0.25, 0.5, np.nan], some)
        column = np.full(count, 1.0)
        column[places] = values
        assert same(np.asarray(step_at(places, values, 1.0, count)), column)
    assert isinstance(step_at(np.array([0, 5, 6, COUNT - 1]), np.arange(4.0), np.nan, COUNT), Stepped)


def test_without_some_entries_it_is_the_array_without_them(pair):
    column, found = pair
    random = np.random.default_rng(4)
    for some in (0, 1, 50, COUNT - 1, COUNT):
        gone = np.sort(random.choice(COUNT, some, replace=False))
        assert same(np.asarray(without(found, gone)), np.delete(column, gone))
        assert same(without(column, gone), np.delete(column, gone))


def test_steps_stand_where_the_array_changes(pair):
    column, found = pair
    differs = (column[1:] != column[:-1]) & ~(np.isnan(column[1:]) & np.isnan(column[:-1]))
    expected = np.flatnonzero(differs) + 1
    assert np.array_equal(steps_of(found), expected)
    assert np.array_equal(steps_of(column), expected)


def test_filled_is_as_the_array_with_what_is_unknown_filled(pair):
    column, found = pair
    assert same(np.asarray(filled(found, 3.0)), np.where(np.isnan(column), 3.0, column))
    assert same(filled(column, 3.0), known_or(column, 3.0))


@pytest.mark.parametrize("some", [1, 40, COUNT], ids=["few", "more", "all"])
def test_a_sparse_column_reads_as_the_array_that_is_written_alike(some):
    random = np.random.default_rng(some)
    column, found = np.full(COUNT, np.nan), sparse(COUNT)
    assert same(np.asarray(found), column)
    for k in range(6):
        at = random.choice(COUNT, some, replace=k % 2 == 0)  # some are put twice, and back to unknown
        for one in (column, found):
            one[at] = np.nan if k == 3 else np.arange(float(some)) if k % 2 else float(k)
        look = random.integers(0, COUNT, 200)
        assert np.array_equal(unknown(found, look), np.isnan(column[look]))
        assert same(found[look], column[look])
    mask = column == 1.0
    for one in (column, found):
        one[10:20] = 5.0
        one[mask] = 6.0
        one[-2], one[[7, 9]] = 8.0, [1.0, 2.0]
    assert same(np.asarray(found), column)
    assert same(found.copy(), column)
    assert same(~np.isnan(found), ~np.isnan(column))
    assert same(np.asarray(found.stepped()), column)
    with pytest.raises(IndexError):
        found[np.array([COUNT])] = 1.0


@pytest.mark.parametrize("at", [4, -5, np.array([-5]), np.array([1, 4]), np.ones(3, bool)], ids=str)
def test_a_place_outside_a_sparse_column_is_refused_as_the_array_refuses_it(at):
    for column in (np.zeros(4), sparse(4)):
        with pytest.raises(IndexError):
            column[at] = 1.0
