"""Block, melt and fan against closed forms, and against plain loops in small steps of time."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.documents.profiles import load_machine, names
from gcodetools.physics.hotend import (
    Beads,
    Fan,
    Hotend,
    block_trace,
    core_trace,
    entered,
    entered_at,
    fan_received,
    fan_trace,
    melt_at,
    nozzle_received,
    stations,
)

MODEL = Hotend(up_c_s=1.3, down_c_s=0.5, settle_s=10.0, melt_mm3=20.0, soak_s=math.inf)


def row(*values: float) -> np.ndarray:
    return np.array(values, float)


def march(times, targets, model, until, step=1e-3):
    """The laws of the module as differences: a ramp that stops at its target, a block that lags behind it."""
    up_k = model.down_c_s / (model.at_c - model.room_c)
    core = block = targets[0]
    seen, t, tau = [], times[0], model.settle_s / 3
    while t < until:
        target = [v for s, v in zip(times, targets, strict=True) if s <= t + step / 2][-1]
        if core < target:
            core = min(core + step * (model.up_c_s + up_k * (model.at_c - core)), target)
        elif core > target:
            core = max(core - step * up_k * (core - model.room_c), target)
        block += step * (core - block) / tau
        t += step
        seen.append((t, core, block))
    return np.array(seen).T


@pytest.mark.parametrize(
    ("times", "targets"),
    [
        ((0.0, 1.0), (230.0, 240.0)),
        ((0.0, 1.0), (240.0, 230.0)),
        ((0.0, 1.0, 4.0, 20.0, 31.0), (230.0, 250.0, 235.0, 260.0, 215.0)),
        ((0.0, 0.5), (25.0, 60.0)),
    ],
)
def test_block_equals_a_loop_in_small_steps(times, targets):
    t, core, block = march(times, targets, MODEL, 60.0)
    asked = (row(*times), row(*targets), MODEL)
    assert block_trace(*asked).at(t) == pytest.approx(block, abs=0.01)
    assert core_trace(*asked).at(t) == pytest.approx(core, abs=0.01)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.1, 30), st.floats(150, 290)), min_size=1, max_size=6),
    st.floats(0.5, 4),
    st.floats(0.2, 1.5),
    st.floats(3, 20),
)
def test_any_commands_equal_the_loop(commands, up, down, settle):
    model = Hotend(up, down, settle)
    times = [0.0, *np.cumsum([gap for gap, _ in commands]).tolist()]
    targets = [220.0, *(target for _, target in commands)]
    t, _, block = march(times, targets, model, times[-1] + 10.0, step=5e-3)
    off = np.abs(block_trace(row(*times), row(*targets), model).at(t) - block)
    # A command lies up to half a step off in the loop.
    assert off.max() < 0.1


def test_rates_at_the_reference_are_the_profiles_and_fall_with_heat():
    """House physics: 40 W on 20 J/K with 10 to 12 W of loss near 240 C (SCIENCE 6, common practice): about 2 C/s
    cold, 1.2 to 1.5 near 240 C, 0.5 C/s down."""
    rise = core_trace(row(0.0), row(400.0), MODEL, 239.99)
    fall = core_trace(row(0.0), row(30.0), MODEL, 240.01)
    assert (rise.at(row(0.01)) - 239.99)[0] / 0.01 == pytest.approx(1.3, rel=1e-3)
    assert (240.01 - fall.at(row(0.01)))[0] / 0.01 == pytest.approx(0.5, rel=1e-3)
    cold = core_trace(row(0.0), row(400.0), MODEL, 25.0)
    assert 1.7 < (cold.at(row(1.0)) - 25.0)[0] < 2.1


def test_ten_degrees_take_eight_seconds_up_and_twenty_down_and_settling():
    """SCIENCE 6, common practice: `+10 C needs ~8 s plus 5-15 s settling, -10 C ~20 s plus settling`."""
    assert MODEL.ramp_s(230, 240) == pytest.approx(8, abs=0.6)
    assert MODEL.ramp_s(240, 230) == pytest.approx(20, abs=1)
    for before, after in ((230.0, 240.0), (240.0, 230.0)):
        settling = MODEL.reach_s(before, after, 0.2) - MODEL.ramp_s(before, after)
        assert 5 <= settling <= 15


def test_ramp_time_is_the_closed_form():
    """ln((ceiling - a) / (ceiling - b)) / k for dT/dt = k (ceiling - T)."""
    k = 0.5 / (240 - 25)
    ceiling = 240 + 1.3 / k
    assert MODEL.ramp_s(200, 250) == pytest.approx(math.log((ceiling - 200) / (ceiling - 250)) / k)
    assert MODEL.ramp_s(250, 200) == pytest.approx(math.log((250 - 25) / (200 - 25)) / k)
    assert MODEL.ramp_s(220, 220) == 0
    assert MODEL.ramp_s(220, ceiling + 1) == math.inf
    assert MODEL.ramp_s(220, 20) == math.inf


def test_behind_the_ramp_what_is_missing_falls_by_e_every_third_of_the_settling_time():
    trace = block_trace(row(0, 5), row(230, 240), MODEL)
    end = 5 + MODEL.ramp_s(230, 240)
    missing = 240 - trace.at(row(end, end + 10 / 3, end + 10))
    assert missing[1] / missing[0] == pytest.approx(math.exp(-1))
    assert missing[2] / missing[0] == pytest.approx(math.exp(-3))


@given(st.floats(180, 280), st.floats(180, 280), st.floats(0.1, 2))
def test_reach_says_when_the_block_is_there_and_not_before_the_ramp_ends(before, after, within):
    seconds = MODEL.reach_s(before, after, within)
    trace = block_trace(row(0.0), row(after), MODEL, before)
    assert abs(trace.at(row(seconds))[0] - after) <= within + 1e-6
    if seconds > MODEL.ramp_s(before, after) + 1e-3:
        assert abs(trace.at(row(seconds - 1e-3))[0] - after) > within


@given(
    st.lists(st.floats(150, 290), min_size=2, max_size=8), st.lists(st.floats(0, 40), min_size=7, max_size=7)
)
def test_the_block_never_jumps_and_never_overshoots(targets, gaps):
    times = np.concatenate([[0.0], np.cumsum(gaps)])[: len(targets)]
    trace = block_trace(times, np.array(targets), MODEL)
    at = trace.at(times)
    assert trace.at(times - 1e-7) == pytest.approx(at, abs=1e-5)
    seen = trace.at(np.linspace(0, times[-1] + 100, 500))
    assert seen.min() >= min(targets) - 1e-9
    assert seen.max() <= max(targets) + 1e-9


def test_a_block_that_settles_at_once_is_its_ramp():
    quick = replace(MODEL, settle_s=0.0)
    t = np.linspace(0, 30, 301)
    asked = (row(0, 2), row(230, 250), quick)
    assert block_trace(*asked).at(t) == pytest.approx(core_trace(*asked).at(t), abs=1e-4)


def test_loss_and_settling_of_one_speed_do_not_divide_by_zero():
    model = replace(MODEL, settle_s=3.0 / MODEL.loss)
    t = np.linspace(0, 200, 50)
    near = replace(MODEL, settle_s=3.01 / MODEL.loss)
    asked = row(0, 2), row(100, 250)
    assert block_trace(*asked, model).at(t) == pytest.approx(block_trace(*asked, near).at(t), abs=0.5)


def even(count: int, seconds: float, volume: float, gap: float = 0.0) -> Beads:
    begin = np.arange(count) * (seconds + gap)
    return Beads(begin, begin + seconds, np.full(count, volume))


def test_melt_is_the_block_one_transit_earlier_at_steady_flow():
    """Plug flow: transit = volume of the zone / flow; 20 mm3 at 5 mm3/s are 4 s."""
    beads = even(200, 0.5, 2.5)
    trace = block_trace(row(0, 30), row(230, 240), MODEL)
    melt = melt_at(beads, trace, MODEL)
    late = beads.begin_s > 5
    assert melt[0][late] == pytest.approx(trace.at(beads.begin_s[late] - 4.0), abs=1e-9)
    assert melt[1][late] == pytest.approx(trace.at(beads.begin_s[late] + 0.25 - 4.0), abs=1e-9)
    assert melt[2][late] == pytest.approx(trace.at(beads.begin_s[late] + 0.5 - 4.0), abs=1e-9)


def test_melt_equals_a_queue_of_small_plugs():
    """Uneven flow with waits: plugs enter at the block's temperature and leave when as much has followed."""
    random = np.random.default_rng(3)
    seconds = random.uniform(0.2, 2, 80)
    begin = np.concatenate([[0.0], np.cumsum(seconds + random.choice([0.0, 0.3, 4.0], 80))])[:-1]
    beads = Beads(begin, begin + seconds, random.uniform(0.5, 12, 80))
    trace = block_trace(row(0, 20, 60), row(230, 250, 235), MODEL)
    queue: deque[tuple[float, float]] = deque()
    held, found = 0.0, np.full(80, np.nan)
    for i in range(80):
        parts = 400
        entering = trace.at(begin[i] + seconds[i] * (np.arange(parts) + 0.5) / parts)
        left = (np.nan, 0.0)
        for temperature in entering.tolist():
            volume = beads.volume_mm3[i] / parts
            queue.append((temperature, volume))
            held += volume
            while held - queue[0][1] >= MODEL.melt_mm3:
                left = queue.popleft()
                held -= left[1]
        found[i] = left[0]
    told = melt_at(beads, trace, MODEL)[2]
    through = ~np.isnan(found)
    assert through.sum() > 60
    assert told[through] == pytest.approx(found[through], abs=0.15)


