"""The picture in README is the one the demo makes. To make it anew:

python tests/report/test_readme_picture.py
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import make
from gcodetools.demo.picture import clip_picture
from gcodetools.demo.plates import hoophouse_plate
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PROJECT = Path(__file__).resolve().parents[2]
PICTURE = PROJECT / "docs" / "layer-before-after.svg"
NUMBER = re.compile(r"(?<![#\w])-?\d+(?:\.\d+)?")


def picture() -> str:
    """The demo's, from its first clip alone: what stands beside it changes nothing in the layer."""
    plate = Plate.from_bytes(make(parts=hoophouse_plate()[:1]).data, "plate.gcode")
    return clip_picture(apply_plate(plate, kit_from_bytes(hoophouse_kit().encode(), "k"), Options(())))


def same_picture(one: str, other: str) -> None:
    """Alike but for numbers that part by a hundredth: libraries of geometry round differently."""
    assert NUMBER.sub("#", one) == NUMBER.sub("#", other)
    values = [[float(v) for v in NUMBER.findall(text)] for text in (one, other)]
    assert values[0] == pytest.approx(values[1], abs=0.02)


def test_the_picture_in_readme_is_what_the_program_makes_of_the_demo() -> None:
    assert f"({PICTURE.relative_to(PROJECT).as_posix()})" in (PROJECT / "README.md").read_text("utf-8")
    same_picture(picture(), PICTURE.read_text("utf-8"))


def test_the_comparison_sees_a_bead_that_moved() -> None:
    text = PICTURE.read_text("utf-8")
    place = re.search(r'd="M(\d+\.\d+) ', text)
    assert place
    moved = text.replace(place[0], f'd="M{float(place[1]) + 0.1:.3f} ', 1)
    with pytest.raises(AssertionError):
        same_picture(moved, text)


if __name__ == "__main__":
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_text(picture(), "utf-8")
    print(f"written: {PICTURE}")
