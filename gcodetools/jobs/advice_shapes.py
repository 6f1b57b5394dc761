"""What the shape of a joint would have to be for a margin that settings don't reach.

The handbook's inverse sums give a first number; the sum forward, with the region's own welds, is asked again until
both agree, and once more for the number as it is printed. Offered is only what can be made and still holds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from gcodetools.jobs.advice_tries import decisive
from gcodetools.kit.loads import Annular, Cantilever, Key, Load, OpenRing, Press, Use
from gcodetools.physics.snapfit import (
    annular_undercut_for,
    arm_length_for,
    arm_thickness_for,
    arm_undercut_for,
    key_squeeze_for,
    press_interference_for,
    ring_gap_for,
    ring_mouth_mm,
    ring_wall_for,
)
from gcodetools.records import dataclass
from gcodetools.strength.law import Law
from gcodetools.strength.loads import LoadCase, case_of, demand_of
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.spreads import Draws

__all__ = ["Shape", "shapes_for"]

F8 = NDArray[np.float64]
Margin = Callable[[Load], float | None]

_ROUNDS, _CLOSE = 12, 2e-4
_BEADS_MM = 0.8  # two beads of a 0.4 mm nozzle: a thinner wall is one bead, and all of these sums are off
_LEAST_HOOK_MM = 0.3  # common practice, no source: less undercut, or less to open, holds nothing
_LEAST_FIT_MM = 0.02
_LONGEST = 3.0  # times as it is
_WIDEST_DEG = 160.0  # a ring of half a turn or less holds nothing by its shape


@dataclass(frozen=True, slots=True)
class Shape:
    """A change of a load's numbers. text : what to do. changed : keys of the load as the kit has them, with what they
    become. case : the load with it; None where it is not offered, for the reason in why."""

    text: str
    changed: Mapping[str, float | str]
    case: LoadCase | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class _Knob:
    """One number. name : the field. inverse : strain to number. step : to which it is rounded, up (+1) or down (-1)
    so that the margin grows. fits : why a number is impossible, or empty. told : the sentence."""

    name: str
    inverse: Callable[[float], float | None]
    step: float
    up: bool
    fits: Callable[[float], str]
    told: Callable[[float], str]
    also: Callable[[float], dict[str, float]] = lambda value: {}

    def load(self, load: Load, value: float) -> Load:
        return structs.replace(load, **{self.name: value, **self.also(value)})

    def rounded(self, value: float) -> float:
        count = math.ceil(value / self.step - 1e-9) if self.up else math.floor(value / self.step + 1e-9)
        return round(count * self.step, 6)


def shapes_for(load: Load, use: Use | None, one: RegionStrength, law: Law, margin: float) -> list[Shape]:
    """Changes of a load that would give a margin, each alone; those that are impossible too, with the reason.

    Parameters
    ----------
    one : the region with the welds that count, as sliced or treated; they are taken to stay as they are.
    law : of its strengths.
    """
    case = one.case
    if case is None or case.margin is None:
        return []
    ratio = _ratio(one, law)
    plain = Law(law.material, Draws(0, law.draws.seed))
    way = (
        {"printed": "standing" if case.standing else "lying"}
        if isinstance(load, (OpenRing, Cantilever))
        else {}
    )
    load = structs.replace(load, **way)

    def told(changed: Load, full: bool = True) -> LoadCase | None:
        if any(True for _ in getattr(changed, "flaws", lambda: ())()):
            return None
        try:
            if full:
                return case_of(changed, use, law, ratio, one.ei_share, None)
            return case_of(changed, use, plain, ratio[:1], None, None)
        except ValueError:
            return None

    def best(changed: Load) -> float | None:
        found = told(changed, full=False)
        return None if found is None or found.margin is None else decisive(found).best

    strain = demand_of(load, law.strength).strain
    found = [_solved(load, knob, strain, margin, best, told) for knob in _knobs(load)]
    if isinstance(load, Cantilever) and case.standing:
        found += _lying(load, strain, margin, best, told)
    return [shape for shape in found if shape is not None]


def _ratio(one: RegionStrength, law: Law) -> F8:
    if one.arm is not None:
        return one.arm.ratio
    return np.ones(len(law.draws)) if one.across_draws is None else one.across_draws / law.across_mpa


def _solved(
    load: Load,
    knob: _Knob,
    strain: float,
    margin: float,
    best: Margin,
    told: Callable[[Load], LoadCase | None],
) -> Shape | None:
    now = best(load)
    if now is None or now <= 0:
        return None
    wanted, value = strain * now / margin, None
    for _ in range(_ROUNDS):
        value = knob.inverse(wanted)
        if value is None or not math.isfinite(value):
            break
        reached = best(knob.load(load, value))
        if reached is None or abs(reached / margin - 1.0) < _CLOSE:
            break
        wanted *= reached / margin
    if value is None or not math.isfinite(value):
        return Shape(f"{knob.name.rpartition('_')[0]}: no number gives it", {}, None, "no number gives it")
    value = knob.rounded(value)
    text, why = knob.told(value), knob.fits(value)
    changed = {_key(load, name): number for name, number in {knob.name: value, **knob.also(value)}.items()}
    if why:
        return Shape(text, changed, None, why)
    for _ in range(2):  # rounding is for the better, so this asks once; the second time for the last digit
        case = told(knob.load(load, value))
        if case is not None and case.margin is not None and decisive(case).best >= margin * (1.0 - 1e-9):
            changed = {_key(load, name): n for name, n in {knob.name: value, **knob.also(value)}.items()}
            return Shape(knob.told(value), changed, case)
        value = round(value + (knob.step if knob.up else -knob.step), 6)
    return Shape(text, changed, None, "the sum forward does not give the margin")


def _key(load: Load, name: str) -> str:
    """A field as the kit spells it."""
    return next(f.encode_name for f in structs.fields(load) if f.name == name)


def _lying(
    load: Cantilever, strain: float, margin: float, best: Margin, told: Callable[[Load], LoadCase | None]
) -> list[Shape]:
    """The arm laid down, so that it bends along its beads, with one more change where that is not enough."""
    text = "print it lying, so that it bends along its beads"
    lying = structs.replace(load, printed="lying")
    case = told(lying)
    if case is None or case.margin is None:
        return []
    if case.margin.best >= margin:
        return [Shape(text, {"printed": "lying"}, case)]
    found = [Shape(text, {"printed": "lying"}, None, f"reaches {case.margin.best:.2f} only")]
    for knob in _knobs(lying):
        one = _solved(lying, knob, strain, margin, best, told)
        if one is not None:
            changed = {"printed": "lying", **one.changed}
            found.append(Shape(f"print it lying and {one.text}", changed, one.case, one.why))
    return found


def _knobs(load: Load) -> list[_Knob]:
    makers: dict[type, Callable[[Any], list[_Knob]]] = {
        Cantilever: _arm, OpenRing: _ring, Annular: _annular, Press: _press, Key: _key_knobs,
    }  # fmt: skip
    return makers[type(load)](load)


def _thin(value: float) -> str:
    return "" if value >= _BEADS_MM else f"thinner than two beads ({_BEADS_MM:g} mm)"


def _hook(value: float) -> str:
    return "" if value >= _LEAST_HOOK_MM else f"less than {_LEAST_HOOK_MM:g} mm holds nothing"


def _fit(value: float) -> str:
    return "" if value >= _LEAST_FIT_MM else f"less than {_LEAST_FIT_MM:g} mm is finer than a print"


def _arm(load: Cantilever) -> list[_Knob]:
    long, thick, hook, tip = load.length_mm, load.thickness_mm, load.undercut_mm, load.tip_mm
    taper = 1.0 if tip is None else tip / thick
    return [
        _Knob(
            "length_mm",
            lambda eps: arm_length_for(eps, thickness_mm=thick, undercut_mm=hook, tip_mm=tip),
            0.1,
            True,
            lambda v: "" if v <= _LONGEST * long else f"over {_LONGEST:g} times as long",
            lambda v: f"lengthen the arm by {v - long:.3g} mm, to {v:g} mm",
        ),
        _Knob(
            "thickness_mm",
            lambda eps: arm_thickness_for(eps, length_mm=long, undercut_mm=hook, taper=taper),
            0.05,
            False,
            lambda v: _thin(min(v, v * taper)),
            lambda v: f"thin the arm from {thick:g} to {v:g} mm" + ("" if tip is None else ", its tip alike"),
            lambda v: {} if tip is None else {"tip_mm": round(taper * v, 6)},
        ),
        _Knob(
            "undercut_mm",
            lambda eps: arm_undercut_for(eps, length_mm=long, thickness_mm=thick, tip_mm=tip),
            0.05,
            False,
            _hook,
            lambda v: f"make the hook shallower, from {hook:g} to {v:g} mm",
        ),
    ]


def _ring(load: OpenRing) -> list[_Knob]:
    bore, gap, onto, wall = load.bore_mm, load.gap_deg, load.onto_mm, load.wall_mm
    mouth = ring_mouth_mm(bore, gap)

    def opens(value: float) -> str:
        if value > _WIDEST_DEG:
            return f"a gap of over {_WIDEST_DEG:g} degrees hardly reaches round the bar"
        return _hook(onto - ring_mouth_mm(bore, value))

    def widened(value: float) -> str:
        wide = ring_mouth_mm(bore, value)
        return f"open the mouth by {wide - mouth:.2f} mm, to {wide:.2f} mm (gap {gap:g} to {value:g} degrees)"

    return [
        _Knob(
            "gap_deg",
            lambda eps: ring_gap_for(eps, bore_mm=bore, onto_mm=onto, wall_mm=wall, friction=load.friction),
            1.0,
            True,
            opens,
            widened,
        ),
        _Knob(
            "wall_mm",
            lambda eps: ring_wall_for(eps, bore_mm=bore, gap_deg=gap, onto_mm=onto, friction=load.friction),
            0.05,
            False,
            _thin,
            lambda v: f"thin the wall from {wall:g} to {v:g} mm",
        ),
    ]


def _annular(load: Annular) -> list[_Knob]:
    return [
        _Knob(
            "undercut_mm",
            lambda eps: annular_undercut_for(eps, diameter_mm=load.diameter_mm),
            0.01,
            False,
            lambda v: _fit(v / 2),
            lambda v: f"make the bead shallower, from {load.undercut_mm:g} to {v:g} mm on the diameter",
        )
    ]


def _press(load: Press) -> list[_Knob]:
    return [
        _Knob(
            "interference_mm",
            lambda eps: press_interference_for(
                eps,
                diameter_mm=load.diameter_mm,
                outer_mm=load.outer_mm,
                inner_mm=load.inner_mm,
                pin=load.pin,
            ),
            0.01,
            False,
            _fit,
            lambda v: f"press less, from {load.interference_mm:g} to {v:g} mm on the diameter",
        )
    ]


def _key_knobs(load: Key) -> list[_Knob]:
    return [
        _Knob(
            "squeeze_mm",
            lambda eps: key_squeeze_for(eps, width_mm=load.width_mm, slot=load.slot),
            0.01,
            False,
            _fit,
            lambda v: f"squeeze less, from {load.squeeze_mm:g} to {v:g} mm",
        )
    ]
