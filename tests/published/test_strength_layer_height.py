"""What the strength law foretells across layers for beads of another height and width.

Source: Kuznetsov, Solonin, Urzhumtsev, Schilling, Tavitov 2018, Polymers 10(3):313, doi 10.3390/polym10030313,
table 1 (data/kuznetsov2018_pla_interlayer_bending.csv). Verified: whole table read. PLA tubes in three-point bending,
20 rows, nozzles of 0.4 to 0.8 mm; road width is the nozzle's. MPa of bending are no MPa of tension, so one scale,
by least squares, is left free for the test as a whole; everything else is the law's.

Tolerance: the law's own doubt, an rms of 3.5 MPa, is what is stated with it (`physics.bond.height_factor`).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from gcodetools.documents.profiles import load_material
from gcodetools.strength.law import Law
from gcodetools.strength.spreads import Draws

DATA = Path(__file__).parent / "data" / "kuznetsov2018_pla_interlayer_bending.csv"
LINES = DATA.read_text(encoding="utf-8").splitlines()
ROWS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
NOZZLE, LAYER, STRENGTH = (
    np.array([float(row[key]) for row in ROWS]) for key in ("nozzle_mm", "layer_mm", "strength_MPa")
)
LAW = Law(load_material("pla"), Draws())
STATED_MPA = 3.5


def foretold(known: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """(1 + d, w) MPa of the rows `wanted`, the scale of the test from the rows `known`."""
    factor = LAW.shape_ratio(LAYER / NOZZLE)
    scale = factor[:, known] @ STRENGTH[known] / np.square(factor[:, known]).sum(axis=1)
    return scale[:, None] * factor[:, wanted]


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_all_rows_with_one_scale():
    everything = np.ones(len(ROWS), bool)
    best = foretold(everything, everything)[0]
    assert len(ROWS) == 20
    assert rms(best - STRENGTH) < STATED_MPA
    # It explains: without it, their mean alone misses the rows by 17.6 MPa.
    assert rms(best - STRENGTH) < 0.25 * rms(STRENGTH - STRENGTH.mean())


@pytest.mark.parametrize(
    "nozzle",
    [
        0.4,
        pytest.param(
            0.6,
            marks=pytest.mark.xfail(
                strict=True,
                raises=AssertionError,
                reason="rms 4.0 MPa where 3.5 is stated: the law's 3.5 holds for the rows it was fitted to; a "
                "nozzle it has not seen is missed by 0.5 MPa more",
            ),
        ),
        0.8,
    ],
)
def test_two_nozzles_foretell_the_third(nozzle):
    left = nozzle == NOZZLE
    assert rms(foretold(~left, left)[0] - STRENGTH[left]) < STATED_MPA


@pytest.mark.parametrize("nozzle", [0.4, 0.6, 0.8])
def test_a_nozzle_left_out_is_foretold_without_bias(nozzle):
    """Within the stated doubt also for the mean of its rows, which is no looser than for one."""
    left = nozzle == NOZZLE
    assert abs(np.mean(foretold(~left, left)[0] - STRENGTH[left])) < STATED_MPA / 2


@pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="the law draws its slope, not the scatter of pieces about it: 11 of 20 rows lie outside of the band, the "
    "worst (0.6 mm nozzle, layers of 0.35 mm) by 5.1 MPa of 49.9",
)
def test_nine_rows_of_ten_lie_within_the_band_of_the_slope():
    everything = np.ones(len(ROWS), bool)
    low, high = np.percentile(foretold(everything, everything)[1:], [5, 95], axis=0)
    assert np.mean((low <= STRENGTH) & (high >= STRENGTH)) >= 0.9


def test_nine_rows_of_ten_lie_within_the_band_of_a_forecast():
    """As it is told of a print: level and slope in doubt. The level is taken from the test, as the tool's is from
    its test pieces, with the doubt of the profile."""
    everything = np.ones(len(ROWS), bool)
    level = LAW.across_mpa / LAW.strength.across_mpa.value
    low, high = np.percentile((foretold(everything, everything) * level[:, None])[1:], [5, 95], axis=0)
    assert np.mean((low <= STRENGTH) & (high >= STRENGTH)) >= 0.9


def test_lower_over_width_is_stronger_in_every_draw():
    """Every nozzle of the table falls row by row with height; so does each draw of the law."""
    for nozzle in (0.4, 0.6, 0.8):
        mine = np.flatnonzero(nozzle == NOZZLE)
        mine = mine[np.argsort(LAYER[mine])]
        assert np.all(np.diff(STRENGTH[mine]) < 0)
        assert np.all(np.diff(LAW.shape_ratio(LAYER[mine] / nozzle), axis=1) < 0)
