"""Moduli of laid roads by their share of void.

Source: J. F. Rodriguez, J. P. Thomas, J. E. Renaud, "Mechanical behavior of acrylonitrile butadiene styrene fused
deposition materials modeling", Rapid Prototyping Journal 9(4), 2003, 219-230: its three relations, from memory
(the paper was not seen). The numbers below are those relations worked out by hand for void 0.095, E 2000 MPa and
nu 0.38; so this guards the formulas, not the plastic.
"""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.physics.section import road_moduli, touching_void


def test_moduli_of_roads_that_just_touch() -> None:
    laid = road_moduli(2000.0, 0.38, 0.095)
    assert float(laid.along_mpa) == pytest.approx(1810.0, abs=0.01)
    assert float(laid.across_mpa) == pytest.approx(1383.56, abs=0.01)
    assert float(laid.shear_mpa) == pytest.approx(284.11, abs=0.01)
    void = touching_void(np.array([0.45]), np.array([0.2]))[0]
    assert void == pytest.approx(0.095379, abs=1e-6)


def test_more_void_softens_across_the_roads_more_than_along() -> None:
    laid = road_moduli(2000.0, 0.38, np.array([0.0, 0.05, 0.1, 0.2]))
    assert laid.along_mpa[0] == laid.across_mpa[0] == 2000.0
    assert np.all(np.diff(laid.along_mpa) < 0) and np.all(np.diff(laid.across_mpa) < 0)
    assert np.all(laid.across_mpa[1:] < laid.along_mpa[1:])
    assert np.all(np.diff(laid.shear_mpa) < 0)
