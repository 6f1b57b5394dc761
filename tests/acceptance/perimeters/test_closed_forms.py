"""Rings and rectangles through the whole chain against closed forms: how many loops, how long, how far in."""

from __future__ import annotations

import math

import bead_shapes as shapes
import numpy as np
import pytest
import shapely
from bead_laid import stadium

from gcodetools.demo.slicing import Recipe

RECIPE = Recipe(density=0.2, solid_layers=1)
WIDTH, HEIGHT = RECIPE.width_mm, RECIPE.layer_mm
# Pitch at which stadium beads leave no void, s = A / h: common practice, no source.
PITCH = float(stadium(WIDTH, HEIGHT)) / HEIGHT
INSET = WIDTH / 2 + 1.5 * PITCH  # from the part's edge to the room's, behind two perimeters
LAYERS = 4
LOOPS = {"add 1": 1, "add 2": 2, "add 3": 3}


def loops(verdict, layer):
    """Closed new loops of a layer as rings, longest first."""
    site = next(s for s in verdict.sites if s.layer == layer)
    rings = [shapely.Polygon(points) for points, _ in verdict.loops(site)]
    return sorted(rings, key=lambda ring: -ring.length)


@pytest.mark.every(2)
@pytest.mark.parametrize("asked", LOOPS)
@pytest.mark.parametrize("wall", [6.0, 8.0])
def test_loops_of_a_ring_are_circles_at_the_files_own_pitch(press, clean, wall, asked):
    outer, count = 14.0, LOOPS[asked]
    part = shapes.thing(shapes.ring(outer, wall, 24), LAYERS * HEIGHT)
    verdict = clean(press(part, ("all", f"{{perimeters: {{add: {count}}}}}"), recipe=RECIPE))
    steps = [INSET + (n + 0.5) * PITCH for n in range(count)]
    radii = sorted([outer - s for s in steps] + [outer - wall + s for s in steps], reverse=True)
    for layer in (0, LAYERS - 1):
        found = loops(verdict, layer)
        assert len(found) == 2 * count
        for ring, radius in zip(found, radii, strict=True):
            assert ring.length == pytest.approx(2 * math.pi * radius, rel=5e-3)
            away = np.hypot(*(shapely.get_coordinates(ring) - 100.0).T)
            assert np.abs(away - radius).max() < 0.03


@pytest.mark.parametrize("asked", LOOPS)
def test_loops_of_a_rectangle_are_rectangles_at_the_files_own_pitch(press, clean, asked):
    a, b, count = 20.0, 14.0, LOOPS[asked]
    part = shapes.thing(shapes.rectangle(a, b), LAYERS * HEIGHT)
    verdict = clean(press(part, ("all", f"{{perimeters: {{add: {count}}}}}"), recipe=RECIPE, turn=33.0))
    for layer in range(LAYERS):
        found = loops(verdict, layer)
        assert len(found) == count
        for n, ring in enumerate(found):
            inset = INSET + (n + 0.5) * PITCH
            assert ring.length == pytest.approx(2 * (a + b - 4 * inset), rel=5e-3)
            assert ring.area == pytest.approx((a - 2 * inset) * (b - 2 * inset), rel=5e-3)


@pytest.mark.every(2)
@pytest.mark.parametrize("room", [0.41, 0.6, 0.82, 1.0, 1.22, 1.4, 1.63, 2.04])
def test_a_ring_filled_has_the_volume_of_its_room(press, clean, room):
    """Whatever number and width of beads it takes, they come to q times area times height."""
    outer = 10.0
    wall = room + 2 * INSET
    part = shapes.thing(shapes.ring(outer, wall, 24), LAYERS * HEIGHT)
    verdict = clean(press(part, ("all", "{perimeters: {fill: true}}"), recipe=RECIPE))
    middle = outer - wall / 2
    for site in verdict.sites:
        new = site.new
        volume = float((verdict.after.area * verdict.after.length)[new].sum())
        due = verdict.q * 2 * math.pi * middle * room * HEIGHT
        assert 0.96 * due * 0.995 <= volume <= 1.015 * due * 1.005
        # Two rather than one above 1.5 nozzles, none over 1.8, none under 0.6.
        widths = verdict.after.width[new][verdict.after.length[new] > 0.2]
        assert widths.min() > 0.6 * 0.4 - 0.01
        assert widths.max() < 1.8 * 0.4 + 0.01


@pytest.mark.parametrize(
    "shape", [shapes.star(5, 6, 12), shapes.holes(24, 10, (2.0, 1.5)), shapes.necks(3.4)]
)
def test_loops_lie_where_an_independent_offset_puts_them(press, clean, shape):
    """shapely's own buffers of the outline, by the file's inset and half a pitch."""
    part = shapes.thing(shape, LAYERS * HEIGHT)
    verdict = clean(press(part, ("all", "{perimeters: {add: 1}}"), recipe=RECIPE))
    moved = shapely.affinity.translate(shape, 100, 100)
    oracle = shapely.buffer(moved, -(INSET + PITCH / 2), join_style="mitre", mitre_limit=3.0).boundary
    # Where the room is under two beads wide, other beads than loops fill it.
    room = shapely.buffer(moved, -INSET, join_style="mitre", mitre_limit=3.0)
    narrow = room.difference(shapely.buffer(shapely.buffer(room, -PITCH), PITCH * 1.05))
    for site in verdict.sites:
        for points, _ in verdict.loops(site):
            away = shapely.distance(shapely.points(points), oracle)
            free = (
                shapely.distance(shapely.points(points), narrow)
                if not narrow.is_empty
                else np.full(len(away), 9.0)
            )
            assert away[free > 0.6].max(initial=0.0) < 0.05
