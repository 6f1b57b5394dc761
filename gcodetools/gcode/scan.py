"""Reads a file's bytes into a Program. Reads text only: no marks, no layers, no kit."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.gcode import states as st
from gcodetools.gcode.interpret import (
    DWELL_CODE,
    HOME,
    RETRACT_CODE,
    SET,
    UNRETRACT_CODE,
    Events,
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
    InputError : a line that can be no command, or line ends of a single carriage return.
    """
    scanned = scan_text(data, name)
    modes, states = modes_and_states(scanned)
    result = moves_of(scanned.events, modes, Start())
    offsets = dict(zip(("offset_x", "offset_y", "offset_z"), result.offsets, strict=True))
    return Program(
        lines=scanned.lines,
        comments=scanned.comments,
        moves=result.moves,
        arcs=result.arcs,
        states=States(**states, **offsets),  # type: ignore[arg-type]
        words=scanned.words,
        dwell_row=result.dwell_row,
        dwell_s=result.dwell_s,
        decimals=scanned.decimals,
        warnings=_warnings(scanned, name),
    )


def _warnings(scanned: Scanned, name: str) -> tuple[str, ...]:
    found = []
    odd_moves = np.intersect1d(scanned.odd, scanned.events.line)
    if len(odd_moves):
        found.append(
            f"{name}:{odd_moves[0] + 1}: {len(odd_moves)} move(s) with characters that belong to no word; "
            "read without them and never edited"
        )
    bad = scanned.bad_checksums
    if len(bad):
        found.append(f"{name}:{bad[0] + 1}: {len(bad)} line checksum(s) don't match their line")
    return tuple(found)


def scan_text(data: bytes, name: str) -> Scanned:
    """Words of all lines in columns.

    Raises
    ------
    InputError : see `read_program`.
    """
    if b"\n" not in data and b"\r" in data.strip(b"\r"):
        raise InputError(
            f"{name}: lines end in a bare carriage return, expected line feeds",
            "Convert the line ends (most editors can) and try again.",
        )
    cuts = list(blocks(data, name))
    if len(cuts) > 1:
        with ThreadPoolExecutor(_THREADS) as pool:
            parts = list(pool.map(lambda cut: _part(data, *cut), cuts))
    else:
        parts = [_part(data, *cut) for cut in cuts]
    return _join(data, name, cuts, parts)


@dataclass(frozen=True, slots=True)
class _Part:
    tokens: Tokens | None
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


def _long_comment(size: int) -> _Part:
    none4, none = np.empty(0, np.int32), np.empty(0)
    return _Part(
        None, np.array([0, size]), np.zeros(1, np.int32), np.zeros(1, np.int64), none4, np.empty(0, np.uint8),
        (none,) * 5, {}, (none4, np.empty(0, np.uint8), none), none4, {}, none4,
    )  # fmt: skip


def _part(data: bytes, begin: int, end: int, is_long_comment: bool) -> _Part:
    """Columns of one block; line indices and offsets from its start."""
    if is_long_comment:
        return _long_comment(end - begin)
    block = data[begin:end]
    tokens = tokenise(block)
    line, letter, value = tokens.line, tokens.letter, tokens.value
    command = _commands(line, letter)
    command_line, command_letter = line[command], letter[command]
    number = np.nan_to_num(value[command], nan=-1.0)
    code = np.where((number >= 0) & (number <= 255), number, 255).astype(np.uint8)
    is_event = (command_letter == ord("G")) & _EVENT[code] & (code == number)
    is_event &= ~_parameter_g10(tokens, command, command_line, is_event & (code == RETRACT_CODE))

    event_line, event_code = command_line[is_event], code[is_event]
    owner = np.full(len(tokens.line_start), -1, np.int32)
    owner[event_line] = np.arange(len(event_line), dtype=np.int32)
    event = owner[line]
    in_event = event >= 0
    plain_move = np.zeros(len(tokens.line_start), bool)
    plain_move[event_line[event_code <= 3]] = True
    other = np.flatnonzero(~plain_move[line])

    behind = np.ones(len(line), bool)
    behind[command] = False
    behind &= in_event
    dense, rare, decimals = [], {}, {}
    for key in _DENSE:
        at = np.flatnonzero((letter == ord(key)) & behind)
        column = np.full(len(event_line), np.nan)
        column[event[at]] = value[at]
        home = np.isnan(value[at]) & (event_code[event[at]] == HOME)
        column[event[at[home]]] = 0.0
        dense.append(column)
        decimals[key] = int(tokens.decimals[at].max(initial=0))
    rest = np.flatnonzero(behind & ~np.isin(letter, np.frombuffer(b"XYZEF", np.uint8)))
    for key in _RARE:
        at = rest[letter[rest] == ord(key)]
        at = at[~np.isnan(value[at])]
        if len(at):
            rare[key] = (event[at].astype(np.int64), value[at])
        decimals[key] = int(tokens.decimals[at].max(initial=0))
    return _Part(
        None,
        tokens.line_start,
        tokens.comment_line,
        tokens.comment_start,
        event_line,
        event_code,
        tuple(dense),
        rare,
        (line[other], letter[other], value[other]),
        tokens.odd,
        decimals,
        _bad_checksums(block, tokens),
    )


