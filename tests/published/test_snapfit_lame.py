"""Press fits agree with Lame's thick rings put together by numbers.

The equation of a ring under no body force, u'' + u' / r - u / r^2 = 0 (Lame 1852; any handbook, from memory), is
solved on a grid for pin and hub, which share a pressure and differ by the interference. The numbers of the example
are worked by hand: d 8, D 16, interference 0.1, E 1800, nu 0.38, a solid pin of the same plastic.
"""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.physics.fits import press, press_pressure


def compliance(inner, outer, loaded, nu, n=4001):
    """Displacement of the loaded edge under pressure 1, E = 1, plane stress: finite differences in r."""
    r = np.linspace(inner, outer, n)
    h = r[1] - r[0]
    a = np.zeros((3, n))  # banded
    a[0, 2:] = 1 / h**2 + 1 / (2 * h * r[1:-1])
    a[1, 1:-1] = -2 / h**2 - 1 / r[1:-1] ** 2
    a[2, :-2] = 1 / h**2 - 1 / (2 * h * r[1:-1])
    full = np.diag(a[1]) + np.diag(a[0, 1:], 1) + np.diag(a[2, :-1], -1)
    b = np.zeros(n)
    for k, step in ((0, 1), (n - 1, -1)):
        row = np.zeros(n)
        row[[k, k + step, k + 2 * step]] = np.array([-1.5, 2.0, -0.5]) * step / h
        row[k] += nu / r[k]
        full[k] = row / (1 - nu * nu)
        b[k] = -1.0 if (k == 0) == (loaded == "inner") else 0.0
    u = np.linalg.solve(full, b)
    return u[0] if loaded == "inner" else u[-1]


@pytest.mark.parametrize(("inner", "pin"), [(3.0, "same"), (0.0, "rigid"), (5.0, "same")])
def test_displacements_add_up_to_the_interference(inner, pin):
    d, outer, nu, e = 8.0, 16.0, 0.38, 1800.0
    p = press_pressure(0.1, d, outer, inner, e, nu, pin)
    hub = compliance(d / 2, outer / 2, "inner", nu, 801)
    own = -compliance(inner / 2, d / 2, "outer", nu, 801) if pin == "same" else 0.0
    assert 2 * p / e * (hub + own) == pytest.approx(0.1, rel=2e-4)


def test_example_by_hand():
    found = press(
        diameter_mm=8, interference_mm=0.1, outer_mm=16, length_mm=10, friction=0.4, modulus_mpa=1800
    )
    assert press_pressure(0.1, 8, 16, 0, 1800, 0.38, "same") == pytest.approx(8.4375)
    assert found.push_n == pytest.approx(848.2300164692441)
    # Hoop 14.0625 and radial -8.4375 MPa: (14.0625 + 0.38 * 8.4375) / 1800.
    assert found.strain == pytest.approx(0.0095938, abs=1e-7)
    assert found.force_low == 0.5
