"""Where loops may begin: pockets of rings and hooks, and the seams of the outermost perimeters."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate

from gcodetools.toolpath.strands import Strand
from gcodetools.treat.laying import Seams
from gcodetools.treat.seams import seams_of

B = 0.4


def seams(outline, *outer):
    """Of an island with seams of its outermost perimeters at the points `outer`."""
    walls = [SimpleNamespace(points=np.array([p, p]), outermost=True) for p in outer]
    walls.append(SimpleNamespace(points=np.array([(99.0, 99.0)]), outermost=False))
    walls.append(SimpleNamespace(points=np.empty((0, 2)), outermost=True))
    return seams_of(SimpleNamespace(island=SimpleNamespace(polygon=outline), walls=walls))  # type: ignore[arg-type]


def open_ring(gap_deg=90.0, turn_deg=0.0):
    """A C of radius 10 and width 3 that opens towards +x, turned."""
    turns = np.radians(np.linspace(gap_deg / 2, 360 - gap_deg / 2, 80) + turn_deg)
    return LineString(10 * np.column_stack([np.cos(turns), np.sin(turns)])).buffer(1.5, cap_style="flat")


@pytest.mark.parametrize("turn", [0.0, 33.0, 180.0])
def test_an_open_ring_has_its_free_ends_near_and_its_back_avoided(turn):
    """Closed form: the pocket is deepest at the inner radius 8.5 opposite to the gap, which is avoided."""
    found = seams(open_ring(90.0, turn))
    ends = [Point(np.cos(a) * 11.5, np.sin(a) * 11.5) for a in np.radians([45 + turn, -45 + turn])]
    assert len(found.near) == 2
    for end in ends:
        assert min(end.distance(Point(p)) for p in found.near) < 0.3
    back = np.radians(180 + turn)
    assert found.avoid.contains(Point(8.5 * np.cos(back), 8.5 * np.sin(back)))
    for a in np.radians([60 + turn, -60 + turn]):
        assert not found.avoid.intersects(Point(10 * np.cos(a), 10 * np.sin(a)))
    depth = 11.5 * np.cos(np.radians(45)) + 8.5
    assert found.avoid.area == pytest.approx(np.pi * (depth / 2) ** 2, rel=0.03)


@pytest.mark.parametrize(
    "outline", [box(0, 0, 20, 10), Point(0, 0).buffer(9), box(0, 0, 20, 20) - box(5, 5, 15, 15)]
)
def test_without_a_pocket_loops_begin_anywhere(outline):
    found = seams(outline)
    assert len(found.near) == 0 and found.avoid.is_empty


def test_a_dent_of_less_than_two_millimetres_is_no_pocket():
    dented = box(0, 0, 30, 10) - box(10, 8.1, 20, 10)
    assert len(seams(dented).near) == 0
    assert len(seams(box(0, 0, 30, 10) - box(10, 7.9, 20, 10)).near) == 2


def test_of_two_pockets_the_deeper_counts():
    hook = box(0, 0, 30, 20) - box(4, 10, 10, 20) - box(16, 4, 22, 20)
    found = seams(hook)
    assert sorted(found.near[:, 0].tolist()) == [16, 22] and set(found.near[:, 1].tolist()) == {20}


def test_seams_are_those_of_the_outermost_perimeters():
    assert seams(box(0, 0, 9, 9), (0.0, 0.0), (9.0, 0.0)).outer.tolist() == [[0, 0], [9, 0]]
    assert seams(box(0, 0, 9, 9)).outer.shape == (0, 2)


def ring(points):
    points = np.asarray(points, float)
    return Strand(points, np.full(len(points), B), True, 1)


SQUARE = ring([(1, 1), (9, 1), (9, 9), (1, 9)])


def test_a_loop_begins_at_the_point_nearest_to_the_nozzle():
    begin = Seams(np.empty((0, 2)), np.empty((0, 2))).begin
    for k, point in enumerate(SQUARE.points):
        assert begin(SQUARE, point + 0.1) == k


def test_a_loop_does_not_begin_at_the_outermost_seam_while_another_point_is_left():
    found = Seams(np.array([(0.8, 0.8)]), np.empty((0, 2)))
    assert found.begin(SQUARE, np.array([0.0, 0.0])) != 0
    assert found.begin(SQUARE, np.array([10.0, 9.0])) == 2


def test_a_loop_begins_near_a_free_end_and_not_where_the_part_bends_most():
    found = Seams(np.empty((0, 2)), np.array([(9.0, 10.0)]), Polygon())
    assert found.begin(SQUARE, np.array([1.0, 1.0])) == 2
    avoided = Seams(np.empty((0, 2)), np.array([(9.0, 10.0)]), shapely.Point(9, 9).buffer(1))
    assert avoided.begin(SQUARE, np.array([1.0, 1.0])) != 2


def bracket(turn_deg=0.0, width=3.0):
    """An open section whose back is straight: 24 high, 12 deep, open towards +x, of walls 3 mm, turned."""
    line = LineString([(12.0, 0.0), (0.0, 0.0), (0.0, 24.0), (12.0, 24.0)])
    return rotate(line.buffer(width / 2, cap_style="flat", join_style="mitre"), turn_deg, origin=(0, 0))


@pytest.mark.parametrize("turn", [0.0, 20.0, 90.0, 217.0])
def test_a_straight_back_is_avoided_all_along_with_both_its_corners(turn):
    """Closed form: the back's inner edge runs from (1.5, 1.5) to (1.5, 22.5), its outer corners are at -1.5."""
    found = seams(bracket(turn))
    back = [(x, y) for x in (-1.5, 0.0, 1.5) for y in (-1.5, 0.0, 1.5, 6.0, 12.0, 18.0, 22.5, 24.0, 25.5)]
    for x, y in back:
        assert found.avoid.intersects(rotate(Point(x, y), turn, origin=(0, 0))), (x, y)
    for y in (0.0, 24.0):
        assert not found.avoid.intersects(rotate(Point(9.0, y), turn, origin=(0, 0)))


