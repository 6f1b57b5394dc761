"""Finds the circular stretches of a path, so that round walls may be written as G2 and G3."""

from __future__ import annotations

from math import hypot, pi

import numpy as np
from numpy.typing import NDArray

__all__ = ["fit_arcs"]

F8 = NDArray[np.float64]

TOLERANCE_MM = 0.01
LEAST_PIECES = 4
LARGEST_RADIUS_MM = 200.0


def fit_arcs(points: F8) -> tuple[NDArray[np.int64], list[tuple[str, float, float]], F8]:
    """Cut a path into lines and arcs.

    Parameters
    ----------
    points : (k, 2) float64, mm.

    Returns
    -------
    stops : (n,) int64, index of the point at which each piece ends.
    commands : n of ("G1", 0, 0) or ("G2" | "G3", centre x, centre y).
    lengths : (n,) float64 along the piece, mm.
    """
    stops: list[int] = []
    commands: list[tuple[str, float, float]] = []
    lengths: list[float] = []
    at = 0
    while at < len(points) - 1:
        reach = _arc_from(points, at)
        if reach is None:
            stop, command, length = at + 1, ("G1", 0.0, 0.0), hypot(*(points[at + 1] - points[at]))
        else:
            stop, command, length = reach
        stops.append(stop)
        commands.append(command)
        lengths.append(length)
        at = stop
    return np.array(stops, np.int64), commands, np.array(lengths)


def _arc_from(points: F8, at: int) -> tuple[int, tuple[str, float, float], float] | None:
    """The longest arc that begins at a point, less than three quarters of a turn; None if there is none."""
    if at + LEAST_PIECES >= len(points):
        return None
    count, reached, cx, cy, radius, sweep = LEAST_PIECES, 0, 0.0, 0.0, 0.0, 0.0
    # Neighbours on a rounded grid give a rough centre, far points of the run they find a good one; the
    # run's last points may belong to the corner behind it.
    for tolerance in (5 * TOLERANCE_MM, 5 * TOLERANCE_MM, TOLERANCE_MM):
        circle = _circle(points[at], points[at + count // 2], points[at + count])
        if circle is None or circle[2] > LARGEST_RADIUS_MM:
            return None
        cx, cy, radius = circle
        reached, sweep = _run(points[at:], circle, tolerance)
        if reached < LEAST_PIECES:
            return None
        count = max(LEAST_PIECES, 3 * reached // 4)
    return at + reached, ("G3" if sweep > 0 else "G2", cx, cy), abs(sweep) * radius


def _run(points: F8, circle: tuple[float, float, float], tolerance: float) -> tuple[int, float]:
    """How many pieces from the first point on follow the circle one way, and the angle they sweep."""
    cx, cy, radius = circle
    near = np.abs(np.hypot(points[:, 0] - cx, points[:, 1] - cy) - radius) < tolerance
    angles = np.unwrap(np.arctan2(points[:, 1] - cy, points[:, 0] - cx))
    steps = np.diff(angles)
    way = 1.0 if steps[0] > 0 else -1.0
    turned = np.abs(angles[1:] - angles[0])
    fits = near[1:] & near[:-1] & (steps * way > 0) & (np.abs(steps) < pi / 18) & (turned < 1.5 * pi)
    count = len(fits) if fits.all() else int(np.argmin(fits))
    return count, float(angles[count] - angles[0])


def _circle(a: F8, b: F8, c: F8) -> tuple[float, float, float] | None:
    """Centre and radius of the circle through three points; None where they are in line."""
    (bx, by), (cx, cy) = b - a, c - a
    twice = 2 * (bx * cy - by * cx)
    if abs(twice) < 1e-6:
        return None
    ux = (cy * (bx * bx + by * by) - by * (cx * cx + cy * cy)) / twice
    uy = (bx * (cx * cx + cy * cy) - cx * (bx * bx + by * by)) / twice
    return float(ux + a[0]), float(uy + a[1]), float(hypot(ux, uy))
