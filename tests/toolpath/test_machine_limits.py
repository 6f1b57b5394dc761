"""Limits of the machine, and where each is from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gcodetools.documents.profiles import load_machine
from gcodetools.toolpath.machine_limits import MachineLimits, limits_of
from gcodetools.toolpath.plate import Plate

MOVES = "G1 X10 E1 F3000\nG1 X20\n"
SETTINGS = """;LAYER_CHANGE
;Z:0.2
;HEIGHT:0.2
;TYPE:Perimeter
G1 X10 E1 F3000
G1 X20 E1
; machine_max_acceleration_x = 2500,960
; machine_max_acceleration_extruding = 1500
; machine_max_jerk_x = 7
; machine_max_feedrate_z = 12
"""


def limits(text: str, machine: str | None = None) -> MachineLimits:
    plate = Plate.from_bytes(text.encode(), "a.gcode")
    return limits_of(plate, load_machine(machine) if machine else None)


def value(found: MachineLimits, key: str, line: int = 1000) -> float:
    """A limit far behind all commands."""
    return float(np.ravel(found.at(key, np.array([line], np.int32)))[0])


def test_the_files_commands_come_first():
    found = limits("M201 X1111 Y2222 Z333 E4444\nM203 X111 Y122 Z13 E24\nM204 P600 R700 T800\n"
                   "M205 X5 Y6 Z0.7 E8\n" + MOVES, "desktop-220")  # fmt: skip
    expected = {
        "accel_x": 1111, "accel_y": 2222, "accel_z": 333, "accel_e": 4444,
        "speed_x": 111, "speed_y": 122, "speed_z": 13, "speed_e": 24,
        "accel_extruding": 600, "accel_retracting": 700, "accel_travel": 800,
        "jerk_x": 5, "jerk_y": 6, "jerk_z": 0.7, "jerk_e": 8,
    }  # fmt: skip
    assert {key: value(found, key) for key in expected} == expected
    assert {found.origins[key] for key in expected} == {"file"}
    assert found.assumed == ()
    assert found.junction == "jerk"


def test_settings_come_next_then_the_machine_then_common_practice():
    named = limits(SETTINGS, "desktop-220")
    assert (value(named, "accel_x"), named.origins["accel_x"]) == (2500.0, "settings")
    assert (value(named, "jerk_y"), named.origins["jerk_y"]) == (8.0, "machine desktop-220")
    plain = limits(SETTINGS)
    assert plain.origins["jerk_y"] == "common practice"
    assert plain.assumed == ("accel_y", "jerk_y")


def test_every_key_says_where_it_is_from():
    found = limits(SETTINGS, "fast-250")
    assert set(found.origins) == set(found.tracks)
    assert set(found.origins.values()) <= {"file", "settings", "machine fast-250", "common practice"}


def test_a_command_holds_from_its_line_on():
    found = limits("G1 X1 F3000\nM201 X500\nG1 X2\nM201 X900\nG1 X3\n")
    assert np.ravel(found.at("accel_x", np.array([0, 2, 4], np.int32))).tolist() == [math.inf, 500.0, 900.0]


def test_a_limit_that_never_changes_among_the_lines_is_a_plain_number():
    found = limits("M201 X500\n" + MOVES)
    assert found.at("accel_x", np.array([1, 2], np.int32)) == 500.0


def test_one_family_of_firmware_counts_by_the_minute():
    found = limits("M566 X600 Y480 Z24 E300\nM203 X18000 Y12000 Z600 E3600\n" + MOVES)
    assert [value(found, f"jerk_{a}") for a in "xyze"] == [10.0, 8.0, 0.4, 5.0]
    assert [value(found, f"speed_{a}") for a in "xyze"] == [300.0, 200.0, 10.0, 60.0]


def test_speeds_far_above_any_machines_are_by_the_minute_too():
    assert value(limits("M203 X18000 Z600\n" + MOVES), "speed_x") == 300.0
    assert value(limits("M203 X500 Z10\n" + MOVES), "speed_x") == 500.0


@pytest.mark.parametrize(
    ("lines", "kind"),
    [
        ("", "jerk"),
        ("M205 X8\n", "jerk"),
        ("M205 J0.02\n", "deviation"),
        ("SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=7\n", "corner"),
        ("M205 J0.02\nM205 X8 Y8\n", "jerk"),
        ("M205 X8 Y8\nM205 J0.02\n", "deviation"),
        ("M205 S0 T0\n", "jerk"),
    ],
)
def test_how_corners_are_passed(lines, kind):
    assert limits(lines + MOVES).junction == kind


def test_velocity_limits_of_extended_commands():
    found = limits(
        "SET_VELOCITY_LIMIT VELOCITY=250 ACCEL=4000 SQUARE_CORNER_VELOCITY=7 MINIMUM_CRUISE_RATIO=0.25\n"
        + MOVES
    )
    keys = ("speed_path", "accel_extruding", "accel_travel", "corner")
    assert [value(found, key) for key in keys] == [250.0, 4000.0, 4000.0, 7.0]
    assert found.cruise_share == 0.25


def test_smoothing_is_for_machines_with_corner_speeds_alone():
    assert limits("M205 X8\n" + MOVES).cruise_share == 0.0
    assert limits("SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=7\n" + MOVES).cruise_share == 0.5


def test_travel_is_as_printing_where_nobody_says():
    found = limits("M204 P600\n" + MOVES)
    assert (value(found, "accel_travel"), found.origins["accel_travel"]) == (600.0, "file")
    assert value(limits("M204 P600\n" + MOVES, "desktop-220"), "accel_travel") == 1000.0


def test_a_profile_gives_way_where_the_file_asks_for_more():
    """desktop-220 has 1000 mm/s2 in X and Y."""
    assert value(limits("M204 S6000\n" + MOVES, "desktop-220"), "accel_x") == 6000.0
    assert value(limits("M204 S500\n" + MOVES, "desktop-220"), "accel_x") == 1000.0
    assert value(limits("M204 S6000\nM201 X700\n" + MOVES, "desktop-220"), "accel_x") == 700.0


def test_a_zero_leaves_a_limit_open():
    found = limits("M201 X0\nM205 J0\nM205 X0\n" + MOVES)
    assert value(found, "accel_x") == math.inf
    assert (found.junction, value(found, "jerk_x")) == ("jerk", 8.0)


def test_limits_without_lines_to_ask_for():
    assert limits(MOVES).at("jerk_x", np.empty(0, np.int32)) == 8.0


@pytest.mark.parametrize("first", range(12))
@pytest.mark.parametrize("count", [1, 2, 5, 60])
def test_a_limit_of_some_lines_is_that_of_the_command_before_each(first, count):
    """Against the plain reading, wherever the lines begin among the commands and however few there are of these."""
    found = limits(
        "G1 X1 F3000\nM204 P700\nG1 X2\nG1 X3\nM204 P800\nM204 P900\nG1 X4\nM204 P600\n" + 80 * "G1 X5\n"
    )
    lines = np.arange(first, first + count, dtype=np.int32)
    commands = {1: 700.0, 4: 800.0, 5: 900.0, 7: 600.0}
    plain = [([1000.0] + [v for at, v in commands.items() if at < line])[-1] for line in lines.tolist()]
    at = found.at("accel_extruding", lines)
    assert np.broadcast_to(at, count).tolist() == plain
    assert isinstance(at, float) == (not any(first <= line < first + count - 1 for line in commands))
