"""What commands set, and from which line on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gcodetools.gcode.program import Program, Track
from gcodetools.gcode.scan import read_program, scan_text
from gcodetools.gcode.states import Commands, arc_centre_track, several_commands, unread_motion


def read(text: str) -> Program:
    return read_program(text.encode(), "t.gcode")


def steps(track: Track) -> list[tuple[int, float]]:
    return list(zip(track.line.tolist(), track.value.tolist(), strict=True))


# --- tracks


def test_a_track_holds_behind_its_line() -> None:
    track = Track(np.array([2, 5], np.int32), np.array([1.0, 7.0]), 3.0)
    assert track.at(np.array([0, 2, 3, 5, 6])).tolist() == [3, 3, 1, 1, 7]


def test_an_empty_track_is_what_it_began_with() -> None:
    assert Track(np.empty(0, np.int32), np.empty(0), 4.0).at(np.array([0, 9])).tolist() == [4, 4]


def test_a_track_answers_in_any_order() -> None:
    track = Track(np.array([2], np.int32), np.array([1.0]))
    np.testing.assert_array_equal(track.at(np.array([3, 0])), [1.0, math.nan])


# --- tools


def test_tools_are_small_whole_numbers() -> None:
    text = "T0\nT1\nT-1\nT255\nT1000\nT1100\nT2 ; c\nT9\nT\nT?\nT1.5\nTIMELAPSE\nT_1\nt3"
    assert steps(read(text).states.tool) == [(0, 0), (1, 1), (6, 2), (7, 9), (13, 3)]


def test_an_old_convention_selects_tools_by_m108() -> None:
    program = read("M108 T1\nG55\nG1 X1\nM108 T0\nG54\nG1 X2\nM108 R24.0\n(;M108 T5\nG1 X3")
    assert steps(program.states.tool) == [(0, 1), (3, 0)]
    assert program.moves.tool.tolist() == [1, 0, 0]


def test_a_tool_belongs_to_the_moves_behind_it() -> None:
    assert read("G1 X1\nT1\nG1 X2\nT0\nT2\nG1 X3").moves.tool.tolist() == [0, 1, 2]


# --- temperatures


def test_nozzles_by_tool() -> None:
    states = read("M104 S210\nT1\nM104 S200\nM109 R190\nM104 T0 S180\nM109 S170 T1\nM104 S165.5").states
    assert {tool: steps(track) for tool, track in states.nozzle.items()} == {
        0: [(0, 210), (4, 180)],
        1: [(2, 200), (3, 190), (5, 170), (6, 165.5)],
    }


def test_temperatures_in_g10() -> None:
    states = read("T1\nG10 P0 S220 R170\nG10 P1 X0 Y0 Z0\nG10\nG10 S1\nG11").states
    assert {tool: steps(track) for tool, track in states.nozzle.items()} == {0: [(1, 220)]}


def test_temperatures_of_named_heaters() -> None:
    text = (
        "SET_HEATER_TEMPERATURE HEATER=extruder TARGET=200\n"
        "set_heater_temperature heater=extruder1 target=210.5 ; c\n"
        "SET_HEATER_TEMPERATURE HEATER=heater_bed TARGET=60\n"
        "SET_HEATER_TEMPERATURE HEATER=extruder\n"
        "; SET_HEATER_TEMPERATURE HEATER=extruder TARGET=9\n"
        "SET_HEATER_TEMPERATURES HEATER=extruder TARGET=9\n"
        "SET_HEATER_TEMPERATURE HEATER=extruder TARGET={temp}\n"
    )
    found = {tool: steps(track) for tool, track in read(text).states.nozzle.items()}
    assert found == {0: [(0, 200), (3, 0)], 1: [(1, 210.5)]}


def test_the_bed() -> None:
    assert steps(read("M140 S60\nM190 S65\nM190 R50\nM140").states.bed) == [(0, 60), (1, 65), (2, 50)]
    assert math.isnan(read("G1 X1").states.bed.initial)


def test_a_macro_that_names_temperatures_sets_none() -> None:
    states = read("print_start EXTRUDER=215 BED=60\nM104_X S200\n_M104 S200\nSTART S200 M104").states
    assert states.nozzle == {}


# --- fan


def test_the_fan_is_a_share_of_255() -> None:
    states = read("M106 S255\nM106 S63.75\nM106 S0\nM106\nM107\nM106 S300\nm106s51").states
    assert steps(states.fan) == [(0, 1), (1, 0.25), (2, 0), (3, 1), (4, 0), (5, 1), (6, 0.2)]
    assert states.fan_full == 255
    assert states.fan.initial == 0


def test_a_fractional_fan_speed_is_one_of_255() -> None:
    assert steps(read("M106 S63.8").states.fan) == [(0, 63.8 / 255)]


def test_a_file_whose_fan_never_goes_above_one_means_one() -> None:
    states = read("M106 S0.5\nM106 S1\nM106\nM107").states
    assert steps(states.fan) == [(0, 0.5), (1, 1), (2, 1), (3, 0)]
    assert states.fan_full == 1


def test_a_fan_that_is_only_switched_off_means_255() -> None:
    assert read("M106 S0").states.fan_full == 255


def test_other_fans_are_not_the_part_fan() -> None:
    states = read("M106 P0 S255\nM106 P1 S51\nM106 P2 S0\nM107 P1\nM107 P0").states
    assert steps(states.fan) == [(0, 1), (4, 0)]


# --- factors


def test_speed_and_flow_factors() -> None:
    states = read("M220 S80\nM221 S95.5\nM220\nM221 D5").states
    assert steps(states.speed_factor) == [(0, 0.8)]
    assert steps(states.flow_factor) == [(1, pytest.approx(0.955))]
    assert states.speed_factor.initial == states.flow_factor.initial == 1


def test_a_factor_remembered_and_put_back() -> None:
    text = "M220 R\nM220 S80\nM220 B\nM220 S50\nM220 R\nM220 S70 B\nM220 R\nM220 B\nM220 S1\nM220 R\n"
    factor = read(text).states.speed_factor.at(np.arange(1, 11))
    assert factor.tolist() == [1, 0.8, 0.8, 0.5, 0.8, 0.7, 0.8, 0.8, 0.01, 0.8]


# --- acceleration and jerk


def test_accelerations_named_apart() -> None:
    states = read("M204 P500 T900\nM204 R300\nM204 P600\nM204").states
    assert steps(states.accel) == [(0, 500), (2, 600)]
    assert steps(states.travel_accel) == [(0, 900)]
    assert steps(states.retract_accel) == [(1, 300)]


def test_the_older_form_sets_print_and_travel_at_once() -> None:
    states = read("M204 S500\nM204 S600 T900\nM204 S700 P800").states
    assert steps(states.accel) == [(0, 500), (1, 600), (2, 800)]
    assert steps(states.travel_accel) == [(0, 500), (1, 600)]
    assert steps(states.retract_accel) == [(1, 900)]


def test_twenty_five_thousand_accelerations() -> None:
    text = "".join(f"M204 S{1000 + k % 7}\nM205 X{k % 9}\nG1 X{k % 3}\n" for k in range(25_000))
    states = read(text).states
    assert states.accel.value.tolist() == [1000 + k % 7 for k in range(25_000)]
    assert states.jerk_xy.line.tolist() == list(range(1, 75_000, 3))
    assert len(states.limits) == 25_000


def test_jerk_in_both_units() -> None:
    states = read("M205 X8 Y8 Z.4\nM566 X600 Y600\nM205 J.02\nM205 S0").states
    assert steps(states.jerk_xy) == [(0, 8), (1, 10)]


def test_limits_by_an_extended_command() -> None:
    text = (
        "SET_VELOCITY_LIMIT ACCEL=3000 SQUARE_CORNER_VELOCITY=5\n"
        "set_velocity_limit accel = 700 ; ACCEL=9\n"
        "SET_VELOCITY_LIMIT VELOCITY=200\n"
        "; SET_VELOCITY_LIMIT ACCEL=1\n"
        "M204 S400\n"
    )
    states = read(text).states
    assert steps(states.accel) == [(0, 3000), (1, 700), (4, 400)]
    assert steps(states.jerk_xy) == [(0, 5)]
    assert states.limits.tolist() == [0, 1, 2]


def test_lines_that_state_limits() -> None:
    assert read("M201 X1\nM203 X1\nM204 S1\nM205 X1\nM566 X1\nM205.1 X1").states.limits.tolist() == [
        0,
        1,
        3,
        4,
    ]


# --- modes


def test_modes_hold_behind_their_line() -> None:
    text = "G91\nG90\nM83\nM82\nG20\nG21\nG18\nG19\nG17"
    states = read(text).states
    assert steps(states.xyz_relative) == [(0, 1), (1, 0)]
    assert steps(states.e_relative) == [(0, 1), (1, 0), (2, 1), (3, 0)]
    assert steps(states.inches) == [(4, 1), (5, 0)]
    assert steps(states.plane) == [(6, 18), (7, 19), (8, 17)]
    assert states.plane.initial == 17


def test_filament_is_relative_with_everything_until_m82_says_otherwise() -> None:
    """A common firmware's reference of M82: it overrides G91 for E (from memory)."""
    states = read("M83\nM82\nG91\nM82\nG90\nM83\nM83\nG91\nG90").states
    assert steps(states.e_relative) == [
        (0, 1), (1, 0), (2, 1), (3, 0), (4, 0), (5, 1), (6, 1), (7, 1), (8, 1)
    ]  # fmt: skip


