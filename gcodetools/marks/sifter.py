"""Finds the comments that may be marks, by their first bytes and without a loop over all of them."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.marks.types import Spans

__all__ = ["LONGEST_BYTES", "NUMBER", "Sifter", "literal_head"]

I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
F8 = NDArray[np.float64]
U8 = NDArray[np.uint64]
Index = NDArray[np.intp]

NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_MOST = 1e9  # no height, width or time of a print
_BOM = b"\xef\xbb\xbf"
LONGEST_BYTES = 1 << 20
_WORD = 8  # bytes compared at a time


class Sifter:
    """The comments of a file that stand alone on their lines: only those can be marks. One of over a megabyte
    is neither mark nor setting, and is left out: patterns would go through it for seconds.

    line : (k,) int32 ascending. start, end : (k,) int64, bytes of the text and behind its line end.
    """

    def __init__(self, program: Program) -> None:
        lines, comments = program.lines, program.comments
        self.program = program
        data = lines.data
        own = lines.start[comments.line + 1] - comments.start <= LONGEST_BYTES
        own[own] = _alone(data, lines.start[comments.line[own]], comments.start[own])
        self.line: I4 = comments.line[own]
        self.start: I8 = comments.start[own]
        self.end: I8 = lines.start[self.line + 1]
        padded = data if len(data) >= _WORD else data.ljust(_WORD, b"\0")
        self._words: U8 = np.ndarray((len(padded) - _WORD + 1,), "<u8", padded, strides=(1,))
        self._head = self._word_at(self.start)
        self._found: dict[str, Index] = {}

    def without(self, spans: Spans) -> Sifter:
        """The same without the comments inside `spans`."""
        keep = ~spans.holds(self.line)
        if keep.all():
            return self
        other = object.__new__(Sifter)
        other.program, other._words, other._found = self.program, self._words, {}
        other.line, other.start, other.end = self.line[keep], self.start[keep], self.end[keep]
        other._head = self._head[keep]
        return other

    def _word_at(self, at: I8) -> U8:
        """Eight bytes from each position, little-endian, zeros behind the end of the file."""
        last = len(self._words) - 1
        inside = np.minimum(at, last)
        shift = np.minimum(at - inside, _WORD - 1).astype(np.uint64) * np.uint64(8)
        word: U8 = self._words[inside] >> shift
        word[at - inside >= _WORD] = 0
        return word

    def starting(self, prefix: str) -> Index:
        """Indices of the comments that start with `prefix`, ascending."""
        known = self._found.get(prefix)
        if known is not None:
            return known
        text = prefix.encode("utf-8", "surrogateescape")
        found: Index = np.arange(len(self.line), dtype=np.intp)
        for offset in range(0, len(text), _WORD):
            part = text[offset : offset + _WORD]
            wanted = np.uint64(int.from_bytes(part, "little"))
            mask = np.uint64((1 << (8 * len(part))) - 1)
            word = self._head if offset == 0 else self._word_at(self.start[found] + offset)
            found = found[(word & mask) == wanted]
        self._found[prefix] = found
        return found

    def whole(self, text: str) -> Index:
        """Indices of the comments that are `text`, blanks behind it aside."""
        found = self.starting(text)
        length = len(text.encode("utf-8", "surrogateescape"))
        behind = self._word_at(self.start[found] + length) & np.uint64(0xFF)
        ends: NDArray[np.bool_] = (behind == 10) | (behind == 13) | (behind == 0)
        for k in np.flatnonzero((behind <= 32) & ~ends).tolist():
            ends[k] = not self.raw(int(found[k]))[length:].strip()
        kept: Index = found[ends]
        return kept

    def raw(self, index: int) -> bytes:
        """A comment's bytes to its line end."""
        return self.program.lines.data[int(self.start[index]) : int(self.end[index])].rstrip(b"\r\n")

    def text(self, index: int) -> str:
        """A comment's text to its line end."""
        return self.raw(index).decode("utf-8", "surrogateescape")

    def matches(self, pattern: str) -> list[tuple[int, re.Match[str]]]:
        """(line, match) of each comment that matches `pattern` from its start.

        Comments that are equal to the byte are matched once: of a plate's marks most repeat.
        """
        compiled = re.compile(pattern)
        index = self.starting(literal_head(pattern))
        data, known = self.program.lines.data, dict[bytes, "re.Match[str] | None"]()
        result = []
        columns = (self.line[index].tolist(), self.start[index].tolist(), self.end[index].tolist())
        for line, start, end in zip(*columns, strict=True):
            raw = data[start:end]
            if raw in known:
                found = known[raw]
            else:
                found = compiled.match(raw.rstrip(b"\r\n").decode("utf-8", "surrogateescape"))
                known[raw] = found
            if found is not None:
                result.append((line, found))
        return result

    def lines_like(self, pattern: str) -> I4:
        """Lines of the comments that match `pattern` from their start."""
        head, rest = _split(pattern)
        if rest == "":
            index = self.starting(head)
        elif rest == "$":
            index = self.whole(head)
        else:
            return np.array([line for line, _ in self.matches(pattern)], np.int32)
        lines: I4 = self.line[index]
        return lines

    def numbers(self, pattern: str) -> tuple[I4, F8]:
        """Lines and numbers: the pattern's group `mm`, or what stands behind a literal pattern."""
        if "(?P<mm>" in pattern:
            found = self.matches(pattern)
            return _numbers([line for line, _ in found], [match["mm"] for _, match in found])
        head = literal_head(pattern)
        index, data = self.starting(head), self.program.lines.data
        begin = (self.start[index] + len(head.encode())).tolist()
        texts = [data[a:b] for a, b in zip(begin, self.end[index].tolist(), strict=True)]
        return _numbers(self.line[index], texts)

    def spans(self, begin: str, end: str, last_line: int | None) -> Spans:
        """Spans from a comment like `begin` to the next like `end`, none beginning inside another.

        last_line : where one without an end stops; None leaves it out.
        """
        first, ends = self.lines_like(begin), self.lines_like(end)
        last = np.append(ends, -1 if last_line is None else last_line)[np.searchsorted(ends, first)]
        keep = last >= first
        # Of begins that share an end the first opens the span.
        keep[1:] &= last[1:] != last[:-1]
        return Spans(first[keep].astype(np.int32), last[keep].astype(np.int32))


