"""Bands of height: their edges by hand, and how long a nozzle takes by integrating its law step by step."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.documents.profiles import load_machine
from gcodetools.trials.bands import arrival_s, fan_arrival_s, lay_bands, most_bands

TOP = np.arange(101) * 0.2  # a hundred layers of 0.2 mm
TEN_S = np.full(100, 10.0)


def test_edges_by_hand():
    """20 mm; 25 s to arrive are three layers of 10 s, the gap of 1 mm is five: 100 layers less 3, 5 and 5 leave 29
    each, and none left."""
    bands = lay_bands(TOP, TEN_S, [25.0, 25.0, 25.0], gap_mm=1.0)
    assert bands.lead.tolist() == [3, 5, 5]
    assert bands.first.tolist() == [3, 37, 71] and bands.last.tolist() == [31, 65, 99]


def test_without_need_the_first_begins_at_once_and_bands_touch():
    bands = lay_bands(TOP, TEN_S, [0.0, 0.0], gap_mm=0.0)
    assert bands.first.tolist() == [0, 50] and bands.last.tolist() == [49, 99]


def test_a_longer_way_takes_more_layers_and_bands_stay_alike():
    bands = lay_bands(TOP, TEN_S, [0.0, 100.0, 20.0], gap_mm=0.2)
    assert bands.lead.tolist() == [0, 10, 2]
    heights = bands.last - bands.first + 1
    assert np.ptp(heights) == 0 and heights[0] == 29


def test_short_layers_further_up_take_more_of_them():
    seconds = np.where(np.arange(100) < 50, 20.0, 2.0)
    bands = lay_bands(TOP, seconds, [0.0, 40.0, 40.0], gap_mm=0.0)
    spent = np.concatenate([[0.0], np.cumsum(seconds)])
    for k in (1, 2):
        between = spent[bands.first[k]] - spent[bands.last[k - 1] + 1]
        assert 40.0 <= between <= 40.0 + seconds[bands.last[k - 1] + 1]
    assert bands.lead[2] == 20


def test_what_does_not_fit_is_none_and_the_most_that_fits_is_told():
    # Each band of 2 mm takes ten layers and ten before it: five of them.
    assert most_bands(TOP, TEN_S, 100.0, gap_mm=1.0, least_mm=2.0) == 5
    assert lay_bands(TOP, TEN_S, [100.0] * 5, gap_mm=1.0, least_mm=2.0) is not None
    assert lay_bands(TOP, TEN_S, [100.0] * 6, gap_mm=1.0, least_mm=2.0) is None
    # A band has five layers at least, however thick they are.
    assert most_bands(np.arange(13) * 1.0, np.full(12, 10.0), 0.0, gap_mm=0.0, least_mm=2.0) == 2


@pytest.mark.parametrize(("before", "after"), [(230.0, 250.0), (240.0, 220.0), (230.0, 233.0)])
def test_a_nozzle_has_arrived_by_then(before, after):
    """Euler's method in milliseconds on the law of `physics.hotend`'s docstring, on the slow end of the profile,
    told in steps of 10 C, each when the one before has been reached."""
    heating = load_machine("desktop-220").heating
    up, down, settle = (
        q.spread[end]
        for q, end in ((heating.nozzle_up_c_s, 0), (heating.nozzle_down_c_s, 0), (heating.nozzle_settle_s, 1))
    )
    loss, tau, step_s = down / (240.0 - 25.0), settle / 3.0, 0.001
    core = block = before
    count = max(int(np.ceil(abs(after - before) / 10.0)), 1)
    spent = 0.0
    for target in np.linspace(before, after, count + 1)[1:]:
        while abs(block - target) > 0.5:
            rate = up + loss * (240.0 - core) if target > core else -loss * (core - 25.0)
            core = core + rate * step_s
            core = min(core, target) if after > before else max(core, target)
            block += (core - block) / tau * step_s
            spent += step_s
    assert arrival_s(heating, before, after) == pytest.approx(spent + 4.3, rel=0.02)  # 4.3 s: plastic soaks
    assert arrival_s(heating, before, before) == 0.0


def test_a_fan_has_four_lags():
    heating = load_machine("desktop-220").heating
    assert fan_arrival_s(heating, 0.0, 0.4) == 4 * heating.fan_lag_s.spread[1]
    assert fan_arrival_s(heating, 0.4, 0.4) == 0.0
