"""Kits at the edges: no room, a vase, no walls, relative moves, numbered lines, two regions, everything at once."""

from __future__ import annotations

from types import SimpleNamespace

import bead_shapes as shapes
import numpy as np
import pytest
import shapely
from bead_judge import Verdict

from gcodetools.cli.words import merged
from gcodetools.gcode.scan import read_program
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.told import LayerTold, told

ADD = "{perimeters: {add: 1}}"
LEFT, RIGHT = "{box: {x: [-30, 0], y: [-30, 30], z: [0, 9]}}", "{box: {x: [0, 30], y: [-30, 30], z: [0, 9]}}"
WIDE = "{box: {x: [-30, 3], y: [-30, 30], z: [0, 9]}}"
BLOCK = shapes.thing(shapes.rectangle(18, 12), 1.2)
RING = shapes.thing(shapes.slotted(9, 3.4, 70), 1.2)


def treat(press, plate: Plate, part, within: str, treatment: str):
    text = (
        f"beadwright: 1\nkit: probe\nmaterial: petg\nbase: {{nozzle: 230}}\nparts:\n  thing:\n"
        f"    found_by: {press.found_by(plate, part)}\n    regions:\n      zone:\n        within: {within}\n"
        f"        treat: {treatment}\n"
    )
    return apply_plate(plate, kit_from_bytes(text.encode(), "probe.kit.yaml"), Options((), verify=True))


def untouched(applied, plate: Plate, word: str) -> None:
    """Nothing was laid or taken, and the answer says why."""
    assert not Verdict(plate, applied.treated.render()).touched
    for done in applied.done:
        assert done.done == "nothing"
        assert word in done.why, done.why


def test_walls_that_leave_no_room_are_left_alone(press):
    printed = press(shapes.thing(shapes.ring(9, 1.72), 1.2), ("all", "{perimeters: {add: 2}}"))
    untouched(printed.applied, printed.before, "room")
    assert printed.data.count(b"\nG") == printed.before.render().count(b"\nG")


@pytest.mark.parametrize("name", ["A-vase-crlf.gcode", "E1-vase.gcode"])
def test_a_vase_is_left_alone(samples, probe, name):
    plate = Plate.read(samples / name)
    applied = probe.apply(plate, probe.kit(plate, probe.slab(plate), ADD))
    verdict = Verdict(plate, applied.treated.render())
    # The wide one has a solid foot below its spiral, which the slab leaves out.
    assert not verdict.new_layers
    assert all(done.why for done in applied.done)


def test_an_instance_without_walls_is_left_alone(press):
    """Its wall marks renamed to fill, it has nothing to lay beads against."""
    plate = press(BLOCK, ("all", ADD)).before
    data = plate.render().replace(b";TYPE:External perimeter", b";TYPE:Internal infill")
    bare = Plate.from_bytes(data.replace(b";TYPE:Perimeter", b";TYPE:Internal infill"), "bare.gcode")
    applied = treat(press, bare, BLOCK, "all", ADD)
    untouched(applied, bare, "perimeter")


def relative_moves(data: bytes) -> bytes:
    """The same file in G91 from its first layer on, E relative too."""
    program = read_program(data, "x")
    moves, out = program.moves, []
    begin = data.index(b";LAYER_CHANGE")
    at = dict.fromkeys("XYZ", 0.0)
    for n in range(len(program.lines)):
        line = program.lines.text(n)
        k = int(np.searchsorted(moves.line, n))
        is_move = k < len(moves) and moves.line[k] == n and line[:3] in (b"G1 ", b"G0 ")
        if program.lines.start[n] == begin:
            out.append(b"G91")
        if is_move and program.lines.start[n] >= begin:
            words = []
            for word in line.split(b";")[0].split():
                axis = chr(word[0])
                if axis in at:
                    end = round(float(word[1:]), 3)
                    words.append(f"{axis}{end - at[axis]:.3f}".encode())
                    at[axis] = end
                else:
                    words.append(word)
            line = b" ".join(words)
        elif is_move:
            for word in line.split(b";")[0].split():
                if chr(word[0]) in at:
                    at[chr(word[0])] = round(float(word[1:]), 3)
        out.append(line)
    return b"\n".join(out) + b"\n"


def test_relative_moves_are_left_alone(press):
    plate = press(BLOCK, ("all", ADD), letter="B", relative_e=True).before
    other = Plate.from_bytes(relative_moves(plate.render()), "relative.gcode")
    assert len(other.layers) == len(plate.layers)
    applied = treat(press, other, BLOCK, "{slab: {z: [0.4, 1.0]}}", ADD)
    untouched(applied, other, "relative")


def numbered(data: bytes) -> bytes:
    """Line numbers and checksums: XOR of the bytes before the star, as hosts send lines to a printer.

    Common practice, no source.
    """
    out = []
    for n, line in enumerate(data.splitlines()):
        body = b"N%d %s" % (n, line.split(b";")[0].strip())
        if line[:1] in b"GMT":
            value = 0
            for byte in body:
                value ^= byte
            line = body + b"*%d" % value
        out.append(line)
    return b"\n".join(out) + b"\n"


def test_numbered_lines_are_left_alone(press):
    plate = press(BLOCK, ("all", ADD)).before
    other = Plate.from_bytes(numbered(plate.render()), "numbered.gcode")
    applied = treat(press, other, BLOCK, "all", ADD)
    untouched(applied, other, "number")


