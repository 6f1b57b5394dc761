"""A body saved from a part's own CAD as a solid. The only module that needs the mesh library.

Beads lie flat, so the body is cut once a height, and the segments of that cut are walls like a polygon's. A
bead that climbs (a vase) is judged by the cut at its own middle.
"""

from __future__ import annotations

from math import inf

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.kit.faces import meet_walls
from gcodetools.kit.paths import Boxes, Hits, Paths, joined
from gcodetools.kit.solids import FACE_MM, by_value
from gcodetools.kit.sure import Sure, beside

try:
    import trimesh
    from trimesh.intersections import mesh_plane
except ImportError:
    trimesh = None  # type: ignore[assignment]

__all__ = ["Body", "load_body"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
Bool = NDArray[np.bool_]

_Z_MM = 1e-6  # heights nearer than this are one
_BLOCK = 2_000_000  # pairs of points and segments at once
_BESIDE_MM = 1e-5  # a corner or face at the very height of the cut: cut just above and just below instead


class Body:
    """A closed body. mesh : closed triangles in the part's frame, mm."""

    def __init__(self, mesh: trimesh.Trimesh) -> None:
        self.mesh = mesh
        self.heights = np.unique(mesh.vertices[:, 2])
        self.low = np.array([*mesh.bounds[0], -inf])
        self.high = np.array([*mesh.bounds[1], inf])
        self._cuts: dict[int, tuple[_Cut, ...]] = {}

    def contains(self, points: F8, layer: I4) -> Bool:
        """(n,) whether points (n, 3) are inside or on a face."""
        inside = np.zeros(len(points), bool)
        for key, k in by_value(_level(points[:, 2])):
            for cut in self.cuts(key):
                inside[k] |= cut.contains(points[k, :2])
        return inside

    def crossings(self, paths: Paths) -> Hits:
        """Where paths meet the faces: (m,) index, (m,) 0 < t < 1."""
        found = []
        for key, k in by_value(_level((paths.p0[:, 2] + paths.p1[:, 2]) / 2)):
            for cut in self.cuts(key):
                index, t = meet_walls(paths.take(k), cut.a, cut.b)
                found.append((k[index], t))
        return joined(found)

    def sure(self, boxes: Boxes) -> Sure:
        """What is beside its box is outside."""
        return beside(boxes, self.low, self.high)

    def cuts(self, key: int) -> tuple[_Cut, ...]:
        """The body cut at height `key` times 1e-6 mm; twice where a corner or a face lies there."""
        if key not in self._cuts:
            z = key * _Z_MM
            at = np.searchsorted(self.heights, [z - _BESIDE_MM, z + _BESIDE_MM])
            levels = (z,) if at[0] == at[1] else (z - _BESIDE_MM, z + _BESIDE_MM)
            self._cuts[key] = tuple(_Cut(self._segments(level)) for level in levels)
        return self._cuts[key]

    def section(self, z_mm: float) -> shapely.Geometry:
        """The body at a height as polygons, for drawings; edges are snapped to a tenth of a micrometre."""
        segments = np.round(self._segments(z_mm), 4)
        segments = segments[np.any(segments[:, 0] != segments[:, 1], axis=1)]
        if len(segments) == 0:
            return shapely.Polygon()
        faces = shapely.get_parts(shapely.polygonize(shapely.linestrings(segments)))
        spots = shapely.get_coordinates(shapely.point_on_surface(faces))
        return shapely.union_all(faces[_even_odd(spots, segments[:, 0], segments[:, 1])])

    def _segments(self, z: float) -> F8:
        level = [0.0, 0.0, z]
        cut = mesh_plane(self.mesh, [0.0, 0.0, 1.0], level)  # type: ignore[no-untyped-call]
        flat: F8 = np.asarray(cut, dtype=np.float64).reshape(-1, 2, 3)[:, :, :2]
        return flat


class _Cut:
    """Segments (m, 2, 2) of a body's boundary at one height, in no order."""

    def __init__(self, segments: F8) -> None:
        self.a, self.b = segments[:, 0], segments[:, 1]
        self.edge = shapely.multilinestrings(shapely.linestrings(segments)) if len(segments) else None
        if self.edge is not None:
            shapely.prepare(self.edge)

    def contains(self, points: F8) -> Bool:
        inside = np.zeros(len(points), bool)
        step = max(1, _BLOCK // max(len(self.a), 1))
        for at in range(0, len(points), step):
            inside[at : at + step] = _even_odd(points[at : at + step], self.a, self.b)
        k = np.flatnonzero(~inside)
        if self.edge is not None and len(k):
            inside[k] = shapely.dwithin(self.edge, shapely.points(points[k]), FACE_MM)
        return inside


def load_body(path: str) -> Body:
    """Read a mesh file, mm.

    Raises
    ------
    InputError : unreadable, not closed, or the mesh library is not installed.
    """
    if trimesh is None:
        raise InputError(
            f"{path}: a mesh in a kit needs the mesh library, which is not installed",
            "Install it with: pip install 'beadwright[mesh]'",
        )
    try:
        mesh = trimesh.load_mesh(path)
    except Exception as error:  # the library lets through whatever its readers raise
        raise InputError(f"{path}: can't be read as a mesh: {error}", "Save it as STL or PLY.") from error
    if not isinstance(mesh, trimesh.Trimesh) or len(mesh.faces) == 0:
        raise InputError(f"{path}: no triangles in it, expected a closed body", "Save one body, in mm.")
    if not mesh.is_watertight:
        raise InputError(
            f"{path}: the body is not closed, so nothing is inside it", "Close its holes, or save it again."
        )
    return Body(mesh)


def _level(z: F8) -> NDArray[np.int64]:
    return np.round(z / _Z_MM).astype(np.int64)


def _even_odd(points: F8, a: F8, b: F8) -> Bool:
    """(n,) whether a ray from each point along +x crosses an odd number of the segments a-b."""
    y = points[:, 1][:, None]
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    odd: Bool = (spans & (x > points[:, 0][:, None])).sum(axis=1) % 2 == 1
    return odd
