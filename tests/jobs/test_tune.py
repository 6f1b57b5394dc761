"""`tune` from a sheet to a material file: the truth of made-up ladders is found, and what is written comes back."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from gcodetools.documents.profiles import load_material
from gcodetools.errors import InputError, Refused, UsageError
from gcodetools.jobs.tune import Asked, tune_sheets
from gcodetools.jobs.tune_limits import parse_limits, parse_now
from gcodetools.jobs.tune_out import Outputs, tune_files
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.spreads import Draws, band_of
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS, sheet_text

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS / "strength"), str(TESTS / "physics")]

AREA, OFFSET_C = 60.0, -3.0  # a nozzle reaches less than it is told


def strength_mpa(nozzle_c, fan=30.0, age_s=14.0, peak_c=238.0):
    """The truth of the made-up ladders: layers bear most at 238 C reached."""
    return 33.0 * np.exp(
        -0.12 * ((nozzle_c - peak_c) / 12) ** 2 - 0.003 * (fan - 30) - 0.05 * np.log(age_s / 14.0)
    )


def ladder(path, *, nozzle=(220, 230, 240, 250), fan=(30.0,), speed=(), copies=3, sigma=0.05, seed=1,
           truth=strength_mpa,
           held_n=None, said=None, drop=(), answer="force_n", scale=AREA):  # fmt: skip
    """A filled-in sheet of a made-up truth, in random order on the plate."""
    rng = np.random.default_rng(seed)
    steps = [(t, f, s) for t in nozzle for f in fan for s in (speed or (None,))]
    order = rng.permutation(len(steps) * copies)
    rows = []
    for number, k in enumerate(order.tolist()):
        t, f, s = steps[k // copies]
        age = 14.0 if s is None else 4.0 + 10.0 * 100.0 / s
        value = scale * truth(t + OFFSET_C, f, age) * np.exp(sigma * rng.standard_normal())
        read = f">{held_n:g}" if held_n is not None and value > held_n else round(float(value), 2)
        row = {
            "specimen": number + 1, "step": k // copies + 1, "part": "bar", "instance": number + 1, "layers": "1-200",
            "x_mm": 20.0 + 30 * (number % 5), "y_mm": 20.0 + 40 * (number // 5), "z_mm": 20.0,
            "nozzle_c": float(t), "fan_percent": float(f),
            "nozzle_reached_c": t + OFFSET_C, "fan_reached_percent": float(f),
            "layer_time_s": age, "width_mm": 0.45, "height_mm": 0.2, "section_mm2": AREA, answer: read,
        }  # fmt: skip
        if s is not None:
            row["speed_percent"] = float(s)
        rows.append({key: value for key, value in row.items() if key not in drop})
    names = [name for name, column in FACTOR_COLUMNS.items() if any(column in row for row in rows)]
    path.write_text(
        sheet_text(
            said or {"file": "plate.gcode", "part": "bar", "region": "waist", "material": "petg"}, names, rows
        )
    )
    return path


@pytest.fixture
def sheet(tmp_path):
    return lambda name="a.csv", **how: ladder(tmp_path / name, **how)


def tuned(*paths, **asked):
    return tune_sheets(list(paths), Asked(**asked))


def written(tmp_path, *paths, name="my-petg", wall_mm=None, **asked):
    out = tmp_path / f"{name}.yaml"
    made = tune_files(list(paths), Asked(**asked), Outputs(out, None, False, None, wall_mm))
    return load_material(str(out)), made, out.read_text()


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
    path.write_text(text + text.splitlines()[-1] + "\n")
    assert tuned(path).record["specimens"]["tested"] == 13


def test_a_slip_of_the_pen_is_pointed_out(sheet):
    path = sheet()
    text = path.read_text().splitlines()
    cells = text[-1].split(",")
    cells[-4] = f"{float(cells[-4]) * 2.5:g}"
    path.write_text("\n".join([*text[:-1], ",".join(cells)]) + "\n")
    assert any(f"a.csv:{len(text)}:" in one and "above" in one for one in tuned(path).record["cannot_tell"])


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


# The material file.


def test_the_strength_at_each_measured_temperature_comes_back(sheet, tmp_path):
    """By the law, at the reference's own print: the fitted means of the steps, to the digits written."""
    material, made, _ = written(tmp_path, sheet())
    law = Law(material, Draws())
    at = law.strength.reference
    for step in made.record["steps"]:
        nozzle = np.array([step["reached"]["nozzle"]])
        welds = Welds(
            np.array([at.age_s.value]), nozzle, np.array([at.fan.value]),
            np.array([at.height_mm.value / at.width_mm.value]), np.array([at.wall_mm.value]), np.array([2.0]),
        )  # fmt: skip
        told = law.across_mpa * law.weld_ratio(welds)[:, 0] * law.shape_ratio(welds.height_share)[:, 0]
        assert told[0] == pytest.approx(step["mean"]["best"], rel=1e-4)
        band = band_of(told)
        assert band.low < step["mean"]["best"] < band.high
    assert at.age_s.value == 14 and at.fan.value == 0.3 and at.width_mm.value == 0.45
    assert at.nozzle_c.value == 237.0 and material.strength.across_mpa.flag == "measured"
    assert {point.flag for point in law.table} == {"measured"} and len(law.table) == 4


