"""A plate full of holes: the outline of new beads has as few points as its shape needs, so time stays short."""

from __future__ import annotations

import bead_shapes as shapes
import pytest
import shapely
from shapely import Point, box

from gcodetools.demo.slicing import Recipe
from gcodetools.treat import replacing


@pytest.mark.long
def test_a_plate_with_nine_holes_is_filled_and_its_band_has_few_points(press, clean, monkeypatch):
    made = []
    there = replacing._band_there
    monkeypatch.setattr(replacing, "_band_there", lambda strands: made.append(there(strands)) or made[-1])
    discs = [Point(x, y).buffer(3, quad_segs=16) for x in (-12, 0, 12) for y in (-12, 0, 12)]
    shape = box(-20, -20, 20, 20).difference(shapely.union_all(discs))
    part = shapes.thing(shape, 0.6)
    clean(press(part, ("all", "{perimeters: {fill: true}}"), recipe=Recipe(density=0.15, solid_layers=1)))
    # The nine holes, what is round them, and places where three beads meet; not a hole for each change of breadth.
    assert max(shapely.get_num_coordinates(band) for band in made) < 6000
    assert all(shapely.is_valid(band) for band in made)
