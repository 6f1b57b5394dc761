"""Regions that hold part of a wall: the blend at their borders, nothing moved outside, holes and outsides apart."""

from __future__ import annotations

import math

import bead_shapes as shapes
import numpy as np
import pytest
import shapely
from fit_read import Bead, Sheet
from shapely import Polygon, box

STEP_MM = 0.02  # what is promised of a blend
ROUNDED_MM = 0.0016
RIGHT = "{box: {x: [3, 60], y: [-60, 60], z: [-1, 60]}}"


def profile(before: Sheet, after: Sheet, z: float, side: float) -> tuple[np.ndarray, np.ndarray]:
    """Places along an outermost loop every 0.05 mm as it is after, and how far outside the loop before they lie."""
    places, offs = [], []
    for old, new in zip(before.at(z, "outer"), after.at(z, "outer"), strict=True):
        ring = Polygon(old.points)
        line = shapely.segmentize(new.line, 0.05)
        at = shapely.points(shapely.get_coordinates(line))
        far = shapely.distance(at, ring.exterior)
        places.append(shapely.get_coordinates(line))
        offs.append(np.where(shapely.contains(ring, at), -far, far) * side)
    return np.concatenate(places), np.concatenate(offs)


@pytest.mark.every(1)
@pytest.mark.parametrize("offset", [-0.2, -0.05, 0.05, 0.13])
@pytest.mark.parametrize(
    ("shape", "letter", "options"),
    [
        (shapes.rectangle(24, 12), "B", {}),
        (shapes.ring(9, 9, 40), "B", {}),
        (shapes.ring(9, 9, 40), "C", {"arcs": True}),
    ],
    ids=["straight", "chords", "arcs"],
)
def test_the_offset_grows_from_nothing_at_the_border_to_all_of_it(move, shape, letter, options, offset):
    blend = 3.0
    done = move(shape, offset, RIGHT, letter=letter, blend=blend, **options)
    assert f"blended over {blend:g} mm inside the region's border" in done.done().done
    z = done.before.heights[1]
    place, off = profile(done.before, done.after, z, 1.0)
    x = place[:, 0] - 100.0
    border = 3.0
    assert np.abs(off[x < border - 0.05]).max() < ROUNDED_MM
    # On a wall that runs along x the way inside is x itself, on a circle the arc.
    if letter == "B" and shape.equals(shapes.rectangle(24, 12)):
        wall = (np.abs(place[:, 1] - 100) > 5) & (x < 11)
        inside = x - border
    else:
        r = 9 - 0.225
        wall = np.ones(len(x), bool)
        inside = r * (math.acos(border / r) - np.arccos(np.clip(x / r, -1, 1)))
    deep = wall & (inside > blend + 0.1)
    assert deep.sum() > 20 and np.abs(off[deep] - offset).max() < 0.01
    u = np.clip(inside / blend, 0, 1)
    assert np.abs(off - offset * u * u * (3 - 2 * u))[wall].max() < 0.02
    near = np.hypot(*np.diff(place, axis=0).T) < 0.2
    assert np.abs(np.diff(off))[near & wall[1:] & wall[:-1]].max() <= STEP_MM


@pytest.mark.parametrize("offset", [-0.2, 0.05])
def test_steps_between_points_of_a_blend_are_small(move, offset):
    """On a straight wall the points are its own: from one to the next no more than 0.02 mm."""
    done = move(shapes.rectangle(30, 10), offset, "{box: {x: [-6, 6], y: [0, 60], z: [-1, 60]}}")
    (loop,) = done.after.at(done.after.heights[1], "outer")
    corners = loop.corners[loop.corners[:, 1] > 104]
    inner = corners[np.abs(corners[:, 0] - 100) < 10]
    off = inner[np.argsort(inner[:, 0])][:, 1] - (100 + 5 - 0.225)
    assert len(off) >= 2 * math.ceil(abs(offset) / STEP_MM)
    assert np.abs(np.diff(np.concatenate([[0.0], off, [0.0]]))).max() <= STEP_MM + ROUNDED_MM / 2
    assert np.abs(off).max() == pytest.approx(abs(offset), abs=1e-3)