def test_plastic_that_stands_takes_the_temperature_of_the_block():
    """Soaking: 4.3 s, three times the slowest time constant of a cylinder of 1.75 mm, r^2 / (5.783 a) with
    a = k / (rho c) of PETG (0.2 W/mK, 1270 kg/m3, 1700 J/kgK: SCIENCE 2 and 7; 5.783 from memory)."""
    constant = 0.875e-3**2 / (5.783 * 0.2 / (1270 * 1700))
    model = replace(MODEL, soak_s=Hotend(1, 1, 1).soak_s)
    assert model.soak_s == pytest.approx(3 * constant, rel=0.02)
    beads = Beads(row(0, 100), row(10, 110), row(1, 1))
    assert entered_at(beads, row(10.0, 100.0, 110.0), model) == pytest.approx([5.7, 95.7, 105.7])
    assert entered_at(beads, row(50.0), model) == pytest.approx([45.7])


def test_no_melt_zone_gives_the_block_itself():
    model = replace(MODEL, melt_mm3=0.0)
    beads = even(50, 1.0, 3.0, gap=0.5)
    trace = block_trace(row(0, 20), row(230, 245), model)
    got = nozzle_received(beads, trace, model)
    assert got.got == pytest.approx(fan_received(beads, trace).got)
    assert got.first == pytest.approx(trace.at(beads.begin_s))


