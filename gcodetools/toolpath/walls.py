"""Walls: the loops of one layer with the section of each stretch, and the room that they leave.

The breadth of a bead is the pitch at which beads like it lie side by side, A / (h q): A its mm3 per mm, h the
layer height, q the file's own fill. A wall takes half of it to each side of its centre line. Coordinates mm.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LinearRing, LineString, MultiPolygon, Polygon

from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.chains import Chains, Segments, chains_of, dry_path, segments_of
from gcodetools.toolpath.islands import ARC_TOLERANCE_MM, Island
from gcodetools.toolpath.plate import DEFAULT_DIAMETER_MM, Plate

__all__ = [
    "Area",
    "Same",
    "Wall",
    "bead_areas",
    "breadths",
    "filament_mm2",
    "polygonal",
    "space_within",
    "walls_of",
    "weighted_median",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Area: TypeAlias = Polygon | MultiPolygon

_OUTERMOST, _PERIMETER, _OVERHANG = (FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang"))
_IS_WALL = np.isin(np.arange(256), (_OUTERMOST, _PERIMETER, _OVERHANG))
_USUAL_WIDTH_MM = 0.4  # where neither a mark nor E tells; common practice, no source
_MITRE_LIMIT = 2.0  # as islands have it
_USUAL = 0.01  # a loop whose section is within this share of the plate's has the plate's
_EVEN = 0.03  # stretches within this share of their loop's usual section have that section
_EVEN_SHARE = 0.95  # of a loop's length
_STEP_MM = 0.01  # to which the breadths of an uneven wall are rounded
_LEAST_MM = 0.02  # breadth of a stretch whose E says next to nothing
_SLIVER = 0.1  # breadths on either side: a room narrower than twice this is none
_COASTING_MOVES, _COASTED_MM, _COASTED = 48, 5.0, 0.3  # of the loop that is run dry, in moves, mm and share
_AT_START_MM = 0.05
_CACHED = 1024


@dataclass(frozen=True, slots=True)
class Wall:
    """One wall of an island, as its centre line.

    points : (n, 2) float64 mm; where closed, the first is not repeated. area_mm2 : (n,) where closed (the
    last stretch closes the loop), (n - 1,) where open: mm3 per mm of each stretch; NaN over air, where it
    tells nothing. closed : whether it is a loop whose ends meet. outermost : whether it is the part's edge.
    rows : (k,) int64, its beads.
    """

    points: F8
    area_mm2: F8
    closed: bool
    outermost: bool
    rows: I8

    @property
    def length_mm(self) -> float:
        """Length of its centre line, closed where it is closed."""
        return float(_lengths(self.points, self.closed).sum())


def filament_mm2(plate: Plate) -> float:
    """Section of the plate's filament, pi d^2 / 4."""
    return float(np.pi / 4 * (plate.filament_diameter_mm or DEFAULT_DIAMETER_MM) ** 2)


def bead_areas(plate: Plate, rows: I8) -> F8:
    """(k,) mm3 per mm of beads, by the filament they push; NaN where a bead has no length."""
    length = plate.beads.length_mm[rows]
    with np.errstate(divide="ignore", invalid="ignore"):
        area: F8 = np.where(length > 1e-6, plate.program.moves.e[rows] / length, np.nan)
    return area * filament_mm2(plate)


def walls_of(plate: Plate, islands: list[Island]) -> list[list[Wall]]:
    """Walls of each island of one layer, in file order.

    Loops may be laid in several pieces. An open bead that is called a perimeter is a wall too: one down the
    middle of a narrow place takes its room.
    """
    rows = np.concatenate([i.rows for i in islands]).astype(np.int64) if islands else np.empty(0, np.int64)
    owner = np.repeat(np.arange(len(islands)), [len(i.rows) for i in islands])
    order = np.argsort(rows, kind="stable")
    rows, owner = rows[order], owner[order]
    keep = _IS_WALL[plate.beads.feature[rows]]
    rows, owner = rows[keep], owner[keep]
    found: list[list[Wall]] = [[] for _ in islands]
    if len(rows) == 0:
        return found
    width = float(np.nanmedian(plate.beads.width[rows]))
    width = width if width > 0 else _USUAL_WIDTH_MM
    segments = segments_of(plate.program, rows, ARC_TOLERANCE_MM)
    kind = _kinds(plate, rows, segments, owner, width)
    chains = chains_of(plate.program, rows, segments, kind + 16 * owner, width)
    area = bead_areas(plate, rows)
    area[plate.beads.feature[rows] == _OVERHANG] = np.nan
    pieces: list[list[tuple[int, Wall]]] = [[] for _ in islands]
    for c in range(len(chains)):
        wall = _wall(plate, rows, segments, chains, c, area, width, int(kind[chains.begin[c]]))
        at = int(owner[chains.begin[c]])
        if wall.closed:
            found[at].append(wall)
        else:
            pieces[at].append((int(kind[chains.begin[c]]), wall))
    for at, open_ones in enumerate(pieces):
        if open_ones:
            found[at] += _loops_of_pieces(open_ones, width)
            found[at].sort(key=lambda wall: int(wall.rows[0]))
    return found


