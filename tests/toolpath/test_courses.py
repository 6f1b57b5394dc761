"""Paths moved along their normals: closed forms of circles and corners, small elements, seams, needles, arcs."""

from __future__ import annotations

from math import cos, pi, sin, tan

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.toolpath.courses import Shifted, courses_of, in_ring_order, mitred, shifted, with_dry_rows
from gcodetools.toolpath.plate import Plate


def plate_of(points, more=()) -> Plate:
    """A loop of straight beads through points, and lines behind it."""
    head = ["G21", "G90", "M83", ";LAYER_CHANGE", ";TYPE:External perimeter", "G1 Z0.2 F1200"]
    (x, y), *others = points
    lines = [*head, f"G1 X{x:.5f} Y{y:.5f}", *(f"G1 X{a:.5f} Y{b:.5f} E0.1" for a, b in others)]
    return Plate.from_bytes("\n".join([*lines, *more, ""]).encode(), "courses.gcode")


def moved(points, by, closed=True, knots=None) -> Shifted | None:
    """The one course of such a loop, moved to its left by the same everywhere."""
    plate = plate_of(points)
    (course,) = courses_of(plate.program, np.flatnonzero(plate.beads.feature != 0))
    none = np.empty(0, np.int64), np.empty(0), np.empty(0)
    found = shifted(plate.program, [course], [np.full(len(course) + 1, by)], [knots or none], closed)
    return None if found is None else found[0]


def ends(one: Shifted) -> np.ndarray:
    return one.course.points + one.by


def ring(radius, count, gap=0.0):
    """A regular polygon, counter-clockwise, its last side left open by a gap."""
    points = [(radius * cos(2 * pi * k / count), radius * sin(2 * pi * k / count)) for k in range(count)] + [
        (radius, 0.0)
    ]
    if gap:
        a, b = np.array(points[-2]), np.array(points[-1])
        points[-1] = tuple(b + (a - b) / np.hypot(*(a - b)) * gap)
    return points


@given(st.integers(3, 80), st.floats(2.0, 20.0), st.floats(-0.2, 0.2))
def test_the_sides_of_a_polygon_move_by_the_offset(count, radius, by):
    """The inradius r cos(pi / n) of a regular polygon becomes less by what its sides move in; its corners stay on
    their rays. Coordinates are read with five decimals."""
    one = ends(moved(ring(radius, count), by))
    inradius = radius * cos(pi / count) - by
    middle = (one[1:] + one[:-1]) / 2
    assert np.hypot(*middle.T) == pytest.approx(np.full(count, inradius), abs=2e-4)
    assert np.hypot(*one.T) == pytest.approx(np.full(count + 1, inradius / cos(pi / count)), abs=1e-3)


@given(st.floats(30, 150), st.floats(-0.2, 0.2))
def test_a_corner_stays_a_corner(turn, by):
    """Both lines move by d, so the corner moves along each by d tan(turn / 2)."""
    angle = np.radians(turn)
    one = moved([(0, 0), (10, 0), (10 + 10 * cos(angle), 10 * sin(angle))], by, closed=False)
    assert ends(one)[1] == pytest.approx((10 - by * tan(angle / 2), by), abs=1e-4)


def test_a_needle_is_cut_short_and_its_sides_keep_their_offset():
    tip = 20.0
    points = [(0, -1), (tip, 0), (0, 1), (-3, 0), (0, -1)]
    one = moved(points, -0.1)
    assert np.hypot(*one.by[1]) == pytest.approx(0.5)
    assert len(one.element) == 2
    slope = np.array([tip, 1.0]) / np.hypot(tip, 1.0)
    # A millimetre before the tip either side is off by the offset still.
    for knot, side in zip(one.knot, (-1, 1), strict=True):
        normal = np.array([slope[1], side * slope[0]])
        assert knot == pytest.approx(0.1 * normal, abs=1e-4)


@pytest.mark.parametrize("by", [-0.15, 0.15])
def test_elements_too_short_to_follow_move_together(by):
    """A corner rounded by 0.03 mm in four chords, moved both ways: the sides lie at the offset, nothing folds."""
    small = [(10 - 0.03 + 0.03 * sin(a), 0.03 - 0.03 * cos(a)) for a in np.linspace(0, pi / 2, 5)]
    points = [(0, 0), *small, (10, 10), (0, 10), (0, 0)]
    one = ends(moved(points, by))
    ring_ = shapely.Polygon(one)
    assert ring_.is_valid
    low_x, low_y, high_x, high_y = ring_.bounds
    assert (low_x, low_y, high_x, high_y) == pytest.approx((by, by, 10 - by, 10 - by), abs=1e-4)
    wanted = shapely.Polygon(points).buffer(-by, join_style="mitre")
    assert ring_.symmetric_difference(wanted).area < 0.02


