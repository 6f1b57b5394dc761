"""Words to moves: where each move ends and how much filament it pushes, under the modes in force.

Every coordinate is a scan over events that either set a value (an absolute word, G92) or add to it (a
relative word): position = last set value + sum of what was added since. Where nothing is relative the sums
are zero and a value comes out as the very double that was read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import centre_from_radius, sweep_of
from gcodetools.gcode.program import (
    ARC,
    CLOCKWISE,
    DWELL,
    ENDSTOP,
    LINE,
    RAPID,
    RETRACT,
    UNRETRACT,
    Arcs,
    Moves,
    Track,
)
from gcodetools.gcode.states import track

__all__ = [
    "DWELL_CODE",
    "HOME",
    "RETRACT_CODE",
    "SET",
    "UNRETRACT_CODE",
    "Events",
    "Modes",
    "Start",
    "moves_of",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
DWELL_CODE, RETRACT_CODE, UNRETRACT_CODE, HOME, SET = 4, 10, 11, 28, 92
_INCH_MM = 25.4


@dataclass(frozen=True, slots=True)
class Events:
    """Lines that move something or redefine where it is, (k,) each, words NaN where missing.

    code : the G number, 0 to 4, 10, 11, 28 or 92. x y z e f as written. sparse : (index into these
    columns, value) of the rare words I J K R P S H.
    """

    line: I4
    code: NDArray[np.uint8]
    x: F8
    y: F8
    z: F8
    e: F8
    f: F8
    sparse: dict[str, tuple[NDArray[np.int64], F8]]

    def rare(self, letter: str, index: NDArray[np.int64]) -> F8:
        """Values of a rare word at the events `index`, NaN where missing."""
        at, value = self.sparse.get(letter, (np.empty(0, np.int64), np.empty(0)))
        out = np.full(len(index), np.nan)
        if len(at):
            where = np.minimum(np.searchsorted(at, index), len(at) - 1)
            hit = at[where] == index
            out[hit] = value[where[hit]]
        return out


@dataclass(frozen=True, slots=True)
class Modes:
    """Tracks that decide what a word means."""

    e_relative: Track
    xyz_relative: Track
    inches: Track
    plane: Track
    volumetric: Track
    tool: Track


@dataclass(frozen=True, slots=True)
class Start:
    """Where the machine stands before the first line: logical position, E counter, feed (mm/s), offsets."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0
    e: float = 0.0
    f: float = float("nan")
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Interpreted:
    """Moves, arcs, dwells, G92 offsets and the E counter before each row."""

    moves: Moves
    arcs: Arcs
    dwell_row: I4
    dwell_s: F8
    offsets: tuple[Track, Track, Track]
    e_counter_before: F8 | None


