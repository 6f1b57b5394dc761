"""Reads a file's bytes into a Program. Reads text only: no marks, no layers, no kit."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import is_dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.gcode import states as st
from gcodetools.gcode.arrays import give_back
from gcodetools.gcode.growing import Growing, in_turn
from gcodetools.gcode.interpret import Events, Interpreted, Modes, Start, moves_of
from gcodetools.gcode.part import DENSE, RARE, Part, read_part
from gcodetools.gcode.program import Comments, Lines, Program, States, Track, Words
from gcodetools.gcode.tokens import blocks
from gcodetools.records import dataclass

__all__ = ["Scanned", "modes_and_states", "read_program", "scan_text"]

_THREADS = 2
_AHEAD = 2 * _THREADS
_LARGE_BYTES = 1 << 24
_BARE_RETURN = re.compile(rb"\r+(?![\r\n]|\Z)")
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


def read_program(data: bytes, name: str = "<bytes>", threads: int = _THREADS) -> Program:
    """Bytes to Program.

    Parameters
    ----------
    data : a whole file; see `files.read_bytes` for what is refused before this.
    name : for messages. threads : that read blocks of it at once.

    Raises
    ------
    InputError : a line that can be no command, a number that can be no way, or line ends of a single carriage return.
    """
    scanned = scan_text(data, name, threads)
    modes, states = modes_and_states(scanned)
    odd_moves = _of_both(scanned.odd, scanned.events.line)
    result = moves_of(scanned.events, modes, Start(), use_up=True)
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
        warnings=_warnings(scanned, odd_moves, result, name),
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


def _of_both(some: NDArray[np.int32], lines: NDArray[np.int32]) -> NDArray[np.int32]:
    """Those of `some` that are among the ascending `lines`."""
    at = np.searchsorted(lines, some)
    inside = at < len(lines)
    inside[inside] = lines[at[inside]] == some[inside]
    return some[inside]


def _warnings(
    scanned: Scanned, odd_moves: NDArray[np.int32], result: Interpreted, name: str
) -> tuple[str, ...]:
    found = []
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
            "it was read as a blank. Convert the line ends (most editors can)"
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


def scan_text(data: bytes, name: str, threads: int = _THREADS) -> Scanned:
    """Words of all lines in columns, read by so many threads.

    Raises
    ------
    InputError : see `read_program`.
    """
    if b"\n" not in data and b"\r" in data.rstrip(b"\r\n"):
        raise InputError(
            f"{name}: lines end in a bare carriage return, expected line feeds",
            "Convert the line ends (most editors can) and try again.",
        )
    cuts = list(blocks(data, name)) or [(0, 0, 0)]
    whole = _Whole(data, name)
    if len(cuts) > 1 and threads > 1:
        with ThreadPoolExecutor(threads) as pool:
            parts = in_turn(pool, lambda cut: read_part(data, *cut), cuts, _AHEAD)
            for cut, part in zip(cuts, parts, strict=True):
                whole.add(part, cut[0], cut[2])
    else:
        for cut in cuts:
            whole.add(read_part(data, *cut), cut[0], cut[2])
    scanned = whole.scanned()
    _require_sense(scanned, name)
    return scanned


def _require_sense(scanned: Scanned, name: str) -> None:
    """Refuse numbers that can be no length of a move, and those of other words that are too large to be held.

    Raises
    ------
    InputError : naming the first line.
    """
    events, lines = scanned.events, []
    columns: list[tuple[NDArray[np.float64], NDArray[np.int64] | None, float]] = [
        (value, None, _MOST_MM) for value in (events.x, events.y, events.z, events.e, events.f)
    ]
    columns += [
        (value, at, np.finfo(float).max if key in "PSH" else _MOST_MM)
        for key, (at, value) in events.sparse.items()
    ]
    for value, at, most in columns:
        # Cheaper than a comparison of all, and passes over words that are not there.
        if np.fmax.reduce(value, initial=0.0) > most or np.fmin.reduce(value, initial=0.0) < -most:
            first = np.flatnonzero(np.abs(value) > most)[0]
            lines.append(int(events.line[first if at is None else at[first]]))
    endless = np.flatnonzero(np.isinf(scanned.words.value))
    lines += scanned.words.line[endless[:1]].tolist()
    if lines:
        raise InputError(
            f"{name}:{min(lines) + 1}: a number beyond {_MOST_MM:.0e}, expected lengths in mm or inches, and feeds",
            "The file is damaged. Slice again, or look at that line in an editor.",
        )


def _columns_of(parts: Sequence[tuple[NDArray[Any], ...]]) -> Iterator[NDArray[Any]]:
    """Whole columns of tuples of them, one tuple a block."""
    return (np.concatenate(column) for column in zip(*parts, strict=True))


class _Whole:
    """Columns of a whole text, of its blocks in file order."""

    def __init__(self, data: bytes, name: str) -> None:
        self.data, self.name = data, name
        self.lines = self.events = 0
        self.start, self.event_line, self.code = (Growing(kind) for kind in (np.int64, np.int32, np.uint8))
        self.dense = [Growing(np.float64) for _ in DENSE]
        self.comments: list[tuple[NDArray[np.int32], NDArray[np.int64]]] = []
        self.words: list[tuple[NDArray[np.int32], NDArray[np.uint8], NDArray[np.float64]]] = []
        self.rare: dict[str, list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = {}
        self.odd: list[NDArray[np.int32]] = []
        self.bad_checksums: list[NDArray[np.int32]] = []
        self.decimals = dict.fromkeys(sorted(DENSE + RARE), 0)

    def add(self, part: Part, begin: int, end: int) -> None:
        """Put the block `begin` to `end` of the text behind those before it."""
        share = end / max(len(self.data), 1)
        first = np.int32(self.lines)
        self.start.add(part.line_start[: len(part.line_start) - 1 if end else 0], share, begin)
        self.event_line.add(part.event_line, share, self.lines)
        self.code.add(part.code, share)
        for column, values in zip(self.dense, part.dense, strict=True):
            column.add(values, share)
        self.comments.append((part.comment_line + first, part.comment_start + begin))
        line, letter, value = part.words
        self.words.append((line + first, letter, value))
        for key, (at, value) in part.rare.items():
            self.rare.setdefault(key, []).append((at + self.events, value))
        self.odd.append(part.odd + first)
        self.bad_checksums.append(part.bad_checksums + first)
        self.decimals = {key: max(most, part.decimals[key]) for key, most in self.decimals.items()}
        self.lines += len(part.line_start) - 1
        self.events += len(part.event_line)

    def scanned(self) -> Scanned:
        """All that was put in; nothing can be any more."""
        data = self.data
        self.start.add(np.array([len(data)]), 1.0)
        crlf = data.count(b"\r\n", 0, _NEWLINE_SAMPLE) * 2 > data.count(b"\n", 0, _NEWLINE_SAMPLE)
        x, y, z, e, f = (column.done() for column in self.dense)
        sparse = {}
        for key in RARE:
            if key in self.rare:
                at, value = _columns_of(self.rare[key])
                sparse[key] = at, value
        return Scanned(
            Lines(data, self.start.done(), b"\r\n" if crlf else b"\n", self.name),
            Comments(*_columns_of(self.comments)),
            Events(self.event_line.done(), self.code.done(), x, y, z, e, f, sparse),
            Words(*_columns_of(self.words)),
            np.concatenate(self.odd),
            self.decimals,
            np.concatenate(self.bad_checksums),
        )


def modes_and_states(scanned: Scanned) -> tuple[Modes, dict[str, object]]:
    """Modes that give the words their meaning, and the tracks of everything else that commands set.

    G91 makes E relative until M82 or G90 comes; M82 and M83 alone decide otherwise. Firmware differs in whether M82
    behind a G91 counts; who says it there means it.
    """
    commands = st.Commands(scanned.words)
    data, start, odd = scanned.lines.data, scanned.lines.start, scanned.odd
    velocity = st.extended_commands(data, start, odd, b"SET_VELOCITY_LIMIT")
    heaters = st.extended_commands(data, start, odd, b"SET_HEATER_TEMPERATURE")
    constant = st.constant_track
    xyz = st.merge(0.0, constant(commands, "G", 90, 0.0), constant(commands, "G", 91, 1.0))
    m83 = st.merge(0.0, constant(commands, "M", 82, 0.0), constant(commands, "M", 83, 1.0))
    along = st.merge(
        0.0, *(constant(commands, *one) for one in (("G", 90, 0.0), ("G", 91, 1.0), ("M", 82, 0.0)))
    )
    lines = np.union1d(along.line, m83.line).astype(np.int32)
    after = lines + 1
    e_relative = Track(lines, np.maximum(along.at(after), m83.at(after)), 0.0)
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
