"""Two objects whose filament the firmware pulls back: the infill of one gives way right before the other's G10."""

from __future__ import annotations

import re

import bead_shapes as shapes
import pytest
from bead_judge import Verdict
from bead_laid import made_shapes

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.demo.slicing import Recipe
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PART = shapes.thing(shapes.slotted(9, 3.4, 80), 1.2)
RECIPE = Recipe(density=0.15, solid_layers=1)
PLACED = (Placement(PART, 70, 100), Placement(PART, 110, 100, 31.0))
KIT = """
beadwright: 1
kit: probe
material: petg
base: {{nozzle: 230}}
parts:
  thing:
    found_by: {found_by}
    regions:
      zone:
        within: {{slab: {{z: [0.4, 1.0]}}}}
        treat: {treatment}
"""


def words(data: bytes) -> tuple[int, int, list[bytes]]:
    """How many G10 and G11 there are, and those of them that say more than that."""
    found = re.findall(rb"(?m)^G1([01])\b[ \t]*([^;(\r\n]*)", data)
    count = [sum(code == k for code, _ in found) for k in (b"0", b"1")]
    return count[0], count[1], [more for _, more in found if more]


@pytest.mark.every(3)
@pytest.mark.parametrize("relative", [True, False], ids=["relative", "absolute"])
@pytest.mark.parametrize("letter", ["A", "B", "E1"])
@pytest.mark.parametrize(
    "treatment",
    [
        "{perimeters: {add: 1}, force: true}",
        "{perimeters: {fill: true}, rest: {seconds: 7}, force: true}",
        "{infill: solid, force: true}",
    ],
    ids=["add", "fill-and-rest", "solid"],
)
def test_a_g10_stays_bare_and_is_followed_by_its_g11(press, letter, relative, treatment):
    """A G10 with words sets offsets or temperatures (RS274/NGC), so the feed that went with the fill may not be
    said on it."""
    made = maker.make(letter, parts=PLACED, recipe=RECIPE, firmware_retraction=True, relative_e=relative)
    plate = Plate.from_bytes(made.data, f"{letter}.gcode")
    text = KIT.format(found_by=press.found_by(plate, PART), treatment=treatment)
    applied = apply_plate(plate, kit_from_bytes(text.encode(), "probe.kit.yaml"), Options((), verify=True))
    assert applied.audit.differing == 0
    data = applied.treated.render()
    pulled, pushed, more = words(data)
    before = words(made.data)
    assert not more and before[2] == []
    assert pulled - pushed == before[0] - before[1]
    verdict = Verdict(plate, data, made_shapes(PLACED, RECIPE.layer_mm), wall_q=1.0)
    assert verdict.is_new.any()
    assert not verdict.faults(), "\n".join(verdict.faults()[:20])
