"""Files that are not changed, and what is said of them."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import tiny_plate

from gcodetools.edit.draft import Draft
from gcodetools.edit.treated import emit
from gcodetools.errors import InputError

BEADS = "G21\nG90\nM83\nG1 Z0.2 F600\nG1 X0 Y0 F6000\nG1 X9 E0.3 F1800\n{}\nG1 X0 Y9 E0.3\nG1 Y0 E0.3\n"


def faster(text: str) -> Draft:
    """A draft of a text that scales the flow of its last bead."""
    draft = Draft.of(tiny_plate(text))
    draft.flow[-1] = 1.1
    return draft


def refused(draft: Draft) -> str:
    with pytest.raises(InputError) as told:
        emit(draft, ooze_mm=1.0, bed=None)
    return str(told.value)


@pytest.mark.parametrize(
    "line",
    [
        "G1 X9 Y9 E0.3 G1 X1 Y9 E0.3",
        "G1 X9 Y9 E0.3 G92 E0",
        "N7 G1 X9 Y9 E0.3 G3 X1 I-4",
        "G92 E0 G1 X9 Y9 E0.3",
    ],
)
def test_two_commands_that_move_on_one_line_are_refused_by_line(line: str) -> None:
    # An error by NIST RS274/NGC version 3 (2000): repeated items, modal groups 0 and 1. From memory.
    assert refused(faster(BEADS.format(line))) == (
        f"tiny.gcode:7: {line}: two commands on one line, of which printers carry out the first, both or none; "
        "expected one\nPut each command on a line of its own, or slice again."
    )


@pytest.mark.parametrize("line", ["G90 G21", "G1 X9 Y9 E0.3 M106 S128", "N7 G1 X9 Y9 E0.3", "M117 G1 X1 G1"])
def test_lines_with_one_move_are_not_refused(line: str) -> None:
    assert b"E0.33" in emit(faster(BEADS.format(line)), ooze_mm=1.0, bed=None).output


@pytest.mark.parametrize("line", ["G28 X0 G92 E0", "G1 Z5 G1 X1 F600"])
def test_two_commands_on_a_line_before_the_first_bead_are_left_to_the_warning(line: str) -> None:
    plate = tiny_plate(f"{line}\n" + BEADS.format("G92 E0"))
    assert plate.program.warnings[0].startswith("tiny.gcode:1: 1 line(s) with several commands")
    draft = Draft.of(plate)
    draft.flow[-1] = 1.1
    assert b"E0.33" in emit(draft, ooze_mm=1.0, bed=None).output


def test_a_file_with_two_commands_on_a_line_may_stay_as_it_is() -> None:
    plate = tiny_plate(BEADS.format("G1 X9 Y9 E0.3 G1 X1 Y9 E0.3"))
    assert emit(Draft.of(plate), ooze_mm=1.0, bed=None).output == plate.render()
    assert np.count_nonzero(plate.beads.is_bead) == 4
