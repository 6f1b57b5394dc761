"""What a file's own beads measure: fill, pitch, widths, overlap, the direction of a layer's fill.

All by robust middles over the layers above the first. A strip is A / h, the mm3 per mm of a bead over its
layer's height: the pitch at which such beads would fill their layer wholly. Lengths mm.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.records import dataclass
from gcodetools.toolpath.apart import (
    LONG_MM,
    NEIGHBOURS,
    POINTS,
    densest,
    distances,
    ends_of,
    line_pitch,
)
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.islands import Island, of_layer
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.remembered import Remembered
from gcodetools.toolpath.walls import (
    Area,
    Wall,
    bead_areas,
    breadths,
    space_within,
    walls_of,
    weighted_median,
)

__all__ = ["Measure", "measure"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_OUTERMOST, _PERIMETER, _SOLID, _GAP, _SPARSE = (
    FEATURE_INDEX[w] for w in ("outermost", "perimeter", "solid", "gap", "sparse")
)
_FILL = tuple(FEATURE_INDEX[w] for w in ("solid", "sparse", "bridge", "gap", "overhang"))
_NOZZLES_MM = (0.4, 0.6, 0.8, 0.25, 1.0, 0.5, 0.3, 0.2, 0.15, 1.2)  # the most common first, no source
_WIDTH_A_NOZZLE = 1.125  # common practice, no source: widths of 1.05 to 1.2 nozzles
_WIDTHS = (0.88, 1.45)  # of a nozzle, that its beads may well have; common practice, no source
_USUAL_WIDTH_MM, _USUAL_HEIGHT_MM = 0.45, 0.2  # of a plate that has no walls; common practice, no source
_LEAST_STRIP_MM = 0.05  # half of the finest nozzle; common practice, no source
_USUAL_OVERLAP = 0.25  # of a breadth, where no fill ends at an edge; common practice, no source
_FILLS = (0.75, 1.25)  # outside, an island is not solid, or its height is not what it seems
_WITHIN = (0.975, 1.01)  # of the fill of solid islands: so far perimeters may stand off it
_LAYERS = 12  # of each kind that are looked at
_ISLANDS = 4  # the largest of each layer
_FEW_ENDS = 24  # of lines of fill, that tell no habit
_ROWS = 200_000
_REACH = 0.7  # breadths beside a solid line that count as covered by it
_HOLLOW = 0.05  # share of a space that solid lines may leave uncovered


@dataclass(frozen=True, slots=True)
class Measure:
    """Of one plate or instance.

    fill : q, by which new beads are laid: that of the file's perimeters side by side, kept within what its
    solid work holds (`_WITHIN`). Where fill overlaps walls the two differ, and by how much depends on the
    size of the islands. fill_from : "perimeters" (their flow and pitch), "solid" (the file lays no two
    loops side by side, or they stand outside that range), "assumed" (neither: 1). wall_fill : of perimeters
    side by side, A / (h pitch): by it walls take their breadth. solid_fill : bead volume over area times
    height of islands that are solid throughout, None without any; the area is what beads take of it, half
    their breadth to either side of their centre lines, so the rounded edge outside does not count.
    height_mm : of the layers measured. pitch_mm : between neighbouring inner perimeters. area_mm2 : mm3 per
    mm of an inner perimeter (outermost if there is none) at that height, outer_area_mm2 : of an outermost
    bead, solid_area_mm2 : of a solid line. width_mm : of an inner perimeter, by marks, else from E.
    nozzle_mm : of the settings, else guessed by the width; nozzle_from : "settings" or "guessed".
    solid_pitch_mm : between its solid lines. overlap_mm : how far solid beads, half their breadth counted,
    reach beyond the edge of the space; 0 and more. usual_from : "beads", or "practice" where the plate has
    no walls and all of this is common practice, no source.
    """

    fill: float
    fill_from: str
    wall_fill: float
    solid_fill: float | None
    height_mm: float
    pitch_mm: float
    area_mm2: float
    outer_area_mm2: float
    solid_area_mm2: float
    width_mm: float
    nozzle_mm: float
    nozzle_from: str
    solid_pitch_mm: float
    overlap_mm: float
    usual_from: str = "beads"

    @property
    def breadth_mm(self) -> float:
        """Breadth of an inner perimeter of the file."""
        return self.area_mm2 / (self.height_mm * self.wall_fill)

    @property
    def solid_breadth_mm(self) -> float:
        """Breadth of a solid line of the file."""
        return self.solid_area_mm2 / (self.height_mm * self.fill)


_MEASURES: Remembered[Measure] = Remembered()


def measure(plate: Plate, rows: NDArray[np.generic] | None = None) -> Measure:
    """Measure a plate's beads, or those of `rows` (a mask over all moves, or indices)."""
    if rows is None:
        return _MEASURES.of(plate, lambda: _measured(plate, None))
    mask = rows.astype(bool) if rows.dtype == np.bool_ else np.zeros(len(plate.beads.feature), bool)
    if rows.dtype != np.bool_:
        mask[rows.astype(np.int64)] = True
    return _measured(plate, mask)