def test_spreads_come_back_too(sheet, tmp_path):
    """The level's ends are those of the fit at the reference; of the ratio of two temperatures the law's band is as
    wide as the fit's to a third: a law draws each point by itself, where a fit's points go together."""
    material, made, _ = written(tmp_path, sheet())
    law = Law(material, Draws())
    step = next(one for one in made.record["steps"] if one["settings"]["nozzle_c"] == 240)
    level = material.strength.across_mpa
    assert level.spread == pytest.approx((step["mean"]["low"], step["mean"]["high"]), rel=1e-3)
    fit, factor = made.fit, made.tested.trial.factors[0]
    for nozzle in (217.0, 247.0):
        ratio = law.nozzle_ratio(np.array([nozzle, 237.0]))
        band = band_of(ratio[:, 0] / ratio[:, 1])
        columns = fit.design.columns(factor.coded(np.array([nozzle, 237.0]))[:, None])
        ends = fit.ends(columns[:1] - columns[1:])
        assert np.log(band.high / band.low) == pytest.approx(float((ends.high - ends.low)[0]), rel=0.33)


def test_estimate_says_measured_with_the_sheet_as_its_source(sheet, tmp_path):
    """A bar printed as the specimens were: measured; at another layer time or beyond the temperatures: modelled."""
    from bars import bar, instance, told

    from gcodetools.strength.sentences import rests_on

    material, made, _ = written(tmp_path, sheet())
    law = Law(material, Draws(200))
    made_bar = bar(4.0, 3)
    for step in made.record["steps"]:
        one = told(instance(made_bar, layer_s=14.0, nozzle_c=step["reached"]["nozzle"], fan=0.3), law)
        assert one.basis == "measured"
    assert told(instance(made_bar, layer_s=60.0, nozzle_c=237.0, fan=0.3), law).basis == "modelled"
    assert told(instance(made_bar, layer_s=14.0, nozzle_c=237.0, fan=0.6), law).basis == "modelled"
    assert told(instance(made_bar, layer_s=14.0, nozzle_c=257.0, fan=0.3), law).basis == "modelled"
    assert told(instance(made_bar), Law(load_material("petg"), Draws(50))).basis == "modelled"
    assert "a.csv, 12 specimens" in rests_on(law) and rests_on(law).startswith(
        "measured on specimens of your own"
    )


def test_the_temperature_that_is_advised_changes(sheet, tmp_path):
    """PETG's measured peak is 245 C; after a ladder that peaks at 228 nothing hotter is asked for."""
    truth = lambda t, f, a: strength_mpa(t, f, a, peak_c=228.0)  # noqa: E731
    material, made, _ = written(tmp_path, sheet(truth=truth, sigma=0.03))
    builtin = Law(load_material("petg"), Draws(0))
    law = Law(material, Draws(0))
    assert builtin.peak_c == 245
    assert law.peak_c == 227.0 and abs(material.measured_peak_c.value - 228) < 5
    low, high = material.measured_peak_c.spread
    assert (low, high) == pytest.approx((made.peaks[0].low, made.peaks[0].high), abs=0.06)


