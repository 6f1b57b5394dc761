"""Whole plates get through `estimate`: of every sample, a region that is all of a part, one that is a slab, and the
infill, each with a load."""

from __future__ import annotations

import json
import math

import pytest

from gcodetools.jobs.apply import Options
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.kit.schema import kit_from_bytes

pytestmark = pytest.mark.usefixtures("few_cells")
ARM = "{cantilever: {length: 12, thickness: 2, width: 8, undercut: 1}}"
RING = "{open_ring: {bore: 16, gap: 100, onto: 16, wall: 2.4, height: 30, tilt: 10}}"
USE = "{times: 50, held: strained, temperature: [-5, 30], years: 3}"


def bands(value):
    if isinstance(value, dict):
        own = [value] if "best" in value else []
        return own + [band for item in value.values() for band in bands(item)]
    return [band for item in value for band in bands(item)] if isinstance(value, list) else []


@pytest.mark.every(6, 1)
def test_every_sample_gives_a_finite_record(sample, probe):
    text = probe.text(sample, "all", None) + f"        load: {ARM}\n        use: {USE}\n"
    text += f"      slab:\n        within: {probe.slab(sample)}\n        load: {RING}\n"
    text += "      inside:\n        within: all\n        beads: infill\n"
    kit = kit_from_bytes(text.encode(), "probe.kit.yaml")
    record = estimate_plate(sample, kit, Options(()))[0]
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert {one["region"] for one in record["regions"]} >= {"zone"}
    for band in bands(record):
        assert 0 <= band["low"] <= band["best"] <= band["high"] < math.inf
        assert band["basis"] in ("measured", "modelled", "assumed") and band["source"]
    most = 0.0
    for one in record["regions"]:
        assert one["rests_on"] and one["treated_means"] and one["side_effects"] and one["check_it"]
        strength = one["strength_mpa"]
        # Of printed bars between layers the greatest that any data sheet tells is 43 MPa (PETG), along them 65.
        for way, limit in (("across_layers", 75.0), ("along_beads", 80.0)):
            if way in strength:
                assert strength[way]["best"] > 0 and strength[way]["high"] < limit
                most = max(most, strength[way]["best"])
        if "bond" in one:
            assert one["layers"][0] <= one["bond"]["weakest_layer"] <= one["layers"][1]
            assert one["bond"]["mean"]["high"] <= 1
    assert most > 5 or len(sample.layers) == 1
