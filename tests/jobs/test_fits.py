"""Joints of a kit: partners, how many walls count, and what `check` tells of them."""

from __future__ import annotations

import pytest

from gcodetools.demo.maker import Placement, make
from gcodetools.errors import InputError
from gcodetools.jobs.check import checked
from gcodetools.jobs.fits import MOST_OFFSET_MM
from gcodetools.jobs.joints import joints_of, kit_offset, kit_walls, mismatches, moved_words, plate_walls
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.kit.selection import select
from gcodetools.toolpath.plate import Plate

KIT = """
beadwright: 1
kit: t
material: petg
parts:
  key:
    found_by: {outline: [[[-3, 0], [3, 0], [3, 24], [-3, 24]]], height: 5}
    regions:
      shank: {role: seat, within: %(shank)s, beads: %(beads)s, load: {key: {width: 6, squeeze: %(squeeze)s, height: 4.8,
              length: 9, taper: 0.7%(mate)s}}, treat: %(treat)s}
  block:
    found_by: {outline: [[[-20, -10], [20, -10], [20, 10], [-20, 10]]], height: 14}
    regions:
      slot: {role: seat, within: {box: {x: [-4, 4], y: [-5, 11], z: [4, 11]}}, load: {key: {width: 6, squeeze: 0.05,
             height: 4.8, length: 9, taper: 0.7}}, treat: %(slot)s}
      bore: {role: seat, within: {cylinder: {centre: [12, 0], radius: 5}}, load: {press: {diameter: 8,
             interference: -0.05, outer: 16, length: 10, pin: rigid}}}
"""
PLAIN = {
    "shank": "{box: {y: [4, 20]}}",
    "beads": "any",
    "squeeze": "0.05",
    "mate": "",
    "treat": "{fit: {offset: 0.05}}",
    "slot": "{speed: {max: 30}}",
}
MATE = ", mate: block/slot"


def kit(**changes: str):
    return kit_from_bytes((KIT % {**PLAIN, **changes}).encode(), "t.kit.yaml")


def joints(**changes: str):
    loaded = kit(**changes)
    return joints_of(loaded, kit_offset(loaded), kit_walls)


def fits(**changes: str) -> dict[str, list[dict]]:
    record, _ = checked(kit(**changes))
    return {
        f"{part['part']}/{region['region']}": region["fits"]
        for part in record["parts"]
        for region in part["regions"]
    }


def test_an_offset_counts_once_a_flank():
    both, one = joints()["key/shank"][0], joints(shank="{box: {x: [0, 4], y: [4, 20]}}")["key/shank"][0]
    assert (both.own.walls, both.own.walls_from) == (2, "the part's outline")
    assert both.moved_mm == pytest.approx(0.1) and both.mate is None
    assert one.own.walls == 1 and one.moved_mm == pytest.approx(0.05)
    none = joints(beads="infill")["key/shank"][0]
    assert none.own.walls == 0 and none.moved_mm == 0.0


def test_a_slot_above_the_first_layer_is_assumed_to_have_both():
    """The outline is the first layer's: its edge at y = 10 lies in the region, and is no wall of the slot."""
    slot = joints()["block/slot"][0]
    assert (slot.own.walls, slot.own.walls_from) == (2, "assumed")
    assert "two assumed" in moved_words(joints(slot="{fit: {offset: -0.02}}")["block/slot"][0])


def test_partners_name_each_other_both_ways_and_both_count():
    found = joints(mate=MATE, slot="{fit: {offset: -0.02}}")
    (key,), (slot,) = found["key/shank"], found["block/slot"]
    assert key.mate is not None and slot.mate is not None
    assert (key.mate.name, slot.mate.name) == ("block/slot", "key/shank")
    assert key.moved_mm == slot.moved_mm == pytest.approx(2 * 0.05 - 2 * 0.02)
    assert "on its two flanks and -0.02 on the two flanks of block/slot" in moved_words(key)


@pytest.mark.parametrize("mate", ["block/slott", "block", "key/shank", "nothing at all"])
def test_a_partner_that_is_not_there_is_an_error_with_the_nearest(mate):
    with pytest.raises(InputError) as caught:
        joints(mate=f", mate: {mate}")
    assert caught.value.cause.startswith(
        f"parts.key.regions.shank.load.key.mate: found '{mate}', expected another"
    )
    assert ("nearest 'block/slot'" in caught.value.cause) == (
        mate != "nothing at all" and mate != "key/shank"
    )
    assert "block/bore" in caught.value.hint
    with pytest.raises(InputError):
        checked(kit(mate=f", mate: {mate}"))


def test_partners_that_do_not_say_the_same_are_told():
    assert mismatches(joints(mate=MATE)) == []
    (told,) = mismatches(joints(mate=MATE, squeeze="0.1"))
    assert (
        told
        == "block/slot and key/shank are partners, but declare squeezes of 0.05, 0.1 mm; each is summed by its own"
    )
    (told,) = mismatches(joints(mate=", mate: block/bore"))
    assert "one has a `press` and the other a `key` load" in told
    assert any("are partners" in text for text in checked(kit(mate=MATE, squeeze="0.1"))[1])


