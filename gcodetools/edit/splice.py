"""Edits to bytes: replaces spans of the file and copies everything else as it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import Fault
from gcodetools.gcode.numbers import Pool

__all__ = ["EditList", "Edits", "apply_edits", "first_stray_byte"]

I8 = NDArray[np.int64]
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_NUMBER_BYTES = 24  # numbers are no longer, and hold no line end
_CHUNK_EDITS = 1 << 14


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
    index += np.arange(len(data), dtype=np.int32)
    return Pool(data[index], new_length)


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
    text = edits.text.data.tobytes()
    ends = np.cumsum(edits.text.length)
    kept_from = np.concatenate([[0], edits.end[:-1]])
    columns = (kept_from, edits.begin, ends - edits.text.length, ends)
    out = BytesIO()
    # Made as large as it will be: growing it would copy it some thirty times.
    out.seek(len(data) + int((edits.text.length - (edits.end - edits.begin)).sum()))
    out.write(b"\n")
    out.truncate(out.tell() - 1)
    out.seek(0)
    for chunk in _chunks(*columns):
        pieces = [piece for a, b, first, last in chunk for piece in (data[a:b], text[first:last])]
        out.write(b"".join(pieces))
    out.write(memoryview(data)[edits.end[-1] :])
    return out.getvalue()


def _chunks(*columns: I8) -> Iterator[Iterator[tuple[int, ...]]]:
    """Rows of columns as numbers, some at a time: lists of them all would take more memory than the columns."""
    for low in range(0, len(columns[0]), _CHUNK_EDITS):
        yield zip(*(column[low : low + _CHUNK_EDITS].tolist() for column in columns), strict=True)


def first_stray_byte(data: bytes, edits: Edits, output: bytes) -> int:
    """Place in `output` of the first byte outside the edits that is not the original's, -1 for none."""
    removed = edits.end - edits.begin
    growth = np.concatenate([[0], np.cumsum(edits.text.length - removed)])
    total = len(data) + int(growth[-1])
    if len(output) != total:
        return int(min(len(output), total)) - 1
    kept_from, kept_to = np.concatenate([[0], edits.end]), np.append(edits.begin, len(data))
    for a, b, c in chain.from_iterable(_chunks(kept_from, kept_to, kept_from + growth)):
        if data[a:b] != output[c : c + b - a]:
            differs = np.frombuffer(data, np.uint8, b - a, a) != np.frombuffer(output, np.uint8, b - a, c)
            return int(c) + int(np.argmax(differs))
    return -1
