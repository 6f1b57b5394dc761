"""Square cells of a region's plastic, layer by layer: which are inside its outline, which bead is nearest to each.

Cells come in square tiles, those around the region's beads. A table of tiles finds the cell at a place without a
search, so that beads are offered to the cells around them and no cell looks for its bead.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.physics.pieces import Samples
from gcodetools.physics.stations import crossings
from gcodetools.records import dataclass

__all__ = ["Cells", "cells_of"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_APART_MM = 1e4  # layers are set apart by this where pieces are looked up; a plate is smaller
_TILE_MM = 1.5  # plastic of a region is looked for this far from its beads; sparse lines lie up to 3 mm apart
_DEEP_MM = 2 * _TILE_MM  # from a cell inside the outline to its bead, at the most
_CELL_MM = (
    0.2  # at the least; what a cell has of an edge is weighed, so a wall need not be a whole number of them
)
_CELLS = 60_000  # at the most, near enough
_AS_NEAR_MM2 = 1e-9  # pieces of one bead meet, and rounding is no reason to take either
_PLACES, _FEW_PLACES = 32, 1 << 20  # for tiles in a table: so many a tile, and so many besides
_SIDES = ((-1, 0), (1, 0), (0, -1), (0, 1))


@dataclass(frozen=True, slots=True)
class Cells:
    """Square cells of a region's plastic, outlines filled, columns (c,): layer, middle, area in the outline, lump,
    how many of its four neighbours are no cell of the region, and how many of these are plastic."""

    layer: I4
    x: F8
    y: F8
    area: F8
    lump: I8
    edges: F8
    beyond: F8
    side_mm: float
    _tiles: _Tiles
    _number: I8

    def cut(self, count: int) -> F8:
        """(count,) share of each lump's edge behind which there is plastic."""
        edges = np.bincount(self.lump, self.edges, minlength=count)
        cut: F8 = np.bincount(self.lump, self.beyond, minlength=count) / np.maximum(edges, 1.0)
        return cut

    def nearest(self, pieces: Samples, index: I8) -> I8:
        """Lump of the cell that is nearest to each of the pieces `index`, of its layer."""
        if len(index) == 0:
            return np.empty(0, np.int64)
        x, y, layer = pieces.x_mm[index], pieces.y_mm[index], pieces.layer[index]
        (cell,) = self._tiles.beside(layer, *self._tiles.at(x, y), [(0, 0)])
        own = np.where(cell < 0, -1, self._number[cell])
        lump = np.append(self.lump, 0)[own]
        off = np.flatnonzero(own < 0)
        if len(off):
            tree = shapely.STRtree(shapely.points(self.x + self.layer * _APART_MM, self.y))
            points = shapely.points(x[off] + layer[off] * _APART_MM, y[off])
            asked, found = tree.query_nearest(points, all_matches=False)
            lump[off[asked]] = self.lump[found]
        return lump


def cells_of(pieces: Samples, outer: Bool, within: Bool) -> Cells:
    """Cells inside the outermost loops or on a bead, whose nearest bead is of the region.

    Parameters
    ----------
    pieces : (n,) of whole islands. outer : (n,) those of outermost loops. within : (n,) those of the region.
    """
    tiles = _Tiles.around(pieces.take(within), float(pieces.length_mm.max(initial=0.0)))
    layer, column, row = tiles.cells()
    side = tiles.side_mm
    x: F8 = np.asarray((column + 0.5) * side, np.float64)
    y: F8 = np.asarray((row + 0.5) * side, np.float64)
    inside = _enclosed(pieces, np.flatnonzero(outer), layer, row, x, y)
    # Only what lies in or beside a tile can be nearest to a cell that counts.
    beside = np.flatnonzero(np.isin(_tile_key(*_tile_of(pieces)), _tile_key(*tiles.and_beside())))
    around, within = pieces.take(beside), within[beside]
    reach = float(around.width_mm.max(initial=0.0)) / 2 + side
    near, far = _nearest(tiles, around, reach, np.where(inside, _DEEP_MM, reach))
    # What a cell has of a bead's edge, the edge being straight across it.
    covered = np.clip((np.append(around.width_mm, 0.0)[near] / 2 - far) / side + 0.5, 0.0, 1.0)
    covered = np.where(near < 0, 0.0, np.where(inside, 1.0, covered))
    mine = np.append(within, False)[near] & (covered > 0)
    at = np.flatnonzero(mine)
    number = np.full(len(mine), -1, np.int64)
    number[at] = np.arange(len(at))
    edges, beyond = np.zeros(len(at)), np.zeros(len(at))
    joined = []
    for step, other in zip(_SIDES, tiles.beside(layer[at], column[at], row[at], _SIDES), strict=True):
        outside = (other < 0) | ~mine[other]
        edges += outside
        beyond += outside & (other >= 0) & (covered[other] > 0.5)
        if sum(step) > 0:
            on = np.flatnonzero(~outside)
            joined.append((on, number[other[on]]))
    a, b = (np.concatenate(c) for c in zip(*joined, strict=True))
    lump = _joined(len(at), a, b)
    area = covered[at] * side**2
    return Cells(layer[at], x[at], y[at], area, lump, edges, beyond, side, tiles, number)


