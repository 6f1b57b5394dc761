"""A plate as columns for the page: points of its beads, quantised, with what holds for each.

A bead is cut where a region begins or ends on it, and arcs are cut to chords. Layers are worked on a few at a time,
so that no column of floats of the plate's length is made.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_points
from gcodetools.records import dataclass
from gcodetools.strength.got import Got
from gcodetools.toolpath.plate import Plate

__all__ = [
    "ADDED",
    "CHORD",
    "PEN_UP",
    "UNKNOWN_AGE",
    "UNKNOWN_BOND",
    "Claims",
    "Points",
    "age_numbers",
    "bond_numbers",
    "joined",
    "layers_of",
    "unit_of",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]
U2 = NDArray[np.uint16]
Unsigned = TypeVar("Unsigned", bound=np.unsignedinteger)

PEN_UP, ADDED, CHORD = 1, 2, 4
UNKNOWN_AGE, UNKNOWN_BOND = 65535, 255
_UNIT_MM, _CHORD_MM = 0.02, 0.02
_FARTHEST = 32000  # units that a difference may have
_MARGIN = 1.3
_MANY = 255  # the last number of a byte: one of those beyond
_ROWS = 1 << 15
_XY = 17
_SAME_T = 1e-9


@dataclass(frozen=True, slots=True)
class Claims:
    """Stretches (row, t0, t1) that regions claim, none over another, ascending; owner : index of the region.
    age, bond : of the bead there, as in `Points`. Columns (k,)."""

    row: NDArray[np.integer]
    t0: F8
    t1: F8
    owner: NDArray[np.integer]
    age: U2
    bond: U1

    @classmethod
    def none(cls) -> Claims:
        """Not a single one."""
        rows, columns = np.empty(0, np.int64), np.empty(0)
        return cls(rows, columns, columns, rows, np.empty(0, np.uint16), np.empty(0, np.uint8))

    def between(self, low: int, high: int) -> Claims:
        """Those of the rows [low, high)."""
        a, b = np.searchsorted(self.row, (low, high)).tolist()
        return Claims(*(getattr(self, field.name)[a:b] for field in fields(self)))


@dataclass(frozen=True, slots=True)
class Points:
    """Points of beads, layer by layer, columns (n,): a point with PEN_UP begins a run, each other ends a bead that
    begins at the point before.

    start : (layers + 1,) where each layer's points begin. x, y : units. width 0.01 mm, height 0.005 mm, feed
    0.1 mm/s, rate 0.01 mm3/s, nozzle 0.1 C (0 unknown), age round(1000 ln(1 + s)), bond 250 for healed; region and
    instance are 0 for none, else their index and 1.
    """

    start: I8
    x: I4
    y: I4
    flag: U1
    feature: U1
    region: U1
    instance: U1
    width: U1
    height: U1
    feed: U2
    rate: U2
    nozzle: U2
    age: U2
    bond: U1

    def __len__(self) -> int:
        return len(self.x)

    @property
    def layers(self) -> int:
        """How many layers there are."""
        return len(self.start) - 1

    def layer(self, k: int) -> Points:
        """One layer alone."""
        a, b = int(self.start[k]), int(self.start[k + 1])
        rest = (getattr(self, field.name)[a:b] for field in fields(self)[1:])
        return Points(np.array([0, b - a], np.int64), *rest)


def unit_of(plate: Plate) -> float:
    """Size of a unit, mm: 0.02, or what lets a way across the plate be told in 16 bits."""
    bead = plate.beads.is_bead
    spans = [float(np.ptp(column[bead])) for column in (plate.moves.x, plate.moves.y) if np.any(bead)]
    unit = _UNIT_MM
    # An arc may reach beyond its ends, and a run may begin where the row before stood.
    while max(spans, default=0.0) * _MARGIN / unit > _FARTHEST:
        unit *= 2
    return unit


def joined(layers: Iterable[Points]) -> Points:
    """Points of single layers as those of all."""
    parts = [Points(np.zeros(1, np.int64), *_nothing().values()), *layers]
    start = np.cumsum([len(part) for part in parts], dtype=np.int64)
    names = [field.name for field in fields(Points)[1:]]
    return Points(start, *(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def layers_of(
    plate: Plate, got: Got | None, claims: Claims, numbered: Sequence[tuple[int, I4]], mm3_per_mm: float, unit_mm: float
) -> Iterator[Points]:  # fmt: skip
    """All beads of the plate's layers, a layer at a time.

    Parameters
    ----------
    got : what beads got; None where nobody knows. numbered : index and rows of each instance. mm3_per_mm : plastic
    by filament.
    """
    owner = np.zeros(len(plate.moves), np.uint8)
    for k, rows in numbered:
        owner[rows] = min(k + 1, _MANY)
    for first, last in _blocks(plate):
        block, per_layer = _block(plate, got, claims, owner, mm3_per_mm, unit_mm, first, last)
        start = np.concatenate([[0], np.cumsum(per_layer)]).astype(np.int64)
        whole = Points(start, **block)
        yield from (whole.layer(k) for k in range(last - first))


def _nothing() -> dict[str, NDArray[Any]]:
    wide = {
        "x": np.int32,
        "y": np.int32,
        "feed": np.uint16,
        "rate": np.uint16,
        "nozzle": np.uint16,
        "age": np.uint16,
    }
    return {field.name: np.empty(0, wide.get(field.name, np.uint8)) for field in fields(Points)[1:]}


def _blocks(plate: Plate) -> Iterator[tuple[int, int]]:
    """Layers [first, last) with about as many rows as a block holds."""
    first_row, count = plate.layers.first_row, len(plate.layers)
    first = 0
    while first < count:
        last = int(np.searchsorted(first_row, first_row[first] + _ROWS))
        yield first, min(max(last, first + 1), count)
        first = min(max(last, first + 1), count)


@dataclass(frozen=True, slots=True)
class _Segments:
    """Straight stretches (row, t0, t1) of beads, in order; chord : of arcs."""

    row: I8
    t0: F8
    t1: F8
    chord: NDArray[np.bool_]


def _block(
    plate: Plate, got: Got | None, claims: Claims, owner: U1, mm3_per_mm: float, unit_mm: float, first: int, last: int
) -> tuple[dict[str, NDArray[Any]], I8]:  # fmt: skip
    """Columns of the layers [first, last), and how many points each has."""
    low, high = int(plate.layers.first_row[first]), int(plate.layers.last_row[last - 1])
    rows = np.flatnonzero(plate.beads.feature[low:high]).astype(np.int64) + low
    mine = claims.between(low, high)
    seg = _segments(plate, rows, mine, unit_mm)
    layer = plate.beads.layer[seg.row] - first
    x0, y0 = _place(plate, seg, seg.t0, unit_mm)
    x1, y1 = _place(plate, seg, seg.t1, unit_mm)
    up = np.ones(len(seg.row), bool)
    up[1:] = (x0[1:] != x1[:-1]) | (y0[1:] != y1[:-1]) | (layer[1:] != layer[:-1])
    # What is no longer than rounding goes, unless it stands alone.
    keep = (x0 != x1) | (y0 != y1) | up
    seg = _Segments(seg.row[keep], seg.t0[keep], seg.t1[keep], seg.chord[keep])
    x0, y0, x1, y1, layer, up = (column[keep] for column in (x0, y0, x1, y1, layer, up))
    repeat = 1 + up.astype(np.int64)
    of = np.repeat(np.arange(len(seg.row)), repeat)
    begins = np.zeros(len(of), bool)
    begins[(np.cumsum(repeat) - repeat)[up]] = True
    columns: dict[str, NDArray[Any]] = {
        "x": np.where(begins, x0[of], x1[of]).astype(np.int32),
        "y": np.where(begins, y0[of], y1[of]).astype(np.int32),
        "flag": (np.where(begins, PEN_UP, 0) | np.where(seg.chord[of], CHORD, 0)).astype(np.uint8),
    }
    columns |= {
        name: column[of] for name, column in _attributes(plate, got, mine, owner, mm3_per_mm, seg).items()
    }
    return columns, np.bincount(layer[of], minlength=last - first).astype(np.int64)


def _segments(plate: Plate, rows: I8, claims: Claims, unit_mm: float) -> _Segments:
    """Beads cut where claims begin and end, arcs into chords."""
    at_row: list[NDArray[np.integer]] = [rows]
    at_t = [np.ones(len(rows))]
    for t in (claims.t0, claims.t1):
        inside = (t > _SAME_T) & (t < 1.0 - _SAME_T)
        at_row.append(claims.row[inside])
        at_t.append(t[inside])
    bent = np.empty(0, np.int64)
    arcs = plate.program.arcs
    if len(arcs.row) and len(rows):
        k = np.searchsorted(arcs.row, rows)
        on = arcs.row[np.minimum(k, len(arcs.row) - 1)] == rows
        k = k[on]
        bent = rows[on]
        radius, sweep = arcs.radius[k], np.abs(arcs.sweep[k])
        deep = np.minimum(max(_CHORD_MM, unit_mm) / np.maximum(radius, 1e-9), 1.0)
        count = np.maximum(np.ceil(sweep / np.maximum(2 * np.arccos(1 - deep), 1e-6)), 1).astype(np.int64)
        number = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        share = number / np.repeat(count, count)
        inner = number > 0
        at_row.append(np.repeat(bent, count)[inner])
        at_t.append(share[inner])
    row, t1 = np.concatenate(at_row), np.concatenate(at_t)
    order = np.lexsort((t1, row))
    row, t1 = row[order], t1[order]
    new = np.ones(len(row), bool)
    new[1:] = (np.diff(row) != 0) | (np.diff(t1) > _SAME_T)
    row, t1 = row[new], t1[new]
    t0 = np.zeros(len(row))
    same = np.flatnonzero(np.diff(row) == 0) + 1
    t0[same] = t1[same - 1]
    return _Segments(row, t0, t1, np.isin(row, bent) if len(bent) else np.zeros(len(row), bool))


def _place(plate: Plate, seg: _Segments, t: F8, unit_mm: float) -> tuple[I8, I8]:
    """Where each bead is at `t`, in units."""
    moves = plate.moves
    before = np.maximum(seg.row - 1, 0)
    start = [np.where(seg.row > 0, column[before], 0.0) for column in (moves.x, moves.y)]
    x, y = (a + (column[seg.row] - a) * t for a, column in zip(start, (moves.x, moves.y), strict=True))
    bent = np.flatnonzero(seg.chord & (t > 0) & (t < 1))
    if len(bent):
        index = np.searchsorted(plate.program.arcs.row, seg.row[bent])
        xyz = arc_points(moves, plate.program.arcs, index, t[bent])
        x[bent], y[bent] = xyz[:, 0], xyz[:, 1]
    return np.rint(x / unit_mm).astype(np.int64), np.rint(y / unit_mm).astype(np.int64)


def _attributes(
    plate: Plate, got: Got | None, claims: Claims, owner: U1, mm3_per_mm: float, seg: _Segments
) -> dict[str, NDArray[np.generic]]:
    """What holds for each stretch."""
    row, moves, beads = seg.row, plate.moves, plate.beads
    feed = moves.f[row] * plate.program.states.speed_factor.at(moves.line[row])
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = moves.e[row] * mm3_per_mm / beads.length_mm[row] * feed
    nozzle = got.at(row)[0] if got is not None and len(got.row) else np.full(len(row), np.nan)
    region = np.zeros(len(row), np.uint8)
    age, bond = np.full(len(row), UNKNOWN_AGE, np.uint16), np.full(len(row), UNKNOWN_BOND, np.uint8)
    if len(claims.row):
        middle = row + np.minimum((seg.t0 + seg.t1) / 2, 1.0 - _SAME_T)
        k = np.maximum(np.searchsorted(claims.row + claims.t0, middle, side="right") - 1, 0)
        held = (claims.row[k] == row) & (middle - row <= claims.t1[k]) & (middle - row >= claims.t0[k])
        region = np.where(held, np.minimum(claims.owner[k] + 1, _MANY), 0).astype(np.uint8)
        age[held], bond[held] = claims.age[k[held]], claims.bond[k[held]]
    return {
        "feature": beads.feature[row],
        "region": region,
        "instance": owner[row],
        "width": _whole(beads.width[row] / 0.01, np.uint8),
        "height": _whole(beads.height[row] / 0.005, np.uint8),
        "feed": _whole(feed / 0.1, np.uint16),
        "rate": _whole(rate / 0.01, np.uint16),
        "nozzle": _whole(nozzle / 0.1, np.uint16),
        "age": age,
        "bond": bond,
    }


def age_numbers(age_s: F8) -> U2:
    """Ages as numbers of `Points`; NaN is unknown."""
    return _whole(1000.0 * np.log1p(np.maximum(age_s, 0.0)), np.uint16, UNKNOWN_AGE)


def bond_numbers(bond: F8) -> U1:
    """Shares healed as numbers of `Points`; NaN is unknown."""
    return _whole(250.0 * bond, np.uint8, UNKNOWN_BOND)


def _whole(value: NDArray[np.floating], kind: type[Unsigned], unknown: int = 0) -> NDArray[Unsigned]:
    """Rounded to what the kind holds; the last number is kept for what is unknown."""
    known = np.isfinite(value)
    most = np.iinfo(kind).max - (1 if unknown else 0)
    filled = np.clip(np.rint(np.where(known, value, 0.0)), 0, most)
    return np.where(known, filled, unknown).astype(kind)
