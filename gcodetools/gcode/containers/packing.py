"""Packed text of the binary container: two characters a byte, low nibble first.

Fourteen characters have a nibble: digits, point, `G`, `X`, line feed, and `E` (with the no-spaces flag) or a blank.
Nibble 15 says that the character follows as a byte of its own; with both nibbles 15, two follow. `FF FF c` is a
command: packing on (FB), off (FA), no-spaces on (F7), off (F6), reset (F9); others are passed over. With packing
off, bytes are plain characters. Arrays throughout: nothing here loops over bytes or lines but where a line can't
be packed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["BROKEN_OFF", "Packed", "Unpackable", "pack", "pack_lines", "unpack"]

U1 = NDArray[np.uint8]
I8 = NDArray[np.int64]
B1 = NDArray[np.bool_]

_LF, _BLANK, _SEMICOLON, _G, _FULL, _FEED = 10, 32, 59, 71, 15, 12
_SIGNAL = 0xFF
_ON, _OFF, _NO_SPACES, _SPACES, _RESET = 0xFB, 0xFA, 0xF7, 0xF6, 0xF9
_CHARACTERS = np.frombuffer(b"0123456789.E\nGX\0", np.uint8)
_WITH_SPACES = np.frombuffer(b"0123456789. \nGX\0", np.uint8)
_CODE = np.full(256, _FULL, np.uint8)
_CODE[_CHARACTERS[:15]] = np.arange(15)
# Characters that follow a packed byte; a line feed in the low nibble is padded, whatever the high nibble holds.
_FOLLOWING = np.array([(k & 15 == 15) + (k >> 4 == 15 and k & 15 != 12) for k in range(256)], np.int64)
_SPACED = np.zeros(256, bool)
_SPACED[list(b"XYZEFIJRPWHCA")] = True
_LOWER = np.zeros(256, bool)
_LOWER[list(b"exg")] = True
_DIGIT = np.zeros(256, bool)
_DIGIT[list(b"0123456789")] = True
_HEAD = bytes([_SIGNAL, _SIGNAL, _ON, _SIGNAL, _SIGNAL, _NO_SPACES])
_PLAIN_ON, _PLAIN_OFF = bytes([_SIGNAL, _SIGNAL, _OFF]), bytes([_SIGNAL, _SIGNAL, _ON])
_TAIL = bytes([_SIGNAL, _SIGNAL, _RESET])
BROKEN_OFF = "packed text that breaks off within a character"


class Unpackable(ValueError):
    """A line that packing would damage. line : 0-based. text : of that line."""

    def __init__(self, line: int, text: bytes) -> None:
        super().__init__(line, text)
        self.line = line
        self.text = text


# --- unpacking ---------------------------------------------------------------------------------------------------


def unpack(packed: bytes) -> bytes:
    """Plain text of one packed block; state is fresh at its start.

    Runs of line feeds become one, and on lines that begin with `G` words get a blank before them.

    Raises
    ------
    ValueError : it breaks off within a character.
    """
    body, on, no_spaces, starts = _without_commands(np.frombuffer(packed, np.uint8))
    if len(body) == 0:
        return b""
    follow = np.where(on, _FOLLOWING[body], 0)
    code = np.flatnonzero(_codes(follow, starts))
    after = code + 1 + follow[code]
    # A character may not reach beyond the stretch between two commands in which it begins.
    ends = np.append(starts[1:], len(body))
    if np.any(after > ends[np.searchsorted(starts, code, "right") - 1]):
        raise ValueError(BROKEN_OFF)
    return _spaced(_characters(body, code, on[code], no_spaces[code])).tobytes()


def _without_commands(data: U1) -> tuple[U1, B1, B1, I8]:
    """Bytes that are no commands; packing on and no-spaces on for each; where stretches between commands begin."""
    pairs = np.flatnonzero((data[:-1] == _SIGNAL) & (data[1:] == _SIGNAL))
    if len(pairs) and np.any(np.diff(pairs) < 3):
        pairs = _disjoint(pairs)
    pairs = pairs[pairs + 2 < len(data)]
    command = data[pairs + 2]
    packing = _held(command, np.isin(command, (_ON, _OFF, _RESET)), command == _ON)
    # A reset ends no-spaces too: after it the next block, or a command, says what holds.
    no_spaces = _held(command, np.isin(command, (_NO_SPACES, _SPACES, _RESET)), command == _NO_SPACES)
    stretch = np.diff(np.concatenate([[0], pairs + 3, [len(data)]]))
    stretch[:-1] -= 3
    kept = np.ones(len(data), bool)
    for k in range(3):
        kept[pairs + k] = False
    body = data[kept]
    starts = np.cumsum(stretch) - stretch
    return body, np.repeat(packing, stretch), np.repeat(no_spaces, stretch), np.unique(starts[stretch > 0])


def _disjoint(pairs: I8) -> I8:
    """Of overlapping signals the first, then the next that begins behind its command."""
    result, free = [], 0
    for place in pairs.tolist():
        if place >= free:
            result.append(place)
            free = place + 3
    return np.array(result, np.int64)


def _held(command: U1, speaks: B1, value: B1) -> B1:
    """(k + 1,) a flag before the first command and after each: what the last command that speaks of it said."""
    last = (
        np.maximum.accumulate(np.where(speaks, np.arange(1, len(command) + 1), 0)) if len(command) else speaks
    )
    told = np.concatenate([[False], value])
    return np.concatenate([[False], told[last.astype(np.int64)]])


def _codes(follow: I8, starts: I8) -> B1:
    """Which bytes are codes (or plain characters) rather than characters that follow one.

    Behind two bytes that nothing would follow, a code begins whatever came before; from there and from the starts
    of stretches the rest is reached by steps whose length doubles, so that the worst case takes log(n) rounds.
    """
    count = len(follow)
    reached = np.zeros(count + 1, bool)
    reached[2:] = (follow[1:] == 0) & (follow[:-1] == 0)
    reached[starts] = True
    step = np.minimum(np.arange(count) + 1 + follow, count)
    step = np.append(step, count)
    known = -1
    while (now := int(np.count_nonzero(reached))) != known:
        known = now
        reached[step[reached]] = True
        step = step[step]
    return reached[:-1]


def _characters(body: U1, code: I8, on: B1, no_spaces: B1) -> U1:
    """Characters of the codes at places `code`, in order."""
    padded = np.append(body, np.zeros(2, np.uint8))
    byte = body[code]
    low, high = byte & 15, byte >> 4
    low_full, high_full = on & (low == _FULL), on & (high == _FULL)
    table = np.where(no_spaces, np.uint8(ord("E")), np.uint8(_BLANK))
    out = np.empty((len(code), 2), np.uint8)
    for column, nibble, full, place in (
        (0, low, low_full, code + 1),
        (1, high, high_full, code + 1 + low_full),
    ):
        out[:, column] = np.where(nibble == 11, table, _WITH_SPACES[nibble])
        out[full, column] = padded[place[full]]
    out[~on, 0] = byte[~on]
    kept = np.ones(out.shape, bool)
    kept[:, 1] = on & (low != _FEED)
    return out[kept]


def _spaced(text: U1) -> U1:
    """Runs of line feeds as one; on lines that begin with G a blank before each word that has none."""
    feed = text == _LF
    text = text[~(feed & np.concatenate([[False], feed[:-1]]))]
    if len(text) == 0:
        return text
    start = np.concatenate([[0], np.flatnonzero(text == _LF) + 1])
    start = start[start < len(text)]
    on_g = np.repeat(text[start] == _G, np.diff(np.append(start, len(text))))
    wanted = _SPACED[text] & on_g & (np.concatenate([[np.uint8(_LF)], text[:-1]]) != _BLANK)
    out = np.full(len(text) + int(np.count_nonzero(wanted)), _BLANK, np.uint8)
    out[np.arange(len(text)) + np.cumsum(wanted)] = text
    return out


# --- packing -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Packed:
    """A packed block: its bytes, the text they unpack to, and how many comments and blank lines went: behind
    commands, and (encoding 1) whole lines. plain_lines : lines kept unpacked lest packing damages them."""

    data: bytes
    text: bytes
    comments: int
    comment_lines: int
    blank_lines: int
    plain_lines: int


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines of a text: [start, end) without the line feed, [start, cut) without comment and, if there was one, the
    blanks before it; comment : the whole line is one; is_g : its first G has a digit behind it."""

    text: U1
    start: I8
    end: I8
    cut: I8
    comment: B1
    is_g: B1

    @property
    def commented(self) -> B1:
        """A comment behind something."""
        return (self.cut < self.end) & ~self.comment

    def members(self, which: B1, until: I8) -> B1:
        """Which characters stand in [start, until) of the lines `which`."""
        length = self.end - self.start + 1
        place = np.arange(len(self.text))
        result: B1 = np.repeat(which, length) & (place < np.repeat(until, length))
        return result


