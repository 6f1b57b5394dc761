"""Transformed sections against a textbook's composite beam.

Source: J. M. Gere, B. J. Goodno, Mechanics of Materials, chapter 6, the beam of wood and steel (examples 6-1 and
6-3), from memory; numbers in data/composite_beam.csv.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from gcodetools.physics.section import assembled

DATA = Path(__file__).parent / "data" / "composite_beam.csv"


def example() -> tuple[dict[str, float], dict[str, float]]:
    """Values and tolerances."""
    lines = [line for line in DATA.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return (
        {row["quantity"]: float(row["value"]) for row in rows},
        {row["quantity"]: float(row["tolerance"]) for row in rows},
    )


def test_a_beam_of_wood_and_steel_is_that_of_the_textbook() -> None:
    given, within = example()

    def agrees(name: str, value: float) -> None:
        assert value == pytest.approx(given[name], abs=within[name]), name

    wide = np.array([given["wood_wide"], given["steel_wide"]])
    deep = np.array([given["wood_deep"], given["steel_deep"]])
    at = np.array([given["steel_deep"] + given["wood_deep"] / 2, given["steel_deep"] / 2])
    e = np.array([given["wood_ksi"], given["steel_ksi"]])
    area, own = wide * deep, wide * deep**3 / 12
    made = assembled(e, area, own, at, deep / 2)
    top = given["wood_deep"] + given["steel_deep"]
    agrees("axis_to_bottom", made.centroid_mm[0])
    agrees("top_to_axis", top - made.centroid_mm[0])
    each = own + area * (at - made.centroid_mm[0]) ** 2
    agrees("wood_inertia", each[0])
    agrees("steel_inertia", each[1])
    agrees("transformed_inertia", made.ei_nmm2[0] / given["wood_ksi"])
    # The stress in the outermost fibre by the section modulus, and at three more places by the curvature.
    agrees("wood_top_psi", -1000 * given["moment"] / made.modulus_mm3(given["wood_ksi"])[0])
    curvature = given["moment"] / made.ei_nmm2[0]
    for name, k, y in (
        ("wood_bottom_psi", 0, given["steel_deep"]),
        ("steel_bottom_psi", 1, 0.0),
        ("steel_top_psi", 1, given["steel_deep"]),
    ):
        agrees(name, 1000 * e[k] * curvature * (made.centroid_mm[0] - y))
