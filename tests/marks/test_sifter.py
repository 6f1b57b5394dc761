"""The sieve for comments against a plain loop over lines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.gcode.scan import read_program
from gcodetools.marks.sifter import LONGEST_BYTES, Sifter, literal_head

LINES = st.sampled_from(
    [
        b";LAYER_CHANGE", b";LAYER_CHANGE ", b";LAYER_CHANGED", b";LAYER", b";", b"G1 X1 E1 ;LAYER_CHANGE",
        b"  ;LAYER_CHANGE", b"\t;TYPE:Perimeter", b";TYPE:Perimeter", b";TYPE:External perimeter",
        b";TYPE:P\xc3\xa9rim\xe8tre", b"(<layer> 0.2 )", b"G1 X2 (<layer> 0.4 )", b"", b"G28",
    ]
)  # fmt: skip
PREFIXES = [";", ";LAYER", ";LAYER_C", ";LAYER_CH", ";LAYER_CHANGE", ";TYPE:External perimeter", "(<layer> "]


def plain(data: bytes) -> list[tuple[int, bytes]]:
    """(line, text) of the comments that stand alone on their line."""
    found = [(k, line.strip(b" \t\r")) for k, line in enumerate(data.split(b"\n"))]
    return [(k, text) for k, text in found if text.startswith((b";", b"("))]


@given(st.lists(LINES), st.sampled_from([b"\n", b"\r\n"]), st.booleans())
def test_finds_the_comments_that_a_plain_loop_finds(rows: list[bytes], newline: bytes, ended: bool) -> None:
    data = newline.join(rows) + (newline if ended else b"")
    sifter = Sifter(read_program(data, "a"))
    expected = plain(data)
    assert sifter.line.tolist() == [line for line, _ in expected]
    for prefix in PREFIXES:
        starts = [line for line, text in expected if text.startswith(prefix.encode())]
        assert sifter.line[sifter.starting(prefix)].tolist() == starts
        equal = [line for line, text in expected if text == prefix.encode()]
        assert sifter.line[sifter.whole(prefix)].tolist() == equal


def test_a_comment_behind_a_byte_order_mark_stands_alone() -> None:
    sifter = Sifter(read_program(b"\xef\xbb\xbf;LAYER:0\nG1 X1 E1\n", "a"))
    assert sifter.text(0) == ";LAYER:0"


def test_files_shorter_than_a_word_are_read() -> None:
    sifter = Sifter(read_program(b";a", "a"))
    assert sifter.line[sifter.whole(";a")].tolist() == [0]
    assert len(sifter.starting(";abcdefghij")) == 0


@pytest.mark.parametrize(
    ("pattern", "head"),
    [
        (";LAYER_CHANGE$", ";LAYER_CHANGE"),
        (r"\(<layer> (?P<z>.+)", "(<layer> "),
        ("; ?(?P<key>a)", ";"),
        (r"; total filament length \[mm\] : (.*)", "; total filament length [mm] : "),
        (r"; layer \d+", "; layer "),
    ],
)
def test_the_literal_head_of_a_pattern(pattern: str, head: str) -> None:
    assert literal_head(pattern) == head


def test_numbers_behind_a_mark_and_in_it() -> None:
    text = b";WIDTH:0.45\n;WIDTH:.5\r\n;WIDTH: 1e\n;WIDTH:x\n; tool H0.2 W0.48\n"
    sifter = Sifter(read_program(text, "a"))
    line, value = sifter.numbers(";WIDTH:")
    assert line.tolist() == [0, 1, 2]
    assert value.tolist() == [0.45, 0.5, 1.0]
    line, value = sifter.numbers(r"; tool H[-0-9.]+ W(?P<mm>[-0-9.]+)")
    assert (line.tolist(), value.tolist()) == ([4], [0.48])


def test_a_span_ends_at_the_next_end_and_none_begins_inside_another() -> None:
    text = b";A\n;A\n;B\nG1 X1\n;B\n;A\n"
    sifter = Sifter(read_program(text, "a"))
    closed = sifter.spans(";A", ";B", None)
    assert (closed.first.tolist(), closed.last.tolist()) == ([0], [2])
    to_the_end = sifter.spans(";A", ";B", 6)
    assert (to_the_end.first.tolist(), to_the_end.last.tolist()) == ([0, 5], [2, 6])
    assert to_the_end.holds(np.array([0, 2, 3, 5, 6])).tolist() == [True, True, False, True, True]


def test_a_comment_of_over_a_megabyte_is_no_mark_and_no_setting() -> None:
    """Each pattern would go through a line of a hundred megabytes for a second."""
    longest = b"; key = ".ljust(LONGEST_BYTES - 1, b"v")
    assert len(Sifter(read_program(longest + b"\nG28\n", "a")).line) == 1
    assert len(Sifter(read_program(longest + b"v\nG28\n", "a")).line) == 0
    data = b"G28\n;LAYER:1\n" + longest + b"v\n;LAYER:2\n"
    assert Sifter(read_program(data, "a")).line.tolist() == [1, 3]
