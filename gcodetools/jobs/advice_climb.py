"""The ladder that `advise` climbs: steps by what they buy a minute, until the margin or the minutes are reached.

What a step bought when it was last tried orders the steps; the first of them is tried on the set so far and kept if
it is still the first. Steps whose gain is shown come before those whose band holds no change.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import field

from gcodetools.jobs.advice_steps import Kept, Kind, Ladders, Step
from gcodetools.jobs.advice_tries import Bench, Gain, Tried, gain_of, leans
from gcodetools.records import dataclass
from gcodetools.strength.sentences import NOT_SHOWN
from gcodetools.treat.target import Done

__all__ = ["Climb", "Goal", "Rung", "climb"]

Progress = Callable[[str], None]

_MOST_TRIES = 30
_LEAST_MIN = 0.05  # three seconds: below, a step counts as taking no time
_LEAST_GAIN = 1.002
_SEEN = 1.02  # less could never be shown with a luggage scale
_GROUND: tuple[Kind, ...] = ("beads", "root")  # each may help only once the other is there


@dataclass(frozen=True, slots=True)
class Goal:
    """A margin to be reached, or minutes that the plate may take longer; one of them."""

    margin: float | None = None
    minutes: float | None = None

    def reached(self, tried: Tried) -> bool:
        """Whether a margin is asked for and this is it."""
        return self.margin is not None and tried.margin.best >= self.margin

    def affords(self, tried: Tried) -> bool:
        """Whether the plate takes no longer than may be."""
        return self.minutes is None or tried.added_s <= 60.0 * self.minutes


@dataclass(slots=True)
class Rung:
    """One try for a region. step : what was added; dropped : what was taken out instead. gain : None where nothing
    can be compared. kept : part of the set when the climb ended. why : in words."""

    region: str
    step: Step
    before: Tried
    after: Tried
    gain: Gain | None
    dropped: bool = False
    kept: bool = False
    why: str = ""

    @property
    def minutes(self) -> float:
        """What it adds to the plate's time."""
        return (self.after.added_s - self.before.added_s) / 60.0

    @property
    def a_minute(self) -> float:
        """Margin it buys a minute, best."""
        gained = 0.0 if self.gain is None else self.before.margin.best * (self.gain.band.best - 1.0)
        return gained / max(self.minutes, _LEAST_MIN)

    @property
    def shown(self) -> bool:
        """Whether all of its band is a gain."""
        return self.gain is not None and self.gain.verdict == "better"

    @property
    def helps(self) -> bool:
        """Whether it helps at best."""
        return self.gain is not None and self.gain.band.best > _LEAST_GAIN

    @property
    def answers(self) -> list[Done]:
        """What `apply` answered to this step."""
        return [
            one
            for one in self.after.done
            if (one.region == self.region and one.setting in self.step.changes)
            or (one.region != self.region and self.step.root is not None)
        ]

    @property
    def idle(self) -> str:
        """Why `apply` refused it, or did nothing of it; empty where it did something."""
        if self.after.refused:
            return f"refused: {self.after.refused}"
        mine = self.answers
        if mine and all(one.done == "nothing" for one in mine):
            return f"does nothing: {mine[0].why or 'no bead of it can be changed'}"
        return ""


@dataclass(slots=True)
class Climb:
    """Tries in order and the set they led to. stopped : why the climb ended before all was tried."""

    start: Tried
    best: Tried
    rungs: list[Rung] = field(default_factory=list)
    stopped: str = ""

    @property
    def kept(self) -> list[Rung]:
        """The rungs of the set, in the order in which they were taken."""
        return [one for one in self.rungs if one.kept]


