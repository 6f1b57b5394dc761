"""Telling a machine in time: commands at the places where one may stand, step by step.

Written in order of time by `leads`, which decides what shall hold where.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.hotend import Beads, Trace
from gcodetools.physics.visits import SAME
from gcodetools.records import dataclass

__all__ = ["Base", "Law", "Limits", "Places", "Scribe", "Slots", "Told", "places_of", "steps_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

AIM = 0.5  # share of the tolerance to aim at, since commands stand between moves
CLOCK_S = 1e-6  # times nearer to each other are one
_ROUNDS = 50


@dataclass(frozen=True, slots=True)
class Limits:
    """What may be asked for. low, high : values of ours (what the file itself has stays allowed).
    step : most that one command changes. rest_s : longest rest at one place (`pause`)."""

    low: float
    high: float
    step: float = 10.0
    rest_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Slots:
    """Places where a command may stand. time_s : (s,) ascending. row : (s,) the row it stands before.
    rest : (s,) whether the machine may stand still there; None for nowhere."""

    time_s: F8
    row: I8
    rest: Bool | None = None


@dataclass(frozen=True, slots=True)
class Base:
    """The file's own commands. time_s : (k,) ascending, k >= 1. value : (k,) without NaN; the first also holds
    before its time, settled."""

    time_s: F8
    value: F8

    def at(self, times: F8) -> F8:
        """What the file asks at `times`; at a command the new value."""
        found: F8 = self.value[np.maximum(np.searchsorted(self.time_s, times, side="right") - 1, 0)]
        return found


@dataclass(frozen=True, slots=True)
class Law:
    """One thing that is told and follows.

    reach_s : (before, after, within) -> s. shortest_s : (before, after) -> s, below which a visit is short.
    felt : times -> when what beads get then was made. trace : (times, values, start) -> Trace of what the
    machine has. made : beads -> (3, n) when what they get at begin, middle and end was made, which depends on nothing
    but them and `melt` (mm3, s; see `Hotend`). soak_s : after which standing still makes it felt.
    """

    reach_s: Callable[[float, float, float], float]
    shortest_s: Callable[[float, float], float]
    felt: Callable[[F8], F8]
    trace: Callable[[F8, F8, float], Trace]
    made: Callable[[Beads], F8]
    melt: tuple[float, float]
    soak_s: float
    within: float


@dataclass(frozen=True, slots=True)
class Places:
    """Slots by time. before, after : (s,) nearest slot for use at or before, and at or behind, each; -1 and s
    where there is none. resting : (s,) the nearest at or before where the machine may stand still, or -1."""

    time_s: F8
    before: I8
    after: I8
    resting: I8

    def floors(self, times: F8) -> I8:
        """The last slots for use at or before times, -1 for none."""
        i = np.searchsorted(self.time_s, times + CLOCK_S, side="right") - 1
        return np.where(i >= 0, self.before[np.maximum(i, 0)], -1)

    def ceils(self, times: F8) -> I8:
        """The first slots for use at or behind times, their number for none."""
        i = np.searchsorted(self.time_s, times - CLOCK_S, side="left")
        return self.usable(i)

    def usable(self, slots: I8) -> I8:
        """Each slot, or the next one for use, their number for none."""
        count = len(self.time_s)
        return np.where(slots < count, self.after[np.minimum(slots, count - 1)], count)

    def rests(self, times: F8) -> I8:
        """The last slots for a rest at or before times, -1 for none."""
        i = np.searchsorted(self.time_s, times + CLOCK_S, side="right") - 1
        return np.where(i >= 0, self.resting[np.maximum(i, 0)], -1)


def places_of(slots: Slots, avoid_s: F8, apart_s: float) -> Places:
    """Slots at least `apart_s` from every time of `avoid_s` (ascending).

    Raises
    ------
    ValueError : no slot, times that go back or stand before 0.
    """
    time_s = slots.time_s
    count = len(time_s)
    if count == 0 or np.any(np.diff(time_s) < 0):
        raise ValueError("at least one slot is needed, and their times must ascend")
    if time_s[0] < 0:
        raise ValueError(f"no command can stand at {time_s[0]:g} s, before the file begins")
    free = np.ones(count, bool)
    if len(avoid_s):
        i = np.searchsorted(avoid_s, time_s)
        behind, ahead = avoid_s[np.minimum(i, len(avoid_s) - 1)], avoid_s[np.maximum(i - 1, 0)]
        free = np.minimum(np.abs(time_s - behind), np.abs(time_s - ahead)) >= max(apart_s, CLOCK_S)
    index = np.arange(count)
    after = np.minimum.accumulate(np.where(free, index, count)[::-1])[::-1]
    rest = np.zeros(count, bool) if slots.rest is None else slots.rest & free
    accumulate = np.maximum.accumulate
    return Places(time_s, accumulate(np.where(free, index, -1)), after, accumulate(np.where(rest, index, -1)))


@dataclass(slots=True)
class Told:
    """A command: slot, value, seconds to rest behind it, hold; over : from here on the file's own value stands."""

    slot: int
    value: float
    hold: int
    rest_s: float = 0.0
    over: bool = False


def steps_of(before: float, after: float, step: float) -> list[float]:
    """Values from `before` (not in it) to `after`, none further than `step` from the one before."""
    count = max(math.ceil(abs(after - before) / step - 1e-9), 1)
    sign = math.copysign(step, after - before)
    return [before + sign * (k + 1) for k in range(count - 1)] + [after]


