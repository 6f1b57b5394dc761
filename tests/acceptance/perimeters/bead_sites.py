"""The two sides of a treated file, layer by layer and island by island, and what they measure.

Nothing that the tool reported is believed: all comes from the bytes before and after.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from bead_laid import (
    BRIDGE,
    FILL,
    OUTERMOST,
    SOLID,
    SPARSE,
    WALLS,
    Laid,
    Shapes,
    match,
    opened,
    read_shapes,
    stadium,
)
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

SURE_MM2 = 80.0  # smaller islands tell no q: ends of lines are too much of them
VOID = 0.012  # of an island that is solid throughout, farther than 1.5 breadths from any line: corners
THINNEST = 0.6  # nozzles


@dataclass
class Site:
    """One island of one layer before and after. Indices into `Laid`. new : beads after. old : beads before.
    kept : beads after that were there before."""

    layer: int
    polygon: Polygon
    height: float
    old: I8
    new: I8
    kept: I8


class Sides:
    """Before and after, side by side.

    Parameters
    ----------
    islands : polygons of a layer. nozzle_mm : of the file. q : fill of the file's own solid work, wall_q : of
    its perimeters side by side; None works them out. whole : the region covers whole islands, so that bands
    can be judged by area. exact : see `match`.
    """

    def __init__(
        self,
        before: Plate,
        after: Plate | bytes,
        islands: Shapes | None = None,
        *,
        nozzle_mm: float | None = None,
        q: float | None = None,
        wall_q: float | None = None,
        whole: bool = True,
        exact: bool = True,
    ) -> None:
        after = Plate.from_bytes(after, "treated.gcode") if isinstance(after, bytes) else after
        self.before, self.after = Laid(before), Laid(after)
        self.islands = islands or read_shapes(before)
        self.nozzle_mm = nozzle_mm or before.settings.nozzle_diameter_mm or 0.4
        self.whole = whole
        self.origin, self.t0, self.t1 = match(self.before, self.after, exact)
        self.is_new = self.origin < 0
        self._shapes: dict[int, list[Polygon]] = {}
        self._rooms: dict[int, tuple[Site, shapely.Geometry]] = {}
        self._left: dict[int, tuple[Site, shapely.Geometry]] = {}
        walls = wall_q if wall_q is not None else self.own_wall_fill()
        own = None if q is not None else self.own_fill()
        # Where no two walls lie side by side, they are taken to fill as the rest does.
        self.q = q or (own[0] if own else walls or 1.0)
        self.wall_q = walls or self.q
        # Ends of lines are much of a small island; there the walls' own fill will do too, or none but beads.
        sure = own is None or own[1] >= SURE_MM2
        other = walls or 1.0
        self.q_low = self.q if sure else min(self.q, other)
        self.q_high = self.q if sure else max(self.q, other)

    def polygons(self, layer: int) -> list[Polygon]:
        if layer not in self._shapes:
            self._shapes[layer] = self.islands(layer)
        return self._shapes[layer]

    @cached_property
    def new_layers(self) -> list[int]:
        return [int(k) for k in np.unique(self.after.layer[self.is_new])]

    @cached_property
    def touched(self) -> list[int]:
        """Layers in which anything was laid or taken away."""
        share = np.zeros(len(self.before.rows))
        own = ~self.is_new
        np.add.at(share, self.origin[own], (self.t1 - self.t0)[own])
        gone = np.unique(self.before.layer[share < 0.999])
        return sorted({*self.new_layers, *gone.tolist()})

    @cached_property
    def sites(self) -> list[Site]:
        return list(self._sites())

    def _sites(self) -> Iterator[Site]:
        for layer in self.touched:
            old = np.flatnonzero(self.before.layer == layer)
            after = np.flatnonzero(self.after.layer == layer)
            height = float(self.before.plate.layers.height_mm[layer])
            for polygon in self.polygons(layer):
                near = shapely.buffer(polygon, 0.05)
                shapely.prepare(near)
                inside = after[shapely.covers(near, self.after.middle[after])]
                mine = old[shapely.covers(near, self.before.middle[old])]
                new = inside[self.is_new[inside]]
                share = np.bincount(self.origin[inside[~self.is_new[inside]]], minlength=1).sum()
                if len(new) or share != len(mine):
                    yield Site(layer, polygon, height, mine, new, inside[~self.is_new[inside]])

    @property
    def _telling(self) -> bool:
        """Whether marks can tell a bridge from other fill; one convention knows loops, edges and infill only."""
        return self.before.plate.beads.source == "comments" and self.before.plate.marks.convention != "H"

    # ---- what the file's own work measures

    def wall_loss(self, polygon: Polygon, height: float, old: I8) -> float:
        """m, the share of an island that beads without a void fill: the rounded edge holds no plastic.

        For n beads side by side this is n A / ((w + (n - 1) s) h) with s = A / h, as the stadium says: common
        practice, no source.
        """
        outer = old[self.before.feature[old] == OUTERMOST]
        if len(outer) == 0:
            outer = old[np.isin(self.before.feature[old], WALLS)]
        if len(outer) == 0:
            return 1.0
        area = float(np.average(self.before.area[outer], weights=self.before.length[outer]))
        width = area / height + height * (1 - math.pi / 4)
        return float(1 - polygon.length * (width - area / height) / 2 / polygon.area)

    def own_wall_fill(self) -> float | None:
        """mm3 per mm of walls over height and pitch: the pitch is the usual distance of an inner perimeter from
        the outermost one beside it. None where there are no two."""
        laid, found, strips = self.before, [], []
        inner = laid.feature == FEATURE_INDEX["perimeter"]
        layers = np.unique(laid.layer[inner])
        for layer in layers[:: max(1, len(layers) // 12)].tolist():
            mine = np.flatnonzero(inner & (laid.layer == layer) & (laid.length > 0.5))
            outer = np.flatnonzero((laid.feature == OUTERMOST) & (laid.layer == layer))
            if not len(mine) or not len(outer):
                continue
            apart = shapely.distance(laid.middle[mine], shapely.multilinestrings(laid.line[outer].tolist()))
            strip = laid.area / laid.height
            pair = (strip[mine] + float(np.average(strip[outer], weights=laid.length[outer]))) / 2
            near = (apart > 0.6 * pair) & (apart < 1.5 * pair)
            found += apart[near].tolist()
            strips += pair[near].tolist()
        return float(np.median(strips) / np.median(found)) if found else None

    def own_fill(self) -> tuple[float, float] | None:
        """q: bead volume over area times height of the islands that are solid throughout; the rounded edge is
        no part of the area. With the largest one's area, mm2. None without one."""
        laid, values, weights = self.before, [], []
        sparse = np.unique(laid.layer[laid.feature == SPARSE])
        heights = self.before.plate.layers.height_mm
        candidates = [k for k in np.unique(laid.layer[laid.feature == SOLID]).tolist() if k not in sparse]
        layers = [k for k in candidates if k > 0] or candidates
        for layer in layers[:12]:
            height = float(heights[layer])
            for polygon in self.polygons(layer):
                old = np.flatnonzero(laid.layer == layer)
                old = old[shapely.covers(shapely.buffer(polygon, 0.05), laid.middle[old])]
                if not np.any(laid.feature[old] == SOLID):
                    continue
                cover = shapely.buffer(laid.line[old], 0.75 * laid.area[old] / height)
                if polygon.difference(shapely.union_all(cover)).area > VOID * polygon.area:
                    continue
                volume = float((laid.area * laid.length)[old].sum())
                q = volume / (polygon.area * height) / self.wall_loss(polygon, height, old)
                if 0.8 < q < 1.2:
                    values.append(q)
                    weights.append(polygon.area)
        return (float(np.average(values, weights=weights)), max(weights)) if values else None

    def own_room_fill(self, site: Site) -> float:
        """Fill of a room where the file fills one like it solidly; q where it does so nowhere."""
        laid = self.before
        sparse = np.unique(laid.layer[laid.feature == SPARSE])
        for layer in np.unique(laid.layer[laid.feature == SOLID]).tolist():
            if layer in sparse:
                continue
            for polygon in self.polygons(layer):
                if polygon.symmetric_difference(site.polygon).area < 0.02 * site.polygon.area:
                    old = np.flatnonzero(laid.layer == layer)
                    old = old[shapely.covers(shapely.buffer(polygon, 0.05), laid.middle[old])]
                    height = float(laid.plate.layers.height_mm[layer])
                    fill = old[np.isin(laid.feature[old], FILL)]
                    none = np.empty(0, np.int64)
                    room = self.room(Site(layer, polygon, height, old, none, none))
                    return float((laid.area * laid.length)[fill].sum()) / float(room.area * height)
        return self.q

    def footprint(self, laid: Laid, which: I8, of: str) -> shapely.Geometry:
        """What beads cover: by their width, or by their breadth (what they fill at q)."""
        size = laid.width[which] if of == "width" else laid.area[which] / (laid.height[which] * self.q)
        return shapely.union_all(shapely.buffer(laid.line[which], size / 2, quad_segs=6))

    def room(self, site: Site) -> shapely.Geometry:
        """What walls leave of an island."""
        if (known := self._rooms.get(id(site))) is not None and known[0] is site:
            return known[1]
        walls = site.old[np.isin(self.before.feature[site.old], WALLS)]
        area = self.before.area[walls]
        size = area / (self.before.height[walls] * self.wall_q)
        taken = shapely.union_all(shapely.buffer(self.before.line[walls], size / 2, quad_segs=6))
        room = opened(site.polygon.difference(taken), 0.07)
        self._rooms[id(site)] = site, room
        return room

    def least(self, height: float) -> float:
        """Breadth of a bead 0.6 nozzles wide, mm."""
        return float(stadium(THINNEST * self.nozzle_mm, height)) / (height * self.q)

    def left(self, site: Site) -> shapely.Geometry:
        """What of the room no new bead covers: wide enough for one, or where the room is under 0.6 beads."""
        if (known := self._left.get(id(site))) is not None and known[0] is site:
            return known[1]
        room = self.room(site)
        if len(site.new) == 0:
            return room
        free = room.difference(self.footprint(self.after, site.new, "breadth"))
        least = self.least(site.height)
        thin = room.difference(opened(room, least / 2))
        wide = opened(free, 0.45 * least).intersection(room)
        left = shapely.union(wide, opened(thin.intersection(free), 0.02))
        self._left[id(site)] = site, left
        return left

    def bridged(self, site: Site) -> bool:
        """Whether a new bead says that it is a bridge; where no mark can, whether it is near the first ones."""
        if not self._telling and site.layer <= self.new_layers[0] + 1:
            return True
        return bool(np.any(self.after.feature[site.new] == BRIDGE))
