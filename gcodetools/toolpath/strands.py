"""Beads that fill a room and follow its edge: a polygon in, centre lines with their breadths out.

Pure geometry in mm: no plate, no text. A bead's breadth is the room it takes, the pitch at which such beads lie
side by side.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.records import dataclass
from gcodetools.toolpath.bands import inset, loops_along, opened_parts, polygons_of
from gcodetools.toolpath.breadths import (
    breadths_of,
    compact_mm,
    even_breadth,
    thickness_at_points,
)
from gcodetools.toolpath.meshes import Edge, Mesh, mesh_of
from gcodetools.toolpath.middles import Middle, middles_of
from gcodetools.toolpath.zones import NONE, ONE, TWO, kinds_of, without_bare

__all__ = ["Filled", "Gauge", "Strand", "fill_room"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_WIDE = 8.5  # pitches; a thicker room is laid at the pitch
_STEP, _LONG_STEP = 0.4, 0.6  # pitches between points of the edge, at least and at most
_STEPS_ACROSS = 0.2  # of the mean thickness
_SHORTEST = 1.5  # pitches; a shorter bead is not laid
_SEEN = 3.0  # pitches between places at which a wide room is looked at
_SLIVER = 0.03  # pitches; half of what is too thin to be looked at
_TOUCHING_MM = 1e-4  # an edge that touches itself is parted by so much
_SIMPLE_MM = 0.002  # points of an edge that matter less are left out
_MOST_LOOPS = 10_000


@dataclass(frozen=True, slots=True)
class Strand:
    """One new bead.

    points : (n, 2) float64, centre line, mm; where closed, the first point is not repeated. breadth : mm per
    stretch, (n,) where closed, else (n - 1,). loop : 1, 2, ... from the room's edge inwards; 0 along the
    middle; -1 a line of a hatch.
    """

    points: F8
    breadth: F8
    closed: bool
    loop: int


@dataclass(frozen=True, slots=True)
class Gauge:
    """How broad beads are, mm: the file's own pitch, the least, the one above which two are laid, the most."""

    pitch_mm: float
    least_mm: float
    twin_mm: float
    most_mm: float


@dataclass(frozen=True, slots=True)
class Filled:
    """What a room was filled with.

    left : what no strand covers. thickness, weights : (k,) the room's local thickness along its edge, mm, and
    the length of edge that has it; of a wide room its greatest circle everywhere. at : (k, 2) where.
    """

    strands: tuple[Strand, ...]
    left: shapely.Geometry
    thickness: F8
    weights: F8
    at: F8


def fill_room(room: Polygon, gauge: Gauge, count: int | None) -> Filled:
    """Beads that fill a room, following its edge.

    Parameters
    ----------
    room : what is free, mm; anything that is no area is taken for empty. count : at most so many loops from each
    side, None for as many as fit. Places that are then filled wholly are, with as many beads of such breadth as
    fit best; in wider ones the loops have the pitch for their breadth.
    """
    parts = _clean(room)
    filling = _Filling(gauge)
    filling.measure(parts)
    for loop in range(1, _MOST_LOOPS):
        if not parts:
            break
        over = np.inf if count is None else max(count - loop + 1, 0)
        parts = [rest for part in parts for rest in filling.step(part, loop, over)]
    anchor = shapely.get_coordinates(room)[:1]
    strands = tuple(_begun_near(strand, anchor) for strand in _uncrossed(filling.strands, gauge))
    left = shapely.union_all(filling.left) if filling.left else Polygon()
    return Filled(strands, left, filling.thickness, filling.weights, filling.at)


def _clean(room: shapely.Geometry) -> list[Polygon]:
    """The room's polygons, valid, their edges apart."""
    if room.is_empty or not np.isfinite(shapely.get_coordinates(room)).all():
        return []
    if not shapely.is_valid(room):
        room = shapely.make_valid(room)
    apart = shapely.buffer(shapely.simplify(room, _SIMPLE_MM), -_TOUCHING_MM, join_style="mitre")
    return polygons_of(apart)


