"""Fan and acceleration in runs of new moves: set before, and put back behind as they were."""

from __future__ import annotations

import numpy as np
import pytest
from replay import NAN, Sheet, laid, last_wall, new_lines, one_wall, replay, run_of, square, with_hops

from gcodetools.edit.draft import Draft


def test_m204_stands_only_around_runs_that_ask_for_it(write):
    plate = one_wall()
    row = last_wall(plate) + 1
    plain = laid(write, plate, run_of(row, [(1, 1), (9, 1, 0.3)], 0.2))
    assert plain.output.count(b"M204") == 1
    slow = laid(write, plate, run_of(row, [(1, 1), (9, 1, 0.3)], 0.2, accel=400.0))
    lines = new_lines(slow)
    assert lines[0] == "M204 S400" and lines[-1] == "M204 S1000"
    assert slow.output.count(b"M204") == 3


def test_an_acceleration_held_over_a_run_with_its_own_goes_on(write):
    plate = one_wall()
    row = last_wall(plate) + 1
    draft = Draft.of(plate)
    draft.accel[[row - 1, row + 1]] = 600.0
    draft.runs.append(run_of(row, [(1, 1), (9, 1, 0.3)], 0.2, accel=400.0))
    steps = replay(write(with_hops(draft)).output)
    assert [s.accel for s in steps if s.tag in (11, 13)] == [600.0, 600.0]


@pytest.mark.parametrize(
    ("own", "asked", "back"),
    [
        (["M204 P1000 T2000"], "M204 P400", "M204 P1000"),
        (["M204 S1000", "M204 T2000"], "M204 P400", "M204 P1000"),
        (["SET_VELOCITY_LIMIT ACCEL=1000"], "SET_VELOCITY_LIMIT ACCEL=400", "SET_VELOCITY_LIMIT ACCEL=1000"),
        (["M204 S1000.5"], "M204 S400", "M204 S1000.5"),
        ([], None, None),
    ],
)
def test_an_acceleration_is_set_and_put_back_in_the_file_s_own_words(write, own, asked, back):
    """What travels with stays as it is; where the file never set one there is none to put back."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", *own)
    sheet.height(0.2)
    square(sheet, 0.0, 0.2)
    plate = sheet.plate()
    lines = new_lines(
        laid(write, plate, run_of(last_wall(plate) + 1, [(1, 1), (9, 1, 0.3)], 0.2, accel=400.0))
    )
    found = [line for line in lines if line.startswith(("M204", "SET_"))]
    assert found == ([asked, back] if asked else [])


@pytest.mark.parametrize("early", [True, False])
@pytest.mark.parametrize(("before", "behind"), [("M106 S51", "M106 S255"), ("M106 S255", "M106 S51")])
def test_the_fan_around_a_run_is_that_of_the_row_it_stands_behind_or_before(write, early, before, behind):
    """The file sets it anew between the two."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", before, ";TYPE:Perimeter")
    sheet.go(0, 0, 100)
    sheet.bead(20, 0, 0.6, 30)
    sheet.say(behind)
    sheet.go(0, 10)
    sheet.bead(20, 10, 0.6, 30)
    plate = sheet.plate()
    wall = int(np.flatnonzero(plate.beads.feature != 0)[0])
    draft = Draft.of(plate)
    draft.runs.append(run_of(wall + 1, [(1, 1), (9, 1, 0.3)], 0.0, fan=1.0, early=early))
    treated = write(with_hops(draft))
    fans = {s.text.split(";")[0]: s.fan for s in replay(treated.output)}
    assert fans["G1 X9.0000 Y1.0000 E0.30000 F1800"] == 255.0
    there = before if early else behind
    assert treated.output.count(b"M106") == (2 if there == "M106 S255" else 4)


def test_a_fan_that_the_file_never_set_stands_still_and_does_again(write):
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2")
    sheet.height(0.2)
    square(sheet, 0.0, 0.2)
    plate = sheet.plate()
    lines = new_lines(laid(write, plate, run_of(last_wall(plate) + 1, [(1, 1), (9, 1, 0.3)], 0.2, fan=1.0)))
    assert lines[0] == "M106 S255" and lines[-1] == "M106 S0"


@pytest.mark.parametrize("accel", [NAN, 400.0])
def test_a_run_behind_a_bead_with_a_limit_keeps_it_or_puts_it_back(write, accel):
    """The limit lasts over the travel to the next bead that wants it, so the run stands in the midst of it."""
    plate = one_wall()
    row = last_wall(plate) + 1
    draft = Draft.of(plate)
    draft.accel[[row - 1, row + 1]] = 600.0
    draft.runs.append(run_of(row, [(1, 1), (9, 1, 0.3)], 0.2, accel=accel))
    steps = replay(write(with_hops(draft)).output)
    new = [s.accel for s in steps if s.tag is None and s.is_bead]
    assert new == [600.0 if accel != accel else 400.0]
    assert [s.accel for s in steps if s.tag in (11, 12, 13, 14)] == [600.0, 600.0, 600.0, 1000.0]


def test_the_fan_of_a_bridge_is_set_before_it_and_what_the_file_had_behind_it(write):
    plate = one_wall()
    lines = new_lines(laid(write, plate, run_of(last_wall(plate) + 1, [(1, 1), (9, 1, 0.3)], 0.2, fan=1.0)))
    assert lines[0] == "M106 S255" and lines[-1] == "M106 S51"


def test_a_fan_that_is_as_asked_already_is_left_alone(write):
    plate = one_wall()
    treated = laid(write, plate, run_of(last_wall(plate) + 1, [(1, 1), (9, 1, 0.3)], 0.2, fan=0.2))
    assert treated.output.count(b"M106") == 1


def test_a_fan_that_a_treatment_holds_stays_held(write):
    plate = one_wall()
    draft = Draft.of(plate)
    draft.fan = np.full(len(plate.moves), np.nan)
    row = last_wall(plate) + 1
    draft.fan[row - 4 : row + 8] = 0.0
    draft.runs.append(run_of(row, [(1, 1), (9, 1, 0.3)], 0.2, fan=1.0))
    treated = write(with_hops(draft))
    assert all(s.fan == 0.0 for s in replay(treated.output) if s.text.startswith("G1 X9.0000 Y1.0000 E"))


def test_a_fan_counted_to_one_is_set_in_its_own_scale(write):
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", "M106 S0.35")
    sheet.height(0.2)
    square(sheet, 0.0, 0.2)
    sheet.say("M106 S1", "M106 S0.5")
    sheet.go(90, 90)
    plate = sheet.plate()
    assert plate.program.states.fan_full == 1.0
    lines = new_lines(laid(write, plate, run_of(last_wall(plate) + 1, [(1, 1), (9, 1, 0.3)], 0.2, fan=1.0)))
    assert [float(line.split("S")[1]) for line in (lines[0], lines[-1])] == [1.0, 0.35]
