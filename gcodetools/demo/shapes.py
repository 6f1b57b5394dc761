"""The Hoophouse's parts as polygons by height, each in its own frame. All of it is invented.

Lengths mm, angles degrees counter-clockwise from +x, z = 0 on the bed. A part printed standing keeps its
section over most of its height, so sections are shared objects wherever they are equal.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import cos, radians, sin
from typing import TypeAlias

from shapely import Polygon, affinity, box, union_all
from shapely.geometry.base import BaseGeometry

from gcodetools.records import dataclass

__all__ = [
    "BORE_MM",
    "CLIP_GAP_DEG",
    "HOOPHOUSE",
    "RIB_ANGLES_DEG",
    "WALL_MM",
    "Part",
    "Shape",
    "film_clip",
    "part_named",
    "ridge_saddle",
    "shelf_hook",
    "wedge_key",
]

# A polygon or several; the library has no types of its own.
Shape: TypeAlias = BaseGeometry

BORE_MM = 16.0
WALL_MM = 2.4
CLIP_GAP_DEG = 100.0
RIB_ANGLES_DEG = (110.0, 180.0, 250.0)
RIB_WIDTH_MM = 1.2
RIB_PROUD_MM = 0.6
STEP_DEG = 7.5


@dataclass(frozen=True)
class Part:
    """A thing to print.

    name : as the kit calls it. height_mm : its height. section : the polygons cut at a height.
    seam : point of the frame next to which every loop begins and ends.
    """

    name: str
    height_mm: float
    section: Callable[[float], Shape]
    seam: tuple[float, float] = (0.0, 0.0)

    @property
    def outline(self) -> Shape:
        """Edge of the plastic on the first layer."""
        return self.section(0.1)


@dataclass(frozen=True)
class Bands:
    """Sections that are constant between heights: (top, polygon) from the bed upward."""

    bands: tuple[tuple[float, Shape], ...]

    def __call__(self, z_mm: float) -> Shape:
        for top, shape in self.bands:
            if z_mm <= top:
                return shape
        return Polygon()


def arc_points(radius: float, start: float, stop: float, step_deg: float) -> list[tuple[float, float]]:
    """Points on a circle about the origin from one angle to the other, both included."""
    count = max(2, round(abs(stop - start) / step_deg) + 1)
    angles = [radians(start + (stop - start) * k / (count - 1)) for k in range(count)]
    return [(radius * cos(a), radius * sin(a)) for a in angles]


def open_ring(bore: float, wall: float, gap_deg: float, facing: float, step_deg: float) -> Polygon:
    """A C: a ring open over `gap_deg` towards `facing`."""
    start, stop = facing + gap_deg / 2, facing + 360 - gap_deg / 2
    outer = arc_points(bore / 2 + wall, start, stop, step_deg)
    inner = arc_points(bore / 2, stop, start, step_deg)
    return Polygon(outer + inner)


def film_clip(height_mm: float = 30.0, step_deg: float = STEP_DEG) -> Part:
    """A C-shaped sleeve that holds film on 16 mm tube; it opens towards +x. Three ribs stand in its bore."""
    ring = open_ring(BORE_MM, WALL_MM, CLIP_GAP_DEG, 0.0, step_deg)
    inner = BORE_MM / 2 - RIB_PROUD_MM
    rib = box(inner, -RIB_WIDTH_MM / 2, BORE_MM / 2 + 0.5, RIB_WIDTH_MM / 2)
    ribs = [affinity.rotate(rib, angle, origin=(0, 0)) for angle in RIB_ANGLES_DEG]
    return Part("film-clip", height_mm, Bands(((height_mm, union_all([ring, *ribs])),)), (-10.4, -1.0))


SADDLE_SOCKETS = ((-13.0, 3.2), (13.0, 3.2))
SLOT_Z = (5.0, 10.0)
SLOT_X = (25.5, 31.5)


def ridge_saddle(height_mm: float = 14.0, step_deg: float = STEP_DEG) -> Part:
    """A block with two sockets slotted towards +y and, left and right, a slot for a key along y."""
    ring = open_ring(BORE_MM, WALL_MM, CLIP_GAP_DEG, 90.0, step_deg)
    sockets = [affinity.translate(ring, x, y) for x, y in SADDLE_SOCKETS]
    bore = Polygon(arc_points(BORE_MM / 2, 0, 360 - step_deg, step_deg))
    bores = union_all([affinity.translate(bore, x, y) for x, y in SADDLE_SOCKETS])
    block = box(-34, -12, 34, -3).difference(bores)
    whole = union_all([block, *sockets])
    slots = union_all([box(SLOT_X[0], -13, SLOT_X[1], -2), box(-SLOT_X[1], -13, -SLOT_X[0], -2)])
    slotted = whole.difference(slots)
    bands = ((SLOT_Z[0], whole), (SLOT_Z[1], slotted), (height_mm, whole))
    return Part("ridge-saddle", height_mm, Bands(bands), (-34.0, -12.0))


KEY_LENGTH_MM = 24.0
KEY_WIDTH_MM = {"snug": 6.2, "easy": 5.9}


def wedge_key(size: str = "snug", height_mm: float = 4.8) -> Part:
    """A tapered key with a head at y = 0, driven into a saddle's slot along +y. The easy one has a notch."""
    root, tip = KEY_WIDTH_MM[size] / 2, KEY_WIDTH_MM[size] / 2 - 0.25
    end = KEY_LENGTH_MM
    shank = Polygon([(-root, 3), (root, 3), (tip, end - 1), (tip - 1, end), (1 - tip, end), (-tip, end - 1)])
    key = union_all([box(-4.5, 0, 4.5, 3.0), shank])
    if size == "easy":
        key = key.difference(box(-0.9, -0.1, 0.9, 1.0))
    return Part(f"wedge-key-{size}", height_mm, Bands(((height_mm, key),)), (-4.5, 0.0))


HOOK_ROOT_Z, HOOK_STEP_Z, HOOK_TAPER_Z = 4.0, 20.0, 21.0
HOOK_UNDERCUT_MM = 1.0


@lru_cache(maxsize=64)
def _hook_section(z_mm: float) -> Shape:
    if z_mm <= HOOK_ROOT_Z:
        return Polygon([(-9, -6), (9, -6), (9, 3), (6, 6), (-9, 6)])
    front = -0.6
    if z_mm > HOOK_STEP_Z:
        front += HOOK_UNDERCUT_MM - 0.5 * max(0.0, z_mm - HOOK_TAPER_Z)
    return box(-5.0, -3.0, 5.0, front)


def shelf_hook(height_mm: float = 24.0) -> Part:
    """A hook on a standing finger: bent to snap into an end plate, it bends across its layers."""
    return Part("shelf-hook", height_mm, lambda z: _hook_section(round(z, 6)), (-9.0, -6.0))


@lru_cache(maxsize=1)
def _hoophouse() -> dict[str, Part]:
    parts = (film_clip(), ridge_saddle(), wedge_key("snug"), wedge_key("easy"), shelf_hook())
    return {part.name: part for part in parts}


HOOPHOUSE = ("film-clip", "ridge-saddle", "wedge-key-snug", "wedge-key-easy", "shelf-hook")


def part_named(name: str) -> Part:
    """One of the Hoophouse's parts by its kit name.

    Raises
    ------
    KeyError
        If the Hoophouse has no such part.
    """
    return _hoophouse()[name]
