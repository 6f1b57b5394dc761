"""What a schedule gives: to the beads that were meant, and to those that were not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arrays import distinct
from gcodetools.physics.hotend import Received
from gcodetools.physics.leads import Plan
from gcodetools.physics.spill import LEAST_C, LEAST_FAN, Band, bands, spill_of
from gcodetools.physics.visits import Mode
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.clock import Stretches
from gcodetools.treat.target import Target

__all__ = ["Reach", "Schedule", "Spilt", "reach_of", "spilt"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Reach:
    """What the beads of one region got of nozzle or fan.

    mode : how it was told. low, high : what was wanted. reached : (3, 3) least, mean (by volume) and most, each
    as (low, best, high) with a slow, the usual and a fast machine. missed : what the first bead of a visit has too
    much (or, negative, too little), the worst. layers : plate layers (first, last) of each stretch of layers with
    such beads.
    """

    part: str
    instance: int
    region: str
    setting: str
    mode: Mode
    tool: int
    low: float
    high: float
    reached: tuple[tuple[float, float, float], ...]
    missed: float
    layers: list[tuple[int, int]]

    @property
    def name(self) -> str:
        """`part#instance/region`."""
        return f"{self.part}#{self.instance}/{self.region}"

    @property
    def reached_low(self) -> float:
        """The least, best estimate."""
        return self.reached[0][1]

    @property
    def reached_high(self) -> float:
        """The most, best estimate."""
        return self.reached[2][1]


@dataclass(frozen=True, slots=True)
class Spilt:
    """What an instance (index into the poses; -1 for none of them) got that was not meant for these beads.

    length_mm : of them. mean, most : change, C or share of the fan. bands : heights of its outer wall where it
    may be seen (nozzle only). share : of all the plate's bead length that has a change, meant or not.
    """

    setting: str
    tool: int
    owner: int
    length_mm: float
    mean: float
    most: float
    share: float
    bands: tuple[Band, ...]


@dataclass(slots=True)
class Schedule:
    """What came of all that was asked. source : of the model's numbers, in a sentence. paused : (setting, tool)
    -> how many pauses, and seconds of all. no_pause : why some could not stand, empty where all could."""

    source: str = ""
    reaches: list[Reach] = field(default_factory=list)
    spills: list[Spilt] = field(default_factory=list)
    no_pause: str = ""
    paused: dict[tuple[str, int], tuple[int, float]] = field(default_factory=dict)
    _by_name: dict[tuple[str, int, str], Reach] = field(default_factory=dict, repr=False)
    _first: dict[tuple[str, str], Reach] = field(default_factory=dict, repr=False)
    _by_region: dict[tuple[str, int, str, str], list[Reach]] = field(default_factory=dict, repr=False)
    _whole: dict[tuple[str, int, str, str], Reach] = field(default_factory=dict, repr=False)

    def add(self, reaches: Sequence[Reach]) -> None:
        """Note what regions got."""
        for reach in reaches:
            self.reaches.append(reach)
            self._first.setdefault((reach.setting, reach.name), reach)
            self._by_name.setdefault((reach.setting, reach.tool, reach.name), reach)
            key = (reach.setting, reach.tool, reach.part, reach.region)
            self._by_region.setdefault(key, []).append(reach)
            self._whole.pop(key, None)

    def of(self, setting: str, name: str, tool: int) -> Reach | None:
        """What a region (`part#instance/region`) got; None where nothing was planned for it."""
        return self._by_name.get((setting, tool, name))

    def first(self, setting: str, name: str) -> Reach | None:
        """The same with whichever tool was planned first."""
        return self._first.get((setting, name))

    def whole(self, setting: str, tool: int, part: str, region: str) -> Reach | None:
        """What a region got over all instances; None where nothing was planned for it."""
        key = (setting, tool, part, region)
        mine = self._by_region.get(key)
        if not mine:
            return None
        if key not in self._whole:  # each instance of the part asks
            self._whole[key] = self._of_all(mine)
        return self._whole[key]

    def _of_all(self, mine: list[Reach]) -> Reach:
        first = mine[0]
        both = np.array([r.reached for r in mine])
        reached = (
            tuple(both[:, 0].min(axis=0)),
            tuple(both[:, 1].mean(axis=0)),
            tuple(both[:, 2].max(axis=0)),
        )
        worst = max((r.missed for r in mine), key=abs)
        low, high = min(r.low for r in mine), max(r.high for r in mine)
        return replace(first, low=low, high=high, reached=reached, missed=worst)


class Asking(Protocol):
    """A region that asked: see `schedule.Ask`."""

    @property
    def target(self) -> Target: ...
    @property
    def tool(self) -> int: ...
    @property
    def rows(self) -> I8: ...


def reach_of(
    setting: str,
    mode: Mode,
    plans: list[Plan],
    stretches: Stretches,
    value: F8,
    asks: Sequence[Asking],
) -> list[Reach]:
    """What each region got.

    mode : how they were told. plans : with the usual, a slow and a fast machine. stretches : (n,) that were planned.
    value : (n,) what was wanted of them.
    """
    wished = ~np.isnan(value)
    layer, weight = stretches.layer, stretches.volume_mm3 + 1e-12
    file_at = np.flatnonzero(stretches.run < 0)
    rows = stretches.row[file_at]
    visits, missed_of = plans[0].visits, plans[0].reached.missed
    at = np.arange(len(stretches))
    visit_of = np.searchsorted(visits.first, at, side="right") - 1
    inside = visit_of >= 0
    if len(visits):
        inside &= at <= visits.last[np.maximum(visit_of, 0)]
    wished &= inside
    found = []
    for ask in asks:
        place = np.searchsorted(rows, ask.rows, side="right") - 1
        # None of what is left may be the file's own, where new beads took its place.
        at = file_at[distinct(place[place >= 0])]
        at = at[wished[at]]
        if len(at) == 0:
            continue
        got = np.array([_summary(plan.got, at, weight[at]) for plan in plans])
        reached = tuple((float(c.min()), float(c[0]), float(c.max())) for c in got.T)
        missed = missed_of[distinct(visit_of[at])]
        hit = ask.target.hit
        found.append(
            Reach(
                hit.part,
                hit.instance,
                hit.region,
                setting,
                mode,
                ask.tool,
                float(value[at].min()),
                float(value[at].max()),
                reached,
                float(missed[np.argmax(np.abs(missed))]),
                _spans(np.unique(layer[at])),
            )
        )
    return found


def _summary(got: Received, at: I8, weight: F8) -> tuple[float, float, float]:
    """Least, mean by weight and most of what stretches got."""
    return (
        float(got.low[at].min()),
        float(np.average(got.got[at], weights=weight)),
        float(got.high[at].max()),
    )


def _spans(layers: I8) -> list[tuple[int, int]]:
    """Runs of layers that follow one another."""
    breaks = np.flatnonzero(np.diff(layers) > 1) + 1
    starts, ends = np.concatenate([[0], breaks]), np.append(breaks, len(layers)) - 1
    return [(int(layers[a]), int(layers[b])) for a, b in zip(starts, ends, strict=True)]


def spilt(setting: str, plan: Plan, stretches: Stretches, meant: Bool, plate: Plate) -> list[Spilt]:
    """What beads got that nobody meant, by instance."""
    change = plan.got.got - plan.before.got
    owner, length = stretches.owner, stretches.length_mm
    least = LEAST_C if setting == "nozzle" else LEAST_FAN
    spill = spill_of(change, meant, owner, length, least)
    seen: list[Band] = []
    if setting == "nozzle":
        rows = stretches.row
        top = plate.program.moves.z[rows]
        height = plate.beads.height[rows].astype(np.float64)
        seen = bands(change, stretches.outermost, owner, stretches.layer, top, np.nan_to_num(height), length)
    tool = int(stretches.tool[0]) if setting == "nozzle" and len(stretches) else -1
    result = []
    for k, number in enumerate(spill.owner.tolist()):
        mine = tuple(band for band in seen if band.owner == number)
        values = float(spill.length_mm[k]), float(spill.mean[k]), float(spill.most[k]), spill.share
        result.append(Spilt(setting, tool, number, *values, mine))
    return result
