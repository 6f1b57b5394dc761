"""Corner speeds by their three rules."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_planner import move_list

from gcodetools.physics.junctions import Deviation, Jerk, SquareCorner, deviation_speed


def corner(junction, turn_deg: float, length: float = 50.0, accel: float = 3000.0, e: float = 0.0) -> float:
    a = math.radians(turn_deg)
    steps = [(length, 0.0, 0.0, e), (length * math.cos(a), length * math.sin(a), 0.0, e)]
    return float(junction.speeds(move_list(steps, 500.0, accel))[1])


@given(st.floats(0.5, 179.5), st.floats(1.0, 30.0), st.floats(100.0, 20_000.0))
def test_a_corner_circle_stays_within_the_deviation(turn, scv, accel):
    """The circle through both legs whose gap to the corner is d has radius d s / (1 - s): geometry, derived
    here. With radius r the gap is r / s - r, and v^2 = a r."""
    v = float(deviation_speed(np.array([math.cos(math.radians(turn))]), accel, 0.01)[0])
    r = v * v / accel
    s = math.sin(math.radians(180.0 - turn) / 2)
    assert r / s - r == pytest.approx(0.01, rel=1e-6)


@given(st.floats(1.0, 30.0), st.floats(100.0, 20_000.0))
def test_a_right_angle_is_passed_at_the_square_corner_velocity(scv, accel):
    assert corner(SquareCorner(scv), 90.0, accel=accel) == pytest.approx(scv, rel=1e-9)


def test_straight_on_has_no_limit_and_turning_back_is_a_stop():
    assert corner(Jerk(8.0, 8.0, 1.0, 5.0), 0.0) == math.inf
    for junction in (Deviation(0.02), SquareCorner(5.0)):
        assert corner(junction, 0.0) == math.inf
        assert corner(junction, 180.0) == pytest.approx(0.0, abs=1e-3)


@given(st.floats(1.0, 179.0), st.floats(-180.0, 180.0))
def test_jerk_of_the_slowest_axis_is_used_up(turn, heading):
    """Whatever the heading, at the corner speed one axis changes by just its limit."""
    a, b = math.radians(heading), math.radians(heading + turn)
    steps = [(math.cos(a), math.sin(a), 0.0, 0.03), (math.cos(b), math.sin(b), 0.0, -0.02)]
    v = Jerk(8.0, 6.0, 0.4, 5.0).speeds(move_list(steps))[1]
    used = [abs(q - p) * v / limit for p, q, limit in zip(*steps, (8.0, 6.0, 0.4, 5.0), strict=True)]
    assert max(u for u in used) == pytest.approx(1.0, rel=1e-9)


def test_limits_may_change_from_move_to_move():
    steps = [(1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0)]
    x = np.array([9.0, 8.0, 4.0])
    assert Jerk(x, 100.0, 1.0, 1.0).speeds(move_list(steps))[1:].tolist() == [8.0, 4.0]
    scv = np.array([9.0, 8.0, 4.0])
    found = SquareCorner(scv).speeds(move_list([(9.0, 0, 0, 0), (0, 9.0, 0, 0), (9.0, 0, 0, 0)]))
    assert found[1:] == pytest.approx([8.0, 4.0])


@pytest.mark.parametrize("junction", [Deviation(0.02), SquareCorner(5.0)])
def test_filament_alone_starts_and_ends_at_rest(junction):
    moves = move_list([(5.0, 0.0, 0.0, 0.2), (0.0, 0.0, 0.0, -0.8), (5.0, 0.0, 0.0, 0.0)])
    assert junction.speeds(moves)[1:].tolist() == [0.0, 0.0]


def test_a_jump_in_the_filaments_speed_is_held_to_its_limit():
    """Straight on, from 0.03 to 0.08 mm of filament per mm: 1 mm/s over 0.05 is 20 mm/s."""
    moves = move_list([(5.0, 0.0, 0.0, 0.15), (5.0, 0.0, 0.0, 0.4)])
    assert SquareCorner(5.0, 1.0).speeds(moves)[1] == pytest.approx(20.0, rel=1e-9)


def test_a_single_move_has_no_corner():
    for junction in (Jerk(8.0, 8.0, 1.0, 5.0), Deviation(0.02), SquareCorner(5.0)):
        assert junction.speeds(move_list([(1.0, 0.0, 0.0, 0.0)])).tolist() == [math.inf]
