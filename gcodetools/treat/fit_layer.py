"""One layer of an instance with its walls moved: what follows them, and whether that may be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX, bead_width_mm
from gcodetools.toolpath.chains import segments_of
from gcodetools.toolpath.courses import Course, Shifted, courses_of, shifted, with_dry_rows
from gcodetools.toolpath.islands import ARC_TOLERANCE_MM, Island, of_layer
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Measure
from gcodetools.toolpath.walls import Wall, bead_areas, walls_of
from gcodetools.treat.fit_clear import Found, across_air, crossing, touching
from gcodetools.treat.fit_follow import Body, bodies, filled, followed, moved_ends
from gcodetools.treat.fit_rings import Asked, Ring, rings_of

__all__ = ["ALONE", "BEHIND", "LayerFit", "Others", "Told", "fit_layer"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

LEAST, MOST = 0.6, 1.8  # nozzles: the thinnest and the widest bead, as for new perimeters
_SLIGHT = 0.15  # of a bead's plastic: it may change by so much whatever its width
_ROUNDS = 4
_DEEPEST_MM = 8.0
_CLIMB_MM = 1e-6
_EVENLY = (np.arange(64) + 0.5) / 64
_OUTER, _SKIRT = FEATURE_INDEX["outermost"], FEATURE_INDEX["skirt"]
ALONE = tuple(FEATURE_INDEX[w] for w in ("outermost", "support", "tower", "overhang", "other", "skirt"))
FOLDED = "it is too small for the offset: it would fold up"
SQUEEZED = "the beads between its walls would be squeezed or stretched beyond 0.6 to 1.8 nozzles"
OPEN = "an outermost bead that closes no loop has no outside"
BEHIND = 50  # rows behind a layer's last that tell how a loop runs dry, and where the file goes on
RELATIVE = "the file moves in relative coordinates there"
CLIMBS = "the wall climbs in a spiral"
PLANE = "an arc of it lies in another plane than XY"


@dataclass(frozen=True, slots=True)
class Told:
    """What became of what one region asks on a layer: length of wall moved, by the whole offset, and refused, mm;
    area of the outline added, mm2, and by the closed form; loops of holes and of outsides; reasons with the length
    each keeps."""

    number: int
    moved_mm: float
    full_mm: float
    kept_mm: float
    area_mm2: float
    form_mm2: float
    holes: int
    outsides: int
    whys: tuple[str, ...]


@dataclass(slots=True)
class LayerFit:
    """What a layer comes to, rows counted from the instance's first in it.

    row, shift : (k,), (k, 2) rows that end elsewhere. knot_row, knot_t, knot : points inside rows, machine mm.
    fill_row, fill : rows with other room, and the factor of their filament.
    """

    row: I8 = field(default_factory=lambda: np.empty(0, np.int64))
    shift: F8 = field(default_factory=lambda: np.empty((0, 2)))
    knot_row: I8 = field(default_factory=lambda: np.empty(0, np.int64))
    knot_t: F8 = field(default_factory=lambda: np.empty(0))
    knot: F8 = field(default_factory=lambda: np.empty((0, 2)))
    fill_row: I8 = field(default_factory=lambda: np.empty(0, np.int64))
    fill: F8 = field(default_factory=lambda: np.empty(0))
    told: list[Told] = field(default_factory=list)

    def behind(self, first: int) -> LayerFit:
        """The same with rows counted from the file's first; the instance's first is `first`."""
        return LayerFit(
            self.row + first, self.shift, self.knot_row + first, self.knot_t, self.knot, self.fill_row + first,
            self.fill, self.told,
        )  # fmt: skip


def fit_layer(
    plate: Plate, layer: int, rows: I8, asked: list[Asked], gauge: Measure, source: I8, others: Others
) -> LayerFit:
    """Move the walls of a layer of an instance.

    Parameters
    ----------
    layer : index into the plate's layers. rows : of the instance in it, ascending. asked : by regions, the one
    written first first. source : see `edit.moved.carriers`. others : what else lies in the layer.
    """
    return _Layer(plate, layer, rows, asked, gauge, source, others).solve()


@dataclass(frozen=True, slots=True)
class Others:
    """Beads of a layer beside an instance's: rows, and (m, 2) how rows end elsewhere already."""

    row: I8
    shift: F8


@dataclass(slots=True)
class _Solved:
    """A wall with where its courses go. ring : number, -1. side : see Ring. island."""

    shifted: list[Shifted]
    ring: int
    side: float
    starts: list[float]
    island: int


