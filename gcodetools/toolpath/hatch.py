"""Solid lines: parallel beads that fill an area, joined to zigzags in print order."""

from __future__ import annotations

import numpy as np
import shapely

from gcodetools.toolpath.strands import Strand

__all__ = ["hatch"]


def hatch(
    area: shapely.Geometry,
    pitch_mm: float,
    direction_rad: float,
    origin: tuple[float, float],
    overlap_mm: float,
) -> list[Strand]:
    """Fill an area with parallel lines."""
    inset = shapely.buffer(area, -(pitch_mm / 2 - overlap_mm), join_style="mitre")
    if inset.is_empty:
        return []
    c, s = np.cos(direction_rad), np.sin(direction_rad)
    xy = shapely.get_coordinates(inset) - np.asarray(origin)
    u, v = xy @ [c, s], xy @ [-s, c]
    k = np.arange(np.ceil(v.min() / pitch_mm), np.floor(v.max() / pitch_mm) + 1) * pitch_mm
    ends = np.empty((len(k), 2, 2))
    for e, at in enumerate((u.min() - 1, u.max() + 1)):
        ends[:, e, 0] = origin[0] + at * c - k * s
        ends[:, e, 1] = origin[1] + at * s + k * c
    cut = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), inset))
    out = []
    for line in cut.tolist():
        p = shapely.get_coordinates(line)
        if len(p) == 2:
            out.append(Strand(p, np.full(1, pitch_mm), False, -1))
    return out
