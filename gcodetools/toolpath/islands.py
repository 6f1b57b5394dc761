"""Islands: the connected pieces of a layer, as polygons that are the edge of its plastic.

An outline is the outermost centre line plus half its width. Corners are mitred, since a slicer insets sharp
corners to sharp corners; arcs are cut into chords. Skirt, brim, support and tower are no part of an island.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiLineString, Polygon

from gcodetools.gcode.arrays import distinct
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.chains import Chains, Segments, chains_of, dry_path, segments_of
from gcodetools.toolpath.plate import Plate

__all__ = ["ARC_TOLERANCE_MM", "Island", "of_layer"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
I4 = NDArray[np.int32]
Bool = NDArray[np.bool_]

ARC_TOLERANCE_MM = 0.005  # a tenth of the accuracy at which parts are placed
_MANY = 64  # polygons
_ABOUT = 1.001
_CACHED_LAYERS = 512
_MITRE_LIMIT = 2.0  # keeps corners of 60 degrees and more
_SAME_RING = 0.5  # widths; a loop laid twice is one
_BRIDGED = 0.6  # widths on either side of a bead that count as covered where no wall tells the edge
_STRAY_MM = 5.0  # beads outside all walls make an island of their own from this length on
_USUAL_WIDTH_MM = 0.4  # where neither a mark nor E tells; common practice, no source

_OUTERMOST, _OVERHANG = FEATURE_INDEX["outermost"], FEATURE_INDEX["overhang"]
_PERIMETER = FEATURE_INDEX["perimeter"]
_APART = tuple(FEATURE_INDEX[w] for w in ("none", "support", "skirt", "tower", "other"))


@dataclass(frozen=True, slots=True)
class Island:
    """One connected piece of a layer.

    polygon : its plastic, holes cut out, mm. rows : (k,) int32, bead rows whose middle lies in it.
    """

    polygon: Polygon
    rows: I4

    @property
    def outline(self) -> Polygon:
        """The polygon without its holes."""
        return Polygon(self.polygon.exterior)

    @property
    def holes(self) -> list[Polygon]:
        """The holes, each as a polygon."""
        return [Polygon(ring) for ring in self.polygon.interiors]


def of_layer(plate: Plate, layer: int, rows: NDArray[np.generic] | None = None) -> list[Island]:
    """Islands of one layer, in file order of their first bead.

    Parameters
    ----------
    layer : index into the plate's layers. rows : which rows count, a mask over all moves or ascending
    indices; None for all of the layer.

    Returns
    -------
    list of Island
        Empty where no bead is part of an object. Equal layers share their polygons.
    """
    own = _own_rows(plate, layer, rows)
    if len(own) == 0:
        return []
    width = float(np.nanmedian(plate.beads.width[own]))
    width = width if width > 0 else _USUAL_WIDTH_MM
    segments = segments_of(plate.program, own, ARC_TOLERANCE_MM)
    polygons = list(_walls(plate, own, segments, width))
    x, y = _middles(segments)
    owner = _owner(polygons, x, y)
    stray = np.flatnonzero(owner < 0)
    if plate.beads.length_mm[own[stray]].sum() > _STRAY_MM:
        polygons += _covered(segments, stray, width)
        owner = _owner(polygons, x, y)
    islands = [Island(p, own[owner == k].astype(np.int32)) for k, p in enumerate(polygons)]
    return sorted((i for i in islands if len(i.rows)), key=lambda island: int(island.rows[0]))


def _own_rows(plate: Plate, layer: int, rows: NDArray[np.generic] | None) -> I8:
    """Rows of the layer's beads that are part of an object."""
    first, last = int(plate.layers.first_row[layer]), int(plate.layers.last_row[layer])
    keep = ~np.isin(plate.beads.feature[first:last], _APART)
    if plate.layers.raft[layer]:
        keep[:] = False
    if rows is not None:
        chosen = np.isin(np.arange(first, last), rows) if rows.dtype != np.bool_ else rows[first:last]
        keep &= chosen.astype(np.bool_)
    return np.flatnonzero(keep) + first


def _walls(plate: Plate, own: I8, segments: Segments, width: float) -> tuple[Polygon, ...]:
    """Polygons by the outermost loops."""
    kind, all_over_air = _kinds(plate, own, segments, width)
    chains = chains_of(plate.program, own, segments, kind, width)
    wall = np.flatnonzero((kind[chains.begin] == _OUTERMOST) | (kind[chains.begin] == all_over_air))
    if not np.any(kind[chains.begin[wall]] == _OUTERMOST):
        return ()
    bead_width = np.nan_to_num(plate.beads.width[own].astype(np.float64), nan=width)
    length = np.maximum(plate.beads.length_mm[own], 1e-9)
    mean = np.add.reduceat(bead_width * length, chains.begin) / np.add.reduceat(length, chains.begin)
    moves = plate.program.moves
    climbs = np.abs(moves.z[own[chains.stop - 1]] - moves.z[np.maximum(own[chains.begin] - 1, 0)]) > 1e-6
    lines, closed = [], []
    for c in wall.tolist():
        points = _points(segments, chains, c)
        if chains.closed[c] and chains.gap_mm[c] > width / 2:
            points = np.vstack([points, dry_path(moves, int(own[chains.stop[c] - 1]), points[0])])
        lines.append(points)
        closed.append(bool(chains.closed[c] or (climbs[c] and _closes(points))))
    return _polygons(
        b"".join(np.round(p, 6).tobytes() for p in lines),
        tuple(len(p) for p in lines),
        tuple(np.round(mean[wall], 4).tolist()),
        tuple(closed),
        tuple((kind[chains.begin[wall]] == all_over_air).tolist()),
    )


