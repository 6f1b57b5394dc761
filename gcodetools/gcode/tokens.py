"""Bytes to words: every letter of a command with the number behind it, without a loop over lines.

Letters, dots and line ends are found by one table look-up a byte. A number of up to seven digits is read
as one 64-bit word, its dot squeezed out, and turned into an integer by three multiply-shift steps; a longer
one as two. Mantissa over a power of ten is then exactly `float(text)` as long as the mantissa has at most 15
digits (both are exact doubles and IEEE division rounds correctly). Everything else goes through `float`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.records import dataclass

__all__ = ["BLOCK_BYTES", "POW10", "TAIL", "Tokens", "blocks", "digits_of", "tokenise"]

BLOCK_BYTES = (
    1 << 19
)  # 512 KiB: small enough for the cache, large enough that calls cost little beside the work
_PAD = 16
_COMMENT_WITHIN = 4096  # bytes of a long line among which its comment must begin

_DOT, _NEWLINE, _SEMICOLON, _OPEN, _CLOSE, _ODD, _STAR = 1, 2, 3, 4, 5, 6, 7
_LETTER = 65
_BLANK = 32

I8 = NDArray[np.int64]
F8 = NDArray[np.float64]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]


def _class_table() -> bytes:
    table = bytearray([_ODD]) * 256
    for byte in b" \t\r0123456789+-":
        table[byte] = 0
    for byte in range(65, 91):
        table[byte] = table[byte + 32] = byte
    for byte, kind in zip(b".\n;()*", (_DOT, _NEWLINE, _SEMICOLON, _OPEN, _CLOSE, _STAR), strict=True):
        table[byte] = kind
    return bytes(table)


_CLASSES = _class_table()
POW10 = 10.0 ** np.arange(23)
# The last `n` of eight bytes, little-endian: digits that end where the word ends.
TAIL = np.array([0] + [((1 << (8 * n)) - 1) << (64 - 8 * n) for n in range(1, 9)], dtype=np.uint64)
_ASCII_ZEROS = np.uint64(0x3030303030303030)
_NOT_A_DIGIT = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_WORD, _MAX_DIGITS = 8, 15
_BYTE = np.uint64(8)
_FEW = 16  # blanks in a row that are skipped one by one
_STEPS = [
    tuple(np.uint64(v) for v in step)
    for step in ((10, 8, 0x00FF00FF00FF00FF), (100, 16, 0x0000FFFF0000FFFF), (10000, 32, 0xFFFFFFFF))
]
_NUMBER = re.compile(rb"[0-9]+\.?[0-9]*|\.[0-9]+")


@dataclass(frozen=True, slots=True)
class Tokens:
    """Words of one block. Line indices and byte offsets are relative to the block.

    line_start : (n + 1,) int64. letter : (k,) uint8 upper-case ASCII. line : (k,) int32. value : (k,)
    float64, NaN for a bare letter. begin, end : (k,) int64, bytes of the number's text. decimals : (k,)
    uint8. command : (c,) int64, index of the word that is its line's command, the first or the one behind a
    line number; lines that begin with something else, or whose command is part of a longer name, have none.
    comment_line, comment_start : lines with a comment and where it begins. odd : lines that hold characters
    no plain command has. star_line, star, star_value : lines with a checksum, the byte of its asterisk, and
    what it states (NaN if that is no number).
    """

    line_start: I8
    letter: U1
    line: NDArray[np.int32]
    value: F8
    begin: I8
    end: I8
    decimals: U1
    command: I8
    comment_line: NDArray[np.int32]
    comment_start: I8
    odd: NDArray[np.int32]
    star_line: NDArray[np.int32]
    star: I8
    star_value: F8


def blocks(data: bytes, name: str) -> Iterator[tuple[int, int, int]]:
    """Cut `data` into (begin, text end, end) at line ends.

    The text end is `end`, but for a line longer than a block: there it stands behind the character that opens
    the line's comment, the rest of which nobody reads.

    Raises
    ------
    InputError : a command longer than a block.
    """
    begin, size = 0, len(data)
    while begin < size:
        end = size if size - begin <= BLOCK_BYTES else data.rfind(b"\n", begin, begin + BLOCK_BYTES) + 1
        if end > begin:
            yield begin, end, end
            begin = end
            continue
        end = data.find(b"\n", begin, size) + 1 or size
        comment = data.find(b";", begin, min(begin + _COMMENT_WITHIN, end))
        if comment < 0:
            number = data.count(b"\n", 0, begin) + 1
            raise InputError(
                f"{name}:{number}: a line of {(end - begin) / 1e6:.3g} MB that is no comment; "
                "a command has at most some hundred characters",
                "The file is damaged or no G-code. Slice again, or look at that line in an editor.",
            )
        yield begin, comment + 1, end
        begin = end


def tokenise(block: bytes) -> Tokens:
    """Words of `block`, which ends at a line end or at the end of the file."""
    padded = b"".join((b" " * _PAD, block, b"" if block.endswith(b"\n") else b"\n", b" " * _PAD))
    text = np.frombuffer(padded, np.uint8)
    classes = np.frombuffer(padded.translate(_CLASSES), np.uint8)
    at = np.flatnonzero(classes != 0)
    kind = classes[at]
    newline = np.flatnonzero(kind == _NEWLINE)
    line_start = np.empty(len(newline) + 1, np.int64)
    line_start[0] = 0
    np.add(at[newline], 1 - _PAD, out=line_start[1:])
    line_start[-1] = len(block)
    at, kind, newline, comment_line, comment_start = _without_comments(at, kind, newline)
    line = _line_of(newline)

    words = np.flatnonzero(kind >= _LETTER)
    word_line = line[words]
    value, begin, end, decimals, bad = _numbers(padded, text, at, kind, words)
    strange = np.flatnonzero((kind == _ODD) | (kind == _CLOSE))
    odd = np.concatenate([line[strange], word_line[bad]])
    if len(odd):
        odd = np.unique(odd)
    star_line, star, star_value = _stars(padded, text, at, kind, line)
    return Tokens(
        line_start=line_start,
        letter=kind[words],
        line=word_line,
        value=value,
        begin=begin - _PAD,
        end=end - _PAD,
        decimals=decimals,
        command=_commands(text, at, kind, words, value, word_line, line_start + _PAD, end),
        comment_line=comment_line,
        comment_start=comment_start - _PAD,
        odd=odd,
        star_line=star_line,
        star=star - _PAD,
        star_value=star_value,
    )


def _line_of(newline: I8) -> NDArray[np.int32]:
    """Line index of each special byte; a line end belongs to the line it ends."""
    return np.repeat(np.arange(len(newline), dtype=np.int32), _lengths(newline))


def _lengths(newline: I8) -> I8:
    """How many special bytes each line has, its end included."""
    lengths = newline + 1
    lengths[1:] -= lengths[:-1].copy()
    return lengths


def _firsts(ascending: NDArray[np.int32]) -> I8:
    """Where each run of equal values begins."""
    begins = np.ones(len(ascending), bool)
    np.not_equal(ascending[1:], ascending[:-1], out=begins[1:])
    return np.flatnonzero(begins)


def _without_comments(at: I8, kind: U1, newline: I8) -> tuple[I8, U1, I8, NDArray[np.int32], I8]:
    """Drop what stands inside comments, but keep the byte that opens one: it ends the word before it."""
    opener = np.flatnonzero((kind == _SEMICOLON) | (kind == _OPEN))
    if len(opener) == 0:
        return at, kind, newline, np.empty(0, np.int32), np.empty(0, np.int64)
    line = np.searchsorted(newline, opener).astype(np.int32)
    first = _firsts(line)
    comment_line, comment_first = line[first], opener[first]
    if np.any(kind[comment_first] == _OPEN):
        inside = np.zeros(len(kind) + 1, np.int8)
        begins, ends = _spans_with_parentheses(kind, newline, opener, line)
        inside[begins + 1] += 1
        np.subtract.at(inside, ends, 1)
        keep = np.cumsum(inside[:-1], dtype=np.int8) == 0
        ends_at = np.flatnonzero(kind[keep] == _NEWLINE)
    else:
        # Semicolons alone: of each line what stands up to the first, and the line end.
        keep = np.ones(len(kind), bool)
        count = newline[comment_line] - comment_first - 1
        dropped = np.cumsum(count)
        inner = np.repeat(comment_first + 1 - (dropped - count), count)
        keep[inner + np.arange(len(inner))] = False
        gone = np.zeros(len(newline), np.int64)
        gone[comment_line] = count
        ends_at = newline - np.cumsum(gone)
    kept = np.flatnonzero(keep)
    return at[kept], kind[kept], ends_at, comment_line, at[comment_first]


def _spans_with_parentheses(kind: U1, newline: I8, opener: I8, line: NDArray[np.int32]) -> tuple[I8, I8]:
    """Comment spans (the special that opens, the first one behind) where parentheses nest.

    A semicolon inside parentheses is text; outside it opens a comment to the line's end, in which parentheses
    are text. Parentheses that are never closed run to the line's end too.
    """
    bracket = np.flatnonzero((kind == _OPEN) | (kind == _CLOSE))
    owner = np.searchsorted(newline, bracket)
    step = np.where(kind[bracket] == _OPEN, 1, -1)
    depth = _depth(step, owner)
    is_semicolon = kind[opener] == _SEMICOLON
    semicolon, semicolon_line = opener[is_semicolon], line[is_semicolon]
    before = np.searchsorted(bracket, semicolon) - 1
    outside = (before < 0) | (owner[before] != semicolon_line) | (depth[before] == 0)
    lines, first = np.unique(semicolon_line[outside], return_index=True)
    tail = np.full(len(newline), len(kind), np.int64)
    tail[lines] = semicolon[outside][first]

    live = bracket < tail[owner]
    bracket, owner, step, depth = bracket[live], owner[live], step[live], depth[live]
    opens = np.flatnonzero((depth == 1) & (step == 1))
    closes = np.flatnonzero((depth == 0) & (step == -1))
    stop = newline[owner[opens]]
    if len(closes):
        match = closes[np.minimum(np.searchsorted(closes, opens), len(closes) - 1)]
        has = (match > opens) & (owner[match] == owner[opens])
        stop = np.where(has, bracket[match] + 1, stop)
    return np.concatenate([bracket[opens], tail[lines]]), np.concatenate([stop, newline[lines]])


def _depth(step: I8, owner: I8) -> I8:
    """How deep parentheses are open behind each bracket; a closing one too many counts for nothing."""
    total = np.cumsum(step)
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    base = np.repeat((total - step)[starts], np.diff(np.append(starts, len(owner))))
    # The lowest point so far on each line, at most 0: each line's run starts below all of the one before.
    floor = owner * (2 * len(step) + 2)
    lowest = np.minimum.accumulate(np.minimum(total - base, 0) - floor) + floor
    depth: I8 = total - base - lowest
    return depth


def _commands(
    text: U1, at: I8, kind: U1, words: I8, value: F8, line: NDArray[np.int32], line_start: I8, end: I8
) -> I8:
    """Index of each line's command among the words (see Tokens)."""
    if len(words) == 0:
        return np.empty(0, np.int64)
    first = _firsts(line)
    leading = line_start[line[first]]
    indented = np.flatnonzero(at[words[first]] != leading)
    if len(indented):
        head = _skip_blanks(text, leading[indented], at[words[first[indented]]])
        plain = (head == at[words[first[indented]]]) | (text[head] == 40)
        first = np.delete(first, indented[~plain])
    numbered = (kind[words[first]] == ord("N")) & ~np.isnan(value[first])
    if np.any(numbered):
        follow = np.minimum(first + 1, len(words) - 1)
        first = np.where(numbered & (line[follow] == line[first]), follow, first)
    behind = words[first] + 1
    glued = np.flatnonzero((kind[behind] == _ODD) | (kind[behind] == _DOT))
    if len(glued):
        after = behind[glued] + (kind[behind[glued]] == _DOT)
        is_name = (kind[after] == _ODD) & (at[after] == end[first[glued]]) & (text[at[after]] != ord('"'))
        first = np.delete(first, glued[is_name])
    return first


