"""What follows moved walls, on two straight walls side by side where the answer is plain."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.treat.fit_follow import Body, filled, moved_ends

PITCH = 0.4


def two_walls(apart: float, moves: tuple[float, float], out: tuple[float, float]) -> Body:
    """Walls of 10 mm along x at y = 0 and y = `apart`, moved in y, with the side away from the plastic."""
    y = np.array([0.0, apart])
    a, b = np.column_stack([[0.0, 0.0], y]), np.column_stack([[10.0, 10.0], y])
    by, away = (np.column_stack([[0.0, 0.0], values]) for values in (moves, out))
    number = np.arange(2)
    return Body(number + 5, number, number, a, b, by, by, away, np.zeros(2))


@pytest.mark.parametrize(("y", "expected"), [(0.4, 0.1), (0.0, -0.1), (0.8, 0.3)])
def test_an_end_between_two_walls_goes_with_both(y, expected):
    walls = two_walls(0.8, (-0.1, 0.3), (-1.0, 1.0))
    (found,) = moved_ends(walls, np.array([[5.0, y + (0.001 if y == 0.0 else -0.001)]]), PITCH)
    assert found == pytest.approx((0.0, expected), abs=0.003)


def test_flow_changes_within_the_plastic_and_not_across_the_air():
    """0.05 mm more room between two beads of 0.4 mm: a sixteenth more for each."""
    breadth = np.full(2, PITCH)
    rows, factor = filled(two_walls(PITCH, (-0.05, 0.0), (-1.0, 1.0)), PITCH, breadth)
    assert rows.tolist() == [5, 6] and factor == pytest.approx([1 + 0.05 / 0.8] * 2)
    rows, _ = filled(two_walls(PITCH, (-0.05, 0.0), (1.0, -1.0)), PITCH, breadth)
    assert len(rows) == 0
