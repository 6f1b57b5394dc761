"""Stress in curved bars agrees with the table of Wilson and Quereau (from memory, see the data file)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gcodetools.physics.rings import winkler

DATA = Path(__file__).parent / "data" / "curved_bar_rectangle.csv"


def test_rectangles_of_the_table():
    table = np.loadtxt(DATA, delimiter=",", comments="#", skiprows=3)
    assert len(table) == 10
    ours = np.array([winkler(ratio / 2.0) for ratio in table[:, 0]])
    # The table is up to 1.3 % off Winkler's own formula (R / c 1.4: 2.13 where the formula gives 2.103).
    assert np.abs(ours / table[:, 1:] - 1.0).max() < 0.015
