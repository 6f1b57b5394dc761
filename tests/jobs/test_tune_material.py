"""The material file of `tune`: what is written comes back in the law of strength."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from gcodetools.documents.profiles import load_material
from gcodetools.errors import Refused, UsageError
from gcodetools.jobs.tune import Asked
from gcodetools.jobs.tune_out import Outputs, tune_files
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.spreads import Draws, band_of

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS / "jobs"), str(TESTS / "strength"), str(TESTS / "physics")]

from tunes import ladder, strength_mpa, written  # noqa: E402


@pytest.fixture
def sheet(tmp_path):
    return lambda name="a.csv", **how: ladder(tmp_path / name, **how)


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


def test_spreads_hold_where_some_did_not_break(sheet, tmp_path):
    """Two of one step held: each point of the table has a doubt of its own, and the file is read back."""
    material, made, _ = written(
        tmp_path, sheet(nozzle=(220, 230, 240), held_n=1960.0, copies=4), shape_only=True
    )
    assert made.tested.trial.censored
    for point in material.bond.measured:
        low, high = point.spread
        assert low < 0.995 * point.across_mpa and high > 1.005 * point.across_mpa
