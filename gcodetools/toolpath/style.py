"""The file's own habits: feeds, accelerations, retraction, lift, wipe, bridges. By robust medians of its moves.

Feeds mm/s, accelerations mm/s2, lengths mm.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import ARC, LINE, RETRACT, UNRETRACT
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.remembered import Remembered
from gcodetools.toolpath.walls import bead_areas, weighted_median

__all__ = ["Retraction", "Style", "style_at", "style_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_INDEX = FEATURE_INDEX
_TRAVEL_MM_S, _LIFT_MM_S, _PERIMETER_MM_S = 120.0, 10.0, 30.0  # common practice, no source
_LEAST_TRAVEL_MM = 1.0  # shorter dry moves are steps between beads
_LEAST_MM = 5.0  # of beads of a layer that tell its own feed
_LIFTED_MM = 0.01
_SAME_FAN = 0.02
_FEW = 0.1  # of the retractions


@dataclass(frozen=True, slots=True)
class Retraction:
    """How the file retracts between beads of a layer.

    length_mm : filament pulled, 0 where the firmware knows. feed_mm_s : of the pull. back_mm_s : of the push.
    extra_mm : pushed beyond what was pulled. firmware : G10 and G11 instead of E.
    """

    length_mm: float
    feed_mm_s: float
    back_mm_s: float
    extra_mm: float
    firmware: bool


@dataclass(frozen=True, slots=True)
class Style:
    """Habits of a plate or of one of its layers.

    perimeter_mm_s : of inner perimeters, else outermost ones; 30 where it lays neither. solid_mm_s : of solid
    lines, else as perimeters. bridge_mm_s : None without bridges. bridge_flow : section of its bridge beads
    over that of its solid ones; None without either. bridge_fan : fraction of full; None if as elsewhere.
    travel_mm_s : 120 where it never travels. retraction : None where it never retracts inside a layer.
    lift_mm : on a retracted travel, 0 for none. lift_mm_s : 10 where it never lifts. wipe_mm : path of a wipe
    that pulls filament, 0 for none; wipe_share : of the pull that is done on it. perimeter_mm_s2, solid_mm_s2,
    bridge_mm_s2, travel_mm_s2 : accelerations in force, None where the file sets none.
    The numbers where nothing can be measured are common practice, no source.
    """

    perimeter_mm_s: float
    solid_mm_s: float
    bridge_mm_s: float | None
    bridge_flow: float | None
    bridge_fan: float | None
    travel_mm_s: float
    retraction: Retraction | None
    lift_mm: float
    lift_mm_s: float
    wipe_mm: float
    wipe_share: float
    perimeter_mm_s2: float | None
    solid_mm_s2: float | None
    bridge_mm_s2: float | None
    travel_mm_s2: float | None


_STYLES: Remembered[dict[int, Style]] = Remembered()


def style_of(plate: Plate) -> Style:
    """Habits over the whole plate, layers above the first."""
    known = _STYLES.of(plate, dict)
    if -1 not in known:
        known[-1] = _measured(plate)
    return known[-1]


def style_at(plate: Plate, layer: int) -> Style:
    """Habits on one layer (index into the plate's layers): its own feeds and accelerations where it has beads
    enough to tell, else the plate's."""
    known = _STYLES.of(plate, dict)
    if layer not in known:
        known[layer] = _on_layer(plate, layer, style_of(plate))
    return known[layer]


def _measured(plate: Plate) -> Style:
    feature = plate.beads.feature
    begin = int(plate.layers.first_row[min(1, len(plate.layers) - 1)]) if len(plate.layers) else 0
    rows = np.flatnonzero((feature != 0) & (plate.beads.layer >= 0))
    above = rows[rows >= begin]
    rows = above if len(above) else rows
    walls = _of(plate, rows, "perimeter")
    walls = walls if len(walls) else _of(plate, rows, "outermost")
    solid, bridge = _of(plate, rows, "solid"), _of(plate, rows, "bridge")
    perimeter = _feed(plate, walls) or _feed(plate, rows) or _PERIMETER_MM_S
    travel = _travels(plate, rows)
    gaps = _Gaps.of(plate, rows)
    lift, lift_feed = _lift(plate, gaps)
    wipe, share = _wipe(plate, gaps)
    return Style(
        perimeter_mm_s=perimeter,
        solid_mm_s=_feed(plate, solid) or perimeter,
        bridge_mm_s=_feed(plate, bridge),
        bridge_flow=_flow(plate, bridge, solid if len(solid) else walls),
        bridge_fan=_bridge_fan(plate, rows, bridge),
        travel_mm_s=_usual_feed(plate, travel) or _TRAVEL_MM_S,
        retraction=_retraction(plate, gaps),
        lift_mm=lift,
        lift_mm_s=lift_feed,
        wipe_mm=wipe,
        wipe_share=share,
        perimeter_mm_s2=_accel(plate, walls, False),
        solid_mm_s2=_accel(plate, solid, False),
        bridge_mm_s2=_accel(plate, bridge, False),
        travel_mm_s2=_accel(plate, travel, True),
    )


def _on_layer(plate: Plate, layer: int, usual: Style) -> Style:
    first, last = int(plate.layers.first_row[layer]), int(plate.layers.last_row[layer])
    rows = np.flatnonzero(plate.beads.feature[first:last] != 0) + first
    changes: dict[str, float | None] = {}
    words = {"perimeter": ("perimeter", "outermost"), "solid": ("solid",), "bridge": ("bridge",)}
    for name, features in words.items():
        own = next((o for w in features if _enough(plate, o := _of(plate, rows, w))), None)
        if own is not None:
            changes[f"{name}_mm_s"] = _feed(plate, own) or getattr(usual, f"{name}_mm_s")
            changes[f"{name}_mm_s2"] = _accel(plate, own, False)
    travel = _travels(plate, rows)
    if len(travel):
        changes["travel_mm_s"] = _usual_feed(plate, travel) or usual.travel_mm_s
        changes["travel_mm_s2"] = _accel(plate, travel, True)
    return replace(usual, **changes)  # type: ignore[arg-type]


def _of(plate: Plate, rows: I8, word: str) -> I8:
    own: I8 = rows[plate.beads.feature[rows] == _INDEX[word]]
    return own


def _enough(plate: Plate, rows: I8) -> bool:
    return bool(plate.beads.length_mm[rows].sum() >= _LEAST_MM)


def _feed(plate: Plate, rows: I8) -> float | None:
    """Commanded feed of most of the length of rows, None where none is known."""
    feed = plate.program.moves.f[rows]
    known = np.isfinite(feed) & (feed > 0)
    if not np.any(known):
        return None
    return weighted_median(feed[known], plate.beads.length_mm[rows[known]])


def _usual_feed(plate: Plate, rows: I8) -> float | None:
    """The one feed at which most of the length of rows is run."""
    feed = np.round(plate.program.moves.f[rows], 2)
    known = np.isfinite(feed) & (feed > 0)
    if not np.any(known):
        return None
    values, nth = np.unique(feed[known], return_inverse=True)
    length = np.bincount(nth, plate.beads.length_mm[rows[known]])
    return float(values[np.argmax(length)])


def _accel(plate: Plate, rows: I8, travel: bool) -> float | None:
    if len(rows) == 0:
        return None
    states = plate.program.states
    lines = plate.program.moves.line[rows]
    value = states.accel.at(lines)
    if travel:
        own = states.travel_accel.at(lines)
        value = np.where(np.isfinite(own), own, value)
    known = np.isfinite(value)
    return float(np.median(value[known])) if np.any(known) else None


def _flow(plate: Plate, bridge: I8, solid: I8) -> float | None:
    if len(bridge) == 0 or len(solid) == 0:
        return None
    areas = []
    for rows in (bridge, solid):
        area, length = bead_areas(plate, rows), plate.beads.length_mm[rows]
        known = np.isfinite(area)
        if not np.any(known):
            return None
        areas.append(weighted_median(area[known], length[known]))
    return areas[0] / areas[1]


def _bridge_fan(plate: Plate, rows: I8, bridge: I8) -> float | None:
    if len(bridge) == 0:
        return None
    fan, line = plate.program.states.fan, plate.program.moves.line
    others = rows[np.isin(plate.beads.layer[rows], np.unique(plate.beads.layer[bridge]))]
    others = others[plate.beads.feature[others] != _INDEX["bridge"]]
    over = fan.at(line[bridge])
    over = over[np.isfinite(over)]
    beside = fan.at(line[others])
    beside = beside[np.isfinite(beside)]
    if len(over) == 0:
        return None
    value = float(np.median(over))
    if len(beside) and abs(value - float(np.median(beside))) < _SAME_FAN:
        return None
    return value


def _travels(plate: Plate, rows: I8) -> I8:
    """Dry moves between the first and the last of `rows`."""
    if len(rows) == 0:
        return rows
    moves = plate.program.moves
    part = slice(int(rows[0]), int(rows[-1]) + 1)
    dry = (moves.e[part] == 0) & ((moves.kind[part] & (LINE | ARC)) != 0)
    dry &= (plate.beads.length_mm[part] > _LEAST_TRAVEL_MM) & (plate.beads.feature[part] == 0)
    found: I8 = np.flatnonzero(dry) + part.start
    return found


@dataclass(frozen=True, slots=True)
class _Gaps:
    """Rows between beads of one layer: first, stop : (g,) ranges [first, stop). before : the bead's row.
    pulled, pushed : (g,) mm. firmware : (g,) whether filament is pulled by G10."""

    before: I8
    first: I8
    stop: I8
    pulled: F8
    pushed: F8
    firmware: Bool

    @classmethod
    def of(cls, plate: Plate, rows: I8) -> _Gaps:
        moves = plate.program.moves
        wide = np.flatnonzero(np.diff(rows) > 1) if len(rows) > 1 else np.empty(0, np.int64)
        layer = plate.beads.layer[rows]
        wide = wide[layer[wide] == layer[wide + 1]]
        first, stop = rows[wide] + 1, rows[wide + 1]
        pulled, pushed = (
            np.append(0, np.cumsum(np.minimum(moves.e, 0))),
            np.append(0, np.cumsum(np.maximum(moves.e, 0))),
        )
        bare = ((moves.kind & RETRACT) != 0) & (moves.e == 0)
        count = np.append(0, np.cumsum(bare))
        return cls(
            rows[wide], first, stop, pulled[first] - pulled[stop], pushed[stop] - pushed[first],
            count[stop] > count[first],
        )  # fmt: skip

    def taken(self, which: Bool) -> _Gaps:
        return _Gaps(
            self.before[which], self.first[which], self.stop[which], self.pulled[which], self.pushed[which],
            self.firmware[which],
        )  # fmt: skip

    @property
    def retracted(self) -> Bool:
        return self.firmware | (self.pulled > 1e-6)

    def rows(self) -> tuple[I8, I8]:
        """All rows of the gaps, and the gap of each."""
        count = self.stop - self.first
        owner = np.repeat(np.arange(len(count)), count)
        offset = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        return self.first[owner] + offset, owner


def _retraction(plate: Plate, gaps: _Gaps) -> Retraction | None:
    own = gaps.taken(gaps.retracted)
    if len(own.before) == 0:
        return None
    moves = plate.program.moves
    firmware = bool(np.median(own.firmware) > 0.5)
    rows, _ = own.rows()
    pulls = rows[((moves.kind[rows] & RETRACT) != 0) & (moves.e[rows] < 0)]
    pushes = rows[((moves.kind[rows] & UNRETRACT) != 0) & (moves.e[rows] > 0)]
    # Where filament is pulled on wipes alone, their feed is the path's.
    standing = _median(moves.f[pulls]) if len(pulls) > _FEW * len(own.before) else None
    back = _median(moves.f[pushes]) or standing
    feed = standing or back
    own = own.taken(own.firmware == firmware)
    length = 0.0 if firmware else float(np.median(own.pulled))
    extra = 0.0 if firmware else float(np.median(own.pushed - own.pulled))
    return Retraction(length, feed or 0.0, back or 0.0, max(extra, 0.0) if extra > 1e-4 else 0.0, firmware)


def _median(values: F8) -> float | None:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else None


def _lift(plate: Plate, gaps: _Gaps) -> tuple[float, float]:
    moves = plate.program.moves
    own = gaps.taken(gaps.retracted)
    rows, owner = own.rows()
    if len(rows) == 0:
        return 0.0, _LIFT_MM_S
    rise = moves.z[rows] - moves.z[own.before[owner]]
    highest = np.zeros(len(own.before))
    np.maximum.at(highest, owner, rise)
    lift = float(np.median(highest))
    if lift < _LIFTED_MM:
        return 0.0, _LIFT_MM_S
    step = moves.z[rows] - moves.z[rows - 1]
    feed = _median(moves.f[rows[step > _LIFTED_MM]])
    return lift, feed or _LIFT_MM_S


def _wipe(plate: Plate, gaps: _Gaps) -> tuple[float, float]:
    moves = plate.program.moves
    own = gaps.taken(gaps.retracted & ~gaps.firmware)
    rows, owner = own.rows()
    if len(rows) == 0:
        return 0.0, 0.0
    wiping = (moves.e[rows] < 0) & ((moves.kind[rows] & RETRACT) == 0)
    length = np.bincount(owner[wiping], plate.beads.length_mm[rows[wiping]], len(own.before))
    pulled = np.bincount(owner[wiping], -moves.e[rows[wiping]], len(own.before))
    wipes = length > 1e-3
    if wipes.mean() < 0.5:
        return 0.0, 0.0
    return float(np.median(length[wipes])), float(np.median(pulled[wipes] / own.pulled[wipes]))
