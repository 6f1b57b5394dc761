"""Why a region gets no new bead on an island, though the island has beads elsewhere."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.treat.memory import remembered
from gcodetools.treat.sites import Site

__all__ = ["NARROW", "OUTSIDE", "why_none"]

F8 = NDArray[np.float64]

NARROW = "the room is under 0.6 of a bead wide"
OUTSIDE = "none of it lies in the region"
_NO_ROOM = "no room inside the walls in the region"
_NARROW_THERE = f"{NARROW} in the region"
_LEAST = 0.02  # breadths squared: less is a corner


def why_none(site: Site, free: shapely.Geometry, least_mm: float, holds: Callable[[F8, F8], bool]) -> str:
    """The reason, as a sentence part.

    Parameters
    ----------
    free : what there is to fill. least_mm : breadth of the thinnest bead. holds : whether straight pieces, begins
    and ends (n, 2), lie in the region, one of them with a part of it.
    """
    if holds(*_pieces(_narrow(free, least_mm))):
        return _NARROW_THERE
    if holds(*_pieces(free)):
        return OUTSIDE
    lines = [np.vstack([w.points, w.points[:1]]) if w.closed else w.points for w in site.room.walls]
    walls = shapely.multilinestrings([shapely.linestrings(line) for line in lines if len(line) > 1])
    return _NO_ROOM if holds(*_pieces(walls)) else OUTSIDE


@remembered(256)
def _narrow(free: shapely.Geometry, least_mm: float) -> shapely.Geometry:
    """What of an area is too narrow for a bead."""
    half = 0.99 * least_mm / 2
    wide = shapely.buffer(
        shapely.buffer(free, -half, join_style="mitre"), half + 0.01 * least_mm, join_style="mitre"
    )
    parts = shapely.get_parts(shapely.difference(free, wide))
    return shapely.geometrycollections(parts[shapely.area(parts) > _LEAST * least_mm**2])


def _pieces(shape: shapely.Geometry) -> tuple[F8, F8]:
    """Begins and ends of all edges of areas, and of lines."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    areas = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    lines = np.concatenate([shapely.get_rings(parts[areas]), parts[~areas]])
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    same = owner[1:] == owner[:-1]
    return xy[:-1][same], xy[1:][same]