def test_the_exponents_give_the_measured_ratios_back(sheet, tmp_path):
    """Fan and layer time, within what the law takes: its ratio of the two ends is the fit's."""

    def truth(t, fan, age):
        return strength_mpa(t, 30.0, 14.0) * np.exp(-0.004 * fan - 0.08 * np.log(age / 14.0))

    path = sheet(
        nozzle=(225, 240, 250), fan=(0.0, 50.0), speed=(50.0, 100.0), copies=2, truth=truth, sigma=0.02
    )
    material, made, _ = written(tmp_path, path)
    law = Law(material, Draws(0))
    at = law.strength.reference
    effects = {one["setting"]: one["ratio"]["best"] for one in made.record["effects"]}

    def ratio(**ends):
        two = np.ones(2)
        columns = {"age_s": at.age_s.value * two, "fan": at.fan.value * two, **ends}
        welds = Welds(
            columns["age_s"],
            at.nozzle_c.value * two,
            columns["fan"],
            0.44 * two,
            at.wall_mm.value * two,
            2 * two,
        )
        told = law.weld_ratio(welds)[0]
        return told[1] / told[0]

    sensitivity = material.bond.weld.sensitivity
    assert sensitivity.fan.flag == sensitivity.age.flag == "measured"
    assert (
        0 < sensitivity.fan.value < 1
        and sensitivity.fan.spread[0] < sensitivity.fan.value < sensitivity.fan.spread[1]
    )
    assert ratio(fan=np.array([0.0, 0.5])) == pytest.approx(effects["fan"], rel=2e-3)
    assert ratio(age_s=np.array([24.0, 14.0])) == pytest.approx(effects["speed"], rel=2e-3)
    assert sensitivity.nozzle == load_material("petg").bond.weld.sensitivity.nozzle


def test_no_exponent_where_the_model_sees_no_difference(sheet, tmp_path):
    """In a wall of 4 mm PETG heals whole by the model, whatever the fan: nothing to measure an exponent by."""
    path = sheet(nozzle=(225, 240, 250), fan=(0.0, 50.0), sigma=0.02)
    material, made, _ = written(tmp_path, path, wall_mm=4.0)
    assert (
        material.strength.reference.wall_mm.value == 4.0
        and material.strength.reference.wall_mm.flag == "given"
    )
    assert material.bond.weld.sensitivity == load_material("petg").bond.weld.sensitivity
    assert any("sees no difference from the fan" in one for one in made.record["material_file"]["left"])


def test_an_exponent_beyond_what_the_law_takes_is_cut_and_said(sheet, tmp_path):
    def truth(t, fan, age):
        return strength_mpa(t, 30.0, 14.0) * np.exp(0.004 * fan)  # more fan, stronger

    path = sheet(nozzle=(225, 240, 250), fan=(0.0, 50.0), truth=truth, sigma=0.02)
    material, made, text = written(tmp_path, path)
    assert material.bond.weld.sensitivity.fan.value == 0
    told = next(one for one in made.record["material_file"]["carried"] if "fan" in one)
    assert "clipped from -" in told and "the other way round" in told and "clipped from -" in text


def test_of_ratios_alone_the_level_stays_that_of_the_material(sheet, tmp_path):
    """A clip's force: 14 N over the sheet's section is no strength between layers. Its shape is carried, PETG's 30 MPa
    at 230 C with its spread stay."""
    material, made, _ = written(tmp_path, sheet(scale=0.4))
    petg = load_material("petg")
    assert made.record["unit"] == "N" and any("far from" in one for one in made.warnings)
    assert material.strength == petg.strength
    law = Law(material, Draws(0))
    steps = {one["reached"]["nozzle"]: one["mean"]["best"] for one in made.record["steps"]}
    ratio = law.nozzle_ratio(np.array(list(steps)))[0]
    means = np.array(list(steps.values()))
    assert ratio / ratio[0] == pytest.approx(means / means[0], rel=1e-4)
    points = [point.across_mpa for point in law.table]
    assert np.interp(230.0, [point.nozzle_c for point in law.table], points) == pytest.approx(30.0, rel=1e-4)
    assert any("no level in MPa" in one for one in made.record["material_file"]["left"])


def test_of_ratios_outside_of_the_reference_the_level_is_carried_over(sheet, tmp_path):
    """Printed from 235 C up only: PETG's level is taken at 235, where its own table has 30.67 MPa."""
    truth = lambda t, f, a: strength_mpa(t, f, a, peak_c=246.0)  # noqa: E731
    path = sheet(nozzle=(238, 248, 258), scale=0.4, truth=truth, sigma=0.03)
    material, _, _ = written(tmp_path, path, machine="desktop-180")
    assert material.strength.reference.nozzle_c.value == 235.0
    assert material.strength.across_mpa.value == pytest.approx(30 + 2 * 5 / 15, rel=1e-3)
    assert material.strength.across_mpa.flag == "derived"


def test_shape_only_leaves_the_level_out(sheet, tmp_path):
    material, made, _ = written(tmp_path, sheet(), shape_only=True)
    assert made.record["unit"] == "N" and material.strength == load_material("petg").strength