def test_commands_are_found_behind_line_numbers_blanks_and_in_lower_case() -> None:
    text = "N1 M104 S200\n  m106 s255*12\nN3M204P500\n(c) M83"
    states = read(text).states
    assert steps(states.nozzle[0]) == [(0, 200)]
    assert steps(states.fan) == [(1, 1)]
    assert steps(states.accel) == [(2, 500)]
    assert steps(states.e_relative) == [(3, 1)]


@pytest.mark.parametrize(
    "text", ["M104.1 S200", "M1040 S200", "; M104 S200", "(M104 S200)", "M117 M104 S200", "@M104 S200"]
)
def test_what_only_looks_like_a_command_sets_nothing(text: str) -> None:
    assert read(text).states.nozzle == {}


# --- what is not read


def commands(text: str) -> Commands:
    return Commands(scan_text(text.encode(), "t.gcode").words)


def test_arc_centres_are_relative_until_told() -> None:
    track = arc_centre_track(commands("G90\nG90.1\nG91\nG1 X1\nG91.1"))
    assert (track.initial, steps(track)) == (0.0, [(1, 1.0), (4, 0.0)])


def test_motion_that_is_not_read_is_named() -> None:
    text = "G5 X1 I1 J1\nG1 X2\nN7 G5.1 X3 I1\ng53 X1\nG38.2 Z-1\nG33 K1\nG6 X1\nG73\nG89\nM53"
    line, number = unread_motion(commands(text))
    assert line.tolist() == [0, 2, 3, 4, 5, 6, 7, 8]
    assert number.tolist() == [5, 5.1, 53, 38.2, 33, 6, 73, 89]


@pytest.mark.parametrize("text", ["G80", "G28\nG29\nG30", "G4 P5", "G54\nG55", "G90.1", "G380 S2 Z30", "M5"])
def test_commands_that_move_nothing_of_the_print_are_no_unread_motion(text: str) -> None:
    # G80 ends a cycle (NIST RS274/NGC version 3, section 3.5.16.1) and probes the bed (common practice).
    assert unread_motion(commands(text))[0].tolist() == []


def test_several_commands_on_a_line_are_found() -> None:
    text = "G21 G90 ; units\nG90 G1 X1\nG53 G1 X1\nG28 X Y\nG4 P5 M400\nM117 G1 X1\nG92 E0 ; G1\nG29 (G1)"
    assert several_commands(commands(text)).tolist() == [0, 1, 4]
