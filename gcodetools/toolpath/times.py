"""Rough time a layer takes: path over feed, without acceleration. Low, so it holds back rather too much."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.toolpath.plate import Plate

__all__ = ["layer_seconds", "row_seconds"]


def row_seconds(plate: Plate) -> NDArray[np.float64]:
    """(m,) seconds of each move at its commanded feed and M220, dwells included; 0 where no feed is known."""
    moves = plate.program.moves
    length = plate.beads.length_mm
    filament_only = (length == 0) & (moves.e != 0)
    path = np.where(filament_only, np.abs(moves.e), length)
    factor = plate.program.states.speed_factor
    feed = moves.f * factor.at(moves.line) if len(factor.line) else moves.f
    with np.errstate(divide="ignore", invalid="ignore"):
        seconds = np.where(feed > 0, path / feed, 0.0)
    seconds = np.nan_to_num(seconds)
    seconds[plate.program.dwell_row] += plate.program.dwell_s
    return seconds


def layer_seconds(plate: Plate) -> NDArray[np.float64]:
    """(layers,) seconds of each plate layer, see the module."""
    layer = plate.beads.layer
    inside = layer >= 0
    seconds = np.bincount(layer[inside], row_seconds(plate)[inside], minlength=len(plate.layers))
    return seconds.astype(np.float64)