def test_a_flat_back_with_arms_as_a_d_is_avoided_all_along():
    """A D that is open on its round side."""
    turns = np.radians(np.linspace(-90, -30, 20))
    low = 10 * np.column_stack([np.cos(turns), np.sin(turns)])
    outline = LineString(np.vstack([low[::-1], low * (1, -1)]))
    found = seams(outline.buffer(1.0, cap_style="flat", join_style="mitre"))
    for y in (-9.5, -4.0, 0.0, 4.0, 9.5):
        assert found.avoid.intersects(Point(0.5, y)), y


def test_a_back_that_leans_a_little_is_still_one_back():
    """Its corners lie 8 and 8.3 mm below the chord: both are where it bends most."""
    line = LineString([(12.0, 0.0), (3.7, 0.0), (4.0, 24.0), (12.0, 24.0)])
    found = seams(line.buffer(1.5, cap_style="flat", join_style="mitre"))
    for x, y in [(3.7, 0.0), (4.0, 24.0), (3.85, 12.0)]:
        assert found.avoid.intersects(Point(x, y))


@pytest.mark.parametrize("pieces", [1, 7, 60])
def test_a_back_in_pieces_is_one_back(pieces):
    """Outlines of beads have points along their straight sides."""
    cut = shapely.segmentize(bracket(), 24.0 / pieces)
    assert seams(cut).avoid.area == pytest.approx(seams(bracket()).avoid.area, rel=0.02)


def test_a_shallow_bracket_of_thick_walls_is_avoided_to_its_outer_corners():
    """The pocket is 3 mm deep, the walls 4 mm: half the depth does not reach through them."""
    line = LineString([(5.0, 0.0), (0.0, 0.0), (0.0, 24.0), (5.0, 24.0)])
    found = seams(line.buffer(2.0, cap_style="flat", join_style="mitre"))
    for x, y in [(-1.9, -1.9), (-1.9, 25.9), (-1.9, 12.0), (1.9, 1.9)]:
        assert found.avoid.intersects(Point(x, y)), (x, y)


def test_no_loop_begins_on_a_straight_back():
    """Loops along the walls of the bracket, begun from everywhere and with outer seams everywhere."""
    part = bracket()
    found = seams(part, (12.0, -1.5))
    core = part.buffer(-0.9, join_style="mitre")
    loop = ring(shapely.get_coordinates(shapely.segmentize(core.exterior, 1.0))[:-1])
    for here in [(0.0, 0.0), (0.0, 24.0), (0.0, 12.0), (12.0, 24.0)]:
        begun = loop.points[found.begin(loop, np.array(here))]
        assert begun[0] > 3.0
        assert np.hypot(*(begun - (12.0, -1.5))) >= 3.0
