"""A treatment's equivalent for the whole part: what is carried, how far, and what is said of the rest.

The rules are those of `apply` (tests/treat); numbers here are worked out by hand beside each case.
"""

from __future__ import annotations

import json
import math
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from settings_files import carrier, ini, profile_of

from gcodetools.documents.profiles import load_material
from gcodetools.errors import Refused
from gcodetools.kit.loads import Cantilever, OpenRing
from gcodetools.kit.schema import Region
from gcodetools.kit.settings import Accel, Fan, Fit, Flow, Nozzle, Perimeters, Rest, Speed, Treatment
from gcodetools.kit.shapes import All
from gcodetools.slicer_settings.beads import beads_across, perimeters_for, rates, section_mm2, spacing_mm
from gcodetools.slicer_settings.carrier import Carried
from gcodetools.slicer_settings.carrying import carry_all
from gcodetools.slicer_settings.changing import edited


def carried(data: bytes, treatment: Treatment, **more: Any) -> tuple[dict[str, str], Carried]:
    """Key (with its tool, where there are several) to its new digits, and all that was carried."""
    found = carry_all(carrier(data, treatment, **more))
    return {
        c.reading.key + ("" if c.reading.tool is None else f"@{c.reading.tool}"): c.text
        for c in found.changes.planned
    }, found


def why(found: Carried, setting: str) -> str:
    return " | ".join(next(one for one in found.outcomes if one.setting == setting).why)


def way(found: Carried) -> dict[str, str]:
    return {one.setting: one.carried for one in found.outcomes}


def test_nozzle_is_added_to_the_first_layer_too_and_said() -> None:
    new, found = carried(ini(), Treatment(nozzle=Nozzle(add_c=8)))
    assert new == {"temperature": "238", "first_layer_temperature": "243"}
    assert way(found) == {"nozzle": "wholly"} and "the first layer's too (first_layer_temperature)" in why(
        found, "nozzle"
    )


def test_past_the_measured_peak_only_up_to_there_and_never_back_from_beyond() -> None:
    new, found = carried(ini(), Treatment(nozzle=Nozzle(add_c=15)))
    # 230 + 15 is the peak of 245 C; 235 + 15 is past it.
    assert new == {"temperature": "245", "first_layer_temperature": "245"}
    assert way(found) == {"nozzle": "in part"} and "only up to the measured peak of 245 C" in why(
        found, "nozzle"
    )
    assert carried(ini(temperature="250"), Treatment(nozzle=Nozzle(add_c=5)))[0] == {
        "first_layer_temperature": "240"
    }


@pytest.mark.parametrize(
    ("treatment", "machine", "told"),
    [
        (Nozzle(add_c=40), "fast-250", "would make 270 C of 230 C, allowed are 220 to 260 C (material petg)"),
        (Nozzle(add_c=-20), "fast-250", "would make 210 C of 230 C, allowed are 220 to 260 C"),
        (Nozzle(set_c=241), "desktop-220", "allowed are 220 to 240 C (machine desktop-220)"),
        (Nozzle(set_c=241), None, "allowed are 220 to 240 C (no machine named, so at most 240 C)"),
    ],
)
def test_nothing_is_carried_beyond_a_limit(treatment: Nozzle, machine: str | None, told: str) -> None:
    with pytest.raises(Refused) as caught:
        carried(ini(), Treatment(nozzle=treatment), machine=machine)
    assert told in caught.value.cause and caught.value.status == 5


def test_a_fan_is_capped_and_what_is_off_stays_off() -> None:
    data = ini(min_fan_speed="30", max_fan_speed="50")
    new, found = carried(data, Treatment(fan=Fan(cap=0.25)))
    assert new == {"min_fan_speed": "25", "max_fan_speed": "25"}
    assert "bridges and overhangs keep theirs (bridge_fan_speed)" in why(found, "fan")
    assert "layers without fan stay without (disable_fan_first_layers)" in why(found, "fan")
    new, _ = carried(ini(min_fan_speed="0"), Treatment(fan=Fan(set=0.4, bridges=True)))
    assert new == {"max_fan_speed": "40", "bridge_fan_speed": "40"}
    assert carried(data, Treatment(fan=Fan(scale=0.5)))[0] == {"min_fan_speed": "15", "max_fan_speed": "25"}
    assert carried(data, Treatment(fan=Fan(add=-0.4)))[0] == {"min_fan_speed": "0", "max_fan_speed": "10"}


