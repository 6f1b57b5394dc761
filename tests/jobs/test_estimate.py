"""The record of `estimate`: keys, bands, notes, what it may not depend on; and that whole plates get through it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import gcodetools as bw
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.errors import InputError, NotFoundOnPlate
from gcodetools.jobs.apply import Options
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.sources import Subset
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.toolpath.plate import Plate

pytestmark = pytest.mark.usefixtures("few_cells")
ROOT = Path(__file__).resolve().parents[2]
HOOPHOUSE = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
PARTS = (
    Placement("wedge-key-snug", 60, 110),
    Placement("wedge-key-snug", 90, 110),
    Placement("shelf-hook", 130, 110),
)
BARE = Options(())
BAND = {"low", "best", "high", "basis", "coverage", "source"}
ENDING = {"rests_on", "treated_means", "side_effects", "check_it"}
ROOT_OF_IT = "within: {slab: {layers: [1, 14]}}"
ARM = "{cantilever: {length: 12, thickness: 2, width: 8, undercut: 1}}"
RING = "{open_ring: {bore: 16, gap: 100, onto: 16, wall: 2.4, height: 30, tilt: 10}}"
LOADS = {
    "open_ring": RING,
    "cantilever": ARM,
    "annular": "{annular: {diameter: 20, outer: 24, undercut: 0.4}}",
    "press": "{press: {diameter: 8, interference: 0.2, outer: 16, length: 10}}",
    "key": "{key: {width: 6, squeeze: 0.2, height: 5, length: 10, taper: 1}}",
}


@cache
def plate_of(parts: tuple[Placement, ...] = PARTS, convention: str = "B", **options: Any) -> Plate:
    return Plate.from_bytes(make(convention, parts=parts, **options).data, "plate.gcode")


@cache
def of_demo() -> dict[str, Any]:
    return estimate_plate(plate_of(), HOOPHOUSE, BARE)[0]


def kit_of(
    regions: dict[str, str], *, material: str = "petg", found_by: str = '{label: "shelf-hook*"}'
) -> Kit:
    lines = ["beadwright: 1", "kit: probe", f"material: {material}", "base: {nozzle: 215}", "parts:"]
    lines += ["  thing:", f"    found_by: {found_by}", "    regions:"]
    lines += [f"      {name}: {{{body}}}" for name, body in regions.items()]
    return kit_from_bytes("\n".join(lines).encode(), "probe.kit.yaml")


def regions_of(kit: Kit, plate: Plate | None = None) -> dict[str, dict[str, Any]]:
    record = estimate_plate(plate or plate_of(), kit, BARE)[0]
    sound(record)
    return {one["region"]: one for one in record["regions"]}


def leaves(value: Any, path: str = "") -> list[tuple[str, Any]]:
    pairs = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    )
    if pairs is None:
        return [(path, value)]
    return [leaf for key, item in pairs for leaf in leaves(item, f"{path}/{key}")]


def bands(value: Any, path: str = "") -> list[tuple[str, dict[str, Any]]]:
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    own = [(path, value)] if isinstance(value, dict) and "best" in value else []
    return own + [band for key, item in pairs for band in bands(item, f"{path}/{key}")]


def sound(record: dict[str, Any]) -> None:
    """What holds of any record of `estimate`, whatever the file."""
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    for path, value in leaves(record):
        assert value is not None, path
    found = bands(record)
    assert found
    for path, band in found:
        assert set(band) == BAND, path
        assert 0 <= band["low"] <= band["best"] <= band["high"], (path, band)
        assert band["basis"] in ("measured", "modelled", "assumed") and band["coverage"] == 0.9, path
        assert band["source"], path
        if "/bond/" in path:
            assert band["high"] <= 1, (path, band)
    for one in record["regions"]:
        assert set(one) >= ENDING and all(one[key].strip() for key in ENDING)
        assert one["sentence"].endswith(".") and "nan" not in one["sentence"]
        if "bond" in one:
            first, last = one["layers"]
            assert first <= one["bond"]["weakest_layer"] <= last
            assert one["bond"]["min"]["best"] <= one["bond"]["mean"]["best"] + 1e-6


def test_the_keys_are_those_that_scripts_rely_on():
    record = of_demo()
    sound(record)
    assert record["schema"] == "beadwright.estimate/1" and record["kit"] == "hoophouse"
    assert set(record["total"]) == {"time_s", "mass_g", "cost"} and record["absent"]
    # A filament is 1.75 mm within 0.05 (common practice, no source), so no gram is exact.
    for one in record["total"].values():
        assert one["low"] < one["best"] < one["high"] and one["basis"] in ("modelled", "assumed")
    assert record["draws"]["count"] >= 500 and "seed" in record["draws"]
    names = [(one["part"], one["instance"], one["region"]) for one in record["regions"]]
    assert names == [
        ("wedge-key-snug", 1, "shank"), ("wedge-key-snug", 2, "shank"), ("shelf-hook", 1, "finger"),
    ]  # fmt: skip
    for one in record["regions"]:
        assert set(one) >= {
            "role", "layers", "z_mm", "beads", "length_mm", "volume_mm3", "time_s", "nozzle_c", "fan_percent",
            "layer_time_s", "perimeters", "bond", "strength_mpa", "stiffness_n_per_mm", "load", "notes",
        }  # fmt: skip
        assert set(one["nozzle_c"]) == {"target", "reached_min", "reached_mean", "reached_max"}
        assert set(one["bond"]) == {"mean", "min", "weakest_layer"}
        assert set(one["strength_mpa"]) == {"across_layers", "along_beads"}
        assert set(one["load"]) >= {"kind", "demand", "allowed", "margin", "force_n"}
    assert [one["load"]["kind"] for one in record["regions"]] == ["key", "key", "cantilever"]


def test_the_cautions_name_what_it_is_not_for():
    told = " ".join(of_demo()["cautions"])
    for word in ("safety-critical", "food", "child", "pressure", "codes", "licensed", "fumes", "240 C"):
        assert word in told, word


def test_a_margin_is_about_what_is_allowed_over_what_is_asked():
    for one in of_demo()["regions"]:
        load = one["load"]
        assert load["margin"]["best"] == pytest.approx(
            load["allowed"]["best"] / load["demand"]["best"], rel=2e-3
        )
        assert load["margin"]["low"] < load["margin"]["best"] < load["margin"]["high"]


def test_the_same_file_gives_the_same_numbers():
    assert estimate_plate(plate_of(), HOOPHOUSE, BARE)[0] == of_demo()


@pytest.mark.long
def test_the_order_of_regions_changes_nothing():
    bodies = {
        "foot": f"{ROOT_OF_IT}, load: {ARM}",
        "root": "within: {slab: {z: [2, 9]}}",
        "walls": "within: {slab: {z: [1, 4]}}, beads: perimeters",
    }
    straight = regions_of(kit_of(bodies))
    turned = regions_of(kit_of(dict(reversed(bodies.items()))))
    alone = regions_of(kit_of({"root": bodies["root"]}))
    assert list(straight) == list(reversed(turned)) and straight == turned
    assert alone["root"] == straight["root"]


def test_only_tells_some_instances_and_of_them_the_same():
    some = estimate_plate(plate_of(), HOOPHOUSE, Options((), subset=Subset.parse("wedge-key-snug#2")))[0]
    assert some["regions"] == [one for one in of_demo()["regions"] if one["instance"] == 2]
    with pytest.raises(NotFoundOnPlate):
        estimate_plate(plate_of(), HOOPHOUSE, Options((), subset=Subset.parse("wedge-key-snug#7")))


@pytest.mark.parametrize("convention", ["A", "J"])
@pytest.mark.every(1)
def test_marks_do_not_matter(convention):
    """The same moves in other words; conventions differ in the speed of travels, so in ages too."""
    told = estimate_plate(plate_of(PARTS[2:], convention), HOOPHOUSE, BARE)[0]["regions"]
    first = estimate_plate(plate_of(PARTS[2:]), HOOPHOUSE, BARE)[0]["regions"]
    assert len(told) == len(first) == 1
    for one, other in zip(told, first, strict=True):
        for way in ("across_layers", "along_beads"):
            a, b = one["strength_mpa"][way], other["strength_mpa"][way]
            assert a["best"] == pytest.approx(b["best"], rel=0.15), way


def test_one_object_after_the_other_welds_better_than_all_at_once():
    """The layer below is younger. The plates are the same otherwise."""
    keys = PARTS[:2]
    at_once, after = (
        estimate_plate(plate_of(keys, sequential=way), HOOPHOUSE, BARE)[0]["regions"] for way in (False, True)
    )
    for a, b in zip(at_once, after, strict=True):
        assert b["below_age_s"] < 0.7 * a["below_age_s"]
        assert b["bond"]["mean"]["best"] > a["bond"]["mean"]["best"]


def test_loads_of_every_kind():
    regions = {kind: f"{ROOT_OF_IT}, load: {text}" for kind, text in LOADS.items()}
    found = regions_of(kit_of(regions))
    assert [one["load"]["kind"] for one in found.values()] == list(LOADS)
    for kind, one in found.items():
        load = one["load"]
        assert load["demand"]["low"] < load["demand"]["high"], kind
        assert load["force_n"]["best"] > 0 and one["stiffness_n_per_mm"]["best"] > 0
    ring = found["open_ring"]["load"]
    assert ring["margin_crooked"]["best"] <= ring["margin"]["best"]
    assert all("margin_crooked" not in found[kind]["load"] for kind in LOADS if kind != "open_ring")


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("within: {slab: {layers: [1, 1]}}", set()),
        ("within: {slab: {layers: [2, 2]}}", {"across_layers"}),
        ("within: {slab: {layers: [60, 60]}}", {"across_layers"}),
        ("within: all, beads: perimeters", {"across_layers"}),
        ("within: all, beads: infill", {"across_layers"}),
    ],
    ids=["first layer", "second layer", "one layer", "perimeters", "infill"],
)
def test_small_and_odd_regions(body, told):
    one = regions_of(kit_of({"zone": body}))["zone"]
    assert set(one["strength_mpa"]) - {"along_beads"} == told
    assert ("load" not in one and "no margin" in one["sentence"]) or not told
    if not told:
        assert "bond" not in one and "nothing is told across its layers" in one["sentence"]


def test_layers_that_count_as_no_strength_are_not_hidden_by_the_sentence():
    """Of the infill most layers are sparse; what is told is told of the others."""
    one = regions_of(kit_of({"zone": "within: all, beads: infill"}))["zone"]
    assert any("counts as no strength" in note for note in one["notes"])
    assert "but for layers that count as no strength" in one["sentence"]


def test_a_use_beyond_what_is_known_is_told():
    regions = {
        "hot": "temperature: [20, 60]",
        "cold": "temperature: [-5, 20]",
        "old": "years: 5, held: strained",
        "new": "years: 0.5",
        "often": "times: 1000000",
        "some": "times: 50",
        "once": "times: 1",
    }
    found = regions_of(
        kit_of({name: f"{ROOT_OF_IT}, load: {RING}, use: {{{use}}}" for name, use in regions.items()})
    )
    notes = {name: " ".join(one["notes"]) for name, one in found.items()}
    hot = found["hot"]
    assert "margin" not in hot["load"] and "80 C" in hot["load"]["refused"]
    assert "no margin is told" in hot["sentence"]
    assert "below 0 C nothing is measured" in notes["cold"] and "below 0 C" not in notes["once"]
    assert "embrittled" in notes["old"] and "first force is left" in notes["old"]
    assert "embrittled after" not in notes["new"]
    margins = [found[name]["load"]["margin"]["best"] for name in ("often", "some", "once")]
    assert margins == sorted(margins) and margins[0] < margins[1] < margins[2]


@pytest.mark.parametrize("material", ["pa", "tpu-95a"])
def test_a_plastic_without_a_weld_model_has_no_bond_and_says_so(material):
    one = regions_of(kit_of({"zone": ROOT_OF_IT}, material=material))["zone"]
    assert "bond" not in one and "healed" not in one["sentence"]
    assert "no weld model" in one["rests_on"] and one["strength_mpa"]["across_layers"]["best"] > 0
    assert any("model" in note for note in one["notes"])


@pytest.mark.parametrize("material", ["pla", "abs", "asa", "pc"])
def test_a_plastic_with_a_weld_model(material):
    one = regions_of(kit_of({"zone": ROOT_OF_IT}, material=material))["zone"]
    assert 0 < one["bond"]["min"]["low"] < one["bond"]["min"]["best"]
    assert one["strength_mpa"]["across_layers"]["high"] < 100


def test_what_nobody_says_is_told_as_such():
    """No material, no machine, no nozzle: each is taken for granted in words."""
    plain = b"\n".join(
        line
        for line in plate_of(PARTS[2:], "J").render().split(b"\n")
        if not line.startswith((b"M104", b"M109"))
    )
    kit = kit_from_bytes(
        b"beadwright: 1\nkit: k\nparts:\n  thing:\n    found_by: {outline: %s}\n"
        b"    regions: {all: {within: all}}\n" % HOOK,
        "k.kit.yaml",
    )
    record, warnings = estimate_plate(Plate.from_bytes(plain, "plain.gcode"), kit, BARE)
    sound(record)
    assert any("PETG assumed" in warning for warning in warnings)
    assert "no machine is named" in record["heating_from"] and "machine" not in record
    (one,) = record["regions"]
    assert "nozzle_c" not in one and any("nobody says how hot" in note for note in one["notes"])


HOOK = b"[[[-9, -6], [9, -6], [9, 3], [6, 6], [-9, 6]]]"


def test_two_tools_are_told():
    lines = plate_of(PARTS[2:]).render().split(b"\n")
    changes = [k for k, line in enumerate(lines) if line == b";LAYER_CHANGE"]
    lines[changes[10] : changes[10]] = [b"T1", b"M104 T1 S200"]
    one = regions_of(kit_of({"zone": "within: all"}), Plate.from_bytes(b"\n".join(lines), "two.gcode"))[
        "zone"
    ]
    assert any("tools 0 and 1" in note for note in one["notes"])
    assert one["nozzle_c"]["reached_min"] == pytest.approx(200, abs=1)
    only = regions_of(kit_of({"zone": "within: all"}))["zone"]
    assert one["strength_mpa"]["across_layers"]["best"] < 0.8 * only["strength_mpa"]["across_layers"]["best"]


def test_a_load_that_makes_no_joint():
    found = regions_of(
        kit_of(
            {
                "loose": f"{ROOT_OF_IT}, load: {{open_ring: {{bore: 16, gap: 200, onto: 10, wall: 2.4, height: 30}}}}",
                "locks": f"{ROOT_OF_IT}, load: {{cantilever: {{length: 12, thickness: 2, width: 8, undercut: 1, "
                "lead: 80, friction: 1}}",
            }
        )
    )
    assert "margin" not in found["loose"]["load"] and "nothing is bent" in found["loose"]["sentence"]
    assert "force_n" not in found["locks"]["load"] and "locks" in found["locks"]["sentence"]


def test_a_material_without_strength_is_refused(tmp_path):
    text = (ROOT / "profiles" / "materials" / "petg.yaml").read_text(encoding="utf-8")
    path = tmp_path / "plain.yaml"
    path.write_text(text[: text.index("\nbond:")] + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="no key `strength`"):
        estimate_plate(plate_of(), HOOPHOUSE, Options((), material=str(path)))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("estimate")
    (where / "plate.gcode").write_bytes(plate_of().render())
    (where / "hoophouse.kit.yaml").write_text(hoophouse_kit(), encoding="utf-8")
    return where


def test_the_library_tells_the_same_of_a_treated_plate_as_of_its_bytes(folder):
    program = bw.read(folder / "plate.gcode")
    placed = bw.load_kit(folder / "hoophouse.kit.yaml").place(program)
    plain = bw.estimate(program, placed)
    assert {**plain, "file": 0} == {**of_demo(), "file": 0}
    treated = bw.apply(program, placed)
    told = bw.estimate(treated, placed)
    again = estimate_plate(Plate.from_bytes(treated.render(), told["file"]), HOOPHOUSE, BARE)[0]
    assert told == again and told["treated"] and not plain["treated"]
    sound(told)
    assert told["regions"] != plain["regions"]
