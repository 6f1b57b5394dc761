"""What fan and layer time did, as powers of what the weld model says of them."""

from __future__ import annotations

import math

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from gcodetools.documents.materials import Material
from gcodetools.jobs.tune import Tuned
from gcodetools.jobs.tune_data import Tested
from gcodetools.jobs.tune_words import plain
from gcodetools.records import dataclass
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.spreads import Draws

__all__ = ["Exponent", "exponents"]

F8 = NDArray[np.float64]

_LEAST_AGES = 1.2  # layer times that differ less tell nothing of age
_LEAST_HEALED = 0.02  # of a logarithm: the model sees no difference to measure an exponent by
_WHAT = {"fan": "the fan", "age": "layer time (by speed)"}


@dataclass(frozen=True, slots=True)
class Exponent:
    """A number of `Sensitivity`. key : "fan" or "age". low, value, high : within 0 to 1, as the law takes it. how :
    what it was worked out from. told : a sentence."""

    key: str
    low: float
    value: float
    high: float
    how: str
    told: str


def exponents(tuned: Tuned, material: Material, at: F8) -> tuple[list[Exponent], list[str]]:
    """Those that the trial tells, and why others are left.

    Parameters
    ----------
    material : as it will be, with its reference. at : (k,) coded settings of that.
    """
    if material.bond is None or material.bond.weld is None:
        return [], []
    weld = material.bond.weld
    whole = replace(weld.sensitivity.fan, value=1.0, spread=None)
    believed = replace(weld, sensitivity=replace(weld.sensitivity, fan=whole, age=whole))
    law = Law(replace(material, bond=replace(material.bond, weld=believed)), Draws(0))
    known = tuned.tested
    names = [factor.name for factor in known.trial.factors]
    found: list[Exponent] = []
    left: list[str] = []
    if "fan" in names:
        number = names.index("fan")
        factor = known.trial.factors[number]
        ratio = _model_ratio(law, fan=np.array([factor.low, factor.high]) / 100.0)
        _add(tuned, "fan", number, ratio, at, found, left)
    if "speed" in names:
        number = names.index("speed")
        ages = _ages(known, number)
        if ages is not None:
            _add(tuned, "age", number, _model_ratio(law, age_s=ages), at, found, left)
    return found, left


def _ages(known: Tested, speed: int) -> F8 | None:
    """Layer times at the least and the most speed, where they differ."""
    seconds = known.got.get("layer_time_s")
    if seconds is None:
        return None
    asked = known.trial.factors[speed].asked
    ages = np.array([seconds[asked == level].mean() for level in (asked.min(), asked.max())])
    return ages if ages.max() >= _LEAST_AGES * ages.min() else None


def _add(
    tuned: Tuned, key: str, number: int, modelled: float, at: F8, found: list[Exponent], left: list[str]
) -> None:
    """The exponent that makes the model's ratio the measured one. modelled : the logarithm of the former."""
    fit, factor = tuned.fit, tuned.tested.trial.factors[number]
    assert fit is not None
    rows = np.tile(at, (2, 1))
    rows[:, number] = (-1.0, 1.0)
    columns = fit.design.columns(rows)
    measured = fit.ends(columns[1:] - columns[:1])
    if abs(modelled) < _LEAST_HEALED:
        left.append(f"the weld model sees no difference from {_WHAT[key]} here, so no exponent was measured")
        return
    best = float(measured.best[0]) / modelled
    ends = sorted(float(value[0]) / modelled for value in (measured.low, measured.high))
    value = min(max(best, 0.0), 1.0)
    low, high = min(max(ends[0], 0.0), value), max(min(ends[1], 1.0), value)
    clipped = ""
    if not 0.0 <= best <= 1.0:
        way = "the other way round than the model says" if best < 0 else "more than the model says"
        clipped = f"; clipped from {best:.2g}, for what was measured is {way}"
    ratio = math.exp(float(measured.best[0]))
    span = f"from {plain(factor.name, factor.low)} to {plain(factor.name, factor.high)}"
    found.append(
        Exponent(
            key, low, value, high,
            f"ln {ratio:.3g} over the model's ln {math.exp(modelled):.3g}, {factor.name} {span}{clipped}",
            f"what {_WHAT[key]} does, {ratio:.3g} times {span}: exponent {value:.2g} ({low:.2g} to {high:.2g})"
            f"{clipped}",
        )
    )  # fmt: skip


def _model_ratio(law: Law, *, fan: F8 | None = None, age_s: F8 | None = None) -> float:
    """Logarithm of the model's strength at the second of two fans or ages over the first, of the reference's weld."""
    at = law.strength.reference
    two = np.ones(2)
    welds = Welds(
        age_s=at.age_s.value * two if age_s is None else age_s,
        nozzle_c=at.nozzle_c.value * two,
        fan=at.fan.value * two if fan is None else fan,
        height_share=at.height_mm.value / at.width_mm.value * two,
        wall_mm=at.wall_mm.value * two,
        faces=2.0 * two,
    )
    ratio = law.weld_ratio(welds)[0]
    return float(np.log(ratio[1] / ratio[0]))
