"""`perimeters` and `infill: solid`: new beads inside the walls, and the fill that gives way to them."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import field, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft, Run
from gcodetools.edit.refusals import require_followed
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.records import dataclass
from gcodetools.toolpath.bands import polygons_of, sound
from gcodetools.toolpath.beads import FEATURE_INDEX, bead_area_mm2
from gcodetools.toolpath.coasts import coasts_of
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Measure, fill_direction, measure
from gcodetools.toolpath.strands import Filled, Gauge, Strand
from gcodetools.toolpath.style import style_at
from gcodetools.toolpath.walls import filament_mm2
from gcodetools.treat.already import FILLED
from gcodetools.treat.carry import Below, carried
from gcodetools.treat.exchange import Exchanged, exchanged, gainful
from gcodetools.treat.filling import filled, hatched, size_of, with_ends
from gcodetools.treat.hops import add_hops
from gcodetools.treat.intervals import Stretches, cut_strands, in_polygon, in_solid, segments
from gcodetools.treat.laying import MOST_PULLS, Bead, Recipe, along, lay, moves_of
from gcodetools.treat.links import ground_of
from gcodetools.treat.reasons import NARROW, why_none
from gcodetools.treat.replacing import SLIT, Replaced
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
_FULL = 0.93  # of a room: it is solid already
_LEAST_AREA = 4.0  # pitches squared: an area worth solid lines
_CLEAR = 0.45  # pitches that centre lines keep from what is laid

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
    flat: dict[Hashable, Run] = {}
    for sites in result.sites:
        for layer, site in sites.all():
            if site.gone is not None:
                gone.append((site.gone.row, site.gone.t0, site.gone.t1))
            result.runs += _runs(plate, sites, site, layer, bounds, flat)
    result.runs.sort(key=lambda run: run.row)
    if gone:
        row, t0, t1 = (np.concatenate(columns) for columns in zip(*gone, strict=True))
        closed = np.array(
            [s.room.wall_rows[-1] for one in result.sites for _, s in one.all() if s.laid], np.int64
        )
        order = np.lexsort((t0, row))
        result.row, result.t0, result.t1 = with_useless(plate, row[order], t0[order], t1[order], closed)
    return result


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What laying came to on one site: rows of `gone` counted from the site's last wall row."""

    laid: Laid | None
    taken: shapely.Geometry
    pulls: int
    gone: Replaced | None
    state: int
    told: LayerTold


@dataclass(frozen=True, slots=True)
class _Traded:
    """Beads that were laid for fill, whatever lies below. taken, state : of the site from then on. swap : None where
    nothing was laid. told : what this tells of it."""

    laid: Laid
    taken: shapely.Geometry
    state: int
    swap: Exchanged | None
    told: LayerTold