def _stars(
    padded: bytes, text: U1, at: I8, kind: U1, line: NDArray[np.int32]
) -> tuple[NDArray[np.int32], I8, F8]:
    star = np.flatnonzero(kind == _STAR)
    if len(star) == 0:
        return np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0)
    star_line, first = np.unique(line[star], return_index=True)
    value = _numbers(padded, text, at, kind, star[first])[0]
    return star_line, at[star[first]], value


def _skip_blanks(text: U1, begin: I8, stop: I8) -> I8:
    """First byte from `begin` on that is no blank, at most `stop`."""
    begin = begin.copy()
    more = np.flatnonzero((text[begin] <= _BLANK) & (begin < stop))
    for _ in range(_FEW):
        if len(more) == 0:
            return begin
        begin[more] += 1
        more = more[(text[begin[more]] <= _BLANK) & (begin[more] < stop[more])]
    if len(more):
        solid = np.flatnonzero(text > _BLANK)
        solid = np.append(solid, len(text))
        begin[more] = np.minimum(solid[np.searchsorted(solid, begin[more])], stop[more])
    return begin


def _drop_blanks(text: U1, end: I8) -> I8:
    """Byte behind the last one before `end` that is no blank; there must be one."""
    blank = text[end - 1] <= _BLANK
    end = end - blank
    more = np.flatnonzero(blank)
    more = more[text[end[more] - 1] <= _BLANK]
    for _ in range(_FEW):
        if len(more) == 0:
            return end
        end[more] -= 1
        more = more[text[end[more] - 1] <= _BLANK]
    if len(more):
        solid = np.flatnonzero(text > _BLANK)
        end[more] = solid[np.searchsorted(solid, end[more]) - 1] + 1
    return end


