"""Whether a file prints beyond the bed of a machine that is named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Bed, Machine
from gcodetools.kit.placing import Pose
from gcodetools.toolpath.plate import Plate

__all__ = ["off_bed"]

_ROUNDING_MM = 0.01


def off_bed(plate: Plate, machine: Machine | None, poses: tuple[Pose, ...]) -> list[str]:
    """Sentences on instances, or else on beads, that the file itself lays beyond the bed.

    The file is the slicer's business, so this is a warning; what the tool adds stays on the bed by itself.
    """
    if machine is None:
        return []
    moves, is_bead = plate.program.moves, plate.beads.feature != 0
    over = np.where(is_bead, _beyond_mm(machine.bed, moves.x, moves.y), 0.0)
    found, rest = [], over.copy()
    for pose in poses:
        farthest = float(over[pose.rows].max(initial=0.0))
        rest[pose.rows] = 0.0
        if farthest > _ROUNDING_MM:
            found.append(
                f"{pose.part}#{pose.instance} stands {farthest:.1f} mm beyond the bed of machine "
                f"{machine.name}; the file has it so"
            )
    farthest = float(rest.max(initial=0.0))
    if farthest > _ROUNDING_MM:
        line = int(moves.line[int(np.argmax(rest))]) + 1
        found.append(
            f"line {line}: the file itself lays beads up to {farthest:.1f} mm beyond the bed of machine "
            f"{machine.name}"
        )
    return found


def _beyond_mm(bed: Bed, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each point lies outside of the bed, mm, 0 on it."""
    dx, dy = x - bed.origin[0], y - bed.origin[1]
    if bed.radius is not None:
        return np.maximum(np.hypot(dx, dy) - bed.radius, 0.0)
    width, depth = bed.size or (np.inf, np.inf)
    outside = [np.maximum(np.maximum(-d, d - size), 0.0) for d, size in ((dx, width), (dy, depth))]
    return np.hypot(*outside)
