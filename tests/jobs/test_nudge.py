"""`nudge` moves the walls that are named and nothing else, says which instance got what, and its record is read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Bands, Part
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.as_moved import as_moved
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.fits_done import moved_in
from gcodetools.jobs.nudge import Nudge, chosen_regions, nudge_plate
from gcodetools.jobs.regions import found_regions
from gcodetools.jobs.sources import Subset
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.kit.settings import Speed, Treatment
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate

pytestmark = pytest.mark.usefixtures("few_cells")

SHANK = "wedge-key-snug/shank"
MATED = hoophouse_kit().replace(
    "height: 4.8, length: 9, taper: 0.7}}\n        use: {times: 2, held: strained, temperature: [-5, 50], years: 5}\n"
    "        treat: {flow",
    "height: 4.8, length: 9, taper: 0.7, mate: ridge-saddle/key-slot}}\n        treat: {flow",
)
assert "mate:" in MATED


def kit_of(text: str = MATED):
    return kit_from_bytes(text.encode(), "hoophouse.kit.yaml")


KIT = kit_of()


@pytest.fixture(scope="module")
def plate():
    parts = tuple(Placement("wedge-key-snug", 40 + 20 * k, 110) for k in range(5))
    return Plate.from_bytes(make(parts=parts).data, "keys.gcode")


def nudged(plate, nudge, kit=KIT, **options):
    return nudge_plate(plate, kit, replace(Options(()), **options), nudge, lambda stage: None)


@pytest.fixture(scope="module")
def ladder(plate, few_cells):
    return nudged(plate, Nudge((-0.10, -0.05, 0.0, 0.05), (SHANK,)))


def instance_lines(plate, pose):
    """Lines of the moves of an instance's beads."""
    return plate.program.moves.line[pose.rows]


def test_each_instance_gets_its_own_in_the_order_of_numbers(ladder):
    got = {one["instance"]: one["offset_mm"] for one in ladder.record["instances"]}
    assert got == {1: -0.10, 2: -0.05, 3: 0.0, 4: 0.05, 5: -0.10}
    moved = {one["instance"]: one["moved"] for one in ladder.record["instances"]}
    assert moved == {1: ["shank"], 2: ["shank"], 3: [], 4: ["shank"], 5: ["shank"]}
    places = [(one["x_mm"], one["y_mm"]) for one in ladder.record["instances"]]
    assert [x for x, _ in places] == [40, 60, 80, 100, 120]


def test_fit_alone_is_done(plate, ladder):
    """The kit's own treatment of the shank (flow, acceleration) is left out."""
    assert {done.setting for done in ladder.applied.done} == {"fit"}
    assert {region["treatment"] for region in ladder.record["regions"]} == {"fit"}
    draft = ladder.applied.treated.draft
    assert not draft.holds and not draft.rests
    assert all(change.why.find("accel") < 0 for change in ladder.applied.treated.changes)


def test_an_offset_of_nothing_leaves_every_byte_of_its_instance(plate, ladder):
    lines = plate.program.lines
    pose = next(pose for pose in place(KIT, plate).poses if pose.instance == 3)
    first, last = instance_lines(plate, pose)[0], instance_lines(plate, pose)[-1]
    touched = [c for c in ladder.applied.treated.changes if "totals" not in c.why]
    mine = set(instance_lines(plate, pose).tolist())
    assert touched and not any(mine & set(range(c.first, c.last + 1)) for c in touched)
    assert last > first and lines.data != ladder.applied.treated.render()


def test_the_record_in_the_file_says_who_got_what(ladder):
    data = ladder.applied.treated.render()
    assert moved_in(data) == {(SHANK, 1): -0.1, (SHANK, 2): -0.05, (SHANK, 4): 0.05, (SHANK, 5): -0.1}
    head = [line for line in data.split(b"\n") if line.startswith(b"; beadwright ")]
    assert (
        b"; beadwright nudge: fit -0.1, -0.05, +0, +0.05 mm alone, the kit's own treatments left out" in head
    )
    regions = [line for line in head if line.startswith(b"; beadwright region: ")]
    assert len(regions) == 3 and b"wedge-key-snug/shank of #1,5: fit " in regions[0]
    assert all(len(line) < 200 for line in head)


