"""A host that leaves an object out drops its block: what follows must find the state it had."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.draft import Draft
from gcodetools.gcode.scan import read_program

PLATES = [
    ("B", {"relative_e": True}),
    ("B", {"relative_e": False}),
    ("B", {"relative_e": False, "object_commands": "m486"}),
    ("B2", {"relative_e": False}),
    ("C", {"relative_e": True}),
    ("C", {"relative_e": False}),
    ("D", {"relative_e": False, "arcs": True}),
    ("B", {"relative_e": False, "sequential": True}),
]


def without(program, span):
    """The text without the lines span[0] to span[1]."""
    data, start = program.lines.data, program.lines.start
    return data[: start[span[0]]] + data[start[span[1] + 1] :]


def treated_block(plate, k, seed):
    """Every kind of edit inside the plate's k-th block only, holds around it."""
    rng = np.random.default_rng(seed)
    brackets = plate.marks.objects.brackets()
    line = plate.moves.line
    inside = (line >= brackets.first[k]) & (line <= brackets.last[k])
    beads = np.flatnonzero(inside & (plate.beads.feature != 0))
    cut = rng.choice(beads, min(20, len(beads)), replace=False)
    draft = Draft.of(plate, cut, rng.random(len(cut)))
    mine = np.isin(draft.row, beads)
    some = mine & (rng.random(len(mine)) < 0.6)
    last = np.flatnonzero(mine)[-1]
    some[last] = True  # nothing of ours may hang over the end of the block
    draft.feed[some] = 0.7 * plate.moves.f[draft.row[some]]
    draft.flow[some] = 1.05
    draft.accel[some] = 300.0
    draft.fan, draft.nozzle_c = np.full((2, len(plate.moves)), np.nan)
    draft.fan[inside], draft.nozzle_c[inside] = 0.11, 241.0
    draft.fan[plate.beads.feature == 5] = np.nan
    return draft


@pytest.mark.parametrize(("convention", "options"), PLATES)
def test_without_any_one_block_the_rest_is_as_it_was(demo, write, convention, options):
    plate = demo(convention, **options)
    before = plate.marks.objects.brackets()
    assert len(before.first) >= 20
    for k in (3, len(before.first) // 2, len(before.first) - 2):
        treated = write(treated_block(plate, k, k))
        after = treated.plate.marks.objects.brackets()
        assert len(after.first) == len(before.first)
        own = read_program(without(plate.program, (before.first[k], before.last[k])))
        now = read_program(without(treated.plate.program, (after.first[k], after.last[k])))
        count = int(np.count_nonzero(plate.moves.line > before.last[k]))
        for name in ("x", "y", "z", "f", "tool"):
            assert np.array_equal(getattr(own.moves, name)[-count:], getattr(now.moves, name)[-count:]), (
                k,
                name,
            )
        for name in ("accel", "travel_accel", "e_relative", "inches", "plane", "bed"):
            a, b = (getattr(p.states, name).at(p.moves.line[-count:]) for p in (own, now))
            assert np.allclose(a, b, rtol=0, atol=1e-3, equal_nan=True), (k, name)
        # Filament, fan and nozzle behind the block are those of the whole file: ours are set outside of it.
        assert np.array_equal(now.moves.kind[-count:], plate.moves.kind[-count:])
        assert now.moves.e[-count:] == pytest.approx(plate.moves.e[-count:], abs=2e-5)
        whole = plate.program
        for name, a, b in (
            ("fan", whole.states.fan, now.states.fan),
            ("nozzle", whole.states.nozzle[0], now.states.nozzle[0]),
        ):
            a, b = a.at(whole.moves.line[-count:]), b.at(now.moves.line[-count:])
            assert np.allclose(a, b, rtol=0, atol=1e-3), (k, name)


@pytest.mark.parametrize(("convention", "options"), PLATES)
def test_nozzle_fan_and_counter_stand_outside_every_block(demo, write, convention, options):
    plate = demo(convention, **options)
    treated = write(treated_block(plate, 5, 5))
    after = treated.plate
    lines = after.program.lines
    own = set(plate.program.lines.data.split(b"\n"))
    brackets = after.marks.objects.brackets()
    inside = brackets.holds(np.arange(len(lines)))
    for k in np.flatnonzero(inside).tolist():
        text = lines.text(k)
        if text.startswith((b"M104", b"G92")):
            assert text in own, (k, text)