def _measured(plate: Plate, mask: Bool | None) -> Measure:
    own = _above_first(plate, mask)
    length = _lengths_by_feature(plate, own)
    perimeters = _some(own, plate, _PERIMETER)
    outermost = _some(own, plate, _OUTERMOST)
    walls = perimeters if len(perimeters) else outermost
    if len(walls) == 0:
        return _practice(plate)
    height = weighted_median(plate.layers.height_mm[plate.beads.layer[walls]], plate.beads.length_mm[walls])
    strip = _strip(plate, walls) or _USUAL_WIDTH_MM
    outer = _strip(plate, outermost) or strip
    solid_rows = _some(own, plate, _SOLID)
    solid = _strip(plate, solid_rows) or strip
    some = _spread(np.flatnonzero(length[:, _PERIMETER] > 0), _LAYERS)
    pitch = _pitch(plate, some, mask, strip, outer)
    wall_fill = float(np.clip(strip / pitch, *_FILLS)) if pitch else 1.0
    width = plate.beads.width[walls].astype(np.float64)
    known = np.isfinite(width)
    wide = weighted_median(width[known], plate.beads.length_mm[walls[known]])
    nozzle = plate.settings.nozzle_diameter_mm
    rough = Measure(
        fill=wall_fill,
        fill_from="perimeters" if pitch else "assumed",
        wall_fill=wall_fill,
        solid_fill=None,
        height_mm=height,
        pitch_mm=pitch or strip,
        area_mm2=strip * height,
        outer_area_mm2=outer * height,
        solid_area_mm2=solid * height,
        width_mm=wide,
        nozzle_mm=nozzle or guessed_nozzle(wide),
        nozzle_from="settings" if nozzle else "guessed",
        solid_pitch_mm=line_pitch(plate, solid_rows, solid) or solid / wall_fill,
        overlap_mm=0.0,
    )
    gauge = _filled(rough, _fill(plate, _solid_layers(length), mask, rough))
    return replace(gauge, overlap_mm=_overlap(plate, mask, gauge, length))


def _filled(rough: Measure, solid: float | None) -> Measure:
    """With the fill of solid islands, where there are any."""
    if solid is None:
        return rough
    if rough.fill_from == "assumed":
        pitch = rough.pitch_mm * rough.wall_fill / solid
        return replace(
            rough, fill=solid, fill_from="solid", wall_fill=solid, solid_fill=solid, pitch_mm=pitch
        )
    fill = float(np.clip(rough.wall_fill, _WITHIN[0] * solid, _WITHIN[1] * solid))
    source = "perimeters" if fill == rough.wall_fill else "solid"
    return replace(rough, fill=fill, fill_from=source, solid_fill=solid)


def guessed_nozzle(width_mm: float) -> float:
    """The most common nozzle that lays beads of that width, else the one nearest; common practice, no source."""
    fit = (d for d in _NOZZLES_MM if _WIDTHS[0] * d <= width_mm <= _WIDTHS[1] * d)
    return next(fit, min(_NOZZLES_MM, key=lambda d: abs(np.log(width_mm / _WIDTH_A_NOZZLE / d))))


def _practice(plate: Plate) -> Measure:
    """Of a plate without walls."""
    height = float(np.median(plate.layers.height_mm)) if len(plate.layers) else _USUAL_HEIGHT_MM
    nozzle = plate.settings.nozzle_diameter_mm
    width = nozzle * _WIDTH_A_NOZZLE if nozzle else _USUAL_WIDTH_MM
    strip = width - height * (1 - np.pi / 4)
    area = strip * height
    return Measure(
        1.0, "assumed", 1.0, None, height, strip, area, area, area, width, nozzle or guessed_nozzle(width),
        "settings" if nozzle else "guessed", strip, _USUAL_OVERLAP * strip, "practice",
    )  # fmt: skip


def _above_first(plate: Plate, mask: Bool | None) -> I8:
    """Rows of the part's beads above each run's first layer; all where there is no more."""
    beads, layers = plate.beads, plate.layers
    own = (beads.feature != 0) & (beads.layer >= 0)
    if mask is not None:
        own &= mask
    if len(layers) == 0:
        return np.flatnonzero(own)
    first = np.concatenate([[True], np.diff(layers.run) != 0]) | layers.raft
    above = own & ~first[beads.layer]
    rows: I8 = np.flatnonzero(above if np.any(above) else own)
    return rows


