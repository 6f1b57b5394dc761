"""The demo's picture: a film clip's lips before and after, one layer."""

from __future__ import annotations

import numpy as np

from gcodetools.jobs.apply import Applied
from gcodetools.report.layer_svg import before_after_svg

__all__ = ["clip_picture"]

_PART = "film-clip"
_MARGIN_MM = 1.0


def clip_picture(applied: Applied) -> str:
    """SVG text of the middle layer of the first film clip of a treated plate, before and after."""
    pose = next(pose for pose in applied.placed.poses if pose.part == _PART)
    plate = applied.treated.original
    number = pose.layers // 2
    rows = pose.rows[pose.layer == number]
    layer = int(plate.beads.layer[rows[0]])
    x, y = plate.moves.x[rows], plate.moves.y[rows]
    low, high = np.array([x.min(), y.min()]) - _MARGIN_MM, np.array([x.max(), y.max()]) + _MARGIN_MM
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    title = (
        f"Film clip, layer {number} of {pose.layers}: beads along the wall of its lips instead of a zigzag"
    )
    return before_after_svg(applied.treated, layer, box=box, title=title)
