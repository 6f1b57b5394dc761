"""The types that a read G-code file consists of: lines, comments, moves, arcs, states.

Line indices are 0-based everywhere in the code; messages and JSON add one. A row is one motion
command (G0 to G3, G4, bare G10/G11). All arrays are read-only. Lengths mm, angles radians unless the
name says `_deg`, speeds mm/s, temperatures C.
"""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = [
    "ARC",
    "CLOCKWISE",
    "DWELL",
    "ENDSTOP",
    "LINE",
    "RAPID",
    "RETRACT",
    "UNRETRACT",
    "Arcs",
    "Comments",
    "Lines",
    "Moves",
    "Program",
    "States",
    "Track",
    "Words",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]

LINE = 1  # G0, G1
ARC = 2  # G2, G3
CLOCKWISE = 4  # G2
DWELL = 8  # G4
RETRACT = 16  # pulls filament back without moving in X or Y (G10, or E below zero)
UNRETRACT = 32  # pushes it forward again without moving in X or Y (G11, or E above zero)
RAPID = 64  # G0
_FEW = 8

ENDSTOP = 128  # G1 H1: runs to an endstop, no part of bounds or distance


@dataclass(frozen=True, slots=True)
class Lines:
    """The file's bytes and where its lines start.

    data : the whole file.
    start : (n + 1,) int64, byte offset of each line; `start[n] == len(data)`.
    newline : the line end most lines have, `b"\\n"` or `b"\\r\\n"`.
    name : the file's name, for messages.
    """

    data: bytes
    start: I8
    newline: bytes
    name: str

    def __len__(self) -> int:
        return len(self.start) - 1

    def text(self, line: int) -> bytes:
        """Line `line` (0-based) without its line end."""
        return self.data[self.start[line] : self.start[line + 1]].rstrip(b"\r\n")


@dataclass(frozen=True, slots=True)
class Comments:
    """Lines that carry a comment.

    line : (k,) int32 ascending. start : (k,) int64, byte offset of its `;` or `(`.
    """

    line: I4
    start: I8


@dataclass(frozen=True, slots=True)
class Moves:
    """One row a motion command; see the module for units.

    line : (m,) int32, source line, -1 where the row is ours.
    x, y, z : (m,) float64, end point in machine coordinates (the start is the row before's end).
    e : (m,) float64, filament pushed by this move, mm (never the running E).
    f : (m,) float64, commanded feed in mm/s, NaN before the file's first F.
    kind : (m,) uint8, bits LINE ARC CLOCKWISE DWELL RETRACT UNRETRACT RAPID ENDSTOP.
    tool : (m,) uint8.
    """

    line: I4
    x: F8
    y: F8
    z: F8
    e: F8
    f: F8
    kind: U1
    tool: U1

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True, slots=True)
class Arcs:
    """Arc rows, sparse: `row` (k,) int32 sorted index into Moves.

    cx, cy : centre in the arc's plane, machine coordinates. radius : mm.
    begin : angle of the start point about the centre, radians. sweep : signed angle travelled,
    counter-clockwise positive, full turns included. plane : 17, 18 or 19 (G17 XY, G18 ZX, G19 YZ).
    """

    row: I4
    cx: F8
    cy: F8
    radius: F8
    begin: F8
    sweep: F8
    plane: U1


@dataclass(frozen=True, slots=True)
class Track:
    """A value that commands set: it holds for the lines after `line`.

    line : (k,) int32 ascending, the line of the command. value : (k,) float64.
    initial : what holds before the first command (NaN if unknown).
    """

    line: I4
    value: F8
    initial: float = float("nan")

    def at(self, lines: NDArray[np.integer]) -> F8:
        """Value in force just before each of `lines` runs."""
        if len(self.line) == 0:
            return np.full(np.shape(lines), self.initial)
        if len(lines) > _FEW and len(self.line) < len(lines) // _FEW and np.all(lines[1:] >= lines[:-1]):
            # Few commands among many ascending lines: repeat each value instead of looking up each line.
            first = np.searchsorted(lines, self.line, side="right")
            counts = np.diff(first, prepend=0, append=len(lines))
            return np.repeat(np.concatenate([[self.initial], self.value]), counts)
        index = np.searchsorted(self.line, np.asarray(lines, self.line.dtype), side="left") - 1
        return np.where(index >= 0, self.value[np.maximum(index, 0)], self.initial)


@dataclass(frozen=True, slots=True)
class Words:
    """Words of the lines that are no G0 to G3, and of those that have another command besides.

    line : (k,) int32 ascending. letter : (k,) uint8, upper-case ASCII. value : (k,) float64, NaN for a bare
    letter. The first word of a line, or the one behind its line number, is its command.
    """

    line: I4
    letter: U1
    value: F8


@dataclass(frozen=True, slots=True)
class States:
    """What commands other than moves have set, as tracks keyed by line.

    nozzle : a track a tool, C. fan : part fan, 0 to 1. speed_factor, flow_factor : M220, M221 (1 = 100 %).
    accel, travel_accel, retract_accel : mm/s2. jerk_xy : mm/s. e_relative, xyz_relative, inches : 0 or 1.
    tool : index. offset_* : what G92 has shifted, machine = logical + offset, mm.
    volumetric : filament mm per E unit (1 unless M200 D). plane : 17, 18 or 19. arc_absolute : 1 where I J K
    are the centre itself (G90.1).
    limits : lines of M201 M203 M205 M566 SET_VELOCITY_LIMIT, for the motion model.
    fan_full : the S of M106 that means full, 255 or 1.
    """

    tool: Track
    nozzle: dict[int, Track]
    bed: Track
    fan: Track
    speed_factor: Track
    flow_factor: Track
    accel: Track
    travel_accel: Track
    retract_accel: Track
    jerk_xy: Track
    e_relative: Track
    xyz_relative: Track
    inches: Track
    plane: Track
    volumetric: Track
    offset_x: Track
    offset_y: Track
    offset_z: Track
    limits: I4
    fan_full: float = 255.0
    arc_absolute: Track = field(default_factory=lambda: Track(np.empty(0, np.int32), np.empty(0), 0.0))


@dataclass(frozen=True, slots=True)
class Program:
    """A read file: bytes, moves and states. Knows no marks, layers or kit.

    dwell_s : row -> seconds is `dwell_row`, `dwell_s`. warnings : what was odd, as sentences.
    decimals : most decimals seen in the file for each of the letters X Y Z E F I J K R P S H, at most 9.
    odd : (k,) int32, lines with characters outside comments that belong to no plain word.
    """

    lines: Lines
    comments: Comments
    moves: Moves
    arcs: Arcs
    states: States
    words: Words
    dwell_row: I4
    dwell_s: F8
    decimals: dict[str, int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    odd: I4 = field(default_factory=lambda: np.empty(0, np.int32))
