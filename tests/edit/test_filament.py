"""Flow in the text: rounding carried on, and an absolute counter that is set back once a visit."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.draft import Draft

HEAD = ["G21", "G90", "M83", ";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter", "G1 Z0.2 F600"]
ABSOLUTE = ["M82" if line == "M83" else line for line in HEAD]


def flown(plate_of, write, lines, flows, head=HEAD):
    """Text below the head when the beads with index k get flows[k]."""
    plate = plate_of("\n".join([*head, *lines]) + "\n")
    draft = Draft.of(plate)
    beads = np.flatnonzero(plate.beads.feature != 0)
    for k, flow in flows.items():
        draft.flow[beads[k]] = flow
    return write(draft).output.decode().splitlines()[len(head) :]


def test_a_relative_word_is_scaled_in_place(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4 ; a", "G1 X10 Y10 E.4"]
    assert flown(plate_of, write, lines, {0: 1.05}) == [
        "G1 X0 Y0 F1800",
        "G1 X10 Y0 E0.42000 ; a",
        "G1 X10 Y10 E.4",
    ]


def test_what_rounding_loses_goes_to_the_next_piece_of_the_visit(plate_of, write):
    lines = ["G1 X0 Y0 F1800"] + [f"G1 X{k} Y{k % 2} E0.00123" for k in range(1, 101)]
    got = flown(plate_of, write, lines, dict.fromkeys(range(100), 1.037))
    written = [float(line.split("E")[1]) for line in got[1:]]
    assert np.ptp(written) > 0  # 0.00127551: some words are up, some down
    running = np.cumsum(written) - np.cumsum(np.full(100, 0.00123 * 1.037))
    assert np.abs(running).max() <= 0.5e-5 + 1e-12


def test_rounding_is_not_carried_over_a_gap_between_visits(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X1 E0.00123", "G1 X2 E0.5", "G1 X3 E0.00123"]
    got = flown(plate_of, write, lines, {0: 1.037, 2: 1.037})
    assert got[1:] == ["G1 X1 E0.00128", "G1 X2 E0.5", "G1 X3 E0.00128"]


def test_pieces_of_a_cut_move_add_up_to_the_move(plate_of, write):
    plate = plate_of("\n".join([*HEAD, "G1 X0 Y0 F1800", "G1 X10 Y0 E0.33333", "G1 X0 Y0 E1"]) + "\n")
    bead = int(np.flatnonzero(plate.beads.feature != 0)[0])
    treated = write(Draft.of(plate, np.full(6, bead), np.arange(1, 7) / 7))
    assert treated.plate.moves.e[bead : bead + 7].sum() == pytest.approx(0.33333, abs=1e-9)


def test_an_absolute_counter_is_set_back_at_the_next_travel(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4", "G1 X10 Y10 E0.8", "G1 X0 Y0", "G1 X10 Y0 E1.2"]
    assert flown(plate_of, write, lines, {0: 1.05}, ABSOLUTE) == [
        "G1 X0 Y0 F1800",
        "G1 X10 Y0 E0.42000",
        "G1 X10 Y10 E0.82000",
        "G92 E0.80000",
        "G1 X0 Y0",
        "G1 X10 Y0 E1.2",
    ]


def test_an_absolute_counter_is_set_back_before_a_retraction(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4", "G1 E-.4 F900", "G1 X0 Y0", "G1 E.4", "G1 X10 Y0 E1.2"]
    assert flown(plate_of, write, lines, {0: 1.05}, ABSOLUTE)[1:4] == [
        "G1 X10 Y0 E0.42000",
        "G92 E0.40000",
        "G1 E-.4 F900",
    ]


def test_a_counter_that_the_file_sets_itself_gets_no_second_one(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4", "G92 E0", "G1 X0 Y0", "G1 X10 Y0 E0.4"]
    assert flown(plate_of, write, lines, {0: 1.05}, ABSOLUTE) == [
        "G1 X0 Y0 F1800",
        "G1 X10 Y0 E0.42000",
        *lines[2:],
    ]


def test_no_counter_is_set_between_two_joined_beads(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4", "G1 F1200", "G1 X10 Y10 E0.8", "G1 X0 Y0", "G1 X9 E1.2"]
    got = flown(plate_of, write, lines, {0: 1.05}, ABSOLUTE)
    assert got[2:6] == ["G1 F1200", "G1 X10 Y10 E0.82000", "G92 E0.80000", "G1 X0 Y0"]


def test_one_visit_sets_the_counter_once_even_over_several_treated_beads(plate_of, write):
    lines = ["G1 X0 Y0 F1800", *(f"G1 X{k} Y{k % 2} E{k}" for k in range(1, 9)), "G1 X0 Y0", "G1 X9 E9"]
    got = flown(plate_of, write, lines, {0: 1.05, 2: 0.9, 5: 1.2}, ABSOLUTE)
    assert sum(line.startswith("G92") for line in got) == 1
    assert "G1 X3 Y1 E2.95000" in got and "G1 X8 Y0 E8.15000" in got


def test_a_word_that_pushes_nothing_moves_with_the_counter(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4", "G1 X11 Y0 E0.4", "G1 X12 Y0 E.8", "G1 X0 Y0"]
    got = flown(plate_of, write, lines, {0: 1.05}, ABSOLUTE)
    # The middle line is a travel that names the counter: it may be set back there, never be left to pull.
    assert got[1:4] == ["G1 X10 Y0 E0.42000", "G92 E0.40000", "G1 X11 Y0 E0.4"]


def test_a_zero_relative_word_stays_as_it_is(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E0.4", "G1 X11 Y0 E0", "G1 X12 Y0 E0.4"]
    assert flown(plate_of, write, lines, {0: 1.05, 1: 1.05})[2] == "G1 X11 Y0 E0"


def test_the_counter_goes_back_to_what_relative_words_since_have_made_it(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 Y0 E1", "M83", "G1 E-0.5", "M82", "G1 E1", "G1 X20 Y0 E2", "G1 X0 Y9",
             "G1 X5 Y9 E3", "M83", "G1 E-0.5", "M82", "G1 X9 Y9 E3.5", "G0 X0 Y0", "G1 X9 E4"]  # fmt: skip
    got = flown(plate_of, write, lines, {1: 1.1, 2: 1.1, 3: 1.1}, ABSOLUTE)
    assert got[-3:] == ["G92 E3.50000", "G0 X0 Y0", "G1 X9 E4"]


def test_relative_words_since_the_last_absolute_one_count(plate_of, write):
    lines = ["EXCLUDE_OBJECT_START NAME=a", "G1 X0 Y0 F1800", "G1 X10 Y0 E1", "M83", "G1 E-0.25", "M82",
             "EXCLUDE_OBJECT_END NAME=a", "G1 X0 Y0", "G1 E1", "G1 X10 Y0 E2"]  # fmt: skip
    got = flown(plate_of, write, lines, {0: 1.1}, ABSOLUTE)
    assert got == [*lines[:2], "G1 X10 Y0 E1.10000", *lines[3:7], "G92 E0.75000", *lines[7:]]


def test_behind_a_bracket_the_counter_is_set_outside_it(plate_of, write):
    lines = ["EXCLUDE_OBJECT_START NAME=a", "G1 X0 Y0 F6000", "G1 X10 Y0 E0.4",
             "EXCLUDE_OBJECT_END NAME=a",
             "EXCLUDE_OBJECT_START NAME=b", "G1 X20 Y0", "G1 X30 Y0 E0.8",
             "EXCLUDE_OBJECT_END NAME=b"]  # fmt: skip
    assert flown(plate_of, write, lines, {0: 1.05, 1: 1.05}, ABSOLUTE)[2:] == [
        "G1 X10 Y0 E0.42000",
        "EXCLUDE_OBJECT_END NAME=a",
        "G92 E0.40000",
        "EXCLUDE_OBJECT_START NAME=b",
        "G1 X20 Y0",
        "G1 X30 Y0 E0.82000",
        "EXCLUDE_OBJECT_END NAME=b",
    ]


def test_inside_a_bracket_a_travel_does_not_set_the_counter(plate_of, write):
    lines = ["EXCLUDE_OBJECT_START NAME=a", "G1 X0 Y0 F6000", "G1 X10 Y0 E0.4", "G1 X0 Y0", "G1 X10 Y0 E0.8",
             "EXCLUDE_OBJECT_END NAME=a", "G1 X0 Y0", "G1 X9 E1"]  # fmt: skip
    got = flown(plate_of, write, lines, {0: 1.05}, ABSOLUTE)
    assert got[3:] == ["G1 X0 Y0", "G1 X10 Y0 E0.82000", lines[5], "G92 E0.80000", *lines[6:]]


@pytest.mark.parametrize("head", [HEAD, ABSOLUTE])
def test_inches_and_volumes_scale_in_their_own_units(plate_of, write, head):
    inches = [*(["G20"] + [line for line in head if line != "G21"])]
    lines = ["G1 X0 Y0 F180", "G1 X1 Y0 E0.4", "G1 X0 Y0", "G1 X1 Y0 E.8"]
    assert "G1 X1 Y0 E0.420000" in flown(plate_of, write, lines, {0: 1.05}, inches)
    assert "G1 X1 Y0 E0.42000" in flown(plate_of, write, lines, {0: 1.05}, ["M200 D1.75", *head])


INCHES = ["G20", *(line for line in ABSOLUTE if line != "G21")]


def test_rounding_to_a_step_of_an_inch_is_no_undeclared_change(plate_of, write):
    lines = [
        "G1 X0 Y0 F60",
        *(f"G1 X{k / 100:g} Y0 E{k * 5e-4:.4f}" for k in range(1, 60)),
        "G1 X0 Y1",
        "G1 X1 E1",
    ]
    got = flown(plate_of, write, lines, dict.fromkeys(range(0, 59, 2), 1.05), INCHES)
    assert sum(line.startswith("G92 E") for line in got) == 1


def test_an_e_word_in_inches_has_a_decimal_more(plate_of, write):
    lines = ["G1 X0 Y0 F60", "G1 X.01 Y0 E.0005", "G1 X0 Y0", "G1 X1 Y0 E.8"]
    assert "G1 X.01 Y0 E0.000517" in flown(plate_of, write, lines, {0: 1.034}, INCHES)


def test_a_piece_cut_off_in_inches_carries_twenty_steps_of_an_inch(plate_of):
    plate = plate_of("\n".join([*INCHES, "G1 X0 Y0 F60", "G1 X1 Y0 E.00002", "G1 X1 Y1 E.00052"]) + "\n")
    beads = np.flatnonzero(plate.beads.feature != 0)
    assert np.bincount(Draft.of(plate, beads, np.array([0.5, 0.5])).row)[beads].tolist() == [1, 2]
