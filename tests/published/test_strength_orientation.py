"""What the strength laws say across layers against along beads, held against bars printed both ways.

Source: data sheet of Essentium PCTG (data/essentium_pctg_orientation.csv; verified, read at
https://www.knowde.com/stores/essentium/products/essentium-pctg). PCTG is PETG's relative, not PETG: standing bars as
strong as lying ones, and breaking at a thirtieth of their strain. Its numbers must lie within what is said of PETG.

Source: makers' data sheets (data/data_sheets_xy_z.csv; second-hand). The profiles' spreads were made to hold each
of their numbers; that the ratio of two of one maker is held too follows from nothing but the draws.

No tolerance: within the band, or not.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from gcodetools.documents.profiles import load_material
from gcodetools.kit.loads import Cantilever
from gcodetools.strength.law import Law
from gcodetools.strength.loads import LoadCase, case_of
from gcodetools.strength.spreads import Band, Draws, band_of

DATA = Path(__file__).parent / "data"
DRAWS = Draws()
PETG = Law(load_material("petg"), DRAWS)


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


PCTG = {row["orientation"]: row for row in rows("essentium_pctg_orientation")}


def pctg(orientation: str, key: str) -> float:
    return float(PCTG[orientation][key])


def holds(band: Band, value: float) -> bool:
    return band.low <= value <= band.high


def arm(printed: str) -> LoadCase:
    load = Cantilever(length_mm=16, thickness_mm=2.4, width_mm=10, undercut_mm=1, printed=printed)
    return case_of(load, None, PETG, np.ones(len(DRAWS)), None, None)


def to_break(printed: str) -> Band:
    """Strain at break of an arm: its ways to break, times what its load asks."""
    case = arm(printed)
    asked, left = case.demand.best, case.to_break
    return Band(asked * left.low, asked * left.best, asked * left.high)


def test_standing_pctg_is_as_strong_as_petg_may_be():
    """45 over 44 MPa. The best of PETG is a third below: 0.64, from other makers' bars."""
    ratio = band_of(PETG.across_mpa / PETG.along_mpa)
    measured = pctg("ZX", "uts_MPa") / pctg("XY", "uts_MPa")
    assert measured == pytest.approx(1.02, abs=0.005)
    assert holds(ratio, measured)
    assert measured > 1.5 * ratio.best


def test_pctg_along_beads_lies_within_what_is_said_of_petg():
    assert holds(band_of(PETG.along_mpa), pctg("XY", "uts_MPa"))
    assert holds(band_of(PETG.modulus_mpa), 1000 * pctg("XY", "E_GPa"))


@pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="45.0 MPa where PETG across its layers is told as 30 (18.5 to 43.3): 1.7 MPa above; PCTG is another "
    "plastic, and its standing bars are the best found",
)
def test_pctg_across_layers_lies_within_what_is_said_of_petg():
    assert holds(band_of(PETG.across_mpa), pctg("ZX", "uts_MPa"))


def test_standing_is_no_softer():
    """1.86 over 1.81 GPa."""
    assert holds(band_of(PETG.across_share), pctg("ZX", "E_GPa") / pctg("XY", "E_GPa"))


def test_a_standing_arm_is_told_to_break_at_far_less_strain():
    """3.9 % standing, within what is told; and less standing than lying, as measured."""
    standing, lying = to_break("standing"), to_break("lying")
    assert arm("standing").limits == "across" and arm("lying").limits == "along"
    assert holds(standing, pctg("ZX", "strain_break_pct") / 100)
    assert pctg("ZX", "strain_break_pct") < 0.05 * pctg("XY", "strain_break_pct")
    assert standing.best < 0.5 * lying.best


@pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="lying bars of PCTG broke at 130 %; of PETG 8 % (5 to 50) is told. Sheets of PETG have 5 and 8 %: the two "
    "plastics part here, and what is told of PETG is the careful side",
)
def test_a_lying_arm_is_told_to_break_where_pctg_does():
    assert holds(to_break("lying"), pctg("XY", "strain_break_pct") / 100)


def test_strain_allowed_across_layers_is_at_most_half_of_that_at_break():
    """Rule of a plastics maker for what breaks without yielding (DSM, read at
    https://www.scribd.com/doc/172064197/Max-Shortterm-Strain), on PCTG's standing bars."""
    assert arm("standing").allowed.best <= 0.5 * pctg("ZX", "strain_break_pct") / 100


@pytest.mark.parametrize("row", rows("data_sheets_xy_z"), ids=lambda row: row["product"].replace(" ", "-"))
def test_one_makers_bars_of_both_ways_lie_within_the_band(row):
    law = Law(load_material(row["material"]), DRAWS)
    ratio = band_of(law.across_mpa / law.along_mpa)
    assert ratio.best < 1.0
    assert holds(ratio, float(row["uts_z_MPa"]) / float(row["uts_xy_MPa"]))
