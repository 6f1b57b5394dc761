"""Profiles: found by name or path, complete, within what the sources say, and set from the command line."""

import math
import re

import msgspec
import pytest

from gcodetools.documents import profiles
from gcodetools.documents.fields import override, read
from gcodetools.documents.profiles import (
    Axes,
    Bed,
    Machine,
    PercentRange,
    Quantity,
    Range,
    find,
    load_machine,
    load_material,
    names,
)
from gcodetools.documents.yaml import load
from gcodetools.errors import InputError, UsageError

MATERIALS = ["abs", "asa", "pa", "pc", "petg", "pla", "tpu-95a"]
# Mass per volume of each plastic in data books, g/cm3, wide (from memory; profiles name their sources).
DENSITIES = {
    "abs": (1.02, 1.08),
    "asa": (1.05, 1.09),
    "pa": (1.00, 1.15),
    "pc": (1.17, 1.23),
    "petg": (1.23, 1.30),
    "pla": (1.20, 1.27),
    "tpu-95a": (1.17, 1.25),
}

# Strength between layers, MPa, against nozzle temperature, C: CNC Kitchen, "The influence of extrusion
# temperature on layer adhesion", 19 Dec 2020, n = 4 (second-hand, three copies agree).
MEASURED = {
    "petg": {200: 18, 215: 22, 230: 30, 245: 32, 260: 24},
    "pla": {190: 20, 200: 37, 210: 39, 230: 40, 250: 37, 270: 32},
}


def sourced(struct):
    """Every number of a profile that carries a source, with its key."""
    for name in struct.__struct_fields__:
        value = getattr(struct, name)
        if isinstance(value, (Quantity, Range, PercentRange, Bed, Axes)):
            yield name, value
        elif isinstance(value, msgspec.Struct):
            yield from sourced(value)


def test_root_is_the_folder_beside_pyproject_in_a_checkout():
    assert (profiles.root().parent / "pyproject.toml").is_file()
    assert {path.name for path in profiles.root().iterdir()} >= {"materials", "machines", "treatments"}


def test_damaged_installation_is_told(monkeypatch, tmp_path):
    monkeypatch.setattr(profiles, "__file__", str(tmp_path / "a" / "b" / "profiles.py"))
    with pytest.raises(InputError, match="no folder of profiles"):
        profiles.root()


def test_the_seven_materials_are_there():
    assert names("materials") == MATERIALS


@pytest.mark.parametrize("name", MATERIALS)
def test_material_agrees_with_data_books_and_itself(name):
    material = load_material(name)
    low, high = DENSITIES[name]
    assert material.name == name
    assert low <= material.density_g_cm3.value <= high
    assert material.min_extrusion_c.value < material.nozzle_c.low
    assert material.bed_c.high < material.nozzle_c.low
    assert 0 <= material.fan.low <= material.fan.high <= 1


@pytest.mark.parametrize("name", MATERIALS)
def test_every_number_of_a_material_has_a_source(name):
    numbers = dict(sourced(load_material(name)))
    assert len(numbers) >= 10
    for key, number in numbers.items():
        assert len(number.source) > 10, key
        honest = number.flag in ("verified", "second-hand", "derived")
        unsourced = re.search(r"no source|^none|from memory|by common practice$", number.source)
        assert not (honest and unsourced), key


@pytest.mark.parametrize("name", MEASURED)
def test_measured_peak_is_the_best_of_the_measured_table(name):
    table = MEASURED[name]
    assert load_material(name).measured_peak_c.value == max(table, key=table.__getitem__)


def test_pla_and_petg_are_the_only_materials_with_a_measured_peak():
    assert [name for name in MATERIALS if load_material(name).measured_peak_c] == ["petg", "pla"]


@pytest.mark.parametrize("name", names("machines"))
def test_machine_is_whole_and_every_number_has_a_source(name):
    machine = load_machine(name)
    numbers = dict(sourced(machine))
    assert machine.name == name
    assert len(numbers) >= 15
    assert all(
        number.source and number.flag in ("assumption", "common practice") for number in numbers.values()
    )
    assert machine.accel_mm_s2.value <= machine.max_accel_mm_s2.x
    assert machine.hotend_max_c.value <= 300


