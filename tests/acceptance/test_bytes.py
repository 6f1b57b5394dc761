"""A plate that nothing is asked of comes out as it went in, to the byte."""

from __future__ import annotations

import pytest

from gcodetools.demo import maker

NOTHING = "{speed: {scale: 100%}, flow: {scale: 100%}, accel: {max: 100000}, fan: {cap: 100%}}"


def test_rendering_a_sample_gives_its_bytes(sample, sample_path):
    assert sample.render() == sample_path.read_bytes()


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
@pytest.mark.parametrize("labelled", [True, False])
def test_rendering_the_demo_gives_its_bytes(demo, letter, labelled):
    made, plate = demo(letter, labelled=labelled)
    assert plate.render() == made.data


@pytest.mark.every(1)
def test_a_kit_that_changes_nothing_gives_the_sample(sample, sample_path, probe):
    applied = probe.apply(sample, probe.kit(sample, probe.slab(sample), NOTHING))
    assert applied.placed.poses
    assert applied.treated.render() == sample_path.read_bytes()


@pytest.mark.every(3)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
@pytest.mark.parametrize("treat", [None, NOTHING])
def test_a_kit_that_changes_nothing_gives_the_demo(demo, letter, probe, treat):
    made, plate = demo(letter)
    applied = probe.apply(plate, probe.kit(plate, probe.slab(plate), treat))
    assert applied.placed.poses
    assert applied.treated.render() == made.data
