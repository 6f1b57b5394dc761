"""Strength across layers falls with layer height over road width.

Source: Kuznetsov, Solonin, Urzhumtsev, Schilling, Tavitov 2018, Polymers 10(3):313, doi 10.3390/polym10030313,
table 1 (data/kuznetsov2018_pla_interlayer_bending.csv). Verified: whole table read. PLA tubes in three-point bending,
20 rows, nozzles of 0.4 to 0.8 mm; road width is the nozzle's, as its flow says. For other plastics an assumption.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from gcodetools.physics.bond import height_factor

LINES = (
    (Path(__file__).parent / "data" / "kuznetsov2018_pla_interlayer_bending.csv")
    .read_text(encoding="utf-8")
    .splitlines()
)
ROWS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
NOZZLE, LAYER, STRENGTH, FLOW = (
    np.array([float(row[key]) for row in ROWS])
    for key in ("nozzle_mm", "layer_mm", "strength_MPa", "flow_mm3_s")
)


def scaled(factor: np.ndarray, strength: np.ndarray = STRENGTH) -> float:
    """MPa that the factor multiplies, by least squares."""
    return float(factor @ strength / (factor @ factor))


def rms(factor: np.ndarray) -> float:
    return float(np.sqrt(np.mean((STRENGTH - scaled(factor) * factor) ** 2)))


def test_width_is_the_nozzles():
    # Flow is layer x nozzle x 25 mm/s, to the digit printed.
    assert np.abs(FLOW - LAYER * NOZZLE * 25.0).max() <= 0.0501


def test_the_slope_is_the_tables():
    """Least squares of s0 (1 - a x): s0 79.90 MPa, a 0.786, rms 3.46 MPa."""
    x = LAYER / NOZZLE
    (s0, slope), *_ = np.linalg.lstsq(np.stack([np.ones_like(x), -x], 1), STRENGTH, rcond=None)
    default = 1.0 - float(height_factor(0.5, 1.0)[0])
    assert default / 0.5 == pytest.approx(slope / s0, abs=0.0005)
    factor, outside = height_factor(LAYER, NOZZLE)
    assert not outside.any()
    assert scaled(factor) == pytest.approx(79.90, abs=0.05)
    assert rms(factor) == pytest.approx(3.46, abs=0.01)


@pytest.mark.parametrize("nozzle", [0.4, 0.6, 0.8])
def test_two_nozzles_foretell_the_third(nozzle):
    factor, _ = height_factor(LAYER, NOZZLE)
    left = nozzle == NOZZLE
    foretold = scaled(factor[~left], STRENGTH[~left]) * factor[left]
    assert np.sqrt(np.mean((STRENGTH[left] - foretold) ** 2)) < 4.5  # MPa of 18 to 71


def test_flat_contact_of_a_stadium_is_rejected():
    """(w - h) / w, what is flat between two stadium beads, misses the table by 2.7 times as much."""
    assert rms(1.0 - LAYER / NOZZLE) > 2.5 * rms(height_factor(LAYER, NOZZLE)[0])
