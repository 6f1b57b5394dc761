"""Stretches of straight pieces in areas and solids, and strands cut by them, against shapely's own lengths."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box

from gcodetools.kit import shapes
from gcodetools.kit.placing import Pose
from gcodetools.kit.solids import compile_solid
from gcodetools.toolpath.strands import Strand
from gcodetools.treat.intervals import cut_strands, in_polygon, in_solid, line_of, segments

COORDINATE = st.floats(-20, 20).map(lambda v: round(v, 3))
POINT = st.tuples(COORDINATE, COORDINATE)
NONE = np.empty(0, np.int32)


def ring(points, breadth=0.4, loop=1):
    points = np.asarray(points, float)
    return Strand(points, np.full(len(points), breadth), True, loop)


def line(points, breadth=0.4, loop=0):
    points = np.asarray(points, float)
    return Strand(points, np.full(len(points) - 1, breadth), False, loop)


def length(strands):
    return sum(LineString(line_of(s)).length for s in strands)


def in_area(begin, end, area):
    return in_polygon(np.asarray(begin, float), np.asarray(end, float), area)


@st.composite
def areas(draw):
    """Discs, boxes, rings and stars, some of several parts, some with holes."""
    parts = []
    for x, y in draw(st.lists(POINT, min_size=1, max_size=3)):
        size = draw(st.floats(0.5, 12))
        kind = draw(st.sampled_from(["disc", "box", "ring", "star"]))
        if kind == "disc":
            parts.append(Point(x, y).buffer(size, quad_segs=6))
        elif kind == "box":
            parts.append(box(x, y, x + size, y + size / 2))
        elif kind == "ring":
            parts.append(Point(x, y).buffer(size, quad_segs=6) - Point(x, y).buffer(size / 2, quad_segs=6))
        else:
            turns = np.linspace(0, 2 * np.pi, 10, endpoint=False)
            away = np.where(np.arange(10) % 2, size / 3, size)
            corners = np.column_stack([x + away * np.cos(turns), y + away * np.sin(turns)])
            parts.append(Polygon(corners))
    return shapely.union_all(parts)


@given(st.lists(st.tuples(POINT, POINT), min_size=1, max_size=8), areas())
def test_stretches_in_an_area_are_as_long_as_shapely_s_own_intersections(lines, area):
    begin, end = (np.array([p[k] for p in lines]) for k in (0, 1))
    size = np.hypot(*(end - begin).T)
    index, t0, t1 = in_polygon(begin, end, area)
    assert np.all((t0 >= 0) & (t1 <= 1) & (t0 < t1))
    assert np.all(np.diff(index) >= 0)
    same = np.diff(index) == 0
    assert np.all(t0[1:][same] > t1[:-1][same])  # apart, those that touch are joined
    found = np.bincount(index, (t1 - t0) * size[index], minlength=len(lines))
    own = shapely.length(shapely.intersection(area, shapely.linestrings(np.stack([begin, end], axis=1))))
    assert found == pytest.approx(own, abs=1e-6)


@given(st.tuples(POINT, POINT), areas())
def test_middles_of_stretches_lie_inside_and_middles_of_gaps_outside(ends, area):
    a, b = (np.array(p) for p in ends)
    _, t0, t1 = in_polygon(a[None], b[None], area)
    edges = np.concatenate([[0.0], np.column_stack([t0, t1]).ravel(), [1.0]])
    for k, (low, high) in enumerate(pairwise(edges.tolist())):
        if (high - low) * np.hypot(*(b - a)) > 1e-3:
            at = Point(*(a + (b - a) * (low + high) / 2))
            assert (area.distance(at) < 1e-9) == (k % 2 == 1)


@pytest.mark.parametrize(
    ("begin", "end", "wanted"),
    [
        ((-5, 5), (15, 5), [(0.25, 0.75)]),  # across
        ((1, 1), (9, 9), [(0.0, 1.0)]),  # inside
        ((0, 5), (5, 5), [(0.0, 1.0)]),  # from the edge inwards
        ((-5, -5), (-1, -1), []),  # beside
        ((5, 5), (5, 20), [(0.0, 1 / 3)]),  # out
        ((-5, 0), (15, 0), [(0.25, 0.75)]),  # along an edge, which belongs to the area
        ((-5, 5), (5, 15), []),  # through a corner
    ],
)
def test_known_crossings_of_a_square(begin, end, wanted):
    _, t0, t1 = in_area([begin], [end], box(0, 0, 10, 10))
    assert [*zip(t0, t1, strict=True)] == [pytest.approx(w) for w in wanted]


def test_a_hole_parts_a_stretch():
    area = box(0, 0, 10, 10) - box(4, 4, 6, 6)
    index, t0, t1 = in_area([(0, 5), (0, 1)], [(10, 5), (10, 1)], area)
    assert index.tolist() == [0, 0, 1]
    assert t0.tolist() == pytest.approx([0, 0.6, 0]) and t1.tolist() == pytest.approx([0.4, 1, 1])


def test_nothing_lies_in_an_empty_area_and_no_piece_lies_anywhere():
    for begin, area in ((np.ones((2, 2)), Polygon()), (np.empty((0, 2)), box(0, 0, 1, 1))):
        assert [len(c) for c in in_polygon(begin, begin + 1.0, area)] == [0, 0, 0]


def test_segments_close_what_is_closed():
    strands = [ring([(0, 0), (1, 0), (1, 1)]), line([(5, 5), (6, 5), (6, 6)])]
    begin, end, owner = segments(strands)
    assert owner.tolist() == [0, 0, 0, 1, 1]
    assert end[2].tolist() == [0, 0] and begin[3].tolist() == [5, 5] and end[4].tolist() == [6, 6]
    assert line_of(strands[0]).tolist() == [[0, 0], [1, 0], [1, 1], [0, 0]]
    assert [len(column) for column in segments([])] == [0, 0, 0]


@given(st.lists(POINT, min_size=3, max_size=9, unique=True), st.booleans(), areas())
def test_cut_strands_keep_length_order_breadth_and_loop(points, closed, area):
    points = np.array(points)
    breadth = np.linspace(0.3, 0.6, len(points) - (not closed))
    strand = Strand(points, breadth, closed, 3)
    begin, end, owner = segments([strand])
    inside = in_polygon(begin, end, area)
    pieces = cut_strands([strand], owner, inside)
    size = np.hypot(*(end - begin).T)
    assert length(pieces) == pytest.approx(float((size[inside[0]] * (inside[2] - inside[1])).sum()), abs=1e-6)
    volume = sum(float((np.hypot(*np.diff(line_of(s), axis=0).T) * s.breadth).sum()) for s in pieces)
    own = float((size[inside[0]] * (inside[2] - inside[1]) * breadth[inside[0]]).sum())
    assert volume == pytest.approx(own, abs=1e-6)
    path = LineString(line_of(strand))
    for piece in pieces:
        assert piece.loop == 3
        assert len(piece.breadth) == len(piece.points) - (not piece.closed)
        assert shapely.distance(path, shapely.points(piece.points)).max() < 1e-6


def test_a_whole_strand_is_itself():
    strand = ring([(1, 1), (9, 1), (9, 9), (1, 9)])
    begin, end, owner = segments([strand])
    assert cut_strands([strand], owner, in_polygon(begin, end, box(0, 0, 10, 10)))[0] is strand


def test_what_wraps_round_the_begin_of_a_loop_is_one_piece():
    strand = ring([(0, 0), (10, 0), (10, 10), (0, 10)])
    begin, end, owner = segments([strand])
    (piece,) = cut_strands([strand], owner, in_polygon(begin, end, box(-1, -1, 11, 5)))
    assert not piece.closed and length([piece]) == pytest.approx(20)
    assert piece.points.tolist() == [[0, 5], [0, 0], [10, 0], [10, 5]]


def test_pieces_of_a_strand_come_in_the_order_of_its_path():
    strand = line([(0, 0), (10, 0), (10, 10), (0, 10)])
    begin, end, owner = segments([strand])
    found = cut_strands([strand], owner, in_polygon(begin, end, box(0, -1, 4, 11)))
    assert [s.points.tolist() for s in found] == [[[0, 0], [4, 0]], [[4, 10], [0, 10]]]


def test_of_several_strands_each_keeps_its_own():
    strands = [line([(0, k), (10, k)], breadth=0.1 * (k + 1), loop=k) for k in range(4)]
    begin, end, owner = segments(strands)
    found = cut_strands(strands, owner, in_polygon(begin, end, box(5, 0.5, 20, 2.5)))
    assert [s.loop for s in found] == [1, 2]
    assert [s.breadth.tolist() for s in found] == [[0.2], [pytest.approx(0.3)]]


def pose(x=0.0, y=0.0, turn=0.0, scale=1.0, mirrored=False):
    return Pose("p", 1, None, x, y, turn, 0.0, scale, mirrored, 0.0, NONE, NONE, 10)


def test_a_slab_takes_whole_pieces_at_its_heights_and_none_at_others():
    solid = compile_solid(shapes.Slab(z=(1.0, 2.0)))
    ends = np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]])
    _, t0, t1 = in_solid(*ends, solid, pose(), 1.5, 3)
    assert (t0.tolist(), t1.tolist()) == ([0.0], [1.0])
    assert len(in_solid(*ends, solid, pose(), 2.5, 3)[0]) == 0
    assert len(in_solid(np.empty((0, 2)), np.empty((0, 2)), solid, pose(), 1.5, 3)[0]) == 0


@given(st.floats(-50, 50), st.floats(0, 360), st.floats(0.8, 1.2), st.booleans())
def test_a_cylinder_takes_the_chord_wherever_the_part_lies(x, turn, scale, mirrored):
    """Chord of a circle of radius 5 at distance 3 from its centre: 2 sqrt(25 - 9) = 8 (closed form)."""
    solid = compile_solid(shapes.Cylinder(centre=(0.0, 0.0), radius=5.0, z=None))
    there = pose(x, -x / 2, turn, scale, mirrored)
    across = np.array([[-20.0, 3.0], [20.0, 3.0]]) * scale
    angle = np.radians(turn)
    turned = across @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    ends = turned + np.array([x, -x / 2])
    _, t0, t1 = in_solid(ends[:1], ends[1:], solid, there, 1.0, 1)
    assert (t1 - t0).tolist() == pytest.approx([8 / 40])


def test_a_solid_told_by_layers_asks_the_layer():
    solid = compile_solid(shapes.Slab(layers=(2, 4)))
    ends = np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]])
    assert [len(in_solid(*ends, solid, pose(), 0.3, layer)[0]) for layer in (1, 2, 4, 5)] == [0, 1, 1, 0]
