"""`advise` on the command line: text, JSON, statuses."""

from __future__ import annotations

import json

import pytest

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_advise import show_advise

KIT = "hoophouse.kit.yaml"
ARGS = ("advise", "plate.gcode", "--kit", KIT, "--region", "shelf-hook/finger")

_told: list[str] = []


@pytest.fixture
def record(bench, run):
    """What one minute buys for the hook of `bench`; worked out once."""
    if not _told:
        ran = run(*ARGS, "--minutes", "1", "--json")
        assert (ran.status, ran.err) == (0, "")
        _told.append(ran.out)
    return json.loads(_told[0])


@pytest.mark.long
def test_a_minute_is_not_exceeded_and_buys_something(record):
    assert record["schema"] == "beadwright.advise/1" and record["goal"] == {"minutes": 1.0}
    (one,) = record["regions"]
    assert one["outcome"] == "within minutes"
    assert one["best"]["added"]["time_s"]["best"] <= 60.0
    assert one["best"]["margin"]["best"] > one["margin"]["best"]
    beyond = [rung for rung in one["ladder"] if rung["why"] == "not kept: beyond the minutes"]
    assert all(not rung["kept"] for rung in beyond)


@pytest.mark.long
@pytest.mark.parametrize("columns", [60, 80, 110])
@pytest.mark.parametrize("verbose", [False, True])
def test_no_line_is_wider_than_the_terminal(record, columns, verbose):
    paper = Paper(width=columns, verbose=verbose)
    show_advise(record, paper)
    assert max(map(len, paper.lines)) <= columns


@pytest.mark.long
def test_the_text_has_the_ladder_the_lines_to_paste_and_the_cautions(record):
    paper = Paper(width=110)
    show_advise(record, paper)
    one = record["regions"][0]
    for rung in one["ladder"]:
        assert rung["step"].split()[0] in paper.text
    for line in one["best"]["fragment"].splitlines():
        assert f"    {line}" in paper.lines
    for lead in (
        "rests on:",
        "treated or not:",
        "side effects:",
        "check it:",
        "Estimates, not for safety-critical",
    ):
        assert lead in paper.text


@pytest.mark.parametrize(
    ("more", "status", "words"),
    [
        ((), 2, "one goal is needed"),
        (("--margin", "1.5", "--minutes", "3"), 2, "one goal is needed"),
        (("--margin", "0"), 2, "above 0"),
        (("--margin", "1.5", "--only", "wedge-key*"), 4, "no region to advise on"),
    ],
)
def test_what_makes_no_sense_ends_with_its_status(bench, run, more, status, words):
    ran = run(*ARGS, *more)
    assert ran.status == status and words in ran.first and ran.out == ""


def test_an_unknown_region_names_those_that_are_there(bench, run):
    ran = run("advise", "plate.gcode", "--kit", KIT, "--region", "shelf-hook/thumb", "--margin", "2")
    assert ran.status == 2 and "no such region" in ran.first and "shelf-hook/finger" in ran.err


def test_what_stands_says_so(bench, run):
    ran = run("advise", "plate.gcode", "--kit", KIT, "--region", "wedge-key-snug/shank", "--margin", "1")
    assert ran.status == 0 and "Stands as sliced" in ran.out
