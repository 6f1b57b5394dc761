"""Every command's ordinary run: status, files, one JSON object with the contract's keys."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from shapely import box

from gcodetools.demo import run as demo_run
from gcodetools.demo.maker import Placement, hoophouse_plate
from gcodetools.demo.shapes import Bands, Part

KIT = "hoophouse.kit.yaml"
INSPECT_KEYS = {
    "schema", "file", "lines", "bytes", "convention", "extrusion", "tools", "layers", "features",
    "feature_source", "nozzle_c", "nozzle_from", "bed_c", "fan_percent", "time_in_file_s", "filament",
}  # fmt: skip
KIT_KEYS = {"parts", "absent", "regions"}
APPLY_KEYS = {"schema", "out", "digest", "regions", "changes", "added", "audit"}


def nulls(value: Any, path: str = "") -> list[str]:
    """Paths in a record that hold null."""
    if value is None:
        return [path]
    if isinstance(value, dict):
        return [hit for key, item in value.items() for hit in nulls(item, f"{path}.{key}")]
    if isinstance(value, list):
        return [hit for k, item in enumerate(value) for hit in nulls(item, f"{path}[{k}]")]
    return []


def test_inspect_answers_with_the_keys_of_the_contract(bench, run):
    ran = run("inspect", "plate.gcode", "--json")
    assert ran.status == 0
    record = ran.json
    assert record["schema"] == "beadwright.inspect/1"
    assert record.keys() >= INSPECT_KEYS and not record.keys() & KIT_KEYS
    assert record["layers"].keys() >= {"count", "height_mm", "first_mm", "z_max_mm"}
    assert record["filament"].keys() >= {
        "nozzle_mm", "beads_mm", "start_and_tower_mm", "volume_mm3", "mass_g", "cost",
    }  # fmt: skip
    assert record["filament"]["mass_g"].keys() == {"low", "best", "high", "basis", "coverage", "source"}
    assert nulls(record) == []


def test_inspect_with_a_kit_lists_parts_absent_and_regions(bench, run):
    record = run("inspect", "plate.gcode", "--kit", KIT, "--json").json
    assert [(p["part"], p["instance"]) for p in record["parts"]] == [
        ("wedge-key-snug", 1), ("wedge-key-snug", 2), ("shelf-hook", 1),
    ]  # fmt: skip
    assert record["parts"][0].keys() >= {
        "label", "part", "instance", "x_mm", "y_mm", "turn_deg", "fit_mm", "layers",
    }  # fmt: skip
    assert record["absent"] == ["film-clip", "ridge-saddle", "wedge-key-easy"]
    assert {(r["part"], r["instance"], r["region"]) for r in record["regions"]} == {
        ("wedge-key-snug", 1, "shank"), ("wedge-key-snug", 2, "shank"), ("shelf-hook", 1, "finger"),
    }  # fmt: skip
    assert nulls(record) == []


def test_apply_writes_the_treated_plate_and_leaves_the_original(bench, run, made):
    ran = run("apply", "plate.gcode", "--kit", KIT, "-o", "out.gcode", "--json")
    assert ran.status == 0, ran.err
    record = ran.json
    assert record["schema"] == "beadwright.apply/1"
    assert record.keys() >= APPLY_KEYS and record["out"] == "out.gcode"
    assert record["added"].keys() >= {"mass_g", "cost"}
    assert record["audit"].keys() >= {"kept", "replaced", "inserted", "held_back", "differing"}
    assert record["audit"]["differing"] == 0
    assert all(r.keys() >= {"part", "instance", "region", "treatment", "asked", "done", "why"}
               for r in record["regions"])  # fmt: skip
    assert nulls(record) == []
    assert (bench / "plate.gcode").read_bytes() == made()
    assert (bench / "out.gcode").read_bytes() != made()


def test_the_digest_is_that_of_the_written_file(bench, run):
    import hashlib

    record = run("apply", "plate.gcode", "--kit", KIT, "-o", "out.gcode", "--json", "--no-estimate").json
    assert record["digest"] == hashlib.sha256((bench / "out.gcode").read_bytes()).hexdigest()


def test_declared_changes_cover_every_line_that_differs(bench, run):
    """`lines` count in the original from 1: what lies outside all of them must survive in order."""
    record = run("apply", "plate.gcode", "--kit", KIT, "-o", "out.gcode", "--json", "--no-estimate").json
    before = (bench / "plate.gcode").read_bytes().split(b"\n")
    declared = [False] * (len(before) + 1)
    for change in record["changes"]:
        first, last = change["lines"]
        assert 1 <= first <= last <= len(before)
        for k in range(first - 1, last):
            declared[k] = True
    after = iter((bench / "out.gcode").read_bytes().split(b"\n"))
    missing = [line for k, line in enumerate(before) if not declared[k] and line not in after]
    assert missing == []


def test_post_treats_in_place_with_the_same_bytes_as_apply(bench, run):
    run("apply", "plate.gcode", "--kit", KIT, "-o", "out.gcode", "--no-estimate")
    ran = run("post", "--kit", KIT, "plate.gcode", "--json")
    assert ran.status == 0
    assert ran.json["schema"] == "beadwright.apply/1" and ran.json["out"] == "plate.gcode"
    assert (bench / "plate.gcode").read_bytes() == (bench / "out.gcode").read_bytes()


def test_check_validates_and_draws(bench, run):
    record = run("check", KIT, "-o", "kit.svg", "--json").json
    assert record["schema"] == "beadwright.check/1"
    assert [p["part"] for p in record["parts"]] == [
        "film-clip", "ridge-saddle", "wedge-key-snug", "wedge-key-easy", "shelf-hook",
    ]  # fmt: skip
    loads = {r["region"]: r.get("load") for p in record["parts"] for r in p["regions"]}
    assert loads == {
        "ribs": None, "lips": "open_ring", "spine": "open_ring", "fingers": "open_ring",
        "key-slot": "key", "shank": "key", "finger": "cantilever",
    }  # fmt: skip
    assert (bench / "kit.svg").read_text().startswith("<?xml") or "<svg" in (bench / "kit.svg").read_text()
    assert nulls(record) == []


def test_learn_says_how_many_specks_it_left_out(bench, run, made):
    bumpy = box(0, 0, 10, 8).union(box(9.9, 3, 10.7, 3.8))
    part = Part("bumpy", 1.0, Bands(((1.0, bumpy),)))
    (bench / "plate.gcode").write_bytes(made((Placement(part, 60, 60),)))
    args = ("learn", "plate.gcode", "-o", "bumpy.kit.yaml", "--overwrite")
    assert "left out as too small for a region: 1 thin speck" in run(*args).out
    assert run(*args, "--json").json["specks_left_out"] == 1


def test_learn_writes_a_kit_that_check_and_apply_accept(bench, run):
    record = run("learn", "plate.gcode", "--object", "shelf-hook", "-o", "hook.kit.yaml", "--json").json
    assert record["schema"] == "beadwright.learn/1"
    assert nulls(record) == []
    assert {p.name for p in bench.iterdir()} >= {"hook.kit.yaml", "hook.svg"}
    assert run("check", "hook.kit.yaml").status == 0
    assert run("inspect", "plate.gcode", "--kit", "hook.kit.yaml", "--json").json["parts"] != []


@pytest.mark.parametrize("command", ["inspect", "apply", "post", "compare", "check", "learn"])
def test_json_is_one_line_on_stdout_and_nothing_else(keys, run, command):
    ran = run(*ordinary(command), "--json")
    assert ran.status == 0
    assert ran.out.count("\n") == 1 and ran.json["schema"].startswith("beadwright.")


@pytest.mark.parametrize("command", ["inspect", "apply", "post", "compare", "check", "learn"])
def test_quiet_says_nothing_where_nothing_is_wrong(keys, run, command):
    ran = run(*ordinary(command), "-q")
    assert (ran.status, ran.out) == (0, "")


def ordinary(command: str) -> list[str]:
    """Arguments of an ordinary run in `keys`."""
    return {
        "inspect": ["inspect", "plate.gcode", "--kit", KIT],
        "apply": ["apply", "plate.gcode", "--kit", KIT, "-o", "out.gcode"],
        "post": ["post", "--kit", KIT, "plate.gcode"],
        "compare": ["compare", "plate.gcode", "plate.gcode", "--kit", KIT],
        "check": ["check", KIT, "-o", "kit.svg"],
        "learn": ["learn", "plate.gcode", "--object", "wedge-key-snug", "-o", "key.kit.yaml"],
    }[command]


@pytest.mark.parametrize(
    "whole", [False, pytest.param(True, marks=pytest.mark.long)], ids=["one of each", "whole"]
)
def test_demo_makes_everything_it_names_without_a_warning(tmp_path: Path, run, monkeypatch, whole):
    """With one of each part and advice on one region, for all of it takes a minute; that one is a long run."""
    if not whole:
        firsts = tuple({one.part: one for one in reversed(hoophouse_plate())}.values())
        make = demo_run.make_plate
        monkeypatch.setattr(demo_run, "make_plate", lambda *, parts=firsts: make(parts=parts))
        monkeypatch.setattr(demo_run, "_ASKED", demo_run._ASKED[:1])
    ran = run("demo", tmp_path / "d", "--json", "--strict")
    assert ran.status == 0
    record = ran.json
    assert record["schema"] == "beadwright.demo/1"
    assert ElementTree.parse(tmp_path / "d" / "film-clip-layer.svg").getroot().tag.endswith("svg")
    assert all(Path(item["path"]).is_file() for item in record["open"])
    assert nulls(record) == []
    _check_story(tmp_path / "d", record["story"])


def _check_story(folder: Path, story: list[dict[str, Any]]) -> None:
    """A ladder to a plan, each with its command; what is invented says so."""
    assert [one["step"] for one in story] == ["ladder", "tune", "estimate", "nudge", "profile carry", "plan"]
    for one in story:
        words = one["command"].split()
        assert " ".join(words[: len(one["step"].split())]) == one["step"]
        assert all(
            Path(after).is_file() for word, after in pairwise(words) if word in ("-o", "--ics", "--csv")
        )
    rows = [line for line in (folder / "hooks-broken.csv").read_text().splitlines() if line[0].isdigit()]
    assert len(rows) == 12 and all(row.endswith(",invented for the demo") for row in rows)
    assert "Invented data: nothing of this was measured." in (folder / "bench-petg.yaml").read_text()
    margins = [story[2]["record"][side]["regions"][0]["load"]["margin"] for side in ("by_profile", "by_own")]
    assert margins[0] != margins[1] and all(one["low"] < one["best"] < one["high"] for one in margins)
    assert (folder / "run.ics").read_bytes().startswith(b"BEGIN:VCALENDAR")
