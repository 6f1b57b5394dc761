"""Commands ahead of time: when a nozzle or fan must be told, so that beads get what is wanted for them.

Wanted values a bead become visits, visits become holds, holds become commands at the places where one may
stand. Every law of time is in `hotend`; the plan is run through it at the end and says what it reached.

Holds. Two visits stay apart if the value can come back to the file's own and rise again between them ("a ramp
that fits"); a visit that is shorter than its own ramp (a fan's: four lags) is joined to its neighbours of the
same run, however long the way between. `follow` joins only where no command fits in between, `hold` joins all of
a run, `pause` joins where no rest is allowed in between.

Inside a hold, beads that nobody asked for get what their neighbours get: the same value where all visits want
one, else the file's own value shifted as theirs is. `kept` beads have the file's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.hotend import (
    Beads,
    Fan,
    Hotend,
    Received,
    Trace,
    block_trace,
    entered,
    entered_at,
    fan_trace,
    received,
    stations,
)
from gcodetools.physics.telling import (
    AIM,
    CLOCK_S,
    Base,
    Law,
    Limits,
    Places,
    Scribe,
    Slots,
    Told,
    places_of,
    steps_of,
)
from gcodetools.physics.visits import SAME, Mode, Visits, Wanted, desired, find_visits, join_short, wish_of
from gcodetools.records import dataclass

__all__ = [
    "FAN_LIMITS",
    "Base",
    "Commands",
    "Holds",
    "Limits",
    "Mode",
    "Plan",
    "Reached",
    "Slots",
    "Visits",
    "Wanted",
    "plan_fan",
    "plan_nozzle",
    "replayed",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

WITHIN_C = 1.0  # what counts as reached
WITHIN_FAN = 0.02  # common practice, no source: about exp(-4), four lags
FAN_LAGS = 4.0
FAN_LIMITS = Limits(0.0, 1.0, step=1.0)


@dataclass(frozen=True, slots=True)
class Holds:
    """Stretches under our commands, in order. first, last : (h,) beads, both in it. of : (v,) hold of each visit.
    first_row, last_row : (h,) from the row of the first command to before the row of the one that gives the
    file's own value back; in between the file's commands of this kind are held back. Holds that touch, since
    the second begins before the first has come back, share no row."""

    first: I8
    last: I8
    of: I8
    first_row: I8
    last_row: I8

    def __len__(self) -> int:
        return len(self.first)


@dataclass(frozen=True, slots=True)
class Commands:
    """What to write. row : (c,) ascending, the row before which it stands; several may stand at one. value : (c,).
    file_s : (c,) when, on the file's clock. time_s : (c,) the same with the rests before it. rest_s : (c,) how
    long to stand still right behind it. hold : (c,). over : (c,) from here on the file's own value stands."""

    row: I8
    value: F8
    file_s: F8
    time_s: F8
    rest_s: F8
    hold: I8
    over: Bool

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True, slots=True)
class Reached:
    """What visits got. low, mean (by volume), high, first (at the very begin) : (v,). missed : (v,) what of
    the target was missing at the begin, signed (reached less target), 0 within the tolerance."""

    low: F8
    mean: F8
    high: F8
    first: F8
    missed: F8


@dataclass(frozen=True, slots=True)
class Plan:
    """A schedule and what comes of it. got, before : each bead with it and as the file was. seconds : of rests. made_s,
    melt : see `Law`, with the rests."""

    visits: Visits
    holds: Holds
    commands: Commands
    reached: Reached
    got: Received
    before: Received
    seconds: float
    made_s: F8
    melt: tuple[float, float]


def plan_nozzle(
    beads: Beads,
    wanted: Wanted,
    base: Base,
    slots: Slots,
    model: Hotend,
    limits: Limits,
    mode: Mode = "auto",
) -> Plan:
    """Plan the nozzle of one tool.

    Commands come so early that the first bead of a visit has its target within 1 C where time allows, in steps
    of at most `limits.step`, each after the one before was reached; they are never before the first slot, never
    beyond the limits or what the file itself has there.

    Raises
    ------
    ValueError : arrays of unlike lengths, unknown values of the file, no slot.
    """
    return _plan(
        beads,
        wanted,
        base,
        slots,
        _nozzle_law(beads, model),
        limits,
        mode,
        places_of(slots, np.empty(0), 0.0),
    )


