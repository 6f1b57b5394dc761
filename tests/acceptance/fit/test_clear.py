"""What a moved wall must not do, and what it says instead."""

from __future__ import annotations

import bead_shapes as shapes
import numpy as np
import pytest
import shapely
from fit_read import crossings
from shapely import Point, box

from gcodetools.demo.slicing import Recipe
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.fit import _least_mm

PITCH = Recipe().spacing_mm  # between walls side by side


def apart(sheet, z: float) -> float:
    """Least distance between two loops of a layer."""
    one, two = (b.line for b in sheet.at(z, "outer"))
    return float(one.distance(two))


def kept(done) -> bool:
    return done.data == done.plate.program.lines.data


@pytest.mark.parametrize(("gap", "moves"), [(0.05, False), (0.15, False), (0.25, True)])
def test_parts_side_by_side_never_come_over_each_other(move, gap, moves):
    """Two blocks whose plastic stands a gap apart: 0.1 mm more on both leaves what is left of it, or nothing."""
    block = box(-6, -6, 6, 6)
    space = gap + 12 - (Recipe().width_mm - PITCH)
    done = move((block, block), 0.1, places=((100, 100), (100 + space, 100)))
    for z in done.before.heights:
        assert apart(done.after, z) >= PITCH - 0.006
    answers = [one for one in done.applied.done if one.setting == "fit"]
    if moves:
        assert not any(one.warning for one in answers)
    else:
        assert any(one.refused and "another wall lies too near across the air" in one.why for one in answers)


def test_a_slot_is_never_closed(move):
    """The two sides of a slot in one loop, 0.15 mm of air between their plastic."""
    width = 0.15 - (Recipe().width_mm - PITCH)
    shape = box(-8, -8, 8, 8).difference(box(-width / 2, 0, width / 2, 9))
    done = move(shape, 0.1)
    assert kept(done) and done.done().refused and "across the air" in done.done().why
    wider = move(box(-8, -8, 8, 8).difference(box(-0.4, 0, 0.4, 9)), 0.1)
    assert not wider.done().refused


def test_a_hole_smaller_than_the_offset_stays(move):
    plate = box(-8, -5, 8, 5).difference(Point(0, 0).buffer(0.1, quad_segs=8))
    done = move(plate, 0.2)
    z = done.before.heights[0]
    small = [min(s.at(z, "outer"), key=lambda b: b.line.length) for s in (done.before, done.after)]
    assert small[0].points == small[1].points
    assert "across the air" in done.done().why and done.done().warning
    assert crossings(done.after, z) == 0
    # The outside of the same part is moved all the same.
    assert done.after.plastic(z).bounds[0] == pytest.approx(done.before.plastic(z).bounds[0] - 0.2, abs=1e-3)


def test_walls_squeezed_beyond_what_a_bead_can_be_stay(move):
    """Two walls side by side: 0.18 mm in on both leaves little."""
    slim = Recipe(width_mm=0.42)
    done = move(shapes.ring(8, 0.42 + slim.spacing_mm), -0.18, recipe=slim)
    assert kept(done) and done.done().refused and "0.6 to 1.8 nozzles" in done.done().why
    some = move(shapes.ring(8, 0.86), -0.05)
    z = some.before.heights[0]
    rates = [sum(sum(b.e) / b.line.length for b in s.at(z, "outer")) / 2 for s in (some.before, some.after)]
    # 0.05 mm less on either side of a bead half of whose neighbour's room is its own: 0.05 of the pitch.
    assert rates[1] / rates[0] == pytest.approx(1 - 0.05 / PITCH, abs=0.004)


def test_loops_that_would_pass_each_other_stay(move):
    """Two loops 0.05 mm apart, one in the other, 0.1 mm to each other: nothing crosses, but the hole's would be the
    outer one."""
    thin = move(shapes.ring(8, 0.5), -0.1)
    assert kept(thin) and "its walls would cross" in thin.done().why
    assert not move(shapes.ring(8, 0.5), 0.1).done().refused
    # Two inner perimeters 0.036 mm apart would come to lie on each other.
    close = move(shapes.ring(8, 1.3), -0.1)
    for z in close.before.heights:
        for sheet in (close.before, close.after):
            inner, outer = (shapely.LineString(b.points) for b in sheet.at(z, "inner"))
            assert not inner.crosses(outer)


