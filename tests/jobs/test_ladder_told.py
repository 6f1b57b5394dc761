"""What the record, the notes, the warnings and the picture of a ladder say."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from ladder_plates import ladder

from gcodetools.jobs.apply import Options
from gcodetools.jobs.sources import Subset


@pytest.mark.long
def test_the_seed_settles_who_gets_what(coupons):
    path = coupons("nine")
    one, two, other = (
        [s["step"] for s in ladder(path, "speed=60%,100%", repeat=3, seed=seed).record["specimens"]]
        for seed in (4, 4, 5)
    )
    assert one == two != other


def test_the_correlation_told_is_that_of_the_table(coupons):
    record = ladder(coupons("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%").record
    table = np.array(
        [
            [s["x_mm"], s["y_mm"], s["asked"]["speed_percent"], s["asked"]["flow_percent"]]
            for s in record["specimens"]
        ]
    )
    greatest = np.abs(np.corrcoef(table.T)[:2, 2:]).max()
    assert record["placing"]["greatest_correlation"] == pytest.approx(greatest, abs=1e-4)


def test_a_fraction_of_a_design(coupons):
    path = coupons("apart")
    found = ladder(path, "speed=60%,100%", "flow=97%,103%", "fan=20%,40%", design="fraction", repeat=1)
    design = found.record["design"]
    assert (design["steps"], design["of_all"], design["repeats"], design["resolution"]) == (4, 8, 1, 3)
    assert len({tuple(s["asked"].values()) for s in found.record["specimens"]}) == 4
    assert any("what can't be told apart" in note for note in found.record["notes"])


def test_sections_are_those_of_the_part(coupons):
    """A bar of 12 x 6 mm has 72 mm2 in every layer."""
    for one in ladder(coupons("tall"), "nozzle=220,240").record["specimens"]:
        assert one["got"]["section_mm2"] == pytest.approx(72.0, rel=0.005)


def test_the_section_is_the_smallest_of_its_layers(coupons):
    """A neck of 8 x 6 mm somewhere in the bar."""
    first, second = ladder(coupons("neck"), "nozzle=225,235").record["specimens"]
    assert first["layers"][0] <= 30 <= first["layers"][1]  # 6 mm up
    assert first["got"]["section_mm2"] == pytest.approx(48.0, rel=0.01)
    assert second["got"]["section_mm2"] == pytest.approx(72.0, rel=0.005)


def test_an_unlabelled_plate_is_one_coupon(coupons):
    found = ladder(coupons("unlabelled"), "nozzle=220,240")
    assert found.record["part"] == "unlabelled" and len(found.record["specimens"]) == 2


def test_only_some_instances(coupons):
    options = Options((), subset=Subset.parse("coupon#1,3,5,7"))
    found = ladder(coupons("nine"), "speed=60%,100%", options=options)
    assert {one["instance"] for one in found.record["specimens"]} == {1, 3, 5, 7}


def test_a_nozzle_that_is_on_its_way_when_an_object_begins_is_warned_of(coupons):
    warm = ladder(coupons("apart"), "nozzle=220,240", repeat=2)
    [told] = [text for text in warm.warnings if "still on its way back" in text]
    hot = {s["instance"] for s in warm.record["specimens"] if s["asked"]["nozzle_c"] == 240}
    assert "230 C as sliced" in told and "coupon#1 " not in told
    for name in re.findall(r"coupon#(\d) \((2[34]\d) C", told):  # 220 before it leaves it colder, 240 hotter
        assert (int(name[0]) - 1 in hot) == (int(name[1]) > 230)
    assert not any(
        "on its way" in text for text in ladder(coupons("apart"), "speed=60%,100%", repeat=2).warnings
    )


@pytest.mark.long
def test_unlike_bands_are_warned_of(samples):
    found = ladder(samples / "D-part.gcode", "nozzle=225,235", options=Options((), material="petg"))
    assert any("specimens are not alike" in text for text in found.warnings)


def test_perimeters_without_room_are_warned_of(coupons):
    options = Options((), subset=Subset.parse("coupon#1,2,3,4"))
    found = ladder(coupons("nine"), "perimeters=0,9", options=options)
    assert any("perimeters: side by side on the mean of specimens" in text for text in found.warnings)
    found = ladder(coupons("nine"), "perimeters=0,2", options=options)
    assert not any("side by side" in text for text in found.warnings)


@pytest.mark.parametrize(("order", "sign"), [("rising", 1), ("falling", -1)])
def test_the_correlation_of_an_order_is_that_of_the_table(coupons, order, sign):
    record = ladder(coupons("nine"), "speed=60%,80%,100%", "flow=97%,103%", order=order).record
    speed = [s["asked"]["speed_percent"] for s in record["specimens"]]
    assert [sign * value for value in speed] == sorted(sign * value for value in speed)
    table = np.array(
        [
            [s["x_mm"], s["y_mm"], s["asked"]["speed_percent"], s["asked"]["flow_percent"]]
            for s in record["specimens"]
        ]
    )
    greatest = np.abs(np.corrcoef(table.T)[:2, 2:]).max()
    assert record["placing"]["greatest_correlation"] == pytest.approx(greatest, abs=1e-4)
    assert 0.5 < greatest < 1.0


def test_what_goes_with_the_place_is_said(coupons):
    options = Options((), subset=Subset.parse("coupon#1,2,4,5"))
    vary = ("speed=60%,100%", "flow=97%,103%", "perimeters=0,1")
    few = ladder(coupons("nine"), *vary, options=options, design="fraction")
    assert any("goes with" in note and "correlation 1.00" in note for note in few.record["notes"])
    many = ladder(coupons("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%")
    assert not any("goes with" in note for note in many.record["notes"])


def test_steps_are_numbered_by_what_was_asked_and_tested_in_an_order_of_chance(coupons):
    record = ladder(coupons("nine"), "speed=60%,80%", "flow=97%,103%").record
    pairs = {(one["step"], tuple(one["asked"].items())) for one in record["specimens"]}
    assert sorted(step for step, _ in pairs) == [1, 2, 3, 4] and len({asked for _, asked in pairs}) == 4
    assert {step["step"]: tuple(step.items())[1:] for step in record["steps"]} == dict(pairs)
    count = len(record["specimens"])
    assert sorted(record["test_order"]) == list(range(1, count + 1)) != record["test_order"]


def test_the_picture_stands_as_the_plate_does(coupons):
    """Numbers to the right where x is larger, upward where y is larger (y is away from the reader)."""
    found = ladder(coupons("nine"), "speed=60%,80%,100%", "flow=97%,100%,103%")
    page = next(
        data for path, data in found.outputs(Path("x.gcode"), None) if path.suffix == ".html"
    ).decode()
    at = {
        int(number): (float(x), -float(y))
        for x, y, number in re.findall(r'<text class="ink" x="([\d.]+)" y="([\d.]+)"[^>]*>(\d+)</text>', page)
    }
    specimens = found.record["specimens"]
    assert sorted(at) == [one["specimen"] for one in specimens]
    for axis, key in ((0, "x_mm"), (1, "y_mm")):
        drawn = [at[one["specimen"]][axis] for one in specimens]
        assert np.corrcoef(drawn, [one[key] for one in specimens])[0, 1] > 0.999
    spots_drawn = {tuple(round(v) for v in (one["x_mm"], one["y_mm"])) for one in specimens}
    assert spots_drawn == {(40 + 40 * i, 60 + 40 * j) for i in range(3) for j in range(3)}


def test_heights_are_those_of_the_layers_and_the_fan_has_time_to_arrive(coupons):
    """Layers of 0.2 mm; without a gap for a saw there are still layers in which the fan arrives."""
    record = ladder(coupons("tall"), "fan=10%,40%", gap_mm=0.0).record
    for one in record["specimens"]:
        first, last = one["layers"]
        assert one["z_mm"] == pytest.approx(0.2 * (first - 1 + last) / 2, abs=0.01)
    assert record["bands"][1]["between_below"] >= 1


def test_faster_steps_leave_more_layers_to_arrive_in(coupons):
    own, fast = (
        ladder(coupons("tall"), "nozzle=225,235", order="rising", gap_mm=0.0, hold=hold).record["bands"][1]
        for hold in ((), ("speed=150%",))
    )
    assert fast["between_below"] == pytest.approx(1.5 * own["between_below"], abs=1.6)
    assert fast["between_below"] > own["between_below"]


def test_the_higher_the_setting_the_fuller_the_shade(coupons):
    options = Options((), subset=Subset.parse("coupon#1,2,3"))
    found = ladder(coupons("nine"), "speed=60%,80%,100%", options=options)
    page = next(
        data for path, data in found.outputs(Path("x.gcode"), None) if path.suffix == ".html"
    ).decode()
    shades = [
        float(v)
        for v in re.findall(r'class="shade edge"[^>]*fill-opacity="([\d.]+)"[^>]*stroke-width="1.2"', page)
    ]
    speeds = [one["asked"]["speed_percent"] for one in found.record["specimens"]]
    assert [s for _, s in sorted(zip(speeds, shades, strict=True))] == sorted(shades) and len(
        set(shades)
    ) == 3
    assert "the fuller the shade, the higher its speed" in page
