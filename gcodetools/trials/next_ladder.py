"""Which settings are worth printing next: where the response is most in doubt that it matters."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.trials.distributions import t_quantile
from gcodetools.trials.peak import Course, Effect, course_of
from gcodetools.trials.response import COVERAGE, Fit

__all__ = ["MOST_SPECIMENS", "Next", "loss_of", "next_ladder", "wanted_copies"]

F8 = NDArray[np.float64]

MOST_SPECIMENS = 60
_SPECIMENS, _LEAST_COPIES = 15, 3
_LEVELS = (3, 4, 5, 6)
# Distances of levels that people print; C, %, %, %, number.
_STEPS = {
    "nozzle": (5.0, 10.0, 15.0),
    "fan": (10.0, 20.0, 25.0),
    "speed": (10.0, 20.0),
    "flow": (2.0, 4.0),
    "perimeters": (1.0,),
}
_BEYOND = 3  # usual distances of levels past what was printed, at most
_POINTS, _PEAKS = 121, 400
_NEAR = 0.2  # over which a draw's curvature is taken, coded
_BENT = 1.0  # deviations of a bend over that of the scatter, so that far levels tell less of a peak
_QUANTILE = 0.5 + COVERAGE / 2.0


@dataclass(frozen=True, slots=True)
class Next:
    """A ladder to print. levels : asked values, `copies` of each. peak : where it is thought to be, past what was
    printed too. half : to be expected either way of the peak that will be told, nine times of ten."""

    factor: int
    levels: tuple[float, ...]
    copies: int
    peak: float
    half: float

    @property
    def step(self) -> float:
        """The distance of levels."""
        return self.levels[1] - self.levels[0]


def loss_of(course: Course) -> float:
    """What is expected to be lost, of the logarithm of the response, by printing at what looks best of a course."""
    looks = int(course.ends.best.argmax())
    return float(np.mean(course.draws.max(axis=1) - course.draws[:, looks]))


def next_ladder(
    fit: Fit, factor: int, at: F8, limits: tuple[float, float], beyond: tuple[bool, bool], shown: bool = True
) -> Next | None:
    """The ladder over a factor after which its peak is told best, the others held at `at` (coded).

    Of ladders with levels that people print and about as many specimens, the one that makes the slope best known
    over all places where the peak may be (I-optimal: Atkinson, Donev and Tobias 2007, Optimum Experimental Designs,
    chapter 10; from memory).

    Parameters
    ----------
    limits : of the values asked. beyond : whether to go below, and above, what was printed. shown : whether the
    factor does anything; where that is not shown, slopes count everywhere alike, which asks for levels far apart.

    Returns None where the limits leave no three levels.
    """
    one = fit.design.trial.factors[factor]
    ends = one.low - one.offset(), one.high - one.offset()
    reach = _BEYOND * one.step
    low = max(limits[0], ends[0] - (reach if beyond[0] else 0.0))
    high = min(limits[1], ends[1] + (reach if beyond[1] else 0.0))
    if high <= low:
        return None
    x = np.linspace(low, high, _POINTS) + one.offset()
    course = course_of(fit, factor, at, x)
    index = course.draws.argmax(axis=1)[:: max(len(course.draws) // _PEAKS, 1)]
    rows = np.tile(at, (_POINTS, 1))
    rows[:, factor] = one.coded(x)
    columns = _local(fit, rows)
    slopes = np.gradient(columns, rows[:, factor], axis=0)
    wanted = slopes[index] if shown else slopes.mean(axis=0, keepdims=True)
    precision = _precision(fit)
    found: tuple[float, tuple[float, ...], int] | None = None
    for levels in _candidates(one.name, low, high):
        copies = max(_LEAST_COPIES, round(_SPECIMENS / len(levels)))
        new = np.tile(at, (len(levels), 1))
        new[:, factor] = one.coded(np.array(levels) + one.offset())
        w = _local(fit, new)
        spread = np.linalg.inv(precision + copies * w.T @ w)
        score = (
            float(np.einsum("ij,jk,ik->i", wanted, spread, wanted).mean())
            * (len(levels) * copies)
            / _SPECIMENS
        )
        if found is None or score < found[0] * (1.0 - 1e-9):
            found = score, levels, copies
    if found is None:
        return None
    _, levels, copies = found
    new = np.tile(at, (len(levels), 1))
    new[:, factor] = one.coded(np.array(levels) + one.offset())
    w = _local(fit, new)
    spread = np.linalg.inv(precision + copies * w.T @ w)
    doubt = np.einsum("ij,jk,ik->i", slopes[index], spread, slopes[index])
    half = _half_c(fit, course, index, doubt, len(levels) * copies)
    return Next(factor, levels, copies, float(x[course.ends.best.argmax()]), half)


def _half_c(fit: Fit, course: Course, index: NDArray[np.int64], variance: F8, more: int) -> float:
    """Half of the peak's interval to be expected: the median over draws of the response taken for true. variance : of
    the slope at the peak of each, over that of the scatter."""
    one = fit.design.trial.factors[course.factor]
    z = one.coded(course.x)
    near = max(int(_NEAR / (z[1] - z[0])), 1)
    at = index.clip(near, _POINTS - 1 - near)
    draws = course.draws[:: max(len(course.draws) // _PEAKS, 1)]
    each = np.arange(len(draws))
    h = near * (z[1] - z[0])
    curve = (2.0 * draws[each, at] - draws[each, at - near] - draws[each, at + near]) / (h * h)
    half = (
        t_quantile(_QUANTILE, fit.degrees + more)
        * fit.plain.sigma
        * np.sqrt(variance)
        / np.maximum(curve, 1e-9)
    )
    most = 0.5 * float(course.x[-1] - course.x[0])
    return float(np.median(np.minimum(half * 0.5 * (one.high - one.low), most)))


def _local(fit: Fit, coded: F8) -> F8:
    """Columns of the plain terms and of the bends."""
    design = fit.design
    keep = [k for k, term in enumerate(design.terms) if k < len(design.base) or term.kind == "bend"]
    return design.columns(coded)[:, keep]


def _precision(fit: Fit) -> F8:
    """What the trial tells of those columns, its prior among it."""
    design = fit.design
    bends = [k for k, term in enumerate(design.doubted) if term.kind == "bend"]
    w = np.column_stack([design.x, design.z[:, bends]])
    told: F8 = w.T @ w
    told[np.diag_indices(len(told))] += np.concatenate(
        [np.zeros(len(design.base)), np.full(len(bends), 1.0 / _BENT**2)]
    )
    return told


def _candidates(name: str, low: float, high: float) -> list[tuple[float, ...]]:
    """Ladders of levels that people print."""
    found = []
    for step in _STEPS.get(name, (5.0,)):
        grid = min(step, 5.0)
        first = math.ceil(round(low / grid, 6)) * grid
        while first + 2 * step <= high + 1e-9:
            found += [
                tuple(first + k * step for k in range(count))
                for count in _LEVELS
                if first + (count - 1) * step <= high + 1e-9
            ]
            first += grid
    return found


def wanted_copies(fit: Fit, effects: Sequence[Effect], factor: int) -> int | None:
    """How many specimens in all would show an effect as large as a factor seems to have; None beyond
    `MOST_SPECIMENS`."""
    low, best, high = next(one.whole for one in effects if one.factor == factor)
    half = 0.5 * (high - low)
    if abs(best) * math.sqrt(MOST_SPECIMENS / len(fit.design.trial)) < half:
        return None
    return math.ceil(len(fit.design.trial) * (half / abs(best)) ** 2)
