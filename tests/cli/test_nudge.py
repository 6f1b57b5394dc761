"""`beadwright nudge` at the command line: statuses, files, one JSON object, text that a person tries keys by."""

from __future__ import annotations

import pytest

from gcodetools.demo.kit import hoophouse_kit

KIT = "hoophouse.kit.yaml"
SHANK = "wedge-key-snug/shank"
ARGS = ("nudge", "plate.gcode", "--kit", KIT, "--region", SHANK)


@pytest.fixture
def mated(keys):
    """`keys`, whose kit says which slot they hold."""
    text = hoophouse_kit()
    load = "load: {key: {width: 6, squeeze: 0.05, height: 4.8, length: 9, taper: 0.7}}"
    head, _, tail = text.partition("  wedge-key-snug:")
    (keys / KIT).write_text(
        head
        + "  wedge-key-snug:"
        + tail.replace(load, load.replace("0.7}", "0.7, mate: ridge-saddle/key-slot}"), 1),
        encoding="utf-8",
    )
    return keys


def test_a_run_writes_a_file_and_one_object(mated, run):
    original = (mated / "plate.gcode").read_bytes()
    ran = run(*ARGS, "--offset", "0.03", "-o", "out.gcode", "--json", "--verify")
    assert ran.status == 0, ran.err
    record = ran.json
    assert record["schema"] == "beadwright.nudge/1" and record["out"] == "out.gcode"
    apply_keys = {"digest", "regions", "changes", "added", "audit", "untreated_instances", "absent"}
    assert record.keys() >= apply_keys | {"offsets_mm", "nudged", "instances", "fits", "caution"}
    assert record["audit"]["differing"] == 0
    assert record["offsets_mm"] == [0.03] and record["nudged"] == [SHANK]
    assert record["fits"][0]["with_fit"]["squeeze_mm"]["best"] == pytest.approx(0.11)
    assert (mated / "plate.gcode").read_bytes() == original != (mated / "out.gcode").read_bytes()


def test_a_ladder_says_which_key_got_what_and_how_to_find_the_right_one(mated, run, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    ran = run(*ARGS, "--offsets", "-0.04,0.04", "-o", "out.gcode")
    assert ran.status == 0, ran.err
    table = ran.out[ran.out.index("Which got what") :]
    rows = [line.split() for line in table.splitlines() if line.strip().startswith("wedge-key-snug ")]
    assert [(row[1], row[2]) for row in rows] == [("1", "-0.04"), ("2", "+0.04")]
    assert "Try them from the loosest on" in ran.out
    assert f"{SHANK} with ridge-saddle/key-slot" in ran.out and "pressed in" in ran.out
    assert "Caution: A fit holds by friction alone" in ran.out and "local codes" in ran.out
    assert all(len(line) <= 100 for line in ran.out.splitlines())


def test_one_offset_is_told_in_a_sentence(mated, run):
    ran = run(*ARGS, "--offset", "-0.05", "-o", "out.gcode")
    text = " ".join(ran.out.split())
    assert (
        f"{SHANK}#1 and 2 with ridge-saddle/key-slot: squeeze 0.05 mm as drawn, play 0.05 mm with fit -0.05"
        in text
    )
    assert "loose, no force" in text and "Which got what" not in text


def test_standard_output_carries_the_file(mated, capfdbinary_run):
    status, out, err = capfdbinary_run(*ARGS, "--offset", "0.03", "-o", "-")
    assert status == 0, err
    assert b"; beadwright fit: +0.03 mm: wedge-key-snug/shank#1,2" in out


@pytest.mark.parametrize(
    ("args", "status", "cause"),
    [
        ((), 2, "neither --offset nor --offsets"),
        (("--offset", "0.05", "--offsets", "0.1"), 2, "both --offset and --offsets"),
        (("--offset", "0.3"), 2, "fit offset 0.3"),
        (("--offset", "0"), 2, "no offset but 0"),
        (("--offset", "nan"), 2, "fit "),
        (("--offsets", "0.05,much"), 2, "--offsets 0.05,much: expected numbers"),
        (
            ("--offset", "0.05", "--region", "wedge-key-snug/blade"),
            2,
            "--region wedge-key-snug/blade: no such region",
        ),
        (("--offset", "0.05", "--only", "wedge-key-snug#7"), 4, "none of the instances"),
        (("--offset", "0.05", "--json", "-o", "-"), 2, "--json"),
    ],
)
def test_what_makes_no_sense_is_refused_and_nothing_is_written(mated, run, args, status, cause):
    out = () if "-o" in args else ("-o", "out.gcode")
    ran = run(*ARGS, *args, *out)
    assert ran.status == status and cause in ran.first, ran.err
    assert not (mated / "out.gcode").exists()


def test_a_treated_file_is_refused_unless_again(mated, run):
    assert run(*ARGS, "--offset", "0.03", "-o", "once.gcode", "-q").status == 0
    again = ("nudge", "once.gcode", "--kit", KIT, "--region", SHANK, "--offset", "0.02", "-o", "twice.gcode")
    assert run(*again).status == 5
    ran = run(*again, "--again", "--json")
    assert ran.status == 0, ran.err
    record = run("estimate", "twice.gcode", "--kit", KIT, "--json").json
    opening = {
        one["instance"]: one["load"]["opening_mm"] for one in record["regions"] if one["region"] == "shank"
    }
    assert opening == pytest.approx({1: 0.05 + 2 * 0.05, 2: 0.05 + 2 * 0.05})


def test_a_warning_and_strict_write_nothing(mated, run):
    ran = run(*ARGS, "--offsets", "0.01,0.02,0.03", "--strict", "-o", "out.gcode")
    assert ran.status == 6 and "no instance is left for +0.03 mm" in ran.err
    assert not (mated / "out.gcode").exists()


def test_check_tells_fits_and_the_offset_for_a_squeeze(mated, run):
    ran = run("check", KIT, "--squeeze", "0.1")
    assert ran.status == 0
    text = " ".join(ran.out.split())
    assert (
        f"{SHANK}, wedge-key-easy/shank with ridge-saddle/key-slot: squeeze 0.05 mm as drawn: push " in text
    )
    assert "For a squeeze of 0.1 mm: fit +0.025;" in text
    fit = next(
        region["fits"][0]
        for part in run("check", KIT, "--json").json["parts"]
        for region in part["regions"]
        if f"{part['part']}/{region['region']}" == SHANK
    )
    assert fit["mate"] == "ridge-saddle/key-slot" and "with_fit" not in fit
    assert run("check", KIT, "--squeeze", "5").status == 2
    assert "fit mm" in run("check", KIT, "-v").out


@pytest.mark.parametrize(
    ("out", "cause"), [("plate.gcode", "the sliced file itself"), (KIT, "the kit itself")], ids=str
)
def test_what_was_read_is_never_written_over(mated, run, out, cause):
    before = (mated / out).read_bytes()
    ran = run(*ARGS, "--offset", "0.05", "-o", out)
    assert (ran.status, ran.first) == (2, f"error: -o {out}: {cause}")
    assert (mated / out).read_bytes() == before