def _lines(text: bytes) -> _Lines:
    data = np.frombuffer(text, np.uint8)
    if not text.endswith(b"\n"):
        data = np.append(data, np.uint8(_LF))
    end = np.flatnonzero(data == _LF)
    start = np.concatenate([[0], end[:-1] + 1])
    cut = end.copy()
    semicolon = np.flatnonzero(data == _SEMICOLON)
    line, first = np.unique(np.searchsorted(end, semicolon), return_index=True)
    cut[line] = semicolon[first]
    comment = np.zeros(len(end), bool)
    comment[line] = semicolon[first] == start[line]
    inked = np.flatnonzero(data != _BLANK)
    last = np.concatenate([[-1], inked])[np.searchsorted(inked, cut[line])]
    cut[line] = np.maximum(last + 1, start[line])
    is_g = np.zeros(len(end), bool)
    letter = np.flatnonzero(data == _G)
    line, first = np.unique(np.searchsorted(end, letter), return_index=True)
    place = letter[first]
    is_g[line] = (place + 1 < cut[line]) & _DIGIT[data[np.minimum(place + 1, len(data) - 1)]]
    return _Lines(data, start, end, cut, comment, is_g)


def pack(text: bytes, *, comments: bool) -> bytes:
    """Packed bytes of a text as the format's own packer makes them; comments : keep comment lines (encoding 2).

    Nothing is checked: what packing damages is damaged. See `pack_lines`.
    """
    lines = _lines(text)
    return _pack(lines, lines.comment & comments, comments)


