"""The kit file: read into structs, refused with file, line and key path, merged, treatments resolved."""

import hashlib
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.documents import yaml
from gcodetools.errors import InputError
from gcodetools.kit import schema
from gcodetools.kit.loads import OpenRing, Use
from gcodetools.kit.schema import kit_from_bytes, kit_json_schema, load_kit, load_kits
from gcodetools.kit.shapes import (
    AllOf,
    AnyOf,
    Mirror,
    Slab,
    ThinnerThan,
    Wedge,
)

KIT = """\
beadwright: 1
kit: hoophouse
material: petg
machine: desktop-220
base: {nozzle: 230, fan: 40%}
parts:
  film-clip:
    found_by:
      label: ["film-clip*"]
      outline: [[[0, 0], [10, 0], [10, 10], [0, 10]]]
      height: 30
      symmetry: 1
      mirrored: refused
      scale_within: 2%
    instances: all
    regions:
      lips:
        role: clip
        within:
          any_of:
            - wedge: {centre: [0, 0], radius: [7.5, 11], angle: [50, 80]}
            - mirror: x
        beads: any
        load: {open_ring: {bore: 16, gap: 100, onto: 16, wall: 2.4, height: 30, friction: 0.3, tilt: 10}}
        use: {times: 20, held: free, temperature: [-5, 50], years: 2}
        treat: supple
      ribs:
        role: rib
        within: {all_of: [{slab: {z: [2, 28]}}, {thinner_than: 2.0}]}
        treat: [stout, {fan: {cap: 20%}}]
      rest: {within: all}
treatments:
  supple: {perimeters: {fill: true}, fan: {cap: 25%}}
  stout: {infill: solid, nozzle: {add: 8}, fan: {cap: 30%}}
"""


def kit(text=KIT, folder=None):
    return kit_from_bytes(text.encode(), "h.kit.yaml", folder)


def changed(old, new):
    assert old in KIT
    return KIT.replace(old, new, 1)


def refusal(text, folder=None):
    with pytest.raises(InputError) as caught:
        kit(text, folder)
    assert caught.value.hint
    return caught.value.cause


def test_the_whole_kit_is_read():
    one = kit()
    part = one.parts["film-clip"]
    lips, ribs, rest = part.regions.values()
    assert (one.name, one.material, one.machine) == ("hoophouse", "petg", "desktop-220")
    assert (one.base.nozzle_c, one.base.fan) == (230, 0.4)
    assert part.found_by.labels == ("film-clip*",)
    assert part.found_by.outline == (((0, 0), (10, 0), (10, 10), (0, 10)),)
    assert (part.found_by.height_mm, part.found_by.scale_within, part.instances) == (30, 0.02, "all")
    assert lips.within == AnyOf((Wedge((0, 0), (7.5, 11), (50, 80)), Mirror("x")))
    assert lips.load == OpenRing(16, 100, 16, 2.4, 30, 0.3, 10)
    assert lips.use == Use(20, "free", (-5, 50), 2)
    assert ribs.within == AllOf((Slab(z=(2, 28)), ThinnerThan(2.0)))
    assert (lips.role, ribs.role, rest.role, rest.beads) == ("clip", "rib", "body", "any")


def test_regions_keep_the_order_of_the_file():
    assert list(kit().parts["film-clip"].regions) == ["lips", "ribs", "rest"]


def test_source_has_the_digest_of_the_bytes(tmp_path):
    path = tmp_path / "h.kit.yaml"
    path.write_text(KIT)
    (source,) = load_kit(path).sources
    assert source.path == path
    assert source.sha256 == hashlib.sha256(KIT.encode()).hexdigest()


