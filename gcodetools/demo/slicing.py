"""From a part's polygons to the beads of each layer, in the part's own frame.

A small maker of honest toolpaths, test and demo equipment and nothing more. Perimeters stand at the spacing
at which stadium-shaped beads leave no void (width - height (1 - pi/4)), so a bead's volume is its spacing
times its height times its length. Layers are cut at mid-height. Equal layers are planned once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from math import ceil, cos, hypot, pi, radians, sin

import numpy as np
from numpy.typing import NDArray
from shapely import (
    LineString,
    MultiLineString,
    Point,
    Polygon,
    affinity,
    intersection_all,
    prepare,
)
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from shapely.ops import substring

from gcodetools.demo.shapes import Part, Shape
from gcodetools.records import dataclass

__all__ = ["LayerPlan", "Path", "Recipe", "bead_area", "layer_count", "plan", "polygons", "void_free_spacing"]

F8 = NDArray[np.float64]
EMPTY = Polygon()


def bead_area(width: float, height: float) -> float:
    """Cross-section of a bead: a rectangle with round sides, mm2."""
    return (width - height) * height + pi * height * height / 4


def void_free_spacing(width: float, height: float) -> float:
    """Distance at which neighbouring beads leave no void: area over height, mm."""
    return bead_area(width, height) / height


@dataclass(frozen=True)
class Recipe:
    """How to print: lengths mm. `density` of sparse infill 0 to 1, `solid_layers` below and above."""

    layer_mm: float = 0.2
    width_mm: float = 0.45
    perimeters: int = 2
    density: float = 0.2
    solid_layers: int = 3

    @property
    def spacing_mm(self) -> float:
        return void_free_spacing(self.width_mm, self.layer_mm)

    def inset_mm(self, perimeter: int) -> float:
        """From the part's edge to the centre line of a perimeter, counted from 0 outside."""
        return self.width_mm / 2 + perimeter * self.spacing_mm


@dataclass(frozen=True)
class Path:
    """One bead or chain of beads: (k, 2) points, its feature, its width. `hole`: a loop around a hole."""

    feature: str
    points: F8
    width: float
    hole: bool = False

    @property
    def length_mm(self) -> float:
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())


@dataclass(frozen=True)
class LayerPlan:
    """The paths of one layer of one part, in printing order."""

    paths: tuple[Path, ...]
    section: Shape = field(repr=False)


def polygons(shape: BaseGeometry, least_area: float = 0.0) -> Iterator[Polygon]:
    """The polygons of any geometry, in a fixed order (left to right)."""
    parts = getattr(shape, "geoms", [shape])
    kept = [p for p in parts if isinstance(p, Polygon) and not p.is_empty and p.area > least_area]
    yield from sorted(kept, key=lambda p: (round(p.bounds[0], 6), round(p.bounds[1], 6)))


def inset(shape: BaseGeometry, by: float) -> BaseGeometry:
    """The shape shrunk by `by` (grown where negative), corners kept sharp."""
    return shape.buffer(-by, join_style="mitre", mitre_limit=3.0)


def opened(shape: BaseGeometry, by: float) -> BaseGeometry:
    """The shape without what is narrower than twice `by`."""
    return inset(inset(shape, by), -by)


def layer_count(part: Part, recipe: Recipe) -> int:
    """Layers of the part; the last is full if it is needed at all."""
    return ceil(part.height_mm / recipe.layer_mm - 1e-6)


def plan(part: Part, recipe: Recipe) -> list[LayerPlan]:
    """The part's layers from the bed upward. Layers with equal surroundings are one object."""
    count = layer_count(part, recipe)
    middles = [min((k + 0.5) * recipe.layer_mm, part.height_mm) for k in range(count)]
    sections = [part.section(z) for z in middles]
    names = [shape.wkb for shape in sections]
    reach = recipe.solid_layers
    known: dict[tuple[object, ...], LayerPlan] = {}
    layers = []
    for k in range(count):
        near = range(k - reach, k + reach + 1)
        key = (k % 2, *(names[n] if 0 <= n < count else None for n in near))
        if key not in known:
            around = [sections[n] if 0 <= n < count else EMPTY for n in near]
            known[key] = _plan_layer(around, part.seam, recipe, 45.0 if k % 2 == 0 else 135.0, k == 0)
        layers.append(known[key])
    return layers


def _plan_layer(
    around: list[Shape], seam: tuple[float, float], recipe: Recipe, angle: float, on_bed: bool
) -> LayerPlan:
    reach = len(around) // 2
    here, below = around[reach], around[reach - 1]
    above = around[reach + 1]
    air = EMPTY if on_bed else opened(here.difference(inset(below, -0.05)), 0.15)
    core = intersection_all([s for n, s in enumerate(around) if n != reach])
    paths: list[Path] = []
    for island in polygons(here, 0.1):
        paths += _perimeters(island, seam, recipe, air)
        room = inset(island, recipe.inset_mm(recipe.perimeters - 1) + recipe.spacing_mm / 2)
        paths += _fill_room(room, above, below, core, air, recipe, angle)
    return LayerPlan(tuple(paths), here)


