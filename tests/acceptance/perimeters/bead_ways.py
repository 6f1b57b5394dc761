"""How the nozzle gets to new beads: travels, retractions, where loops begin, and in what order all is laid."""

from __future__ import annotations

import numpy as np
import shapely
from bead_laid import (
    OUTERMOST,
    OVERHANG,
    WALLS,
    Laid,
    cut_where_closed,
    joined,
    points_of,
    pull_counts,
    pulled_back,
)
from bead_sites import F8, I8, Sides, Site
from shapely import LineString, Polygon

SEAM_MM = 3.0
MORE_PULLS = 2
CROSSES_MM = 0.1
LEVEL_MM = 0.05


def back_of(polygon: Polygon) -> shapely.Geometry:
    """Where an open ring or a hook bends most: half as far about the deepest point of its mouth as that lies below
    the line over the mouth. No loop begins there, which counts more than its distance to a seam."""
    hull = polygon.convex_hull
    mouths = [p for p in shapely.get_parts(hull.difference(Polygon(polygon.exterior))) if p.area > 2.0]
    backs: list[tuple[float, shapely.Geometry]] = []
    for mouth in mouths:
        corners = shapely.points(shapely.get_coordinates(mouth.exterior))
        over = shapely.intersection(mouth.exterior, shapely.buffer(hull.exterior, 1e-6))
        below = shapely.distance(corners, over)
        depth = float(below.max())
        # A flat back has several deepest points.
        deepest = corners[below > depth - LEVEL_MM]
        backs.append((depth, shapely.union_all(shapely.buffer(deepest, depth / 2))))
    return max(backs, key=lambda back: back[0], default=(0.0, Polygon()))[1]


class Ways(Sides):
    """The checks of all that lies between beads."""

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
        """Where outermost perimeters begin. One that goes on over air, by another name, does not begin anew."""
        outer = site.old[np.isin(self.before.feature[site.old], (OUTERMOST, OVERHANG))]
        loops = [loop for run in joined(self.before, outer) for loop in cut_where_closed(self.before, run)]
        mine = [loop for loop in loops if np.any(self.before.feature[loop] == OUTERMOST)]
        return np.array([points_of(self.before, loop)[0] for loop in mine]).reshape(-1, 2)

    def seams(self) -> list[str]:
        """Closed loops begin at least 3 mm from the outermost seam, where they are long enough outside the back of
        an open part."""
        faults = []
        for site in self.sites:
            seams = self.outer_seams(site)
            if not len(seams):
                continue
            back = back_of(site.polygon)
            for points, _ in self.loops(site):
                dense = shapely.get_coordinates(shapely.segmentize(LineString(points), 0.2))
                apart = np.hypot(*(dense[:, None] - seams[None]).transpose(2, 0, 1)).min(axis=1)
                apart = apart[~shapely.intersects_xy(back, dense)]
                mine = float(np.hypot(*(points[0] - seams).T).min())
                if mine < SEAM_MM - 0.02 and apart.max(initial=0.0) >= SEAM_MM + 1.0:
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