def _uncrossed(strands: list[Strand], gauge: Gauge) -> list[Strand]:
    """The strands, open ones without what lies across another: in spiky rooms two arms may meet askew."""
    lines = np.array([_line(s.points, s.closed) for s in strands], dtype=object)
    pairs = shapely.STRtree(lines).query(lines, predicate="crosses").T
    kept: list[Strand | None] = list(strands)
    for one, two in pairs[pairs[:, 0] < pairs[:, 1]].tolist():
        short, other = (one, two) if lines[one].length < lines[two].length else (two, one)
        if strands[short].closed:
            short, other = other, short
        strand = kept[short]
        if strand is None or strand.closed:
            continue
        stretches = shapely.linestrings(np.stack([strand.points[:-1], strand.points[1:]], axis=1))
        room = float(strands[other].breadth.mean()) / 2
        free = shapely.distance(lines[other], stretches) >= room
        edges = np.flatnonzero(np.diff(np.concatenate([[False], free, [False]]).astype(np.int8)))
        parts = [
            Strand(strand.points[a : b + 1], strand.breadth[a:b], False, strand.loop)
            for a, b in edges.reshape(-1, 2).tolist()
        ]
        longest = max(parts, key=lambda s: float(_lengths(s.points, False).sum()), default=None)
        enough = longest is not None and _lengths(longest.points, False).sum() >= gauge.pitch_mm
        kept[short] = longest if enough else None
    return [s for s in kept if s is not None]


def _line(points: F8, closed: bool) -> shapely.LineString:
    around = np.vstack([points, points[:1]]) if closed else points
    return shapely.linestrings(around)


def _begun_near(strand: Strand, anchor: F8) -> Strand:
    """The strand, begun at the point (of an open one: the end) nearest to another."""
    off = np.hypot(*(strand.points - anchor).T)
    if not strand.closed:
        return (
            strand
            if off[0] <= off[-1]
            else Strand(strand.points[::-1], strand.breadth[::-1], False, strand.loop)
        )
    first = -int(np.argmin(off))
    return Strand(np.roll(strand.points, first, axis=0), np.roll(strand.breadth, first), True, strand.loop)


def _lengths(points: F8, closed: bool) -> F8:
    """Lengths of the stretches of a path."""
    around = np.vstack([points, points[:1]]) if closed else points
    length: F8 = np.hypot(*np.diff(around, axis=0).T)
    return length


