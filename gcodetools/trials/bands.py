"""Bands of height in one coupon: layers that belong to a step each, with layers between in which the nozzle arrives."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Heating
from gcodetools.physics.hotend import Fan, Hotend
from gcodetools.physics.leads import FAN_LAGS, WITHIN_C
from gcodetools.records import dataclass

__all__ = [
    "GAP_MM",
    "LEAST_LAYERS",
    "LEAST_MM",
    "Bands",
    "arrival_s",
    "fan_arrival_s",
    "lay_bands",
    "most_bands",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

LEAST_MM = 2.0  # of a band; common practice, no source: a break wanders over several layers
LEAST_LAYERS = 5
GAP_MM = 1.0  # between bands, the cut of a fine saw; common practice, no source
_STEP_C = 10.0  # as the schedule tells a nozzle: at most so much at once
_HALVINGS = 40


@dataclass(frozen=True, slots=True)
class Bands:
    """Layers of each band, from the bed upward. first, last : (n,) indices, both in it. lead : (n,) layers below
    each that belong to no band."""

    first: I8
    last: I8
    lead: I8

    def __len__(self) -> int:
        return len(self.first)


def arrival_s(heating: Heating, before_c: float, after_c: float) -> float:
    """Seconds from a command until what leaves the nozzle is within 1 C of its target, on the slowest machine of
    the profile's spread, told in steps as the schedule does."""
    slow = Hotend.of(heating, "slow")
    count = max(int(np.ceil(abs(after_c - before_c) / _STEP_C - 1e-9)), 1)
    stations = np.linspace(before_c, after_c, count + 1)
    ramp = sum(slow.reach_s(a, b, WITHIN_C / 2) for a, b in pairwise(stations.tolist()))
    return ramp + slow.soak_s if before_c != after_c else 0.0


def fan_arrival_s(heating: Heating, before: float, after: float) -> float:
    """The same for the part fan, 0 to 1: four lags."""
    return 0.0 if before == after else FAN_LAGS * Fan.of(heating, "slow").lag_s


def lay_bands(
    top_mm: F8, layer_s: F8, needs_s: Sequence[float], gap_mm: float = GAP_MM, least_mm: float = LEAST_MM
) -> Bands | None:
    """Bands as high as fit, all alike but for a layer; None where they would be lower than `least_mm`.

    Parameters
    ----------
    top_mm : (l + 1,) the underside of the first layer, then the top of each. layer_s : (l,) seconds of each.
    needs_s : what the nozzle needs to arrive before each band, the first included. gap_mm : at least so much
    between two bands.
    """
    count = len(needs_s)
    low, high = 0.0, float(top_mm[-1] - top_mm[0]) / max(count, 1)
    least = max(least_mm, _layers_mm(top_mm, LEAST_LAYERS))
    found = _climb(top_mm, layer_s, needs_s, gap_mm, least)
    if found is None:
        return None
    low = least
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        better = _climb(top_mm, layer_s, needs_s, gap_mm, middle)
        if better is None:
            high = middle
        else:
            low, found = middle, better
    return found


def most_bands(
    top_mm: F8, layer_s: F8, need_s: float, gap_mm: float = GAP_MM, least_mm: float = LEAST_MM
) -> int:
    """How many bands fit at least, if each needs so long to arrive at."""
    count = 0
    while _climb(
        top_mm, layer_s, [need_s] * (count + 1), gap_mm, max(least_mm, _layers_mm(top_mm, LEAST_LAYERS))
    ):
        count += 1
    return count


def _layers_mm(top_mm: F8, layers: int) -> float:
    return layers * float(np.median(np.diff(top_mm))) if len(top_mm) > 1 else 0.0


def _climb(
    top_mm: F8, layer_s: F8, needs_s: Sequence[float], gap_mm: float, height_mm: float
) -> Bands | None:
    """Bands of at least `height_mm` from below, each begun as soon as the nozzle is there."""
    begin_s = np.concatenate([[0.0], np.cumsum(layer_s)])
    at, count = 0, len(layer_s)
    first, last, lead = [], [], []
    for k, need in enumerate(needs_s):
        start = int(np.searchsorted(begin_s, begin_s[at] + need - 1e-9, side="left"))
        if k:
            start = max(start, int(np.searchsorted(top_mm, top_mm[at] + gap_mm - 1e-6, side="left")))
        start = max(start, at)
        if start >= count:
            return None
        end = int(np.searchsorted(top_mm, top_mm[start] + height_mm - 1e-6, side="left"))
        if end > count:
            return None
        first.append(start)
        last.append(end - 1)
        lead.append(start - at)
        at = end
    return Bands(*(np.array(column, np.int64) for column in (first, last, lead)))
