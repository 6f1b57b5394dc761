"""Rooms no larger than a dot of the broadest bead get no loop round them."""

from __future__ import annotations

import math

import bead_shapes as shapes
import pytest
import shapely
from bead_laid import stadium

from gcodetools.demo.slicing import Recipe

RECIPE = Recipe(density=0.15, solid_layers=1)
WIDTH, HEIGHT = RECIPE.width_mm, RECIPE.layer_mm
PITCH = float(stadium(WIDTH, HEIGHT)) / HEIGHT  # no void: common practice, no source
WALLS = WIDTH + 3 * PITCH  # two perimeters on either side
BROADEST = float(stadium(1.8 * 0.4, HEIGHT)) / HEIGHT  # what the widest bead takes


@pytest.mark.parametrize(("room", "loops"), [(0.58, 0), (0.9, 1), (1.1, 1)])
def test_a_loop_takes_more_room_than_a_dot(press, clean, room, loops):
    """A square post whose walls leave so wide a room."""
    side = room + WALLS
    part = shapes.thing(shapes.rectangle(side, side), 1.0)
    printed = press(part, ("all", "{perimeters: {fill: true}}"), recipe=RECIPE)
    verdict = clean(printed, new=loops > 0)
    for site in verdict.sites:
        found = [shapely.Polygon(points) for points, _ in verdict.loops(site)]
        assert len(found) == loops
        breadth = room / 2
        for ring in found:
            taken = ring.area + ring.length * breadth / 2
            assert taken > math.pi / 4 * BROADEST**2
    if not loops:
        assert all("too short" in done.why or "filled" in done.why for done in printed.done())
