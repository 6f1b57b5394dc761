"""From commands to what each bead got: the block's temperature, the melt that leaves it, and the fan.

All laws are closed forms between commands, so a plate is evaluated at once; loops run over commands only.

Block. Full power and loss through the surface give a rate that falls as the block gets hotter:
dT/dt = up + k (at - T) on the way up and -k (T - room) on the way down, k = down / (at - room), with the
profile's rates `up` and `down` at the temperature `at`. So the ramp is an exponential towards a ceiling
at + up / k, or towards the room. What the ramp asks, the block follows with a first-order lag of settle / 3:
`settle_s` behind the end of the ramp 95 % of what was missing then is made up.

Melt. What leaves the nozzle had the block's temperature where it entered the melt zone, one volume of the zone
earlier, but at most `soak_s` ago: plastic that stands still takes the block's temperature.

Fan. First order: speed moves towards its target by 1 - exp(-t / lag).

Left out: the load of the flow on the block, the part fan on a bare block (the profile's spread of `down` covers
it), and the commands that wait in the machine's queue (a second or so).
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Heating, Quantity
from gcodetools.records import dataclass

__all__ = [
    "Beads",
    "Fan",
    "Hotend",
    "Pace",
    "Received",
    "Trace",
    "block_trace",
    "core_trace",
    "entered",
    "entered_at",
    "fan_received",
    "fan_trace",
    "melt_at",
    "nozzle_received",
    "received",
    "stations",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Pace = Literal["best", "slow", "fast"]

AT_C = 240.0  # where the profiles' rates of nozzles hold
ROOM_C = 25.0  # assumption
# Assumption, no source: 10 mm of hot length, filament of 1.75 mm (2.405 mm2).
MELT_MM3 = 24.0
# Derived: the slowest part of a cylinder's warming falls by exp(-5.783 a t / r^2) (first zero of J0, squared;
# handbook, from memory); three of these times, r 0.875 mm, a = 0.2 / (1270 * 1700) m2/s (PETG), are 4.3 s.
SOAK_S = 4.3
_LEAST_TAU_S = 1e-6  # a lag of 0, without dividing by it
_APART = 1e-5
_OVER = 746.0  # exp of less than -_OVER is 0


@dataclass(frozen=True, slots=True)
class Hotend:
    """How a block and its melt follow commands.

    up_c_s, down_c_s : C/s at `at_c`, both above 0. settle_s : see the module. melt_mm3 : volume of the melt
    zone. soak_s : after which plastic has the block's temperature however little flows; inf for plug flow alone.
    """

    up_c_s: float
    down_c_s: float
    settle_s: float
    melt_mm3: float = MELT_MM3
    soak_s: float = SOAK_S
    at_c: float = AT_C
    room_c: float = ROOM_C

    def __post_init__(self) -> None:
        if not (self.up_c_s > 0 and self.down_c_s > 0 and self.at_c > self.room_c):
            raise ValueError("a hotend needs rates above 0 and a reference above the room")
        if self.settle_s < 0 or self.melt_mm3 < 0 or self.soak_s < 0:
            raise ValueError("settling, melt zone and soak are at least 0")

    @classmethod
    def of(cls, heating: Heating, pace: Pace = "best", melt_mm3: float = MELT_MM3) -> Hotend:
        """The hotend of a machine profile; `slow` and `fast` take the ends of its spreads."""
        return cls(
            _pick(heating.nozzle_up_c_s, pace, fast_is_high=True),
            _pick(heating.nozzle_down_c_s, pace, fast_is_high=True),
            _pick(heating.nozzle_settle_s, pace, fast_is_high=False),
            melt_mm3,
        )

    @property
    def loss(self) -> float:
        """Rate k of the exponential, 1/s."""
        return self.down_c_s / (self.at_c - self.room_c)

    @property
    def ceiling_c(self) -> float:
        """Where full power would end."""
        return self.at_c + self.up_c_s / self.loss

    @property
    def tau_s(self) -> float:
        """Time constant of the settling; a hair off 1 / k, where the closed form would divide by 0."""
        tau = max(self.settle_s / 3.0, _LEAST_TAU_S)
        return tau if abs(1.0 - self.loss * tau) > _APART else (1.0 + 2.0 * _APART) / self.loss

    def ramp_s(self, before: float, after: float) -> float:
        """Seconds of the ramp: ln((ceiling - before) / (ceiling - after)) / k upwards, with the room in the
        ceiling's place downwards; inf for what is never reached."""
        end = self.ceiling_c if after > before else self.room_c
        if before == after:
            return 0.0
        if (end - after) * (end - before) <= 0:
            return math.inf
        return math.log((end - before) / (end - after)) / self.loss

    def reach_s(self, before: float, after: float, within: float) -> float:
        """Seconds from a command until a settled block is within `within` C of its target; inf for never.

        The ramp, and behind it tau ln(missing / within), where what is missing is `_behind`.
        """
        if abs(after - before) <= within:
            return 0.0
        ramp = self.ramp_s(before, after)
        if math.isinf(ramp):
            return ramp
        end = self.ceiling_c if after > before else self.room_c
        missing = abs(after - _behind(self, before, before, end, ramp))
        return ramp + max(self.tau_s * math.log(max(missing / within, 1.0)), 0.0)


