"""What a part bends on across its layers: where the beads of a layer rest on the layer below.

An arm that stands on its layers bends across them, and what holds is the contact between two layers. Its area and
second moments are summed over short pieces of beads, for each lump by itself: two arms of one region do not bend
as one. A lump is a connected part of what the outermost beads enclose, whatever fills it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.physics.pieces import Samples
from gcodetools.physics.section import full_pitch_mm
from gcodetools.physics.stations import crossings
from gcodetools.physics.walls import Spread

__all__ = ["FootprintFacts", "Footprints", "footprints", "typical_footprint"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_APART_MM = 1e4  # layers are set apart by this where pieces are looked up; a plate is smaller
_TILE_MM = 1.5  # plastic of a region is looked for this far from its beads; sparse lines lie up to 3 mm apart
_CELL_MM = (
    0.2  # at the least; what a cell has of an edge is weighed, so a wall need not be a whole number of them
)
_CELLS = 60_000  # at the most, near enough
_CRUMB = 0.05  # lumps of less than this share of a layer's largest are blobs
_CUT = (
    0.5  # lumps that go on in plastic around more of their edge are cut out of a block, no section of an arm
)
_MOST = 60
_LENGTH_MM = 30_000.0  # of beads at the most, near enough


@dataclass(frozen=True, slots=True)
class Footprints:
    """Contact of lumps with the layer below, columns (k,), by layer and, within one, by area.

    layer. pieces : how many it is made of. contact_mm2 : that rests on plastic. x_mm, y_mm : its centroid.
    least_mm4, most_mm4 : principal second moments. thin_x, thin_y : unit direction across the weak axis, in which
    the lump is thin. reach_mm, other_mm : farthest fibre from the centroid in that direction, and across it.
    height_mm : of the layer. cut : share of the lump's edge behind which plastic goes on outside the region.

    outline_mm2, outline_least_mm4, outline_reach_mm : the same of the lump's outline, filled: outer edges of its
    outermost beads.

    left_out : layers that were not looked at, being more than was asked for.
    """

    layer: I4
    pieces: I8
    contact_mm2: F8
    x_mm: F8
    y_mm: F8
    least_mm4: F8
    most_mm4: F8
    thin_x: F8
    thin_y: F8
    reach_mm: F8
    other_mm: F8
    height_mm: F8
    cut: F8
    outline_mm2: F8
    outline_least_mm4: F8
    outline_reach_mm: F8
    left_out: int

    def __len__(self) -> int:
        return len(self.layer)

    @property
    def modulus_mm3(self) -> F8:
        """(k,) section modulus for bending about the weak axis."""
        return self.least_mm4 / self.reach_mm

    @property
    def outline_modulus_mm3(self) -> F8:
        """(k,) the outline's."""
        return self.outline_least_mm4 / self.outline_reach_mm

    @property
    def contact_share(self) -> F8:
        """(k,) contact over the area of the outline."""
        return self.contact_mm2 / self.outline_mm2

    @property
    def modulus_share(self) -> F8:
        """(k,) section modulus over the outline's."""
        return self.modulus_mm3 / self.outline_modulus_mm3


@dataclass(frozen=True, slots=True)
class FootprintFacts:
    """What a region stands on: over the largest lump of each layer, lumps cut out of a block left aside where there
    are others. lumps : a layer, the mean. thin_mm : twice the
    reach of the outline, the thickness it bends over. worst_layer : that of the least section modulus."""

    contact_mm2: Spread
    modulus_mm3: Spread
    least_mm4: Spread
    contact_share: Spread
    modulus_share: Spread
    thin_mm: float
    lumps: float
    layers: int
    worst_layer: int


def typical_footprint(found: Footprints) -> FootprintFacts | None:
    """Medians and lowest deciles over layers; None where there is no lump."""
    cut = found.cut > _CUT
    mine = np.flatnonzero(~cut | np.all(cut))
    first = mine[np.diff(found.layer[mine], prepend=-1) != 0]
    if len(first) == 0:
        return None
    modulus = found.modulus_mm3[first]
    return FootprintFacts(
        Spread.of(found.contact_mm2[first]),
        Spread.of(modulus),
        Spread.of(found.least_mm4[first]),
        Spread.of(found.contact_share[first]),
        Spread.of(found.modulus_share[first]),
        float(np.median(2 * found.outline_reach_mm[first])),
        len(mine) / len(first),
        len(first),
        int(found.layer[first[np.argmin(modulus)]]),
    )


