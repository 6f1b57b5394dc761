"""Beads and layers: what each move is, layer by layer. Same index as `Moves`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gcodetools.marks.features import FEATURE_INDEX, FEATURES

__all__ = ["FEATURES", "FEATURE_INDEX", "Beads", "Layers"]

F4 = NDArray[np.float32]
F8 = NDArray[np.float64]
I2 = NDArray[np.int16]
I4 = NDArray[np.int32]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Layers:
    """The printed layers of the plate in file order.

    A plate printed object after object has several `run`s, and z falls back at each. Raft layers come first
    and are marked. line : first line of the layer (its mark, where it has one). first_row, last_row :
    rows [first, last) of the layer. z_mm : nozzle height of its beads. height_mm : its thickness.
    raft : true for a raft's layers. source : "comments" or "geometry".
    """

    line: I4
    first_row: I4
    last_row: I4
    z_mm: F8
    height_mm: F8
    run: I2
    raft: Bool
    source: str

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True, slots=True)
class Beads:
    """Columns with the index of `Moves`.

    layer : (m,) int32, index into `Layers`, -1 before the first. instance : (m,) int16, index of the
    object label that brackets the row (`Marks.objects.names`), -1 outside. feature : (m,) uint8, index into
    FEATURES; 0 where the row lays no bead. width, height : (m,) float32, mm, NaN where no bead.
    length_mm : (m,) float64, path length in XYZ, arcs along the curve. source : "comments" or "geometry".
    """

    layer: I4
    instance: I2
    feature: U1
    width: F4
    height: F4
    length_mm: F8
    source: str

    @property
    def is_bead(self) -> Bool:
        return self.feature != 0
