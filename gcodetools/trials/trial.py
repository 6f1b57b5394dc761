"""What a fit starts from: settings as columns, readings as logarithms, and where each specimen stood."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["STATED_DEGREES", "UNITS", "Factor", "Trial", "factor_from"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

UNITS = {"nozzle": "C", "fan": "%", "speed": "%", "flow": "%", "perimeters": ""}
_SAME = 1e-9
# A scatter that somebody states holds from 0.72 to 1.7 times, nine times of ten; an assumption.
STATED_DEGREES = 8


@dataclass(frozen=True, slots=True)
class Factor:
    """A setting that was varied.

    asked, x : (n,) what was asked, and what the fit goes by: what was reached where that is known. levels : (l,)
    the distinct values asked, ascending; at : (l,) the means of x there. reached : whether x is what was reached.
    """

    name: str
    asked: F8
    x: F8
    levels: F8
    at: F8
    reached: bool

    @property
    def unit(self) -> str:
        """C, % or nothing."""
        return UNITS.get(self.name, "")

    @property
    def low(self) -> float:
        """The least that was printed."""
        return float(self.at.min())

    @property
    def high(self) -> float:
        """The most that was printed."""
        return float(self.at.max())

    @property
    def step(self) -> float:
        """The usual distance of levels."""
        return float(np.median(np.diff(np.sort(self.at))))

    def coded(self, x: F8) -> F8:
        """-1 at the least that was printed, 1 at the most."""
        return (x - 0.5 * (self.low + self.high)) / (0.5 * (self.high - self.low))

    def plain(self, z: F8) -> F8:
        """The setting that is coded so."""
        return 0.5 * (self.low + self.high) + 0.5 * (self.high - self.low) * z

    def offset(self) -> float:
        """What is reached, over what is asked: the mean difference."""
        return float(np.mean(self.at - self.levels))


def factor_from(name: str, asked: F8, reached: F8 | None) -> Factor | None:
    """A factor from its columns (n,); None where it was not varied, or what was reached hardly differs."""
    levels, of = np.unique(asked, return_inverse=True)
    if len(levels) < 2:
        return None
    x = asked if reached is None else reached
    at = np.bincount(of.ravel(), x) / np.bincount(of.ravel())
    if at.max() - at.min() <= _SAME * max(abs(at).max(), 1.0):
        return None
    return Factor(name, asked, x, levels, at, reached is not None)


@dataclass(frozen=True, slots=True)
class Trial:
    """Specimens that were tested, n of them.

    y : (n,) natural logarithm of the reading. side : (n,) 0 measured; 1 it held y without breaking; -1 it broke
    before y. place : (n, p) where it stood, mm, with names; sheet : (n,) number of the file. group : (n,) specimens
    of one number were printed alike, in one file. scatter : of y, stated from elsewhere; it counts as if from
    `STATED_DEGREES` of freedom, beside those of the sheets. cap : what was not broken is taken to break within so
    much of y above (or below) what is known.
    """

    factors: tuple[Factor, ...]
    y: F8
    side: I8
    place: F8
    place_names: tuple[str, ...]
    sheet: I8
    group: I8
    scatter: float | None = None
    cap: float = math.log(4.0)

    def __len__(self) -> int:
        return len(self.y)

    @property
    def coded(self) -> F8:
        """(n, k) settings, each from -1 to 1."""
        if not self.factors:
            return np.zeros((len(self), 0))
        return np.column_stack([factor.coded(factor.x) for factor in self.factors])

    @property
    def censored(self) -> bool:
        """Whether some did not break, or broke unread."""
        return bool(np.any(self.side != 0))

    @property
    def stated(self) -> tuple[int, float]:
        """Degrees of freedom and sum of squares that a stated scatter stands for."""
        return (0, 0.0) if self.scatter is None else (STATED_DEGREES, STATED_DEGREES * self.scatter**2)
