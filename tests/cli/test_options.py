"""What options do: streams, logs, strictness, colour, subsets, kits, overrides, `post` in a print profile."""

from __future__ import annotations

import io
import json
import os
import re
import sys

import pytest

from gcodetools.cli.layout import Paper
from gcodetools.cli.options import wants_colour
from gcodetools.cli.text_costs import clock_signed, hms
from gcodetools.demo.maker import Placement

KIT = "hoophouse.kit.yaml"
KEYS = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))
STRANGER = (Placement("wedge-key-easy", 110, 110),)
LONG = "9" * 300
KEY_KIT = """\
beadwright: 1
kit: keys
material: petg
parts:
  key:
    found_by: {label: "wedge-key-snug*"}
    regions:
      all: {within: all, treat: {speed: {scale: 50%}}}
"""


@pytest.fixture
def keys(bench, made):
    """`bench` with the plate of two keys and a kit of one part."""
    (bench / "plate.gcode").write_bytes(made(KEYS))
    (bench / "key.kit.yaml").write_text(KEY_KIT)
    return bench


def test_out_dash_sends_the_bytes_to_standard_output(keys, capfdbinary_run):
    capfdbinary_run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "out.gcode")
    status, out, _ = capfdbinary_run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "-")
    assert status == 0 and out == (keys / "out.gcode").read_bytes()


def test_json_together_with_out_dash_is_a_usage_error(keys, run):
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "-", "--json")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err.splitlines() == [
        "error: --json and `-o -` both want standard output", "Give -o a file name.",
    ]  # fmt: skip


def test_verbose_lists_what_is_held_back(bench, run):
    text = KEY_KIT.replace("speed: {scale: 50%}", "fan: {cap: 10%}, force: true")
    (bench / "fan.kit.yaml").write_text(text.replace("wedge-key-snug*", "*"))
    plain = run("apply", "plate.gcode", "--kit", "fan.kit.yaml", "-o", "o.gcode").out
    much = run("apply", "plate.gcode", "--kit", "fan.kit.yaml", "-o", "o.gcode", "-v").out
    assert "M106 S102" in much and "M106 S102" not in plain
    assert len(much) > len(plain)


def test_keep_times_leaves_what_the_file_says_of_itself(keys, run):
    stated = re.compile(rb"^M73 .*|^; estimated .*|^; filament used .*", re.M)
    before = stated.findall((keys / "plate.gcode").read_bytes())
    run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "new.gcode", "-q")
    run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "kept.gcode", "-q", "--keep-times")
    new, kept = ((keys / name).read_bytes() for name in ("new.gcode", "kept.gcode"))
    assert stated.findall(kept) == before != stated.findall(new)
    assert stated.sub(b"", new) == stated.sub(b"", kept)
    run("post", "--kit", "key.kit.yaml", "--keep-times", "plate.gcode")
    assert (keys / "plate.gcode").read_bytes() == kept


def test_apply_prints_what_it_costs_and_json_has_all_of_it(keys, run):
    args = ("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--machine", "desktop-220")
    plain = run(*args).out
    rows = {line.split()[0]: line for line in plain.splitlines() if line.strip()}
    assert {"key/all", "whole"} <= set(rows) and "the rest" in plain
    record = json.loads(run(*args, "--json").out)["costs"]
    added = record["added"]["whole"]["time_s"]
    assert f"+{hms(added)}" in rows["whole"].split() and clock_signed(added) in plain.split("time ")[-1]
    assert "travel" in run(*args, "-v").out and "travel" not in plain
    assert len(record["before"]["layers"]["time_s"]) == len(record["after"]["layers"]["time_s"]) > 10


def test_inspect_prints_time_mass_and_money(keys, run):
    args = ("inspect", "plate.gcode", "--kit", "key.kit.yaml", "--machine", "desktop-220")
    plain, much = run(*args).out, run(*args, "-v").out
    for word in ("heating up", "start code", "energy", "money", "the rest", "travel", "whole"):
        assert word in plain
    assert "slowest plate layers" in much and "slowest plate layers" not in plain
    assert len(plain.splitlines()) < 60


