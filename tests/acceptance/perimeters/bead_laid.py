"""Beads of a plate as lines, which of them were there before, and the islands that they lie on.

Which beads are new is found out by geometry: a bead of the treated file is the file's own if it is one of the
original's or a stretch of one, with the same filament per mm.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon, affinity

from gcodetools.demo.maker import Placement
from gcodetools.gcode.program import RETRACT, UNRETRACT
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Shapes = Callable[[int], list[Polygon]]

WALLS = tuple(FEATURE_INDEX[w] for w in ("outermost", "perimeter", "overhang"))
FILL = tuple(FEATURE_INDEX[w] for w in ("solid", "sparse", "gap", "bridge"))
OUTERMOST, PERIMETER, BRIDGE, SPARSE, SOLID, OVERHANG, GAP = (
    FEATURE_INDEX[w] for w in ("outermost", "perimeter", "bridge", "sparse", "solid", "overhang", "gap")
)

SAME_MM = 0.008  # ends of pieces are rounded to three decimals, lines slant
PULLED_MM = 0.05


def stadium(width: float | F8, height: float | F8) -> float | F8:
    """Section of a bead, mm2; common practice, no source."""
    return (width - height) * height + math.pi * height * height / 4


def opened(shape: shapely.Geometry, by: float) -> shapely.Geometry:
    """Without what is narrower than twice `by`."""
    return shapely.buffer(shapely.buffer(shape, -by, quad_segs=4), by * 1.001, quad_segs=4)


@dataclass
class Laid:
    """The beads of a plate in layers, as lines in file order, with what they were laid with.

    rows : of the moves. line : arcs as chords of at most 0.002 mm sagitta. area : mm3 per mm. width : by the
    bead's own filament and the layer's height. breadth is area / (height q).
    """

    plate: Plate
    rows: I8 = field(init=False)
    line: NDArray[np.object_] = field(init=False)
    length: F8 = field(init=False)
    e: F8 = field(init=False)
    layer: I8 = field(init=False)
    feature: NDArray[np.uint8] = field(init=False)
    area: F8 = field(init=False)
    height: F8 = field(init=False)

    def __post_init__(self) -> None:
        plate, moves = self.plate, self.plate.program.moves
        beads = plate.beads
        rows = np.flatnonzero((beads.feature != 0) & (beads.layer >= 0)).astype(np.int64)
        rows = rows[rows > 0]
        ends = np.stack(
            [
                np.column_stack([moves.x[rows - 1], moves.y[rows - 1]]),
                np.column_stack([moves.x[rows], moves.y[rows]]),
            ],
            axis=1,
        )
        line = shapely.linestrings(ends)
        arcs = plate.program.arcs
        for k in np.flatnonzero(np.isin(rows, arcs.row)).tolist():
            n = int(np.searchsorted(arcs.row, rows[k]))
            if arcs.plane[n] == 17:
                line[k] = _chords(arcs.cx[n], arcs.cy[n], arcs.radius[n], arcs.begin[n], arcs.sweep[n])
        length = shapely.length(line)
        real = length > 1e-6
        self.rows, self.line, self.length = rows[real], line[real], length[real]
        self.e = moves.e[self.rows]
        self.layer = beads.layer[self.rows].astype(np.int64)
        self.feature = beads.feature[self.rows]
        self.height = plate.layers.height_mm[self.layer]
        diameter = plate.settings.filament_diameter_mm or 1.75
        self.area = self.e / self.length * math.pi * diameter**2 / 4

    @property
    def width(self) -> F8:
        """The stadium of that area and height, mm."""
        return self.area / self.height + self.height * (1 - math.pi / 4)

    @cached_property
    def middle(self) -> NDArray[np.object_]:
        points: NDArray[np.object_] = shapely.line_interpolate_point(self.line, 0.5, normalized=True)
        return points

    def text(self, k: int) -> bytes:
        program = self.plate.program
        text: bytes = program.lines.text(int(program.moves.line[self.rows[k]]))
        return text


def _chords(cx: float, cy: float, radius: float, begin: float, sweep: float) -> LineString:
    step = 2 * math.acos(max(0.0, 1 - 0.002 / max(radius, 0.004)))
    angle = begin + np.linspace(0.0, sweep, max(2, math.ceil(abs(sweep) / step) + 1))
    return LineString(np.column_stack([cx + radius * np.cos(angle), cy + radius * np.sin(angle)]))


def match(old: Laid, new: Laid, exact: bool = True) -> tuple[I8, F8, F8]:
    """For each bead of `new` the bead of `old` that it is a stretch of, -1 for none, and from where to where.

    exact : whole ones with the same words; not so where flow is changed too.
    """
    origin = np.full(len(new.rows), -1, np.int64)
    t0, t1 = np.zeros(len(origin)), np.ones(len(origin))
    a, b = _keys(old), _keys(new)
    place: dict[tuple[int, ...], list[int]] = {}
    for k, key in enumerate(a):
        place.setdefault(key, []).append(k)
    for k, key in enumerate(b):
        found = place.get(key)
        # A whole bead keeps its own words, but that a feed may be named or left out.
        if found and (not exact or _but_feed(old.text(found[0])) == _but_feed(new.text(k))):
            origin[k] = found.pop(0)
    rest = np.flatnonzero(origin < 0)
    for layer in np.unique(new.layer[rest]).tolist():
        mine = rest[new.layer[rest] == layer]
        theirs = np.flatnonzero(old.layer == layer)
        if len(theirs):
            _stretches(old, new, theirs, mine, origin, t0, t1)
    _laid_on(new, rest, origin)
    if old.plate.beads.source != "comments":
        # Without marks a new bead along an old one is told by its neighbours in the file: new on either side.
        order = np.arange(len(origin))
        sure = np.flatnonzero((origin < 0) | ~np.isin(order, rest))
        before = np.searchsorted(sure, order, side="right") - 1
        behind = np.searchsorted(sure, order)
        amid = (before >= 0) & (behind < len(sure))
        amid &= (origin[sure[np.maximum(before, 0)]] < 0) & (
            origin[sure[np.minimum(behind, len(sure) - 1)]] < 0
        )
        amid &= new.layer[sure[np.maximum(before, 0)]] == new.layer[sure[np.minimum(behind, len(sure) - 1)]]
        origin[amid] = -1
    return origin, t0, t1


def _laid_on(new: Laid, rest: I8, origin: I8) -> None:
    """What is laid in one go with a new bead is new, though it lies along an old one: what is left of an old
    bead that was cut is travelled to. rest : all but whole beads."""
    runs = joined(new, np.arange(len(origin)))
    run = np.repeat(np.arange(len(runs)), [len(one) for one in runs])
    fresh = np.bincount(run[origin < 0], minlength=len(runs)) > 0
    origin[rest[fresh[run[rest]]]] = -1


def _but_feed(text: bytes) -> bytes:
    return re.sub(rb"\s*F[\d.]+", b"", text.split(b";")[0]).strip()


def _keys(laid: Laid) -> list[tuple[int, ...]]:
    first = shapely.get_coordinates(shapely.get_point(laid.line, 0))
    last = shapely.get_coordinates(shapely.get_point(laid.line, -1))
    table = np.column_stack([laid.layer, np.round(np.column_stack([first, last]) * 1000).astype(np.int64)])
    return list(map(tuple, table.tolist()))


def _stretches(old: Laid, new: Laid, theirs: I8, mine: I8, origin: I8, t0: F8, t1: F8) -> None:
    tree = shapely.STRtree(old.line[theirs])
    told = old.plate.beads.source == "comments"
    of, near = tree.query(new.middle[mine], predicate="dwithin", distance=SAME_MM)
    for k, n in zip(mine[of].tolist(), theirs[near].tolist(), strict=True):
        if origin[k] >= 0 or (told and new.feature[k] != old.feature[n]):
            continue
        ends = [shapely.get_point(new.line[k], at) for at in (0, -1)]
        if max(shapely.distance(old.line[n], end) for end in ends) > SAME_MM:
            continue
        if abs(new.e[k] - old.e[n] * new.length[k] / old.length[n]) > 6e-5 + 1e-3 * new.e[k]:
            continue
        a, b = (shapely.line_locate_point(old.line[n], end, normalized=True) for end in ends)
        if old.line[n].is_closed and b < a:
            b = 1.0
        origin[k], t0[k], t1[k] = n, min(a, b), max(a, b)


def made_shapes(placements: Sequence[Placement], layer_mm: float) -> Shapes:
    """The true sections of made parts, islands of each layer of the plate."""

    def islands(layer: int) -> list[Polygon]:
        found: list[Polygon] = []
        for place in placements:
            part = place.part
            assert not isinstance(part, str)
            if layer * layer_mm >= part.height_mm * place.scale - 1e-6:
                continue
            z = min((layer + 0.5) * layer_mm, part.height_mm * place.scale)
            shape = part.section(z / place.scale)
            shape = affinity.scale(
                shape, -place.scale if place.mirrored else place.scale, place.scale, origin=(0, 0)
            )
            shape = affinity.rotate(shape, place.turn_deg, origin=(0, 0))
            shape = affinity.translate(shape, place.x_mm, place.y_mm)
            found += [p for p in shapely.get_parts(shape).tolist() if p.area > 0.1]
        return found

    return islands


def read_shapes(plate: Plate) -> Shapes:
    """Islands by the outermost walls of a file, tested in tests/toolpath against polygons that are known."""
    return lambda layer: [island.polygon for island in of_layer(plate, layer)]


def pulled_back(plate: Plate) -> NDArray[np.bool_]:
    """(m,) whether filament is pulled back behind each row."""
    moves = plate.program.moves
    net = np.cumsum(moves.e)
    back = np.maximum.accumulate(np.maximum(net, 0.0)) - net
    firmware = ((moves.kind & RETRACT) != 0).astype(int) - ((moves.kind & UNRETRACT) != 0).astype(int)
    firmware[moves.e != 0] = 0
    last = np.maximum.accumulate(np.where(firmware != 0, np.arange(len(net)), 0))
    result: NDArray[np.bool_] = (back > PULLED_MM) | (firmware[last] > 0)
    return result


def pull_counts(plate: Plate) -> I8:
    """Retractions of each layer."""
    pulled = pulled_back(plate)
    begins = pulled & ~np.concatenate([[False], pulled[:-1]])
    layer = plate.beads.layer[begins]
    return np.bincount(layer[layer >= 0], minlength=len(plate.layers))


def joined(laid: Laid, beads: I8) -> list[I8]:
    """Beads in order, cut where one does not begin at the end of the one before: there may be feeds between."""
    if not len(beads):
        return []
    moves, rows = laid.plate.program.moves, laid.rows[beads]
    at = np.column_stack([moves.x, moves.y])
    return np.split(beads, np.flatnonzero(np.hypot(*(at[rows[1:] - 1] - at[rows[:-1]]).T) > 1e-6) + 1)


def cut_where_closed(laid: Laid, chain: I8) -> Iterator[I8]:
    """A chain, cut where it has come back to where it began."""
    if not len(chain):
        return
    first, begin = 0, shapely.get_coordinates(laid.line[chain[0]])[0]
    for n, k in enumerate(chain.tolist()):
        end = shapely.get_coordinates(laid.line[k])[-1]
        if n - first >= 2 and np.hypot(*(end - begin)) < 0.005:
            yield chain[first : n + 1]
            first = n + 1
            if first < len(chain):
                begin = shapely.get_coordinates(laid.line[chain[first]])[0]
    if first < len(chain):
        yield chain[first:]


def points_of(laid: Laid, chain: I8) -> F8:
    """Points of beads that follow each other."""
    lines = [shapely.get_coordinates(laid.line[k]) for k in chain.tolist()]
    return np.vstack([lines[0][:1], *[line[1:] for line in lines]])
