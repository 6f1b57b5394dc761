"""`tune` from a sheet to its record: the truth of made-up ladders is found."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest

from gcodetools.documents.profiles import load_material
from gcodetools.errors import InputError, UsageError
from gcodetools.jobs.tune_limits import parse_limits, parse_now

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS / "jobs")]

from tunes import AREA, OFFSET_C, ladder, strength_mpa, tuned, written  # noqa: E402


@pytest.fixture
def sheet(tmp_path):
    return lambda name="a.csv", **how: ladder(tmp_path / name, **how)


def test_the_peak_of_what_was_reached_is_found(sheet):
    """The truth is 238 C reached, which is 241 C asked."""
    record = tuned(sheet()).record
    (peak,) = record["peaks"]
    assert peak["reached"] and peak["told"] and peak["where"] == "inside"
    assert peak["at"]["low"] < 238 < peak["at"]["high"] and abs(peak["at"]["best"] - 238) < 5
    assert record["unit"] == "MPa" and record["best"]["by_reached"] == ["nozzle"]
    assert record["best"]["settings"]["nozzle_c"] == pytest.approx(peak["at"]["best"], abs=0.5)
    assert record["best"]["mean"]["low"] < 33 < record["best"]["mean"]["high"]
    assert record["best"]["mean"]["basis"] == "measured" and record["best"]["mean"]["coverage"] == 0.9


def test_without_what_was_reached_it_goes_by_what_was_asked(sheet):
    (peak,) = tuned(sheet(drop=("nozzle_reached_c",))).record["peaks"]
    assert not peak["reached"] and peak["at"]["low"] < 241 < peak["at"]["high"]


def test_what_was_reached_of_some_only_is_not_used_and_said(sheet, tmp_path):
    path = sheet()
    text = path.read_text()
    path.write_text(text.replace(",217,", ",,", 1))
    record = tuned(path).record
    assert not record["peaks"][0]["reached"] and any(
        "told of some rows only" in one for one in record["taken"]
    )


def test_a_course_that_rises_to_the_hottest_says_so(sheet):
    record = tuned(sheet(nozzle=(200, 210, 220), sigma=0.02), machine="desktop-180").record
    (peak,) = record["peaks"]
    assert peak["where"] == "high end" and "still rising at the hottest printed, 217 C" in peak["sentence"]
    assert max(record["next"]["levels"]) > 220 and "--vary nozzle=" in record["next"]["line"]


def test_no_effect_is_told_as_none(sheet):
    record = tuned(sheet(truth=lambda t, f, a: 30.0, sigma=0.1, seed=3)).record
    (peak,) = record["peaks"]
    assert "can't tell" in peak["sentence"] and not peak["told"] and "gain" not in record["best"]
    assert record["best"]["kept"][0]["why"] == "no effect is shown, so it stays"
    assert any("no effect is shown" in text and "specimens" in text for text in record["cannot_tell"])


def test_the_best_stays_within_every_limit(sheet):
    path = sheet()
    asked = tuned(path, limits=parse_limits(["nozzle=225..235"])).record
    assert asked["best"]["settings"]["nozzle_c"] == pytest.approx(235 + OFFSET_C)
    hotend = tuned(path, machine="desktop-220").record
    assert hotend["best"]["settings"]["nozzle_c"] <= 240 + OFFSET_C + 1e-6
    none = tuned(path, limits=parse_limits(["nozzle=100..150"])).record
    assert "best" not in none and any("no setting is offered" in text for text in none["cannot_tell"])
    assert max(asked["next"].get("levels", [0])) <= 235


def test_with_no_machine_named_nothing_hotter_than_240_is_asked_for(sheet):
    """Or than what was printed already: an unknown hotend may be lined with PTFE."""
    path = sheet(nozzle=(210, 220, 230), sigma=0.02, truth=lambda t, f, a: 30.0 * np.exp(0.02 * (t - 220)))
    free, bound = (tuned(path, **how).record for how in ({"machine": "desktop-180"}, {}))
    assert max(free["next"]["levels"]) > 240 >= max(bound["next"]["levels"]) > 230
    (limit,) = [one for one in bound["limits"] if one["setting"] == "nozzle"]
    assert (limit["high"], limit["high_from"]) == (240.0, "no machine is named")


def test_nothing_is_offered_beyond_what_was_printed(sheet):
    record = tuned(sheet(nozzle=(200, 210, 220), sigma=0.02), machine="desktop-180").record
    assert record["best"]["settings"]["nozzle_c"] <= 217 + 1e-6


def test_layers_are_not_made_shorter_than_the_material_takes(sheet):
    """At full speed layers take 8 s, 10 are PETG's least: slower is kept though faster would bear more."""

    def fast(t, f, age):
        return 30.0 * (age / 14.0) ** -0.6

    path = sheet(nozzle=(230,), speed=(50.0, 100.0, 250.0), copies=4, truth=fast)
    record = tuned(path).record
    speed = record["best"]["settings"]["speed_percent"]
    assert 4 + 1000 / speed >= 10 - 0.06 and speed > 120
    quick = load_material("petg")
    assert quick.min_layer_time_s.value == 10