class _Builder:
    """Strands of one region of one instance, layer by layer from below."""

    def __init__(
        self, plate: Plate, sites: Sites, hit: RegionHit, pose: Pose, treatment: Treatment, bounds: Bounds
    ) -> None:
        self.plate, self.sites, self.hit, self.pose = plate, sites, hit, pose
        self.treatment, self.bounds = treatment, bounds
        self.name = f"{hit.part}#{hit.instance}/{hit.region}"
        self._made: dict[Hashable, tuple[list[Strand], list[Filled], tuple[F8, F8, I8]]] = {}
        self._known: dict[Hashable, _Outcome] = {}
        self._trades: dict[Hashable, _Traded] = {}
        self._upright: dict[Hashable, Stretches] = {}
        self._whys: dict[Hashable, str] = {}
        self.told: dict[str, list[LayerTold]] = {"perimeters": [], "infill": []}
        relative = plate.program.states.xyz_relative
        self._ever_relative = relative.initial == 1.0 or bool(np.any(relative.value == 1.0))

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
        if why or site.room.space.area < _ROOM:
            self._tell("perimeters", site, why=why or "no room inside the walls")
        else:
            self._lay("perimeters", site, layer, setting.over_air)

    def _infill(self, site: Site, layer: int) -> None:
        why = self._unfit(site)
        if not why and site.free.area < _ROOM:
            why = "no room left inside the walls"
        if not why and site.room.solid.area > _FULL * site.room.space.area:
            why = "solid already"
        if why:
            self._tell("infill", site, why=why)
            return
        over_air = self.treatment.perimeters is not None and self.treatment.perimeters.over_air
        self._lay("infill", site, layer, over_air)

    def _strands(self, key: str, site: Site) -> tuple[list[Strand], list[Filled], tuple[F8, F8, I8]]:
        """Strands for the whole of a site, whatever the region, with their straight pieces."""
        known = (key, site.state, site.layer % 2)
        if known not in self._made:
            strands, filled = self._loops(site) if key == "perimeters" else (self._lines(site), [])
            self._made[known] = strands, filled, segments(strands)
        return self._made[known]

    def _loops(self, site: Site) -> tuple[list[Strand], list[Filled]]:
        setting = self.treatment.perimeters
        assert setting is not None
        gauge = _gauge(self.sites.gauge, site.room.height_mm)
        count = None if setting.fill else setting.add
        rooms = [filled(part, gauge, count) for part in shapely.get_parts(site.room.space).tolist()]
        return [with_ends(strand, gauge) for one in rooms for strand in one.strands], rooms

    def _lines(self, site: Site) -> list[Strand]:
        gauge = self.sites.gauge
        direction = fill_direction(self.plate, site.room, gauge)
        if direction is None:
            direction = np.pi / 4 if site.layer % 2 else 3 * np.pi / 4
        size = _gauge(gauge, site.room.height_mm)
        free = site.free
        if not site.room.solid.is_empty:
            slits = shapely.buffer(site.room.solid, SLIT * gauge.pitch_mm, join_style="mitre")
            free = free.difference(sound(slits))
        half = size.least_mm / 2
        free = sound(
            shapely.buffer(shapely.buffer(free, -half, join_style="mitre"), half, join_style="mitre")
        )
        strands: list[Strand] = []
        origin = (self.pose.x_mm, self.pose.y_mm)
        for part in polygons_of(free):
            if part.area > _LEAST_AREA * gauge.pitch_mm**2:
                strands += hatched(
                    part, site.free, size, gauge.solid_pitch_mm, direction, origin, gauge.overlap_mm
                )
        return strands

    def _unfit(self, site: Site) -> str:
        """Why nothing can be laid on a site; empty for nothing."""
        room = site.room
        if len(room.wall_rows) == 0:
            return "no perimeter to lay them against"
        moves = self.plate.program.moves
        if float(np.ptp(moves.z[room.wall_rows])) > 1e-6:
            return "a spiral vase: its wall climbs"
        if room.height_mm > self.sites.gauge.width_mm:
            return f"its layer is {room.height_mm:.3g} mm high, higher than beads are wide"
        lines = moves.line[np.concatenate([room.wall_rows[-1:], room.fill_rows])]
        relative = self.plate.program.states.xyz_relative
        if self._ever_relative and np.any(relative.at(lines) == 1.0):
            return "the file moves in relative coordinates there"
        if self.plate.program.lines.text(int(lines[0])).lstrip()[:1] in (b"N", b"n"):
            return "the file numbers its lines, which can be neither left out nor added to"
        return ""

    def _lay(self, key: str, site: Site, layer: int, over_air: bool) -> None:
        """Lay what lies in the region and is carried; worked out once for sites that are alike."""
        strands, filled, pieces = self._strands(key, site)
        inside = self._inside(key, site, pieces)
        if strands and not len(inside[0]):
            self._tell(key, site, filled=filled, why=self._why_none(key, site))
            return
        under = self.sites.below(layer)
        known = (key, site.state, site.layer % 2, *(column.tobytes() for column in inside), id(under))
        outcome = self._known.get(known)
        if outcome is None:
            outcome = self._outcome(key, site, strands, filled, pieces[2], inside, under, over_air)
            self._known[known] = outcome
        if outcome.laid is not None and outcome.gone is not None:
            gone, base = outcome.gone, int(site.room.wall_rows[-1])
            site.laid.append(outcome.laid)
            site.taken, site.pulls, site.state = outcome.taken, site.pulls + outcome.pulls, outcome.state
            site.gone = replace(gone, row=gone.row + base)
        self.told[key].append(replace(outcome.told, layer=site.layer))

    def _inside(self, key: str, site: Site, pieces: tuple[F8, F8, I8]) -> Stretches:
        """Stretches of strands' straight pieces that lie in the region."""
        known = (key, site.state, site.layer % 2)
        if not self._is_upright:
            return self._in_region(site, pieces[0], pieces[1])
        if known not in self._upright:
            self._upright[known] = self._in_region(site, pieces[0], pieces[1])
        return self._upright[known]

    @property
    def _is_upright(self) -> bool:
        """Whether the region's solid has neither floor nor ceiling: it is the same on every layer."""
        solid = self.hit.solid
        assert solid is not None
        return bool(np.all(np.isinf(solid.low[2:])) and np.all(np.isinf(solid.high[2:])))

    def _in_region(self, site: Site, begin: F8, end: F8) -> Stretches:
        """Stretches of straight pieces on a site's layer that lie in the region."""
        half = round(site.room.height_mm, 6) / 2
        z = float(self.plate.program.moves.z[site.room.wall_rows[-1]])
        # Layers begun below the region take its shape at its own lowest layer.
        layer = max(site.layer, self.hit.layers[0])
        z_part = max((z - half - self.pose.z_mm) / self.pose.scale, self.hit.z_mm[0])
        assert self.hit.solid is not None
        return in_solid(begin, end, self.hit.solid, self.pose, z_part, layer)

    def _bridges(self, site: Site) -> shapely.Geometry:
        """Of the file's own bridge beads."""
        rows = site.room.fill_rows[self.plate.beads.feature[site.room.fill_rows] == FEATURE_INDEX["bridge"]]
        moves, before = self.plate.program.moves, np.maximum(rows - 1, 0)
        ends = [np.column_stack([moves.x[at], moves.y[at]]) for at in (before, rows)]
        lines = shapely.linestrings(np.stack(ends, axis=1))
        return shapely.union_all(shapely.buffer(lines, self.sites.gauge.pitch_mm, quad_segs=2))

    def _why_none(self, key: str, site: Site) -> str:
        """Why no bead of a site lies in the region."""
        known = (key, site.state, site.layer % 2)
        if not self._is_upright or known not in self._whys:
            free = site.room.space if key == "perimeters" else site.free
            least = _gauge(self.sites.gauge, site.room.height_mm).least_mm
            self._whys[known] = why_none(
                site, free, least, lambda begin, end: len(self._in_region(site, begin, end)[0]) > 0
            )
        return self._whys[known]

    def _outcome(
        self,
        key: str,
        site: Site,
        strands: list[Strand],
        filled: list[Filled],
        owner: I8,
        inside: Stretches,
        under: Below,
        over_air: bool,
    ) -> _Outcome:
        gauge = self.sites.gauge
        asked = cut_strands(strands, owner, inside)
        if key == "perimeters":  # solid lines keep clear by themselves
            asked = self._clear(asked, site)
        if not asked:
            why = "beads of an earlier region lie there" if strands else NARROW
            return _Outcome(
                None, site.taken, 0, None, site.state, LayerTold.of(site, key, filled=filled, why=why)
            )
        sides = site.room.island.polygon if over_air else site.walls
        bridges = shapely.MultiPolygon() if over_air else self._bridges(site)
        most = _gauge(gauge, site.room.height_mm).most_mm
        held = carried(asked, under, sides, gauge.pitch_mm, gauge.width_mm, bridges)
        beads = [
            Bead(strand, bool(bridge))
            for strand, bridge in zip(held.strands, held.bridge, strict=True)
            if _long_enough(strand, most)
        ]
        trade = self._traded(key, site, beads, filled)
        laid = trade.laid if trade.laid.beads else None
        gone = trade.swap.gone if trade.swap else None
        pulls = sum(way.leaves for way, _ in trade.laid.beads)
        what = replace(
            trade.told, open_mm=held.open_mm, crumbs_mm=_more(gone, site.gone),
            dots_mm=sum(size_of(s) for s in held.strands if not _long_enough(s, most)),
        )  # fmt: skip
        return _Outcome(laid, trade.taken, pulls, gone, trade.state, what)

    def _traded(self, key: str, site: Site, beads: list[Bead], filled: list[Filled]) -> _Traded:
        """Beads laid for fill; once for the same beads on sites that are alike, whatever lies below."""
        flow = min(style_at(self.plate, site.room.layer).bridge_flow or 1.0, 1.0)
        lines, odd = self.plate.program.moves.line[site.room.fill_rows], self.plate.program.odd
        known = (
            key, site.state, site.pulls, flow, tuple(id(laid) for laid in site.laid),
            np.flatnonzero(np.isin(lines, odd)).tobytes() if len(odd) else b"",
            tuple((b.strand.points.tobytes(), b.strand.breadth.tobytes(), b.strand.closed, b.strand.loop, b.bridge)
                  for b in beads),
        )  # fmt: skip
        if known not in self._trades:
            self._trades[known] = self._trade(key, site, beads, filled, flow)
        return self._trades[known]

    def _trade(self, key: str, site: Site, beads: list[Bead], filled: list[Filled], flow: float) -> _Traded:
        gauge = self.sites.gauge
        worth = gainful(self.plate, gauge, site, beads) if key == "perimeters" else beads
        laid, unreached = self._reached(site, worth)
        taken, state, swap = site.taken, site.state, None
        if laid.beads:
            swap = exchanged(self.plate, gauge, site, laid, flow)
            if swap is None:
                laid, worth = replace(laid, beads=[]), []
        if swap is not None:
            laid, taken = swap.laid, swap.taken
            # By what came of it, not by what lies below: the same beads on the same shape are the same site.
            ends = tuple(point.tobytes() for point in laid.end)
            state = self.sites.state((state, self.name, key, bytes(shapely.to_wkb(taken)), ends))
        what = LayerTold.of(
            site, key, fill=gauge.fill * (swap.share if swap else 1.0),
            beads=[bead for _, bead in laid.beads], filled=filled,
            unreached_mm=sum(size_of(b.strand) for b in unreached),
            less_mm3=swap.less_mm3 if swap else 0.0,
            spared_mm=sum(size_of(b.strand) for b in beads if all(b is not other for other in worth)),
            why=FILLED if beads and not worth else "",
        )  # fmt: skip
        return _Traded(laid, taken, state, swap, what)

    def _clear(self, strands: list[Strand], site: Site) -> list[Strand]:
        """Parts of strands clear of what earlier regions have laid."""
        if not strands or site.taken.is_empty:
            return strands
        begin, end, owner = segments(strands)
        # Their footprints may touch, so centre lines keep half a breadth away.
        clear = site.room.space.difference(site.taken.buffer(_CLEAR * self.sites.gauge.pitch_mm))
        return cut_strands(strands, owner, in_polygon(begin, end, clear))

    def _reached(self, site: Site, beads: list[Bead]) -> tuple[Laid, list[Bead]]:
        """Beads that can be laid with the retractions allowed, in order; those that can't."""
        here, back = site.laid[-1].end if site.laid else _anchor(self.plate, site)
        ground = ground_of(site.room.island.polygon, self.sites.gauge.width_mm)
        seams = seams_of(site.room)
        ordered, left = lay(beads, here, ground, seams, MOST_PULLS - site.pulls)
        return Laid(self.name, ordered, here, back, self.treatment), left

    def _tell(self, key: str, site: Site, **what: object) -> None:
        self.told[key].append(LayerTold.of(site, key, **what))  # type: ignore[arg-type]


