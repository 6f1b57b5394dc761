"""Materials: how strong plastic gets is told with sources and spreads, and a material may be like another."""

import re
from itertools import pairwise
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Struct

from gcodetools.documents import profiles, yaml
from gcodetools.documents.fields import override
from gcodetools.documents.materials import BondAt, Fatigue, Material
from gcodetools.documents.profiles import load_material, names
from gcodetools.documents.quantities import PercentQuantity, Quantity
from gcodetools.documents.schemas import json_schema
from gcodetools.errors import InputError, UsageError
from gcodetools.jobs.sources import profiles_for
from gcodetools.marks.settings import Settings

MATERIALS = names("materials")
PETG = (profiles.root() / "materials/petg.yaml").read_text()
OWN_COUPONS = """beadwright: 1
material: my-petg
like: petg
bond:
  measured:
    - {nozzle_c: 225, across_mpa: 24, spread: [22, 26], source: five coupons of mine, flag: given}
    - {nozzle_c: 240, across_mpa: 27, spread: [25, 29], source: five coupons of mine, flag: given}
strength:
  across_mpa: {value: 24, spread: [22, 26], source: five coupons of mine, flag: given}
  reference:
    nozzle_c: {value: 225, source: as printed, flag: given}
"""


def provenance(struct, path=""):
    """Every number with a source below a struct, lists included, with its dotted key."""
    for key in struct.__struct_fields__:
        value = getattr(struct, key)
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, (Quantity, PercentQuantity, BondAt, Fatigue)):
                yield f"{path}{key}", one
            elif isinstance(one, Struct):
                yield from provenance(one, f"{path}{key}.")


def own(folder: Path, text: str, name: str = "own.yaml") -> str:
    path = folder / name
    path.write_text(text)
    return str(path)


@pytest.mark.parametrize("name", MATERIALS)
def test_every_number_of_strength_has_a_source_that_its_flag_is_true_to(name):
    numbers = dict(provenance(load_material(name)))
    assert len(numbers) > 25
    for key, number in numbers.items():
        assert len(number.source) >= 4, key
        if number.flag in ("verified", "second-hand", "derived"):
            assert not re.match("none|from memory|as for", number.source), key
        if number.source.startswith("none"):
            assert number.flag == "assumption", key


@pytest.mark.parametrize("name", MATERIALS)
def test_what_nobody_measured_here_has_a_spread(name):
    exact = {key for key, number in provenance(load_material(name)) if number.spread is None}
    allowed = {"wlf_c1", "wlf_c2", "weld_at_c", "nozzle_c", "height_mm", "price_per_kg", "min_extrusion_c"}
    assert {key.rsplit(".", 1)[-1] for key in exact} <= allowed


@pytest.mark.parametrize("name", MATERIALS)
def test_reference_lies_in_what_the_material_prints_with(name):
    material = load_material(name)
    at = material.strength.reference
    assert material.nozzle_c.low <= at.nozzle_c.value <= material.nozzle_c.high
    assert material.fan.low <= at.fan.value <= material.fan.high
    assert material.strength.across_mpa.value < material.strength.along_mpa.value


def test_schema_takes_what_reading_takes():
    schema = json_schema(Material, "material")
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for name in MATERIALS:
        validator.validate(yaml.plain(yaml.load(profiles.root() / f"materials/{name}.yaml")))
    assert not validator.is_valid({"beadwright": 1, "material": "x", "bond": {"weld": {}}})


def test_material_of_old_without_strength_stays_one(tmp_path):
    material = load_material(own(tmp_path, PETG.split("\n# How its layers weld")[0]))
    assert (material.bond, material.strength, material.glass_c) == (None, None, None)