def test_shortest_kit_that_treats_something():
    regions = "regions: {r: {within: all, treat: stout}}"
    text = f"beadwright: 1\nkit: k\nparts: {{hook: {{found_by: {{label: hook}}, {regions}}}}}"
    assert kit(text).parts["hook"].found_by.labels == ("hook",)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("kit: hoophouse", "kit: 12", "2: kit: found 12, expected a name of 1 to 80 characters"),
        ("kit: hoophouse\n", "", "1: found no key 'kit'"),
        ("material: petg", "material: pteg", "3: material: no material named 'pteg'; nearest 'petg'"),
        ("machine: desktop-220", "machine: ./m.yaml", "4: machine: found './m.yaml', where no file is"),
        ("nozzle: 230", "nozzle: 501", "5: base.nozzle: found 501, expected a number in C from 0 to 500"),
        (
            "nozzle: 230",
            "nozzle: 230C",
            "5: base.nozzle: found '230C', expected a number in C from 0 to 500 without",
        ),
        (
            "fan: 40%",
            "fan: 40",
            "5: base.fan: found 40, expected a percentage with its sign from 0% to 100%: write 40%",
        ),
        (
            "found_by:\n",
            "found_bye:\n",
            "8: parts.film-clip.found_bye: found unknown key 'found_bye', expected 'found_by'",
        ),
        (
            "[10, 0], [10, 10]",
            "[10, 10], [10, 0]",
            "10: parts.film-clip.found_by.outline[1]: found self-intersection",
        ),
        (
            "[[[0, 0],",
            "[[[0, 0], 5,",
            "10: parts.film-clip.found_by.outline[1][2]: found 5, expected a list of 2",
        ),
        (
            "[0, 10]]]",
            "[0, 10]], [[5, 5], [20, 5], [5, 20]]]",
            "10: parts.film-clip.found_by.outline: found ring 2 meeting",
        ),
        (
            "height: 30\n",
            "height: 0\n",
            "11: parts.film-clip.found_by.height: found 0, expected a number in mm above 0",
        ),
        ("symmetry: 1", "symmetry: 0", "12: parts.film-clip.found_by.symmetry: found 0"),
        (
            "mirrored: refused",
            "mirrored: no",
            "13: parts.film-clip.found_by.mirrored: found 'no', expected one of",
        ),
        (
            "scale_within: 2%",
            "scale_within: 2",
            "14: parts.film-clip.found_by.scale_within: found 2, expected a perc",
        ),
        ("instances: all", "instances: [2, 2]", "15: parts.film-clip.instances: found a number twice"),
        ("instances: all", "instances: [0]", "15: parts.film-clip.instances[1]: found 0"),
        ("instances: all", "instances: []", "15: parts.film-clip.instances: found a list of 0"),
        (
            "role: clip",
            "role: clipp",
            "18: parts.film-clip.regions.lips.role: found 'clipp', expected one of ",
        ),
        ("beads: any", "beads: outer", "23: parts.film-clip.regions.lips.beads: found 'outer'"),
        (
            "open_ring",
            "open-ring",
            "24: parts.film-clip.regions.lips.load: found 'open-ring', expected a load: open_ring",
        ),
        ("[-5, 50]", "[50, -5]", "25: parts.film-clip.regions.lips.use.temperature: found [50, -5]"),
        (
            "treat: supple",
            "treat: suple",
            "26: parts.film-clip.regions.lips.treat: no treatment named 'suple'; nearest 'su",
        ),
        (
            "[stout, ",
            "[stuot, ",
            "30: parts.film-clip.regions.ribs.treat[1]: no treatment named 'stuot'; nearest 'stout'",
        ),
        ("treat: supple", "treat: 7", "26: parts.film-clip.regions.lips.treat: found 7, expected a name"),
        ("treat: supple", "treat: {}\n        treat: x", "27: key 'treat' stands twice, first on line 26"),
        ("cap: 25%", "cap: 25", "33: treatments.supple.fan.cap: found 25, expected a percentage"),
        (
            "add: 8",
            "add: 8, set: 240",
            "34: treatments.stout.nozzle: found add and set, expected exactly one of add, set",
        ),
        ("infill: solid", "infill: dense", "34: treatments.stout.infill: found 'dense', expected solid"),
    ],
)
def test_mistake_is_told_with_file_line_and_key(old, new, message):
    assert refusal(changed(old, new)).splitlines()[0].startswith(f"h.kit.yaml:{message}")


