"""Length, volume and mass of filament agree with the handbook: V = pi d^2 / 4 L, m = rho V.

Cylinder volume and density as in any handbook (e.g. Dubbel, Taschenbuch fuer den Maschinenbau; from memory).
"""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.jobs.apply import Options
from gcodetools.jobs.inspect import inspect_plate
from gcodetools.toolpath.filament import mass_g, volume_mm3
from gcodetools.toolpath.plate import Plate


@given(length=st.floats(0, 1e6), diameter=st.floats(1, 4), density=st.floats(0.5, 9))
def test_volume_and_mass_are_the_handbooks(length, diameter, density):
    volume = math.pi / 4 * diameter * diameter * length
    assert volume_mm3(length, diameter) == pytest.approx(volume, rel=1e-12)
    # 1 g/cm3 is 1 mg/mm3.
    assert mass_g(length, diameter, density) == pytest.approx(volume / 1000 * density, rel=1e-12)


def test_a_kilogram_of_common_filament_is_its_length():
    """1 kg of 1.75 mm filament of 1.24 g/cm3 is 335 m: 1000 / 1.24 cm3 over 0.024053 cm2."""
    assert mass_g(335_290.0, 1.75, 1.24) == pytest.approx(1000.0, rel=1e-4)


@pytest.mark.parametrize("letter", ["A", "B", "C", "E0", "G", "I", "J"])
def test_inspect_of_a_made_plate_agrees(letter):
    plate = Plate.from_bytes(maker.make(letter, parts=(Placement("shelf-hook", 100, 100),)).data, letter)
    record, _ = inspect_plate(plate, None, Options(()))
    found = record["filament"]
    diameter = found["diameter_mm"]
    assert found["volume_mm3"] == pytest.approx(math.pi * diameter**2 / 4 * found["beads_mm"], rel=1e-5)
    # Start code's line is `other`.
    volumes = sum(value["volume_mm3"] for word, value in record["features"].items() if word != "other")
    assert volumes == pytest.approx(found["volume_mm3"], rel=1e-3)
    assert found["mass_g"]["low"] < found["mass_g"]["best"] < found["mass_g"]["high"]
    density = found["mass_g"]["best"] / found["volume_mm3"] * 1000
    assert density == pytest.approx(1.27, abs=0.02)  # PETG, common practice
    # The band is the filament's diameter, 0.05 mm either way.
    assert found["mass_g"]["high"] / found["mass_g"]["best"] == pytest.approx(
        (1 + 0.05 / diameter) ** 2, rel=1e-3
    )


# What files state of one thing in several units: length, volume, mass.
THREE = {
    "B-cube.gcode": (rb"filament used \[mm\] = ([\d.]+)", rb"filament used \[cm3\] = ([\d.]+)"),
    "B-two-objects.gcode": (rb"filament used \[mm\] = ([\d.]+)", rb"filament used \[cm3\] = ([\d.]+)"),
    "C-arcs.gcode": (rb"filament used \[mm\] = ([\d.]+)", rb"filament used \[cm3\] = ([\d.]+)"),
    "I-no-marks.gcode": (rb"filament used \[mm\] = ([\d.]+)", rb"filament used \[cm3\] = ([\d.]+)"),
}


@pytest.mark.parametrize("name", sorted(THREE))
def test_stated_length_volume_and_mass_fit_each_other(samples, name):
    data = (samples / name).read_bytes()
    length, text = float(re.search(THREE[name][0], data)[1]), re.search(THREE[name][1], data)[1]
    digit = 10.0 ** -len(text.partition(b".")[2])  # of the last place stated
    plate = Plate.from_bytes(data, name)
    diameter = plate.settings.filament_diameter_mm
    assert volume_mm3(length, diameter) / 1000 == pytest.approx(float(text), abs=0.51 * digit)
    if plate.totals.mass_g and plate.settings.density_g_cm3:
        stated = plate.totals.mass_g
        assert mass_g(length, diameter, plate.settings.density_g_cm3) == pytest.approx(
            stated, abs=0.51 * digit
        )
