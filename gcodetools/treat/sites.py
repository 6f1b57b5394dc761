"""Sites: the islands of an instance, layer by layer, with what has been laid on them so far."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import field, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit.placing import Pose
from gcodetools.kit.settings import Treatment
from gcodetools.records import dataclass
from gcodetools.toolpath.coasts import coasts_of
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Measure, Room, rooms_of
from gcodetools.treat.carry import Below
from gcodetools.treat.laying import Bead
from gcodetools.treat.links import Way
from gcodetools.treat.memory import remembered
from gcodetools.treat.replacing import Replaced

__all__ = ["Laid", "Site", "Sites"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_EMPTY = shapely.MultiPolygon()
_BED = Below(None, _EMPTY)
_MOST_SHAPES = 16


@dataclass(frozen=True, slots=True)
class Laid:
    """New beads of one region in order, each with the way to it. here : where the nozzle stands before them.
    back : the point it was at before that. treatment : of the region."""

    region: str
    beads: list[tuple[Way, Bead]]
    here: F8
    back: F8
    treatment: Treatment

    @property
    def end(self) -> tuple[F8, F8]:
        """Where the nozzle stands behind them, and the point before."""
        strand = self.beads[-1][1].strand
        if strand.closed:
            return strand.points[0], strand.points[-1]
        return strand.points[-1], strand.points[-2]


@dataclass(slots=True)
class Site:
    """One room with what regions have done to it.

    layer : of the instance, from 1. walls : plastic of its perimeters. taken : area of new beads. laid : new
    beads by region, in order. pulls : retractions used. gone : what of its fill goes.
    state : a number that sites have in common which are alike in shape and in what has been laid on them.
    """

    room: Room
    layer: int
    walls: shapely.Geometry
    state: int
    taken: shapely.Geometry = _EMPTY
    pulls: int = 0
    laid: list[Laid] = field(default_factory=list)
    gone: Replaced | None = None

    @property
    def solid(self) -> shapely.Geometry:
        """Plastic that carries the layer above: walls, solid fill, new beads."""
        return _union([self.walls, self.room.solid, self.taken])

    @property
    def free(self) -> shapely.Geometry:
        """What of the room no new bead has taken."""
        return self.room.space if self.taken.is_empty else _difference(self.room.space, self.taken)


@remembered(256)
def _union(parts: list[shapely.Geometry]) -> shapely.Geometry:
    return shapely.union_all([part for part in parts if not part.is_empty])


@remembered(256)
def _difference(a: shapely.Geometry, b: shapely.Geometry) -> shapely.Geometry:
    return shapely.difference(a, b)


def _moved(room: Room, layer: int, by: int) -> Room:
    """A room of a like layer whose rows are `by` further on."""
    island = replace(room.island, rows=room.island.rows + np.int32(by))
    walls = tuple(replace(wall, rows=wall.rows + by) for wall in room.walls)
    return replace(
        room, layer=layer, island=island, wall_rows=room.wall_rows + by, fill_rows=room.fill_rows + by, walls=walls
    )  # fmt: skip


class Sites:
    """The sites of one instance, made as they are asked for."""

    def __init__(self, plate: Plate, pose: Pose, gauge: Measure) -> None:
        self.plate, self.pose, self.gauge = plate, pose, gauge
        self._layers = plate.beads.layer[pose.rows]
        self._known: dict[int, list[Site]] = {}
        self._shapes: OrderedDict[tuple[bytes, ...], tuple[int, list[Room], list[shapely.Geometry]]] = (
            OrderedDict()
        )
        self._below: dict[tuple[int, ...], Below] = {}
        self._states: dict[Hashable, int] = {}

    def state(self, key: Hashable) -> int:
        """A number for what `key` says, the same whenever it says the same."""
        return self._states.setdefault(key, len(self._states))

    def plate_layers(self, first: int, last: int) -> list[int]:
        """Plate layers (indices, ascending) of the instance's layers first to last."""
        mine = self._layers[(self.pose.layer >= first) & (self.pose.layer <= last)]
        return [int(k) for k in np.unique(mine)]

    def at(self, layer: int) -> list[Site]:
        """Sites of a plate layer."""
        if layer not in self._known:
            low, high = np.searchsorted(self._layers, [layer, layer + 1])
            rows = self.pose.rows[low:high].astype(np.int64)
            own = int(self.pose.layer[low]) if high > low else 0
            number, rooms, walls = self._rooms(layer, rows) if high > low else (0, [], [])
            self._known[layer] = [
                Site(room, own, plastic, self.state((number, k)))
                for k, (room, plastic) in enumerate(zip(rooms, walls, strict=True))
            ]
        return self._known[layer]

    def _rooms(self, layer: int, rows: I8) -> tuple[int, list[Room], list[shapely.Geometry]]:
        """Rooms of a layer with the plastic of their walls, and a number for their shape; those of a like layer moved
        to its rows."""
        moves, beads = self.plate.program.moves, self.plate.beads
        first = int(rows[0])
        part = slice(max(first - 1, 0), int(rows[-1]) + 1)
        z = np.round(moves.z[part] - moves.z[first], 6) + 0.0
        height = float(self.plate.layers.height_mm[layer])
        # Whether and how the last wall is run dry is told by what lies behind it.
        coasts, last = coasts_of(self.plate), int(rows[-1])
        dry, wiped = coasts.behind(last), len(coasts.wiped(last)) > 0
        columns = (moves.x[part], moves.y[part], moves.e[part], moves.kind[part], beads.feature[part],
                   beads.width[part], z, rows - first, np.array([height, wiped]),
                   moves.x[dry], moves.y[dry])  # fmt: skip
        key = tuple(column.tobytes() for column in columns)
        if key not in self._shapes:
            if len(self._shapes) >= _MOST_SHAPES:
                self._shapes.popitem(last=False)
            rooms = rooms_of(self.plate, layer, rows, self.gauge)
            self._shapes[key] = (
                self.state(("shape", len(self._states))),
                [_moved(r, layer, -first) for r in rooms],
                [_difference(r.island.polygon, r.space) for r in rooms],
            )
        number, rooms, walls = self._shapes[key]
        return number, [_moved(room, layer, first) for room in rooms], walls

    def below(self, layer: int) -> Below:
        """What lies under a plate layer of the instance; what regions lay there must be settled before."""
        at = int(np.searchsorted(self._layers, layer))
        if at == 0 or self.pose.layer[at] <= 1:
            return _BED
        under = self.at(int(self._layers[at - 1]))
        key = tuple(site.state for site in under)
        if key not in self._below:
            self._below[key] = self._lying(under)
        return self._below[key]

    def _lying(self, under: list[Site]) -> Below:
        solid = _union([site.solid for site in under])
        lines = [self._sparse(site) for site in under if site.room.solid is not site.room.space]
        return Below(solid, shapely.geometrycollections(lines) if lines else _EMPTY)

    def _sparse(self, site: Site) -> shapely.Geometry:
        """Lines of the fill that stays, as lines."""
        rows = site.room.fill_rows
        if len(rows) == 0:
            return _EMPTY
        moves = self.plate.program.moves
        before = np.maximum(rows - 1, 0)
        ends = np.stack(
            [
                np.column_stack([moves.x[before], moves.y[before]]),
                np.column_stack([moves.x[rows], moves.y[rows]]),
            ],
            axis=1,
        )
        return shapely.multilinestrings(shapely.linestrings(ends))

    def all(self) -> list[tuple[int, Site]]:
        """Every site made so far, with its plate layer, ascending."""
        return [(layer, site) for layer in sorted(self._known) for site in self._known[layer]]
