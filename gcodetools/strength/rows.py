"""The welds of a region bead by bead: how old what lies below is, and how far the weld has healed at best estimate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.pieces import Instance

__all__ = ["RowWelds", "row_welds"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

# Finer than a picture tells apart; the model is asked once for each class.
_AGE_RATIO, _WALL_RATIO, _NOZZLE_C, _FAN = 1.1, 1.05, 2.0, 0.05
_LEAST_AGE_S = 0.05
_SPARSE = 0.5
_APART = 1 << 16


@dataclass(frozen=True, slots=True)
class RowWelds:
    """Columns (k,): row ascending, of `Moves`. age_s : mean age of what lies below, by length; NaN where nothing
    does. bond : how far the weld has healed, 0 to 1; NaN where nothing or only sparse fill lies below, or where
    there is no model."""

    row: I8
    age_s: F8
    bond: F8


def row_welds(instance: Instance, within: Bool, law: Law, wall_mm: float | None) -> RowWelds:
    """Welds below the pieces `within`, put together by row.

    Parameters
    ----------
    law : its best estimates are taken. wall_mm : see `strength.welds.layer_welds`.
    """
    at = np.flatnonzero(within)
    on, samples = instance.lies_on(within), instance.samples
    row, member = np.unique(samples.row[at], return_inverse=True)
    length = samples.length_mm[at]
    age = _mean(on.age_s, length, member, len(row))
    bond = np.full(len(at), np.nan)
    use = np.flatnonzero((on.share > 0) & (on.sparse <= _SPARSE) & (instance.own_layer[at] > 1))
    if law.weld is not None and len(use):
        bond[use] = _healed(instance, at[use], on.age_s[use], law, wall_mm)
    weight = length * np.nan_to_num(on.share * (1.0 - on.sparse))
    return RowWelds(row, age, _mean(bond, weight, member, len(row)))


def _mean(value: F8, weight: F8, member: I8, count: int) -> F8:
    """(count,) means of what is known; NaN where nothing is."""
    known = ~np.isnan(value) & (weight > 0)
    total = np.bincount(member[known], weight[known] * value[known], minlength=count)
    over = np.bincount(member[known], weight[known], minlength=count)
    mean: F8 = np.divide(total, over, out=np.full(count, np.nan), where=over > 0)
    return mean


def _healed(instance: Instance, at: I8, age_s: F8, law: Law, wall_mm: float | None) -> F8:
    nozzle = instance.nozzle_c[at]
    nozzle = np.where(np.isnan(nozzle), law.strength.reference.nozzle_c.value, nozzle)
    age = np.round(np.log(np.maximum(age_s, _LEAST_AGE_S)) / np.log(_AGE_RATIO)).astype(np.int64)
    hot, fan = (np.round(c).astype(np.int64) for c in (nozzle / _NOZZLE_C, instance.fan[at] / _FAN))
    _, first, member = np.unique((age * _APART + hot) * _APART + fan, return_index=True, return_inverse=True)
    wall = 10.0 if wall_mm is None else _WALL_RATIO ** np.round(np.log(wall_mm) / np.log(_WALL_RATIO))
    many = np.ones(len(first))
    welds = Welds(
        age_s=_AGE_RATIO ** age[first].astype(np.float64),
        nozzle_c=hot[first].astype(np.float64) * _NOZZLE_C,
        fan=fan[first].astype(np.float64) * _FAN,
        height_share=0.5 * many,  # no part of how far a weld heals
        wall_mm=wall * many,
        faces=(1.0 if wall_mm is None else 2.0) * many,
    )
    healed: F8 = law.bonds(law.weld_ratio(welds))[0][member.ravel()]
    return healed
