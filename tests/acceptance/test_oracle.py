"""What a treatment does to each move, against a plain walk through both texts that shares no code with it."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.demo.shapes import shelf_hook

SCALE = 1.03
LOW = (maker.Placement(shelf_hook(height_mm=4.0), 100, 100),)


def matched(before, after) -> np.ndarray:
    """For each move before, its place among those after: same end, in order, whatever was put in between."""
    old = np.column_stack([before.column(k) for k in "xyz"]).round(6)
    new = np.column_stack([after.column(k) for k in "xyz"]).round(6)
    at, found = 0, np.empty(len(old), np.int64)
    for k, end in enumerate(map(tuple, old.tolist())):
        while tuple(new[at].tolist()) != end:
            at += 1
        found[k] = at
        at += 1
    return found


def pushed(w) -> np.ndarray:
    """Filament of moves that lay beads."""
    moved = np.hypot(np.diff(w.column("x"), prepend=0.0), np.diff(w.column("y"), prepend=0.0)) > 1e-6
    return np.where(moved & (w.column("e") > 0), w.column("e"), 0.0)


@pytest.mark.every(3)
def test_outside_a_slab_no_move_of_a_sample_differs(sample, probe, walk):
    """Speed, flow and accel on the middle third; every move of the file is found again, in order."""
    treat = f"{{speed: {{scale: 80%}}, flow: {{scale: {SCALE:.0%}}}, accel: {{max: 700}}}}"
    applied = probe.apply(sample, probe.kit(sample, probe.slab(sample), treat))
    before, after = walk(sample.render()), walk(applied.treated.render())
    at = matched(before, after)
    z = before.column("z")
    total = np.concatenate([[0.0], np.cumsum(after.column("e"))])
    e_new = total[at + 1] - total[np.concatenate([[0], at[:-1] + 1])]
    e_old = before.column("e")
    top = float(sample.layers.z_mm.max())
    low, high = (0.0, top) if len(sample.layers) == 1 else (top / 3, 2 * top / 3)
    raft = applied.placed.poses[0].z_mm
    low, high = low + raft, high + raft
    thick = float(sample.layers.height_mm.max())
    outside = (z < low) | (z > high + thick)
    beads = pushed(before) > 0
    assert outside.sum() > 0.3 * len(z) or len(sample.layers) == 1
    assert np.abs(e_new - e_old)[outside].max(initial=0.0) < 2.1e-5
    assert np.array_equal(after.column("f")[at][outside], before.column("f")[outside])
    assert np.array_equal(after.column("accel")[at][outside & beads], before.column("accel")[outside & beads])
    inside = beads & ~outside
    # Travel and retraction inside the slab keep their feed and filament.
    rest = ~beads & ~outside
    assert np.abs(e_new - e_old)[rest].max(initial=0.0) < 2.1e-5
    assert np.array_equal(after.column("f")[at][rest], before.column("f")[rest])
    slower = after.column("f")[at][inside] / before.column("f")[inside]
    assert np.all((np.abs(slower - 1) < 1e-9) | (np.abs(slower - 0.8) < 2e-3))
    assert np.mean(slower < 0.9) > 0.3
    # A bead has between none and all of the flow, and one of the two feeds.
    ratio = e_new[inside] / e_old[inside]
    slack = 3e-5 / e_old[inside]
    assert np.all((ratio > 1 - slack) & (ratio < SCALE + slack))
    flow = [d for d in applied.done if d.setting == "flow"]
    if all(d.done == "nothing" for d in flow):  # a spiral, a ruling: outermost perimeters keep their flow
        assert all("outermost" in d.why for d in flow)
        assert np.all(np.abs(ratio - 1) < slack)
        return
    assert np.count_nonzero(np.abs(ratio - SCALE) < slack + 1e-4) > 0.15 * inside.sum()


@pytest.mark.every(1)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
@pytest.mark.parametrize("relative", [True, False])
def test_flow_of_a_whole_slab_is_scaled_as_asked(demo, probe, walk, letter, relative):
    """With the outermost perimeter too, every layer of the part has 1.03 times its filament, by layer."""
    _, plate = demo(letter, relative_e=relative, parts=LOW)
    kit = probe.kit(plate, "{slab: {z: [2, 3]}}", f"{{flow: {{scale: {SCALE:.0%}, outer: true}}}}")
    before, after = walk(plate.render()), walk(probe.apply(plate, kit).treated.render())
    old, new = pushed(before), pushed(after)
    for k in range(1, 21):
        z = 0.2 * k
        a = old[np.abs(before.column("z") - z) < 0.01].sum()
        b = new[np.abs(after.column("z") - z) < 0.01].sum()
        asked = SCALE if 2.0 <= z - 0.1 <= 3.0 else 1.0
        assert b == pytest.approx(a * asked, rel=1e-5, abs=3e-5), k
    assert after.column("e").sum() - before.column("e").sum() == pytest.approx(
        new.sum() - old.sum(), abs=1e-4
    )