def test_a_loop_smaller_than_the_offset_is_none():
    assert moved(ring(0.15, 24), 0.2) is None
    assert moved(ring(0.5, 24), 0.2) is not None


@pytest.mark.parametrize("gap", [0.05, 0.3, 0.7])
def test_a_seam_keeps_its_gap(gap):
    """The corner of a square at which its loop begins and, a gap before it, ends."""
    points = [(0, 0), (10, 0), (10, 10), (0, 10), (0, gap)]
    one = ends(moved(points, 0.1))
    assert one[0] == pytest.approx((0.1, 0.1)) and one[-1] == pytest.approx((0.1, 0.1 + gap))


def test_knots_move_by_their_own_distance():
    knots = np.array([0, 0]), np.array([0.25, 0.5]), np.array([0.02, 0.05])
    one = moved([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)], 0.1, knots=knots)
    assert one.knot == pytest.approx(np.array([[0, 0.02], [0, 0.05]]))
    t = np.array([0.125, 0.375])
    got = one.moves_at(plate_of([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]).program, np.array([0, 0]), t)
    assert got[:, 1] == pytest.approx([(0.1 + 0.02) / 2, (0.02 + 0.05) / 2])


def test_loops_laid_in_pieces_are_put_in_order():
    """Two halves of a square, the second laid the other way round."""
    a, b = [(0, 0), (10, 0), (10, 10)], [(0, 0), (0, 10), (10, 10)]
    plate = plate_of(a, ["G1 X0 Y0 F6000", *(f"G1 X{x} Y{y} E0.1" for x, y in b[1:])])
    found = in_ring_order(courses_of(plate.program, np.flatnonzero(plate.beads.feature != 0)))
    assert [c.back for c in found] == [False, True]
    distance = [np.full(len(c) + 1, 0.1) for c in found]
    none = np.empty(0, np.int64), np.empty(0), np.empty(0)
    both = shifted(plate.program, found, distance, [none, none], True)
    assert np.vstack([ends(one) for one in both]) == pytest.approx(
        np.array([[0.1, 0.1], [9.9, 0.1], [9.9, 9.9], [9.9, 9.9], [0.1, 9.9], [0.1, 0.1]])
    )


def test_arcs_have_their_normals_along_their_radius():
    head = "G21\nG90\nM83\n;LAYER_CHANGE\n;TYPE:External perimeter\n"
    text = f"{head}G1 X5 Y0 Z0.2 F1200\nG3 X-5 Y0 I-5 J0 E1\nG3 X5 Y0 I5 J0 E1\n"
    plate = Plate.from_bytes(text.encode())
    (course,) = courses_of(plate.program, np.flatnonzero(plate.beads.feature != 0))
    t = np.linspace(0, 1, 9)
    point, normal = course.at(plate.program, np.zeros(9, np.int64), t)
    assert normal == pytest.approx(-point / 5, abs=1e-12)
    back, against = course.turned().at(plate.program, np.ones(9, np.int64), 1 - t)
    assert back == pytest.approx(point, abs=1e-12) and against == pytest.approx(-normal, abs=1e-12)
    none = np.empty(0, np.int64), np.empty(0), np.empty(0)
    (one,) = shifted(plate.program, [course], [np.full(3, -0.1)], [none], True)
    pieces = one.pieces(plate.program, 0.3)
    assert np.hypot(*(pieces.a + pieces.va).T) == pytest.approx(np.full(len(pieces.t0), 5.1), abs=1e-9)


def test_a_coasted_loop_has_its_dry_rows():
    points = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 2)]
    plate = plate_of(points, ["G1 X0 Y1", "G1 X0 Y0", "G1 X50 Y50"])
    rows = np.flatnonzero(plate.beads.feature != 0)
    assert with_dry_rows(plate.moves, rows).tolist() == [*rows.tolist(), rows[-1] + 1, rows[-1] + 2]
    pushed = plate_of(points, ["G1 X0 Y1", "G1 X0 Y0 E0.1", "G1 X50 Y50"])
    assert with_dry_rows(pushed.moves, rows).tolist() == rows.tolist()


def test_mitres_of_all_turns():
    turn = np.radians(np.linspace(-150, 150, 61))
    before = np.tile([0.0, 1.0], (61, 1))
    after = np.column_stack([-np.sin(turn), np.cos(turn)])
    corner, sharp = mitred(before, after)
    assert not np.any(sharp)
    assert (corner * before).sum(axis=1) == pytest.approx(np.ones(61))
    assert (corner * after).sum(axis=1) == pytest.approx(np.ones(61))
    about, sharp = mitred(np.array([[0.0, 1.0]]), np.array([[0.0, -1.0]]))
    assert about[0].tolist() == [0.0, 1.0] and sharp[0]