def test_beds_are_rectangles_or_discs():
    assert load_machine("desktop-220").bed.size == (220, 220)
    assert load_machine("delta-200").bed.radius == 100
    assert load_machine("delta-200").bed.size is None


def test_name_is_found_in_any_case():
    assert find("materials", "PETG") == profiles.root() / "materials/petg.yaml"


def test_unknown_name_is_told_with_the_nearest():
    with pytest.raises(InputError) as caught:
        find("materials", "pteg")
    assert caught.value.cause == "no material named 'pteg'; nearest 'petg'"
    assert "tpu-95a" in caught.value.hint


def test_path_counts_from_the_folder_given(tmp_path):
    own = tmp_path / "own.yaml"
    own.write_text(
        (profiles.root() / "materials/petg.yaml").read_text().replace("value: 1.27", "value: 1.28")
    )
    assert find("materials", "own.yaml", tmp_path) == own
    assert load_material("./own.yaml", tmp_path).density_g_cm3.value == 1.28
    assert load_material(str(own)).density_g_cm3.value == 1.28


@pytest.mark.parametrize("named", ["own.yaml", "../petg", "a\0b/c", ".\\x", "x/" + "y" * 5000])
def test_missing_path_is_told(tmp_path, named):
    with pytest.raises(InputError, match="no such file for material"):
        find("materials", named, tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "cause"),
    [
        ("low: 220", "low: 280", "nozzle_c.low: found 280 above high, 260, expected low not above high"),
        (
            "value: 245",
            "value: 300",
            "measured_peak_c.spread: found [230, 260], expected [low, high] around 300",
        ),
        (
            "value: 1.27\n  spread: [1.25, 1.29]",
            "value: -1",
            "density_g_cm3.value: found -1, expected a number above 0",
        ),
        ("flag: verified", "flag: sure", "density_g_cm3.flag: found 'sure', expected one of "),
        ("low: 0%", "low: 0.1", "fan.low: found 0.1, expected a percentage with its sign"),
        ("ooze_mm:", "oose_mm:", "oose_mm: found unknown key 'oose_mm', expected 'ooze_mm'"),
    ],
)
def test_mistake_in_a_material_is_told_with_its_line(tmp_path, old, new, cause):
    text = (profiles.root() / "materials/petg.yaml").read_text()
    assert old in text
    path = tmp_path / "bad.yaml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=re.escape(f": {cause}")) as caught:
        load_material(str(path))
    assert re.match(rf"{re.escape(str(path))}:\d+: ", caught.value.cause)


def test_bed_with_size_and_radius_is_refused():
    node = load(b"{origin: [0, 0], size: [1, 1], radius: 2, source: x, flag: assumption}", "m")
    with pytest.raises(InputError, match="found size and radius, expected exactly one of size, radius"):
        read(node, Bed, "m")


def test_bare_number_from_the_command_line_replaces_a_quantity_and_its_source():
    material = override(load_material("petg"), {"price_per_kg": "22"})
    assert material.price_per_kg == Quantity(22.0, "set on the command line", "given")
    assert math.isclose(load_material("petg").price_per_kg.value, 25)


def test_optional_quantity_can_be_set_from_the_command_line():
    assert override(load_material("abs"), {"measured_peak_c": "250"}).measured_peak_c.value == 250


def test_parts_of_profiles_can_be_set_from_the_command_line():
    both = {"material": load_material("petg"), "machine": load_machine("desktop-220")}
    both = override(
        both, {"material.nozzle_c.high": "270", "machine.bed.size": "[235, 235]", "material.fan.high": "60%"}
    )
    assert both["material"].nozzle_c.high == 270
    assert both["material"].fan.high == 0.6
    assert isinstance(both["machine"], Machine)
    assert both["machine"].bed.size == (235, 235)


@pytest.mark.parametrize(
    ("key", "value", "cause"),
    [
        ("price", "22", "no key 'price', nearest 'price_per_kg'"),
        ("price_per_kg", "cheap", "found 'cheap', expected a number"),
        ("density_g_cm3", "-1", "found -1, expected a number above 0"),
        ("nozzle_c.low", "300", "found 300 above high, 260"),
    ],
)
def test_override_that_makes_no_sense_is_a_usage_error(key, value, cause):
    with pytest.raises(UsageError, match=re.escape(cause)):
        override(load_material("petg"), {key: value})
