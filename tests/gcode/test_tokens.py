"""Bytes to words: numbers are exactly `float(text)`, comments and odd lines are what they look like."""

from __future__ import annotations

import math
import tracemalloc
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gcodetools.errors import InputError
from gcodetools.gcode import tokens as module
from gcodetools.gcode.tokens import Tokens, blocks, tokenise

digits = st.text("0123456789", min_size=0, max_size=24)
short = st.text("0123456789", min_size=0, max_size=8)
signs = st.sampled_from(["", "-", "+"])


@st.composite
def numbers(draw: st.DrawFn) -> str:
    """Every spelling of a decimal number: no digits before or behind the dot, leading zeros, many digits."""
    part = draw(st.sampled_from([short, digits]))
    whole, dot, fraction = draw(part), draw(st.booleans()), draw(part)
    text = whole + ("." + fraction if dot else "")
    return draw(signs) + (text if text.strip(".") else "0" + text)


blanks = st.text(" \t", max_size=20)


def words(text: str | bytes) -> list[tuple[str, float]]:
    tokens = tokenise(text if isinstance(text, bytes) else text.encode())
    return [(chr(c), v) for c, v in zip(tokens.letter.tolist(), tokens.value.tolist(), strict=True)]


def lines_of(tokens: Tokens) -> list[int]:
    return tokens.line.tolist()


def same(a: float, b: float) -> bool:
    return a == b and math.copysign(1.0, a) == math.copysign(1.0, b)


@given(
    st.lists(st.tuples(st.sampled_from("XYZEFIJKRPSH"), blanks, numbers(), blanks), min_size=1, max_size=8)
)
@example([("X", "", "-.5", ""), ("E", "", ".07", ""), ("Y", "", "+3", ""), ("Z", "", "5.", "")])
@example([("X", "", "123456789012345", ""), ("Y", "", "1234567890123456", ""), ("E", "", "-0", "")])
@example([("X", "", "0.12345678", ""), ("Y", "", "0.123456789", ""), ("Z", "", "12345678.12345678", "")])
@example(
    [
        ("X", "", "90071992.54740993", ""),
        ("Y", "", "99999999.99999999", ""),
        ("Z", "", "95555555.55555557", ""),
    ]
)
@example([("X", "", "00000000012.5", ""), ("Y", "", "9007199254740993", ""), ("E", "", "0." + "3" * 20, "")])
def test_numbers_are_exactly_what_float_makes_of_them(parts: list[tuple[str, str, str, str]]) -> None:
    text = "G1" + "".join(f"{letter}{before}{number}{behind}" for letter, before, number, behind in parts)
    found = words(text + "\r\n")[1:]
    assert [letter for letter, _ in found] == [letter for letter, *_ in parts]
    for (_, value), (_, _, number, _) in zip(found, parts, strict=True):
        assert same(value, float(number)), number


@given(st.lists(numbers(), min_size=1, max_size=40))
def test_the_text_span_of_each_number_holds_it(many: list[str]) -> None:
    text = "".join(f"G1 X {number}\t;Y1\n" for number in many).encode()
    tokens = tokenise(text)
    at_x = np.flatnonzero(tokens.letter == ord("X"))
    spans = [text[a:b].decode() for a, b in zip(tokens.begin[at_x], tokens.end[at_x], strict=True)]
    assert spans == many
    behind_dot = [len(n.partition(".")[2]) for n in many]
    assert tokens.decimals[at_x].tolist() == behind_dot


@given(numbers(), st.integers(0, 300))
def test_a_number_reads_the_same_wherever_it_stands(number: str, shift: int) -> None:
    text = ";" * bool(shift) + "x" * shift + "\nG1 X" + number
    assert same(words(text)[1][1], float(number))


def test_letters_may_be_lower_case() -> None:
    assert words("g1 x1y2 e.5") == [("G", 1.0), ("X", 1.0), ("Y", 2.0), ("E", 0.5)]


def test_an_e_behind_a_number_is_a_word_not_an_exponent() -> None:
    assert words("G1 X1E5") == [("G", 1.0), ("X", 1.0), ("E", 5.0)]


def test_a_bare_letter_has_no_number() -> None:
    found = words("G 28 W ;\n")
    assert found[0] == ("G", 28.0)
    assert found[1][0] == "W" and math.isnan(found[1][1])


@pytest.mark.parametrize("text", ["X--2", "X+-3", "X-", "X.", "X+.", "X-."])
def test_what_is_no_number_is_nan_and_odd(text: str) -> None:
    tokens = tokenise(b"G1 Y1\nG1 " + text.encode() + b" Y2\n")
    assert math.isnan(tokens.value[3])
    assert tokens.value[4] == 2.0
    assert tokens.odd.tolist() == [1]