def _more(now: Replaced | None, before: Replaced | None) -> float:
    """Crumbs, mm, that came on top of those of earlier settings."""
    was = before.crumbs_mm if before is not None else 0.0
    return max(0.0, now.crumbs_mm - was) if now is not None else 0.0


def _gauge(measured: Measure, height_mm: float) -> Gauge:
    """Breadths of beads 0.6, 1.5 and 1.8 nozzles wide."""
    width = np.array([LEAST, TWIN, MOST]) * measured.nozzle_mm
    least, twin, most = bead_area_mm2(width, np.full(3, height_mm)) / (height_mm * measured.fill)
    return Gauge(measured.pitch_mm, float(least), float(twin), float(most))


def _long_enough(strand: Strand, most_mm: float) -> bool:
    """Whether a bead is more than a dot; a loop takes more room than a dot of the broadest bead."""
    size, breadth = size_of(strand), float(strand.breadth.max())
    if not strand.closed:
        return size >= _SHORTEST * breadth
    inside = float(shapely.area(shapely.polygons(strand.points)))
    return inside + size * breadth / 2 >= np.pi / 4 * most_mm**2


def _anchor(plate: Plate, site: Site) -> tuple[F8, F8]:
    """Where the last wall of a site ends, and where it came from."""
    moves, coasts = plate.program.moves, coasts_of(plate)
    last = int(site.room.wall_rows[-1])
    row = int(coasts.behind(last).max(initial=last))
    here = np.array([moves.x[row], moves.y[row]])
    return here, np.array([moves.x[row - 1], moves.y[row - 1]])


