"""What settings make of a bead: its section, the plastic it takes a second, how many stand in a wall."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from gcodetools.kit.loads import Annular, Cantilever, OpenRing, Press
from gcodetools.kit.schema import Region
from gcodetools.kit.shapes import AllOf, AnyOf, Solid, ThinnerThan

__all__ = [
    "Rate",
    "beads_across",
    "perimeters_for",
    "rates",
    "section_mm2",
    "spacing_mm",
    "thinner_than",
    "wall_mm",
]

Look = Callable[[str], float | None]
"""The value of a name of ours, None where it is not told."""

# (speed, width, fallbacks of the width): what is laid with what.
_LAID = (
    ("speed_outer_mm_s", "width_outer_mm"),
    ("speed_perimeter_mm_s", "width_perimeter_mm"),
    ("speed_infill_mm_s", "width_infill_mm"),
    ("speed_solid_mm_s", "width_solid_mm"),
    ("speed_top_mm_s", "width_top_mm"),
    ("speed_mm_s", "width_mm"),
    ("speed_walls_mm_s", "width_mm"),
)
_FIRST = (("speed_first_mm_s", "width_first_mm"), ("speed_first_infill_mm_s", "width_first_mm"))


class Rate(NamedTuple):
    """Plastic a second of beads at a speed. name : of the speed. capped : the settings' own limit holds it down."""

    name: str
    speed_mm_s: float
    width_mm: float
    height_mm: float
    mm3_s: float
    capped: bool


def section_mm2(width_mm: float, height_mm: float) -> float:
    """Section of a bead: a rectangle with round ends, as the flow of most files has it (see `treat.flow`)."""
    if width_mm <= height_mm:
        return math.pi * width_mm * height_mm / 4
    return (width_mm - height_mm) * height_mm + math.pi * height_mm**2 / 4


def spacing_mm(width_mm: float, height_mm: float) -> float:
    """Distance of beads that fill without a gap: section over height."""
    return section_mm2(width_mm, height_mm) / height_mm


def rates(look: Look) -> Iterator[Rate]:
    """Plastic a second for each speed that is told, where a width and a height are told too.

    Flow factors count. What the settings cap themselves (`max_flow_mm3_s`) is capped here, before the flow factors:
    with 20 mm3/s and a factor of 0.98 beads of 0.5 by 0.25 mm ran at 179.2 mm/s (sample C-arcs), which is 20 mm3/s
    without it.
    """
    caps = [cap for name in ("max_flow_mm3_s", "max_flow_print_mm3_s") if (cap := look(name))]
    flow = (look("flow") or 1.0) * (look("flow_print") or 1.0)
    height = look("layer_height_mm")
    first = look("first_layer_height_mm") or height
    for pairs, tall, more in ((_LAID, height, 1.0), (_FIRST, first, look("flow_first") or 1.0)):
        for speed_name, width_name in pairs:
            speed, width = look(speed_name), look(width_name) or look("width_mm")
            if speed is None or width is None or tall is None:
                continue
            plain = section_mm2(width, tall) * speed
            capped = bool(caps) and plain > min(caps)
            yield Rate(speed_name, speed, width, tall, min([plain, *caps]) * flow * more, capped)


def wall_mm(region: Region) -> float | None:
    """Thickness of the wall that a region's load states, None where it states none."""
    load = region.load
    if isinstance(load, OpenRing):
        return load.wall_mm
    if isinstance(load, Cantilever):
        return load.thickness_mm
    if isinstance(load, Annular):
        return (load.outer_mm - load.diameter_mm) / 2
    if isinstance(load, Press):
        return (load.outer_mm - load.diameter_mm) / 2
    return None


def thinner_than(solid: Solid) -> float | None:
    """The wall that a region's `thinner_than` names, None where there is none."""
    if isinstance(solid, ThinnerThan):
        return solid.thickness_mm
    found = [thinner_than(part) for part in solid.solids] if isinstance(solid, AllOf | AnyOf) else []
    return min((one for one in found if one is not None), default=None)


def beads_across(wall: float, width_mm: float, height_mm: float) -> int:
    """How many beads stand side by side in a wall: the first takes its width, each further one a spacing."""
    more = (wall - width_mm) / spacing_mm(width_mm, height_mm)
    return max(0, 1 + math.floor(more + 1e-6)) if wall >= width_mm - 1e-9 else 0


def perimeters_for(wall: float, width_mm: float, height_mm: float) -> int:
    """Perimeters that fill a wall from both of its sides."""
    return max(1, math.ceil(beads_across(wall, width_mm, height_mm) / 2))
