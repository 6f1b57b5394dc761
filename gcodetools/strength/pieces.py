"""The beads of one instance as short pieces, which of them lie in a region, and what they lie on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import Selection
from gcodetools.physics.below import STEP_MM, Below, Samples, below, divide_rows, samples_of
from gcodetools.records import dataclass
from gcodetools.strength.got import Got
from gcodetools.toolpath.beads import FEATURE_INDEX, bead_width_mm
from gcodetools.toolpath.plate import DEFAULT_DIAMETER_MM, Plate

__all__ = ["Instance", "instance_of"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_OF_THE_PART = tuple(
    FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang", "solid", "sparse", "bridge", "gap")
)
_OPEN = tuple(FEATURE_INDEX[w] for w in ("sparse", "bridge"))
_SPARSE = FEATURE_INDEX["sparse"]
_CELL_MM, _FULL = 3.0, 0.8
_OUTER = FEATURE_INDEX["outermost"]


@dataclass(frozen=True, slots=True)
class Instance:
    """Pieces of one instance in the layers of its regions and one below.

    samples : (n,). outer : (n,) of the outermost perimeter. within : (n,) bool of each region. nozzle_c, told_c, fan
    : (n,) what the beads got. on : what the pieces of any region lie on; its columns stand at `at` (k,).
    own_layer : (n,) layer of the instance, from 1. top_mm : nozzle height of its last layer.
    """

    samples: Samples
    outer: Bool
    within: tuple[Bool, ...]
    nozzle_c: F8
    told_c: F8
    fan: F8
    at: I8
    on: Below
    own_layer: I4
    top_mm: float

    def lies_on(self, mask: Bool) -> Below:
        """What the pieces of `mask`, all of some region, lie on."""
        chosen = np.searchsorted(self.at, np.flatnonzero(mask))
        on = self.on
        return Below(
            on.share[chosen], on.age_s[chosen], on.oldest_s[chosen], on.sparse[chosen], on.gap[chosen]
        )


def instance_of(
    plate: Plate, pose: Pose, selections: Sequence[Selection], got: Got, step_mm: float = STEP_MM
) -> Instance:
    """Cut the beads of an instance into pieces.

    Parameters
    ----------
    selections : of its regions. got : what the plate's beads got. step_mm : greatest length of a piece.
    """
    rows, own = _rows(plate, pose, selections)
    beads, moves = plate.beads, plate.moves
    ones = np.ones(len(rows))
    pieces = divide_rows(moves, plate.program.arcs, rows, 0.0 * ones, ones, beads.length_mm[rows], step_mm)
    row = rows[pieces.index]
    feature = beads.feature[rows]
    samples = samples_of(
        pieces,
        row=rows,
        width_mm=_widths(plate, rows),
        height_mm=beads.height[rows].astype(np.float64),
        top_mm=moves.z[rows],
        layer=beads.layer[rows],
        begin_s=got.begin_s[rows],
        seconds=got.begin_s[rows + 1] - got.begin_s[rows],
        solid=~np.isin(feature, _OPEN),
        owner=np.zeros(len(rows), np.int64),
    )
    sparse = feature[pieces.index] == _SPARSE
    if np.any(sparse):
        samples = replace(samples, solid=samples.solid | (sparse & _dense(samples)))
    outer = feature[pieces.index] == _OUTER
    within = tuple(_within(row, pieces.t, selection) for selection in selections)
    at = np.flatnonzero(np.logical_or.reduce(within)) if within else np.empty(0, np.int64)
    nozzle, told, fan = got.at(row)
    on = below(samples.take(at), samples)
    top = float(moves.z[pose.rows].max(initial=pose.z_mm))
    return Instance(samples, outer, within, nozzle, told, fan, at, on, own[pieces.index], top)


def _widths(plate: Plate, rows: I8) -> F8:
    """(n,) widths by the plastic pushed, not by marks: a changed flow stands in no mark."""
    diameter = plate.filament_diameter_mm or DEFAULT_DIAMETER_MM
    area = plate.moves.e[rows] * (np.pi * diameter**2 / 4) / np.maximum(plate.beads.length_mm[rows], 1e-9)
    return bead_width_mm(area, plate.beads.height[rows].astype(np.float64))


def _dense(samples: Samples) -> Bool:
    """(n,) pieces in places that are hardly less than full: files call all fill sparse that is below 100 %.

    How much of cells of some lines' breadth the beads of a layer cover.
    """
    if len(samples) == 0:
        return np.zeros(0, bool)
    x, y = np.floor(samples.x_mm / _CELL_MM), np.floor(samples.y_mm / _CELL_MM)
    x, y = x - x.min(), y - y.min()
    code = ((samples.layer * (y.max() + 1) + y) * (x.max() + 1) + x).astype(np.int64)
    _, cell = np.unique(code, return_inverse=True)
    covered = np.bincount(cell.ravel(), samples.length_mm * samples.width_mm) / _CELL_MM**2
    result: Bool = covered[cell.ravel()] >= _FULL
    return result


def _rows(plate: Plate, pose: Pose, selections: Sequence[Selection]) -> tuple[I8, I4]:
    """The instance's beads in the layers of its regions and one below, and their layers from 1."""
    keep = np.isin(plate.beads.feature[pose.rows], _OF_THE_PART)
    rows, own = pose.rows[keep].astype(np.int64), pose.layer[keep]
    used = np.zeros(int(own.max(initial=0)) + 2, bool)
    place = np.searchsorted(rows, np.concatenate([one.row for one in selections] or [rows[:0]]))
    used[own[np.minimum(place, len(own) - 1)]] = True
    used[:-1] |= used[1:]
    wanted = used[own] & (plate.beads.width[rows] > 0) & (plate.beads.height[rows] > 0)
    return rows[wanted], own[wanted].astype(np.int32)


def _within(row: I8, t: F8, selection: Selection) -> Bool:
    """Which pieces lie in a selection, by their middle."""
    if len(selection.row) == 0:
        return np.zeros(len(row), bool)
    k = np.searchsorted(selection.row + np.minimum(selection.t0, 1.0 - 1e-9), row + t, side="right") - 1
    inside: Bool = (k >= 0) & (selection.row[k] == row) & (t <= selection.t1[k])
    return inside
