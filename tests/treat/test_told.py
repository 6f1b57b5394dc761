"""What is said of new beads: counts and rooms of the same places, in few ranges of layers."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from gcodetools.toolpath.strands import Gauge, fill_room
from gcodetools.treat.intervals import cut_strands, in_polygon, segments
from gcodetools.treat.places import Places, places_of
from gcodetools.treat.told import LayerTold, told

GAUGE = Gauge(0.4, 0.24, 0.62, 0.75)
HIT = SimpleNamespace(part="clip", instance=1, region="lips")


def laid_in(room, within, count=None):
    """Places of what a room is filled with inside an area."""
    parts = [fill_room(part, GAUGE, count) for part in shapely.get_parts(room).tolist()]
    strands = [s for part in parts for s in part.strands]
    begin, end, owner = segments(strands)
    mine = cut_strands(strands, owner, in_polygon(begin, end, within))
    return places_of(room, parts, mine)


# An arm 0.8 broad on a square of 8 mm: two beads across here, ten loops there.
DUMBBELL = shapely.union(box(0, 0, 8, 8), box(7.9, 3.6, 40, 4.4))
EVERYWHERE = box(-50, -50, 90, 90)


def test_the_room_of_a_region_is_that_of_the_places_it_lays_beads_in():
    """Closed form: 0.8 mm in the arm, 8 mm in the square, whatever else belongs to the island."""
    arm = laid_in(DUMBBELL, box(15, 0, 50, 8))
    assert arm.thickness == pytest.approx(0.8, abs=0.02)
    assert arm.loops.max() == arm.loops.min() == 1
    square = laid_in(DUMBBELL, box(-1, -1, 7, 9))
    assert np.median(square.thickness) == pytest.approx(8.0, abs=0.1)
    assert square.loops.max() in (9, 10)
    both = laid_in(DUMBBELL, EVERYWHERE)
    assert both.thickness.min() == pytest.approx(0.8, abs=0.02)
    assert both.thickness.max() == pytest.approx(8.0, abs=0.1)
    thin = both.thickness < 1.0
    assert both.loops[thin].max() == 1 and np.median(both.loops[~thin]) >= 9


def test_parts_that_lie_side_by_side_do_not_lend_each_other_loops():
    room = shapely.MultiPolygon([box(0, 0, 8, 8), box(8.9, 0, 9.7, 8)])
    found = laid_in(room, EVERYWHERE)
    assert found.loops[found.thickness < 1.0].max() == 1


def test_a_wide_room_of_two_breadths_has_both():
    """Nothing of it is narrow, so it is laid at the pitch; yet the arm is 5 mm broad and the square 20 mm."""
    room = shapely.union(box(0, 0, 20, 20), box(19, 5, 60, 10))
    arm = laid_in(room, box(30, 0, 55, 20), count=2)
    assert arm.thickness == pytest.approx(5.0, rel=0.1)
    square = laid_in(room, box(-1, -1, 12, 21), count=2)
    assert np.median(square.thickness) == pytest.approx(20.0, rel=0.1)


def test_a_disc_has_its_diameter_and_a_ring_its_breadth():
    assert np.median(laid_in(Point(0, 0).buffer(5), EVERYWHERE).thickness) == pytest.approx(10, abs=0.2)
    ring = LineString(Point(0, 0).buffer(9).exterior.coords).buffer(0.515)
    found = laid_in(ring, EVERYWHERE)
    assert found.thickness == pytest.approx(1.03, abs=0.03)


def test_loops_that_nothing_carries_are_not_counted_though_deeper_ones_are_laid():
    room = box(0, 0, 12, 12)
    filled = fill_room(room, GAUGE, None)
    deepest = max(s.loop for s in filled.strands)
    found = places_of(room, [filled], [s for s in filled.strands if s.loop not in range(3, deepest)])
    assert found.loops.max() == 3  # the first two, and the deepest
    assert places_of(room, [filled], list(filled.strands)).loops.max() == deepest


def test_without_beads_there_is_no_place():
    found = places_of(DUMBBELL, [fill_room(DUMBBELL, GAUGE, None)], [])
    assert len(found.thickness) == len(found.loops) == len(found.weights) == 0
    assert len(places_of(Polygon(), [], []).thickness) == 0


# -- words ---------------------------------------------------------------------------------------------------


def layer(number, laid=1, middle=0.0, room=1.0, mm=100.0, why="", **more):
    return LayerTold(
        number, laid, middle, 0.0, mm, room, more.get("bridge_mm", 0.0) > 0, more.get("open_mm", 0.0),
        more.get("dots_mm", 0.0), 0.0, more.get("crumbs_mm", 0.0), why,
        bridge_mm=more.get("bridge_mm", 0.0), places=more.get("places"),
    )  # fmt: skip


def none(number, why):
    return layer(number, 0, 0.0, 0.0, 0.0, why)


def places(*groups):
    """Of (room mm, perimeters, weight)."""
    room, loops, weights = zip(*groups, strict=True)
    return Places(np.array(room), np.array(weights, float), np.array(loops))


def said(layers, add=2, key="perimeters"):
    setting = SimpleNamespace(fill=add is None, add=add)
    treatment = SimpleNamespace(perimeters=setting, infill=None)
    return told(HIT, key, treatment, layers)


def test_the_line_says_what_was_laid_the_middle_bead_and_the_room():
    done = said([layer(k, 1, 0.58, 1.03) for k in range(3, 41)])
    assert done.asked == "2"
    assert done.done == (
        "laid 1 perimeter and a middle bead of 0.58 mm on layers 3-40; room 1.03 mm; 3800 mm of new beads"
    )
    assert done.why == ""


def test_a_range_comes_with_what_is_typical_and_the_room_with_its_median():
    wide = places((0.7, 1, 30.0), (1.8, 2, 60.0), (7.0, 9, 10.0))
    done = said([layer(k, 9, 0.44, 1.8, places=wide) for k in range(1, 11)], None)
    assert done.done.startswith(
        "laid 1 to 9 perimeters, typically 2, and a middle bead of 0.44 mm on layers 1-10; "
        "room 0.70 to 7.00 mm, median 1.80 mm; "
    )


def test_narrow_places_have_middle_beads_and_wide_ones_perimeters():
    mostly = places((0.4, 0, 80.0), (1.2, 2, 20.0))
    (first, *_) = said([layer(1, 2, 0.4, 0.4, places=mostly)]).done.split(";")
    assert first == "laid a middle bead of 0.40 mm, in wide places up to 2 perimeters, on layer 1"
    other = places((0.4, 0, 20.0), (1.2, 2, 80.0))
    (first, *_) = said([layer(1, 2, 0.4, 1.2, places=other)]).done.split(";")
    assert first == "laid 2 perimeters, in narrow places a middle bead of 0.40 mm, on layer 1"


def test_layers_that_differ_are_named_and_few():
    few = said([layer(k, 1 if k in (41, 44) else 3) for k in range(41, 81)])
    assert few.done.startswith("laid 1 to 3 perimeters, typically 3, on layers 41-80 (1 on layers 41, 44); ")
    near = said([layer(k, 18 if k == 41 else 19) for k in range(41, 81)], None)
    assert near.done.startswith("laid 18 to 19 perimeters, typically 19, on layers 41-80; ")
    many = said([layer(k, 2 if k % 2 else 3 + (k == 50)) for k in range(11, 92)], None)
    first = many.done.split(";")[0]
    assert first.startswith("laid 2 to 4 perimeters, typically 2, on layers 11-91 (")
    assert first.count("layer") <= 5 and first.endswith(" and 36 more, see --json)") and len(many.done) < 250
    assert sum(b - a + 1 for a, b in (d["layers"] for d in many.details)) == 81


def test_ranges_of_one_reason_are_joined_and_few():
    reasons = "no room inside the walls", "the room is under 0.6 of a bead wide"
    alternating = said([none(k, reasons[k // 3 % 2]) for k in range(228, 452)])
    assert alternating.done == "nothing" and alternating.refused
    assert alternating.why == f"{reasons[1]}, or {reasons[0]}, on layers 228-451" or alternating.why == (
        f"{reasons[0]}, or {reasons[1]}, on layers 228-451"
    )
    overlapping = said(
        [none(k, reasons[0]) for k in range(24, 46)] + [none(k, reasons[1]) for k in range(27, 46)]
    )
    assert overlapping.why == f"{reasons[0]}, or {reasons[1]}, on layers 24-45"
    apart = said([none(k, "solid already") for k in (1, 2)] + [none(k, reasons[0]) for k in (8, 9)])
    assert apart.why == f"solid already on layers 1-2; {reasons[0]} on layers 8-9"


def test_layers_with_nothing_are_told_from_islands_with_nothing():
    narrow = "the room is under 0.6 of a bead wide"
    found = said([layer(k) for k in range(1, 6)] + [none(k, narrow) for k in range(4, 9)])
    assert found.why == f"none on layers 6-8: {narrow}; some islands get none on layers 4-5: {narrow}"


def test_layers_that_alternate_for_the_same_reasons_are_one_range():
    reasons = "already filled along the walls", "no room inside the walls"
    layers = [none(k, reasons[k // 2 % 2]) for k in range(1, 41)] + [layer(k) for k in range(1, 41) if k % 5]
    assert said(layers).why == f"some islands or all get none on layers 1-40: {', or '.join(reasons)}"


def test_the_full_list_is_pointed_to_once():
    gone = [none(k, "solid already") for k in range(1, 40, 3)]
    found = said([*gone, *(layer(k, bridge_mm=9.0 * (k % 3 == 2)) for k in range(2, 40) if k % 3 != 1)])
    assert found.done.count("see --json") == found.why.count("see --json") == 1
    assert "layers 2-3, 5-6, 8-9, 11-12 and 9 more, see --json; room" in found.done
    assert found.why == "none on layers 1, 4, 7, 10 and 9 more, see --json: solid already"


def test_islands_outside_the_region_are_no_exception():
    outside = "none of it lies in the region"
    assert said([layer(1), none(1, outside), none(2, outside)]).why == ""
    assert said([none(1, outside), none(1, "solid already")]).why == "solid already on layer 1"
    assert said([none(1, outside)]).why == f"{outside} on layer 1"


def test_bridges_are_told_by_length():
    found = said([layer(k, bridge_mm=25.0 if k < 5 else 0.0) for k in range(3, 9)])
    assert (
        "; 600 mm of new beads, 50 mm of it as bridges on layers 3-4, which count as no strength"
        in found.done
    )


def test_what_was_spared_and_what_is_less_is_told_where_it_is():
    layers = [layer(k) for k in range(1, 5)]
    assert said(layers).why == ""
    changed = [replace(item, less_mm3=0.5, spared_mm=30.0) if item.layer > 2 else item for item in layers]
    found = said(changed)
    assert "60 mm left out on layers 3-4: the file's own fill holds as much there" in found.why
    assert "1.00 mm3 less plastic than before on layers 3-4" in found.why
    assert [d.get("less_mm3") for d in found.details] == [None, 0.5]


def test_where_filling_begins_is_said_of_the_first_layers_only():
    first = said([layer(k, open_mm=9.0 if k in (32, 52) else 0.0) for k in range(32, 60)])
    assert "nothing carries 18 mm on layers 32, 52 (spans over 5 mm)" in first.why
    assert "filling begins in full at layer 33" in first.why and "from_below" in first.why
    last = said([layer(k, open_mm=9.0 if k == 47 else 0.0) for k in range(24, 48)])
    assert "filling begins" not in last.why and "from_below" not in last.why and "over_air" in last.why
    assert first.warning and last.warning


def test_little_that_was_too_short_is_not_worth_a_word():
    assert said([layer(1, mm=1000.0, dots_mm=4.0, crumbs_mm=4.0)]).why == ""
    found = said([layer(1, mm=100.0, dots_mm=4.5, crumbs_mm=6.5)]).why
    assert found == "left out as too short to print: 4.5 mm of new beads, 6.5 mm of fill"


def test_details_join_islands_and_layers_that_are_alike():
    layers = [item for k in range(1, 21) for item in (layer(k, 1, room=0.8), layer(k, 3, room=2.4))]
    found = said(layers)
    assert [d["layers"] for d in found.details] == [[1, 20], [1, 20]]
    assert [d["perimeters"] for d in found.details] == [1, 3]
    assert [d["room_mm"] for d in found.details] == [0.8, 2.4]
    ranged = said([layer(1, 9, places=places((0.7, 1, 40.0), (1.8, 2, 50.0), (7.0, 9, 10.0)), room=1.8)])
    (one,) = ranged.details
    assert one["room_range_mm"] == [0.7, 7.0] and one["perimeters"] == 9 and one["perimeters_typical"] == 2


def test_numbers_are_none_beyond_their_digits():
    """No count in the words is larger than the room holds: a perimeter takes 0.24 mm at least on either side."""
    found = laid_in(DUMBBELL, EVERYWHERE)
    done = said([layer(1, int(found.loops.max()), room=0.8, places=found)], None).done
    most = int(re.search(r"to (\d+) perimeters", done)[1])
    room = float(re.search(r"to ([\d.]+) mm, median", done)[1])
    assert 2 * 0.24 * (most - 1) < room
