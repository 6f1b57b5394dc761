"""Layer marks: counted by a plain regular expression, and the traps of real files."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from gcodetools.gcode.program import Program
from gcodetools.marks.types import Marks

Read = Callable[[str | bytes], tuple[Program, Marks]]
Sample = Callable[[str], tuple[Program, Marks]]

LAYER = {
    "A": rb"^;LAYER:(-?\d+)\r?$",
    "B": rb"^;LAYER_CHANGE\r?$",
    "B2": rb"^;LAYER_CHANGE\r?$",
    "C": rb"^;LAYER_CHANGE\r?$",
    "D": rb"^; CHANGE_LAYER\r?$",
    "E0": rb"^; layer \d+, Z = ([-\d.]+)\r?$",
    "E1": rb"^; layer \d+, Z = ([-\d.]+)\r?$",
    "G": rb"^; BEGIN_LAYER_OBJECT z=([-\d.]+)\r?$",
    "H": rb"^\(<layer> ([-\d.]+) \)\r?$",
    "I": rb"^;LAYER",
    "J": rb"^;LAYER",
}


def test_layer_marks_are_those_a_regular_expression_finds(sample_path: Path, sample: Sample) -> None:
    _, marks = sample(sample_path.name)
    data = sample_path.read_bytes()
    lines = [data.count(b"\n", 0, m.start()) for m in re.finditer(LAYER[marks.convention], data, re.M)]
    assert marks.layer_line.tolist() == lines


@pytest.mark.parametrize(
    ("name", "stated", "raft"),
    [("A-two-names.gcode", 225, 4), ("C-arcs.gcode", 192, 0), ("D-part.gcode", 71, 0)],
)
def test_layers_without_the_rafts_are_as_many_as_the_file_states(
    sample: Sample, name: str, stated: int, raft: int
) -> None:
    program, marks = sample(name)
    count = re.search(rb"(?:LAYER_COUNT:|total layer number: )(\d+)", program.lines.data)
    assert count and int(count.group(1)) == stated
    assert int((~marks.layer_raft).sum()) == stated
    assert int(marks.layer_raft.sum()) == raft


def test_the_raft_of_markup_ends_at_its_mark(sample: Sample) -> None:
    # Read by eye: three layers stand before (<raftLayerEnd> on line 309.
    _, marks = sample("H-parentheses.gcode")
    assert marks.layer_raft.sum() == 3
    assert marks.layer_line[:4].tolist() == [165, 202, 255, 309]
    assert marks.layer_raft[:4].tolist() == [True, True, True, False]


def test_heights_and_z_are_those_behind_the_mark(sample: Sample) -> None:
    _, marks = sample("B-cube.gcode")
    assert marks.layer_z[:3].tolist() == [0.2, 0.35, 0.5]
    assert marks.layer_height[:3].tolist() == [0.2, 0.15, 0.15]
    _, marks = sample("D-part.gcode")
    assert (marks.layer_z[-1], marks.layer_height[-1]) == (19.88, 0.279999)


def test_a_height_that_repeats_inside_a_layer_is_not_the_layers(read: Read) -> None:
    _, marks = read(
        ";LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;0.2\n;TYPE:Perimeter\nG1 X1 E1\n;HEIGHT:0.39\nG1 X2 E1\n"
        ";LAYER_CHANGE\n;Z:0.4\nG1 X3 E1\n"
    )
    assert marks.layer_line.tolist() == [0, 8]
    assert marks.layer_height[0] == 0.2
    assert np.isnan(marks.layer_height[1])
    assert marks.height.tolist() == [0.2, 0.39]


def test_two_tools_that_mark_one_layer_count_once(read: Read) -> None:
    layers = "".join(f"(<layer> {z} )\nG1 X1 E1\n(<layer> {z} )\nT1\nG1 X2 E1\n" for z in (0.2, 0.4, 0.6))
    _, marks = read("(<crafting>)\n" + layers)
    assert marks.convention == "H"
    assert marks.layer_z.tolist() == [0.2, 0.4, 0.6]
    assert marks.layer_line.tolist() == [1, 6, 11]


def test_layer_numbers_in_towers_and_ends_are_no_marks(read: Read) -> None:
    _, marks = read(
        "; CHANGE_LAYER\n; Z_HEIGHT: 0.2\n; FEATURE: Outer wall\nG1 X1 E1\n; CP TOOLCHANGE START\n"
        "; layer #1\n; layer num/total_layer_count: 1/137\nG1 X2 E1\n; CP TOOLCHANGE END\n; layer end\n"
    )
    assert marks.layer_line.tolist() == [0]
    assert (marks.towers.first.tolist(), marks.towers.last.tolist()) == ([4], [8])
    assert marks.progress_line.tolist() == [6]


def test_object_after_object_keeps_the_falling_z(read: Read) -> None:
    one = "".join(f";LAYER_CHANGE\n;Z:{z}\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 X1 E1\n" for z in (0.2, 0.4))
    _, marks = read(one * 3)
    assert marks.layer_z.tolist() == [0.2, 0.4] * 3
    assert not marks.layer_raft.any()


def test_sections_without_any_layer_mark_have_none(sample: Sample) -> None:
    _, marks = sample("C-arcs-small.gcode")
    assert marks.convention == "C"
    assert len(marks.layer_line) == 0
