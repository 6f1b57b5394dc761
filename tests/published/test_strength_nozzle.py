"""What the strength law says of the nozzle's temperature, and what it would have said of coupons it has not seen.

Source: S. Hermann, "The influence of extrusion temperature on layer adhesion", 19 Dec 2020
(data/strength_by_nozzle_c.csv). Second-hand: three copies agree, the page was not seen; 4 coupons, one filament each,
no deviation told. The profiles of PETG and PLA hold this table, so that the law gives it back shows that it reads it
right, no more; a point that is left out is a forecast.

Tolerance: a forecast is of a coupon, which has the doubt of 12 % that the profile gives each (derived: 15 % a bar,
four bars), besides what the law has.
"""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from gcodetools.documents.profiles import load_material
from gcodetools.strength.law import Law
from gcodetools.strength.spreads import Band, Draws, band_of

LINES = (Path(__file__).parent / "data" / "strength_by_nozzle_c.csv").read_text(encoding="utf-8").splitlines()
ROWS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
DRAWS = Draws()
LAWS = {name: Law(load_material(name), DRAWS) for name in ("petg", "pla")}


def measured(name: str) -> dict[int, float]:
    mine = [row for row in ROWS if row["material"].lower() == name]
    return {int(row["nozzle_C"]): float(row["z_strength_MPa"]) for row in mine}


def gain(name: str, from_c: float, to_c: float) -> np.ndarray:
    """(1 + d,) strength at one temperature over that at another."""
    ratio = LAWS[name].nozzle_ratio(np.array([from_c, to_c]))
    return ratio[:, 1] / ratio[:, 0]


def foretold(name: str, left_c: int) -> Band:
    """MPa of the coupon at `left_c` by the law without it, the level of the series from its other coupons."""
    table = measured(name)
    material = load_material(name)
    rest = tuple(point for point in material.bond.measured if point.nozzle_c != left_c)
    law = Law(replace(material, bond=replace(material.bond, measured=rest)), DRAWS)
    assert len(law.table) == len(table) - 1
    known = [at for at in table if at != left_c]
    there, strength = law.nozzle_ratio(np.array(known, float)), np.array([table[at] for at in known])
    level = there @ strength / np.square(there).sum(axis=1)
    low, high = next(point for point in material.bond.measured if point.nozzle_c == left_c).spread
    coupon = DRAWS.between("coupon", low, table[left_c], high, ratio=True) / table[left_c]
    return band_of(level * law.nozzle_ratio(np.array([float(left_c)]))[:, 0] * coupon)


@pytest.mark.parametrize("name", ["petg", "pla"])
def test_the_law_reads_the_table(name):
    """Each coupon over that of the reference's temperature is the best, and within the band."""
    table, law = measured(name), LAWS[name]
    at = law.strength.reference.nozzle_c.value
    ratio = law.nozzle_ratio(np.array(list(table), float))
    assert ratio[0] == pytest.approx(np.array(list(table.values())) / table[int(at)])
    for draws in ratio.T:
        band = band_of(draws)
        assert band.low <= draws[0] <= band.high
        # 12 % of a coupon and of the reference's: never less than a twelfth, never more than a third either way.
        assert draws[0] == 1.0 or 1.12 < band.high / band.low < 1.6


MISSED = {
    (
        "petg",
        245,
    ): "27 (23.6 to 30.5) MPa between 230 and 260, measured 32: 1.5 MPa above; a peak cannot be told from its sides",
    (
        "pla",
        190,
    ): "37 (30.4 to 42.8) MPa from 200 up, measured 20: 10 MPa below; the step to 190 is steeper than any other",
    (
        "pla",
        200,
    ): "29.5 (25.3 to 33.7) MPa between 190 and 210, measured 37: 3.3 MPa above; the table has a knee there",
}


@pytest.mark.parametrize(
    ("name", "left_c"),
    [
        pytest.param(
            name,
            at,
            marks=[pytest.mark.xfail(strict=True, raises=AssertionError, reason=MISSED[name, at])]
            if (name, at) in MISSED
            else [],
        )
        for name in ("petg", "pla")
        for at in measured(name)
    ],
)
def test_a_coupon_left_out_lies_within_its_forecast(name, left_c):
    band, found = foretold(name, left_c), measured(name)[left_c]
    assert band.low <= found <= band.high


@pytest.mark.parametrize(
    ("name", "left_c"),
    [*(("petg", at) for at in (215, 230, 245)), *(("pla", at) for at in (200, 210, 230, 250))],
)
def test_the_best_of_a_forecast_stays_between_its_neighbours(name, left_c):
    table = measured(name)
    at = sorted(table)
    k = at.index(left_c)
    low, high = sorted((table[at[k - 1]], table[at[k + 1]]))
    share = (left_c - at[k - 1]) / (at[k + 1] - at[k - 1])
    between = table[at[k - 1]] * (1 - share) + table[at[k + 1]] * share
    assert low <= foretold(name, left_c).best <= high
    assert foretold(name, left_c).best == pytest.approx(between)


def test_petg_gains_up_to_its_peak_and_loses_past_it():
    """215 to 235 gains in nine draws of ten, 245 to 260 loses in nine of ten, and from 230 to 245 nothing is sure
    (measured: +7 %)."""
    assert band_of(gain("petg", 215, 235)).low > 1.0
    assert band_of(gain("petg", 245, 260)).high < 1.0
    usual = band_of(gain("petg", 230, 245))
    assert usual.low < 1.0 < usual.best < usual.high
    assert LAWS["petg"].peak_c == 245


def test_every_measured_step_has_its_sign():
    for name in ("petg", "pla"):
        table = measured(name)
        at = sorted(table)
        for first, then in pairwise(at):
            assert gain(name, first, then)[0] == pytest.approx(table[then] / table[first])
            assert (gain(name, first, then)[0] > 1) == (table[then] > table[first])


def test_pla_is_flat_from_200_to_250():
    """Measured 37, 39, 40, 37 MPa: any two temperatures between are alike within the band, the best within 8 %."""
    for first in range(200, 251, 10):
        for then in range(first + 10, 251, 10):
            band = band_of(gain("pla", first, then))
            assert band.low < 1.0 < band.high
            assert abs(band.best - 1.0) < 0.085
    assert band_of(gain("pla", 190, 200)).low > 1.5