def test_a_wall_with_a_brim_stays_on_that_layer(treat, move):
    """A brim's innermost loop a pitch beside the wall: it is left alone, the layers above are moved."""
    plain = move(box(-6, -6, 6, 6), 0.05)
    text = plain.plate.program.lines.data.decode()
    far = 6 - 0.225 + PITCH
    corners = [(100 + a * far, 100 + b * far) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))]
    loop = "".join(f"G1 X{x:.3f} Y{y:.3f} E0.4\n" for x, y in corners[1:])
    brim = f";TYPE:Skirt/Brim\nG1 X{corners[0][0]:.3f} Y{corners[0][1]:.3f} F9000\n{loop}"
    at = text.index(";TYPE:Perimeter")
    done = treat((text[:at] + brim + text[at:]).encode(), ("all", "{fit: {offset: 0.05}}"))
    low, *above = done.before.heights
    assert done.after.plastic(low).equals(done.before.plastic(low))
    assert all(done.after.plastic(z).area > done.before.plastic(z).area for z in above)
    assert "not moved on layer 1: a brim touches the wall" in done.done().why


def test_an_open_wall_has_no_outside(treat):
    """A line that is called outermost and closes no loop."""
    lines = ["M83", "G21", "G90", "M104 S230"]
    for n in range(3):
        z = 0.2 * (n + 1)
        lines += [
            f";LAYER_CHANGE\n;Z:{z:g}\n;HEIGHT:0.2",
            f"G1 Z{z:g} F600",
            ";TYPE:External perimeter",
            ";WIDTH:0.45",
        ]
        lines += ["G1 X10 Y10 F6000", "G1 X40 Y10 E1.1 F1200", "G1 X40 Y30 E0.7", "G1 X20 Y25 F6000"]
    text = "\n".join(
        [
            "EXCLUDE_OBJECT_DEFINE NAME=bar",
            "EXCLUDE_OBJECT_START NAME=bar",
            *lines,
            "EXCLUDE_OBJECT_END NAME=bar",
            "",
        ]
    )
    done = treat(text.encode(), ("all", "{fit: {offset: 0.05}}"))
    assert kept(done) and done.done().refused and "no outside" in done.done().why


def test_coordinates_that_are_relative_are_refused_in_words(treat, move):
    plain = move(box(-6, -6, 6, 6), 0.05)
    found = next(b for b in plain.before.beads if b.feature == "outer")
    text = plain.plate.program.lines.data.decode().split("\n")
    first, last = found.lines[0], found.lines[-1]
    steps = np.diff(np.array(found.corners), axis=0)
    for (dx, dy), k in zip(steps, found.lines, strict=True):
        e = text[k].split(" E")[1]
        text[k] = f"G1 X{dx:.3f} Y{dy:.3f} E{e}"
    text[first : last + 1] = ["G91", *text[first : last + 1], "G90"]
    done = treat("\n".join(text).encode(), ("all", "{fit: {offset: 0.05}}"))
    assert "not moved on layer 1: the file moves in relative coordinates there" in done.done().why


def test_a_region_of_another_role_is_moved_and_warned_of(move):
    done = move(box(-6, -6, 6, 6), 0.05, role="clip")
    assert done.done().warning and not done.done().refused
    assert "the region's role is clip: a wall that is moved changes how it fits" in done.done().why
    assert not move(box(-6, -6, 6, 6), 0.05).done().warning


def test_a_region_without_a_wall_is_refused(move):
    done = move(box(-6, -6, 6, 6), 0.05, "{box: {x: [-2, 2], y: [-2, 2], z: [-1, 60]}}")
    assert (
        kept(done) and done.done().refused and done.done().why == "no outermost perimeter lies in the region"
    )
    assert move(box(-6, -6, 6, 6), 0.0).done().why == "the offset is 0"


@pytest.mark.parametrize(
    ("letter", "offset", "step"), [("B", 1e-9, 0.001), ("B", -0.00049, 0.001), ("J", 1e-5, 0.001)]
)
def test_an_offset_that_the_decimals_of_the_file_do_not_show_moves_nothing(move, letter, offset, step):
    done = move(box(-6, -4, 6, 4), offset, letter=letter)
    assert done.data == done.plate.render()
    assert done.done().done == "nothing" and done.done().warning and done.done().refused
    assert done.done().why == (
        f"the offset is below half of the last decimal of the file's coordinates, {step:g} mm"
    )


def test_the_unit_of_an_end_code_is_not_that_of_the_walls(move):
    """An inch there makes the step no larger: the same offset that shows without it shows with it."""
    plain = move(box(-6, -6, 6, 6), 0.01).plate.render()
    plate = Plate.from_bytes(plain + b"G20\nG1 X1 Y1 F100\n", "end.gcode")
    assert _least_mm(plate) == _least_mm(Plate.from_bytes(plain, "plain.gcode")) == 0.0005


def test_an_offset_of_one_step_of_the_last_decimal_is_seen(move):
    done = move(box(-6, -6, 6, 6), 0.001)
    assert done.data != done.plate.render() and done.done().done.startswith("walls moved by +0.001 mm")
