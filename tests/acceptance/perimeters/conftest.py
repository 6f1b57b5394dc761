"""Plates of outlines of our own, treated, and judged from outside."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.demo.shapes import Part
from gcodetools.demo.slicing import Recipe
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

# Tests are imported without a package, so their helpers are found by folder.
sys.path.insert(0, str(Path(__file__).parent))

from bead_judge import Verdict
from bead_laid import made_shapes

AT = (100.0, 100.0)


def kit_text(regions: Sequence[tuple[str, str]], found_by: str, material: str = "petg") -> bytes:
    """A kit with one part and regions of (within, treat)."""
    lines = [
        "beadwright: 1",
        "kit: probe",
        f"material: {material}",
        "base: {nozzle: 230}",
        "parts:",
        "  thing:",
        f"    found_by: {found_by}",
        "    regions:",
    ]
    for n, (within, treat) in enumerate(regions):
        lines += [f"      zone{n + 1}:", f"        within: {within}", f"        treat: {treat}"]
    return ("\n".join(lines) + "\n").encode()


@lru_cache(maxsize=32)
def _plate(
    letter: str, placements: tuple[Placement, ...], recipe: Recipe, options: tuple[tuple[str, Any], ...]
) -> Plate:
    made = maker.make(letter, parts=placements, recipe=recipe, **dict(options))
    return Plate.from_bytes(made.data, f"{letter}.gcode")


@dataclass
class Printed:
    """A made plate and what became of it."""

    before: Plate
    applied: Applied
    placements: tuple[Placement, ...]
    recipe: Recipe

    @property
    def data(self) -> bytes:
        return self.applied.treated.render()

    def verdict(self, **options: Any) -> Verdict:
        """The judge over both; beads of made plates lie at pitches without a void."""
        islands = made_shapes(self.placements, self.recipe.layer_mm)
        walls = 1.0 if self.recipe.perimeters > 1 else None
        return Verdict(self.before, self.data, islands, wall_q=walls, **options)

    def done(self, setting: str = "perimeters") -> list[Any]:
        return [done for done in self.applied.done if done.setting == setting]


@dataclass
class Press:
    """Prints parts and treats them."""

    def __call__(
        self,
        part: Part,
        *regions: tuple[str, str],
        letter: str = "B",
        turn: float = 0.0,
        recipe: Recipe | None = None,
        at: tuple[float, float] = AT,
        **options: Any,
    ) -> Printed:
        recipe = recipe or Recipe(density=0.15, solid_layers=1)
        placements = (Placement(part, *at, turn),)
        plate = _plate(letter, placements, recipe, tuple(sorted(options.items())))
        kit = kit_from_bytes(kit_text(regions, self.found_by(plate, part)), "probe.kit.yaml")
        return Printed(plate, apply_plate(plate, kit, Options(())), placements, recipe)

    def found_by(self, plate: Plate, part: Part) -> str:
        """By any label, or by the outline that it was made of, which needs to fit one turn only."""
        names = plate.marks.objects.names
        if names:  # a number never fits a glob
            return "{label: [" + ", ".join(f'"{n}"' for n in ("*", *filter(str.isdigit, names))) + "]}"
        rings = [part.outline.exterior, *part.outline.interiors]
        text = ", ".join(
            "[" + ", ".join(f"[{x:.4f}, {y:.4f}]" for x, y in np.asarray(r.coords)[:-1]) + "]" for r in rings
        )
        return f"{{outline: [{text}]}}"


@pytest.fixture(scope="session")
def press() -> Press:
    """`press(part, (within, treat), ..., letter=, turn=, recipe=, **options of maker.make)`."""
    return Press()


@pytest.fixture(scope="session")
def clean() -> Callable[..., None]:
    """`clean(printed, *checks left out)`: the audit over everything is clean and the judge finds no fault."""

    def check(
        printed: Printed, *but: str, whole: bool = True, exact: bool = True, new: bool = True
    ) -> Verdict:
        assert printed.applied.audit.differing == 0
        full = printed.applied.treated.audit(full=True)
        assert full.differing == 0, full.first_difference
        verdict = printed.verdict(whole=whole, exact=exact)
        assert not new or verdict.is_new.any(), [d.why for d in printed.applied.done]
        faults = verdict.faults(*but)
        assert not faults, "\n".join(faults[:20])
        return verdict

    return check
