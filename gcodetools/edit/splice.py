"""Edits to bytes: replaces spans of the file and copies everything else as it is."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import field
from io import BytesIO
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import Fault
from gcodetools.gcode.arrays import spans_of
from gcodetools.gcode.numbers import Pool
from gcodetools.records import dataclass

__all__ = ["EditList", "Edits", "apply_edits", "first_stray_byte", "ranges", "slices"]

I8 = NDArray[np.int64]
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_NUMBER_BYTES = 24  # numbers are no longer, and hold no line end
_BLOCK_BYTES = 1 << 18  # of a block what belongs to it stays in a core's cache
_THREADS = 2
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Edits:
    """Spans [begin, end) of the file and the text that takes their place, in file order, disjoint.

    begin, end : (k,) int64. text : a Pool of k texts. newlines : (k,) int64, line ends in each text beyond
    those of the span it replaces.
    """

    begin: I8
    end: I8
    text: Pool
    newlines: I8

    def __len__(self) -> int:
        return len(self.begin)

    def lines(self, start: I8) -> I8:
        """(k,) line of the original in which each begins, its count at the end. start : of the lines."""
        result: I8 = np.searchsorted(start, self.begin, side="right") - 1
        return result

    def moved(self, place: I8, size: int) -> I8:
        """Where `place` of the original, which ends in `size` bytes, stands in the output: before what is inserted
        there, but for the file's end."""
        growth = np.concatenate([[0], np.cumsum(self.text.length - (self.end - self.begin))])
        before = np.searchsorted(self.begin, place, side="left")
        result: I8 = place + growth[np.where(place == size, len(self), before)]
        return result


@dataclass(slots=True)
class EditList:
    """Collects edits in any order and sorts them by place, then by `seq`, then by `sub`.

    `seq` is twice the index of the piece an edit belongs to, or one less for what stands between pieces;
    `sub` orders what belongs to one piece.
    """

    _begin: list[I8] = field(default_factory=list)
    _end: list[I8] = field(default_factory=list)
    _seq: list[I8] = field(default_factory=list)
    _sub: list[I8] = field(default_factory=list)
    _pools: list[Pool] = field(default_factory=list)

    def __len__(self) -> int:
        return sum(len(begin) for begin in self._begin)

    def add(self, begin: I8, end: I8, seq: I8, sub: int, pool: Pool) -> None:
        """Columns of edits of one kind."""
        if len(begin):
            self._begin.append(np.asarray(begin, np.int64))
            self._end.append(np.asarray(end, np.int64))
            self._seq.append(np.asarray(seq, np.int64))
            self._sub.append(np.full(len(begin), sub, np.int8))
            self._pools.append(pool)

    def one(self, begin: int, end: int, seq: int, sub: int, text: bytes) -> None:
        """One edit."""
        pool = Pool(np.frombuffer(text, np.uint8), np.array([len(text)], np.int64))
        self.add(np.array([begin]), np.array([end]), np.array([seq]), sub, pool)

    def finish(self, data: bytes) -> Edits:
        """All edits in order.

        Raises
        ------
        Fault : two edits claim the same bytes.
        """
        if not self._begin:
            none = np.empty(0, np.int64)
            return Edits(none, none, Pool(np.empty(0, np.uint8), none), none)
        begin, end = np.concatenate(self._begin), np.concatenate(self._end)
        if data.startswith(_BYTE_ORDER_MARK):  # it stays the first thing in the file
            begin, end = (np.maximum(places, len(_BYTE_ORDER_MARK)) for places in (begin, end))
        order = np.lexsort((np.concatenate(self._sub), np.concatenate(self._seq), begin))
        text = _reordered(self._pools, order)
        begin, end = begin[order], end[order]
        if np.any(begin[1:] < end[:-1]):
            at = int(np.flatnonzero(begin[1:] < end[:-1])[0])
            line = data.count(b"\n", 0, int(begin[at])) + 1
            raise Fault(f"two edits claim the same bytes in line {line}")
        begin, text = _at_unfinished_end(data, begin, end, text)
        return Edits(begin, end, text, _newlines(data, begin, end, text))


