"""Move lists by hand, and look-ahead planning as a plain loop: the reference for the scans."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gcodetools.physics.motion import PRINT, RETRACT, TRAVEL, Directions, MoveList


def move_list(
    steps: Sequence[tuple[float, float, float, float]],
    feed: float | Sequence[float] = 100.0,
    accel: float | Sequence[float] = 1000.0,
    stops: Sequence[int] = (),
) -> MoveList:
    """Straight moves by their displacements (dx, dy, dz, de)."""
    table = np.array(steps, np.float64).reshape(-1, 4)
    count = len(table)
    path = np.sqrt((table[:, :3] ** 2).sum(axis=1))
    length = np.where(path > 0, path, np.abs(table[:, 3]))
    along = Directions(*(column / length for column in table.T))
    kind = np.where(path == 0, RETRACT, np.where(table[:, 3] != 0, PRINT, TRAVEL)).astype(np.uint8)
    stop = np.zeros(count, bool)
    stop[list(stops)] = True
    full = np.full(count, 1.0)
    none = np.empty(0)
    return MoveList(
        row=np.arange(count, dtype=np.int32),
        length_mm=length,
        feed_mm_s=full * feed,
        accel_mm_s2=full * accel,
        kind=kind,
        begin=along,
        end=along,
        arc=np.empty(0, np.int32),
        radius_mm=none,
        planar=none,
        stop_before=stop,
    )


@dataclass(frozen=True)
class Capped:
    """A junction model that says one speed for every corner."""

    mm_s: float

    def speeds(self, moves: MoveList) -> np.ndarray:
        return np.full(len(moves), self.mm_s)


def plain_plan(moves: MoveList, corners: Sequence[float]) -> tuple[list[float], list[float]]:
    """Speeds at the joints (n + 1) and seconds (n), move after move."""
    count = len(moves)
    length, feed, accel = (c.tolist() for c in (moves.length_mm, moves.feed_mm_s, moves.accel_mm_s2))
    speed = [0.0] * (count + 1)
    for i in range(1, count):
        speed[i] = 0.0 if moves.stop_before[i] else min(corners[i], feed[i], feed[i - 1])
    for i in range(count - 1, 0, -1):
        speed[i] = min(speed[i], math.sqrt(speed[i + 1] ** 2 + 2 * accel[i] * length[i]))
    for i in range(1, count):
        speed[i] = min(speed[i], math.sqrt(speed[i - 1] ** 2 + 2 * accel[i - 1] * length[i - 1]))
    seconds = [plain_trapezoid(length[i], speed[i], speed[i + 1], feed[i], accel[i]) for i in range(count)]
    return speed, seconds


def plain_trapezoid(length: float, v0: float, v1: float, v: float, a: float) -> float:
    up, down = (v * v - v0 * v0) / (2 * a), (v * v - v1 * v1) / (2 * a)
    if up + down <= length:
        return (v - v0) / a + (v - v1) / a + (length - up - down) / v
    peak = math.sqrt(a * length + (v0 * v0 + v1 * v1) / 2)
    return (peak - v0) / a + (peak - v1) / a
