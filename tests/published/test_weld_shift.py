"""The shift factor of WLF with its universal constants.

Source: documentation of the library polykin, `aT_WLF`, worked example (C1 = 17.44, C2 = 51.6 K, Tg = 100 C,
T = 120 C gives 1.34e-05), https://hugomvale.github.io/polykin/reference/transport/rheology/aT_WLF. Verified: read
there.
"""

from __future__ import annotations

import pytest

from gcodetools.physics.bond import wlf_log10


def test_the_worked_example():
    # Half a unit of the last digit printed.
    assert 10 ** wlf_log10(120.0, 100.0, 17.44, 51.6) == pytest.approx(1.34e-05, abs=0.005e-05)


def test_the_defaults_are_the_universal_constants():
    assert wlf_log10(120.0, 100.0) == wlf_log10(120.0, 100.0, 17.44, 51.6)
