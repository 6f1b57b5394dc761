"""What the layers of an instance bear, for a strip along its height: its regions put together, with bands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.strength.pieces import Instance
from gcodetools.strength.spreads import COVERAGE
from gcodetools.strength.welds import LayerWelds

__all__ = ["Ages", "Strip", "layer_ages", "strip_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_ENDS = (50.0 * (1.0 - COVERAGE), 50.0 * (1.0 + COVERAGE))


@dataclass(frozen=True, slots=True)
class Ages:
    """Sums by layer of an instance, columns (k,): layer from 1, area_mm2 of what rests on something, aged : that
    times its age, mm2 s."""

    layer: I8
    area_mm2: F8
    aged: F8


@dataclass(frozen=True, slots=True)
class Strip:
    """Layers of an instance that hold a region, columns (k,), NaN where nothing tells.

    layer : of the instance, from 1. bond, strength_mpa : (3, k) low, best, high; the mean over the regions' beads
    that rest on solid ones, and what the layer bears over the whole area of the regions' beads. age_s : of what lies
    below.
    """

    layer: I8
    bond: F8
    strength_mpa: F8
    age_s: F8


def layer_ages(instance: Instance, within: Bool) -> Ages:
    """Ages of what the pieces `within` lie on, by layer."""
    on, at = instance.lies_on(within), np.flatnonzero(within)
    known = ~np.isnan(on.age_s)
    area = (instance.samples.width_mm * instance.samples.length_mm)[at][known] * on.share[known]
    layer, member = np.unique(instance.own_layer[at][known], return_inverse=True)
    return Ages(
        layer.astype(np.int64),
        np.bincount(member, area, minlength=len(layer)).astype(np.float64),
        np.bincount(member, area * on.age_s[known], minlength=len(layer)).astype(np.float64),
    )


def strip_of(welds: Sequence[LayerWelds], ages: Sequence[Ages], healed: bool) -> Strip:
    """Regions of one instance together.

    Parameters
    ----------
    healed : whether there is a weld model, so that a bond is told.
    """
    layer = np.unique(
        np.concatenate([np.empty(0, np.int64), *(w.layer for w in welds), *(a.layer for a in ages)])
    )
    draws = max((len(one.bond.classes) for one in welds), default=1)
    bond, strength = np.zeros((draws, len(layer))), np.zeros((draws, len(layer)))
    held, whole = np.zeros(len(layer)), np.zeros(len(layer))
    for one in welds:
        k = np.searchsorted(layer, one.layer)
        part = one.area_mm2 * one.contact
        held[k] += part
        whole[k] += one.area_mm2
        bond[:, k] += one.bond.draws * part
        strength[:, k] += one.strength_mpa.draws * part
    area, aged = np.zeros(len(layer)), np.zeros(len(layer))
    for sums in ages:
        k = np.searchsorted(layer, sums.layer)
        area[k] += sums.area_mm2
        aged[k] += sums.aged
    with np.errstate(divide="ignore", invalid="ignore"):
        told = _bands(bond / held) if healed else np.full((3, len(layer)), np.nan)
        return Strip(layer.astype(np.int64), told, _bands(strength / whole), aged / area)


def _bands(draws: F8) -> F8:
    """(3, k) low, best, high of (1 + d, k) draws, the best first."""
    best = draws[0]
    if len(draws) < 2 or draws.shape[1] == 0:
        return np.stack([best, best, best])
    low, high = np.percentile(draws[1:], _ENDS, axis=0)
    return np.stack([np.minimum(low, best), best, np.maximum(high, best)])
