"""A slit ring opens by 3 pi P R^3 / (E I), as in Timoshenko, Strength of Materials, and Roark (from memory)."""

from __future__ import annotations

import math

import pytest

from gcodetools.physics.rings import ring_opening_factor, ring_strain


def test_slit_ring_is_the_handbooks():
    assert ring_opening_factor(0.0) == pytest.approx(3.0 * math.pi, rel=1e-15)
    # M = 2 P R opposite the slit, so that eps = M t / (2 E I) = delta t / (3 pi R^2).
    assert ring_strain(1.5, 10.0, 1.2, 0.0) == pytest.approx(1.5 * 1.2 / (3 * math.pi * 100), rel=1e-14)


def test_half_ring_is_the_handbooks():
    """A half circle pulled at its ends along the diameter: pi P R^3 / (2 E I) (Castigliano; from memory)."""
    assert ring_opening_factor(90.0) == pytest.approx(math.pi / 2.0, rel=1e-14)
