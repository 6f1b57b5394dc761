"""Files that leave the heating to a start macro behind an `M104 S0`: real files of two conventions do."""

from __future__ import annotations

import re

import pytest

from gcodetools.toolpath.plate import Plate


@pytest.fixture(scope="module")
def zero_first(demo) -> Plate:
    """The made plate with the line that real files have before their start macro."""
    made, _ = demo("B", macro_start=True)
    data = made.data.replace(b"print_start ", b"M104 S0\nprint_start ", 1)
    assert data != made.data and b"M104 S230" not in data
    return Plate.from_bytes(data, "zero-first.gcode")


def test_a_step_counts_from_the_macros_temperature(zero_first, probe):
    kit = probe.kit(zero_first, "{slab: {z: [1, 2]}}", "{nozzle: {add: -4}, force: true}")
    output = probe.apply(zero_first, kit).treated.render()
    assert [int(s) for s in re.findall(rb"^M104 S(\d+)", output, re.M)][1:3] == [226, 230]


def test_behind_a_hold_the_macros_temperature_comes_back(zero_first, probe):
    kit = probe.kit(zero_first, "{slab: {z: [1, 2]}}", "{nozzle: {set: 224}, force: true}")
    output = probe.apply(zero_first, kit).treated.render()
    assert [int(s) for s in re.findall(rb"^M104 S(\d+)", output, re.M)][1:3] == [224, 230]


def test_a_macro_alone_is_counted_from(demo, probe):
    _, plate = demo("B", macro_start=True)
    kit = probe.kit(plate, "{slab: {z: [1, 2]}}", "{nozzle: {add: -4}, force: true}")
    output = probe.apply(plate, kit).treated.render()
    assert [int(s) for s in re.findall(rb"^M104 S(\d+)", output, re.M)][:2] == [226, 230]
