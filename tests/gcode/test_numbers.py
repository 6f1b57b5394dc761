"""Numbers to text agree with the interpreter's own formatting."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gcodetools.gcode.numbers import Pool, fixed, fixed_text, join_pools


def texts(pool: Pool) -> list[bytes]:
    found, at = [], 0
    for length in pool.length.tolist():
        found.append(pool.data[at : at + length].tobytes())
        at += length
    assert at == len(pool.data)
    return found


def by_decimal(value: float, decimals: int) -> bytes:
    """The double's exact value, rounded half to even; no minus before zero."""
    step = Decimal(1).scaleb(-decimals)
    rounded = Decimal(value).quantize(step, ROUND_HALF_EVEN)
    return f"{abs(rounded) if rounded == 0 else rounded:f}".encode()


ordinary = st.floats(-1e6, 1e6)
halves = st.builds(lambda n, d: n / 10**d, st.integers(-(10**7), 10**7), st.integers(0, 7))


@given(st.lists(st.one_of(ordinary, halves), max_size=30), st.integers(0, 8))
@example([1.115, 0.285, 1.005, 2.675, -1.115], 2)
@example([0.5, 1.5, 2.5, -0.5, -1.5], 0)
@example([0.125, 0.375, -0.125], 2)
@example([-0.0, -0.0004, 0.0, 1e-300, -1e-300], 3)
@example([9.9995, 99.99949999, 999999.9999], 3)
@example([0.1, 123.4, -5.06], 1)
def test_numbers_round_as_their_exact_value_does(values: list[float], decimals: int) -> None:
    assert texts(fixed(np.array(values), decimals)) == [by_decimal(v, decimals) for v in values]


@given(st.floats(-9e17, 9e17), st.integers(0, 3))
def test_large_numbers_keep_every_digit(value: float, decimals: int) -> None:
    if abs(value) * 10**decimals < 9e17:
        assert fixed_text(value, decimals) == by_decimal(value, decimals)


@given(st.integers(-999_999, 999_999), st.integers(0, 5))
def test_a_number_of_a_file_is_printed_as_it_stood(thousandths: int, decimals: int) -> None:
    text = by_decimal(thousandths / 10**decimals, decimals)
    assert fixed_text(float(text), decimals) == text


def test_nothing_prints_nothing() -> None:
    pool = fixed(np.empty(0), 3)
    assert len(pool.data) == 0 and len(pool.length) == 0


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_not_finite_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match=r"^a number to print is not finite$"):
        fixed(np.array([1.0, value]), 3)


def test_too_many_digits_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^a number to print has more than 18 digits$"):
        fixed(np.array([1e15]), 4)


def test_one_text_of_many() -> None:
    pool = fixed(np.array([1.5, -22.25, 0.0]), 2)
    assert [pool.text(k) for k in range(3)] == [b"1.50", b"-22.25", b"0.00"]


@given(st.lists(st.tuples(ordinary, ordinary), min_size=1, max_size=20))
def test_pools_join_side_by_side(pairs: list[tuple[float, float]]) -> None:
    x, y = (np.array(column) for column in zip(*pairs, strict=True))
    joined = join_pools(b"G1 X", fixed(x, 3), b" Y", fixed(y, 1), b"\n", count=len(pairs))
    assert texts(joined) == [b"G1 X%s Y%s\n" % (by_decimal(a, 3), by_decimal(b, 1)) for a, b in pairs]
