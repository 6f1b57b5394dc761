"""Stated totals, each read by eye in its sample, and every form that was counted in real files."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from gcodetools.gcode.program import Program
from gcodetools.marks import totals
from gcodetools.marks.totals import Totals, duration_s
from gcodetools.marks.types import Marks

Read = Callable[[str | bytes], tuple[Program, Marks]]
Sample = Callable[[str], tuple[Program, Marks]]

STATED = {
    "A-two-names.gcode": Totals(12273, 8760.23, None, None, None, 225, "beads"),
    "A-vase-crlf.gcode": Totals(439, 2396.47, None, None, None, 143, "beads"),
    "B-cube.gcode": Totals(32 * 60 + 6, 986.61, 2370, 3.01, 0.08, None, "nozzle"),
    "B-two-objects.gcode": Totals(3600 + 24, 5140.45, 12360, 15.33, 0.39, None, "nozzle"),
    "B2-fast.gcode": Totals(11 * 60 + 18, 3517.22, 8460, 10.49, 0.21, None, "nozzle"),
    "C-arcs-small.gcode": Totals(302, 233.55, 560, 0.69, 0.02, None, "nozzle"),
    "C-arcs.gcode": Totals(22 * 60 + 45, 3726.33, 8960, 11.11, 0.22, 192, "nozzle"),
    "D-part.gcode": Totals(12 * 60 + 1, 179.02, 430.59, 0.55, None, 71, "beads+start+tower"),
    "E0-cube.gcode": Totals(18 * 60, 1054.6, 2536.6, 3.17, 0.15, None, "beads"),
    "E0-tpu.gcode": Totals(5 * 3600 + 56 * 60, 13062, 31417.84, 39.27, 1.81, None, "beads"),
    "E1-vase.gcode": Totals(4 * 3600 + 17 * 60, 14985, 36043.18, 45.05, 2.07, None, "beads"),
    "G-lid-crlf.gcode": Totals(113.73 * 60, None, 7764, None, 5.17, None, "beads"),
    "H-parentheses.gcode": Totals(),
    # Its own line of mass and cost says 0.0, which is no statement.
    "I-no-marks.gcode": Totals(49 * 60 + 59, 4219.8, 10100, None, None, None, "nozzle"),
    "J-bare.g": Totals(),
}


@pytest.mark.parametrize("name", STATED)
def test_a_sample_states_what_stands_in_it(sample: Sample, name: str) -> None:
    found, stated = totals.read(*sample(name)), STATED[name]
    for key in ("time_s", "filament_mm", "filament_mm3", "mass_g", "cost", "layers"):
        expected = getattr(stated, key)
        assert getattr(found, key) == (None if expected is None else pytest.approx(expected)), key
    assert found.meaning == stated.meaning


@pytest.mark.parametrize("name", [n for n, s in STATED.items() if s.filament_mm and s.filament_mm3])
def test_stated_length_and_volume_agree_with_the_circles_area(name: str) -> None:
    # V = pi d^2 / 4 L (any handbook), d = 1.75 mm in all these files; the loosest statement has two digits.
    stated = STATED[name]
    assert stated.filament_mm3 == pytest.approx(np.pi / 4 * 1.75**2 * stated.filament_mm, rel=1e-2)


B = ";LAYER_CHANGE\n;TYPE:Perimeter\nG1 X1 E1\n"
D = "; CHANGE_LAYER\n; FEATURE: Outer wall\nG1 X1 E1\n"
I_ = "G1 X1 E1\n; layer_height = 0.2\n"


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        (B + "; filament used [mm] = 100.5, 20.25\n", "filament_mm", 120.75),
        (B + "; filament used [mm] = 0.00\n; filament used [mm] = 7\n", "filament_mm", 7),
        (B + "; total filament used [g] = 0.0\n; filament used [g] = 2.5\n", "mass_g", 2.5),
        (B + "; total filament used [g] = 3.5\n", "mass_g", 3.5),
        (B + "; total filament used [g] = 3.5\n; filament used [g] = 2.5\n", "mass_g", 2.5),
        (B + "; filament cost = 0.20; total filament used [g] = 9.76\n", "mass_g", 9.76),
        (B + "; filament cost = 0.20; total filament used [g] = 9.76\n", "cost", 0.2),
        (B + "; estimated printing time (silent mode) = 9h\n"
         "; estimated first layer printing time (normal mode) = 1m\n"
         "; estimated printing time (normal mode) = 1d 2h 3m 4s\n", "time_s", 93784),
        (D + "; model printing time: 5m 59s; total estimated time: 12m 1s\n", "time_s", 721),
        (D + "; model printing time: 5m 59s\n", "time_s", 359),
        (D + "; total filament volume [cm^3] : 55029.27,10.00\n", "filament_mm3", 55039.27),
        (I_ + "; filament used = 1234.5mm (3.0cm3)\n", "filament_mm", 1234.5),
        (I_ + "; filament used = 1234.5mm (3.0cm3)\n", "filament_mm3", 3000),
        (I_ + "; filament used = 3.7g\n", "mass_g", 3.7),
        (";LAYER:0\nG1 X1 E1\n;Filament used: 1.5m, 0.25m\n", "filament_mm", 1750),
        (";START_OF_HEADER\n;PRINT.TIME:61\n;EXTRUDER_TRAIN.0.MATERIAL.VOLUME_USED:100\n"
         ";EXTRUDER_TRAIN.1.MATERIAL.VOLUME_USED:50\n;END_OF_HEADER\n", "filament_mm3", 150),
    ],
)  # fmt: skip
def test_every_form_of_a_statement_is_read(read: Read, text: str, key: str, value: float) -> None:
    assert getattr(totals.read(*read(text)), key) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1h 2m 3s", 3723),
        ("5 hours 56 minutes", 21360),
        ("1 hour 1 minute", 3660),
        ("45s", 45),
        ("1d", 86400),
    ],
)
def test_durations(text: str, seconds: float) -> None:
    assert duration_s(text) == seconds


def test_no_duration() -> None:
    assert duration_s("unknown") is None
