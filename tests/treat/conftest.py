"""A small demo plate with two gates, and targets over chosen beads of it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from shapely import box, union_all

from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Part
from gcodetools.documents.profiles import Material, load_material
from gcodetools.edit.draft import Draft
from gcodetools.edit.treated import Treated, emit
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit, Selection
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.limits import bounds_of, check_limits
from gcodetools.treat.order import Work, draft_of
from gcodetools.treat.target import Done

# Tests are imported without a package, so their helpers are found by folder: the interpreter is tests/edit's.
sys.path.insert(0, str(Path(__file__).parent.parent / "edit"))

_LEGS = union_all([box(-9, -4, -4, 4), box(4, -4, 9, 4)])
GATE = Part("gate", 2.4, lambda z: _LEGS if z < 1.2 else box(-9, -4, 9, 4), (0.0, 0.0))


@lru_cache(maxsize=8)
def gates(convention: str = "B", **options: object) -> Plate:
    parts = [Placement(GATE, 80, 110), Placement(GATE, 130, 110)]
    return Plate.from_bytes(make(convention, parts=parts, **options).data, "gates.gcode")  # type: ignore[arg-type]


@dataclass
class Case:
    """A plate with work on it; `run` drafts, checks limits, emits and audits in both modes."""

    plate: Plate
    material: Material

    def work(
        self,
        treatment: Treatment,
        layers: tuple[int, int] = (4, 8),
        instance: int = 1,
        region: str = "lips",
        t: tuple[float, float] = (0.0, 1.0),
        features: tuple[int, ...] = (),
        beads: str = "any",
    ) -> Work:
        """A region: the beads of an instance in plate layers [first, last] (0-based)."""
        bead = self.plate.beads
        mine = (bead.feature != 0) & (bead.layer >= layers[0]) & (bead.layer <= layers[1])
        mine &= (self.plate.moves.x > 105) == (instance == 2)
        if features:
            mine &= np.isin(bead.feature, features)
        rows = np.flatnonzero(mine).astype(np.int64)
        selection = Selection(rows, np.full(len(rows), t[0]), np.full(len(rows), t[1]))
        x = 80.0 if instance == 1 else 130.0
        hit = RegionHit(
            "gate", instance, region, "clip", selection, (layers[0] + 1, layers[1] + 1), (0.0, 2.4)
        )
        pose = Pose("gate", instance, None, x, 110.0, 0.0, 0.0, 1.0, False, 0.0, rows.astype(np.int32),
                    bead.layer[rows] + 1, 12)  # fmt: skip
        return hit, pose, treatment, beads

    def draft(
        self,
        *work: Work,
        layer_s: float = 60.0,
        base: tuple[float, float] = (float("nan"), float("nan")),
        machine: object = None,
    ) -> tuple[Draft, list[Done]]:
        bounds = bounds_of(self.plate, self.material, machine)  # type: ignore[arg-type]
        times = np.full(len(self.plate.layers), layer_s)
        draft, done, _ = draft_of(self.plate, list(work), bounds, times, base)
        check_limits(draft, bounds)
        return draft, done

    def run(self, *work: Work, **options: object) -> tuple[Treated, list[Done]]:
        draft, done = self.draft(*work, **options)  # type: ignore[arg-type]
        treated = emit(draft, ooze_mm=self.material.ooze_mm.value, bed=None)
        for full in (False, True):
            treated.audit(full=full).require_clean()
        return treated, done


@pytest.fixture
def case() -> Callable[..., Case]:
    """A Case over a demo plate, PETG unless another material is named."""

    def build(convention: str = "B", material: str = "petg", **options: object) -> Case:
        return Case(gates(convention, **options), load_material(material))

    return build