def test_empty_groups_are_refused():
    assert "parts: found an empty mapping" in refusal("beadwright: 1\nkit: k\nparts: {}")
    text = "beadwright: 1\nkit: k\nparts: {a: {found_by: {label: a}, regions: {}}}"
    assert "parts.a.regions: found an empty mapping" in refusal(text)
    text = "beadwright: 1\nkit: k\nparts: {a: {found_by: {height: 3}, regions: {r: {within: all}}}}"
    assert "parts.a.found_by: found neither label nor outline, expected at least one" in refusal(text)


def test_outline_may_have_holes_and_several_pieces():
    rings = "[[0, 0], [9, 0], [9, 9], [0, 9]], [[2, 2], [4, 2], [4, 4]], [[20, 0], [29, 0], [29, 9]]"
    one = kit(changed("[[[0, 0], [10, 0], [10, 10], [0, 10]]]", f"[{rings}]"))
    assert len(one.parts["film-clip"].found_by.outline) == 3


def test_mistakes_in_several_places_are_told_together():
    text = changed("role: clip", "role: x").replace("height: 30\n", "hight: 30\n").replace("add: 8", "add: x")
    lines = refusal(text).splitlines()
    assert [line.split(":")[1] for line in lines] == ["11", "18", "34"]


@pytest.mark.parametrize("text", ["", "[]", "just text", "12", "beadwright: 1"])
def test_what_is_no_kit_is_refused(text):
    assert refusal(text).startswith("h.kit.yaml:1: ")


def test_newer_kit_is_refused():
    assert refusal(changed("beadwright: 1", "beadwright: 2\nnew: key")) == (
        "h.kit.yaml:1: beadwright: found version 2, expected at most 1"
    )


@pytest.mark.parametrize("version", ["0", "-1", "one", "true", "1.5", "[1]"])
def test_odd_version_is_refused(version):
    cause = refusal(changed("beadwright: 1", f"beadwright: {version}"))
    assert cause.startswith("h.kit.yaml:1: beadwright: found ")
    assert "expected the version of the kit language, 1" in cause


def test_older_kit_is_migrated_in_memory_and_keeps_its_lines(monkeypatch):
    def to_one(document):
        entries = {{"name": "kit"}.get(key, key): entry for key, entry in document.entries.items()}
        one = yaml.Scalar(1, 1, 1, "1")
        entries["beadwright"] = yaml.Entry(1, 1, one)
        return yaml.Mapping(document.line, document.column, entries, document.size)

    monkeypatch.setitem(schema.MIGRATIONS, 0, to_one)
    old = changed("beadwright: 1", "beadwright: 0").replace("kit: hoophouse", "name: hoophouse")
    assert kit(old).name == "hoophouse"
    assert refusal(old.replace("role: clip", "role: x")).startswith("h.kit.yaml:18: ")


def test_profile_path_counts_from_the_kit(tmp_path):
    (tmp_path / "own.yaml").write_text("x")
    one = kit(changed("material: petg", "material: own.yaml"), tmp_path)
    assert one.material == str((tmp_path / "own.yaml").resolve())


def small(name, part, more=""):
    regions = "regions: {r: {within: all, treat: supple}}"
    return f"beadwright: 1\nkit: {name}\n{more}parts:\n  {part}: {{found_by: {{label: {part}}}, {regions}}}\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "a.kit.yaml").write_text(small("a", "clip", "material: petg\n"))
    (tmp_path / "b.kit.yaml").write_text(small("b", "hook", "base: {nozzle: 230}\n"))
    (tmp_path / "notes.yaml").write_text("no: kit")
    return tmp_path


def test_folder_of_kits_is_merged(folder):
    one = load_kits([folder])
    assert one.name == "a + b"
    assert list(one.parts) == ["clip", "hook"]
    assert (one.material, one.base.nozzle_c) == ("petg", 230)
    assert [source.path.name for source in one.sources] == ["a.kit.yaml", "b.kit.yaml"]


