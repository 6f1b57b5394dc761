"""Lays strands: their order, where loops begin, how the nozzle gets there; and the run of moves it comes to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field, replace
from heapq import heappop, heappush

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.edit.draft import Run
from gcodetools.edit.moves import BEAD, FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, PULL, PUSH, TRAVEL, WIPE
from gcodetools.gcode.program import Moves
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX, bead_width_mm
from gcodetools.toolpath.strands import Strand
from gcodetools.toolpath.style import Style
from gcodetools.treat.links import LONGEST_MM, Ground, Way
from gcodetools.treat.memory import remembered

__all__ = ["MOST_PULLS", "Bead", "MovesColumns", "Recipe", "Seams", "along", "lay", "moves_of", "way_moves"]

F8 = NDArray[np.float64]

MOST_PULLS = 2  # more retractions an island and layer grind the filament
_PLACES_MM = 2.0
SEAM_APART_MM = 3.0  # from the seam of the outermost perimeter
_STRAIGHT = 1e-6  # sine of a turn
_ROUNDING_MM = 1e-6
_DOT_MM = 0.02  # shorter pieces hold too little filament to be written
_WIDE, _SLOWER = 1.5, 0.6  # a bead over 1.5 nozzles wide is laid at 60 % of the speed


@dataclass(frozen=True, slots=True)
class Bead:
    """A strand to lay. bridge : over air or sparse fill. share : of the plastic that its breadth holds by the fill."""

    strand: Strand
    bridge: bool
    share: float = 1.0

    def key(self) -> tuple[object, ...]:
        """What tells it apart."""
        return self.strand, self.bridge, self.share

    @property
    def feature(self) -> int:
        """Index into FEATURES."""
        word = "bridge" if self.bridge else "solid" if self.strand.loop < 0 else "perimeter"
        return FEATURE_INDEX[word]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How beads of one layer are laid. style : the file's. height_mm, fill : of the layer and of its solid work.
    filament_mm2 : section of the filament. nozzle_mm. melt_mm3_s : most plastic a second. scale, most_mm_s :
    of feeds, by the region's own `speed`. flow : by its `flow`. most_mm_s2 : by its `accel`. mm_s2 : the
    acceleration in force, NaN if the file sets none.
    """

    style: Style
    height_mm: float
    fill: float
    filament_mm2: float
    nozzle_mm: float
    melt_mm3_s: float
    scale: float = 1.0
    most_mm_s: float = float("inf")
    flow: float = 1.0
    most_mm_s2: float = float("inf")
    mm_s2: float = float("nan")

    def key(self) -> tuple[object, ...]:
        """What tells it apart; a number that is none is like another."""
        values = (getattr(self, name) for name in self.__slots__)
        return tuple(None if isinstance(v, float) and v != v else v for v in values)

    def bead(self, breadth: F8, bead: Bead) -> tuple[F8, F8, F8]:
        """(n,) feed mm/s, mm3 per mm and width mm of stretches of a bead."""
        style = self.style
        flow = self.flow * (min(style.bridge_flow or 1.0, 1.0) if bead.bridge else 1.0)
        area = breadth * self.height_mm * self.fill * bead.share * flow
        width = bead_width_mm(area, np.full(len(area), self.height_mm))
        base = style.solid_mm_s if bead.strand.loop < 0 else style.perimeter_mm_s
        if bead.bridge:
            base = style.bridge_mm_s if style.bridge_mm_s is not None else base / 2
        feed = np.full(len(area), base * self.scale)
        feed[width > _WIDE * self.nozzle_mm] *= _SLOWER
        feed = np.minimum(np.minimum(feed, self.most_mm_s), self.melt_mm3_s / np.maximum(area, 1e-9))
        return feed, area, width


@dataclass(frozen=True, slots=True)
class Seams:
    """Where closed loops may begin. outer : (k, 2) seams of the outermost perimeters, mm. near : (j, 2) places
    under little load, nearest to which a loop begins; empty for anywhere. avoid : area no loop begins in."""

    outer: F8
    near: F8
    avoid: shapely.Geometry = field(default_factory=shapely.Polygon)

    def key(self) -> tuple[object, ...]:
        """What tells them apart."""
        return self.outer, self.near, self.avoid

    def begin(self, strand: Strand, here: F8) -> int:
        """Index of the point at which a closed strand begins."""
        points = strand.points
        cost = np.hypot(*(points - here).T)
        if len(self.near):
            away = np.hypot(*(points[:, None] - self.near[None]).transpose(2, 0, 1)).min(axis=1)
            cost = away + 0.05 * cost
        if len(self.outer):
            apart = np.hypot(*(points[:, None] - self.outer[None]).transpose(2, 0, 1)).min(axis=1)
            # On a loop too short for that the farthest point will do.
            cost = cost + np.where(apart < SEAM_APART_MM, 1e3 * (SEAM_APART_MM - apart), 0.0)
        if not self.avoid.is_empty:
            cost = cost + 1e6 * shapely.intersects_xy(self.avoid, points[:, 0], points[:, 1])
        return int(np.argmin(cost))


