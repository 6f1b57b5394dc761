"""What a document says in our names: units, tools, lists in parallel, what follows what, what disagrees."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from settings_files import ini, profile_of, sample_profile

from gcodetools.slicer_settings.blocks import read_pairs
from gcodetools.slicer_settings.document import Item
from gcodetools.slicer_settings.opening import read_settings
from gcodetools.slicer_settings.readings import Profile, read_profile
from gcodetools.slicer_settings.tables import table_of


def sample(samples: Path, name: str) -> Profile:
    return sample_profile(samples / name)


def test_units_become_ours() -> None:
    profile = profile_of(ini())
    told = {
        name: profile.number(name)
        for name in ("fan_max", "infill_density", "flow", "speed_outer_mm_s", "perimeters")
    }
    assert told == {
        "fan_max": Fraction(1, 2), "infill_density": Fraction(15, 100), "flow": Fraction("0.98"),
        "speed_outer_mm_s": 30, "perimeters": 2,
    }  # fmt: skip
    assert profile.flag("objects_labelled") is True and profile.text("filament_type") == "PETG"


def test_lists_are_by_tool() -> None:
    profile = profile_of(ini(temperature="230,240,230", filament_type='"PETG";"PLA";"PETG"'))
    assert profile.tools == 3
    assert [profile.number("nozzle_c", tool) for tool in range(3)] == [230, 240, 230]
    assert profile.text("filament_type", 1) == "PLA"
    assert profile.number("bed_c", 2) == 80, "one value is for all tools"
    assert profile.conflicts == ()


def test_states_that_are_no_value() -> None:
    profile = profile_of(
        ini(
            temperature="nil",
            perimeter_speed="{x}*2",
            infill_speed="what",
            default_acceleration="0",
            layer_height="",
        )
    )
    names = (
        "nozzle_c",
        "speed_perimeter_mm_s",
        "speed_infill_mm_s",
        "accel_mm_s2",
        "layer_height_mm",
        "speed_small_mm_s",
    )
    states = [profile.of(name)[0].state for name in names]
    assert states == ["absent", "expression", "unreadable", "open", "absent", "share"]
    assert all(profile.number(name) is None for name in names)


def test_a_zero_that_leaves_it_to_another_key_is_that_ones_value() -> None:
    profile = profile_of(ini())
    (reading,) = profile.of("accel_solid_mm_s2")
    assert (reading.value, reading.falls_back) == (1500, True)


def test_two_keys_or_two_places_that_disagree_are_named() -> None:
    profile = profile_of(b"temperature = 230\n" + ini(temperature="240"))
    (conflict,) = profile.conflicts
    assert (
        conflict.sentence
        == "nozzle_c is stated differently: temperature = 230 (line 1), temperature = 240 (line 2)"
    )
    two = profile_of(b'{"nozzle_temperature_initial_layer": ["215"], "first_layer_temperature": "220"}', "C")
    assert [c.name for c in two.conflicts] == ["first_nozzle_c"]
    alike = profile_of(b'{"layer_height": "0.250", "x": {"layer_height": 0.25}}', "C")
    assert alike.conflicts == ()


def test_a_section_may_be_chosen() -> None:
    data = b"[filament:a]\ntemperature = 230\n[filament:B]\ntemperature = 210\n"
    assert [c.name for c in profile_of(data).conflicts] == ["nozzle_c"]
    assert profile_of(data, section="Filament:b").number("nozzle_c") == 210


def test_parallel_lists_of_heaters(samples: Path) -> None:
    profile = sample(samples, "E0-cube.gcode")
    assert [profile.number(name) for name in ("nozzle_c", "first_nozzle_c", "bed_c", "first_bed_c")] == [
        210,
        210,
        60,
        60,
    ]
    assert [(r.cell.text, r.tool) for r in profile.of("nozzle_c")] == [("210", None)], (
        "one heater is all tools'"
    )
    assert (profile.number("fan_max"), profile.number("fan_off_layers")) == (1, 1)


@pytest.mark.parametrize(
    ("temperatures", "bed", "counts", "told"),
    [
        ("215,225,60", "0,1", "2,1", {"first_nozzle_c": 215, "nozzle_c": 225, "bed_c": 60}),
        ("215,225", "0,0", "1,1", {"nozzle_c": 215}),
        ("215,60", "0,1", "1,2", {"nozzle_c": None, "bed_c": None}),
        ("215,warm", "0,1", "1,1", {"nozzle_c": None}),
    ],
)
def test_heaters_by_their_counts(
    temperatures: str, bed: str, counts: str, told: dict[str, int | None]
) -> None:
    data = {
        "temperatureSetpointTemperatures": temperatures, "temperatureHeatedBed": bed,
        "temperatureSetpointCount": counts, "layerHeight": "0.2",
    }  # fmt: skip
    profile = profile_of(json.dumps(data).encode(), "E0")
    assert {name: profile.number(name, 0) for name in told} == told
    if bed == "0,0":
        assert (profile.tools, profile.number("nozzle_c", 1)) == (2, 225)


def test_sections_for_tools_are_no_conflict(samples: Path) -> None:
    profile = sample(samples, "A-two-names.gcode")
    assert profile.conflicts == () and profile.of("nozzle_c")[0].tool == 0
    vase = sample(samples, "A-vase-crlf.gcode")
    assert [r.state for r in vase.of("perimeters")] == ["expression"]
    assert vase.tools == 1


def test_samples_hold_no_conflict_that_is_none(samples: Path) -> None:
    for path in sorted(samples.glob("*-*.gcode")):
        assert sample(samples, path.name).conflicts == (), path.name


def test_each_text_of_a_list_in_pieces_is_a_tools() -> None:
    line = "\\\\n"
    one, two = (
        f"[values]{line}material_print_temperature = {c}{line}wall_line_count = 2{line}" for c in (200, 215)
    )
    text = '{"global_quality": "[values]' + line + 'layer_height = 0.2", "extruder_quality": '
    text += f'["{one}", "{two}"]}}'
    cut = [text[k : k + 70] for k in range(0, len(text), 70)]
    rows = [";FLAVOR:x", ";LAYER_COUNT:1", ";LAYER:0", ";TYPE:WALL-OUTER", "G1 X10 Y0 E1 F600", "M84"]
    data = "\n".join([*rows, *(f";SETTING_3 {piece}" for piece in cut)]).encode()
    profile = profile_of(data)
    assert profile.document.letter == "A" and profile.tools == 2
    assert [profile.number("nozzle_c", tool) for tool in (0, 1)] == [200, 215]
    assert [r.stated.section for r in profile.of("nozzle_c")] == [
        "extruder_quality[0] values",
        "extruder_quality[1] values",
    ]
    assert profile.number("layer_height_mm", 1) == Fraction("0.2") and profile.conflicts == ()


def test_a_conflict_names_lines_where_there_are_any():
    """What a container states beside its text stands in none."""
    said = []
    for document in (
        read_settings(
            b"[a]\ntemperature = 230\nlayer_height = 0.2\n[b]\ntemperature = 240\nnozzle_diameter = 0.4\n",
            "x",
        ),
        read_pairs({"temperature": "230", "layer_height": "0.2"}, "x", "B"),
    ):
        stated = (*document.stated, *(replace(one, items=(Item("240", 0),)) for one in document.stated[:1]))
        profile = read_profile(replace(document, stated=stated), table_of("B"))
        (conflict,) = (one for one in profile.conflicts if one.name == "nozzle_c")
        said.append(conflict.sentence)
    assert "(line 2 in [a])" in said[0] and "line" not in said[1] and "temperature = 240" in said[1]