def plan_fan(
    beads: Beads,
    wanted: Wanted,
    base: Base,
    slots: Slots,
    model: Fan,
    limits: Limits = FAN_LIMITS,
    mode: Mode = "auto",
    nozzle_s: F8 | None = None,
) -> Plan:
    """Plan the part fan, 0 to 1, for all beads it blows at, as `plan_nozzle` does; four lags are its ramp.

    nozzle_s : times of nozzle commands (those of the file and of the plan, on the file's clock): no command of
    the fan stands nearer than its lag to one where there is room; it moves outwards, away from its visit.

    Raises
    ------
    ValueError : as `plan_nozzle`.
    """
    places = places_of(slots, np.empty(0) if nozzle_s is None else np.sort(nozzle_s), model.lag_s)
    return _plan(beads, wanted, base, slots, _fan_law(model), limits, mode, places)


def replayed(plan: Plan, beads: Beads, base: Base, model: Hotend | Fan) -> Plan:
    """The same commands on a machine of another pace (`Hotend.of(heating, "slow")`): how far to trust a plan. Its
    `before` stays that of the usual machine."""
    law = _fan_law(model) if isinstance(model, Fan) else _nozzle_law(beads, model)
    made_s = plan.made_s if law.melt == plan.melt else law.made(_delayed(plan.commands, beads))
    got = received(made_s, _course(plan.commands, base, law))
    return replace(
        plan,
        got=got,
        reached=_reached(beads, plan.visits, got, law.within),
        made_s=made_s,
        melt=law.melt,
    )


def _nozzle_law(beads: Beads, model: Hotend) -> Law:
    return Law(
        model.reach_s,
        lambda before, after: model.reach_s(before, after, WITHIN_C),
        lambda times: entered_at(beads, times, model),
        lambda times, values, start: block_trace(times, values, model, start),
        lambda moved: entered(moved, model),
        (model.melt_mm3, model.soak_s),
        model.soak_s,
        WITHIN_C,
    )


def _fan_law(model: Fan) -> Law:
    return Law(
        model.reach_s,
        lambda before, after: FAN_LAGS * model.lag_s,
        lambda times: times,
        lambda times, values, start: fan_trace(times, values, model, start),
        stations,
        (0.0, 0.0),
        0.0,
        WITHIN_FAN,
    )


def _plan(
    beads: Beads,
    wanted: Wanted,
    base: Base,
    slots: Slots,
    law: Law,
    limits: Limits,
    mode: Mode,
    places: Places,
) -> Plan:
    _check_base(base)
    wish = wish_of(beads, wanted, limits.low, limits.high)
    visits = find_visits(beads, wish, wanted)
    shortest = _pairwise(law.shortest_s, wanted.own[visits.first], visits.target)
    joined = _joined(visits, wish, wanted, law, limits, places, mode, shortest)
    of = np.cumsum(np.concatenate([np.zeros(min(len(visits), 1), bool), ~joined]))
    target = desired(beads, wish, wanted, visits, of, shortest)
    target = np.clip(target, np.minimum(limits.low, wanted.own), np.maximum(limits.high, wanted.own))
    start = float(base.value[0])
    before = law.trace(base.time_s, base.value, start)
    scribe = Scribe(law, base, before, places, limits)
    starts = np.flatnonzero(np.diff(of, prepend=-1))
    first, last = visits.first[starts], visits.last[np.append(starts[1:], len(visits))[: len(starts)] - 1]
    _tell(scribe, beads, wish, wanted, visits, target, first, last, mode)
    holds = Holds(first, last, of, *_hold_rows(scribe.told, slots, len(first)))
    commands = _commands(scribe.told, slots)
    made_s = law.made(beads)
    without = received(made_s, before)
    moved = _delayed(commands, beads)
    made_s = made_s if moved is beads else law.made(moved)
    got = received(made_s, _course(commands, base, law))
    reached = _reached(beads, visits, got, law.within)
    rests_s = float(commands.rest_s.sum())
    return Plan(visits, holds, commands, reached, got, without, rests_s, made_s, law.melt)


