"""`compare` on the command line: text, JSON, statuses."""

from __future__ import annotations

import pytest

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_compare import show_compare
from gcodetools.demo.maker import Placement

KIT = "hoophouse.kit.yaml"
KEYS = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))


def test_the_record_is_that_of_the_contract(pair, run, look):
    ran = look("compare", "plate.gcode", "treated.gcode", "--kit", KIT, "--json")
    assert (ran.status, ran.err) == (0, "")
    record = ran.json
    assert record["schema"] == "beadwright.compare/1"
    assert record.keys() >= {"files", "columns", "totals", "before", "after", "difference", "parts"}
    tables = {"whole", "features", "regions", "layers", "outside", "states"}
    assert all(record[side].keys() == tables for side in ("before", "after", "difference"))
    told = run("apply", "plate.gcode", "--kit", KIT, "-o", "o.gcode", "--json", "--no-estimate").json["costs"]
    assert record["columns"] == told["columns"]
    assert record["difference"]["whole"]["time_s"] == pytest.approx(
        told["added"]["whole"]["time_s"], rel=1e-6
    )


@pytest.mark.every(3)
@pytest.mark.parametrize("columns", [80, 60, 110])
@pytest.mark.parametrize("second", ["treated.gcode", "other.gcode"])
def test_no_line_is_wider_than_the_terminal(pair, look, made, monkeypatch, columns, second):
    monkeypatch.setenv("COLUMNS", str(columns))
    if second == "other.gcode":
        (pair / second).write_bytes(made(convention="A"))
    ran = look("compare", "plate.gcode", second, "--kit", KIT, "-v")
    assert ran.status == 0 and max(map(len, ran.out.splitlines())) <= columns


def test_the_text_says_what_differs(pair, look, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    args = ("compare", "plate.gcode", "treated.gcode", "--kit", KIT)
    ran = look(*args)
    assert "The second is the first, treated: its record says so." in ran.out
    lines = [line.split() for line in ran.out.splitlines()]
    assert ["nozzle", "C", "230", "230", "to", "238"] in [line[-6:] for line in lines]
    assert "in neither file: film-clip, ridge-saddle, wedge-key-easy" in ran.out
    assert "layer that differs most" not in ran.out and "outermost" not in ran.out
    more = look(*args, "-v").out
    assert "layer that differs most" in more and "outermost" in more
    assert {"wedge-key-snug/shank", "shelf-hook/finger"} <= set(more.split())


def test_the_same_file_twice_says_so(keys, run):
    ran = run("compare", "plate.gcode", "plate.gcode", "--kit", KIT, "-v")
    assert ran.status == 0 and "Both files are the same to the byte." in ran.out
    assert "no region that is in both is laid otherwise" in ran.out
    assert "no layer that is in both takes another time" in ran.out
    assert "+" not in ran.out


@pytest.mark.long
def test_the_kit_is_optional_and_may_come_from_the_environment(pair, run, monkeypatch):
    bare = run("compare", "plate.gcode", "treated.gcode")
    assert bare.status == 0 and "shelf-hook" not in bare.out and "whole" in bare.out
    monkeypatch.setenv("BEADWRIGHT_KIT", KIT)
    assert "shelf-hook/finger" in run("compare", "plate.gcode", "treated.gcode").out


@pytest.mark.parametrize(
    "args, missing",
    [(("plat.gcode", "plate.gcode"), "plat.gcode"), (("plate.gcode", "plat.gcode"), "plat.gcode")],
)
def test_a_missing_file_on_either_side_is_named(keys, run, args, missing):
    ran = run("compare", *args, "--kit", KIT)
    assert (ran.status, ran.first, ran.out) == (3, f"error: {missing}: no such file", "")
    assert "Did you mean plate.gcode?" in ran.err


def test_one_file_alone_is_a_usage_error(bench, run):
    ran = run("compare", "plate.gcode")
    assert (ran.status, ran.first) == (2, "error: missing argument 'AFTER'.")


def test_a_kit_on_neither_plate_is_status_4(bench, run):
    text = "beadwright: 1\nkit: c\nparts:\n  clip: {found_by: {label: clip}, regions: {a: {within: all}}}\n"
    (bench / "c.kit.yaml").write_text(text)
    ran = run("compare", "plate.gcode", "plate.gcode", "--kit", "c.kit.yaml")
    assert (ran.status, ran.out) == (4, "")
    assert ran.first == (
        "error: plate.gcode, plate.gcode: no part of kit c is on either plate (looked for clip)"
    )
    assert len(ran.err.splitlines()) == 2


def test_a_warning_is_an_error_with_strict(keys, run, made):
    """The second file states another time than its moves take by the machine named in the kit."""
    (keys / "other.gcode").write_bytes(made(KEYS, "A"))
    args = ("compare", "plate.gcode", "other.gcode", "--kit", KIT)
    ran = run(*args)
    assert ran.status == 0 and ran.err.startswith("warning: other.gcode: states ")
    strict = run(*args, "--strict", "--log", "log.txt")
    assert (strict.status, strict.out) == (6, "")
    assert "warning: other.gcode: states " in (keys / "log.txt").read_text()


def test_prices_may_be_set_and_unknown_keys_are_refused(keys, run):
    args = ("compare", "plate.gcode", "plate.gcode", "--json")
    plain = run(*args, "--set", "material.price_per_kg=20").json["before"]["whole"]
    dear = run(*args, "--set", "material.price_per_kg=40").json["before"]["whole"]
    assert dear["cost"] == pytest.approx(2 * plain["cost"])
    assert run(*args, "--set", "material.nothing=1").status in (2, 3)
    assert run(*args, "--machine", "no-such-machine").status == 3


def test_many_instances_in_one_file_only_are_counted_unless_verbose(pair, look):
    record = look("compare", "plate.gcode", "treated.gcode", "--kit", KIT, "--json").json
    record["parts"]["only_before"] = [f"clip#{k}" for k in range(1, 24)]
    texts = []
    for verbose in (False, True):
        paper = Paper(width=80, verbose=verbose)
        show_compare(record, paper)
        texts.append(" ".join(paper.text.split()))
    assert "clip#8, 15 more (-v lists them)" in texts[0] and "clip#9" not in texts[0]
    assert "clip#22, clip#23" in texts[1]
