"""`estimate` on the command line: text, JSON, statuses; and what `apply`, `compare` and `check` say of strength."""

from __future__ import annotations

from pathlib import Path

import pytest

from gcodetools.cli.text_estimate import margin, worst_first

KIT = "hoophouse.kit.yaml"
ARGS = ("estimate", "plate.gcode", "--kit", KIT)
LEADS = ("rests on", "treated or not", "side effects", "check it")


@pytest.fixture
def keys(bench, made):
    """`bench` with two keys alone: soon done."""
    from gcodetools.demo.maker import Placement

    (bench / "plate.gcode").write_bytes(made((Placement("wedge-key-snug", 60, 110),)))
    return bench


def test_the_record_is_that_of_the_contract(bench, look):
    ran = look(*ARGS, "--json")
    assert (ran.status, ran.err) == (0, "")
    record = ran.json
    assert record["schema"] == "beadwright.estimate/1" and len(record["regions"]) == 3
    assert set(record["total"]) == {"time_s", "mass_g", "cost"} and len(record["cautions"]) >= 2
    assert record["file"].endswith("plate.gcode") and record["material_from"] == "kit"


@pytest.mark.every(1)
@pytest.mark.parametrize("columns", [60, 80, 110])
def test_no_line_is_wider_than_the_terminal(bench, look, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    ran = look(*ARGS, "-v")
    assert ran.status == 0 and max(map(len, ran.out.splitlines())) <= columns


def test_the_text_says_what_a_maker_needs(bench, look, monkeypatch):
    monkeypatch.setenv("COLUMNS", "110")
    ran = look(*ARGS)
    lines = ran.out.splitlines()
    told = " ".join(ran.out.split())
    for lead in LEADS:
        assert sum(line.startswith(lead) for line in lines) == 1, lead
    for caution in ("not for safety-critical, food, child or pressure use", "fumes", "local codes"):
        assert caution in told, caution
    table = [line for line in lines if line.startswith(("shelf-hook/finger ", "wedge-key-snug/shank "))]
    assert [line.split()[0] for line in table[:2]] == ["shelf-hook/finger", "wedge-key-snug/shank"]
    assert " 1 and 2 " in table[1] and "(" in table[0]
    for word in ("None", "nan", "inf ", "null", "{"):
        assert word not in ran.out, word


def test_sentences_and_notes_are_those_of_the_record_and_what_is_left_out_is_counted(
    bench, look, monkeypatch
):
    record = look(*ARGS, "--json").json
    monkeypatch.setenv("COLUMNS", "110")
    few, all_of_them = look(*ARGS).out, " ".join(look(*ARGS, "-v").out.split())
    finger = next(one for one in record["regions"] if one["region"] == "finger")
    notes = {note for one in record["regions"] for note in one["notes"]}
    for text in (finger["sentence"], *notes):
        assert " ".join(text.split()) in all_of_them
    assert " ".join(finger["sentence"].split()) in " ".join(few.split())
    told = few[few.index("\nshelf-hook/finger: ") : few.index("\nrests on")]
    left = sum(int(line.split()[1]) for line in told.splitlines() if line.endswith("-v"))
    shown = sum(" ".join(note.split()) in " ".join(told.split()) for note in notes)
    assert left > 0 and shown + left == len(notes)


def test_only_some_instances(keys, run):
    assert run(*ARGS, "--only", "wedge-key-snug#1", "--json").json["regions"][0]["instance"] == 1
    ran = run(*ARGS, "--only", "wedge-key-snug#9")
    assert ran.status in (2, 4) and ran.first.startswith("error: ") and ran.out == ""


def test_a_kit_that_is_not_on_the_plate_is_status_4(keys, run):
    (keys / "other.kit.yaml").write_text(
        "beadwright: 1\nkit: other\nparts:\n  a:\n    found_by: {label: nothing}\n    regions: {all: {within: all}}\n"
    )
    ran = run("estimate", "plate.gcode", "--kit", "other.kit.yaml")
    assert (ran.status, ran.out) == (4, "") and "no part of kit other is on the plate" in ran.first
    assert len(ran.err.strip().splitlines()) == 2


def test_a_region_that_meets_no_bead(keys, run):
    (keys / "far.kit.yaml").write_text(
        "beadwright: 1\nkit: far\nparts:\n  a:\n    found_by: {label: wedge*}\n"
        "    regions: {far: {within: {slab: {z: [90, 95]}}}}\n"
    )
    ran = run("estimate", "plate.gcode", "--kit", "far.kit.yaml")
    assert ran.status == 4 and ran.out == "" and "meets" in ran.first


def test_a_material_without_strength_is_status_3(keys, run):
    source = Path(__file__).resolve().parents[2] / "profiles" / "materials" / "petg.yaml"
    text = source.read_text(encoding="utf-8")
    Path("plain.yaml").write_text(text[: text.index("\nbond:")] + "\n", encoding="utf-8")
    ran = run(*ARGS, "--material", "plain.yaml")
    assert (ran.status, ran.out) == (3, "") and "`strength`" in ran.first
    assert "like: petg" in ran.err
    # It can still be treated; of its strength nothing is told.
    done = run("apply", "plate.gcode", "--kit", KIT, "--material", "plain.yaml", "-o", "out.gcode")
    assert done.status == 0 and "strength of" not in done.out


@pytest.mark.parametrize("data", [b"", b"\x1f\x8b\x00\x00", b"hello\n", bytes(range(256)) * 40])
def test_what_is_no_gcode_is_status_3(bench, run, data):
    Path("odd.gcode").write_bytes(data)
    ran = run("estimate", "odd.gcode", "--kit", KIT)
    assert (ran.status, ran.out) == (3, "") and ran.first.startswith("error: ")


def test_no_such_file_and_no_kit(bench, run):
    assert run("estimate", "absent.gcode", "--kit", KIT).status == 3
    assert run("estimate", "plate.gcode").status == 2
    assert run("estimate", "plate.gcode", "--kit", "absent.kit.yaml").status == 3
    assert run(*ARGS, "--set", "material.nothing=1").status in (2, 3)


def test_warnings_go_to_the_other_stream(keys, run):
    (keys / "k.kit.yaml").write_text(
        "beadwright: 1\nkit: k\nparts:\n  a:\n    found_by: {label: wedge*}\n    regions: {all: {within: all}}\n"
    )
    loose = run("estimate", "plate.gcode", "--kit", "k.kit.yaml")
    assert loose.status == 0 and "warning: a: no outline" in loose.err


def test_apply_and_compare_end_with_what_it_rests_on(keys, run):
    done = run("apply", "plate.gcode", "--kit", KIT, "-o", "out.gcode")
    both = run("compare", "plate.gcode", "out.gcode", "--kit", KIT)
    for ran in (done, both):
        assert ran.status == 0
        for lead in LEADS:
            assert sum(line.startswith(lead) for line in ran.out.splitlines()) == 1, lead
        assert "not for safety-critical" in ran.out
    again = run("estimate", "out.gcode", "--kit", KIT)
    assert again.status == 0 and "treated already" in again.out


def test_check_runs_the_sums_without_a_file(bench, run):
    ran = run("check", KIT)
    told = " ".join(ran.out.split())
    assert ran.status == 0 and "Opens by" in told and "margin" in told and "not for safety-critical" in told
    record = run("check", KIT, "--json").json
    regions = [one for part in record["parts"] for one in part["regions"]]
    for one in regions:
        assert ("sums" in one) == (one["load"] is not None if "load" in one else False)
    for one in regions:
        if "sums" in one:
            band = one["sums"]["demand"]
            # A key of 0.05 mm may come out loose, with nothing squeezed.
            assert band["low"] > 0 or (one["load"] == "key" and band["low"] == 0)
            assert band["low"] <= band["best"] <= band["high"]


def region(name, low, best, high, **load):
    told = {"margin": {"low": low, "best": best, "high": high}, "demand": {"best": 0.01}} if best else {}
    return {"part": name, "instance": 1, "region": "r", "load": {**told, **load}}


def test_the_worst_comes_first_what_is_refused_before_it():
    refused = region("refused", 0, 0, 0, refused="too hot", demand={"best": 0.01})
    loose = region("loose", 0, 0, 0, refused="nothing is bent", demand={"best": 0.0})
    groups = [[region("b", 1, 2, 3)], [loose], [region("a", 0.5, 1, 3)], [refused]]
    tilted = region("c", 1, 2, 3, margin_crooked={"best": 0.5, "low": 0, "high": 1})
    order = [group[0]["part"] for group in worst_first([*groups, [tilted]])]
    assert order == ["refused", "c", "a", "b", "loose"]


def test_margins_are_as_fine_as_they_are_sure():
    def band(low, best, high):
        return {"low": low, "best": best, "high": high}

    assert margin(band(0.9123, 1.1567, 1.6)) == "1.16 (0.91 to 1.60)"
    assert margin(band(2.1, 4.32, 5.7)) == "4.3 (2.1 to 5.7)"
    assert margin(band(21, 60, 110)) == "over 10"
    assert margin(None) == "-"
