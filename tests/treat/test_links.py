"""Ways between beads: straight inside the island, along its wall, or out with the filament pulled back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box

from gcodetools.treat.links import LONGEST_MM, Ground, ground_of

WIDTH = 0.45
SQUARE = box(0, 0, 20, 20)
HOLED = SQUARE - box(8, 5, 12, 20)  # a U open at the top
FRAME = SQUARE - box(5, 5, 15, 15)


def at(x, y):
    return np.array([float(x), float(y)])


def whole(a, way):
    return LineString(np.vstack([a, way.points]))


def test_inside_the_island_the_way_is_straight():
    way = Ground(SQUARE, WIDTH).way(at(1, 1), at(19, 18))
    assert way.points.tolist() == [[19, 18]] and not way.leaves


def test_beads_on_the_edge_itself_are_inside():
    ground = Ground(SQUARE, WIDTH)
    assert ground.inside(at(0, 0), at(20, 0)) and not ground.inside(at(0, 0), at(20, -0.02))


def test_where_it_is_already_there_is_nowhere_to_go():
    way = Ground(FRAME, WIDTH).way(at(10, 10), at(10, 10))  # in the hole, even
    assert way.points.tolist() == [[10, 10]] and not way.leaves


def test_round_a_notch_it_goes_along_the_wall_and_keeps_off_it():
    """From one arm of the U to the other: about the notch's foot at (8, 5) and (12, 5)."""
    a, b = at(7, 8), at(13, 8)
    way = Ground(HOLED, WIDTH).way(a, b)
    path = whole(a, way)
    assert not way.leaves and way.points[-1].tolist() == [13, 8]
    assert HOLED.buffer(0.011).covers(path)
    off = 1.6 * WIDTH
    shortest = 2 * (8 - 5 + off) + 4 + 2 * off  # along the inset ring, its ends on the way
    assert path.length <= shortest + 2 * (1 - off) + 0.1
    middle = Point(10, 5 - off)
    assert path.distance(middle) < 0.05


def test_where_there_is_no_room_for_that_it_keeps_nearer_to_the_wall():
    thin = box(0, 0, 10, 1.2).union(box(0, 0, 1.2, 10)).union(box(8.8, 0, 10, 10))
    a, b = at(0.6, 6), at(9.4, 6)
    ground = Ground(thin, WIDTH)
    assert all(r.is_empty or r.length > 0 for r in ground.rings[0])
    way = ground.way(a, b)
    assert not way.leaves and thin.buffer(0.011).covers(whole(a, way))
    assert whole(a, way).distance(Point(5, 0)) > 0.25


def test_a_way_along_the_wall_that_is_too_long_leaves_instead():
    a, b = at(7, 14), at(13, 14)
    ground = Ground(HOLED, WIDTH)
    along = 2 * (14 - 5) + 6
    assert LONGEST_MM > along > 20
    assert not ground.way(a, b).leaves
    away = ground.way(a, b, longest_mm=20.0)
    assert away.leaves and away.points.tolist() == [[13, 14]]
    assert ground.way(at(7, 19), at(13, 19)).leaves  # 34 mm about


@pytest.mark.parametrize(("y", "passes"), [(8, 3.0), (12, 17.0)])
def test_of_two_ways_round_a_hole_the_shorter_is_taken(y, passes):
    a, b = at(2.5, y), at(17.5, y)
    way = Ground(FRAME, WIDTH).way(a, b, longest_mm=60.0)
    assert not way.leaves and whole(a, way).distance(Point(10, passes)) < 2.5
    assert whole(a, way).distance(Point(10, 20 - passes)) > 5


def test_between_two_islands_it_leaves():
    two = Polygon(box(0, 0, 5, 5))
    way = Ground(two, WIDTH).way(at(1, 1), at(9, 1))
    assert way.leaves and way.points.tolist() == [[9, 1]]


def test_like_islands_have_one_ground():
    assert ground_of(box(0, 0, 3, 3), WIDTH) is ground_of(box(0, 0, 3, 3), WIDTH)
    assert ground_of(box(0, 0, 3, 3), WIDTH) is not ground_of(box(0, 0, 3, 3), 0.5)


@given(*[st.tuples(st.floats(0.3, 19.7), st.floats(0.3, 19.7))] * 2)
def test_a_way_that_does_not_leave_stays_inside_and_is_no_longer_than_allowed(a, b):
    for island in (HOLED, FRAME):
        if not (island.contains(Point(a)) and island.contains(Point(b))):
            continue
        start = at(*a)
        way = Ground(island, WIDTH).way(start, at(*b))
        path = whole(start, way)
        assert way.points[-1] == pytest.approx(b)
        straight = island.buffer(0.01, quad_segs=2).covers(LineString([a, b]))
        if straight or Point(a).distance(Point(b)) < 1e-9:
            assert len(way.points) == 1 and not way.leaves
        elif not way.leaves:
            assert island.buffer(0.011).covers(path) and path.length <= LONGEST_MM + 1e-9


@pytest.mark.parametrize("longest_mm", [5.0, 25.0, 70.0, float("inf")])
def test_a_way_along_a_wall_is_the_shortest_of_all_that_are_short_enough(monkeypatch, longest_mm):
    """A disc with two holes, between points on its bands; against the same without leaving anything out."""
    holes = [Point(x, 0).buffer(8, quad_segs=40) for x in (-10, 10)]
    disc = Point(0, 0).buffer(30, quad_segs=60) - holes[0] - holes[1]
    ground = Ground(disc, 0.45)
    rng = np.random.default_rng(3)
    pairs = []
    while len(pairs) < 60:
        a, b = rng.uniform(-29, 29, (2, 2))
        if all(disc.contains(Point(p)) for p in (a, b)) and not ground.inside(a, b):
            pairs.append((a, b))
    ways = [ground.way(a, b, longest_mm) for a, b in pairs]
    ring = type(ground.rings[0][0])
    along = ring.along
    monkeypatch.setattr(ring, "along", lambda self, a, b, most_mm: along(self, a, b, np.inf))
    every = [ground.way(a, b, longest_mm) for a, b in pairs]
    for way, other in zip(ways, every, strict=True):
        assert way.leaves == other.leaves and np.array_equal(way.points, other.points)
    assert longest_mm < 25 or not all(way.leaves for way in ways)
