"""What a moved wall must not do: lie over another bead, cross one, leave a brim, squeeze beads out of their limits."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.treat.fit_follow import Body

__all__ = ["Found", "across_air", "crossing", "touching"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_FACES = 0.5  # cosine between a wall's normal and the way to what it faces
_NEARER_MM, _SLACK_MM = 0.002, 0.005
_SAME_WALL = 8.0  # pitches along a loop: the sides of a notch come together at its root anyway
_ACROSS = 0.3  # of a small loop: what is farther along it lies across
_TOUCHES = 1.2  # pitches between beads that lie side by side
_JOINED_MM = 0.05
_MEETS_MM = 1e-4
_LEAST_MM = 0.004  # between centre lines, which keeps coordinates of three decimals apart
NEAR = (
    "another wall lies too near across the air: they would lie over each other; set the parts farther apart, or leave "
    "that place out of the region"
)


@dataclass(frozen=True, slots=True)
class Found:
    """Rings (ascending) that may not be moved, and why."""

    rings: tuple[int, ...]
    why: str


def across_air(walls: Body, others: Body, pitch: float, sizes: F8) -> list[Found]:
    """Rings that would come nearer than their pitch to another bead on the far side of the air.

    Parameters
    ----------
    walls : outermost walls, each of a ring. others : beads of no ring here. sizes : of the rings, mm around.
    """
    mine = walls.of(walls.moves & (walls.ring >= 0))
    if len(mine) == 0:
        return []
    bad = np.zeros(len(mine), bool)
    for other, moved in ((walls.of(walls.ring >= 0), True), (others, False)):
        if len(other) == 0:
            continue
        tree = shapely.STRtree(other.moved_lines)
        k, j = tree.query(mine.moved_lines, predicate="dwithin", distance=pitch - _SLACK_MM)
        new = shapely.distance(mine.moved_lines[k], other.moved_lines[j])
        old = shapely.distance(mine.lines[k], other.lines[j])
        middle = (mine.a[k] + mine.b[k]) / 2
        way = _nearest_points(other, j, middle) - middle
        length = np.maximum(np.hypot(*way.T), 1e-9)
        facing = (way * mine.out[k]).sum(axis=1) > _FACES * length
        if moved:
            facing &= (way * other.out[j]).sum(axis=1) < -_FACES * length
            apart = np.abs(mine.place[k] - other.place[j])
            around = np.minimum(apart, sizes[mine.ring[k]] - apart)
            near = np.minimum(_SAME_WALL * pitch, _ACROSS * sizes[mine.ring[k]])
            facing &= (mine.ring[k] != other.ring[j]) | (around > near)
        hit = facing & (new < old - _NEARER_MM)
        bad[k[hit]] = True
    if not np.any(bad):
        return []
    rings = tuple(int(n) for n in np.unique(mine.ring[bad]))
    return [Found(rings, NEAR)]


def _nearest_points(body: Body, j: I8, point: F8) -> F8:
    way = body.b[j] - body.a[j]
    t = ((point - body.a[j]) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-18)
    nearest: F8 = body.a[j] + way * np.clip(t, 0.0, 1.0)[:, None]
    return nearest


def touching(walls: Body, brim: Body, pitch: float) -> list[Found]:
    """Rings that a brim or a skirt touches where they would be moved."""
    mine = walls.of(walls.moves & (walls.ring >= 0))
    if len(mine) == 0 or len(brim) == 0:
        return []
    tree = shapely.STRtree(brim.lines)
    k, _ = tree.query(mine.lines, predicate="dwithin", distance=_TOUCHES * pitch)
    rings = tuple(int(n) for n in np.unique(mine.ring[k]))
    return [Found(rings, "a brim touches the wall")] if rings else []


def crossing(walls: Body, island_rings: dict[int, tuple[int, ...]], island_of: I8) -> list[Found]:
    """Rings whose walls, or those that follow them, would cross another where they did not before.

    Parameters
    ----------
    island_rings : rings that are moved, by island. island_of : (walls,) island of each course.
    """
    moving = np.flatnonzero(walls.moves)
    if len(moving) == 0:
        return []
    new, old = walls.moved_lines, walls.lines
    tree = shapely.STRtree(new)
    k, j = tree.query(new[moving], predicate="intersects")
    k = moving[k]
    # Pieces that follow each other meet.
    meets = _end_gap(walls, k, j) < _JOINED_MM
    k, j = k[~meets], j[~meets]
    fresh = ~shapely.intersects(old[k], old[j])
    rings: set[int] = set()
    for piece in [*k[fresh].tolist(), *_passing(walls, moving).tolist()]:
        ring = int(walls.ring[piece])
        rings |= {ring} if ring >= 0 else set(island_rings.get(int(island_of[walls.wall[piece]]), ()))
    return [Found(tuple(sorted(rings)), "its walls would cross")] if rings else []


def _passing(walls: Body, moving: I8) -> I8:
    """Pieces that would lie on the other side of another wall than before, or on it: of two loops one in the other
    that move past each other nothing crosses."""
    new, old = walls.moved_lines, walls.lines
    farthest = max(float(np.hypot(*v.T).max()) for v in (walls.va, walls.vb))
    tree = shapely.STRtree(old)
    k, j = tree.query(old[moving], predicate="dwithin", distance=2 * farthest)
    k = moving[k]
    other = (walls.wall[k] != walls.wall[j]) & (_end_gap(walls, k, j) > _MEETS_MM)
    k, j = k[other], j[other]
    before, after = (
        shapely.get_coordinates(shapely.shortest_line(shapely.centroid(lines[k]), lines[j])).reshape(-1, 2, 2)
        for lines in (old, new)
    )
    way, gone = before[:, 1] - before[:, 0], after[:, 1] - after[:, 0]
    far = np.hypot(*way.T)
    left = (way * gone).sum(axis=1) / np.maximum(far, 1e-9)
    found: I8 = np.unique(k[(far > _LEAST_MM) & (left < _LEAST_MM)])
    return found


def _end_gap(body: Body, k: I8, j: I8) -> F8:
    gaps = [np.hypot(*(p[k] - q[j]).T) for p in (body.a, body.b) for q in (body.a, body.b)]
    result: F8 = np.min(gaps, axis=0) if len(k) else np.empty(0)
    return result