def _runs(
    plate: Plate, sites: Sites, site: Site, layer: int, bounds: Bounds, flat: dict[Hashable, Run]
) -> list[Run]:
    """The new beads of a site as runs, one a region. flat : runs at height 0; those of like layers are the same."""
    if not site.laid:
        return []
    coasts, last = coasts_of(plate), int(site.room.wall_rows[-1])
    row, z = coasts.end_of(last), float(plate.program.moves.z[last])
    runs = []
    for laid in site.laid:
        recipe = _recipe(plate, sites.gauge, site, layer, laid.treatment, bounds)
        known = id(laid), recipe.key()
        if known not in flat:
            flat[known] = moves_of(laid.beads, laid.here, laid.back, 0.0, recipe, row=0, region=laid.region)
        runs.append(replace(flat[known], row=row + 1, z=flat[known].z + z))
    runs[0] = along(plate.program.moves, coasts.wiped(last), runs[0])
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
    """Take what the plan removes out of a draft, lay its runs, and add the ways that both leave behind.

    Raises
    ------
    InputError : a run stands behind the last move of the file.
    """
    if not len(made.row) and not made.runs:
        return
    if len(made.row):
        draft.remove(made.row, made.t0, made.t1)
    draft.runs = list(made.runs)
    require_followed(draft)
    add_hops(draft, made.sites)
