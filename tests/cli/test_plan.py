"""`plan` on the command line: what it prints, writes and how it ends."""

from __future__ import annotations

import re

import pytest

from gcodetools.demo.maker import Placement
from gcodetools.jobs import plan_record
from gcodetools.planning.failures import Chance

KEYS = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-snug", 90, 110))
ORDER = """\
beadwright: 1
order: spring
kits: 6
one_kit: {key: 4}
zone: Europe/Vienna
start: 2026-03-27T08:00
due: 2026-03-28T12:00
plates:
  - {file: keys.gcode, holds: {key: 2}}
printers:
  - {name: bench, machine: desktop-220, hours: "07:00-23:00", swap: 10 min, failed: 5%}
spools:
  - {material: petg, net_g: 1000, price: 22}
"""
NAME = "run.order.yaml"


@pytest.fixture
def order(bench, made):
    """A folder with an order of one plate."""
    (bench / "keys.gcode").write_bytes(made(KEYS))
    (bench / NAME).write_text(ORDER)
    return bench


def test_it_answers_in_the_order_of_the_questions(order, run):
    ran = run("plan", NAME)
    assert ran.status == 0 and ran.err == ""
    places = [
        ran.out.index(text)
        for text in (
            "Done by the due date with a chance of",
            "printer time",
            "To watch",
            "left over",
            "taken off by",
        )
    ]
    assert places == sorted(places)
    for text in ("12 plates planned", "To watch", "smoke detector", "follow your local codes", "2,000 runs, seed 1",
                 "Fri 27 Mar", "12 x keys", "petg, 1000 g"):  # fmt: skip
        assert text in ran.out
    assert max(map(len, ran.out.splitlines())) <= 110


def test_json_is_one_object_of_the_schema(order, run):
    record = run("plan", NAME, "--json", "--runs", "200").json
    assert record["schema"] == "beadwright.plan/1"
    assert record.keys() >= {
        "order", "zone", "start", "due", "simulation", "plates", "plan", "odds", "parts", "spools", "spent",
        "schedule", "watch",
    }  # fmt: skip
    assert record["plan"]["done"].endswith("+01:00") and record["simulation"]["runs"] == 200
    assert "would_help" not in record and "against" not in record and "files" not in record


def test_files_are_written_and_named(order, run):
    ran = run("plan", NAME, "--csv", "run.csv", "--ics", "run.ics", "--runs", "200")
    assert ran.status == 0 and "written: run.csv" in ran.out and "written: run.ics" in ran.out
    assert (order / "run.csv").read_bytes().count(b"\r\n") == 13
    assert (order / "run.ics").read_bytes().count(b"BEGIN:VEVENT") == 14


def test_verbose_lists_each_plate_and_quiet_nothing(order, run):
    plain, much = run("plan", NAME, "--runs", "200").out, run("plan", NAME, "--runs", "200", "-v").out
    assert plain.count("keys") < 5 and much.count("keys") >= 13
    assert run("plan", NAME, "--runs", "200", "-q").out == ""


def test_what_is_late_is_said_with_what_would_help(order, run):
    (order / NAME).write_text(ORDER.replace("due: 2026-03-28T12:00", "due: 2026-03-27T11:00"))
    out = run("plan", NAME, "--runs", "200").out
    assert "Not sure to be done by the due date: with a chance of 0 %" in out and " late" in out
    assert "What would help, each by itself" in out and "one more printer like bench" in out
    row = next(line for line in out.splitlines() if line.startswith("key "))
    assert int(row.split()[4].rstrip(",")) > 0


def test_two_sides_stand_beside_each_other(order, run, made):
    (order / "slow.gcode").write_bytes(made((*KEYS, Placement("wedge-key-snug", 120, 110))))
    (order / NAME).write_text(ORDER.replace("file: keys.gcode,", "file: keys.gcode, treated: slow.gcode,"))
    out = run("plan", NAME, "--runs", "200", "--against", "untreated").out
    assert "The treatments cost" in out and "of printer time over the run; treated done" in out
    assert "treated, to expect" in out and "untreated, to expect" in out and "difference" in out
    other = run("plan", NAME, "--runs", "200", "--against", "treated").out
    assert "The treatments cost" in other and "untreated done" in other
    costs = []
    for text in (out, other):
        told = text.split("The treatments cost")[1].split("of printer")[0]
        assert "-" not in told
        best, low, high = (60 * int(m) + int(s) for m, s in re.findall(r"(\d+) min\s+(\d+) s", told))
        assert low < best < high
        costs.append((best, low, high))
    # The ends are ranks of runs, counted from below.
    assert costs[0] == pytest.approx(costs[1], abs=15)


def test_a_strict_run_writes_nothing_where_something_is_remarked(order, run):
    (order / NAME).write_text(ORDER.replace("start: 2026-03-27T08:00", "start: 2025-10-26T02:30"))
    ran = run("plan", NAME, "--runs", "200", "--csv", "run.csv", "--strict")
    assert ran.status == 6 and not (order / "run.csv").exists()
    assert "warning: start: 2025-10-26 02:30 comes twice there" in ran.err
    assert run("plan", NAME, "--runs", "200", "--csv", "run.csv").status == 0


