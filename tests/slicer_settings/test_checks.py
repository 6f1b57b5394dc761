"""What an audit finds: each check with a value that is found and one beside it that is not."""

from __future__ import annotations

from pathlib import Path

import pytest
from settings_files import ini, profile_of, sample_profile

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.documents.profiles import load_machine, load_material
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.slicer_settings.checks import check_all
from gcodetools.slicer_settings.findings import Finding, Look
from gcodetools.slicer_settings.kit_checks import check_kit


def look(
    data: bytes, machine: str | None = "fast-250", material: str = "petg", tool: int = 0, letter: str = "B"
) -> Look:
    printer = load_machine(machine) if machine else None
    return Look(profile_of(data, letter), tool, load_material(material), printer, 240.0)


def found(changed: dict[str, str | None], **more: str | None) -> dict[str, Finding]:
    return {one.about: one for one in check_all(look(ini(**changed), **more))}  # type: ignore[arg-type]


def test_plain_settings_are_found_nothing_against() -> None:
    assert found({}) == {}


# (what is changed, about, gravity, part of expected): just inside each limit nothing is found, see below.
CASES = [
    ({"temperature": "246"}, "nozzle_c", "warning", "at most 245 C"),
    ({"temperature": "196"}, "nozzle_c", "stop", "at least 200 C"),
    ({"temperature": "219"}, "nozzle_c", "warning", "220 to 260 C"),
    ({"first_layer_temperature": "301"}, "first_nozzle_c", "warning", "at most 245 C"),
    ({"bed_temperature": "69"}, "bed_c", "warning", "70 to 90 C"),
    ({"max_fan_speed": "81"}, "fan_max", "warning", "0% to 80%"),
    ({"min_fan_speed": "51"}, "fan_min", "warning", "at most fan_max, 50%"),
    ({"slowdown_below_layer_time": "9"}, "min_layer_time_s", "warning", "at least 10 s"),
    ({"cooling": "0"}, "auto_cooling", "warning", "on"),
    ({"infill_speed": "101"}, "speed_infill_mm_s", "warning", "at most 8 mm3/s"),
    ({"filament_max_volumetric_speed": "9"}, "max_flow_mm3_s", "note", "at most 8 mm3/s"),
    ({"travel_speed": "5000"}, "speed_travel_mm_s", "warning", "at most 500 mm/s"),
    ({"infill_acceleration": "20001"}, "accel_infill_mm_s2", "warning", "at most 10000 mm/s2"),
    ({"layer_height": "0.33"}, "layer_height_mm", "warning", "0.1 to 0.32 mm"),
    ({"first_layer_height": "0.09"}, "first_layer_height_mm", "warning", "0.1 to 0.32 mm"),
    ({"extrusion_width": "0.35"}, "width_mm", "warning", "0.36 to 0.64 mm"),
    ({"perimeter_extrusion_width": "0.65"}, "width_perimeter_mm", "warning", "0.36 to 0.64 mm"),
    ({"nozzle_diameter": "0.5"}, "nozzle_diameter_mm", "warning", "0.4 mm"),
    ({"bed_shape": "0x0,251x0,251x200,0x200"}, "bed_shape", "warning", "x 0 to 250, y 0 to 250 mm"),
    ({"max_print_height": "251"}, "height_limit_mm", "warning", "at most 250 mm"),
    ({"machine_max_acceleration_x": "20000,1"}, "limit_accel_x_mm_s2", "note", "at most 10000 mm/s2"),
    ({"machine_max_acceleration_z": "501"}, "limit_accel_z_mm_s2", "note", "at most 500 mm/s2"),
    ({"filament_diameter": "1.9"}, "filament_diameter_mm", "warning", "1.72 to 1.78 mm"),
    ({"filament_density": "1.24"}, "density_g_cm3", "warning", "1.25 to 1.29 g/cm3"),
    ({"filament_type": "ABS"}, "filament_type", "warning", "petg"),
]
INSIDE = [
    {"temperature": "245"}, {"temperature": "220"}, {"bed_temperature": "70"}, {"max_fan_speed": "80"},
    {"min_fan_speed": "50"},
    {"slowdown_below_layer_time": "10"}, {"infill_speed": "100"}, {"filament_max_volumetric_speed": "8"},
    {"travel_speed": "500"},
    {"infill_acceleration": "10000"}, {"layer_height": "0.32", "infill_speed": "40"}, {"first_layer_height": "0.1"},
    {"extrusion_width": "0.36"}, {"bed_shape": "0x0,250x0,250x250,0x250"}, {"max_print_height": "250"},
    {"filament_diameter": "1.78"}, {"filament_density": "1.25"}, {"min_fan_speed": "0", "max_fan_speed": "0"},
]  # fmt: skip


