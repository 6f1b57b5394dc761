"""Instances on a treated plate, against placing the kit there anew."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.edit.splice import Edits
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.carried import carried
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PARTS = (
    Placement("film-clip", 50, 60),
    Placement("wedge-key-snug", 90, 60),
    Placement("wedge-key-snug", 110, 60),
    Placement("shelf-hook", 130, 110),
)


@pytest.mark.every(3)
@pytest.mark.parametrize("letter", ["A", "B", "C", "I"])
@pytest.mark.parametrize("labelled", [True, False])
def test_rows_are_those_of_placing_anew(letter, labelled):
    plate = Plate.from_bytes(make(letter, parts=PARTS, labelled=labelled).data, "plate.gcode")
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    done = apply_plate(plate, kit, Options((), keep_times=True))
    treated, edits = done.treated.plate, done.treated.edits
    assert isinstance(edits, Edits) and done.treated.draft.runs and done.treated.draft.rests
    mine = carried(done.treated.draft, treated, edits, done.placed.poses)
    anew = place(kit, treated).poses
    assert [(p.part, p.instance) for p in mine] == [(p.part, p.instance) for p in anew]
    for ours, theirs in zip(mine, anew, strict=True):
        assert np.array_equal(ours.rows, theirs.rows)
        assert np.array_equal(ours.layer, theirs.layer) and ours.layers == theirs.layers