def _numbers(padded: bytes, text: U1, at: I8, kind: U1, words: I8) -> tuple[F8, I8, I8, U1, I8]:
    """Value, text span and decimals behind each letter, and which letters have no valid number."""
    behind = words + 1
    has_dot = kind[behind] == _DOT
    decimals = at[behind]
    behind += has_dot
    end = _drop_blanks(text, at[behind])
    begin = at[words]
    begin += 1
    head = text[begin]
    blank = np.flatnonzero(head <= _BLANK)
    if len(blank):
        np.maximum(end, begin, out=end)
        begin[blank] = _skip_blanks(text, begin[blank], end[blank])
        head[blank] = text[begin[blank]]
    bare = begin == end
    signed = ((head == 45) | (head == 43)) & ~bare
    np.subtract(end, decimals, out=decimals)
    decimals -= 1
    decimals *= has_dot
    digits = end - begin
    digits -= signed
    digits -= has_dot

    eight: NDArray[np.uint64] = np.ndarray((len(padded) - 7,), "<u8", padded, strides=(1,))
    places = np.minimum(decimals, _WORD)
    begins = end - (_WORD - 1)
    begins -= has_dot
    word = _without_dot(eight[begins], places)
    word &= TAIL[np.minimum(digits, _WORD)]
    value, wrong = _integers(word)
    value /= POW10[places]
    wrong |= (digits < 1) | (digits >= _WORD) | (kind[behind] == _DOT)
    doubtful = np.flatnonzero(wrong & ~bare)
    bad = doubtful
    if len(doubtful):
        second_dot = kind[behind[doubtful]] == _DOT
        rest = _two_words(eight, end, digits, decimals, has_dot, value, doubtful[~second_dot])
        rest = np.concatenate([rest, doubtful[second_dot]])
        bad = _slow_numbers(padded, begin + signed, end, value, rest)
    np.negative(value, out=value, where=signed & (head == 45))
    value[bare] = np.nan
    return value, begin, end, np.minimum(decimals, 255).astype(np.uint8), bad


