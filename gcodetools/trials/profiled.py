"""Ends by the likelihood itself, where some specimens did not break.

Draws with a flat prior put what held far above what it held: where most of a step held, their lower end can lie above
the truth. The ratio of likelihoods claims no more than was seen. The ends are those settings of a linear function of
the plain coefficients that the data do not reject, its chance scaled so that with nothing held it is Student's t.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gcodetools.trials.censored import greatest_likelihood
from gcodetools.trials.distributions import recedes, t_quantile
from gcodetools.trials.terms import Design

__all__ = ["Profile"]

F8 = NDArray[np.float64]

_NOTHING = 1e-18
_STEPS, _HALVINGS = 3, 5  # out to 1.2 times the width: further is for the cap of what held to say


class Profile:
    """The likelihood of a design's plain terms along linear functions of them.

    Parameters
    ----------
    design : with readings of which some are known from one side. coverage : of the ends.
    """

    def __init__(self, design: Design, coverage: float) -> None:
        trial = design.trial
        self.x, self.y, self.side, self.stated = design.x, trial.y, trial.side, trial.stated
        self.greatest = greatest_likelihood(self.x, self.y, self.side, self.stated).logarithm
        # By step: a hair of difference in what copies reached bounds nothing.
        levels = [f.coded(f.at[np.searchsorted(f.levels, f.asked)]) for f in trial.factors]
        self.steps = design.columns(np.column_stack(levels))[:, : len(design.base)]
        t = t_quantile(0.5 + coverage / 2.0, design.degrees)
        many = len(trial) + trial.stated[0]
        self.most = 0.5 * many * math.log1p(t * t / design.degrees)

    def allows(self, row: F8, value: float) -> bool:
        """Whether `row` (p,) times the coefficients may be `value`."""
        size = float(row @ row)
        if size < _NOTHING:
            return abs(value) < 1e-9
        rest = np.linalg.svd(row[None, :])[2][1:].T
        y = self.y - self.x @ row * (value / size)
        found = greatest_likelihood(self.x @ rest, y, self.side, self.stated)
        return self.greatest - found.logarithm <= self.most

    def wider(self, row: F8, low: float, high: float) -> tuple[float, float]:
        """low and high, or ends further out, as far as the data allow."""
        if float(row @ row) < _NOTHING:  # a difference of a setting to itself is known
            return low, high
        width = max(high - low, 1e-6)
        return self._out(row, low, -0.25 * width), self._out(row, high, 0.25 * width)

    def _out(self, row: F8, end: float, step: float) -> float:
        if not self.allows(row, end):
            return end
        inner, outer = end, end + step
        for _ in range(_STEPS):
            if not self.allows(row, outer):
                break
            inner, outer = outer, outer + step
            step *= 1.5
        else:
            return inner
        for _ in range(_HALVINGS):
            middle = 0.5 * (inner + outer)
            inner, outer = (middle, outer) if self.allows(row, middle) else (inner, middle)
        return outer

    def endless(self, row: F8) -> bool:
        """Whether the data leave it open how great `row` times the coefficients may be: nothing broke that would
        bound it."""
        held = self.side != 0
        if np.linalg.matrix_rank(self.steps[~held]) == np.linalg.matrix_rank(self.steps):
            return False
        sign = np.where(self.side < 0, -1.0, 1.0)[held, None]
        return recedes(self.steps[~held], sign * self.steps[held], row)