def _last(flag: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Index of the last True at or before each place, -1 before the first."""
    index = np.where(flag, np.arange(len(flag), dtype=np.int32), np.int32(-1))
    return np.maximum.accumulate(index, out=index)


def _follow(value: F8, is_set: NDArray[np.bool_], is_add: NDArray[np.bool_] | None, start: float) -> F8:
    """Position after each event (see the module)."""
    last = _last(is_set)
    held = value[last]
    if len(last) and last[0] < 0:
        held[: int(np.searchsorted(last, 0))] = start
    if is_add is None or not np.any(is_add):
        return held
    total = np.cumsum(np.where(is_add, value, 0.0))
    base = np.where(last >= 0, total[np.maximum(last, 0)], 0.0)
    moved: F8 = held + (total - base)
    return moved


def _axis(
    events: Events,
    word: F8,
    relative: NDArray[np.bool_] | None,
    moving: NDArray[np.bool_],
    letter: str,
    start: float,
    offset: float,
) -> tuple[F8, Track]:
    """Machine coordinate of one axis after each event, and its G92 offset."""
    present = ~np.isnan(word)
    setting = np.flatnonzero((events.code == SET) & present)
    homing = np.flatnonzero(events.code == HOME)
    if len(homing):
        named = ~np.isnan(word[homing])
        any_named = ~(np.isnan(events.x[homing]) & np.isnan(events.y[homing]) & np.isnan(events.z[homing]))
        homing = homing[named | ~any_named]
    value = word
    is_set = present & moving
    is_add = None
    if relative is not None:
        is_add = is_set & relative
        is_set = is_set & ~relative
    if len(homing) or len(setting):
        value = word.copy()
        value[homing] = 0.0
        is_set = is_set.copy()
        is_set[homing] = True
        is_set[setting] = True
    logical = _follow(value, is_set, is_add, start)
    if len(setting) == 0:
        return logical + offset if offset else logical, track(np.empty(0, np.int32), np.empty(0), offset)
    before = np.where(setting > 0, logical[np.maximum(setting - 1, 0)], start)
    shift = before - logical[setting]
    events_at = np.concatenate([setting, homing])
    step = np.concatenate([shift, np.zeros(len(homing))])
    reset = np.concatenate([np.zeros(len(setting), bool), np.ones(len(homing), bool)])
    order = np.argsort(events_at, kind="stable")
    events_at, step, reset = events_at[order], step[order], reset[order]
    total = np.cumsum(step) + offset
    last_reset = _last(reset)
    total = np.where(last_reset >= 0, total - total[np.maximum(last_reset, 0)], total)
    shifts = track(events.line[events_at], total, offset)
    after = np.searchsorted(events_at, np.arange(len(logical)), side="right") - 1
    return logical + np.where(after >= 0, total[np.maximum(after, 0)], offset), shifts


def moves_of(events: Events, modes: Modes, start: Start, keep_counter: bool = False) -> Interpreted:
    """Moves of `events` (in file order) under `modes`.

    Coordinates are machine coordinates: what G92 shifts is added back, so a travel before and after a G92
    stays where it is on the bed.
    """
    line, code = events.line, events.code
    is_move = code <= 3
    inches = modes.inches.at(line) == 1.0
    unit = np.where(inches, _INCH_MM, 1.0) if np.any(inches) else None
    x, y, z, e_word, f = (
        (w if unit is None else w * unit) for w in (events.x, events.y, events.z, events.e, events.f)
    )
    relative = modes.xyz_relative.at(line) == 1.0
    rel = relative if np.any(relative) else None
    endstop = np.zeros(len(line), bool)
    if "H" in events.sparse:
        at, value = events.sparse["H"]
        endstop[at[(value > 0) & is_move[at]]] = True
    moving = is_move & ~endstop if np.any(endstop) else is_move
    px, ox = _axis(events, x, rel, moving, "X", start.x, start.offset[0])
    py, oy = _axis(events, y, rel, moving, "Y", start.y, start.offset[1])
    pz, oz = _axis(events, z, rel, moving, "Z", start.z, start.offset[2])
    pushed, counter = _filament(events, e_word, modes, start.e, is_move)
    feed = _follow(f, ~np.isnan(f) & is_move, None, start.f * 60.0) / 60.0

    rows = (
        np.flatnonzero(code != SET)
        if not np.any(code == HOME)
        else np.flatnonzero((code != SET) & (code != HOME))
    )
    everything = len(rows) == len(line)
    before = None
    if keep_counter:
        before = np.concatenate([[start.e], counter[:-1]]) if len(counter) else counter
    kind = _kinds(code, px, py, pushed, endstop, start, (ox.initial, oy.initial))

    def pick(column: NDArray[np.generic]) -> NDArray[np.generic]:
        return column if everything else column[rows]

    tool = np.clip(modes.tool.at(line), 0, 255).astype(np.uint8)
    moves = Moves(*(pick(c) for c in (line, px, py, pz, pushed, feed, kind, tool)))  # type: ignore[arg-type]
    arcs = _arcs(events, rows, moves, modes.plane, unit, start)
    dwell = np.flatnonzero(moves.kind & DWELL)
    seconds = _dwell_s(events, rows[dwell])
    for column in (moves.line, moves.x, moves.y, moves.z, moves.e, moves.f, moves.kind, moves.tool):
        column.setflags(write=False)
    return Interpreted(
        moves,
        arcs,
        dwell.astype(np.int32),
        seconds,
        (ox, oy, oz),
        before if before is None else pick(before),  # type: ignore[arg-type]
    )


def _filament(
    events: Events, word: F8, modes: Modes, start: float, is_move: NDArray[np.bool_]
) -> tuple[F8, F8]:
    """Filament pushed by each event, mm, and the E counter after it."""
    relative = modes.e_relative.at(events.line) == 1.0
    present = ~np.isnan(word)
    moving = present & is_move
    bare_set = (events.code == SET) & ~present
    if np.any(bare_set):
        no_axis = np.isnan(events.x) & np.isnan(events.y) & np.isnan(events.z)
        word = np.where(bare_set & no_axis, 0.0, word)
        present = ~np.isnan(word)
    is_add = moving & relative
    is_set = (moving & ~relative) | ((events.code == SET) & present)
    counter = _follow(word, is_set, is_add if np.any(relative) else None, start)
    pushed = np.zeros(len(word))
    np.copyto(pushed, word, where=is_add)
    absolute = np.flatnonzero(moving & ~relative)
    if len(absolute):
        before = np.where(absolute > 0, counter[np.maximum(absolute - 1, 0)], start)
        pushed[absolute] = counter[absolute] - before
    if len(modes.volumetric.line):
        pushed = pushed * modes.volumetric.at(events.line)
    return pushed, counter


def _kinds(
    code: NDArray[np.uint8],
    x: F8,
    y: F8,
    e: F8,
    endstop: NDArray[np.bool_],
    start: Start,
    offset: tuple[float, float],
) -> NDArray[np.uint8]:
    table = np.zeros(256, np.uint8)
    table[0], table[1], table[2], table[3] = LINE | RAPID, LINE, ARC | CLOCKWISE, ARC
    table[DWELL_CODE], table[RETRACT_CODE], table[UNRETRACT_CODE] = DWELL, RETRACT, UNRETRACT
    kind = table[code]
    still = np.empty(len(x), bool)
    if len(x):
        still[0] = x[0] == start.x + offset[0] and y[0] == start.y + offset[1]
        np.equal(x[1:], x[:-1], out=still[1:])
        still[1:] &= y[1:] == y[:-1]
    still &= (code == 0) | (code == 1)
    kind[still & (e < 0)] |= RETRACT
    kind[still & (e > 0)] |= UNRETRACT
    kind[endstop] |= ENDSTOP
    return kind


def _arcs(
    events: Events, rows: NDArray[np.int64], moves: Moves, plane: Track, unit: F8 | None, start: Start
) -> Arcs:
    row = np.flatnonzero(moves.kind & ARC)
    event = rows[row]
    planes = (
        np.where(np.isnan(p := plane.at(events.line[event])), 17, p).astype(np.uint8)
        if len(row)
        else np.empty(0, np.uint8)
    )
    before = np.maximum(row - 1, 0)
    first_row = row == 0
    origin = (start.x + start.offset[0], start.y + start.offset[1], start.z + start.offset[2])
    begin_xyz = [
        np.where(first_row, o, c[before]) for o, c in zip(origin, (moves.x, moves.y, moves.z), strict=True)
    ]
    end_xyz = [moves.x[row], moves.y[row], moves.z[row]]
    scale = 1.0 if unit is None else unit[event]
    ijk = [np.nan_to_num(events.rare(letter, event) * scale) for letter in "IJK"]
    radius_word = events.rare("R", event) * scale
    first, second = np.choose(planes - 17, (0, 2, 1)), np.choose(planes - 17, (1, 0, 2))
    if len(row) == 0:
        empty = np.empty(0)
        return Arcs(row.astype(np.int32), empty, empty, empty, empty, empty, planes)

    def along(triple: list[F8], which: NDArray[np.integer]) -> F8:
        return np.choose(which, triple)

    x0, y0 = along(begin_xyz, first), along(begin_xyz, second)
    x1, y1 = along(end_xyz, first), along(end_xyz, second)
    clockwise = (moves.kind[row] & CLOCKWISE) != 0
    cx, cy = x0 + along(ijk, first), y0 + along(ijk, second)
    by_radius = ~np.isnan(radius_word)
    if np.any(by_radius):
        rx, ry = centre_from_radius(x0, y0, x1, y1, np.nan_to_num(radius_word), clockwise)
        cx, cy = np.where(by_radius, rx, cx), np.where(by_radius, ry, cy)
    begin, end = np.arctan2(y0 - cy, x0 - cx), np.arctan2(y1 - cy, x1 - cx)
    closed = (x0 == x1) & (y0 == y1) & ~by_radius
    turns = np.nan_to_num(events.rare("P", event), nan=1.0)
    sweep = sweep_of(begin, end, clockwise, closed, turns)
    radius = np.hypot(x0 - cx, y0 - cy)
    return Arcs(row.astype(np.int32), cx, cy, radius, begin, sweep, planes)


def _dwell_s(events: Events, index: NDArray[np.int64]) -> F8:
    """G4: P in milliseconds, S in seconds (common practice, no source)."""
    seconds = events.rare("S", index)
    return np.nan_to_num(np.where(np.isnan(seconds), events.rare("P", index) / 1000.0, seconds))
