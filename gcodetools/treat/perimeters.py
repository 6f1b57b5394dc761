"""`perimeters` and `infill: solid`: new beads inside the walls, and the fill that gives way to them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft, Run
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.beads import bead_area_mm2
from gcodetools.toolpath.hatch import hatch
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Measure, fill_direction, measure
from gcodetools.toolpath.strands import Filled, Gauge, Strand, fill_room
from gcodetools.toolpath.style import style_at
from gcodetools.toolpath.walls import filament_mm2
from gcodetools.treat.carry import Below, carried
from gcodetools.treat.hops import add_hops
from gcodetools.treat.intervals import cut_strands, in_polygon, in_solid, segments
from gcodetools.treat.laying import MOST_PULLS, Bead, Recipe, lay, moves_of
from gcodetools.treat.links import ground_of
from gcodetools.treat.memory import remembered
from gcodetools.treat.replacing import Replaced, band_of, replaced
from gcodetools.treat.rows import with_useless
from gcodetools.treat.seams import seams_of
from gcodetools.treat.sites import Laid, Site, Sites
from gcodetools.treat.target import Bounds, Done
from gcodetools.treat.told import LayerTold, told

__all__ = ["Plan", "plan", "settle"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

LEAST, TWIN, MOST = 0.6, 1.5, 1.8  # nozzles: the thinnest bead, two rather than one above, the widest
_SHORTEST = 2.0  # breadths: an open bead shorter than this is a dot
_ROOM = 0.05  # mm2, below which there is no room at all

Item = tuple[RegionHit, Pose, Treatment, str]


@dataclass(slots=True)
class Plan:
    """What the geometry of a plate comes to: stretches of rows that go, runs of new moves, answers.

    sites : the instances' sites, for the ways that removals leave behind.
    """

    row: I8 = field(default_factory=lambda: np.empty(0, np.int64))
    t0: F8 = field(default_factory=lambda: np.empty(0))
    t1: F8 = field(default_factory=lambda: np.empty(0))
    runs: list[Run] = field(default_factory=list)
    done: dict[tuple[str, int, str, str], Done] = field(default_factory=dict)
    sites: list[Sites] = field(default_factory=list)

    @property
    def cuts(self) -> tuple[I8, F8]:
        """Where beads are cut for it: rows and fractions."""
        inner0, inner1 = self.t0 > 0.0, self.t1 < 1.0
        rows = np.concatenate([self.row[inner0], self.row[inner1]])
        return rows, np.concatenate([self.t0[inner0], self.t1[inner1]])


def plan(plate: Plate, work: Iterable[Item], bounds: Bounds) -> Plan:
    """Plan new beads for every region that asks for perimeters or solid infill."""
    result = Plan()
    by_instance: dict[tuple[str, int], Sites] = {}
    for hit, pose, treatment, _ in work:
        if treatment.perimeters is None and treatment.infill is None:
            continue
        key = (pose.part, pose.instance)
        if key not in by_instance:
            by_instance[key] = Sites(plate, pose, measure(plate))
        builder = _Builder(plate, by_instance[key], hit, pose, treatment, bounds)
        for setting, done in builder.build().items():
            result.done[(hit.part, hit.instance, hit.region, setting)] = done
    result.sites = list(by_instance.values())
    gone: list[tuple[I8, F8, F8]] = []
    for sites in result.sites:
        for layer, site in sites.all():
            gone += site.gone
            result.runs += _runs(plate, sites, site, layer, bounds)
    result.runs.sort(key=lambda run: run.row)
    if gone:
        row, t0, t1 = (np.concatenate(columns) for columns in zip(*gone, strict=True))
        order = np.lexsort((t0, row))
        result.row, result.t0, result.t1 = with_useless(plate, row[order], t0[order], t1[order])
    return result


class _Builder:
    """Strands of one region of one instance, layer by layer from below."""

    def __init__(
        self, plate: Plate, sites: Sites, hit: RegionHit, pose: Pose, treatment: Treatment, bounds: Bounds
    ) -> None:
        self.plate, self.sites, self.hit, self.pose = plate, sites, hit, pose
        self.treatment, self.bounds = treatment, bounds
        self.name = f"{hit.part}#{hit.instance}/{hit.region}"
        self._below: tuple[int, Below] | None = None
        self.told: dict[str, list[LayerTold]] = {"perimeters": [], "infill": []}

    def build(self) -> dict[str, Done]:
        """Lay strands on every layer of the region; the answers by setting."""
        setting = self.treatment.perimeters
        from_below = setting.from_below if setting is not None else 0
        first, last = self.hit.layers
        for layer in self.sites.plate_layers(max(1, first - from_below), last):
            for site in self.sites.at(layer):
                if setting is not None:
                    self._perimeters(site, layer)
                if self.treatment.infill is not None and site.layer >= first:
                    self._infill(site, layer)
        return {
            key: told(self.hit, key, self.treatment, layers)
            for key, layers in self.told.items()
            if getattr(self.treatment, key) is not None
        }

    def _perimeters(self, site: Site, layer: int) -> None:
        setting = self.treatment.perimeters
        assert setting is not None
        why = self._unfit(site)
        space = site.room.space
        if why or space.area < _ROOM:
            self._tell("perimeters", site, why=why or "no room inside the walls")
            return
        gauge = _gauge(self.sites.gauge, site.room.height_mm)
        count = None if setting.fill else setting.add
        strands: list[Strand] = []
        filled: list[Filled] = []
        for part in shapely.get_parts(space).tolist():
            filled.append(_filled(part, gauge, count))
            strands += filled[-1].strands
        self._lay("perimeters", site, layer, strands, setting.over_air, filled)

    def _infill(self, site: Site, layer: int) -> None:
        why = self._unfit(site)
        free = site.free
        if not why and free.area < _ROOM:
            why = "no room left inside the walls"
        if not why and site.room.solid.area > 0.98 * site.room.space.area:
            why = "solid already"
        if why:
            self._tell("infill", site, why=why)
            return
        gauge = self.sites.gauge
        direction = fill_direction(self.plate, site.room)
        if direction is None:
            direction = np.pi / 4 if site.layer % 2 else 3 * np.pi / 4
        free = free.difference(site.room.solid) if not site.room.solid.is_empty else free
        strands: list[Strand] = []
        origin = (self.pose.x_mm, self.pose.y_mm)
        for part in shapely.get_parts(free).tolist():
            if part.area > _ROOM:
                strands += hatch(part, gauge.solid_pitch_mm, direction, origin, gauge.overlap_mm)
        over_air = self.treatment.perimeters is not None and self.treatment.perimeters.over_air
        self._lay("infill", site, layer, strands, over_air, [])

    def _unfit(self, site: Site) -> str:
        """Why nothing can be laid on a site; empty for nothing."""
        room = site.room
        if len(room.wall_rows) == 0:
            return "no perimeter to lay them against"
        moves = self.plate.program.moves
        if float(np.ptp(moves.z[room.wall_rows])) > 1e-6:
            return "a spiral vase: its wall climbs"
        lines = moves.line[np.concatenate([room.wall_rows[-1:], room.fill_rows])]
        states = self.plate.program.states
        if np.any(states.xyz_relative.at(lines) == 1.0):
            return "the file moves in relative coordinates there"
        if self.plate.program.lines.text(int(lines[0])).lstrip()[:1] in (b"N", b"n"):
            return "the file numbers its lines, which can be neither left out nor added to"
        return ""

    def _lay(
        self, key: str, site: Site, layer: int, strands: list[Strand], over_air: bool, filled: list[Filled]
    ) -> None:
        """Keep what lies in the region and is carried, order it, and let the fill give way."""
        asked = self._within(strands, site)
        if not asked:
            self._tell(key, site, filled=filled, why="none of it lies in the region" if strands else "")
            return
        gauge = self.sites.gauge
        sides = site.room.island.polygon if over_air else site.walls
        held = carried(asked, self._under(layer), sides, gauge.pitch_mm, gauge.width_mm)
        beads = [
            Bead(strand, bool(bridge))
            for strand, bridge in zip(held.strands, held.bridge, strict=True)
            if _long_enough(strand)
        ]
        dots = sum(_size(s) for s in held.strands if not _long_enough(s))
        laid, unreached = self._reached(site, beads)
        beads = [bead for _, bead in laid.beads]
        crumbs = (0, 0.0)
        if beads:
            site.laid.append(laid)
            band = band_of([bead.strand for bead in beads])
            gave = self._give_way(site, band)
            site.taken = band if site.taken.is_empty else shapely.union(site.taken, band)
            crumbs = gave.crumbs, gave.crumbs_mm
        self._tell(
            key, site, beads=beads, filled=filled, open_mm=held.open_mm, dots_mm=dots,
            unreached_mm=sum(_size(b.strand) for b in unreached), crumbs=crumbs,
        )  # fmt: skip

    def _within(self, strands: list[Strand], site: Site) -> list[Strand]:
        """Parts of strands in the region, clear of what earlier regions have laid."""
        if not strands:
            return []
        begin, end, owner = segments(strands)
        moves, half = self.plate.program.moves, round(site.room.height_mm, 6) / 2
        z = float(moves.z[site.room.wall_rows[-1]])
        # Layers begun below the region take its shape at its own lowest layer.
        layer = max(site.layer, self.hit.layers[0])
        z_part = max((z - half - self.pose.z_mm) / self.pose.scale, self.hit.z_mm[0])
        assert self.hit.solid is not None
        inside = in_solid(begin, end, self.hit.solid, self.pose, z_part, layer)
        strands = cut_strands(strands, owner, inside)
        if strands and not site.taken.is_empty:
            begin, end, owner = segments(strands)
            # Their footprints may touch, so centre lines keep half a breadth away.
            clear = site.room.space.difference(site.taken.buffer(0.45 * self.sites.gauge.pitch_mm))
            strands = cut_strands(strands, owner, in_polygon(begin, end, clear))
        return strands

    def _under(self, layer: int) -> Below:
        """What lies under a layer, which this region has done with."""
        if self._below is None or self._below[0] != layer:
            self._below = layer, self.sites.below(layer)
        return self._below[1]

    def _reached(self, site: Site, beads: list[Bead]) -> tuple[Laid, list[Bead]]:
        """Beads that can be laid with the retractions allowed, in order; those that can't."""
        here, back = site.laid[-1].end if site.laid else _anchor(self.plate, site)
        ground = ground_of(site.room.island.polygon, self.sites.gauge.width_mm)
        seams = seams_of(site.room)
        ordered, left = lay(beads, here, ground, seams, MOST_PULLS - site.pulls)
        site.pulls += sum(way.leaves for way, _ in ordered)
        return Laid(self.name, ordered, here, back, self.treatment), left

    def _give_way(self, site: Site, band: shapely.Geometry) -> Replaced:
        """Cut the fill at the band's edge; where room is left beside it, by the file's own overlap within."""
        zone = _zone(site.free, band, site.walls, self.sites.gauge.overlap_mm)
        found = replaced(self.plate, site.room.fill_rows, zone)
        site.gone.append((found.row, found.t0, found.t1))
        return found

    def _tell(self, key: str, site: Site, **what: object) -> None:
        self.told[key].append(LayerTold.of(site, key, **what))  # type: ignore[arg-type]


