"""Seconds of a plate, row by row, and how far to trust them."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine
from gcodetools.gcode.program import Arcs, Moves
from gcodetools.physics.motion import plan
from gcodetools.physics.moves import junction_of, moves_of
from gcodetools.toolpath.machine_limits import FILE, SETTINGS, MachineLimits, limits_of
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.waits import waits

__all__ = ["Times", "layer_seconds", "motion_seconds", "times"]

F8 = NDArray[np.float64]

# Relative doubt of times, measured on files that state theirs: limits by commands came within 2 %, by settings
# within 5 %; machines of a class, before they are scaled, within 20 %. Scaled, a part may differ from the whole.
_BY_FILE, _BY_SETTINGS, _ASSUMED, _SCALED = 0.02, 0.05, 0.20, 0.10
_ODD_FACTOR = 1.25
_BLOCK_ROWS, _AROUND_ROWS = 80_000, 1_000
_WORDS = {"jerk": "per-axis jerk", "deviation": "junction deviation", "corner": "square corner velocity"}


@dataclass(frozen=True, slots=True)
class Times:
    """Times of a plate.

    seconds : (m,) of each row: its motion, and what the machine waits there. Heating, homing and tool changes
    take no time here. waits_s : (m,) the waiting in them. first_row, last_row : first and last bead of the
    printed layers, -1 where there is none. factor : by which motion was scaled to the file's own time, 1 where
    it was not. band : (low, high) as factors on any of these times. stated_s : the file's own total.
    limits : with where each is from. source : in a sentence. warnings : sentences.
    """

    seconds: F8
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
    seconds = motion_seconds(plate, limits, feed_mm_s)
    waiting = waits(plate.program)
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

    Long plates are planned a block of rows at a time with some rows around it, so that memory stays bounded:
    look-ahead reaches over a few moves, as far as it takes to stop.
    """
    count = len(plate.moves)
    seconds = np.zeros(count)
    for first in range(0, count, block):
        low, high = max(0, first - _AROUND_ROWS), min(count, first + block + _AROUND_ROWS)
        part = plate if (low, high) == (0, count) else _rows(plate, low, high)
        moves = moves_of(part, limits, None if feed_mm_s is None else feed_mm_s[low:high])
        planned = plan(moves, junction_of(moves, part, limits), limits.cruise_share)
        row = moves.row + low
        own = (row >= first) & (row < first + block)
        seconds[row[own]] = planned.seconds[own]
    return seconds


def _rows(plate: Plate, low: int, high: int) -> Plate:
    """The rows [low, high) of a plate, as far as planning asks for them."""
    program, beads = plate.program, plate.beads
    moves = Moves(*(getattr(program.moves, f.name)[low:high] for f in fields(Moves)))
    a, b = np.searchsorted(program.arcs.row, [low, high])
    arcs = Arcs(*(getattr(program.arcs, f.name)[a:b] for f in fields(Arcs)))
    dwells = (program.dwell_row >= low) & (program.dwell_row < high)
    return replace(
        plate,
        program=replace(
            program,
            moves=moves,
            arcs=replace(arcs, row=arcs.row - np.int32(low)),
            dwell_row=program.dwell_row[dwells] - np.int32(low),
            dwell_s=program.dwell_s[dwells],
        ),
        beads=replace(beads, length_mm=beads.length_mm[low:high]),
    )


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
    layer = plate.beads.layer
    inside = layer >= 0
    spent = np.bincount(layer[inside], planned.seconds[inside], minlength=len(plate.layers))
    return spent.astype(np.float64)