def test_a_section_of_ones_own_sets_the_level(sheet, tmp_path):
    material, _, _ = written(tmp_path, sheet(drop=("section_mm2",)), section_mm2=50.0)
    assert material.strength.across_mpa.value == pytest.approx(33 * 60 / 50, rel=0.08)
    plain, _, _ = written(tmp_path, sheet(drop=("section_mm2",)), name="plain")
    assert plain.strength == load_material("petg").strength


def test_cycles_carry_the_peak_alone(sheet, tmp_path):
    material, made, _ = written(tmp_path, sheet(answer="cycles", scale=20.0), name="c")
    petg = load_material("petg")
    assert made.record["unit"] == "cycles" and abs(material.measured_peak_c.value - 238) < 6
    assert material.bond == petg.bond and material.strength == petg.strength
    assert any("cycles are no strength" in one for one in made.record["material_file"]["left"])


def test_one_temperature_leaves_the_table_and_sets_the_level(sheet, tmp_path):
    """Only the fan was varied: the level at 227 C, PETG's own table for the shape."""
    path = sheet(nozzle=(230,), fan=(0.0, 30.0, 60.0), copies=4)
    material, _, _ = written(tmp_path, path)
    assert material.bond.measured == load_material("petg").bond.measured
    assert material.strength.reference.nozzle_c.value == 227.0


def test_what_cant_be_carried_is_refused(sheet, tmp_path):
    click = tmp_path / "click.csv"
    click.write_text("nozzle_c,click\n220,1\n230,4\n240,5\n")
    with pytest.raises(UsageError, match="a click is no strength"):
        written(tmp_path, click)
    few = tmp_path / "few.csv"
    few.write_text("nozzle_c,fan_percent,force_n\n230,0,12\n240,50,13\n250,0,14\n")
    with pytest.raises(UsageError, match="nothing could be fitted"):
        written(tmp_path, few)
    flat = sheet(truth=lambda t, f, a: 30.0, sigma=0.1, seed=3, answer="cycles")
    with pytest.raises(UsageError, match="cycles are no strength"):
        written(tmp_path, flat)
    assert not (tmp_path / "my-petg.yaml").exists()


def test_a_file_that_is_there_is_not_overwritten(sheet, tmp_path):
    out = tmp_path / "my.yaml"
    out.write_text("mine\n")
    path = sheet()
    with pytest.raises(Refused, match="there already"):
        tune_files([path], Asked(), Outputs(out))
    assert out.read_text() == "mine\n"
    tune_files([path], Asked(), Outputs(out, overwrite=True))
    assert load_material(str(out)).name == "my"
    with pytest.raises(UsageError, match="to be read"):
        tune_files([path], Asked(material=str(out)), Outputs(out, overwrite=True))


def test_a_material_like_ones_own(sheet, tmp_path):
    """--material names a file: the new one is like it, by a path from where it is written."""
    _, _, _ = written(tmp_path, sheet())
    (tmp_path / "deeper").mkdir()
    out = tmp_path / "deeper" / "next.yaml"
    tune_files([sheet("b.csv", seed=9)], Asked(material=str(tmp_path / "my-petg.yaml")), Outputs(out))
    material = load_material(str(out))
    assert material.like == "../my-petg.yaml" and material.name == "next"


def test_invented_data_stay_marked(sheet, tmp_path):
    said = {"file": "plate.gcode", "material": "petg", "note": "invented data"}
    material, made, text = written(tmp_path, sheet(said=said))
    assert "Invented data: nothing of this was measured." in material.about
    assert "invented data, not measured" in material.strength.across_mpa.source
    assert all("invented" in point.source for point in material.bond.measured)
    assert "invented" in made.record["best"]["mean"]["source"] and text.startswith("# A material")


def test_every_number_of_the_file_says_where_it_is_from(sheet, tmp_path):
    _, _, text = written(tmp_path, sheet(nozzle=(225, 240, 250), fan=(0.0, 50.0)))
    assert (
        text.count("source:") == text.count("flag:") == len(re.findall(r"(?:value|across_mpa): [\d{]", text))
    )
    assert text.count('"a.csv, 18 specimens') >= 5


def test_the_law_with_a_flag_of_its_own_is_valid_in_every_place(sheet, tmp_path):
    """`measured` is a flag like the others, in whatever quantity."""
    material, _, _ = written(tmp_path, sheet())
    changed = replace(material.strength.across_mpa, flag="given")
    assert (
        Law(
            replace(material, strength=replace(material.strength, across_mpa=changed), bond=None), Draws(0)
        ).own
        == ""
    )
