"""Thickness across rooms against closed forms, and meshes that cover their room whole."""

from __future__ import annotations

from math import cos, radians, sin

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, affinity, box

from gcodetools.toolpath.meshes import groups, mesh_of, rings_of


def mm(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


@settings(max_examples=60, deadline=None)
@given(mm(2, 40), mm(0.2, 4), mm(0, 360), mm(-200, 200))
def test_a_strip_is_as_thick_as_it_is_and_covered_whole(
    length: float, thickness: float, degrees: float, x: float
) -> None:
    strip = affinity.translate(affinity.rotate(box(0, 0, length + thickness, thickness), degrees), x, -x)
    mesh = mesh_of(strip, 0.16)
    assert mesh is not None
    assert mesh.areas.sum() == pytest.approx(strip.area, rel=1e-3)
    real = ~mesh.corner
    if length > 2 * thickness:
        assert real.any()
        assert mesh.across[real] == pytest.approx(thickness, rel=1e-3)
        assert (
            shapely.distance(strip.exterior, shapely.points(mesh.middle[real])).max() < thickness / 2 + 1e-3
        )


def test_a_ring_is_as_thick_as_its_radii_differ() -> None:
    ring = Point(0, 0).buffer(6.2, quad_segs=60).difference(Point(0, 0).buffer(5.0, quad_segs=60))
    mesh = mesh_of(ring, 0.16)
    assert mesh is not None
    assert not mesh.corner.any()
    assert mesh.across == pytest.approx(1.2, rel=0.02)
    assert np.hypot(*mesh.middle.T) == pytest.approx(5.6, abs=0.02)


@pytest.mark.parametrize(("degrees", "is_corner"), [(15.0, False), (60.0, True), (90.0, True)])
def test_a_sharp_tip_is_a_thin_place_and_a_blunt_one_a_corner(degrees: float, is_corner: bool) -> None:
    tip = Polygon([(0, 0), (8, 0), (8 * cos(radians(degrees)), 8 * sin(radians(degrees)))])
    mesh = mesh_of(tip, 0.16)
    assert mesh is not None
    near = np.hypot(*mesh.middle.T) < 2
    assert mesh.corner[near].all() == is_corner
    assert is_corner or not mesh.corner[near].any()


def test_parts_of_a_mesh_make_the_polygons_they_cover() -> None:
    plate = box(0, 0, 6, 6).difference(Point(3, 3).buffer(1.5))
    mesh = mesh_of(plate, 0.3)
    assert mesh is not None
    (whole,) = mesh.union(np.ones(len(mesh.triangle), bool))
    assert whole.symmetric_difference(plate).area < 1e-3
    left = mesh.edge.xy[mesh.triangle].mean(axis=1)[:, 0] < 3
    assert sum(p.area for p in mesh.union(left)) == pytest.approx(mesh.areas[left].sum())
    assert mesh.union(np.zeros(len(mesh.triangle), bool)) == []


def test_rings_have_the_inside_to_their_left() -> None:
    outer, inner = rings_of(Polygon([(0, 0), (0, 4), (4, 4), (4, 0)], [[(1, 1), (2, 1), (2, 2), (1, 2)]]))
    assert Polygon(outer).exterior.is_ccw
    assert not Polygon(inner).exterior.is_ccw


@given(st.integers(1, 60), st.lists(st.tuples(st.integers(0, 59), st.integers(0, 59)), max_size=80))
def test_groups_are_what_a_plain_search_finds(count: int, pairs: list[tuple[int, int]]) -> None:
    pairs = [(a % count, b % count) for a, b in pairs]
    found = groups(count, np.array(pairs, dtype=np.int64).reshape(-1, 2))
    sets = [{k} for k in range(count)]
    for a, b in pairs:
        one, two = (next(s for s in sets if k in s) for k in (a, b))
        if one is not two:
            one |= two
            sets = [s for s in sets if s is not two]
    assert {frozenset(np.flatnonzero(found == g).tolist()) for g in np.unique(found)} == {
        frozenset(s) for s in sets
    }
