"""Seconds of a plate, row by row, and how far to trust them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine
from gcodetools.gcode.arrays import places, spans_of
from gcodetools.physics.motion import Plan, plan
from gcodetools.physics.moves import junction_of, moving_rows, some_moves
from gcodetools.records import dataclass
from gcodetools.toolpath.machine_limits import FILE, SETTINGS, MachineLimits, limits_of
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.waits import stops, waits

__all__ = ["Retimed", "Times", "layer_seconds", "motion_seconds", "retimed", "times"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]

# Relative doubt of times, measured on files that state theirs: limits by commands came within 2 %, by settings
# within 5 %; machines of a class, before they are scaled, within 20 %. Scaled, a part may differ from the whole.
_BY_FILE, _BY_SETTINGS, _ASSUMED, _SCALED = 0.02, 0.05, 0.20, 0.10
_ODD_FACTOR = 1.25
_BLOCK_ROWS, _AROUND_ROWS = 1 << 16, 1_000
_THREADS = 2
_FIRM = 2
_WORDS = {"jerk": "per-axis jerk", "deviation": "junction deviation", "corner": "square corner velocity"}


@dataclass(frozen=True, slots=True)
class Times:
    """Times of a plate.

    seconds : (m,) of each row: its motion, and what the machine waits there. Heating, homing and tool changes
    take no time here. joint : (m,) uint8, 0 no motion, 1 a move, 2 one whose first speed is firm, see `motion.Plan`.
    waits_s : (m,) the waiting in them. first_row, last_row : first and last bead of the
    printed layers, -1 where there is none. factor : by which motion was scaled to the file's own time, 1 where
    it was not. band : (low, high) as factors on any of these times. stated_s : the file's own total.
    limits : with where each is from. source : in a sentence. warnings : sentences.
    """

    seconds: F8
    joint: U1
    waits_s: F8
    first_row: int
    last_row: int
    stated_s: float | None
    factor: float
    band: tuple[float, float]
    limits: MachineLimits
    source: str
    warnings: tuple[str, ...]

    @property
    def total_s(self) -> float:
        """All rows, s."""
        return float(self.seconds.sum())

    @property
    def start_s(self) -> float:
        """Before the first bead, s; everything where there is no bead."""
        return float(self.seconds[: self.first_row].sum()) if self.first_row >= 0 else self.total_s

    @property
    def object_s(self) -> float:
        """From the first bead to the last, s."""
        if self.first_row < 0:
            return 0.0
        return float(self.seconds[self.first_row : self.last_row + 1].sum())

    @property
    def end_s(self) -> float:
        """Behind the last bead, s."""
        return float(self.seconds[self.last_row + 1 :].sum()) if self.first_row >= 0 else 0.0

    def within(self, seconds: float) -> tuple[float, float]:
        """(low, high) of a time that was found here."""
        ends = (seconds * self.band[0], seconds * self.band[1])
        return min(ends), max(ends)


def times(
    plate: Plate,
    machine: Machine | None = None,
    *,
    factor: float | None = None,
    feed_mm_s: F8 | None = None,
) -> Times:
    """Plan all moves of a plate.

    Where decisive limits are neither in the file nor in its settings and the file states a time, motion is
    scaled so that all rows together take that time.

    Parameters
    ----------
    factor : scale by this instead, as for the treated twin of a plate that was scaled. feed_mm_s : (m,) feeds
    instead of the file's.
    """
    limits = limits_of(plate, machine)
    seconds, joint = _motion(plate, limits, feed_mm_s)
    waiting = waits(plate.program)
    if not waiting.any():
        waiting = np.broadcast_to(0.0, len(waiting))
    stated = plate.totals.time_s
    factor = _factor(limits, seconds, waiting, stated) if factor is None else factor
    seconds *= factor
    seconds += waiting
    seconds.setflags(write=False)
    waiting.setflags(write=False)
    bead = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer >= 0))
    first, last = (int(bead[0]), int(bead[-1])) if len(bead) else (-1, -1)
    return Times(
        seconds=seconds,
        joint=joint,
        waits_s=waiting,
        first_row=first,
        last_row=last,
        stated_s=stated,
        factor=factor,
        band=_band(limits, factor),
        limits=limits,
        source=_source(limits, factor),
        warnings=_warnings(limits, factor, plate.program.lines.name),
    )


def motion_seconds(
    plate: Plate, limits: MachineLimits, feed_mm_s: F8 | None = None, block: int = _BLOCK_ROWS
) -> F8:
    """(m,) seconds that each row moves, unscaled.

    Long plates are planned a block of moves at a time with some moves around it, so that memory stays bounded:
    look-ahead reaches over a few moves, as far as it takes to stop.
    """
    return _motion(plate, limits, feed_mm_s, block)[0]


def _motion(
    plate: Plate, limits: MachineLimits, feed_mm_s: F8 | None, block: int = _BLOCK_ROWS
) -> tuple[F8, U1]:
    """(m,) seconds that each row moves, and its joint: see `Times`."""
    seconds, joint = np.zeros(len(plate.moves)), np.zeros(len(plate.moves), np.uint8)
    row = moving_rows(plate, 0, len(plate.moves))

    def planned(low: int, high: int, plan: Plan) -> None:
        seconds[row[low:high]] = plan.seconds
        joint[row[low:high]] = 1 + plan.firm

    _in_blocks(plate, limits, row, None if feed_mm_s is None else feed_mm_s[row], planned, block)
    return seconds, joint


def _in_blocks(
    plate: Plate,
    limits: MachineLimits,
    row: I4,
    feed_mm_s: F8 | None,
    planned: Callable[[int, int, Plan], None],
    block: int = _BLOCK_ROWS,
) -> None:
    """Plan moves some at a time.

    Parameters
    ----------
    row : (n,) ascending, each with motion. feed_mm_s : (n,) instead of the file's. planned : gets the plan of the
    moves [low, high).
    """
    count, still = len(row), stops(plate.program)

    def one(first: int) -> None:
        last = min(first + block, count)
        part = slice(max(first - _AROUND_ROWS, 0), min(last + _AROUND_ROWS, count))
        feed = plate.moves.f[row[part]] if feed_mm_s is None else feed_mm_s[part]
        moves = some_moves(plate, limits, row[part], feed, still)
        whole = plan(moves, junction_of(moves, plate, limits), limits.cruise_share)
        a, b = first - part.start, last - part.start
        planned(first, last, Plan(*(getattr(whole, f.name)[a:b] for f in fields(Plan))))

    firsts = range(0, count, block)
    if len(firsts) < 2:
        for first in firsts:
            one(first)
        return
    with ThreadPoolExecutor(_THREADS) as pool:
        for _ in pool.map(one, firsts):
            pass


@dataclass(frozen=True, slots=True)
class Retimed:
    """Rows that take another time than was planned: row (k,) ascending, seconds (k,)."""

    row: NDArray[np.integer]
    seconds: F8

    def over(self, planned: Times) -> Times:
        """The times with these in them."""
        seconds = planned.seconds.copy()
        seconds[self.row] = self.seconds
        seconds.setflags(write=False)
        return replace(planned, seconds=seconds)

    def between(self, planned: Times, low: int, high: int) -> F8:
        """Seconds of the rows [low, high) with these in them; no column of the plate's length is made."""
        seconds = planned.seconds[low:high].copy()
        a, b = np.searchsorted(self.row, np.array([low, high], self.row.dtype))
        seconds[self.row[a:b] - low] = self.seconds[a:b]
        return seconds


