"""Every convention, both ways of E, retraction by the firmware, arcs, line ends: the same beads, and E in order."""

from __future__ import annotations

import bead_shapes as shapes
import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.demo.shapes import film_clip
from gcodetools.demo.slicing import Recipe

SHAPE = shapes.thing(shapes.slotted(9, 3.4, 80), 1.2)
KIT = ("{slab: {z: [0.4, 1.0]}}", "{perimeters: {add: 1}}")
E_UNIT = 1e-5


def net_by_layer(walked, layers: int, height: float) -> np.ndarray:
    """Filament pushed on each layer by moves in X or Y, by a plain walk through the text."""
    moved = (
        np.hypot(np.diff(walked.column("x"), prepend=0.0), np.diff(walked.column("y"), prepend=0.0)) > 1e-6
    )
    pushed = np.where(moved & (walked.column("e") > 0), walked.column("e"), 0.0)
    return np.array(
        [pushed[np.abs(walked.column("z") - height * (k + 1)) < 0.01].sum() for k in range(layers)]
    )


@pytest.mark.every(3)
@pytest.mark.parametrize("relative", [True, False], ids=["relative", "absolute"])
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_new_beads_in_every_convention_and_both_ways_of_e(press, clean, walk, letter, relative):
    printed = press(SHAPE, KIT, letter=letter, relative_e=relative, turn=31.0)
    verdict = clean(printed)
    # The counter of absolute E, G92 and all, by a reader that shares no code with ours.
    before, after = walk(printed.before.render()), walk(printed.data)
    old, new = (net_by_layer(w, 6, 0.2) for w in (before, after))
    for k in range(6):
        mine = float(verdict.after.e[verdict.after.layer == k].sum())
        assert new[k] == pytest.approx(mine, abs=200 * E_UNIT)
        if k not in verdict.touched:
            assert new[k] == pytest.approx(old[k], abs=E_UNIT)
    # Retractions even out: what is pulled back is pushed again, behind the last bead as in the original.
    extra = after.column("e").sum() - before.column("e").sum()
    assert extra == pytest.approx(new.sum() - old.sum(), abs=1e-3)


@pytest.mark.long
def test_every_convention_gets_the_same_beads(press):
    """Where a convention tells features, the new beads are those of any other."""
    found = {}
    for letter in maker.CONVENTIONS:
        verdict = press(SHAPE, KIT, letter=letter, turn=31.0).verdict()
        new = verdict.is_new
        found[letter] = (
            float((verdict.after.area * verdict.after.length)[new].sum()),
            sorted(set(verdict.new_layers)),
        )
    volume, layers = found["B"]
    for letter, (other, its) in found.items():
        assert its == layers, letter
        # One cannot tell solid fill from sparse by words, so its q is that of its walls.
        assert other == pytest.approx(volume, rel=0.05 if letter == "H" else 0.02), letter


@pytest.mark.parametrize(
    "options",
    [
        {"firmware_retraction": True, "newline": "\r\n"},
        {"object_commands": "m486", "sequential": True},
        {"labelled": False, "macro_start": True},
    ],
    ids=" and ".join,
)
def test_new_beads_in_other_habits(press, clean, options):
    printed = press(SHAPE, KIT, **options)
    clean(printed)
    if "newline" in options:
        assert printed.data.count(b"\n") == printed.data.count(b"\r\n")


@pytest.mark.parametrize("relative", [True, False])
def test_new_beads_beside_arcs(press, clean, relative):
    """Walls as G2 and G3."""
    part = film_clip(height_mm=1.6, step_deg=3.0)
    recipe = Recipe(density=0.15, solid_layers=1, perimeters=1)
    printed = press(
        part, ("all", "{perimeters: {fill: true}}"), arcs=True, letter="C", relative_e=relative, recipe=recipe
    )
    assert b"\nG2 " in printed.before.render() or b"\nG3 " in printed.before.render()
    clean(printed, "bands", "island_fill")


def test_seams_stay_off_the_back_of_an_open_ring(press, clean):
    """A ring open to +x bends most at its back, at 180 degrees."""
    part = shapes.thing(shapes.slotted(10, 3.4, 90), 1.2)
    verdict = clean(press(part, ("all", "{perimeters: {add: 1}}")))
    seen = 0
    for site in verdict.sites:
        for points, _ in verdict.loops(site):
            x, y = points[0] - 100.0
            seen += 1
            assert abs(np.degrees(np.arctan2(y, x))) < 120.0
    assert seen