def _reordered(pools: list[Pool], order: I8) -> Pool:
    data = np.concatenate([p.data for p in pools])
    length = np.concatenate([p.length for p in pools])
    start = np.cumsum(length) - length
    new_length = length[order]
    new_start = np.cumsum(new_length) - new_length
    index = np.repeat((start[order] - new_start).astype(np.int32), new_length)
    new = np.empty_like(data)
    for low, high in spans_of(
        len(data)
    ):  # the library takes bytes by whole numbers of eight times their size
        new[low:high] = data[index[low:high] + np.arange(low, high)]
    return Pool(new, new_length)


def _at_unfinished_end(data: bytes, begin: I8, end: I8, text: Pool) -> tuple[I8, Pool]:
    """Where the file's last line has no end, words of ours go on it and lines of ours bring an end along."""
    if data.endswith(b"\n") or len(begin) == 0 or begin[-1] < len(data):
        return begin, text
    first = int(np.searchsorted(begin, len(data)))
    texts = [text.text(i) for i in range(first, len(begin))]
    words = b"".join(t for t in texts if not t.endswith(b"\n"))
    lines = b"".join(t for t in texts if t.endswith(b"\n"))
    newline = b"\r\n" if lines.endswith(b"\r\n") else b"\n"
    whole = words + (newline + lines if lines else b"")
    texts = [whole.removesuffix(newline)] + [b""] * (len(texts) - 1)
    kept = int(text.length[:first].sum())
    new = np.concatenate([text.data[:kept], np.frombuffer(b"".join(texts), np.uint8)])
    return begin, Pool(new, np.concatenate([text.length[:first], [len(t) for t in texts]]))


def _newlines(data: bytes, begin: I8, end: I8, text: Pool) -> I8:
    ends = np.cumsum(text.length)
    newline = np.searchsorted(np.flatnonzero(text.data == 10), ends)
    count: I8 = np.diff(newline, prepend=0)
    view = np.frombuffer(data, np.uint8)
    whole_line = (end > begin) & (view[np.maximum(end, 1) - 1] == 10)
    for index in np.flatnonzero(whole_line | (end - begin > _NUMBER_BYTES)).tolist():
        count[index] -= data.count(b"\n", int(begin[index]), int(end[index]))
    return count


def apply_edits(data: bytes, edits: Edits) -> bytes:
    """The edited file. Bytes outside the edits are copied, not recomputed."""
    if len(edits) == 0:
        return data
    place = _places(edits)
    # The bytes are made once, at their full size, and filled where they are.
    buffer = BytesIO(bytes(len(data) + int((edits.text.length - (edits.end - edits.begin)).sum())))
    with buffer.getbuffer() as view:
        _fill(data, edits, place, view)
    return buffer.getvalue()


def _places(edits: Edits) -> I8:
    """(k,) where each text begins in the output."""
    growth = np.cumsum(edits.text.length - (edits.end - edits.begin))
    result: I8 = edits.end + growth - edits.text.length
    return result


def _fill(data: bytes, edits: Edits, place: I8, view: memoryview) -> None:
    old, new, text = np.frombuffer(data, np.uint8), np.frombuffer(view, np.uint8), edits.text
    text_end = np.cumsum(text.length)

    def block(span: tuple[int, int]) -> None:
        i, j = span
        kept, low, high = int(edits.end[i - 1]) if i else 0, int(edits.begin[i]), int(edits.end[j - 1])
        begin, end = int(place[i]), int(place[j - 1] + text.length[j - 1])
        new[begin - (low - kept) : begin] = old[kept:low]
        stays = np.ones(high - low, bool)
        stays[ranges(edits.begin[i:j] - low, edits.end[i:j] - low)] = False
        copied = np.ones(end - begin, bool)
        put = ranges(place[i:j] - begin, place[i:j] - begin + text.length[i:j])
        copied[put] = False
        new[begin:end][copied] = old[low:high][stays]
        new[begin:end][put] = text.data[text_end[i] - text.length[i] : text_end[j - 1]]

    _each(block, _blocks(edits, len(data)))
    last = int(edits.end[-1])
    new[len(new) - (len(old) - last) :] = old[last:]