def _kinds(plate: Plate, rows: I8, segments: Segments, owner: I8, width: float) -> I8:
    """What each bead is a wall of: one over air is of the loop that it is joined to."""
    kind = plate.beads.feature[rows].astype(np.int64)
    if not np.any(kind == _OVERHANG):
        return kind
    joined = chains_of(plate.program, rows, segments, owner, width)
    chain = np.repeat(np.arange(len(joined)), joined.stop - joined.begin)
    sure = kind != _OVERHANG
    at = np.arange(len(rows))
    before = np.maximum.accumulate(np.where(sure, at, -1))
    after = np.minimum.accumulate(np.where(sure, at, len(rows))[::-1])[::-1]
    for found in (after, before):
        safe = np.clip(found, 0, len(rows) - 1)
        same = (found >= 0) & (found < len(rows)) & (chain[safe] == chain)
        kind = np.where(same & ~sure, plate.beads.feature[rows[safe]], kind)
    return kind


def _wall(
    plate: Plate, rows: I8, segments: Segments, chains: Chains, c: int, area: F8, width: float, kind: int
) -> Wall:
    first, end = int(chains.first[c]), int(chains.end[c])
    points = np.column_stack(
        [
            np.append(segments.x0[first], segments.x1[first:end]),
            np.append(segments.y0[first], segments.y1[first:end]),
        ]
    )
    section = area[segments.bead[first:end]]
    own = rows[chains.begin[c] : chains.stop[c]]
    closed = bool(chains.closed[c])
    if closed and chains.gap_mm[c] > width / 2:
        dry = dry_path(plate.program.moves, int(own[-1]), points[0])
        points, section = np.vstack([points, dry]), np.append(section, np.full(len(dry), section[-1]))
    if not closed and len(points) > 3:
        dry = _coasted(plate, int(own[-1]), points)
        points, section = np.vstack([points, dry]), np.append(section, np.full(len(dry), section[-1]))
        closed = (len(dry) > 0 or _climbs(plate, own)) and bool(Polygon(points).is_valid)
    if closed and np.hypot(*(points[-1] - points[0])) < 1e-6:
        points = points[:-1]
    elif closed:
        section = np.append(section, section[-1])
    return Wall(points, section, closed, kind == _OUTERMOST, own)


def _coasted(plate: Plate, last: int, points: F8) -> F8:
    """(n, 2) where the nozzle runs dry behind a bead's last row to where the bead began, start left out; of
    a loop in many short pieces these may be many. Empty if it does not."""
    moves = plate.program.moves
    ahead = slice(last + 1, last + 1 + _COASTING_MOVES)
    path = np.column_stack([moves.x[ahead], moves.y[ahead]])
    pushed = np.flatnonzero(moves.e[ahead] > 0)
    back = np.flatnonzero(np.hypot(*(path - points[0]).T) < _AT_START_MM)
    if len(back) == 0 or (len(pushed) and pushed[0] <= back[0]):
        return np.empty((0, 2))
    dry = path[: back[0]]
    way = _lengths(np.vstack([points[-1:], dry, points[:1]]), False).sum()
    short = way < min(_COASTED_MM, _COASTED * float(_lengths(points, False).sum()))
    return dry if short else np.empty((0, 2))


