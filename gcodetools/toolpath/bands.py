"""A loop along a polygon's edge whose breadth varies along it, and what is left inside.

Offsets are mitred, so corners stay sharp and a band's area is exactly its length times its breadth: for a corner
of angle a, both lose b^2 cot(a / 2).
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.toolpath.meshes import Edge, rings_of

__all__ = [
    "LEVEL_MM",
    "MITRE_LIMIT",
    "Path",
    "inset",
    "loops_along",
    "opened_parts",
    "polygons_of",
    "sound",
    "tidied",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Path = tuple[F8, F8]  # points (n, 2), breadth of each stretch

MITRE_LIMIT = 2.0
_SMOOTH = 0.9  # cosine of the turn at a point of an arc
_DROPS = 4
_HAIR_MM = 5e-4
_OVERHANG_MM = 2e-3  # bands begin so much outside the edge, lest a hair remains along it
_CONSTANT_MM = 0.004  # breadths that differ less are one
_PATH_MM = 0.005  # paths are simplified by so much
_KNOT_MM = 0.003  # the breadth between two points of the edge is linear within so much
LEVEL_MM = 0.02  # the breadth of one stretch varies by at most so much


def polygons_of(geometry: shapely.Geometry) -> list[Polygon]:
    """Its polygons, empty ones left out."""
    parts = shapely.get_parts(shapely.get_parts(geometry)).tolist()
    return [p for p in parts if isinstance(p, Polygon) and not p.is_empty]


def sound(geometry: shapely.Geometry) -> shapely.Geometry:
    """It, mended where it is not valid: a mitred offset may touch itself, and parts side by side may cross by a
    rounding of their places. What lies in two parts stays: mended as a whole it would be a hole."""
    if shapely.is_valid(geometry):
        return geometry
    parts = shapely.get_parts(geometry)
    return shapely.make_valid(geometry) if len(parts) == 1 else shapely.union_all(shapely.make_valid(parts))


def opened_parts(geometry: shapely.Geometry, radius: float) -> list[Polygon]:
    """Its polygons without what is thinner than twice the radius."""
    inner = shapely.buffer(geometry, -radius, join_style="mitre", mitre_limit=MITRE_LIMIT)
    return polygons_of(shapely.buffer(inner, radius, join_style="mitre", mitre_limit=MITRE_LIMIT))


def inset(polygon: Polygon, edge: Edge | None, breadth: F8 | float) -> shapely.Geometry:
    """The polygon without a band along its edge.

    Parameters
    ----------
    edge : points along it, None where the breadth is one number. breadth : (n,) at them, mm.
    """
    if edge is None or np.ptp(breadth) < _CONSTANT_MM:
        return shapely.buffer(polygon, -float(np.mean(breadth)), join_style="mitre", mitre_limit=MITRE_LIMIT)
    at = _knots(edge, np.asarray(breadth))
    moved = _moved_rings(edge, np.asarray(breadth), at)
    if moved is not None:
        return moved
    band = shapely.union_all(_pieces(edge, np.asarray(breadth), at))
    # Hairs may remain where two pieces meet.
    parts = opened_parts(shapely.difference(polygon, band), _HAIR_MM)
    return shapely.multipolygons(parts) if parts else Polygon()


def _knots(edge: Edge, breadth: F8) -> list[I8]:
    """Per ring, the points that make its shape and its breadths."""
    knots = []
    for ring in range(len(edge.around)):
        own = np.flatnonzero(edge.ring == ring)
        way = np.roll(edge.xy[own], -1, axis=0) - edge.xy[own]
        before = np.roll(way, 1, axis=0)
        turns = np.abs(way[:, 0] * before[:, 1] - way[:, 1] * before[:, 0])
        keep = turns > 1e-7 * np.hypot(*way.T) * np.hypot(*before.T)
        arc = np.append(edge.arc[own], edge.around[ring])
        keep |= _kept(np.column_stack([arc, np.append(breadth[own], breadth[own[0]])]), _KNOT_MM)[:-1]
        knots.append(own[keep])
    return knots


def _kept(line: F8, tolerance: float) -> Bool:
    """(n,) which points of a line simplification keeps."""
    few = shapely.get_coordinates(
        shapely.simplify(shapely.linestrings(line), tolerance, preserve_topology=False)
    )
    known = np.ascontiguousarray(line).view(np.complex128)[:, 0]
    kept: Bool = np.isin(known, np.ascontiguousarray(few).view(np.complex128)[:, 0])
    return kept


def _normals(xy: F8) -> tuple[F8, F8]:
    """Per point of a ring, the inward normals of the stretch behind it and of the one before it."""
    way = np.roll(xy, -1, axis=0) - xy
    unit = way / np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    ahead = np.column_stack([-unit[:, 1], unit[:, 0]])
    return ahead, np.roll(ahead, 1, axis=0)


def _tips(xy: F8, breadth: F8) -> tuple[F8, F8, F8]:
    """Mitred offset points of a ring, and its normals ahead and behind."""
    ahead, behind = _normals(xy)
    both = ahead + behind
    half = np.maximum(np.einsum("ij,ij->i", both, both) / 2, 1e-9)
    reach = both / half[:, None]
    far = np.maximum(np.hypot(*reach.T), 1e-12)
    reach *= np.minimum(1.0, MITRE_LIMIT / far)[:, None]
    return xy + reach * breadth[:, None], ahead, behind


def _moved_rings(edge: Edge, breadth: F8, knots: list[I8]) -> Polygon | None:
    """The rings moved inwards as they are; None where that changes their shape."""
    rings = []
    for at in knots:
        ring = at
        for _ in range(_DROPS):
            xy = edge.xy[ring]
            tips, ahead, behind = _tips(xy, breadth[ring])
            way, moved = np.roll(xy, -1, axis=0) - xy, np.roll(tips, -1, axis=0) - tips
            turned = np.einsum("ij,ij->i", way, moved) <= 0
            if not turned.any():
                break
            # A point that is no corner but carries a breadth may be too near to a corner.
            straight = np.einsum("ij,ij->i", ahead, behind) > 1 - 1e-9
            drop = straight & (turned | np.roll(turned, 1))
            if not drop.any() or len(ring) - np.count_nonzero(drop) < 3:
                return None
            ring = ring[~drop]
        else:
            return None
        if np.any((_cross(ahead, behind) < 0) & (np.einsum("ij,ij->i", ahead, behind) < -0.5)):
            return None
        rings.append(tips)
    polygon = Polygon(rings[0], rings[1:])
    return polygon if polygon.is_valid else None


def _cross(a: F8, b: F8) -> F8:
    result: F8 = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return result


def _pieces(edge: Edge, breadth: F8, knots: list[I8]) -> list[Polygon]:
    """Quadrangles along the stretches, and kites at corners that point inwards."""
    quads = []
    for at in knots:
        xy, b = edge.xy[at], breadth[at]
        tips, ahead, behind = _tips(xy, b)
        # Neighbours share the very same point where they are nearly in line: no hair remains between them.
        smooth = (np.einsum("ij,ij->i", ahead, behind) > _SMOOTH)[:, None]
        begin = np.where(smooth, tips, xy + ahead * b[:, None])
        end = np.where(smooth, tips, xy + behind * b[:, None])
        outside = (_OVERHANG_MM / b)[:, None]
        base, base_end = xy - (begin - xy) * outside, xy - (end - xy) * outside
        quads.append(np.stack([base, *(np.roll(q, -1, axis=0) for q in (base_end, end)), begin], axis=1))
        reflex = ~smooth[:, 0] & (_cross(ahead, behind) > 0)
        quads.append(np.stack([xy, begin, tips, end], axis=1)[reflex])
    # Beside a sharp bend a quadrangle may be twisted.
    whole = shapely.convex_hull(shapely.polygons(np.concatenate(quads)))
    return [p for p in whole.tolist() if isinstance(p, Polygon)]


def loops_along(line: shapely.Geometry, edge: Edge | None, breadth: F8 | float, step: float) -> list[Path]:
    """The rings of `line` (a polygon without half the band) as closed paths with their breadths.

    edge : points along the polygon, None where the breadth is one number. breadth : (n,) at them, mm.
    step : mm between points where the breadth varies.
    """
    rings = [ring for part in polygons_of(line) for ring in rings_of(part)]
    if len(rings) == 0 or edge is None or np.ptp(breadth) < _CONSTANT_MM:
        b = float(np.mean(breadth))
        return [tidied(xy, np.full(len(xy), b), True) for xy in rings]
    at, after = np.asarray(breadth), edge.xy[edge.follow]
    tree = shapely.STRtree(shapely.linestrings(np.stack([edge.xy, after], axis=1)))
    paths = []
    for xy in rings:
        way = np.roll(xy, -1, axis=0) - xy
        pieces = np.maximum(np.ceil(np.hypot(*way.T) / step), 1).astype(np.int64)
        first = np.repeat(np.cumsum(pieces) - pieces, pieces)
        part = (np.arange(len(first)) - first) / np.repeat(pieces, pieces)
        fine = np.repeat(xy, pieces, axis=0) + np.repeat(way, pieces, axis=0) * part[:, None]
        near = tree.nearest(shapely.points(fine))
        along = after[near] - edge.xy[near]
        part = np.einsum("ij,ij->i", fine - edge.xy[near], along) / np.einsum("ij,ij->i", along, along)
        part = np.clip(part, 0.0, 1.0)
        b = at[near] * (1 - part) + at[edge.follow[near]] * part
        # Where the band is broader than the room there, as in a sharp tip, the bead may not leave it.
        off = 2 * np.hypot(*(edge.xy[near] + along * part[:, None] - fine).T)
        beside = np.minimum(np.roll(off, 1), np.roll(off, -1))
        paths.append(tidied(fine, np.minimum(b, np.minimum(off, beside + LEVEL_MM)), True))
    return paths


def tidied(points: F8, breadth: F8, closed: bool) -> Path:
    """A path with no more points than its shape and its breadths need.

    Parameters
    ----------
    points : (n, 2). breadth : (n,) mm, at the points.
    """
    if closed:
        points, breadth = np.vstack([points, points[:1]]), np.append(breadth, breadth[0])
    length = np.hypot(*np.diff(points, axis=0).T)
    keep = _kept(points, _PATH_MM)
    if np.ptp(breadth) > _CONSTANT_MM:
        arc = np.append(0.0, np.cumsum(length))
        bent = _kept(np.column_stack([arc, breadth]), LEVEL_MM / 4)
        level = np.floor(np.interp(arc, arc[bent], breadth[bent]) / LEVEL_MM)
        keep |= np.append(False, level[1:] != level[:-1])
    keep[[0, -1]] = True
    at = np.flatnonzero(keep)
    volume = np.add.reduceat(length * (breadth[1:] + breadth[:-1]) / 2, at[:-1])
    whole = np.add.reduceat(length, at[:-1])
    mean = volume / np.maximum(whole, 1e-12)
    return points[at[:-1] if closed else at], mean
