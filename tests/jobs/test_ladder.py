"""Ladders on made plates and on real files, read back line by line: what each specimen gets."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from ladder_plates import PLAIN, beads_of, inside, kinds, ladder, made

from gcodetools.jobs.apply import Options
from gcodetools.jobs.sources import Subset


def test_each_instance_has_a_speed_and_a_flow_of_its_own(coupons):
    """By feed and E of the lines themselves, against those of the file as sliced."""
    found = ladder(coupons("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%")
    assert len(found.record["specimens"]) == 9 and found.record["as_sliced"] == []
    before, after = beads_of(made("nine")), beads_of(found.applied.treated.render())
    seen = set()
    for one in found.record["specimens"]:
        a, b = (kinds(inside(side, one), *PLAIN) for side in (before, after))
        assert len(a) == len(b) > 0
        speed, flow = one["asked"]["speed_percent"] / 100, one["asked"]["flow_percent"] / 100
        seen.add((speed, flow))
        assert {round(q.feed / p.feed, 3) for p, q in zip(a, b, strict=True)} == {speed}
        for p, q in zip(a, b, strict=True):
            wanted = 1.0 if p.kind == b"External perimeter" else flow
            assert q.e == pytest.approx(p.e * wanted, abs=1.1e-5)
    assert len(seen) == 9


def test_the_first_layer_and_what_is_no_specimen_stay_as_sliced(coupons):
    found = ladder(coupons("nine"), "speed=60%,80%", repeat=2)
    assert len(found.record["specimens"]) == 4 and len(found.record["as_sliced"]) == 5
    before, after = beads_of(made("nine")), beads_of(found.applied.treated.render())
    used = {one["instance"] - 1 for one in found.record["specimens"]}
    left = {int(name.partition("#")[2]) - 1 for name in found.record["as_sliced"]}
    assert used | left == set(range(9)) and not used & left
    assert len(before) == len(after)
    for p, q in zip(before, after, strict=True):
        if p.layer == 1 or p.copy in left:
            assert p == q
        else:
            assert q.feed < p.feed


def test_perimeters_are_added_where_asked(coupons):
    options = Options((), subset=Subset.parse("coupon#1,2,3,4"))
    found = ladder(coupons("nine"), "perimeters=0,1,2", options=options)
    after = beads_of(found.applied.treated.render())
    added = {}
    for one in found.record["specimens"]:
        mine = inside(after, one)
        inner = sum(bead.mm for bead in kinds(mine, b"Perimeter"))
        outer = sum(bead.mm for bead in kinds(mine, b"External perimeter"))
        added.setdefault(one["asked"]["perimeters_added"], []).append(inner / outer)
        assert one["got"]["perimeters"] == pytest.approx(1 + inner / outer, rel=0.02)
    assert np.mean(added[0]) + 0.3 < np.mean(added[1]) < np.mean(added[2]) - 0.3


def test_bands_of_heat_and_fan_in_one_coupon(coupons):
    """Each extruding line of a band has its nozzle and fan in force; between bands there is room to arrive."""
    found = ladder(coupons("tall"), "nozzle=220:240:20", "fan=10%,40%")
    after = beads_of(found.applied.treated.render())
    ends = []
    for one in found.record["specimens"]:
        mine = kinds(inside(after, one), *PLAIN)
        asked_for = one["asked"]
        # The command for what follows may stand just before the end: what leaves the nozzle is told ahead.
        settled = mine[: int(len(mine) * 0.9)]
        assert {bead.nozzle for bead in settled} == {asked_for["nozzle_c"]}
        assert {round(bead.fan) for bead in settled} == {asked_for["fan_percent"]}
        assert one["got"]["nozzle_c"] == pytest.approx(asked_for["nozzle_c"], abs=1.0)
        assert one["got"]["fan_percent"] == pytest.approx(asked_for["fan_percent"], abs=2.0)
        ends.append(one["layers"])
    assert ends[0][0] > 3  # the file keeps the fan off on three layers
    assert all(b[0] - a[1] - 1 >= 5 for a, b in pairwise(ends))  # 1 mm and more
    heights = [b - a for a, b in ends]
    assert max(heights) - min(heights) <= 1
    bands = found.record["bands"]
    assert [band["layers"] for band in bands] == ends
    for band in bands:  # layers of 0.2 mm
        assert band["z_mm"] == pytest.approx([(band["layers"][0] - 1) * 0.2, band["layers"][1] * 0.2])
    last = after[-1]
    assert last.layer == 150


def test_the_gap_between_bands_is_as_long_as_the_nozzle_takes(coupons):
    found = ladder(coupons("tall"), "nozzle=220:240:10", order="rising")
    layer_s = np.array([one["got"]["layer_time_s"] for one in found.record["specimens"]])
    waits = [band["between_below"] * layer_s.min() for band in found.record["bands"][1:]]
    # The profile's slow end heats at 1.2 C/s near 240 C and settles in 15 s: 10 C are some 8 s and 5 s of lag at least.
    assert all(wait > 13.0 for wait in waits)
    assert [one["asked"]["nozzle_c"] for one in found.record["specimens"]] == [220, 230, 240]
    assert any("rising order" in note for note in found.record["notes"])


def test_object_after_object_takes_heat_by_instance(coupons):
    found = ladder(coupons("apart"), "nozzle=220:240:10", "fan=20%,60%")
    assert found.record["printed"] == "object after object" and found.record["by"] == "instance"
    after = beads_of(found.applied.treated.render())
    pairs = set()
    for one in found.record["specimens"]:
        mine = kinds(inside(after, one), *PLAIN)
        settled = mine[: int(len(mine) * 0.85)]
        assert {bead.nozzle for bead in settled} == {one["asked"]["nozzle_c"]}
        assert {round(bead.fan) for bead in settled} == {one["asked"]["fan_percent"]}
        pairs.add((one["asked"]["nozzle_c"], one["asked"]["fan_percent"]))
    assert len(pairs) == 6


def test_by_height_every_coupon_of_a_layered_plate_is_alike(coupons):
    found = ladder(coupons("three"), "nozzle=220,240", by="height")
    columns = {}
    for one in found.record["specimens"]:
        columns.setdefault(one["instance"], []).append((one["asked"]["nozzle_c"], tuple(one["layers"])))
    assert len(columns) == 3 and len(set(map(tuple, columns.values()))) == 1
    assert [one["specimen"] for one in found.record["specimens"]] == list(range(1, 7))
    assert any("breaks at its weakest band" in note for note in found.record["notes"])


def test_object_after_object_each_coupon_may_have_an_order_of_its_own(coupons):
    found = ladder(coupons("apart"), "speed=50%,100%", by="height", gap_mm=0.0)
    orders = {}
    for one in found.record["specimens"]:
        orders.setdefault(one["instance"], []).append(one["asked"]["speed_percent"])
    assert len(orders) == 6 and all(sorted(order) == [50, 100] for order in orders.values())
    assert len(set(map(tuple, orders.values()))) > 1


def test_heat_by_height_and_the_rest_by_instance(coupons):
    found = ladder(coupons("three"), "nozzle=220,240", "speed=60%,100%", by="both")
    assert found.record["as_sliced"] == ["coupon#3"] or len(found.record["as_sliced"]) == 1
    before, after = beads_of(made("three")), beads_of(found.applied.treated.render())
    combinations = set()
    for one in found.record["specimens"]:
        a, b = (kinds(inside(side, one), *PLAIN) for side in (before, after))
        speed = round(100 * np.mean([q.feed for q in b]) / np.mean([p.feed for p in a]))
        assert speed == one["asked"]["speed_percent"]
        assert {bead.nozzle for bead in b[: int(len(b) * 0.9)]} == {one["asked"]["nozzle_c"]}
        combinations.add((one["asked"]["nozzle_c"], speed))
    assert len(combinations) == 4


def test_a_fan_follows_instances_that_last_long_enough(coupons):
    """40 % is the file's own: it must be told too, or the neighbours' would be held over it."""
    found = ladder(coupons("wide"), "fan=20%,40%")
    assert [one["asked"]["fan_percent"] for one in found.record["specimens"]].count(40) == 2
    after = beads_of(found.applied.treated.render())
    for one in found.record["specimens"]:
        mine = kinds(inside(after, one), *PLAIN)
        usual = np.bincount([round(bead.fan) for bead in mine]).argmax()
        assert usual == one["asked"]["fan_percent"]
        assert one["got"]["fan_percent"] == pytest.approx(one["asked"]["fan_percent"], abs=3.0)


def test_held_settings_are_in_every_specimen(coupons):
    found = ladder(coupons("tall"), "nozzle=220,240", hold=("speed=80%",))
    assert found.record["held"] == {"speed_percent": 80.0}
    before, after = beads_of(made("tall")), beads_of(found.applied.treated.render())
    for one in found.record["specimens"]:
        a, b = (kinds(inside(side, one), *PLAIN) for side in (before, after))
        assert {round(q.feed / p.feed, 3) for p, q in zip(a, b, strict=True)} == {0.8}


def test_past_the_measured_peak_the_nozzle_goes_and_it_is_said(coupons):
    """The profile's peak of PETG is 245 C; `apply` stops there, a ladder is there to look beyond."""
    found = ladder(coupons("tall"), "nozzle=240,255", options=Options((), machine="fast-250"))
    after = beads_of(found.applied.treated.render())
    hot = next(one for one in found.record["specimens"] if one["asked"]["nozzle_c"] == 255)
    assert {bead.nozzle for bead in kinds(inside(after, hot), *PLAIN)[:200]} == {255.0}
    assert any("past the peak" in note for note in found.record["notes"])
    assert found.record["overrides"] == ["material.measured_peak_c=255"]


