"""Plans for nozzle and fan: what is told when, what is reached, and what is never done."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from gcodetools.physics.hotend import Beads, Fan, Hotend, block_trace, core_trace
from gcodetools.physics.leads import (
    Base,
    Limits,
    Plan,
    Slots,
    Wanted,
    plan_fan,
    plan_nozzle,
    replayed,
)

MODEL = Hotend(up_c_s=1.3, down_c_s=0.5, settle_s=10.0)
FAN = Fan(1.0, 1.0)
LIMITS = Limits(190.0, 260.0)
BEAD_S = 0.5


@dataclass(frozen=True)
class Print:
    """Beads of half a second at 4 mm3/s, a place for a command before each and one behind the last."""

    beads: Beads
    wanted: Wanted
    base: Base
    slots: Slots

    def nozzle(self, mode="auto", limits=LIMITS, model=MODEL) -> Plan:
        return plan_nozzle(self.beads, self.wanted, self.base, self.slots, model, limits, mode)

    def fan(self, mode="auto", nozzle_s=None) -> Plan:
        return plan_fan(self.beads, self.wanted, self.base, self.slots, FAN, mode=mode, nozzle_s=nozzle_s)


def printed(stretches, own=230.0, start=60.0, base=None) -> Print:
    """A print of stretches (seconds, wanted or None, run); the file has `own`, or the (s, value) of `base`."""
    counts = [round(seconds / BEAD_S) for seconds, *_ in stretches]
    value = np.repeat([math.nan if v is None else v for _, v, *_ in stretches], counts)
    run = np.repeat([s[2] if len(s) > 2 else 0 for s in stretches], counts)
    begin = start + BEAD_S * np.arange(len(value))
    beads = Beads(begin, begin + BEAD_S, np.full(len(begin), 2.0))
    file = Base(np.array([0.0]), np.array([own])) if base is None else Base(*np.array(base, float).T)
    time_s = np.concatenate([np.arange(0, start, 0.5), begin, [begin[-1] + BEAD_S]])
    slots = Slots(time_s, np.arange(len(time_s)) + 100)
    return Print(beads, Wanted(value, file.at(begin), run), file, slots)


def clips(layers=20, wanted=238.0, **more) -> Print:
    """Nine small clips, layer by layer: 1 to 3 s in each, 1 s between."""
    visits = [(1 + (k % 3), wanted) for k in range(9)]
    layer = [part for visit in visits for part in (visit, (1, None))]
    return printed(layer * layers, **more)


def tall(layers=6, wanted=238.0, **more) -> Print:
    """One tall part: 40 s in the region, 60 s outside, layer after layer."""
    return printed([(60, None)] + [(40, wanted), (60, None)] * layers, **more)


def told_times(plan: Plan) -> list[float]:
    return plan.commands.time_s.tolist()


# Holds and visits


def test_nine_small_clips_are_one_hold():
    plan = clips().nozzle()
    assert len(plan.visits) == 9 * 20
    assert len(plan.holds) == 1
    assert plan.commands.value.tolist() == [238.0, 230.0]
    assert not np.any(plan.reached.missed)
    assert plan.seconds == 0


def test_nine_small_clips_are_one_hold_of_the_fan_too():
    plan = clips(wanted=0.25, own=0.5).fan()
    assert len(plan.holds) == 1
    assert plan.commands.value.tolist() == [0.25, 0.5]


def test_a_tall_part_with_long_layers_comes_as_visits():
    plan = tall().nozzle()
    assert len(plan.visits) == len(plan.holds) == 6
    assert plan.commands.value.tolist() == [238.0, 230.0] * 6
    assert not np.any(plan.reached.missed)
    assert plan.reached.low == pytest.approx(238, abs=1)
    # Between two visits the beads are back at the file's temperature.
    between = plan.got.got[plan.visits.first[1:] - 40]
    assert between == pytest.approx(230, abs=1)


def test_a_tall_part_comes_as_visits_of_the_fan_too():
    plan = tall(wanted=0.25, own=0.5).fan()
    assert len(plan.holds) == 6
    assert np.all(np.abs(plan.got.first[plan.visits.first] - 0.25) <= 0.02)


def test_object_after_object_is_one_hold_an_object():
    """Each object has short visits in its layers, a plain half above them, and a run of its own."""
    stretches = []
    for run in range(3):
        stretches += [(2, 238.0, run), (9, None, run)] * 15 + [(200, None, run)]
    plan = printed(stretches).nozzle()
    assert len(plan.visits) == 45
    assert len(plan.holds) == 3
    assert np.bincount(plan.holds.of).tolist() == [15, 15, 15]
    assert plan.commands.value.tolist() == [238.0, 230.0] * 3
    assert not np.any(plan.reached.missed)


def test_a_short_visit_joins_its_run_however_long_the_way_and_follow_does_not():
    stretches = [(60, None)] + [(2, 238.0), (90, None)] * 4
    assert len(printed(stretches).nozzle().holds) == 1
    followed = printed(stretches).nozzle("follow")
    assert len(followed.holds) == 4
    assert not np.any(followed.reached.missed)


def test_hold_joins_what_could_be_followed_but_only_within_a_run():
    assert len(tall().nozzle("hold").holds) == 1
    stretches = [(60, None, 0)] + [(40, 238.0, k) for k in (0, 1)] + [(80, None, 1), (40, 238.0, 2)]
    assert len(printed(stretches).nozzle("hold").holds) == 2


@pytest.mark.parametrize(("gap_s", "holds"), [(5.0, 1), (12.0, 2)])
def test_fan_visits_part_where_four_lags_down_and_up_fit(gap_s, holds):
    stretches = [(20, None), (6, 0.25), (gap_s, None), (6, 0.25), (20, None)]
    assert len(printed(stretches, own=0.5).fan().holds) == holds


@pytest.mark.parametrize(("visit_s", "holds"), [(3.5, 1), (4.5, 2)])
def test_fan_visits_under_four_lags_are_joined_within_a_run(visit_s, holds):
    stretches = [(20, None), (visit_s, 0.25), (30, None), (visit_s, 0.25), (20, None)]
    assert len(printed(stretches, own=0.5).fan().holds) == holds


# Leads


def test_the_command_stands_as_long_before_as_ramp_settling_and_transit_take():
    """24 mm3 at 4 mm3/s are 6 s, but plastic soaks within 4.3 s."""
    plan = printed([(120, None), (40, 238.0), (120, None)]).nozzle()
    expected = 180 - MODEL.soak_s - MODEL.reach_s(230, 238, 0.5)
    assert told_times(plan)[0] == pytest.approx(expected - BEAD_S / 2, abs=BEAD_S / 2 + 1e-9)
    assert plan.reached.first[0] == pytest.approx(237.5, abs=0.2)


def test_rows_of_commands_are_those_of_their_slots():
    p = tall()
    plan = p.nozzle()
    at = np.searchsorted(p.slots.row, plan.commands.row)
    assert p.slots.time_s[at].tolist() == told_times(plan)
    assert plan.holds.first_row.tolist() == plan.commands.row[::2].tolist()
    assert plan.holds.last_row.tolist() == plan.commands.row[1::2].tolist()


def test_a_visit_too_early_says_by_how_much_it_misses():
    plan = printed([(40, 238.0), (60, None)], start=3.0).nozzle()
    assert told_times(plan)[0] == 0.0
    trace = block_trace(np.array([0.0]), np.array([238.0]), MODEL, 230.0)
    assert plan.reached.first[0] == pytest.approx(trace.at(np.array([0.0]))[0], abs=0.5)
    assert plan.reached.missed[0] == pytest.approx(-8, abs=0.5)
    assert plan.reached.low[0] < plan.reached.mean[0] < plan.reached.high[0] <= 238


def test_a_cooler_visit_leads_by_the_slower_way_down():
    plan = printed([(120, None), (40, 222.0), (120, None)]).nozzle()
    assert told_times(plan)[0] == pytest.approx(180 - MODEL.soak_s - MODEL.reach_s(230, 222, 0.5), abs=0.5)
    assert plan.reached.missed[0] == 0


def test_large_changes_go_in_steps_with_waits():
    plan = printed([(200, None), (60, 255.0), (200, None)]).nozzle()
    assert plan.commands.value.tolist() == [240.0, 250.0, 255.0, 245.0, 235.0, 230.0]
    assert not np.any(plan.reached.missed)
    times = np.diff(plan.commands.time_s)
    assert times[0] >= MODEL.reach_s(230, 240, 0.5)
    assert times[1] >= MODEL.reach_s(240, 250, 0.5)
    assert times[3] >= MODEL.reach_s(255, 245, 0.5)
    assert times[4] >= MODEL.reach_s(245, 235, 0.5)


def test_limits_bind_what_is_asked_and_the_miss_is_against_what_was_possible():
    plan = tall(wanted=280.0).nozzle(limits=Limits(190, 245))
    assert plan.commands.value.max() == 245
    assert plan.visits.target.tolist() == [245.0] * len(plan.visits)


def test_what_the_file_itself_exceeds_stays_and_is_not_raised():
    plan = tall(own=250.0, wanted=258.0).nozzle(limits=Limits(190, 245))
    assert len(plan.visits) == len(plan.commands) == 0
    assert plan.got.got == pytest.approx(250)


# The file's own changes


def test_the_files_own_change_inside_a_hold_shifts_the_hold():
    p = printed([(60, None), (200, 0.0), (60, None)], base=[(0, 240), (200, 230)])
    value = np.where(np.isnan(p.wanted.value), np.nan, p.wanted.own + 8)
    plan = replace(p, wanted=replace(p.wanted, value=value)).nozzle()
    assert len(plan.holds) == 1
    assert plan.commands.value.tolist() == [248.0, 238.0, 230.0]
    assert told_times(plan)[1] == 200


def test_beads_between_visits_are_shifted_as_their_neighbours():
    p = printed([(60, None)] + [(2, 0.0), (2, None)] * 40 + [(60, None)], base=[(0, 240), (200, 230)])
    value = np.where(np.isnan(p.wanted.value), np.nan, p.wanted.own + 8)
    plan = replace(p, wanted=replace(p.wanted, value=value)).nozzle()
    assert plan.commands.value.tolist() == [248.0, 238.0, 230.0]


def test_beads_between_visits_keep_to_the_limits_too():
    p = printed(
        [(60, None)] + [(2, 0.0), (4, None)] * 40 + [(60, None)], base=[(0, 230), (173.5, 240), (175.5, 230)]
    )
    value = np.where(np.isnan(p.wanted.value), np.nan, p.wanted.own + 8)
    value[::2] += 1.0  # so that no single value will do
    asked = replace(p, wanted=replace(p.wanted, value=value)).nozzle("follow", Limits(190, 243))
    assert asked.commands.value.max() <= 243
    free = replace(p, wanted=replace(p.wanted, value=value)).nozzle("follow")
    assert free.commands.value.max() > 243


def test_one_set_value_stays_put_whatever_the_file_does_meanwhile():
    p = printed([(60, None)] + [(2, 245.0), (2, None)] * 40 + [(60, None)], base=[(0, 240), (200, 230)])
    plan = p.nozzle()
    assert plan.commands.value.tolist() == [245.0, 235.0, 230.0]
    assert told_times(plan)[1] > 250
    # The file's own command is held back meanwhile.
    assert plan.reached.low[1:] == pytest.approx(245, abs=1)


def test_a_switch_off_behind_the_last_bead_is_left_to_the_file():
    """On the way back, in steps, the file switches off; nothing of ours comes behind that."""
    plan = printed([(60, None), (40, 255.0), (60, None)], base=[(0, 230), (165, 0)]).nozzle()
    assert plan.commands.value.tolist() == [240.0, 250.0, 255.0, 245.0]
    assert told_times(plan)[-1] < 165
    assert plan.got.got[-1] < 229


def test_a_block_that_is_still_warming_up_is_told_earlier():
    """The file asks 240 C from 200 C at 150 s, the ramp of 30 s is hardly over when the lead would begin."""
    p = printed([(135, None), (40, 248.0), (60, None)], base=[(0, 200), (150, 240)])
    plan = p.nozzle()
    assert not np.any(plan.reached.missed)
    by_the_files_word = 195 - MODEL.soak_s - MODEL.reach_s(240, 248, 0.5)
    assert told_times(plan)[0] < by_the_files_word - 1


def test_a_change_too_small_to_take_time_is_told_all_the_same():
    plan = printed([(60, None), (1, 230.4), (60, None)]).nozzle()
    assert plan.commands.value.tolist() == [230.4, 230.0]


def test_a_slow_machine_misses_what_a_plan_for_the_usual_one_reaches():
    p = tall()
    plan = p.nozzle()
    slow = replayed(plan, p.beads, p.base, replace(MODEL, up_c_s=0.8, settle_s=15.0))
    same = replayed(plan, p.beads, p.base, MODEL)
    assert np.array_equal(same.got.got, plan.got.got)
    assert np.all(slow.reached.missed < -1)
    assert slow.commands is plan.commands
    fan = tall(wanted=0.25, own=0.5)
    assert np.all(replayed(fan.fan(), fan.beads, fan.base, Fan(2, 2)).reached.missed > 0.02)


def test_a_replay_with_another_melt_zone_looks_when_plastic_was_made_again():
    p = tall()
    plan = p.nozzle()
    small = replace(MODEL, melt_mm3=MODEL.melt_mm3 / 4)
    other = replayed(plan, p.beads, p.base, small)
    assert not np.array_equal(other.got.got, plan.got.got)
    assert np.array_equal(replayed(other, p.beads, p.base, MODEL).got.got, plan.got.got)


def test_visits_that_disagree_and_are_short_get_what_is_asked_for_longest():
    plan = printed([(60, None)] + [(3, 238.0), (2, 244.0)] * 20 + [(60, None)]).nozzle()
    assert len(plan.holds) == 1
    assert plan.commands.value.tolist() == [238.0, 230.0]
    missed = plan.reached.missed.reshape(-1, 2)
    assert not np.any(missed[:, 0])
    assert missed[1:, 1] == pytest.approx(-6, abs=0.1)


def test_visits_that_disagree_and_are_long_get_each_their_own():
    plan = printed([(60, None), (60, 238.0), (60, 244.0), (60, None)]).nozzle()
    assert plan.commands.value.tolist() == [238.0, 244.0, 234.0, 230.0]
    # Nothing lies between the two to ramp in, and the first keeps what it has to its end.
    assert plan.reached.missed[1] == pytest.approx(-6, abs=0.01)


def test_kept_beads_have_the_files_own_fan_inside_a_hold():
    p = printed([(20, None), (40, 0.25), (20, None)], own=0.5)
    kept = np.zeros(len(p.beads), bool)
    kept[80:90] = True
    plan = replace(p, wanted=replace(p.wanted, kept=kept)).fan()
    assert plan.commands.value.tolist() == [0.25, 0.5, 0.25, 0.5]
    assert told_times(plan)[1] == pytest.approx(p.beads.begin_s[80])
    assert told_times(plan)[2] == pytest.approx(p.beads.end_s[89])


# Pauses


def rests_at(p: Print, every: int) -> Print:
    """Rests are allowed before each `every`th bead."""
    first = int(np.searchsorted(p.slots.time_s, p.beads.begin_s[0]))
    allowed = (np.arange(len(p.slots.time_s)) - first) % every == 0
    return replace(p, slots=replace(p.slots, rest=allowed))


def test_a_pause_stands_at_a_place_for_rests_and_costs_what_the_ramp_takes():
    p = rests_at(printed([(60, None)] + [(40, 238.0), (60, None)] * 3), 10)
    plan = p.nozzle("pause")
    reach = MODEL.reach_s(230, 238, 0.5) + MODEL.soak_s
    assert plan.commands.rest_s[::2] == pytest.approx([reach] * 3)
    assert plan.seconds == pytest.approx(3 * reach)
    assert not np.any(plan.reached.missed)
    # Told right before the first bead: nothing before it is hotter.
    assert plan.got.got[plan.visits.first - 1] == pytest.approx([230, 230, 230], abs=0.6)


def test_steps_of_a_pause_rest_one_by_one_and_no_longer_than_is_allowed():
    p = rests_at(printed([(60, None), (40, 252.0), (60, None)]), 10)
    plan = p.nozzle("pause", limits=Limits(190, 260, rest_s=100))
    assert plan.commands.value[:3].tolist() == [240.0, 250.0, 252.0]
    assert len(set(plan.commands.row[:3].tolist())) == 1
    assert not np.any(plan.reached.missed)
    cut = p.nozzle("pause", limits=Limits(190, 260, rest_s=15))
    assert cut.seconds == pytest.approx(15)
    assert cut.reached.missed[0] < -1


def test_without_a_place_for_rests_a_pause_becomes_a_lead():
    p = tall()
    plan = p.nozzle("pause")
    assert plan.seconds == 0
    assert not np.any(plan.reached.missed[:1])


# Nozzle and fan apart


def test_no_fan_step_stands_nearer_than_its_lag_to_a_nozzle_step():
    p = printed([(60, None), (40, 0.25), (60, None)], own=0.5)
    alone = p.fan()
    nozzle = np.array([alone.commands.time_s[0] + 0.2, alone.commands.time_s[1]])
    plan = p.fan(nozzle_s=nozzle)
    assert plan.commands.value.tolist() == [0.25, 0.5]
    assert np.abs(plan.commands.time_s[:, None] - nozzle).min() >= FAN.lag_s
    assert plan.commands.time_s[0] < alone.commands.time_s[0]
    assert plan.commands.time_s[1] > alone.commands.time_s[1]


# Whatever is asked

stretch = st.tuples(
    st.sampled_from([0.5, 1, 3, 8, 20, 45, 90]),
    st.sampled_from([None, None, -12, -5, 4, 8, 20, 45]),
    st.integers(0, 1),
)
files = st.lists(st.tuples(st.floats(0, 400), st.sampled_from([215, 225, 230, 240])), min_size=0, max_size=3)
modes = st.sampled_from(["auto", "follow", "hold", "pause"])


def drawn(stretches, changes, start) -> Print:
    base = [(0, 230.0), *sorted(changes)]
    p = printed([(s, 0.0 if add is None else add, run) for s, add, run in stretches], start=start, base=base)
    add = p.wanted.value
    value = np.where(add == 0, np.nan, p.wanted.own + add)
    return rests_at(replace(p, wanted=replace(p.wanted, value=value)), 7)


@settings(max_examples=150, deadline=None)
@given(st.lists(stretch, min_size=1, max_size=10), files, st.sampled_from([0.5, 20.0, 120.0]), modes)
def test_commands_stand_at_slots_in_order_within_limits_and_in_small_steps(stretches, changes, start, mode):
    p = drawn(stretches, changes, start)
    plan = p.nozzle(mode)
    told = plan.commands
    at = np.searchsorted(p.slots.row, told.row)
    clock = p.slots.time_s[at]
    assert np.all(clock >= 0) and np.all(np.diff(clock) >= 0) and np.all(np.diff(told.time_s) >= 0)
    assert np.all((told.value >= 190) & (told.value <= 260))
    assert np.all((told.rest_s >= 0) & (told.rest_s <= 30)) and plan.seconds == pytest.approx(
        told.rest_s.sum()
    )
    assert mode == "pause" or plan.seconds == 0
    assert np.all(np.diff(told.hold) >= 0)
    # A step of ours is at most 10 C from what was in force: our own command before, or the file's value.
    for k in range(len(told)):
        free = k == 0 or plan.holds.last_row[told.hold[k - 1]] <= told.row[k - 1]
        now = float(p.base.at(clock[k : k + 1])[0]) if free else float(told.value[k - 1])
        assert abs(told.value[k] - now) <= 10 + 1e-9
    assert np.all(plan.holds.first_row <= plan.holds.last_row)
    assert np.all(plan.holds.last_row[:-1] <= plan.holds.first_row[1:])


passes = st.tuples(
    st.sampled_from([2, 20, 60]), st.sampled_from([-12, -5, 4, 8, 20]), st.sampled_from([4, 60, 200])
)


@settings(max_examples=100, deadline=None)
@given(st.lists(passes, min_size=1, max_size=6), st.sampled_from([0.5, 20.0, 120.0]), modes)
def test_targets_are_reached_where_time_allows(drawn_passes, start, mode):
    """Time allows where nobody asks for anything for as long as the way from the file's own value takes by a
    plain sum: 0.4 C/s down and 1.2 C/s up at the least, two settling times a step, soaking, slots."""
    stretches = [part for on, add, off in drawn_passes for part in ((on, add, 0), (off, None, 0))]
    p = drawn(stretches, [], start)
    plan = p.nozzle(mode)
    step = plan.visits.target - 230.0
    way = np.abs(step) / np.where(step > 0, 1.2, 0.38)
    way += np.ceil(np.abs(step) / 10) * (2 * MODEL.settle_s + 0.5) + MODEL.soak_s + 1.0
    back = np.abs(step) / 0.38 + np.ceil(np.abs(step) / 10) * (2 * MODEL.settle_s + 0.5)
    since = np.concatenate([[0.0], (plan.visits.end_s + back)[:-1]])
    allowed = plan.visits.begin_s - since > way
    _, first = np.unique(plan.holds.of, return_index=True)
    allowed &= np.isin(np.arange(len(allowed)), first)
    # Where visits of a hold disagree, one of them misses, and says so.
    allowed &= np.array([len(set(plan.visits.target[plan.holds.of == h])) == 1 for h in plan.holds.of], bool)
    if mode == "pause":  # what fits into a rest of 30 s
        allowed &= (step <= 8) & (step >= -5)
    event(f"{int(allowed.sum())} visits with time enough")
    assert not np.any(plan.reached.missed[allowed])


@settings(max_examples=60, deadline=None)
@given(st.lists(stretch, min_size=1, max_size=8), st.sampled_from(["auto", "follow", "hold"]))
def test_heater_protection_never_trips(stretches, mode):
    """A watch sums up (target - 5 C - reading) over time and trips at 120 C s (SCIENCE 7.3, verified there);
    the reading is the ramp, here with the profile's rates."""
    p = drawn(stretches, [], 60.0)
    told = p.nozzle(mode).commands
    times, values = np.append(0.0, told.time_s), np.append(230.0, told.value)
    core = core_trace(times, values, MODEL, 230.0)
    t = np.arange(0, p.slots.time_s[-1] + 60, 0.1)
    target = values[np.searchsorted(times, t, side="right") - 1]
    short = np.maximum(target - 5 - core.at(t), 0)
    total, most = 0.0, 0.0
    for amount in (0.1 * short).tolist():
        total = total + amount if amount > 0 else 0.0
        most = max(most, total)
    assert most < 60


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.5, 2, 6, 15, 40]),
            st.sampled_from([None, None, 0.0, 0.2, 0.9]),
            st.integers(0, 1),
        ),
        min_size=1,
        max_size=12,
    ),
    st.lists(st.floats(0, 200), max_size=4),
    st.sampled_from(["auto", "follow", "hold"]),
)
def test_fan_keeps_within_its_range_and_away_from_the_nozzle(stretches, nozzle, mode):
    p = printed(stretches, own=0.5, start=20.0)
    plan = p.fan(mode, np.array(nozzle))
    told = plan.commands
    assert np.all((told.value >= 0) & (told.value <= 1)) and np.all(np.diff(told.time_s) > 0)
    if nozzle and len(told):
        assert np.abs(told.time_s[:, None] - np.array(nozzle)).min() >= FAN.lag_s - 1e-9
    assert plan.got.low.min() >= -1e-9 and plan.got.high.max() <= 1 + 1e-9


