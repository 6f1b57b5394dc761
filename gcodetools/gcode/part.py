"""Columns of one block of a text: its events, the words of other commands, its comments."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.interpret import DWELL_CODE, HOME, RETRACT_CODE, SET, UNRETRACT_CODE
from gcodetools.gcode.plain import DENSE, Plain, find_plain
from gcodetools.gcode.tokens import Tokens, tokenise
from gcodetools.records import dataclass

__all__ = ["BOM", "DENSE", "RARE", "Part", "read_part"]

RARE = "IJKRPSH"
Index = TypeVar("Index", np.int32, np.int64)
Value = TypeVar("Value", np.int64, np.float64)
BOM = b"\xef\xbb\xbf"
_MOST_DECIMALS = 9  # more say nothing, and would leave no digits for what stands before the point
_NONE = np.empty(0, np.int64), np.empty(0)
_EVENT = np.zeros(256, bool)
_EVENT[[0, 1, 2, 3, DWELL_CODE, RETRACT_CODE, UNRETRACT_CODE, HOME, SET]] = True


@dataclass(frozen=True, slots=True)
class Part:
    """Columns of a block, as `scan` puts them together: line and event indices and offsets from its start."""

    line_start: NDArray[np.int64]
    comment_line: NDArray[np.int32]
    comment_start: NDArray[np.int64]
    event_line: NDArray[np.int32]
    code: NDArray[np.uint8]
    dense: tuple[NDArray[np.float64], ...]
    rare: dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]]
    words: tuple[NDArray[np.int32], NDArray[np.uint8], NDArray[np.float64]]
    odd: NDArray[np.int32]
    decimals: dict[str, int]
    bad_checksums: NDArray[np.int32]


def read_part(data: bytes, begin: int, text_end: int, end: int) -> Part:
    """Columns of one block; line indices and offsets from its start."""
    block = data[begin:text_end]
    if begin == 0 and block.startswith(BOM):
        block = b"   " + block[len(BOM) :]
    text = np.frombuffer(block, np.uint8)
    plain = find_plain(text)
    part = _read_lines(block) if plain is None else _joined(plain, _read_lines(_rest_of(text, plain)))
    part.line_start[-1] = end - begin
    return part


def _rest_of(text: NDArray[np.uint8], plain: Plain) -> bytes:
    """The lines of a block that are to be read in full."""
    begin, size = plain.line_start[plain.rest], np.diff(plain.line_start)[plain.rest]
    byte: NDArray[np.int64] = np.repeat(begin - (np.cumsum(size) - size), size)
    byte += np.arange(len(byte))
    found: bytes = text.take(byte, mode="clip").tobytes()
    return found


def _joined(plain: Plain, rest: Part) -> Part:
    """Columns of a block of its plain lines and those of the others."""
    lines = plain.rest.astype(np.int32)
    rest_line = lines[rest.event_line]
    plain.is_plain[rest_line] = True
    plain.code[rest_line] = rest.code
    event_line = np.flatnonzero(plain.is_plain)
    event_of = np.empty(len(plain.is_plain), np.int64)
    event_of[event_line] = np.arange(len(event_line))
    mine = event_of[rest_line]
    dense, rare = [], {}
    for letter, values in zip(DENSE, rest.dense, strict=True):
        column = np.full(len(event_line), np.nan)
        line, value = plain.words[letter]
        column[event_of.take(line)] = value
        column[mine] = values
        dense.append(column)
    for letter in RARE:
        line, value = plain.words.get(letter, _NONE)
        at, other = rest.rare.get(letter, _NONE)
        if len(line) or len(at):
            rare[letter] = _in_order((event_of[line], value), (mine[at], other))
    shift = plain.line_start[lines] - rest.line_start[:-1]
    other_comments = lines[rest.comment_line], rest.comment_start + shift[rest.comment_line]
    word_line, letters, value = rest.words
    return Part(
        plain.line_start,
        *_in_order((plain.comment_line, plain.comment_start), other_comments),
        event_line.astype(np.int32),
        plain.code[event_line],
        tuple(dense),
        rare,
        (lines[word_line], letters, value),
        lines[rest.odd],
        {letter: max(most, plain.decimals.get(letter, 0)) for letter, most in rest.decimals.items()},
        lines[rest.bad_checksums],
    )


def _in_order(
    some: tuple[NDArray[Index], NDArray[Value]], others: tuple[NDArray[Index], NDArray[Value]]
) -> tuple[NDArray[Index], NDArray[Value]]:
    """Two columns, ascending in the first, as one."""
    if len(some[0]) == 0 or len(others[0]) == 0:
        return some if len(others[0]) == 0 else others
    place = np.concatenate([some[0], others[0]])
    order = np.argsort(place, kind="stable")
    return place[order], np.concatenate([some[1], others[1]])[order]


def _read_lines(block: bytes) -> Part:
    """Columns of whole lines, each word of which is read."""
    tokens = tokenise(block)
    lines = len(tokens.line_start) - 1
    line = tokens.line
    is_event, code = _events(tokens)
    command_line = line[tokens.command]
    event_line, event_code = command_line[is_event], code[is_event]

    event_of = np.full(lines, -1, np.int32)
    event_of[event_line] = np.arange(len(event_line), dtype=np.int32)
    event = event_of[line]
    # Commands themselves are no parameters.
    event[tokens.command] = -1
    dense, rare, decimals = _columns(tokens, event, event_code)

    told = command_line[~is_event | (code > 3)]
    further = _lines_with_another_command(tokens, event_of)
    other = _words_of(line, np.union1d(told, further) if len(further) else told)
    return Part(
        tokens.line_start,
        tokens.comment_line,
        tokens.comment_start,
        event_line,
        event_code,
        dense,
        rare,
        (line[other], tokens.letter[other], tokens.value[other]),
        tokens.odd,
        decimals,
        _bad_checksums(block, tokens),
    )


def _words_of(line: NDArray[np.int32], some: NDArray[np.int32]) -> NDArray[np.int64]:
    """Indices of the words of some lines. line : of each word. some : ascending, few."""
    low = np.searchsorted(line, some)
    count = np.searchsorted(line, some, side="right") - low
    words: NDArray[np.int64] = np.repeat(low - (np.cumsum(count) - count), count)
    return words + np.arange(len(words))


def _lines_with_another_command(tokens: Tokens, event_of: NDArray[np.int32]) -> NDArray[np.int32]:
    """Lines of events with a G or M word, number and all, besides their command."""
    other = (tokens.letter == ord("G")) | (tokens.letter == ord("M"))
    other[tokens.command] = False
    at = np.flatnonzero(other)
    line = tokens.line[at[~np.isnan(tokens.value[at])]]
    return line[event_of[line] >= 0]


def _events(tokens: Tokens) -> tuple[NDArray[np.bool_], NDArray[np.uint8]]:
    """Which commands are events, and the number of each (255 where it has none of those)."""
    number = tokens.value[tokens.command]
    with np.errstate(invalid="ignore"):
        code = number.astype(np.uint8)
        code[~((number >= 0) & (number < 255))] = 255
    is_event = (tokens.letter[tokens.command] == ord("G")) & _EVENT[code]
    is_event &= code == number
    g10 = np.flatnonzero(is_event & (code == RETRACT_CODE))
    if len(g10):
        is_event[g10[_has_parameters(tokens, tokens.command[g10])]] = False
    return is_event, code


def _has_parameters(tokens: Tokens, command: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which G10 set offsets or temperatures instead of retracting: those with words, but for a lone S0 or S1
    (a long retraction)."""
    line = tokens.line[command]
    count = np.searchsorted(tokens.line, line, side="right") - command - 1
    only = np.minimum(command + 1, len(tokens.line) - 1)
    long_retraction = (count == 1) & (tokens.letter[only] == ord("S")) & (tokens.value[only] <= 1)
    result: NDArray[np.bool_] = (count > 0) & ~long_retraction
    return result


