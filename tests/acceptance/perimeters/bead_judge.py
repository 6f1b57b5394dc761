"""Judges new beads from outside: reads the bytes before and after, and believes nothing that was reported.

All checks return sentences, one a fault found.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from bead_laid import BRIDGE, FILL, GAP, OUTERMOST, PERIMETER, SOLID, SPARSE, WALLS
from bead_sites import THINNEST, Site
from bead_ways import Ways
from shapely import Polygon

from gcodetools.toolpath.beads import FEATURE_INDEX

OUTSIDE_MM = 0.02  # what is promised
UNDER, OVER = 0.96, 1.015  # of q, a band's volume
ISLAND_OVER, ISLAND_UNDER = 0.015, 0.03
SMALLEST_MM2 = 2.0  # a band of less is judged by no share
BLUR = 0.02  # mm, by which the area of a band of 1 mm2 is uncertain: chords, rounded coordinates
BESIDE_MM, NEAR_MM = 0.15, 0.3  # beside new beads; beside them on a wall, or between it and them
END_MM = 0.05  # that fill may keep from a new bead's end, over half its breadth
OVERLAP_MM = 0.25  # what kept lines may reach over an edge, slantwise


class Verdict(Ways):
    """Before and after, side by side, and all the checks."""

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
            beyond = shapely.union(remains, self._given(site))
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

    def _given(self, site: Site) -> shapely.Geometry:
        """Where fill may go: under new beads, and beside them on walls, into which it reaches."""
        if not len(site.new):
            return Polygon()
        new = self.footprint(self.after, site.new, "width")
        walls = site.old[np.isin(self.before.feature[site.old], WALLS)]
        beside = shapely.buffer(self.footprint(self.before, walls, "width"), BESIDE_MM)
        return shapely.union(
            shapely.buffer(new, BESIDE_MM), shapely.intersection(beside, shapely.buffer(new, NEAR_MM))
        )

    def ends(self) -> list[str]:
        """Gap fill that goes on from the open end of a new bead begins there."""
        faults = []
        for site in self.sites:
            cut = site.kept[self.before.feature[self.origin[site.kept]] == GAP]
            cut = cut[self.after.length[cut] > END_MM]  # a dot fits on the end of any bead
            tips = [(part[k], points[k]) for points, part in self.loops(site, closed=False) for k in (0, -1)]
            if not len(cut) or not tips:
                continue
            half = np.array([self.after.area[k] / (site.height * self.q) for k, _ in tips]) / 2
            tip = shapely.points([point for _, point in tips])
            lines = shapely.multilinestrings(self.after.line[site.new].tolist())
            for k, at, whole in [(k, 0, self.t0[k] < 1e-3) for k in cut] + [
                (k, -1, self.t1[k] > 0.999) for k in cut
            ]:
                end = shapely.get_point(self.after.line[k], at)
                apart = shapely.distance(tip, end)
                n = int(np.argmin(apart))
                far = half[n] + END_MM < apart[n] < half[n] + NEAR_MM
                if not whole and far and apart[n] < shapely.distance(lines, end) + 0.002:
                    faults.append(
                        f"layer {site.layer + 1}: {self.after.text(k)!r} stops {apart[n]:.3f} mm from a new bead's end"
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
                # The file's own may leave voids at their ends; what perimeters side by side hold is not too much.
                low, high = min(low, UNDER * own), max(high, OVER * own, OVER * self.wall_q)
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
        # Where no second perimeter tells how far the first reaches inwards, the file's own overfill goes on.
        lone = not np.any(self.before.feature == PERIMETER)
        for site in self.sites:
            area = site.polygon.area * site.height
            both = np.concatenate([site.new, site.kept])
            now = float((self.after.area * self.after.length)[both].sum()) / area
            was = float((self.before.area * self.before.length)[site.old].sum()) / area
            own = was + (ISLAND_OVER if lone else 1e-4)
            if now > max(self.q_high + ISLAND_OVER, own, self._on_void(site) + 1e-3):
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

    def _on_void(self, site: Site) -> float:
        """Fill of an island whose new beads lie where nothing was: what is kept may overfill it by itself."""
        kept = float((self.after.area * self.after.length)[site.kept].sum()) / site.height
        if not len(site.new):
            return kept / site.polygon.area
        new = self.footprint(self.after, site.new, "breadth")
        void = new.difference(self.footprint(self.after, site.kept, "breadth"))
        return float(kept + self.q_high * void.area) / site.polygon.area

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
        "layers", "outline", "walls", "outermost", "kept", "gaps", "ends", "leftovers", "bands", "island_fill",
        "crossings", "pulls", "seams", "order", "marks", "sane",
    )  # fmt: skip

    def faults(self, *but: str) -> list[str]:
        """All faults, each with its check, of all checks but some."""
        return [
            f"{name}: {text}" for name in self.CHECKS if name not in but for text in getattr(self, name)()
        ]
