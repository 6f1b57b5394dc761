"""A material's laws: 1 at the reference in every draw, and each number under its own name."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from msgspec.structs import replace

from gcodetools.documents.profiles import load_material, names
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.spreads import Draws, band_of

DRAWS = Draws(200)
LAWS = {name: Law(load_material(name), DRAWS) for name in names("materials")}
MODELLED = ("petg", "pla", "abs", "asa", "pc")


def welds(n: int, law: Law, **changed: object) -> Welds:
    """n welds of the law's own test piece, but for what is changed."""
    at = law.strength.reference
    columns = {
        "age_s": at.age_s.value, "nozzle_c": at.nozzle_c.value, "fan": at.fan.value,
        "height_share": at.height_mm.value / at.width_mm.value, "wall_mm": at.wall_mm.value, "faces": 2.0,
        **changed,
    }  # fmt: skip
    return Welds(**{key: np.ones(n) * value for key, value in columns.items()})


@pytest.mark.parametrize("name", LAWS)
def test_the_reference_is_one_in_every_draw(name):
    """So that strength there is what the test piece bore, whatever the model's doubt."""
    law = LAWS[name]
    some = welds(3, law)
    assert law.weld_ratio(some) == pytest.approx(np.ones((201, 3)), abs=1e-9)
    assert law.shape_ratio(some.height_share) == pytest.approx(np.ones((201, 3)), abs=1e-9)
    assert law.bonds(law.weld_ratio(some))[:, 0] == pytest.approx(law.bond_at_reference)
    assert np.all((law.bond_at_reference > 0) & (law.bond_at_reference <= 1))


@pytest.mark.parametrize("name", LAWS)
def test_bands_of_numbers_hold_their_best_and_are_their_spreads(name):
    """The ends of a band of 1000 draws lie within a tenth of the way from the best to the spread's."""
    law = Law(load_material(name), Draws())
    for drawn, number in (
        (law.across_mpa, law.strength.across_mpa),
        (law.along_mpa, law.strength.along_mpa),
        (law.modulus_mpa, law.strength.modulus_mpa),
    ):
        band = band_of(drawn)
        assert drawn[0] == band.best == number.value
        assert band.low < band.best < band.high
        for end, stated in zip((band.low, band.high), number.spread, strict=True):
            assert np.log(end / band.best) == pytest.approx(np.log(stated / band.best), rel=0.1)


@pytest.mark.parametrize("name", MODELLED)
def test_an_unknown_age_is_not_told(name):
    law = LAWS[name]
    ratio = law.weld_ratio(welds(2, law, age_s=np.array([np.nan, 10.0])))
    assert np.all(np.isnan(ratio[:, 0])) and not np.any(np.isnan(ratio[:, 1]))


@pytest.mark.parametrize("name", sorted(set(LAWS) - set(MODELLED)))
def test_without_a_model_nothing_changes_with_age_and_fan(name):
    law = LAWS[name]
    some = welds(3, law, age_s=np.array([1.0, 100.0, np.nan]), fan=np.array([0.0, 1.0, 0.5]))
    ratio = law.weld_ratio(some)
    assert np.all(ratio[:, :2] == 1.0) and np.all(np.isnan(ratio[:, 2]))
    assert np.all(law.bond_at_reference == 1.0)
    assert law.nozzle_basis == "" and law.peak_c is None and not law.outside_table(np.array([999.0])).any()


def test_what_is_known_of_the_nozzle():
    assert {name: law.nozzle_basis for name, law in LAWS.items() if name in MODELLED} == {
        "petg": "table", "pla": "table", "abs": "model", "asa": "model", "pc": "model",
    }  # fmt: skip
    petg = LAWS["petg"]
    assert petg.peak_c == 245.0
    assert petg.outside_table(np.array([199.9, 200.0, 230.0, 260.0, 260.1])).tolist() == [
        True,
        False,
        False,
        False,
        True,
    ]