def test_a_fan_stays_within_the_material() -> None:
    # PLA's fan is 50 to 100 %: a cap of 25 % is done down to 50 %; what stands below already is not raised.
    new, found = carried(ini(temperature="210", first_layer_temperature=None, max_fan_speed="100"),
                         Treatment(fan=Fan(cap=0.25)), material="pla")  # fmt: skip
    assert new == {"max_fan_speed": "50"} and way(found) == {"fan": "in part"}
    assert "only down to 50%, the fan of material pla" in why(found, "fan")


def test_speeds_are_scaled_all_of_the_parts_beads_and_no_travel() -> None:
    new, found = carried(ini(), Treatment(speed=Speed(scale=0.75)))
    assert new == {
        "external_perimeter_speed": "22.5", "perimeter_speed": "33.75", "infill_speed": "45",
        "first_layer_speed": "15.0",
    }  # fmt: skip
    assert way(found) == {"speed": "in part"} and "solid_infill_speed" in why(found, "speed")
    assert "small_perimeter_speed = 50% is a share of another setting, and follows that one" in why(
        found, "speed"
    )
    assert "layers that slowdown_below_layer_time slows down already get less of it" in why(found, "speed")


def test_a_cap_on_plastic_a_second_that_holds_beads_down_is_scaled_with_the_speeds() -> None:
    # 60 mm/s of 0.45 by 0.2 mm is 4.9 mm3/s; a cap of 4 holds it down, so scaling the speed alone would do nothing.
    data = ini(filament_max_volumetric_speed="4")
    assert carried(data, Treatment(speed=Speed(scale=0.75)))[0]["filament_max_volumetric_speed"] == "3"
    data = ini(filament_max_volumetric_speed="5")
    assert "filament_max_volumetric_speed" not in carried(data, Treatment(speed=Speed(scale=0.75)))[0]


def test_a_highest_speed_lowers_what_is_above() -> None:
    assert carried(ini(), Treatment(speed=Speed(max_mm_s=40)))[0] == {
        "perimeter_speed": "40",
        "infill_speed": "40",
    }


def test_a_speed_in_mm_a_minute_and_what_is_a_factor_of_it() -> None:
    data = {
        "defaultSpeed": "4600",
        "outlineUnderspeed": "0.4",
        "solidInfillUnderspeed": "0.8",
        "layerHeight": "0.2",
    }
    text = json.dumps(data).encode()
    assert carried(text, Treatment(speed=Speed(scale=0.5)), letter="E0")[0] == {"defaultSpeed": "2300"}
    # 40 mm/s: the default becomes 2400 mm/min; 0.4 of 4600 was 30.7 mm/s and stays so (0.766667 of it, rounded down),
    # 0.8 was 61.3 mm/s and becomes 40.
    new, _ = carried(text, Treatment(speed=Speed(max_mm_s=40)), letter="E0")
    assert new == {"defaultSpeed": "2400", "outlineUnderspeed": "0.766666", "solidInfillUnderspeed": "1.0"}


def test_beyond_the_machine_or_the_melt_rate_is_refused() -> None:
    slim = ini(layer_height="0.08", filament_max_volumetric_speed="0")
    with pytest.raises(
        Refused, match=r"x\.ini:\d+: external_perimeter_speed would be 300 mm/s, beyond 200 of"
    ):
        carried(slim, Treatment(speed=Speed(scale=10)), material=_melting(100.0))
    with pytest.raises(
        Refused, match=r"speed_infill_mm_s would need 9\.\d mm3/s, the melt rate of petg is 8"
    ):
        carried(ini(), Treatment(speed=Speed(scale=2)))
    # What asks for too much itself is only warned of.
    _, found = carried(ini(infill_speed="200"), Treatment(flow=Flow(scale=0.95, outer=True)))
    assert any("the settings ask for that themselves" in text for text in found.warnings)