def _without_dot(word: NDArray[np.uint64], places: I8) -> NDArray[np.uint64]:
    """Digit values of words that end in `places` digits behind a dot: those before it move up by a byte. A word of
    a number without a dot ends with the byte behind it, which moves out."""
    word ^= _ASCII_ZEROS
    tail = TAIL[places]
    fraction = word & tail
    word <<= _BYTE
    np.invert(tail, out=tail)
    word &= tail
    word |= fraction
    return word


def _integers(word: NDArray[np.uint64]) -> tuple[F8, Bool]:
    """Integer of eight digit values each, and where they are no digits. Overwrites `word`."""
    test = word + _NOT_A_DIGIT
    test |= word
    test &= _HIGH_BITS
    wrong = test != 0
    return digits_of(word, test).astype(np.float64), wrong


def digits_of(word: NDArray[np.uint64], room: NDArray[np.uint64] | None = None) -> NDArray[np.uint64]:
    """Integer of eight digit values each, the first in the lowest byte. Overwrites `word`, and `room` of its size."""
    room = np.empty_like(word) if room is None else room
    for factor, shift, mask in _STEPS:
        np.right_shift(word, shift, out=room)
        word *= factor
        word += room
        word &= mask
    return word


def _two_words(
    eight: NDArray[np.uint64], end: I8, digits: I8, decimals: I8, has_dot: Bool, value: F8, which: I8
) -> I8:
    """Read the numbers `which` in two words each, before and behind the dot, into `value`; return those that
    need `float`."""
    places = decimals[which]
    whole = digits[which] - places
    both = whole + places
    fits = (whole <= _WORD) & (places <= _WORD) & (both <= _MAX_DIGITS) & (both > 0)
    mine, places, whole = which[fits], places[fits], whole[fits]
    stop = end[mine]
    fraction, bad_fraction = _integers((eight[stop - 8] ^ _ASCII_ZEROS) & TAIL[places])
    stop = stop - places - has_dot[mine]
    integer, bad_integer = _integers((eight[stop - 8] ^ _ASCII_ZEROS) & TAIL[whole])
    scale = POW10[places]
    value[mine] = (integer * scale + fraction) / scale
    return np.concatenate([which[~fits], mine[bad_fraction | bad_integer]])


def _slow_numbers(padded: bytes, begin: I8, end: I8, value: F8, doubtful: I8) -> I8:
    """Read the few remaining numbers with `float`, as much of each as is one, without its sign.

    Returns those that have something else behind them. Writes into `value`.
    """
    bad = []
    for index in doubtful.tolist():
        word = padded[begin[index] : end[index] + 1]
        number = _NUMBER.match(word)
        value[index] = float(number[0]) if number else np.nan
        if number is None or number.end() < len(word) - 1 or word.endswith(b"."):
            bad.append(index)
    return np.array(bad, np.int64)