@pytest.mark.parametrize(
    ("old", "new", "cause"),
    [
        (
            "    value: 2000\n",
            "    value: 900\n",
            "strength.modulus_mpa.spread: found [1500, 2800], expected [low, high] around 900",
        ),
        (
            "value: 1.5%, spread: [0.6%",
            "value: 2.5%, spread: [0.6%",
            "strength.snap.across_once.spread: found [0.6%, 2%], expected [low, high] around 2.5%",
        ),
        (
            "value: 1.5%, spread: [0.6%, 2%]",
            "value: 1.5",
            "strength.snap.across_once.value: found 1.5, expected a percentage with its sign",
        ),
        (
            "value: 0.9%, spread: [0.36%, 1.2%]",
            "value: 1.8%",
            "strength.snap.across_repeated.value: found 1.8% above across_once, 1.5%",
        ),
        (
            "value: 1.5%, spread: [0.6%, 2%]",
            "value: 4%",
            "strength.snap.across_once.value: found 4% above break_across, 3.3%",
        ),
        (
            "    spread: [0.34, 0.42]",
            "    spread: [0.34, 0.52]",
            "strength.poisson.spread: found 0.52, expected a number from 0 to 0.5",
        ),
        (
            "    value: 0.95\n    spread: [0.88",
            "    value: 0\n    spread: [0",
            "strength.across_modulus_share.value: found 0, expected a number from above 0 to 1.5",
        ),
        (
            "      value: 40%\n      spread: [0%, 80%]",
            "      value: 140%\n      spread: [0%, 180%]",
            "strength.reference.fan.value: found 140%, expected a percentage from 0% to 100%",
        ),
        (
            "        spread: [0, 0.9]",
            "        spread: [-0.1, 0.9]",
            "bond.weld.sensitivity.age.spread: found -0.1, expected a number from 0 to 1",
        ),
        (
            "nozzle_c: 215, ",
            "nozzle_c: 200, ",
            "bond.measured[2].nozzle_c: found 200, expected temperatures that rise, each once: above 200",
        ),
        (
            "nozzle_c: 245, ",
            "nozzle_c: 225, ",
            "bond.measured[4].nozzle_c: found 225, expected temperatures that rise",
        ),
        (
            "across_mpa: 22,",
            "across_mpa: 0,",
            "bond.measured[2].across_mpa: found 0, expected a number above 0",
        ),
        (
            "spread: [19.3, 24.7]",
            "spread: [24.7, 19.3]",
            "bond.measured[2].spread: found [24.7, 19.3], expected [low, high] around 22",
        ),
        (
            "      value: 230\n",
            "      value: 265\n",
            "strength.reference.nozzle_c.value: found 265, expected a temperature within bond.measured, 200 to 260",
        ),
        (
            "      value: 0.2\n",
            "      value: 0.6\n",
            "strength.reference.height_mm.value: found 0.6 above width_mm, 0.45",
        ),
        (
            "    from_cycles: 1.0e4",
            "    from_cycles: 1.0e6",
            "strength.fatigue.from_cycles: found 1e+06, expected below to_cycles, 200000",
        ),
        (
            "    from_cycles: 1.0e4",
            "    from_cycles: 1",
            "strength.fatigue.coefficient_mpa: found 367 MPa at from_cycles, expected at most strength_mpa, 34",
        ),
        (
            "      value: 240\n",
            "      value: 60\n",
            "bond.weld.weld_at_c.value: found 60, expected a temperature above glass_c, 80",
        ),
        (
            "    wlf_c2:",
            "    wlf_c3:",
            "bond.weld.wlf_c3: found unknown key 'wlf_c3', expected 'wlf_c2' (nearest valid key)",
        ),
        (
            "  friction:\n",
            "  frictions:\n",
            "strength.frictions: found unknown key 'frictions', expected 'friction'",
        ),
    ],
)
def test_mistake_in_what_is_told_of_strength_is_found(tmp_path, old, new, cause):
    assert PETG.count(old) >= 1
    path = own(tmp_path, PETG.replace(old, new, 1))
    with pytest.raises(InputError, match=re.escape(f": {cause}")) as caught:
        load_material(path)
    assert re.match(rf"{re.escape(path)}:\d+: ", caught.value.cause)


def test_weld_without_its_glass_temperature_is_refused(tmp_path):
    start, end = PETG.index("glass_c:"), PETG.index("bond:\n")
    with pytest.raises(InputError, match=r"bond\.weld: found no key 'glass_c' beside bond, expected glass_c"):
        load_material(own(tmp_path, PETG[:start] + PETG[end:]))


@given(
    st.lists(st.integers(150, 320), min_size=2, max_size=6),
)
def test_only_temperatures_that_rise_are_taken(temperatures):
    points = ", ".join(f"{{nozzle_c: {t}, across_mpa: 20, source: x, flag: given}}" for t in temperatures)
    material = {"material": load_material("tpu-95a")}
    rise = all(one < two for one, two in pairwise(temperatures))
    inside = temperatures[0] <= 230 <= temperatures[-1]
    setting = {"material.bond.measured": f"[{points}]"}
    if rise and inside:
        assert len(override(material, setting)["material"].bond.measured) == len(temperatures)
    else:
        with pytest.raises(UsageError):
            override(material, setting)


def test_numbers_deep_inside_can_be_set_from_the_command_line():
    sets = [
        "material.strength.modulus_mpa=1800",
        "material.strength.snap.across_once=1.2%",
        "material.strength.reference.fan=25%",
        "material.bond.weld.sensitivity.age=0.3",
        "material.bond.weld.weld_time_s=1e-4",
        "material.strength.across_mpa={value: 26, spread: [24, 28], source: mine, flag: given}",
    ]
    material = profiles_for(None, Settings(), "petg", None, sets).material
    strength, weld = material.strength, material.bond.weld
    assert strength.modulus_mpa == Quantity(1800, "set on the command line", "given")
    assert strength.snap.across_once == PercentQuantity(0.012, "set on the command line", "given")
    assert (strength.reference.fan.value, weld.sensitivity.age.value, weld.weld_time_s.value) == (
        0.25,
        0.3,
        1e-4,
    )
    assert strength.across_mpa == Quantity(26, "mine", "given", (24, 28))