@dataclass(slots=True)
class MovesColumns:
    """Columns of a run as it grows."""

    z: float
    kind: list[int] = field(default_factory=list)
    x: list[float] = field(default_factory=list)
    y: list[float] = field(default_factory=list)
    zs: list[float] = field(default_factory=list)
    e: list[float] = field(default_factory=list)
    feed: list[float] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    feature: list[int] = field(default_factory=list)

    def add(
        self,
        kind: int,
        at: F8,
        z: float,
        e: float,
        feed: float,
        width: float = float("nan"),
        feature: int = 0,
    ) -> None:
        self.kind.append(kind)
        self.x.append(float(at[0]))
        self.y.append(float(at[1]))
        self.zs.append(z)
        self.e.append(e)
        self.feed.append(feed)
        self.width.append(width)
        self.feature.append(feature)

    def add_beads(self, points: F8, e: F8, feed: F8, width: F8, feature: int) -> None:
        """Beads one after the other, at the height of the layer."""
        count = len(points)
        self.kind += [BEAD] * count
        self.x += points[:, 0].tolist()
        self.y += points[:, 1].tolist()
        self.zs += [self.z] * count
        self.e += e.tolist()
        self.feed += feed.tolist()
        self.width += width.tolist()
        self.feature += [feature] * count

    def run(
        self, row: int, t0: float, early: bool, height: float, region: str, fan: float = float("nan")
    ) -> Run:
        return Run(
            row, t0, early, np.array(self.kind, np.uint8), np.array(self.x), np.array(self.y),
            np.array(self.zs), np.array(self.e), np.array(self.feed), np.array(self.width),
            np.array(self.feature, np.uint8), height, region, fan,
        )  # fmt: skip


@remembered(256)
def lay(
    beads: list[Bead], here: F8, ground: Ground, seams: Seams, pulls: int
) -> tuple[list[tuple[Way, Bead]], list[Bead]]:
    """Put beads in order, each with the way to its first point; and what can't be reached.

    Parameters
    ----------
    here : where the nozzle stands. pulls : how many times filament may still be pulled back.

    Returns
    -------
    The beads in order, closed ones begun at their seam, open ones perhaps turned round; and those left over.
    """
    left = _Left(beads, seams)
    done: list[tuple[Way, Bead]] = []
    while left:
        picked = _reached(here, left, ground, LONGEST_MM)
        if picked is None and pulls > 0:
            pulls -= 1
            k, bead = next(left.nearest(here))
            picked = k, bead, Way(bead.strand.points[:1], True)
        # What oozes on a long way inside the walls is hidden there; a bead left out is missed.
        picked = picked or _reached(here, left, ground, np.inf)
        if picked is None:
            break
        k, bead, way = picked
        done.append((way, bead))
        here = bead.strand.points[0] if bead.strand.closed else bead.strand.points[-1]
        left.take(k)
    return done, left.beads()


def _reached(here: F8, left: _Left, ground: Ground, longest_mm: float) -> tuple[int, Bead, Way] | None:
    """The first of the beads left that a way inside the walls leads to, as it is laid from `here`, and that way."""
    for k, bead in left.nearest(here):
        way = ground.way(here, bead.strand.points[0], longest_mm)
        if not way.leaves:
            return k, bead, way
    return None


