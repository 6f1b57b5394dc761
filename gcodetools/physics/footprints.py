"""What a part bends on across its layers: where the beads of a layer rest on the layer below.

An arm that stands on its layers bends across them, and what holds is the contact between two layers. Its area and
second moments are summed over short pieces of beads, for each lump by itself: two arms of one region do not bend
as one. A lump is a connected part of what the outermost beads enclose, whatever fills it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.cells import cells_of
from gcodetools.physics.pieces import Samples
from gcodetools.physics.section import full_pitch_mm
from gcodetools.physics.walls import Spread
from gcodetools.records import dataclass

__all__ = ["FootprintFacts", "Footprints", "footprints", "typical_footprint"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

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
    cells = cells_of(mine, outer, within)
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
