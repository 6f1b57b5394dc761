"""A click judged from 1 to 5: means and ranks, for the distance of two marks says nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Clicks", "clicks_of", "ranks"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_SHUFFLES, _SEED = 9999, 20


@dataclass(frozen=True, slots=True)
class Clicks:
    """Marks by the levels of one setting. levels, count, mean : (l,). kruskal : statistic of Kruskal and Wallis, with
    ties; tail : chance of so great a one if the setting did nothing, by shuffling the marks. rise : Spearman's rank
    correlation of setting and mark; rise_tail : chance of so great a one either way, by the same shuffling."""

    levels: F8
    count: I8
    mean: F8
    kruskal: float
    tail: float
    rise: float
    rise_tail: float


def ranks(values: F8) -> F8:
    """(n,) ranks from 1, ties at their mean."""
    _, of, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    mean: F8 = (last - 0.5 * (count - 1))[of.ravel()]
    return mean


def clicks_of(setting: F8, marks: F8) -> Clicks:
    """Marks (n,) by a setting (n,)."""
    levels, of, count = np.unique(setting, return_inverse=True, return_counts=True)
    of = of.ravel()
    rank = ranks(marks)
    whole = _kruskal(rank[None, :], of, count)[0]
    rng = np.random.default_rng(_SEED)
    shuffled = rng.permuted(np.tile(rank, (_SHUFFLES, 1)), axis=1)
    more = int(np.sum(_kruskal(shuffled, of, count) >= whole - 1e-9))
    place = ranks(setting)
    rise = _correlation(rank[None, :], place)[0]
    as_great = int(np.sum(np.abs(_correlation(shuffled, place)) >= abs(rise) - 1e-9))
    mean = np.bincount(of, marks) / count
    tails = [(number + 1) / (_SHUFFLES + 1) for number in (more, as_great)]
    return Clicks(levels, count, mean, float(whole), tails[0], float(rise), tails[1])


def _correlation(rank: F8, place: F8) -> F8:
    """(c,) of (c, n) ranks with places (n,); 0 where either does not differ."""
    place, rank = place - place.mean(), rank - rank.mean(axis=1, keepdims=True)
    spread = np.sqrt(np.square(rank).sum(axis=1) * np.square(place).sum())
    found: F8 = (rank @ place) / np.where(spread > 0, spread, 1.0)
    return found


def _kruskal(rank: F8, of: I8, count: I8) -> F8:
    """(c,) statistics of (c, n) ranks (Kruskal and Wallis 1952, J. Am. Stat. Assoc. 47:583-621; from memory)."""
    n = rank.shape[1]
    sums = np.stack([rank[:, of == k].sum(axis=1) for k in range(len(count))], axis=1)
    raw = 12.0 / (n * (n + 1)) * (sums**2 / count).sum(axis=1) - 3.0 * (n + 1)
    _, ties = np.unique(rank[0], return_counts=True)
    left = 1.0 - float((ties**3 - ties).sum()) / (n**3 - n)
    if left <= 0:
        return np.zeros(len(rank))
    found: F8 = raw / left
    return found
