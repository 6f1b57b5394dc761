"""Lines that are read as plain ones, against the reading of each word (`tokens`), which is tested by itself."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.gcode import part
from gcodetools.gcode.plain import Plain, find_plain


def plain_of(text: bytes) -> Plain:
    """Plain lines of `text`, of which there must be some."""
    found = find_plain(np.frombuffer(text, np.uint8))
    assert found is not None
    return found


def same(one: Any, other: Any) -> None:
    """Assert equal columns, NaN like NaN and -0 unlike 0."""
    if isinstance(one, np.ndarray):
        assert one.dtype == other.dtype and one.tobytes() == other.tobytes()
    elif isinstance(one, dict):
        assert one.keys() == other.keys()
        same(list(one.values()), list(other.values()))
    elif isinstance(one, (tuple, list)):
        assert len(one) == len(other)
        for left, right in zip(one, other, strict=True):
            same(left, right)
    else:
        assert one == other


def require_same(text: bytes) -> None:
    """Assert that a text reads as if each of its words were read by itself."""
    mine, whole = part.read_part(text, 0, len(text), len(text)), part._read_lines(text)
    for field in fields(part.Part):
        same(getattr(mine, field.name), getattr(whole, field.name))


@pytest.mark.parametrize(
    "line",
    [
        b"G1 X1 Y2.5 E.02533", b"G0 X-1.5 Y-.5 F9000", b"G1 E-.8 F2100", b"G2 X1 Y2 I.5 J-3 E4", b"G1 X5. Y0",
        b"G1 Z12345678 E12345.67891 X-123.456", b"G1 X1 ; X2 (Y3)", b"G1 X1;Y2", b"G3 X1\r", b"G1 X1234567.8901234",
        b"G1 X000000000000001 Y-0", b"G1 X.1234567",
    ],
)  # fmt: skip
def test_a_line_of_plain_words_is_not_read_word_by_word(line: bytes) -> None:
    text = line + b"\n"
    found = plain_of(text)
    assert found.is_plain.tolist() == [True] and len(found.rest) == 0
    require_same(text)


@pytest.mark.parametrize(
    "line",
    [
        b"M204 S500", b"G28", b"G92 E0", b"G4 P5", b"g1 X1", b"G01 X1", b" G1 X1", b"G1X1", b"G1  X1", b"G1", b"G1 X",
        b"G1 X1 Y", b"G1 X1  Y2", b"G1 X 1", b"G1 X+1", b"G1 X1.2.3", b"G1 X1-5", b"G1 X1/2", b"G1 X.", b"G1 X-",
        b"G1 X--1", b"G1 X1e5", b"G1 X1 (c) Y2", b"G1 (X1) Y2", b"G1 X1*9", b"G1 X1 S2", b"G1 X1 G2", b"G1 x1",
        b"N1 G1 X1", b"G1 X1\x0b", b"G1 X1\xff", b"G1 X1 ", b"G1 X1\t", b"G1 X1234567890.123456", b"G1 X1 2", b"(a;b)",
        b"G1 X.12345678", b"G1 X1.123456789", b"\r", b"G1 X1, Y2", b"G4 X1", b"G11 X1", b"G1.1 X1",
    ],
)  # fmt: skip
def test_any_other_line_is_read_word_by_word(line: bytes) -> None:
    text = b"G1 X7 Y8\n" + line + b"\nG1 Y9\n"
    if line.endswith(b" "):
        require_same(text)  # a single blank behind a word is no matter
        return
    found = plain_of(text)
    assert found.rest.tolist() == [1] and found.is_plain.tolist() == [True, False, True]
    require_same(text)


def test_lines_without_words_are_not_read_at_all() -> None:
    text = b";LAYER:0\n\nG1 X1\n; a (b\n"
    found = plain_of(text)
    assert len(found.rest) == 0 and found.comment_line.tolist() == [0, 3]
    require_same(text)


def test_a_text_of_few_plain_lines_is_read_word_by_word() -> None:
    text = b"M117 a\n" * 200 + b"G1 X1\n" * 100
    assert find_plain(np.frombuffer(text, np.uint8)) is None
    require_same(text)


WORDS = st.sampled_from(
    [b"G1", b"G0 ", b"G2 ", b"G1 ", b"G1 X", b" Y", b"Z", b" E", b"F", b" I", b"J", b"S", b"M106 ", b";", b"(", b")",
     b"-", b"+", b".", b"5", b"12", b".5", b"1.25", b"1234567", b"123456789.12345678", b" ", b"\t", b"\r", b"*", b"/",
     b",", b"\n", b"\nG1 X", b"\nG1 X1 Y2 E.5", b"\xe9", b"N5 ", b"x", b"\x00"]
)  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(st.lists(WORDS, max_size=40))
def test_whatever_is_written_reads_the_same(words: list[bytes]) -> None:
    require_same(b"".join(words))
