"""Arcs against closed forms: circle, helix, radius form, turns, planes."""

from __future__ import annotations

import math
from math import cos, pi, sin

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gcodetools.gcode.arcs import arc_lengths, arc_points, piece_of_arc
from gcodetools.gcode.program import ARC, CLOCKWISE, LINE, Program
from gcodetools.gcode.scan import read_program


def read(text: str) -> Program:
    return read_program(text.encode(), "t.gcode")


def lengths(text: str) -> list[float]:
    program = read(text)
    return arc_lengths(program.moves, program.arcs).tolist()


def points(text: str, t: list[float], arc: int = 0) -> np.ndarray:
    program = read(text)
    which = np.full(len(t), arc)
    return arc_points(program.moves, program.arcs, which, np.array(t))


def test_a_quarter_circle() -> None:
    text = "G1 X10\nG3 X0 Y10 I-10 J0"
    assert lengths(text) == pytest.approx([5 * pi])
    root = 10 / math.sqrt(2)
    np.testing.assert_allclose(
        points(text, [0, 0.5, 1]), [[10, 0, 0], [root, root, 0], [0, 10, 0]], atol=1e-12
    )


def test_clockwise_goes_the_long_way_round() -> None:
    text = "G1 X10\nG2 X0 Y10 I-10 J0"
    assert lengths(text) == pytest.approx([15 * pi])
    np.testing.assert_allclose(points(text, [1 / 3]), [[0, -10, 0]], atol=1e-12)
    program = read(text)
    assert program.arcs.sweep.tolist() == pytest.approx([-1.5 * pi])
    assert program.moves.kind[1] == ARC | CLOCKWISE


@pytest.mark.parametrize("command", ["G2", "G3"])
@pytest.mark.parametrize("end", ["", "X5 Y5 "])
def test_an_arc_to_its_start_is_a_full_circle(command: str, end: str) -> None:
    assert lengths(f"G1 X5 Y5\n{command} {end}I1.5 J2") == pytest.approx([2 * pi * 2.5])


def test_a_circle_closes_in_spite_of_rounding() -> None:
    """Relative words and offsets leave noise in the last bits of a coordinate."""
    text = "G91\nG1 X.1\nG1 X.2\nG1 X-.1\nG90\nG3 X.2 Y0 I1\nG2 X.2 Y0 I1\nG92 X7.7\nG3 X7.7 I1\nG2 X7.7 I1"
    assert lengths(text) == pytest.approx([2 * pi] * 4)


def test_a_spiral_lift_is_a_helix() -> None:
    # Seen in real files: a full circle with a rise and P1, no X or Y.
    text = "G1 X50 Y60 Z.28\nG17\nG3 Z.68 I1.217 J0 P1 F42000"
    assert lengths(text) == pytest.approx([math.hypot(2 * pi * 1.217, 0.4)])
    np.testing.assert_allclose(points(text, [0.5, 1]), [[52.434, 60, 0.48], [50, 60, 0.68]], atol=1e-12)
    assert read(text).moves.f[-1] == 700


@pytest.mark.parametrize(("turns", "circles"), [("", 1), ("P0", 1), ("P1", 1), ("P2", 2), ("P5", 5)])
def test_turns_of_a_full_circle(turns: str, circles: int) -> None:
    assert lengths(f"G1 X1\nG3 I2 {turns}") == pytest.approx([4 * pi * circles])


def test_turns_beyond_the_first_add_a_circle_each() -> None:
    assert lengths("G1 X10\nG3 X0 Y10 I-10 P3") == pytest.approx([5 * pi + 2 * 20 * pi])
    assert lengths("G1 X10\nG2 X0 Y10 I-10 P2") == pytest.approx([15 * pi + 20 * pi])


def test_the_radius_form_takes_the_short_way() -> None:
    text = "G1 X10\nG3 X0 Y10 R10"
    assert lengths(text) == pytest.approx([5 * pi])
    np.testing.assert_allclose([read(text).arcs.cx[0], read(text).arcs.cy[0]], [0, 0], atol=1e-12)


def test_a_negative_radius_takes_the_long_way() -> None:
    # NIST RS274/NGC version 3 (from memory), section 3.5.3.1: a negative radius
    # is an arc of more than 180 degrees.
    text = "G1 X10\nG3 X0 Y10 R-10"
    assert lengths(text) == pytest.approx([15 * pi])
    np.testing.assert_allclose([read(text).arcs.cx[0], read(text).arcs.cy[0]], [10, 10], atol=1e-12)


def test_the_example_of_the_standard() -> None:
    # NIST RS274/NGC version 3 (from memory), section 3.5.3.1: "G17 G2 x 10 y 15 r 20 z 5"
    # is a helix about Z that ends at (10, 15, 5) with a radius of 20; section 3.5.3.2:
    # "G17 G2 x 10 y 16 i 3 j 4 z 9".
    by_radius, by_centre = read("G17\nG2 x 10 y 15 r 20 z 5"), read("G1 X7 Y7\nG17\nG2 x 10 y 16 i 3 j 4 z 9")
    assert by_radius.arcs.radius.tolist() == pytest.approx([20])
    assert abs(by_radius.arcs.sweep[0]) < pi
    assert (by_centre.arcs.cx[0], by_centre.arcs.cy[0]) == (10, 11)
    assert by_centre.arcs.radius.tolist() == pytest.approx([5])
    assert (by_centre.moves.x[-1], by_centre.moves.y[-1], by_centre.moves.z[-1]) == (10, 16, 9)
    # From (-3, -4) about the centre clockwise to (0, 5).
    sweep = math.atan2(5, 0) - math.atan2(-4, -3)
    assert by_centre.arcs.sweep[0] == pytest.approx(sweep - 2 * pi)


