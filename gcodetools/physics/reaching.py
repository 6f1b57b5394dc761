"""What can be reached under a cap a place and a gain a step: the scan behind look-ahead planning."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["reached", "reached_backward"]

F8 = NDArray[np.float64]


def reached(cap: F8, gain: F8) -> F8:
    """The (min,+) prefix scan: w[0] = cap[0], w[i] = min(cap[i], w[i-1] + gain[i-1]).

    Windows double in length. Numbers at or above zero are only added and compared, never subtracted, so the
    result keeps its relative precision whatever stands far away in the list: log2(n) roundings at most. (The
    minimum over `cap - cumsum(gain)` subtracts two large sums, and loses what is small in a long list.) A place
    whose window gains as much as it has already is done; few are left after some steps.

    Parameters
    ----------
    cap : (n + 1,) at least 0. gain : (n,) at least 0.

    Returns
    -------
    (n + 1,)
    """
    best = cap.astype(np.float64)
    span = np.empty_like(best)  # gained over the window that ends at each place
    span[:1] = np.inf
    span[1:] = gain
    # The first step at all places, since most take part in it.
    np.minimum(best[1:], best[:-1] + gain, out=best[1:])
    span[1:] += span[:-1].copy()
    at = np.flatnonzero(span < best)
    stride = 2
    while len(at):
        before = at - stride
        low = np.minimum(best[at], best[before] + span[at])
        wide = span[at] + span[before]
        best[at] = low
        span[at] = wide
        at = at[wide < low]
        stride *= 2
    return best


def reached_backward(cap: F8, gain: F8) -> F8:
    """The same from behind: w[n] = cap[n], w[i] = min(cap[i], w[i+1] + gain[i])."""
    return reached(cap[::-1], gain[::-1])[::-1]
