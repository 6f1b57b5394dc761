"""Whether beads of the diameter that is taken lie as far apart as they are wide."""

from __future__ import annotations

from gcodetools.toolpath.measures import measure
from gcodetools.toolpath.plate import Plate

__all__ = ["fits"]

_FILL = (0.85, 1.15)  # of walls side by side; common practice, no source: solid is 0.9 to 1.05


def fits(plate: Plate) -> bool:
    """Whether walls (or solid lines, where no two loops lie side by side) fill the pitch at which they are laid."""
    gauge = measure(plate)
    return gauge.fill_from != "assumed" and _FILL[0] <= gauge.wall_fill <= _FILL[1]
