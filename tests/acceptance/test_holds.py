"""Nozzle and fan split no bead, leave a first layer uncooled and bridges as they were."""

from __future__ import annotations

import re

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.demo.maker import Placement
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

HOLDS = "{nozzle: {add: 6}, fan: {set: 90%}, force: true}"
BRIDGELESS = ("A", "G", "H", "I", "J")  # these conventions have no word for a bridge
BRIDGES = [FEATURE_INDEX["bridge"], FEATURE_INDEX["overhang"]]
MOTION = re.compile(rb"^(?:N\d+ ?)?G0*[0-3] ?[^\d\r\n][^\r\n]*", re.M | re.I)


def fan_of(plate: Plate, rows) -> np.ndarray:
    return plate.program.states.fan.at(plate.moves.line[rows])


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_the_demos_motion_lines_stay_and_bridges_keep_their_fan(demo, probe, walk, letter):
    made, plate = demo(letter, parts=(Placement("ridge-saddle", 100, 100),))
    applied = probe.apply(plate, probe.kit(plate, "{slab: {z: [0, 100]}}", HOLDS))
    output = applied.treated.render()
    assert output != made.data
    assert MOTION.findall(output) == MOTION.findall(made.data)
    before, after = walk(made.data), walk(output)
    z, own, now = before.column("z"), before.column("fan"), after.column("fan")
    low = (z < 0.61) & (before.column("e") > 0)
    assert np.all(own[low] == 0) and np.all(now[low] == 0)
    beads = np.flatnonzero(plate.beads.is_bead)
    again = applied.treated.plate
    feature = plate.beads.feature[beads]
    bridge = np.isin(feature, BRIDGES)
    new, old = fan_of(again, np.flatnonzero(again.beads.is_bead)), fan_of(plate, beads)
    assert len(new) == len(old)
    assert np.array_equal(new[bridge], old[bridge])
    cooled = ~bridge & (old > 0)
    part = np.isin(beads, np.concatenate([pose.rows for pose in applied.placed.poses]))
    assert bridge.any() == (letter not in BRIDGELESS)
    if letter not in BRIDGELESS:
        assert np.mean(np.abs(new[cooled & part] - 0.9) < 2e-3) > 0.99
    assert after.nozzle[-1] == before.nozzle[-1] and after.fan[-1] == before.fan[-1]


def long_overhangs(plate: Plate, beads: np.ndarray) -> np.ndarray:
    """Flags of `beads` in passes over an overhang of 2 s and more: in less a fan changes little, and none of ours
    bursts for it where the file itself does not speak."""
    over = plate.beads.feature[beads] == BRIDGES[1]
    number = np.cumsum(np.diff(over, prepend=False))
    seconds = np.bincount(number, plate.beads.length_mm[beads] / plate.moves.f[beads])
    return over & (seconds[number] > 2.0)


@pytest.mark.every(2)
def test_a_samples_motion_lines_stay(sample, sample_path, probe):
    holds = f"{{nozzle: {{add: {probe.step(sample)[2]}}}, fan: {{cap: 10%}}, force: true}}"
    applied = probe.apply(sample, probe.kit(sample, probe.slab(sample), holds))
    output = applied.treated.render()
    assert MOTION.findall(output) == MOTION.findall(sample.render())
    again = applied.treated.plate
    old, new = (np.flatnonzero(p.beads.is_bead) for p in (sample, again))
    assert len(old) == len(new)
    first = sample.beads.layer[old] == int(np.flatnonzero(~sample.layers.raft)[0])
    bridge = (sample.beads.feature[old] == BRIDGES[0]) | long_overhangs(sample, old)
    was, now = fan_of(sample, old), fan_of(again, new)
    same = np.isclose(was, now, equal_nan=True)
    assert np.all(same[bridge])
    if len(sample.layers) > 1:
        assert np.all(same[first])
    told = [len(re.findall(rb"^M10[67]", data, re.M)) for data in (sample.render(), output)]
    assert told[1] <= told[0] + 60
    assert np.nanmax(np.where(np.isnan(was), 0.0, now - was)) <= 1e-9
