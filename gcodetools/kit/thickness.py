"""Where a section is thinner than asked: lips, fingers, ribs, by opening it (shrink, then grow back).

Corners stay sharp both ways (mitred), so that a corner of a thick part is not taken for a thin place; a
corner sharper than 39 degrees is one.
"""

from __future__ import annotations

import shapely

__all__ = ["thin_places"]

# A wall as thick as asked is not thinner; an edge known from beads is off by about this much.
_EDGE_MM = 0.02
_SLIVER_MM = 0.1  # narrower remains are what rounding leaves along edges
_MITRE = 3.0  # 2 asin(1 / 3) = 39 degrees
_MITRE_IN = 5.0


def thin_places(section: shapely.Geometry, thickness_mm: float) -> shapely.Geometry:
    """The parts of a section (polygons) that are locally thinner than `thickness_mm`; empty if none is."""
    half = thickness_mm / 2 - _EDGE_MM
    if half <= 0 or section.is_empty:
        return shapely.Polygon()
    core = section.buffer(-half, join_style="mitre", mitre_limit=_MITRE_IN)
    opened = core.buffer(half + _EDGE_MM / 2, join_style="mitre", mitre_limit=_MITRE)
    rest = section.difference(opened).buffer(-_SLIVER_MM / 2, join_style="mitre")
    return rest.buffer(_SLIVER_MM / 2, join_style="mitre").intersection(section)