def test_means_lie_between_least_and_most_and_equal_the_integral():
    beads = even(40, 1.5, 6.0)
    trace = block_trace(row(0, 13), row(230, 250), MODEL)
    got = nozzle_received(beads, trace, MODEL)
    fine = np.linspace(0, 1, 2001)
    t = beads.begin_s[:, None] + 1.5 * fine
    seen = trace.at(t)
    block = ((seen[:, 1:] + seen[:, :-1]) / 2).mean(axis=1)
    assert fan_received(beads, trace).got == pytest.approx(block, abs=0.02)
    assert np.all((got.low <= got.got + 1e-9) & (got.got <= got.high + 1e-9))
    assert got.high.max() > got.low.min() + 15


def test_fan_has_63_percent_after_one_lag_and_98_after_four():
    """1 - exp(-t / lag)."""
    trace = fan_trace(row(0, 10), row(0.0, 1.0), Fan(1.5, 0.5))
    assert trace.at(row(10, 11.5, 16.0)) == pytest.approx([0.0, 1 - math.exp(-1), 1 - math.exp(-4)])
    slowing = fan_trace(row(0, 10), row(0.8, 0.2), Fan(1.5, 0.5))
    assert slowing.at(row(10.5)) == pytest.approx([0.2 + 0.6 * math.exp(-1)])


@given(
    st.lists(st.tuples(st.floats(0.01, 5), st.floats(0, 1)), min_size=1, max_size=6),
    st.floats(0.2, 3),
    st.floats(0.2, 3),
)
@settings(max_examples=25, deadline=None)
def test_fan_equals_the_loop(commands, up, down):
    times = [0.0, *np.cumsum([gap for gap, _ in commands]).tolist()]
    targets = [0.3, *(target for _, target in commands)]
    speed, t, step, seen = 0.3, 0.0, 2e-3, []
    while t < times[-1] + 3:
        target = [v for s, v in zip(times, targets, strict=True) if s <= t + step / 2][-1]
        speed += step * (target - speed) / (up if target > speed else down)
        t += step
        seen.append((t, speed))
    t, speed = np.array(seen).T
    assert fan_trace(row(*times), row(*targets), Fan(up, down)).at(t) == pytest.approx(speed, abs=0.02)