def test_fits_are_told_once_an_offset(ladder):
    fits = ladder.record["fits"]
    assert [(fit["instances"], fit.get("offset_mm", 0.0)) for fit in fits] == [
        ([1, 5], -0.1), ([2], -0.05), ([3], 0.0), ([4], 0.05),
    ]  # fmt: skip
    assert all(fit["mate"] == "ridge-saddle/key-slot" and fit["walls"] == 2 for fit in fits)
    assert all("the file's walls of layer" in fit["walls_from"] for fit in fits)
    best = [fit.get("with_fit", fit["as_drawn"])["squeeze_mm"]["best"] for fit in fits]
    assert best == pytest.approx([-0.15, -0.05, 0.05, 0.15])


def test_an_estimate_of_the_file_takes_the_moved_walls(plate, ladder):
    """From the treated plate and from its bytes read again, the same; the declared load where nothing was moved."""
    data = ladder.applied.treated.render()
    records = [
        estimate_plate(one, KIT, Options(()))[0]
        for one in (ladder.applied.treated.plate, Plate.from_bytes(data, "keys.gcode"))
    ]
    assert records[0]["regions"] == records[1]["regions"]
    keys = {one["instance"]: one for one in records[0]["regions"]}
    opening = {number: one["load"]["opening_mm"] for number, one in keys.items()}
    assert opening == pytest.approx({1: -0.15, 2: -0.05, 3: 0.05, 4: 0.15, 5: -0.15})
    assert keys[4]["load"]["force_n"]["best"] > keys[3]["load"]["force_n"]["best"] > 0
    assert "force_n" not in keys[1]["load"] or keys[1]["load"]["force_n"]["best"] == 0
    note = "squeeze 0.15 mm is taken, squeeze 0.05 mm as drawn: the file's record says fit +0.05 on its two flanks"
    assert note in keys[4]["notes"] and not any("record says" in text for text in keys[3]["notes"])
    before = estimate_plate(plate, KIT, Options(()))[0]["regions"]
    assert {one["load"]["opening_mm"] for one in before} == {0.05}


def test_apply_tells_of_moved_walls_as_well(plate):
    text = MATED.replace("treat: {flow: {scale: 102%}, accel: {max: 1000}}", "treat: {fit: {offset: 0.02}}")
    kit = kit_of(text)
    applied = apply_plate(plate, kit, Options(()))
    assert moved_in(applied.treated.render()) == {(SHANK, n): 0.02 for n in range(1, 6)}
    again = applied.treated.plate
    found, _ = found_regions(again, kit, place(kit, again))
    moved = as_moved(again, kit, found)
    assert {name: region.load.squeeze_mm for name, (region, _) in moved.items()} == pytest.approx(
        {f"wedge-key-snug#{n}/shank": 0.09 for n in range(1, 6)}
    )


def across(plate, pose, layer, y_mm, span):
    """Width of plastic of an instance at one height, on a line across its frame, mm."""
    mine = pose.rows[pose.layer == layer]
    shape = shapely.union_all([one.polygon for one in of_layer(plate, int(plate.beads.layer[mine[0]]), mine)])
    x, y = pose.to_world(np.array(span), np.array([y_mm, y_mm]))
    return shape.intersection(shapely.LineString(np.column_stack([x, y]))).length


def test_keys_come_out_wider_by_twice_their_offset(plate, ladder):
    """Measured on the beads of the file read again, by shapely: at layer 12 and 13 mm behind the head's edge."""
    again = ladder.applied.treated.plate
    widths = [
        {p.instance: across(one, p, 12, 13.0, (-8.0, 8.0)) for p in place(KIT, one).poses}
        for one in (plate, again)
    ]
    grown = {number: widths[1][number] - width for number, width in widths[0].items()}
    assert grown == pytest.approx({1: -0.2, 2: -0.1, 3: 0.0, 4: 0.1, 5: -0.2}, abs=0.004)