def _steps(program: Program, rows: I8) -> bool:
    """Whether a way in X or Y among rows, or the next one behind them, is a step from wherever the nozzle is."""
    part = np.arange(int(rows[0]), min(int(rows[-1]) + BEHIND, len(program.moves)))
    part = part[program.states.xyz_relative.at(program.moves.line[part]) == 1.0]
    before = np.maximum(part - 1, 0)
    return any(bool(np.any(axis[part] != axis[before])) for axis in (program.moves.x, program.moves.y))


class _Layer:
    def __init__(
        self,
        plate: Plate,
        layer: int,
        rows: I8,
        asked: list[Asked],
        gauge: Measure,
        source: I8,
        others: Others,
    ) -> None:
        self.source = source
        self.plate, self.layer, self.rows, self.asked, self.gauge = plate, layer, rows, asked, gauge
        self.program = plate.program
        self.first = int(rows[0])
        self.pitch = gauge.pitch_mm
        self.islands: list[Island] = of_layer(plate, layer, rows)
        self.walls: list[list[Wall]] = walls_of(plate, self.islands)
        self.rings: list[Ring] = rings_of(self.program, self.walls)
        self.refused: dict[int, list[str]] = {}
        self.still = _still(self.program, others.row, lambda r: others.shift[source[r]])
        self.steps = _steps(self.program, rows)

    def solve(self) -> LayerFit:
        """Try, and leave out what may not be, until the rest may."""
        for asked in self.asked:
            for ring in self.rings:
                ring.claim(asked)
        for n, ring in enumerate(self.rings):
            why = self._unfit(ring) if ring.claims else ""
            if why:
                self.refused[n] = [why]
        for _ in range(_ROUNDS):
            found, solved, body = self._tried()
            made = LayerFit()
            if not found and np.any(body.moves):
                made, found = self._made(solved, body)
            if not found:
                break
            for item in found:
                for n in item.rings:
                    self.refused.setdefault(n, []).append(item.why)
        else:
            for n in range(len(self.rings)):
                self.refused.setdefault(n, ["its walls would not keep clear of each other"])
            _, solved, body = self._tried()
            made = LayerFit()
        made.told = self._told(solved)
        return made

    def _unfit(self, ring: Ring) -> str:
        """Why a ring can't be moved whatever its offset; empty where it can."""
        moves, program = self.program.moves, self.program
        rows = np.concatenate([course.row for course in ring.courses])
        before = np.maximum(rows - 1, 0)
        if self.steps:
            return RELATIVE
        if np.any(np.abs(moves.z[rows] - moves.z[before]) > _CLIMB_MM) and _climbs(moves.z, rows):
            return CLIMBS
        k = np.flatnonzero(np.isin(program.arcs.row, rows))
        return PLANE if np.any(program.arcs.plane[k] != 17) else ""

    def _tried(self) -> tuple[list[Found], list[_Solved], Body]:
        """Walls moved as asked, but for those refused; what of it may not be."""
        found: list[Found] = []
        solved: list[_Solved] = []
        ring_rows = set()
        for n, ring in enumerate(self.rings):
            ring_rows |= {int(course.row[0]) for course in ring.courses}
            far, knots = ring.distances(), ring.knots()
            if n in self.refused:
                far = [np.zeros(len(d)) for d in far]
                knots = [_none() for _ in far]
            moved = shifted(self.program, ring.courses, far, knots, True)
            if moved is None:
                found.append(Found((n,), FOLDED))
                moved = (
                    shifted(self.program, ring.courses, [d * 0 for d in far], [_none() for _ in far], True)
                    or []
                )
            solved.append(_Solved(moved, n, ring.side, ring.starts, ring.island))
        if found:
            return found, solved, bodies(self.program, [])
        outer = _body(self.program, solved)
        moving = sorted({int(n) for n in outer.ring[outer.moves]})
        if not moving:
            return [], solved, outer
        inner, folded = self._inner(outer, ring_rows)
        by_island: dict[int, tuple[int, ...]] = {}
        for n in moving:
            island = self.rings[n].island
            by_island[island] = (*by_island.get(island, ()), n)
        found += [
            Found(by_island[i], "a perimeter inside it would fold up")
            for i in sorted(folded)
            if i in by_island
        ]
        body = _body(self.program, solved + inner)
        brim = self.plate.beads.feature[self.still.row] == _SKIRT
        sizes = np.array([ring.size_mm for ring in self.rings])
        found += touching(outer, self.still.of(brim), self.pitch)
        outer_pitch = self.gauge.outer_area_mm2 / (self.gauge.height_mm * self.gauge.wall_fill)
        found += across_air(
            outer,
            self.still.of(~brim),
            outer_pitch,
            sizes,
        )
        islands = np.array([s.island for s in solved + inner for _ in s.shifted])
        found += crossing(body, by_island, islands)
        return found, solved + inner, body

    def _inner(self, outer: Body, ring_rows: set[int]) -> tuple[list[_Solved], set[int]]:
        """All other walls, as they follow; islands in which one would fold."""
        solved, folded = [], set()
        for island, walls in enumerate(self.walls):
            mine = [w for w in walls if int(w.rows[0]) not in ring_rows]
            reach = min(self.pitch * (len(mine) + 1.5), _DEEPEST_MM)
            for wall in mine:
                rows = with_dry_rows(self.program.moves, wall.rows) if wall.closed else wall.rows
                courses = courses_of(self.program, rows)
                one = wall.closed and len(courses) == 1
                moved = [followed(self.program, outer, c, one, reach, self.pitch) for c in courses]
                if any(m is None for m in moved):
                    folded.add(island)
                done = [m if m is not None else _unmoved(c) for m, c in zip(moved, courses, strict=True)]
                solved.append(_Solved(done, -1, 0.0, [0.0] * len(done), island))
        return solved, folded

    def _made(self, solved: list[_Solved], body: Body) -> tuple[LayerFit, list[Found]]:
        """What moved walls come to, and rings whose beads would be squeezed."""
        columns: list[tuple[I8, F8]] = []
        knots = [(np.empty(0, np.int64), np.empty(0), np.empty((0, 2)))]
        for one in solved:
            for part in one.shifted:
                columns.append((self.source[part.course.node], part.by))
                if len(part.element):
                    point, _ = part.course.at(self.program, part.element, part.t)
                    knots.append((part.course.row[part.element], part.course.own(part.t), point + part.knot))
        columns.append(self._fill_ends(body, np.concatenate([nodes for nodes, _ in columns])))
        row, shift = (np.concatenate(c) for c in zip(*columns, strict=True))
        row, first = np.unique(row, return_index=True)
        shift = shift[first]
        knot_row, knot_t, knot = (np.concatenate(c) for c in zip(*knots, strict=True))
        fill_row, fill, tight = self._flows(body, row, shift)
        some = np.any(shift != 0, axis=1)
        made = LayerFit(
            row[some] - self.first, shift[some], knot_row - self.first, knot_t, knot, fill_row - self.first, fill
        )  # fmt: skip
        islands = [n for n, own in enumerate(self.walls) if any(np.any(np.isin(w.rows, tight)) for w in own)]
        rings = tuple(
            n
            for n, ring in enumerate(self.rings)
            if ring.island in islands and ring.claims and n not in self.refused
        )
        return made, [Found(rings, SQUEEZED)] if rings else []

    def _fill_ends(self, body: Body, taken: I8) -> tuple[I8, F8]:
        """Ends of fill, and how they move; none of those in `taken`."""
        rows, moves = self._fill_rows(), self.program.moves
        nodes = np.setdiff1d(self.source[np.union1d(rows, np.maximum(rows - 1, 0))], taken)
        return nodes, moved_ends(body, np.column_stack([moves.x[nodes], moves.y[nodes]]), self.pitch)

    def _fill_rows(self) -> I8:
        walls = np.concatenate([np.empty(0, np.int64), *(w.rows for own in self.walls for w in own)])
        rows = np.concatenate([np.empty(0, np.int64), *(i.rows.astype(np.int64) for i in self.islands)])
        return np.setdiff1d(rows, walls)

    def _flows(self, body: Body, node: I8, shift: F8) -> tuple[I8, F8, I8]:
        """Rows of beads with other room and the factor of their filament; rows that can't take it, which keep their
        flow."""

        def ends(rows: I8) -> F8:
            at = np.minimum(np.searchsorted(node, self.source[rows]), len(node) - 1)
            found: F8 = np.where((node[at] == self.source[rows])[:, None], shift[at], 0.0)
            return found

        fill = _still(self.program, self._fill_rows(), ends)
        whole = Body(*(np.concatenate([getattr(body, name), getattr(fill, name)]) for name in Body.__slots__))
        area = bead_areas(self.plate, whole.row)
        height = float(self.plate.layers.height_mm[self.layer])
        breadth = np.where(np.isfinite(area), area / (height * self.gauge.wall_fill), self.pitch)
        rows, factor = filled(whole, self.pitch, np.maximum(breadth, 0.2 * self.pitch))
        own = bead_areas(self.plate, rows)
        new = bead_width_mm(own * factor, np.full(len(rows), height))
        nozzle = self.gauge.nozzle_mm
        good = (new >= LEAST * nozzle) & (new <= MOST * nozzle) | (np.abs(factor - 1.0) <= _SLIGHT)
        good &= np.isfinite(own)
        return rows[good], factor[good], rows[~good]

    def _told(self, solved: list[_Solved]) -> list[Told]:
        told = []
        by_ring = {one.ring: one for one in solved if one.ring >= 0}
        for asked in self.asked:
            moved = full = kept = area = form = 0.0
            holes = outsides = 0
            whys: list[str] = []
            for n, ring in enumerate(self.rings):
                some, whole = ring.moved_mm(asked.number)
                if some <= 0:
                    continue
                if n in self.refused:
                    kept += some
                    whys += self.refused[n]
                    continue
                moved, full = moved + some, full + whole
                holes, outsides = holes + ring.hole, outsides + (not ring.hole)
                sign = -1.0 if ring.hole else 1.0
                area += sign * _area_change(self.program, by_ring[n])
                form += _closed_form(ring)
            open_mm = self._open_mm(asked)
            if open_mm > 0:
                kept += open_mm
                whys.append(OPEN)
            told.append(
                Told(asked.number, moved, full, kept, area, form, holes, outsides, tuple(dict.fromkeys(whys)))
            )
        return told

    def _open_mm(self, asked: Asked) -> float:
        """Length of outermost beads in the region that belong to no ring."""
        mine = np.concatenate([np.empty(0, np.int64), *(c.row for ring in self.rings for c in ring.courses)])
        loose = (self.plate.beads.feature[asked.row] == _OUTER) & ~np.isin(asked.row, mine)
        length = self.plate.beads.length_mm[asked.row[loose]]
        return float((length * (asked.t1[loose] - asked.t0[loose])).sum())