@remembered(256)
def _zone(
    free: shapely.Geometry, band: shapely.Geometry, walls: shapely.Geometry, overlap_mm: float
) -> shapely.Geometry:
    """Where fill goes: the band, and the walls, which fill reaches into; but for what keeps its overlap."""
    edge = shapely.union(band, walls)
    if overlap_mm <= 0:
        return edge
    left = free.difference(band)
    return edge.difference(shapely.buffer(left, overlap_mm, quad_segs=2))


def _gauge(measured: Measure, height_mm: float) -> Gauge:
    """Breadths of beads 0.6, 1.5 and 1.8 nozzles wide."""
    width = np.array([LEAST, TWIN, MOST]) * measured.nozzle_mm
    least, twin, most = bead_area_mm2(width, np.full(3, height_mm)) / (height_mm * measured.fill)
    return Gauge(measured.pitch_mm, float(least), float(twin), float(most))


@remembered(512)
def _filled(room: shapely.Polygon, gauge: Gauge, count: int | None) -> Filled:
    """`fill_room`, once for rooms that are alike."""
    return fill_room(room, gauge, count)


def _size(strand: Strand) -> float:
    points = np.vstack([strand.points, strand.points[:1]]) if strand.closed else strand.points
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def _long_enough(strand: Strand) -> bool:
    return _size(strand) >= _SHORTEST * float(strand.breadth.max())


