"""Acceleration, nozzle and fan in the text: written, held back, put back."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.draft import Draft

HEAD = ["G21", "G90", "M83", ";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter", "G1 Z0.2 F600"]
BOX = ["G1 X0 Y0 F1800", "G1 X10 E.4", "G1 Y10 E.4", "G1 X0 E.4", "G1 Y0 E.4"]


def treated(plate_of, write, lines, fill, head=HEAD):
    """Text below the head of the draft that `fill(draft, bead rows)` writes into, and the lines held back."""
    plate = plate_of("\n".join([*head, *lines]) + "\n")
    draft = Draft.of(plate)
    fill(draft, np.flatnonzero(plate.beads.feature != 0))
    result = write(draft)
    return result.output.decode().splitlines()[len(head) :], [k - len(head) for k in result.held_back]


def accel(value, *which):
    def fill(draft, beads):
        draft.accel[beads[list(which)]] = value

    return fill


def column(name, value, first, last):
    def fill(draft, beads):
        values = np.full(len(draft.plate.moves), np.nan)
        values[beads[first] : beads[last] + 1] = value
        setattr(draft, name, values)

    return fill


@pytest.mark.parametrize(
    ("own", "low", "back"),
    [
        ("M204 S1500", "M204 S800", "M204 S1500"),
        ("M204 P1500 T2500", "M204 P800", "M204 P1500"),
        ("SET_VELOCITY_LIMIT ACCEL=1500", "SET_VELOCITY_LIMIT ACCEL=800", "SET_VELOCITY_LIMIT ACCEL=1500"),
    ],
)
def test_acceleration_is_written_in_the_file_s_words_and_put_back(plate_of, write, own, low, back):
    got, held = treated(plate_of, write, [own, *BOX], accel(800.0, 1, 2))
    assert got == [own, *BOX[:2], low, *BOX[2:4], back, BOX[4]]
    assert held == []


@pytest.mark.parametrize(
    ("own", "other", "swapped"),
    [
        ("M204 S1500", "M204 S1000 ; slow", "M204 S800 ; slow"),
        ("M204 P1500 T2500", "M204 T2600 P1000", "M204 T2600 P800"),
        ("SET_VELOCITY_LIMIT ACCEL=1500", "SET_VELOCITY_LIMIT ACCEL=1000", "SET_VELOCITY_LIMIT ACCEL=800"),
    ],
)
def test_the_file_s_own_acceleration_inside_is_held_back_and_stands_behind(
    plate_of, write, own, other, swapped
):
    lines = [own, *BOX[:3], other, *BOX[3:]]
    got, held = treated(plate_of, write, lines, accel(800.0, 1, 2))
    low = swapped.split(";")[0].strip() if "T" not in swapped else "M204 P800"
    low = "SET_VELOCITY_LIMIT ACCEL=800" if "LIMIT" in own else low
    assert got == [own, *BOX[:2], low, BOX[2], swapped, BOX[3], low.replace("800", "1000"), BOX[4]]
    assert held == [4]


def test_travel_acceleration_set_apart_is_never_overwritten(plate_of, write):
    lines = ["M204 P1500 T2500", "M204 P1400", "M204 S1300", "M204 T2400", *BOX]
    got, _ = treated(plate_of, write, lines, accel(800.0, 1))
    assert got[6:9] == ["M204 P800", BOX[2], "M204 P1300"]


def test_acceleration_that_the_file_never_set_is_left_alone(plate_of, write):
    got, _ = treated(plate_of, write, BOX, accel(800.0, 1, 2))
    assert got == BOX


def test_acceleration_is_put_back_inside_the_bracket(plate_of, write):
    lines = ["M204 S1500", "EXCLUDE_OBJECT_START NAME=a", *BOX[:3], "EXCLUDE_OBJECT_END NAME=a",
             "EXCLUDE_OBJECT_START NAME=b", *BOX[3:], "EXCLUDE_OBJECT_END NAME=b"]  # fmt: skip
    got, _ = treated(plate_of, write, lines, accel(800.0, 0, 1, 2, 3))
    assert got == [*lines[:3], "M204 S800", *lines[3:5], "M204 S1500", *lines[5:7], "M204 S800", *lines[7:9],
                   "M204 S1500", *lines[9:]]  # fmt: skip


@pytest.mark.parametrize("own", ["S63.8", "S102", "S0.5", "S255"])
def test_a_fan_hold_ends_with_exactly_the_file_s_value(plate_of, write, own):
    lines = [f"M106 {own}", *BOX]
    got, _ = treated(plate_of, write, lines, column("fan", 0.1, 1, 2))
    assert got[:3] == lines[:3] and got[4:6] == lines[3:5]
    assert float(got[6].removeprefix("M106 S")) == float(own[1:])
    full = 1.0 if own == "S0.5" else 255.0
    assert float(got[3].removeprefix("M106 S")) == pytest.approx(0.1 * full, abs=0.5)
    assert got[7:] == lines[5:]


@pytest.mark.parametrize("own", ["M106 S204", "M107", "M106", "M106 S204 P0 ; more"])
def test_the_file_s_own_fan_inside_a_hold_is_held_back_and_stands_behind(plate_of, write, own):
    lines = ["M106 S102", *BOX[:3], own, *BOX[3:]]
    got, held = treated(plate_of, write, lines, column("fan", 0.2, 1, 2))
    swapped = {"M106 S204 P0 ; more": "M106 S51 P0 ; more"}.get(own, "M106 S51")
    value = {"M107": "0", "M106": "255"}.get(own, "204")
    assert got == [*lines[:3], "M106 S51", lines[3], swapped, BOX[3], f"M106 S{value}", BOX[4]]
    assert held == [4]


def test_another_fan_is_left_alone(plate_of, write):
    lines = ["M106 S102", *BOX[:3], "M106 P2 S204", *BOX[3:]]
    got, held = treated(plate_of, write, lines, column("fan", 0.2, 1, 2))
    assert "M106 P2 S204" in got and held == []


def test_a_fan_before_the_file_s_first_command_goes_back_to_the_kit_s_base(plate_of, write):
    def fill(draft, beads):
        draft.base_fan = 0.4
        column("fan", 0.2, 1, 2)(draft, beads)

    got, _ = treated(plate_of, write, BOX, fill)
    assert got == [*BOX[:2], "M106 S51", *BOX[2:4], "M106 S102", BOX[4]]


def test_a_nozzle_hold_is_written_and_put_back(plate_of, write):
    lines = ["M104 S230", *BOX]
    got, _ = treated(plate_of, write, lines, column("nozzle_c", 238.0, 1, 2))
    assert got == [*lines[:3], "M104 S238", *lines[3:5], "M104 S230", lines[5]]


@pytest.mark.parametrize("own", ["M104 S225", "M109 S225", "M109 R225", "M104 T0 S225", "G10 P0 S225 R170"])
def test_the_file_s_own_temperature_inside_a_hold_is_held_back_and_stands_behind(plate_of, write, own):
    lines = ["M104 S230", *BOX[:3], own, *BOX[3:]]
    got, held = treated(plate_of, write, lines, column("nozzle_c", 238.0, 1, 2))
    assert got == [*lines[:3], "M104 S238", lines[3], own.replace("225", "238"), BOX[3], "M104 S225", BOX[4]]
    assert held == [4]


def test_an_extended_heater_command_is_held_back_too(plate_of, write):
    own = "SET_HEATER_TEMPERATURE HEATER=extruder TARGET=225"
    lines = ["M104 S230", *BOX[:3], own, *BOX[3:]]
    got, held = treated(plate_of, write, lines, column("nozzle_c", 238.0, 1, 2))
    assert own.replace("225", "238") in got and held == [4] and got[-2] == "M104 S225"


def test_a_hold_of_one_tool_names_it_and_leaves_the_other_alone(plate_of, write):
    lines = ["M104 T0 S230", "M104 T1 S210", "T0", *BOX, "T1", "M104 S205", "G1 X10 E.4", "G1 X0 E.4"]

    def fill(draft, beads):
        draft.nozzle_c = np.full(len(draft.plate.moves), np.nan)
        draft.nozzle_c[beads[0] : beads[3] + 1] = 238.0

    got, held = treated(plate_of, write, lines, fill)
    assert got == [*lines[:4], "M104 T0 S238", *lines[4:8], *lines[8:10], *lines[10:], "M104 T0 S230"]
    assert held == []


def test_a_nozzle_that_nothing_set_has_no_value_to_return_to_and_is_left_alone(plate_of, write):
    got, _ = treated(plate_of, write, BOX, column("nozzle_c", 238.0, 1, 2))
    assert got == BOX


def test_a_known_base_is_what_the_nozzle_returns_to(plate_of, write):
    def fill(draft, beads):
        draft.base_nozzle_c = 230.0
        column("nozzle_c", 238.0, 1, 2)(draft, beads)

    got, _ = treated(plate_of, write, BOX, fill)
    assert got == [*BOX[:2], "M104 S238", *BOX[2:4], "M104 S230", BOX[4]]


@pytest.mark.parametrize(
    ("name", "word", "own"), [("nozzle_c", "M104", "M104 S230"), ("fan", "M106", "M106 S102")]
)
def test_holds_stand_outside_object_brackets(plate_of, write, name, word, own):
    lines = [own, "G1 Z1", "EXCLUDE_OBJECT_START NAME=a", *BOX[:3],
             "EXCLUDE_OBJECT_END NAME=a", ";LAYER_CHANGE", ";Z:0.4",
             "EXCLUDE_OBJECT_START NAME=b", *BOX[3:], "EXCLUDE_OBJECT_END NAME=b",
             "G1 X50 Y50 F6000",
             "EXCLUDE_OBJECT_START NAME=a", "G1 X0 Y0 E.4", "EXCLUDE_OBJECT_END NAME=a"]  # fmt: skip

    def fill(draft, beads):
        setattr(draft, name, np.full(len(draft.plate.moves), np.nan))
        getattr(draft, name)[beads[0] - 1 : beads[2] + 1] = 0.2 if name == "fan" else 238.0

    got, _ = treated(plate_of, write, lines, fill)
    low, back = ("M106 S51", "M106 S102") if name == "fan" else ("M104 S238", "M104 S230")
    # The hold ends after b's first bead: it is put back there, for want of a line outside.
    assert got[:4] == [own, "G1 Z1", low, lines[2]]
    assert got[got.index(BOX[4]) - 1] == back


def test_a_hold_over_whole_objects_is_two_commands_both_outside(plate_of, write):
    lines = ["M104 S230", "G1 Z1", "EXCLUDE_OBJECT_START NAME=a", *BOX[:3],
             "EXCLUDE_OBJECT_END NAME=a", "EXCLUDE_OBJECT_START NAME=b", *BOX[3:],
             "EXCLUDE_OBJECT_END NAME=b", "G1 X50 Y50 F6000"]  # fmt: skip

    def fill(draft, beads):
        draft.nozzle_c = np.full(len(draft.plate.moves), np.nan)
        draft.nozzle_c[beads[0] - 1 : beads[3] + 1] = 238.0

    got, _ = treated(plate_of, write, lines, fill)
    assert got == [*lines[:2], "M104 S238", *lines[2:-1], "M104 S230", lines[-1]]


def test_acceleration_changes_between_the_pieces_of_a_cut_move(plate_of, write):
    lines = ["M204 S1500", "G1 X0 Y0 F1800", "G1 X10 E.4", "G1 Y10 E.4"]
    plate = plate_of("\n".join([*HEAD, *lines]) + "\n")
    bead = int(np.flatnonzero(plate.beads.feature != 0)[0])
    draft = Draft.of(plate, np.array([bead, bead]), np.array([0.25, 0.5]))
    draft.accel[np.flatnonzero(draft.row == bead)[1]] = 800.0
    assert write(draft).output.decode().splitlines()[len(HEAD) + 2 :] == [
        "G1 X2.500 E0.10000",
        "M204 S800",
        "G1 X5.000 E0.10000",
        "M204 S1500",
        "G1 X10 E0.20000",
        "G1 Y10 E.4",
    ]
