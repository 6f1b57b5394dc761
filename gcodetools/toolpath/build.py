"""Builds the Beads of a plate: layer, feature, width and height of every row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.program import Program
from gcodetools.marks.types import Marks
from gcodetools.toolpath import features
from gcodetools.toolpath.beads import FEATURE_INDEX, Beads, Layers

__all__ = ["bead_area_mm2", "bead_width_mm", "build_beads", "path_lengths"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]

_OTHER, _TOWER = FEATURE_INDEX["other"], FEATURE_INDEX["tower"]
_PRINTED = tuple(FEATURE_INDEX[w] for w in ("outermost", "perimeter", "solid", "sparse", "overhang"))


def bead_area_mm2(width_mm: F8, height_mm: F8) -> F8:
    """Section of a bead: a rectangle with half-round ends, A = (w - h) h + pi h^2 / 4.

    The usual model of a laid bead; derived geometry, the shape itself common practice, no source.
    """
    return (width_mm - height_mm) * height_mm + np.pi * height_mm**2 / 4


def bead_width_mm(area_mm2: F8, height_mm: F8) -> F8:
    """Width of a bead of that section, the inverse of `bead_area_mm2`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        width: F8 = area_mm2 / height_mm + height_mm * (1 - np.pi / 4)
    return width


def path_lengths(program: Program) -> F8:
    """(m,) length of each move's path in X, Y and Z, mm; arcs along their curve."""
    moves = program.moves
    length = np.empty(len(moves))
    if len(moves) == 0:
        return length
    total = np.square(np.diff(moves.x))
    total += np.square(np.diff(moves.y))
    total += np.square(np.diff(moves.z))
    length[1:] = np.sqrt(total)
    length[0] = np.sqrt(moves.x[0] ** 2 + moves.y[0] ** 2 + moves.z[0] ** 2)
    if len(program.arcs.row):
        length[program.arcs.row] = arc_lengths(moves, program.arcs)
    return length


def build_beads(program: Program, marks: Marks, layers: Layers, beads: Bool, diameter_mm: float) -> Beads:
    """Columns of all rows; see `beads.Beads`.

    Parameters
    ----------
    beads : rows that lay a bead. diameter_mm : of the filament, for widths from E.
    """
    moves = program.moves
    length = path_lengths(program)
    layer = _layer_of(layers, len(moves))
    instance = marks.objects.at(moves.line)
    height = _heights(marks, layers, layer, moves.line)
    width = _widths(marks, moves.line, moves.e, length, height, beads, diameter_mm)
    height[~beads] = np.nan
    by_marks = _marked_features(marks, moves.line, beads)
    source = "comments"
    if by_marks is None or not np.any(np.isin(by_marks, _PRINTED)):
        by_marks, source = features.classify(moves, beads, layers, width.astype(np.float64)), "geometry"
    by_marks[beads & (layer < 0)] = _OTHER
    for column in (layer, instance, by_marks, width, height, length):
        column.setflags(write=False)
    return Beads(layer, instance, by_marks, width, height, length, source)


def _layer_of(layers: Layers, count: int) -> NDArray[np.int32]:
    layer = np.full(count, -1, np.int32)
    if len(layers) == 0:
        return layer
    sizes = np.diff(np.append(layers.first_row, layers.last_row[-1]))
    layer[layers.first_row[0] : layers.last_row[-1]] = np.repeat(
        np.arange(len(layers), dtype=np.int32), sizes
    )
    return layer


def _heights(
    marks: Marks, layers: Layers, layer: NDArray[np.int32], line: NDArray[np.int32]
) -> NDArray[np.float32]:
    """Layer thickness at each row: the layer's, or what a mark inside it says."""
    if len(layers) == 0:
        return np.full(len(layer), np.nan, np.float32)
    by_layer = np.append(layers.height_mm, np.nan).astype(np.float32)
    height = by_layer[layer]
    if len(marks.height_line):
        at = np.searchsorted(marks.height_line, line) - 1
        marked = marks.height.astype(np.float32)[np.maximum(at, 0)]
        height = np.where((at >= 0) & (marked > 0), marked, height)
    return height


def _widths(
    marks: Marks,
    line: NDArray[np.int32],
    e: F8,
    length: F8,
    height: NDArray[np.float32],
    beads: Bool,
    diameter: float,
) -> NDArray[np.float32]:
    with np.errstate(divide="ignore", invalid="ignore"):
        area = e * (np.pi * diameter**2 / 4) / length
    width = bead_width_mm(area, height.astype(np.float64)).astype(np.float32)
    if len(marks.width_line):
        at = np.searchsorted(marks.width_line, line) - 1
        marked = marks.width.astype(np.float32)[np.maximum(at, 0)]
        width = np.where((at >= 0) & (marked > 0), marked, width)
    width[~beads] = np.nan
    return width


def _marked_features(marks: Marks, line: NDArray[np.int32], beads: Bool) -> NDArray[np.uint8] | None:
    if len(marks.feature_line) == 0:
        return None
    at = np.searchsorted(marks.feature_line, line) - 1
    feature = np.where(at >= 0, marks.feature[np.maximum(at, 0)], _OTHER).astype(np.uint8)
    if len(marks.towers.first):
        feature[marks.towers.holds(line)] = _TOWER
    feature[~beads] = 0
    return feature