def _anchor(plate: Plate, site: Site) -> tuple[F8, F8]:
    """Where the last wall bead of a site ends, and where it came from."""
    moves, row = plate.program.moves, int(site.room.wall_rows[-1])
    here = np.array([moves.x[row], moves.y[row]])
    return here, np.array([moves.x[row - 1], moves.y[row - 1]])


def _runs(plate: Plate, sites: Sites, site: Site, layer: int, bounds: Bounds) -> list[Run]:
    """The new beads of a site as runs, one a region."""
    if not site.laid:
        return []
    row = int(site.room.wall_rows[-1])
    z = float(plate.program.moves.z[row])
    runs = []
    for laid in site.laid:
        recipe = _recipe(plate, sites.gauge, site, layer, laid.treatment, bounds)
        runs.append(moves_of(laid.beads, laid.here, laid.back, z, recipe, row=row + 1, region=laid.region))
    return runs


def _recipe(
    plate: Plate, gauge: Measure, site: Site, layer: int, treatment: Treatment, bounds: Bounds
) -> Recipe:
    """How a region's beads are laid: as the file does, changed as its treatment says."""
    speed, flow, accel = treatment.speed, treatment.flow, treatment.accel
    return Recipe(
        style_at(plate, layer), site.room.height_mm, gauge.fill, filament_mm2(plate), gauge.nozzle_mm,
        bounds.material.melt_rate_mm3_s.value,
        scale=speed.scale if speed is not None and speed.scale is not None else 1.0,
        most_mm_s=speed.max_mm_s if speed is not None and speed.max_mm_s is not None else float("inf"),
        flow=flow.scale if flow is not None else 1.0,
        most_mm_s2=accel.max_mm_s2 if accel is not None else float("inf"),
        mm_s2=float(plate.program.states.accel.at(plate.program.moves.line[[site.room.wall_rows[-1]]])[0]),
    )  # fmt: skip


def settle(draft: Draft, made: Plan) -> None:
    """Take what the plan removes out of a draft, lay its runs, and add the ways that both leave behind."""
    if not len(made.row) and not made.runs:
        return
    if len(made.row):
        draft.remove(made.row, made.t0, made.t1)
    draft.runs = list(made.runs)
    add_hops(draft, made.sites)
