"""What stands on a plate's clock: seconds before a line, and how long the machine waits for heat."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Heating, Machine, Quantity
from gcodetools.gcode.states import Commands
from gcodetools.jobs.costs import HEATING, TOOLS, Extra
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Standing", "elapsed_s", "standing"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_ROOM_C = 20.0  # common practice, no source
_SETTLED_C = (
    2.0  # a smaller step is none: the control keeps it within that anyway (common practice, no source)
)


def elapsed_s(seconds: F8, row: NDArray[np.integer]) -> F8:
    """(k,) seconds of all rows before each of `row`; no column of the plate's length is made."""
    count = len(seconds)
    if count == 0:
        return np.zeros(len(row))
    edges = np.unique(np.concatenate([[0], row]))
    edges = edges[edges < count]
    before = np.concatenate([[0.0], np.cumsum(np.add.reduceat(seconds, edges))])
    result: F8 = before[np.searchsorted(edges, row)]
    return result


@dataclass(frozen=True, slots=True)
class Standing:
    """Time that no move takes. extras : its seconds by row. band : (low, high) as factors on the heating.
    source : how it was found."""

    extras: tuple[Extra, ...]
    band: tuple[float, float]
    source: str

    def of(self, kind: str) -> float | None:
        """Seconds of a kind, None where nothing tells."""
        found = [float(extra.seconds.sum()) for extra in self.extras if extra.kind == kind]
        return found[0] if found else None


def standing(plate: Plate, seconds: F8, machine: Machine | None) -> Standing:
    """Waiting for heat and for tools on a machine; nothing where no machine is named.

    What a start macro heats inside the machine is not in the file, and isn't counted.
    """
    if machine is None:
        return Standing((), (1.0, 1.0), "")
    extras, band = [], (1.0, 1.0)
    commands = _heat_commands(plate)
    if any(one.waits for one in commands):
        row = np.array([one.row for one in commands], np.int64)
        at = elapsed_s(seconds, row)
        low, best, high = (_waits(commands, at, machine.heating, pace) for pace in ("high", "best", "low"))
        extras.append(Extra(HEATING, row, best))
        if best.sum() > 0:
            band = (float(low.sum() / best.sum()), float(high.sum() / best.sum()))
    if machine.tool_change_s is not None:
        changes = np.flatnonzero(np.diff(plate.moves.tool)).astype(np.int64) + 1
        extras.append(Extra(TOOLS, changes, np.full(len(changes), machine.tool_change_s.value)))
    return Standing(
        tuple(extras), band, f"heating by the rates of machine {machine.name}, from {_ROOM_C:g} C"
    )


@dataclass(frozen=True, slots=True)
class _Command:
    """A heater's command: at which row, of the bed (tool -1) or a tool, to which C; waits, also for cooling."""

    row: int
    tool: int
    target_c: float
    waits: bool
    cools: bool


def _heat_commands(plate: Plate) -> list[_Command]:
    """M104, M109, M140 and M190 in the order of their lines."""
    commands, states = Commands(plate.program.words), plate.program.states
    found: list[tuple[int, _Command]] = []
    for number, waits in ((104, False), (109, True), (140, False), (190, True)):
        lines = commands.lines("M", number)
        s, r, t = (commands.words_of(lines, letter) for letter in "SRT")
        target = np.where(np.isnan(s), r, s)
        tool = np.where(np.isnan(t), states.tool.at(lines), t) if number < 140 else np.full(len(lines), -1.0)
        tool = np.nan_to_num(tool)
        row = np.searchsorted(plate.moves.line, lines)
        columns = (c.tolist() for c in (lines, row, tool, target, np.isnan(s)))
        found += [
            (line, _Command(at, int(which), c, waits, cools))
            for line, at, which, c, cools in zip(*columns, strict=True)
            if not np.isnan(c)
        ]
    return [one for _, one in sorted(found, key=lambda pair: pair[0])]


def _pace(quantity: Quantity, pace: str) -> float:
    """The number, or the end of its spread."""
    if pace == "best" or quantity.spread is None:
        return quantity.value
    return quantity.spread[pace == "high"]


@dataclass(slots=True)
class _Heaters:
    """Temperatures and targets, by tool; -1 is the bed. Rates are C/s (rise, fall)."""

    rates: dict[bool, tuple[float, float]]
    now: dict[int, float] = field(default_factory=dict)
    target: dict[int, float] = field(default_factory=dict)

    def pass_time(self, seconds: float) -> None:
        """Each nears its target."""
        for tool, target in self.target.items():
            rise, fall = self.rates[tool == -1]
            here = self.now.get(tool, _ROOM_C)
            self.now[tool] = min(target, here + rise * seconds) if here < target else max(
                target, here - fall * seconds
            )  # fmt: skip

    def wait_s(self, one: _Command, settle_s: float) -> float:
        """How long a command waits until its heater is there."""
        rise, fall = self.rates[one.tool == -1]
        step = one.target_c - self.now.get(one.tool, _ROOM_C)
        settles = settle_s if one.tool >= 0 and abs(step) > _SETTLED_C else 0.0
        if step > 0:
            return step / rise + settles
        return -step / fall + settles if one.cools and one.target_c > _ROOM_C else 0.0


def _waits(commands: list[_Command], at: F8, heating: Heating, pace: str) -> F8:
    """(k,) seconds that each command waits: heaters at constant rates from room temperature, time going on
    between the commands by `at` (common practice, no source)."""
    slow = {"high": "low", "low": "high"}.get(pace, pace)
    up, down = _pace(heating.nozzle_up_c_s, pace), _pace(heating.nozzle_down_c_s, pace)
    bed_up = _pace(heating.bed_up_c_s, pace)
    heaters = _Heaters({False: (up, down), True: (bed_up, bed_up / 2)})
    result, clock = np.zeros(len(commands)), 0.0
    for k, (one, time) in enumerate(zip(commands, at.tolist(), strict=True)):
        heaters.pass_time(time - clock)
        clock = time
        heaters.target[one.tool] = max(one.target_c, _ROOM_C)
        if one.waits:
            result[k] = heaters.wait_s(one, _pace(heating.nozzle_settle_s, slow))
            heaters.pass_time(float(result[k]))
    return result