@dataclass(frozen=True, slots=True)
class Fan:
    """How a part fan follows commands: time constants on the way up and down, s. The profiles' `fan_lag_s`
    is taken as both."""

    up_s: float
    down_s: float

    def __post_init__(self) -> None:
        if self.up_s < 0 or self.down_s < 0:
            raise ValueError("the lag of a fan is at least 0")

    @classmethod
    def of(cls, heating: Heating, pace: Pace = "best") -> Fan:
        """The fan of a machine profile."""
        lag = _pick(heating.fan_lag_s, pace, fast_is_high=False)
        return cls(lag, lag)

    @property
    def lag_s(self) -> float:
        """The longer of the two."""
        return max(self.up_s, self.down_s)

    def reach_s(self, before: float, after: float, within: float) -> float:
        """Seconds until the fan is within `within` of its target: lag ln(|after - before| / within)."""
        step = abs(after - before)
        return (self.up_s if after > before else self.down_s) * math.log(max(step / within, 1.0))


def _pick(quantity: Quantity, pace: Pace, fast_is_high: bool) -> float:
    if pace == "best" or quantity.spread is None:
        return quantity.value
    return quantity.spread[1] if (pace == "fast") == fast_is_high else quantity.spread[0]


@dataclass(frozen=True, slots=True)
class Trace:
    """A course over time in pieces end + a exp(-p s) + b exp(-q s), s seconds since the start of the piece.

    start_s : (k,) ascending. end, a, p, b, q : (k,). Before the first piece the value at its start holds.
    """

    start_s: F8
    end: F8
    a: F8
    p: F8
    b: F8
    q: F8

    def at(self, times: F8) -> F8:
        """Values at `times`, s, of any shape; at a command the value it starts from."""
        flat = times.ravel()
        piece = np.maximum(np.searchsorted(self.start_s, flat, side="right") - 1, 0)
        since = np.maximum(flat - self.start_s[piece], 0.0)
        value: F8 = self.end[piece]
        for scale, rate in ((self.a, self.p), (self.b, self.q)):
            if scale.any():
                # Most pieces have one term alone, and it is over soon.
                spent = rate[piece] * since
                at = np.flatnonzero((scale[piece] != 0.0) & (spent < _OVER))
                value[at] += scale[piece[at]] * np.exp(-spent[at])
        return value.reshape(times.shape)


def _trace(pieces: list[tuple[float, float, float, float, float, float]]) -> Trace:
    return Trace(*np.array(pieces, np.float64).reshape(-1, 6).T)


def _checked(times: F8, targets: F8) -> tuple[list[float], list[float]]:
    if len(times) != len(targets) or len(times) == 0:
        raise ValueError(f"{len(times)} times for {len(targets)} targets; at least one of each is needed")
    if np.any(np.isnan(targets)) or np.any(np.isnan(times)) or np.any(np.diff(times) < 0):
        raise ValueError("times must ascend, and no time or target may be unknown")
    return times.tolist(), targets.tolist()


