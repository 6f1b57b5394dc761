"""An object left out of a treated plate, as a host does it: what follows finds the state it had."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement
from gcodetools.gcode.scan import read_program
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate


def blocks(plate: Plate, name: str) -> list[tuple[int, int]]:
    """Lines (first, last) of the blocks of one object, from its start mark to its stop mark."""
    objects = plate.marks.objects
    pairs = zip(
        *(column.tolist() for column in (objects.brackets().first, objects.brackets().last)), strict=True
    )
    return [(a, b) for a, b in pairs if objects.names[int(objects.at(np.array([a + 1]))[0])] == name]


def without(plate: Plate, name: str) -> bytes:
    data, start, at, parts = plate.program.lines.data, plate.program.lines.start, 0, []
    for first, last in blocks(plate, name):
        parts.append(data[at : start[first]])
        at = int(start[last + 1])
    return b"".join([*parts, data[at:]])


PARTS = (
    Placement("shelf-hook", 60, 60),
    Placement("ridge-saddle", 130, 60),
    Placement("wedge-key-snug", 60, 120),
)


@pytest.mark.every(2, 1)
@pytest.mark.parametrize("letter", ["B", "C"])
@pytest.mark.parametrize("relative", [True, False])
def test_any_object_may_be_left_out_of_the_treated_plate(demo, walk, letter, relative):
    _, plate = demo(letter, relative_e=relative, parts=PARTS)
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    treated = apply_plate(plate, kit, Options(())).treated
    again = treated.plate
    assert treated.changes and again.marks.objects.names == plate.marks.objects.names
    for name in plate.marks.objects.names:
        own, now = walk(without(plate, name)), walk(without(again, name))
        for state in ("x", "y", "z", "f", "fan", "accel", "nozzle"):
            assert getattr(now, state)[-1] == getattr(own, state)[-1], (name, state)
        moves, line = again.moves, again.moves.line
        dropped = np.zeros(len(moves), bool)
        for first, last in blocks(again, name):
            dropped |= (line >= first) & (line <= last)
        rest = read_program(without(again, name), "rest").moves
        assert 0.02 < dropped.mean() < 0.95
        # Every move left pushes what it did as fast as it did, and every bead goes where it went. (Lifts and
        # the end code stay where the nozzle was before the block.)
        bead = again.beads.is_bead[~dropped]
        for column, slack in (("x", 1e-9), ("y", 1e-9), ("z", 1e-9), ("f", 1e-9), ("e", 2.1e-5)):
            there, here = getattr(moves, column)[~dropped], getattr(rest, column)
            assert len(there) == len(here)
            off = np.flatnonzero((np.abs(there - here) > slack) & (bead | (column in "ef")))
            if column == "e" and not relative:
                # Where nothing was treated yet, an absolute counter jumps as it does in the file itself.
                before = np.sort(read_program(without(plate, name), "own").moves.e)
                at = np.clip(np.searchsorted(before, here[off] - slack), 0, len(before) - 1)
                off = off[before[at] > here[off] + slack]
            assert len(off) == 0, (name, column, len(off), off[:3], there[off[:3]], here[off[:3]])