@given(st.lists(stretch, min_size=1, max_size=8), modes)
@settings(max_examples=60, deadline=None)
def test_means_of_visits_lie_between_least_and_most(stretches, mode):
    plan = drawn(stretches, [], 60.0).nozzle(mode)
    r = plan.reached
    assert np.all(r.low <= r.mean + 1e-6) and np.all(r.mean <= r.high + 1e-6)
    assert np.all(np.where(np.abs(r.first - plan.visits.target) <= 1, r.missed == 0, np.abs(r.missed) > 1))
    for k in range(len(plan.visits)):
        mine = slice(plan.visits.first[k], plan.visits.last[k] + 1)
        assert r.low[k] == plan.got.low[mine].min()
        assert r.mean[k] == pytest.approx(plan.got.got[mine].mean())


def test_nothing_wanted_is_nothing_told():
    plan = printed([(60, None)]).nozzle()
    assert len(plan.commands) == len(plan.holds) == len(plan.visits) == len(plan.reached.low) == 0
    assert plan.got.got == pytest.approx(230)


def test_half_a_million_beads_are_planned_in_seconds():
    """Loops run over commands: most of the time goes into the traces."""
    count = 500_000
    begin = 60 + BEAD_S * np.arange(count)
    beads = Beads(begin, begin + BEAD_S, np.full(count, 2.0))
    value = np.where(np.arange(count) // 4 % 2 == 1, 238.0, np.nan)
    base = Base(np.array([0.0]), np.array([230.0]))
    slots = Slots(begin, np.arange(count))
    plan = plan_nozzle(beads, Wanted(value, np.full(count, 230.0)), base, slots, MODEL, LIMITS)
    assert len(plan.visits) == count // 8
    assert len(plan.holds) == 1


def test_columns_that_do_not_fit_are_refused():
    p = tall()
    with pytest.raises(ValueError, match="one a bead"):
        replace(p, wanted=Wanted(np.zeros(3), np.zeros(3))).nozzle()
    unknown = np.full(len(p.beads), np.nan)
    with pytest.raises(ValueError, match="own value must be known"):
        replace(p, wanted=replace(p.wanted, own=unknown)).nozzle()
    with pytest.raises(ValueError, match="at least one slot"):
        replace(p, slots=Slots(np.empty(0), np.empty(0, int))).nozzle()
    with pytest.raises(ValueError, match="before the file begins"):
        replace(p, slots=Slots(np.array([-1.0]), np.array([0]))).nozzle()
    with pytest.raises(ValueError, match="as many times as values"):
        replace(p, base=Base(np.empty(0), np.empty(0))).nozzle()