def _commands(line: NDArray[np.int32], letter: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Token index of each line's command: its first word, or the one behind its line number."""
    first = np.flatnonzero(line[1:] != line[:-1]) + 1
    first = np.concatenate([[0], first]) if len(line) else first
    numbered = letter[first] == ord("N")
    if not np.any(numbered):
        return first
    follow = first + 1
    has = numbered & (follow < len(line))
    has[has] &= line[follow[has]] == line[first[has]]
    return np.where(has, follow, first)


def _parameter_g10(
    tokens: Tokens, command: NDArray[np.int64], command_line: NDArray[np.int32], is_g10: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which G10 set offsets or temperatures instead of retracting: those with words, but for a lone S0 or S1
    (a long retraction)."""
    result = np.zeros(len(command), bool)
    for index in np.flatnonzero(is_g10).tolist():
        at = int(command[index]) + 1
        words = []
        while at < len(tokens.line) and tokens.line[at] == command_line[index]:
            words.append((int(tokens.letter[at]), float(tokens.value[at])))
            at += 1
        result[index] = bool(words) and not (len(words) == 1 and words[0][0] == ord("S") and words[0][1] <= 1)
    return result


def _bad_checksums(block: bytes, tokens: Tokens) -> NDArray[np.int32]:
    """Lines whose `*n` is not the exclusive or of the bytes before it (common practice, no source)."""
    if len(tokens.star) == 0:
        return np.empty(0, np.int32)
    bad = []
    for line, star in zip(tokens.star_line.tolist(), tokens.star.tolist(), strict=True):
        begin = int(tokens.line_start[line])
        stated = block[star + 1 : int(tokens.line_start[line + 1])].split(b";", 1)[0].strip()
        body = np.frombuffer(block, np.uint8, star - begin, begin)
        if stated.isdigit() and int(stated) != int(np.bitwise_xor.reduce(body)):
            bad.append(line)
    return np.array(bad, np.int32)


def _join(data: bytes, name: str, cuts: list[tuple[int, int, bool]], parts: list[_Part]) -> Scanned:
    counts = [len(part.line_start) - 1 for part in parts]
    first_line = np.concatenate([[0], np.cumsum(counts)])
    first_event = np.concatenate([[0], np.cumsum([len(p.event_line) for p in parts])])
    base = [cut[0] for cut in cuts]
    n = int(first_line[-1])

    def shifted(columns: list[NDArray[np.int32]]) -> NDArray[np.int32]:
        moved = [c + np.int32(first_line[i]) for i, c in enumerate(columns)]
        return np.concatenate(moved) if moved else np.empty(0, np.int32)

    start = np.empty(n + 1, np.int64)
    for index, part in enumerate(parts):
        start[first_line[index] : first_line[index + 1]] = part.line_start[:-1] + base[index]
    start[n] = len(data)
    comments = Comments(
        shifted([p.comment_line for p in parts]),
        np.concatenate([p.comment_start + base[i] for i, p in enumerate(parts)])
        if parts
        else np.empty(0, np.int64),
    )
    sparse = {}
    for key in _RARE:
        found = [(i, p.rare[key]) for i, p in enumerate(parts) if key in p.rare]
        if found:
            sparse[key] = (
                np.concatenate([at + first_event[i] for i, (at, _) in found]),
                np.concatenate([value for _, (_, value) in found]),
            )

    def column(k: int) -> NDArray[np.float64]:
        return np.concatenate([p.dense[k] for p in parts]) if parts else np.empty(0)

    events = Events(
        shifted([p.event_line for p in parts]),
        np.concatenate([p.code for p in parts]) if parts else np.empty(0, np.uint8),
        column(0),
        column(1),
        column(2),
        column(3),
        column(4),
        sparse,
    )
    words = Words(
        shifted([p.words[0] for p in parts]),
        np.concatenate([p.words[1] for p in parts]) if parts else np.empty(0, np.uint8),
        np.concatenate([p.words[2] for p in parts]) if parts else np.empty(0),
    )
    keys = set(_DENSE + _RARE)
    decimals = {key: max((p.decimals.get(key, 0) for p in parts), default=0) for key in sorted(keys)}
    crlf = data[: 1 << 16].count(b"\r\n") * 2 > data[: 1 << 16].count(b"\n")
    return Scanned(
        Lines(data, start, b"\r\n" if crlf else b"\n", name),
        comments,
        events,
        words,
        shifted([p.odd for p in parts]),
        decimals,
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
    diameter = st.value_track(commands, "M", 200, "D")
    with np.errstate(divide="ignore"):
        per_unit = np.where(diameter.value > 0, 4.0 / (np.pi * diameter.value**2), 1.0)
    tool = st.tool_track(commands)
    plane = st.merge(17.0, *(constant(commands, "G", g, float(g)) for g in (17, 18, 19)))
    inches = st.merge(0.0, constant(commands, "G", 20, 1.0), constant(commands, "G", 21, 0.0))
    modes = Modes(e_relative, xyz, inches, plane, Track(diameter.line, per_unit, 1.0), tool)
    accel, travel, retract = st.acceleration_tracks(commands, velocity)
    fan, full = st.fan_track(commands)
    limits = np.concatenate(
        [commands.lines("M", n) for n in (201, 203, 205, 566)]
        + [np.array([line for line, _ in velocity], np.int32)]
    )
    bed = st.merge(
        float("nan"), st.value_track(commands, "M", 140, "S"), st.value_track(commands, "M", 190, "S")
    )
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
        "volumetric": modes.volumetric,
        "limits": np.unique(limits).astype(np.int32),
    }