def ranges(low: I8, high: I8) -> I8:
    """All whole numbers of the stretches [low, high), one behind another."""
    size = np.maximum(high - low, 0)
    result: I8 = np.repeat(low - (np.cumsum(size) - size), size)
    result += np.arange(len(result))
    return result


def slices(data: bytes, begin: I8, end: I8) -> list[bytes]:
    """The bytes of many spans."""
    return list(map(data.__getitem__, map(slice, begin.tolist(), end.tolist())))


def _blocks(edits: Edits, size: int) -> list[tuple[int, int]]:
    """Edits in groups that begin within a block of the file each, as (first, behind last)."""
    cuts = np.searchsorted(edits.begin, np.arange(_BLOCK_BYTES, size, _BLOCK_BYTES))
    edges = np.unique(np.concatenate([[0], cuts, [len(edits)]])).tolist()
    return list(pairwise(edges))


def _each(work: Callable[[tuple[int, int]], Result], spans: list[tuple[int, int]]) -> list[Result]:
    """What `work` makes of each span; several at a time, as the library lets go of its lock on large arrays."""
    if len(spans) < 2:
        return [work(span) for span in spans]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(work, spans))


def first_stray_byte(data: bytes, edits: Edits, output: bytes) -> int:
    """Place in `output` of the first byte that is neither of an edit's text nor, outside them, the original's, -1 for
    none.

    Takes the output apart into what was copied and what was put in, each of which must be as it was.
    """
    kept = edits.begin - np.concatenate([[0], edits.end[:-1]])
    size = kept + edits.text.length
    total = int(size.sum()) + len(data) - (int(edits.end[-1]) if len(edits) else 0)
    if len(output) != total:
        return min(len(output), total) - 1
    old, new, text = np.frombuffer(data, np.uint8), np.frombuffer(output, np.uint8), edits.text.data
    behind, text_behind = np.cumsum(size), np.cumsum(edits.text.length)

    def block(span: tuple[int, int]) -> int:
        i, j = span
        begin = int(behind[i] - size[i])
        low = int(edits.end[i - 1]) if i else 0
        # Up to the block's first edit there may be much, and all of it is copied.
        head = int(kept[i])
        same = new[begin : begin + head] == old[low : low + head]
        if not same.all():
            return begin + int(np.argmin(same))
        begin, low = begin + head, low + head
        at = ranges(behind[i:j] - edits.text.length[i:j] - begin, behind[i:j] - begin)
        mine = new[begin : int(behind[j - 1])]
        copied = np.ones(len(mine), bool)
        copied[at] = False
        stays = np.ones(int(edits.end[j - 1]) - low, bool)
        stays[ranges(edits.begin[i:j] - low, edits.end[i:j] - low)] = False
        put = mine[at] == text[int(text_behind[i] - edits.text.length[i]) : int(text_behind[j - 1])]
        same = mine[copied] == old[low : low + len(stays)][stays]
        wrong = [] if put.all() else [begin + int(at[np.argmin(put)])]
        if not same.all():
            wrong.append(begin + int(np.flatnonzero(copied)[np.argmin(same)]))
        return min(wrong, default=-1)

    found = [at for at in _each(block, _blocks(edits, len(data))) if at >= 0]
    if found:
        return found[0]
    last = int(edits.end[-1]) if len(edits) else 0
    rest = new[len(new) - (len(old) - last) :] != old[last:]
    return len(new) - len(rest) + int(np.argmax(rest)) if rest.any() else -1
