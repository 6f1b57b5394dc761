"""Marks that are written are read again as what was meant."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gcodetools.gcode.program import Program
from gcodetools.marks import speak
from gcodetools.marks.conventions import conventions, load_convention
from gcodetools.marks.features import FEATURES
from gcodetools.marks.types import Marks

Read = Callable[[str | bytes], tuple[Program, Marks]]
Sample = Callable[[str], tuple[Program, Marks]]

SIGNS = {
    "A": ";LAYER_COUNT:1\n;LAYER:0",
    "B": ";LAYER_CHANGE\n;TYPE:Perimeter",
    "B2": "; plater:{}\n;LAYER_CHANGE",
    "C": "; EXECUTABLE_BLOCK_START\n;LAYER_CHANGE\n;TYPE:Inner wall",
    "D": "; CHANGE_LAYER\n; FEATURE: Custom",
    "E0": "; layer 1, Z = 0.2\n; infill",
    "E1": "; layer 1, Z = 0.2\n; feature infill",
    "F": ";START_OF_HEADER\n; layer 1, Z = 0.2\n; indexLimit: 1",
    "G": "; BEGIN_LAYER_OBJECT z=0.20",
    "H": "(<crafting>)\n(<layer> 0.2 )",
}
SPOKEN = [(letter, word) for letter in SIGNS for word in load_convention(letter).speak.words]


@pytest.mark.parametrize(("letter", "word"), SPOKEN, ids=lambda value: value)
def test_a_spoken_feature_is_read_as_the_convention_means_it(read: Read, letter: str, word: str) -> None:
    mark = speak.feature(letter, word)
    assert mark is not None
    _, marks = read(SIGNS[letter].encode() + b"\n" + mark + b"\nG1 X1 E1\n")
    assert marks.convention == letter
    own = FEATURES[marks.feature[-1]]
    # Three conventions have fewer words than we: what they can't tell apart becomes the nearest of theirs.
    coarse = {"overhang": "outermost", "gap": "sparse", "bridge": "solid", "solid": "sparse"}
    assert own == word or (letter in "AGH" and own in (coarse.get(word), coarse.get(coarse.get(word, ""))))


@pytest.mark.parametrize("letter", ["B", "C", "D", "E0", "E1", "F"])
def test_a_spoken_width_is_read_again(read: Read, letter: str) -> None:
    mark = speak.width(letter, 0.419999, 0.2)
    assert mark is not None
    _, marks = read(SIGNS[letter].encode() + b"\n" + mark + b"\nG1 X1 E1\n")
    assert marks.width[-1] == 0.419999


@pytest.mark.parametrize("letter", ["B", "C", "D"])
def test_a_spoken_height_is_read_again(read: Read, letter: str) -> None:
    mark = speak.height(letter, 0.25)
    assert mark is not None
    _, marks = read(SIGNS[letter].encode() + b"\n" + mark + b"\nG1 X1 E1\n")
    assert marks.height.tolist() == [0.25]


@pytest.mark.parametrize("letter", ["B", "B2", "C", "D"])
def test_a_spoken_bracket_is_read_again(read: Read, letter: str) -> None:
    start, stop = speak.object_start(letter, "617"), speak.object_stop(letter, "617")
    assert start is not None and stop is not None
    _, marks = read(b"\n".join([SIGNS[letter].encode(), start, b"G1 X1 E1", stop, b""]))
    assert marks.objects.names == ("617",)
    assert marks.objects.span_last[0] - marks.objects.span_first[0] == 2


def test_marks_are_spelled_as_in_the_samples(samples: object, sample: Sample) -> None:
    for name, marks in {
        "B-cube.gcode": [speak.feature("B", "outermost"), speak.width("B", 0.449999, 0.2)],
        "C-arcs.gcode": [speak.feature("C", "gap"), speak.height("C", 0.25)],
        "D-part.gcode": [speak.feature("D", "perimeter"), speak.width("D", 0.5, 0.28)],
        "E0-cube.gcode": [speak.feature("E0", "solid")],
        "E1-vase.gcode": [speak.feature("E1", "skirt")],
        "H-parentheses.gcode": [speak.feature("H", "outermost"), speak.feature_end("H", "outermost")],
    }.items():
        rows = set(sample(name)[0].lines.data.splitlines())
        assert [mark for mark in marks if mark not in rows] == []


def test_a_spelled_word_goes_before_the_tables() -> None:
    assert speak.feature("B", "perimeter", "Internal perimeter") == b";TYPE:Internal perimeter"


@pytest.mark.parametrize("letter", [t.letter for t in conventions() if t.feature is None])
def test_a_convention_without_marks_speaks_none(letter: str) -> None:
    assert speak.feature(letter, "perimeter") is None
    assert speak.feature_end(letter, "perimeter") is None
    assert speak.width(letter, 0.4, 0.2) is None
    assert speak.height(letter, 0.2) is None
    assert speak.object_start(letter, "a") is None


def test_the_mark_in_force_is_the_files_own_line(read: Read) -> None:
    program, marks = read(
        "; BEGIN_LAYER_OBJECT z=0.20\n; 'Loop Path', 0.3 [feed mm/s], 9.5 [head mm/s]\nG1 X1 E1\nG1 X2 E2\n"
    )
    assert speak.mark_in_force(program, marks, 0) is None
    assert speak.mark_in_force(program, marks, 3) == b"; 'Loop Path', 0.3 [feed mm/s], 9.5 [head mm/s]"


def test_no_mark_is_in_force_behind_an_end(read: Read) -> None:
    program, marks = read("(<layer> 0.2 )\n(<infill>)\nG1 X1 E1\n(</infill>)\nG1 X2 E1\n")
    assert speak.mark_in_force(program, marks, 2) == b"(<infill>)"
    assert speak.mark_in_force(program, marks, 4) is None
