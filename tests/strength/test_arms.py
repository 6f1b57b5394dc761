"""Standing arms of roads: what a hollow one lacks, and which layer of one gives way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import bar, instance

from gcodetools.documents.profiles import load_material
from gcodetools.strength.arms import Arm, arm_of
from gcodetools.strength.law import Law
from gcodetools.strength.pieces import Instance
from gcodetools.strength.spreads import Draws
from gcodetools.strength.welds import layer_welds

LAW = Law(load_material("petg"), Draws(40))
LAYERS = 12
LENGTH_MM = LAYERS * 0.2


def standing(**how: object) -> Instance:
    """An arm 10 by 3 mm that stands on its layers; all of it is the region."""
    made = bar(3.0, 2, long=10.0, layers=LAYERS, **how)  # type: ignore[arg-type]
    return instance(made, ends_mm=-1.0)


def arm(one: Instance, length_mm: float = LENGTH_MM) -> Arm:
    within = one.within[0]
    found = arm_of(one, within, layer_welds(one, within, LAW, 3.0), LAW.across_mpa, length_mm)
    assert found is not None
    return found


FILLED = standing()


def test_a_filled_arm_gives_way_at_its_root():
    """Its lowest layer that rests on another; the strength is that of the weld there, over the test piece's."""
    found = arm(FILLED)
    welds = layer_welds(FILLED, FILLED.within[0], LAW, 3.0)
    assert found.layer == 2
    assert found.share > 0.85 and found.stiffness > 0.8
    assert found.rests == LAYERS - 1
    weld = welds.strength_mpa.draws[:, 0] / LAW.across_mpa
    assert np.all(found.ratio <= weld + 1e-9)
    assert found.ratio == pytest.approx(weld, rel=0.1)


def test_a_hollow_arm_has_less_section():
    """Sparse fill carries nothing across layers: what is left are the two perimeters on each side. Of a box 10 by
    3 mm with walls of two roads, (b h^3 - b' h'^3) / b h^3 by any handbook."""
    hollow = arm(standing(density=0.15, solid=False))
    full = arm(FILLED)
    wall = 2 * (0.45 - 0.2 * (1 - np.pi / 4)) + 0.2 * (1 - np.pi / 4)
    handbook = 1 - (10 - 2 * wall) * (3 - 2 * wall) ** 3 / (10 * 3**3)
    assert hollow.share < full.share - 0.05
    assert hollow.share == pytest.approx(handbook, abs=0.08)
    assert hollow.stiffness < full.stiffness
    assert np.all(hollow.ratio < full.ratio)


@pytest.mark.parametrize("what", ["share", "sparse"])
def test_a_layer_that_rests_on_half_bears_half(what):
    """Half of every bead over air, or on sparse lines: half of the section, at that layer."""
    on, fourth = FILLED.on, FILLED.own_layer[FILLED.at] == 4
    half = (
        {"share": np.where(fourth, 0.5 * on.share, on.share)} if what == "share" else {"sparse": 0.5 * fourth}
    )
    found = arm(replace(FILLED, on=replace(on, **half)))
    assert found.layer == 4
    assert found.share == pytest.approx(0.5 * arm(FILLED).share, rel=0.05)


def test_a_weak_layer_counts_by_how_far_up_it_is():
    """Bending falls evenly to the tip: what is weaker by a quarter breaks first low down, and never near the tip."""

    def cold(layer: int) -> Arm:
        return arm(replace(FILLED, nozzle_c=np.where(FILLED.own_layer == layer, 215.0, 230.0)))

    assert cold(4).layer == 4
    assert cold(11).layer == 2
    up = (4 - 2) * 0.2 / LENGTH_MM
    root = arm(FILLED)
    weaker = LAW.nozzle_ratio(np.array([215.0]))[0, 0]
    assert cold(4).ratio[0] == pytest.approx(root.ratio[0] * weaker / (1 - up), rel=0.03)
    assert weaker < 1 - up


def test_a_longer_arm_leaves_a_weak_layer_more_to_bear():
    weak = replace(FILLED, nozzle_c=np.where(FILLED.own_layer == 5, 215.0, 230.0))
    assert arm(weak, 10 * LENGTH_MM).ratio[0] < arm(weak, LENGTH_MM).ratio[0]


def test_an_arm_on_the_bed_alone_is_none():
    one = instance(bar(3.0, 2, long=10.0, layers=1), ends_mm=-1.0)
    within = one.within[0]
    assert arm_of(one, within, layer_welds(one, within, LAW, 3.0), LAW.across_mpa, LENGTH_MM) is None