def test_a_radius_shorter_than_half_the_chord_is_a_half_circle_about_its_middle() -> None:
    arcs = read("G3 X10 Y0 R4.999").arcs
    assert (arcs.cx[0], arcs.cy[0]) == pytest.approx((5, 0))
    assert arcs.sweep[0] == pytest.approx(pi)


def test_planes() -> None:
    # ISO 6983-1:2009 (from memory): G17 XY, G18 ZX, G19 YZ, each right-handed.
    zx = "G1 Z10\nG18\nG3 X10 Z0 I0 K-10 Y6"
    assert lengths(zx) == pytest.approx([math.hypot(5 * pi, 6)])
    root = 10 / math.sqrt(2)
    np.testing.assert_allclose(points(zx, [0, 0.5, 1]), [[0, 0, 10], [root, 3, root], [10, 6, 0]], atol=1e-12)
    yz = "G1 Y10\nG19\nG3 Y0 Z10 J-10 K0 X-2"
    assert lengths(yz) == pytest.approx([math.hypot(5 * pi, 2)])
    np.testing.assert_allclose(points(yz, [0.5, 1]), [[-1, root, root], [-2, 0, 10]], atol=1e-12)
    assert read(zx + "\nG17\nG3 I1").arcs.plane.tolist() == [18, 17]


def test_arcs_in_inches_and_relative() -> None:
    text = "G20\nG91\nG1 X1\nG3 X-1 Y1 I-1 J0"
    program = read(text)
    assert lengths(text) == pytest.approx([25.4 * pi / 2])
    assert (program.arcs.cx[0], program.arcs.cy[0]) == pytest.approx((0, 0), abs=1e-12)


def test_an_arc_behind_an_offset_stays_on_the_bed() -> None:
    text = "G1 X10\nG92 X0 Y0\nG3 X-10 Y10 I-10 J0"
    assert lengths(text) == pytest.approx([5 * pi])
    np.testing.assert_allclose(points(text, [1]), [[0, 10, 0]], atol=1e-12)


def test_an_arc_behind_homing_begins_at_home() -> None:
    arcs = read("G1 X77 Y33\nG28\nG3 X0 Y10 J5").arcs
    assert (arcs.cx[0], arcs.cy[0], arcs.radius[0]) == (0, 5, 5)


@pytest.mark.parametrize("text", ["G2 X10 Y5", "G2 X10 Y5 I0 J0", "G3 X0 Y0 R5"])
def test_an_arc_without_a_radius_is_a_line(text: str) -> None:
    program = read("G1 Z1\n" + text)
    assert len(program.arcs.row) == 0
    assert program.moves.kind[1] == LINE


def test_an_arc_may_be_the_first_row() -> None:
    arcs = read("G3 X0 Y10 J5").arcs
    assert arcs.row.tolist() == [0]
    assert (arcs.cx[0], arcs.cy[0]) == (0, 5)


angle = st.floats(-pi, pi)


@given(
    st.floats(-100, 100), st.floats(-100, 100), st.floats(0.5, 80), angle, angle, st.booleans(),
    st.floats(-5, 5), st.sampled_from([17, 18, 19]),
)  # fmt: skip
def test_any_arc_is_its_closed_form(
    cx: float, cy: float, radius: float, begin: float, turn: float, clockwise: bool, rise: float, plane: int
) -> None:
    assume(abs(turn) > 0.01)
    sweep = -abs(turn) - (pi if turn < 0 else 0) if clockwise else abs(turn) + (pi if turn < 0 else 0)
    assume(abs(sweep) < 2 * pi - 0.01)
    end = begin + sweep
    first, second, normal = {17: "XYZ", 18: "ZXY", 19: "YZX"}[plane]
    centre = {"X": "I", "Y": "J", "Z": "K"}
    start = (cx + radius * cos(begin), cy + radius * sin(begin))
    stop = (cx + radius * cos(end), cy + radius * sin(end))
    program = read(
        f"G1 {first}{start[0]:.12f} {second}{start[1]:.12f} {normal}1\nG{plane}\n"
        f"G{2 if clockwise else 3} {first}{stop[0]:.12f} {second}{stop[1]:.12f} {normal}{1 + rise:.12f} "
        f"{centre[first]}{cx - start[0]:.12f} {centre[second]}{cy - start[1]:.12f}\n"
    )
    arcs = program.arcs
    np.testing.assert_allclose(
        [arcs.cx[0], arcs.cy[0], arcs.radius[0], arcs.sweep[0]], [cx, cy, radius, sweep], atol=1e-8
    )
    assert arc_lengths(program.moves, arcs)[0] == pytest.approx(math.hypot(radius * sweep, rise))
    third = begin + sweep / 3
    expected = {
        first: cx + radius * cos(third),
        second: cy + radius * sin(third),
        normal: 1 + rise / 3,
    }
    found = arc_points(program.moves, arcs, np.array([0]), np.array([1 / 3]))[0]
    np.testing.assert_allclose(found, [expected[k] for k in "XYZ"], atol=1e-8)


def test_a_piece_of_an_arc() -> None:
    assert piece_of_arc(1.0, -2.0, 0.25, 0.75) == (0.5, -1.0)
    begin, sweep = piece_of_arc(0.3, 4.0, 0.0, 0.4)
    rest_begin, rest_sweep = piece_of_arc(0.3, 4.0, 0.4, 1.0)
    assert begin + sweep == pytest.approx(rest_begin)
    assert sweep + rest_sweep == pytest.approx(4.0)
