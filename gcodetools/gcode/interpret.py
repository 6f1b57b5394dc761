"""Words to moves: where each move ends and how much filament it pushes, under the modes in force.

Every coordinate is a scan over events that either set a value (an absolute word, G92) or add to it (a
relative word): position = last set value + sum of what was added since. Where nothing is relative the sums
are zero and a value comes out as the very double that was read.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import centre_from_radius, radii_differ, sweep_of
from gcodetools.gcode.arrays import spans_of
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
from gcodetools.records import dataclass

__all__ = [
    "DWELL_CODE",
    "HOME",
    "RETRACT_CODE",
    "SET",
    "UNRETRACT_CODE",
    "Events",
    "Interpreted",
    "Modes",
    "Start",
    "moves_of",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
Bool = NDArray[np.bool_]
T = TypeVar("T", bound=np.generic)
DWELL_CODE, RETRACT_CODE, UNRETRACT_CODE, HOME, SET = 4, 10, 11, 28, 92
_INCH_MM = 25.4
_SAME_MM = 1e-6  # nearer than any file's decimals: sums of relative words and offsets leave rounding noise


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
    """Tracks that decide what a word means.

    arc_absolute : 1 where I, J and K are the centre itself instead of the way to it from the start (NIST
    RS274/NGC has the latter only; G90.1 and G91.1 are common practice, no source).
    """

    e_relative: Track
    xyz_relative: Track
    inches: Track
    plane: Track
    volumetric: Track
    tool: Track
    arc_absolute: Track = field(default_factory=lambda: track(np.empty(0, np.int32), np.empty(0), 0.0))


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
    """Moves, arcs, dwells, G92 offsets and the E counter before each row.

    uneven_arcs : lines of the arcs whose end lies on another circle than their start (`arcs.radii_differ`).
    """

    moves: Moves
    arcs: Arcs
    dwell_row: I4
    dwell_s: F8
    offsets: tuple[Track, Track, Track]
    e_counter_before: F8 | None
    uneven_arcs: I4


def _in_force(steps: Track, line: I4) -> F8:
    """`Track.at` for ascending lines: a few slices instead of a search a line."""
    return _spread(np.concatenate([[steps.initial], steps.value]), steps.line, line)


def _spread(values: NDArray[T], steps: I4, line: I4) -> NDArray[T]:
    """Of (k + 1,) values, each in force behind one of k lines, that of each of the ascending `line`."""
    edges = np.searchsorted(line, steps, side="right")
    return np.repeat(values, np.diff(edges, prepend=0, append=len(line)))


def _flags(steps: Track, line: I4) -> Bool | None:
    """Where a mode is on; None where it never is."""
    if steps.initial != 1.0 and not np.any(steps.value == 1.0):
        return None
    return _spread(np.concatenate([[steps.initial], steps.value]) == 1.0, steps.line, line)


def _hold(value: F8, is_set: Bool, start: float) -> None:
    """Write over each value that of the last True at or before it; `start` before the first."""
    last = start
    for low, high in spans_of(len(value)):
        mine = value[low:high]
        gap = np.flatnonzero(~is_set[low:high])
        if len(gap) == len(mine):
            mine[:] = last
        elif len(gap):
            first = np.flatnonzero(np.diff(gap, prepend=-2) != 1)
            source = gap[first] - 1
            fill = np.where(source >= 0, mine[source], last)
            mine[gap] = np.repeat(fill, np.diff(first, append=len(gap)))
        last = mine[-1]


def _follow(value: F8, is_set: Bool, is_add: Bool | None, start: float) -> F8:
    """Position after each event (see the module), written over `value`."""
    if is_add is None or not np.any(is_add):
        _hold(value, is_set, start)
        return value
    total = np.cumsum(np.where(is_add, value, 0.0))
    added = total.copy()
    _hold(added, is_set, 0.0)
    np.subtract(total, added, out=added)
    _hold(value, is_set, start)
    value += added
    return value


@dataclass(frozen=True, slots=True)
class _Origins:
    """Events that say where a machine is without moving it: those of G92, and of G28 without a word."""

    sets: NDArray[np.int64]
    homes: NDArray[np.int64]
    bare: Bool

    @classmethod
    def of(cls, events: Events) -> _Origins:
        """Those of `events`."""
        homes = np.flatnonzero(events.code == HOME)
        bare = np.isnan(events.x[homes]) & np.isnan(events.y[homes]) & np.isnan(events.z[homes])
        return cls(np.flatnonzero(events.code == SET), homes, bare)


def _axis(
    events: Events,
    origins: _Origins,
    word: F8,
    relative: Bool | None,
    moving: Bool,
    start: float,
    offset: float,
) -> tuple[F8, Track]:
    """Machine coordinate of one axis after each event, written over `word`, and its G92 offset."""
    present = ~np.isnan(word)
    setting = origins.sets[present[origins.sets]]
    homing = origins.homes[present[origins.homes] | origins.bare]
    word[homing] = 0.0
    is_set = present
    is_set &= moving
    is_add = None
    if relative is not None:
        is_add = is_set & relative
        is_set &= ~relative
    is_set[homing] = True
    is_set[setting] = True
    logical = _follow(word, is_set, is_add, start)
    if len(setting) == 0 and (len(homing) == 0 or offset == 0.0):
        if offset:
            logical += offset
        return logical, track(np.empty(0, np.int32), np.empty(0), offset)
    before = np.where(setting > 0, logical[np.maximum(setting - 1, 0)], start)
    at = np.concatenate([setting, homing])
    step = np.concatenate([before - logical[setting], np.zeros(len(homing))])
    reset = np.concatenate([np.zeros(len(setting), bool), np.ones(len(homing), bool)])
    order = np.argsort(at, kind="stable")
    at, step, reset = at[order], step[order], reset[order]
    total = np.cumsum(step)
    since = total.copy()
    _hold(since, reset, -offset)
    shift = total - since
    shifts = track(events.line[at], shift, offset)
    logical += np.repeat(np.concatenate([[offset], shift]), np.diff(at, prepend=0, append=len(logical)))
    return logical, shifts


def _set_bare(events: Events) -> None:
    """G92 without any letter sets every axis to zero (common practice, no source)."""
    bare = np.flatnonzero(events.code == SET)
    columns = (events.x, events.y, events.z, events.e)
    for column in columns:
        bare = bare[np.isnan(column[bare])]
    for column in columns:
        column[bare] = 0.0


def moves_of(
    events: Events, modes: Modes, start: Start, keep_counter: bool = False, use_up: bool = False
) -> Interpreted:
    """Moves of `events` (in file order) under `modes`.

    Coordinates are machine coordinates: what G92 shifts is added back, so a travel before and after a G92
    stays where it is on the bed. Arcs without a centre become straight lines.

    use_up : the columns of `events` but for its codes become those of the moves and hold no words any more.
    """
    if not use_up:
        events = replace(events, **{name: getattr(events, name).copy() for name in ("line", *"xyzef")})
    _set_bare(events)
    line, code = events.line, events.code
    is_move = code <= 3
    inches = _flags(modes.inches, line)
    unit = None if inches is None else np.where(inches, _INCH_MM, 1.0)
    if unit is not None:
        for column in (events.x, events.y, events.z, events.e, events.f):
            column *= unit
    relative = _flags(modes.xyz_relative, line)
    endstop = None
    if "H" in events.sparse:
        at, value = events.sparse["H"]
        endstop = np.zeros(len(line), bool)
        endstop[at[(value > 0) & is_move[at]]] = True
    moving = is_move if endstop is None else is_move & ~endstop
    origins = _Origins.of(events)
    px, ox = _axis(events, origins, events.x, relative, moving, start.x, start.offset[0])
    py, oy = _axis(events, origins, events.y, relative, moving, start.y, start.offset[1])
    pz, oz = _axis(events, origins, events.z, relative, moving, start.z, start.offset[2])
    pushed, counter = _filament(events, modes, start.e, is_move, keep_counter)
    is_set = ~np.isnan(events.f)
    is_set &= is_move
    np.divide(events.f, 60.0, out=events.f)
    feed = _follow(events.f, is_set, None, start.f)

    kind = _kinds(code, px, py, pushed, endstop, start, (ox.initial, oy.initial))
    origin = (start.x + ox.initial, start.y + oy.initial, start.z + oz.initial)
    gone = np.sort(np.concatenate([origins.sets, origins.homes]))
    arcs, uneven = _arcs(events, gone, kind, (px, py, pz), origin, modes, unit, (ox, oy, oz))
    dwell = np.flatnonzero(kind & DWELL)
    dwell_s = _dwell_s(events, dwell)
    before = None
    if counter is not None:
        before = np.delete(np.concatenate([[start.e], counter])[:-1], gone)
    line = _without(line, gone)
    x, y, z, e, f = (_without(column, gone) for column in (px, py, pz, pushed, feed))
    moves = Moves(line, x, y, z, e, f, _without(kind, gone), _tools(modes.tool, line))
    return Interpreted(moves, arcs, _row_of(dwell, gone), dwell_s, (ox, oy, oz), before, uneven)


def _row_of(event: NDArray[np.int64], gone: NDArray[np.int64]) -> I4:
    """Row of events that are moves. gone : ascending, the events that are none."""
    return (event - np.searchsorted(gone, event)).astype(np.int32)


def _without(column: NDArray[T], gone: NDArray[np.int64]) -> NDArray[T]:
    """`column` without the entries `gone` (ascending), moved up within its own memory."""
    if len(gone) == 0:
        return column
    count = int(gone[0])
    keep = np.ones(len(column), bool)
    keep[gone] = False
    for low, high in spans_of(len(column), count):
        kept = column[low:high][keep[low:high]]
        column[count : count + len(kept)] = kept
        count += len(kept)
    column.resize(count, refcheck=False)
    return column


def _tools(tool: Track, line: I4) -> NDArray[np.uint8]:
    """Tool of each row; where it never changes a single number stands for all of them."""
    values = np.concatenate([[tool.initial], tool.value])
    number = np.clip(np.nan_to_num(values), 0, 255).astype(np.uint8)
    if np.all(number == number[0]):
        return np.broadcast_to(number[0], len(line))
    edges = np.searchsorted(line, tool.line, side="right")
    return np.repeat(number, np.diff(edges, prepend=0, append=len(line)))


def _steps_of(value: F8, start: float) -> F8:
    """What each value adds to the one before it, `start` before the first; written over them."""
    before = start
    for low, high in spans_of(len(value)):
        mine = value[low:high]
        last = mine[-1]
        mine[1:] = mine[1:] - mine[:-1]
        mine[0] -= before
        before = last
    return value


def _filament(
    events: Events, modes: Modes, start: float, is_move: Bool, keep_counter: bool
) -> tuple[F8, F8 | None]:
    """Filament pushed by each event, mm, and the E counter after it (None where nobody needs it). Uses up the
    words."""
    word = events.e
    relative = _flags(modes.e_relative, events.line)
    present = ~np.isnan(word)
    moving = present & is_move
    is_add = None if relative is None else moving & relative
    absolute = moving if is_add is None else moving & ~is_add
    counter = None
    if keep_counter or np.any(absolute):
        is_set = absolute | ((events.code == SET) & present)
        counter = _follow(word if is_add is None else word.copy(), is_set, is_add, start)
        pushed = _steps_of(counter.copy() if keep_counter else counter, start)
        pushed[~absolute] = 0.0
        if is_add is not None:
            np.copyto(pushed, word, where=is_add)
    else:
        pushed = word
        pushed[slice(None) if is_add is None else ~is_add] = 0.0
    if len(modes.volumetric.line) or modes.volumetric.initial != 1.0:
        pushed *= _in_force(modes.volumetric, events.line)
    return pushed, counter


def _kinds(
    code: NDArray[np.uint8],
    x: F8,
    y: F8,
    e: F8,
    endstop: Bool | None,
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
    still &= code <= 1
    alone = np.flatnonzero(still)
    kind[alone[e[alone] < 0]] |= RETRACT
    kind[alone[e[alone] > 0]] |= UNRETRACT
    if endstop is not None:
        kind[endstop] |= ENDSTOP
    return kind


def _arcs(
    events: Events,
    gone: NDArray[np.int64],
    kind: NDArray[np.uint8],
    xyz: tuple[F8, F8, F8],
    origin: tuple[float, float, float],
    modes: Modes,
    unit: F8 | None,
    offsets: tuple[Track, Track, Track],
) -> tuple[Arcs, I4]:
    """Arcs of the moves, which are the events but for `gone`, and the lines of those whose ends lie on different
    circles; one without a radius becomes a straight line in `kind`."""
    event = np.flatnonzero((kind & ARC) != 0)
    line = events.line[event]
    planes = np.nan_to_num(_in_force(modes.plane, line), nan=17.0).astype(np.uint8)
    if len(event) == 0:
        empty = np.empty(0)
        return Arcs(np.empty(0, np.int32), empty, empty, empty, empty, empty, planes), line
    before = np.maximum(event - 1, 0)
    begin_xyz = [np.where(event == 0, o, c[before]) for o, c in zip(origin, xyz, strict=True)]
    end_xyz = [c[event] for c in xyz]
    scale = 1.0 if unit is None else unit[event]
    words = [events.rare(letter, event) * scale for letter in "IJK"]
    absolute = _flags(modes.arc_absolute, line)
    centre = [
        start + np.nan_to_num(word)
        if absolute is None
        else np.where(absolute & ~np.isnan(word), word + _in_force(shift, line), start + np.nan_to_num(word))
        for start, word, shift in zip(begin_xyz, words, offsets, strict=True)
    ]
    first, second = np.choose(planes - 17, (0, 2, 1)), np.choose(planes - 17, (1, 0, 2))
    x0, y0 = np.choose(first, begin_xyz), np.choose(second, begin_xyz)
    x1, y1 = np.choose(first, end_xyz), np.choose(second, end_xyz)
    cx, cy = np.choose(first, centre), np.choose(second, centre)
    clockwise = (kind[event] & CLOCKWISE) != 0
    radius_word = events.rare("R", event) * scale
    by_radius = ~np.isnan(radius_word)
    if np.any(by_radius):
        rx, ry = centre_from_radius(x0, y0, x1, y1, np.nan_to_num(radius_word), clockwise)
        cx, cy = np.where(by_radius, rx, cx), np.where(by_radius, ry, cy)
    begin, end = np.arctan2(y0 - cy, x0 - cx), np.arctan2(y1 - cy, x1 - cx)
    closed = (np.hypot(x1 - x0, y1 - y0) < _SAME_MM) & ~by_radius
    turns = np.nan_to_num(events.rare("P", event), nan=1.0)
    sweep = sweep_of(begin, end, clockwise, closed, turns)
    radius = np.hypot(x0 - cx, y0 - cy)
    other = np.where(by_radius, np.abs(radius_word), np.hypot(x1 - cx, y1 - cy))
    round_ = radius >= _SAME_MM
    kind[event[~round_]] = LINE
    row = _row_of(event, gone)
    uneven = line[round_ & radii_differ(radius, other)]
    return Arcs(*(c[round_] for c in (row, cx, cy, radius, begin, sweep, planes))), uneven


def _dwell_s(events: Events, index: NDArray[np.int64]) -> F8:
    """G4: P in milliseconds, S in seconds (common practice, no source)."""
    seconds = events.rare("S", index)
    return np.nan_to_num(np.where(np.isnan(seconds), events.rare("P", index) / 1000.0, seconds))
