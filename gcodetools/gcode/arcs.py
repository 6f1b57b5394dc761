"""Arcs in closed form: centre from I, J or R, sweep, length, points along.

Centre and sweep follow the usual reading of G2 and G3 (ISO 6983-1:2009 for the words; NIST RS274/NGC
version 3, section 3.5.3, for the radius format and full circles; common practice for the number of turns P).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Arcs, Moves

__all__ = ["arc_lengths", "arc_points", "centre_from_radius", "piece_of_arc", "radii_differ", "sweep_of"]

F8 = NDArray[np.float64]
# How far an arc's end may lie off the circle of its start: coordinates of two or three decimals leave some
# hundredths; the files seen stay under 0.002 mm. What is larger is a wrong centre.
_RADII_MM, _RADII_SHARE = 0.05, 0.02


def centre_from_radius(
    x0: F8, y0: F8, x1: F8, y1: F8, radius: F8, clockwise: NDArray[np.bool_]
) -> tuple[F8, F8]:
    """Centre of the arc from (x0, y0) to (x1, y1), (k,) each, mm.

    A negative radius asks for the arc of more than half a circle. A chord longer than the diameter gives its
    midpoint, as firmware does within its tolerance.
    """
    dx, dy = x1 - x0, y1 - y0
    chord = np.hypot(dx, dy)
    height = np.sqrt(np.maximum(radius**2 - (chord / 2) ** 2, 0.0))
    side = np.where(clockwise, -1.0, 1.0) * np.where(radius < 0, -1.0, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        nx, ny = -dy / chord, dx / chord
    nx, ny = np.nan_to_num(nx), np.nan_to_num(ny)
    return (x0 + x1) / 2 + side * height * nx, (y0 + y1) / 2 + side * height * ny


def radii_differ(start_mm: F8, end_mm: F8) -> NDArray[np.bool_]:
    """Where an arc's radius at its start and at its end differ by more than rounding explains: by over
    0.05 mm and over 2 %."""
    result: NDArray[np.bool_] = np.abs(end_mm - start_mm) > np.maximum(_RADII_MM, _RADII_SHARE * start_mm)
    return result


def sweep_of(begin: F8, end: F8, clockwise: NDArray[np.bool_], closed: NDArray[np.bool_], turns: F8) -> F8:
    """Signed angle from `begin` to `end`, radians; a closed arc is one full circle, and each turn beyond the
    first adds one."""
    sweep = np.mod(end - begin, 2 * np.pi)
    sweep = np.where(clockwise, sweep - 2 * np.pi, sweep)
    full = np.where(clockwise, -2 * np.pi, 2 * np.pi)
    sweep = np.where(closed, full, np.where(sweep <= -2 * np.pi, 0.0, sweep))
    return sweep + full * (np.maximum(turns, 1.0) - 1.0)


def _axes(moves: Moves, arcs: Arcs) -> tuple[F8, F8, F8]:
    """End coordinates in (first, second, normal) of each arc's plane."""
    row = arcs.row
    xyz = (moves.x[row], moves.y[row], moves.z[row])
    first = np.choose(arcs.plane - 17, (xyz[0], xyz[2], xyz[1]))
    second = np.choose(arcs.plane - 17, (xyz[1], xyz[0], xyz[2]))
    normal = np.choose(arcs.plane - 17, (xyz[2], xyz[1], xyz[0]))
    return first, second, normal


def _normal_start(moves: Moves, arcs: Arcs) -> F8:
    before = np.maximum(arcs.row - 1, 0)
    start = np.choose(arcs.plane - 17, (moves.z[before], moves.y[before], moves.x[before]))
    return np.where(arcs.row > 0, start, 0.0)


def arc_lengths(moves: Moves, arcs: Arcs) -> F8:
    """Length of each arc's path, mm: sqrt((r sweep)^2 + rise^2), exact for a helix."""
    rise = _axes(moves, arcs)[2] - _normal_start(moves, arcs)
    return np.hypot(arcs.radius * arcs.sweep, rise)


def arc_points(moves: Moves, arcs: Arcs, index: NDArray[np.intp], t: F8) -> F8:
    """Points (k, 3), mm, of the arcs `index` (into Arcs) at fraction `t` of their path."""
    angle = arcs.begin[index] + arcs.sweep[index] * t
    first = arcs.cx[index] + arcs.radius[index] * np.cos(angle)
    second = arcs.cy[index] + arcs.radius[index] * np.sin(angle)
    low = _normal_start(moves, arcs)[index]
    normal = low + (_axes(moves, arcs)[2][index] - low) * t
    plane = arcs.plane[index] - 17
    x = np.choose(plane, (first, second, normal))
    y = np.choose(plane, (second, normal, first))
    z = np.choose(plane, (normal, first, second))
    return np.column_stack([x, y, z])


def piece_of_arc(begin: float, sweep: float, t0: float, t1: float) -> tuple[float, float]:
    """(begin, sweep) of the stretch t0..t1 of an arc, radians."""
    return begin + sweep * t0, sweep * (t1 - t0)
