"""Seconds and filament of a plate by feature, layer and region; each table adds up to the whole.

Every row counts once in each table. Regions take t1 - t0 of their rows; where they overlap, the one written
first has it; what is in none is `rest`. Some rows are looked at at a time, so that no column of the plate's
length is made.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import DWELL, RETRACT, UNRETRACT
from gcodetools.kit.selection import Selection
from gcodetools.marks.types import Spans
from gcodetools.physics.timing import Times
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
    "Table",
    "add_up",
    "claimed",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

TRAVEL, RETRACTION, WAIT, START, END, HEATING, TOOLS = (
    "travel", "retraction", "wait", "start", "end", "heating", "tools",
)  # fmt: skip
KINDS: tuple[str, ...] = (*FEATURES[1:], TRAVEL, RETRACTION, WAIT, START, END, HEATING, TOOLS)
_INDEX = {word: k for k, word in enumerate(KINDS)}
REST, OUTSIDE = "rest", "outside"
_ROWS = 1 << 16


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

    def add(self, index: NDArray[np.integer], seconds: F8, filament_mm: F8) -> None:
        """Add rows at `index`."""
        count = len(self.names)
        self.seconds[:] += np.bincount(index, seconds, minlength=count)
        self.filament_mm[:] += np.bincount(index, filament_mm, minlength=count)


@dataclass(frozen=True, slots=True)
class Costs:
    """What a plate takes: `whole` (one entry), by `features` (KINDS), by `layers` (the plate's, then OUTSIDE) and
    by `regions` (as given, then REST)."""

    whole: Table
    features: Table
    layers: Table
    regions: Table


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

    def kinds(self, low: int, high: int) -> tuple[I8, I8]:
        """Index into KINDS of the motion, and of the waiting, of the rows [low, high)."""
        plate, rows = self.plate, slice(low, high)
        kind = plate.moves.kind[rows]
        code = plate.beads.feature[rows].astype(np.int64) - 1
        bare = code < 0
        code[bare] = _INDEX[TRAVEL]
        code[bare & ((kind & (RETRACT | UNRETRACT)) != 0)] = _INDEX[RETRACTION]
        code[bare & ((kind & DWELL) != 0)] = _INDEX[WAIT]
        changing = self.fresh_tool.holds(plate.moves.line[rows])
        code[bare & changing] = _INDEX[TOOLS]
        # A file without a bead is all start.
        begins = self.first if self.first >= 0 else len(plate.moves)
        code[: max(begins - low, 0)] = _INDEX[START]
        if self.first >= 0:
            code[max(self.last + 1 - low, 0) :] = _INDEX[END]
        stays = np.isin(code, [_INDEX[word] for word in (RETRACTION, TOOLS, START, END)])
        return code, np.where(stays, code, _INDEX[WAIT])


def add_up(
    plate: Plate,
    planned: Times,
    regions: Sequence[tuple[str, Selection]] = (),
    extras: Sequence[Extra] = (),
    filament: Callable[[int, int], F8] | None = None,
) -> Costs:
    """Sum a plate's seconds and filament.

    Parameters
    ----------
    planned : seconds of its rows. regions : names with their stretches, the first-written first.
    filament : mm of the rows [low, high), where it is not what the plate itself pushes.
    """
    names, selections = [name for name, _ in regions], [selection for _, selection in regions]
    by_feature, by_region = Table.zeros(KINDS), Table.zeros([*names, REST])
    by_layer = Table.zeros([*(str(k + 1) for k in range(len(plate.layers))), OUTSIDE])
    whole, rows = Table.zeros(("whole",)), _Rows.of(plate, planned)
    for low in range(0, len(plate.moves), _ROWS):
        high = min(low + _ROWS, len(plate.moves))
        seconds, waiting = planned.seconds[low:high], planned.waits_s[low:high]
        mm = plate.moves.e[low:high] if filament is None else filament(low, high)
        moving_at, waiting_at = rows.kinds(low, high)
        by_feature.add(moving_at, seconds - waiting, mm)
        by_feature.add(waiting_at, waiting, np.zeros(len(mm)))
        layer = plate.beads.layer[low:high]
        by_layer.add(np.where(layer >= 0, layer, len(plate.layers)), seconds, mm)
        _add_regions(by_region, selections, low, seconds, mm)
        whole.add(np.zeros(1, np.int64), seconds.sum(keepdims=True), mm.sum(keepdims=True))
    for extra in extras:
        _add_extra(extra, plate, whole, by_feature, by_layer, by_region)
    return Costs(whole, by_feature, by_layer, by_region)


def _add_regions(table: Table, selections: Sequence[Selection], low: int, seconds: F8, mm: F8) -> None:
    """What each region takes of the rows from `low` on, and what is left."""
    row, t0, t1, owner = claimed(selections, low, low + len(seconds))
    at, share = row - low, t1 - t0
    table.add(owner, seconds[at] * share, mm[at] * share)
    left = 1.0 - np.bincount(at, share, minlength=len(seconds))
    table.seconds[-1] += float((seconds * left).sum())
    table.filament_mm[-1] += float((mm * left).sum())


def claimed(selections: Sequence[Selection], low: int, high: int) -> tuple[I8, F8, F8, I8]:
    """Stretches (row, t0, t1, index of the selection) of the rows [low, high), none over another."""
    parts: list[tuple[I8, F8, F8, I8]] = [
        (np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0, np.int64))
    ]
    for k, one in enumerate(selections):
        a, b = np.searchsorted(one.row, (low, high)).tolist()
        if b > a:
            parts.append((one.row[a:b], one.t0[a:b], one.t1[a:b], np.full(b - a, k)))
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
    none = np.zeros(len(at))
    layers.add(at, extra.seconds, none)
    places = ((whole, 0), (features, _INDEX[extra.kind]), (regions, -1))
    for table, index in places:
        table.seconds[index] += total
    if extra.kind == HEATING:
        for table, index in places:
            table.heating_s[index] += total
        layers.heating_s[:] += np.bincount(at, extra.seconds, minlength=len(layers.names))