def pack_lines(text: bytes, *, comments: bool) -> Packed:
    """Pack a text and unpack it again: every line is the same but for blanks on G lines.

    A line that packing would damage is kept unpacked where comment lines are (encoding 2).

    Raises
    ------
    Unpackable : a line that can't be kept whole.
    """
    lines = _lines(text)
    plain = lines.comment & comments
    bad = np.flatnonzero(np.isin(lines.text, (_SIGNAL, 0)))
    if len(bad):
        raise _unpackable(lines, int(np.searchsorted(lines.end, bad[0])))
    data = _pack(lines, plain, comments)
    back = unpack(data)
    forced = 0
    if not _agree(lines, plain, back):
        wrong = _damaged_lines(lines, plain)
        forced = int(np.count_nonzero(wrong))
        plain = plain | wrong
        data = _pack(lines, plain, comments)
        back = unpack(data)
        if not comments or not _agree(lines, plain, back):
            raise _unpackable(lines, _first_wrong(lines, plain, wrong))
    return Packed(
        data, back, int(np.count_nonzero(lines.commented)),
        0 if comments else int(np.count_nonzero(lines.comment)),
        int(np.count_nonzero(lines.start == lines.end)), forced,
    )  # fmt: skip


def _pack(lines: _Lines, plain: B1, comments: bool) -> bytes:
    """plain : lines that stay unpacked."""
    packed = ~plain & (lines.cut > lines.start)
    length = lines.end - lines.start + 1
    is_g = np.repeat(lines.is_g, length)
    member = lines.members(packed, lines.cut) & ~(is_g & (lines.text == _BLANK))
    character = lines.text[member]
    character = character - np.uint8(32) * (is_g[member] & _LOWER[character])
    count = np.add.reduceat(member, lines.start, dtype=np.int64)[packed]
    # One line feed; one more behind a G line without a comment; and what makes the number even.
    total = count + 1 + (lines.is_g & (lines.cut == lines.end))[packed]
    total += total & 1
    stream = np.full(int(total.sum()), _LF, np.uint8)
    shift = np.repeat((np.cumsum(total) - total) - (np.cumsum(count) - count), count)
    stream[np.arange(len(character)) + shift] = character
    data, place = _nibbles(stream)
    plain_end = np.where(lines.comment, lines.end, lines.cut)
    kept = lines.text[lines.members(plain, plain_end + 1)]
    framed = _feeds_at_ends(kept, (plain_end - lines.start + 1)[plain])
    at = np.append(place[(np.cumsum(total) - total) // 2], len(data)) if len(total) else np.zeros(1, np.int64)
    body = _interleaved(data.tobytes(), at, framed, plain_end - lines.start + 1, packed, plain)
    # Comments at the end stay open: the next block begins afresh.
    return _HEAD + (body.removesuffix(_PLAIN_OFF) if comments else body + _TAIL)


def _feeds_at_ends(text: U1, length: I8) -> bytes:
    text = text.copy()
    text[np.cumsum(length) - 1] = _LF  # where a comment was cut off, its first byte stands there
    return text.tobytes()


def _nibbles(stream: U1) -> tuple[U1, I8]:
    """An even number of characters as packed bytes, and the place of each pair in them."""
    pair = stream.reshape(-1, 2)
    code = _CODE[pair]
    full = code == _FULL
    size = 1 + full.sum(1)
    place: I8 = np.cumsum(size) - size
    out = np.empty(int(size.sum()), np.uint8)
    out[place] = code[:, 0] | (code[:, 1] << 4)
    out[place[full[:, 0]] + 1] = pair[full[:, 0], 0]
    out[(place + 1 + full[:, 0])[full[:, 1]]] = pair[full[:, 1], 1]
    return out, place


def _interleaved(data: bytes, at: I8, framed: bytes, length: I8, packed: B1, plain: B1) -> bytes:
    """Runs of packed and of plain lines in the order of the lines; at : (packed lines + 1,) places in `data`."""
    kind = plain[packed | plain]
    if len(kind) == 0:
        return b""
    turn = np.concatenate([[0], np.flatnonzero(kind[1:] != kind[:-1]) + 1, [len(kind)]])
    before = np.concatenate([[0], np.cumsum(kind)])[turn]
    ends = np.concatenate([[0], np.cumsum(length[plain])])[before].tolist()
    places = at[turn - before].tolist()
    parts = []
    for k, first in enumerate(kind[turn[:-1]].tolist()):
        if first:
            parts += [_PLAIN_ON, framed[ends[k] : ends[k + 1]], _PLAIN_OFF]
        else:
            parts.append(data[places[k] : places[k + 1]])
    return b"".join(parts)


# --- checking ----------------------------------------------------------------------------------------------------


def _agree(lines: _Lines, plain: B1, back: bytes) -> bool:
    """Whether what was unpacked is what was packed, but for blanks on G lines and what is left out by rule."""
    wanted = _wanted(lines, plain)
    return wanted == back or _tight(wanted) == _tight(back)


def _wanted(lines: _Lines, plain: B1) -> bytes:
    until = np.where(lines.comment, lines.end, lines.cut)
    kept = plain | (lines.cut > lines.start)
    text = lines.text[lines.members(kept, until + 1)]
    return _feeds_at_ends(text, (until - lines.start + 1)[kept]) if len(text) else b""


def _tight(text: bytes) -> bytes:
    """A text without the blanks on lines whose first word is G with a number."""
    if not text:
        return b""
    lines = _lines(text)
    on_g = np.repeat(_leading_g(lines), lines.end - lines.start + 1)
    kept: U1 = lines.text[~(on_g & (lines.text == _BLANK))]
    return kept.tobytes()


def _damaged_lines(lines: _Lines, plain: B1) -> B1:
    """Lines that are not the same once packed and unpacked, each by itself.

    Only some can be: G and a digit behind something else, small e, x or g beside them, words that begin with G.
    """
    data = lines.text
    leading = _leading_g(lines)
    small = np.logical_or.reduceat(_LOWER[data], lines.start)
    suspect = (lines.is_g & (~leading | small)) | ((data[lines.start] == _G) & ~lines.is_g)
    result = np.zeros(len(plain), bool)
    for k in np.flatnonzero(suspect & ~plain & (lines.cut > lines.start)).tolist():
        one = data[lines.start[k] : lines.cut[k]].tobytes() + b"\n"
        result[k] = _tight(one) != _tight(unpack(pack(one, comments=True)))
    return result


def _leading_g(lines: _Lines) -> B1:
    """Lines whose first word is G with a number."""
    data = lines.text
    inked = np.append(np.flatnonzero(data != _BLANK), len(data) - 1)
    first = inked[np.searchsorted(inked, lines.start)]
    result: B1 = (data[first] == _G) & _DIGIT[data[np.minimum(first + 1, len(data) - 1)]]
    return result


def _first_wrong(lines: _Lines, plain: B1, wrong: B1) -> int:
    """The line to name: the first that is damaged even unpacked, else the first that packing damages."""
    return int(np.flatnonzero(wrong)[0]) if wrong.any() else 0


def _unpackable(lines: _Lines, line: int) -> Unpackable:
    return Unpackable(line, lines.text[lines.start[line] : lines.end[line]].tobytes())