@dataclass(frozen=True, slots=True)
class _Tiles:
    """Tiles and their cells. layer, column, row : (t,) of each tile. per_tile : cells along its edge. side_mm : of a
    cell. layers : (l,) distinct ones. left, above, wide, tall : column and row of the first place for a tile, and how
    many there are, with a rim as wide as beads are offered far. key : (t,) ascending, the place of each tile, layer by
    layer and column by column. table : the number of the tile at each place, -1 where there is none; empty where
    places are many, as where a region lies scattered."""

    layer: I8
    column: I8
    row: I8
    per_tile: int
    side_mm: float
    layers: I8
    left: int
    above: int
    wide: int
    tall: int
    key: I8
    table: I4

    @classmethod
    def around(cls, pieces: Samples, long_mm: float) -> _Tiles:
        """Those of pieces, and those beside them. long_mm : the longest piece that will be offered."""
        layer, column, row = _around(*_tile_of(pieces))
        wanted = math.sqrt(_CELLS / max(len(layer), 1))
        per_tile = int(min(max(wanted, 3), math.ceil(_TILE_MM / _CELL_MM)))
        layers, place = np.unique(layer, return_inverse=True)
        rim = 3 + math.ceil((_DEEP_MM + long_mm / 2) / _TILE_MM)
        left, above = (int(c.min()) - rim if len(c) else 0 for c in (column, row))
        wide, tall = (int(np.ptp(c)) + 1 + 2 * rim if len(c) else 0 for c in (column, row))
        key = (place * wide + column - left) * tall + row - above
        table = np.empty(0, np.int32)
        if len(layers) * wide * tall <= _PLACES * len(layer) + _FEW_PLACES:
            table = np.full(len(layers) * wide * tall, -1, np.int32)
            table[key] = np.arange(len(layer))
        side = _TILE_MM / per_tile
        return cls(layer, column, row, per_tile, side, layers, left, above, wide, tall, key, table)

    def cells(self) -> tuple[I4, I8, I8]:
        """(c,) layer, column and row of each cell, tile after tile."""
        n = self.per_tile
        a, b = (c.ravel() for c in np.meshgrid(np.arange(n), np.arange(n)))
        layer = np.repeat(self.layer, n**2).astype(np.int32)
        return layer, (self.column[:, None] * n + a).ravel(), (self.row[:, None] * n + b).ravel()

    def at(self, x: F8, y: F8) -> tuple[I8, I8]:
        """(n,) column and row of the cells that places are in."""
        return tuple(np.floor(c / self.side_mm).astype(np.int64) for c in (x, y))  # type: ignore[return-value]

    def and_beside(self) -> tuple[I8, I8, I8]:
        """Layer, column and row of these tiles and those beside them."""
        return _around(self.layer, self.column, self.row)

    def beside(
        self, layer: NDArray[np.integer], column: I8, row: I8, steps: Sequence[tuple[int, int]]
    ) -> Iterator[I8]:
        """For each of the steps, columns to the right and rows down, the (n,) cells that lie so far from these, -1
        where there is none. The steps are no longer than the rim is wide."""
        n = self.per_tile
        first = np.searchsorted(self.layers, layer) * self.wide
        column, row = column - self.left * n, row - self.above * n
        off = (column < 0) | (column >= self.wide * n) | (row < 0) | (row >= self.tall * n)
        if np.any(off):  # to the rim's corner
            column, row = np.where(off, 0, column), np.where(off, 0, row)
        across, along = {}, {}
        for right, down in steps:
            if right not in across:
                place, a = np.divmod(column + right, n)
                across[right] = (first + place) * self.tall, a
            if down not in along:
                place, b = np.divmod(row + down, n)
                along[down] = place, b * n
            (place, a), (lower, b) = across[right], along[down]
            found = self._found(place + lower)
            yield np.where(found < 0, -1, found * n**2 + a + b)

    def _found(self, place: I8) -> I8:
        """(n,) numbers of the tiles at places, -1 where there is none."""
        if len(self.table) or len(self.key) == 0:
            return self.table[place].astype(np.int64)
        at = np.minimum(np.searchsorted(self.key, place), len(self.key) - 1)
        return np.where(self.key[at] == place, at, -1)


