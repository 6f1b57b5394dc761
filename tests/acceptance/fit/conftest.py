"""Plates of outlines of our own with their walls moved, and a reader that knows nothing of the package."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
from shapely import Polygon

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.demo.slicing import Recipe
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

# Tests are imported without a package, so their helpers are found by folder.
sys.path.insert(0, str(Path(__file__).parent.parent / "perimeters"))
sys.path.insert(0, str(Path(__file__).parent))

from bead_shapes import thing
from fit_read import Sheet, read

AT = (100.0, 100.0)
KIT = """beadwright: 1
kit: probe
material: petg
base: {{nozzle: 230}}
parts:
  thing:
    found_by: {found_by}
    regions:
{regions}"""


@lru_cache(maxsize=16)
def made(letter: str, shapes: tuple[Polygon, ...], places: tuple[tuple[float, float], ...], height: float,
         recipe: Recipe, options: tuple[tuple[str, Any], ...]) -> bytes:  # fmt: skip
    parts = {id(shape): thing(shape, height) for shape in shapes}
    placed = [Placement(parts[id(s)], x, y) for s, (x, y) in zip(shapes, places, strict=True)]
    return maker.make(letter, parts=placed, recipe=recipe, **dict(options)).data


@dataclass
class Moved:
    """A plate and what became of it, with both texts as the tests' own reader has them."""

    plate: Plate
    applied: Applied
    before: Sheet
    after: Sheet

    @property
    def data(self) -> bytes:
        return self.applied.treated.output

    def done(self, setting: str = "fit") -> Any:
        (found,) = [one for one in self.applied.done if one.setting == setting]
        return found


def kit_of(regions: list[tuple[str, str]], role: str, plate: Plate, outline: Polygon | None) -> str:
    """A kit with one part, found by any label (a number never fits a glob), or by its outline where there is none."""
    names = plate.marks.objects.names
    found_by = "{label: [" + ", ".join(f'"{n}"' for n in ("*", *filter(str.isdigit, names))) + "]}"
    if not names and outline is not None:
        rings = [outline.exterior, *outline.interiors]
        found_by = f"{{outline: {[[list(p) for p in r.coords[:-1]] for r in rings]}, symmetry: 2}}"
    lines = "".join(
        f"      zone{n}:\n        role: {role}\n        within: {within}\n        treat: {treat}\n"
        for n, (within, treat) in enumerate(regions)
    )
    return KIT.format(found_by=found_by, regions=lines)


def treated(
    data: bytes,
    *regions: tuple[str, str],
    role: str = "seat",
    again: bool = False,
    outline: Polygon | None = None,
) -> Moved:
    """Treat a text; the audit over all of it must be clean."""
    plate = Plate.from_bytes(data, "plate.gcode")
    kit = kit_from_bytes(kit_of(list(regions), role, plate, outline).encode(), "probe.kit.yaml")
    applied = apply_plate(plate, kit, Options((), verify=True, again=again))
    assert applied.audit.differing == 0
    return Moved(plate, applied, read(data), read(applied.treated.output))


@pytest.fixture(scope="session")
def move() -> Callable[..., Moved]:
    """`move(shape, offset, within=, letter=, recipe=, blend=, more=, **options of maker.make)`."""

    def build(
        shape: Polygon | tuple[Polygon, ...],
        offset: float,
        within: str = "all",
        *,
        letter: str = "B",
        height: float = 0.6,
        recipe: Recipe | None = None,
        blend: float | None = None,
        more: str = "",
        places: tuple[tuple[float, float], ...] = (AT,),
        role: str = "seat",
        **options: Any,
    ) -> Moved:
        shapes = shape if isinstance(shape, tuple) else (shape,) * len(places)
        recipe = recipe or Recipe(density=0.15, solid_layers=1)
        data = made(letter, shapes, places, height, recipe, tuple(sorted(options.items())))
        fit = f"offset: {offset:g}" + (f", blend: {blend:g}" if blend else "")
        return treated(data, (within, f"{{fit: {{{fit}}}{more}}}"), role=role, outline=shapes[0])

    return build


@pytest.fixture(scope="session")
def treat() -> Callable[..., Moved]:
    """`treat(data, (within, treat), ..., role=, again=, outline=)`."""
    return treated
