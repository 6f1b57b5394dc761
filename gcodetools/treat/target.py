"""What a treatment is given, and what it answers."""

from __future__ import annotations

from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine, Material
from gcodetools.edit.draft import Draft
from gcodetools.edit.moves import BEAD
from gcodetools.edit.sparse import unknown
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX

__all__ = ["BRIDGES", "Bounds", "Done", "Target", "claim", "new_beads", "over_words", "overlap_note"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

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
    """Limits in force: the material, the machine (None if not named), nozzle range with where it is from.

    material_assumed : whether nobody named the material.
    """

    material: Material
    machine: Machine | None
    nozzle_low_c: float
    nozzle_high_c: float
    nozzle_from: str
    material_assumed: bool = False


@dataclass(frozen=True, slots=True)
class Target:
    """One region of one instance with its treatment.

    pieces : (k,) indices into the Draft of the pieces in the region, ascending. rows : (k,) theirs.
    """

    hit: RegionHit
    pose: Pose
    treatment: Treatment
    pieces: I8
    rows: I4
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


def claim(draft: Draft, column: F8, pieces: I8, values: F8) -> tuple[Bool, float]:
    """Write `values` where nobody has yet; return whether each piece was free and the length, mm, others had first."""
    free = unknown(column, pieces)
    if free.all():
        column[pieces] = values
        return free, 0.0
    column[pieces[free]] = values[free]
    return free, float(draft.length_mm(pieces[~free]).sum())


def new_beads(draft: Draft, name: str) -> tuple[F8, F8]:
    """(k,) length, mm, and feed, mm/s, of the new beads laid for a region (`part#instance/region`)."""
    lengths, feeds = [np.empty(0)], [np.empty(0)]
    for run in draft.runs:
        if run.region == name:
            # A run begins with the way to its first bead.
            length = np.hypot(np.diff(run.x, prepend=run.x[:1]), np.diff(run.y, prepend=run.y[:1]))
            bead = run.kind == BEAD
            lengths.append(length[bead])
            feeds.append(run.feed[bead])
    return np.concatenate(lengths), np.concatenate(feeds)


def over_words(draft: Draft, pieces: I8, new_mm: float) -> str:
    """`over 38 mm and 3993 mm of new beads`."""
    parts = [f"over {draft.length_mm(pieces).sum():.0f} mm"] if len(pieces) else []
    if new_mm >= 0.5:
        parts.append(f"{'' if parts else 'over '}{new_mm:.0f} mm of new beads")
    return " and ".join(parts)


def overlap_note(length_mm: float) -> str:
    """Sentence on beads that an earlier region holds; empty for none."""
    return f"{length_mm:.0f} mm belong to a region written earlier" if length_mm > 0 else ""
