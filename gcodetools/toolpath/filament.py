"""Filament three ways: through the nozzle, laid in beads, and in start code, towers and purges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

__all__ = ["Filament", "filament", "filament_by_tool", "fresh", "mass_g", "volume_mm3"]

F8 = NDArray[np.float64]

_TOWER = FEATURE_INDEX["tower"]


@dataclass(frozen=True, slots=True)
class Filament:
    """Lengths, mm.

    nozzle_mm : through the nozzle, the highest point of net E of each tool, all tools together.
    beads_mm : in beads of layers, towers left out.
    start_and_tower_mm : before the first layer, in towers, and pushed without moving (purges) beyond what had
    been pulled back. purged_mm : that part of it which was pushed without moving.
    """

    nozzle_mm: float
    beads_mm: float
    start_and_tower_mm: float
    purged_mm: float = 0.0

    def as_stated(self, meaning: str) -> float | None:
        """The length that a convention's own total counts (`Totals.meaning`), None where that is unknown.

        "beads+start+tower" counts what is drawn: what is purged in the air is no part of it.
        """
        if meaning == "nozzle":
            return self.nozzle_mm
        if meaning == "beads":
            return self.beads_mm
        if meaning == "beads+start+tower":
            return self.beads_mm + self.start_and_tower_mm - self.purged_mm
        return None


def fresh(e: F8) -> F8:
    """(k,) how far each of one tool's moves pushes net E beyond its highest point so far, mm.

    What refills a retraction is not fresh; the sum of all is the highest point.
    """
    highest = np.maximum(np.maximum.accumulate(np.cumsum(e)), 0.0)
    return np.diff(highest, prepend=0.0)


def filament(plate: Plate) -> Filament:
    """Sum a plate's filament."""
    found = filament_by_tool(plate).values()
    columns = zip(*((f.nozzle_mm, f.beads_mm, f.start_and_tower_mm, f.purged_mm) for f in found), strict=True)
    return Filament(*map(sum, columns)) if found else Filament(0.0, 0.0, 0.0)


def filament_by_tool(plate: Plate) -> dict[int, Filament]:
    """The same for each tool that moves."""
    tool = plate.program.moves.tool
    tools = np.unique(tool).tolist()
    if len(tools) == 1:
        return {tools[0]: _of_rows(plate, slice(None))}
    return {one: _of_rows(plate, np.flatnonzero(tool == one)) for one in tools}


def _of_rows(plate: Plate, mine: slice | NDArray[np.intp]) -> Filament:
    e, feature = plate.program.moves.e[mine], plate.beads.feature[mine]
    is_bead = feature != 0
    printed = is_bead & (plate.beads.layer[mine] >= 0)
    pushed = fresh(e)
    total, purged = float(pushed.sum()), float(pushed[~is_bead].sum())
    towers = float(e[printed & (feature == _TOWER)].sum())
    laid = float(e[printed].sum()) - towers
    start = float(e[is_bead & ~printed].sum())
    return Filament(total, laid, start + towers + purged, purged)


def volume_mm3(length_mm: float, diameter_mm: float) -> float:
    """Volume of a length of filament, pi d^2 / 4 L (a cylinder; any handbook)."""
    return length_mm * float(np.pi) * diameter_mm**2 / 4


def mass_g(length_mm: float, diameter_mm: float, density_g_cm3: float) -> float:
    """Mass of a length of filament, by its volume."""
    return volume_mm3(length_mm, diameter_mm) * density_g_cm3 / 1000.0