@pytest.mark.parametrize(
    ("text", "value"), [("X1 2", 1.0), ("X1.5.2", 1.5), ("X10-5", 10.0), ("X5 .3", 5.0), ("X-1-", -1.0)]
)
def test_of_a_number_with_more_behind_it_the_first_part_counts_and_the_line_is_odd(
    text: str, value: float
) -> None:
    tokens = tokenise(b"G1 " + text.encode() + b" Y2\n")
    assert tokens.value.tolist() == [1.0, value, 2.0]
    assert tokens.odd.tolist() == [0]


@pytest.mark.parametrize("newline", [b"\n", b"\r\n", b"\r\r\n"])
def test_line_starts_are_those_of_the_text(newline: bytes) -> None:
    text = newline.join([b"G1 X1", b"", b";c", b"G1 Y2"])
    tokens = tokenise(text)
    assert tokens.line_start.tolist() == [
        0, 5 + len(newline), 5 + 2 * len(newline), 7 + 3 * len(newline), len(text)
    ]  # fmt: skip
    assert lines_of(tokens) == [0, 0, 3, 3]
    assert tokens.odd.tolist() == []


# Comments. Parentheses: RS274/NGC version 3 (from memory), section 3.3.4 (their text may hold a
# semicolon); nesting is what real files have, see CONVENTIONS.md beside the samples;
# semicolon to the line's end: common practice.
@pytest.mark.parametrize(
    ("text", "found", "odd"),
    [
        ("G1 X1 ; Y2", "G1 X1", False),
        ("; G1 X1", "", False),
        ("(a) G1 X1", "G1 X1", False),
        ("G1 X1 (a) Y2", "G1 X1 Y2", False),
        ("G1 X1(a)Y2(b)", "G1 X1 Y2", False),
        ("(<rotation> (6.12e-17+1j) ) G1 X1", "G1 X1", False),
        ("((a)(b)) G1 X1", "G1 X1", False),
        ("G1 X1 (a; b) Y2", "G1 X1 Y2", False),
        ("G1 X1 (a;(b);c) Y2 ; Z3 (", "G1 X1 Y2", False),
        ("(;M108 R24.0", "", False),
        ("(a G1 X1", "", False),
        ("G1 X1 (a (b) Y2", "G1 X1", False),
        ("G1 X1 ; (a) Y2", "G1 X1", False),
        ("G1 X1 ; a) Y2 (b", "G1 X1", False),
        ("G1 X1 ) Y2", "G1 X1 Y2", True),
        (") G1 (a) X1", "", True),
        ("G1 X1 ) (a) Y2 ( ; b", "G1 X1 Y2", True),
    ],
)
def test_comments_end_where_they_should(text: str, found: str, odd: bool) -> None:
    block = ("G1 Z9 ; before )\n" + text + "\n(behind) G1 Z8").encode()
    tokens = tokenise(block)
    mine = tokens.line == 1
    spelled = [
        f"{chr(c)}{v:g}" for c, v in zip(tokens.letter[mine].tolist(), tokens.value[mine], strict=True)
    ]
    if text.startswith(")"):
        assert 1 not in tokens.line[tokens.command]
    else:
        assert " ".join(spelled) == found
    assert tokens.odd.tolist() == [1] * odd
    assert tokens.value[tokens.line == 0].tolist() == [1.0, 9.0]
    assert tokens.value[tokens.line == 2].tolist() == [1.0, 8.0]


comment_text = st.text("();GX1 .\t", max_size=12)


def reference_comments(line: str) -> tuple[str, int]:
    """What is left of a line, and where its first comment begins (-1 for none), character by character."""
    left, depth, first = [], 0, -1
    for index, character in enumerate(line):
        if depth == 0 and character == ";":
            first = index if first < 0 else first
            break
        if character == "(":
            first = index if first < 0 else first
            depth += 1
        elif character == ")" and depth:
            depth -= 1
            continue
        if depth == 0:
            left.append(character)
        elif character == "(" and depth == 1:
            left.append(" ")
    return "".join(left), first


@given(st.lists(comment_text, min_size=1, max_size=6))
def test_comments_agree_with_a_reader_of_one_character_at_a_time(lines: list[str]) -> None:
    tokens = tokenise("\n".join(lines).encode())
    expected = [reference_comments(line) for line in lines]
    starts = tokens.line_start
    assert tokens.comment_line.tolist() == [k for k, (_, at) in enumerate(expected) if at >= 0]
    assert (tokens.comment_start - starts[tokens.comment_line]).tolist() == [
        at for _, at in expected if at >= 0
    ]
    letters = [(k, c) for k, (left, _) in enumerate(expected) for c in left if c in "GX"]
    assert list(zip(tokens.line.tolist(), map(chr, tokens.letter.tolist()), strict=True)) == letters
    stray = {k for k, (left, _) in enumerate(expected) if ")" in left}
    assert stray <= set(tokens.odd.tolist())


@pytest.mark.parametrize(
    "text",
    [
        "_G1 X1",
        "G1.0_PRIME X1",
        "G1_PRIME X1",
        "@G1 X1",
        "1G1 X1",
        "/G1 X1",
        "{G1 X1}",
        "T0_PARK",
        "-G1 X1",
        "  _G1",
    ],
)
def test_a_name_that_holds_a_command_is_no_command(text: str) -> None:
    assert len(tokenise(text.encode()).command) == 0