@pytest.mark.every(3)
@pytest.mark.parametrize("name", ["A-vase-crlf", "B-cube", "D-part", "E0-cube", "G-lid-crlf", "I-no-marks"])
def test_bands_in_real_files(samples, name):
    """Of any convention: two bands, each with its nozzle in force where its lines stand, and nothing else changed."""
    path = samples / f"{name}.gcode"
    found = ladder(path, "nozzle=225,235", options=Options((), material="petg"))
    record = found.record
    assert [one["got"]["nozzle_c"] for one in record["specimens"]] == pytest.approx(
        [one["asked"]["nozzle_c"] for one in record["specimens"]], abs=1.0
    )
    own = path.read_bytes().split(b"\n")
    treated = [line for line in found.applied.treated.render().split(b"\n") if b"beadwright" not in line]
    told = re.compile(rb"M10[49] (T\d+ )?S[\d.]+\r?$")
    kept = set(own)
    new = [line for line in treated if line not in kept]
    assert new == [] or all(told.match(line) or line.startswith((b";", b"M73")) for line in new), new[:5]
    values = [float(word) for line in treated for word in re.findall(rb"^M104 (?:T\d+ )?S(\d+)", line)]
    assert {225.0, 235.0} <= set(values)


def test_nothing_is_told_before_the_first_layer_is_down(coupons):
    """The first layer holds the print: it keeps the file's nozzle and fan, on plates of either kind and for what is
    held as for what varies; a specimen begins where the nozzle has had time to arrive."""
    for name, vary, more in (
        ("tall", ("nozzle=220,240",), {}),
        ("three", ("nozzle=220,240",), {"by": "height"}),
        ("apart", ("nozzle=220:240:10", "fan=20%,60%"), {}),
        ("nine", ("speed=60%,80%,100%",), {"hold": ("nozzle=235",)}),
    ):
        found = ladder(coupons(name), *vary, **more)
        before, after = beads_of(made(name)), beads_of(found.applied.treated.render())
        first = [(p, q) for p, q in zip(before, after, strict=True) if p.layer == 1]
        assert first and all((p.nozzle, p.fan) == (q.nozzle, q.fan) for p, q in first), name
        assert any(p.nozzle != q.nozzle for p, q in zip(before, after, strict=True))
        for one in found.record["specimens"]:
            begins = next(bead for bead in inside(after, one))
            assert begins.nozzle == one["asked"]["nozzle_c"], name
            assert one["got"]["nozzle_c"] == pytest.approx(one["asked"]["nozzle_c"], abs=1.0)
            assert one["layers"][0] > 2


def test_a_held_fan_leaves_out_layers_on_which_the_file_keeps_it_off(coupons):
    found = ladder(coupons("nine"), "speed=60%,100%", hold=("fan=70%",))
    after = beads_of(found.applied.treated.render())
    for one in found.record["specimens"]:
        assert {round(bead.fan) for bead in kinds(inside(after, one), *PLAIN)} == {70}
        assert one["got"]["fan_percent"] == pytest.approx(70.0, abs=2.0)


def test_a_fan_that_blows_on_the_first_layer_stays_as_it_is_there(coupons):
    path = coupons("nine")
    path.write_bytes(path.read_bytes().replace(b"\nM107\n", b"\nM106 S102\n", 1))
    own = beads_of(path.read_bytes())
    assert {round(bead.fan) for bead in own if bead.layer == 1} == {40}
    found = ladder(path, "speed=60%,100%", hold=("fan=80%",))
    after = beads_of(found.applied.treated.render())
    assert {round(bead.fan) for bead in after if bead.layer == 1} == {40}
    mine = [bead for one in found.record["specimens"] for bead in inside(after, one)]
    assert {round(bead.fan) for bead in kinds(mine, *PLAIN)} == {80}