@pytest.fixture(scope="module")
def saddle():
    parts = (Placement("wedge-key-snug", 60, 60), Placement("ridge-saddle", 110, 110))
    return Plate.from_bytes(make(parts=parts).data, "both.gcode")


@pytest.fixture(scope="module")
def both(saddle, few_cells):
    """A key and its slot, both moved, as without --region."""
    return nudged(saddle, Nudge((0.02,)))


def test_a_slot_comes_out_narrower_where_its_plastic_grows(saddle, both):
    # Slot from x 25.5 to 31.5 in a block that ends at 34.
    widths = []
    for plate in (saddle, both.applied.treated.plate):
        pose = next(pose for pose in place(KIT, plate).poses if pose.part == "ridge-saddle")
        widths.append(10.0 - across(plate, pose, 38, -7.5, (23.5, 33.5)))
    assert widths[0] == pytest.approx(6.0, abs=0.1)
    assert widths[1] - widths[0] == pytest.approx(-0.04, abs=0.003)


def test_subsets_are_kept(plate):
    only = nudged(plate, Nudge((0.05, -0.05), (SHANK,)), subset=Subset.parse("wedge-key-snug#2,5"))
    assert {one["instance"]: one["offset_mm"] for one in only.record["instances"]} == {2: 0.05, 5: -0.05}
    half = nudged(plate, Nudge((0.05,), (SHANK,)), subset=Subset.parse(None, half=True))
    assert [one["instance"] for one in half.record["instances"]] == [1, 3, 5]
    assert half.record["untreated_instances"] == ["wedge-key-snug#2", "wedge-key-snug#4"]


def test_offsets_without_an_instance_are_warned_of(plate):
    many = nudged(plate, Nudge((0.01, 0.06, -0.01), (SHANK,)), subset=Subset.parse("wedge-key-snug#4"))
    assert "no instance is left for +0.06, -0.01 mm" in many.warnings


def test_partners_that_both_move_are_warned_of_and_both_count(both, ladder):
    assert set(both.record["nudged"]) == {SHANK, "wedge-key-easy/shank", "ridge-saddle/key-slot"}
    assert any(
        text.startswith("ridge-saddle/key-slot and wedge-key-snug/shank are partners")
        for text in both.warnings
    )
    fit = next(one for one in both.record["fits"] if one["region"] == SHANK)
    assert fit["with_fit"]["squeeze_mm"]["best"] == pytest.approx(0.05 + 2 * 0.02 + 2 * 0.02)
    assert not any("partners" in text for text in ladder.warnings)


def test_regions_are_seats_or_those_that_are_named():
    assert set(chosen_regions(KIT, ())) == {"ridge-saddle/key-slot", SHANK, "wedge-key-easy/shank"}
    assert list(chosen_regions(KIT, (SHANK, SHANK))) == [SHANK]
    with pytest.raises(UsageError) as caught:
        chosen_regions(KIT, ("wedge-key-snug/shanks",))
    assert "--region wedge-key-snug/shanks: no such region" in caught.value.cause
    assert SHANK in caught.value.hint
    with pytest.raises(UsageError, match="no region has `role: seat`"):
        chosen_regions(kit_of(MATED.replace("role: seat", "role: clip")), ())


def test_a_region_that_is_no_seat_is_warned_of_and_one_without_a_load_has_no_fit(plate):
    text = MATED.replace("role: seat", "role: clip")
    for load in [line for line in MATED.splitlines() if "load: {key:" in line]:
        text = text.replace(load, "")
    found = nudged(plate, Nudge((0.02,), (SHANK,)), kit=kit_of(text), subset=Subset.parse("wedge-key-snug#1"))
    assert f"{SHANK}: role clip, expected a seat; its walls are moved all the same" in found.warnings
    assert [fit["region"] for fit in found.record["fits"]] == [SHANK]
    assert "no `press` or `key` load" in found.record["fits"][0]["note"]