def _perimeters(island: Polygon, seam: tuple[float, float], recipe: Recipe, air: BaseGeometry) -> list[Path]:
    """Loops from the inside out, the outermost last, and a line in each gap between them."""
    paths: list[Path] = []
    half = recipe.spacing_mm / 2
    for n in reversed(range(recipe.perimeters)):
        feature = "perimeter" if n else "outermost"
        loops = inset(island, recipe.inset_mm(n))
        for piece in polygons(loops):
            for ring, hole in [(piece.exterior, False), *((hole, True) for hole in piece.interiors)]:
                paths += _loop(LineString(ring.coords), feature, hole, seam, recipe, air)
        if n:
            free = inset(island, recipe.inset_mm(n - 1) + half)
            paths += _gaps(free.difference(inset(loops, -half)), recipe)
    return paths


def _loop(
    ring: LineString, feature: str, hole: bool, seam: tuple[float, float], recipe: Recipe, air: BaseGeometry
) -> list[Path]:
    """A closed loop from the vertex nearest to the seam on, cut where it runs over air."""
    # Sharp insets leave steps of a few micrometres at corners; nobody's nozzle follows those.
    smooth = Polygon(ring.coords).simplify(0.004)
    points = np.asarray(orient(smooth, -1.0 if hole else 1.0).exterior.coords)[:-1]
    first = int(np.argmin(np.hypot(points[:, 0] - seam[0], points[:, 1] - seam[1])))
    points = np.roll(points, -first, axis=0)
    points = np.vstack([points, points[:1]])
    line = LineString(points)
    if air.is_empty or not line.intersects(air):
        return [Path(feature, points, recipe.width_mm, hole)]
    cuts = _spans(line, air, 1.0)
    paths, reached = [], 0.0
    for start, stop in [*cuts, (line.length, line.length)]:
        if start - reached > 1e-6:
            paths.append(_stretch(line, reached, start, feature, recipe, hole))
        if stop - start > 1e-6:
            paths.append(_stretch(line, start, stop, "overhang", recipe, hole))
        reached = stop
    return paths


def _stretch(line: LineString, start: float, stop: float, feature: str, recipe: Recipe, hole: bool) -> Path:
    return Path(feature, np.asarray(substring(line, start, stop).coords), recipe.width_mm, hole)


def _spans(line: LineString, region: BaseGeometry, least: float) -> list[tuple[float, float]]:
    """Where the line runs through the region, as distances along it; shorter spans than `least` left out."""
    corners = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.asarray(line.coords), axis=0).T))])
    crossings = line.intersection(region.boundary)
    met = [line.project(Point(p)) for g in getattr(crossings, "geoms", [crossings]) for p in g.coords]
    stops = np.unique(np.concatenate([corners, met]))
    middles = (stops[:-1] + stops[1:]) / 2
    prepare(region)
    inside = [region.covers(line.interpolate(m)) for m in middles]
    spans: list[tuple[float, float]] = []
    for start, stop, within in zip(stops[:-1].tolist(), stops[1:].tolist(), inside, strict=True):
        if not within:
            continue
        if spans and start - spans[-1][1] < 0.5:
            spans[-1] = (spans[-1][0], stop)
        else:
            spans.append((start, stop))
    return [span for span in spans if span[1] - span[0] >= least]


def _gaps(left: BaseGeometry, recipe: Recipe) -> list[Path]:
    """One line along each narrow strip that perimeters leave, as wide as fills the strip."""
    paths = []
    for strip in polygons(left, 0.15):
        corners = np.asarray(strip.minimum_rotated_rectangle.exterior.coords)
        sides = np.hypot(*np.diff(corners[:3], axis=0).T)
        short, long = float(sides.min()), float(sides.max())
        spacing = strip.area / long if long else 0.0
        if not 0.2 <= spacing <= 0.6 or strip.area < 0.75 * short * long:
            continue
        turn = int(np.argmin(sides))
        ends = (corners[turn] + corners[turn + 1]) / 2, (corners[turn + 2] + corners[(turn + 3) % 4]) / 2
        along = (ends[1] - ends[0]) / long
        trim = min(spacing / 2, long / 2 - 0.1)
        points = np.array([ends[0] + along * trim, ends[1] - along * trim])
        paths.append(Path("gap", points, spacing + recipe.layer_mm * (1 - pi / 4)))
    return paths


