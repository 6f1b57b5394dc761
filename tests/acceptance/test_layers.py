"""`inspect` has the true number of layers of every sample and every made plate, counted here by other means."""

from __future__ import annotations

import re

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.jobs.apply import Options
from gcodetools.jobs.inspect import inspect_plate

# File: layers printed, rafts left out; how they are counted; layers of the raft.
MARKS = {
    # Raft layers count -6 to -3, the part's from 0; the header says 225.
    "A-two-names.gcode": (225, rb"^;LAYER:\d", 4),
    "A-vase-crlf.gcode": (143, rb"^;LAYER:\d", 0),
    "B-cube.gcode": (120, rb"^;LAYER_CHANGE", 0),
    "B-two-objects.gcode": (70, rb"^;LAYER_CHANGE", 0),
    "B2-fast.gcode": (192, rb"^;LAYER_CHANGE", 0),
    "C-arcs.gcode": (192, rb"^;LAYER_CHANGE", 0),
    "D-part.gcode": (71, rb"^; CHANGE_LAYER", 0),
    "E0-cube.gcode": (67, rb"^; layer \d+, Z", 0),
    "E0-tpu.gcode": (68, rb"^; layer \d+, Z", 0),
    "E1-vase.gcode": (74, rb"^; layer \d+, Z", 0),
    "G-lid-crlf.gcode": (680, rb"^; BEGIN_LAYER_OBJECT", 0),
    # 92 marks; the first three lay the raft that the settings ask for (0.51 mm steps before 0.27 mm ones).
    "H-parentheses.gcode": (89, rb"^\(<layer>", 3),
}
# Without marks: distinct heights of moves that push filament while they move in X or Y. The start code of
# one lays a line at z 0.2 that is no layer.
HEIGHTS = {"C-arcs-small.gcode": (1, 0), "I-no-marks.gcode": (160, 0), "J-bare.g": (54, 1)}
# Spirals rise all the time, so their marks alone count them.
SPIRALS = {"A-vase-crlf.gcode", "E1-vase.gcode"}
# Heights of start code, of a first tower: not of a layer.
STRAY_HEIGHTS = {"A-two-names.gcode": 1, "D-part.gcode": 1, "E0-cube.gcode": 1, "J-bare.g": 1}


def heights(data: bytes) -> list[float]:
    """Z of every move that pushes filament while it moves in X or Y, by a loop of its own."""
    at, e, relative, found = {"X": 0.0, "Y": 0.0, "Z": 0.0}, 0.0, False, []
    for line in data.decode("latin-1").splitlines():
        words = re.split(r"[;(]", line, maxsplit=1)[0].upper().split()
        if not words:
            continue
        if words[0] in ("M82", "M83"):
            relative = words[0] == "M83"
        values = {
            w[0]: float(w[1:]) for w in words[1:] if w[0] in "XYZE" and len(w) > 1 and w[1] in "-.0123456789"
        }
        if words[0] == "G92":
            e = values.get("E", e)
        if words[0] not in ("G0", "G1", "G2", "G3"):
            continue
        before = dict(at)
        at |= {k: v for k, v in values.items() if k != "E"}
        pushed = values.get("E", 0.0 if relative else e) - (0.0 if relative else e)
        e = values.get("E", e)
        if pushed > 0 and (before["X"], before["Y"]) != (at["X"], at["Y"]):
            found.append(round(at["Z"], 3))
    return found


def test_layers_of_a_sample_are_those_counted_here(sample, sample_path):
    name, data = sample_path.name, sample_path.read_bytes()
    record, _ = inspect_plate(sample, None, Options(()))
    distinct = len(set(heights(data))) - STRAY_HEIGHTS.get(name, 0)
    if name in MARKS:
        count, mark, raft = MARKS[name]
        marks = re.findall(mark, data, re.M)
        assert len(marks) == count + (raft if name.startswith("H") else 0)
        if name not in SPIRALS:
            assert distinct == count + raft
        assert record["layers"]["source"] == "comments"
        assert record["layers"].get("raft", 0) == raft
    else:
        count = distinct
        assert count == HEIGHTS[name][0]
        assert record["layers"]["source"] == "geometry"
    assert record["layers"]["count"] == count


def test_every_sample_is_in_a_table(sample_path):
    assert sample_path.name in MARKS or sample_path.name in HEIGHTS


@pytest.mark.every(3)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
@pytest.mark.parametrize("sequential", [False, True])
def test_layers_of_the_demo_are_those_it_was_made_with(demo, letter, sequential):
    made, plate = demo(letter, sequential=sequential)
    record, _ = inspect_plate(plate, None, Options(()))
    assert record["layers"]["count"] == made.truth.layers
    assert plate.layers.z_mm == pytest.approx(np.array(made.truth.layer_z), abs=1e-6)
    assert np.all(np.abs(plate.layers.height_mm - 0.2) < 1e-6)
    assert record["layers"].get("runs", 1) == (3 if sequential else 1)