@pytest.mark.parametrize(("height", "counts"), [(3.6, False), (1.2, True)])
def test_a_fit_whose_wall_stays_in_part_says_so(height, counts):
    """A block 0.05 mm beside a key of 4.8 mm keeps the key's walls where they are on its layers, 18 or 6 of 24."""
    block = Part("block", height, Bands(((height, shapely.box(3.1, 5, 8, 9)),)), (8.0, 7.0))
    data = make(parts=(Placement("wedge-key-snug", 60, 60), Placement(block, 60, 60))).data
    found = nudged(Plate.from_bytes(data, "near.gcode"), Nudge((0.1,), (SHANK,)))
    (fit,) = found.record["fits"]
    share = round(height / 4.8 * 100)
    taken = "its sums take the offset for all of it" if counts else "its fit is told as drawn"
    assert fit["note"] == f"{share} % of its wall could not be moved: {taken}"
    assert ("with_fit" in fit) == counts
    assert found.record["instances"][0]["moved"] == ["shank"]
    assert moved_in(found.applied.treated.render()) == ({(SHANK, 1): 0.1} if counts else {})
    assert "set the parts farther apart" in found.record["regions"][0]["why"]


def test_walls_that_could_not_be_moved_do_not_count(plate):
    """A region of fill alone holds no outermost perimeter: nothing is moved, and nothing says so."""
    kit = kit_of(MATED.replace("      shank:\n", "      shank:\n        beads: infill\n"))
    found = nudged(plate, Nudge((0.02,), (SHANK,)), kit=kit, subset=Subset.parse("wedge-key-snug#2"))
    (done,) = found.record["regions"]
    assert done["treatment"] == "fit" and done["done"] == "nothing"
    assert [(who["instance"], who["moved"]) for who in found.record["instances"]] == [(2, [])]
    (fit,) = found.record["fits"]
    assert fit["walls"] == 0 and "with_fit" not in fit and "holds no wall" in fit["sentence"]
    assert found.applied.treated.render() == plate.program.lines.data


@pytest.mark.parametrize(
    "offsets", [(0.21,), (0.05, -0.3), (float("nan"),), (float("inf"),), (0.0,), (0.0, 0.0), ()]
)
def test_offsets_that_no_fit_takes_are_refused(plate, offsets):
    with pytest.raises(UsageError):
        nudged(plate, Nudge(offsets, (SHANK,)))


# --- another treatment an instance, whatever it is


def test_treatments_may_be_given_by_instance(plate):
    """The kit's own is left out where another is given, and the record says who was asked for what."""
    speeds = {1: 20.0, 2: 30.0, 3: 20.0}

    def instead(pose, name, region):
        return Treatment(speed=Speed(max_mm_s=speeds[pose.instance])) if pose.instance in speeds else None

    applied = apply_plate(plate, KIT, Options((), instead=instead, noted=(("ladder", "speed"),)))
    asked = {(d.instance, d.setting, d.asked) for d in applied.done}
    assert {(n, s) for n, s, _ in asked} == {(1, "speed"), (2, "speed"), (3, "speed")}
    head = [line for line in applied.treated.render().split(b"\n") if line.startswith(b"; beadwright ")]
    regions = [line for line in head if b" region: " in line]
    assert (
        len(regions) == 2 and b"shank of #1,3: speed " in regions[0] and b"shank of #2: speed " in regions[1]
    )
    assert b"; beadwright ladder: speed" in head
    # An instance that is left alone keeps its lines.
    lines = set(instance_lines(plate, next(p for p in applied.placed.poses if p.instance == 5)).tolist())
    touched = [c for c in applied.treated.changes if "totals" not in c.why]
    assert touched and not any(lines & set(range(c.first, c.last + 1)) for c in touched)


def test_without_it_the_kit_s_own_is_done_and_told_as_ever(plate):
    applied = apply_plate(plate, KIT, Options(()))
    assert {d.setting for d in applied.done} == {"flow", "accel"}
    head = [line for line in applied.treated.render().split(b"\n") if b" region: " in line]
    assert len(head) == 1 and b"wedge-key-snug/shank of 5 instances: flow " in head[0]
