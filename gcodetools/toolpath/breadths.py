"""How many beads lie across a room at each point of its edge, and how broad they are.

With t the local thickness and s the pitch: one bead up to `twin_mm`, else N = max(2, round(t / s)) of breadth
t / N, none of the N's stretches short, the breadth changing gently along the edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.meshes import Edge, Mesh

__all__ = [
    "breadths_of",
    "compact_mm",
    "even_breadth",
    "smoothed",
    "thickness_at_chords",
    "thickness_at_points",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_DOUBT = 0.12  # pitches; so near to a half, the number is that of the neighbours
_SHORT = 4.0  # pitches; a shorter stretch of one number takes that of its neighbours where it fits
_FULL = 0.95  # of the most; as broad as a short stretch may get to keep the number
_TOO_SHORT = 1.5  # pitches; over a shorter one the breadth is bridged
_MAJORITY = 0.6  # of the points opposite to a stretch; what they have in common it takes over
_GENTLE = 1.5  # pitches over which the breadth is averaged, twice
_NARROW = 0.7  # of its greatest circle; a room with a narrower place has a shape of its own
_SHORT_MIDDLE = 0.8  # thicknesses; a room with a shorter middle line is filled from its edge alone


def thickness_at_points(mesh: Mesh) -> F8:
    """(n,) thickness at the points of the edge, mm; carried into corners and caps from beside them.

    A compact room (disc, square) has that of its greatest circle everywhere.
    """
    edge, real = mesh.edge, ~mesh.corner | mesh.facing
    thickness = np.full(len(edge.xy), np.inf)
    for end in (0, 1):
        np.minimum.at(thickness, mesh.chord[real, end], mesh.across[real])
    if mesh.corner.all():
        return np.full(len(edge.xy), _greatest_circle(mesh))
    thickness[edge.inner] = np.inf  # between two walls
    known = np.isfinite(thickness)
    if not known.any():
        return np.full(len(edge.xy), _greatest_circle(mesh))
    for own in _rings(mesh):
        if known[own].any():
            thickness[own] = _carried(edge, own, thickness[own])
        else:
            thickness[own] = thickness[known].mean()
    return thickness


def _carried(edge: Edge, own: I8, thickness: F8) -> F8:
    """Thicknesses on a ring, unknown ones carried over from beside them but not round inner corners."""
    around = float(edge.around[edge.ring[own[0]]])
    arc, result = edge.arc[own], thickness.copy()
    corners = np.flatnonzero(edge.inner[own])
    first = int(corners[0]) if len(corners) else 0
    order = np.roll(np.arange(len(own)), -first)
    wall = np.cumsum(edge.inner[own][order])
    for number in range(1, len(corners) + 1):
        part = order[wall == number]
        sure = part[np.isfinite(thickness[part])]
        if len(sure):
            at = (arc - arc[first]) % around
            result[part] = np.interp(at[part], at[sure], thickness[sure])
    sure = np.flatnonzero(np.isfinite(result) & ~edge.inner[own])
    rest = np.flatnonzero(~np.isfinite(result) | edge.inner[own])
    result[rest] = np.interp(arc[rest], arc[sure], result[sure], period=around)
    # An inner corner belongs to the thinner of its walls.
    result[corners] = np.minimum(np.roll(result, 1), np.roll(result, -1))[corners]
    return result


def thickness_at_chords(mesh: Mesh, thickness: F8) -> F8:
    """(m,) thickness at the chords, mm; at a corner's that of the edge there."""
    at: F8 = np.where(mesh.corner, thickness[mesh.chord].mean(axis=1), mesh.across)
    return at


def compact_mm(mesh: Mesh) -> float | None:
    """Thickness of a room as thick as long, which has hardly a middle line; None of any other."""
    sleeve = ((mesh.chords >= 0) & ~mesh.corner[mesh.chords]).sum(axis=1) >= 2
    across = _greatest_circle(mesh)
    real = ~mesh.corner | mesh.facing
    narrow = np.any(mesh.across[real] < _NARROW * across)
    return across if not narrow and mesh.areas[sleeve].sum() < _SHORT_MIDDLE * across**2 else None


def even_breadth(across: float, pitch: float, twin: float, most_loops: float) -> float:
    """Breadth of loops that fill a compact room from its edge alone; the pitch where they can't fill it."""
    loops = max(1.0, round(across / pitch / 2))
    while across / loops / 2 > twin:
        loops += 1
    return across / loops / 2 if loops <= most_loops else pitch


