"""How many walls of a joint a region holds, on shapes whose walls are known by how they are made."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Polygon, affinity, box

from gcodetools.kit.flanks import walls_held
from gcodetools.kit.shapes import AllOf, AnyOf, Box, Cylinder, Mirror, Slab
from gcodetools.kit.solids import compile_solid

KEY = box(-3, 0, 3, 24)
BLOCK = box(-34, -12, 34, -3)
SLOTTED = BLOCK.difference(box(25.5, -13, 31.5, -4)).difference(box(-31.5, -13, -25.5, -4))
PIN = shapely.Point(0, 0).buffer(4)
HUB = shapely.Point(0, 0).buffer(8).difference(PIN)
Z = [(1.0, 6)]


def held(
    shape: shapely.Geometry, declared: object, size: float, at: list[tuple[float, int]] = Z
) -> int | None:
    return walls_held(shape, compile_solid(declared), at, size)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("shape", "declared", "size", "walls"),
    [
        (KEY, Box(x=(-4, 4), y=(4, 25)), 6, 2),  # both flanks and the end
        (KEY, Box(x=(0, 4), y=(4, 20)), 6, 1),
        (KEY, Box(x=(-4, 0), y=(4, 25)), 6, 1),  # one flank and half of the end
        (KEY, Box(x=(-2, 2), y=(4, 20)), 6, None),  # within the plastic
        # A wall's centre line lies half a bead within: that is what a region selects.
        (KEY, Box(x=(-2.9, 2.9), y=(4, 20)), 6, 2),
        (SLOTTED, Box(x=(25.4, 31.6), y=(-11, -4.5)), 6, None),
        (SLOTTED, Box(x=(24.5, 32.5), y=(-11, -2.5)), 6, 2),
        (SLOTTED, Box(x=(29, 32.5), y=(-11, -4.5)), 6, 1),
        # The outer flanks of two slots face each other, but at a distance that is no key's.
        (SLOTTED, AnyOf((Box(x=(29, 32.5), y=(-11, -4.5)), Mirror("x"))), 6, 1),
        (SLOTTED, AnyOf((Box(x=(24.5, 32.5), y=(-11, -4.5)), Mirror("x"))), 6, 2),
        (PIN, Box(), 8, 2),
        (PIN, Box(x=(0, 5)), 8, 1),
        (HUB, Cylinder(centre=(0, 0), radius=5), 8, 2),
        (HUB, AllOf((Cylinder(centre=(0, 0), radius=5), Box(y=(0, 9)))), 8, 1),
    ],
)  # fmt: skip
def test_walls_are_counted(shape, declared, size, walls):
    assert held(shape, declared, size) == walls


@pytest.mark.parametrize("turn", [17.0, 45.0, 90.0, 201.0])
def test_a_turned_key_has_two_walls_as_well(turn):
    assert held(affinity.rotate(KEY, turn), Box(), 6) == 2
    assert held(affinity.rotate(KEY, turn), Box(), 12) == 1  # no pair lies so far apart


def test_a_tapered_key_and_one_of_many_points():
    """0.7 degrees a side, as the demo's key; a pin of a hundred thousand points is thinned, not refused."""
    tapered = Polygon([(-3.1, 3), (3.1, 3), (2.85, 23), (-2.85, 23)])
    assert held(tapered, Box(y=(4, 22)), 6) == 2
    angle = np.linspace(0, 2 * np.pi, 100_000, endpoint=False)
    fine = Polygon(np.column_stack([40 * np.cos(angle), 40 * np.sin(angle)]))
    assert held(fine, Box(), 80) == 2
    assert held(fine, Box(x=(0, 50)), 80) == 1


def test_heights_count_where_one_of_them_is_in_the_region():
    region = AllOf((Slab(z=(4, 8)), Box(x=(-4, 4), y=(4, 25))))
    assert held(KEY, region, 6, [(1.0, 6)]) is None
    assert held(KEY, region, 6, [(1.0, 6), (5.0, 26)]) == 2
    layers = AllOf((Slab(layers=(3, 5)), Box(x=(-4, 4), y=(4, 25))))
    assert held(KEY, layers, 6, [(1.0, 2)]) is None and held(KEY, layers, 6, [(1.0, 3)]) == 2


def test_nothing_is_known_of_an_empty_shape_or_a_crumb():
    assert held(shapely.Polygon(), Box(), 6) is None
    assert held(box(0, 0, 0.2, 0.2), Box(), 6) is None