@pytest.mark.parametrize(("changed", "about", "gravity", "expected"), CASES, ids=lambda v: str(v)[:40])
def test_each_limit_is_held(changed: dict[str, str | None], about: str, gravity: str, expected: str) -> None:
    finding = found(changed)[about]
    assert (finding.gravity, expected in finding.expected) == (gravity, True)
    assert finding.source and finding.why and finding.keys


@pytest.mark.parametrize("changed", INSIDE, ids=lambda v: str(v)[:40])
def test_inside_a_limit_nothing_is_found(changed: dict[str, str | None]) -> None:
    assert found(changed) == {}


def test_sources_are_those_of_the_profiles() -> None:
    material = load_material("petg")
    assert found({"temperature": "219"})["nozzle_c"].source == f"{material.nozzle_c.source} (second-hand)"
    assert found({"layer_height": "0.33"})["layer_height_mm"].source == "common practice, no source"


def test_the_hotend_stops_and_without_a_machine_a_note_says_so() -> None:
    assert found({"temperature": "245"}, machine="desktop-220")["nozzle_c"].gravity == "stop"
    assert found({"temperature": "245"}, machine=None)["nozzle_c"].gravity == "note"
    assert "nozzle_c" not in found({"temperature": "240"}, machine="desktop-220")


def test_a_melt_rate_of_another_nozzle_is_said() -> None:
    told = found(
        {"infill_speed": "200", "nozzle_diameter": "0.6", "infill_extrusion_width": "0.6"}, machine=None
    )
    assert "this one has 0.6 mm" in told["speed_infill_mm_s"].why


def test_the_bed_of_words_with_units() -> None:
    data = (
        b'{"bed_size_x_mm": "300", "bed_size_y_mm": "220", "layer_thickness_mm": 0.2, "temperature_C": 230}'
    )
    told = {one.about: one for one in check_all(look(data, letter="G"))}
    assert told["bed_shape"].found == "x 0 to 300, y 0 to 220 mm"


@pytest.fixture(scope="module")
def kit() -> Kit:
    return kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")


def of_kit(kit: Kit, changed: dict[str, str | None], machine: str = "fast-250") -> list[Finding]:
    return list(check_kit(look(ini(**changed), machine), kit))


def about(findings: list[Finding], name: str) -> list[str]:
    return [f"{one.gravity}: {one.why}" for one in findings if one.about == name]


def test_walls_hold_so_many_perimeters(kit: Kit) -> None:
    told = about(of_kit(kit, {}), "perimeters")
    # 1 + floor((2.4 - 0.45) / 0.4071) = 5; two perimeters from each side lay 4.
    wall = "a wall of 2.4 mm holds 5 beads of 0.45 mm; 2 perimeters from each side lay 4"
    assert (
        f"note: film-clip/lips: {wall}: 1 in its middle are left to fill, which the kit's treatment lays"
        in told
    )
    assert f"warning: film-clip/spine: {wall}: 1 in its middle are left to fill, which bears little" in told
    full = about(of_kit(kit, {"perimeters": "3"}), "perimeters")
    assert all(text.startswith("note: ") and text.endswith("it is all perimeters") for text in full) and full
    # 1 + floor((2.4 - 0.55) / 0.5071) = 4, as many as two from each side.
    wide = about(of_kit(kit, {"perimeter_extrusion_width": "0.55"}), "perimeters")
    assert all(text.endswith("it is all perimeters") for text in wide) and wide


