"""Which walls of a fit a region holds: two that face away from each other or towards each other, or one.

An offset of a wall counts once where a region holds one flank of a joint, twice where it holds both, or goes all
round a pin. Lengths mm, in the part's frame.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.kit.solids import Solid

__all__ = ["walls_held"]

F8 = NDArray[np.float64]

_STEP_MM = 0.5
_INSET_MM = 0.2  # half a usual bead: regions select centre lines, a shape is the edge of the plastic
_LEAST_MM = 1.0  # of wall: less tells nothing
_OPPOSITE = -0.8  # cosine of two normals: 143 degrees and more
_ABOUT = 0.35  # of the size, by which two walls of a joint may be nearer or farther
_BESIDE = 0.2  # of the size, and no less than a step or two: how far two walls may lie past each other
_PAIRED = 0.5  # of the length: what is left over may be end faces
_MOST = 1000  # pieces that are held against each other


def walls_held(
    shape: shapely.Geometry, solid: Solid, heights: Sequence[tuple[float, int]], size_mm: float
) -> int | None:
    """How many walls of a joint of a size (a key's width, a pin's diameter) lie in a region: 1 or 2; None where the
    shape has no wall there, so that nothing is known.

    Parameters
    ----------
    shape : plastic of a layer, in the part's frame. heights : (z, layer of the instance) that are asked; a wall counts
    that is in the region at one of them.
    """
    middle, normal, length = _walls(shape)
    at = middle - _INSET_MM * normal
    inside = np.zeros(len(at), bool)
    for z, layer in heights:
        points = np.column_stack([at, np.full(len(at), z)])
        inside |= solid.contains(points, np.full(len(at), layer, np.int32))
    middle, normal, length = middle[inside], normal[inside], length[inside]
    if length.sum() < _LEAST_MM:
        return None
    thin = max(1, -(-len(length) // _MOST))
    middle, normal, length = middle[::thin], normal[::thin], length[::thin]
    return 2 if length[_paired(middle, normal, size_mm)].sum() >= _PAIRED * length.sum() else 1


def _paired(middle: F8, normal: F8, size: float) -> NDArray[np.bool_]:
    """(n,) which pieces have another at the size's distance whose normal is opposite."""
    away = middle[None, :, :] - middle[:, None, :]
    ahead = np.abs(np.einsum("ijk,ik->ij", away, normal))
    aside = np.abs(np.einsum("ijk,ik->ij", away, np.column_stack([-normal[:, 1], normal[:, 0]])))
    near = (np.abs(ahead - size) <= _ABOUT * size) & (aside <= max(2.0 * _STEP_MM, _BESIDE * size))
    found: NDArray[np.bool_] = np.any(near & (normal @ normal.T <= _OPPOSITE), axis=1)
    return found


def _walls(shape: shapely.Geometry) -> tuple[F8, F8, F8]:
    """Short pieces of the edge: (n, 2) middles, (n, 2) normals out of the plastic, (n,) lengths."""
    middles, normals, lengths = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty(0)]
    for part in shapely.get_parts(shape):
        if not isinstance(part, shapely.Polygon) or part.is_empty:
            continue
        turned = shapely.geometry.polygon.orient(part)  # plastic to the left of each ring
        for ring in (turned.exterior, *turned.interiors):
            points = np.asarray(shapely.segmentize(ring, _STEP_MM).coords)[:, :2]
            way = np.diff(points, axis=0)
            length = np.hypot(way[:, 0], way[:, 1])
            some = length > 1e-9
            way, length = way[some], length[some]
            middles.append(points[:-1][some] + way / 2)
            normals.append(np.column_stack([way[:, 1], -way[:, 0]]) / length[:, None])
            lengths.append(length)
    return np.concatenate(middles), np.concatenate(normals), np.concatenate(lengths)
