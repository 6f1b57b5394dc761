"""What a fit says: the course over each setting, where it peaks, what it is worth, and the best setting in limits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.trials.response import COVERAGE, Ends, Fit

__all__ = [
    "SHOWN",
    "Best",
    "Course",
    "Effect",
    "Peak",
    "best_of",
    "course_of",
    "effect_of",
    "middle_of",
    "peak_of",
]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]
Where = Literal["inside", "low end", "high end", "open"]

SHOWN = 0.1  # an effect is shown where chance alone makes one of any setting so great less often than this
_POINTS, _SEARCHED, _ROUNDS = 201, 201, 8
_LEVELS = 17
_CANDIDATES, _LUCK_DRAWS = 700, 1000
_TAIL = (1.0 - COVERAGE) / 2.0


@dataclass(frozen=True, slots=True)
class Course:
    """The response along one setting, the others held. x : (g,). ends : of its logarithm, of the mean of many
    specimens. draws : (d, g). level : (g,) where the data allow a summit or a hollow, by the likelihood; None where
    all broke, as the draws then tell as much."""

    factor: int
    x: F8
    ends: Ends
    draws: F8
    level: Bool | None = None


@dataclass(frozen=True, slots=True)
class Peak:
    """Where the course is highest within what was printed.

    low, best, high : nine times of ten it lies between. where : whether an end of what was printed is among that:
    "inside" none, "low end" or "high end" one, "open" both. at_low, at_high : chances that it lies at an end, which
    is to say there or beyond.
    """

    factor: int
    low: float
    best: float
    high: float
    where: Where
    at_low: float
    at_high: float


@dataclass(frozen=True, slots=True)
class Effect:
    """What a setting does, the others in the middle of what was printed.

    whole : logarithm of the response at the most that was printed over that at the least. slope : of the logarithm,
    by unit of the setting, in the middle. tail : chance of so much if it did nothing. among : of how many settings.
    """

    factor: int
    whole: tuple[float, float, float]
    slope: tuple[float, float, float]
    tail: float
    among: int = 1

    @property
    def shown(self) -> bool:
        """Whether chance alone would hardly make any of the settings look so."""
        return self.tail < SHOWN / self.among


@dataclass(frozen=True, slots=True)
class Best:
    """The setting with the greatest mean. coded, base : (k,) it, and what it is held against. gain : logarithm of one
    over the other; mean : of the response at it. moved : factors that differ."""

    coded: F8
    base: F8
    gain: tuple[float, float, float]
    mean: tuple[float, float, float]
    moved: tuple[int, ...]


def middle_of(fit: Fit) -> F8:
    """(k,) the coded middle of what was printed."""
    return np.zeros(len(fit.design.trial.factors))


def _along(fit: Fit, factor: int, coded: F8, at: F8) -> F8:
    """Columns along a factor's coded values, the others as `at`."""
    rows = np.tile(at, (len(coded), 1))
    rows[:, factor] = coded
    return fit.design.columns(rows)


def course_of(fit: Fit, factor: int, at: F8, x: F8 | None = None) -> Course:
    """The course over a factor. at : (k,) coded settings of the others. x : where; what was printed if left out."""
    one = fit.design.trial.factors[factor]
    if x is None:
        x = one.plain(np.linspace(-1.0, 1.0, _POINTS))
    coded = one.coded(x)
    columns = _along(fit, factor, coded, at)
    level = None
    if fit.design.trial.censored and fit.design.has("square", factor):
        some = np.linspace(coded[0], coded[-1], _LEVELS)
        slopes = _along(fit, factor, some + 1e-3, at) - _along(fit, factor, some - 1e-3, at)
        level = np.interp(coded, some, fit.allows(slopes, 0.0) * 1.0) > 0.5
    return Course(factor, x, fit.ends(columns), fit.draws(columns), level)


def peak_of(course: Course) -> Peak:
    """Where a course that spans what was printed is highest."""
    x = course.x
    at = x[course.draws.argmax(axis=1)]
    best = float(x[course.ends.best.argmax()])
    low, high = np.quantile(at, (_TAIL, 1.0 - _TAIL)).tolist()
    low, high = min(low, best), max(high, best)
    if course.level is not None:
        low, high = _reached(x, course.level, low, high)
    ends = (low <= x[0], high >= x[-1])
    where: Where = "open" if all(ends) else "low end" if ends[0] else "high end" if ends[1] else "inside"
    return Peak(
        course.factor, low, best, high, where, float(np.mean(at <= x[0])), float(np.mean(at >= x[-1]))
    )


def _reached(x: F8, level: Bool, low: float, high: float) -> tuple[float, float]:
    """low..high, and on to either side as long as the data allow a summit there."""
    first, last = (int(np.abs(x - end).argmin()) for end in (low, high))
    while first > 0 and level[first - 1]:
        first -= 1
    while last < len(x) - 1 and level[last + 1]:
        last += 1
    return min(low, float(x[first])), max(high, float(x[last]))