def retimed(plate: Plate, planned: Times, row: I8, feed_mm_s: F8) -> Retimed:
    """What changes where some rows go at another feed.

    Only the moves around them are planned anew, from one joint to another at which the speed depends on nothing
    further away; the result is that of `times`.

    Parameters
    ----------
    planned : by `times` of the same plate. row : (k,) ascending. feed_mm_s : (k,).
    """
    limits = planned.limits
    moves: NDArray[np.integer]
    if limits.cruise_share > 0:  # what is smoothed hangs together further
        feed = plate.moves.f.copy()
        feed[row] = feed_mm_s
        moves = np.flatnonzero(planned.joint)
        found = _motion(plate, limits, feed)[0][moves]
    else:
        near, own = _around(planned.joint, row)
        feed = plate.moves.f[near]
        changed = np.zeros(len(planned.joint), bool)
        changed[row] = True
        feed[changed[near]] = feed_mm_s[planned.joint[row] != 0]
        found = np.zeros(len(near))

        def take(low: int, high: int, plan: Plan) -> None:
            found[low:high] = plan.seconds

        _in_blocks(plate, limits, near, feed, take)
        moves, found = near[own], found[own]
    found *= planned.factor
    found += planned.waits_s[moves]
    other = found != planned.seconds[moves]
    return Retimed(moves[other], found[other])


