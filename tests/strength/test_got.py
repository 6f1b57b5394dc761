"""What each bead got: stretches of half a second against a plain walk over the beads, whatever the blocks."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo.maker import Placement, make
from gcodetools.documents.profiles import load_machine
from gcodetools.physics.timing import times
from gcodetools.strength.got import Got, got_of
from gcodetools.toolpath.plate import Plate

COMMANDS = b"M104 S215\nM106 S90\n"
TOOL = (b"M104 T1 S230\n", b"T1\n", b"T0\n")


def plate() -> Plate:
    """A key whose nozzle and fan are set anew in the middle of it; before that another tool, as hot, prints a bead."""
    data = make("B", parts=(Placement("wedge-key-snug", 110, 110),)).data
    lines = data.splitlines(keepends=True)
    at = len(lines) // 2
    while not lines[at].startswith(b"G1 X"):
        at += 1
    on = next(k for k in range(at - 400, at) if lines[k].startswith(b"G1 X") and b" E" in lines[k])
    hot, to, back = TOOL
    before = [*lines[:on], hot, to, lines[on], back, *lines[on + 1 : at]]
    return Plate.from_bytes(b"".join([*before, COMMANDS, *lines[at:]]), "key.gcode")


def got(one: Plate) -> Got:
    return got_of(one, times(one, None), load_machine("desktop-220").heating, None, 2.4)


def walked(one: Plate) -> list[int]:
    """Rows that begin a stretch, bead by bead."""
    seconds, states, moves = times(one, None).seconds, one.program.states, one.moves
    begin, known, found = np.concatenate([[0.0], np.cumsum(seconds)]), None, []
    for row in np.flatnonzero(one.beads.is_bead).tolist():
        tool, line = int(moves.tool[row]), moves.line[row : row + 1]
        now = (begin[row] // 0.5, tool, float(states.fan.at(line)[0]), float(states.nozzle[tool].at(line)[0]))
        if now != known:
            found.append(row)
        known = now
    return found


@pytest.mark.parametrize("block", [1 << 18, 97, 1])
def test_stretches_are_those_of_a_walk_over_the_beads(block: int, monkeypatch: pytest.MonkeyPatch):
    one = plate()
    usual = got(one)
    monkeypatch.setattr("gcodetools.strength.got._BLOCK", block)
    found = got(one)
    assert found.row.tolist() == walked(one)
    assert np.count_nonzero(one.moves.tool[found.row] == 1) == 1
    assert {215.0, 230.0} <= set(np.round(found.told_c, 3).tolist())
    for name in ("row", "nozzle_c", "told_c", "fan", "begin_s"):
        assert np.array_equal(getattr(found, name), getattr(usual, name)), name
