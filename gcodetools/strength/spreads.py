"""Doubt as samples: every uncertain number is drawn many times, and each result is a band of what came out.

The first draw of every number is its best value, so that the first of every result is the best estimate. Each
number has draws of its own, told by its name: they do not depend on what else is drawn or in which order, and
two plates share them, so that a difference holds only what differs.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Quantity
from gcodetools.records import dataclass

__all__ = ["COVERAGE", "Band", "Draws", "band_of"]

F8 = NDArray[np.float64]

COVERAGE = 0.9
_SEED, _COUNT = 20, 1000
_SIGMAS = 1.6449  # of a normal distribution, from its middle to the ends that hold nine tenths
_ENDS = (50.0 * (1.0 - COVERAGE), 50.0 * (1.0 + COVERAGE))


@dataclass(frozen=True, slots=True)
class Band:
    """A number with the ends between which it is nine times of ten."""

    low: float
    best: float
    high: float


def band_of(draws: F8) -> Band:
    """(1 + d,) draws, the best first, as a band; their ends are stretched to hold the best where they would not."""
    best = float(draws[0])
    if len(draws) < 2:
        return Band(best, best, best)
    low, high = np.percentile(draws[1:], _ENDS).tolist()
    return Band(min(low, best), best, max(high, best))


@dataclass(frozen=True, slots=True)
class Draws:
    """Draws of numbers. count : how many besides the best. seed : the same seed, the same draws."""

    count: int = _COUNT
    seed: int = _SEED

    def __len__(self) -> int:
        return self.count + 1

    def normal(self, name: str) -> F8:
        """(1 + d,) of the standard normal distribution, the first 0."""
        made = np.random.default_rng([self.seed, zlib.crc32(name.encode())]).standard_normal(self.count)
        return np.concatenate([[0.0], made])

    def between(self, name: str, low: float, best: float, high: float, *, ratio: bool = False) -> F8:
        """(1 + d,) of a number that is `best`, nine times of ten from `low` to `high`: halves of two normal
        distributions that meet at the best. ratio : of the logarithm, for numbers above 0 whose doubt is a
        factor.

        Raises
        ------
        ValueError : ends that do not hold the best; a ratio that is not above 0.
        """
        if not low <= best <= high or (ratio and low <= 0):
            raise ValueError(f"{name}: {low:g} to {high:g} around {best:g}")
        z = self.normal(name) / _SIGMAS
        if ratio:
            down, up = np.log(best / low), np.log(high / best)
            scaled: F8 = best * np.exp(np.where(z < 0, z * down, z * up))
            return scaled
        return best + np.where(z < 0, z * (best - low), z * (high - best))

    def of(self, name: str, quantity: Quantity, *, ratio: bool = False, least: float | None = None) -> F8:
        """(1 + d,) of a profile's number within its spread; without a spread always the number. least : below
        which no draw falls.

        Raises
        ------
        ValueError : as `between`.
        """
        low, high = quantity.spread or (quantity.value, quantity.value)
        made = self.between(name, low, quantity.value, high, ratio=ratio)
        return made if least is None else np.maximum(made, least)
