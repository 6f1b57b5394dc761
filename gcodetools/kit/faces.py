"""Where paths meet faces, in closed form: planes, standing cylinders, balls, standing walls.

Every function gives the places (index, t) with 0 < t < 1, in no order, perhaps one twice. A path that only
touches a face, or runs along it, may be cut there or not: pieces are judged by their midpoints afterwards.
The one case without a closed form, a helix and a ball, is bracketed and bisected.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.kit.paths import Hits, Paths, columns, joined, rows_of

__all__ = ["meet_ball", "meet_cylinder", "meet_height", "meet_upright", "meet_walls"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_HELIX_STEPS = 64  # brackets a turn: a ball is met at most twice within one
_BISECTIONS = 48  # 2^-48 of a bracket is far below a nanometre
_BLOCK = 2_000_000  # pairs of paths and walls at once: some 100 MB


def meet_height(paths: Paths, z: float) -> Hits:
    """Crossings of the plane at height `z`."""
    before, behind = paths.p0[:, 2] - z, paths.p1[:, 2] - z
    index = np.flatnonzero(before * behind < 0)
    return index, before[index] / (before[index] - behind[index])


def meet_upright(paths: Paths, axis: int, level: float) -> Hits:
    """Crossings of the upright plane x = level (axis 0) or y = level (axis 1)."""
    index = paths.straight
    before, behind = paths.p0[index, axis] - level, paths.p1[index, axis] - level
    cut = np.flatnonzero(before * behind < 0)
    found = [(index[cut], before[cut] / (before[cut] - behind[cut]))]
    if len(paths.arc):
        none = np.zeros(len(paths.arc))
        if axis == 0:
            found.append(_by_angle(paths, paths.radius, none, level - paths.cx))
        else:
            found.append(_by_angle(paths, none, paths.radius, level - paths.cy))
    return joined(found)


def meet_cylinder(paths: Paths, cx: float, cy: float, radius: float) -> Hits:
    """Crossings of a standing cylinder of any height."""
    index, start, end = _straight(paths, 2)
    away = columns(start[:, 0] - cx, start[:, 1] - cy)
    found = [_quadratic(index, end - start, away, radius * radius)]
    if len(paths.arc):
        ax, ay = paths.cx - cx, paths.cy - cy
        level = radius * radius - ax**2 - ay**2 - paths.radius**2
        found.append(_by_angle(paths, 2 * paths.radius * ax, 2 * paths.radius * ay, level))
    return joined(found)


def meet_ball(paths: Paths, centre: tuple[float, float, float], radius: float) -> Hits:
    """Crossings of a ball."""
    index, start, end = _straight(paths, 3)
    found = [_quadratic(index, end - start, start - np.array(centre), radius * radius)]
    if len(paths.arc):
        rise = paths.p1[paths.arc, 2] - paths.p0[paths.arc, 2]
        ax, ay = paths.cx - centre[0], paths.cy - centre[1]
        dz = paths.p0[paths.arc, 2] - centre[2]
        level = radius * radius - dz**2 - ax**2 - ay**2 - paths.radius**2
        level[rise != 0] = np.inf
        found.append(_by_angle(paths, 2 * paths.radius * ax, 2 * paths.radius * ay, level))
        climbing = np.flatnonzero(rise != 0)
        if len(climbing):
            found.append(_helix_ball(paths, climbing, centre, radius))
    return joined(found)


def _straight(paths: Paths, axes: int) -> tuple[I8, F8, F8]:
    """Indices of the straight paths, and the ends of each, (k, axes)."""
    index, start, end = paths.straight, paths.p0[:, :axes], paths.p1[:, :axes]
    if len(index) < len(paths):
        start, end = rows_of(start, index), rows_of(end, index)
    return index, start, end


def meet_walls(paths: Paths, a: F8, b: F8) -> Hits:
    """Crossings of standing walls of any height above the segments from `a` to `b`, (m, 2) each."""
    if len(paths) == 0 or len(a) == 0:
        return joined([])
    found = []
    step = max(1, _BLOCK // len(a))
    index, start, end = _straight(paths, 2)
    for at in range(0, len(index), step):
        part = slice(at, at + step)
        row, t = _lines_walls(start[part], end[part], a, b)
        found.append((index[part][row], t))
    for at in range(0, len(paths.arc), step):
        found.append(_arcs_walls(paths, np.arange(at, min(at + step, len(paths.arc))), a, b))
    return joined(found)


def _lines_walls(start: F8, end: F8, a: F8, b: F8) -> Hits:
    along = b - a
    # The side of each wall that either end of the path lies on, for all pairs at once.
    across = np.vstack([-along[:, 1], along[:, 0]])
    level = (a.T * across).sum(axis=0)
    left0, left1 = start @ across - level, end @ across - level
    row, wall = np.divmod(np.flatnonzero((left0 * left1).ravel() < 0), len(a))
    t = left0[row, wall] / (left0[row, wall] - left1[row, wall])
    point = start[row] + (end[row] - start[row]) * t[:, None]
    on = _within(point, a[wall], along[wall])
    return row[on], t[on]


def _arcs_walls(paths: Paths, k: I8, a: F8, b: F8) -> Hits:
    along = b - a
    length = np.hypot(along[:, 0], along[:, 1])
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.where(length > 0, length, 1.0)[:, None]
    centre = np.column_stack([paths.cx[k], paths.cy[k]])
    away = ((a[None] - centre[:, None]) * normal[None]).sum(axis=2)
    arc, wall = np.nonzero((np.abs(away) <= paths.radius[k][:, None]) & (length > 0)[None])
    radius = paths.radius[k[arc]]
    where, t = _solve(paths, k[arc], radius * normal[wall, 0], radius * normal[wall, 1], away[arc, wall])
    angle = paths.begin[k[arc[where]]] + paths.sweep[k[arc[where]]] * t
    reach = radius[where][:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    on = _within(centre[arc[where]] + reach, a[wall[where]], along[wall[where]])
    return paths.arc[k[arc[where[on]]]], t[on]


def _within(point: F8, a: F8, along: F8) -> NDArray[np.bool_]:
    """Whether a point on the line of a wall lies between its ends, a hair beyond them included."""
    square = (along**2).sum(axis=1)
    share = ((point - a) * along).sum(axis=1)
    slack = 1e-9 * square + 1e-12
    on: NDArray[np.bool_] = (share >= -slack) & (share <= square + slack)
    return on


def _quadratic(index: I8, d: F8, s: F8, square: float) -> Hits:
    """t where |s + d t|^2 = square, rows of `index`."""
    b, c = _dot(s, d), _dot(s, s) - square
    a = _dot(d, d)
    # Both ends on one side and the nearest point beyond an end: most beads, left out before the roots.
    under = b * b - a * c
    real = np.flatnonzero((under > 0) & (a > 0) & ((c > 0) | (c + 2 * b + a > 0)) & ((c <= 0) | (b < 0)))
    a, b, c, root = a[real], b[real], c[real], np.sqrt(under[real])
    # The root of larger size first, the other from the product: no digits are lost.
    q = -(b + np.where(b >= 0, root, -root))
    with np.errstate(divide="ignore", invalid="ignore"):
        both = np.concatenate([q / a, c / q])
    row = np.concatenate([index[real]] * 2)
    inside = (both > 0) & (both < 1)
    return row[inside], both[inside]


def _dot(u: F8, v: F8) -> F8:
    product: F8 = u[:, 0] * v[:, 0]
    for axis in range(1, u.shape[1]):
        product += u[:, axis] * v[:, axis]
    return product


def _by_angle(paths: Paths, p: F8, q: F8, level: F8) -> Hits:
    """t where p cos(angle) + q sin(angle) = level, (k,) each over the arcs."""
    k = np.arange(len(paths.arc))
    where, t = _solve(paths, k, p, q, level)
    return paths.arc[where], t


def _solve(paths: Paths, k: I8, p: F8, q: F8, level: F8) -> Hits:
    """As `_by_angle` for the arcs `k`; the first of the result indexes `k`."""
    size = np.hypot(p, q)
    real = np.flatnonzero((size > 0) & (np.abs(level) <= size))
    middle = np.arctan2(q[real], p[real])
    half = np.arccos(level[real] / size[real])
    begin, sweep = paths.begin[k[real]], paths.sweep[k[real]]
    turns = int(np.ceil(np.abs(sweep).max(initial=0.0) / (2 * np.pi)))
    found = []
    for angle in (middle - half, middle + half):
        first = np.mod((angle - begin) * np.sign(sweep), 2 * np.pi)
        for turn in range(turns):
            with np.errstate(divide="ignore", invalid="ignore"):
                t = (first + 2 * np.pi * turn) / np.abs(sweep)
            inside = (t > 0) & (t < 1)
            found.append((real[inside], t[inside]))
    return joined(found)


def _helix_ball(paths: Paths, k: I8, centre: tuple[float, float, float], radius: float) -> Hits:
    middle = np.array(centre)

    def outside(arc: I8, t: F8) -> F8:
        away: F8 = ((paths.at(paths.arc[arc], t) - middle) ** 2).sum(axis=1) - radius * radius
        return away

    steps = int(_HELIX_STEPS * np.ceil(max(1.0, np.abs(paths.sweep[k]).max() / (2 * np.pi))))
    grid = np.linspace(0.0, 1.0, steps + 1)
    arc, t = np.repeat(k, steps + 1), np.tile(grid, len(k))
    value = outside(arc, t).reshape(len(k), -1)
    row, cell = np.nonzero(value[:, :-1] * value[:, 1:] < 0)
    low, high, sign = grid[cell], grid[cell + 1], np.sign(value[row, cell])
    for _ in range(_BISECTIONS):
        half = (low + high) / 2
        same = np.sign(outside(k[row], half)) == sign
        low, high = np.where(same, half, low), np.where(same, high, half)
    t = (low + high) / 2
    inside = (t > 0) & (t < 1)
    return paths.arc[k[row[inside]]], t[inside]
