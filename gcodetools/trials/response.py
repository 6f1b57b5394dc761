"""The fit: least squares of the plain terms, and an average over models that doubt them.

Plain terms have no prior, so that with one model alone every interval is that of Student's t (any handbook of
regression). Doubted terms have a normal prior as wide as the model says; weights of models follow from the
restricted likelihood, with the scatter integrated over Jeffreys' prior (Box and Tiao 1973, Bayesian Inference in
Statistical Analysis, chapter 2; from memory). Where a specimen did not break, its reading is drawn anew each round
(`censored`).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.trials.censored import LEAST_SQUARES, Likelihood, between, greatest_likelihood, imputed
from gcodetools.trials.distributions import f_tail, mixture_quantile, t_quantile, variance_ends
from gcodetools.trials.profiled import Profile
from gcodetools.trials.terms import Design

__all__ = ["COVERAGE", "Ends", "Fit", "LackOfFit", "Plain", "fit"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

COVERAGE = 0.9
_SEED, _DRAWS = 20, 4000
_LEAST_WEIGHT = 1e-4
_PROFILED = 9  # of many rows
_FIRST, _KEPT, _APART = 100, 16, 4  # rounds of a chain: left out, kept, and how far apart


@dataclass(frozen=True, slots=True)
class Ends:
    """Numbers (m,) with the ends between which each is nine times of ten."""

    low: F8
    best: F8
    high: F8


@dataclass(frozen=True, slots=True)
class Plain:
    """The plain terms by least squares; by greatest likelihood where some did not break.

    value, error : (p,) coefficients and their standard errors, settings coded from -1 to 1. sigma : scatter of y,
    with its ends where they can be told. degrees : of freedom, of the scatter. bounded : False where the likelihood
    grows without end, so that the numbers say no more than a direction.
    """

    value: F8
    error: F8
    sigma: float
    sigma_ends: tuple[float, float] | None
    degrees: int
    bounded: bool = True

    def ends(self, coverage: float = COVERAGE) -> Ends:
        """The coefficients with their intervals."""
        t = t_quantile(0.5 + coverage / 2.0, self.degrees)
        return Ends(self.value - t * self.error, self.value, self.value + t * self.error)


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Specimens printed alike against the curve. pure : their scatter, of y, with `degrees`. tail : chance that the
    curve misses the means so far by chance; None where there is nothing beyond the terms to miss."""

    pure: float
    degrees: int
    tail: float | None