def test_labels_and_outlines(kit: Kit) -> None:
    assert about(of_kit(kit, {}), "objects_labelled") == []
    assert (
        "found by their outlines alone"
        in about(of_kit(kit, {"gcode_label_objects": "0"}), "objects_labelled")[0]
    )
    bare = kit_from_bytes(
        b"beadwright: 1\nkit: k\nparts: {p: {found_by: {label: p}, regions: {r: {within: all}}}}\n", "k"
    )
    (told,) = about(of_kit(bare, {"gcode_label_objects": "0"}), "objects_labelled")
    assert told == "stop: without labels p can't be found: the kit has no outline of it"


def test_a_spiral_and_sparse_fill(kit: Kit) -> None:
    assert "can't be done" in about(of_kit(kit, {"spiral_vase": "1"}), "spiral")[0]
    assert about(of_kit(kit, {"spiral_vase": "0"}), "spiral") == []
    thin = about(of_kit(kit, {"fill_density": "14%"}), "infill_density")
    assert any(text.startswith("warning: ridge-saddle/fingers: a clip on sparse fill") for text in thin)
    assert about(of_kit(kit, {"fill_density": "15%"}), "infill_density") == []


def test_what_a_treatment_asks_of_the_settings(kit: Kit) -> None:
    # The finger's treatment adds 8 C: 238, past what a hotend with a liner takes at 233 and up, past the peak at 238.
    (told,) = about(of_kit(kit, {"temperature": "235"}, machine="desktop-220"), "nozzle_c")
    assert "the treatment makes 243 C, which `apply` refuses (machine desktop-220)" in told
    (told,) = about(of_kit(kit, {"temperature": "240"}), "nozzle_c")
    assert told.startswith(
        "note: shelf-hook/finger: the treatment makes 248 C; it is done only up to the measured peak"
    )
    assert about(of_kit(kit, {}), "nozzle_c") == []


def test_what_does_nothing_is_a_note() -> None:
    text = (
        "beadwright: 1\nkit: k\nparts: {p: {found_by: {label: p}, regions: {r: {within: all, treat: "
        "{fan: {cap: 60%}, speed: {max: 100}, accel: {max: 5000}, infill: solid}}}}}\n"
    )
    small = kit_from_bytes(text.encode(), "k")
    told = of_kit(small, {"fill_density": "100%"})
    does_nothing = {one.about for one in told if one.gravity == "note" and "p/r: " in one.why}
    assert does_nothing == {"fan_max", "speed_outer_mm_s", "accel_mm_s2", "infill_density"}
    told = of_kit(small, {"max_fan_speed": "0"})
    assert "a treatment never starts one" in about(told, "fan_max")[0]
    opened = dict.fromkeys(("default_acceleration", "infill_acceleration", "perimeter_acceleration"), "0")
    assert "`accel` is refused" in about(of_kit(small, dict(opened)), "accel_mm_s2")[0]


def test_layers_on_which_heat_is_held_back() -> None:
    head = "beadwright: 1\nkit: k\nparts: {p: {found_by: {label: p}, regions: {r: {within: all, treat: "
    text = head + "{fan: {cap: 20%}FORCE}}}}}\n"
    plain, forced = (
        kit_from_bytes(text.replace("FORCE", more).encode(), "k") for more in ("", ", force: true")
    )
    assert "holds less fan" in about(of_kit(plain, {"slowdown_below_layer_time": "5"}), "min_layer_time_s")[0]
    assert about(of_kit(forced, {"slowdown_below_layer_time": "5"}), "min_layer_time_s") == []
    assert about(of_kit(plain, {}), "min_layer_time_s") == []


def test_samples_are_held_without_a_fault(samples: Path, kit: Kit) -> None:
    for path in sorted(samples.glob("*-*.gcode")):
        profile = sample_profile(path)
        for tool in range(profile.tools):
            one = Look(profile, tool, load_material("pla"), load_machine("desktop-220"), 240.0)
            for finding in [*check_all(one), *check_kit(one, kit)]:
                assert finding.source and finding.why and finding.expected, path.name