def test_log_keeps_warnings_and_the_end_of_each_run(keys, run):
    run("inspect", "plate.gcode", "--log", "run.log", "-q")
    run("inspect", "nowhere.gcode", "--log", "run.log")
    lines = [line.split(" ", 1)[1] for line in (keys / "run.log").read_text().splitlines()]
    assert lines[0] == "begin" and "done" in lines
    assert lines[-1].startswith("error: nowhere.gcode: no such file")


def test_a_log_that_cannot_be_written_is_status_7(keys, run):
    ran = run("inspect", "plate.gcode", "--log", "no/such/folder/run.log")
    assert ran.status == 7
    assert ran.first == "error: --log no/such/folder/run.log: can't write: No such file or directory"


@pytest.mark.parametrize(
    "args, log",
    [
        (["inspect", "plate.gcode"], "plate.gcode"),
        (["inspect", "plate.gcode", "--kit", "key.kit.yaml"], "./key.kit.yaml"),
        (["inspect", "plate.gcode", "--kit", "."], "key.kit.yaml"),
        (["post", "--kit", "key.kit.yaml", "plate.gcode"], "plate.gcode"),
        (["apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "out.gcode"], "out.gcode"),
        (["inspect", "plate.gcode", "--machine", "./mine.yaml"], "mine.yaml"),
        (["learn", "plate.gcode", "--object", "*", "-o", "new.kit.yaml"], "new.svg"),
        (
            ["ladder", "plate.gcode", "--object", "*", "--vary", "fan=0%,25%", "-o", "new.gcode"],
            "new.sheet.csv",
        ),
        (["batch", ".", "--kit", "key.kit.yaml", "-o", "out"], "plate.gcode"),
    ],
)
def test_a_log_spoils_no_file(keys, run, args, log):
    """Messages put behind G-code or a kit would spoil it, whether the command names it or not."""
    (keys / "mine.yaml").write_text("beadwright: 1\n")
    before = {path: path.read_bytes() for path in keys.iterdir()}
    ran = run(*args, "--log", log)
    assert ran.status == 2 and ran.first.startswith(f"error: --log {log.removeprefix('./')}: ")
    assert {path: path.read_bytes() for path in keys.iterdir()} == before


def test_a_log_may_have_the_name_of_a_material(keys, run):
    assert run("inspect", "plate.gcode", "--material", "petg", "--log", "petg", "-q").status == 0
    assert (keys / "petg").read_text().endswith(" done\n")


@pytest.mark.skipif(os.name == "nt", reason="links need a right there")
def test_a_log_that_is_a_link_to_the_output(keys, run):
    (keys / "run.log").symlink_to("out.gcode")
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "out.gcode", "--log", "run.log")
    assert ran.status == 2 and not (keys / "out.gcode").exists()


def test_a_log_lies_beside_the_kits_of_a_folder(keys, run):
    (keys / "kits").mkdir()
    (keys / "key.kit.yaml").rename(keys / "kits" / "key.kit.yaml")
    for _ in range(2):
        assert run("inspect", "plate.gcode", "--kit", "kits", "--log", "kits/run.log", "-q").status == 0
    assert (keys / "kits" / "run.log").read_text().count(" begin\n") == 2


@pytest.mark.parametrize(
    "args",
    [
        ["check", "key.kit.yaml", "-o", "key.kit.yaml"],
        ["check", ".", "-o", "key.kit.yaml"],
        ["check", "key.kit.yaml", "-o", "-"],
        ["learn", "plate.gcode", "--object", "*", "--overwrite", "-o", "plate.gcode"],
        ["learn", "plate.gcode", "--object", "*", "--overwrite", "-o", "-"],
        ["apply", "plate.gcode", "--kit", ".", "-o", "key.kit.yaml"],
        ["report", "plate.gcode", "--kit", ".", "-o", "key.kit.yaml"],
    ],
)
def test_no_output_buries_what_it_is_made_from(keys, run, args):
    before = {path: path.read_bytes() for path in keys.iterdir()}
    ran = run(*args)
    assert ran.status == 2 and ran.first.startswith(f"error: -o {args[-1]}: ")
    assert {path: path.read_bytes() for path in keys.iterdir()} == before


def test_learn_asks_before_it_writes_over_a_drawing(keys, run):
    (keys / "mine.svg").write_text("<svg/>")
    label = "wedge-key-snug*"
    ran = run("learn", "plate.gcode", "--object", label, "-o", "mine.kit.yaml")
    assert ran.status == 2 and "mine.svg, its drawing, is there already" in ran.first
    assert (keys / "mine.svg").read_text() == "<svg/>" and not (keys / "mine.kit.yaml").exists()
    assert run("learn", "plate.gcode", "--object", label, "-o", "mine.kit.yaml", "--overwrite").status == 0


@pytest.mark.skipif(os.name == "nt", reason="Windows tells a name too long as no such file")
@pytest.mark.parametrize(
    "args",
    [
        ["learn", "plate.gcode", "--object", "*", "-o", LONG],
        ["plot", "plate.gcode", "--layer", "2", "-o", f"{LONG}.svg"],
        ["apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", LONG],
        ["inspect", LONG],
        ["compare", "plate.gcode", LONG],
        ["profile", "show", LONG],
        ["demo", LONG],
        ["plan", "no.order.yaml", "--csv", LONG],
    ],
)
def test_a_name_that_no_file_can_have_is_told(keys, run, args):
    ran = run(*args)
    assert ran.status in (2, 3, 7) and "File name too long" in ran.first


# A kit without an outline is warned of, so that `--strict` has something to refuse.
@pytest.mark.parametrize(
    "args, product",
    [
        (["apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "out.gcode"], "out.gcode"),
        (["check", "key.kit.yaml", "-o", "kit.svg"], "kit.svg"),
    ],
)
def test_strict_makes_a_warning_status_6_and_writes_nothing(keys, run, args, product):
    loose = run(*args)
    assert loose.status == 0 and loose.err.startswith("warning: ") and (keys / product).exists()
    (keys / product).unlink()
    ran = run(*args, "--strict")
    assert ran.status == 6 and ran.out == ""
    assert ran.first == "error: one warning and --strict; nothing was written"
    assert not (keys / product).exists()


def test_strict_post_leaves_the_file(keys, run, made):
    assert run("post", "--kit", "key.kit.yaml", "--strict", "plate.gcode").status == 6
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)


def test_strict_learn_writes_nothing(keys, run, monkeypatch):
    import gcodetools.jobs.learn as job

    real = job.learn

    def warned(*args):
        import dataclasses

        return dataclasses.replace(real(*args), warnings=("made up",))

    monkeypatch.setattr(job, "learn", warned)
    ran = run("learn", "plate.gcode", "--object", "wedge-key-snug", "-o", "new.kit.yaml", "--strict")
    assert ran.status == 6 and ran.err.startswith("warning: made up\n")
    assert not list(keys.glob("new*"))


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_colour_only_on_a_terminal_and_not_against_no_color(monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert not wants_colour()
    monkeypatch.setattr(sys, "stdout", _Terminal())
    assert wants_colour()
    monkeypatch.setenv("NO_COLOR", "1")
    assert not wants_colour()


def test_paper_emphasises_with_colour_only():
    plain, coloured = Paper(), Paper(colour=True)
    for paper in (plain, coloured):
        paper.title("a title")
    assert plain.text == "a title" and "\x1b[" in coloured.text


@pytest.mark.parametrize("command", ["inspect", "apply", "check", "learn"])
def test_no_terminal_codes_away_from_a_terminal(keys, run, command):
    args = {
        "inspect": ["inspect", "plate.gcode", "--kit", KIT],
        "apply": ["apply", "plate.gcode", "--kit", KIT, "-o", "o.gcode"],
        "check": ["check", KIT],
        "learn": ["learn", "plate.gcode", "--object", "wedge-key-snug", "-o", "k.kit.yaml"],
    }[command]
    ran = run(*args)
    assert ran.status == 0 and ran.out and "\x1b" not in ran.out + ran.err


def test_only_treats_the_named_instances_and_says_who_is_left(keys, run):
    args = ("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode")
    record = run(*args, "--only", "key#2", "--json").json
    assert {r["instance"] for r in record["regions"]} == {2}
    assert record["untreated_instances"] == ["key#1"]
    assert "left out" in run(*args, "--only", "KEY#2").out


def test_only_that_names_nobody_is_status_4(keys, run):
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--only", "clip#7")
    assert ran.status == 4
    assert ran.first == (
        "error: plate.gcode: none of the instances on the plate is chosen (there are key#1, key#2)"
    )


def test_only_that_names_one_too_many_is_a_warning(keys, run):
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--only", "key#1,9")
    assert ran.status == 0
    assert "warning: --only key#9: no such instance on the plate\n" in ran.err


@pytest.mark.parametrize("text", ["", "#1", "key#", "key#x", "key,,b", "key#1,x#"])
def test_only_that_cannot_be_read_is_a_usage_error(keys, run, text):
    ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--only", text)
    assert ran.status == 2
    assert ran.first == f"error: --only {text}: expected LABEL or LABEL#n,n"


def test_half_treats_every_second_instance_and_says_which(bench, run, made):
    four = tuple(Placement("wedge-key-snug", 40 + 30 * k, 110) for k in range(4))
    (bench / "plate.gcode").write_bytes(made(four))
    (bench / "key.kit.yaml").write_text(KEY_KIT)
    args = ("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--half")
    record = run(*args, "--json").json
    assert {r["instance"] for r in record["regions"]} == {1, 3}
    assert record["untreated_instances"] == ["key#2", "key#4"]
    text = run(*args).out
    assert "instances 1 and 3" in text and "key #2 and 4" in text


def test_kit_may_be_repeated(keys, run):
    (keys / "other.kit.yaml").write_text(KEY_KIT.replace("kit: keys", "kit: more").replace("  key:", "  x:")
                                         .replace("wedge-key-snug*", "nothing*"))  # fmt: skip
    record = run("inspect", "plate.gcode", "--kit", "key.kit.yaml", "--kit", "other.kit.yaml", "--json").json
    assert record["absent"] == ["x"] and len(record["parts"]) == 2


def test_kit_may_be_a_folder(keys, run):
    folder = keys / "kits"
    folder.mkdir()
    (folder / "a.kit.yaml").write_text(KEY_KIT)
    (folder / "notes.txt").write_text("not a kit")
    assert len(run("inspect", "plate.gcode", "--kit", "kits", "--json").json["parts"]) == 2


def test_kit_may_come_from_the_environment(keys, run, monkeypatch):
    monkeypatch.setenv("BEADWRIGHT_KIT", "key.kit.yaml")
    assert len(run("inspect", "plate.gcode", "--json").json["parts"]) == 2
    monkeypatch.setenv("BEADWRIGHT_KIT", os.pathsep.join(["key.kit.yaml", "nowhere.kit.yaml"]))
    assert run("inspect", "plate.gcode").status == 3
    monkeypatch.setenv("BEADWRIGHT_KIT", "nowhere.kit.yaml")
    assert run("post", "--kit", "key.kit.yaml", "plate.gcode").status == 0, "the option comes first"


def test_without_a_kit_apply_says_where_one_may_come_from(keys, run):
    ran = run("apply", "plate.gcode", "-o", "o.gcode")
    assert ran.status == 2
    assert ran.err.splitlines() == [
        "error: missing option '--kit' (env var: 'BEADWRIGHT_KIT').", "See `beadwright apply --help`.",
    ]  # fmt: skip


def test_set_changes_a_profile_and_is_entered_in_both_records(keys, run):
    args = ("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode", "--json")
    record = run(*args, "--set", "material.price_per_kg=22").json
    assert record["overrides"] == ["material.price_per_kg=22"]
    assert b"; beadwright set: material.price_per_kg=22\n" in (keys / "o.gcode").read_bytes()


def test_set_changes_the_cost_in_proportion(keys, run):
    def cost(*more: str) -> float:
        return run("inspect", "plate.gcode", "--json", *more).json["filament"]["cost"]["best"]

    one, three = (cost("--set", f"material.price_per_kg={price}") for price in (10, 30))
    assert three == pytest.approx(3 * one, rel=1e-4)


@pytest.mark.parametrize(
    "text, first",
    [
        ("price=22", "error: --set price=22: expected material.<key>=<value> or machine.<key>=<value>"),
        ("machine.bed=3", "error: --set machine...: no machine is named"),
    ],
)
def test_set_that_makes_no_sense_is_a_usage_error(keys, run, text, first):
    ran = run("inspect", "plate.gcode", "--set", text)
    assert (ran.status, ran.first) == (2, first)


def test_set_of_an_unknown_key_names_the_nearest(keys, run):
    ran = run("inspect", "plate.gcode", "--set", "material.prize_per_kg=22")
    assert ran.status in (2, 3) and "price_per_kg" in ran.err


def test_post_leaves_a_plate_without_any_part(keys, run, made):
    before = made(STRANGER)
    (keys / "plate.gcode").write_bytes(before)
    ran = run("post", "--kit", "key.kit.yaml", "plate.gcode")
    assert (ran.status, ran.out) == (0, "")
    assert ran.err == "plate.gcode: no part of kit keys is on this plate; left as it is\n"
    assert (keys / "plate.gcode").read_bytes() == before


def test_post_must_find_makes_that_status_4(keys, run, made):
    (keys / "plate.gcode").write_bytes(made(STRANGER))
    ran = run("post", "--kit", "key.kit.yaml", "--must-find", "plate.gcode")
    assert ran.status == 4
    assert ran.first == "error: plate.gcode: no part of kit keys is on this plate; left as it is"
    assert (keys / "plate.gcode").read_bytes() == made(STRANGER)


def test_post_names_parts_that_are_not_there(bench, run):
    ran = run("post", "--kit", KIT, "plate.gcode")
    assert ran.status == 0
    assert "not on this plate: film-clip, ridge-saddle, wedge-key-easy" in ran.out


@pytest.mark.parametrize("name", ["plate", "plate.pp", "x.tmp", ".12345.gcode.pp", "mit Leer zeichen.GCO"])
def test_post_takes_any_file_ending(keys, run, name):
    (keys / "plate.gcode").rename(keys / name)
    assert run("post", "--kit", "key.kit.yaml", name).status == 0
    assert b"; beadwright record" in (keys / name).read_bytes()


def test_a_treated_file_is_refused_unless_again(keys, run):
    assert run("post", "--kit", "key.kit.yaml", "plate.gcode").status == 0
    once = (keys / "plate.gcode").read_bytes()
    ran = run("post", "--kit", "key.kit.yaml", "plate.gcode")
    assert ran.status == 5
    assert ran.first == "error: plate.gcode: treated already (it carries a record of Beadwright)"
    assert (keys / "plate.gcode").read_bytes() == once
    again = run("post", "--kit", "key.kit.yaml", "--again", "plate.gcode")
    assert again.status == 0 and "`add` and `scale` act twice" in again.err
    assert (keys / "plate.gcode").read_bytes() != once


def test_apply_without_any_part_is_status_4_unless_allow_none(keys, run, made):
    (keys / "plate.gcode").write_bytes(made(STRANGER))
    args = ("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", "o.gcode")
    ran = run(*args)
    assert ran.status == 4 and not (keys / "o.gcode").exists()
    assert ran.first == "error: plate.gcode: no part of kit keys is on the plate (looked for key)"
    allowed = run(*args, "--allow-none")
    assert allowed.status == 0 and "Nothing done: no part of kit keys is on this plate" in allowed.out
    assert (keys / "o.gcode").read_bytes() == made(STRANGER)


def test_a_region_that_meets_no_bead_names_what_was_searched(keys, run, made):
    kit = KEY_KIT.replace("within: all", "within: {slab: {z: [50, 60]}}")
    (keys / "key.kit.yaml").write_text(kit)
    for args in (["apply", "plate.gcode", "-o", "o.gcode"], ["post", "plate.gcode"]):
        ran = run(args[0], "--kit", "key.kit.yaml", *args[1:])
        assert ran.status == 4
        assert ran.first.startswith(
            "error: key#1/all: the region meets no bead; searched layers 1 to 24: "
            "beads of kind `any` lie in x "
        )
        assert ran.first.endswith(" mm of the part's frame")
    assert (keys / "plate.gcode").read_bytes() == made(KEYS)
    # The demo's key is 4.8 mm high: mid-heights of its layers of 0.2 mm run from 0.1 to 4.7 mm.
    assert "z 0.10 to 4.70 mm" in ran.first


def test_apply_buries_neither_the_plate_nor_the_kit(keys, run):
    for out, cause in (("plate.gcode", "the sliced file itself"), ("key.kit.yaml", "the kit itself")):
        before = (keys / out).read_bytes()
        ran = run("apply", "plate.gcode", "--kit", "key.kit.yaml", "-o", out)
        assert (ran.status, ran.first) == (2, f"error: -o {out}: {cause}")
        assert (keys / out).read_bytes() == before


def test_learn_does_not_write_over_a_kit_unasked(keys, run):
    args = ("learn", "plate.gcode", "--object", "wedge-key-snug", "-o", "key.kit.yaml")
    ran = run(*args)
    assert (ran.status, ran.first) == (2, "error: -o key.kit.yaml: is there already")
    assert (keys / "key.kit.yaml").read_text() == KEY_KIT
    assert run(*args, "--overwrite").status == 0


def test_an_instance_off_the_bed_is_warned_of_where_the_machine_is_named(keys, run, made):
    over = (Placement("wedge-key-snug", 219, 110), Placement("wedge-key-snug", 90, 110))
    (keys / "plate.gcode").write_bytes(made(over))
    args = ("inspect", "plate.gcode", "--kit", "key.kit.yaml")
    assert "bed" not in run(*args).err
    ran = run(*args, "--machine", "desktop-220")
    assert ran.status == 0
    lines = [line for line in ran.err.splitlines() if "beyond the bed" in line]
    assert lines[0].startswith("warning: key#") and "machine desktop-220; the file has it so" in lines[0]


@pytest.mark.parametrize("args", [["nonsense"], ["apply", "--nonsense"], ["inspect"], ["inspect", "a", "b"]])
def test_usage_errors_are_status_2_with_cause_and_hint(run, args):
    ran = run(*args)
    assert ran.status == 2 and ran.out == ""
    lines = ran.err.splitlines()
    assert len(lines) == 2 and lines[0].startswith("error: ") and lines[1].startswith("See `beadwright")


def test_an_unknown_command_names_the_nearest(run):
    assert run("aply").first == "error: no command 'aply'. Did you mean 'apply'?"


def test_no_command_shows_the_help(run):
    ran = run()
    assert ran.status == 0 and "beadwright demo" in ran.out


def test_objects_that_are_called_numbers_are_told_as_names(bench, run):
    """ "There are 100" read as a count, and why `*` does not find it was not said."""
    lines = ["; start printing object, unique label id: 100", "; stop printing object, unique label id: 100"]
    bead = "G1 X50 Y50 F1800\nG1 X70 Y50 E.6\nG1 X70 Y70 E.6\nG1 X50 Y70 E.6\nG1 X50 Y50 E.6"
    text = "; FEATURE: Outer wall\nG21\nG90\nM83\n" + "".join(
        f"; CHANGE_LAYER\n; Z_HEIGHT: {z}\n; LAYER_HEIGHT: 0.2\nG1 Z{z}\n{lines[0]}\n{bead}\n{lines[1]}\n"
        for z in (0.2, 0.4)
    )
    (bench / "p.gcode").write_text(text)
    (bench / "k.kit.yaml").write_text(KEY_KIT.replace("wedge-key-snug*", "*"))
    ran = run("apply", "p.gcode", "--kit", "k.kit.yaml", "-o", "o.gcode")
    assert ran.status == 4
    assert 'There are objects "100"; a number is named in full, no pattern takes it.' in ran.err
