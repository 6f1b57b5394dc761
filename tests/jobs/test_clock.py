"""Seconds up to a row, waiting for heat and tools against sums done by hand, energy and its price."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from gcodetools.documents import profiles
from gcodetools.documents.fields import override
from gcodetools.documents.profiles import Quantity
from gcodetools.errors import UsageError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.clock import elapsed_s, standing
from gcodetools.jobs.costs import HEATING, TOOLS
from gcodetools.jobs.inspect import inspect_plate
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate

BODY = b"M83\nG1 Z0.2 F600\nG1 X10 Y0 E1 F600\nG1 X20 E1\nG1 X30 E1\n"


@given(st.lists(st.floats(0, 100), min_size=1, max_size=40), st.data())
def test_seconds_before_rows_are_sums(seconds, data):
    rows = sorted(data.draw(st.lists(st.integers(0, len(seconds)), max_size=10)))
    found = elapsed_s(np.array(seconds), np.array(rows, np.int64))
    assert found == pytest.approx([sum(seconds[:row]) for row in rows], rel=1e-12, abs=1e-12)


def machine(**given):
    """A machine with plain rates: nozzle 2 C/s, settling 10 s, bed 0.5 C/s."""
    plain = profiles.load_machine("desktop-220")
    values = {"nozzle_up_c_s": 2.0, "nozzle_down_c_s": 1.0, "nozzle_settle_s": 10.0, "bed_up_c_s": 0.5}
    heating = structs.replace(
        plain.heating, **{k: Quantity(v, "by hand", "given") for k, v in values.items()}
    )
    return structs.replace(plain, heating=heating, **given)


def waits(text: bytes, kind: str = HEATING, **given):
    plate = Plate.from_bytes(text, "heat.gcode")
    return standing(plate, times(plate).seconds, machine(**given)).of(kind)


def test_heating_one_after_the_other():
    # Bed 20 to 60 at 0.5 C/s: 80 s. Nozzle 20 to 220 at 2 C/s: 100 s, and 10 s to settle.
    assert waits(b"M190 S60\nM109 S220\n" + BODY) == pytest.approx(80 + 110)


def test_heating_both_at_a_time():
    # The nozzle has 80 s, reaches 180 and needs 20 s more, and 10 s to settle.
    assert waits(b"M140 S60\nM104 S220\nM190 S60\nM109 S220\n" + BODY) == pytest.approx(80 + 20 + 10)


def test_what_is_hot_is_not_waited_for():
    assert waits(b"M109 S220\nM109 S220\nM109 S221\n" + BODY) == pytest.approx(110 + 0.5)


def test_r_waits_for_cooling_too_and_s_does_not():
    hot = b"M109 S220\n"
    assert waits(hot + b"M109 S200\n" + BODY) == pytest.approx(110)
    assert waits(hot + b"M109 R200\n" + BODY) == pytest.approx(110 + 20 + 10)


def test_moves_in_between_heat_too():
    """A dwell of 50 s behind M104 brings 100 of the 200 C."""
    assert waits(b"M104 S220\nG4 S50\nM109 S220\n" + BODY) == pytest.approx(50 + 10)


def test_without_a_machine_or_a_wait_nothing_is_told():
    plate = Plate.from_bytes(b"M109 S220\n" + BODY, "heat.gcode")
    assert standing(plate, times(plate).seconds, None).of(HEATING) is None
    assert waits(b"START EXTRUDER=220\n" + BODY) is None


def test_a_change_of_tool_takes_what_the_machine_says():
    two = b"T0\n" + BODY + b"T1\n" + BODY + b"T0\n" + BODY
    assert waits(two, TOOLS) is None
    assert waits(two, TOOLS, tool_change_s=Quantity(12.0, "by hand", "given")) == pytest.approx(24.0)


def energy(text: bytes, *sets: str):
    plate = Plate.from_bytes(text, "heat.gcode")
    return inspect_plate(plate, None, Options((), machine="desktop-220", sets=sets))[0]["costs"]


def test_energy_is_watts_by_hours():
    """Nozzle 18 W, electronics 20 W, bed 60 W at 60 C over a room of 20 C: at 40 C half of it. By hand."""
    text = b"M140 S40\n" + BODY + b"G4 S3600\n" + BODY
    costs = energy(text)
    hours = costs["whole"]["time_s"] / 3600
    assert costs["whole"]["energy_wh"] == pytest.approx((18 + 20 + 30) * hours, rel=1e-9)
    assert "energy_cost" not in costs["whole"]


def test_heating_up_draws_what_it_draws():
    text = b"M140 S60\nM190 S60\n" + BODY
    costs = energy(text)
    heating = costs["features"]["heating"]
    assert heating["energy_wh"] == pytest.approx(260 * heating["time_s"] / 3600, rel=1e-9)


def test_the_price_of_energy_is_set_on_the_command_line():
    costs = energy(b"M140 S40\n" + BODY, "machine.electricity_per_kwh=0.25")
    whole = costs["whole"]
    assert whole["energy_cost"] == pytest.approx(whole["energy_wh"] / 1000 * 0.25)
    assert costs["columns"]["energy_cost"]["source"] == "set on the command line"
    with pytest.raises(UsageError, match="electricity_per_kwh"):
        override(profiles.load_machine("desktop-220"), {"electricity_per_kwh": "-1"})


def test_energy_is_absent_where_nobody_knows():
    bare = energy(BODY)  # no bed named
    assert "energy_wh" not in bare["whole"] and "energy_wh" not in bare["columns"]
    plate = Plate.from_bytes(b"M140 S40\n" + BODY, "heat.gcode")
    assert "energy_wh" not in inspect_plate(plate, None, Options(()))[0]["costs"]["whole"]
    mute = structs.replace(profiles.load_machine("desktop-220"), power=None)
    assert mute.power is None


@pytest.mark.parametrize("name", profiles.names("machines"))
def test_every_machine_says_what_it_draws_with_a_band_and_a_source(name):
    power = profiles.load_machine(name).power
    assert power is not None
    for part in (power.nozzle_w, power.bed_w, power.electronics_w, power.heating_w):
        assert part.spread is not None and part.spread[0] < part.value < part.spread[1]
        assert part.source.startswith("common practice, no source")
    assert power.heating_w.value > power.nozzle_w.value + power.bed_w.value
