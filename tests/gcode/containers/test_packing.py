"""Packed text against a slow reference that goes byte by byte, and against the format's own rules."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from slow_forms import BreaksOff, slow_pack, slow_unpack

from gcodetools.gcode.containers.packing import BROKEN_OFF, Unpackable, pack, pack_lines, unpack

HEAD = b"\xff\xff\xfb\xff\xff\xf7"
words = st.sampled_from(
    ["G1", "G0", "G28", "X1.5", "Y-2", "Z.2", "E0.01", "F1800", " ", "  ", "M117", "M204", "T0", "S5", ";",
     "; a", ";T:W", "N5", "*33", "e1", "x2", "g", "G", "\t", "\r", "W", "P", "é", "\"XLG3\"", "_", "0", "."]
)  # fmt: skip
line = st.lists(words, max_size=7).map("".join)
spaced_line = st.lists(words, max_size=7).map(" ".join)
texts = st.lists(st.one_of(line, spaced_line), max_size=12).map(
    lambda lines: "\n".join([*lines, ""]).encode()
)


@given(texts, st.booleans())
def test_packing_is_what_the_reference_packs(text: bytes, comments: bool) -> None:
    assert pack(text or b"\n", comments=comments) == slow_pack(text or b"\n", comments=comments)


def open_ended(packed: bytes) -> bytes | str:
    try:
        return slow_unpack(packed)
    except BreaksOff:
        return BROKEN_OFF


pieces = st.sampled_from(
    [*b"\xff\xff\xff\xff\xfb\xfa\xf7\xf6\xf9\xf8\x0c\xfc\xcc\xf0\x0f\x1f\xf1\x2d\xbbG;\n X"]
)


@given(st.lists(pieces, max_size=60).map(bytes))
@example(b"")
@example(b"\xff\xff")
@example(b"\xff\xff\xfb\xff")
@example(b"\xff\xff\xfb\xffGX\xcc")
@example(b"\xff\xff\xff\xff\xff\xfb\x0d")
@example(b"\xff\xff\xfb\x0f\xff\xff\xfaX")
def test_unpacking_any_bytes_is_what_the_reference_unpacks(packed: bytes) -> None:
    expected = open_ended(packed)
    try:
        found: bytes | str = unpack(packed)
    except ValueError as error:
        found = str(error)
    assert found == expected


@given(st.binary(max_size=400))
def test_unpacking_noise_is_what_the_reference_unpacks(noise: bytes) -> None:
    try:
        found: bytes | str = unpack(HEAD + noise)
    except ValueError as error:
        found = str(error)
    assert found == open_ended(HEAD + noise)


def test_long_runs_of_full_characters_take_no_longer_road() -> None:
    """The worst case of finding where codes begin: no two bytes in a row settle it."""
    text = b"M117 " + b"q" * 40_001 + b"\n"
    assert unpack(pack(text, comments=True)) == text


@given(texts)
def test_what_is_packed_unpacks_to_the_same_lines_but_for_blanks_on_g_lines(text: bytes) -> None:
    """The promise itself, by another road than the code's: line by line."""
    try:
        packed = pack_lines(text or b"\n", comments=True)
    except Unpackable as error:
        assert error.text == (text or b"\n").split(b"\n")[error.line]
        return
    wanted = []
    for one in text.split(b"\n"):
        kept = one if one.startswith(b";") else one.partition(b";")[0].rstrip(b" ") if b";" in one else one
        if kept:
            wanted.append(kept)
    back = packed.text.split(b"\n")[:-1]
    assert len(back) == len(wanted)
    for was, is_ in zip(wanted, back, strict=True):
        bare = was.lstrip(b" ")
        if bare.startswith(b"G") and bare[1:2].isdigit():
            was, is_ = was.replace(b" ", b""), is_.replace(b" ", b"")
        assert is_ == was
    assert slow_unpack(packed.data) == packed.text


DAMAGED = [
    b"M117 Layer G1 now",
    b"NAME=A_G1_b c",
    b'M862.3 P "XLG3 a"',
    b"N5 G1 X1*33",
    b"G1 x2",
    b"M117 extra G2",
]


@pytest.mark.parametrize("bad", DAMAGED)
def test_a_line_that_packing_damages_stays_unpacked_or_is_refused(bad: bytes) -> None:
    text = b"G1 X1\n" + bad + b"\nG1 X2 ; gone\n"
    assert bad not in unpack(pack(text, comments=True))  # the format's own packer does damage it
    packed = pack_lines(text, comments=True)
    assert packed.text == b"G1 X1\n" + bad + b"\nG1 X2\n"
    assert slow_unpack(packed.data) == packed.text
    assert (packed.plain_lines, packed.comments) == (1, 1)
    with pytest.raises(Unpackable) as caught:
        pack_lines(text, comments=False)
    assert (caught.value.line, caught.value.text) == (1, bad)


@pytest.mark.parametrize("bad", [b"M117 \xff", b"; \xff\xff\xfb", b"GET X", b"M117 \0"])
def test_what_can_not_be_held_at_all_is_refused(bad: bytes) -> None:
    with pytest.raises(Unpackable) as caught:
        pack_lines(b"G1 X1\n\n" + bad + b"\n", comments=True)
    assert (caught.value.line, caught.value.text) == (2, bad)


def test_encoding_1_loses_comments_and_says_how_many() -> None:
    packed = pack_lines(b";TYPE:Wall\nG1 X1 E.5 ; a\n\n; b\nM104 S200\n ; c\n", comments=False)
    assert packed.text == b"G1 X1 E.5\nM104 S200\n"
    assert (packed.comments, packed.comment_lines, packed.blank_lines) == (2, 2, 1)
    assert packed.data.endswith(b"\xff\xff\xf9")


def test_a_word_by_hand() -> None:
    """By the table of nibbles: G 13, X 14, E 11 (no-spaces), line feed 12; two line feeds behind a G line."""
    assert pack(b"G1 X1 E2\n", comments=True) == HEAD + bytes([0x1D, 0x1E, 0x2B, 0xCC])
    assert pack(b"M1\n", comments=True) == HEAD + bytes([0x1F, ord("M"), 0xCC])
    assert unpack(HEAD + bytes([0xFF, ord("Y"), ord("-"), 0x2C, 0xF1, ord("q"), 0xFC, 0x0D])) == b"Y-\n1q\nG0"
