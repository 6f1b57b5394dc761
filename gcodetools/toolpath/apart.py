"""How far apart beads lie: inner loops from the next one outwards, solid lines that follow each other.

Lengths mm. A strip is A / h, as `measures` has it.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LinearRing, Polygon

from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.walls import Wall, weighted_median

__all__ = [
    "LONG_MM",
    "NEIGHBOURS",
    "POINTS",
    "densest",
    "direction_of",
    "distances",
    "ends_of",
    "line_pitch",
    "side_by_side",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

NEIGHBOURS = (0.6, 1.5)  # strips that neighbouring beads may stand apart
LONG_MM = 2.0  # of a line of fill
POINTS = 400  # of a layer's loops
_WINDOW = 0.04  # strips: distances this close are one


def distances(polygon: Polygon, walls: list[Wall], strip: float) -> list[tuple[F8, F8, bool]]:
    """Of each inner loop, distances (k,) of points on it to the next loop nearer to the island's edge, their
    weights (k,) mm, and whether that loop is an outermost one. strip : of the inner loops."""
    loops = [w for w in walls if w.closed and len(w.points) > 2]
    if len(loops) < 2:
        return []
    rings = np.array([LinearRing(w.points) for w in loops], object)
    boundary = polygon.boundary
    samples = []
    for wall in loops:
        ends = np.vstack([wall.points, wall.points[:1]])
        length = np.hypot(*np.diff(ends, axis=0).T)
        middle = (ends[1:] + ends[:-1]) / 2
        some = np.argsort(-length)[: max(POINTS // len(loops), 8)]
        samples.append((shapely.points(middle[some]), length[some]))
    depth = np.array([weighted_median(shapely.distance(p, boundary), n) for p, n in samples])
    shapely.prepare(rings)
    found = []
    for k, wall in enumerate(loops):
        near = np.flatnonzero((depth[k] - depth > 0.5 * strip) & (depth[k] - depth < 2.0 * strip))
        if wall.outermost or len(near) == 0:
            continue
        far = shapely.distance(samples[k][0][:, None], rings[near][None, :])
        nearest = np.argmin(far, axis=1)
        at_edge = np.array([loops[n].outermost for n in near])[nearest]
        for beside in (False, True):
            if np.any(at_edge == beside):
                found.append((far.min(axis=1)[at_edge == beside], samples[k][1][at_edge == beside], beside))
    return found


def densest(values: list[F8], weights: list[F8], limits: tuple[float, float], strip: float) -> float | None:
    """Mean of the values where they are densest; None where none lies within the limits."""
    if not values:
        return None
    value, weight = np.concatenate(values), np.concatenate(weights)
    keep = (value > limits[0]) & (value < limits[1])
    order = np.argsort(value[keep], kind="stable")
    value, weight = value[keep][order], weight[keep][order]
    if len(value) == 0:
        return None
    total = np.append(0, np.cumsum(weight))
    end = np.searchsorted(value, value + _WINDOW * strip, side="right")
    best = int(np.argmax(total[end] - total[:-1]))
    return float(np.average(value[best : end[best]], weights=weight[best : end[best]] + 1e-12))


def line_pitch(plate: Plate, rows: I8, strip: float) -> float | None:
    """Distance between solid lines that follow each other and run alike."""
    rows = rows[plate.beads.length_mm[rows] > LONG_MM]
    if len(rows) < 2:
        return None
    x, y, dx, dy = ends_of(plate, rows)
    length = np.hypot(dx, dy)
    nx, ny = -dy / length, dx / length
    alike = np.abs(nx[:-1] * nx[1:] + ny[:-1] * ny[1:]) > np.cos(np.radians(2.0))
    alike &= plate.beads.layer[rows[:-1]] == plate.beads.layer[rows[1:]]
    apart = np.abs((x[1:] - x[:-1]) * nx[:-1] + (y[1:] - y[:-1]) * ny[:-1])[alike]
    weight = np.minimum(length[:-1], length[1:])[alike]
    return densest([apart], [weight], (NEIGHBOURS[0] * strip, NEIGHBOURS[1] * strip), strip)


def side_by_side(plate: Plate, rows: I8, pitch_mm: float) -> I8:
    """Those of `rows` (ascending) that are lines of a hatch: the next one, or the next but one behind a way to it,
    runs alike, a pitch away and along as much as half of the shorter one."""
    found = np.zeros(len(rows), bool)
    x, y, dx, dy = ends_of(plate, rows)
    length = np.maximum(np.hypot(dx, dy), 1e-12)
    ux, uy = dx / length, dy / length
    for step in (1, 2):
        a, b = slice(None, -step), slice(step, None)
        alike = np.abs(ux[a] * uy[b] - uy[a] * ux[b]) < np.sin(np.radians(2.0))
        away = np.abs((x[b] - x[a]) * uy[a] - (y[b] - y[a]) * ux[a])
        near = (away > NEIGHBOURS[0] * pitch_mm) & (away < NEIGHBOURS[1] * pitch_mm)
        # From and to where the other lies along this one.
        begin = (x[b] - x[a]) * ux[a] + (y[b] - y[a]) * uy[a]
        end = begin + dx[b] * ux[a] + dy[b] * uy[a]
        shared = np.minimum(np.maximum(begin, end), length[a]) - np.maximum(np.minimum(begin, end), 0.0)
        pair = alike & near & (shared > np.minimum(length[a], length[b]) / 2)
        found[a] |= pair
        found[b] |= pair
    return rows[found]


def ends_of(plate: Plate, rows: I8) -> tuple[F8, F8, F8, F8]:
    """Start and direction of rows."""
    moves = plate.program.moves
    before = np.maximum(rows - 1, 0)
    x, y = moves.x[before], moves.y[before]
    return x, y, moves.x[rows] - x, moves.y[rows] - y


def direction_of(plate: Plate, rows: I8, least: float = 0.0) -> float | None:
    """Direction of most of the length of `rows`, radians in [0, pi); None where they have no length, or where less
    than a share of `least` runs that way: waves have none."""
    _, _, dx, dy = ends_of(plate, rows)
    length = np.hypot(dx, dy)
    if length.sum() < 1e-6:
        return None
    angle = np.arctan2(dy, dx) % np.pi
    share = np.bincount((angle * 180 / np.pi).astype(int) % 180, weights=length, minlength=180)
    near = share + np.roll(share, 1) + np.roll(share, -1)
    best = (float(np.argmax(near)) + 0.5) * np.pi / 180
    off = (angle - best + np.pi / 2) % np.pi - np.pi / 2
    close = np.abs(off) < np.radians(2.0)
    if length[close].sum() < least * length.sum():
        return None
    return float((best + np.average(off[close], weights=length[close] + 1e-12)) % np.pi)
