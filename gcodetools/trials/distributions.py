"""Tails of distributions, and quantiles of mixtures of them. The only module of trials that needs scipy."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import UsageError

try:
    from scipy import optimize, special
except ImportError:
    optimize = special = None

__all__ = [
    "f_tail",
    "log_normal_tail",
    "mixture_quantile",
    "normal_quantile",
    "recedes",
    "require_fitting",
    "t_quantile",
    "t_tail",
    "variance_ends",
]

F8 = NDArray[np.float64]

_STEPS, _CLOSE = 60, 1e-12
_LEAST_SCALE = 1e-12  # of what is known exactly, as a ratio to itself


def require_fitting() -> None:
    """Ask for the library of distributions where it is missing.

    Raises
    ------
    UsageError : it is not installed.
    """
    if special is None:
        raise UsageError(
            "fits need the library scipy, which is not installed",
            "Install it with: pip install 'beadwright[trials]'",
        )


def t_quantile(share: float, degrees: float) -> float:
    """Of Student's t."""
    return float(special.stdtrit(degrees, share))


def t_tail(value: float, degrees: float) -> float:
    """Chance of more, of Student's t."""
    return float(special.stdtr(degrees, -value))


def f_tail(value: float, above: float, below: float) -> float:
    """Chance of a greater F."""
    return float(special.fdtrc(above, below, value))


def log_normal_tail(z: F8) -> F8:
    """Logarithm of the chance of more than z."""
    tail: F8 = special.log_ndtr(-z)
    return tail


def normal_quantile(logarithm: F8) -> F8:
    """The z below which a share lies whose logarithm is given."""
    z: F8 = special.ndtri_exp(logarithm)
    return z


def variance_ends(squares: float, degrees: int, coverage: float) -> tuple[float, float]:
    """Ends of a variance of which a sum of squares has so many degrees of freedom."""
    tail = (1.0 - coverage) / 2.0
    ends = (
        squares / (2.0 * float(special.gammaincinv(degrees / 2.0, share))) for share in (1.0 - tail, tail)
    )
    low, high = ends
    return low, high


def mixture_quantile(share: float, weight: F8, middle: F8, scale: F8, degrees: float) -> F8:
    """(n,) where a mixture of Student's t has this share below.

    Parameters
    ----------
    weight : (m,) of each. middle, scale : (m, n).
    """
    one = t_quantile(share, degrees)
    ends = middle + one * scale
    if len(weight) == 1:
        alone: F8 = ends[0]
        return alone
    low, high = ends.min(axis=0), ends.max(axis=0)
    scale = np.maximum(scale, _LEAST_SCALE * (1.0 + np.abs(middle)))
    quantile: F8 = np.average(ends, axis=0, weights=weight)
    peak = math.exp(math.lgamma(0.5 * degrees + 0.5) - math.lgamma(0.5 * degrees)) / math.sqrt(
        degrees * math.pi
    )
    for _ in range(_STEPS):
        z = (quantile - middle) / scale
        over = weight @ special.stdtr(degrees, z) - share
        dense = weight @ (peak * (1.0 + z * z / degrees) ** (-0.5 * degrees - 0.5) / scale)
        low, high = np.where(over < 0, quantile, low), np.where(over < 0, high, quantile)
        next_ = quantile - over / np.maximum(dense, 1e-300)
        # Newton's step, unless it leaves what is known to hold the root.
        next_ = np.where((next_ >= low) & (next_ <= high), next_, 0.5 * (low + high))
        if np.all(np.abs(next_ - quantile) <= _CLOSE * (np.abs(quantile) + scale.min(axis=0))):
            break
        quantile = next_
    return quantile


def recedes(fixed: F8, held: F8, row: F8) -> bool:
    """Whether coefficients can grow without end so that `row` (p,) of them does, `fixed` (m, p) of them stay as they
    are and `held` (h, p) of them do not fall."""
    p = len(row)
    found = optimize.linprog(
        -row,
        A_ub=-held if len(held) else None,
        b_ub=np.zeros(len(held)) if len(held) else None,
        A_eq=fixed if len(fixed) else None,
        b_eq=np.zeros(len(fixed)) if len(fixed) else None,
        bounds=[(-1.0, 1.0)] * p,
    )
    return bool(found.status == 0 and -found.fun > 1e-7)
