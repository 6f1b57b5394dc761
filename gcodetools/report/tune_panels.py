"""What the plot of a fitted trial draws, as columns: a panel a setting."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["TunePanel", "TunePlot"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TunePanel:
    """The response over one setting, the others at their best.

    words : under the axis. x : (g,) settings; low, best, high : (g,) the mean's ends and its best estimate. at,
    value : (n,) specimens, moved along the fit to the best of the other settings and the middle of the plate. side :
    (n,) 0 broke there, 1 held that, -1 broke before. peak : low, best, high; None where none is told.
    """

    name: str
    words: str
    x: F8
    low: F8
    best: F8
    high: F8
    at: F8
    value: F8
    side: I8
    peak: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class TunePlot:
    """Panels that share a vertical axis, with `words` beside it."""

    title: str
    subtitle: str
    words: str
    note: str
    panels: tuple[TunePanel, ...]
