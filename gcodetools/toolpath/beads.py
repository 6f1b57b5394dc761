"""Beads and layers: what each move is, layer by layer. Same index as `Moves`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.arrays import spans_of
from gcodetools.gcode.program import Program
from gcodetools.marks.features import FEATURE_INDEX, FEATURES
from gcodetools.marks.types import Marks
from gcodetools.records import dataclass

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
    for low, high in spans_of(len(moves), 1):
        total = np.square(np.diff(moves.x[low - 1 : high]))
        total += np.square(np.diff(moves.y[low - 1 : high]))
        total += np.square(np.diff(moves.z[low - 1 : high]))
        np.sqrt(total, out=length[low:high])
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
    width, height = _sections(program, marks, layers, layer, length, beads, diameter_mm)
    feature, source = _marked_features(marks, line, beads), "comments"
    if feature is None:
        from gcodetools.toolpath import features

        feature = features.classify(program, beads, layer, width, layers.raft, layers.run)
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


class _Held:
    """What marks say of ascending lines: `padded[1 + n]` behind `line[n]`, `padded[0]` before all."""

    def __init__(self, padded: NDArray[Any], line: I4, at: I4) -> None:
        self.padded, self.bounds = padded, np.searchsorted(at, line, side="right")

    def between(self, low: int, high: int) -> NDArray[Any]:
        """Of the lines `low` to `high` of `at`."""
        first, last = np.searchsorted(self.bounds, low, "right"), np.searchsorted(self.bounds, high)
        counts = np.diff(self.bounds[first:last], prepend=low, append=high)
        return np.repeat(self.padded[first : last + 1], counts)


def _padded(value: F8) -> F4:
    return np.concatenate([[np.nan], value]).astype(np.float32)


def _sections(
    program: Program, marks: Marks, layers: Layers, layer: I4, length: F8, beads: Bool, diameter_mm: float
) -> tuple[F4, F4]:
    """Width and height of beads, mm, NaN where no bead: the layer's thickness, or what a mark inside it says; the
    width that a mark says, or by the filament pushed."""
    moves = program.moves
    by_layer = np.append(layers.height_mm, np.nan).astype(np.float32)
    heights = _Held(_padded(marks.height), marks.height_line, moves.line) if len(marks.height_line) else None
    widths = _Held(_padded(marks.width), marks.width_line, moves.line) if len(marks.width_line) else None
    width, height = np.empty(len(layer), np.float32), np.empty(len(layer), np.float32)
    for low, high in spans_of(len(layer)):
        none = ~beads[low:high]
        mine = by_layer[layer[low:high]]
        if heights is not None:
            marked = heights.between(low, high)
            mine = np.where(marked > 0, marked, mine)
        with np.errstate(divide="ignore", invalid="ignore"):
            area = moves.e[low:high] / length[low:high]
        area *= np.pi * diameter_mm**2 / 4
        wide = bead_width_mm(area, mine.astype(np.float64)).astype(np.float32)
        if widths is not None:
            marked = widths.between(low, high)
            wide = np.where(marked > 0, marked, wide)
        wide[none] = np.nan
        mine[none] = np.nan
        width[low:high], height[low:high] = wide, mine
    return width, height


def _marked_features(marks: Marks, line: I4, beads: Bool) -> U1 | None:
    """Features as marked; None where no mark names a wall or fill at all."""
    if not np.any(np.isin(marks.feature, _PRINTED)):
        return None
    padded = np.concatenate([[_OTHER], marks.feature]).astype(np.uint8)
    feature: U1 = _Held(padded, marks.feature_line, line).between(0, len(line))
    if len(marks.towers.first):
        feature[marks.towers.holds(line)] = _TOWER
    feature[~beads] = 0
    return feature
