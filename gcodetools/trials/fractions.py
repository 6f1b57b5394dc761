"""Small designs out of a library of designs of experiments. The only module that needs it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import UsageError

try:
    import pydoe
except ImportError:
    pydoe = None

__all__ = ["middles", "require_designs", "subset_of_grid", "two_level_fraction"]

I8 = NDArray[np.int64]


def require_designs() -> None:
    """Ask for the library where it is missing.

    Raises
    ------
    UsageError : it is not installed.
    """
    if pydoe is None:
        raise UsageError(
            "small designs need the library of designs, which is not installed",
            "Install it with: pip install 'beadwright[trials]', or take --design grid.",
        )


def two_level_fraction(factors: int, halvings: int) -> I8:
    """A regular two-level fraction of 2^(factors - halvings) runs, of the generators that confound the least.

    Parameters
    ----------
    halvings : how often the full design is halved, from 1.

    Returns
    -------
    (runs, factors) int64, 0 = low and 1 = high.

    Raises
    ------
    UsageError : the library is missing. ValueError : so few runs can't hold that many factors.
    """
    require_designs()
    generators, _, _ = pydoe.fracfact_opt(factors, halvings)
    coded = np.asarray(pydoe.fracfact(generators))
    result: I8 = (coded > 0).astype(np.int64)
    return result


def subset_of_grid(levels: tuple[int, ...], share: int) -> I8:
    """A balanced subset of a grid, about one run of `share` (a generalised subset design: Surowiec et al.,
    Analytical Chemistry 89, 2017, 6491; from memory).

    Returns
    -------
    (runs, factors) int64, index of each factor's value.

    Raises
    ------
    UsageError : the library is missing. ValueError : the levels can't be reduced so far.
    """
    require_designs()
    result: I8 = np.asarray(pydoe.gsd(list(levels), share)).astype(np.int64)
    return result


def middles(factors: int) -> I8:
    """A Box-Behnken design of three levels a factor with one run in the centre, for a curved answer.

    Returns
    -------
    (runs, factors) int64, 0, 1 or 2.

    Raises
    ------
    UsageError : the library is missing. ValueError : fewer than three factors.
    """
    require_designs()
    if factors < 3:
        raise ValueError(f"{factors} factors, a design of edge middles needs 3")
    result: I8 = (np.asarray(pydoe.bbdesign(factors, center=1)) + 1).astype(np.int64)
    return result