@pytest.mark.parametrize(
    ("setting", "cause"),
    [
        ("strength.modulus=1800", "no key 'modulus', nearest 'modulus_mpa'"),
        ("strength.snap.across_once=1.2", "expected a percentage with its sign"),
        ("strength.poisson=0.6", "found 0.6, expected a number from 0 to 0.5"),
        (
            "strength.reference.nozzle_c=290",
            "found 290, expected a temperature within bond.measured, 200 to 260",
        ),
        ("like=pla", "a file is read by it, not a run"),
    ],
)
def test_setting_that_makes_no_sense_is_refused(setting, cause):
    with pytest.raises(UsageError, match=re.escape(cause)):
        profiles_for(None, Settings(), "petg", None, [f"material.{setting}"])


def test_own_coupons_replace_the_table_and_all_else_stays(tmp_path):
    material, petg = load_material(own(tmp_path, OWN_COUPONS)), load_material("petg")
    assert (material.name, material.like, material.about) == ("my-petg", "petg", petg.about)
    assert [point.nozzle_c for point in material.bond.measured] == [225, 240]
    assert material.strength.across_mpa == Quantity(24, "five coupons of mine", "given", (22, 26))
    assert material.strength.reference.nozzle_c.value == 225
    assert material.strength.reference.height_mm == petg.strength.reference.height_mm
    assert material.bond.weld == petg.bond.weld
    assert material.strength.snap == petg.strength.snap
    assert material.price_per_kg == petg.price_per_kg


def test_number_is_replaced_with_its_source_or_not_at_all(tmp_path):
    path = own(tmp_path, "beadwright: 1\nmaterial: cheap\nlike: petg\nprice_per_kg: {value: 18}\n")
    with pytest.raises(InputError) as caught:
        load_material(path)
    assert f"{path}:4: price_per_kg: found no key 'source', expected text" in caught.value.cause


def test_what_the_other_has_can_be_taken_away(tmp_path):
    bond = "bond: {weld: null, measured: [], no_weld: untried}"
    text = f"beadwright: 1\nmaterial: bare\nlike: petg\nmeasured_peak_c:\n{bond}\n"
    material = load_material(own(tmp_path, text))
    assert material.measured_peak_c is None
    assert (material.bond.weld, material.bond.measured, material.bond.no_weld) == (None, (), "untried")


def test_like_goes_on_from_file_to_file(tmp_path):
    own(tmp_path, OWN_COUPONS)
    price = "price_per_kg: {value: 18, source: a shop, flag: given}\n"
    material = load_material(
        own(tmp_path, f"beadwright: 1\nmaterial: third\nlike: ./own.yaml\n{price}", "third.yaml")
    )
    assert (material.name, material.price_per_kg.value, material.like) == ("third", 18, "./own.yaml")
    assert material.strength.across_mpa.value == 24
    assert material.density_g_cm3 == load_material("petg").density_g_cm3


def test_name_is_never_inherited(tmp_path):
    with pytest.raises(InputError, match="found no key 'material'"):
        load_material(own(tmp_path, "beadwright: 1\nlike: petg\n"))


@pytest.mark.parametrize(
    ("like", "cause"),
    [
        ("pteg", "like: no material named 'pteg'; nearest 'petg'"),
        ("./gone.yaml", "gone.yaml: no such file for material"),
        (
            "./own.yaml",
            "like: comes back to own.yaml (own.yaml -> own.yaml), expected a material that is whole",
        ),
        ("[petg]", "like: found a list of 1, expected a name or path"),
        ("", "like: found nothing, expected a name or path"),
    ],
)
def test_base_that_is_none_is_told_with_its_line(tmp_path, like, cause):
    path = own(tmp_path, f"beadwright: 1\nmaterial: x\nlike: {like}\n")
    with pytest.raises(InputError) as caught:
        load_material(path)
    assert caught.value.cause.startswith(f"{path}:3: like: ")
    assert cause in caught.value.cause
    assert "\n" not in caught.value.cause


def test_circle_of_three_is_told(tmp_path):
    for name, other in (("a", "b"), ("b", "c"), ("c", "a")):
        own(tmp_path, f"beadwright: 1\nmaterial: {name}\nlike: ./{other}.yaml\n", f"{name}.yaml")
    with pytest.raises(InputError, match=re.escape("a.yaml -> b.yaml -> c.yaml -> a.yaml")):
        load_material(str(tmp_path / "a.yaml"))


def test_mistake_of_the_other_is_told_in_its_own_file(tmp_path):
    bad = own(tmp_path, PETG.replace("value: 1.27", "value: -1", 1), "bad.yaml")
    with pytest.raises(InputError) as caught:
        load_material(own(tmp_path, "beadwright: 1\nmaterial: x\nlike: ./bad.yaml\n"))
    assert bad in caught.value.cause
    assert "own.yaml" not in caught.value.cause


def test_mistake_between_both_is_told_on_a_line_of_the_file_read(tmp_path):
    """The other's peak lies above the own nozzle range: the line is where `like` stands, not one of petg.yaml."""
    text = (
        "beadwright: 1\nmaterial: x\nlike: petg\nnozzle_c: {low: 215, high: 235, source: mine, flag: given}\n"
    )
    path = own(tmp_path, text)
    with pytest.raises(InputError, match="measured_peak_c: found 245") as caught:
        load_material(path)
    assert caught.value.cause.startswith(f"{path}:3: ")