def footprints(pieces: Samples, share: F8, outer: Bool, within: Bool, *, most: int = _MOST) -> Footprints:
    """Contact areas and second moments of a region's lumps, layer by layer.

    A piece rests on share times its length times its area over its height, so that beads without voids between them
    fill an area once. Second moments are those of such rectangles, derived; those of outlines are counted in cells of
    0.2 mm, or larger in a large region. Of voids wider than some 4 mm only the edge is counted.

    Parameters
    ----------
    pieces : (n,) perimeters and fill of whole islands, also outside the region. share : (n,) of each piece that
    rests on plastic, 0 to 1; NaN where nobody knows, which counts as 0. outer : (n,) pieces of the outermost loops,
    stretches over air too. within : (n,) pieces of the region. most : layers at the most, spread
    evenly; fewer in a large region.

    Raises
    ------
    ValueError : columns of unlike lengths.
    """
    if not len(pieces) == len(share) == len(outer) == len(within):
        raise ValueError("every column needs one value a piece")
    chosen, left_out = _chosen(pieces, within, most)
    keep = np.flatnonzero(np.isin(pieces.layer, chosen))
    mine, rests, outer, within = pieces.take(keep), np.nan_to_num(share[keep]), outer[keep], within[keep]
    index = np.flatnonzero(within)
    cells = _cells(mine, outer, within)
    count = int(cells.lump.max(initial=-1)) + 1
    lump = cells.nearest(mine, index)
    across = np.maximum(full_pitch_mm(mine.width_mm[index], mine.height_mm[index]), 0.0)
    x, y, ux, uy, length = (c[index] for c in (mine.x_mm, mine.y_mm, mine.ux, mine.uy, mine.length_mm))
    contact = _Inertia.of(lump, count, rests[index] * length * across, x, y, ux, uy, length, across)
    ones = np.ones(len(cells.lump))
    side = cells.side_mm * ones
    outline = _Inertia.of(cells.lump, count, cells.area, cells.x, cells.y, ones, 0 * ones, side, side)
    edges = (x, y, ux, uy, length / 2, mine.width_mm[index] / 2)
    on = np.flatnonzero(rests[index] > 0)
    reach, other = contact.reaches(lump[on], *(c[on] for c in edges))
    whole, _ = outline.reaches(lump, *edges)
    layer, height = np.zeros(count, np.int32), np.zeros(count)
    layer[lump], height[lump] = mine.layer[index], mine.height_mm[index]
    order = _by_area(layer, contact.area)
    number = np.bincount(lump, minlength=count).astype(np.int64)
    return Footprints(
        layer=layer[order],
        pieces=number[order],
        contact_mm2=contact.area[order],
        x_mm=contact.x[order],
        y_mm=contact.y[order],
        least_mm4=contact.least[order],
        most_mm4=contact.most[order],
        thin_x=contact.thin_x[order],
        thin_y=contact.thin_y[order],
        reach_mm=reach[order],
        other_mm=other[order],
        height_mm=height[order],
        cut=cells.cut(count)[order],
        outline_mm2=outline.area[order],
        outline_least_mm4=outline.least[order],
        outline_reach_mm=whole[order],
        left_out=left_out,
    )


