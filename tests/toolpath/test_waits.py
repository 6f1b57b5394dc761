"""How long the machine waits, and where."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.gcode.scan import read_program
from gcodetools.toolpath.waits import stops, waits


def waited(text: str) -> list[float]:
    return waits(read_program(text.encode(), "a.gcode")).tolist()


def test_dwells_by_seconds_and_milliseconds():
    assert waited("G1 X1 F600\nG4 S2\nG4 P250\nG1 X2\n") == [0.0, 2.0, 0.25, 0.0]


def test_finishing_moves_may_wait_too_and_counts_behind():
    assert waited("G1 X1 F600\nM400 P300\nM400 S1\nM400\nG1 X2\n") == [0.0, 1.3]
    assert waited("G1 X1 F600\nG1 X2\nM400 S1\n") == [0.0, 1.0]


def test_what_hangs_on_a_condition_is_not_counted():
    text = "G1 X1 F600\nM622 J1\nM400 P300\nM622 J1\nG4 S9\nM623\nM400 S5\nM623\nM400 S2\nG1 X2\n"
    assert waited(text) == [0.0, 0.0, 2.0]


def test_retractions_in_firmware_take_what_m207_and_m208_say():
    """2 mm at 1200 mm/min out: 0.1 s; back at 600: 0.2 s."""
    text = "M207 S2 F1200\nM208 F600\nG1 X1 F600\nG10\nG1 X2\nG11\n"
    assert waited(text) == pytest.approx([0.0, 0.1, 0.0, 0.2])
    assert waited("M207 S2 F1200\nG1 X1 F600\nG10\nG11\n") == pytest.approx([0.0, 0.1, 0.1])
    assert waited("G1 X1 F600\nG10\nG11\n") == [0.0, 0.0, 0.0]


def test_stops_are_ascending_and_each_once():
    program = read_program(b"G28\nG1 X1 F600\nM400\nM400\nG4 P1\nG1 X2\nT1\nG1 X3\nM400\n", "a.gcode")
    found = stops(program)
    assert found.tolist() == [0, 1, 2, 3, 4]
    assert np.all(np.diff(found) > 0)


def test_a_file_without_moves_waits_nowhere():
    assert waited("M400 S5\n") == []
