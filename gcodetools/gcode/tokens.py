"""Bytes to words: every letter of a command with the number behind it, without a loop over lines.

Letters, dots and line ends are found by one table look-up a byte. A number's digits before and behind its
dot are read as one 64-bit word each and turned into an integer by three multiply-shift steps; mantissa over
a power of ten is then exactly `float(text)` as long as the mantissa has at most 15 digits (both are exact
doubles and IEEE division rounds correctly). Everything else goes through `float` itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError

__all__ = ["BLOCK_BYTES", "Tokens", "blocks", "tokenise"]

BLOCK_BYTES = 1 << 21  # 2 MiB: the dozen arrays of a block stay near the cache; larger is slower here
_PAD = 16

_DOT, _NEWLINE, _SEMICOLON, _OPEN, _CLOSE, _ODD, _STAR = 1, 2, 3, 4, 5, 6, 7
_LETTER = 65


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
_POW10 = 10.0 ** np.arange(23)
# The last `n` of eight bytes, little-endian: digits that end where the word ends.
_TAIL = np.array([0] + [((1 << (8 * n)) - 1) << (64 - 8 * n) for n in range(1, 9)], dtype=np.uint64)
_ASCII_ZEROS = np.uint64(0x3030303030303030)
_NOT_A_DIGIT = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_MIN_WORD, _MAX_DIGITS = 8, 15


@dataclass(frozen=True, slots=True)
class Tokens:
    """Words of one block. Line indices and byte offsets are relative to the block.

    line_start : (n + 1,) int64. letter : (k,) uint8 upper-case ASCII. line : (k,) int32. value : (k,)
    float64, NaN for a bare letter. begin, end : (k,) int64, bytes of the number's text. decimals : (k,)
    uint8. comment_line, comment_start : lines with a comment and where it begins. odd : lines that hold
    characters no plain command has. star_line, star : lines with a checksum and the byte of its asterisk.
    """

    line_start: NDArray[np.int64]
    letter: NDArray[np.uint8]
    line: NDArray[np.int32]
    value: NDArray[np.float64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    decimals: NDArray[np.uint8]
    comment_line: NDArray[np.int32]
    comment_start: NDArray[np.int64]
    odd: NDArray[np.int32]
    star_line: NDArray[np.int32]
    star: NDArray[np.int64]


def blocks(data: bytes, name: str) -> Iterator[tuple[int, int, bool]]:
    """Cut `data` into (begin, end, is_long_comment) at line ends.

    Raises
    ------
    InputError : a command line longer than a block.
    """
    begin, size = 0, len(data)
    while begin < size:
        end = size if size - begin <= BLOCK_BYTES else data.rfind(b"\n", begin, begin + BLOCK_BYTES) + 1
        if end > begin:
            yield begin, end, False
            begin = end
            continue
        end = data.find(b"\n", begin) + 1 or size
        if not data[begin : begin + 64].lstrip().startswith(b";"):
            number = data.count(b"\n", 0, begin) + 1
            raise InputError(
                f"{name}:{number}: a line of {(end - begin) / 1e6:.0f} MB that is no comment; "
                "a command has at most some hundred characters",
                "The file is damaged or no G-code. Slice again, or look at that line in an editor.",
            )
        yield begin, end, True
        begin = end


def tokenise(block: bytes) -> Tokens:
    """Words of `block`, which ends at a line end or at the end of the file."""
    padded = b" " * _PAD + block + (b"" if block.endswith(b"\n") else b"\n") + b" " * _PAD
    text = np.frombuffer(padded, np.uint8)
    classes = np.frombuffer(padded.translate(_CLASSES), np.uint8)
    at = np.flatnonzero(classes)
    kind = classes[at]
    newline = np.flatnonzero(kind == _NEWLINE)
    line_start = np.empty(len(newline) + 1, np.int64)
    line_start[0] = 0
    np.add(at[newline], 1 - _PAD, out=line_start[1:])
    line_start[-1] = len(block)
    at, kind, newline, comment_line, comment_start = _without_comments(at, kind, newline)
    line = _line_of(newline, len(at))

    odd = np.unique(line[(kind == _ODD) | (kind == _CLOSE)])
    star = np.flatnonzero(kind == _STAR)
    star_line, first = np.unique(line[star], return_index=True)
    words = np.flatnonzero(kind >= _LETTER)
    value, begin, end, decimals, bad = _numbers(padded, text, at, kind, words)
    if len(bad):
        odd = np.union1d(odd, line[words[bad]])
    return Tokens(
        line_start=line_start,
        letter=kind[words],
        line=line[words],
        value=value,
        begin=begin - _PAD,
        end=end - _PAD,
        decimals=decimals,
        comment_line=comment_line,
        comment_start=comment_start - _PAD,
        odd=odd.astype(np.int32),
        star_line=star_line.astype(np.int32),
        star=at[star[first]] - _PAD,
    )


def _line_of(newline: NDArray[np.int64], count: int) -> NDArray[np.int32]:
    """Line index of each special byte; a line end belongs to the line it ends."""
    lengths = np.diff(newline, prepend=-1)
    line = np.repeat(np.arange(len(newline), dtype=np.int32), lengths)
    return line[:count]


def _without_comments(
    at: NDArray[np.int64], kind: NDArray[np.uint8], newline: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64], NDArray[np.int32], NDArray[np.int64]]:
    """Drop what stands inside comments, but keep the byte that opens one: it ends the word before it."""
    opener = np.flatnonzero((kind == _SEMICOLON) | (kind == _OPEN))
    if len(opener) == 0:
        return at, kind, newline, np.empty(0, np.int32), np.empty(0, np.int64)
    line = np.searchsorted(newline, opener).astype(np.int32)
    first = np.flatnonzero(np.diff(line, prepend=-1))
    comment_line, comment_first = line[first], opener[first]
    inside = np.zeros(len(kind) + 1, np.int8)
    if np.any(kind[comment_first] == _OPEN):
        begins, ends = _spans_with_parentheses(kind, newline, opener, line)
        np.add.at(inside, begins + 1, 1)
        np.add.at(inside, ends, -1)
    else:
        inside[comment_first + 1] += 1
        inside[newline[comment_line]] -= 1
    keep = np.cumsum(inside[:-1], dtype=np.int8) == 0
    kept = np.flatnonzero(keep)
    kept_kind = kind[kept]
    return at[kept], kept_kind, np.flatnonzero(kept_kind == _NEWLINE), comment_line, at[comment_first]


def _spans_with_parentheses(
    kind: NDArray[np.uint8], newline: NDArray[np.int64], opener: NDArray[np.int64], line: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Comment spans (first special, first special behind) where parentheses nest; an unclosed one runs to its
    line's end, and a semicolon that stands before any open parenthesis does too."""
    semicolon = np.full(len(newline), len(kind), np.int64)
    is_semicolon = kind[opener] == _SEMICOLON
    lines, first = np.unique(line[is_semicolon], return_index=True)
    semicolon[lines] = opener[is_semicolon][first]

    brackets = np.flatnonzero((kind == _OPEN) | (kind == _CLOSE))
    owner = np.searchsorted(newline, brackets)
    live = brackets < semicolon[owner]
    brackets, owner = brackets[live], owner[live]
    step = np.where(kind[brackets] == _OPEN, 1, -1)
    total = np.cumsum(step)
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    base = np.repeat((total - step)[starts], np.diff(np.append(starts, len(owner))))
    depth = total - base
    opens = np.flatnonzero((depth == 1) & (step == 1))
    closes = np.flatnonzero((depth == 0) & (step == -1))
    stop = newline[owner[opens]]
    if len(closes):
        nearest = np.searchsorted(closes, opens)
        has = nearest < len(closes)
        match = closes[np.minimum(nearest, len(closes) - 1)]
        has &= owner[match] == owner[opens]
        stop = np.where(has, brackets[match] + 1, stop)
    alone = np.flatnonzero(semicolon < len(kind))
    begins = np.concatenate([brackets[opens], semicolon[alone]])
    ends = np.concatenate([stop, newline[alone]])
    return begins, ends


