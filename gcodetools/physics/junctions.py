"""How fast a corner is passed: by per-axis jerk, by junction deviation, by square corner velocity.

Angles are those between the directions before and after the corner: a turn of 0 goes straight on.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.motion import RETRACT, MoveList
from gcodetools.records import dataclass

__all__ = ["Deviation", "Jerk", "SquareCorner", "deviation_of_corner", "deviation_speed"]

F8 = NDArray[np.float64]
Limit = float | F8  # one for all moves, or (n,)

_SHORT_MM, _SLIGHT_TURN = 1.0, np.pi / 4


@dataclass(frozen=True, slots=True)
class Jerk:
    """Per-axis jerk: no axis changes its speed at a corner by more than its limit, mm/s, so
    v <= min(limit / |u2 - u1|) over x, y, z and e. Common practice, no source."""

    x: Limit
    y: Limit
    z: Limit
    e: Limit

    def speeds(self, moves: MoveList) -> F8:
        """(n,) highest speed into each move."""
        slowness = np.zeros(len(moves))
        step = np.empty(max(len(moves) - 1, 0))
        for before, after, limit in (
            (moves.end.x, moves.begin.x, self.x),
            (moves.end.y, moves.begin.y, self.y),
            (moves.end.z, moves.begin.z, self.z),
            (moves.end.e, moves.begin.e, self.e),
        ):
            np.subtract(after[1:], before[:-1], out=step)
            np.abs(step, out=step)
            step /= limit if isinstance(limit, float) else limit[1:]
            np.maximum(slowness[1:], step, out=slowness[1:])
        with np.errstate(divide="ignore"):
            speed: F8 = 1.0 / slowness
        return speed


def _cosine_of_turn(moves: MoveList) -> F8:
    """(n - 1,) cosine of the angle by which the path turns, from -1 (back) to 1 (straight on)."""
    cosine = moves.end.x[:-1] * moves.begin.x[1:]
    cosine += moves.end.y[:-1] * moves.begin.y[1:]
    cosine += moves.end.z[:-1] * moves.begin.z[1:]
    return np.clip(cosine, -1.0, 1.0, out=cosine)


def deviation_speed(cosine: F8, accel: Limit, deviation_mm: Limit) -> F8:
    """Corner speed by junction deviation: v^2 = a d s / (1 - s), s = sin(theta / 2), where theta is the angle
    between the legs (180 degrees: straight on) and cos theta = -u1.u2.

    A circle that touches both legs and stays within d of the corner is passed at the centripetal acceleration a:
    r = d s / (1 - s), formula derived here.

    Parameters
    ----------
    cosine : of the turn, u1.u2.
    """
    half = np.sqrt((1.0 + cosine) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        # 1 - s loses its digits near a straight line; (1 - cos^2 of the half) / (1 + s) doesn't.
        radius = deviation_mm * half * (1.0 + half) * 2 / (1.0 - cosine)
    speed: F8 = np.sqrt(accel * radius)
    return speed


def deviation_of_corner(corner_mm_s: Limit, accel: Limit) -> Limit:
    """Junction deviation that passes a right angle at `corner_mm_s`: d = v^2 (sqrt 2 - 1) / a, mm; formula
    derived here from `deviation_speed`."""
    return corner_mm_s * corner_mm_s * (math.sqrt(2.0) - 1.0) / accel


def _between(limit: Limit) -> Limit:
    return limit if isinstance(limit, float) else limit[1:]


def _filament_alone(moves: MoveList) -> NDArray[np.bool_]:
    alone = moves.kind == RETRACT
    result: NDArray[np.bool_] = alone[1:] | alone[:-1]
    return result


@dataclass(frozen=True, slots=True)
class Deviation:
    """Junction deviation, mm; see `deviation_speed`. The smaller acceleration of both moves counts.

    Moves shorter than 1 mm that turn by less than 45 degrees are taken as pieces of a curve: v^2 <= L a / turn
    (the turn in radians; an arc of length L has radius L / turn). Filament alone starts and ends at rest.
    """

    mm: Limit

    def speeds(self, moves: MoveList) -> F8:
        """(n,) highest speed into each move."""
        speed = np.full(len(moves), np.inf)
        if len(moves) < 2:
            return speed
        cosine = _cosine_of_turn(moves)
        accel = np.minimum(moves.accel_mm_s2[1:], moves.accel_mm_s2[:-1])
        found = deviation_speed(cosine, accel, _between(self.mm))
        length = moves.length_mm[1:]
        turn = np.arccos(cosine)
        curve = np.flatnonzero((length < _SHORT_MM) & (turn < _SLIGHT_TURN) & (turn > 0))
        found[curve] = np.minimum(found[curve], np.sqrt(length[curve] * accel[curve] / turn[curve]))
        found[_filament_alone(moves)] = 0.0
        speed[1:] = found
        return speed


@dataclass(frozen=True, slots=True)
class SquareCorner:
    """Square corner velocity, mm/s: the junction deviation that passes a right angle at this speed.

    The circle also has to touch both moves before their middle: v^2 <= a L tan(theta / 2) / 2 for both. Where
    the filament's speed jumps, it may do so by e_mm_s (common practice, no source). Filament alone starts and
    ends at rest.
    """

    mm_s: Limit
    e_mm_s: Limit = 1.0

    def speeds(self, moves: MoveList) -> F8:
        """(n,) highest speed into each move."""
        speed = np.full(len(moves), np.inf)
        if len(moves) < 2:
            return speed
        cosine = _cosine_of_turn(moves)
        accel = np.minimum(moves.accel_mm_s2[1:], moves.accel_mm_s2[:-1])
        found = deviation_speed(cosine, accel, deviation_of_corner(_between(self.mm_s), accel))
        with np.errstate(divide="ignore"):
            tangent = np.sqrt((1.0 + cosine) / (1.0 - cosine))  # of half the angle between the legs
            shorter = np.minimum(
                moves.length_mm[1:] * moves.accel_mm_s2[1:], moves.length_mm[:-1] * moves.accel_mm_s2[:-1]
            )
            np.minimum(found, np.sqrt(shorter * tangent / 2), out=found)
            jump = np.abs(moves.begin.e[1:] - moves.end.e[:-1])
            np.minimum(found, _between(self.e_mm_s) / jump, out=found)
        found[_filament_alone(moves)] = 0.0
        speed[1:] = found
        return speed