def test_kit_named_twice_counts_once(folder):
    assert len(load_kits([folder / "a.kit.yaml", folder, str(folder / "a.kit.yaml")]).sources) == 2


@pytest.mark.parametrize(
    ("second", "conflict"),
    [
        (small("b", "hook", "material: pla\n"), "b.kit.yaml:3: material: another than at "),
        (
            small("b", "clip").replace("all,", "{thinner_than: 1},"),
            "b.kit.yaml:4: parts.clip: another than at ",
        ),
        (
            small("b", "hook") + "treatments: {supple: {fan: {set: 0}}}",
            "a.kit.yaml:5: parts.clip.regions.r.treat: 'supple' means",
        ),
    ],
)
def test_conflict_between_kits_names_both_places(folder, second, conflict):
    (folder / "b.kit.yaml").write_text(second)
    with pytest.raises(InputError) as caught:
        load_kits([folder])
    first = caught.value.cause.splitlines()[0]
    assert f"/{conflict}" in first
    assert first.count(".kit.yaml:") == 2


def test_equal_statements_are_no_conflict(folder):
    (folder / "b.kit.yaml").write_text(small("b", "clip", "material: petg\n"))
    assert list(load_kits([folder]).parts) == ["clip"]


def test_no_kit_to_load_is_told(tmp_path):
    with pytest.raises(InputError, match="no kit in this folder"):
        load_kits([tmp_path])
    with pytest.raises(InputError, match="no kit named"):
        load_kits([])
    with pytest.raises(InputError, match="no such file"):
        load_kits([tmp_path / "x.kit.yaml"])


VALIDATOR = jsonschema.Draft202012Validator(kit_json_schema())
STRUCTURAL = [
    ("kit: hoophouse", "kit: 12"),
    ("fan: 40%", "fan: 40"),
    ("height: 30\n", "hight: 30\n"),
    ("role: clip", "role: clipp"),
    ("- wedge:", "- wegde:"),
    ("within: all", "within: {all: true}"),
    ("within: all", "within: {box: {x: [1]}}"),
    ("within: all", "within: {thinner_than: 0}"),
    ("open_ring", "open-ring"),
    ("add: 8", "add: 8, set: 240"),
    ("cap: 25%", "cap: 25"),
    ("treat: supple", "treat: []"),
    ("instances: all", "instances: [0]"),
    ("regions:", "regions: {}\n    x:"),
    ("parts:", "party:"),
]


def test_json_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(kit_json_schema())


def test_good_kit_passes_the_json_schema():
    assert [error.message for error in VALIDATOR.iter_errors(yaml.plain(yaml.load(KIT.encode(), "k")))] == []


@pytest.mark.parametrize(("old", "new"), STRUCTURAL)
def test_bad_kit_fails_the_json_schema_and_the_reading(old, new):
    text = changed(old, new)
    assert not VALIDATOR.is_valid(yaml.plain(yaml.load(text.encode(), "k")))
    assert refusal(text)


scraps = st.sampled_from(
    ["", "x", " ", "  ", "[", "{}", "-1", "40", "all", ": ", "\t", "é", "9" * 30, "~", "*a", "null"]
)


@given(st.integers(0, len(KIT)), st.integers(0, 12), scraps)
def test_any_damaged_kit_is_read_or_told_with_its_line(at, length, scrap):
    text = KIT[:at] + scrap + KIT[at + length :]
    try:
        kit(text)
    except InputError as error:
        assert error.cause.startswith("h.kit.yaml:")


def test_kit_without_polygons_does_not_load_the_polygon_library():
    text = KIT.replace("      outline: [[[0, 0], [10, 0], [10, 10], [0, 10]]]\n", "")
    code = "import sys; from gcodetools.kit.schema import kit_from_bytes as k; k(sys.argv[1].encode(), 'h')"
    code += "; print('shapely' in sys.modules, 'numpy' in sys.modules)"
    root = Path(__file__).resolve().parents[2]
    run = subprocess.run(
        [sys.executable, "-c", code, text], cwd=root, capture_output=True, text=True, check=True
    )
    assert run.stdout.split() == ["False", "False"]
