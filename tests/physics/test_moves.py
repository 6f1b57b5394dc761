"""From text to moves: lengths, directions, kinds, and the limits along each path."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.junctions import Deviation, Jerk, SquareCorner
from gcodetools.physics.motion import PRINT, RETRACT, TRAVEL, MoveList
from gcodetools.physics.moves import junction_of, moves_of
from gcodetools.toolpath.machine_limits import limits_of
from gcodetools.toolpath.plate import Plate

HEAD = (
    "M201 X9000 Y9000 Z9000 E9000\nM203 X500 Y500 Z500 E500\nM204 P1000 R2000 T3000\n"
    "M205 X8 Y8 Z0.4 E5\nG90\nM83\n"
)


def read(text: str, head: str = HEAD) -> MoveList:
    plate = Plate.from_bytes((head + text).encode(), "a.gcode")
    return moves_of(plate, limits_of(plate))


def test_rows_without_motion_are_left_out():
    moves = read("G1 X10 F3000\nG1 F1200\nG1 X10\nG4 P100\nG92 E0\nG1 E1\n")
    assert moves.row.tolist() == [0, 4]
    assert moves.length_mm.tolist() == [10.0, 1.0]


def test_kinds_and_their_accelerations():
    moves = read("G1 X10 E1 F3000\nG1 X20\nG1 E-1\nG1 X10 E-1\n")
    assert moves.kind.tolist() == [PRINT, TRAVEL, RETRACT, PRINT]
    assert moves.accel_mm_s2.tolist() == [1000.0, 3000.0, 2000.0, 1000.0]


def test_an_acceleration_holds_from_its_line_on():
    moves = read("G1 X10 F3000\nM204 T700\nG1 X20\nG1 X30\n")
    assert moves.accel_mm_s2.tolist() == [3000.0, 700.0, 700.0]


def test_m220_turns_the_feed_up_and_down():
    moves = read("G1 X10 F3000\nM220 S50\nG1 X20\nM220 S200\nG1 X30\n")
    assert moves.feed_mm_s == pytest.approx([50.0, 25.0, 100.0])


def test_each_axis_holds_the_path_within_its_own_speed():
    """3-4-5 in x and z: z at most 8 mm/s leaves 10 mm/s on the path."""
    moves = read("G1 X30 Z40 F60000\n", HEAD.replace("Z500", "Z8"))
    assert moves.feed_mm_s == pytest.approx([10.0])


def test_filament_too_holds_the_path():
    """2 mm of filament on 10 mm of path; filament at most 5 mm/s: 25 mm/s on the path, 5 by itself."""
    moves = read("G1 X10 E2 F6000\nG1 E1\n", HEAD.replace("E500", "E5"))
    assert moves.feed_mm_s == pytest.approx([25.0, 5.0])


def test_m221_pushes_more_and_slows_the_path():
    moves = read("M221 S200\nG1 X10 E2 F6000\n", HEAD.replace("E500", "E5"))
    assert moves.feed_mm_s == pytest.approx([12.5])
    assert moves.begin.e == pytest.approx([0.4])


def test_each_axis_holds_the_path_within_its_own_acceleration():
    """Along 3-4-5 in x and y, y at most 400 mm/s2: 500 on the path."""
    moves = read("G1 X30 Y40 F6000\n", HEAD.replace("Y9000", "Y400"))
    assert moves.accel_mm_s2 == pytest.approx([500.0])


def test_a_quarter_circle_has_its_length_tangents_and_radius():
    moves = read("G1 X10 Y0 F3000\nG3 X0 Y10 I-10 J0 E1\n")
    assert moves.length_mm[1] == pytest.approx(math.pi / 2 * 10)
    assert (moves.begin.x[1], moves.begin.y[1]) == pytest.approx((0.0, 1.0), abs=1e-12)
    assert (moves.end.x[1], moves.end.y[1]) == pytest.approx((-1.0, 0.0), abs=1e-12)
    assert moves.arc.tolist() == [1] and moves.radius_mm.tolist() == [10.0]
    assert moves.planar.tolist() == [1.0]


def test_a_spiral_lift_rises_all_along():
    """A full turn of radius 1 that rises by 2 pi: 45 degrees everywhere."""
    moves = read(f"G1 X5 Y5 F3000\nG17\nG2 Z{2 * math.pi:.6f} I1 J0 P1\n")
    assert moves.planar[0] == pytest.approx(math.sqrt(0.5), rel=1e-6)
    assert moves.begin.z[1] == pytest.approx(math.sqrt(0.5), rel=1e-6)
    assert moves.end.y[1] == pytest.approx(moves.begin.y[1], abs=1e-9)


@pytest.mark.parametrize("plane", [17, 18, 19])
def test_tangents_lie_in_the_arcs_plane(plane):
    """A quarter turn about the axis across the plane ends at a right angle to its beginning."""
    words = {17: "G2 X10 Y10 I10 J0", 18: "G2 X10 Z10 I10 K0", 19: "G2 Y10 Z10 J10 K0"}[plane]
    moves = read(f"G{plane}\n{words} F3000\n")
    begin = np.array([moves.begin.x[0], moves.begin.y[0], moves.begin.z[0]])
    end = np.array([moves.end.x[0], moves.end.y[0], moves.end.z[0]])
    assert begin @ end == pytest.approx(0.0, abs=1e-9)
    across = {17: 2, 18: 1, 19: 0}[plane]
    assert begin[across] == end[across] == 0.0
    assert begin @ begin == pytest.approx(1.0) and end @ end == pytest.approx(1.0)


@given(st.floats(-3.1, 3.1), st.floats(0.1, 6.0), st.booleans())
def test_an_arc_is_held_by_the_steepest_place_on_it(first, sweep, clockwise):
    """Against 2,000 places on the way round."""
    last = first - sweep if clockwise else first + sweep
    x0, y0 = 100 + 20 * math.cos(first), 100 + 20 * math.sin(first)
    x1, y1 = 100 + 20 * math.cos(last), 100 + 20 * math.sin(last)
    word = "G2" if clockwise else "G3"
    head = HEAD.replace("X9000 Y9000", "X300 Y200")
    moves = read(
        f"G1 X{x0:.9f} Y{y0:.9f} F3000\n{word} X{x1:.9f} Y{y1:.9f} I{100 - x0:.9f} J{100 - y0:.9f}\n", head
    )
    angle = np.linspace(first, last, 2001)
    allowed = 1.0 / np.maximum(np.abs(np.sin(angle)) / 300, np.abs(np.cos(angle)) / 200).max()
    assert moves.accel_mm_s2[-1] == pytest.approx(allowed, rel=1e-3)


@pytest.mark.parametrize(
    "stop", ["M400", "M109 S200", "M190 S60", "G28 X", "G4 P50", "T1", "M0", "G10", "M600"]
)
def test_the_machine_stands_still_at(stop):
    moves = read(f"G1 X10 F3000\n{stop}\nG1 X20\nG1 X30\n")
    assert moves.stop_before.tolist() == [False, True, False]


@pytest.mark.parametrize(
    "goes_on", ["M104 S200", "M106 S99", "M204 S900", "M220 S90", "G92 E0", ";TYPE:Custom"]
)
def test_the_machine_goes_on_at(goes_on):
    assert not read(f"G1 X10 F3000\n{goes_on}\nG1 X20\n").stop_before.any()


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("M205 X8", Jerk),
        ("M205 J0.02", Deviation),
        ("SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=5", SquareCorner),
    ],
)
def test_corners_go_by_what_the_file_states(line, kind):
    plate = Plate.from_bytes(f"{line}\nG1 X10 F3000\nG1 Y10\n".encode(), "a.gcode")
    limits = limits_of(plate)
    assert isinstance(junction_of(moves_of(plate, limits), plate, limits), kind)


def test_feeds_may_be_given_instead_of_the_files():
    plate = Plate.from_bytes(b"M220 S50\nG1 X10 F3000\nG1 Y10\n", "a.gcode")
    moves = moves_of(plate, limits_of(plate), np.array([10.0, 30.0]))
    assert moves.feed_mm_s == pytest.approx([5.0, 15.0])


def test_a_move_before_any_feed_has_one():
    assert np.all(np.isfinite(read("G1 X10\nG1 X20 F0\n").feed_mm_s))


def test_a_flow_of_nothing_leaves_no_move_without_a_length():
    moves = read("M221 S0\nG1 E5 F300\nG1 X10 E1\n")
    assert np.all(moves.length_mm > 0)


def test_a_file_without_moves_gives_an_empty_list():
    assert len(read("M104 S0\n")) == 0