@pytest.mark.every(1)
@pytest.mark.parametrize(("offset", "blend"), [(-0.2, 0.5), (0.2, 1.0), (0.2, 2.0), (-0.1, 0.5)])
@pytest.mark.parametrize(
    ("shape", "letter", "options"),
    [
        (shapes.rectangle(30, 10), "B", {}),
        (shapes.ring(9, 9, 90), "B", {}),
        (shapes.ring(9, 9, 40), "C", {"arcs": True}),
    ],
    ids=["straight", "chords", "arcs"],
)
def test_steps_are_small_however_short_the_blend(move, shape, letter, options, offset, blend):
    """No step between two points above 0.02 mm; the area gained is the offset over the region, half in blends."""
    done = move(shape, offset, RIGHT, letter=letter, blend=blend, **options)
    z = done.before.heights[1]
    (old,), (new,) = (s.at(z, "outer") for s in (done.before, done.after))
    ends = new.corners
    off = shapely.distance(shapely.points(ends), Polygon(old.points).exterior)
    square = np.all(np.abs(np.abs(ends - 100) - (14.775, 4.775)) < 0.5, axis=1) & (letter == "B")
    plain = ~(square[:-1] | square[1:])
    assert np.abs(np.diff(off))[plain].max() <= STEP_MM + ROUNDED_MM / 4
    kept = Polygon(old.points).difference(box(0, 0, 103, 200)).exterior
    inside = kept.length - shapely.intersection(kept, box(102.9, 0, 103.0001, 200)).length
    gained = done.after.plastic(z).area - done.before.plastic(z).area
    turned = offset**2 * (2 if len(plain) < 60 and square.any() else 1.3)
    assert gained == pytest.approx(offset * (inside - blend), abs=turned + 0.01)


@pytest.mark.parametrize(("offset", "blend"), [(-0.2, 12.0), (0.05, 9.0), (0.1, 2.0)])
@pytest.mark.parametrize(("letter", "options"), [("B", {}), ("C", {"arcs": True})], ids=["lines", "arcs"])
def test_inner_perimeters_follow_however_long_the_blend(move, letter, options, offset, blend):
    """The pitch between walls side by side holds along all of a blend, in long straight beads as in arcs."""
    shape = shapes.rectangle(30, 10) if letter == "B" else shapes.ring(9, 9, 40)
    within = "{box: {x: [-14, 14], y: [0, 60], z: [-1, 60]}}" if letter == "B" else RIGHT
    done = move(shape, offset, within, letter=letter, blend=blend, **options)
    z = done.before.heights[1]
    apart = []
    for sheet in (done.before, done.after):
        outer = shapely.union_all([b.line for b in sheet.at(z, "outer")])
        inner = [shapely.segmentize(b.line, 0.3) for b in sheet.at(z, "inner")]
        at = shapely.points(np.concatenate([shapely.get_coordinates(line) for line in inner]))
        apart.append(shapely.distance(at, outer))
    steepest = 1.5 * abs(offset) / blend  # two ways of the same slope lie nearer by its cosine
    most = apart[0].max() * (1 - 1 / math.hypot(1, steepest)) + 0.004
    assert np.abs(apart[1] - apart[0].mean()).max() < most + np.ptp(apart[0])


def test_nothing_outside_the_region_is_written_anew(move):
    done = move(shapes.rectangle(24, 12), -0.05, "{box: {x: [3, 60], y: [-60, 60], z: [0.25, 60]}}")
    kept = done.data.splitlines()
    for bead in done.before.beads:
        outside = bead.z < 0.3 or max(x for x, _ in bead.points) < 102.9
        if outside:
            lines = done.plate.program.lines
            assert all(lines.text(n) in kept for n in bead.lines), bead.feature
    assert [b for b in done.before.beads if b.z < 0.3] == _unnumbered(done.after, done.before)


