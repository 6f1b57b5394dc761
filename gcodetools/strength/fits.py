"""What a friction fit comes to: drawn, and with its walls moved. Squeeze, pressure, forces, whether it holds.

The handbook's sums are those of `physics.fits`; modulus, friction, rough faces and sizes that are off make the bands
(`strength.loads`). Lengths mm, N, MPa.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from gcodetools.kit.loads import Fitted, Key, Use
from gcodetools.physics.fits import holds_to_deg
from gcodetools.physics.snapfit import Demand
from gcodetools.records import dataclass
from gcodetools.strength.law import Law
from gcodetools.strength.loads import LoadCase, case_of, demand_of, squeeze_of, squeezed
from gcodetools.strength.sentences import HAND_N, percent, two
from gcodetools.strength.spreads import Band

__all__ = ["FitCase", "Hand", "Taper", "fit_case", "fit_words", "squeeze_for", "taper_of"]

Hand = Literal["nothing to push", "by hand", "by hand, but not for sure", "hardly by hand", "not by hand"]
_UNIT_MM = 0.1
_LEAST_GRIP = 0.75  # of friction, as its band's low end has it


@dataclass(frozen=True, slots=True)
class FitCase:
    """A fit of one squeeze. load : with that squeeze. case : its strain and forces with their doubt. plain : the
    handbook's sum, faces smooth and sizes as drawn."""

    load: Fitted
    case: LoadCase
    plain: Demand

    @property
    def squeeze_mm(self) -> float:
        """As drawn, with what was added; below 0 play."""
        return squeeze_of(self.load)

    @property
    def hand(self) -> Hand:
        """Whether a hand presses it in (`HAND_N`, common practice, no source)."""
        push = self.case.push_n
        if push is None or self.squeeze_mm <= 0:
            return "nothing to push"
        if push.high <= HAND_N:
            return "by hand"
        if push.best <= HAND_N:
            return "by hand, but not for sure"
        return "hardly by hand" if push.low <= HAND_N else "not by hand"


@dataclass(frozen=True, slots=True)
class Taper:
    """Whether a tapered key holds by friction. deg : of each side. up_to_deg : steepest that holds, atan mu.
    holds : also with a quarter less friction; sure : no doubt either way."""

    deg: float
    up_to_deg: float
    holds: bool
    sure: bool

    @property
    def words(self) -> str:
        """In a sentence."""
        limit = f"friction holds up to {self.up_to_deg:.1f}"
        if self.deg == 0:
            return "without a taper it holds by friction alone"
        if not self.holds and self.sure:
            return f"it slides out by itself: each side tapers by {self.deg:g} degrees, {limit}"
        if not self.sure:
            return f"whether it holds by itself is open: each side tapers by {self.deg:g} degrees, {limit}"
        return f"it holds by itself: each side tapers by {self.deg:g} degrees, {limit}"


def fit_case(load: Fitted, use: Use | None, law: Law, more_mm: float = 0.0) -> FitCase:
    """A fit whose squeeze is `more_mm` more than drawn, for solid parts as the material's test pieces.

    Raises
    ------
    ValueError : numbers that make no joint.
    """
    moved = squeezed(load, more_mm)
    case = case_of(moved, use, law, np.ones(len(law.draws)), None, None)
    return FitCase(moved, case, demand_of(moved, law.strength))


def taper_of(load: Fitted) -> Taper | None:
    """Whether a key's taper locks; None for a pin."""
    if not isinstance(load, Key):
        return None
    slope = math.tan(math.radians(load.taper_deg))
    holds, surely = slope < load.friction, slope < _LEAST_GRIP * load.friction
    return Taper(load.taper_deg, holds_to_deg(load.friction), holds, surely or not holds)


def squeeze_for(
    load: Fitted, use: Use | None, law: Law, *, push_n: float | None = None, share: float | None = None
) -> float | None:
    """Squeeze whose best estimate needs a push, or uses a share of the allowed strain; None where none does.

    Raises
    ------
    ValueError : numbers that make no joint.
    """
    unit = fit_case(load, use, law, _UNIT_MM - squeeze_of(load)).case
    if push_n is not None:
        per_mm = unit.push_n.best / _UNIT_MM if unit.push_n is not None else 0.0
        return push_n / per_mm if per_mm > 0 else None
    per_mm = unit.demand.best / _UNIT_MM
    return (share or 1.0) * unit.allowed.best / per_mm if per_mm > 0 else None


def fit_words(fit: FitCase, *, brief: bool = False) -> str:
    """Forces, pressure and strain of a squeeze, in words; loose where nothing is squeezed. brief : the push alone."""
    case = fit.case
    assert case.push_n is not None and case.pull_n is not None and case.pressure_mpa is not None
    if fit.squeeze_mm <= 0:
        high = two(case.push_n.high)
        return "loose, no force" + (
            f"; up to {high} N where it comes out larger" if case.push_n.high > 0 else ""
        )
    said = f"push {_newtons(case.push_n)}, {fit.hand}"
    if not brief:
        said += (
            f"; pull {_newtons(case.pull_n)}; pressure {two(case.pressure_mpa.best)} MPa "
            f"({_ends(case.pressure_mpa)}); strain {percent(case.demand.best)}, {percent(case.allowed.best)} allowed"
        )
        if case.refused:
            said += f" (no margin is told: {case.refused})"
        elif case.margin is not None and case.margin.best < 1.0:
            said += ", too much"
    return said + _odds(case.loose)


def _newtons(band: Band) -> str:
    return f"{two(band.best)} N ({_ends(band)})"


def _ends(band: Band) -> str:
    return f"{two(band.low)} to {two(band.high)}"


def _odds(loose: float) -> str:
    """How often it comes out loose, where that is worth a word."""
    return f"; loose in {max(round(10 * loose), 1)} of 10 prints" if loose >= 0.05 else ""
