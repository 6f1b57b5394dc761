"""An object left out of a treated plate, as a host does it: what follows finds the state it had."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate


def without(plate: Plate, name: str) -> bytes:
    """The text without any block of one object: lines from its start mark to its stop mark."""
    data, start, objects = plate.program.lines.data, plate.program.lines.start, plate.marks.objects
    brackets = objects.brackets()
    parts, at = [], 0
    for first, last in zip(brackets.first.tolist(), brackets.last.tolist(), strict=True):
        if objects.names[int(objects.at(np.array([first + 1]))[0])] == name:
            parts.append(data[at : start[first]])
            at = int(start[last + 1])
    return b"".join([*parts, data[at:]])


@pytest.mark.parametrize("letter", ["B", "C"])
@pytest.mark.parametrize("relative", [True, False])
def test_any_object_may_be_left_out_of_the_treated_plate(demo, walk, letter, relative):
    _, plate = demo(letter, relative_e=relative)
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    treated = apply_plate(plate, kit, Options(())).treated
    again = treated.plate
    assert treated.changes and again.marks.objects.names == plate.marks.objects.names
    for name in plate.marks.objects.names:
        own, now = walk(without(plate, name)), walk(without(again, name))
        whole = walk(again.render())
        assert len(own.x) < 0.9 * len(plate.moves)
        # Behind every block the part is where it was and pushes what it would have.
        assert own.column("z")[-1] == now.column("z")[-1]
        for axis in "xy":
            assert now.column(axis)[-200:] == pytest.approx(own.column(axis)[-200:], abs=1e-9)
        # No move pushes a lump: a counter that is off shows as one.
        assert now.column("e").max() <= whole.column("e").max() + 1e-4
        assert now.column("e").min() >= whole.column("e").min() - 1e-4
        if relative:
            continue
        kept = [walk(without(p, name)).column("e") for p in (plate, again)]
        assert kept[1].sum() == pytest.approx(kept[0].sum(), rel=0.02)
        assert (now.fan[-1], now.accel[-1], now.nozzle[-1]) == (own.fan[-1], own.accel[-1], own.nozzle[-1])
