"""Worked examples of motion: trapezoids, corners, chains.

The formulas are those of uniform acceleration (any handbook of mechanics, e.g. Dubbel, Taschenbuch fuer den
Maschinenbau; from memory) and plane geometry; the numbers are those of `shared/science/expected.json`, "motion",
and of `shared/science/SCIENCE.md`, section 6, copied here. That jerk limits a corner axis by axis is common
practice, no source.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from gcodetools.physics.junctions import Deviation, Jerk, SquareCorner, deviation_of_corner, deviation_speed
from gcodetools.physics.motion import TRAVEL, Directions, MoveList, plan, trapezoid

TRAPEZOIDS = [  # L mm, v0, v1, v mm/s, a mm/s2, t s
    (10, 0, 0, 100, 1000, 0.2),
    (50, 5, 5, 100, 3000, 0.5300833333333334),
    (1, 5, 5, 100, 3000, 0.03333333333333333),
    (5, 0, 0, 200, 2000, 0.1),
]
PEAKS = [100.0, 100.0, 55.0, 100.0]
# Turn in degrees -> mm/s, by a square corner velocity of 5 mm/s at 3000 mm/s2.
CORNERS = {10: 52.0667, 30: 17.1333, 45: 11.2109, 60: 8.1816, 90: 5.0, 120: 3.218, 150: 1.9016, 170: 0.9943}
JERKS = {30: 16.0, 45: 11.314, 90: 8.0, 180: 4.0}


def path(points: list[tuple[float, float]], feed: float, accel: float) -> MoveList:
    """Travel from point to point."""
    step = np.diff(np.array(points, np.float64), axis=0)
    length = np.hypot(*step.T)
    none, flat = np.empty(0), np.zeros(len(step))
    along = Directions(step[:, 0] / length, step[:, 1] / length, flat, flat)
    return MoveList(
        row=np.arange(len(step), dtype=np.int32),
        length_mm=length,
        feed_mm_s=np.full(len(step), feed),
        accel_mm_s2=np.full(len(step), accel),
        kind=np.full(len(step), TRAVEL, np.uint8),
        begin=along,
        end=along,
        arc=np.empty(0, np.int32),
        radius_mm=none,
        planar=none,
        stop_before=np.zeros(len(step), bool),
    )


def turn(degrees: float, length: float, accel: float) -> MoveList:
    a = math.radians(degrees)
    end = (length + length * math.cos(a), length * math.sin(a))
    return path([(0.0, 0.0), (length, 0.0), end], 500.0, accel)


def test_trapezoids_take_the_times_of_the_examples():
    """SCIENCE.md section 6, first paragraph; expected.json, "trap"."""
    length, v0, v1, v, a, t = (np.array(column, float) for column in zip(*TRAPEZOIDS, strict=True))
    peak, seconds = trapezoid(length, v0, v1, v, a)
    assert seconds == pytest.approx(t, rel=1e-12)
    assert peak == pytest.approx(PEAKS, rel=1e-12)


def test_deviation_of_a_square_corner_velocity():
    """d = v^2 (sqrt 2 - 1) / a; expected.json, "scv5_a3000_delta"."""
    assert deviation_of_corner(5.0, 3000.0) == pytest.approx(0.0034517796864424596, rel=1e-12)


@pytest.mark.parametrize(("degrees", "speed"), CORNERS.items())
def test_corners_by_square_corner_velocity(degrees, speed):
    """Expected.json, "jd_v"; to the four decimals given there."""
    assert SquareCorner(5.0).speeds(turn(degrees, 50.0, 3000.0))[1] == pytest.approx(speed, abs=6e-5)


def test_deviation_that_stands_for_a_jerk():
    """d = 0.4 v^2 / a: 9 mm/s at 1500 mm/s2 is 0.0216 mm, and a right angle is passed at 8.844 mm/s
    (SCIENCE.md section 6)."""
    deviation = 0.4 * 9.0**2 / 1500.0
    assert deviation == pytest.approx(0.0216)
    assert deviation_speed(np.array([0.0]), 1500.0, deviation)[0] == pytest.approx(8.844, abs=5e-4)


@pytest.mark.parametrize(("degrees", "speed"), JERKS.items())
def test_corners_by_per_axis_jerk(degrees, speed):
    """8 mm/s in x and y, the first leg along x (SCIENCE.md section 6)."""
    assert Jerk(8.0, 8.0, 8.0, 8.0).speeds(turn(degrees, 50.0, 1500.0))[1] == pytest.approx(speed, abs=5e-4)


def test_equal_chords_of_a_circle_are_passed_at_its_centripetal_speed():
    """v^2 = L tan(theta / 2) a / 2 is a R where R = L / (2 sin(turn / 2)) up to the cosine: chords of 0.2 mm that
    turn by 5 degrees at 3000 mm/s2: 82.892 mm/s (SCIENCE.md section 6)."""
    speed = SquareCorner(1000.0).speeds(turn(5.0, 0.2, 3000.0))[1]
    assert speed == pytest.approx(82.892, abs=5e-4)
    inner = 0.2 / (2 * math.tan(math.radians(2.5)))
    assert speed == pytest.approx(math.sqrt(3000.0 * inner), rel=1e-9)


def test_short_pieces_of_a_curve_by_junction_deviation():
    """v^2 = L a / turn: 0.2 mm, 1500 mm/s2, 5 degrees: 58.63 mm/s (SCIENCE.md section 6)."""
    assert Deviation(1.0).speeds(turn(5.0, 0.2, 1500.0))[1] == pytest.approx(58.63, abs=5e-3)


def test_a_square_of_20_mm():
    """60 mm/s, 3000 mm/s2, corners at 5 mm/s: 1.40375 s; expected.json, "square20_60_3000_scv5"."""
    points = [(0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0), (0.0, 0.0)]
    found = plan(path(points, 60.0, 3000.0), SquareCorner(5.0))
    assert found.v_start[1:] == pytest.approx([5.0, 5.0, 5.0], rel=1e-9)
    assert found.seconds.sum() == pytest.approx(1.40375, rel=1e-9)


class FiftyEverywhere:
    def speeds(self, moves: MoveList) -> np.ndarray:
        return np.full(len(moves), 50.0)


def test_a_chain_of_short_moves_before_a_long_one():
    """0.1, 0.1, 0.1 and 10 mm at 100 mm/s, 1000 mm/s2, joints of at most 50 mm/s; expected.json, "chain"."""
    points = [(0.0, 0.0), (0.1, 0.0), (0.2, 0.0), (0.3, 0.0), (10.3, 0.0)]
    found = plan(path(points, 100.0, 1000.0), FiftyEverywhere())
    speeds = [*found.v_start.tolist(), found.v_end[-1]]
    assert speeds == pytest.approx([0, 14.142135623730951, 20.0, 24.49489742783178, 0], rel=1e-9, abs=1e-12)
    assert found.seconds.sum() == pytest.approx(0.203, rel=1e-9)


def test_the_copies_above_are_those_of_the_shared_file(samples: Path):
    stated = json.loads((samples.parents[1] / "science" / "expected.json").read_text("utf-8"))["motion"]
    assert [tuple(row) for row in stated["trap"]] == TRAPEZOIDS
    assert {int(k): v for k, v in stated["jd_v"].items()} == CORNERS
    assert stated["square20_60_3000_scv5"] == 1.40375
    assert stated["chain"]["t"] == 0.203