def _kinds(plate: Plate, own: I8, segments: Segments, width: float) -> tuple[I8, int]:
    """What each bead is a wall of: beads over air are of the loop they are joined to; a loop all over air
    has the second value's kind."""
    kind = plate.beads.feature[own].astype(np.int64)
    over_air = kind == _OVERHANG
    if not np.any(over_air):
        return kind, _OVERHANG
    wall = over_air | (kind == _OUTERMOST) | (kind == _PERIMETER)
    joined = chains_of(plate.program, own, segments, np.where(wall, 0, kind), width)
    holder = np.zeros(len(joined), bool)
    holder[np.searchsorted(joined.begin, np.flatnonzero(over_air), side="right") - 1] = True
    for c in np.flatnonzero(holder).tolist():
        part = slice(int(joined.begin[c]), int(joined.stop[c]))
        sure = np.flatnonzero(~over_air[part])
        if len(sure):
            at = np.arange(part.stop - part.start)
            nearest = sure[np.maximum(np.searchsorted(sure, at, side="right") - 1, 0)]
            kind[part] = kind[part][nearest]
    return kind, _OVERHANG


def _points(segments: Segments, chains: Chains, chain: int) -> F8:
    first, end = int(chains.first[chain]), int(chains.end[chain])
    x = np.append(segments.x0[first], segments.x1[first:end])
    y = np.append(segments.y0[first], segments.y1[first:end])
    return np.column_stack([x, y])


def _closes(points: F8) -> bool:
    """Whether a turn of a spiral makes a simple ring; it ends above its start, within a bead's length."""
    return len(points) > 3 and bool(Polygon(points).is_valid)


@lru_cache(maxsize=_CACHED_LAYERS)
def _polygons(
    data: bytes,
    counts: tuple[int, ...],
    widths: tuple[float, ...],
    closed: tuple[bool, ...],
    doubtful: tuple[bool, ...],
) -> tuple[Polygon, ...]:
    """Polygons of centre lines. data : the points of all lines, one after the other. doubtful : a line that
    is outermost only if no other stands close around it."""
    lines = np.split(np.frombuffer(data).reshape(-1, 2), np.cumsum(counts)[:-1])
    rings = [(Polygon(p), w, d) for p, w, c, d in zip(lines, widths, closed, doubtful, strict=True) if c]
    open_lines = [(p, w) for p, w, c in zip(lines, widths, closed, strict=True) if not c and len(p) > 1]
    strips = []
    for points, w in _end_to_end(open_lines):
        gap = float(np.hypot(*(points[-1] - points[0])))
        strip = LineString(points).buffer(w / 2, join_style="mitre", mitre_limit=_MITRE_LIMIT)
        if len(points) > 3 and (gap < w or strip.interiors):
            rings.append((_centre_ring(points, strip, w, gap), w, False))
        else:
            strips.append(strip)
    return (*_nested([r for r in rings if not r[0].is_empty]), *strips)