def test_now_is_what_a_gain_counts_from(sheet):
    record = tuned(sheet(), now=parse_now(["nozzle=222"])).record
    assert record["best"]["over"]["nozzle_c"] == pytest.approx(222 + OFFSET_C)
    truth = strength_mpa(record["best"]["settings"]["nozzle_c"]) / strength_mpa(222 + OFFSET_C)
    assert record["best"]["gain"]["low"] < truth < record["best"]["gain"]["high"]


def test_sheets_are_put_together(sheet):
    """A second print a tenth weaker throughout: its offset is taken out, and doubt shrinks."""
    one, two = sheet(seed=4), sheet("b.csv", seed=5, truth=lambda t, f, a: 0.9 * strength_mpa(t, f, a))
    alone, both = tuned(one).record, tuned(one, two).record
    assert any(term["term"] == "sheet 2" for term in both["fit"]["terms"])
    offset = next(term for term in both["fit"]["terms"] if term["term"] == "sheet 2")
    assert offset["low"] < np.log(0.9) < offset["high"]
    wide = [r["peaks"][0]["at"]["high"] - r["peaks"][0]["at"]["low"] for r in (alone, both)]
    assert wide[1] < wide[0]


def test_copies_of_a_specimen_are_specimens(sheet):
    path = sheet()
    text = path.read_text()
    cells = text.splitlines()[-1].split(",")
    cells[-4] = f"{float(cells[-4]) + 11:g}"
    path.write_text(text + ",".join(cells) + "\n")
    made = tuned(path)
    assert made.record["specimens"]["tested"] == 13 and made.warnings == ()


def test_a_row_pasted_twice_is_warned_of(sheet):
    path = sheet()
    text = path.read_text()
    path.write_text(text + text.splitlines()[-1] + "\n")
    (warning,) = tuned(path).warnings
    assert f"a.csv:{len(text.splitlines()) + 1}: the same specimen with the same reading" in warning


def test_a_sheet_given_twice_is_refused_and_its_copy_warned_of(sheet):
    path = sheet()
    with pytest.raises(UsageError, match="named twice"):
        tuned(path, path.parent / "." / path.name)
    copy = path.with_name("copy.csv")
    copy.write_text(path.read_text())
    assert any("and 11 more: the same specimen" in one for one in tuned(path, copy).warnings)


def test_rows_of_one_step_with_other_settings_are_warned_of(sheet):
    path = sheet(drop=("nozzle_reached_c",))
    text = path.read_text()
    path.write_text(text.replace(",220,30,", ",230,30,", 1))
    assert any("is of the same step 1: a slip of the pen?" in one for one in tuned(path).warnings)


def test_what_can_not_have_been_asked_is_refused(sheet):
    path = sheet()
    text = path.read_text()
    path.write_text(text.replace(",220,30,", ",24,30,", 1))
    with pytest.raises(InputError, match="nozzle_c: found 24, expected 100 to 500"):
        tuned(path)
    path.write_text(text.replace(",220,30,", ",320,30,", 1))
    with pytest.raises(InputError, match="nozzle_c: found 320, but nozzle_reached_c is 217"):
        tuned(path)


def test_what_to_ask_for_is_told_besides_what_is_reached(sheet):
    best = tuned(sheet()).record["best"]
    assert best["ask_for"]["nozzle_c"] == pytest.approx(best["settings"]["nozzle_c"] - OFFSET_C, abs=0.01)
    assert "fan_percent" not in best["ask_for"]
    assert "ask_for" not in tuned(sheet(drop=("nozzle_reached_c",))).record["best"]


def test_where_nothing_broke_no_number_is_claimed_but_a_lower_end(sheet, tmp_path):
    """Both middle temperatures held all they were given: their strength has no upper end, and is not carried."""
    path = sheet(held_n=1700.0, sigma=0.02)
    made = tuned(path)
    steps = {one["settings"]["nozzle_c"]: one["mean"] for one in made.record["steps"]}
    assert [at for at, mean in steps.items() if mean.get("at_least")] == [230.0, 240.0, 250.0]
    assert {mean["basis"] for at, mean in steps.items() if at > 220} == {"assumed"}
    assert steps[220.0]["basis"] == "measured" and steps[240.0]["low"] <= 1700 / AREA + 1e-5
    material, written_, _ = written(tmp_path, path)
    petg = load_material("petg")
    assert material.bond.measured == petg.bond.measured and material.measured_peak_c == petg.measured_peak_c
    left = " ".join(written_.record["material_file"]["left"])
    assert (
        "nothing broke at nozzle 227 and 237 and 247 C" in left
        and "rests on the shape of a curve alone" in left
    )


