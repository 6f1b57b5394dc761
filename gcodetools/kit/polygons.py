"""Checks of polygons that a kit declares. Imports shapely, so only kits with polygons load this module."""

from __future__ import annotations

from collections.abc import Sequence

import shapely

__all__ = ["outline_flaw", "ring_flaw"]


def ring_flaw(ring: Sequence[tuple[float, float]]) -> str:
    """What is wrong with a closed ring, as words; "" if it bounds an area and crosses itself nowhere.

    Parameters
    ----------
    ring : points (x, y), mm; whether the last repeats the first makes no difference.
    """
    corners = list(ring[:-1] if ring[0] == ring[-1] else ring)
    if len(set(corners)) < 3:
        return "fewer than three different points"
    polygon = shapely.Polygon(corners)
    if not shapely.is_valid(polygon):
        return str(shapely.is_valid_reason(polygon)).replace("[", " at [").lower()
    if polygon.area <= 0:
        return "no area"
    return ""


def outline_flaw(rings: Sequence[Sequence[tuple[float, float]]]) -> str:
    """What is wrong with rings that each are sound, taken together; "" if none crosses another."""
    lines = [shapely.LinearRing(ring) for ring in rings]
    for one, other in shapely.STRtree(lines).query(lines, predicate="intersects").T:
        if one < other:
            return f"ring {other + 1} meeting ring {one + 1}"
    return ""
