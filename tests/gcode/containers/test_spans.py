"""Which blocks an edited text leaves as they were."""

from __future__ import annotations

import random
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from gcodetools.gcode.containers.spans import Span, spans

LINES = st.lists(st.sampled_from([b"a\n", b"bb\n", b"G1 X1\n", b"G1 X2\n", b";L\n"]), max_size=8).map(
    b"".join
)


def check(old: bytes, bounds: list[int], new: bytes) -> list[Span]:
    """Spans tile both texts, and `same` is true."""
    found = spans(old, bounds, new)
    piece = at = 0
    for span in found:
        assert (span.first, span.begin) == (piece, at)
        assert span.last >= span.first and span.end >= span.begin
        if span.same:
            assert span.last == span.first + 1
            assert new[span.begin : span.end] == old[bounds[span.first] : bounds[span.last]]
        piece, at = span.last, span.end
    assert (piece, at) == (len(bounds) - 1, len(new))
    return found


@given(st.lists(LINES.filter(bool), min_size=1, max_size=6), st.lists(LINES, max_size=6))
def test_any_two_texts(old: list[bytes], new: list[bytes]) -> None:
    bounds = [sum(map(len, old[:k])) for k in range(len(old) + 1)]
    check(b"".join(old), bounds, b"".join(new))


def big(seed: int = 1, count: int = 40_000) -> tuple[bytes, list[int]]:
    """Lines of a print, in pieces of 64 kB."""
    rng = random.Random(seed)
    text = b"".join(
        b"G1 X%d.%03d Y%d E.%05d\n" % (rng.randrange(99), k % 1000, rng.randrange(99), k)
        for k in range(count)
    )
    bounds, at = [0], 0
    while at < len(text):
        at = text.rfind(b"\n", at, at + 65536) + 1
        bounds.append(at)
    return text, bounds


def test_one_edit_changes_one_piece() -> None:
    text, bounds = big()
    for k in range(len(bounds) - 1):
        for place in (bounds[k], (bounds[k] + bounds[k + 1]) // 2, bounds[k + 1] - 2):
            at = text.rfind(b"\n", 0, place) + 1
            found = check(text, bounds, text[:at] + b"M104 S240\n" + text[at:])
            changed = [span for span in found if not span.same]
            assert sum(span.last - span.first for span in changed) <= 1
            assert sum(span.end - span.begin for span in changed) <= 65536 + 10


def test_edits_here_and_there_leave_the_others() -> None:
    text, bounds = big()
    edited = [1, 2, 3, 9, 15]
    new = b"".join(
        piece.replace(b"\nG1 X5", b"\nG1 F900 X5") if k in edited else piece
        for k, piece in enumerate(text[a:b] for a, b in pairwise(bounds))
    )
    same = {span.first for span in check(text, bounds, new) if span.same}
    assert same == set(range(len(bounds) - 1)) - set(edited)


def test_layers_alike_are_not_taken_for_each_other() -> None:
    """Relative coordinates: every piece has the same text; a line less in one is a line less in one."""
    layer = b"".join(b"G1 X%d Y1 E.1\n" % (k % 50) for k in range(2000))
    text, bounds = layer * 12, [len(layer) * k for k in range(13)]
    new = layer * 5 + layer.replace(b"G1 X7 Y1 E.1\n", b"", 1) + layer * 6
    assert sum(not span.same for span in check(text, bounds, new)) == 1


def test_the_nearest_of_boundaries_alike_is_taken() -> None:
    """Two layers alike in each piece, so that the text around a boundary stands in its middle too."""
    layer = b"".join(b"G1 X%d Y1 E.1\n" % (k % 50) for k in range(1000))
    bounds = [2 * len(layer) * k for k in range(7)]
    text = layer * 12
    new = text.replace(b"\n", b"\n" + b"M104 S240\n" * 20, 1)
    for came in (new, layer * 5 + layer.replace(b"G1 X7 ", b"G1 F900 X7 ", 9) + layer * 6):
        changed = [span for span in check(text, bounds, came) if not span.same]
        assert [span.last - span.first for span in changed] == [1]


def test_pieces_that_went_and_pieces_that_came() -> None:
    text, bounds = big()
    cut = text[: bounds[4]] + text[bounds[7] :]
    assert sum(span.same for span in check(text, bounds, cut)) >= len(bounds) - 1 - 3 - 1
    assert sum(span.same for span in check(text, bounds, text + b"M84\n")) == len(bounds) - 1
    assert sum(span.same for span in check(text, bounds, b"; ours\n" + text)) == len(bounds) - 1
    check(text, bounds, b"")
    check(text, bounds, text[::-1])
