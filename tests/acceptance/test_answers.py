"""What the report says was done is what stands in the file."""

from __future__ import annotations

import re

from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

KIT = """beadwright: 1
kit: bars
material: petg
parts:
  bar:
    found_by: {{outline: [[[100, 100], [120, 100], [120, 110], [100, 110]]], symmetry: 2}}
    regions:
      zone:
        beads: perimeters
        within: {within}
        treat: {treat}
"""


def bar(retract: bool) -> Plate:
    """Twelve layers of two loops, 20 mm by 10 mm with the plastic's edge, absolute E, marks of convention B."""
    lines = ["G90", "M82", "M104 S230", "M106 S102", "M204 S1500", "G92 E0", "G1 F1800"]
    e = 0.0
    for k in range(12):
        z = 0.2 * (k + 1)
        lift = z + 0.4 if retract else z
        lines += [f"G1 E{e - 1:.5f} F1800"] * retract
        lines += [";LAYER_CHANGE", f";Z:{z:.2f}", ";HEIGHT:0.2", f"G1 Z{lift:.2f}"]
        for word, inset in (("External perimeter", 0.225), ("Perimeter", 0.675)):
            left, right, low, high = 100 + inset, 120 - inset, 100 + inset, 110 - inset
            lines += [f"G1 X{left:.3f} Y{low:.3f} F6000", f"G1 Z{z:.2f}"]
            lines += [f"G1 E{e:.5f} F1800"] * (retract and inset < 0.5)
            lines.append(f";TYPE:{word}")
            for x, y, far in (
                (right, low, right - left),
                (right, high, high - low),
                (left, high, right - left),
            ):
                e += 0.0338 * far
                lines.append(f"G1 X{x:.3f} Y{y:.3f} E{e:.5f} F1800")
            e += 0.0338 * (high - low)
            lines.append(f"G1 X{left:.3f} Y{low:.3f} E{e:.5f}")
    return Plate.from_bytes(("\r\n".join(lines) + "\r\n").encode(), "bar.gcode")


def applied(plate: Plate, treat: str, within: str = "{slab: {z: [0.7, 1.5]}}"):
    kit = kit_from_bytes(KIT.format(within=within, treat=treat).encode(), "bars.kit.yaml")
    return apply_plate(plate, kit, Options(()))


def test_an_outline_far_from_the_origin_is_turned_about_its_own_centre():
    """`symmetry: 2` holds for a rectangle wherever the frame's origin lies."""
    found = applied(bar(True), "{speed: {scale: 50%}}").placed.poses
    assert len(found) == 1


def test_rests_without_a_place_are_not_reported_as_done():
    result = applied(bar(False), "{rest: {seconds: 1}, speed: {scale: 50%}}")
    answers = {d.setting: d for d in result.done}
    output = result.treated.render()
    assert b"G4" not in output and answers["rest"].done == "nothing"
    assert "retract" in answers["rest"].why
    assert re.search(rb"; beadwright totals: .* 1 setting\(?s?\)? done of 2|1 of 2", output)


def test_rests_with_a_place_are_counted_in_the_file():
    result = applied(bar(True), "{rest: {seconds: 1}, speed: {scale: 50%}}")
    answer = next(d for d in result.done if d.setting == "rest")
    count = result.treated.render().count(b"G4 P1000")
    assert count > 0 and f"before {count} " in answer.done


def test_a_bead_is_not_cut_for_a_setting_that_does_not_differ():
    """A limit that the file's own acceleration keeps changes no bead, so none is split at the region's edge."""
    half = "{box: {x: [90, 110], y: [90, 120], z: [0, 10]}}"
    plate = bar(True)
    same = applied(plate, "{accel: {max: 5000}}", half)
    assert same.treated.render() == plate.render()
    slower = applied(plate, "{accel: {max: 700}}", half)
    assert len(slower.treated.plate.moves) > len(plate.moves)