def _melting(rate: float) -> Any:
    from gcodetools.documents.fields import override

    return override(load_material("petg"), {"melt_rate_mm3_s": str(rate)})


def test_flow_goes_into_the_multiplier_and_the_outermost_is_said() -> None:
    new, found = carried(ini(), Treatment(flow=Flow(scale=1.04)))
    assert new == {"extrusion_multiplier": "1.0192"} and way(found) == {"flow": "in part"}
    assert "the outermost perimeter gets it too" in why(found, "flow")
    assert way(carried(ini(), Treatment(flow=Flow(scale=1.04, outer=True)))[1]) == {"flow": "wholly"}


def test_accelerations_above_are_lowered_and_what_follows_follows() -> None:
    new, found = carried(ini(), Treatment(accel=Accel(max_mm_s2=800)))
    # solid_infill_acceleration is 0 and follows infill_acceleration.
    assert new == {
        "default_acceleration": "800",
        "infill_acceleration": "800",
        "perimeter_acceleration": "800",
    }
    assert way(found) == {"accel": "in part"}
    assert (
        "the file does not state external_perimeter_acceleration, top_solid_infill_acceleration, bridge"
        in why(found, "accel")
    )
    all_open = ini(default_acceleration="0", infill_acceleration="0", perimeter_acceleration="0")
    new, found = carried(all_open, Treatment(accel=Accel(max_mm_s2=800)))
    assert new == {} and way(found) == {"accel": "not"} and "left open (0)" in why(found, "accel")


def test_perimeters_are_added_and_solid_fill_is_100_percent() -> None:
    new, found = carried(ini(), Treatment(perimeters=Perimeters(add=2, from_below=3), infill="solid"))
    assert new == {"perimeters": "4", "fill_density": "100"}
    assert way(found) == {"perimeters": "in part", "infill": "wholly"} and "from_below: 3 is local" in why(
        found, "perimeters"
    )
    data = ini(perimeters="2", fill_density="15%")
    out = edited(profile_of(data).document, found.changes.edits())
    assert b"fill_density = 100%\n" in out and b"perimeters = 4\n" in out


def test_a_spiral_has_neither() -> None:
    new, found = carried(ini(spiral_vase="1"), Treatment(perimeters=Perimeters(fill=True), infill="solid"))
    assert new == {} and way(found) == {"perimeters": "not", "infill": "not"}
    assert "a spiral (spiral_vase) has one perimeter and no fill" in why(found, "infill")


RING = OpenRing(bore_mm=16, gap_deg=100, onto_mm=16, wall_mm=2.4, height_mm=30)


def test_filling_is_enough_perimeters_for_the_wall_of_the_load() -> None:
    # 2.4 mm: the first bead takes 0.45, each further 0.45 - 0.2 (1 - pi/4) = 0.4071: 1 + 4 of them, 3 from each side.
    fill = Treatment(perimeters=Perimeters(fill=True))
    new, found = carried(ini(), fill, region=Region(All(), load=RING))
    assert new == {"perimeters": "3"} and "3 from each side fill the wall of 2.4 mm" in why(
        found, "perimeters"
    )
    assert carried(ini(perimeters="5"), fill, region=Region(All(), load=RING))[0] == {}
    new, found = carried(ini(), fill)
    assert new == {"fill_density": "100"} and "solid fill instead" in why(found, "perimeters")
    arm = Cantilever(length_mm=16, thickness_mm=1.2, width_mm=10, undercut_mm=1)
    # 1.2 mm holds 0.45 and one more of 0.4071: two beads, a perimeter from each side; two are there already.
    assert carried(ini(), fill, region=Region(All(), load=arm))[0] == {}


@given(st.floats(0.3, 12), st.floats(0.3, 1.2), st.floats(0.05, 0.29))
def test_beads_across_fit_and_one_more_would_not(wall: float, width: float, height: float) -> None:
    count, spacing = beads_across(wall, width, height), spacing_mm(width, height)
    if wall < width - 1e-6:
        assert count == 0
    else:
        assert width + (count - 1) * spacing <= wall + 1e-5 < width + count * spacing + 2e-5
    assert 2 * perimeters_for(wall, width, height) >= count


