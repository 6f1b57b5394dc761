"""Beads cut into short straight pieces, as columns: where each lies, how it runs, when it was laid."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import ARC, Arcs, Moves
from gcodetools.records import dataclass

__all__ = ["STEP_MM", "Bends", "Pieces", "Samples", "divide", "divide_rows", "numbered", "samples_of"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

STEP_MM = 0.5


@dataclass(frozen=True, slots=True)
class Samples:
    """Short straight pieces of beads, columns (n,).

    x_mm, y_mm : middle. ux, uy : unit direction. length_mm, width_mm, height_mm : of the piece. top_mm : nozzle
    height of its layer. layer : int32, index of the plate's layers. laid_s : when it was laid, on the plate's
    clock. solid : not of sparse fill or a bridge. owner : any grouping. row : int64, of `Moves`.
    """

    x_mm: F8
    y_mm: F8
    ux: F8
    uy: F8
    length_mm: F8
    width_mm: F8
    height_mm: F8
    top_mm: F8
    layer: I4
    laid_s: F8
    solid: Bool
    owner: I8
    row: I8

    def __len__(self) -> int:
        return len(self.x_mm)

    def take(self, index: NDArray[np.integer] | Bool) -> Samples:
        """The samples `index` (or where it is true), in that order."""
        return Samples(*(getattr(self, f.name)[index] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Bends:
    """Those of some paths that are arcs in XY, columns (k,).

    at : ascending indices of the paths. cx, cy, radius : mm. begin : angle of the path's start about the centre,
    sweep : signed angle of the whole path, radians, counter-clockwise positive.
    """

    at: I8
    cx: F8
    cy: F8
    radius: F8
    begin: F8
    sweep: F8


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of paths, columns (n,): index : of the path. t : fraction of the whole path at the piece's middle.
    x_mm, y_mm : that middle. ux, uy : direction there. length_mm : along the path."""

    index: I8
    t: F8
    x_mm: F8
    y_mm: F8
    ux: F8
    uy: F8
    length_mm: F8


def numbered(number: I8) -> tuple[I8, I8]:
    """Distinct whole numbers that lie near each other, ascending, and where each of `number` is among them."""
    if len(number) == 0:
        return number, number
    least = int(number.min())
    here = np.zeros(int(number.max()) - least + 1, bool)
    here[number - least] = True
    return np.flatnonzero(here) + least, (np.cumsum(here) - 1)[number - least]


def divide(
    x0: F8,
    y0: F8,
    x1: F8,
    y1: F8,
    length_mm: F8,
    step_mm: float = STEP_MM,
    *,
    t0: F8 | None = None,
    t1: F8 | None = None,
    bends: Bends | None = None,
) -> Pieces:
    """Paths as straight pieces of even length, at most `step_mm` each; on an arc the tangent at the middle, which
    leaves it by step^2 / (8 radius) at most.

    Parameters
    ----------
    x0, y0, x1, y1 : (m,) ends of the whole paths, mm. length_mm : (m,) of them, along arcs and slopes.
    t0, t1 : (m,) the stretch of each path that counts, fractions of its length; the whole where None.
    bends : which of them are arcs.

    Returns
    -------
    Pieces
        In the order of the paths and along them. A path without length, or without a direction in XY, has none.
    """
    m = len(x0)
    begin = np.zeros(m) if t0 is None else t0
    stretch = (np.ones(m) if t1 is None else t1) - begin
    dx, dy = x1 - x0, y1 - y0
    chord = np.hypot(dx, dy)
    own = length_mm * stretch
    lies = chord > 0
    bend = np.full(m, -1, np.int64)
    if bends is not None:
        bend[bends.at] = np.arange(len(bends.at))
        lies[bends.at] = True
    lies &= own > 0
    count = np.zeros(m, np.int64)
    count[lies] = np.maximum(np.ceil(own[lies] / step_mm - 1e-9), 1)

    index = np.repeat(np.arange(m), count)
    number = np.arange(len(index)) - np.repeat(np.cumsum(count) - count, count)
    t = begin[index] + stretch[index] * (number + 0.5) / count[index]
    with np.errstate(divide="ignore", invalid="ignore"):
        ux, uy = (dx / chord)[index], (dy / chord)[index]
    x, y = x0[index] + dx[index] * t, y0[index] + dy[index] * t
    if bends is not None and len(bends.at):
        on = np.flatnonzero(bend[index] >= 0)
        k = bend[index[on]]
        angle = bends.begin[k] + bends.sweep[k] * t[on]
        cos, sin, turn = np.cos(angle), np.sin(angle), np.sign(bends.sweep[k])
        x[on], y[on] = bends.cx[k] + bends.radius[k] * cos, bends.cy[k] + bends.radius[k] * sin
        ux[on], uy[on] = -sin * turn, cos * turn
    return Pieces(index, t, x, y, ux, uy, own[index] / count[index])


def divide_rows(
    moves: Moves,
    arcs: Arcs,
    row: NDArray[np.integer],
    t0: F8,
    t1: F8,
    length_mm: F8,
    step_mm: float = STEP_MM,
) -> Pieces:
    """Stretches of rows as pieces; see `divide`. Arcs in other planes than XY are taken as their chord.

    Parameters
    ----------
    row, t0, t1 : (m,) stretches, in any order; a row may have several. length_mm : (m,) of each one's whole row.

    Returns
    -------
    Pieces
        `index` counts the stretches.
    """
    before = np.maximum(row - 1, 0)
    first = row == 0
    x0, y0 = np.where(first, 0.0, moves.x[before]), np.where(first, 0.0, moves.y[before])
    at = np.flatnonzero((moves.kind[row] & ARC) != 0)
    k = np.searchsorted(arcs.row, row[at])
    flat = (arcs.plane[k] == 17) & (arcs.radius[k] > 0) & (arcs.sweep[k] != 0)
    at, k = at[flat], k[flat]
    bends = Bends(at, arcs.cx[k], arcs.cy[k], arcs.radius[k], arcs.begin[k], arcs.sweep[k])
    return divide(x0, y0, moves.x[row], moves.y[row], length_mm, step_mm, t0=t0, t1=t1, bends=bends)


def samples_of(
    pieces: Pieces,
    *,
    row: NDArray[np.integer],
    width_mm: NDArray[np.floating],
    height_mm: NDArray[np.floating],
    top_mm: F8,
    layer: NDArray[np.integer],
    begin_s: F8,
    seconds: F8,
    solid: Bool,
    owner: NDArray[np.integer],
) -> Samples:
    """Pieces with what holds for their paths, columns (m,); begin_s, seconds : when each whole path begins and how
    long it takes, at even speed."""
    index = pieces.index
    return Samples(
        pieces.x_mm,
        pieces.y_mm,
        pieces.ux,
        pieces.uy,
        pieces.length_mm,
        width_mm[index].astype(np.float64),
        height_mm[index].astype(np.float64),
        top_mm[index],
        layer[index].astype(np.int32),
        begin_s[index] + pieces.t * seconds[index],
        solid[index],
        owner[index].astype(np.int64),
        row[index].astype(np.int64),
    )
