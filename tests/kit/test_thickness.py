"""Where a section is thinner than asked: walls, ribs and rings, turned as they may be; never corners."""

from __future__ import annotations

from math import cos, radians, sin, tau

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity, box

from gcodetools.kit.thickness import thin_places

SLAB = box(0, 0, 20, 20)
FIN = box(9.4, 19, 10.6, 26)


@pytest.mark.parametrize(
    ("shape", "thickness", "area"),
    [
        (SLAB, 3.0, 0.0),
        (box(0, 0, 2, 20), 3.0, 40.0),
        (box(0, 0, 2, 20), 2.0, 0.0),
        (SLAB.union(FIN), 2.0, 1.2 * 6),
        (shapely.Polygon([(0, 0), (10, 0), (10, 5), (5, 5), (5, 10), (0, 10)]), 3.0, 0.0),
        (shapely.Point(0, 0).buffer(10).difference(shapely.Point(0, 0).buffer(8)), 1.9, 0.0),
    ],
    ids=["thick", "bar", "as thick as asked", "fin", "corners", "ring"],
)
def test_thin_places_are_walls_and_not_corners(
    shape: shapely.Geometry, thickness: float, area: float
) -> None:
    assert thin_places(shape, thickness).area == pytest.approx(area, abs=0.05)


def test_all_of_a_ring_is_thin_if_its_wall_is() -> None:
    ring = shapely.Point(0, 0).buffer(10).difference(shapely.Point(0, 0).buffer(8))
    assert thin_places(ring, 2.2).area == pytest.approx(ring.area, rel=0.01)


def thin_at(shape: shapely.Geometry, points: list[tuple[float, float]], thickness: float) -> list[bool]:
    return shapely.intersects_xy(thin_places(shape, thickness), *np.array(points).T).tolist()


@given(st.floats(1.0, 8.0), st.floats(0.5, 8.0), st.floats(0, 180))
def test_a_wall_is_thin_by_its_thickness_however_turned(wall: float, asked: float, degrees: float) -> None:
    if abs(wall - asked) < 0.06:
        return
    shape = affinity.rotate(box(-30, -wall / 2, 30, wall / 2), degrees, (0, 0))
    points = [(0.0, 0.0), (10 * cos(radians(degrees)), 10 * sin(radians(degrees)))]
    assert thin_at(shape, points, asked) == [wall < asked] * 2


def test_a_rib_on_a_block_is_thin_and_the_corners_of_the_block_are_not() -> None:
    shape = box(0, 0, 20, 20).union(box(20, 9.4, 32, 10.6))
    points = [(0.2, 0.2), (19.8, 0.2), (10, 10), (26, 10), (31.8, 9.6), (50, 50)]
    assert thin_at(shape, points, 2.0) == [False, False, False, True, True, False]


def test_a_ring_is_thin_by_its_wall() -> None:
    centre = shapely.Point(0, 0)
    ring = centre.buffer(10.4, quad_segs=64).difference(centre.buffer(8, quad_segs=64))
    points = [(9.2 * cos(a), 9.2 * sin(a)) for a in np.linspace(0, tau, 37)]
    assert all(thin_at(ring, points, 2.5)) and not any(thin_at(ring, points, 2.3))
