"""Lines of the one kind that nearly all of a file's lines are, read without taking them apart word by word.

A plain line is `G0` to `G3` behind which stand words of a few letters, a blank apart, with numbers of at most 15
digits; a comment may follow. Its numbers are found as what stands between two letters and read as words of eight
bytes. Whatever is written otherwise is left to `tokens`, line by line, and comes to the same where both can read it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.tokens import POW10, TAIL, digits_of
from gcodetools.records import dataclass

__all__ = ["DENSE", "PLAIN_RARE", "Plain", "find_plain"]

DENSE = "XYZEF"
PLAIN_RARE = "IJ"
_LETTERS = DENSE + PLAIN_RARE
_PAD = 16
_MOST_REST = 0.5  # of the lines: from here on it takes less to read all of them as `tokens` does

_NEWLINE, _BLANK, _RETURN, _MINUS, _SEMICOLON, _NINE = 10, 32, 13, 45, 59, 57
_KNOWN = 0  # stands for the kind of what is inside a comment, and of heads
_HEAD, _HEAD_BITS = np.uint32(0x203047), np.uint32(0xFFFCFF)  # "G0 " to "G3 "
_HEAD_MOST = np.uint32(_NINE << 24 | 0xFFFFFF)  # of what has no letter behind that
_SHORT, _LONG, _MOST_DIGITS = 7, 16, 15

_ZEROS = np.uint64(0x3030303030303030)
_ONES = np.uint64(0x0101010101010101)
_NOT_A_DIGIT = np.uint64(0x7676767676767676)
_HIGH_BITS = np.uint64(0x8080808080808080)
_DOT_VALUE = np.uint64(0x1E)  # a dot where digits stand for their values
_DECIMALS = np.uint64(
    0x0706050403020100
)  # times a one in some byte: how many bytes stand behind that, on top
_1, _3, _4, _8, _56, _63 = (np.uint64(v) for v in (1, 3, 4, 8, 56, 63))
_TEN8 = np.uint64(10**8)

I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
F8 = NDArray[np.float64]
U1 = NDArray[np.uint8]
U8 = NDArray[np.uint64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Plain:
    """What is known of a block by its plain lines; indices and offsets relative to it.

    line_start : (n + 1,) int64. comment_line, comment_start : as in `Tokens`, of the lines that are not in `rest`.
    is_plain : (n,) bool. code : (n,) uint8, the number behind the G of plain lines. rest : (r,) lines that `tokens` has
    to read; the others are plain, empty, or no more than a comment. words : for each letter of `DENSE` and
    `PLAIN_RARE` the plain lines that have it, in order, with the value. decimals : the most of each letter.
    """

    line_start: I8
    comment_line: I4
    comment_start: I8
    is_plain: Bool
    code: U1
    rest: I8
    words: dict[str, tuple[I8, F8]]
    decimals: dict[str, int]


def find_plain(block: U1) -> Plain | None:
    """Plain lines of a block; None where so few are that `tokens` should read all of it."""
    text = _padded(block)
    special = text > _NINE
    special |= text == _NEWLINE
    at = np.flatnonzero(special)
    kind = text.take(at)
    newline = np.flatnonzero(kind == _NEWLINE)
    line_start = np.empty(len(newline) + 1, np.int64)
    line_start[0] = _PAD
    np.add(at[newline], 1, out=line_start[1:])
    head: NDArray[np.uint32] = np.ndarray((len(text) - 3,), "<u4", text, strides=(1,))[line_start[:-1]]
    is_plain = (head & _HEAD_BITS == _HEAD) & (head > _HEAD_MOST)
    first_byte = head.astype(np.uint8)
    is_rest = ~(is_plain | (first_byte == _SEMICOLON) | (first_byte == _NEWLINE))
    if np.count_nonzero(is_rest) > _MOST_REST * len(is_rest):
        return None

    comment_line, comment_at = _hide_comments(at, kind, newline)
    lengths = np.diff(newline, prepend=-1)
    kind[(newline - lengths + 1)[is_plain]] = _KNOWN  # the heads of plain lines
    words, decimals = _words(text, at, kind, lengths, is_plain, is_rest)
    if np.any(told := is_rest[comment_line]):
        comment_line, comment_at = comment_line[~told], comment_at[~told]
    line_start -= _PAD
    line_start[-1] = len(block)
    code = (head >> np.uint32(8)).astype(np.uint8)
    code &= 3
    rest = np.flatnonzero(is_rest)
    return Plain(line_start, comment_line, comment_at - _PAD, is_plain, code, rest, words, decimals)


def _padded(block: U1) -> U1:
    """A block that ends with a line end, among blanks."""
    size = len(block)
    text = np.empty(size + 2 * _PAD + 1, np.uint8)
    text[:_PAD] = _BLANK
    text[_PAD : _PAD + size] = block
    text[_PAD + size :] = _BLANK
    if size == 0 or block[-1] != _NEWLINE:
        text[_PAD + size] = _NEWLINE
    return text


def _words(
    text: U1, at: I8, kind: U1, lengths: I8, is_plain: Bool, is_rest: Bool
) -> tuple[dict[str, tuple[I8, F8]], dict[str, int]]:
    """Words and decimals of plain lines, see `Plain`. A line that has others besides, or numbers of another kind, is
    moved from the plain ones to the rest."""
    known = kind <= _NEWLINE
    known |= kind == _SEMICOLON
    found = []
    for letter in _LETTERS:
        is_letter = kind == ord(letter)
        found.append(np.flatnonzero(is_letter))
        known |= is_letter
    word = np.concatenate(found)
    line_of = np.repeat(np.arange(len(lengths)), lengths)
    line = line_of.take(word)
    value, decimals, wrong = _numbers(text, at.take(word), at[1:].take(word))
    for lines in (line_of[np.flatnonzero(~known)], line[wrong]):
        is_rest[lines] |= is_plain[lines]
    is_plain &= ~is_rest

    here = is_plain.take(line)
    decimals *= here
    words, most, low = {}, {}, 0
    for letter, mine in zip(_LETTERS, found, strict=True):
        span = slice(low, low + len(mine))
        low = span.stop
        lines, values, inside = line[span], value[span], here[span]
        most[letter] = int(decimals[span].max(initial=0))
        words[letter] = (lines, values) if inside.all() else (lines[inside], values[inside])
    return words, most


def _hide_comments(at: I8, kind: U1, newline: I8) -> tuple[I4, I8]:
    """Lines with a semicolon and where their first one stands; what is behind it counts for nothing from now on."""
    semicolon = np.flatnonzero(kind == _SEMICOLON)
    line = np.searchsorted(newline, semicolon)
    first = np.flatnonzero(np.diff(line, prepend=-1))
    line, semicolon = line[first], semicolon[first]
    count = newline[line] - semicolon - 1
    inner = np.repeat(semicolon + 1 - (np.cumsum(count) - count), count)
    inner += np.arange(len(inner))
    kind[inner] = _KNOWN
    return line.astype(np.int32), at[semicolon]


def _numbers(text: U1, letter: I8, behind: I8) -> tuple[F8, U8, I8]:
    """Values of what stands between letters and what is behind each, their decimals, and which are no numbers of the
    plain kind."""
    eight: U8 = np.ndarray((len(text) - 7,), "<u8", text, strides=(1,))
    word: U8 = eight[behind - 8]
    last = word >> _56
    blank = last == _BLANK
    blank |= last == _RETURN
    negative = text[1:].take(letter) == _MINUS
    length = behind - letter
    length -= 1
    length -= blank
    length -= negative
    shift = blank.astype(np.uint64)
    shift <<= _3
    word <<= shift
    word ^= _ZEROS
    word &= TAIL.take(length, mode="clip")

    one, below, odd = _dot(word)
    whole = word & below
    word ^= whole
    word -= one * _DOT_VALUE
    odd |= word & one
    no_dot = below >> _63
    np.subtract(_1, no_dot, out=shift)
    shift <<= _3
    whole <<= shift
    word |= whole
    one *= _DECIMALS
    one >>= _56
    places = one
    odd |= _no_digits(word)
    wrong = odd != 0
    no_dot += length.view(np.uint64)
    wrong |= no_dot < 2
    value = digits_of(word).astype(np.float64)
    value /= POW10.take(places.view(np.int64), mode="clip")
    long = np.flatnonzero(length > _SHORT)
    if len(long):
        end = behind[long] - blank[long]
        value[long], places[long], wrong[long] = _long_numbers(eight, end, length[long])
    minus = np.flatnonzero(negative)
    value[minus] = -value[minus]
    return value, places, np.flatnonzero(wrong)


def _dot(word: U8) -> tuple[U8, U8, U8]:
    """A one in the byte of the dot among digit values, ones in the bits below that (all without a dot), and bits that
    tell of two."""
    one = word >> _4
    one &= _ONES
    below = one - _1
    return one, below, one & below


def _no_digits(word: U8) -> U8:
    """Bits that tell of bytes above 9."""
    test = word + _NOT_A_DIGIT
    test |= word
    test &= _HIGH_BITS
    return test


def _long_numbers(eight: U8, end: I8, length: I8) -> tuple[F8, U8, Bool]:
    """Value, decimals, and whether they are no such numbers, of those with 8 to 16 characters before `end`; the dot
    must be among the last eight."""
    low, high = eight[end - 8] ^ _ZEROS, eight[end - 16] ^ _ZEROS
    high &= TAIL.take(length - 8, mode="clip")
    one, below, odd = _dot(low)
    whole = low & below
    low ^= whole
    low -= one * _DOT_VALUE
    odd |= low & one
    shift = (one != 0).astype(np.uint64)
    digits = length - shift.view(np.int64)
    # The last digit of the higher word takes the place that the dot leaves.
    carried = np.where(one != 0, high >> _56, np.uint64(0))
    shift <<= _3
    high <<= shift
    whole <<= shift
    low |= whole
    low |= carried
    odd |= _no_digits(low) | _no_digits(high)
    wrong = (odd != 0) | (length > _LONG) | (digits > _MOST_DIGITS)
    places = one * _DECIMALS >> _56
    value = (digits_of(high) * _TEN8 + digits_of(low)).astype(np.float64)
    return value / POW10.take(places.view(np.int64), mode="clip"), places, wrong
