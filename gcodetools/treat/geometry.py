"""What decides which beads there are, planned once a plate before any other setting: new beads, moved walls.

What plans it is a good part of all we have, so it is loaded only where a region asks for it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.target import Bounds, Done

__all__ = ["GEOMETRY", "Geometry", "plan_geometry"]

GEOMETRY = ("perimeters", "infill", "fit")

Item = tuple[RegionHit, Pose, Treatment, str]
Answers = dict[tuple[str, int, str, str], Done]
Cuts = tuple[NDArray[np.int64], NDArray[np.float64]]


class Geometry:
    """What is planned of a plate. cuts : where beads are cut for it, rows and fractions."""

    def __init__(self) -> None:
        self.cuts: Cuts = (np.empty(0, np.int64), np.empty(0))
        self._settled: list[Callable[[Draft], Answers]] = []

    def add(self, cuts: Cuts, settled: Callable[[Draft], Answers]) -> None:
        """Take in a plan: its cuts, and what tells a draft of it and says what became of each wish."""
        self.cuts = np.concatenate([self.cuts[0], cuts[0]]), np.concatenate([self.cuts[1], cuts[1]])
        self._settled.append(settled)

    def settle(self, draft: Draft) -> Answers:
        """Tell a draft of all that is planned, the last plan first; the answers by part, instance, region, setting."""
        answers: Answers = {}
        for settled in reversed(self._settled):
            answers |= settled(draft)
        return answers


def plan_geometry(plate: Plate, work: list[Item], bounds: Bounds) -> Geometry:
    """Plan the new beads and moved walls that regions ask for."""
    result = Geometry()
    asked = {key for _, _, treatment, _ in work for key in treatment.settings}
    if not asked.isdisjoint(GEOMETRY):
        _plan(result, plate, work, bounds)
    return result


def _plan(result: Geometry, plate: Plate, work: list[Item], bounds: Bounds) -> None:
    from gcodetools.treat import fit, perimeters

    made = perimeters.plan(plate, work, bounds)
    fitted = fit.plan(plate, work, made.runs)

    def laid(draft: Draft) -> Answers:
        perimeters.settle(draft, made)
        return made.done

    result.add(made.cuts, laid)
    result.add(fitted.cuts, lambda draft: fit.settle(draft, fitted))