def _climbs(plate: Plate, rows: I8) -> bool:
    z = plate.program.moves.z
    return bool(abs(z[rows[-1]] - z[max(int(rows[0]) - 1, 0)]) > 1e-6)


def _loops_of_pieces(pieces: list[tuple[int, Wall]], width: float) -> list[Wall]:
    """Walls of open beads: loops laid in several pieces, and lines that close no loop."""
    done = []
    for kinds in ((_OUTERMOST, _OVERHANG), (_PERIMETER, _OVERHANG)):
        own = [p for p in pieces if p[0] in kinds]
        pieces = [p for p in pieces if p[0] not in kinds]
        for kind, wall in _end_to_end(own, width):
            gap = float(np.hypot(*(wall.points[-1] - wall.points[0])))
            if len(wall.points) > 3 and gap < width and _rings(wall.points, width):
                section = np.append(wall.area_mm2, wall.area_mm2[-1])
                done.append(Wall(wall.points, section, True, wall.outermost, wall.rows))
            elif wall.outermost or kind == _PERIMETER:
                done.append(wall)
            elif kind == _OVERHANG and kinds[0] == _OUTERMOST:
                pieces.append((kind, wall))
    return done


def _rings(points: F8, width: float) -> bool:
    """Whether a line whose ends meet goes around something, rather than to and fro."""
    ring = Polygon(points)
    return bool(ring.is_valid and ring.area > width * width)


def _end_to_end(pieces: list[tuple[int, Wall]], width: float) -> list[tuple[int, Wall]]:
    """Pieces whose ends lie within a width of each other, as one."""
    left, done = list(pieces), []
    while left:
        kind, wall = left.pop(0)
        grown = True
        while grown:
            grown = False
            for k, (other_kind, other) in enumerate(left):
                joined = _joined(wall, other, width)
                if joined is not None:
                    wall, kind, grown = joined, min(kind, other_kind), True
                    left.pop(k)
                    break
        done.append((kind, wall))
    return done


def _joined(wall: Wall, other: Wall, width: float) -> Wall | None:
    """Both as one line, where an end of one lies close to an end of the other."""
    a, b = wall, other
    gaps = [
        np.hypot(*(a.points[-1] - b.points[0])),
        np.hypot(*(a.points[-1] - b.points[-1])),
        np.hypot(*(a.points[0] - b.points[-1])),
        np.hypot(*(a.points[0] - b.points[0])),
    ]
    nth = int(np.argmin(gaps))
    if gaps[nth] >= width:
        return None
    if nth in (1, 3):
        b = Wall(b.points[::-1], b.area_mm2[::-1], False, b.outermost, b.rows)
    if nth in (2, 3):
        a, b = b, a
    rows = np.sort(np.concatenate([a.rows, b.rows]))
    if np.hypot(*(a.points[-1] - b.points[0])) < 1e-6:
        points, section = np.vstack([a.points, b.points[1:]]), np.concatenate([a.area_mm2, b.area_mm2])
    else:
        points = np.vstack([a.points, b.points])
        section = np.concatenate([a.area_mm2, a.area_mm2[-1:], b.area_mm2])
    return Wall(points, section, False, a.outermost or b.outermost, rows)


def _lengths(points: F8, closed: bool) -> F8:
    ends = np.vstack([points, points[:1]]) if closed else points
    length: F8 = np.hypot(*np.diff(ends, axis=0).T)
    return length


def breadths(wall: Wall, height_mm: float, fill: float, usual_mm2: float) -> F8:
    """Breadth of each stretch of a wall, A / (h q), mm.

    Where a loop is even but for a few short stretches (rounding of E, a seam), all of it has its usual
    section; and that of the plate, `usual_mm2`, where it is within 1 % of it, so that like layers are equal.
    Stretches over air take their neighbours' section: the pitch at which they lie is the loop's.
    """
    area = wall.area_mm2
    scale = 1.0 / (height_mm * fill)
    if np.all(np.abs(area - usual_mm2) < _USUAL * usual_mm2):
        return np.full(len(area), round(usual_mm2 * scale, 3))
    length = _lengths(wall.points, wall.closed)
    known = np.isfinite(area) & (length > 1e-6)
    if not np.any(known):
        return np.full(len(area), round(usual_mm2 * scale, 3))
    middle = weighted_median(area[known], length[known])
    if abs(middle - usual_mm2) < _USUAL * usual_mm2:
        middle = usual_mm2
    even = np.abs(area[known] - middle) <= _EVEN * middle
    if length[known][even].sum() >= _EVEN_SHARE * length[known].sum():
        return np.full(len(area), round(middle * scale, 3))
    at = np.arange(len(area))
    filled = np.interp(at, at[known], area[known])
    stepped: F8 = np.maximum(np.round(filled * scale / _STEP_MM) * _STEP_MM, _LEAST_MM)
    return stepped


