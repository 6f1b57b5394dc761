"""The schedule in the draft: which rows stand under which command. What comes of it: acceptance/test_reached.py."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.documents.profiles import load_material
from gcodetools.kit.settings import Fan, Nozzle, Rest, Treatment
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.reached import Reach, Schedule

LAYERS, LOOPS, SIDE = 12, 10, 40.0


def loops(x: float, y: float) -> list[str]:
    """Squares one in another, about 30 s at 50 mm/s, each behind a travel."""
    text, e = [], 0.033
    for k in range(LOOPS):
        a, b = x + k, x + SIDE - k
        c, d = y + k, y + SIDE - k
        text.append(f"G1 X{a} Y{c} F9000")
        for px, py in ((b, c), (b, d), (a, d), (a, c)):
            text.append(f"G1 X{px} Y{py} E{e * (SIDE - 2 * k):.5f} F3000")
    return text


def two_tools() -> Plate:
    """Each layer first with tool 0, then beside it with tool 1, which has a temperature of its own."""
    text = [
        ";TYPE:Custom", "M82", "G21", "G90", "M83", "M104 T1 S220", "M109 T0 S230", "T0", "M106 S102",
    ]  # fmt: skip
    for layer in range(LAYERS):
        text += [
            ";LAYER_CHANGE",
            f";Z:{0.2 * (layer + 1):g}",
            ";HEIGHT:0.2",
            f"G1 Z{0.2 * (layer + 1):g} F720",
        ]
        for tool, x in ((0, 20.0), (1, 110.0)):
            text += [f"T{tool}", ";TYPE:External perimeter", *loops(x, 50.0)]
    text += ["M104 T0 S0", "M104 T1 S0", "M107"]
    return Plate.from_bytes(("\n".join(text) + "\n").encode(), "two.gcode")


@pytest.fixture
def two(case):
    one = case()
    one.plate, one.material = two_tools(), load_material("petg")
    return one


def nozzle_at(plate: Plate, tool: int, rows: np.ndarray) -> np.ndarray:
    return plate.program.states.nozzle[tool].at(plate.moves.line[rows])


def test_each_tool_has_a_hold_of_its_own(two):
    work = two.work(Treatment(nozzle=Nozzle(add_c=8.0), force=True), layers=(4, 8), instance=2)
    treated, done = two.run(work)
    plate = treated.plate
    beads = np.flatnonzero(plate.beads.feature != 0)
    tool, layer = plate.moves.tool[beads], plate.beads.layer[beads]
    # The beads of the region are tool 1's, which was 220; tool 0 never changes.
    assert set(nozzle_at(plate, 0, beads)) == {230.0}
    mine = beads[(tool == 1) & (layer >= 4) & (layer <= 8)]
    assert np.mean(nozzle_at(plate, 1, mine) == 228.0) > 0.9
    assert set(nozzle_at(plate, 1, beads)) == {220.0, 228.0}
    # Told while the tool itself is in use, before the other prints its part of the region's first layer.
    output = treated.output
    assert output.index(b"M104 T1 S228") < output.index(b"T0", output.index(b";Z:1\n"))
    assert treated.output.count(b"M104 T1 S228") >= 1 and b"M104 S228" not in treated.output
    (answer,) = [d for d in done if d.setting == "nozzle"]
    assert answer.done.startswith("228 C over plate layers 5-9")


def test_layers_that_have_what_is_asked_for_already_are_not_reached_by_the_schedule(two):
    data = two.plate.render()
    at = data.index(b";LAYER_CHANGE\n;Z:1.4")  # layer index 6
    two.plate = Plate.from_bytes(data[:at] + b"M104 T1 S212\n" + data[at:], "two.gcode")
    setting = Treatment(nozzle=Nozzle(set_c=220.0), force=True)
    _, done = two.run(
        two.work(setting, layers=(2, 4), instance=2), two.work(setting, layers=(4, 8), instance=2, region="b")
    )
    first, second = [d for d in done if d.setting == "nozzle"]
    assert (first.done, first.why) == ("nothing", "the file's own is there already")
    assert second.done.startswith("220 C over plate layers 7-9, reached")


def test_a_file_s_own_change_shifts_the_hold_with_it(two):
    data = two.plate.render()
    at = data.index(b";LAYER_CHANGE\n;Z:1.4")  # layer index 6
    two.plate = Plate.from_bytes(data[:at] + b"M104 T1 S225\n" + data[at:], "two.gcode")
    work = two.work(Treatment(nozzle=Nozzle(add_c=8.0), force=True), layers=(4, 8), instance=2)
    treated, _ = two.run(work)
    plate = treated.plate
    beads = np.flatnonzero((plate.beads.feature != 0) & (plate.moves.tool == 1))
    layer = plate.beads.layer[beads]
    told = nozzle_at(plate, 1, beads)
    # Half a layer is told ahead at most.
    assert np.median(told[layer == 4]) == 228.0 and np.median(told[layer == 7]) == 233.0
    assert told[-1] == 225.0 and told.max() == 233.0


def test_a_fan_is_one_whatever_tool_prints(two):
    work = two.work(Treatment(fan=Fan(cap=0.1), force=True), layers=(4, 8), instance=2)
    treated, _ = two.run(work)
    plate = treated.plate
    beads = np.flatnonzero(plate.beads.feature != 0)
    fan = plate.program.states.fan.at(plate.moves.line[beads])
    layer, tool = plate.beads.layer[beads], plate.moves.tool[beads]
    mine = (layer >= 4) & (layer <= 8) & (tool == 1)
    assert np.all(np.abs(fan[mine] - 0.1) < 2e-3)
    others = (layer < 4) | (layer > 8) | (tool == 0)
    assert np.mean(np.abs(fan[others] - 0.4) < 2e-3) > 0.9


def long_passes() -> Plate:
    """Layers of 100 s in one go, without a travel or a retraction."""
    text = [";TYPE:Custom", "M83", "G21", "G90", "M104 S230", "M109 S230", "G1 X20 Y20 F9000"]
    for layer in range(6):
        z = 0.2 * (layer + 1)
        text += [";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2", f"G1 Z{z:g} F720", ";TYPE:External perimeter"]
        for k in range(50):
            side = 100 if k % 2 == 0 else 20
            text += [f"G1 X{side} Y{20 + k} E2.6 F3000", f"G1 X{side} Y{21 + k} E0.033"]
    return Plate.from_bytes(("\n".join([*text, "M104 S0"]) + "\n").encode(), "long.gcode")


def test_a_pause_without_a_place_is_told_ahead_and_says_so(case):
    one = case()
    one.plate = long_passes()
    setting = Nozzle(add_c=8.0, mode="pause")
    treated, done = one.run(one.work(Treatment(nozzle=setting, force=True), layers=(3, 3)))
    assert b"G4" not in treated.output and treated.draft.rests == []
    (answer,) = done
    assert "no pause: the file does not retract and lift" in answer.why and "pause of" not in answer.done
    plate = treated.plate
    beads = np.flatnonzero((plate.beads.feature != 0) & (plate.beads.layer == 3))
    assert np.all(nozzle_at(plate, 0, beads)[:90] == 238.0)


def test_a_rest_that_cannot_stand_lifts_nothing(case):
    one = case()
    one.plate = long_passes()
    treatment = Treatment(fan=Fan(cap=0.1), nozzle=Nozzle(add_c=8.0), rest=Rest(6.0))
    data = one.plate.render().replace(b"M83\n", b"M83\nM106 S102\n")
    one.plate = Plate.from_bytes(data, "long.gcode")
    treated, done = one.run(one.work(treatment, layers=(3, 4)), layer_s=6.0)
    assert treated.output == data
    assert all("held back on 2 of 2 layers" in d.why for d in done if d.setting in ("fan", "nozzle"))


@pytest.mark.parametrize("layer_s", [[12, 6, 12, 6, 6], [6, 6, 12, 6, 6]])
def test_a_nozzle_does_not_go_up_for_a_layer_between_fast_ones_and_a_fan_does(case, layer_s):
    one = case()
    seconds = np.full(len(one.plate.layers), 60.0)
    seconds[4:9] = layer_s
    treatment = Treatment(nozzle=Nozzle(add_c=8.0), fan=Fan(cap=0.2))
    treated, done = one.run(one.work(treatment), layer_s=seconds)
    nozzle, fan = (next(d for d in done if d.setting == name) for name in ("nozzle", "fan"))
    assert nozzle.done == "nothing" and "held back on 5 of 5 layers" in nozzle.why
    assert fan.done.startswith("20% over") and b"M104 S238" not in treated.output
    fast = np.isin(one.plate.beads.layer, 4 + np.flatnonzero(np.array(layer_s) < 10))
    column = treated.draft.fan[fast & (one.plate.beads.feature != 0)]
    assert np.all(np.isnan(column))


def test_in_a_long_pass_without_travel_a_command_stands_between_two_beads(case):
    one = case()
    one.plate = long_passes()
    treated, _ = one.run(one.work(Treatment(nozzle=Nozzle(add_c=8.0), force=True), layers=(3, 3)))
    plate = treated.plate
    beads = np.flatnonzero(plate.beads.feature != 0)
    told, layer = nozzle_at(plate, 0, beads), plate.beads.layer[beads]
    assert np.all(told[layer == 3][:90] == 238.0)
    # Between a tenth and a third of the layer before.
    assert 0.05 < np.mean(told[layer == 2] == 238.0) < 0.35


def test_follow_visits_each_layer_and_hold_does_not(two):
    for mode, count in (("follow", 5), ("hold", 1)):
        setting = Fan(cap=0.1, mode=mode)
        treated, _ = two.run(two.work(Treatment(fan=setting, force=True), layers=(4, 8), instance=2))
        assert len(treated.draft.holds) == count
        assert treated.output.count(b"M106 S25.5") + treated.output.count(b"M106 S26") == count


def test_nothing_is_told_where_the_file_s_own_is_not_known_yet(two):
    """A start macro heats; the file itself speaks first at the fourth layer."""
    data = two.plate.render().replace(b"M104 T1 S220\nM109 T0 S230\n", b"")
    at = data.index(b";LAYER_CHANGE\n;Z:0.8")
    two.plate = Plate.from_bytes(data[:at] + b"M104 T1 S220\n" + data[at:], "late.gcode")
    work = two.work(Treatment(nozzle=Nozzle(add_c=8.0), force=True), layers=(4, 8), instance=2)
    treated, (done,) = two.run(work)
    assert done.done.startswith("228 C over plate layers 5-9")
    output = treated.output
    assert output.index(b"M104 T1 S228") > output.index(b"M104 T1 S220") and b"M104 T0" not in output[:-40]


def test_what_a_part_got_is_added_up_once_for_all_its_instances(monkeypatch):
    def reach(number, low, high):
        got = ((low, low + 1, low + 2), (low + 3, low + 4, low + 5), (high, high + 1, high + 2))
        return Reach("clip", number, "lips", "nozzle", "hold", 0, low, high, got, low - high, [(0, number)])

    asked, of_all = [], Schedule._of_all
    monkeypatch.setattr(Schedule, "_of_all", lambda self, mine: asked.append(len(mine)) or of_all(self, mine))
    schedule = Schedule()
    schedule.add([reach(k + 1, 200.0 + k, 210.0 + k) for k in range(5)])
    for _ in range(5):
        whole = schedule.whole("nozzle", 0, "clip", "lips")
    assert (whole.low, whole.high, whole.reached_low, whole.reached_high) == (200.0, 214.0, 201.0, 215.0)
    assert whole.reached[1] == (205.0, 206.0, 207.0)  # the mean of 203 to 207, and so on
    assert asked == [5]
    schedule.add([reach(6, 190.0, 230.0)])  # what comes later counts
    assert schedule.whole("nozzle", 0, "clip", "lips").low == 190.0 and asked == [5, 6]
    assert schedule.whole("nozzle", 0, "clip", "gate") is None
    assert schedule.first("nozzle", "clip#3/lips") is schedule.reaches[2]
    assert schedule.first("fan", "clip#3/lips") is None
