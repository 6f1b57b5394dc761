"""Estimates, and records without empty keys."""

from __future__ import annotations

import math

from gcodetools.jobs.records import estimate, without_nulls


def test_an_estimate_has_its_band_in_order():
    value = estimate(-0.2, -0.19, -0.21, "a source")
    assert value == {
        "low": -0.21, "best": -0.2, "high": -0.19, "basis": "modelled", "coverage": 0.9, "source": "a source",
    }  # fmt: skip


def test_what_is_not_known_is_absent_however_deep():
    record = {
        "a": None, "b": math.nan, "c": [1.0, math.inf], "d": 0, "e": "", "f": [], "g": False,
        "h": [{"x": None, "y": 1}], "i": {"z": {"w": None}},
    }  # fmt: skip
    assert without_nulls(record) == {
        "d": 0, "e": "", "f": [], "g": False, "h": [{"y": 1}], "i": {"z": {}},
    }  # fmt: skip