def _around(joint: U1, row: I8) -> tuple[I4, Bool]:
    """Moves to plan anew where those of `row` change: their rows with one more beside each stretch of them, whose
    corner counts, and whether each is of the stretch. How fast the one beside goes itself tells nothing."""
    moving = places(joint)
    changed = np.zeros(len(joint), bool)
    changed[row] = True
    changed = changed[moving]
    # The speed at a joint stays where neither of the moves that meet there changes.
    cut = joint[moving] == _FIRM
    cut &= ~changed
    cut[1:] &= ~changed[:-1]
    cut[:1] = True
    part = np.cumsum(cut, dtype=np.int32)
    touched = np.zeros(int(part[-1]) + 1 if len(part) else 1, bool)
    touched[part[changed]] = True
    own = touched[part]
    beside = own.copy()
    beside[1:] |= own[:-1]
    beside[:-1] |= own[1:]
    at = places(beside)
    return moving[at], own[at]


def _factor(limits: MachineLimits, seconds: F8, waiting: F8, stated: float | None) -> float:
    moving, standing = float(seconds.sum()), float(waiting.sum())
    if not limits.assumed or stated is None or moving <= 0 or stated <= standing:
        return 1.0
    return (stated - standing) / moving


def _band(limits: MachineLimits, factor: float) -> tuple[float, float]:
    if not limits.assumed:
        stated = {limits.origins[key] for key in limits.decisive}
        doubt = _BY_FILE if stated == {FILE} else _BY_SETTINGS
        return 1.0 - doubt, 1.0 + doubt
    if factor == 1.0:
        return 1.0 - _ASSUMED, 1.0 + _ASSUMED
    return min(1.0, 1.0 / factor) * (1.0 - _SCALED), max(1.0, 1.0 / factor) * (1.0 + _SCALED)


def _source(limits: MachineLimits, factor: float) -> str:
    names = {FILE: "the file's commands", SETTINGS: "the file's settings"}
    found = dict.fromkeys(limits.origins[key] for key in limits.decisive)
    words = ", ".join(names.get(origin, origin) for origin in found)
    text = f"look-ahead planning with {_WORDS[limits.junction]}; limits from {words}"
    return text if factor == 1.0 else f"{text}; scaled by {factor:.3g} to the file's own time"


def _warnings(limits: MachineLimits, factor: float, name: str) -> tuple[str, ...]:
    if max(factor, 1.0 / factor) <= _ODD_FACTOR:
        return ()
    return (
        f"{name}: states {factor:.2f} times the time that its moves take by the limits of "
        f"{limits.origins['accel_extruding']}; times are scaled to the file's. Name the machine it is for",
    )


def layer_seconds(plate: Plate, planned: Times) -> F8:
    """(layers,) seconds of each layer of the plate: of all rows in it, travel and waits too."""
    spent = np.zeros(len(plate.layers))
    for low, high in spans_of(len(planned.seconds)):
        layer = plate.beads.layer[low:high]
        inside = layer >= 0
        np.add.at(spent, layer[inside], planned.seconds[low:high][inside])
    return spent
