"""`tune` on the command line: text, JSON, statuses, files."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_tune import show_tune
from gcodetools.trials.sheet_csv import sheet_text

ARGS = ("tune", "bars.csv")


def bears(nozzle_c, fan):
    return np.exp(-0.1 * ((nozzle_c - 236) / 12) ** 2 - 0.004 * fan)


def sheet(nozzle=(220, 230, 240, 250), fan=(0, 40), answer="force_n", said=(), scale=1.0):
    """A sheet whose forces peak at 236 C; invented for this test."""
    rng = np.random.default_rng(7)
    steps = [(t, f) for t in nozzle for f in fan for _ in range(2)]
    rows = [
        {
            "specimen": k + 1, "part": "bar", "x_mm": 20.0 + 30 * (k % 4), "y_mm": 20.0 + 40 * (k // 4), "z_mm": 20.0,
            "nozzle_c": float(t), "fan_percent": float(f), "section_mm2": 60.0, "layer_time_s": 12.0,
            answer: round(float(1900 * scale * bears(t, f) * np.exp(0.04 * rng.normal())), 1),
        }
        for k, (t, f) in enumerate(steps)
    ]  # fmt: skip
    heads = {"file": "plate.gcode", "part": "bar", "region": "waist", "material": "petg", **dict(said)}
    return sheet_text(heads, ["nozzle", "fan"], rows)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bars.csv").write_text(sheet())
    return tmp_path


def test_the_first_screen_answers(bench, run):
    ran = run(*ARGS)
    assert (ran.status, ran.err) == (0, "")
    lines = ran.out.splitlines()
    words = [line.split()[0] for line in lines if line and not line.startswith(" ")]
    assert words[:4] == ["bars.csv", "best", "nozzle", "fan"]
    assert "Best nozzle 23" in ran.out and "To print next:" in ran.out
    order = [
        ran.out.index(text) for text in ("best  ", "next  ", "What each setting", "Each step", "can't tell\n")
    ]
    assert order == sorted(order)
    assert "goggles" in ran.out and "away from you" in ran.out and "local rules" in ran.out


def test_json_is_one_object(bench, run):
    record = run(*ARGS, "--json").json
    assert record["schema"] == "beadwright.tune/1" and record["answer"] == "force" and record["unit"] == "MPa"
    for peak in record["peaks"]:
        if "at" in peak:
            assert peak["at"]["low"] <= peak["at"]["best"] <= peak["at"]["high"]
    assert {"low", "best", "high", "basis", "coverage", "source"} == set(record["best"]["mean"])
    assert json.dumps(record, allow_nan=False)


def test_the_same_sheet_gives_the_same_bytes(bench, run):
    assert run(*ARGS, "--json").out == run(*ARGS, "--json").out


def test_a_material_file_and_a_plot(bench, run):
    ran = run(*ARGS, "-o", "my-petg.yaml", "--plot", "bars.svg")
    assert ran.status == 0 and "carried: the peak" in ran.out and "plot: bars.svg" in ran.out
    assert (bench / "my-petg.yaml").read_text().startswith("# A material") and b"<svg" in (
        bench / "bars.svg"
    ).read_bytes()
    again = run(*ARGS, "-o", "my-petg.yaml")
    assert again.status == 5 and "there already" in again.first and "--force" in again.err
    assert run(*ARGS, "-o", "my-petg.yaml", "--force", "--name", "other").status == 0
    assert 'material: "other"' in (bench / "my-petg.yaml").read_text()


@pytest.mark.parametrize("columns", [60, 80, 110])
@pytest.mark.parametrize("verbose", [False, True])
def test_no_line_is_wider_than_the_terminal(bench, run, columns, verbose):
    record = run(*ARGS, "-o", f"m{columns}{verbose}.yaml", "--json").json
    paper = Paper(width=columns, verbose=verbose)
    show_tune(record, paper)
    assert max(map(len, paper.lines)) <= columns


def test_the_line_to_paste_is_one_that_ladder_takes(bench, run):
    """Its options are those of `ladder --help`."""
    line = run(*ARGS, "--json").json["next"].get("line")
    told = run("ladder", "--help").out
    assert line.startswith("beadwright ladder plate.gcode --kit KIT.yaml --region bar/waist --vary ")
    assert all(word in told for word in line.split() if word.startswith("--"))
    assert "--hold fan=0%" in line or "--vary fan" in line


@pytest.mark.parametrize(
    ("more", "status", "words"),
    [
        (("--limit", "nozzle=250..220"), 2, "expected SETTING=LOW..HIGH"),
        (("--limit", "nozle=220..250"), 2, "nearest 'nozzle'"),
        (("--now", "fan"), 2, "expected SETTING=VALUE"),
        (("--scatter", "12"), 2, "expected a percentage"),
        (("--scatter", "0%"), 2, "expected a percentage"),
        (("--section-mm2", "-3"), 2, "expected an area above 0"),
        (("--plot", "bars.txt"), 2, "ends in .svg, .pdf or .png"),
        (("-o", "my.csv"), 2, "ends in .yaml or .yml"),
        (("--name", "x"), 2, "of a material file, and none is written"),
        (("-o", "no/my.yaml"), 7, "does not exist"),
        (("--material", "petgg"), 3, "no material named"),
        (("--answer", "cycles"), 3, "column cycles is empty"),
        (("-o", "my.yaml", "--name", "a\nb"), 2, "on one line"),
    ],
)
def test_what_makes_no_sense_ends_with_its_status(bench, run, more, status, words):
    before = sorted(path.name for path in bench.iterdir())
    ran = run(*ARGS, *more)
    assert ran.status == status and words in ran.first and ran.out == ""
    assert sorted(path.name for path in bench.iterdir()) == before


def test_a_sheet_that_is_not_there(bench, run):
    ran = run("tune", "none.csv")
    assert ran.status == 3 and "none.csv" in ran.first


def test_strict_writes_nothing_where_it_warns(bench, run):
    (bench / "bars.csv").write_text(sheet(scale=0.01))
    ran = run(*ARGS, "--strict", "-o", "my.yaml")
    assert ran.status == 6 and not (bench / "my.yaml").exists() and "only ratios are told" in ran.err


def test_clicks_are_told_and_not_carried(bench, run):
    text = "nozzle_c,click\n" + "".join(
        f"{t},{m}\n"
        for t, m in zip([220] * 4 + [230] * 4 + [240] * 4, [1, 2, 1, 2, 3, 4, 3, 3, 5, 4, 5, 5], strict=True)
    )
    (bench / "clicks.csv").write_text(text)
    ran = run("tune", "clicks.csv", "--material", "petg")
    assert (
        ran.status == 0
        and "Nozzle: marks rise with it" in ran.out
        and "240 C has the best mean mark, 4.8" in ran.out
    )
    assert "nothing of it goes into a material file" in ran.out
    assert run("tune", "clicks.csv", "--material", "petg", "-o", "my.yaml").status == 2


def test_invented_data_are_said_to_be(bench, run):
    (bench / "bars.csv").write_text(sheet(said=[("note", "invented data")]))
    ran = run(*ARGS, "-o", "my.yaml")
    assert "its numbers are invented" in ran.out and "Invented data" in (bench / "my.yaml").read_text()


def test_without_the_library_it_says_how_to_install_it(bench, run, monkeypatch):
    monkeypatch.setattr("gcodetools.trials.distributions.special", None)
    ran = run(*ARGS)
    assert ran.status == 2 and "scipy" in ran.first and "beadwright[trials]" in ran.err


def test_estimate_goes_by_the_file(run, bench, made):
    """The demo's key on a plate, by a ladder's material: measured where it is printed alike, and its source said."""
    from gcodetools.demo.kit import hoophouse_kit

    (bench / "plate.gcode").write_bytes(made())
    (bench / "k.kit.yaml").write_text(hoophouse_kit())
    assert run(*ARGS, "-o", "my-petg.yaml").status == 0
    record = run(
        "estimate", "plate.gcode", "--kit", "k.kit.yaml", "--material", "my-petg.yaml", "--json"
    ).json
    assert record["material"] == "my-petg"
    assert all(
        "bars.csv, 16 specimens" in one["strength_mpa"]["across_layers"]["source"]
        for one in record["regions"]
        if "across_layers" in one.get("strength_mpa", {})
    )


@pytest.mark.long
def test_advise_stops_at_the_temperature_that_was_measured(run, bench, made):
    """A ladder that peaks at 236 C: `advise` goes no hotter, where PETG's own table lets it go to 245."""
    from gcodetools.demo.kit import hoophouse_kit

    (bench / "plate.gcode").write_bytes(made())
    (bench / "k.kit.yaml").write_text(hoophouse_kit())
    assert run(*ARGS, "-o", "my-petg.yaml").status == 0
    asked = ("advise", "plate.gcode", "--kit", "k.kit.yaml", "--region", "shelf-hook/finger", "--minutes", "1",
             "--machine", "desktop-180", "--json")  # fmt: skip
    own = run(*asked, "--material", "my-petg.yaml").json["regions"][0]
    plain = run(*asked, "--material", "petg").json["regions"][0]
    bounds, steps = [], []
    for one in (own, plain):
        told = next(text for text in one["left_out"] if "hotter nozzle" in text or "nozzle above" in text)
        bounds.append(float(re.search(r"at most ([\d.]+) C \(the measured peak\)", told)[1]))
        steps.append(
            max(float(r["step"].split()[1]) for r in one["ladder"] if r["step"].startswith("nozzle"))
        )
    peak = run(*ARGS, "--json").json["peaks"][0]["at"]["best"]
    assert bounds == [pytest.approx(peak, abs=0.06), 245.0]
    assert steps == [5.0, 15.0]  # from the file's 230 C, in steps of 5