def _chosen(pieces: Samples, within: Bool, most: int) -> tuple[I4, int]:
    """Layers to look at, spread evenly, and how many are left out."""
    layers: I4 = np.unique(pieces.layer[within])
    long = float(pieces.length_mm[within].sum())
    step = max(1, math.ceil(len(layers) / most), math.ceil(long / _LENGTH_MM))
    chosen = layers[step // 2 :: step] if len(layers) > step else layers
    return chosen, len(layers) - len(chosen)


def _by_area(layer: I4, area: F8) -> I8:
    """Lumps by layer and, within one, by area, those left out that are crumbs beside the largest."""
    largest = np.zeros(int(layer.max(initial=0)) + 1)
    np.maximum.at(largest, layer, area)
    order = np.lexsort((-area, layer))
    return order[(area > _CRUMB * largest[layer])[order]]


@dataclass(frozen=True, slots=True)
class _Inertia:
    """Principal second moments of groups of rectangles, columns (g,)."""

    area: F8
    x: F8
    y: F8
    least: F8
    most: F8
    thin_x: F8
    thin_y: F8

    @classmethod
    def of(
        cls, group: I8, count: int, area: F8, x: F8, y: F8, ux: F8, uy: F8, length: F8, across: F8
    ) -> _Inertia:
        """Of rectangles `length` along (ux, uy) and `across` beside it."""

        def total(value: F8) -> F8:
            return np.bincount(group, value, minlength=count).astype(np.float64)

        whole = total(area)
        with np.errstate(divide="ignore", invalid="ignore"):
            cx, cy = total(area * x) / whole, total(area * y) / whole
        dx, dy = x - cx[group], y - cy[group]
        long, wide = length**2 / 12, across**2 / 12
        xx = total(area * (dx**2 + ux**2 * long + uy**2 * wide))
        yy = total(area * (dy**2 + uy**2 * long + ux**2 * wide))
        xy = total(area * (dx * dy + ux * uy * (long - wide)))
        middle, radius = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
        # The direction of the greatest spread, turned by a quarter.
        along = np.arctan2(2 * xy, xx - yy) / 2
        return cls(whole, cx, cy, middle - radius, middle + radius, -np.sin(along), np.cos(along))

    def reaches(self, group: I8, x: F8, y: F8, ux: F8, uy: F8, half: F8, side: F8) -> tuple[F8, F8]:
        """(g,) farthest fibre from the centroid in the thin direction and across it, of rectangles with these
        half sides."""
        found = np.zeros((2, len(self.area)))
        dx, dy = x - self.x[group], y - self.y[group]
        for k, (nx, ny) in enumerate(((self.thin_x, self.thin_y), (self.thin_y, -self.thin_x))):
            ax, ay = nx[group], ny[group]
            own = np.abs(ux * ax + uy * ay) * half + np.abs(ux * ay - uy * ax) * side
            np.maximum.at(found[k], group, np.abs(dx * ax + dy * ay) + own)
        return found[0], found[1]


@dataclass(frozen=True, slots=True)
class _Cells:
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

    def cut(self, count: int) -> F8:
        """(count,) share of each lump's edge behind which there is plastic."""
        edges = np.bincount(self.lump, self.edges, minlength=count)
        cut: F8 = np.bincount(self.lump, self.beyond, minlength=count) / np.maximum(edges, 1.0)
        return cut

    def nearest(self, pieces: Samples, index: I8) -> I8:
        """Lump of the cell that is nearest to each of the pieces `index`, of its layer."""
        if len(index) == 0:
            return np.empty(0, np.int64)
        tree = shapely.STRtree(shapely.points(self.x + self.layer * _APART_MM, self.y))
        x = pieces.x_mm[index] + pieces.layer[index] * _APART_MM
        asked, found = tree.query_nearest(shapely.points(x, pieces.y_mm[index]), all_matches=False)
        lump = np.zeros(len(index), np.int64)
        lump[asked] = self.lump[found]
        return lump


def _cells(pieces: Samples, outer: Bool, within: Bool) -> _Cells:
    """Cells inside the outermost loops or on a bead, whose nearest bead is of the region."""
    tiles = _around(*_tile_of(pieces.take(within)))
    wanted = math.sqrt(_CELLS / max(len(tiles[0]), 1))
    per_tile = int(min(max(wanted, 3), math.ceil(_TILE_MM / _CELL_MM)))
    side = _TILE_MM / per_tile
    a, b = (c.ravel() for c in np.meshgrid(np.arange(per_tile), np.arange(per_tile)))
    layer = np.repeat(tiles[0], per_tile**2).astype(np.int32)
    column = (tiles[1][:, None] * per_tile + a).ravel()
    row = (tiles[2][:, None] * per_tile + b).ravel()
    x: F8 = np.asarray((column + 0.5) * side, np.float64)
    y: F8 = np.asarray((row + 0.5) * side, np.float64)
    inside = _enclosed(pieces, np.flatnonzero(outer), layer, row, x, y)
    # Only what lies in or beside a tile can be nearest to a cell that counts.
    beside = np.flatnonzero(np.isin(_tile_key(*_tile_of(pieces)), _tile_key(*_around(*tiles))))
    around, within = pieces.take(beside), within[beside]
    half = around.length_mm / 2
    px = around.x_mm + around.layer * _APART_MM
    begin = np.column_stack([px - around.ux * half, around.y_mm - around.uy * half])
    end = np.column_stack([px + around.ux * half, around.y_mm + around.uy * half])
    tree = shapely.STRtree(shapely.linestrings(np.stack([begin, end], axis=1)))
    points = shapely.points(x + layer * _APART_MM, y)
    reach = float(around.width_mm.max(initial=0.0)) / 2 + side
    asked, near, far = _nearest(tree, points, inside, 2 * _TILE_MM, reach)
    # What a cell has of a bead's edge, the edge being straight across it.
    covered = np.clip((around.width_mm[near] / 2 - far) / side + 0.5, 0.0, 1.0)
    covered = np.where(inside[asked], 1.0, covered)
    keep = np.flatnonzero(covered > 0)
    order = keep[np.argsort(asked[keep])]
    cell, near, covered = asked[order], near[order], covered[order]
    mine = within[near]
    key, wide = _keys(layer[cell], column[cell], row[cell])
    at = np.flatnonzero(mine)
    lump = _labelled(key[at], wide)
    edges, beyond = np.zeros(len(at)), np.zeros(len(at))
    for step in (-1, 1, -wide, wide):
        other = _found(key, key[at] + step)
        outside = (other < 0) | ~mine[other]
        edges += outside
        beyond += outside & (other >= 0) & (covered[other] > 0.5)
    cell = cell[at]
    return _Cells(layer[cell], x[cell], y[cell], covered[at] * side**2, lump, edges, beyond, side)


def _nearest(
    tree: shapely.STRtree, points: NDArray[np.object_], inside: Bool, deep_mm: float, near_mm: float
) -> tuple[I8, I8, F8]:
    """(point, nearest line, distance) of those that have one: within `deep` of points inside, `near` of others."""
    found = []
    for which, reach in ((np.flatnonzero(inside), deep_mm), (np.flatnonzero(~inside), near_mm)):
        (asked, line), far = tree.query_nearest(
            points[which], max_distance=reach, return_distance=True, all_matches=False
        )
        found.append((which[asked], line, far))
    (a, b, c), (d, e, f) = found
    return np.concatenate([a, d]), np.concatenate([b, e]), np.concatenate([c, f])


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
    keys, first, line = np.unique(
        np.column_stack([layer, row]), axis=0, return_index=True, return_inverse=True
    )
    zeros = np.zeros(len(keys))
    together = pieces.layer.astype(np.int64)
    which, far, _ = crossings(pieces, outer, together, keys[:, 0], zeros, y[first], zeros + 1.0, zeros)
    line = line.reshape(-1)
    begin = np.searchsorted(which, np.arange(len(keys) + 1))
    total = np.diff(begin)
    # Lines are set apart, so that one search serves all.
    passed = np.searchsorted(far + which * _APART_MM, x + line * _APART_MM) - begin[line]
    enclosed: Bool = (passed % 2 == 1) & (total[line] % 2 == 0)
    return enclosed


def _keys(layer: I4, column: I8, row: I8) -> tuple[I8, int]:
    """(c,) a number a cell; the next column is 1 more, the next row as many more as the second value."""
    if len(layer) == 0:
        return np.empty(0, np.int64), 1
    wide, tall = int(column.max() - column.min()) + 3, int(row.max() - row.min()) + 3
    return (layer.astype(np.int64) * tall + row - row.min()) * wide + column - column.min(), wide


def _found(keys: I8, wanted: I8) -> I8:
    """Index of each wanted key, -1 where there is none."""
    order = np.argsort(keys)
    at = order[np.minimum(np.searchsorted(keys, wanted, sorter=order), len(keys) - 1)]
    return np.where(keys[at] == wanted, at, -1)


def _labelled(keys: I8, wide: int) -> I8:
    """(c,) connected part of each cell."""
    if len(keys) == 0:
        return np.empty(0, np.int64)
    beside = np.concatenate([_found(keys, keys + step) for step in (1, wide)])
    here = np.tile(np.arange(len(keys)), 2)
    return _joined(len(keys), here[beside >= 0], beside[beside >= 0])


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