class _Left:
    """Beads that are still to be laid. Where each would begin is looked up for near ones only: no point of a bead
    lies nearer than the box around it."""

    def __init__(self, beads: list[Bead], seams: Seams) -> None:
        self._beads, self._seams = beads, seams
        self._alive = np.ones(len(beads), bool)
        boxes = [(b.strand.points.min(axis=0), b.strand.points.max(axis=0)) for b in beads]
        self._low, self._high = (np.array([box[k] for box in boxes]).reshape(-1, 2) for k in (0, 1))
        rank = np.array([_rank(bead) for bead in beads], np.int64)
        self._ranks = [np.flatnonzero(rank == one) for one in np.unique(rank).tolist()]
        self._placed: dict[int, Strand] = {}
        self._known: tuple[bytes, dict[int, tuple[float, Bead]]] = b"", {}

    def __len__(self) -> int:
        return int(np.count_nonzero(self._alive))

    def beads(self) -> list[Bead]:
        """As they were given."""
        return [self._beads[k] for k in np.flatnonzero(self._alive).tolist()]

    def take(self, k: int) -> None:
        """One of them is laid."""
        self._alive[k] = False
        self._placed.pop(k, None)

    def nearest(self, here: F8) -> Iterator[tuple[int, Bead]]:
        """All of them as they would be laid from `here`, rank by rank, the nearest of each first; of some as near, in
        the order given."""
        for rank in self._ranks:
            own = rank[self._alive[rank]]
            aside = np.maximum(np.maximum(self._low[own] - here, here - self._high[own]), 0.0)
            least = np.hypot(*aside.T) - _ROUNDING_MM
            order = np.argsort(least, kind="stable")
            known: list[tuple[float, int]] = []
            for k, most in zip(own[order].tolist(), least[order].tolist(), strict=True):
                while known and known[0][0] < most:
                    nth = heappop(known)[1]
                    yield nth, self._from(nth, here)[1]
                heappush(known, (self._from(k, here)[0], k))
            while known:
                nth = heappop(known)[1]
                yield nth, self._from(nth, here)[1]

    def _from(self, k: int, here: F8) -> tuple[float, Bead]:
        """Distance to a bead, and the bead as it would be laid."""
        if self._known[0] != here.tobytes():
            self._known = here.tobytes(), {}
        known = self._known[1]
        if k not in known:
            bead = self._beads[k]
            if bead.strand.closed and k not in self._placed:
                self._placed[k] = _with_places(bead.strand)
            known[k] = _nearest(bead, self._placed.get(k, bead.strand), here, self._seams)
        return known[k]


def _rank(bead: Bead) -> int:
    """Loops from the wall inwards, then what lies in the middle, then lines."""
    loop = bead.strand.loop
    return loop if loop > 0 else 10_000 if loop == 0 else 20_000


def _nearest(bead: Bead, strand: Strand, here: F8, seams: Seams) -> tuple[float, Bead]:
    """Distance to a bead, and the bead as it would be laid from `here`. strand : its own, a loop's with the places at
    which it may begin."""
    if strand.closed:
        k = seams.begin(strand, here)
        turned = Strand(np.roll(strand.points, -k, axis=0), np.roll(strand.breadth, -k), True, strand.loop)
        return float(np.hypot(*(turned.points[0] - here))), replace(bead, strand=turned)
    first, last = (float(np.hypot(*(strand.points[k] - here))) for k in (0, -1))
    if last < first:
        turned = Strand(strand.points[::-1], strand.breadth[::-1], False, strand.loop)
        return last, replace(bead, strand=turned)
    return first, bead


@remembered(512)
def _with_places(strand: Strand) -> Strand:
    """A loop with points on its long sides, at which it may begin as well."""
    line = np.vstack([strand.points, strand.points[:1]])
    count = np.maximum(1, np.ceil(np.hypot(*np.diff(line, axis=0).T) / _PLACES_MM)).astype(np.int64)
    owner = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    points = line[owner] + (line[owner + 1] - line[owner]) * (nth / count[owner])[:, None]
    return Strand(points, strand.breadth[owner], True, strand.loop)


def moves_of(
    ordered: list[tuple[Way, Bead]],
    here: F8,
    back: F8,
    z: float,
    recipe: Recipe,
    *,
    row: int,
    region: str,
) -> Run:
    """The run of ordered beads, right behind row `row - 1`, at nozzle height `z`."""
    flat = _flat_run(ordered, here, back, recipe)
    return replace(flat, row=row, region=region, z=flat.z + z)


def along(moves: Moves, rows: NDArray[np.integer], run: Run) -> Run:
    """A run that first goes the way of `rows` (ascending) without filament: they close the wall that it follows, and
    may go with the filament that they pull back."""
    if len(rows) == 0:
        return run
    first = MovesColumns(float(moves.z[rows[0]]))
    for row in rows.tolist():
        first.add(TRAVEL, np.array([moves.x[row], moves.y[row]]), first.z, 0.0, float(moves.f[row]))
    way = first.run(run.row, run.t0, run.early, run.height_mm, run.region)
    kind, x, y, z, e, feed, width, feature = (
        np.concatenate([getattr(way, name), getattr(run, name)])
        for name in ("kind", "x", "y", "z", "e", "feed", "width", "feature")
    )
    return replace(run, kind=kind, x=x, y=y, z=z, e=e, feed=feed, width=width, feature=feature)


