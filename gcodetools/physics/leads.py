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
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.hotend import (
    Beads,
    Fan,
    Hotend,
    Received,
    Trace,
    block_trace,
    entered_at,
    fan_received,
    fan_trace,
    nozzle_received,
)

__all__ = [
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
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Mode = Literal["auto", "follow", "hold", "pause"]

WITHIN_C = 1.0  # what counts as reached
WITHIN_FAN = 0.02  # common practice, no source: about exp(-4), four lags
FAN_LAGS = 4.0
_AIM = 0.5  # share of that to aim at, since commands stand between moves
_SAME = 1e-9
_LATER_S = 1e-9


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
class Wanted:
    """What each of a tool's beads shall have.

    value : (n,) NaN = as the file has it. own : (n,) the file's own target. run : (n,) visits of different runs
    are not joined for being short (objects one after the other, layers apart); None for one run. kept : (n,)
    beads that keep the file's own whatever is held around them; None for none.
    """

    value: F8
    own: F8
    run: I8 | None = None
    kept: Bool | None = None


@dataclass(frozen=True, slots=True)
class Visits:
    """Uninterrupted passes. first, last : (v,) beads, both in it. begin_s, end_s : (v,) s of the file's clock.
    target : (v,) wanted at the first bead. hold : (v,) index into the holds."""

    first: I8
    last: I8
    begin_s: F8
    end_s: F8
    target: F8
    hold: I8

    def __len__(self) -> int:
        return len(self.first)


@dataclass(frozen=True, slots=True)
class Holds:
    """Stretches under our commands, in order. first, last : (h,) beads, both in it. visits : (h,) how many.
    first_row, last_row : (h,) from the row of the first command to before the row of the one that gives the
    file's own value back; in between the file's commands of this kind are held back. Holds that touch, since
    the second begins before the first has come back, share no row."""

    first: I8
    last: I8
    visits: I8
    first_row: I8
    last_row: I8

    def __len__(self) -> int:
        return len(self.first)


@dataclass(frozen=True, slots=True)
class Commands:
    """What to write. row : (c,) ascending, the row before which it stands; several may stand at one. value : (c,).
    time_s : (c,) on the clock with rests. rest_s : (c,) how long to stand still right behind it. hold : (c,)."""

    row: I8
    value: F8
    time_s: F8
    rest_s: F8
    hold: I8

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
    """A schedule and what comes of it. got, before : each bead with it and as the file was. seconds : of rests."""

    visits: Visits
    holds: Holds
    commands: Commands
    reached: Reached
    got: Received
    before: Received
    seconds: float


@dataclass(frozen=True, slots=True)
class _Law:
    """One thing that is told and follows: how long it takes, how far ahead beads feel it, what they get."""

    reach_s: Callable[[float, float, float], float]
    ramps_s: Callable[[float, float], float]  # below which a visit counts as short
    felt: Callable[[F8], F8]
    received: Callable[[Beads, F8, F8, float], Received]
    within: float


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

    def received(moved: Beads, times: F8, values: F8, start: float) -> Received:
        return nozzle_received(moved, block_trace(times, values, model, start), model)

    law = _Law(
        model.reach_s,
        lambda before, after: model.reach_s(before, after, WITHIN_C),
        lambda times: entered_at(beads, times, model),
        received,
        WITHIN_C,
    )
    return _plan(beads, wanted, base, slots, law, limits, mode, np.empty(0), 0.0)


def plan_fan(
    beads: Beads,
    wanted: Wanted,
    base: Base,
    slots: Slots,
    model: Fan,
    limits: Limits | None = None,
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

    def received(moved: Beads, times: F8, values: F8, start: float) -> Received:
        return fan_received(moved, fan_trace(times, values, model, start))

    law = _Law(
        model.reach_s,
        lambda before, after: FAN_LAGS * model.lag_s,
        lambda times: times,
        received,
        WITHIN_FAN,
    )
    bounds = Limits(0.0, 1.0, step=1.0) if limits is None else limits
    avoid = np.empty(0) if nozzle_s is None else np.sort(nozzle_s)
    return _plan(beads, wanted, base, slots, law, bounds, mode, avoid, model.lag_s)