def _greatest_circle(mesh: Mesh) -> float:
    """Diameter of the greatest circle through three points of the edge that holds no other."""
    a, b, c = (mesh.edge.xy[mesh.triangle[:, j]] for j in range(3))
    sides = np.prod([np.hypot(*(p - q).T) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    size = mesh.areas
    solid = size > 1e-9 * np.max(size)
    diameter = sides[solid] / (2 * size[solid])
    # A triangle at an obtuse corner has a circle that reaches outside.
    return float(min(np.max(diameter), 2 * np.sqrt(size.sum() / np.pi)))


@dataclass(frozen=True, slots=True)
class _Wall:
    """A room's edge to be laid along. thickness : (n,) mm. limits : mm, of breadths. most : beads across."""

    mesh: Mesh
    thickness: F8
    pitch: float
    limits: tuple[float, float]
    most: float

    def fits(self, beads: int, part: I8) -> bool:
        """Whether so many lie across a stretch; 0 stands for beads of the pitch and something left."""
        t = self.thickness[part]
        if beads == 0:
            return bool(t.min() > 2.5 * self.pitch)
        broad = bool(t.max() < self.limits[1] * _FULL * beads)
        return beads <= self.most and broad and bool(t.min() > self.limits[0] * beads)

    def runs(self, beads: I8, own: I8) -> tuple[list[I8], F8]:
        """Stretches of one number on a ring, in order, and their lengths; one that goes all round is none."""
        starts = np.flatnonzero(beads[own] != np.roll(beads[own], 1))
        if len(starts) < 2:
            return [], np.zeros(0)
        edge = self.mesh.edge
        arc = edge.arc[own][starts]
        length = np.diff(np.append(arc, arc[0] + edge.around[edge.ring[own[0]]]))
        turned = np.roll(own, -int(starts[0]))
        ends = np.append(starts[1:] - starts[0], len(own)).tolist()
        return [turned[a:b] for a, b in zip([0, *ends[:-1]], ends, strict=True)], length


def breadths_of(
    mesh: Mesh, thickness: F8, pitch: float, limits: tuple[float, float], cap: float, most_beads: float
) -> F8:
    """(n,) breadth of the next loop at each point of the edge, mm.

    Parameters
    ----------
    thickness : (n,) at the points. limits : mm, of breadths. cap : mm, thickness above which the breadth is the
    pitch. most_beads : across where it is filled wholly.
    """
    wall = _Wall(mesh, thickness, pitch, limits, most_beads)
    beads = _beads(mesh, thickness / pitch, cap / pitch, most_beads)
    for own in _rings(mesh):
        _join_short(wall, beads, own)
    _agree(wall, beads)
    breadth = np.where(beads == 0, pitch, thickness / np.maximum(beads, 1))
    for own in _rings(mesh):
        runs, length = wall.runs(beads, own)
        keep = np.ones(len(thickness), bool)
        for run in (run for run, long in zip(runs, length, strict=True) if long < _TOO_SHORT * pitch):
            keep[run] = False
        sure = own[keep[own]]
        if len(sure) == 0:
            breadth[own] = np.where(beads[own] == 0, pitch, np.minimum(pitch, thickness[own] / 2))
        elif len(sure) < len(own):
            around = float(mesh.edge.around[mesh.edge.ring[own[0]]])
            breadth[own] = np.interp(mesh.edge.arc[own], mesh.edge.arc[sure], breadth[sure], period=around)
    if np.ptp(breadth) > 1e-9:
        breadth = smoothed(mesh, breadth, _GENTLE * pitch)
    limit = np.where(beads == 0, np.inf, thickness / 2)
    result: F8 = np.maximum(np.minimum(breadth, limit), limits[0])
    return result


def _rings(mesh: Mesh) -> list[I8]:
    return [np.flatnonzero(mesh.edge.ring == ring) for ring in range(len(mesh.edge.around))]


def _beads(mesh: Mesh, pitches: F8, cap: float, most: float) -> I8:
    """(n,) beads across; 0 where the thickness is beyond `cap`."""
    low = np.clip(np.floor(pitches + 0.5 - _DOUBT), 2, most)
    high = np.clip(np.floor(pitches + 0.5 + _DOUBT), 2, most)
    beads = np.where(pitches > cap, 0, np.clip(np.floor(pitches + 0.5), 2, most))
    doubt = (low != high) & (pitches <= cap)
    if doubt.all():
        beads[:] = np.clip(np.floor(np.mean(pitches) + 0.5), 2, most)
    elif doubt.any():
        common = np.clip(np.floor(np.median(pitches[doubt]) + 0.5), 2, most)
        for own in _rings(mesh):
            unsure = doubt[own]
            sure = np.flatnonzero(~unsure)
            if len(sure) == 0:
                beads[own] = np.clip(common, low[own], high[own])
                continue
            before = sure[np.searchsorted(sure, np.arange(len(own))) - 1]
            after = sure[np.searchsorted(sure, np.arange(len(own))) % len(sure)]
            arc, around = mesh.edge.arc[own], mesh.edge.around[mesh.edge.ring[own[0]]]
            nearer = np.where((arc - arc[before]) % around < (arc[after] - arc) % around, before, after)
            beads[own] = np.where(unsure, np.clip(beads[own][nearer], low[own], high[own]), beads[own])
    return beads.astype(np.int64)


def _join_short(wall: _Wall, beads: I8, own: I8) -> None:
    """Give short stretches of one number on a ring their neighbours' number where that fits, in place."""
    kept: set[int] = set()  # first points of stretches that can't be changed
    changed = True
    while changed:
        changed = False
        runs, length = wall.runs(beads, own)
        for k in np.argsort(length, kind="stable").tolist():
            run = runs[k]
            if length[k] >= _SHORT * wall.pitch:
                return
            if int(run[0]) in kept:
                continue
            beside = {int(beads[runs[(k + d) % len(runs)][0]]) for d in (-1, 1)}
            fit = [n for n in sorted(beside) if wall.fits(n, run)]
            if fit:
                mean = float(wall.thickness[run].mean()) / wall.pitch
                beads[run] = min(fit, key=lambda n: abs(mean - n))
                changed = True
                break
            kept.add(int(run[0]))


def _agree(wall: _Wall, beads: I8) -> None:
    """Let the two sides of a wall have the same number, that of the longer stretch, in place."""
    opposite = _opposite(wall.mesh)
    runs = [pair for own in _rings(wall.mesh) for pair in zip(*wall.runs(beads, own), strict=True)]
    for run, _ in sorted(runs, key=lambda pair: float(pair[1])):
        facing = opposite[run]
        numbers, times = np.unique(beads[facing[facing >= 0]], return_counts=True)
        most = int(np.argmax(times)) if len(times) else 0
        if len(times) and times[most] > _MAJORITY * len(run) and wall.fits(int(numbers[most]), run):
            beads[run] = numbers[most]


def _opposite(mesh: Mesh) -> I8:
    """(n,) the point that lies opposite to each at the least distance, -1 where none does."""
    real = np.flatnonzero(~mesh.corner | mesh.facing)
    one, two = np.concatenate([mesh.chord[real], mesh.chord[real, ::-1]]).T
    order = np.lexsort((np.tile(mesh.across[real], 2), one))
    first = order[np.flatnonzero(np.diff(one[order], prepend=-1))]
    opposite = np.full(len(mesh.edge.xy), -1)
    opposite[one[first]] = two[first]
    return opposite


def smoothed(mesh: Mesh, values: F8, over: float) -> F8:
    """(n,) values averaged along each ring over a window, twice."""
    result = values.copy()
    edge = mesh.edge
    for own in _rings(mesh):
        around = float(edge.around[edge.ring[own[0]]])
        cells = int(np.clip(np.ceil(around / over * 8), 8, 20_000))
        window = round(cells * over / around) | 1
        if window >= cells or np.ptp(values[own]) < 1e-9:
            continue
        grid = (np.arange(cells) + 0.5) * (around / cells)
        even = np.interp(grid, edge.arc[own], values[own], period=around)
        for _ in range(2):
            even = _averaged(even, window)
        result[own] = np.interp(edge.arc[own], grid, even, period=around)
    return result


def _averaged(values: F8, window: int) -> F8:
    """Running mean over a ring of values."""
    half = window // 2
    run = np.cumsum(np.concatenate([[0.0], values[len(values) - half :], values, values[:half]]))
    mean: F8 = (run[window:] - run[:-window]) / window
    return mean
