"""Lines that no edit may bring in or take away: commands that are none of ours, and the file's own comments."""

from __future__ import annotations

import re
from collections import Counter
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.splice import Edits, ranges
from gcodetools.edit.windows import rows_at
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import Program

__all__ = ["foreign_problem"]

I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]

# What moves, the E counter, heat, fan and acceleration are compared by what they do; M73 tells of progress.
# Numbers may have leading zeros and a fraction of nothing (NIST RS274/NGC version 3, numbers; from memory).
_NUMBERS = rb"(?:G0*(?:[0-4]|1[01]|92)|M0*(?:73|10[4679]|204))(?:\.0*)?(?![0-9.])"
_OURS = _NUMBERS + rb"|SET_VELOCITY_LIMIT|SET_HEATER_TEMPERATURE"
_NOTE = rb"\([^)\r\n]*\)[ \t]*"  # a comment that ends before its line does
_HEAD = rb"(?:" + _NOTE + rb")*(?:N[0-9]+[ \t]*(?:" + _NOTE + rb")*)?"
_LINE = re.compile(rb"(?mi)^(?![ \t]*" + _HEAD + rb"(?:" + _OURS + rb"))[ \t]*[^ \t\r\n].*$")
_PLAIN = (
    b"G1 ",
    b"M204 ",
    b"M106 ",
    b"M104 ",
    b"G92 ",
)  # heads of nearly all lines of ours, told by a comparison
_BLANKS = 100  # that may stand before a comment
_COMMENT = re.compile(rb"[ \t]*(?:" + _NOTE + rb")*+(?:[;(]|\r?$)")


def foreign_problem(program: Program, edits: Edits, output: bytes, line: I8 | None = None) -> str:
    """What edits did to lines that are not theirs, as a sentence; empty for nothing.

    Bytes outside the edits are copies, and the edits' texts are those that were written: both are known already. So
    only lines that edits touch are looked at, and of those none in which they do no more than put other words on the
    line of a move or other numbers into a comment, and none before which they put whole lines of ours.

    Parameters
    ----------
    line : (k,) the line in which each edit begins, where it is known.
    """
    begin, end, reworded = _blocks(program, edits, edits.lines(program.lines.start) if line is None else line)
    if len(begin) == 0:
        return ""
    start = program.lines.start
    place = np.append(start[begin], start[end])
    there = edits.moved(place, len(program.lines.data))
    old = _text(program.lines.data, place.reshape(2, -1))
    new = _text(output, there.reshape(2, -1))
    before, after = _LINE.findall(old), _LINE.findall(new)
    commands = [[line for line in lines if not _COMMENT.match(line)] for lines in (before, after)]
    for own, now in zip_longest(*commands):
        if own != now:
            return f"{_told(now)} stands where the original has {_told(own)}"
    comments = [Counter(line for line in lines if _COMMENT.match(line)) for lines in (before, after)]
    gone = comments[0] - comments[1]
    if gone.total() > int(np.isin(reworded, ranges(begin, end)).sum()):
        return f"the comment {_told(next(iter(gone)))} of the original is gone"
    return ""


def _told(line: bytes | None) -> str:
    return "nothing" if line is None else repr(line.strip().decode("utf-8", "replace"))


def _blocks(program: Program, edits: Edits, line: I8) -> tuple[I8, I8, I8]:
    """First and behind-last line of each stretch of lines that edits may have changed, joined where they touch, and
    the lines whose comment has other words."""
    start, data = program.lines.start, np.frombuffer(program.lines.data, np.uint8)
    count = len(program.lines)
    first = np.minimum(line, count - 1)
    last = first.copy()
    over = np.flatnonzero(edits.end > start[first + 1])  # beyond the line they begin in
    last[over] = np.minimum(np.searchsorted(start, edits.end[over] - 1, side="right") - 1, count - 1)
    some = np.flatnonzero(~_whole_lines(program, edits, line))
    first, last = first[some], last[some]
    moves = program.moves.line
    at = np.minimum(rows_at(program, first), max(len(moves) - 1, 0))
    of_move = moves[at] == first if len(moves) else np.zeros(len(first), bool)
    opener = data[_behind_blanks(data, start[first])]
    comment = (opener == ord(";")) | (opener == ord("("))
    text_end = np.cumsum(edits.text.length)
    feeds = np.searchsorted(np.flatnonzero(edits.text.data == 10), text_end)
    plain = (first == last) & (np.diff(feeds, prepend=0)[some] == 0) & (edits.newlines[some] == 0)
    reworded = distinct(first[plain & comment & ~of_move])
    plain &= of_move | comment
    first, last = first[~plain], last[~plain] + 1
    if len(first) == 0:
        return first, last, reworded
    new = np.append(True, first[1:] > np.maximum.accumulate(last)[:-1])
    return first[new], np.maximum.reduceat(last, np.flatnonzero(new)), reworded


def _whole_lines(program: Program, edits: Edits, line: I8) -> Bool:
    """(k,) edits that put in whole lines of ours where a line begins; those of which that takes a closer look are none.

    Others may not reach up to them unless they end a line too.
    """
    text = edits.text
    text_end = np.cumsum(text.length)
    some = text.length > 0
    ends_line = some.copy()
    ends_line[some] = text.data[text_end[some] - 1] == 10
    result: Bool = ends_line & (edits.begin == edits.end) & (edits.begin == program.lines.start[line])
    result[1:] &= (edits.end[:-1] < edits.begin[1:]) | ends_line[:-1]
    if not program.lines.data.endswith(b"\n"):
        result &= line < len(program.lines)  # what goes on at the file's end stands on its last line
    feed = np.flatnonzero(text.data == 10)
    # Each line of the texts, from the place behind the line end before or from where its text begins.
    owner = np.searchsorted(text_end, feed, side="right")
    head = np.maximum(
        np.append(0, feed[:-1] + 1) if len(feed) else feed, text_end[owner] - text.length[owner]
    )
    result[owner[~_ours(text.data, head)]] = False
    return result


def _ours(data: U1, head: I8) -> Bool:
    """(k,) whether what begins at `head` is surely a command of ours."""
    padded = np.append(data, np.zeros(8, np.uint8))
    eight: NDArray[np.uint64] = np.ndarray((len(data) + 1,), "<u8", padded, strides=(1,))
    word: NDArray[np.uint64] = eight[head]
    ours = np.zeros(len(head), bool)
    for plain in _PLAIN:
        mask = np.uint64((1 << 8 * len(plain)) - 1)
        ours |= np.equal(word & mask, np.uint64(int.from_bytes(plain, "little")))
    return ours


def _behind_blanks(data: U1, at: I8) -> I8:
    """Where the first byte stands that is no blank, some blanks on at most."""
    at = at.copy()
    for _ in range(_BLANKS):
        blank = np.flatnonzero((data[at] == 32) | (data[at] == 9))
        if len(blank) == 0:
            break
        at[blank] = np.minimum(at[blank] + 1, len(data) - 1)
    return at


def _text(data: bytes, spans: I8) -> bytes:
    """The bytes of spans, each on lines of its own."""
    pieces = [data[a:b].removeprefix(b"\xef\xbb\xbf") for a, b in spans.T.tolist()]
    return b"\n".join(pieces)