def test_check_tells_drawn_and_moved():
    (key,) = fits()["key/shank"]
    assert key["drawn_mm"] == 0.05 and key["offset_mm"] == 0.05 and key["walls"] == 2
    assert key["as_drawn"]["squeeze_mm"]["best"] == 0.05 and key["with_fit"]["squeeze_mm"]["best"] == 0.15
    assert key["with_fit"]["push_n"]["best"] == pytest.approx(3 * key["as_drawn"]["push_n"]["best"], rel=1e-5)
    assert key["sentence"].startswith(
        "squeeze 0.05 mm as drawn, 0.15 mm with fit +0.05 on its two flanks: push "
    )
    assert key["taper"] == {"deg": 0.7, "up_to_deg": 21.801, "holds": True, "sure": True}
    for sums in (key["as_drawn"], key["with_fit"]):
        for name in ("push_n", "pull_n", "pressure_mpa", "strain", "squeeze_mm"):
            assert sums[name].keys() == {"low", "best", "high", "basis", "coverage", "source"}


def test_a_bore_with_play_is_loose_and_says_what_would_hold():
    (bore,) = fits()["block/bore"]
    assert "with_fit" not in bore and "offset_mm" not in bore and "taper" not in bore
    assert bore["sentence"].startswith("play 0.05 mm as drawn: loose, no force")
    assert bore["as_drawn"]["push_n"]["best"] == 0.0 and bore["as_drawn"]["loose_share"] > 0.5
    line = next(one for one in bore["offset_for"] if one["for"] == "line to line")
    assert line == {"for": "line to line", "squeeze_mm": 0.0, "offset_mm": 0.025, "possible": True}


def test_offsets_asked_for_give_what_is_wanted():
    """The offset that is told, put into the kit, gives the squeeze; a partner's own counts as it is."""
    for mate, slot in (("", PLAIN["slot"]), (MATE, "{fit: {offset: 0.03}}")):
        record, _ = checked(kit(mate=mate, slot=slot), squeeze_mm=0.12)
        wanted = record["parts"][0]["regions"][0]["fits"][0]["offset_for"][0]
        assert wanted["for"] == "wanted" and wanted["possible"]
        treat = f"{{fit: {{offset: {wanted['offset_mm']}}}}}"
        again = fits(mate=mate, slot=slot, treat=treat)["key/shank"][0]
        assert again["with_fit"]["squeeze_mm"]["best"] == pytest.approx(0.12)


def test_an_offset_that_no_fit_takes_is_said():
    record, _ = checked(kit(squeeze="-0.5"), squeeze_mm=0.2)
    fit = record["parts"][0]["regions"][0]["fits"][0]
    assert not fit["offset_for"][0]["possible"] and fit["offset_for"][0]["offset_mm"] > MOST_OFFSET_MM
    assert "fit +0.350, beyond the 0.2 mm that `fit` moves" in fit["sentence"]


def test_a_row_of_offsets_rises():
    rows = fits()["key/shank"][0]["offsets"]
    assert [row["offset_mm"] for row in rows] == [-0.1, -0.05, 0.0, 0.05, 0.1]
    assert [row["squeeze_mm"] for row in rows] == pytest.approx([-0.15, -0.05, 0.05, 0.15, 0.25])
    push = [row["push_n"]["best"] for row in rows]
    assert push == sorted(push) and push[0] == push[1] == 0.0 < push[2]
    assert fits(beads="infill")["key/shank"][0]["offsets"] == []


PLATE_KIT = """
beadwright: 1
kit: t
parts:
  saddle:
    found_by: {label: "ridge-saddle*"}
    regions:
      both: {role: seat, beads: perimeters,
             within: {any_of: [{box: {x: [24.5, 32.5], y: [-11, -2.5], z: [5.5, 9.5]}}, {mirror: x}]},
             load: {key: {width: 6, squeeze: 0.05, height: 4.8, length: 9}}}
      outer: {role: seat, beads: perimeters,
              within: {any_of: [{box: {x: [29, 32.5], y: [-11, -4.5], z: [5.5, 9.5]}}, {mirror: x}]},
              load: {key: {width: 6, squeeze: 0.05, height: 4.8, length: 9}}}
"""


def test_a_slot_on_a_plate_is_measured_whatever_way_the_part_is_turned():
    """The saddle's slots run from z 5 to 10, so that its outline shows none; the file's walls do."""
    for turn in (0.0, 90.0):
        plate = Plate.from_bytes(make(parts=(Placement("ridge-saddle", 110, 110, turn),)).data, "plate.gcode")
        text = PLATE_KIT
        loaded = kit_from_bytes(text.encode(), "t.kit.yaml")
        pose = place(loaded, plate).poses[0]
        if turn:
            # Without an outline the frame is not turned; so the region is.
            text = text.replace("x: [24.5, 32.5], y: [-11, -2.5]", "y: [24.5, 32.5], x: [2.5, 11]")
            text = text.replace("x: [29, 32.5], y: [-11, -4.5]", "y: [29, 32.5], x: [4.5, 11]").replace(
                "mirror: x", "mirror: y"
            )
            loaded = kit_from_bytes(text.encode(), "t.kit.yaml")
        part = loaded.parts["saddle"]
        found = {
            name: plate_walls(plate, pose, select(plate, pose, region, name), region.load)
            for name, region in part.regions.items()
        }
        assert found["both"][0] == 2 and "the file's walls" in found["both"][1], turn
        assert found["outer"][0] == 1, turn
        assert kit_walls(part, part.regions["both"], "saddle/both") == (2, "assumed")
