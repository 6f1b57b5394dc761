"""Real files: a third of the height, each of the ways to ask for new beads, judged as made plates are."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import pytest
from bead_judge import Verdict

from gcodetools.toolpath.plate import Plate

TREATS = {
    "add 1": "{perimeters: {add: 1}}",
    "add 3": "{perimeters: {add: 3}}",
    "fill": "{perimeters: {fill: true}}",
    "solid": "{infill: solid}",
}
FILES = (
    "B-cube.gcode",
    "B-two-objects.gcode",
    "C-arcs.gcode",
    "D-part.gcode",
    "E0-tpu.gcode",
    "A-two-names.gcode",
    "G-lid-crlf.gcode",
    "I-no-marks.gcode",
    "J-bare.g",
)
# Small files, and what they show, in every run; the rest with -m long.
QUICK = {("B-cube.gcode", "add 3"), ("D-part.gcode", "fill")}
# Files that are nothing but loops side by side from edge to edge.
NO_ROOM = ("G-lid-crlf.gcode", "E0-tpu.gcode")


@lru_cache(maxsize=2)
def plate(path: Path) -> Plate:
    return Plate.read(path)


CASES = [
    pytest.param(name, treat, id=f"{name}-{treat}", marks=() if (name, treat) in QUICK else pytest.mark.long)
    for name in FILES
    for treat in TREATS
]


@pytest.mark.parametrize(("name", "treat"), CASES)
@pytest.mark.every(1)
def test_new_beads_in_a_third_of_a_sample_are_without_fault(samples, probe, name, treat):
    before = plate(samples / name)
    applied = probe.apply(before, probe.kit(before, probe.slab(before), TREATS[treat]))
    assert applied.treated.audit(full=True).differing == 0
    verdict = Verdict(before, applied.treated.render())
    faults = verdict.faults()
    assert not faults, f"{len(faults)} faults\n" + "\n".join(faults[:20])
    if not verdict.is_new.any():
        assert all(done.done == "nothing" and done.why for done in applied.done)
        assert applied.treated.render().count(b"\n") >= before.render().count(b"\n")
    elif name in NO_ROOM:
        assert verdict.is_new.sum() < 2000