def test_a_section_is_a_rectangle_with_round_ends() -> None:
    # 0.45 by 0.2 mm: 0.25 x 0.2 and a circle of 0.2.
    assert section_mm2(0.45, 0.2) == pytest.approx(0.25 * 0.2 + math.pi * 0.01)


def test_rates_are_those_that_a_sample_ran_at() -> None:
    # C-arcs: a cap of 20 mm3/s and 300 mm/s asked for; 0.5 by 0.25 mm ran at 179.2 mm/s (counted in its moves).
    told = {
        "speed_infill_mm_s": 300.0,
        "width_infill_mm": 0.5,
        "layer_height_mm": 0.25,
        "max_flow_mm3_s": 20.0,
        "flow": 0.98,
    }
    (rate,) = rates(told.get)
    assert rate.capped and rate.mm3_s / 0.98 / section_mm2(0.5, 0.25) == pytest.approx(179.232, abs=0.01)


def test_a_rest_is_not_carried_and_what_comes_near_is_said() -> None:
    new, found = carried(ini(), Treatment(rest=Rest(seconds=4)))
    assert new == {} and way(found) == {"rest": "not"}
    assert "slowdown_below_layer_time = 16 would keep layers" in why(found, "rest")


def test_a_fit_goes_into_the_size_compensation() -> None:
    new, found = carried(ini(), Treatment(fit=Fit(offset_mm=-0.05)))
    assert new == {"xy_size_compensation": "-0.05"} and way(found) == {"fit": "in part"}
    assert "common practice, no source" in why(found, "fit")
    new, found = carried(
        json.dumps({"layerHeight": "0.2", "edgeWidth": 0.4}).encode(),
        Treatment(fit=Fit(offset_mm=0.1)),
        letter="H",
    )
    assert new == {} and "no key for it is known in convention H" in why(found, "fit")


FOUR = {"temperature": "230,240,230,240", "first_layer_temperature": None}


def test_lists_by_tool() -> None:
    add, fixed = Treatment(nozzle=Nozzle(add_c=3)), Treatment(nozzle=Nozzle(set_c=235))
    assert carried(ini(**FOUR), add)[0] == {
        "temperature@0": "233", "temperature@1": "243", "temperature@2": "233", "temperature@3": "243",
    }  # fmt: skip
    assert carried(ini(**FOUR), add, tool=1)[0] == {"temperature@1": "243"}
    new, found = carried(ini(**FOUR), fixed)
    assert new == {} and way(found) == {"nozzle": "not"}
    assert "differs by tool (T0 230, T1 240, T2 230, T3 240): name the tool" in why(found, "nozzle")
    assert carried(ini(**FOUR), fixed, tool=3)[0] == {"temperature@3": "235"}
    alike = ini(temperature="230,230", first_layer_temperature=None)
    assert carried(alike, fixed)[0] == {"temperature@0": "235", "temperature@1": "235"}


def test_sections_that_differ_must_be_told_apart() -> None:
    data = b"[a]\ntemperature = 230\nlayer_height = 0.2\n[b]\ntemperature = 225\n"
    new, found = carried(data, Treatment(nozzle=Nozzle(add_c=3)))
    assert new == {} and "stands differently in [a], [b]: name one with --section" in why(found, "nozzle")
    assert carried(data, Treatment(nozzle=Nozzle(add_c=3)), section="b")[0] == {"temperature": "228"}


def test_a_key_twice_is_changed_in_both_places() -> None:
    found = carried(b"temperature = 230\n" + ini(), Treatment(nozzle=Nozzle(add_c=3)))[1]
    assert [c.text for c in found.changes.planned] == ["233", "233", "238"]


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"temperature": "=base + 5"},
            "temperature is worked out from other settings (=base + 5): set it by hand",
        ),
        ({"temperature": "nil"}, "temperature is left empty, so that what it inherits holds"),
        ({"temperature": "hot"}, "temperature = hot can't be read as one number"),
        (
            {"temperature": None},
            "the file has no key for it, and none is added: add the line `temperature = 240`",
        ),
    ],
)
def test_what_can_not_be_set_is_said(changed: dict[str, str | None], told: str) -> None:
    new, found = carried(ini(first_layer_temperature=None, **changed), Treatment(nozzle=Nozzle(set_c=240)))
    assert new == {} and way(found) == {"nozzle": "not"} and told in why(found, "nozzle")