def _nearest(tiles: _Tiles, pieces: Samples, reach_mm: float, most_mm: F8) -> tuple[I8, F8]:
    """(c,) the piece that is nearest to the middle of each cell, -1 where none is within `most`, and its distance;
    of two as near the first. reach_mm : that most are resolved within."""
    side, half = tiles.side_mm, pieces.length_mm / 2
    ux, uy = pieces.ux, pieces.uy
    column, row = tiles.at(pieces.x_mm, pieces.y_mm)
    dx, dy = (column + 0.5) * side - pieces.x_mm, (row + 0.5) * side - pieces.y_mm
    ahead, aside = dx * ux + dy * uy, dy * ux - dx * uy
    best, near = np.full(len(most_mm), np.inf), np.full(len(most_mm), len(pieces))
    open_, done = np.ones(len(most_mm), bool), -1.0
    while np.any(open_):
        steps = _steps(done, reach_mm, float(half.max(initial=0.0)), side)
        cells, places, squares = [], [], []
        for (right, down), cell in zip(steps, tiles.beside(pieces.layer, column, row, steps), strict=True):
            on = np.flatnonzero(open_[cell] & (cell >= 0))
            along, across = ux[on], uy[on]
            past = np.abs(ahead[on] + (along * right + across * down) * side) - half[on]
            square = np.maximum(past, 0.0) ** 2 + (aside[on] + (along * down - across * right) * side) ** 2
            hit = np.flatnonzero(square <= reach_mm**2)
            cells.append(cell[on[hit]])
            places.append(on[hit])
            squares.append(square[hit])
        cell, place, square = np.concatenate(cells), np.concatenate(places), np.concatenate(squares)
        np.minimum.at(best, cell, square)
        as_near = np.flatnonzero(square <= best[cell] + _AS_NEAR_MM2)
        np.minimum.at(near, cell[as_near], place[as_near])
        open_ &= np.isinf(best) & (most_mm > reach_mm)
        done, reach_mm = reach_mm, 2 * reach_mm
    far = np.sqrt(best)
    return np.where(far <= most_mm, near, -1), far


def _steps(done_mm: float, reach_mm: float, half_mm: float, side_mm: float) -> list[tuple[int, int]]:
    """Steps to the cells that a piece may reach, whose middle is in the cell they begin at and which reaches half_mm to
    either side; without those that it reaches for sure within done_mm."""
    askew = side_mm * math.sqrt(0.5)
    most = int((reach_mm + half_mm + askew) / side_mm)
    away = [
        (math.hypot(i, j) * side_mm, (i, j)) for j in range(-most, most + 1) for i in range(-most, most + 1)
    ]
    return [step for far, step in away if done_mm < far + askew and far <= reach_mm + half_mm + askew]


def _tile_of(pieces: Samples) -> tuple[I8, I8, I8]:
    """(n,) layer, column and row of the tile each piece's middle is in."""
    column = np.floor(pieces.x_mm / _TILE_MM).astype(np.int64)
    return pieces.layer.astype(np.int64), column, np.floor(pieces.y_mm / _TILE_MM).astype(np.int64)


def _tile_key(layer: I8, column: I8, row: I8) -> I8:
    """A number a tile; a plate has less than a million columns or rows."""
    return (layer * 1_000_000 + column + 500_000) * 1_000_000 + row + 500_000


def _around(layer: I8, column: I8, row: I8) -> tuple[I8, I8, I8]:
    """These tiles and those beside them, each once."""
    key = np.unique(_tile_key(layer, column, row))
    key = np.unique((key[:, None] + np.array([-1_000_000, 0, 1_000_000])).ravel())
    key = np.unique((key[:, None] + np.array([-1, 0, 1])).ravel())
    first = key // 1_000_000
    return first // 1_000_000, first % 1_000_000 - 500_000, key % 1_000_000 - 500_000


def _enclosed(pieces: Samples, outer: I8, layer: I4, row: I8, x: F8, y: F8) -> Bool:
    """(c,) whether cells are inside the outermost loops: by crossings along their row. A row that crosses an odd
    number of beads tells nothing."""
    low = int(row.min(initial=0))
    tall = int(row.max(initial=0)) - low + 1
    keys, first, line = np.unique(
        layer.astype(np.int64) * tall + row - low, return_index=True, return_inverse=True
    )
    zeros = np.zeros(len(keys))
    together = pieces.layer.astype(np.int64)
    which, far, _ = crossings(pieces, outer, together, keys // tall, zeros, y[first], zeros + 1.0, zeros)
    begin = np.searchsorted(which, np.arange(len(keys) + 1))
    total = np.diff(begin)
    # Lines are set apart, so that one search serves all.
    passed = np.searchsorted(far + which * _APART_MM, x + line * _APART_MM) - begin[line]
    enclosed: Bool = (passed % 2 == 1) & (total[line] % 2 == 0)
    return enclosed


def _joined(count: int, a: I8, b: I8) -> I8:
    """(count,) number of the connected part that each is in, by pairs that are joined."""
    root = np.arange(count)
    while True:
        least = np.minimum(root[a], root[b])
        lower = root.copy()
        np.minimum.at(lower, root[a], least)
        np.minimum.at(lower, root[b], least)
        while np.any(lower != lower[lower]):
            lower = lower[lower]
        if np.array_equal(lower[root], root):
            break
        root = lower[root]
    return np.unique(root, return_inverse=True)[1].astype(np.int64)
