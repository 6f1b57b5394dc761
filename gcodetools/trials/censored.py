"""Readings of which only a side is known: held that much without breaking, or broke before it could be read.

The likelihood of a normal response that is measured or known from one side (Tobin 1958, Econometrica 26:24-36), in
the parameters of Olsen (1978, Econometrica 46:1211-1215), in which it has one summit: both from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.trials.distributions import log_normal_tail, normal_quantile
from gcodetools.trials.trial import Trial

__all__ = ["LEAST_SQUARES", "Likelihood", "between", "greatest_likelihood", "imputed"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_STEPS, _CLOSE = 80, 1e-11
_FAR = 20.0  # a coefficient of the logarithm, or its error, beyond which nothing is known but a direction
_LOG_2PI = math.log(2.0 * math.pi)
_MOST_Z = 37.0
LEAST_SQUARES = 1e-18  # of readings that lie on a curve exactly


@dataclass(frozen=True, slots=True)
class Likelihood:
    """Where the likelihood is greatest.

    value : (p,) coefficients. covariance : (p, p) by the curvature there. sigma : scatter. logarithm : of the
    likelihood. bounded : False where it grows without end, as where nothing broke at one setting.
    """

    value: F8
    covariance: F8
    sigma: float
    logarithm: float
    bounded: bool = True


def greatest_likelihood(x: F8, y: F8, side: I8, stated: tuple[int, float] = (0, 0.0)) -> Likelihood:
    """Fit y (n,), known as `side` says (see `trial.Trial`), by columns x (n, p).

    stated : degrees of freedom and sum of squares that a scatter known from elsewhere stands for.
    """
    if not np.any(side):
        return _measured(x, y, stated)
    return _one_sided(x, y, side, stated)


def _measured(x: F8, y: F8, stated: tuple[int, float]) -> Likelihood:
    n = len(y) + stated[0]
    value: F8 = np.linalg.lstsq(x, y, rcond=None)[0].astype(np.float64)
    squares = max(float(np.square(y - x @ value).sum()) + stated[1], LEAST_SQUARES)
    variance = squares / n
    logarithm = -0.5 * n * (_LOG_2PI + math.log(variance) + 1.0)
    covariance: F8 = (variance * np.linalg.inv(x.T @ x)).astype(np.float64)
    return Likelihood(value, covariance, math.sqrt(variance), logarithm)


def _one_sided(x: F8, y: F8, side: I8, stated: tuple[int, float]) -> Likelihood:
    """Newton's steps, halved where they overshoot. The unknowns are value / sigma and 1 / sigma."""
    p = x.shape[1]
    first = _measured(x, y, stated)
    precise = 1.0 / max(first.sigma, 1e-3)
    w = np.column_stack([-x, y])  # times the unknowns: (y - x value) / sigma
    at = np.concatenate([first.value * precise, [precise]])
    measured = int(np.sum(side == 0)) + stated[0]
    here = _logarithm(w @ at, at[-1], side, stated)
    bounded = True
    for _ in range(_STEPS):
        slope, curve = _derivatives(w @ at, side)
        gradient = w.T @ slope
        gradient[-1] += measured / at[-1] - stated[1] * at[-1]
        hessian = _hessian(w, curve, at[-1], measured, stated)
        step = np.linalg.solve(-hessian + 1e-10 * np.eye(p + 1), gradient)
        gain, share = float(gradient @ step), 1.0
        while share > 1e-6:
            new = at + share * step
            if new[-1] > 0 and (there := _logarithm(w @ new, new[-1], side, stated)) >= here - 1e-12:
                at, here = new, there
                break
            share *= 0.5
        if gain < _CLOSE:
            break
        if np.max(np.abs(at[1:p] / at[-1]), initial=0.0) > _FAR:
            bounded = False
            break
    _, curve = _derivatives(w @ at, side)
    inverse = np.linalg.pinv(-_hessian(w, curve, at[-1], measured, stated))
    # value = at[:p] / at[-1]
    jacobian = np.column_stack([np.eye(p) / at[-1], -at[:p] / at[-1] ** 2])
    covariance = jacobian @ inverse @ jacobian.T
    bounded &= bool(np.sqrt(np.diag(covariance)).max() < _FAR)
    return Likelihood(at[:p] / at[-1], covariance, 1.0 / at[-1], here, bounded)


def _hessian(w: F8, curve: F8, precise: float, measured: int, stated: tuple[int, float]) -> F8:
    found: F8 = (w * curve[:, None]).T @ w
    found[-1, -1] -= measured / precise**2 + stated[1]
    return found


def _logarithm(z: F8, precise: float, side: I8, stated: tuple[int, float]) -> float:
    measured = side == 0
    count = int(measured.sum()) + stated[0]
    squares = float(np.square(z[measured]).sum()) + stated[1] * precise**2
    own = -0.5 * (squares + count * (_LOG_2PI - 2.0 * math.log(precise)))
    return own + float(log_normal_tail(z[side > 0]).sum() + log_normal_tail(-z[side < 0]).sum())


def _derivatives(z: F8, side: I8) -> tuple[F8, F8]:
    """First and second, of each specimen's logarithm, by z."""
    sign = np.where(side < 0, -1.0, 1.0)
    far = sign * z
    hazard = np.exp(-0.5 * (far * far + _LOG_2PI) - log_normal_tail(far))
    slope = np.where(side == 0, -z, -sign * hazard)
    curve = np.where(side == 0, -1.0, -hazard * (hazard - far))
    return slope, curve


def imputed(found: Likelihood, x: F8, trial: Trial) -> F8:
    """(n,) readings, each that is known from one side at its mean beyond that, within the trial's cap."""
    middle = x @ found.value
    z = (trial.y - middle) / found.sigma
    sign = np.where(trial.side < 0, -1.0, 1.0)
    far = np.minimum(sign * z, _MOST_Z)
    mean = middle + sign * found.sigma * np.exp(-0.5 * (far * far + _LOG_2PI) - log_normal_tail(far))
    held = np.clip(sign * (mean - trial.y), 0.0, trial.cap)
    return np.where(trial.side == 0, trial.y, trial.y + sign * held)


def between(rng: np.random.Generator, low: F8, high: F8, middle: F8, sigma: F8) -> F8:
    """Draws of a normal distribution cut to low..high; all of one shape."""
    # By the tail that is the smaller, where the digits are.
    flip = 0.5 * (low + high) < middle
    a = np.where(flip, middle - high, low - middle) / sigma
    b = np.where(flip, middle - low, high - middle) / sigma
    upper, lower = log_normal_tail(a), log_normal_tail(b)
    u = rng.random(a.shape)
    z = -normal_quantile(upper + np.log(u + (1.0 - u) * np.exp(lower - upper)))
    return np.clip(np.where(flip, middle - sigma * z, middle + sigma * z), low, high)
