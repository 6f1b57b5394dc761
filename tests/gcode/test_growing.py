"""Columns that grow block by block, and results that are fetched in turn."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.gcode import growing
from gcodetools.gcode.growing import Growing, in_turn

parts = st.lists(st.lists(st.integers(-100, 100), max_size=40), max_size=12)


@given(parts, st.sampled_from([1e-3, 0.5, 1.0]), st.sampled_from([np.int32, np.int64, np.float64]))
def test_a_column_is_its_parts_end_to_end(
    lists: list[list[int]], share: float, dtype: type[np.generic]
) -> None:
    """However wrong the share is that is told: room that falls short is made anew."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(growing, "_LEAST", 0)
        column = Growing(dtype)
        for k, part in enumerate(lists):
            column.add(np.array(part, dtype), share, shift=1000 * k)
            assert len(column) == sum(map(len, lists[: k + 1]))
        whole = column.done()
    expected = np.array([value + 1000 * k for k, part in enumerate(lists) for value in part], dtype)
    assert whole.dtype == dtype
    assert whole.tolist() == expected.tolist()
    assert whole.base is None and whole.nbytes == expected.nbytes
    assert len(column.done()) == len(whole)


def test_room_is_made_for_what_the_share_lets_expect() -> None:
    column = Growing(np.float64)
    column.add(np.zeros(10_000), 0.1)
    room = column._values
    for k in range(9):
        column.add(np.ones(10_000), (k + 2) / 10)
    assert column._values is room, "the column moved"
    assert len(room) < 110_000


def test_results_come_in_order_and_only_so_many_are_under_way() -> None:
    under_way, most, lock = 0, 0, threading.Lock()

    def made(number: int) -> int:
        nonlocal under_way, most
        with lock:
            under_way += 1
            most = max(most, under_way)
        return number

    got = []
    with ThreadPoolExecutor(3) as pool:
        for number in in_turn(pool, made, range(50), ahead=4):
            got.append(number)
            with lock:
                under_way -= 1
    assert got == list(range(50))
    assert most <= 5  # four, and the one that is being fetched


def test_an_error_comes_where_its_result_would() -> None:
    def made(number: int) -> int:
        if number == 3:
            raise ValueError("three")
        return number

    got = []
    with ThreadPoolExecutor(2) as pool, pytest.raises(ValueError, match="three"):
        for number in in_turn(pool, made, range(9), ahead=2):
            got.append(number)
    assert got == [0, 1, 2]