@pytest.mark.parametrize(
    "text",
    [
        "G1 X1",
        "  \tG1 X1",
        "(c) G1 X1",
        "N5 G1 X1",
        " N5G1X1*3",
        "G1 X1 _",
        "G1.;c",
        "G1.0X1",
        "G1;c",
        'G1"a"',
    ],
)
def test_the_command_is_the_first_word_or_the_one_behind_the_line_number(text: str) -> None:
    tokens = tokenise(b"\n" + text.encode())
    assert [chr(tokens.letter[k]) for k in tokens.command] == ["G"]
    assert tokens.value[tokens.command].tolist() == [1.0]


def test_a_line_number_alone_is_its_own_command() -> None:
    tokens = tokenise(b"N5\nG1\nN\nN7 M1")
    assert [chr(tokens.letter[k]) for k in tokens.command] == ["N", "G", "N", "M"]


def test_a_checksum_is_no_part_of_a_number() -> None:
    tokens = tokenise(b"N1 G1 X5*99\nN2 G1 X6.5 * 12 ; c\nG1 X7*\n")
    assert tokens.value[tokens.letter == ord("X")].tolist() == [5.0, 6.5, 7.0]
    assert tokens.star_line.tolist() == [0, 1, 2]
    assert tokens.star_value[:2].tolist() == [99.0, 12.0]
    assert math.isnan(tokens.star_value[2])


def test_bytes_beyond_ascii_make_a_line_odd_only_outside_comments() -> None:
    tokens = tokenise("G1 X1 ; größe\nM117 größe\nG1 X2\n".encode("latin-1"))
    assert tokens.odd.tolist() == [1]


def test_long_runs_of_blanks_separate_words() -> None:
    text = b"G1 X" + b" " * 200_000 + b"5" + b"\t" * 200_000 + b"Y6\n" + b" " * 100_000 + b"G1 X7"
    assert words(text) == [("G", 1.0), ("X", 5.0), ("Y", 6.0), ("G", 1.0), ("X", 7.0)]


def test_an_empty_text_has_no_words() -> None:
    tokens = tokenise(b"")
    assert len(tokens.letter) == 0 and len(tokens.odd) == 0 and len(tokens.command) == 0


def cut(data: bytes) -> list[tuple[int, int, int]]:
    return list(blocks(data, "t.gcode"))


@given(st.binary(max_size=300), st.integers(1, 60))
def test_blocks_cover_the_file_and_end_at_line_ends(data: bytes, size: int) -> None:
    data = b";" + data.replace(b"\n", b"\n;")  # a comment on every line, so that any length is allowed
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "BLOCK_BYTES", size)
        found = cut(data)
    assert found[0][0] == 0 and found[-1][2] == len(data)
    for (_, text_end, end), (begin, *_) in pairwise(found):
        assert end == begin and data[end - 1 : end] == b"\n" and text_end <= end
    for begin, _, end in found:
        assert end - begin <= size or data.count(b"\n", begin, end - 1) == 0


def test_a_comment_of_100_mb_costs_no_memory() -> None:
    data = b"G1 X1\n  ; " + b"x" * 100_000_000 + b"\nG1 X2\n"
    tracemalloc.start()
    try:
        found = cut(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 1_000_000
    assert [data[a:b] for a, b, _ in found] == [b"G1 X1\n", b"  ;", b"G1 X2\n"]


def test_a_command_of_100_mb_is_refused_with_its_line() -> None:
    data = b"G1 X1\n\n" + b"G1 X1 " * 17_000_000 + b"\nG1 X2\n"
    with pytest.raises(InputError) as caught:
        cut(data)
    assert str(caught.value) == (
        "t.gcode:3: a line of 102 MB that is no comment; a command has at most some hundred characters\n"
        "The file is damaged or no G-code. Slice again, or look at that line in an editor."
    )


def test_plain_numbers_are_read_as_one_word(monkeypatch: pytest.MonkeyPatch) -> None:
    """The slower ways are for numbers of more digits alone."""
    slow: list[int] = []
    known = module._two_words

    def told(*given: Any) -> Any:
        slow.extend(given[-1].tolist())
        return known(*given)

    monkeypatch.setattr(module, "_two_words", told)
    text = b"G1 X12.345 Y-1234.567 Z.2 E.02731 F7800\nM73 P0 R712\nG1 X1234567 Y0.000001 E+1. F1234567\n"
    found = tokenise(text)
    assert slow == []
    assert found.value.tolist()[:6] == [1.0, 12.345, -1234.567, 0.2, 0.02731, 7800.0]
    assert found.value.tolist()[-4:] == [1234567.0, 1e-6, 1.0, 1234567.0]
    assert tokenise(b"G1 X12345678\n").value.tolist() == [1.0, 12345678.0] and slow == [1]