def block_trace(times: F8, targets: F8, model: Hotend, start_c: float | None = None) -> Trace:
    """Block temperature after commands.

    Parameters
    ----------
    times : (k,) s, ascending; of commands at one time the last counts. targets : (k,) C.
    start_c : where the block stands, settled, at the first command; None for the first target.

    Returns
    -------
    Trace : on a ramp R = end + a exp(-k s) towards `end` (ceiling or room), and the block T follows with
        T' = (R - T) / tau: T = end + A exp(-k s) + B exp(-s / tau), A = a / (1 - k tau), B what T lacks at s = 0.

    Raises
    ------
    ValueError : no commands, unequal lengths, times that go back, unknown values.
    """
    return _heated(times, targets, model, start_c)[0]


def core_trace(times: F8, targets: F8, model: Hotend, start_c: float | None = None) -> Trace:
    """The ramp R that `block_trace` follows: where a sensor beside the cartridge stands.

    Raises
    ------
    ValueError : as `block_trace`.
    """
    return _heated(times, targets, model, start_c)[1]


def _heated(times: F8, targets: F8, model: Hotend, start_c: float | None) -> tuple[Trace, Trace]:
    when, what = _checked(times, targets)
    core = block = what[0] if start_c is None else start_c
    k, q = model.loss, 1.0 / model.tau_s
    blocks, cores = [], []
    for i, (begin, target) in enumerate(zip(when, what, strict=True)):
        until = when[i + 1] if i + 1 < len(when) else math.inf
        ramp = min(model.ramp_s(core, target), until - begin)
        if ramp > 0:
            end = model.ceiling_c if target > core else model.room_c
            a = (core - end) / (1.0 - k / q)
            blocks.append((begin, end, a, k, block - end - a, q))
            cores.append((begin, end, core - end, k, 0.0, 0.0))
            if math.isinf(ramp):
                break
            block = _behind(model, core, block, end, ramp)
            core = end + (core - end) * math.exp(-k * ramp)
        if begin + ramp < until:
            core = target
            blocks.append((begin + ramp, target, 0.0, 0.0, block - target, q))
            cores.append((begin + ramp, target, 0.0, 0.0, 0.0, 0.0))
            block = target + (block - target) * math.exp(-q * (until - begin - ramp))
    return _trace(blocks), _trace(cores)


def _behind(model: Hotend, core: float, block: float, end: float, seconds: float) -> float:
    """The block `seconds` into a ramp towards `end`."""
    k, q = model.loss, 1.0 / model.tau_s
    a = (core - end) / (1.0 - k / q)
    return end + a * math.exp(-k * seconds) + (block - end - a) * math.exp(-q * seconds)


def fan_trace(times: F8, targets: F8, model: Fan, start: float | None = None) -> Trace:
    """Fan speed after commands, 0 to 1: target + (before - target) exp(-s / lag).

    Parameters are those of `block_trace`.

    Raises
    ------
    ValueError : as `block_trace`.
    """
    when, what = _checked(times, targets)
    speed = what[0] if start is None else start
    pieces = []
    for i, (begin, target) in enumerate(zip(when, what, strict=True)):
        lag = max(model.up_s if target > speed else model.down_s, _LEAST_TAU_S)
        pieces.append((begin, target, 0.0, 0.0, speed - target, 1.0 / lag))
        if i + 1 < len(when):
            speed = target + (speed - target) * math.exp(-(when[i + 1] - begin) / lag)
    return _trace(pieces)


@dataclass(frozen=True, slots=True)
class Beads:
    """Beads of one tool in the order of printing.

    begin_s, end_s : (n,) on one clock; begin ascends and no bead begins before the one before has ended.
    volume_mm3 : (n,) at least 0.
    """

    begin_s: F8
    end_s: F8
    volume_mm3: F8

    def __post_init__(self) -> None:
        if not len(self.begin_s) == len(self.end_s) == len(self.volume_mm3):
            raise ValueError("beads need as many begins as ends and volumes")
        # Of a file that crawls for ages a clock holds no microseconds.
        late = self.begin_s[1:] < self.end_s[:-1] - 1e-6 - 1e-12 * np.abs(self.end_s[:-1])
        if np.any(late) or np.any(self.end_s < self.begin_s - 1e-6):
            raise ValueError("beads must follow one another in time")

    def __len__(self) -> int:
        return len(self.begin_s)

    def pushed_mm3(self) -> F8:
        """(n + 1,) volume before each bead, and all of it."""
        return np.concatenate([[0.0], np.cumsum(self.volume_mm3)])