def literal_head(pattern: str) -> str:
    """The literal text a pattern opens with."""
    return _split(pattern)[0]


def _split(pattern: str) -> tuple[str, str]:
    """The literal text a pattern opens with, and the rest of the pattern."""
    head = re.match(r"(?:[^\\\[\](){}.*+?^$|]|\\[^\w])*", pattern)
    text = head.group() if head else ""
    if pattern[len(text) : len(text) + 1] in ("*", "+", "?", "{") and text:
        text = text[: -2 if text[-2:-1] == "\\" else -1]
    return re.sub(r"\\(.)", r"\1", text), pattern[len(text) :]


def _numbers(lines: Sequence[int] | I4, texts: Sequence[bytes | str]) -> tuple[I4, F8]:
    """Lines and numbers of the texts that begin with one."""
    with contextlib.suppress(ValueError):
        every = np.array(list(map(float, texts)), np.float64)
        if np.all(np.abs(every) < _MOST):
            return np.array(lines, np.int32), every
    values = [_number(text) for text in texts]
    known = [(int(line), value) for line, value in zip(lines, values, strict=True) if value is not None]
    return np.array([line for line, _ in known], np.int32), np.array([v for _, v in known], np.float64)


def _number(text: bytes | str) -> float | None:
    shown = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    found = re.match(rf"\s*({NUMBER}(?:[eE][-+]?[0-9]+)?)", shown)
    number = float(found.group(1)) if found else None
    return number if number is not None and abs(number) < _MOST else None


def _alone(data: bytes, begin: I8, start: I8) -> NDArray[np.bool_]:
    """Which comments have nothing but blanks, or the byte-order mark, before them on their line."""
    own: NDArray[np.bool_] = begin == start
    text = np.frombuffer(data, np.uint8)
    doubtful = ~own
    doubtful[doubtful] = (text[begin[doubtful]] <= 32) | (begin[doubtful] == 0)
    for index in np.flatnonzero(doubtful).tolist():
        before = data[int(begin[index]) : int(start[index])]
        own[index] = not before.removeprefix(_BOM).strip()
    return own