class Fit:
    """A trial fitted. Made by `fit`.

    design, plain, lack : see there. weights : (m,) of the design's models. theta : (d, p + q) draws of all
    coefficients. filled : (n,) readings, each that is known from one side where it probably broke.
    """

    def __init__(self, design: Design, seed: int = _SEED, draws: int = _DRAWS) -> None:
        self.design = design
        trial = design.trial
        self.degrees = design.degrees
        likelihood = greatest_likelihood(design.x, trial.y, trial.side, trial.stated)
        self.plain = self._plain(likelihood)
        self.lack = _lack_of_fit(design) if not trial.censored else None
        rng = np.random.default_rng(seed)
        whole = np.column_stack([design.x, design.z])
        parts = _parts(design, whole)
        # Sums of squares are differences: they keep their digits where the mean is gone.
        self._level = float(trial.y.mean())
        self.filled: F8 = imputed(likelihood, design.x, trial) if trial.censored else trial.y
        y = self.filled - self._level
        weight, squares = (found[0] for found in _weighed(parts, design, y[None, :], whole))
        keep = np.flatnonzero(weight >= _LEAST_WEIGHT)
        parts, weight = [parts[k] for k in keep.tolist()], weight[keep] / weight[keep].sum()
        self._profiles: dict[float, Profile] = {}
        self._exact: tuple[F8, list[_Part], F8, F8] | None = None
        if trial.censored:
            self.theta, self.weights = _sampled(parts, design, whole, y, self._level, rng, draws)
        else:
            self.weights = _by_name(parts, weight)
            middle = np.stack([part.middle((y @ whole)[None, :])[0] for part in parts])
            middle[:, 0] += self._level
            self._exact = (weight, parts, middle, squares[keep] / design.degrees)
            self.theta = self._drawn(rng, draws)

    def _plain(self, found: Likelihood) -> Plain:
        trial, design = self.design.trial, self.design
        if trial.censored:
            error = np.sqrt(np.diag(found.covariance))
            return Plain(found.value, error, found.sigma, None, self.degrees, found.bounded)
        squares = float(np.square(trial.y - design.x @ found.value).sum()) + trial.stated[1]
        squares = max(squares, LEAST_SQUARES)
        sigma = math.sqrt(squares / self.degrees)
        low, high = variance_ends(squares, self.degrees, COVERAGE)
        error = sigma * np.sqrt(np.diag(np.linalg.inv(design.x.T @ design.x)))
        return Plain(found.value, error, sigma, (math.sqrt(low), math.sqrt(high)), self.degrees)

    def _drawn(self, rng: np.random.Generator, draws: int) -> F8:
        assert self._exact is not None
        weight, parts, middle, variance = self._exact
        counts = rng.multinomial(draws, weight)
        made = []
        for k, part in enumerate(parts):
            many = int(counts[k])
            scale = variance[k] * self.degrees / rng.chisquare(self.degrees, many)
            made.append(
                middle[k] + np.sqrt(scale)[:, None] * (rng.standard_normal((many, part.size)) @ part.root)
            )
        return np.concatenate(made)

    def mean(self, columns: F8) -> F8:
        """(m,) best estimates of what `columns` (m, p + q) times the coefficients make."""
        if self._exact is None:
            middle: F8 = np.median(self.theta @ columns.T, axis=0)
            return middle
        weight, _, at, _ = self._exact
        best: F8 = weight @ (at @ columns.T)
        return best

    def ends(self, columns: F8, coverage: float = COVERAGE) -> Ends:
        """The same with their intervals: quantiles of the average over models."""
        tail = (1.0 - coverage) / 2.0
        if self._exact is None:
            low, high = np.quantile(self.theta @ columns.T, (tail, 1.0 - tail), axis=0)
            return Ends(*self._wider(columns, low, self.mean(columns), high, coverage))
        weight, parts, middle, variance = self._exact
        scale = np.stack(
            [
                np.sqrt(v * np.square(columns @ part.root.T).sum(axis=1))
                for part, v in zip(parts, variance, strict=True)
            ]
        )
        at = middle @ columns.T
        low, high = (mixture_quantile(s, weight, at, scale, self.degrees) for s in (tail, 1.0 - tail))
        return Ends(low, weight @ at, high)

    def _wider(self, columns: F8, low: F8, best: F8, high: F8, coverage: float) -> tuple[F8, F8, F8]:
        """Ends as far out as the likelihood of the plain terms has them; of many in a row, between some of them."""
        rows, p = len(columns), len(self.design.base)
        at = np.unique(np.linspace(0, rows - 1, min(rows, _PROFILED)).round().astype(int))
        profile = self._profile(coverage)
        out = np.array([profile.wider(columns[k, :p], float(low[k]), float(high[k])) for k in at.tolist()])
        more = [
            np.interp(np.arange(rows), at, np.abs(out[:, k] - end[at])) for k, end in enumerate((low, high))
        ]
        return low - more[0], best, high + more[1]

    def _profile(self, coverage: float) -> Profile:
        if coverage not in self._profiles:
            self._profiles[coverage] = Profile(self.design, coverage)
        return self._profiles[coverage]

    def endless(self, columns: F8) -> NDArray[np.bool_]:
        """(m,) whether nothing broke that would bound what is told there from above, but for the cap."""
        if self._exact is not None:
            return np.zeros(len(columns), bool)
        profile, p = self._profile(COVERAGE), len(self.design.base)
        return np.array([profile.endless(row[:p]) for row in columns])

    def allows(self, columns: F8, value: float) -> NDArray[np.bool_]:
        """(m,) whether what the columns make may be `value`, by the likelihood of the plain terms."""
        profile, p = self._profile(COVERAGE), len(self.design.base)
        return np.array([profile.allows(row[:p], value) for row in columns])

    def draws(self, columns: F8) -> F8:
        """(d, m) draws of them."""
        drawn: F8 = self.theta @ columns.T
        return drawn

    def tail_of(self, factor: int) -> float:
        """Chance of so great an effect of a factor if it had none: the F test of its plain terms together; from the
        likelihoods where some did not break."""
        trial, design = self.design.trial, self.design
        mine = [
            k
            for k, term in enumerate(design.base)
            if term.kind in ("slope", "square") and term.of == (factor,)
        ]
        if not mine:
            return 1.0
        rest = np.delete(design.x, mine, axis=1)
        full = greatest_likelihood(design.x, trial.y, trial.side, trial.stated).logarithm
        without = greatest_likelihood(rest, trial.y, trial.side, trial.stated).logarithm
        gain = max(2.0 * (full - without), 0.0) / (len(trial) + trial.stated[0])
        return f_tail(math.expm1(min(gain, 500.0)) * self.degrees / len(mine), len(mine), self.degrees)


def fit(design: Design, seed: int = _SEED, draws: int = _DRAWS) -> Fit:
    """Fit a trial. seed : the same seed, the same numbers. draws : how many to make."""
    return Fit(design, seed, draws)


@dataclass(frozen=True, slots=True)
class _Part:
    """One model: W = its columns of all, P = W'W + 1 / variances.

    prior : logarithm of its weight before. size : of its columns. root : (size, p + q) so that root' root is P's
    inverse, 0 for columns it has not. log_det : of P and the variances together.
    """

    name: str
    prior: float
    size: int
    root: F8
    log_det: float

    def half(self, told: F8) -> F8:
        """(c, size) of W'y of all columns, (c, p + q), whose square is what the model explains."""
        found: F8 = told @ self.root.T
        return found

    def middle(self, told: F8) -> F8:
        """(c, p + q) coefficients."""
        found: F8 = self.half(told) @ self.root
        return found


