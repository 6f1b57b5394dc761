"""Look-ahead planning equals the plain loop, and keeps every limit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from plain_planner import Capped, move_list, plain_plan

from gcodetools.physics.junctions import Deviation, Jerk, SquareCorner
from gcodetools.physics.motion import RETRACT, MoveList, plan

sizes = st.floats(1e-4, 300.0)
signs = st.sampled_from([-1.0, 0.0, 1.0])
signed = st.builds(lambda sign, size: sign * size, signs, sizes)
steps = st.tuples(signed, signed, st.sampled_from([0.0, 0.0, 0.0, 0.2, -0.2]), signed)
moves_st = st.lists(
    st.tuples(
        steps.filter(any), st.floats(0.1, 500.0), st.floats(10.0, 20_000.0), st.booleans(), st.booleans()
    ),
    min_size=1,
    max_size=60,
)
junctions = st.sampled_from(
    [
        Jerk(8.0, 8.0, 0.4, 5.0),
        Jerk(20.0, 10.0, 1.0, 2.5),
        Deviation(0.02),
        SquareCorner(5.0),
        SquareCorner(20.0, 3.0),
        Capped(50.0),
        Capped(math.inf),
    ]
)


def built(rows) -> MoveList:
    stops = [k for k, row in enumerate(rows) if row[3] and row[4]]
    return move_list([r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows], stops)


@given(moves_st, junctions)
def test_the_plan_equals_the_plain_loop(rows, junction):
    moves = built(rows)
    found = plan(moves, junction)
    speed, seconds = plain_plan(moves, junction.speeds(moves).tolist())
    assert found.v_start == pytest.approx(speed[:-1], rel=1e-9, abs=0)
    assert found.v_end == pytest.approx(speed[1:], rel=1e-9, abs=0)
    assert found.seconds == pytest.approx(seconds, rel=1e-9, abs=0)


@given(moves_st, junctions, st.sampled_from([0.0, 0.5, 0.9]))
def test_every_limit_is_kept(rows, junction, share):
    moves = built(rows)
    found = plan(moves, junction, share)
    tight = 1 + 1e-12
    corner = junction.speeds(moves)
    assert found.v_start[0] == 0 and found.v_end[-1] == 0
    assert np.all(found.v_end[:-1] == found.v_start[1:])
    assert np.all(found.v_peak <= moves.feed_mm_s * tight)
    assert np.all(found.v_peak * tight >= np.maximum(found.v_start, found.v_end))
    assert np.all(found.v_start[1:] <= corner[1:] * tight)
    assert np.all(found.v_start[moves.stop_before] == 0)
    change = np.abs(found.v_end**2 - found.v_start**2)
    assert np.all(change <= 2 * moves.accel_mm_s2 * moves.length_mm * (1 + 1e-9))
    assert np.all(found.seconds * found.v_peak * tight >= moves.length_mm)


@given(moves_st, st.floats(1.0, 100.0))
def test_the_way_back_takes_the_same_time(rows, cap):
    """Braking mirrors speeding up, so a list turned round takes as long."""
    assume(not any(row[3] and row[4] for row in rows))
    forth = plan(built(rows), Capped(cap)).seconds
    back = plan(built(rows[::-1]), Capped(cap)).seconds
    assert back[::-1] == pytest.approx(forth, rel=1e-9)


@given(
    st.lists(st.floats(0.01, 5.0), min_size=1, max_size=50), st.floats(5.0, 300.0), st.floats(100.0, 9000.0)
)
def test_a_straight_line_takes_as_long_in_pieces(pieces, feed, accel):
    whole = plan(move_list([(sum(pieces), 0, 0, 0)], feed, accel), Jerk(8.0, 8.0, 1.0, 5.0))
    cut = plan(move_list([(p, 0, 0, 0) for p in pieces], feed, accel), Jerk(8.0, 8.0, 1.0, 5.0))
    assert cut.seconds.sum() == pytest.approx(whole.seconds.sum(), rel=1e-9)


def test_a_stop_makes_two_lists_of_one():
    steps = [(10.0, 0.0, 0.0, 0.5)] * 4
    both = plan(move_list(steps, stops=[2]), Capped(80.0)).seconds
    half = plan(move_list(steps[:2]), Capped(80.0)).seconds
    assert both == pytest.approx(np.concatenate([half, half]), rel=1e-12)


def test_a_list_of_nothing_takes_no_time():
    assert len(plan(move_list([]), Capped(1.0)).seconds) == 0


def arc_list(radius: float, accel: float, planar: float = 1.0) -> MoveList:
    straight = move_list([(1000.0, 0.0, 0.0, 0.0)], 500.0, accel)
    return MoveList(
        straight.row, straight.length_mm, straight.feed_mm_s, straight.accel_mm_s2, straight.kind,
        straight.begin, straight.end, np.array([0], np.int32), np.array([radius]), np.array([planar]),
        straight.stop_before,
    )  # fmt: skip


def test_an_arc_goes_no_faster_than_its_centripetal_acceleration():
    """v^2 = a r: 1000 mm/s2 on a radius of 40 mm is 200 mm/s (any handbook of mechanics)."""
    assert plan(arc_list(40.0, 1000.0), Capped(1e9)).v_peak[0] == pytest.approx(200.0, rel=1e-12)


def test_a_helix_may_be_faster_by_what_it_rises():
    """The share of the path in the plane is 0.8, so the path is 1 / 0.8 times as fast as its shadow."""
    assert plan(arc_list(40.0, 1000.0, 0.8), Capped(1e9)).v_peak[0] == pytest.approx(250.0, rel=1e-12)


def test_smoothing_holds_a_short_move_to_the_lower_acceleration():
    """5 mm from rest to rest at 2000 mm/s2: peak 100 mm/s; at half of it 70.7, half the path at even speed."""
    moves = move_list([(5.0, 0.0, 0.0, 0.0)], 200.0, 2000.0)
    assert plan(moves, Capped(0.0)).v_peak[0] == pytest.approx(100.0, rel=1e-12)
    smooth = plan(moves, Capped(0.0), 0.5)
    assert smooth.v_peak[0] == pytest.approx(math.sqrt(5000.0), rel=1e-12)
    ramps = 2 * smooth.v_peak[0] ** 2 / (2 * 2000.0)
    assert ramps == pytest.approx(2.5, rel=1e-12)


def test_smoothing_rises_slowly_and_brakes_in_full():
    """Ten pieces of 1 mm at 2000 mm/s2, smoothed by half: up by 2 x 1000 x 1 mm a piece to the middle, then on at
    that speed until 2 x 2000 mm2/s2 a mm bring it to rest (worked by hand)."""
    moves = move_list([(1.0, 0.0, 0.0, 0.0)] * 10, 500.0, 2000.0)
    squared = plan(moves, Capped(1e9), 0.5).v_end ** 2
    expected = [2e3, 4e3, 6e3, 8e3, 10e3, 10e3, 10e3, 8e3, 4e3, 0.0]
    assert squared == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_smoothing_leaves_a_long_move_as_it_is():
    moves = move_list([(100.0, 0.0, 0.0, 0.0)], 100.0, 3000.0)
    assert plan(moves, Capped(0.0), 0.5).seconds[0] == plan(moves, Capped(0.0)).seconds[0]


def test_filament_alone_is_a_move_like_others():
    moves = move_list([(0.0, 0.0, 0.0, -1.0)], 40.0, 1000.0)
    assert moves.kind[0] == RETRACT
    assert plan(moves, Capped(0.0)).seconds[0] == pytest.approx(2 * math.sqrt(1.0 / 1000.0), rel=1e-12)
