"""Which places of a room take no bead, one along the middle, or loops: cut across the room, from wall to wall."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.toolpath.breadths import thickness_at_chords
from gcodetools.toolpath.meshes import Mesh, groups
from gcodetools.toolpath.middles import Middle

__all__ = ["NONE", "ONE", "TWO", "kinds_of", "without_bare"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

NONE, ONE, TWO = 0, 1, 2  # beads across
_SWELL = 3.0  # pitches; a shorter place for two beads, in between single ones, is laid with one
_SQUEEZED = 1.8  # least breadths; a thinner place without a bead of its own gets no loop either


def kinds_of(mesh: Mesh, thickness: F8, pitch: float, least: float, twin: float, most: float) -> I8:
    """(k,) of triangles: NONE under `least`, ONE up to `twin`, TWO for that and more.

    thickness : (n,) at the points of the edge, mm.
    """
    across = _across(mesh, thickness)
    kind = (across >= least).astype(np.int64) + (across > twin)
    zone = _zones(mesh, kind)
    area = np.bincount(zone, mesh.areas, len(kind))
    mean = np.bincount(zone, mesh.areas * across, len(kind)) / np.maximum(area, 1e-12)
    highest = np.zeros(len(kind))
    np.maximum.at(highest, zone, across)
    swell = (area < _SWELL * pitch * mean) & (highest < most) & _beside(mesh, zone, kind == ONE)
    kinds: I8 = np.where((kind == TWO) & swell[zone], ONE, kind)
    return kinds


def without_bare(mesh: Mesh, kind: I8, thickness: F8, beads: list[Middle], least: float) -> I8:
    """The kinds, places for one bead that none lies in given to the wide ones beside them."""
    zone = _zones(mesh, kind)
    area = np.bincount(zone, mesh.areas, len(kind))
    across = np.bincount(zone, mesh.areas * _across(mesh, thickness), len(kind)) / np.maximum(area, 1e-12)
    bare = (across > _SQUEEZED * least) & _beside(mesh, zone, kind == TWO)
    for bead in beads:
        bare[zone[bead.covers]] = False
    kinds: I8 = np.where((kind == ONE) & bare[zone], TWO, kind)
    return kinds


def _across(mesh: Mesh, thickness: F8) -> F8:
    """(k,) thickness at triangles, that of their longest chord."""
    at = np.append(thickness_at_chords(mesh, thickness), -1.0)
    across = at[mesh.chords].max(axis=1)
    result: F8 = np.where(across < 0, thickness[mesh.triangle].mean(axis=1), across)
    return result


def _zones(mesh: Mesh, kind: I8) -> I8:
    """(k,) the same number for triangles of one kind that hang together."""
    return groups(len(kind), mesh.beside[kind[mesh.beside[:, 0]] == kind[mesh.beside[:, 1]]])


def _beside(mesh: Mesh, zone: I8, which: Bool) -> Bool:
    """By number of a zone: whether a triangle of another zone that is one of `which` lies beside it."""
    found = np.zeros(len(zone), bool)
    for one, other in ((0, 1), (1, 0)):
        a, b = mesh.beside[:, one], mesh.beside[:, other]
        found[zone[a[(zone[a] != zone[b]) & which[b]]]] = True
    return found