def _climbs(z: F8, rows: I8) -> bool:
    """Whether beads end at more than one height: the first one's row before may be a lift."""
    return bool(np.ptp(z[rows]) > _CLIMB_MM)


def _none() -> tuple[I8, F8, F8]:
    return np.empty(0, np.int64), np.empty(0), np.empty(0)


def _unmoved(course: Course) -> Shifted:
    return Shifted(
        course, np.zeros((len(course) + 1, 2)), np.empty(0, np.int64), np.empty(0), np.empty((0, 2))
    )


def _body(program: Program, solved: list[_Solved]) -> Body:
    return bodies(
        program,
        [
            (part, one.ring, one.side, start)
            for one in solved
            for part, start in zip(one.shifted, one.starts, strict=True)
        ],
    )


def _still(program: Program, rows: I8, shift: Callable[[I8], F8]) -> Body:
    """Beads that are no walls here. shift : how the ends of rows move, (k, 2)."""
    parts = segments_of(program, rows, ARC_TOLERANCE_MM)
    row, count = rows[parts.bead], len(parts.bead)
    a, b = np.column_stack([parts.x0, parts.y0]), np.column_stack([parts.x1, parts.y1])
    va, vb = shift(np.maximum(row - 1, 0)), shift(row)
    none = np.full(count, -1)
    return Body(row, none, none, a, b, va, vb, np.full((count, 2), np.nan), np.zeros(count))