def test_the_next_ladder_is_one_without_a_kit_where_this_one_was(sheet):
    said = {"file": "my plate.gcode", "part": "bar", "region": "whole", "material": "petg"}
    line = tuned(sheet(said=said), machine="desktop-180").record["next"]["line"]
    assert line.startswith("beadwright ladder 'my plate.gcode' --object bar --vary ")
    assert "--kit" not in line and "--machine desktop-180" in line and "-o 'my plate-next.gcode'" in line


def test_to_see_whether_a_setting_does_anything_levels_lie_far_apart(sheet):
    record = tuned(sheet(truth=lambda t, f, a: 30.0, sigma=0.1, seed=3)).record
    assert not record["effects"][0]["shown"]
    assert (
        max(record["next"]["levels"]) - min(record["next"]["levels"]) >= 25
    )  # of the 30 C that were printed


def test_options_of_settings_that_were_not_varied_or_printed_are_told(sheet):
    told = tuned(sheet(), now={"nozzle": 200.0, "speed": 80.0}, limits={"flow": (95.0, 105.0)}).record[
        "cannot_tell"
    ]
    assert "--now nozzle=200: that was not printed; the gain counts from 220 C, the nearest that was" in told
    assert sum("it was not varied, so that says nothing here" in one for one in told) == 2


def test_a_slip_of_the_pen_is_pointed_out(sheet):
    path = sheet()
    text = path.read_text().splitlines()
    cells = text[-1].split(",")
    cells[-4] = f"{float(cells[-4]) * 2.5:g}"
    path.write_text("\n".join([*text[:-1], ",".join(cells)]) + "\n")
    made = tuned(path)
    slip = f"a.csv:{len(text)}: {cells[-4]} N lies far above"  # as the sheet has it, to be found there
    assert [one[len(str(path.parent)) + 1 :][: len(slip)] for one in made.record["odd"]] == [slip]
    assert any(slip in one for one in made.warnings)


def test_a_slip_of_the_pen_is_pointed_out_where_some_held(sheet):
    path = sheet(held_n=1900.0)
    text = path.read_text().splitlines()
    k = next(k for k in range(len(text) - 1, 0, -1) if ",>" not in text[k])
    cells = text[k].split(",")
    cells[-4] = f"{float(cells[-4]) / 10:g}"
    text[k] = ",".join(cells)
    path.write_text("\n".join(text) + "\n")
    made = tuned(path)
    assert made.tested.trial.censored and any(
        f"a.csv:{k + 1}:" in one and "below" in one for one in made.record["odd"]
    )
    assert "odd" not in tuned(sheet("b.csv", held_n=1900.0)).record


def test_what_held_counts_as_stronger_than_that(sheet):
    """Cut off at 1850 N: left out, what held would make the mean at the peak too low; as held it is within the ends."""
    path = sheet(held_n=1850.0, copies=5)
    record = tuned(path).record
    assert (
        record["specimens"]["held_without_breaking"] >= 4 and record["fit"]["method"] == "greatest likelihood"
    )
    at = next(step for step in record["steps"] if step["settings"]["nozzle_c"] == 240)
    assert at["mean"]["low"] < strength_mpa(237.0) < at["mean"]["high"]


@pytest.mark.parametrize(
    ("text", "cause"),
    [
        ("nozzle_c,force_n\n230,12\n230,13\n230,14\n", "every row that was tested has the same settings"),
        ("nozzle_c,force_n\n230,\n240,\n", "force_n, cycles and click are empty"),
        ("nozzle_c,fan_percent,force_n\n230,0,12\n240,50,13\n240,,14\n", "fan_percent is empty"),
        ("nozzle_c,force_n\n230,>12\n240,>13\n240,>14\n", "0 specimens with a number"),
        ("nozzle_c,part,force_n\n230,bar,12\n240,clip,13\n240,bar,14\n", "part clip, expected bar"),
    ],
)
def test_sheets_that_say_too_little_are_refused(tmp_path, text, cause):
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=re.escape(cause)):
        tuned(path)


def test_fewer_specimens_than_terms_say_how_many_more(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("nozzle_c,fan_percent,force_n\n230,0,12\n240,50,13\n250,0,14\n")
    record = tuned(path).record
    assert record["needs"]["specimens"] == 1 and "1 more specimen at least" in record["cannot_tell"][0]


def test_nothing_at_all_broke_at_one_temperature(sheet):
    record = tuned(sheet(nozzle=(220, 230, 240), held_n=1700.0)).record
    assert any("nothing broke at nozzle 240 C" in text for text in record["cannot_tell"])