def _parts(design: Design, whole: F8) -> list[_Part]:
    """All models, from the products of their columns alone: how many specimens there are costs nothing."""
    products, p = whole.T @ whole, len(design.base)
    found = []
    for model in design.models:
        active = np.flatnonzero(model.extra > 0)
        at = np.concatenate([np.arange(p), p + active])
        precision = products[np.ix_(at, at)]
        precision[np.arange(p, len(at)), np.arange(p, len(at))] += 1.0 / model.extra[active]
        lower = np.linalg.cholesky(precision)
        root = np.zeros((len(at), whole.shape[1]))
        root[:, at] = np.linalg.inv(lower)
        log_det = 2.0 * float(np.log(np.diag(lower)).sum()) + float(np.log(model.extra[active]).sum())
        found.append(_Part(model.name, math.log(model.prior), len(at), root, log_det))
    return found


def _weighed(parts: list[_Part], design: Design, y: F8, whole: F8) -> tuple[F8, F8]:
    """(c, m) weights of models for each of (c, n) readings, and their sums of squares."""
    told, all_ = y @ whole, np.square(y).sum(axis=1)
    squares = np.stack([all_ - np.square(part.half(told)).sum(axis=1) for part in parts], axis=1)
    squares = np.maximum(squares + design.trial.stated[1], LEAST_SQUARES)
    before = np.array([part.prior - 0.5 * part.log_det for part in parts])
    score = before - 0.5 * design.degrees * np.log(squares)
    weight = np.exp(score - score.max(axis=1, keepdims=True))
    return weight / weight.sum(axis=1, keepdims=True), squares


def _by_name(parts: list[_Part], weight: F8) -> dict[str, float]:
    """Weights by what a model has beyond the plain terms, the greatest first."""
    found: dict[str, float] = {}
    for part, one in zip(parts, weight.tolist(), strict=True):
        found[part.name] = found.get(part.name, 0.0) + one
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def _sampled(
    parts: list[_Part],
    design: Design,
    whole: F8,
    filled: F8,
    level: float,
    rng: np.random.Generator,
    draws: int,
) -> tuple[F8, dict[str, float]]:
    """Draws of all coefficients and weights of models, where some readings are known from one side.

    Many chains side by side: each draws a model, its scatter and coefficients by the readings as they are filled in
    (exactly), then fills in anew. filled : (n,) readings to begin with, over `level`.
    """
    trial = design.trial
    chains = max(draws // _KEPT, 1)
    open_ = np.flatnonzero(trial.side)
    known, up = trial.y[open_] - level, trial.side[open_] > 0
    low, high = np.where(up, known, known - trial.cap), np.where(up, known + trial.cap, known)
    y = np.tile(filled, (chains, 1))
    shape = (chains, len(open_))
    kept, seen = [], np.zeros(len(parts))
    for step in range(_FIRST + _KEPT * _APART):
        weight, squares = _weighed(parts, design, y, whole)
        chosen = (np.cumsum(weight, axis=1) < rng.random((chains, 1))).sum(axis=1).clip(max=len(parts) - 1)
        variance = squares[np.arange(chains), chosen] / rng.chisquare(design.degrees, chains)
        theta = np.empty((chains, whole.shape[1]))
        for k in np.unique(chosen).tolist():
            at, part = np.flatnonzero(chosen == k), parts[k]
            noise = rng.standard_normal((len(at), part.size)) @ part.root
            theta[at] = part.middle(y[at] @ whole) + np.sqrt(variance[at])[:, None] * noise
        middle = theta @ whole[open_].T
        sigma = np.broadcast_to(np.sqrt(variance)[:, None], shape)
        y[:, open_] = between(rng, np.broadcast_to(low, shape), np.broadcast_to(high, shape), middle, sigma)
        if step >= _FIRST and (step - _FIRST) % _APART == 0:
            theta[:, 0] += level
            kept.append(theta)
            seen += weight.sum(axis=0)
    return np.concatenate(kept), _by_name(parts, seen / seen.sum())


def _lack_of_fit(design: Design) -> LackOfFit | None:
    """Scatter of specimens printed alike, and whether the curve misses their means by more than that; place on the
    plate and sheet taken out of both."""
    trial = design.trial
    if np.bincount(trial.group).max() < 2:
        return None
    steps = (trial.group[:, None] == np.arange(trial.group.max() + 1)) * 1.0
    aside = [k for k, term in enumerate(design.base) if term.kind in ("place", "sheet")]
    whole = np.column_stack([steps, design.x[:, aside]])
    degrees = len(trial) - int(np.linalg.matrix_rank(whole))
    if degrees == 0:
        return None
    pure, left = (
        float(np.square(trial.y - columns @ np.linalg.lstsq(columns, trial.y, rcond=None)[0]).sum())
        for columns in (whole, design.x)
    )
    beyond = len(trial) - len(design.base) - degrees
    variance = max(pure, LEAST_SQUARES) / degrees
    tail = f_tail(max(left - pure, 0.0) / beyond / variance, beyond, degrees) if beyond > 0 else None
    return LackOfFit(math.sqrt(variance), degrees, tail)
