"""What the laws say of layer time, fan, flow and remelting, against the little that was measured of each.

Sources: data/layer_time.csv (Lambiase 2024, second-hand; Ai and Vogt 2022, verified abstract) and
data/strength_by_other_knobs.csv (Lee and Liu 2019, Amza 2021, verified; Ghorbani 2022, second-hand). Each says more.

The exponent on age was set by Lambiase's pair, so that one calibrates; the others are forecasts. Bars of ASTM D638
are 3.2 mm thick (from memory), taken as solid and seen by air on both sides. No tolerance: within the band, or not.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from gcodetools.documents.profiles import load_material
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.spreads import Band, Draws, band_of

DATA = Path(__file__).parent / "data"
LAWS = {name: Law(load_material(name), Draws()) for name in ("petg", "pla", "abs", "pc")}


def rows(name: str) -> dict[str, dict[str, str]]:
    lines = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return {row["source"]: row for row in csv.DictReader(line for line in lines if not line.startswith("#"))}


TIMES, KNOBS = rows("layer_time"), rows("strength_by_other_knobs")


def change(
    name: str,
    age_s: tuple[float, float],
    fan: tuple[float, float],
    wall_mm: float = 3.2,
    nozzle_c: float = 210.0,
) -> Band:
    """Strength across layers at the second setting over that at the first."""
    same = np.ones(2)
    some = Welds(np.array(age_s), nozzle_c * same, np.array(fan), 0.4 * same, wall_mm * same, 2 * same)
    ratio = LAWS[name].weld_ratio(some)
    return band_of(ratio[:, 1] / ratio[:, 0])


def test_layer_time_of_pla():
    """25.5 to 21.1 MPa from 21 to 105 s, fan full; down to no change at all, which others found."""
    row = TIMES["LAMBIASE"]
    measured = float(row["to_MPa"]) / float(row["from_MPa"])
    told = change("pla", (float(row["from_s"]), float(row["to_s"])), (1.0, 1.0))
    assert told.low < measured < told.high
    assert told.best == pytest.approx(measured, abs=0.02)
    assert 0.99 < told.high < 1.02


@pytest.mark.parametrize("late_s", [10.0, 20.0, 40.0])
def test_layer_time_of_polycarbonate(late_s):
    """Beyond about 5 s nothing was seen: within the band, and the best within a tenth, which may go unseen."""
    early = float(TIMES["AI_VOGT"]["from_s"])
    told = change("pc", (early, late_s), (0.0, 0.0), nozzle_c=270.0)
    assert told.low <= 1.0 <= told.high
    assert abs(told.best - 1.0) < 0.1


@pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="a quarter of the strength at 5 m/s of air; a full part fan is told as 0.93 (0.61 to 1): the band ends 0.36 "
    "above. The blower is no part fan, and how the bars lay is not told",
)
def test_fan_of_pla_reaches_what_a_blower_did():
    told = change("pla", (21.0, 21.0), (0.0, 1.0))
    assert told.low <= float(KNOBS["FAN"]["ratio"])


def test_fan_of_pla_has_the_sign_of_what_a_blower_did():
    told = change("pla", (21.0, 21.0), (0.0, 1.0))
    assert told.low < 0.7 and told.best < 0.97 and told.high <= 1.0


def flow(ratio: float) -> Band:
    """Beads of 0.48 by 0.2 mm with `ratio` of their volume, which goes into width."""
    height, width = 0.2, 0.48
    area = (width - height) * height + np.pi * height**2 / 4
    wider = (ratio * area - np.pi * height**2 / 4) / height + height
    factor = LAWS["abs"].shape_ratio(np.array([height / width, height / wider]))
    return band_of(factor[:, 1] / factor[:, 0])


def test_flow_helps_as_measured_in_sign():
    assert flow(1.2).low > 1.0


@pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="about +50 % across layers for +20 % of flow; the law has +8 % (4 to 9) for the wider beads, 41 points too "
    "little: it knows nothing of voids that close. Others found no effect, or a loss",
)
def test_flow_of_abs_is_within_the_band():
    told = flow(float(KNOBS["FLOW"]["to"]))
    assert told.low <= float(KNOBS["FLOW"]["ratio"]) <= told.high


def test_what_remelting_gains_is_what_printing_left():
    """Remelted, weld and grooves are whole: gain is one over what the law says that the weld and the shape leave."""
    law = LAWS["petg"]
    at = law.strength.reference
    shape = 1.0 - law.slope * at.height_mm.value / at.width_mm.value
    told = band_of(1.0 / (law.bond_at_reference * shape))
    assert told.low <= float(KNOBS["REMELT"]["ratio"]) <= told.high
    assert told.best > 1.5
