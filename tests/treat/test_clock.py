"""The clock of a draft, against the treated text planned anew, and what stretches hold against the draft's beads."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo.maker import Placement, make
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate
from gcodetools.treat import schedule
from gcodetools.treat.clock import Clock, Stretches, clock_of

PARTS = (Placement("film-clip", 60, 60), Placement("shelf-hook", 130, 110))
KIT = """\
beadwright: 1
kit: clock
material: petg
parts:
  clip:
    found_by: {{label: "film-clip*"}}
    regions:
      zone: {{within: {within}, treat: {treat}}}
"""


@pytest.fixture(scope="module")
def plate():
    return Plate.from_bytes(make("B", parts=PARTS).data, "plate.gcode")


SLAB = "{slab: {z: [2, 5]}}"
WEDGE = "{wedge: {centre: [0, 0], radius: [7, 12], angle: [40, 140], z: [2, 5]}}"


def applied(plate: Plate, treat: str, within: str = SLAB):
    text = KIT.format(treat=treat, within=within)
    return apply_plate(plate, kit_from_bytes(text.encode(), "clock.kit.yaml"), Options(()))


@pytest.mark.parametrize(
    "treat",
    [
        "{speed: {scale: 60%}, force: true}",
        "{perimeters: {fill: true}, force: true}",
        "{perimeters: {add: 1}, infill: solid, speed: {max: 25}, force: true}",
    ],
)
def test_the_clock_is_that_of_the_treated_text(plate, treat):
    done = applied(plate, treat)
    planned = times(plate)
    clock = clock_of(done.treated.draft, planned)
    after = times(done.treated.plate, factor=planned.factor)
    beads = np.flatnonzero(done.treated.plate.beads.feature != 0)
    real = float(after.seconds[beads[0] : beads[-1] + 1].sum())
    before = float(planned.seconds[clock.first : clock.last + 1].sum())
    assert abs(real - before) > 5
    # Runs are planned apart from the moves beside them.
    assert clock.end_s - before == pytest.approx(real - before, rel=0.04, abs=2)
    # Layer by layer too: where each begins.
    own = done.treated.plate
    begin = np.concatenate([[0.0], np.cumsum(after.seconds)]) - after.seconds[: beads[0]].sum()
    for k in range(5, len(plate.layers), 20):
        there = begin[own.layers.first_row[k]]
        assert clock.at(plate.layers.first_row[k : k + 1])[0] == pytest.approx(there, rel=0.02, abs=3)


@pytest.mark.parametrize("treat", ["{nozzle: {add: 5}}", "{perimeters: {fill: true}, nozzle: {add: 5}}"])
def test_stretches_hold_what_the_beads_hold(plate, monkeypatch, treat):
    seen: list[tuple[Clock, Stretches]] = []
    made = schedule.stretches_of

    def noted(draft, clock, *more):
        seen.append((clock, made(draft, clock, *more)))
        return seen[-1][1]

    monkeypatch.setattr(schedule, "stretches_of", noted)
    done = applied(plate, treat[:-1] + ", force: true}", WEDGE)
    (clock, found) = seen[0]
    after = done.treated.plate
    beads = after.beads.feature != 0
    area = np.pi * 1.75**2 / 4
    assert found.volume_mm3.sum() == pytest.approx(np.maximum(after.moves.e[beads], 0).sum() * area, rel=1e-5)
    assert found.length_mm.sum() == pytest.approx(after.beads.length_mm[beads].sum(), rel=1e-3)
    assert np.all(np.diff(found.begin_s) >= 0) and np.all(found.begin_s[1:] >= found.end_s[:-1] - 1e-6)
    assert np.count_nonzero(found.run >= 0) == len(done.treated.draft.runs)
    wanted = ~np.isnan(found.columns["nozzle"])
    z = plate.moves.z[found.row] - 0.1
    assert set(found.owner[wanted]) == {0}
    assert np.all((z[wanted] > 1.9) & (z[wanted] < 5.1)) and clock.end_s >= found.end_s[-1] - 1e-6
