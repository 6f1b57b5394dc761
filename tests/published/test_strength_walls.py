"""More perimeters in a flat bar of nearly full fill: what is told of its beads, against what was measured.

Source: Szot and Rudnik 2024, doi 10.2478/adms-2024-0006 (data/szot2024_walls.csv; second-hand): PLA, layers of
0.1 mm, linear fill at 95 %, 2 and 10 perimeters, tension and bending, n = 10.

The bars are laid anew here as roads 0.4 by 0.1 mm: 5 mm wide in tension (bar 1BA of ISO 527, from memory), 10 by 4 mm
in bending (ISO 178, from memory); linear fill taken as 45 degrees, a right angle on from layer to layer (assumption).
Within the band, or not; measured gains have their own 90 % band, from the standard deviations of ten bars each.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from bars import bar, instance, told, void_free

from gcodetools.documents.profiles import load_material
from gcodetools.physics.section import assembled, off_axis_mpa, road_moduli
from gcodetools.strength.law import Law
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.spreads import Band, Draws, band_of

LINES = (Path(__file__).parent / "data" / "szot2024_walls.csv").read_text(encoding="utf-8").splitlines()
ROWS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
MEASURED = {(row["test"], int(row["walls"])): (float(row["MPa"]), float(row["sd"])) for row in ROWS}
LAW = Law(load_material("pla"), Draws())
WIDTH, HEIGHT, FILL = 0.4, 0.1, 0.95
# How far the tool trusts a section it has put together: exponents on what it lacks of a solid one.
DOUBT = LAW.draws.between("section", 0.6, 1.0, 1.4)


def gain(test: str) -> Band:
    """10 perimeters over 2, with the doubt of the two means."""
    (less, less_sd), (more, more_sd) = MEASURED[test, 2], MEASURED[test, 10]
    far = 1.645 * np.hypot(less_sd / less, more_sd / more) / np.sqrt(10)
    return Band(more / less * (1 - far), more / less, more / less * (1 + far))


def meets(one: Band, other: Band) -> bool:
    return one.low <= other.high and other.low <= one.high


@cache
def pulled(walls: int) -> RegionStrength:
    made = bar(5.0, walls, width=WIDTH, height=HEIGHT, density=FILL, solid=True)
    return told(instance(made, nozzle_c=220.0), LAW)


def stiffness(wide: float, walls: int, layers: int) -> tuple[float, float]:
    """Of a bar in tension, N, and bent flat, N mm2, over those of solid plastic: layers of perimeters along it
    and a core across."""
    pitch = void_free(WIDTH, HEIGHT)
    loops = min(walls, int((wide - WIDTH) / (2 * pitch)) + 1)
    rim = min(2 * (WIDTH / 2 + (loops - 0.5) * pitch), wide)
    modulus, poisson = LAW.strength.modulus_mpa.value, LAW.strength.poisson.value
    along = road_moduli(modulus, poisson, np.zeros(layers)).along_mpa
    core = off_axis_mpa(road_moduli(modulus, poisson, np.full(layers, 1 - FILL)), np.full(layers, np.pi / 4))
    at = (np.arange(layers) + 0.5) * HEIGHT
    area = np.concatenate([np.full(layers, rim * HEIGHT), np.full(layers, (wide - rim) * HEIGHT)])
    section = assembled(
        np.concatenate([along, core]), area, area * HEIGHT**2 / 12, np.tile(at, 2), np.full(2 * layers, HEIGHT / 2)
    )  # fmt: skip
    deep = layers * HEIGHT
    return (
        float(section.ea_n[0]) / (modulus * wide * deep),
        float(section.ei_nmm2[0]) / (modulus * wide * deep**3 / 12),
    )


def of_section(wide: float, layers: int, bent: bool) -> Band:
    less, more = (stiffness(wide, walls, layers)[bent] for walls in (2, 10))
    return band_of(more**DOUBT / less**DOUBT)


def test_the_table_is_that_of_a_gain_of_three_and_six_percent_a_wall():
    assert gain("tension").best ** (1 / 8) == pytest.approx(1.03, abs=0.003)
    assert gain("bending").best ** (1 / 8) == pytest.approx(1.06, abs=0.003)


def test_the_bars_are_what_they_are_meant_to_be():
    assert pulled(2).wall.thickness_mm.median == pytest.approx(5.0)
    assert 0.95 < pulled(2).wall.fill.median < pulled(10).wall.fill.median < 1.0


def test_more_perimeters_never_weaken_a_bar():
    assert np.all(pulled(10).along_draws >= pulled(2).along_draws)
    assert np.all(pulled(10).ei_share >= pulled(2).ei_share)
    assert pulled(10).ei_share[0] > 1.1 * pulled(2).ei_share[0]


def test_a_bar_of_ten_perimeters_bears_what_was_measured():
    assert pulled(10).along.low <= MEASURED["tension", 10][0] <= pulled(10).along.high


def test_a_bar_of_two_perimeters_bears_what_was_measured():
    assert pulled(2).along.low <= MEASURED["tension", 2][0] <= pulled(2).along.high


def test_ten_perimeters_pull_as_measured():
    """1.24 (1.11 to 1.44) times; measured 1.285 (1.24 to 1.33). No forecast: how far beads at an angle count in
    tension, an exponent of 0.6 (0.3 to 1) on their stiffness, was chosen with this table in view."""
    told_of = band_of(pulled(10).along_draws / pulled(2).along_draws)
    assert told_of.low <= gain("tension").low and gain("tension").high <= told_of.high
    assert told_of.best == pytest.approx(gain("tension").best, abs=0.08)


def test_a_section_of_the_same_bar_is_too_steep_in_tension():
    """1.53 (1.29 to 1.82) times where 1.285 (1.24 to 1.33) was measured: the bands meet, the best is too steep, as
    the off-axis modulus of roads that are free to shear is the low side; so strength takes less than all of it."""
    told_of = of_section(5.0, 20, bent=False)
    assert meets(told_of, gain("tension"))
    assert told_of.best > gain("tension").high


def test_a_section_foretells_its_gain_in_bending():
    """1.52 (1.29 to 1.81) times; measured 1.63."""
    told_of = of_section(10.0, 40, bent=True)
    assert told_of.low <= gain("bending").best <= told_of.high
    assert told_of.best == pytest.approx(gain("bending").best, rel=0.1)