def _some(own: I8, plate: Plate, feature: int) -> I8:
    rows: I8 = own[plate.beads.feature[own] == feature]
    return rows[:: len(rows) // _ROWS + 1]


def _lengths_by_feature(plate: Plate, own: I8) -> F8:
    """(layers, features) mm."""
    count = max(len(FEATURE_INDEX), int(plate.beads.feature.max(initial=0)) + 1)
    at = plate.beads.layer[own].astype(np.int64) * count + plate.beads.feature[own]
    total = np.bincount(at, plate.beads.length_mm[own], len(plate.layers) * count)
    return total.astype(np.float64).reshape(-1, count)


def _spread(layers: I8, count: int) -> I8:
    """So many of the layers, evenly."""
    if len(layers) <= count:
        return layers
    nth = np.linspace(0, len(layers) - 1, count).round().astype(int)
    some: I8 = layers[nth]
    return some


def _strip(plate: Plate, rows: I8) -> float | None:
    """Usual mm3 per mm over layer height; of beads that a nozzle can lay, where most are none."""
    area = bead_areas(plate, rows) / plate.layers.height_mm[plate.beads.layer[rows]]
    for least in (0.0, _LEAST_STRIP_MM):
        known = np.isfinite(area) & (area > least)
        if not np.any(known):
            return None
        usual = weighted_median(area[known], plate.beads.length_mm[rows[known]])
        if usual > _LEAST_STRIP_MM:
            break
    return usual


def _largest(plate: Plate, layers: I8, mask: Bool | None) -> Iterator[tuple[float, Island, list[Wall]]]:
    """Height, island and walls of the largest islands of some layers."""
    for layer in layers.tolist():
        islands = sorted(of_layer(plate, layer, mask), key=lambda i: -float(i.polygon.area))[:_ISLANDS]
        for island, walls in zip(islands, walls_of(plate, islands), strict=True):
            yield float(plate.layers.height_mm[layer]), island, walls


def _solid_layers(length: F8) -> I8:
    """Layers of which most of the fill is solid, the more so the earlier."""
    fill = length[:, list(_FILL)].sum(axis=1)
    solid = length[:, _SOLID] + length[:, _GAP]
    found = np.flatnonzero((length[:, _SOLID] > LONG_MM) & (solid > 0.3 * fill))
    order = np.argsort(-np.round(solid[found] / fill[found], 2), kind="stable")
    best = found[order]
    whole = best[solid[best] > 0.999 * fill[best]]
    return _spread(whole, _LAYERS) if len(whole) >= 3 else best[:_LAYERS]


def _fill(plate: Plate, layers: I8, mask: Bool | None, gauge: Measure) -> float | None:
    """q of the islands that are solid throughout."""
    values, weights = [], []
    for height, island, walls in _largest(plate, layers, mask):
        if _solid_throughout(plate, island, walls, gauge, height):
            q = _fill_of(plate, island, gauge, height)
            if _FILLS[0] <= q <= _FILLS[1]:
                values.append(q)
                weights.append(float(island.polygon.area))
    return weighted_median(np.array(values), np.array(weights)) if values else None


def _solid_throughout(
    plate: Plate, island: Island, walls: list[Wall], gauge: Measure, height_mm: float
) -> bool:
    """Whether solid lines and walls cover an island."""
    feature = plate.beads.feature[island.rows]
    length = plate.beads.length_mm[island.rows]
    fill = np.isin(feature, _FILL)
    solid = (feature == _SOLID) | (feature == _GAP)
    if not np.any(feature == _SOLID) or length[fill & ~solid].sum() > 0.001 * length[fill].sum():
        return False
    edge = [w for w in walls if w.outermost]
    if not edge or not all(w.closed for w in edge):
        return False
    space = space_of(island.polygon, walls, height_mm, gauge)
    x, y = _points_in(space)
    if len(x) == 0:
        return False
    ends = ends_of(plate, island.rows[solid])
    far = _REACH * gauge.solid_breadth_mm
    return bool(_beside(ends, x, y, far).mean() > 1 - _HOLLOW)


def _points_in(space: Area) -> tuple[F8, F8]:
    """Points spread evenly over an area."""
    if space.is_empty:
        return np.empty(0), np.empty(0)
    low_x, low_y, high_x, high_y = space.bounds
    count = int(min(POINTS * (high_x - low_x) * (high_y - low_y) / space.area, 20 * POINTS))
    # Multiples of the powers of the plastic number fill a square evenly and meet no pitch of lines.
    nth = np.arange(1, count + 1)
    x = low_x + (high_x - low_x) * (nth * 0.7548776662466927 % 1)
    y = low_y + (high_y - low_y) * (nth * 0.5698402909980532 % 1)
    shapely.prepare(space)
    inside = shapely.intersects_xy(space, x, y)
    return x[inside], y[inside]


def _beside(ends: tuple[F8, F8, F8, F8], px: F8, py: F8, far: float) -> Bool:
    """Which points lie within `far` of a line."""
    x, y, dx, dy = ends
    corners = np.stack([np.column_stack([x, y]), np.column_stack([x + dx, y + dy])], axis=1)
    tree = shapely.STRtree(shapely.linestrings(corners))
    near, _ = tree.query(shapely.points(px, py), predicate="dwithin", distance=far)
    found = np.zeros(len(px), bool)
    found[near] = True
    return found


def _fill_of(plate: Plate, island: Island, gauge: Measure, height_mm: float) -> float:
    """Volume of an island over its height and the area that its beads take: as far as half the breadth of
    the outermost ones, which is found along with it."""
    length = plate.beads.length_mm[island.rows]
    outer = plate.beads.feature[island.rows] == _OUTERMOST
    width = float(np.average(plate.beads.width[island.rows[outer]], weights=length[outer]))
    volume = float(np.nansum(bead_areas(plate, island.rows.astype(np.int64)) * length))
    q = volume / (height_mm * float(island.polygon.area))
    for _ in range(3):
        inset = (width - gauge.outer_area_mm2 / (gauge.height_mm * q)) / 2
        area = float(island.polygon.buffer(-inset, join_style="mitre").area)
        q = volume / (height_mm * max(area, 1e-9))
    return q


def _pitch(plate: Plate, layers: I8, mask: Bool | None, strip: float, outer: float) -> float | None:
    """Distance between neighbouring inner perimeters; where each wall has but one, by its distance to the
    outermost, which is half a breadth of each."""
    found: list[tuple[F8, F8, bool]] = []
    for _, island, walls in _largest(plate, layers, mask):
        found += distances(island.polygon, walls, strip)
    limits = (NEIGHBOURS[0] * strip, NEIGHBOURS[1] * strip)
    between, beside = (
        densest([f for f, _, e in found if e == edge], [w for _, w, e in found if e == edge], limits, strip)
        for edge in (False, True)
    )
    if between is not None:
        return between
    return beside * 2 * strip / (strip + outer) if beside is not None else None


def _overlap(plate: Plate, mask: Bool | None, gauge: Measure, length: F8) -> float:
    """How far the ends of lines of fill reach beyond the edge of the space."""
    word = _SOLID if np.any(length[:, _SOLID] > 0) else _SPARSE
    half = gauge.solid_breadth_mm / 2
    depths = []
    layers = _spread(np.flatnonzero(length[:, word] > 0), _LAYERS)
    for height, island, walls in _largest(plate, layers, mask):
        rows = island.rows[plate.beads.feature[island.rows] == word].astype(np.int64)
        rows = rows[plate.beads.length_mm[rows] > LONG_MM][:POINTS]
        if len(rows) and walls:
            depths.append(_depths(plate, rows, space_of(island.polygon, walls, height, gauge)))
    inset = densest(depths, [np.ones(len(d)) for d in depths], (-2 * half, 2 * half), 2 * half)
    if inset is None or sum(map(len, depths)) < _FEW_ENDS:
        return _USUAL_OVERLAP * 2 * half
    return max(half - inset, 0.0)


def _depths(plate: Plate, rows: I8, space: Area) -> F8:
    """How deep the ends of lines lie inside the space; below 0 outside."""
    if space.is_empty:
        return np.empty(0)
    x, y, dx, dy = ends_of(plate, rows)
    x, y = np.concatenate([x, x + dx]), np.concatenate([y, y + dy])
    shapely.prepare(space)
    far: F8 = shapely.distance(shapely.points(x, y), space.boundary)
    return np.where(shapely.intersects_xy(space, x, y), far, -far)


def space_of(polygon: Polygon, walls: list[Wall], height_mm: float, gauge: Measure) -> Area:
    """What is free inside an island's walls, by the plate's measures."""
    return space_within(polygon, walls, breadths_of(walls, height_mm, gauge), gauge.breadth_mm)


def breadths_of(walls: list[Wall], height_mm: float, gauge: Measure) -> list[F8]:
    """Breadths of the stretches of each wall."""
    share = height_mm / gauge.height_mm
    return [
        breadths(
            w, height_mm, gauge.wall_fill, share * (gauge.outer_area_mm2 if w.outermost else gauge.area_mm2)
        )
        for w in walls
    ]