@pytest.mark.parametrize(
    ("args", "status", "told"),
    [
        (["nowhere.yaml"], 3, "error: nowhere.yaml: "),
        ([NAME, "--runs", "5"], 2, "error: --runs 5: expected 100 to 20,000"),
        ([NAME, "--csv", "-"], 2, "error: --csv -: goes into a file"),
        ([NAME, "--csv", "."], 2, "error: --csv .: a folder"),
        (
            [NAME, "--ics", "no/such/run.ics"],
            7,
            "error: --ics no/such/run.ics: the folder no/such does not exist",
        ),
        ([NAME, "--csv", "n" * 300], 7, f"error: --csv {'n' * 300}: File name too long"),
        ([NAME, "--csv", NAME], 2, f"error: {NAME}: a file that the order is made of"),
        ([NAME, "--csv", "keys.gcode"], 2, "error: keys.gcode: a file that the order is made of"),
        ([NAME, "--against", "untreated"], 2, "error: --against untreated: no plate of"),
        ([NAME, "--against", "nowhere.yaml"], 3, "error: nowhere.yaml: "),
        ([NAME, "--machine", "desktop-999"], 0, ""),
        ([NAME, "--set", "machine.electricity_per_kwh=x"], 2, "error: --set electricity_per_kwh=x"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_how_it_ends(order, run, args, status, told):
    before = (order / NAME).read_bytes(), (order / "keys.gcode").read_bytes()
    ran = run("plan", *args)
    assert ran.status == status and ran.first.startswith(told)
    assert ((order / NAME).read_bytes(), (order / "keys.gcode").read_bytes()) == before


def test_a_mistake_in_the_order_has_its_line(order, run):
    (order / NAME).write_text(ORDER.replace("count", "cuont").replace("failed: 5%", "faild: 5%"))
    ran = run("plan", NAME)
    assert ran.status == 3
    assert (
        ran.first
        == f"error: {NAME}:11: printers[1].faild: found unknown key 'faild', expected 'failed' (nearest valid key)"
    )


def test_names_that_would_steer_a_terminal_are_shown_harmless(order, run):
    (order / NAME).write_text(
        ORDER.replace("name: bench", r'name: "be;n,ch=1"')
        .replace("key:", '"=key;":')
        .replace("{key", '{"=key;"')
    )
    ran = run("plan", NAME, "--runs", "200", "--csv", "run.csv", "--ics", "run.ics")
    assert ran.status == 0 and "be;n,ch=1" in ran.out
    assert b"2 =key;" in (order / "run.csv").read_bytes()
    assert rb"be\;n\,ch=1" in (order / "run.ics").read_bytes()


def test_days_are_told_apart_over_weeks_and_years(order, run):
    """Somebody is there on Mondays only: a plate is taken off a week after, which is a Monday too."""
    (order / NAME).write_text(
        ORDER.replace("kits: 6", "kits: 1")
        .replace('"07:00-23:00"', '{mon: "08:00-08:20"}')
        .replace("start: 2026-03-27T08:00", "start: 2026-12-20T08:00")
        .replace("due: 2026-03-28T12:00", "due: 2027-01-01T12:00")
    )
    out = run("plan", NAME, "--runs", "200").out
    assert "Mon 28 Dec 08:10" in out and "Mon 4 Jan 08:10" in out
    helped = next(line for line in out.splitlines() if line.startswith("one more printer like bench"))
    assert "Mon 28 Dec 08:10" in helped
    (order / NAME).write_text((order / NAME).read_text().replace("kits: 1", "kits: 3"))
    out = run("plan", NAME, "--runs", "200").out
    helped = next(line for line in out.splitlines() if line.startswith("one more printer like bench"))
    assert "Jan 2027 08:10" in helped and "Mon 11 Jan 2027  08:10" in out


def test_a_plate_over_a_change_of_the_clock_shows_its_offset(order, run):
    (order / NAME).write_text(
        ORDER.replace('"07:00-23:00"', "round the clock")
        .replace("start: 2026-03-27T08:00", "start: 2026-10-25T02:50+02:00")
        .replace("due: 2026-03-28T12:00", "due: 2026-10-26T12:00")
    )
    rows = run("plan", NAME, "--runs", "200", "-v").out.splitlines()
    first = next(line for line in rows if "02:50   keys" in line)
    assert first.count("(+01:00)") == 2
    assert sum("(+01:00)" in line for line in rows) == 1


@pytest.mark.parametrize(("best", "told"), [(0.0, "0 %"), (0.0005, "0.1 %"), (0.9996, "99.9 %"), (1.0, "100 %"),
                                            (0.993, "99.3 %"), (0.5, "50 %")])  # fmt: skip
def test_a_chance_is_only_whole_where_no_run_was_otherwise(order, run, best, told, monkeypatch):
    monkeypatch.setattr(plan_record, "chance", lambda hits, runs: Chance(best, best, best))
    out = run("plan", NAME, "--runs", "200").out
    assert f"with a chance of {told} (" in out
