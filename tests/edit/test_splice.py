"""Edits to bytes: everything else is copied, whatever the line ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit import splice
from gcodetools.edit.draft import Draft
from gcodetools.edit.splice import EditList, apply_edits, first_stray_byte, ranges, slices
from gcodetools.errors import Fault

TEXT = "M83\n;LAYER_CHANGE\n;Z:0.2\n;TYPE:Perimeter\nG1 X0 Y0 F1800\nG1 X10 Y0 E0.4\nG1 X10 Y10 E0.4"


@pytest.fixture(scope="module", params=[1, 7, 1 << 20])
def block_bytes(request):
    """Edits are worked on in blocks; here of so many bytes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(splice, "_BLOCK_BYTES", request.param)
        yield


@given(st.binary(max_size=80), st.data())
@pytest.mark.usefixtures("block_bytes")
def test_edits_replace_their_spans_and_nothing_else(data, draw):
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=12)))
    spans = list(zip(cuts[::2], cuts[1::2], strict=False))
    texts = [draw.draw(st.binary(max_size=9)) for _ in spans]
    edits = EditList()
    order = draw.draw(st.permutations(range(len(spans))))
    for k in order:
        edits.one(*spans[k], k, 0, texts[k])
    expected, at = b"", 0
    for (a, b), text in zip(spans, texts, strict=True):
        expected += data[at:a] + text
        at = b
    expected += data[at:]
    if data.endswith(b"\n") or not spans or spans[-1][0] < len(data):
        done = edits.finish(data)
        assert apply_edits(data, done) == expected
        assert first_stray_byte(data, done, expected) == -1
        if spans and expected:
            at = draw.draw(st.integers(0, len(expected) - 1))
            wrong = expected[:at] + bytes([expected[at] ^ 1]) + expected[at + 1 :]
            assert first_stray_byte(data, done, wrong) == at
            later = draw.draw(st.integers(at, len(expected) - 1))
            wrong = wrong[:later] + bytes([expected[later] ^ 2]) + wrong[later + 1 :]
            assert first_stray_byte(data, done, wrong) == at
            assert first_stray_byte(data, done, expected[:-1]) >= 0
            assert first_stray_byte(data, done, expected + b"x") >= 0


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(-3, 9))))
def test_stretches_are_counted_out_and_cut_out(stretches):
    low = np.array([a for a, _ in stretches], np.int64)
    high = low + np.array([n for _, n in stretches], np.int64)
    assert ranges(low, high).tolist() == [k for a, n in stretches for k in range(a, a + n)]
    data = bytes(range(60))
    assert slices(data, low, np.maximum(high, low)) == [data[a : a + max(n, 0)] for a, n in stretches]


def test_edits_at_one_place_stand_in_the_order_of_their_pieces():
    edits = EditList()
    for seq, sub, text in [(2, 0, b"c"), (1, 1, b"b"), (1, 0, b"a"), (3, 0, b"d")]:
        edits.one(1, 1, seq, sub, text)
    assert apply_edits(b"<>\n", edits.finish(b"<>\n")) == b"<abcd>\n"


def test_two_edits_of_one_byte_are_a_fault_that_names_the_line():
    edits = EditList()
    edits.one(4, 7, 0, 0, b"x")
    edits.one(6, 8, 1, 0, b"y")
    with pytest.raises(Fault, match="line 2"):
        edits.finish(b"ab\ncdefgh\n")


def feed_last(plate, write):
    draft = Draft.of(plate)
    draft.feed[np.flatnonzero(plate.beads.feature != 0)[-1]] = 20.0
    return write(draft).output


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["", "\n"])
def test_line_ends_byte_order_mark_and_unfinished_last_line_survive(plate_of, write, newline, mark, end):
    data = mark + (TEXT + end).replace("\n", newline).encode()
    plate = plate_of(data)
    expected = mark + (TEXT + " F1200\nG1 F1800" + end).replace("\n", newline).encode()
    assert feed_last(plate, write) == expected


def test_mixed_line_ends_stay_where_they_are(plate_of, write):
    data = TEXT.encode().replace(b"F1800\n", b"F1800\r\n") + b"\n"
    assert feed_last(plate_of(data), write) == data[:-1] + b" F1200\nG1 F1800\n"


def test_bytes_that_are_no_text_survive(plate_of, write):
    data = b"; \xff\xfe na\xefve \x01\n" + TEXT.encode() + b" ; \xff\n"
    assert feed_last(plate_of(data), write) == data[:-5] + b" F1200 ; \xff\nG1 F1800\n"


@pytest.mark.parametrize(("at", "stray"), [(0, 0), (2, 2), (5, 5)])
def test_a_stray_byte_is_found(at, stray):
    edits = EditList()
    edits.one(3, 4, 0, 0, b"D")
    done = edits.finish(b"abcdef\n")
    assert first_stray_byte(b"abcdef\n", done, b"abcDef\n") == -1
    assert first_stray_byte(b"abcdef\n", done, b"abcDef\n"[:at] + b"#" + b"abcDef\n"[at + 1 :]) == stray
    assert first_stray_byte(b"abcdef\n", done, b"abcDef") == 5
