"""Reads a file's bytes into a Program. Reads text only: no marks, no layers, no kit."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, is_dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.gcode import states as st
from gcodetools.gcode.arrays import give_back
from gcodetools.gcode.interpret import (
    DWELL_CODE,
    HOME,
    RETRACT_CODE,
    SET,
    UNRETRACT_CODE,
    Events,
    Interpreted,
    Modes,
    Start,
    moves_of,
)
from gcodetools.gcode.program import Comments, Lines, Program, States, Track, Words
from gcodetools.gcode.tokens import Tokens, blocks, tokenise

__all__ = ["Scanned", "modes_and_states", "read_program", "scan_text"]

_DENSE = "XYZEF"
_RARE = "IJKRPSH"
_EVENT = np.zeros(256, bool)
_EVENT[[0, 1, 2, 3, DWELL_CODE, RETRACT_CODE, UNRETRACT_CODE, HOME, SET]] = True
_THREADS = 2
_LARGE_BYTES = 1 << 24
_BARE_RETURN = re.compile(rb"\r+(?![\r\n]|\Z)")
_BOM = b"\xef\xbb\xbf"
_NEWLINE_SAMPLE = 1 << 16
_MOST_MM = 1e8  # 100 km; beyond it sums of small steps lose the digits that they are compared by


@dataclass(frozen=True, slots=True)
class Scanned:
    """Columns of the words of a text, before any mode gives them a meaning."""

    lines: Lines
    comments: Comments
    events: Events
    words: Words
    odd: NDArray[np.int32]
    decimals: dict[str, int]
    bad_checksums: NDArray[np.int32]


def read_program(data: bytes, name: str = "<bytes>") -> Program:
    """Bytes to Program.

    Parameters
    ----------
    data : a whole file; see `files.read_bytes` for what is refused before this.
    name : for messages.

    Raises
    ------
    InputError : a line that can be no command, a number that can be no way, or line ends of a single carriage return.
    """
    scanned = scan_text(data, name)
    modes, states = modes_and_states(scanned)
    result = moves_of(scanned.events, modes, Start())
    offsets = dict(zip(("offset_x", "offset_y", "offset_z"), result.offsets, strict=True))
    program = Program(
        lines=scanned.lines,
        comments=scanned.comments,
        moves=result.moves,
        arcs=result.arcs,
        states=States(**states, **offsets),  # type: ignore[arg-type]
        words=scanned.words,
        dwell_row=result.dwell_row,
        dwell_s=result.dwell_s,
        decimals=scanned.decimals,
        warnings=_warnings(scanned, result, name),
        odd=scanned.odd,
    )
    _freeze(program)
    del scanned, result
    if len(data) > _LARGE_BYTES:
        give_back()
    return program


def _freeze(record: object) -> None:
    """Make every array inside a record of ours read-only."""
    if isinstance(record, np.ndarray):
        record.setflags(write=False)
    elif isinstance(record, dict):
        for value in record.values():
            _freeze(value)
    elif is_dataclass(record):
        for name in record.__dataclass_fields__:
            _freeze(getattr(record, name))


def _warnings(scanned: Scanned, result: Interpreted, name: str) -> tuple[str, ...]:
    found = []
    odd, line = scanned.odd, scanned.events.line
    at = np.searchsorted(line, odd)
    odd_moves = odd[(at < len(line)) & (line[np.minimum(at, len(line) - 1)] == odd)] if len(line) else odd[:0]
    if len(odd_moves):
        found.append(
            f"{name}:{odd_moves[0] + 1}: {len(odd_moves)} move(s) with characters that belong to no word; "
            "read without them"
        )
    found += _unread(st.Commands(scanned.words), name)
    if len(result.uneven_arcs):
        found.append(
            f"{name}:{result.uneven_arcs[0] + 1}: {len(result.uneven_arcs)} arc(s) whose end is nearer to or "
            "farther from the centre than the start; read with the radius of the start"
        )
    bad = scanned.bad_checksums
    if len(bad):
        found.append(f"{name}:{bad[0] + 1}: {len(bad)} line checksum(s) don't match their line")
    arcs = int(np.count_nonzero((scanned.events.code == 2) | (scanned.events.code == 3))) - len(
        result.arcs.row
    )
    if arcs:
        found.append(f"{name}: {arcs} arc(s) without centre or radius; read as straight lines")
    bare = _bare_returns(scanned.lines)
    if len(bare):
        found.append(
            f"{name}:{bare[0] + 1}: {len(bare)} line(s) with a carriage return in the middle; "
            "it was read as a blank"
        )
    return tuple(found)


def _unread(commands: st.Commands, name: str) -> list[str]:
    """Sentences on commands that are left out."""
    found = []
    line, number = st.unread_motion(commands)
    if len(line):
        kinds = ", ".join(f"G{value:g}" for value in np.unique(number).tolist())
        found.append(
            f"{name}:{line[0] + 1}: {len(line)} motion command(s) that are not read ({kinds}): what they lay "
            "is missing, and where the nozzle stands is not known until the next absolute move"
        )
    several = st.several_commands(commands)
    if len(several):
        found.append(
            f"{name}:{several[0] + 1}: {len(several)} line(s) with several commands; only the first of each "
            "is read, as most printers do. Put each command on a line of its own"
        )
    return found


def _bare_returns(lines: Lines) -> NDArray[np.int64]:
    """Lines with a carriage return that ends no line, where a machine would begin a new one."""
    if b"\r" not in lines.data or lines.data.count(b"\r") == lines.data.count(b"\r\n"):
        return np.empty(0, np.int64)
    at = [match.start() for match in _BARE_RETURN.finditer(lines.data)]
    return np.unique(np.searchsorted(lines.start, at, side="right") - 1)


def scan_text(data: bytes, name: str) -> Scanned:
    """Words of all lines in columns.

    Raises
    ------
    InputError : see `read_program`.
    """
    if b"\n" not in data and b"\r" in data.rstrip(b"\r\n"):
        raise InputError(
            f"{name}: lines end in a bare carriage return, expected line feeds",
            "Convert the line ends (most editors can) and try again.",
        )
    cuts = list(blocks(data, name))
    if len(cuts) > 1:
        with ThreadPoolExecutor(_THREADS) as pool:
            parts = list(pool.map(lambda cut: _part(data, *cut), cuts))
    else:
        parts = [_part(data, *cut) for cut in cuts or [(0, 0, 0)]]
    scanned = _join(data, name, [cut[0] for cut in cuts] or [0], parts)
    _require_sense(scanned, name)
    return scanned


def _require_sense(scanned: Scanned, name: str) -> None:
    """Refuse numbers that can be no length of a move, and those of other words that are too large to be held.

    Raises
    ------
    InputError : naming the first line.
    """
    events, lines = scanned.events, []
    every = np.arange(len(events.line))
    columns = [(value, every, _MOST_MM) for value in (events.x, events.y, events.z, events.e)]
    columns.append((events.f, every, np.finfo(float).max))
    columns += [
        (value, at, np.finfo(float).max if key in "PSH" else _MOST_MM)
        for key, (at, value) in events.sparse.items()
    ]
    for value, at, most in columns:
        # Cheaper than a comparison of all, and passes over words that are not there.
        if np.fmax.reduce(value, initial=0.0) > most or np.fmin.reduce(value, initial=0.0) < -most:
            lines.append(int(events.line[at[np.flatnonzero(np.abs(value) > most)[0]]]))
    endless = np.flatnonzero(np.isinf(scanned.words.value))
    lines += scanned.words.line[endless[:1]].tolist()
    if lines:
        raise InputError(
            f"{name}:{min(lines) + 1}: a number beyond {_MOST_MM:.0e}, expected lengths in mm or inches",
            "The file is damaged. Slice again, or look at that line in an editor.",
        )


@dataclass(frozen=True, slots=True)
class _Part:
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


def _part(data: bytes, begin: int, text_end: int, end: int) -> _Part:
    """Columns of one block; line indices and offsets from its start."""
    block = data[begin:text_end]
    if begin == 0 and block.startswith(_BOM):
        block = b"   " + block[len(_BOM) :]
    tokens = tokenise(block)
    tokens.line_start[-1] = end - begin
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
    return _Part(
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
    for key in _DENSE:
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
        decimals[key] = int(tokens.decimals[at].max(initial=0))
    others = np.flatnonzero(rest)
    others = others[~np.isnan(value[others])]
    for key in _RARE:
        at = others[letter[others] == ord(key)]
        if len(at):
            rare[key] = (event[at].astype(np.int64), value[at])
        decimals[key] = int(tokens.decimals[at].max(initial=0))
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


def _join(data: bytes, name: str, base: list[int], parts: list[_Part]) -> Scanned:
    first_line = np.cumsum([0] + [len(p.line_start) - 1 for p in parts])
    first_event = np.cumsum([0] + [len(p.event_line) for p in parts])

    def shifted(columns: list[NDArray[np.int32]]) -> NDArray[np.int32]:
        pairs = zip(columns, first_line, strict=False)
        joined: NDArray[np.int32] = np.concatenate([c + np.int32(first) for c, first in pairs])
        return joined

    sparse = {}
    for key in _RARE:
        found = [(first, p.rare[key]) for first, p in zip(first_event, parts, strict=False) if key in p.rare]
        if found:
            sparse[key] = (
                np.concatenate([at + first for first, (at, _) in found]),
                np.concatenate([value for _, (_, value) in found]),
            )
    start = [p.line_start[:-1] + b for p, b in zip(parts, base, strict=True)] if data else []
    comments = Comments(
        shifted([p.comment_line for p in parts]),
        np.concatenate([p.comment_start + b for p, b in zip(parts, base, strict=True)]),
    )
    x, y, z, e, f = (np.concatenate([p.dense[k] for p in parts]) for k in range(len(_DENSE)))
    events = Events(
        shifted([p.event_line for p in parts]), np.concatenate([p.code for p in parts]), x, y, z, e, f, sparse
    )
    words = Words(
        shifted([p.words[0] for p in parts]),
        np.concatenate([p.words[1] for p in parts]),
        np.concatenate([p.words[2] for p in parts]),
    )
    crlf = data.count(b"\r\n", 0, _NEWLINE_SAMPLE) * 2 > data.count(b"\n", 0, _NEWLINE_SAMPLE)
    return Scanned(
        Lines(data, np.concatenate([*start, [len(data)]]), b"\r\n" if crlf else b"\n", name),
        comments,
        events,
        words,
        shifted([p.odd for p in parts]),
        {key: max(p.decimals[key] for p in parts) for key in sorted(_DENSE + _RARE)},
        shifted([p.bad_checksums for p in parts]),
    )


def modes_and_states(scanned: Scanned) -> tuple[Modes, dict[str, object]]:
    """Modes that give the words their meaning, and the tracks of everything else that commands set.

    G91 makes E relative as long as it holds, whatever M82 said; M82 and M83 alone decide otherwise. Firmware
    differs here only in lines that no slicer writes in the middle of a print.
    """
    commands = st.Commands(scanned.words)
    data, start, odd = scanned.lines.data, scanned.lines.start, scanned.odd
    velocity = st.extended_commands(data, start, odd, b"SET_VELOCITY_LIMIT")
    heaters = st.extended_commands(data, start, odd, b"SET_HEATER_TEMPERATURE")
    constant = st.constant_track
    xyz = st.merge(0.0, constant(commands, "G", 90, 0.0), constant(commands, "G", 91, 1.0))
    m83 = st.merge(0.0, constant(commands, "M", 82, 0.0), constant(commands, "M", 83, 1.0))
    lines = np.union1d(xyz.line, m83.line).astype(np.int32)
    after = lines + 1
    e_relative = Track(lines, np.maximum(xyz.at(after), m83.at(after)), 0.0)
    volumetric = st.volumetric_track(commands)
    tool = st.tool_track(commands)
    plane = st.merge(17.0, *(constant(commands, "G", g, float(g)) for g in (17, 18, 19)))
    inches = st.merge(0.0, constant(commands, "G", 20, 1.0), constant(commands, "G", 21, 0.0))
    arc_absolute = st.arc_centre_track(commands)
    modes = Modes(e_relative, xyz, inches, plane, volumetric, tool, arc_absolute)
    accel, travel, retract = st.acceleration_tracks(commands, velocity)
    fan, full = st.fan_track(commands)
    limits = np.concatenate(
        [commands.lines("M", n) for n in (201, 203, 205, 566)]
        + [np.array([line for line, _ in velocity], np.int32)]
    )
    bed_words = ((140, "S"), (190, "R"), (190, "S"))
    bed = st.merge(float("nan"), *(st.value_track(commands, "M", number, word) for number, word in bed_words))
    return modes, {
        "tool": tool,
        "nozzle": st.nozzle_tracks(commands, tool, heaters),
        "bed": bed,
        "fan": fan,
        "fan_full": full,
        "speed_factor": st.backed_up_track(commands, 220),
        "flow_factor": st.backed_up_track(commands, 221),
        "accel": accel,
        "travel_accel": travel,
        "retract_accel": retract,
        "jerk_xy": st.jerk_track(commands, velocity),
        "e_relative": e_relative,
        "xyz_relative": xyz,
        "inches": inches,
        "plane": plane,
        "arc_absolute": arc_absolute,
        "volumetric": volumetric,
        "limits": np.unique(limits).astype(np.int32),
    }