class _Climber:
    def __init__(
        self, bench: Bench, part: str, region: str, watched: Sequence[int], goal: Goal, progress: Progress
    ) -> None:
        self.bench, self.part, self.region, self.watched = bench, part, region, watched
        self.goal, self.progress = goal, progress
        start = bench.untreated([f"{part}#{n}/{region}" for n in watched])
        self.climb = Climb(start, start)
        self.second: list[Rung] = []
        self.path: list[Rung] = []

    def rung(self, step: Step) -> Rung:
        """Try a step on the set so far."""
        before = self.climb.best
        after = self._tried(before.kept.with_step(step), step.label)
        rung = Rung(self.region, step, before, after, None if after.refused else gain_of(before, after))
        self.climb.rungs.append(rung)
        return rung

    def _tried(self, kept: Kept, label: str) -> Tried:
        count = len(self.climb.rungs) + 1
        self.progress(f"{self.part}/{self.region}: try {count}, {label}")
        return self.bench.tried(self.part, self.region, kept, self.watched)

    @property
    def done(self) -> bool:
        return self.goal.reached(self.climb.best) or bool(self.climb.stopped)

    def run(self, ladders: Ladders) -> Climb:
        """Climb until the goal, or until no step is left that helps."""
        open_ = {kind: list(steps) for kind, steps in ladders.items()}
        waiting: list[Rung] = []
        for kind in list(open_):
            heads = open_.pop(kind) if kind == "beads" else [open_[kind].pop(0)]
            waiting += [rung for rung in (self.rung(step) for step in heads) if self._worth(rung)]
        while waiting and not self.done:
            waiting.sort(key=lambda rung: (rung.shown, rung.a_minute), reverse=True)
            rung = waiting.pop(0)
            if rung.before is not self.climb.best:
                rung.why = rung.why or "tried again on the set so far"
                rung = self.rung(rung.step)
                if self._worth(rung):
                    waiting.insert(0, rung)
                continue
            self._keep(rung)
            waiting = [one for one in waiting if not _replaced(one, rung)]
            if open_.get(rung.step.kind):
                waiting += self._next(open_[rung.step.kind].pop(0))
            if rung.step.kind in _GROUND and not self.done:
                again, self.second = self.second, []
                waiting += [one for one in (self.rung(old.step) for old in again) if self._worth(one)]
        self._rest(waiting)
        return self.climb

    def _next(self, step: Step) -> list[Rung]:
        """The next step of a ladder, if there is anything to be reached still."""
        if self.done:
            return []
        rung = self.rung(step)
        return [rung] if self._worth(rung) else []

    def _worth(self, rung: Rung) -> bool:
        """Whether a try may be kept; else why not."""
        if not self.goal.affords(rung.after):
            rung.why = "not kept: beyond the minutes"
        elif rung.idle:
            rung.why = f"not kept: {rung.idle}"
        elif not rung.helps:
            verdict = "no change" if rung.gain is None else rung.gain.verdict
            rung.why = f"not kept: {verdict}"
        else:
            return True
        if rung.step.kind in _GROUND and not rung.after.refused and rung.before is self.climb.start:
            self.second.append(rung)
        if len(self.climb.rungs) >= _MOST_TRIES:
            self.climb.stopped = f"stopped after {_MOST_TRIES} tries"
        return False

    def _keep(self, rung: Rung) -> None:
        for one in self.climb.rungs:
            if one.kept and one.step.kind == rung.step.kind:
                one.kept, one.why = False, f"taken further: {rung.step.label}"
        rung.kept = True
        self.path.append(rung)
        rung.why = "kept: buys most a minute" if rung.shown else f"kept, but {NOT_SHOWN}"
        self.climb.best = rung.after
        case = rung.after.worst.case
        if case is not None and case.limits == "along" and not leans(case):
            self.climb.stopped = "now limited along its beads, where settings buy nothing"
        elif len(self.climb.rungs) >= _MOST_TRIES:
            self.climb.stopped = f"stopped after {_MOST_TRIES} tries"

    def _rest(self, waiting: Sequence[Rung]) -> None:
        why = "not needed" if self.goal.reached(self.climb.best) else self.climb.stopped or "not kept"
        for rung in waiting:
            rung.why = rung.why or (why if rung.shown else f"{why}; {NOT_SHOWN}")

    def trim(self) -> None:
        """Take out what is not shown to help and would be too little to be seen if it did."""
        if self.goal.reached(self.climb.best):
            return
        small = [one for one in self.climb.kept if not one.shown and self._in_all(one.step.kind) < _SEEN]
        if not small:
            return
        whole, kept = self.climb.best, self.climb.best.kept
        for one in small:
            kept = kept.without(one.step.kind)
        step = Step(small[0].step.kind, ", ".join(one.step.label for one in small))
        less = self._tried(kept, f"without {step.label}") if kept.steps else self.climb.start
        if less.refused:
            return
        for one in small:
            one.kept, one.why = False, "taken out: at best too little to be seen"
        out = Rung(self.region, step, whole, less, gain_of(whole, less), dropped=True)
        out.why = f"taken out: {NOT_SHOWN}, and at best too little to be seen"
        self.climb.rungs.append(out)
        self.climb.best = less

    def _in_all(self, kind: Kind) -> float:
        """What the steps of a kind gave at best, one on the other."""
        gains = [one.gain.band.best for one in self.path if one.step.kind == kind and one.gain is not None]
        return math.prod(gains)

    def prune(self) -> None:
        """Take out steps without which the margin is still reached, the dearest first."""
        if not self.goal.reached(self.climb.best):
            return
        for rung in sorted(self.climb.kept, key=lambda one: one.minutes, reverse=True):
            assert self.goal.margin is not None and rung.gain is not None
            spare = self.climb.best.margin.best / self.goal.margin
            if len(self.climb.kept) < 2 or spare < 0.98 * rung.gain.band.best:
                continue
            whole = self.climb.best
            less = self._tried(whole.kept.without(rung.step.kind), f"without {rung.step.label}")
            out = Rung(self.region, rung.step, whole, less, gain_of(whole, less), dropped=True)
            self.climb.rungs.append(out)
            if less.refused or not self.goal.reached(less):
                out.why = "needed: without it the margin is not reached"
                continue
            out.why = "taken out: the margin is reached without it"
            rung.kept, rung.why = False, "not needed in the end"
            self.climb.best = less


def _replaced(one: Rung, kept: Rung) -> bool:
    """Whether a step is of the kind of the one that was kept, so that only one of them can be."""
    if one.step.kind != kept.step.kind:
        return False
    one.why = one.why or f"not kept: {kept.step.label} buys more a minute"
    return True


def climb(
    bench: Bench,
    part: str,
    region: str,
    watched: Sequence[int],
    ladders: Ladders,
    goal: Goal,
    progress: Progress,
) -> Climb:
    """Climb for one region.

    Parameters
    ----------
    watched : instances whose strength is told at each try. ladders : steps that can act, by kind.

    Raises
    ------
    BeadwrightError : what `apply` raises besides a refusal.
    """
    climber = _Climber(bench, part, region, watched, goal, progress)
    if climber.done:
        return climber.climb
    result = climber.run(ladders)
    climber.prune()
    climber.trim()
    return result