class _Filling:
    """A room being filled: what is laid and what is left."""

    def __init__(self, gauge: Gauge) -> None:
        self.gauge = gauge
        self.strands: list[Strand] = []
        self.left: list[shapely.Geometry] = []
        self.thickness: F8 = np.zeros(0)
        self.weights: F8 = np.zeros(0)
        self.at: F8 = np.zeros((0, 2))
        self._meshed: tuple[Polygon, Mesh | None] | None = None

    def measure(self, parts: list[Polygon]) -> None:
        """Note the thickness of the room along its edge."""
        thickness, weights, at = [], [], []
        for part in parts:
            if self._is_wide(part, _WIDE * self.gauge.pitch_mm):
                circle = shapely.length(shapely.maximum_inscribed_circle(part, self.gauge.pitch_mm / 4)) * 2
                for ring in shapely.get_rings(shapely.segmentize(part, _SEEN * self.gauge.pitch_mm)).tolist():
                    xy = shapely.get_coordinates(ring)
                    weights.append(np.hypot(*np.diff(xy, axis=0).T))
                    at.append((xy[:-1] + xy[1:]) / 2)
                    thickness.append(np.full(len(xy) - 1, circle))
            elif (mesh := self._mesh(part)) is not None:
                edge = mesh.edge
                thickness.append(thickness_at_points(mesh))
                weights.append(np.hypot(*(edge.xy[edge.follow] - edge.xy).T))
                at.append(edge.xy)
        if thickness:
            self.thickness, self.weights = np.concatenate(thickness), np.concatenate(weights)
            self.at = np.concatenate(at)

    def step(self, part: Polygon, loop: int, over: float) -> list[Polygon]:
        """Lay the next loop of a part of the room where one fits, and what lies along its middle.

        over : loops that may still be laid. Returns what is free then.
        """
        gauge = self.gauge
        cap = min(_WIDE * gauge.pitch_mm, 2 * over * gauge.pitch_mm + gauge.twin_mm)
        if self._is_wide(part, cap):
            if over == 0:
                self.left.append(part)
                return []
            return self._peel(part, None, gauge.pitch_mm, loop)
        mesh = self._mesh(part)
        if mesh is None:
            self.left.append(part)
            return []
        whole = compact_mm(mesh)
        if whole is not None and whole > gauge.twin_mm:
            if over == 0:
                self.left.append(part)
                return []
            breadth = even_breadth(whole, gauge.pitch_mm, gauge.twin_mm, over)
            return self._peel(part, None, breadth, loop)
        return self._step_by_zones(part, mesh, loop, over, cap)

    def _step_by_zones(self, part: Polygon, mesh: Mesh, loop: int, over: float, cap: float) -> list[Polygon]:
        thickness = thickness_at_points(mesh)
        gauge = self.gauge
        kind = kinds_of(mesh, thickness, gauge.pitch_mm, gauge.least_mm, gauge.twin_mm, gauge.most_mm)
        beads = self._middles(part, mesh, kind == ONE)
        if over > 0:
            kind = without_bare(mesh, kind, thickness, beads, gauge.least_mm)
        self._lay_middles(mesh, kind == ONE, beads)
        self.left += mesh.union(kind == NONE)
        wide = [part] if (kind == TWO).all() else mesh.union(kind == TWO)
        if over == 0:
            self.left += wide
            return []
        rest = []
        for piece in wide:
            if piece is not part:
                piece = shapely.simplify(piece, _TOUCHING_MM)
                own = self._mesh(piece)
                if own is None:
                    self.left.append(piece)
                    continue
                mesh, thickness = own, thickness_at_points(own)
            breadth = breadths_of(
                mesh, thickness, gauge.pitch_mm, (gauge.least_mm, gauge.most_mm), cap, 2 * over + 1
            )
            rest += self._peel(piece, mesh.edge, breadth, loop)
        return rest

    def _peel(self, part: Polygon, edge: Edge | None, breadth: F8 | float, loop: int) -> list[Polygon]:
        """Lay a loop along a part's edge."""
        pitch = self.gauge.pitch_mm
        line = inset(part, edge, np.asarray(breadth) / 2)
        inner = inset(part, edge, breadth)
        laid = [p for p in loops_along(line, edge, breadth, _STEP * pitch) if len(p[0]) > 2]
        if not laid:
            self.left.append(part)
            return []
        rest = opened_parts(inner, _SLIVER * pitch)
        free = sum(p.area for p in rest)
        # In narrow tips a band overlaps itself: the beads are not to hold more than the band.
        volume = sum(float((_lengths(points, True) * own).sum()) for points, own in laid)
        share = min(1.0, (part.area - float(inner.area)) / max(volume, 1e-12))
        for points, own in laid:
            fitting = np.clip(own * share, self.gauge.least_mm, self.gauge.most_mm)
            self.strands.append(Strand(points, fitting, True, loop))
        if inner.area > free + 1e-6:
            self.left.append(shapely.difference(inner, shapely.union_all(rest)))
        return rest

    def _middles(self, part: Polygon, mesh: Mesh, narrow: Bool) -> list[Middle]:
        """The beads along the middle that are worth laying."""
        if not narrow.any():
            return []
        found = middles_of(mesh, narrow, part, self.gauge.least_mm, self.gauge.most_mm)
        return [bead for bead in found if bead.length_mm >= _SHORTEST * self.gauge.pitch_mm]

    def _lay_middles(self, mesh: Mesh, narrow: Bool, beads: list[Middle]) -> None:
        covered = np.zeros(len(narrow), bool)
        for bead in beads:
            covered[bead.covers] = True
            self.strands.append(Strand(*bead.path, bead.closed, 0))
        rest = mesh.union(narrow & ~covered)
        if rest and beads:
            laid = shapely.union_all([bead.footprint() for bead in beads])
            self.left.append(shapely.difference(shapely.union_all(rest), laid))
        else:
            self.left += rest

    def _mesh(self, part: Polygon) -> Mesh | None:
        """Its mesh; the first one is asked for twice."""
        if self._meshed is None or self._meshed[0] is not part:
            pitch, across = self.gauge.pitch_mm, 2 * part.area / part.length
            step = float(np.clip(_STEPS_ACROSS * across, _STEP * pitch, _LONG_STEP * pitch))
            self._meshed = part, mesh_of(part, step)
        return self._meshed[1]

    def _is_wide(self, part: Polygon, cap: float) -> bool:
        """Whether nothing of a part is thinner than `cap`, corners apart."""
        if part.area < cap**2 / 2:
            return False
        parts = opened_parts(part, cap / 2)
        if not parts:
            return False
        thin = shapely.difference(part, shapely.buffer(shapely.union_all(parts), 0.05 * self.gauge.pitch_mm))
        return not opened_parts(thin, 0.1 * self.gauge.pitch_mm)
