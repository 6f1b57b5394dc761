"""Seconds and filament of a plate by feature, layer and region; each table adds up to the whole.

Every row counts once in each table. Regions take t1 - t0 of their rows; where they overlap, the one written
first has it; what is in none is `rest`. Some rows are looked at at a time, so that no column of the plate's
length is made.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import DWELL, RETRACT, UNRETRACT
from gcodetools.kit.selection import Selection
from gcodetools.marks.types import Spans
from gcodetools.physics.timing import Retimed, Times
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURES
from gcodetools.toolpath.plate import Plate

__all__ = [
    "END",
    "HEATING",
    "KINDS",
    "OUTSIDE",
    "REST",
    "START",
    "TOOLS",
    "Costs",
    "Extra",
    "Side",
    "Table",
    "add_up",
    "add_up_sides",
    "claimed",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

TRAVEL, RETRACTION, WAIT, START, END, HEATING, TOOLS = (
    "travel", "retraction", "wait", "start", "end", "heating", "tools",
)  # fmt: skip
KINDS: tuple[str, ...] = (*FEATURES[1:], TRAVEL, RETRACTION, WAIT, START, END, HEATING, TOOLS)
_INDEX = {word: k for k, word in enumerate(KINDS)}
_OF_FEATURE = np.array([_INDEX[TRAVEL], *range(len(FEATURES) - 1)], np.int64)
# What waits there counts as: some kinds hold all of their time.
_WAITING = np.array([_INDEX[k if k in (RETRACTION, TOOLS, START, END) else WAIT] for k in KINDS], np.int64)
REST, OUTSIDE = "rest", "outside"
_ROWS = 1 << 16
_THREADS = 2
_TOOLS = 256


@dataclass(frozen=True, slots=True)
class Extra:
    """Time that no move takes: row (k,) int64 ascending before which the machine waits (the number of rows
    behind the last), seconds (k,). kind : HEATING or TOOLS."""

    kind: str
    row: I8
    seconds: F8


@dataclass(frozen=True, slots=True)
class Table:
    """Sums by name, columns of one length: seconds, heating_s the part of them that is waiting for heat,
    filament_mm pushed (what is pulled back counts as less)."""

    names: tuple[str, ...]
    seconds: F8
    heating_s: F8
    filament_mm: F8

    @classmethod
    def zeros(cls, names: Sequence[str]) -> Table:
        """A table without anything in it yet."""
        none = np.zeros(len(names))
        return cls(tuple(names), none, none.copy(), none.copy())


@dataclass(frozen=True, slots=True)
class Costs:
    """What a plate takes: `whole` (one entry), by `features` (KINDS), by `layers` (the plate's, then OUTSIDE) and
    by `regions` (as given, then REST). pushed_mm : (256,) filament by tool."""

    whole: Table
    features: Table
    layers: Table
    regions: Table
    pushed_mm: F8


@dataclass(frozen=True, slots=True)
class _Rows:
    """The rows of a plate by kind. fresh_tool : marked spans in which the tool changes."""

    plate: Plate
    first: int
    last: int
    fresh_tool: Spans = field(repr=False)

    @classmethod
    def of(cls, plate: Plate, planned: Times) -> _Rows:
        towers, moves = plate.marks.towers, plate.moves
        first, last = planned.first_row, planned.last_row
        if len(towers) == 0 or len(moves) == 0:
            return cls(plate, first, last, Spans.none())
        before = np.maximum(np.searchsorted(moves.line, towers.first) - 1, 0)
        behind = np.minimum(np.searchsorted(moves.line, towers.last, side="right"), len(moves) - 1)
        changes = moves.tool[before] != moves.tool[behind]
        return cls(plate, first, last, Spans(towers.first[changes], towers.last[changes]))

    def kinds(self, low: int, high: int) -> I8:
        """Index into KINDS of the motion of the rows [low, high)."""
        plate, rows = self.plate, slice(low, high)
        code = _OF_FEATURE[plate.beads.feature[rows]]
        bare = np.flatnonzero(code == _INDEX[TRAVEL])
        kind = plate.moves.kind[low + bare]
        code[bare[(kind & (RETRACT | UNRETRACT)) != 0]] = _INDEX[RETRACTION]
        code[bare[(kind & DWELL) != 0]] = _INDEX[WAIT]
        if len(self.fresh_tool):
            code[bare[self.fresh_tool.holds(plate.moves.line[low + bare])]] = _INDEX[TOOLS]
        # A file without a bead is all start.
        begins = self.first if self.first >= 0 else len(plate.moves)
        code[: max(begins - low, 0)] = _INDEX[START]
        if self.first >= 0:
            code[max(self.last + 1 - low, 0) :] = _INDEX[END]
        return code


@dataclass(frozen=True, slots=True)
class Side:
    """What a plate's rows take, before a treatment or after it: seconds and what changes in them, times that no move
    takes, and mm of filament of the rows [low, high), None for what the plate itself pushes."""

    planned: Times
    extras: Sequence[Extra] = ()
    filament: Callable[[int, int], F8] | None = None
    changed: Retimed | None = None

    def seconds(self, low: int, high: int) -> F8:
        """Of the rows [low, high)."""
        if self.changed is None:
            return self.planned.seconds[low:high]
        return self.changed.between(self.planned, low, high)


def add_up(
    plate: Plate, planned: Times, regions: Sequence[tuple[str, Selection]] = (), extras: Sequence[Extra] = ()
) -> Costs:
    """Sum a plate's seconds and filament.

    Parameters
    ----------
    planned : seconds of its rows. regions : names with their stretches, the first-written first.
    """
    return add_up_sides(plate, [Side(planned, extras)], regions)[0]


def add_up_sides(
    plate: Plate, sides: Sequence[Side], regions: Sequence[tuple[str, Selection]] = ()
) -> list[Costs]:
    """The same of several sides of one plate, whose rows are looked up once."""
    layers = [*(str(k + 1) for k in range(len(plate.layers))), OUTSIDE]
    names = (("whole",), KINDS, layers, [*(name for name, _ in regions), REST])
    tables = [[Table.zeros(words) for words in names] for _ in sides]
    pushed = [np.zeros(_TOOLS) for _ in sides]
    lows = np.arange(0, len(plate.moves), _ROWS)
    rows = _Rows.of(plate, sides[0].planned)
    stretches = _Stretches.of([selection for _, selection in regions], lows, len(plate.moves))

    def sums(k: int) -> list[_Sums]:
        low, high = int(lows[k]), min(int(lows[k]) + _ROWS, len(plate.moves))
        places = _Places.of(plate, rows, stretches, k, low, high)
        return [_Sums.of(plate, side, places, [len(words) for words in names]) for side in sides]

    with ThreadPoolExecutor(_THREADS) as pool:
        for found in pool.map(sums, range(len(lows))):
            for mine, mm, one in zip(tables, pushed, found, strict=True):
                mm += one.pushed
                for at, seconds, filament in one.parts:
                    mine[at].seconds[:] += seconds
                    mine[at].filament_mm[:] += filament
    result = []
    for side, mine, mm in zip(sides, tables, pushed, strict=True):
        whole, features, by_layer, by_region = mine
        for extra in side.extras:
            _add_extra(extra, plate, whole, features, by_layer, by_region)
        result.append(Costs(whole, features, by_layer, by_region, mm))
    return result


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Stretches of regions, and where each block of rows begins in each of them."""

    selections: Sequence[Selection]
    begin: NDArray[np.integer]

    @classmethod
    def of(cls, selections: Sequence[Selection], lows: I8, count: int) -> _Stretches:
        """lows : the first row of each block. count : of all rows."""
        edges = np.append(lows, count)
        begin = [np.searchsorted(one.row, edges) for one in selections]
        return cls(selections, np.array(begin, np.int64).reshape(len(selections), len(edges)))

    def block(self, k: int) -> list[Selection]:
        """Those of each region that lie in a block."""
        spans = zip(self.selections, self.begin[:, k].tolist(), self.begin[:, k + 1].tolist(), strict=True)
        return [Selection(one.row[a:b], one.t0[a:b], one.t1[a:b]) for one, a, b in spans]


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the rows [low, high) count: their kind and layer; stretches of regions by row (from `low` on), share and
    region, and the share of each row that is in none."""

    low: int
    high: int
    kind: I8
    layer: I8
    row: I8
    share: F8
    region: I8
    rest: F8

    @classmethod
    def of(cls, plate: Plate, rows: _Rows, stretches: _Stretches, k: int, low: int, high: int) -> _Places:
        row, t0, t1, region = _claimed(stretches.block(k), low, high)
        row, share = row - low, t1 - t0
        layer = plate.beads.layer[low:high]
        rest = np.subtract(1.0, np.bincount(row, share, minlength=high - low), dtype=np.float64)
        at = np.where(layer >= 0, layer, len(plate.layers)).astype(np.int64)
        return cls(low, high, rows.kinds(low, high), at, row, share, region, rest)


@dataclass(frozen=True, slots=True)
class _Sums:
    """What a block of rows adds: table (as in `Costs`), seconds and mm; and mm by tool."""

    parts: tuple[tuple[int, F8, F8 | float], ...]
    pushed: F8

    @classmethod
    def of(cls, plate: Plate, side: Side, at: _Places, counts: list[int]) -> _Sums:
        part = slice(at.low, at.high)
        seconds, waiting = side.seconds(at.low, at.high), side.planned.waits_s[part]
        mm = plate.moves.e[part] if side.filament is None else side.filament(at.low, at.high)
        waits = np.flatnonzero(waiting)
        moving = seconds if len(waits) == 0 else seconds - waiting

        def by(index: I8, values: F8, table: int) -> F8:
            return np.bincount(index, values, minlength=counts[table]).astype(np.float64, copy=False)

        rest_s, rest_mm = np.zeros(counts[3]), np.zeros(counts[3])
        rest_s[-1], rest_mm[-1] = float((seconds * at.rest).sum()), float((mm * at.rest).sum())
        return cls(
            (
                (0, seconds.sum(keepdims=True), mm.sum(keepdims=True)),
                (1, by(at.kind, moving, 1), by(at.kind, mm, 1)),
                (1, by(_WAITING[at.kind[waits]], waiting[waits], 1), 0.0),
                (2, by(at.layer, seconds, 2), by(at.layer, mm, 2)),
                (3, by(at.region, seconds[at.row] * at.share, 3), by(at.region, mm[at.row] * at.share, 3)),
                (3, rest_s, rest_mm),
            ),
            np.bincount(plate.moves.tool[part], mm, minlength=_TOOLS).astype(np.float64, copy=False),
        )


def claimed(selections: Sequence[Selection], low: int, high: int) -> tuple[I8, F8, F8, I8]:
    """Stretches (row, t0, t1, index of the selection) of the rows [low, high), none over another."""
    spans = ((one, *np.searchsorted(one.row, (low, high)).tolist()) for one in selections)
    return _claimed([Selection(one.row[a:b], one.t0[a:b], one.t1[a:b]) for one, a, b in spans], low, high)


def _claimed(selections: Sequence[Selection], low: int, high: int) -> tuple[I8, F8, F8, I8]:
    """The same of selections that have no stretch elsewhere."""
    parts: list[tuple[I8, F8, F8, I8]] = [
        (np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.int64))
    ]
    for k, one in enumerate(selections):
        if len(one.row):
            parts.append((one.row, one.t0, one.t1, np.full(len(one.row), k)))
    row, t0, t1, owner = (np.concatenate(column) for column in zip(*parts, strict=True))
    many = np.bincount(row - low, minlength=1)[row - low] > 1
    if not np.any(many):
        return row, t0, t1, owner
    shared = _first_wins(row[many], t0[many], t1[many], owner[many])
    kept = (row[~many], t0[~many], t1[~many], owner[~many])
    a, b, c, d = (np.concatenate(pair) for pair in zip(kept, shared, strict=True))
    return a, b, c, d


def _first_wins(row: I8, t0: F8, t1: F8, owner: I8) -> tuple[I8, F8, F8, I8]:
    """Stretches cut where another begins or ends, each piece with the least of its owners."""
    at_row, at_t = np.concatenate([row, row]), np.concatenate([t0, t1])
    order = np.lexsort((at_t, at_row))
    at_row, at_t = at_row[order], at_t[order]
    new = np.ones(len(order), bool)
    new[1:] = (np.diff(at_row) != 0) | (np.diff(at_t) != 0)
    rank = np.empty(len(order), np.int64)
    rank[order] = np.cumsum(new) - 1
    at_row, at_t = at_row[new], at_t[new]
    begin, count = rank[: len(row)], rank[len(row) :] - rank[: len(row)]
    piece = np.repeat(begin - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
    nobody = np.iinfo(np.int64).max
    first = np.full(len(at_t), nobody)
    np.minimum.at(first, piece, np.repeat(owner, count))
    own = np.flatnonzero(first != nobody)
    return at_row[own], at_t[own], at_t[own + 1], first[own]


def _add_extra(
    extra: Extra, plate: Plate, whole: Table, features: Table, layers: Table, regions: Table
) -> None:
    """Time that no move takes: in no region, in the layer of the row it stands before."""
    total = float(extra.seconds.sum())
    count = len(plate.moves)
    layer = np.full(len(extra.row), -1)
    inside = extra.row < count
    layer[inside] = plate.beads.layer[extra.row[inside]]
    at = np.where(layer >= 0, layer, len(plate.layers))
    layers.seconds[:] += np.bincount(at, extra.seconds, minlength=len(layers.names))
    places = ((whole, 0), (features, _INDEX[extra.kind]), (regions, -1))
    for table, index in places:
        table.seconds[index] += total
    if extra.kind == HEATING:
        for table, index in places:
            table.heating_s[index] += total
        layers.heating_s[:] += np.bincount(at, extra.seconds, minlength=len(layers.names))
