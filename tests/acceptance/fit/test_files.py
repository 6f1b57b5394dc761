"""Files of all sorts with a wall moved: conventions, ways to count filament, several instances, other settings."""

from __future__ import annotations

import bead_shapes as shapes
import numpy as np
import pytest
from fit_read import apart, grown
from shapely import box

from gcodetools.demo.slicing import Recipe
from gcodetools.jobs.estimate import Options, estimate_plate
from gcodetools.toolpath.plate import Plate

SHAPE = shapes.holes(22, 10, (2.0,))
KINDS = [
    ("A", {}), ("A", {"newline": "\r\n"}), ("B", {"relative_e": False}), ("B2", {}), ("C", {"arcs": True}),
    ("C", {"object_commands": "m486"}), ("D", {"arcs": True, "relative_e": False}), ("E0", {}),
    ("B", {"firmware_retraction": True}), ("B", {"object_commands": "exclude"}),
]  # fmt: skip


@pytest.mark.every(2)
@pytest.mark.parametrize(("letter", "options"), KINDS, ids=[f"{k}-{'-'.join(map(str, o))}" for k, o in KINDS])
def test_every_convention_is_moved_alike(move, letter, options):
    done = move(SHAPE, 0.07, letter=letter, **options)
    assert done.before.heights == done.after.heights
    for z in done.before.heights:
        assert apart(done.after.plastic(z), grown(done.before.plastic(z), 0.07)) <= 0.01
    newline = b"\r\n" if options.get("newline") == "\r\n" else b"\n"
    more = {w: done.data.count(w) - done.plate.render().count(w) for w in (b"\n", b"; beadwright ", b"G92 E")}
    # Of a wall that is moved as a whole no line comes or goes, but for a G92 where E is absolute.
    assert more[b"\n"] == more[b"; beadwright "] + more[b"G92 E"]
    assert newline == b"\n" or done.data.count(b"\n") == done.data.count(b"\r\n")


@pytest.mark.parametrize("sequential", [False, True])
def test_only_the_instance_chosen_moves(treat, move, sequential):
    blocks = (box(-5, -5, 5, 5),) * 2
    plain = move(blocks, 0.05, places=((80, 100), (120, 100)), sequential=sequential)
    answers = [one for one in plain.applied.done if one.setting == "fit"]
    assert [one.instance for one in answers] == [1, 2] and len({one.done for one in answers}) == 1
    grown_by = [s.plastic(z).area for z in plain.before.heights for s in (plain.before, plain.after)]
    assert all(b > a for a, b in zip(grown_by[::2], grown_by[1::2], strict=True))


OTHERS = {
    "speed": ", speed: {scale: 80%}",
    "flow": ", flow: {scale: 104%, outer: true}",
    "all": ", speed: {max: 20}, flow: {scale: 103%}, accel: {max: 700}, nozzle: {add: 8}, fan: {cap: 20%}, "
    "rest: {seconds: 2}",
}


@pytest.mark.parametrize("relative", [True, False], ids=["relative", "absolute"])
@pytest.mark.parametrize("more", OTHERS)
def test_other_settings_act_on_moved_walls(move, more, relative):
    """Each does what it does alone: feeds, flow and holds of the one, places of the other."""
    within = "{box: {x: [0, 60], y: [-60, 60], z: [-1, 60]}}"
    alone = move(SHAPE, -0.1, within, relative_e=relative)
    both = move(SHAPE, -0.1, within, more=OTHERS[more], relative_e=relative)
    for z in alone.after.heights:
        for one, two in zip(
            alone.after.at(z, "outer", "inner"), both.after.at(z, "outer", "inner"), strict=True
        ):
            assert one.line.hausdorff_distance(two.line) < 0.002
        if more == "flow":
            inside = [
                [b for b in s.at(z, "outer") if min(x for x, _ in b.points) > 100]
                for s in (alone.after, both.after)
            ]
            for one, two in zip(*inside, strict=True):
                assert sum(two.e) / sum(one.e) == pytest.approx(1.04, abs=2e-3)
    assert {one.setting for one in both.applied.done} > {"fit"}


def test_two_regions_of_one_wall_each_have_their_own(treat, move):
    data = move(shapes.rectangle(30, 10), 0.05).plate.program.lines.data
    left, right = (f"{{box: {{x: [{a}, {b}], y: [-60, 60], z: [-1, 60]}}}}" for a, b in ((-60, -2), (2, 60)))
    done = treat(
        data,
        (left, "{fit: {offset: 0.1}}"),
        (right, "{fit: {offset: -0.1}}"),
        ("all", "{fit: {offset: 0.2}}"),
    )
    z = done.before.heights[0]
    a, b = done.before.plastic(z).bounds, done.after.plastic(z).bounds
    assert b[0] == pytest.approx(a[0] - 0.1, abs=1e-3) and b[2] == pytest.approx(a[2] - 0.1, abs=1e-3)
    # What no earlier region has, four millimetres on either side, goes to the third, and blends into both.
    (loop,) = done.after.at(z, "outer")
    top = loop.corners[(np.abs(loop.corners[:, 0] - 100) < 2) & (loop.corners[:, 1] > 100)][:, 1]
    assert 0.15 < top.max() - a[3] < 0.21