def _area_change(program: Program, one: _Solved) -> float:
    """Area inside a ring's centre line after, less that before, by its chords."""
    body = _body(program, [one])
    areas = []
    for a, b in ((body.a, body.b), (body.a + body.va, body.b + body.vb)):
        points = np.stack([a, b], axis=1).reshape(-1, 2)
        areas.append(float(shapely.Polygon(points).area))
    return areas[1] - areas[0]


def _closed_form(ring: Ring) -> float:
    """Plastic added, mm2: the offset over the length, and for a turn by an angle half of that (a curve) or its tangent
    (a corner) times the offset squared; outwards positive."""
    total = ring.swept_mm2()
    for n, course in enumerate(ring.courses):
        s = ring.along(n)
        d = ring.offset(s[1:])
        after = ring.courses[(n + 1) % len(ring.courses)]
        corner = _turn(course.end, np.vstack([course.begin[1:], after.begin[:1]]))
        # To the side that a wall turns away from, it grows longer as it moves.
        total += float((-ring.side * d**2 * np.tan(np.clip(corner, -3.0, 3.0) / 2)).sum())
        half = _turn(course.begin, course.middle)
        bent = np.flatnonzero(half != 0)
        places = s[bent, None] + course.length[bent, None] * _EVENLY
        squared = (ring.offset(places.ravel()).reshape(places.shape) ** 2).mean(axis=1)
        total += float((-ring.side * squared * half[bent]).sum())
    return total


def _turn(before: F8, after: F8) -> F8:
    """(k,) angle from one normal to the next, counter-clockwise positive."""
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    angle: F8 = np.arctan2(cross, (before * after).sum(axis=1))
    return angle
