"""Walls of outlines of all sorts, moved: what must hold of each, against the geometry library's own offsets."""

from __future__ import annotations

import bead_shapes as shapes
import numpy as np
import pytest
from fit_read import apart, closed_form, crossings, gaps, grown
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon

from gcodetools.demo.slicing import Recipe

PITCH = Recipe().spacing_mm
NEAR_MM = 0.01  # what is promised
ROUNDED_MM = 0.0016  # coordinates of three decimals, of both
mm = st.integers(0, 30).map(lambda n: 2.2 + n * 0.1)
offsets = st.integers(-20, 20).filter(bool).map(lambda n: n / 100)


@st.composite
def outlines(draw: st.DrawFn) -> Polygon:
    kind = draw(st.sampled_from(["ring", "slotted", "holes", "star", "ribs", "taper", "necks"]))
    if kind == "ring":
        return shapes.ring(draw(st.integers(5, 11)), draw(mm), draw(st.sampled_from([3, 8, 24])))
    if kind == "slotted":
        return shapes.slotted(draw(st.integers(7, 11)), draw(mm), draw(st.integers(30, 150)))
    if kind == "holes":
        return shapes.holes(
            24, draw(st.integers(8, 11)), draw(st.lists(st.sampled_from([1.5, 2.2]), min_size=1, max_size=3))
        )
    if kind == "star":
        return shapes.star(draw(st.integers(4, 8)), draw(st.sampled_from([5.0, 6.5, 8.0])), 10)
    if kind == "ribs":
        return shapes.ribs(draw(st.lists(mm, min_size=1, max_size=3)), draw(st.integers(4, 8)))
    if kind == "necks":
        return shapes.necks(draw(mm), draw(st.integers(6, 8)))
    return shapes.taper(draw(mm), draw(mm) + 1.0, draw(st.integers(10, 20)))


@settings(max_examples=8)
@given(outlines(), offsets, st.sampled_from(["B", "C", "D"]))
def test_walls_lie_where_the_library_has_the_offset(move, shape, offset, letter):
    done = move(shape, offset, letter=letter)
    assert "walls moved by" in done.done().done, done.done()
    for z in done.before.heights:
        before, after = done.before.plastic(z), done.after.plastic(z)
        assert apart(after, grown(before, offset)) <= NEAR_MM
        gained = after.area - before.area
        assert gained == pytest.approx(closed_form(before, offset), abs=ROUNDED_MM * before.length)
        assert crossings(done.after, z) <= crossings(done.before, z)
        inner, outer = done.before.at(z, "inner"), done.before.at(z, "outer")
        if inner:
            kept = gaps(inner, outer), gaps(done.after.at(z, "inner"), done.after.at(z, "outer"))
            both = [(a, b) for a, b in zip(*kept, strict=True) if len(a) == len(b)]
            # Pitch and overlap hold wherever the next wall is not as near as the own one.
            assert both, (shape.wkt, offset, letter, [len(k) for k in kept[0]], [len(k) for k in kept[1]])
            wide = [np.abs(a - b)[a < 1.2 * PITCH] for a, b in both]
            assert np.quantile(np.concatenate(wide), 0.9) < 0.004


@settings(max_examples=4)
@given(outlines(), offsets)
def test_outermost_beads_keep_their_plastic_per_length(move, shape, offset):
    done = move(shape, offset)
    for z in done.before.heights:
        for old, new in zip(done.before.at(z, "outer"), done.after.at(z, "outer"), strict=True):
            rate = [sum(b.e) / b.line.length for b in (old, new)]
            # Beads whose room changes are told apart: walls of under three pitches.
            if shape.buffer(-1.6).area > 0.2 * shape.area:
                assert rate[1] == pytest.approx(rate[0], rel=0.02)


SOLID = Recipe(density=1.0, solid_layers=3)


@pytest.mark.every(2)
@pytest.mark.parametrize("offset", [-0.1, -0.05, 0.05, 0.1])
@pytest.mark.parametrize(
    ("shape", "share"),
    [
        (shapes.ring(9, 1.6), 0.02),
        (shapes.ring(9, 0.86), 0.02),
        (shapes.ring(9, 2.4), 0.16),
        (shapes.star(5, 5, 12), 0.16),
    ],
    ids=["four walls", "two walls", "ring", "star"],
)
def test_plastic_changes_by_the_area_times_the_height(move, shape, share, offset):
    """Beads of the maker lie at pitches without a void: what an outline gains in area, height and nothing else is
    the plastic it needs. Where lines of fill stop at an angle to a wall a sixth of that is not told."""
    done = move(shape, offset, recipe=SOLID)
    z = done.before.heights[1]
    due = closed_form(done.before.plastic(z), offset) * 0.2 / (np.pi * 1.75**2 / 4)
    assert done.after.filament(z) - done.before.filament(z) == pytest.approx(due, rel=share)


@pytest.mark.parametrize("offset", [-0.1, 0.1])
@pytest.mark.parametrize("recipe", [SOLID, Recipe(density=0.2, solid_layers=1)], ids=["solid", "sparse"])
def test_fill_keeps_its_overlap(move, offset, recipe):
    done = move(shapes.holes(24, 12, (3.0,)), offset, recipe=recipe)
    for z in done.before.heights:
        fill = done.before.at(z, "fill"), done.after.at(z, "fill")
        walls = [s.at(z, "inner", "outer") for s in (done.before, done.after)]
        old, new = (np.concatenate(gaps(f, w)) for f, w in zip(fill, walls, strict=True))
        assert len(old) == len(new) and len(old) > 10
        ends = old < 1.2 * PITCH
        assert ends.sum() > 8 and np.abs(old - new)[ends].max() < 0.01
        # What ends at no wall stays where it is.
        before, after = (np.concatenate([b.corners for b in f]) for f in fill)
        far = old > 1.6 * PITCH
        assert np.array_equal(before[far], after[far])
