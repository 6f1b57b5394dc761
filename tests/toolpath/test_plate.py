"""A plate is what was read, and gives it back to the byte."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from gcodetools.errors import InputError
from gcodetools.toolpath.plate import DEFAULT_DIAMETER_MM, Plate


def test_samples_come_back_to_the_byte(sample_path: Path) -> None:
    plate = Plate.read(sample_path)
    assert plate.render() == sample_path.read_bytes()
    assert len(plate.beads.layer) == len(plate.moves)


def test_a_plate_can_not_be_changed() -> None:
    plate = Plate.from_bytes(b"G1 X1\n")
    with pytest.raises(dataclasses.FrozenInstanceError):
        plate.layers = plate.layers  # type: ignore[misc]


def test_the_filaments_diameter_comes_from_the_settings() -> None:
    body = b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X100 E3\n"
    thin = Plate.from_bytes(body)
    thick = Plate.from_bytes(body + b"; filament_diameter = 2.85\n; layer_height = 0.2\n")
    area = [(w - 0.2 + 0.2 * 3.14159265 / 4) * 0.2 for w in (thin.beads.width[1], thick.beads.width[1])]
    assert area[1] / area[0] == pytest.approx((2.85 / DEFAULT_DIAMETER_MM) ** 2, rel=1e-4)


@pytest.mark.parametrize("name", ["missing.gcode", "folder"])
def test_what_can_not_be_read_is_an_input_error(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError):
        Plate.read(tmp_path / name)