def test_new_perimeters_and_a_moved_wall_are_told_to_come_one_after_the_other(treat, move):
    """Both at once on one layer is refused in words; the second after the first works."""
    recipe = Recipe(density=0.15, solid_layers=1)
    both = move(shapes.rectangle(20, 14), 0.05, more=", perimeters: {add: 1}", recipe=recipe, height=1.0)
    assert "treat with `fit` first" in both.done().why
    first = move(shapes.rectangle(20, 14), 0.05, recipe=recipe, height=1.0)
    second = treat(first.data, ("all", "{perimeters: {add: 1}}"), again=True)
    assert "laid" in second.done("perimeters").done


def test_the_estimate_of_a_treated_plate_is_that_of_its_text(move):
    done = move(SHAPE, -0.05)
    again = Plate.from_bytes(done.data, done.plate.program.lines.name)
    one, two = (
        estimate_plate(p, done.applied.kit, Options(()))[0] for p in (done.applied.treated.plate, again)
    )
    assert one["regions"] == two["regions"] and one["total"] == two["total"]
    moves = done.applied.treated.moves
    assert np.array_equal(moves.x, again.moves.x) and np.array_equal(moves.e, again.moves.e)


def test_added_mass_is_what_the_text_pushes_more(move):
    done = move(SHAPE, 0.1, recipe=Recipe(density=1.0, solid_layers=3))
    more = sum(
        s.filament(z) * sign for z in done.before.heights for s, sign in ((done.after, 1), (done.before, -1))
    )
    gram = more * np.pi * 1.75**2 / 4 * 1.27 / 1000
    assert done.applied.summary["added"]["mass_g"]["best"] == pytest.approx(gram, abs=2e-4)
    assert f"{more:+.2f} mm of filament" in done.done().done


def coasting(wipe: bool) -> bytes:
    """Three layers of a block of 20 mm, one wall in another, whose loops run dry over their last 1.5 mm; `wipe`
    pulls filament back on that way."""
    lines = ["EXCLUDE_OBJECT_DEFINE NAME=block", "M83", "G21", "G90", "M104 S230"]
    for n in range(3):
        z = 0.2 * (n + 1)
        lines += [
            f";LAYER_CHANGE\n;Z:{z:g}\n;HEIGHT:0.2",
            f"G1 Z{z:g} F600",
            "EXCLUDE_OBJECT_START NAME=block",
        ]
        for word, half in (("Perimeter", 9.368), ("External perimeter", 9.775)):
            low, high = 50 - half, 50 + half
            e = [f"{0.0338 * length:.5f}" for length in (2 * half, 2 * half - 1.5)]
            lines += [f";TYPE:{word}", ";WIDTH:0.45", f"G1 X{low} Y{low} F9000", "G1 E0.8 F2100"]
            lines += [
                f"G1 X{high} Y{low} E{e[0]} F1200",
                f"G1 X{high} Y{high} E{e[0]}",
                f"G1 X{low} Y{high} E{e[0]}",
            ]
            lines += [f"G1 X{low} Y{low + 1.5} E{e[1]}", f"G1 X{low} Y{low}{' E-0.5' if wipe else ''} F1200"]
            lines += ["G1 E-0.3 F2100" if wipe else "G1 E-0.8 F2100"]
        lines += ["EXCLUDE_OBJECT_END NAME=block"]
    return "\n".join([*lines, "G1 X0 Y0 F9000", ""]).encode()


@pytest.mark.parametrize("wipe", [False, True], ids=["coasts", "wipes"])
def test_a_wall_that_runs_dry_is_followed_to_its_start(treat, wipe):
    """The dry way goes along the moved wall, and what is pulled back on it stays what it was."""
    done = treat(coasting(wipe), ("all", "{fit: {offset: 0.1}}"))
    assert "not moved" not in done.done().why
    text = [line for line in done.data.decode().splitlines() if line.startswith("G1")]
    back = [line for line in text if line.startswith("G1 X40.125 Y40.125 ") and ("E-" in line) == wipe]
    inner = [line for line in text if line.startswith("G1 X40.532 Y40.532 ") and ("E-" in line) == wipe]
    # Once a layer as the travel there, once as the dry way.
    assert len(back) == len(inner) == (3 if wipe else 6)
    assert not wipe or all(line.endswith(" E-0.5 F1200") for line in back + inner)
    for z in done.before.heights:
        outer = [s.at(z, "outer")[0].corners for s in (done.before, done.after)]
        step = outer[1] - outer[0]
        assert np.abs(step[:4]) == pytest.approx(np.full((4, 2), 0.1), abs=1e-9)
        assert step[4] == pytest.approx((-0.1, 0.0), abs=1e-9)


@pytest.mark.parametrize("relative", [True, False], ids=["relative", "absolute"])
def test_new_perimeters_below_and_a_moved_wall_above(treat, move, relative):
    """On layers of their own both are done, in one file with runs, removed fill and moved walls."""
    block = shapes.rectangle(20, 14)
    plain = move(
        (block, block), 0.05, places=((80, 100), (120, 100)), height=2.0, relative_e=relative,
        recipe=Recipe(density=0.15, solid_layers=1),
    )  # fmt: skip
    done = treat(
        plain.plate.render(),
        ("{slab: {z: [0.3, 1.0]}}", "{perimeters: {add: 1}}"),
        ("{slab: {z: [1.0, 1.6]}}", "{fit: {offset: -0.07}, speed: {scale: 90%}}"),
    )
    answers = {one.setting: one for one in done.applied.done}
    assert "laid" in answers["perimeters"].done and "walls moved by" in answers["fit"].done
    z = 1.4
    assert apart(done.after.plastic(z), grown(done.before.plastic(z), -0.07)) <= 0.01
    assert done.after.plastic(0.6).equals(done.before.plastic(0.6))
