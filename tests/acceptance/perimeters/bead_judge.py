"""Judges new beads from outside: reads the bytes before and after, and believes nothing that was reported.

All checks return sentences, one a fault found.
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
    cut_where_closed,
    match,
    opened,
    points_of,
    pull_counts,
    pulled_back,
    read_shapes,
    stadium,
)
from numpy.typing import NDArray
from shapely import LineString, Polygon

from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

OUTSIDE_MM = 0.02  # what is promised
UNDER, OVER = 0.96, 1.015  # of q, a band's volume
ISLAND_OVER, ISLAND_UNDER = 0.015, 0.03
SMALLEST_MM2 = 2.0  # a band of less is judged by no share
BLUR = 0.02  # mm, by which the area of a band of 1 mm2 is uncertain: chords, rounded coordinates
SURE_MM2 = 80.0  # smaller islands tell no q: ends of lines are too much of them
SEAM_MM = 3.0
MORE_PULLS = 2
OVERLAP_MM = 0.25  # what kept lines may reach over an edge, slantwise
CROSSES_MM = 0.1
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


class Verdict:
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
        # Ends of lines are much of a small island; there the walls' own fill will do too.
        sure = own is None or own[1] >= SURE_MM2
        self.q_low = self.q if sure else min(self.q, self.wall_q)
        self.q_high = self.q if sure else max(self.q, self.wall_q)

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
                if polygon.difference(shapely.union_all(cover)).area > 0.03 * polygon.area:
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

    # ---- the checks

    def outline(self) -> list[str]:
        """New beads stay inside the island, by their own width."""
        faults = []
        for layer in self.new_layers:
            new = np.flatnonzero(self.is_new & (self.after.layer == layer))
            allowed = shapely.buffer(shapely.union_all(self.polygons(layer)), OUTSIDE_MM, join_style="mitre")
            shapely.prepare(allowed)
            body = shapely.buffer(self.after.line[new], self.after.width[new] / 2, quad_segs=16)
            bad = ~shapely.covers(allowed, body)
            for k, shape in zip(new[bad].tolist(), body[bad].tolist(), strict=True):
                points = shapely.points(shapely.get_coordinates(shape))
                far = float(shapely.distance(allowed, points).max()) + OUTSIDE_MM
                faults.append(
                    f"layer {layer + 1}: {self.after.text(k)!r} reaches {far:.3f} mm outside the outline"
                )
        return faults

    def walls(self) -> list[str]:
        """New beads are not laid over walls."""
        faults = []
        for site in self.sites:
            if not len(site.new):
                continue
            walls = site.old[np.isin(self.before.feature[site.old], WALLS)]
            core = shapely.buffer(self.before.line[walls], 0.25 * self.before.width[walls], cap_style="flat")
            over = shapely.union_all(self.after.line[site.new]).intersection(shapely.union_all(core)).length
            whole = self.after.length[site.new].sum()
            # Open ends and lines of solid fill may reach into a wall by their overlap.
            if over > 0.02 * whole + 0.3:
                faults.append(
                    f"layer {site.layer + 1}: {over:.2f} of {whole:.2f} mm of new beads lie over a wall"
                )
        return faults

    def outermost(self) -> list[str]:
        """Lines of outermost perimeters are the same bytes in the same order."""
        own = np.flatnonzero(self.before.feature == OUTERMOST)
        wanted = [self.before.text(k) for k in own.tolist()]
        mine = np.isin(self.origin, own)
        got = [self.after.text(k) for k in np.flatnonzero(mine).tolist()]
        if wanted == got:
            return []
        n = next(
            (i for i, (a, b) in enumerate(zip(wanted, got, strict=False)) if a != b),
            min(len(wanted), len(got)),
        )
        return [
            f"outermost perimeters differ: {len(wanted)} lines before, {len(got)} after, "
            f"first at {wanted[n : n + 1]} {got[n : n + 1]}"
        ]

    def kept(self) -> list[str]:
        """No old bead is laid twice, and what is kept of it has its share of the filament; walls stay."""
        faults = []
        own = np.flatnonzero(~self.is_new)
        order = own[np.lexsort((self.t0[own], self.origin[own]))]
        same = self.origin[order][1:] == self.origin[order][:-1]
        twice = same & (
            self.t0[order][1:] < self.t1[order][:-1] - 0.02 / self.before.length[self.origin[order][1:]]
        )
        faults += [
            f"laid twice: {self.after.text(order[k + 1])!r}" for k in np.flatnonzero(twice)[:3].tolist()
        ]
        share = np.zeros(len(self.before.rows))
        filament = np.zeros(len(self.before.rows))
        np.add.at(share, self.origin[own], self.after.length[own] / self.before.length[self.origin[own]])
        np.add.at(filament, self.origin[own], self.after.e[own])
        wall = np.isin(self.before.feature, WALLS)
        lost = wall & (np.abs(share - 1) > 1e-3 + 0.004 / self.before.length)
        faults += [f"a wall bead is gone: {self.before.text(k)!r}" for k in np.flatnonzero(lost)[:3].tolist()]
        for layer in self.touched:
            fill = (self.before.layer == layer) & ~wall
            length = float((share * self.before.length)[fill].sum())
            pushed, due = float(filament[fill].sum()), float((share * self.before.e)[fill].sum())
            if abs(pushed - due) > 1e-3 * due + 2e-5 * fill.sum():
                faults.append(f"layer {layer + 1}: kept fill has {pushed:.5f} mm of filament, {due:.5f} due")
            if length > float(self.before.length[fill].sum()) * 1.001:
                faults.append(f"layer {layer + 1}: more fill than there was")
        return faults

    def gaps(self) -> list[str]:
        """Fill goes only where new beads lie: what else went is crumbs."""
        faults = []
        for site in self.sites:
            fill = site.old[np.isin(self.before.feature[site.old], FILL)]
            if not len(fill):
                continue
            kept = site.kept[np.isin(self.origin[site.kept], fill)]
            remains = shapely.union_all(shapely.buffer(self.after.line[kept], 0.01, cap_style="square"))
            walls = site.old[np.isin(self.before.feature[site.old], WALLS)]
            cover = [self.footprint(self.before, walls, "width")]
            cover += [self.footprint(self.after, site.new, "width")] if len(site.new) else []
            beyond = shapely.union_all([remains, shapely.buffer(shapely.union_all(cover), 0.15)])
            gone = shapely.difference(shapely.multilinestrings(self.before.line[fill].tolist()), beyond)
            pieces = shapely.length(shapely.get_parts(shapely.line_merge(gone)))
            if len(pieces) and (
                pieces.max() > 0.8 or pieces.sum() > 0.03 * self.before.length[fill].sum() + 1.0
            ):
                faults.append(
                    f"layer {site.layer + 1}: {pieces.sum():.2f} mm of fill (longest {pieces.max():.2f}) went "
                    f"beside the new beads, of {self.before.length[fill].sum():.1f}"
                )
        return faults

    def leftovers(self) -> list[str]:
        """Where new beads fill a room, no old fill stays in it."""
        faults = []
        for site in self.sites:
            fill = site.old[np.isin(self.before.feature[site.old], FILL)]
            if not len(site.new) or not len(fill) or not self.whole:
                continue
            kept = site.kept[np.isin(self.origin[site.kept], fill)]
            inside = shapely.buffer(self.footprint(self.after, site.new, "breadth"), -OVERLAP_MM)
            over = float(shapely.length(shapely.intersection(self.after.line[kept], inside)).sum())
            if over > 0.01 * self.before.length[fill].sum() + 0.5:
                faults.append(
                    f"layer {site.layer + 1}: {over:.2f} of {self.before.length[fill].sum():.1f} mm of the old fill "
                    "stay under new beads"
                )
        return faults

    def bands(self) -> list[str]:
        """New beads fill their band: volume over area times height is q, and not more."""
        faults: list[str] = []
        if not self.whole:
            return faults
        for site in self.sites:
            if not len(site.new):
                continue
            room = self.room(site)
            band = room.difference(self.left(site))
            volume = float((self.after.area * self.after.length)[site.new].sum())
            if band.area < SMALLEST_MM2:
                if volume > 2 * SMALLEST_MM2 * site.height:
                    faults.append(
                        f"layer {site.layer + 1}: {volume:.3f} mm3 of new beads where there is no room"
                    )
                continue
            q = volume / (band.area * site.height)
            low, high = UNDER * self.q_low, OVER * self.q_high
            if np.any(self.after.feature[site.new] == SOLID):
                # Lines of solid fill reach into walls as those of the file do, which tells in narrow rooms.
                own = self.own_room_fill(site)
                low, high = min(low, UNDER * own), max(high, OVER * own)
            # The flat end of a bead stops short of a round one's tip: half a breadth at each open end.
            ends = sum(
                float(self.after.area[part].max() / (site.height * self.q)) ** 2
                for _, part in self.loops(site, closed=False)
                if not np.any(self.after.feature[part] == SOLID)
            )
            blur = BLUR / math.sqrt(band.area)
            low = -math.inf if self.bridged(site) else low * (1 - min(0.3, ends / band.area) - blur)
            high *= 1 + blur
            if not low <= q <= high:
                faults.append(
                    f"layer {site.layer + 1}: the band of {band.area:.2f} mm2 (room {room.area:.2f}) holds "
                    f"{q:.4f}, {low:.4f} to {high:.4f} due by q = {self.q:.4f}"
                )
        return faults

    def island_fill(self) -> list[str]:
        """Whole islands are not overfilled, and filled ones are full."""
        faults = []
        for site in self.sites:
            area = site.polygon.area * site.height
            both = np.concatenate([site.new, site.kept])
            now = float((self.after.area * self.after.length)[both].sum()) / area
            was = float((self.before.area * self.before.length)[site.old].sum()) / area
            if now > max(self.q_high + ISLAND_OVER, was + 1e-4):
                faults.append(
                    f"layer {site.layer + 1}: the island holds {now:.4f}, {was:.4f} before, q {self.q:.4f}"
                )
            # Walls stay as they are, so they may hold the island down to what they hold themselves.
            due = min(self.q_low, self.wall_q)
            least = self.wall_loss(site.polygon, site.height, site.old) * due - ISLAND_UNDER
            full = self.whole and self.left(site).area < 0.01 * site.polygon.area
            if full and not self.bridged(site) and now < min(least, was):
                faults.append(
                    f"layer {site.layer + 1}: the full island holds {now:.4f}, at least {least:.4f} due"
                )
        return faults

    def crossings(self) -> list[str]:
        """Travels over an outline with filament not pulled back are no more than before."""
        was, now = (self._crossings(laid) for laid in (self.before, self.after))
        return [
            f"layer {k + 1}: {now[k]} bare travels over an outline, {was.get(k, 0)} before"
            for k in now
            if now[k] > was.get(k, 0)
        ]

    def _crossings(self, laid: Laid) -> dict[int, int]:
        moves, beads = laid.plate.program.moves, laid.plate.beads
        pulled = pulled_back(laid.plate)
        rows = np.flatnonzero((beads.feature == 0) & np.isin(beads.layer, self.touched))
        rows = rows[rows > 0]
        rows = rows[~pulled[rows - 1] & (moves.e[rows] >= 0)]
        begin = np.column_stack([moves.x[rows - 1], moves.y[rows - 1]])
        end = np.column_stack([moves.x[rows], moves.y[rows]])
        real = np.hypot(*(end - begin).T) > 0.05
        rows, begin, end = rows[real], begin[real], end[real]
        count: dict[int, int] = {}
        for layer in np.unique(beads.layer[rows]).tolist():
            mine = beads.layer[rows] == layer
            ways = shapely.linestrings(np.stack([begin[mine], end[mine]], axis=1))
            ground = shapely.buffer(shapely.union_all(self.polygons(layer)), 0.03)
            outside = shapely.length(shapely.difference(ways, ground))
            count[layer] = int(np.count_nonzero(outside > CROSSES_MM))
        return count

    def pulls(self) -> list[str]:
        """At most two more retractions an island and layer."""
        was, now = (pull_counts(laid.plate) for laid in (self.before, self.after))
        faults = []
        for layer in self.touched:
            islands = len({id(site.polygon) for site in self.sites if site.layer == layer})
            if now[layer] > was[layer] + MORE_PULLS * max(islands, 1):
                faults.append(
                    f"layer {layer + 1}: {now[layer]} retractions, {was[layer]} before, {islands} islands"
                )
        return faults

    def loops(self, site: Site, closed: bool = True) -> list[tuple[F8, I8]]:
        """New chains of a site: points, and the beads of each; closed ones, or open ones."""
        rows = self.after.rows[site.new]
        breaks = np.flatnonzero(np.diff(rows) != 1) + 1
        found = []
        for chain in np.split(site.new, breaks):
            for part in cut_where_closed(self.after, chain):
                points = points_of(self.after, part)
                shut = len(points) > 3 and float(np.hypot(*(points[-1] - points[0]))) < 0.01
                if shut == closed:
                    found.append((points, part))
        return found

    def outer_seams(self, site: Site) -> F8:
        """Where outermost perimeters begin."""
        outer = site.old[self.before.feature[site.old] == OUTERMOST]
        rows = self.before.rows[outer]
        starts = outer[np.concatenate([[True], np.diff(rows) != 1])] if len(outer) else outer
        return np.array([shapely.get_coordinates(self.before.line[k])[0] for k in starts.tolist()]).reshape(
            -1, 2
        )

    def seams(self) -> list[str]:
        """Closed loops begin at least 3 mm from the outermost seam, where they are long enough."""
        faults = []
        for site in self.sites:
            seams = self.outer_seams(site)
            if not len(seams):
                continue
            for points, _ in self.loops(site):
                dense = shapely.get_coordinates(shapely.segmentize(LineString(points), 0.2))
                apart = np.hypot(*(dense[:, None] - seams[None]).transpose(2, 0, 1)).min(axis=1)
                mine = float(np.hypot(*(points[0] - seams).T).min())
                if mine < SEAM_MM - 0.02 and apart.max() >= SEAM_MM + 1.0:
                    faults.append(
                        f"layer {site.layer + 1}: a loop begins {mine:.2f} mm from the outermost seam"
                    )
        return faults

    def order(self) -> list[str]:
        """New beads of an island lie right behind its last wall."""
        faults = []
        for site in self.sites:
            if not len(site.new):
                continue
            feature = self.before.feature[self.origin[site.kept]]
            wall = site.kept[np.isin(feature, WALLS)]
            if not len(wall):
                faults.append(f"layer {site.layer + 1}: new beads where there is no wall")
                continue
            between = site.kept[(site.kept > wall.max()) & (site.kept < site.new.max())]
            if site.new.min() < wall.max() or len(between):
                faults.append(
                    f"layer {site.layer + 1}: new beads are not right behind the walls of their island"
                )
        return faults

    def marks(self) -> list[str]:
        """What the file's own beads are called, and how wide, is what it was; new beads say what they are."""
        if self.before.plate.beads.source != "comments":
            return []
        own = ~self.is_new
        faults = []
        was = self.before.feature[self.origin[own]]
        for k in np.flatnonzero(self.after.feature[own] != was)[:2].tolist():
            n = np.flatnonzero(own)[k]
            faults.append(f"layer {self.after.layer[n] + 1}: {self.after.text(n)!r} has changed its feature")
        width, now = (p.beads.width for p in (self.before.plate, self.after.plate))
        marked = len(self.before.plate.marks.width_line) > 0
        off = np.abs(now[self.after.rows[own]] - width[self.before.rows[self.origin[own]]]) > 1e-4
        if marked and np.any(off):
            n = np.flatnonzero(own)[np.flatnonzero(off)[0]]
            faults.append(
                f"layer {self.after.layer[n] + 1}: {self.after.text(n)!r} has changed its width mark"
            )
        new = np.flatnonzero(self.is_new)
        words = [FEATURE_INDEX[w] for w in ("perimeter", "solid", "bridge", "gap", "overhang")]
        words += [] if self._telling else [SPARSE]
        bad = ~np.isin(self.after.feature[new], words)
        if np.any(bad):
            n = new[bad][0]
            faults.append(
                f"layer {self.after.layer[n] + 1}: new {self.after.text(n)!r} is of feature {self.after.feature[n]}"
            )
        if marked and len(new):
            off = np.abs(now[self.after.rows[new]] - self.after.width[new]) > 0.03
            share = self.after.length[new][off].sum() / self.after.length[new].sum()
            if share > 0.02:
                n = new[off][0]
                faults.append(
                    f"layer {self.after.layer[n] + 1}: width mark {now[self.after.rows[n]]:.3f} over a bead "
                    f"{self.after.width[n]:.3f} wide ({share:.0%} of new beads)"
                )
        return faults

    def layers(self) -> list[str]:
        """The same layers as before."""
        a, b = self.before.plate.layers, self.after.plate.layers
        if len(a) == len(b) and np.allclose(a.z_mm, b.z_mm) and np.allclose(a.height_mm, b.height_mm):
            return []
        return [f"{len(a)} layers before, {len(b)} after, or other heights"]

    def sane(self) -> list[str]:
        """New beads are as wide as beads may be."""
        new = np.flatnonzero(self.is_new)
        width = self.after.width[new]
        # Bridges are thinner than the room that they take; short stretches suffer from rounding.
        sure = (self.after.feature[new] != BRIDGE) & (self.after.length[new] > 0.2)
        bad = sure & ((width < THINNEST * self.nozzle_mm - 0.02) | (width > 1.8 * self.nozzle_mm + 0.02))
        return [
            f"layer {self.after.layer[k] + 1}: {self.after.text(k)!r} is {self.after.width[k]:.3f} mm wide"
            for k in new[bad][:2].tolist()
        ]

    CHECKS = (
        "layers", "outline", "walls", "outermost", "kept", "gaps", "leftovers", "bands", "island_fill", "crossings",
        "pulls", "seams", "order", "marks", "sane",
    )  # fmt: skip

    def faults(self, *but: str) -> list[str]:
        """All faults, each with its check, of all checks but some."""
        return [
            f"{name}: {text}" for name in self.CHECKS if name not in but for text in getattr(self, name)()
        ]
