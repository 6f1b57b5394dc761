"""Small demo plates of two bridges, made once."""

from __future__ import annotations

from functools import lru_cache

from shapely import Point, box, union_all

from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Part
from gcodetools.demo.slicing import Recipe
from gcodetools.toolpath.plate import Plate


def _block() -> Part:
    """A bridge over a gap on two posts: few layers, all kinds of beads."""
    post = Point(-5, 0).buffer(4, quad_segs=12)
    legs = union_all([post, box(4, -4, 9, 4)])
    whole = union_all([post, box(-5, -4, 9, 4)])
    return Part("gate", 2.4, lambda z: legs if z < 1.2 else whole, (0.0, 0.0))


GATE = _block()


@lru_cache(maxsize=32)
def demo_plate(convention: str, **options: object) -> Plate:
    parts = [Placement(GATE, 80, 110), Placement(GATE, 130, 110, 90.0)]
    made = make(convention, parts=parts, recipe=Recipe(), **options)  # type: ignore[arg-type]
    return Plate.from_bytes(made.data, f"{convention}.gcode")