def test_the_table_is_straight_between_its_points():
    petg = LAWS["petg"]
    ratio = petg.nozzle_ratio(np.array([215.0, 220.0, 230.0]))
    assert ratio[:, 1] == pytest.approx(ratio[:, 0] * 2 / 3 + ratio[:, 2] / 3)
    assert np.all(ratio[:, 2] == 1.0)


def test_beyond_the_table_its_end_is_the_best_and_the_doubt_falls():
    """Nothing is known there, so no draw may gain."""
    petg = LAWS["petg"]
    for end, steps in ((260.0, [261.0, 270.0, 290.0]), (200.0, [199.0, 190.0, 170.0])):
        ratio = petg.nozzle_ratio(np.array([end, *steps]))
        assert np.all(ratio[0] == ratio[0, 0])
        assert np.all(np.diff(ratio, axis=1) <= 1e-12)
        assert np.all(ratio > 0)
        lows = [band_of(column).low for column in ratio.T]
        assert all(later < sooner for sooner, later in pairwise(lows))


def test_level_is_the_strength_and_shape_the_table():
    """A table in other units says the same."""
    material = load_material("petg")
    points = tuple(
        replace(point, across_mpa=2 * point.across_mpa, spread=tuple(2 * end for end in point.spread))
        for point in material.bond.measured
    )
    other = Law(replace(material, bond=replace(material.bond, measured=points)), DRAWS)
    nozzle = np.array([200.0, 222.0, 250.0])
    assert other.nozzle_ratio(nozzle) == pytest.approx(LAWS["petg"].nozzle_ratio(nozzle))


def test_welds_are_alike_asked_together_and_alone():
    """More of them than are healed at a time, in any order, and twice."""
    law = Law(load_material("abs"), DRAWS)
    rng = np.random.default_rng(3)
    n = 150
    some = welds(
        n, law, age_s=rng.uniform(1, 60, n), fan=rng.uniform(0, 1, n), nozzle_c=rng.uniform(225, 260, n),
        wall_mm=rng.choice([0.9, 2.4], n),
    )  # fmt: skip
    together = law.weld_ratio(some)
    order = rng.permutation(n)
    turned = Welds(*(getattr(some, name)[order] for name in Welds.__slots__))
    assert np.array_equal(Law(load_material("abs"), DRAWS).weld_ratio(turned), together[:, order])
    assert np.array_equal(law.weld_ratio(some), together)
    alone = Welds(*(getattr(some, name)[7:8] for name in Welds.__slots__))
    assert np.array_equal(Law(load_material("abs"), DRAWS).weld_ratio(alone)[:, 0], together[:, 7])


def test_two_sides_share_their_draws():
    """Two laws of one material differ in nothing; a number that one knows better moves that number alone."""
    material = load_material("petg")
    one = LAWS["petg"]
    known = replace(material.strength.across_mpa, value=34.0, spread=(33.0, 35.0))
    other = Law(replace(material, strength=replace(material.strength, across_mpa=known)), Draws(200))
    some = welds(4, one, age_s=np.array([2.0, 5.0, 20.0, 90.0]), nozzle_c=240.0)
    assert np.array_equal(one.weld_ratio(some), other.weld_ratio(some))
    assert np.array_equal(one.along_mpa, other.along_mpa)
    assert np.array_equal(one.across_mpa[1:] > 30.0, other.across_mpa[1:] > 34.0)
    assert np.ptp(other.across_mpa) < np.ptp(one.across_mpa)


def test_strength_far_from_the_reference_is_less_sure():
    """The doubt of a ratio is none at the reference and grows away from it."""
    law = LAWS["petg"]
    ratio = law.weld_ratio(welds(4, law, age_s=np.array([10.0, 12.0, 20.0, 80.0])))
    widths = [band.high / band.low for band in map(band_of, ratio.T)]
    assert widths[0] == pytest.approx(1.0)
    assert all(later > sooner for sooner, later in pairwise(widths))


def test_a_material_that_says_nothing_of_strength():
    with pytest.raises(ValueError, match="petg says nothing of strength"):
        Law(replace(load_material("petg"), strength=None), DRAWS)