def _centre_ring(points: F8, strip: Polygon, w: float, gap: float) -> Polygon:
    """The loop of an open line: closed by a straight line, or, where its ends overlap (a seam laid as a
    ramp), by what it covers."""
    if gap < w and (ring := Polygon(points)).is_valid:
        return ring
    inner = Polygon(strip.exterior).buffer(-w / 2, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    return _largest(inner)


def _largest(geometry: shapely.Geometry) -> Polygon:
    parts = [p for p in shapely.get_parts(geometry) if isinstance(p, Polygon)]
    return max(parts, key=lambda p: float(p.area), default=Polygon())


def _end_to_end(lines: list[tuple[F8, float]]) -> list[tuple[F8, float]]:
    """Lines whose ends lie within a width of each other, as one."""
    if len(lines) < 2:
        return list(lines)
    tree = shapely.STRtree(shapely.points(np.array([end for p, _ in lines for end in (p[0], p[-1])])))
    left = np.ones(len(lines), bool)
    done = []
    for k, (points, w) in enumerate(lines):
        if not left[k]:
            continue
        left[k] = False
        while (following := _next_to(tree, lines, left, points, w)) is not None:
            nth, points = following
            left[nth] = False
        done.append((points, w))
    return done


def _next_to(
    tree: shapely.STRtree, lines: list[tuple[F8, float]], left: NDArray[np.bool_], points: F8, w: float
) -> tuple[int, F8] | None:
    """The first line left that has an end at one of a line, and both as one. tree : of both ends of each line."""
    tips, reach = points[[-1, 0]], _ABOUT * w
    near = distinct(np.sort(tree.query(shapely.box(*(tips - reach).T, *(tips + reach).T))[1] // 2))
    for k in near[left[near]].tolist():
        other = lines[k][0]
        for candidate in (other, other[::-1]):
            if np.hypot(*(candidate[0] - points[-1])) < w:
                return k, np.vstack([points, candidate])
            if np.hypot(*(candidate[-1] - points[0])) < w:
                return k, np.vstack([candidate, points])
    return None


def _nested(rings: list[tuple[Polygon, float, bool]]) -> list[Polygon]:
    """Outlines with their holes: a ring inside an odd number of others is a hole's edge."""
    if not rings:
        return []
    rings = sorted(rings, key=lambda ring: -float(ring[0].area))
    shapes = np.array([shapely.make_valid(r[0]) if not r[0].is_valid else r[0] for r in rings], object)
    width = np.array([r[1] for r in rings])
    spot = shapely.points(np.array([r[0].exterior.coords[0] for r in rings]))
    inner, outer = shapely.STRtree(shapes).query(spot, predicate="within")
    keep = outer < inner
    inner, outer = inner[keep], outer[keep]
    box = shapely.bounds(shapes)
    twice = np.abs(box[inner] - box[outer]).max(axis=1, initial=0.0) < _SAME_RING * width[inner]
    near = np.array([r[2] for r in rings])[inner]
    close = near & (shapely.distance(shapely.boundary(shapes[outer]), spot[inner]) < 1.5 * width[inner])
    dropped = np.zeros(len(rings), bool)
    dropped[inner[twice | close]] = True
    live = ~dropped[inner] & ~dropped[outer]
    depth = np.bincount(inner[live], minlength=len(rings))
    sign = np.where(depth % 2 == 0, 0.5, -0.5)
    grown = shapely.buffer(shapes, sign * width, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    result = []
    for k in np.flatnonzero(~dropped & (depth % 2 == 0)).tolist():
        inside = inner[live & (outer == k)]
        holes = grown[inside[(depth[inside] == depth[k] + 1)]]
        plastic = grown[k].difference(shapely.union_all(holes)) if len(holes) else grown[k]
        result += [p for p in shapely.get_parts(plastic) if isinstance(p, Polygon) and not p.is_empty]
    return result


def _covered(segments: Segments, beads: I8, width: float) -> list[Polygon]:
    """What beads cover where no wall tells the edge: a width along each, small gaps closed."""
    index = np.flatnonzero(np.isin(segments.bead, beads))
    ends = np.stack(
        [
            np.column_stack([segments.x0[index], segments.y0[index]]),
            np.column_stack([segments.x1[index], segments.y1[index]]),
        ],
        axis=1,
    )
    lines = MultiLineString(list(shapely.linestrings(_once(ends))))
    closing = _BRIDGED * width
    covered = lines.buffer(width / 2 + closing).buffer(-closing)
    return [p for p in shapely.get_parts(covered) if isinstance(p, Polygon)]


def _once(ends: F8) -> F8:
    """(k, 2, 2) lines, those that lie on an earlier one left out: an area around thousands of them together takes
    memory by the square of their number."""
    low, high = ends.min(axis=1), ends.max(axis=1)
    rises = (ends[:, 0] == low).all(axis=1) | (ends[:, 1] == low).all(axis=1)
    _, first = np.unique(np.column_stack([low, high, rises]), axis=0, return_index=True)
    return ends if len(first) == len(ends) else ends[np.sort(first)]


def _middles(segments: Segments) -> tuple[F8, F8]:
    """(k,) middle of each bead: of its middle piece, arcs being cut into equal ones."""
    count = np.diff(segments.first)
    at = segments.first[:-1] + count // 2
    even = count % 2 == 0
    x = np.where(even, segments.x0[at], (segments.x0[at] + segments.x1[at]) / 2)
    y = np.where(even, segments.y0[at], (segments.y0[at] + segments.y1[at]) / 2)
    return x, y


def _owner(polygons: list[Polygon], x: F8, y: F8) -> I8:
    """(k,) polygon that holds each point, -1 for none."""
    owner = np.full(len(x), -1)
    boxed = _boxed(polygons, x, y) if len(polygons) > _MANY else None
    for k, polygon in enumerate(polygons):
        low_x, low_y, high_x, high_y = polygon.bounds
        if boxed is None:
            at = np.flatnonzero((x >= low_x) & (x <= high_x) & (y >= low_y) & (y <= high_y) & (owner < 0))
        else:
            at = boxed[k][owner[boxed[k]] < 0]
        shapely.prepare(polygon)
        owner[at[shapely.intersects_xy(polygon, x[at], y[at])]] = k
    return owner


def _boxed(polygons: list[Polygon], x: F8, y: F8) -> list[I8]:
    """The points in the box of each polygon, by a tree: to ask all points for each of many takes too long."""
    which, point = shapely.STRtree(shapely.points(x, y)).query(shapely.box(*shapely.bounds(polygons).T))
    order = np.lexsort((point, which))
    cuts = np.searchsorted(which[order], np.arange(1, len(polygons)))
    return np.split(point[order], cuts)