def _check_base(base: Base) -> None:
    if len(base.value) == 0 or len(base.value) != len(base.time_s) or np.any(np.isnan(base.value)):
        raise ValueError("the file's own commands must be known, from one on, with as many times as values")


def _pairwise(law: Callable[[float, float], float], before: F8, after: F8) -> F8:
    """A law of two numbers for many pairs, each different pair once."""
    pairs, which = np.unique(before + 1j * after, return_inverse=True)
    found: F8 = np.array([law(pair.real, pair.imag) for pair in pairs.tolist()], np.float64)[which]
    return found


def _joined(
    visits: Visits,
    wish: F8,
    wanted: Wanted,
    law: Law,
    limits: Limits,
    places: Places,
    mode: Mode,
    shortest: F8,
) -> Bool:
    """(v - 1,) whether a visit and the next are under one hold."""

    def ramp_s(before: float, after: float) -> float:
        values = steps_of(before, after, limits.step)
        pairs = zip([before, *values[:-1]], values, strict=True)
        return sum(law.reach_s(a, b, AIM * law.within) for a, b in pairs)

    up = _pairwise(ramp_s, wanted.own[visits.first], visits.target)[1:]
    down = _pairwise(ramp_s, wish[visits.last], wanted.own[visits.last])[:-1]
    free, need = law.felt(visits.end_s)[:-1], law.felt(visits.begin_s)[1:]
    if mode == "pause":
        tight: Bool = places.rests(visits.begin_s[1:]) <= places.ceils(free)
        return tight
    joined: Bool = places.floors(need - up) <= places.ceils(free)
    if mode == "follow":
        return joined
    joined |= need - free < down + up
    if mode == "hold":
        joined |= visits.run[1:] == visits.run[:-1]
        return joined
    return join_short(visits, joined, shortest)


def _tell(
    scribe: Scribe,
    beads: Beads,
    wish: F8,
    wanted: Wanted,
    visits: Visits,
    target: F8,
    first: I8,
    last: I8,
    mode: Mode,
) -> None:
    """Write the commands of all holds [first, last]."""
    places, law = scribe.places, scribe.law
    kept = np.zeros(len(beads), bool) if wanted.kept is None else wanted.kept
    changes = np.flatnonzero(np.abs(np.diff(target)) > SAME) + 1
    change_of = np.searchsorted(changes, np.stack([first + 1, last + 1]))
    ends = places.ceils(law.felt(beads.end_s[last]))
    need = law.felt(beads.begin_s[first])
    if mode == "pause":  # a rest stands right before its visit
        ends = np.maximum(ends, places.ceils(beads.begin_s[first]) + 1)
    ends = places.usable(ends)
    earliest = np.maximum(np.concatenate([[0], ends])[:-1], _behind_kept(beads, kept, places, first))
    earliest = places.usable(earliest)
    leads = np.isin(changes, visits.first) & ~kept[changes - 1]
    felt = law.felt(beads.begin_s[changes])
    asked = np.maximum.accumulate(np.where(np.isnan(wish), -1, np.arange(len(wish))))[changes - 1]
    with_lead = places.ceils(law.felt(beads.end_s[asked]))
    with_lead = np.maximum(with_lead, _behind_kept(beads, kept, places, changes))
    without_lead = places.ceils(beads.end_s[changes - 1])

    def enter(h: int, bead: int, need_s: float, low: int, until: int) -> None:
        value, begin_s = float(target[bead]), float(beads.begin_s[bead])
        if mode != "pause" or not scribe.pause(h, value, begin_s, need_s, low):
            scribe.enter(h, value, need_s, low, until)

    for h, bead in enumerate(first.tolist()):
        until = int(ends[h])
        enter(h, bead, float(need[h]), int(earliest[h]), until)
        for c in range(int(change_of[0, h]), int(change_of[1, h])):
            if leads[c]:
                enter(h, int(changes[c]), float(felt[c]), int(with_lead[c]), until)
            else:
                scribe.forward(h, int(without_lead[c]), float(target[changes[c]]), until)
        scribe.leave(h, until)