def test_in_json_no_line_is_told() -> None:
    _, found = carried(
        b'{"layer_height": "0.2", "wall_loops": "2"}', Treatment(nozzle=Nozzle(set_c=240)), letter="C"
    )
    assert "the file has no key for it (nozzle_temperature), and none is added: set it by hand" in why(
        found, "nozzle"
    )


def test_steps_of_a_fan_are_each_capped() -> None:
    data = json.dumps(
        {"fanLayers": "1,2,5", "fanSpeeds": "0,100,20", "maxCoolingFanSpeed": 90, "layerHeight": 0.2}
    ).encode()
    new, _ = carried(data, Treatment(fan=Fan(cap=0.3)), letter="E0")
    assert sorted(new.values()) == ["30", "30"]
    assert edited(
        profile_of(data, "E0").document,
        carried(data, Treatment(fan=Fan(cap=0.3)), letter="E0")[1].changes.edits(),
    ) == (data.replace(b"0,100,20", b"0,30,20").replace(b"90", b"30"))


def test_a_density_that_counts_the_other_way() -> None:
    data = json.dumps({"infill_density_denominator": "5", "num_loops": "3"}).encode()
    new, _ = carried(data, Treatment(perimeters=Perimeters(add=1), infill="solid"), letter="G")
    assert new == {"infill_density_denominator": "1", "num_loops": "4"}


def test_shells_that_leave_out_the_outermost() -> None:
    data = json.dumps(
        {"fill Extra_Shells_on_Sparse_Layer_(layers)": 1, "fill Infill_Solidity_(ratio)": 0.1}
    ).encode()
    assert profile_of(data, "H").number("perimeters") == 2
    new, _ = carried(data, Treatment(perimeters=Perimeters(add=1), infill="solid"), letter="H")
    assert list(new.values()) == ["2", "1.0"]


def test_with_a_material_only_assumed_a_nozzle_that_does_not_fit_it_is_refused() -> None:
    from dataclasses import replace

    hot = carrier(ini(temperature="205"), Treatment(nozzle=Nozzle(add_c=5)))
    with pytest.raises(Refused, match="PETG is only assumed"):
        carry_all(replace(hot, assumed=True))


def test_what_is_so_already_is_carried_without_a_change() -> None:
    new, found = carried(ini(), Treatment(fan=Fan(cap=0.6), nozzle=Nozzle(add_c=0)))
    assert new == {} and way(found) == {"fan": "wholly", "nozzle": "wholly"}


def test_values_are_exact() -> None:
    _, found = carried(ini(), Treatment(flow=Flow(scale=1.04, outer=True)))
    (change,) = found.changes.planned
    assert (change.old, change.new) == (Fraction("0.98"), Fraction("1.0192"))


def test_a_list_that_is_too_short_for_the_tool_is_said() -> None:
    data = ini(temperature="230,240", first_layer_temperature=None, nozzle_diameter="0.4,0.4,0.4")
    new, found = carried(data, Treatment(nozzle=Nozzle(add_c=3)), tool=2)
    assert new == {} and why(found, "nozzle") == "temperature says nothing for T2: set it by hand"
    assert profile_of(data).uneven == (
        "lists by tool differ in their lengths: temperature for 2; nozzle_diameter for 3 tools",
    )
    assert profile_of(ini(temperature="230,240", nozzle_diameter="0.4,0.4")).uneven == ()


def test_keys_of_parallel_lists_are_named_and_no_line_of_them_is_told() -> None:
    data = b"layerHeight = 0.2\nperimeterOutlines = 2\nextruderWidth = 0.4\n"
    _, found = carried(data, Treatment(nozzle=Nozzle(set_c=240), fan=Fan(set=0.2)), letter="E0")
    assert why(found, "nozzle") == (
        "the file has no key for it (temperatureSetpointTemperatures), and none is added: set it by hand"
    )
    assert "(fanSpeeds), and none is added" in why(found, "fan")