def _unnumbered(after: Sheet, before: Sheet) -> list[Bead]:
    """Beads of the first layer with the lines that they stood in before; a record of ours shifts them."""
    low = [b for b in after.beads if b.z < 0.3]
    for bead, old in zip(low, [b for b in before.beads if b.z < 0.3], strict=True):
        assert len({n - m for n, m in zip(bead.lines, old.lines, strict=True)}) == 1
        bead.lines = old.lines
    return low


def test_a_hole_grows_where_its_wall_moves_into_the_plastic(move):
    """Plastic lies outside a hole's loop: -0.1 mm takes plastic away there, and the outside is not in the region."""
    done = move(shapes.holes(24, 12, (3.0,)), -0.1, "{cylinder: {centre: [0, 0], radius: 4, z: [-1, 60]}}")
    said = done.done().done
    assert "the hole grows" in said and "outside" not in said
    for z in done.before.heights:
        before, after = done.before.plastic(z), done.after.plastic(z)
        assert Polygon(after.exterior).equals(Polygon(before.exterior))
        sizes = [math.sqrt(Polygon(p.interiors[0]).area / math.pi) for p in (before, after)]
        assert sizes[1] - sizes[0] == pytest.approx(0.1, abs=0.003)
    grows = move(shapes.holes(24, 12, (3.0,)), 0.1, "{cylinder: {centre: [0, 0], radius: 4, z: [-1, 60]}}")
    assert "the hole shrinks" in grows.done().done


def test_a_part_inside_a_hole_of_another_is_an_outside(move):
    """A pin in a ring's hole grows, the hole shrinks."""
    pin = shapely.Point(0, 0).buffer(3, quad_segs=16)
    done = move((shapes.ring(10, 3), pin), 0.05, places=((100, 100), (100, 100)))
    z = done.before.heights[0]
    sizes = [sorted(Polygon(b.points).area for b in s.at(z, "outer")) for s in (done.before, done.after)]
    pin, hole, outside = (
        math.sqrt(b / math.pi) - math.sqrt(a / math.pi) for a, b in zip(*sizes, strict=True)
    )
    assert [pin, hole, outside] == pytest.approx([0.05, -0.05, 0.05], abs=0.002)


def test_a_wall_shorter_than_two_blends_is_moved_by_less(move):
    done = move(box(-15, -5, 15, 5), 0.1, "{box: {x: [-1, 1], y: [0, 60], z: [-1, 60]}}", blend=2.0)
    (loop,) = done.after.at(done.after.heights[1], "outer")
    u = 0.5
    assert loop.corners[:, 1].max() - 104.775 == pytest.approx(0.1 * u * u * (3 - 2 * u), abs=2e-3)
    assert "0 mm by all of it" in done.done().done


def test_a_wall_is_moved_where_no_end_of_any_bead_lies(treat):
    """One long bead, all of the region within it, and nothing beside it that would follow."""
    lines = ["EXCLUDE_OBJECT_DEFINE NAME=shell", "M83", "G21", "G90", "M104 S230"]
    for n in range(3):
        z = 0.2 * (n + 1)
        lines += [
            f";LAYER_CHANGE\n;Z:{z:g}\n;HEIGHT:0.2",
            f"G1 Z{z:g} F600",
            "EXCLUDE_OBJECT_START NAME=shell",
        ]
        lines += [";TYPE:External perimeter", ";WIDTH:0.45", "G1 X10 Y10 F9000"]
        lines += [f"G1 X{x} Y{y} E1.0 F1200" for x, y in ((40, 10), (40, 40), (10, 40), (10, 10))]
        lines += ["EXCLUDE_OBJECT_END NAME=shell"]
    text = "\n".join([*lines, "G1 X0 Y0 F9000", ""]).encode()
    done = treat(text, ("{box: {x: [-6, 6], y: [0, 60], z: [-1, 60]}}", "{fit: {offset: 0.1}}"))
    (loop,) = done.after.at(done.after.heights[1], "outer")
    assert loop.corners[:, 1].max() == pytest.approx(40.1, abs=1e-3)
