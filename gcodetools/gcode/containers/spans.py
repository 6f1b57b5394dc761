"""Which pieces of a text are still there in a new one, so that their packed form can be copied."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

__all__ = ["Span", "spans"]

_SIDE_BYTES = 160  # of text on either side of a boundary, by which it is found again: some five lines
_SLACK_BYTES = 1 << 16


class Span(NamedTuple):
    """Old pieces first <= k < last hold what is now the bytes begin <= i < end; same : one piece, unchanged.

    first == last : a text that came in before piece `first`. begin == end : pieces that went.
    """

    first: int
    last: int
    begin: int
    end: int
    same: bool


def spans(old: bytes, bounds: Sequence[int], new: bytes) -> list[Span]:
    """Map the pieces of a text to a new text; every byte of the new text falls into one span, in order.

    Parameters
    ----------
    bounds : of the pieces, ascending from 0 to len(old).

    Each boundary whose neighbourhood is unchanged is found again. Where it is not, pieces are joined until the next
    one that is, so that no edit is ever lost; the result is right for any two texts and close for edited ones.
    """
    result: list[Span] = []
    count = len(bounds) - 1
    piece = at = 0
    while piece < count:
        if _same(old, bounds, new, piece, at):
            end = at + bounds[piece + 1] - bounds[piece]
            result.append(Span(piece, piece + 1, at, end, True))
            piece, at = piece + 1, end
            continue
        last, end = _next_boundary(old, bounds, new, piece, at)
        result += _from_behind(old, bounds, new, piece, at, last, end)
        piece, at = last, end
    if at < len(new):
        result.append(Span(count, count, at, len(new), False))
    return result


def _same(old: bytes, bounds: Sequence[int], new: bytes, piece: int, at: int) -> bool:
    return at >= 0 and new.startswith(old[bounds[piece] : bounds[piece + 1]], at)


def _next_boundary(old: bytes, bounds: Sequence[int], new: bytes, piece: int, at: int) -> tuple[int, int]:
    """The next boundary that is found, as (piece behind it, place in the new text)."""
    count = len(bounds) - 1
    for ahead in _strides(count - piece):
        k = piece + ahead
        anchor = old[max(bounds[k] - _SIDE_BYTES, bounds[piece]) : bounds[k] + _SIDE_BYTES]
        before = bounds[k] - max(bounds[k] - _SIDE_BYTES, bounds[piece])
        gone = bounds[k] - bounds[piece]
        likely = at + gone - before
        lowest, highest = at, at + 2 * gone + _SLACK_BYTES
        found = [new.rfind(anchor, lowest, likely + len(anchor)), new.find(anchor, likely, highest)]
        found = [place for place in found if place >= 0]
        if found:
            return k, min(found, key=lambda place: abs(place - likely)) + before
    return count, len(new)


def _strides(most: int) -> Iterator[int]:
    """1, 2, 3, 4, 6, 8, 12 ... below `most`: further and further ahead, lest many changes take quadratic time."""
    step = 1
    while step < most:
        yield step
        step += max(1, step // 2)


def _from_behind(
    old: bytes, bounds: Sequence[int], new: bytes, piece: int, at: int, last: int, end: int
) -> Iterator[Span]:
    """What was skipped, as one changed span and the pieces before the boundary found that are unchanged."""
    same = []
    while last > piece:
        size = bounds[last] - bounds[last - 1]
        if end - size < at or not _same(old, bounds, new, last - 1, end - size):
            break
        same.append(Span(last - 1, last, end - size, end, True))
        last, end = last - 1, end - size
    yield Span(piece, last, at, end, False)
    yield from reversed(same)
