"""Where a record may stand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gcodetools.gcode.program import Program
from gcodetools.marks.header import header_end
from gcodetools.marks.types import Marks

Read = Callable[[str | bytes], tuple[Program, Marks]]
Sample = Callable[[str], tuple[Program, Marks]]

# Read by eye: lines (from 1) before which the record goes.
PLACES = {
    "A-two-names.gcode": 12,
    "B-cube.gcode": 129,
    "B2-fast.gcode": 1,  # begins with a command
    "C-arcs.gcode": 5,  # behind the header section
    "D-part.gcode": 13,
    "E0-cube.gcode": 196,
    "H-parentheses.gcode": 6,
    "J-bare.g": 1,
}


@pytest.mark.parametrize("name", PLACES)
def test_the_record_goes_behind_a_samples_header(sample: Sample, name: str) -> None:
    assert header_end(*sample(name)) + 1 == PLACES[name]


def test_nothing_but_comments_and_no_open_thumbnail_stands_before_it(
    sample_path: Path, sample: Sample
) -> None:
    program, marks = sample(sample_path.name)
    before = [program.lines.text(k).strip() for k in range(header_end(program, marks))]
    assert all(not text or text.startswith((b";", b"(")) for text in before)
    opened = sum(text.startswith(b"; thumbnail begin") for text in before)
    assert opened == sum(text.startswith(b"; thumbnail end") for text in before)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", 0),
        ("G28\n; a\n", 0),
        ("; a\n\n; b\nG28\n", 3),
        ("\ufeff; a\nG28\n", 1),
        ("; a\r\n\r\nG28\r\n", 2),
        ("; a\n;LAYER_CHANGE\n;TYPE:Perimeter\nG1 X1 E1\n", 1),
        (";LAYER:0\nG1 X1 E1\n", 0),
        (";START_OF_HEADER\n;A:1\n;END_OF_HEADER\n; more\nG28\n", 3),
        ("\n; HEADER_BLOCK_START\n; a\n; HEADER_BLOCK_END\n\nG28\n", 4),
        ("; HEADER_BLOCK_START\n; never closed\nG28\n", 2),
        ("; a\n; thumbnail begin 16x16 24\n; AAAA\nG28\n; thumbnail end\n", 1),
        ("; a\n; thumbnail begin 16x16 24\n; AAAA\n; thumbnail end\n; b\nG28\n", 5),
        ("; a\n; thumbnail begin 16x16 24\n; AAAA\nG28\n", 1),
        ("; a\n; no line end", 1),
        ("; CONFIG_BLOCK_START\n; a = b\n; CONFIG_BLOCK_END\n; c\nG28\n", 4),
        (
            "; a\n; CONFIG_BLOCK_START\n; a = b\nM117 x\n; c = d\n; CONFIG_BLOCK_END\n;LAYER:0\nG1 X1 E1\n",
            1,
        ),
    ],
)
def test_places(read: Read, text: str, line: int) -> None:
    assert header_end(*read(text)) == line