def entered_at(beads: Beads, times: F8, model: Hotend) -> F8:
    """When what leaves the nozzle at `times` (any order) had the temperature it has.

    Plug flow: the volume pushed at t less that of the melt zone, turned back into a time, at least
    t - soak. Before the first bead nothing flows, and so it soaks.
    """
    if len(beads) == 0:
        return times - model.soak_s
    pushed = beads.pushed_mm3()
    i = np.maximum(np.searchsorted(beads.begin_s, times, side="right") - 1, 0)
    length = np.maximum(beads.end_s[i] - beads.begin_s[i], 1e-12)
    share = np.clip((times - beads.begin_s[i]) / length, 0.0, 1.0)
    then = _pushed_at(beads, pushed, pushed[i] + share * beads.volume_mm3[i] - model.melt_mm3)
    return _soaked(then, times, model)


def _pushed_at(beads: Beads, pushed: F8, volume: F8) -> F8:
    """When each volume, mm3, had been pushed; long ago below 0."""
    i = np.clip(np.searchsorted(pushed, volume, side="left") - 1, 0, len(beads) - 1)
    share = np.clip((volume - pushed[i]) / np.maximum(beads.volume_mm3[i], 1e-300), 0.0, 1.0)
    then = beads.begin_s[i] + share * (beads.end_s[i] - beads.begin_s[i])
    return np.where(volume < 0.0, -np.inf, then)


def _soaked(then: F8, times: F8, model: Hotend) -> F8:
    """When what leaves at `times` was last heated. then : when it entered the melt zone."""
    if model.melt_mm3 <= 0:  # a zone of no volume: what leaves now, not when this volume was first reached
        then = times
    result: F8 = np.minimum(np.maximum(then, times - model.soak_s), times)
    return result


def stations(beads: Beads) -> F8:
    """(3, n) begin, middle and end of each bead, s."""
    return np.stack([beads.begin_s, (beads.begin_s + beads.end_s) / 2, beads.end_s])


def entered(beads: Beads, model: Hotend) -> F8:
    """(3, n) the same of what each bead is made of: `entered_at` of its begin, middle and end."""
    times = stations(beads)
    if len(beads) == 0:
        return times
    pushed = beads.pushed_mm3()
    edges = _pushed_at(beads, pushed, pushed - model.melt_mm3)
    middle = _pushed_at(beads, pushed, (pushed[:-1] + pushed[1:]) / 2 - model.melt_mm3)
    return np.stack(
        [_soaked(then, t, model) for then, t in zip((edges[:-1], middle, edges[1:]), times, strict=True)]
    )


def melt_at(beads: Beads, trace: Trace, model: Hotend) -> F8:
    """(3, n) temperature of the plastic at the begin, middle and end of each bead, C."""
    return trace.at(entered(beads, model))


@dataclass(frozen=True, slots=True)
class Received:
    """What each bead got: C of its plastic, or the fan's speed.

    got : (n,) mean over the bead (Simpson). first : (n,) at its begin. low, high : (n,) least and most of begin, middle
    and end.
    """

    got: F8
    first: F8
    low: F8
    high: F8


def received(made_s: F8, trace: Trace) -> Received:
    """What beads got of a course. made_s : (3, n) times that count at the begin, middle and end of each."""
    begin, middle, end = map(trace.at, made_s)
    mean = (begin + 4.0 * middle + end) / 6.0
    low, high = (f(f(begin, middle), end) for f in (np.minimum, np.maximum))
    return Received(mean, begin, low, high)


def nozzle_received(beads: Beads, trace: Trace, model: Hotend) -> Received:
    """Melt of each bead, by the course of the block."""
    return received(entered(beads, model), trace)


def fan_received(beads: Beads, trace: Trace) -> Received:
    """Fan of each bead."""
    return received(stations(beads), trace)
