"""How thick a room is where new beads were laid in it, and how many lie there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.bands import opened_parts, polygons_of
from gcodetools.toolpath.strands import Filled, Strand
from gcodetools.treat.memory import remembered

__all__ = ["Places", "places_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_REACH = (
    0.75  # of the thickness: from an edge over the middle, into corners, but not into a wider place far off
)
_WIDE_MM = 3.0  # a room that is thicker may have been measured by its greatest circle alone
_STEP = 1.04  # to which the thickness of wide rooms is told
_CIRCLE = 0.005  # of the side of a square as large: how well its greatest circle is known
_NEAR_MM, _NEAR = 0.02, 0.02  # of the thickness: an edge is not lost where it is off by so little
_BESIDE = 0.8  # breadths from an edge to the bead beside it, round ends and corners
_LEAST_SHARE = 0.05  # of the edge that is left out at the lower end: corners and ends of arms


@dataclass(frozen=True, slots=True)
class Places:
    """Places along the edge of a room that have new beads by their side.

    thickness : (n,) of the room before they were laid, mm. weights : (n,) mm of edge. loops : (n,) int64, perimeters
    from the edge inwards; 0 where there are beads along the middle only.
    """

    thickness: F8
    weights: F8
    loops: I8

    @classmethod
    def of(cls, many: Iterable[Places]) -> Places:
        """All of several."""
        parts = list(many) or [_NONE]
        return cls(
            np.concatenate([p.thickness for p in parts]),
            np.concatenate([p.weights for p in parts]),
            np.concatenate([p.loops for p in parts]),
        )

    @property
    def room_mm(self) -> tuple[float, float, float]:
        """Least, median and greatest thickness; all 0 for no place."""
        return self._spread(self.thickness)

    @property
    def counts(self) -> tuple[int, int, int]:
        """Fewest, median and most perimeters; all 0 for no place."""
        low, middle, high = self._spread(self.loops.astype(np.float64))
        return int(low), int(middle), int(high)

    def _spread(self, values: F8) -> tuple[float, float, float]:
        if not len(values):
            return 0.0, 0.0, 0.0
        order = np.argsort(values, kind="stable")
        share = np.cumsum(self.weights[order])
        at = np.searchsorted(share, share[-1] * np.array([_LEAST_SHARE, 0.5]))
        low, middle = values[order[np.minimum(at, len(order) - 1)]]
        return float(low), float(middle), float(values.max())


_NONE = Places(np.empty(0), np.empty(0), np.empty(0, np.int64))


def places_of(space: shapely.Geometry, filled: Sequence[Filled], strands: Sequence[Strand]) -> Places:
    """Places of a room that beads lie beside.

    Parameters
    ----------
    space : the room before. filled : its parts, as they would be filled. strands : what of it was laid.
    """
    known = [one for one in filled if len(one.at)]
    if not known or not strands:
        return _NONE
    at = np.concatenate([one.at for one in known])
    weights = np.concatenate([one.weights for one in known])
    thickness = np.concatenate([one.thickness for one in known])
    parts = polygons_of(space)
    tree = shapely.STRtree(parts)
    points = shapely.points(at)
    own = tree.nearest(points)
    for k in np.unique(own[thickness > _WIDE_MM]).tolist():
        mine = np.flatnonzero((own == k) & (thickness > _WIDE_MM))
        thickness[mine] = _opened(parts[k], at[mine])
    lines = [np.vstack([s.points, s.points[:1]]) if s.closed else s.points for s in strands]
    paths = np.array([shapely.linestrings(line) for line in lines], dtype=object)
    of = tree.nearest(shapely.points([line[len(line) // 2] for line in lines]))
    beads = shapely.STRtree(paths)
    reach = _REACH * thickness
    place, strand = beads.query(shapely.box(*(at - reach[:, None]).T, *(at + reach[:, None]).T))
    same = own[place] == of[strand]
    place, strand = place[same], strand[same]
    shapely.prepare(paths)
    near = shapely.dwithin(paths[strand], points[place], reach[place])
    place, strand = place[near], strand[near]
    # Those that nothing carries are not laid, though deeper ones may be.
    loop = np.array([s.loop for s in strands])[strand]
    most = int(loop.max(initial=0)) + 1
    pairs = np.zeros(len(at) * most, bool)
    pairs[place * most + np.maximum(loop, 0)] = True
    loops = np.full(len(at), -1)
    loops[place] = 0
    loops += pairs.reshape(len(at), most)[:, 1:].sum(axis=1)
    # The bead beside a place is what tells that it lies in the region; an earlier one may have got there first.
    beside = np.zeros(len(at), bool)
    breadth = max(float(s.breadth.max()) for s in strands)
    far = _BESIDE * breadth
    place, strand = beads.query(shapely.box(*(at - far).T, *(at + far).T))
    beside[place[shapely.dwithin(paths[strand], points[place], far)]] = True
    there = loops >= 0
    there &= beside if np.any(there & beside) else True
    return Places(thickness[there], weights[there], loops[there].astype(np.int64))


@remembered(64)
def _opened(part: shapely.Polygon, at: F8) -> F8:
    """(n,) thickness at points of a part's edge: the greatest that is left there when narrower places are opened."""
    points = shapely.points(at)
    most = float(shapely.length(shapely.maximum_inscribed_circle(part, _CIRCLE * np.sqrt(part.area)))) * 2
    result = np.full(len(at), most)
    todo = [(np.arange(len(at)), min(_WIDE_MM, most), most)]
    while todo:
        mine, low, high = todo.pop()
        if high < _STEP * low:
            result[mine] = high if high == most else np.sqrt(low * high)
            continue
        level = high / np.sqrt(_STEP) if high == most else float(np.sqrt(low * high))
        held = shapely.union_all(opened_parts(part, level / 2))
        inside = shapely.distance(held, points[mine]) < _NEAR_MM + _NEAR * level
        todo += [(mine[inside], level, high)] if inside.any() else []
        todo += [(mine[~inside], low, level)] if not inside.all() else []
    return result
