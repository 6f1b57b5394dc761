"""The law for PETG is the fit of Martins et al. 2024 (second-hand, see the data file), and is used no further."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gcodetools.physics.using import fatigue_stress, held_share

DATA = Path(__file__).parent / "data" / "martins2024_petg_fatigue.csv"
CREEP = DATA.with_name("stankevics2025_petg_creep.csv")
PETG = {"coefficient_mpa": 367.0, "exponent": 0.306, "from_cycles": 1e4, "to_cycles": 2e5}


def test_law_is_the_fit_of_the_table():
    stress, _, low, high, life = np.loadtxt(DATA, delimiter=",", comments="#", skiprows=4).T
    slope, height = np.polyfit(np.log(life), np.log(stress), 1)
    assert -slope == pytest.approx(PETG["exponent"], abs=0.0005)
    assert np.exp(height) == pytest.approx(PETG["coefficient_mpa"], rel=0.01)
    for s, n, a, b in zip(stress, life, low, high, strict=True):
        value = fatigue_stress(n, **PETG).value
        assert value is not None
        # The law's life at the tested stress lies within the lives seen.
        assert a < (s / PETG["coefficient_mpa"]) ** (-1 / PETG["exponent"]) < b
        assert value == pytest.approx(s, rel=0.06)


@pytest.mark.parametrize("times", [1.0, 300.0, 9_999.0, 200_001.0, 1e6])
def test_nothing_is_said_outside_the_table(times):
    rule = fatigue_stress(times, **PETG)
    assert rule.value is None
    assert "nothing for" in rule.text


def test_local_creep_power_of_petg():
    """Creep over elastic strain after 5 and 20 h (Stankevics et al. 2025, see its data file)."""
    hours, creep = np.loadtxt(CREEP, delimiter=",", comments="#", skiprows=3).T
    power = np.log((1 + creep[1]) / (1 + creep[0])) / np.log(hours[1] / hours[0])
    first, second = (held_share(float(h) / (365 * 24), power).value for h in hours)
    assert first / second == pytest.approx(1.10 / 1.05)
    assert 0.02 < power < 0.05  # the exponents from memory enclose it
