"""Kinds of new moves, the moves of a rest, and the circles that arcs lie on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = [
    "BEAD",
    "FIRMWARE_PULL",
    "FIRMWARE_PUSH",
    "LIFT",
    "PULL",
    "PUSH",
    "TRAVEL",
    "WAIT",
    "WIPE",
    "Bent",
    "Wait",
]

F8 = NDArray[np.float64]

TRAVEL, BEAD = 0, 1  # in X and Y, without and with filament
PULL, PUSH = 2, 3  # filament alone, back and forth
LIFT = 4  # Z alone, up or down
WIPE = 5  # in X and Y while filament is pulled back
FIRMWARE_PULL, FIRMWARE_PUSH = 6, 7  # G10, G11
WAIT = 8  # G4


@dataclass(frozen=True, slots=True)
class Bent:
    """Circles of pieces of arcs, (k,) each: centre and radius, mm; begin and sweep, radians, sweep signed."""

    cx: F8
    cy: F8
    radius: F8
    begin: F8
    sweep: F8


@dataclass(frozen=True, slots=True)
class Wait:
    """The moves of a rest, between row `row` and the next; they end at the height of that row.

    line : before which they stand (0-based). kind : (n,) uint8. x, y, z : (n,) where each ends, machine mm.
    e : (n,) filament, mm. feed : (n,) mm/s, NaN where none is said. seconds : (n,) of a G4, 0 elsewhere.
    """

    row: int
    line: int
    kind: NDArray[np.uint8]
    x: F8
    y: F8
    z: F8
    e: F8
    feed: F8
    seconds: F8
