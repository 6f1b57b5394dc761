"""Words of a chosen set of lines, with the place of each number in the file: what an edit replaces."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.splice import slices
from gcodetools.gcode.program import Lines
from gcodetools.gcode.tokens import BLOCK_BYTES, tokenise
from gcodetools.records import dataclass

__all__ = ["LineWords", "gather_lines", "line_words", "lines_with"]

I8 = NDArray[np.int64]
F8 = NDArray[np.float64]
_THREADS = 2
_SPARSE = 32  # lines a wanted one, beyond which looking each up takes less than a table of all


@dataclass(frozen=True, slots=True)
class LineWords:
    """Words of `line` (k,) int64, ascending and unique.

    begin, end, value : a (k,) column a letter: byte span of the number in the file and the number; -1 and NaN
    where the line lacks the letter. words_end : byte behind the last word, where another may be added.
    place : (n,) int32, index of each line from the first of `line` to the last; None where these are far apart.
    """

    line: I8
    begin: dict[str, I8]
    end: dict[str, I8]
    value: dict[str, F8]
    words_end: I8
    place: NDArray[np.int32] | None

    def of(self, lines: NDArray[np.integer]) -> NDArray[np.intp]:
        """Index into the columns for each of `lines`, which must all be present."""
        if self.place is None:
            return np.searchsorted(self.line, lines)
        found: NDArray[np.intp] = self.place[lines - self.line[0]].astype(np.intp)
        return found


def _runs(lines: I8) -> tuple[I8, I8]:
    """First and behind-last line of each run of neighbours."""
    breaks = np.flatnonzero(np.diff(lines) != 1) + 1
    first = np.concatenate([[0], breaks])
    last = np.concatenate([breaks, [len(lines)]])
    return lines[first], lines[last - 1] + 1


def gather_lines(lines: Lines, which: I8) -> tuple[list[bytes], list[tuple[int, int]]]:
    """Bytes of the lines `which` (ascending, unique) in buffers of about a block, each with its stretch of
    `which` as (first, behind last) index."""
    if len(which) == 0:
        return [], []
    first, last = _runs(which)
    begin, end = lines.start[first], lines.start[last]
    block = (np.cumsum(end - begin) - 1) // BLOCK_BYTES
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(block)) + 1, [len(first)]])
    counted = np.concatenate([[0], np.cumsum(last - first)])[cuts].tolist()
    pieces = slices(lines.data, begin, end)
    buffers = [b"".join(pieces[low:high]) for low, high in pairwise(cuts.tolist())]
    return buffers, list(pairwise(counted))


def lines_with(lines: Lines, which: I8, letter: str) -> NDArray[np.bool_]:
    """(k,) whether a letter, large or small, stands anywhere in each of the lines `which` (ascending, unique)."""
    result = np.zeros(len(which), bool)
    size = lines.start[which + 1] - lines.start[which]
    buffers, spans = gather_lines(lines, which)
    for buffer, (low, high) in zip(buffers, spans, strict=True):
        places = np.flatnonzero((np.frombuffer(buffer, np.uint8) | 32) == ord(letter.lower()))
        result[low + np.searchsorted(np.cumsum(size[low:high]), places, side="right")] = True
    return result


def line_words(lines: Lines, wanted: NDArray[np.integer], letters: str) -> LineWords:
    """Words `letters` of the lines `wanted`, made ascending and unique here."""
    which: I8 = np.asarray(wanted, dtype=np.int64)
    if len(which) > 1 and not np.all(which[1:] > which[:-1]):
        which = np.unique(which)
    count = len(which)
    begin = {k: np.full(count, -1, np.int64) for k in letters}
    end = {k: np.full(count, -1, np.int64) for k in letters}
    value = {k: np.full(count, np.nan) for k in letters}
    words_end = np.full(count, -1, np.int64)

    def read(buffer: bytes, span: tuple[int, int]) -> None:
        low, high = span
        tokens = tokenise(buffer)
        shift = lines.start[which[low:high]] - tokens.line_start[: high - low]
        owner = tokens.line + low
        at_begin, at_end = tokens.begin + shift[tokens.line], tokens.end + shift[tokens.line]
        for key in letters:
            mine = np.flatnonzero(tokens.letter == ord(key))
            begin[key][owner[mine]] = at_begin[mine]
            end[key][owner[mine]] = at_end[mine]
            value[key][owner[mine]] = tokens.value[mine]
        last = np.flatnonzero(np.diff(owner, append=-1))
        words_end[owner[last]] = at_end[last]

    buffers, spans = gather_lines(lines, which)
    if len(buffers) > 1:
        with ThreadPoolExecutor(_THREADS) as pool:
            list(pool.map(read, buffers, spans))
    else:
        for buffer, span in zip(buffers, spans, strict=True):
            read(buffer, span)
    return LineWords(which, begin, end, value, words_end, _places_of(which))


def _places_of(lines: I8) -> NDArray[np.int32] | None:
    """See `LineWords.place`."""
    span = int(lines[-1] - lines[0]) + 1 if len(lines) else 0
    if span == 0 or span > _SPARSE * len(lines):
        return None
    place = np.empty(span, np.int32)
    place[lines - lines[0]] = np.arange(len(lines))
    return place
