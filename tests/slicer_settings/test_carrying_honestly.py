"""What a carried treatment leaves out is said, and what it changes leaves the plastic per length as it was."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from settings_files import carrier, ini, profile_of, sample_profile

from gcodetools.errors import Refused
from gcodetools.kit.settings import Accel, Fan, Flow, Nozzle, Speed, Treatment
from gcodetools.slicer_settings.carrier import Carried, Carrier
from gcodetools.slicer_settings.carrying import carry_all
from gcodetools.slicer_settings.changing import edited


def carried(data: bytes, treatment: Treatment, **more: Any) -> tuple[dict[str, str], Carried]:
    """Key with its section to its new digits, and all that was carried."""
    return _told(carry_all(carrier(data, treatment, **more)))


def sample(path: Path, treatment: Treatment) -> tuple[dict[str, str], Carried]:
    plain = carrier(ini(), treatment, material="abs", machine="fast-250")
    profile = sample_profile(path)
    return _told(carry_all(Carrier(profile, treatment, plain.material, plain.machine, plain.unnamed_c)))


def _told(found: Carried) -> tuple[dict[str, str], Carried]:
    changes = found.changes.planned
    return {
        f"{c.reading.stated.section} {c.reading.key}".strip()
        + f"@{c.reading.tool}" * bool(c.reading.tool): c.text
        for c in changes
    }, found


def outcome(found: Carried) -> tuple[str, str]:
    (one,) = found.outcomes
    return one.carried, " | ".join(one.why)


FLOW = "speed Flow_Rate_Setting_(float)"
OUTER = "speed Perimeter_Flow_Rate_Multiplier_(ratio)"


def test_a_sample_tells_that_plastic_per_length_is_one_setting_over_another(samples: Path) -> None:
    # Of the object's first layer fill has 0.8 of the plastic a second at 0.9 of the speed: 0.8 / 0.9 of the E per mm.
    per_mm: dict[bytes, list[float]] = {}
    x = y = e = 0.0
    feed = b""
    text = (samples / "H-parentheses.gcode").read_bytes()
    for line in text[: text.index(b"(<layer> 2.511")].split(b"\n"):
        words = dict(re.findall(rb"([XYEF])(-?[0-9.]+)", line))
        if line.startswith(b"G92") and b"E" in words:
            e = float(words[b"E"])
        if not line.startswith(b"G1 "):
            continue
        feed = words.get(b"F", feed)
        to = float(words.get(b"X", x)), float(words.get(b"Y", y))
        length = ((to[0] - x) ** 2 + (to[1] - y) ** 2) ** 0.5
        if b"E" in words:
            if length > 5 and float(words[b"E"]) > e:
                per_mm.setdefault(feed, []).append((float(words[b"E"]) - e) / length)
            e = float(words[b"E"])
        x, y = to
    first, later = sorted(per_mm[b"2160.0"]), sorted(per_mm[b"2400.0"])
    assert first[len(first) // 2] / later[len(later) // 2] == pytest.approx(0.8 / 0.9, abs=0.002)


def test_a_speed_takes_along_what_the_plastic_per_length_is_over(samples: Path) -> None:
    new, found = sample(samples / "H-parentheses.gcode", Treatment(speed=Speed(scale=0.8)))
    # 40 mm/s to 32, and 40 of plastic to 32: the ratio stays 1. The multipliers rest on these two.
    assert new == {"operatingFeedRatePerSecond": "32.0", "speed Feed_Rate_(mm/s)": "32.0", FLOW: "32.0"}
    assert f"{FLOW} goes with it, so that the plastic per length stays" in outcome(found)[1]
    new, _ = sample(samples / "H-parentheses.gcode", Treatment(speed=Speed(max_mm_s=32)))
    # The outermost perimeter stays at 20 mm/s: 0.625 of 32, and as much of the plastic.
    assert (
        new[FLOW] == "32.0" and new["speed Perimeter_Feed_Rate_Multiplier_(ratio)"] == new[OUTER] == "0.625"
    )


def test_a_speed_is_left_where_its_plastic_is_not_told() -> None:
    data = json.dumps({"layerHeight": 0.2, "edgeWidth": 0.4, "speed Feed_Rate_(mm/s)": 40}).encode()
    new, found = carried(data, Treatment(speed=Speed(scale=0.8)), letter="H")
    assert (
        new == {} and outcome(found)[0] == "not" and f"{FLOW} over it, which is not told" in outcome(found)[1]
    )


def test_a_first_layer_alone_is_not_the_whole_part(samples: Path) -> None:
    new, found = sample(samples / "G-lid-crlf.gcode", Treatment(speed=Speed(scale=0.8)))
    assert new == {"first_layer_speed_mm_per_s": "8"}
    assert outcome(found)[0] == "in part"
    assert "no key for the speed of perimeters and fill is known in convention G" in outcome(found)[1]


def test_what_a_file_leaves_to_the_slicer_is_named() -> None:
    _, found = carried(ini(), Treatment(fan=Fan(cap=0.25)))
    assert outcome(found)[0] == "wholly"
    _, found = carried(ini(min_fan_speed=None), Treatment(fan=Fan(cap=0.25)))
    assert outcome(found)[0] == "in part" and "does not state min_fan_speed" in outcome(found)[1]


def test_a_speed_left_open_is_not_carried() -> None:
    _, found = carried(ini(perimeter_speed="0"), Treatment(speed=Speed(max_mm_s=35)))
    assert outcome(found)[0] == "in part"
    assert "perimeter_speed = 0 leaves it to the slicer: set it by hand" in outcome(found)[1]


def test_an_acceleration_left_open_follows_the_common_one_or_the_firmware() -> None:
    slow = Treatment(accel=Accel(max_mm_s2=800))
    assert "firmware" not in outcome(carried(ini(perimeter_acceleration="0"), slow)[1])[1]
    told = outcome(carried(ini(default_acceleration="0"), slow)[1])[1]
    assert "default_acceleration = 0 is left open: there the firmware's own may hold" in told


def test_a_pattern_that_may_not_lay_solid_is_named() -> None:
    _, found = carried(ini(fill_pattern="gyroid"), Treatment(infill="solid"))
    told = "fill_pattern = gyroid stays: where it can't be laid solid, choose plain lines"
    assert outcome(found) == ("wholly", told)


def test_the_melt_rate_binds_each_tool() -> None:
    # 0.45 by 0.3 mm, round ends: (0.15 x 0.3 + pi x 0.0225) x 50 mm/s = 5.8 mm3/s; T1 asks for 1.5 of it.
    data = ini(
        layer_height="0.3", nozzle_diameter="0.4,0.4", extrusion_multiplier="0.5,1", infill_speed="50",
        perimeter_speed="50", external_perimeter_speed="50",
    )  # fmt: skip
    more = Treatment(flow=Flow(scale=1.5, outer=True))
    with pytest.raises(Refused, match=r"of T1 would need 8\.7 mm3/s"):
        carried(data, more)
    assert carried(data, more, tool=0)[0] == {"extrusion_multiplier": "0.75"}


def test_a_cap_on_plastic_counts_for_each_tool() -> None:
    # T0 melts enough, T1 is held down.
    data = ini(nozzle_diameter="0.4,0.4", filament_max_volumetric_speed="9,4")
    new, _ = carried(data, Treatment(speed=Speed(scale=0.75)))
    assert new["filament_max_volumetric_speed@1"] == "3"


SECTION = {
    "layerHeight": "0.2", "temperatureHeatedBed": "0,1", "temperatureSetpointCount": "1,1", "outlineUnderspeed": "0.5",
    "fanLayers": "1,2",
}  # fmt: skip
TWO = json.dumps(
    {
        "p1": SECTION
        | {"defaultSpeed": "4800", "temperatureSetpointTemperatures": "230,70", "fanSpeeds": "0,40"},
        "p2": SECTION
        | {"defaultSpeed": "2400", "temperatureSetpointTemperatures": "240,70", "fanSpeeds": "0,60"},
    }
).encode()


def test_each_section_is_read_by_itself() -> None:
    profile = profile_of(TWO, "E0")
    assert [r.value for r in profile.of("speed_outer_mm_s")] == [40, 20]
    assert [r.value for r in profile.of("nozzle_c")] == [230, 240]
    assert [r.value for r in profile.of("fan_max")] == [0, Fraction(2, 5), 0, Fraction(3, 5)]
    new, found = carried(TWO, Treatment(nozzle=Nozzle(add_c=5)), letter="E0")
    assert new == {} and "nozzle_c stands differently in [p1], [p2]" in outcome(found)[1]
    new, _ = carried(TWO, Treatment(nozzle=Nozzle(add_c=5)), letter="E0", section="p2")
    assert new == {"p2 temperatureSetpointTemperatures": "245"}


def test_lists_by_tool_of_sections_that_differ_must_be_told_apart_too() -> None:
    rows = ["[a]", "temperature = 230,240", "layer_height = 0.2", "[b]", "temperature = 225,235"]
    warm = Treatment(nozzle=Nozzle(add_c=3))
    new, found = carried("\n".join(rows).encode(), warm)
    assert new == {} and "stands differently in [a], [b]" in outcome(found)[1]
    rows[-1] = rows[1]
    assert set(carried("\n".join(rows).encode(), warm)[0].values()) == {"233", "243"}


def test_a_file_with_decimals_gets_decimals() -> None:
    data = ini(temperature="230.5", first_layer_temperature="231")
    found = carry_all(carrier(data, Treatment(nozzle=Nozzle(add_c=2.25))))
    assert [c.text for c in found.changes.planned] == ["232.75", "233"]
    out = edited(profile_of(data).document, found.changes.edits())
    assert out == data.replace(b"230.5", b"232.75").replace(b"231", b"233")