def test_fan_reach_is_the_closed_form():
    fan = Fan(2.0, 1.0)
    assert fan.reach_s(0, 0.5, 0.02) == pytest.approx(2 * math.log(25))
    assert fan.reach_s(0.5, 0, 0.02) == pytest.approx(math.log(25))
    assert fan.reach_s(0.5, 0.51, 0.02) == 0
    beads = Beads(row(10), row(10.001), row(1))
    trace = fan_trace(row(0, 10 - fan.reach_s(0, 0.5, 0.02)), row(0, 0.5), fan)
    assert fan_received(beads, trace).first == pytest.approx([0.48])


@pytest.mark.parametrize("name", names("machines"))
def test_every_machine_has_a_hotend_and_a_fan_and_the_slow_one_is_slower(name):
    heating = load_machine(name).heating
    best, slow, fast = (Hotend.of(heating, pace) for pace in ("best", "slow", "fast"))
    assert best.up_c_s == heating.nozzle_up_c_s.value
    assert slow.reach_s(220, 230, 1) > best.reach_s(220, 230, 1) > fast.reach_s(220, 230, 1)
    assert slow.reach_s(230, 220, 1) > best.reach_s(230, 220, 1) > fast.reach_s(230, 220, 1)
    assert Fan.of(heating, "slow").lag_s >= Fan.of(heating).lag_s >= Fan.of(heating, "fast").lag_s > 0


def test_what_is_no_hotend_no_beads_or_no_commands_is_refused():
    with pytest.raises(ValueError, match="rates above 0"):
        Hotend(0, 1, 1)
    with pytest.raises(ValueError, match="at least 0"):
        Hotend(1, 1, -1)
    with pytest.raises(ValueError, match="lag of a fan"):
        Fan(-1, 1)
    with pytest.raises(ValueError, match="follow one another"):
        Beads(row(0, 1), row(2, 3), row(1, 1))
    with pytest.raises(ValueError, match="as many"):
        Beads(row(0, 1), row(2), row(1, 1))
    with pytest.raises(ValueError, match="at least one"):
        block_trace(row(), row(), MODEL)
    with pytest.raises(ValueError, match="ascend"):
        fan_trace(row(1, 0), row(0, 1), Fan(1, 1))
    with pytest.raises(ValueError, match="unknown"):
        block_trace(row(0), row(math.nan), MODEL)


def test_no_beads_are_no_trouble():
    none = Beads(row(), row(), row())
    got = nozzle_received(none, block_trace(row(0), row(230), MODEL), MODEL)
    assert len(got.got) == 0
    assert entered_at(none, row(3.0), replace(MODEL, soak_s=1.0)) == pytest.approx([2.0])


def test_a_course_is_the_sum_of_its_terms_wherever_it_is_asked():
    """Against the formula piece by piece: on ramps, long behind them, before the first command, and for one time."""
    trace = block_trace(row(0, 40, 60, 2000), row(230, 245, 240, 220), MODEL)
    when = np.concatenate([np.linspace(-10, 120, 261), np.linspace(1990, 90_000, 300)])
    for t in when[::-1].tolist():
        k = max(int(np.searchsorted(trace.start_s, t, side="right")) - 1, 0)
        since = max(t - float(trace.start_s[k]), 0.0)
        terms = [trace.a[k] * math.exp(-trace.p[k] * since), trace.b[k] * math.exp(-trace.q[k] * since)]
        assert float(trace.at(np.array(t))) == pytest.approx(trace.end[k] + sum(terms), rel=1e-12)
    folded = trace.at(when.reshape(3, -1))
    assert folded.shape == (3, len(when) // 3) and np.array_equal(folded.ravel(), trace.at(when))


@pytest.mark.parametrize("melt_mm3", [0.0, 24.0])
def test_what_beads_are_made_of_entered_when_entered_at_says(melt_mm3):
    model = replace(MODEL, melt_mm3=melt_mm3, soak_s=30.0)
    beads = even(60, 1.5, 3.0, gap=0.7)
    times = stations(beads)
    assert np.array_equal(times[0], beads.begin_s) and np.array_equal(times[2], beads.end_s)
    for found, t in zip(entered(beads, model), times, strict=True):
        assert found == pytest.approx(entered_at(beads, t, model), abs=1e-9)