def effect_of(fit: Fit, factor: int, among: int = 1) -> Effect:
    """What a setting does. among : how many settings are looked at."""
    one = fit.design.trial.factors[factor]
    middle = middle_of(fit)
    ends = _along(fit, factor, np.array([-1.0, 1.0]), middle)
    near = _along(fit, factor, np.array([-1e-3, 1e-3]), middle)
    by_unit = 2e-3 * 0.5 * (one.high - one.low)
    told = fit.ends(np.stack([ends[1] - ends[0], (near[1] - near[0]) / by_unit]))
    triples = list(zip(told.low.tolist(), told.best.tolist(), told.high.tolist(), strict=True))
    return Effect(factor, triples[0], triples[1], fit.tail_of(factor), among)


def best_of(
    fit: Fit,
    base: F8,
    moving: Sequence[int],
    limits: Sequence[tuple[float, float]],
    whole: Sequence[bool],
    allowed: Callable[[F8], Bool],
) -> Best | None:
    """The best setting, by going along one setting after the other from every corner.

    Parameters
    ----------
    base : (k,) coded; what does not move stays so, as far as the limits let it. moving : factors that may. limits :
    (k,) of coded values. whole : (k,) whether only printed levels count, as with a number of perimeters. allowed :
    which of (m, k) settings may be.

    Returns None where none is allowed.
    """
    factors = fit.design.trial.factors
    if any(low > high + 1e-9 for low, high in limits):
        return None
    kept = np.clip(base, [low for low, _ in limits], [high for _, high in limits])
    values = {}
    for number in moving:
        low, high = limits[number]
        if whole[number]:
            levels = factors[number].coded(factors[number].at)
            values[number] = levels[(levels >= low - 1e-9) & (levels <= high + 1e-9)]
        else:
            values[number] = np.linspace(low, high, _SEARCHED)
        if not len(values[number]):
            return None
    starts = [kept]
    for corner in product(*((values[n][0], values[n][-1]) for n in moving)):
        start = kept.copy()
        start[list(moving)] = corner
        starts.append(start)
    found: tuple[float, F8] | None = None
    for start in starts:
        at = start.copy()
        for _ in range(_ROUNDS):
            before = at.copy()
            for number in moving:
                at = _best_along(fit, at, number, values[number], allowed)
            if np.array_equal(at, before):
                break
        if bool(allowed(at[None, :])[0]):
            height = float(fit.mean(fit.design.columns(at[None, :]))[0])
            if found is None or height > found[0] + 1e-12:
                found = height, at
    if found is None:
        return None
    at = found[1]
    moved = tuple(n for n in range(len(factors)) if abs(at[n] - base[n]) > 1e-9)
    columns = fit.design.columns(np.stack([at, base]))
    told = fit.ends(np.stack([columns[0] - columns[1], columns[0]]))
    lower = told.best - _luck(fit, base, kept, values, allowed, told)
    least = np.minimum(told.low, lower) if moved else told.low
    gain, mean = zip(least.tolist(), told.best.tolist(), told.high.tolist(), strict=True)
    return Best(at, base, gain, mean, moved)


def _luck(
    fit: Fit, base: F8, kept: F8, values: dict[int, F8], allowed: Callable[[F8], Bool], told: Ends
) -> F8:
    """(2,) how much of the gain and of the mean of the setting that looks best may be luck in the choice.

    Each draw of the coefficients is taken for another outcome of the same trial: the setting that looks best in it
    is found, and by how much the draw tells more of that setting than the fit does. What 5 in 100 exceed is returned
    (the end of a basic bootstrap: Davison and Hinkley 1997, Bootstrap Methods and their Application, chapter 5; from
    memory). Where some did not break, draws reach much further up than down, so what the draw tells more is taken in
    upper halves of its interval and counts so many lower halves of `told`.
    """
    count = max(int(_CANDIDATES ** (1.0 / max(len(values), 1))), 2)
    axes = [
        one[np.unique(np.linspace(0, len(one) - 1, count).round().astype(int))] for one in values.values()
    ]
    rows = np.tile(kept, (int(np.prod([len(one) for one in axes])), 1))
    if axes:
        rows[:, list(values)] = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    rows = np.concatenate([base[None, :], rows[allowed(rows)]])
    columns = fit.design.columns(rows)
    drawn = fit.draws(columns)
    drawn = drawn[:: max(len(drawn) // _LUCK_DRAWS, 1)]
    middle = fit.mean(columns)
    chosen = drawn.argmax(axis=1)
    each = np.arange(len(drawn))
    more = drawn[each, chosen] - middle[chosen]
    both = np.stack([more - (drawn[:, 0] - middle[0]), more])
    if fit.design.trial.censored:
        gains = drawn - drawn[:, :1]
        upper = np.stack([_upper(gains)[chosen], _upper(drawn)[chosen]])
        both = both / np.maximum(upper, 1e-9) * (told.best - told.low)[:, None]
    luck: F8 = np.quantile(both, 1.0 - _TAIL, axis=1)
    return luck


def _upper(draws: F8) -> F8:
    """(m,) upper halves of the intervals of draws (d, m)."""
    middle, high = np.quantile(draws, (0.5, 1.0 - _TAIL), axis=0)
    half: F8 = high - middle
    return half


def _best_along(fit: Fit, at: F8, factor: int, values: F8, allowed: Callable[[F8], Bool]) -> F8:
    rows = np.tile(at, (len(values), 1))
    rows[:, factor] = values
    may = allowed(rows)
    if not np.any(may):
        return at
    heights = np.where(may, fit.mean(fit.design.columns(rows)), -np.inf)
    chosen: F8 = rows[heights.argmax()]
    return chosen
