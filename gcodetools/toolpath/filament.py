"""Filament three ways: through the nozzle, laid in beads, and in start code, towers and purges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

__all__ = ["Filament", "filament", "volume_mm3"]


@dataclass(frozen=True, slots=True)
class Filament:
    """Lengths, mm. nozzle_mm : highest point of net E, all tools. beads_mm : in beads of layers.
    start_and_tower_mm : in start code, towers, and pushed without moving beyond what was pulled back."""

    nozzle_mm: float
    beads_mm: float
    start_and_tower_mm: float


def filament(plate: Plate) -> Filament:
    """Sum a plate's filament."""
    moves, beads = plate.program.moves, plate.beads
    total = 0.0
    for tool in np.unique(moves.tool).tolist():
        pushed = np.where(moves.tool == tool, moves.e, 0.0)
        total += max(float(np.cumsum(pushed).max(initial=0.0)), 0.0)
    printed = (beads.feature != 0) & (beads.layer >= 0) & (beads.feature != FEATURE_INDEX["tower"])
    laid = float(moves.e[printed].sum())
    return Filament(total, laid, max(total - laid, 0.0))


def volume_mm3(length_mm: float, diameter_mm: float) -> float:
    """Volume of a length of filament, pi d^2 / 4 L (circle area; any handbook)."""
    return length_mm * float(np.pi) * diameter_mm**2 / 4
