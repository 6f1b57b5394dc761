"""Beads and layers: what each move is, layer by layer. Same index as `Moves`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.program import Program
from gcodetools.marks.features import FEATURE_INDEX, FEATURES
from gcodetools.marks.types import Marks
from gcodetools.toolpath import features

__all__ = [
    "FEATURES",
    "FEATURE_INDEX",
    "Beads",
    "Layers",
    "bead_area_mm2",
    "bead_width_mm",
    "build",
    "path_lengths",
]

F4 = NDArray[np.float32]
F8 = NDArray[np.float64]
I2 = NDArray[np.int16]
I4 = NDArray[np.int32]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]
T = TypeVar("T", bound=np.generic)

_OTHER, _TOWER = FEATURE_INDEX["other"], FEATURE_INDEX["tower"]
_PRINTED = tuple(FEATURE_INDEX[w] for w in ("outermost", "perimeter", "solid", "sparse", "overhang"))


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
        """(m,) whether a row lays a bead."""
        bead: Bool = self.feature != 0
        return bead


def bead_area_mm2(width_mm: F8, height_mm: F8) -> F8:
    """Section of a bead, mm2: a rectangle with half-round ends, A = (w - h) h + pi h^2 / 4.

    Closed form of the shape; that a laid bead has this shape is common practice, no source.
    """
    return (width_mm - height_mm) * height_mm + np.pi * height_mm**2 / 4


def bead_width_mm(area_mm2: F8, height_mm: F8) -> F8:
    """Width of a bead of that section, the inverse of `bead_area_mm2`: w = A / h + h (1 - pi / 4)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        width: F8 = area_mm2 / height_mm + height_mm * (1 - np.pi / 4)
    return width


def path_lengths(program: Program) -> F8:
    """(m,) length of each move's path in X, Y and Z, mm; arcs along their curve, helices too."""
    moves = program.moves
    length = np.empty(len(moves))
    if len(moves) == 0:
        return length
    total = np.square(np.diff(moves.x))
    total += np.square(np.diff(moves.y))
    total += np.square(np.diff(moves.z))
    np.sqrt(total, out=length[1:])
    length[0] = np.sqrt(moves.x[0] ** 2 + moves.y[0] ** 2 + moves.z[0] ** 2)
    if len(program.arcs.row):
        length[program.arcs.row] = arc_lengths(moves, program.arcs)
    return length


def build(program: Program, marks: Marks, layers: Layers, beads: Bool, diameter_mm: float = 1.75) -> Beads:
    """Columns of all rows; see `Beads`.

    Features come from the file's marks where it has any that name walls or fill, else from geometry.
    Widths come from width marks, else from the filament pushed: E pi d^2 / 4 = A L.

    Parameters
    ----------
    beads : (m,) rows that lay a bead (`layers.laying`). diameter_mm : of the filament.
    """
    line = program.moves.line
    length = path_lengths(program)
    layer = _layer_of(layers, len(line))
    height = _heights(marks, layers, layer, line)
    width = _widths(program, marks, length, height, beads, diameter_mm)
    height[~beads] = np.nan
    feature, source = _marked_features(marks, line, beads), "comments"
    if feature is None:
        feature = features.classify(program, beads, layer, width, layers.raft)
        source = "geometry"
    feature[beads & (layer < 0)] = _OTHER
    instance = marks.objects.at(line)
    for column in (layer, instance, feature, width, height, length):
        column.setflags(write=False)
    return Beads(layer, instance, feature, width, height, length, source)


def _layer_of(layers: Layers, count: int) -> I4:
    layer = np.full(count, -1, np.int32)
    if len(layers):
        first, end = int(layers.first_row[0]), int(layers.last_row[-1])
        sizes = np.diff(np.append(layers.first_row, end))
        layer[first:end] = np.repeat(np.arange(len(layers), dtype=np.int32), sizes)
    return layer


def _held(padded: NDArray[T], line: I4, at: I4) -> NDArray[T]:
    """(k,) for each of the ascending lines `at`: `padded[1 + n]` behind `line[n]`, `padded[0]` before all."""
    bounds = np.searchsorted(at, line, side="right")
    counts = np.diff(np.concatenate([[0], bounds, [len(at)]]))
    return np.repeat(padded, counts)


def _padded(value: F8) -> F4:
    return np.concatenate([[np.nan], value]).astype(np.float32)


def _heights(marks: Marks, layers: Layers, layer: I4, line: I4) -> F4:
    """Layer thickness at each row: the layer's, or what a mark inside it says."""
    by_layer = np.append(layers.height_mm, np.nan).astype(np.float32)
    height = by_layer[layer]
    if len(marks.height_line):
        marked = _held(_padded(marks.height), marks.height_line, line)
        height = np.where(marked > 0, marked, height)
    return height


def _widths(program: Program, marks: Marks, length: F8, height: F4, beads: Bool, diameter_mm: float) -> F4:
    with np.errstate(divide="ignore", invalid="ignore"):
        area = program.moves.e / length
    area *= np.pi * diameter_mm**2 / 4
    width = bead_width_mm(area, height.astype(np.float64)).astype(np.float32)
    if len(marks.width_line):
        marked = _held(_padded(marks.width), marks.width_line, program.moves.line)
        width = np.where(marked > 0, marked, width)
    width[~beads] = np.nan
    return width


def _marked_features(marks: Marks, line: I4, beads: Bool) -> U1 | None:
    """Features as marked; None where no mark names a wall or fill at all."""
    if not np.any(np.isin(marks.feature, _PRINTED)):
        return None
    padded = np.concatenate([[_OTHER], marks.feature]).astype(np.uint8)
    feature = _held(padded, marks.feature_line, line)
    if len(marks.towers.first):
        feature[marks.towers.holds(line)] = _TOWER
    feature[~beads] = 0
    return feature