def _fill_room(
    room: BaseGeometry,
    above: Shape,
    below: Shape,
    core: BaseGeometry,
    air: BaseGeometry,
    recipe: Recipe,
    angle: float,
) -> list[Path]:
    """Inside the perimeters: bridges over air, skins, solid under and over skins, sparse elsewhere."""
    paths: list[Path] = []
    for piece in polygons(room, 0.02):
        if 2 * piece.area / piece.length < 0.5:
            paths += _gaps(piece, recipe)
            continue
        bridged = EMPTY
        for hollow in polygons(air, 2.0):
            over = piece.intersection(inset(hollow, -0.6))
            if over.area > 1.0:
                paths += _hatch(over, recipe, "bridge", _span_angle(hollow), 1.0)
                bridged = bridged.union(over)
        rest = piece.difference(bridged)
        bottom = opened(rest.difference(below), 0.1)
        top = opened(rest.difference(above).difference(bottom), 0.1)
        skinned = rest.difference(bottom).difference(top)
        solid = opened(skinned.difference(core), 0.1)
        sparse = skinned.difference(solid)
        for region, feature, density in (
            (bottom, "bottom", 1.0),
            (solid, "solid", 1.0),
            (top, "top", 1.0),
            (sparse, "sparse", recipe.density),
        ):
            paths += _hatch(region, recipe, feature, angle, density)
    return paths


def _span_angle(hollow: Polygon) -> float:
    """Direction of the shorter side of a hollow: across it a bridge is shortest. Degrees."""
    corners = np.asarray(hollow.minimum_rotated_rectangle.exterior.coords)
    steps = np.diff(corners[:3], axis=0)
    dx, dy = steps[int(np.argmin(np.hypot(*steps.T)))]
    return float(np.degrees(np.arctan2(dy, dx))) % 180.0


def _hatch(region: BaseGeometry, recipe: Recipe, feature: str, angle: float, density: float) -> list[Path]:
    """Parallel lines through the region, joined to zigzags where the join stays inside."""
    spacing = recipe.spacing_mm / density
    field_ = inset(region, recipe.spacing_mm / 2 - 0.1)
    paths = []
    for piece in polygons(field_, 0.01):
        turned = affinity.rotate(piece, -angle, origin=(0, 0))
        chains = _nearest_first(_chains(turned, spacing))
        c, s = cos(radians(angle)), sin(radians(angle))
        back = np.array([[c, s], [-s, c]])
        paths += [Path(feature, np.asarray(chain) @ back, recipe.width_mm) for chain in chains]
    return paths


Chain = list[tuple[float, float]]


def _chains(piece: Polygon, spacing: float) -> list[Chain]:
    """Zigzags along x through the piece; rows lie at multiples of the spacing, so layers stack."""
    left, bottom, right, top = piece.bounds
    first, last = ceil(bottom / spacing - 0.5), int(np.floor(top / spacing - 0.5))
    rows = [(n + 0.5) * spacing for n in range(first, last + 1)]
    if not rows:
        return []
    scan = MultiLineString([[(left - 1, y), (right + 1, y)] for y in rows])
    found = piece.intersection(scan)
    lines = [g for g in getattr(found, "geoms", [found]) if isinstance(g, LineString) and g.length > 0.35]
    ordered = sorted((round(g.coords[0][1], 6), *sorted((g.coords[0][0], g.coords[-1][0]))) for g in lines)
    prepare(piece)
    roomy = piece.buffer(1e-6)
    prepare(roomy)
    chains: list[Chain] = []
    for y, x0, x1 in ordered:
        _attach(chains, y, x0, x1, spacing, roomy)
    return chains


def _attach(chains: list[Chain], y: float, x0: float, x1: float, spacing: float, roomy: BaseGeometry) -> None:
    """Continue the chain that ends a row below near this line, or begin one."""
    for chain in reversed(chains):
        end = chain[-1]
        if y - end[1] > 1.5 * spacing or y - end[1] < 0.5 * spacing:
            continue
        near, far = ((x0, y), (x1, y)) if abs(end[0] - x0) <= abs(end[0] - x1) else ((x1, y), (x0, y))
        if abs(near[0] - end[0]) <= 2 * spacing and roomy.covers(LineString([end, near])):
            chain += [near, far]
            return
    chains.append([(x0, y), (x1, y)])


def _nearest_first(chains: list[Chain]) -> list[Chain]:
    """Order chains so that each begins near the end of the one before."""
    left, ordered = list(chains), []
    x, y = left[0][0] if left else (0.0, 0.0)
    while left:
        best = min(range(len(left)), key=lambda n: _reach(left[n], x, y))
        chain = left.pop(best)
        if hypot(chain[-1][0] - x, chain[-1][1] - y) < hypot(chain[0][0] - x, chain[0][1] - y):
            chain.reverse()
        ordered.append(chain)
        x, y = chain[-1]
    return ordered


def _reach(chain: Chain, x: float, y: float) -> float:
    return min(hypot(chain[0][0] - x, chain[0][1] - y), hypot(chain[-1][0] - x, chain[-1][1] - y))