def _columns(
    tokens: Tokens, event: NDArray[np.int32], code: NDArray[np.uint8]
) -> tuple[
    tuple[NDArray[np.float64], ...], dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]], dict[str, int]
]:
    """Columns of the common words and sparse pairs of the rare ones. event : of each word, -1 for none."""
    letter, value = tokens.letter, tokens.value
    mine = event >= 0
    dense, rare, decimals = [], {}, {}
    rest = mine.copy()
    for key in DENSE:
        is_key = letter == ord(key)
        is_key &= mine
        rest ^= is_key
        at = np.flatnonzero(is_key)
        column = np.full(len(code), np.nan)
        owner, number = event[at], value[at]
        column[owner] = number
        bare = owner[np.isnan(number)]
        if len(bare):
            # A bare letter names the axis of a G28 and means zero in a G92.
            column[bare[(code[bare] == HOME) | (code[bare] == SET)]] = 0.0
        dense.append(column)
        decimals[key] = min(int(tokens.decimals[at].max(initial=0)), _MOST_DECIMALS)
    others = np.flatnonzero(rest)
    others = others[~np.isnan(value[others])]
    for key in RARE:
        at = others[letter[others] == ord(key)]
        if len(at):
            rare[key] = (event[at].astype(np.int64), value[at])
        decimals[key] = min(int(tokens.decimals[at].max(initial=0)), _MOST_DECIMALS)
    return tuple(dense), rare, decimals


def _bad_checksums(block: bytes, tokens: Tokens) -> NDArray[np.int32]:
    """Lines whose `*n` is not the exclusive or of the bytes before it (common practice, no source)."""
    if len(tokens.star) == 0:
        return np.empty(0, np.int32)
    begin = tokens.line_start[tokens.star_line]
    edges = np.column_stack([begin, tokens.star]).ravel()
    found = np.bitwise_xor.reduceat(np.frombuffer(block, np.uint8), edges)[::2]
    found[begin == tokens.star] = 0
    stated = tokens.star_value
    bad: NDArray[np.bool_] = ~np.isnan(stated) & (stated != found)
    return tokens.star_line[np.flatnonzero(bad)]