def _numbers(
    padded: bytes,
    text: NDArray[np.uint8],
    at: NDArray[np.int64],
    kind: NDArray[np.uint8],
    words: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64]]:
    """Value, text span and decimals behind each letter, and which letters have no valid number."""
    behind = words + 1
    has_dot = kind[behind] == _DOT
    stop = at[behind + has_dot]
    end = stop - (text[stop - 1] <= 32)
    more = np.flatnonzero(text[end - 1] <= 32)
    while len(more):
        end[more] -= 1
        more = more[text[end[more] - 1] <= 32]
    begin = at[words] + 1
    more = np.flatnonzero((text[begin] <= 32) & (begin < end))
    while len(more):
        begin[more] += 1
        more = more[(text[begin[more]] <= 32) & (begin[more] < end[more])]
    end = np.maximum(end, begin)

    sign = text[begin]
    negative = (sign == 45) & (begin < end)
    first = begin + (negative | ((sign == 43) & (begin < end)))
    dot = np.where(has_dot, at[behind], end)
    whole = dot - first
    decimals = np.where(has_dot, end - dot - 1, 0)
    bare = begin == end
    slow = (whole > _MIN_WORD) | (decimals > _MIN_WORD) | (whole + decimals > _MAX_DIGITS)
    slow |= ((whole + decimals) < 1) | (whole < 0) | (decimals < 0) | (kind[behind + has_dot] == _DOT)

    eight = np.ndarray((len(padded) - 7,), "<u8", padded, strides=(1,))
    integer, bad_a = _digits(eight[dot - 8], np.clip(whole, 0, 8))
    fraction, bad_b = _digits(eight[end - 8], np.clip(decimals, 0, 8))
    scale = _POW10[np.clip(decimals, 0, 8)]
    value = (integer * scale + fraction) / scale
    np.negative(value, out=value, where=negative)
    value[bare] = np.nan
    doubtful = np.flatnonzero((slow | bad_a | bad_b) & ~bare)
    bad = _slow_numbers(padded, begin, end, value, doubtful)
    return value, begin, end, np.clip(decimals, 0, 255).astype(np.uint8), bad


def _digits(
    word: NDArray[np.uint64], count: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Integer of the last `count` characters of each word, and where they are no digits."""
    value = (word ^ _ASCII_ZEROS) & _TAIL[count]
    bad = (((value + _NOT_A_DIGIT) | value) & _HIGH_BITS) != 0
    value = (value * np.uint64(10) + (value >> np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    value = (value * np.uint64(100) + (value >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    value = (value * np.uint64(10000) + (value >> np.uint64(32))) & np.uint64(0xFFFFFFFF)
    return value.astype(np.float64), bad


def _slow_numbers(
    padded: bytes,
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    value: NDArray[np.float64],
    doubtful: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Read the few long numbers with `float`; return those that are none. Writes into `value`."""
    bad = []
    for index in doubtful.tolist():
        word = padded[begin[index] : end[index]]
        if word.strip(b"+-.0123456789") or not word.strip(b"+-."):
            value[index] = np.nan
            bad.append(index)
            continue
        try:
            value[index] = float(word)
        except ValueError:
            value[index] = np.nan
            bad.append(index)
    return np.array(bad, np.int64)