@dataclass(slots=True)
class Scribe:
    """Writes commands in order of time. told : so far; what is told later replaces all that is not before it."""

    law: Law
    base: Base
    before: Trace
    places: Places
    limits: Limits
    told: list[Told] = field(default_factory=list)

    def time(self, slot: int) -> float:
        return float(self.places.time_s[slot])

    def ceil(self, time_s: float) -> int:
        return int(self.places.ceils(np.array(time_s)))

    def floor(self, time_s: float) -> int:
        return int(self.places.floors(np.array(time_s)))

    def file_at(self, slot: int) -> float:
        """What the file asks at a slot."""
        return float(self.base.at(self.places.time_s[slot]))

    def value_at(self, slot: int) -> float:
        """What is in force when something is told at a slot."""
        for told in reversed(self.told):
            if told.slot < slot:
                return self.file_at(slot) if told.over else told.value
        return self.file_at(slot)

    def holds_already(self, slot: int, target: float) -> bool:
        """Whether a command of ours before a slot leaves nothing to tell there; drops what was told behind it."""
        earlier = next((told for told in reversed(self.told) if told.slot < slot), None)
        if earlier is None or earlier.over or abs(earlier.value - target) > SAME:
            return False
        self.drop_from(slot)
        return True

    def drop_from(self, slot: int) -> None:
        while self.told and self.told[-1].slot >= slot:
            self.told.pop()

    def waits(self, before: float, values: list[float]) -> list[float]:
        """Seconds until each value is reached from the one before it."""
        pairs = zip([before, *values[:-1]], values, strict=True)
        return [self.law.reach_s(a, b, AIM * self.law.within) for a, b in pairs]

    def forward(self, hold: int, slot: int, target: float, until: int) -> None:
        """Tell a target from `slot` on, step behind step; steps from slot `until` on are left out."""
        if slot >= len(self.places.time_s) or self.holds_already(slot, target):
            return
        values = steps_of(self.value_at(slot), target, self.limits.step)
        waits = self.waits(self.value_at(slot), values)
        self.drop_from(slot)
        for k, (value, wait) in enumerate(zip(values, waits, strict=True)):
            if slot >= len(self.places.time_s) or (k and slot >= until):
                return
            self.told.append(Told(slot, value, hold))
            slot = max(self.ceil(self.time(slot) + wait), slot + 1)

    def enter(self, hold: int, target: float, need_s: float, first: int, until: int) -> None:
        """Tell a target so early that it is there at `need_s`, but nothing before slot `first`."""
        slot = max(self.floor(need_s), first)
        if slot >= len(self.places.time_s) or self.holds_already(slot, target):
            return
        for _ in range(_ROUNDS):
            now = self.value_at(slot)
            values = steps_of(now, target, self.limits.step)
            waits = self.waits(now, values)
            # The machine may be further off than what it was told last.
            real = float(self.before.at(np.array(self.time(slot))))
            waits[0] = max(waits[0], self.waits(real, values[:1])[0])
            placed = self._backward(need_s, waits)
            if placed[0] >= slot or slot <= first:
                break
            slot = max(placed[0], first)
        if placed[0] < first or self.value_at(placed[0]) != now:
            self.forward(hold, slot, target, until)
            return
        self.drop_from(placed[0])
        self.told += [Told(s, value, hold) for s, value in zip(placed, values, strict=True)]

    def _backward(self, need_s: float, waits: list[float]) -> list[int]:
        slots: list[int] = []
        for wait in reversed(waits):
            slots.append(self.floor(need_s - wait))
            if slots[-1] < 0:
                return [-1]
            need_s = self.time(slots[-1])
        return slots[::-1]

    def pause(self, hold: int, target: float, begin_s: float, felt_s: float, first: int) -> bool:
        """Tell a target and stand still until it is there; False where no place for a rest is left, or the last one
        is so early that it can be led."""
        slot = int(self.places.rests(np.array(begin_s)))
        if slot < first:
            return False
        if self.holds_already(slot, target):
            return True
        now = self.value_at(slot)
        values = steps_of(now, target, self.limits.step)
        waits = self.waits(now, values)
        here = self.time(slot)
        if begin_s - here >= sum(waits) + self.law.soak_s:
            return False  # there is time to lead, and no need to stand still
        # What goes by until the visit counts; plastic of before has to soak.
        waits[-1] -= (felt_s if felt_s >= here else begin_s - self.law.soak_s) - here
        self.drop_from(slot)
        left = self.limits.rest_s
        for value, wait in zip(values, waits, strict=True):
            rest = min(max(wait, 0.0), left)
            self.told.append(Told(slot, value, hold, rest))
            left -= rest
            if rest < wait:
                break
        return True

    def leave(self, hold: int, slot: int) -> None:
        """Give the file's own value back from `slot` on. Where the file speaks itself on the way, it does so."""
        if slot >= len(self.places.time_s):
            return
        self.drop_from(slot)
        if not self.told or self.told[-1].over:
            return
        now, goal = self.value_at(slot), self.file_at(slot)
        values = steps_of(now, goal, self.limits.step)
        for value, wait in zip(values, self.waits(now, values), strict=True):
            if slot >= len(self.places.time_s) or self.file_at(slot) != goal:
                break
            self.told.append(Told(slot, value, hold))
            slot = max(self.ceil(self.time(slot) + wait), slot + 1)
        self.told[-1].over = True
