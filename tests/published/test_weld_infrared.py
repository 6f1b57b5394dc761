"""How long a weld stays above its glass transition, and how fast it cools, seen by infrared.

Source: Seppala and Migler 2016, Additive Manufacturing 12:71-76, doi 10.1016/j.addma.2016.06.007, abstract: ABS welds
fall at "approximately 100 degrees C/s" and stay "above the glass transition temperature for approximately 1 s".
Verified: abstract read. Their geometry was not seen: 230 C on 60 C, one road of 0.45 mm, layers of 0.2 to 0.3 mm,
still air of 30 W/m2K, and ABS of k 0.18, rho 1050, c 2000, Tg 105 C are assumptions.

The model cools more slowly than that: 1.3 to 3 times, which `physics.cooling` says where it gives seconds.
"""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.physics.cooling import diffusivity_mm2_s, interface_c, wall_tau_s

ABOVE_S, FALLS_C_S = 1.0, 100.0
GLASS_C = 105.0


@pytest.mark.parametrize("height", [0.2, 0.25, 0.3])
def test_the_weld_stays_warm_for_one_to_three_times_as_long(height):
    time = np.linspace(1e-3, 6.0, 60_000)
    tau = wall_tau_s(0.45, 2, 1050, 2000, 30)
    plane = interface_c(time, 60.0, 230.0, 25.0, height, diffusivity_mm2_s(0.18, 1050, 2000), tau)
    above = time[plane > GLASS_C][-1]
    assert 1.0 < above / ABOVE_S < 3.0
    # Its steepest fall is of the published size or below: 2 to 4 times.
    steepest = -np.gradient(plane, time).min()
    assert 2.0 < FALLS_C_S / steepest < 4.5