@pytest.mark.parametrize("relative", [True, False])
def test_two_regions_on_one_island(press, clean, relative):
    """Left and right halves ask for different things."""
    printed = press(
        BLOCK, (LEFT, "{perimeters: {add: 1}}"), (RIGHT, "{perimeters: {add: 3}}"), relative_e=relative
    )
    verdict = clean(printed, whole=False)
    for layer in range(1, 5):
        new = np.flatnonzero(verdict.is_new & (verdict.after.layer == layer))
        x = np.array([p.x for p in verdict.after.middle[new]]) - 100.0
        left, right = (float(verdict.after.length[new][side].sum()) for side in (x < -0.5, x > 0.5))
        assert 0 < left < 0.6 * right


def test_the_first_region_wins_where_two_overlap(press, clean):
    """The second lays nothing where the first has."""
    alone = press(BLOCK, (WIDE, "{perimeters: {add: 1}}")).verdict(whole=False)
    both = clean(
        press(BLOCK, (WIDE, "{perimeters: {add: 1}}"), ("all", "{perimeters: {add: 2}}")), whole=False
    )
    mine, theirs = (
        {v.after.text(k).split(b" E")[0] for k in np.flatnonzero(v.is_new & (v.after.layer == 2)).tolist()}
        for v in (alone, both)
    )
    shared = len(mine & theirs)
    assert shared >= len(mine) - 2
    for layer in both.new_layers:
        new = np.flatnonzero(both.is_new & (both.after.layer == layer))
        body = shapely.buffer(both.after.line[new], 0.15, cap_style="flat")
        over = shapely.area(body).sum() - shapely.union_all(body).area
        assert over < 0.05 * shapely.area(body).sum()


ALL = (
    "{perimeters: {add: 1}, infill: solid, nozzle: {add: 5}, fan: {cap: 20%}, speed: {scale: 80%}, "
    "flow: {scale: 102%}, rest: {seconds: 2}, force: true}"
)


@pytest.mark.every(1)
@pytest.mark.parametrize("relative", [True, False], ids=["relative", "absolute"])
@pytest.mark.parametrize("letter", ["A", "B", "D"])
def test_everything_at_once(press, clean, letter, relative):
    printed = press(RING, ("{slab: {z: [0.4, 1.0]}}", ALL), letter=letter, relative_e=relative)
    # More flow is more volume than a room has, and `speed` slows the outermost perimeter: the kit asks for both.
    verdict = clean(printed, "outermost", "bands", "island_fill", "kept", "gaps", "leftovers", exact=False)
    settings = {done.setting for done in printed.applied.done}
    assert {"perimeters", "infill", "nozzle", "fan", "speed", "flow"} <= settings
    feed = verdict.after.plate.program.moves.f[verdict.after.rows]
    plain = press(
        RING,
        ("{slab: {z: [0.4, 1.0]}}", "{perimeters: {add: 1}, infill: solid}"),
        letter=letter,
        relative_e=relative,
    )
    other = plain.verdict()
    theirs = other.after.plate.program.moves.f[other.after.rows]
    mine, before = (
        np.median(f[v.is_new & (v.after.layer == 3)]) for f, v in ((feed, verdict), (theirs, other))
    )
    assert mine == pytest.approx(0.8 * before, rel=0.02)


def test_an_answer_tells_what_was_asked_and_laid(press):
    (done,) = press(RING, ("all", "{perimeters: {add: 4}}")).done()
    assert done.asked == "4"
    assert "perimeter" in done.done
    assert "room" in done.done


@pytest.mark.parametrize(
    ("thickness", "treatment", "why"),
    [
        (1.5, ADD, "no room inside the walls in the region"),
        (1.5, "{infill: solid}", "no room inside the walls in the region"),
        (1.8, ADD, "under 0.6 of a bead wide in the region"),
        (3.1, ADD, ""),
    ],
)
def test_a_rib_that_takes_no_bead_says_why(press, thickness, treatment, why):
    """The foot and another rib have room, but the region is on the thin one."""
    part = shapes.thing(shapes.ribs((thickness, 4.1), 8.0), 1.2)
    printed = press(part, ("{box: {x: [-6, 0], y: [1, 20], z: [0.4, 0.9]}}", treatment))
    (done,) = printed.done("infill" if "infill" in treatment else "perimeters")
    assert (done.done == "nothing") == bool(why)
    assert why in done.why
    assert "lies in the region" not in done.why


def test_instances_that_part_only_in_crumbs_are_told_alike():
    hit = SimpleNamespace(part="thing", instance=1, region="zone")
    treatment = SimpleNamespace(perimeters=SimpleNamespace(fill=False, add=1), infill=None)
    texts = []
    for crumbs in ((0.0, 4.0), (11.0, 0.3)):
        layers = [
            LayerTold(n + 2, 1, 0.0, 0.0, 20.0, 1.2, False, 0.0, 0.0, 0.0, mm, "")
            for n, mm in enumerate(crumbs)
        ]
        done = told(hit, "perimeters", treatment, layers)
        texts.append(f"{done.done}; {done.why}")
    assert len(set(texts)) == 2
    assert merged(texts) is not None


def test_treated_twice_is_treated_once(press):
    one, two = (press(RING, ("all", ADD)).data for _ in range(2))
    assert one == two
