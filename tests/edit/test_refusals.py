"""Files that are not changed, and what is said of them."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.draft import Draft
from gcodetools.edit.treated import emit
from gcodetools.errors import InputError
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate


def tiny_plate(text: str) -> Plate:
    return Plate.from_bytes(text.encode(), "tiny.gcode")


BEADS = "G21\nG90\nM83\nG1 Z0.2 F600\nG1 X0 Y0 F6000\nG1 X9 E0.3 F1800\n{}\nG1 X0 Y9 E0.3\nG1 Y0 E0.3\n"


def faster(text: str) -> Draft:
    """A draft of a text that scales the flow of its last bead."""
    draft = Draft.of(tiny_plate(text))
    draft.flow[np.flatnonzero(draft.plate.beads.is_bead)[-1]] = 1.1
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
        "G90 G1 X9 Y9 E0.3",
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


def test_a_lone_carriage_return_between_two_moves_is_refused_by_line() -> None:
    assert refused(faster(BEADS.format("G1 X9 Y9 E0.3\rG1 X1 Y9 E0.3"))) == (
        "tiny.gcode:7: G1 X9 Y9 E0.3 G1 X1 Y9 E0.3: a carriage return between two commands, expected line feeds\n"
        "Convert the line ends (most editors can) and try again."
    )


RING = """; printing object ring id:0 copy 0
;TYPE:External perimeter
;WIDTH:0.45
G1 X{0:g} Y50 F6000
G3 X{0:g} Y50 I-{1:g} J0 E{2:.5f} F1800
; stop printing object ring id:0 copy 0
"""
RING_KIT = b"""beadwright: 1
kit: rings
material: petg
base: {nozzle: 230}
parts:
  ring: {found_by: {label: ['*']}, regions: {zone: {within: all, treat: {perimeters: {add: 1}TREAT}}}}
"""


def ring(end: str = "") -> Plate:
    """Two layers of a disc whose wall is one full turn, the wall the last of each."""
    layers = "".join(
        f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\nG1 Z{z} F600\n" + RING.format(60, 10, 2) for z in (0.2, 0.4)
    )
    return tiny_plate(f"G21\nG90\nM83\nM104 S230\nM106 S100\n;TYPE:Custom\n{layers}{end}M107\n")


@pytest.mark.parametrize("more", ["", ", nozzle: {add: 5}, speed: {scale: 90%}"])
def test_new_beads_behind_the_last_move_of_a_file_are_refused_by_line(more: str) -> None:
    kit = kit_from_bytes(RING_KIT.replace(b"TREAT", more.encode()), "k.yaml")
    with pytest.raises(InputError) as told:
        apply_plate(ring(), kit, Options(()))
    assert str(told.value).startswith(
        "tiny.gcode:25: G3 X60 Y50 I-10 J0 E2.00000 F1800: new beads would stand behind the last move of the file, "
        "expected a move behind the print\nThe file may be cut short"
    )


@pytest.mark.parametrize("end", ["G1 E-1 F2400\n", "G1 Z9 F600\n", "G1 X0 Y0 F6000\n"])
def test_new_beads_before_the_last_move_of_a_file_are_laid(end: str) -> None:
    kit = kit_from_bytes(RING_KIT.replace(b"TREAT", b""), "k.yaml")
    applied = apply_plate(ring(end), kit, Options((), verify=True))
    text = applied.treated.output.partition(b";Z:0.4")[2]
    assert text.count(b";TYPE:Perimeter") == 1 and text.index(b";TYPE:Perimeter") < text.index(end.encode())


TURN = "G21\nG1 X50 Y80 F3000\nG1 E-2 F1800\n"


@pytest.mark.parametrize(
    ("mode", "end"),
    [("M82", TURN), ("M83", "M82\n" + TURN), ("M83", "M83\n" + TURN + "M82\nG1 E5\n")],
)
def test_a_unit_that_changes_behind_the_print_is_refused_where_a_counter_runs_on(mode: str, end: str) -> None:
    text = BEADS.format("G92 E0").replace("G21", "G20").replace("M83", mode)
    line = (text + end)[: (text + end).index("G21")].count("\n") + 1
    assert refused(faster(text + end)).startswith(f"tiny.gcode:{line}: G21: the unit changes in the middle")


def test_a_unit_that_changes_behind_the_print_is_none_of_ours() -> None:
    text = BEADS.format("G92 E0").replace("G21", "G20") + TURN
    treated = emit(faster(text), ooze_mm=1.0, bed=None)
    assert treated.output.decode() == text.replace("G1 Y0 E0.3", "G1 Y0 E0.330000")
    assert treated.audit(full=True).differing == 0
