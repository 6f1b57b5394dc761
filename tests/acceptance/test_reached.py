"""What nozzle and fan reach, against a machine stepped through the treated text in small steps of time.

The machine knows nothing of the schedule: it reads the treated file's commands and moves, follows them by the laws
that physics/hotend states (SCIENCE.md section 6: common practice for the rates), and says what each bead got.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from shapely import box

from gcodetools.demo.maker import Placement
from gcodetools.demo.shapes import Part, film_clip
from gcodetools.documents.profiles import load_machine
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.sources import Subset
from gcodetools.physics.hotend import MELT_MM3, SOAK_S
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate

STEP_S = 0.04
HEATING = load_machine("desktop-220").heating
AREA_MM2 = np.pi * 1.75**2 / 4
LOW = film_clip(height_mm=8.0)
CLIPS = tuple(Placement(LOW, 40 + 35 * (k % 3), 50 + 45 * (k // 3)) for k in range(9))
SLAB = Part("slab", 2.0, lambda z: box(-20, -40, 20, 40), (-20.0, -40.0))
LONG = tuple(Placement(SLAB, x, 110) for x in (45, 110, 175))


@dataclass
class Machine:
    """What each row of a plate got: `melt` C at its middle, `fan` 0 to 1."""

    melt: np.ndarray
    fan: np.ndarray


def stepped(plate: Plate) -> Machine:
    """A plain loop over time."""
    program, moves = plate.program, plate.program.moves
    seconds = times(plate).seconds
    begin = np.cumsum(seconds) - seconds
    first = int(np.flatnonzero(plate.beads.is_bead)[0])
    asked_c = program.states.nozzle[0].at(moves.line)
    asked_fan = np.nan_to_num(program.states.fan.at(moves.line))
    ticks = np.arange(begin[first], begin[-1] + seconds[-1], STEP_S)
    row = np.searchsorted(begin, ticks, side="right") - 1
    up, down = HEATING.nozzle_up_c_s.value, HEATING.nozzle_down_c_s.value
    loss, room = down / (240.0 - 25.0), 25.0
    tau, lag = HEATING.nozzle_settle_s.value / 3, HEATING.fan_lag_s.value
    core = block = asked_c[first]
    fan = asked_fan[first]
    blocks, fans = np.empty(len(ticks)), np.empty(len(ticks))
    for k, r in enumerate(row):
        target = asked_c[r]
        if core < target:
            core = min(target, core + STEP_S * (up + loss * (240.0 - core)))
        else:
            core = max(target, core - STEP_S * loss * (core - room))
        block += STEP_S / tau * (core - block)
        fan += STEP_S / lag * (asked_fan[r] - fan)
        blocks[k], fans[k] = block, fan
    share = np.clip((ticks - begin[row]) / np.maximum(seconds[row], 1e-9), 0, 1)
    push = np.maximum(moves.e, 0) * AREA_MM2
    pushed = (np.cumsum(push) - push)[row] + share * push[row]
    entered = np.interp(pushed - MELT_MM3, pushed, ticks, left=-np.inf)
    melt = np.interp(np.maximum(entered, ticks - SOAK_S), ticks, blocks)
    middle = begin + seconds / 2
    return Machine(np.interp(middle, ticks, melt), np.interp(middle, ticks, fans))


def treated(probe, plate, within, treat, **more):
    applied = apply_plate(plate, probe.kit(plate, within, treat), Options((), **more))
    return applied, applied.treated.plate


def reached(applied, setting):
    return next(r for r in applied.record["regions"] if r["treatment"] == setting)["reached"]


def in_region(plate: Plate, low: float, high: float, left_of: float | None = None) -> np.ndarray:
    z = plate.moves.z - plate.beads.height / 2
    rows = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer >= 0) & (z > low) & (z < high))
    return rows if left_of is None else rows[plate.moves.x[rows] < left_of]


@pytest.mark.parametrize("letter", ["A", "B", "C"])
def test_nine_small_clips_are_one_hold_and_get_what_is_said(demo, probe, letter):
    _, plate = demo(letter, parts=CLIPS)
    applied, after = treated(probe, plate, "{slab: {z: [3, 4]}}", "{nozzle: {add: 8}, force: true}")
    assert [h.setting for h in applied.treated.draft.holds] == ["nozzle"]
    assert applied.treated.render().count(b"M104 S238") == 1
    machine = stepped(after)
    rows = in_region(after, 3, 4)
    assert np.abs(machine.melt[rows] - 238).max() < 1.2
    said = reached(applied, "nozzle")
    assert said["target"] == [238, 238] and "first_bead_off" not in said
    assert said["min"]["best"] == pytest.approx(machine.melt[rows].min(), abs=0.4)
    assert said["min"]["low"] <= said["min"]["best"] <= said["min"]["high"]
    # The bead before the lead has the file's own.
    assert np.all(machine.melt[in_region(after, 0, 2)] < 230.5)


def test_one_of_three_in_long_layers_is_followed_and_gets_what_is_said(demo, probe):
    """A third of a layer of minutes: up before it, down behind it, layer after layer."""
    _, plate = demo("B", parts=LONG)
    one = Subset.parse("*#1")
    applied, after = treated(probe, plate, "{slab: {z: [0.6, 1.4]}}", "{nozzle: {add: 8}}", subset=one)
    holds = applied.treated.draft.holds
    assert len(holds) >= 4
    machine = stepped(after)
    said = reached(applied, "nozzle")
    assert all(hold.regions == ("thing#1/zone",) for hold in holds)
    rows = in_region(after, 0.6, 1.4)
    mine = after.moves.x[rows] < 75
    assert np.abs(machine.melt[rows[mine]] - 238).max() < 1.2
    assert np.percentile(machine.melt[rows[~mine]], 30) < 230.5
    assert said["mean"]["low"] <= said["mean"]["best"] <= said["mean"]["high"] <= 238.01


def test_object_after_object_is_one_hold_an_object(demo, probe):
    _, plate = demo("B", parts=CLIPS[::4], sequential=True)
    applied, after = treated(probe, plate, "{slab: {z: [3, 4]}}", "{nozzle: {add: 8}, force: true}")
    holds = applied.treated.draft.holds
    assert len(holds) == 3
    run = plate.layers.run[plate.beads.layer]
    for k, hold in enumerate(holds):
        beads = np.flatnonzero(plate.beads.is_bead[hold.first : hold.last]) + hold.first
        assert set(run[beads]) == {k} and hold.regions == (f"thing#{k + 1}/zone",)
    machine = stepped(after)
    assert np.abs(machine.melt[in_region(after, 3, 4)] - 238).max() < 1.2


def test_a_region_from_the_first_bead_cannot_be_led_and_says_what_it_misses(demo, probe):
    _, plate = demo("B", parts=CLIPS[:1])
    weak = ("machine.heating.nozzle_up_c_s=0.1",)
    hot = "{nozzle: {add: 8}, force: true}"
    applied, _ = treated(probe, plate, "{slab: {z: [0, 2]}}", hot, machine="desktop-220", sets=weak)
    assert -8 <= reached(applied, "nozzle")["first_bead_off"] < -5
    (done,) = applied.done
    assert "under that: no command can stand earlier" in done.why
    applied, after = treated(probe, plate, "{slab: {z: [0, 2]}}", hot)
    said, machine, rows = reached(applied, "nozzle"), stepped(after), in_region(after, 0, 2)
    assert said["min"]["best"] == pytest.approx(machine.melt[rows].min(), abs=0.5)
    mean = np.average(machine.melt[rows], weights=after.moves.e[rows])
    assert said["mean"]["best"] == pytest.approx(mean, abs=0.5)


def test_a_pause_waits_until_it_is_there_and_says_how_long(demo, probe):
    _, plate = demo("B", parts=CLIPS)
    plain, _ = treated(probe, plate, "{slab: {z: [3, 4]}}", "{nozzle: {add: 8}, force: true}")
    applied, after = treated(
        probe, plate, "{slab: {z: [3, 4]}}", "{nozzle: {add: 8, mode: pause}, force: true}"
    )
    assert b"G4" in applied.treated.render() and b"G4" not in plain.treated.render()
    rest_s = applied.record["added"]["rest_s"]
    assert 10 < rest_s <= 30
    (done,) = {d.done for d in applied.done}
    assert f"after 1 pause of {rest_s:.0f} s in all" in done
    machine = stepped(after)
    assert np.abs(machine.melt[in_region(after, 3, 4)] - 238).max() < 1.2
    # Nothing before the pause is led.
    assert np.all(machine.melt[in_region(after, 0, 2.9)] < 230.5)


def test_a_pause_over_two_steps_is_one_rest_as_long_as_both(demo, probe):
    _, plate = demo("B", parts=CLIPS)
    hot = "{nozzle: {add: 15, mode: pause}, force: true}"
    applied, after = treated(probe, plate, "{slab: {z: [3, 4]}}", hot, machine="desktop-250")
    (done,) = {d.done for d in applied.done}
    rest_s = applied.record["added"]["rest_s"]
    assert 14 < rest_s <= 30 and f"after 1 pause of {rest_s:.0f} s in all" in done
    assert np.abs(stepped(after).melt[in_region(after, 3, 4)] - 245).max() < 1.5


def test_the_fan_leads_and_what_is_spilt_is_said_with_degrees(demo, probe):
    _, plate = demo("B", parts=CLIPS)
    within = "{wedge: {centre: [0, 0], radius: [7, 12], angle: [40, 90], z: [2, 6]}}"
    applied, after = treated(probe, plate, within, "{nozzle: {add: 8}, fan: {cap: 10%}, force: true}")
    before, now = stepped(plate), stepped(after)
    beads = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer >= 0))
    assert len(beads) == np.count_nonzero(after.beads.is_bead & (after.beads.layer >= 0))
    other = np.flatnonzero(after.beads.is_bead & (after.beads.layer >= 0))
    change = now.melt[other] - before.melt[beads]
    changed_mm = plate.beads.length_mm[beads][np.abs(change) >= 0.5].sum()
    share = changed_mm / plate.beads.length_mm[beads].sum()
    spill = [item for item in applied.record["spill"] if item["setting"] == "nozzle"]
    assert spill[0]["share_of_plate"] == pytest.approx(share, abs=0.02)
    assert {item["instance"] for item in spill} == set(range(1, 10))
    assert all(7 < item["mean"] <= 8.01 and item["most"] <= 8.01 for item in spill)
    bands = [band for item in spill for band in item["bands"]]
    assert bands and all(1.5 < band["z_mm"][0] < 2.5 and 5.5 < band["z_mm"][1] < 7 for band in bands)


def test_no_fan_command_stands_at_a_nozzle_step(demo, probe):
    """SCIENCE.md section 7, caution 3: both at once can trip the watch of a heater."""
    _, plate = demo("B", parts=CLIPS)
    both = "{nozzle: {add: 15}, fan: {cap: 10%}, force: true}"
    applied, after = treated(probe, plate, "{slab: {z: [3, 4]}}", both, machine="desktop-250")
    begin = np.concatenate([[0.0], np.cumsum(times(after).seconds)])
    states = after.program.states
    at = {}
    for name, track in (("nozzle", states.nozzle[0]), ("fan", states.fan)):
        row = np.searchsorted(after.moves.line, track.line)
        at[name] = begin[np.minimum(row, len(after.moves))]
        if name == "nozzle":
            ours = (row > 0) & (track.value > 0)
            steps = np.diff(np.append(230.0, track.value[ours]))
            assert len(steps) == 4 and np.abs(steps).max() <= 10
    assert {hold.setting for hold in applied.treated.draft.holds} == {"nozzle", "fan"}
    first = begin[np.flatnonzero(after.beads.is_bead)[0]]
    gap = np.abs(at["nozzle"][:, None] - at["fan"][None, :])[at["nozzle"] > first]
    assert gap.min() >= 0.8  # planned on the times before, which differ a little
