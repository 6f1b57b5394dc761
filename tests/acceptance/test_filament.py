"""The length that a convention's own total means, against what the file states: within 0.5 % on 85 % of files."""

from __future__ import annotations

import re

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.toolpath.filament import filament
from gcodetools.toolpath.plate import Plate

AREA = np.pi * 1.75**2 / 4
# File: what states the total (read here, not by the package), factor to mm. None where nothing is stated.
STATED = {
    "A-two-names.gcode": (rb"^;Filament used: ([\d.]+)m", 1000.0),
    "A-vase-crlf.gcode": (rb"^;Filament used: ([\d.]+)m", 1000.0),
    "B-cube.gcode": (rb"^; filament used \[mm\] = ([\d.]+)", 1.0),
    "B-two-objects.gcode": (rb"^; filament used \[mm\] = ([\d.]+)", 1.0),
    "B2-fast.gcode": (rb"^; filament used \[mm\] = ([\d.]+)", 1.0),
    "C-arcs-small.gcode": (rb"^; filament used \[mm\] = ([\d.]+)", 1.0),
    "C-arcs.gcode": (rb"^; filament used \[mm\] = ([\d.]+)", 1.0),
    "D-part.gcode": (rb"^; total filament length \[mm\] : ([\d.]+)", 1.0),
    "E0-cube.gcode": (rb"^;   Filament length: ([\d.]+) mm", 1.0),
    "E0-tpu.gcode": (rb"^;   Filament length: ([\d.]+) mm", 1.0),
    "E1-vase.gcode": (rb"^;   Filament length: ([\d.]+) mm", 1.0),
    "G-lid-crlf.gcode": (rb"^; Estimated Build Volume: ([\d.]+) cm", 1000.0 / AREA),
    "H-parentheses.gcode": None,
    "I-no-marks.gcode": (rb"^; filament used \[mm\] = ([\d.]+)", 1.0),
    "J-bare.g": None,
}
# Files more than 0.5 % off, and why.
MISSES = {
    # It wipes while it retracts, and its total counts again what is pushed back in: see the last test.
    "E0-tpu.gcode": "counts all that is pushed, refilled retractions too; net E is 28 % less",
}


def stated_mm(name: str, data: bytes) -> float | None:
    pattern = STATED[name]
    if pattern is None:
        return None
    found = re.search(pattern[0], data, re.M)
    assert found, name
    return float(found[1]) * pattern[1]


def counted_mm(plate: Plate) -> float | None:
    return filament(plate).as_stated(plate.totals.meaning)


def test_a_sample_holds_the_filament_that_it_states(sample, sample_path):
    stated = stated_mm(sample_path.name, sample_path.read_bytes())
    if stated is None:
        assert sample.totals.filament_mm is None
        return
    off = counted_mm(sample) / stated - 1
    if sample_path.name in MISSES:
        assert abs(off) > 0.005, "no miss any more: take it out of the list"
    else:
        assert abs(off) <= 0.005


def test_few_enough_files_are_off():
    stating = [name for name, pattern in STATED.items() if pattern]
    assert 1 - len(MISSES) / len(stating) >= 0.85


@pytest.mark.every(1)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_the_demo_holds_the_filament_that_it_states(demo, letter):
    made, plate = demo(letter)
    measured = filament(plate)
    assert measured.beads_mm == pytest.approx(made.truth.beads_mm, rel=1e-5)
    assert measured.nozzle_mm == pytest.approx(made.truth.highest_mm, rel=1e-5)
    if plate.totals.filament_mm is None and plate.totals.filament_mm3 is None:
        assert letter in ("H", "J")
        return
    assert counted_mm(plate) == pytest.approx(made.truth.stated_mm, rel=5e-3)


def test_the_miss_counts_refilled_retractions(samples, walk):
    """All pushes of the file, the first prime of 2.8 mm aside, are what it states, by a walk of its own."""
    data = (samples / "E0-tpu.gcode").read_bytes()
    pushed = walk(data).column("e")
    assert pushed[pushed > 0].sum() - 2.8 == pytest.approx(stated_mm("E0-tpu.gcode", data), abs=0.1)


@pytest.mark.parametrize("diameter", [2.85, 2 / np.pi**0.5], ids=["thick", "volume"])
def test_new_beads_push_what_the_files_own_do_where_no_diameter_is_stated(diameter, probe, walk):
    """One wall around sparse fill, E for beads 0.45 mm wide by a filament that the file does not name; the second is
    E in mm3."""
    per_mm = ((0.45 - 0.2) * 0.2 + np.pi / 4 * 0.2**2) / (np.pi / 4 * diameter**2)
    text = "G21\nG90\nM83\nM104 S210\nM106 S100\n"
    for layer in range(1, 9):
        text += f"G1 Z{0.2 * layer:.1f} F600\nG1 X50 Y50 F6000\nG1 F1800\n"
        for x, y in ((70, 50), (70, 70), (50, 70), (50, 50)):
            text += f"G1 X{x} Y{y} E{20 * per_mm:.5f}\n"
        step = 0.407 if layer < 4 else 4.07
        for k in range(1, int(19.6 / step) + 1):
            x = 50 + step * k
            text += f"G1 X{x:.3f} Y50.407 F6000\nG1 X{x:.3f} Y69.593 E{19.186 * per_mm:.5f} F1800\n"
    plate = Plate.from_bytes((text + "G1 E-1 F2000\nG1 X0 Y0 F6000\n").encode(), "square.gcode")
    kit = probe.kit(plate, "{slab: {layers: [5, 7]}}", "{perimeters: {add: 1}}")
    applied = apply_plate(plate, kit, Options((), verify=True))
    assert len(applied.treated.draft.runs) >= 3
    assert applied.treated.plate.filament_diameter_mm == pytest.approx(diameter)
    walked = walk(applied.treated.output)
    x, y, z, e = (walked.column(name) for name in "xyze")
    length = np.hypot(np.diff(x, prepend=x[0]), np.diff(y, prepend=y[0]))
    laid = (e > 0) & (length > 3) & (z > 0.9) & (z < 1.5)
    assert laid.sum() > 3 * 8
    assert e[laid] / length[laid] == pytest.approx(per_mm, rel=0.03)