def weighted_median(values: F8, weights: F8) -> float:
    """Value that half of the weight lies below."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(total, total[-1] / 2)]])


def space_within(polygon: Polygon, walls: list[Wall], breadth: list[F8], usual_mm: float) -> Area:
    """What is free inside the walls of an island.

    Parameters
    ----------
    polygon : the island's plastic. breadth : of each wall's stretches. usual_mm : of a usual bead; what is
    narrower than a fifth of it is no room.
    """
    if not walls:
        return MultiPolygon()
    edge = [float(np.median(b)) for wall, b in zip(walls, breadth, strict=True) if wall.outermost]
    return _space(
        Same(polygon),
        b"".join(wall.points.tobytes() for wall in walls),
        b"".join(b.tobytes() for b in breadth),
        tuple((len(wall.points), wall.closed) for wall in walls),
        round(min(edge, default=0.0), 3),
        round(usual_mm, 3),
    )


class Same:
    """A geometry as a key, by identity: like layers share their polygons, and hashing them takes long."""

    __slots__ = ("shape",)

    def __init__(self, shape: Area) -> None:
        self.shape = shape

    def __hash__(self) -> int:
        return id(self.shape)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and other.shape is self.shape


@lru_cache(maxsize=_CACHED)
def _space(
    island: Same,
    points: bytes,
    breadth: bytes,
    sizes: tuple[tuple[int, bool], ...],
    edge_mm: float,
    usual_mm: float,
) -> Area:
    lines = np.split(np.frombuffer(points).reshape(-1, 2), np.cumsum([n for n, _ in sizes])[:-1])
    counts = [n if closed else n - 1 for n, closed in sizes]
    widths = np.split(np.frombuffer(breadth), np.cumsum(counts)[:-1])
    taken: list[shapely.Geometry] = []
    for line, (_, closed), b in zip(lines, sizes, widths, strict=True):
        taken += _footprint(line, closed, b)
    # What stands outside the outermost centre line is the wall's, however wide its stretches are.
    inner = shapely.buffer(island.shape, -0.45 * edge_mm, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    # Buffering by nothing unites overlapping polygons, twice as fast as an overlay does.
    parts = shapely.get_parts(taken)
    free = inner.difference(shapely.buffer(shapely.multipolygons(parts[~shapely.is_empty(parts)]), 0))
    sliver = _SLIVER * usual_mm
    free = shapely.buffer(free, -sliver, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    free = shapely.buffer(free, sliver, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    return polygonal(free, usual_mm**2 / 4)


def polygonal(geometry: shapely.Geometry, least_mm2: float = 0.0) -> Area:
    """The polygons of a geometry that are larger than `least_mm2`."""
    parts = [p for p in shapely.get_parts(geometry) if isinstance(p, Polygon) and p.area > least_mm2]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _footprint(line: F8, closed: bool, breadth: F8) -> list[shapely.Geometry]:
    """What a wall takes, as areas that overlap."""
    if np.all(breadth == breadth[0]):
        path = LinearRing(line) if closed and len(line) > 2 else LineString(line)
        return [path.buffer(float(breadth[0]) / 2, join_style="mitre", mitre_limit=_MITRE_LIMIT)]
    if closed:
        line = np.vstack([line, line[:1]])
    cuts = np.flatnonzero(np.diff(breadth)) + 1
    starts, stops = np.append(0, cuts), np.append(cuts, len(breadth))
    runs = [LineString(line[a : b + 1]) for a, b in zip(starts.tolist(), stops.tolist(), strict=True)]
    areas = shapely.buffer(
        np.array(runs, object), breadth[starts] / 2, quad_segs=4, join_style="mitre", mitre_limit=_MITRE_LIMIT
    )
    return list(areas)