@remembered(256)
def _flat_run(ordered: list[tuple[Way, Bead]], here: F8, back: F8, recipe: Recipe) -> Run:
    """The run at height 0, before row 0."""
    moves = MovesColumns(0.0)
    for way, bead in ordered:
        way_moves(moves, way, here, back, recipe.style)
        line = bead.strand.points
        if bead.strand.closed:
            line = np.vstack([line, line[:1]])
        feed, area, width = recipe.bead(bead.strand.breadth, bead)
        size = np.hypot(*np.diff(line, axis=0).T)
        e = area * size / recipe.filament_mm2
        ends = _without_dots(size)
        ends = ends[~_goes_on(line, size, bead.strand.breadth)[ends]]
        if len(ends):
            first = np.append(0, ends[:-1] + 1)
            whole = np.add.reduceat(size, first)
            width = np.add.reduceat(width * size, first) / whole
            feed, e = np.minimum.reduceat(feed, first), np.add.reduceat(e, first)
            moves.add_beads(line[ends + 1], e, feed, width, bead.feature)
        back, here = line[-2], line[-1]
    fan = float("nan")
    if any(bead.bridge for _, bead in ordered) and recipe.style.bridge_fan is not None:
        fan = recipe.style.bridge_fan
    run = moves.run(0, 0.0, True, recipe.height_mm, "", fan)
    if recipe.most_mm_s2 < recipe.mm_s2:
        run = replace(run, accel=recipe.most_mm_s2)
    return run


def _goes_on(line: F8, size: F8, breadth: F8) -> NDArray[np.bool_]:
    """(n,) whether a stretch and the next are one straight bead: places at which a loop might begin need no move."""
    step = np.diff(line, axis=0)
    a, b = step[:-1], step[1:]
    sine = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / np.maximum(size[:-1] * size[1:], 1e-12)
    ahead = np.einsum("ij,ij->i", a, b) > 0
    result: NDArray[np.bool_] = np.append(ahead & (sine < _STRAIGHT) & (breadth[1:] == breadth[:-1]), False)
    return result


def _without_dots(size: F8) -> NDArray[np.integer]:
    """The stretches at which a move may end, so that none is a dot; what lies between is joined."""
    small = size < _DOT_MM
    if not np.any(small):
        return np.arange(len(size))
    # Along dots in a row a move ends every other dot's length, which is a dot's length at least.
    row = np.cumsum(np.diff(small, prepend=False))
    at = np.cumsum(size)
    begin = np.zeros(int(row[-1]) + 1)
    fresh = np.flatnonzero(np.diff(row, prepend=-1) != 0)
    begin[row[fresh]] = at[fresh] - size[fresh]
    step = np.floor((at - begin[row]) / (2 * _DOT_MM))
    ends = ~small | (np.diff(step, prepend=0.0) > 0) & (np.diff(row, prepend=-1) == 0)
    kept = np.flatnonzero(ends)
    last = len(size) - 1
    if len(kept) and kept[-1] != last:
        kept = kept if at[last] - at[kept[-1]] >= _DOT_MM else kept[:-1]
        kept = np.append(kept, last)
    return kept


def way_moves(moves: MovesColumns, way: Way, here: F8, back: F8, style: Style) -> None:
    """The travel along a way; pulled back, lifted and wiped as the file does where it leaves the outline."""
    pull = style.retraction if way.leaves else None
    z = moves.z
    if pull is None:
        for point in way.points:
            if np.hypot(*(point - here)) > 5e-3:
                moves.add(TRAVEL, point, z, 0.0, style.travel_mm_s)
                here = point
        return
    if pull.firmware:
        moves.add(FIRMWARE_PULL, here, z, 0.0, float("nan"))
    else:
        rest = pull.length_mm
        reach = back - here
        size = float(np.hypot(*reach))
        if style.wipe_mm > 0 and size > 0.1:
            share = style.wipe_share * pull.length_mm
            here = here + reach * min(1.0, style.wipe_mm / size)
            moves.add(WIPE, here, z, -share, style.travel_mm_s)
            rest -= share
        if rest > 1e-6:
            moves.add(PULL, here, z, -rest, pull.feed_mm_s)
    up = z + style.lift_mm
    if style.lift_mm > 0:
        moves.add(LIFT, here, up, 0.0, style.lift_mm_s)
    for point in way.points:
        moves.add(TRAVEL, point, up, 0.0, style.travel_mm_s)
        here = point
    if style.lift_mm > 0:
        moves.add(LIFT, here, z, 0.0, style.lift_mm_s)
    if pull.firmware:
        moves.add(FIRMWARE_PUSH, here, z, 0.0, float("nan"))
    else:
        moves.add(PUSH, here, z, pull.length_mm, pull.back_mm_s)
