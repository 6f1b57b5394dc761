"""Sites: the islands of an instance, layer by layer, with what has been laid on them so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit.placing import Pose
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.rooms import Measure, Room, rooms_of
from gcodetools.treat.carry import Below
from gcodetools.treat.laying import Bead

__all__ = ["Site", "Sites"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_EMPTY = shapely.MultiPolygon()
_BRIDGES = FEATURE_INDEX["bridge"]


@dataclass(slots=True)
class Site:
    """One room with what regions have done to it.

    layer : of the instance, from 1. taken : area of new beads. beads : new beads by region, in order; each
    with who asked. pulls : retractions used. laid_solid : new beads that count as plastic below the next layer.
    gone : (row, t0, t1) stretches of its fill that give way.
    """

    room: Room
    layer: int
    walls: shapely.Geometry
    taken: shapely.Geometry = _EMPTY
    pulls: int = 0
    beads: list[tuple[str, list[Bead]]] = field(default_factory=list)
    gone: list[tuple[I8, F8, F8]] = field(default_factory=list)

    @property
    def solid(self) -> shapely.Geometry:
        """Plastic that carries the layer above: walls, solid fill, new beads."""
        return shapely.union_all([self.walls, self.room.solid, self.taken])

    @property
    def free(self) -> shapely.Geometry:
        """What of the room no new bead has taken."""
        return self.room.space if self.taken.is_empty else self.room.space.difference(self.taken)


class Sites:
    """The sites of one instance, made as they are asked for."""

    def __init__(self, plate: Plate, pose: Pose, gauge: Measure) -> None:
        self.plate, self.pose, self.gauge = plate, pose, gauge
        self._layers = plate.beads.layer[pose.rows]
        self._known: dict[int, list[Site]] = {}
        self._below: dict[int, Below] = {}

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
            rooms = rooms_of(self.plate, layer, rows, self.gauge) if high > low else []
            self._known[layer] = [Site(r, own, r.island.polygon.difference(r.space)) for r in rooms]
        return self._known[layer]

    def below(self, layer: int) -> Below:
        """What lies under a plate layer of the instance; what regions lay there must be settled before."""
        at = int(np.searchsorted(self._layers, layer))
        if at == 0 or self.pose.layer[at] <= 1:
            return Below(None, _EMPTY)
        under = self.at(int(self._layers[at - 1]))
        solid = shapely.union_all([site.solid for site in under])
        lines = [self._sparse(site) for site in under if not site.room.solid.equals(site.room.space)]
        return Below(solid, shapely.union_all(lines) if lines else _EMPTY)

    def _sparse(self, site: Site) -> shapely.Geometry:
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
        lines = shapely.multilinestrings(shapely.linestrings(ends))
        return shapely.buffer(lines, self.gauge.width_mm / 2, quad_segs=1)

    def all(self) -> list[tuple[int, Site]]:
        """Every site made so far, with its plate layer, ascending."""
        return [(layer, site) for layer in sorted(self._known) for site in self._known[layer]]
