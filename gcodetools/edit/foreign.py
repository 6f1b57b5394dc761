"""Lines that no edit may bring in or take away: commands that are none of ours, and the file's own comments."""

from __future__ import annotations

import re
from collections import Counter
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.splice import Edits
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import Program

__all__ = ["foreign_problem"]

I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

# What moves, the E counter, heat, fan and acceleration are compared by what they do; M73 tells of progress.
_OURS = rb"(?:G0*[0-4]|G1[01]|G92|M73|M10[4679]|M204)(?![0-9.])|SET_VELOCITY_LIMIT|SET_HEATER_TEMPERATURE"
_LINE = re.compile(rb"(?mi)^(?![ \t]*(?:N[0-9]+[ \t]*)?(?:" + _OURS + rb"))[ \t]*[^ \t\r\n].*$")
_BLANKS = 100  # that may stand before a comment
_COMMENT = re.compile(rb"[ \t]*[;(]")


def foreign_problem(program: Program, edits: Edits, output: bytes) -> str:
    """What edits did to lines that are not theirs, as a sentence; empty for nothing.

    Bytes outside the edits are copies already: only lines that edits touch are looked at, and of those none in
    which they do no more than put other words on the line of a move or other numbers into a comment.
    """
    begin, end, reworded = _blocks(program, edits)
    if len(begin) == 0:
        return ""
    start = program.lines.start
    place = np.append(start[begin], start[end])
    there = _moved_to(edits, place, len(program.lines.data))
    old = _text(program.lines.data, place.reshape(2, -1))
    new = _text(output, there.reshape(2, -1))
    before, after = _LINE.findall(old), _LINE.findall(new)
    commands = [[line for line in lines if not _COMMENT.match(line)] for lines in (before, after)]
    for own, now in zip_longest(*commands):
        if own != now:
            return f"{_told(now)} stands where the original has {_told(own)}"
    comments = [Counter(line for line in lines if _COMMENT.match(line)) for lines in (before, after)]
    gone = comments[0] - comments[1]
    if gone.total() > int(np.isin(reworded, _ranges(begin, end)).sum()):
        return f"the comment {_told(next(iter(gone)))} of the original is gone"
    return ""


def _told(line: bytes | None) -> str:
    return "nothing" if line is None else repr(line.strip().decode("utf-8", "replace"))


def _blocks(program: Program, edits: Edits) -> tuple[I8, I8, I8]:
    """First and behind-last line of each stretch of lines that edits may have changed, joined where they touch, and
    the lines whose comment has other words."""
    start, data = program.lines.start, np.frombuffer(program.lines.data, np.uint8)
    count = len(program.lines)
    first = np.searchsorted(start, edits.begin, side="right") - 1
    last = np.searchsorted(start, np.maximum(edits.end - 1, edits.begin), side="right") - 1
    first, last = np.minimum(first, count - 1), np.minimum(last, count - 1)
    line = program.moves.line
    at = np.minimum(np.searchsorted(line, first), max(len(line) - 1, 0))
    of_move = line[at] == first if len(line) else np.zeros(len(first), bool)
    comment = np.isin(data[_behind_blanks(data, start[first])], np.frombuffer(b";(", np.uint8))
    ends = np.concatenate([[0], np.cumsum(edits.text.length)])
    line_ends = np.searchsorted(np.flatnonzero(edits.text.data == 10), ends)
    plain = (first == last) & (np.diff(line_ends) == 0) & (edits.newlines == 0)
    reworded = distinct(first[plain & comment].astype(np.int64))
    plain &= of_move | comment
    first, last = first[~plain].astype(np.int64), last[~plain].astype(np.int64) + 1
    if len(first) == 0:
        return first, last, reworded
    new = np.append(True, first[1:] > np.maximum.accumulate(last)[:-1])
    return first[new], np.maximum.reduceat(last, np.flatnonzero(new)), reworded


def _behind_blanks(data: NDArray[np.uint8], at: I8) -> I8:
    """Where the first byte stands that is no blank, some blanks on at most."""
    at = at.copy()
    for _ in range(_BLANKS):
        blank = np.flatnonzero((data[at] == 32) | (data[at] == 9))
        if len(blank) == 0:
            break
        at[blank] = np.minimum(at[blank] + 1, len(data) - 1)
    return at


def _ranges(first: I8, last: I8) -> I8:
    size = last - first
    result: I8 = np.repeat(first - (np.cumsum(size) - size), size) + np.arange(int(size.sum()))
    return result


def _moved_to(edits: Edits, place: I8, size: int) -> I8:
    """Where stretches of the original, which ends in `size` bytes, stand in the output: with all that is inserted
    where they begin, and at the file's end."""
    growth = np.concatenate([[0], np.cumsum(edits.text.length - (edits.end - edits.begin))])
    before = np.searchsorted(edits.begin, place, side="left")
    result: I8 = place + growth[np.where(place == size, len(edits), before)]
    return result


def _text(data: bytes, spans: I8) -> bytes:
    """The bytes of spans, each on lines of its own."""
    pieces = [data[a:b].removeprefix(b"\xef\xbb\xbf") for a, b in spans.T.tolist()]
    return b"\n".join(pieces)
