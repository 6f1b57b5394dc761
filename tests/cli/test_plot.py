"""`plot` on the command line: files, text, JSON, statuses."""

from __future__ import annotations

import subprocess
import sys
from xml.etree import ElementTree

import pytest

from gcodetools.report import sheet

KIT = "hoophouse.kit.yaml"
DRAWN = {
    "layer": ["--layer", "12", "--instance", "wedge-key-snug#2"],
    "strip": ["--strip", "--instance", "wedge-key-snug#1", "--quantity", "bond"],
    "trace": ["--trace", "--layers", "5-8"],
}


@pytest.mark.parametrize("kind", DRAWN)
@pytest.mark.every(1)
def test_each_kind_is_drawn_with_its_numbers(pair, run, kind):
    args = ["plot", "treated.gcode", "--kit", KIT, "--against", "plate.gcode", *DRAWN[kind]]
    ran = run(*args, "-o", "a.svg", "--json")
    assert (ran.status, ran.err, ran.out.count("\n")) == (0, "", 1)
    record = ran.json
    assert (record["schema"], record["kind"], record["out"]) == ("beadwright.plot/1", kind, "a.svg")
    assert (record["file"], record["against"], record["size_mm"]) == (
        "treated.gcode",
        "plate.gcode",
        [160.0, 100.0],
    )
    root = ElementTree.parse(pair / "a.svg").getroot()
    width, height = (float(root.get(key, "").removesuffix("pt")) for key in ("width", "height"))
    assert (width, height) == pytest.approx((160 / 25.4 * 72, 100 / 25.4 * 72))
    assert record["title"] in [item.text for item in root.iter("{http://www.w3.org/2000/svg}text")]
    ran = run(*args, "-o", "a.png")
    assert ran.status == 0 and ran.out.startswith(record["title"]) and "a.png, 160 by 100 mm" in ran.out
    assert run(*args, "-o", "b.pdf", "-q").out == ""
    assert (pair / "b.pdf").read_bytes().startswith(b"%PDF")


def test_a_layer_needs_no_kit_and_comes_in_any_size(bench, run):
    ran = run(
        "plot",
        "plate.gcode",
        "--layer",
        "3",
        "--quantity",
        "rate",
        "--size",
        "90x120.5",
        "--dark",
        "-o",
        "a.PNG",
    )
    assert (ran.status, ran.err) == (0, "")
    # Width and height stand in the header of a PNG file (W3C PNG, 11.2.2); 300 dots an inch.
    head = (bench / "a.PNG").read_bytes()[16:24]
    size = int.from_bytes(head[:4], "big"), int.from_bytes(head[4:], "big")
    assert size == pytest.approx((90 / 25.4 * 300, 120.5 / 25.4 * 300), abs=1.5)


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ([], "nothing to draw, expected one of --layer N, --strip, --trace"),
        (["--strip", "--trace"], "--strip and --trace to draw"),
        (["--layer", "99999"], "--layer 99999: plate.gcode has 120 layers"),
        (["--layer", "-1"], "--layer -1"),
        (["--strip"], "--strip: no kit"),
        (["--layer", "1", "--size", "big"], "--size big: expected WxH in mm"),
        (["--layer", "1", "--size", "10x10"], "--size 10x10: too small"),
        (["--trace", "--layers", "x"], "--layers x: expected A-B"),
        (["--layer", "1", "--quantity", "change"], "--quantity change: no other file"),
        (["--layer", "1", "--kit", KIT, "--instance", "shelf*"], None),
        (["--layer", "1", "--kit", KIT, "--instance", "wedge-key-snug"], "several instances"),
    ],
)
def test_usage_is_told_with_what_to_do(bench, run, args, words):
    ran = run("plot", "plate.gcode", *args, "-o", "a.svg")
    if words is None:
        assert ran.status == 0
        return
    assert (ran.status, ran.out) == (2, "")
    assert words in ran.first and len(ran.err.splitlines()) == 2
    assert not (bench / "a.svg").exists()


@pytest.mark.parametrize("out", ["plate.gcode", KIT, "a.jpg", "-", "a"])
def test_only_pictures_are_written(bench, run, out):
    before = {path.name: path.read_bytes() for path in bench.iterdir()}
    assert run("plot", "plate.gcode", "--layer", "1", "--kit", KIT, "-o", out).status == 2
    assert {path.name: path.read_bytes() for path in bench.iterdir()} == before


def test_a_folder_that_is_not_there_is_status_7_and_a_missing_file_3(bench, run):
    assert run("plot", "plate.gcode", "--layer", "1", "-o", "nowhere/a.svg").status == 7
    assert run("plot", "none.gcode", "--layer", "1", "-o", "a.svg").status == 3
    assert run("plot", "plate.gcode", "--against", "none.gcode", "--layer", "1", "-o", "a.svg").status == 3


def test_strict_and_a_warning_write_nothing(bench, run):
    (bench / "far.kit.yaml").write_text(
        "beadwright: 1\nkit: far\nparts:\n  hook:\n    found_by: {label: ['shelf-hook*']}\n    regions:\n"
        "      low: {within: {slab: {z: [0, 4]}}}\n      high: {within: {slab: {z: [900, 901]}}}\n"
    )
    args = ("plot", "plate.gcode", "--kit", "far.kit.yaml", "--layer", "1", "-o", "a.svg")
    ran = run(*args, "--strict")
    assert ran.status == 6 and "hook#1/high meets no bead" in ran.err
    assert not (bench / "a.svg").exists()
    assert run(*args).status == 0 and (bench / "a.svg").exists()


def test_without_the_plotting_library_it_is_asked_for(bench, run, monkeypatch):
    monkeypatch.setattr(sheet, "matplotlib", None)
    ran = run("plot", "no-such-file.gcode", "--layer", "1", "-o", "a.svg")
    assert ran.status == 2
    assert ran.err.splitlines() == [
        "error: plots need the plotting library, which is not installed",
        "Install it with: pip install 'beadwright[plot]'",
    ]


def test_the_library_is_loaded_by_no_other_command_and_may_be_absent(bench):
    """In a process that can't import it: the help works, a plot is refused, other commands don't miss it."""
    code = (
        "import sys; sys.modules['matplotlib'] = None\n"
        "from gcodetools.cli.main import status_of\n"
        "told = [status_of(a.split()) for a in ('plot --help', 'inspect plate.gcode -q',"
        " 'plot plate.gcode --layer 1 -o a.svg')]\n"
        "print(told)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=bench
    )
    assert done.stdout.splitlines()[-1] == "[0, 0, 2]", done.stderr
    assert "pip install 'beadwright[plot]'" in done.stderr
