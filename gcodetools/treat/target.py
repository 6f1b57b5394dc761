"""What a treatment is given, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine, Material
from gcodetools.edit.draft import Draft
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.beads import FEATURE_INDEX

__all__ = ["BRIDGES", "Bounds", "Done", "Target", "claim"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

BRIDGES = (FEATURE_INDEX["bridge"], FEATURE_INDEX["overhang"])


@dataclass(frozen=True, slots=True)
class Done:
    """What became of one setting in one region of one instance: asked, done and why, as short texts.

    warning : whether the maker should look at it. refused : nothing at all was done. details : the same by
    ranges of layers, where it differs from layer to layer.
    """

    part: str
    instance: int
    region: str
    setting: str
    asked: str
    done: str
    why: str = ""
    warning: bool = False
    refused: bool = False
    details: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Bounds:
    """Limits in force: the material, the machine (None if not named), nozzle range with where it is from."""

    material: Material
    machine: Machine | None
    nozzle_low_c: float
    nozzle_high_c: float
    nozzle_from: str


@dataclass(frozen=True, slots=True)
class Target:
    """One region of one instance with its treatment.

    pieces : (k,) indices into the Draft of the pieces in the region.
    """

    hit: RegionHit
    pose: Pose
    treatment: Treatment
    pieces: I8
    bounds: Bounds
    layer_s: F8 = field(repr=False)

    @property
    def name(self) -> str:
        """`part#instance/region`, as messages have it."""
        return f"{self.hit.part}#{self.hit.instance}/{self.hit.region}"

    def answer(
        self,
        setting: str,
        asked: str,
        done: str,
        why: str = "",
        *,
        warning: bool = False,
        refused: bool = False,
    ) -> Done:
        """A Done of this target."""
        hit = self.hit
        return Done(
            hit.part, hit.instance, hit.region, setting, asked, done, why, warning or refused, refused
        )


def claim(draft: Draft, column: F8, pieces: I8, values: F8) -> tuple[I8, float]:
    """Write `values` where nobody has yet; return the pieces taken and the length, mm, others had first."""
    free = np.isnan(column[pieces])
    column[pieces[free]] = values[free]
    return pieces[free], float(draft.length_mm(pieces[~free]).sum())


def overlap_note(length_mm: float) -> str:
    """Sentence on beads that an earlier region holds; empty for none."""
    return f"{length_mm:.0f} mm belong to a region written earlier" if length_mm > 0 else ""