def _behind_kept(beads: Beads, kept: Bool, places: Places, first: I8) -> I8:
    """The first slot behind the last kept bead before each hold; what is kept is not led away from either."""
    last = np.maximum.accumulate(np.where(kept, np.arange(len(kept)), -1))[first]
    return np.where(last >= 0, places.ceils(beads.end_s[np.maximum(last, 0)]), 0)


def _hold_rows(told: list[Told], slots: Slots, count: int) -> tuple[I8, I8]:
    """Rows [first, last) of each hold."""
    if count == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    row = slots.row[[t.slot for t in told]].astype(np.int64)
    end = int(slots.row[-1])
    hold = np.array([t.hold for t in told], np.int64)
    first = np.append(row, end)[np.searchsorted(hold, np.arange(count))]
    over = np.array([t.over for t in told], bool)
    behind = np.append(first[1:], end)
    last = behind.copy()
    last[hold[over]] = np.minimum(row[over], behind[hold[over]])
    return first, last


def _commands(told: list[Told], slots: Slots) -> Commands:
    slot = np.array([t.slot for t in told], np.int64)
    rest = np.array([t.rest_s for t in told])
    later = np.cumsum(rest) - rest
    return Commands(
        slots.row[slot].astype(np.int64),
        np.array([t.value for t in told]),
        slots.time_s[slot],
        slots.time_s[slot] + later,
        rest,
        np.array([t.hold for t in told], np.int64),
        np.array([t.over for t in told], bool),
    )


def _course(told: Commands, base: Base, law: Law) -> Trace:
    """What the machine has with the commands, on the clock with rests."""
    later = np.concatenate([[0.0], np.cumsum(told.rest_s)])
    # Between our first command and the one that is over, the file's own are held back.
    since = np.searchsorted(told.file_s, base.time_s + CLOCK_S, side="right")
    stands = np.concatenate([[True], told.over])[since]
    own_s = (base.time_s + later[since])[stands]
    all_s = np.concatenate([own_s, told.time_s])
    order = np.argsort(all_s, kind="stable")
    values = np.concatenate([base.value[stands], told.value])
    return law.trace(all_s[order], values[order], float(base.value[0]))


def _delayed(told: Commands, beads: Beads) -> Beads:
    """Beads on the clock with rests."""
    if not told.rest_s.any():
        return beads
    later = np.concatenate([[0.0], np.cumsum(told.rest_s)])
    late = later[np.searchsorted(told.file_s, beads.begin_s + CLOCK_S, side="right")]
    return Beads(beads.begin_s + late, beads.end_s + late, beads.volume_mm3)


def _reached(beads: Beads, visits: Visits, got: Received, within: float) -> Reached:
    if len(visits) == 0:
        none = np.empty(0)
        return Reached(none, none, none, none, none)
    edges = np.stack([visits.first, visits.last + 1], axis=1).ravel()

    def over(function: np.ufunc, column: F8) -> F8:
        found: F8 = function.reduceat(np.append(column, 0.0), edges)[::2]
        return found

    # A bead without volume counts as a very small one, so that a visit of such beads has a mean.
    weight = beads.volume_mm3 + 1e-12
    mean = over(np.add, weight * got.got) / over(np.add, weight)
    first = got.first[visits.first]
    off = first - visits.target
    missed = np.where(np.abs(off) <= within, 0.0, off)
    return Reached(over(np.minimum, got.low), mean, over(np.maximum, got.high), first, missed)
