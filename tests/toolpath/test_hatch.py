"""Solid lines against areas, pitches and directions that closed forms give."""

from __future__ import annotations

from math import cos, pi, sin, sqrt

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point, Polygon, affinity, box

from gcodetools.toolpath.hatch import hatch
from gcodetools.toolpath.strands import Strand

F8 = NDArray[np.float64]
PITCH = 0.41


def lengths(strand: Strand) -> F8:
    return np.hypot(*np.diff(strand.points, axis=0).T)


def volume(strands: list[Strand]) -> float:
    return float(sum((lengths(s) * s.breadth).sum() for s in strands))


def along(strand: Strand, direction: float) -> F8:
    """(n - 1,) sine of the angle between each stretch and the direction."""
    way = np.diff(strand.points, axis=0) / lengths(strand)[:, None]
    return np.abs(way @ np.array([-sin(direction), cos(direction)]))


def ring(inner: float, outer: float) -> Polygon:
    return Point(0, 0).buffer(outer, quad_segs=32).difference(Point(0, 0).buffer(inner, quad_segs=32))


def mm(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


AREAS = st.one_of(
    st.builds(lambda w, h: box(0, 0, w, h), mm(6, 30), mm(6, 30)),
    st.builds(lambda r: Point(0, 0).buffer(r, quad_segs=32), mm(2, 12)),
    st.builds(lambda r, t: ring(r, r + t), mm(2, 8), mm(3, 8)),
    st.builds(lambda w, h: box(0, 0, w + 4, 4).union(box(0, 0, 4, h + 4)), mm(2, 12), mm(2, 12)),
    st.builds(lambda r: box(0, 0, 12, 12).difference(Point(5, 6).buffer(r)), mm(0.5, 3)),
)


@settings(max_examples=80, deadline=None)
@given(AREAS, mm(0, 2 * pi), mm(0, 2 * pi), st.sampled_from([0.0, 0.06, 0.15]))
def test_lines_fill_plain_areas_and_stay_inside(
    area: Polygon, direction: float, turn: float, overlap: float
) -> None:
    area = affinity.translate(affinity.rotate(area, turn, (0, 0), use_radians=True), 80.2, -31.4)
    strands = hatch(area, PITCH, direction, (3.0, 4.0), overlap)
    reach = area.buffer(overlap, join_style="mitre")
    for strand in strands:
        assert (strand.loop, strand.closed, len(strand.breadth)) == (-1, False, len(strand.points) - 1)
        path = LineString(strand.points)
        assert path.is_simple
        assert area.buffer(overlap - PITCH / 2 + 0.005, join_style="mitre").covers(path)
    # What a disc of the pitch reaches can be filled.
    fillable = reach.buffer(-PITCH / 2).buffer(PITCH / 2).area
    assert volume(strands) <= 1.015 * fillable
    # Half a bead is missing at either end of a path, and what is less than a line in a corner.
    assert volume(strands) >= 0.96 * fillable - (len(strands) + 1) * PITCH * PITCH


@settings(max_examples=40, deadline=None)
@given(mm(2, 14), mm(2, 14), st.sampled_from([0.0, pi / 2, pi]))
def test_a_rectangle_is_one_path_whose_lines_are_evenly_spread(
    width: float, height: float, direction: float
) -> None:
    strands = hatch(box(0, 0, width, height), PITCH, direction, (0, 0), 0.0)
    assert len(strands) == 1
    (strand,) = strands
    across = strand.points[:, 0 if direction == pi / 2 else 1]
    room = width if direction == pi / 2 else height
    rows = np.unique(np.round(across, 4))
    assert len(rows) - 1 == pytest.approx((room - PITCH) / PITCH, abs=0.51)
    assert np.diff(rows) == pytest.approx((room - PITCH) / max(len(rows) - 1, 1), abs=0.004)
    # Half a bead is missing at either end of the path.
    assert volume(strands) == pytest.approx(width * height, rel=0.015, abs=PITCH * PITCH)


def test_wide_areas_share_the_lattice_of_the_origin() -> None:
    direction, origin = 0.7, np.array([1.25, -3.5])
    normal = np.array([-sin(direction), cos(direction)])
    for area in (box(0, 0, 40, 40), box(60, 5, 101, 47), Point(-30, 12).buffer(22)):
        strands = hatch(area, PITCH, direction, origin, 0.05)
        for strand in strands:
            level = along(strand, direction) < 1e-6
            offset = (strand.points[:-1][level] - origin) @ normal / PITCH
            assert offset == pytest.approx(np.round(offset), abs=1e-6)
            assert strand.breadth == pytest.approx(PITCH, rel=0.051)


@pytest.mark.parametrize("phase", np.arange(8) / 8)
def test_a_long_leg_along_the_lines_of_a_wide_area_is_filled_wherever_the_origin_lies(phase: float) -> None:
    width = 4.35 * PITCH
    area = shapely.box(0, 0, 30, width).union(shapely.box(0, 0, width, 60 * PITCH))
    strands = hatch(area, PITCH, 0.0, (0.0, phase * PITCH), 0.0)
    line = LineString([(15, -1), (15, width + 1)])
    assert shapely.get_num_coordinates([LineString(s.points).intersection(line) for s in strands]).sum() == 4


def test_joints_are_short_and_lines_lie_in_the_direction() -> None:
    for direction in (0.0, 0.8, 2.3):
        area = box(0, 0, 12, 12).difference(box(4, 3, 9, 8))
        strands = hatch(area, PITCH, direction, (0, 0), 0.05)
        assert 1 <= len(strands) <= 5
        for strand in strands:
            level = along(strand, direction) < 1e-6
            assert lengths(strand)[~level].max(initial=0.0) <= 2.5 * PITCH * 1.2
            assert lengths(strand)[level].sum() > 0.6 * lengths(strand).sum()


def test_a_hole_is_not_crossed() -> None:
    hole = Point(6, 6).buffer(2.5)
    for direction in np.linspace(0, pi, 7):
        for strand in hatch(box(0, 0, 12, 12).difference(hole), PITCH, float(direction), (0, 0), 0.1):
            # Beads may reach over the hole's edge by the overlap, their centre lines not even that far.
            assert LineString(strand.points).distance(Point(6, 6)) > 2.5 + PITCH / 2 - 0.1 - 0.01


def test_pieces_come_nearest_first() -> None:
    places = [0.0, 30.0, 10.0, 20.0]
    area = MultiPolygon([box(x, 0, x + 4, 4) for x in places])
    begun = [float(s.points[:, 0].mean()) for s in hatch(area, PITCH, 0.0, (0, 0), 0.0)]
    assert begun == sorted(begun)


def test_a_corner_of_sixty_degrees_is_filled_up_to_the_pitch() -> None:
    side = 12.0
    triangle = Polygon([(0, 0), (side, 0), (side / 2, side * sqrt(3) / 2)])
    strands = hatch(triangle, PITCH, 0.0, (0, 0), 0.0)
    assert volume(strands) == pytest.approx(side**2 * sqrt(3) / 4, rel=0.06)


@pytest.mark.parametrize(
    "area",
    [
        Polygon(),
        box(0, 0, 10, 0.3),
        box(0, 0, 0.3, 0.3),
        LineString([(0, 0), (4, 4)]),
        Polygon([(0, 0), (1, 0), (1, 0), (0, 0)]),
    ],
    ids=["empty", "strip", "dot", "line", "flat"],
)
def test_nothing_is_laid_where_no_line_fits(area: shapely.Geometry) -> None:
    assert hatch(area, PITCH, 0.3, (0, 0), 0.0) == []


def test_an_area_that_crosses_itself_is_filled_as_what_it_covers() -> None:
    bowtie = Polygon([(0, 0), (8, 8), (8, 0), (0, 8)])
    strands = hatch(bowtie, PITCH, 0.3, (0, 0), 0.0)
    assert volume(strands) == pytest.approx(32, rel=0.1)
    sound = shapely.make_valid(bowtie)
    assert all(sound.covers(LineString(s.points)) for s in strands)
