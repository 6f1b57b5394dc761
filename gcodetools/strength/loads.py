"""What a load that a kit declares asks of a region, what the region may bear, and the margin between.

All loads here are ways, not forces: an arm is bent by its undercut, a sleeve opened by its bar. So the strain
follows from the shape alone; what beads there are changes the force, not the strain.

Allowed strain is the maker's rule for snap fits and counts against the handbook's plain sum, which it is made for.
What that sum leaves out (curvature, root corners, friction on the lips) widens the demand's band upwards.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from gcodetools.documents.materials import Strength
from gcodetools.kit.loads import Cantilever, Fitted, Key, Load, OpenRing, Press, Use
from gcodetools.physics.snapfit import (
    Demand,
    Rule,
    ageing_rule,
    annular,
    cantilever,
    fatigue_stress,
    held_share,
    key,
    open_ring,
    press,
    strain_limit,
    temperature_rule,
)
from gcodetools.records import dataclass
from gcodetools.strength.law import Law
from gcodetools.strength.spreads import Band, band_of

__all__ = ["LoadCase", "Way", "case_of", "demand_of", "kind_of", "squeeze_of", "squeezed", "stands"]

F8 = NDArray[np.float64]
Way = Literal["along", "across"]

_SUMS: dict[str, Callable[..., Demand]] = {
    "OpenRing": open_ring, "Cantilever": cantilever, "Annular": annular, "Press": press, "Key": key,
}  # fmt: skip
_KINDS = {
    "OpenRing": "open_ring", "Cantilever": "cantilever", "Annular": "annular", "Press": "press", "Key": "key",
}  # fmt: skip
_NOT_A_SUM = ("printed", "mate")
_SIZE_MM = 0.1  # by which a printed opening, undercut or squeeze is off; common practice, no source
_UNIT_MM = (
    0.1  # of squeeze, at which the sums of a fit are done: they are linear, and a drawn one may be play
)
_MOST = 100.0  # a fit that comes out loose has no end of margin
_LEAST_SIZE = 0.1
_CLOSE = 5.0
_WARM_C = 40.0
_LEAST_STANDING = 0.8  # of the arm, or of the ring's height: what a region may leave out at its root
_LEAST = 1e-5  # strain; less is none
_FRICTION = (0.75, 1.0, 1.3)  # on push and pull: friction a quarter off either way, assumption


@dataclass(frozen=True, slots=True)
class LoadCase:
    """A load on a region.

    kind : as the kit spells it. limits : which way it would break first. standing : whether the part stands
    as it was printed, and told : how that is known. demand, allowed : strain of the way that limits, shares.
    margin : allowed over demand; None where it is refused. crooked : margin put on at the kit's tilt, None without
    one. margin_draws, bears_draws : (1 + d,). stiffness_n_per_mm, push_n, pull_n, bears_n : forces;
    None where the joint locks. bears_n : across the joint where the allowed strain is reached.
    to_break : strain at break over demand, the least of both ways: what is left before it breaks at once.
    notes : sentences. refused : why no margin is told. squeeze_mm, pressure_mpa, loose : of a fit, None and 0 for
    other loads: what the squeeze comes out as, below 0 play; between its faces; the share of prints in which nothing
    is squeezed.
    """

    kind: str
    limits: Way
    standing: bool
    told: str
    demand: Band
    allowed: Band
    margin: Band | None
    margin_draws: F8
    crooked: Band | None
    to_break: Band | None
    opening_mm: float
    stiffness_n_per_mm: Band
    push_n: Band | None
    pull_n: Band | None
    bears_n: Band | None
    bears_draws: F8
    notes: tuple[str, ...]
    refused: str
    squeeze_mm: Band | None = None
    pressure_mpa: Band | None = None
    loose: float = 0.0


def kind_of(load: Load) -> str:
    """A load as the kit spells it: `open_ring`."""
    return _KINDS[type(load).__name__]


def demand_of(load: Load, strength: Strength, **changed: float) -> Demand:
    """The handbook's sums of a load, for the material's best numbers. changed : numbers of the load instead.

    Raises
    ------
    ValueError : numbers that make no joint.
    """
    numbers = {name: value for name, value in structs.asdict(load).items() if name not in _NOT_A_SUM}
    result: Demand = _SUMS[type(load).__name__](
        **{**numbers, **changed}, modulus_mpa=strength.modulus_mpa.value, poisson=strength.poisson.value
    )
    return result


def stands(load: Load, tall_mm: float | None) -> tuple[bool, str]:
    """Whether the part was printed standing: an arm upright, a ring with its axis upright; and how that is known.

    What is not told is taken as standing, the weaker way, unless the part is too low for it.

    Parameters
    ----------
    tall_mm : how far the part reaches above the region's begin; None if unknown.
    """
    said = getattr(load, "printed", None)
    if said is not None:
        return said == "standing", "the kit"
    upright = load.length_mm if isinstance(load, Cantilever) else 0.0
    upright = load.height_mm if isinstance(load, OpenRing) else upright
    if tall_mm is not None and tall_mm < _LEAST_STANDING * upright:
        return False, "the part's height"
    return True, "assumed"


def case_of(
    load: Load, use: Use | None, law: Law, across_ratio: F8, ei_share: F8 | None, tall_mm: float | None
) -> LoadCase:  # fmt: skip
    """A load case with its doubts.

    Parameters
    ----------
    across_ratio : (1 + d,) what the weakest layer bears over what the material's test piece bore. ei_share : (1 + d,)
    or (1,) stiffness of the section over that of a solid one of the same outline; None counts as solid.
    tall_mm : see `stands`.

    Raises
    ------
    ValueError : as `demand_of`.
    """
    drawn = demand_of(load, law.strength, **({"tilt_deg": 0.0} if isinstance(load, OpenRing) else {}))
    fit = load if isinstance(load, (Press, Key)) else None
    straight = drawn if fit is None else demand_of(squeezed(fit, _UNIT_MM - squeeze_of(fit)), law.strength)
    size = _sizes(drawn, law) if fit is None else _squeezes(drawn, law)
    standing, told = stands(load, tall_mm)
    rules = _Rules(law, use or Use())
    asked = _asked(straight, standing, law, size)
    margins = rules.margins(asked, across_ratio)
    limits = min(margins, key=lambda way: float(margins[way][0]))
    margin = np.min(list(margins.values()), axis=0)
    crooked, worst, most = None, asked, np.inf if fit is None else _MOST
    if isinstance(load, OpenRing) and load.tilt_deg > 0:
        worst = _tilted(load, standing, law)
        crooked = band_of(np.min(list(rules.margins(worst, across_ratio).values()), axis=0))
    refused = rules.refused if float(asked[limits][0]) > 0 else _nothing(drawn)
    solid = _force_factor(straight, law, ei_share, standing and isinstance(load, Cantilever))
    factor = solid * size
    stiffness = straight.stiffness_n_per_mm * (factor if fit is None else solid)
    if fit is None:
        # At the allowed strain, whatever the opening came out as.
        bears = stiffness * straight.opening_mm * margin
    else:
        at_unit = rules.margins(_asked(straight, standing, law, np.ones(1)), across_ratio)
        bears = stiffness * _UNIT_MM * np.min(list(at_unit.values()), axis=0)
    margin, to_break = np.minimum(margin, most), np.minimum(rules.to_break(worst, across_ratio), most)
    slide = factor * law.draws.between("friction", *_FRICTION, ratio=True)
    return LoadCase(
        kind=straight.kind,
        limits=limits,
        standing=standing,
        told=told,
        demand=band_of(asked[limits]),
        allowed=band_of(rules.allowed(limits, across_ratio)),
        margin=None if refused else band_of(margin),
        margin_draws=margin,
        crooked=None if refused else crooked,
        to_break=None if refused else band_of(to_break),
        opening_mm=drawn.opening_mm,
        stiffness_n_per_mm=band_of(stiffness),
        push_n=None if straight.push_n is None else band_of(straight.push_n * slide),
        pull_n=None if straight.pull_n is None else band_of(straight.pull_n * slide),
        bears_n=None if refused else band_of(bears),
        bears_draws=bears,
        notes=(*rules.notes, *_notes(drawn, limits, told, load)),
        refused=refused,
        **({} if fit is None else _fit_facts(drawn, straight, law, size, factor)),
    )


def _tilted(load: OpenRing, standing: bool, law: Law) -> dict[Way, F8]:
    demand = demand_of(load, law.strength)
    return _asked(demand, standing, law, _sizes(demand, law))


def _fit_facts(drawn: Demand, straight: Demand, law: Law, size: F8, factor: F8) -> dict[str, Any]:
    """What a LoadCase holds of a fit alone. straight, size : the sums at the unit of squeeze, and how often that."""
    pressure = straight.pressure_mpa
    return {
        "squeeze_mm": band_of(drawn.opening_mm + _off(law)),
        "pressure_mpa": None if pressure is None else band_of(pressure * factor),
        "loose": float(np.mean(size[min(1, len(size) - 1) :] <= 0.0)),
    }


def squeeze_of(load: Fitted) -> float:
    """Squeeze or interference as drawn, mm; below 0 play."""
    return load.interference_mm if isinstance(load, Press) else load.squeeze_mm


def squeezed(load: Fitted, more_mm: float) -> Fitted:
    """The load with so much more squeeze, as where its walls were moved."""
    # Without the noise of binary sums, as the number is shown.
    value = round(squeeze_of(load) + more_mm, 9)
    return structs.replace(load, **{"interference_mm" if isinstance(load, Press) else "squeeze_mm": value})


def _nothing(drawn: Demand) -> str:
    if drawn.area_mm2 > 0.0:
        return "it is loose, nothing is squeezed"
    return "nothing is bent by this load"


def _force_factor(demand: Demand, law: Law, ei_share: F8 | None, across: bool) -> F8:
    """(1 + d,) on the handbook's forces: modulus, across layers where the arm stands, section, and what the sum
    leaves out, as rough faces."""
    modulus = law.modulus_mpa / law.strength.modulus_mpa.value * (law.across_share if across else 1.0)
    low, best = demand.printed * min(demand.force_low, 1.0), demand.printed
    high = max(demand.force_high, 1.0)
    share = np.ones(1) if ei_share is None else ei_share
    factor: F8 = modulus * share * law.draws.between("force", low, best, high, ratio=True)
    return factor


def _off(law: Law) -> F8:
    """(1 + d,) mm by which a printed size is off."""
    return law.draws.between("size", -_SIZE_MM, 0.0, _SIZE_MM)


def _sizes(demand: Demand, law: Law) -> F8:
    """(1 + d,) on strain and force, for printed sizes are not what was drawn."""
    return np.maximum(1.0 + _off(law) / max(demand.opening_mm, 1e-9), _LEAST_SIZE)


def _squeezes(drawn: Demand, law: Law) -> F8:
    """(1 + d,) squeeze of a fit as it comes out, over that of the sums; 0 where it comes out loose."""
    squeeze: F8 = np.maximum(drawn.opening_mm + _off(law), 0.0) / _UNIT_MM
    return squeeze


def _notes(demand: Demand, limits: Way, told: str, load: Load) -> list[str]:
    """What the sum leaves out, and what was taken for granted."""
    found = [f"{note.text} ({note.flag})" for note in demand.notes]
    fuller = max(demand.strain, demand.strain_plain)
    if limits == "along" and demand.strain_plain > 0 and fuller > 1.1 * demand.strain_plain:
        found.insert(
            0,
            f"the handbook's plain sum, which the limits are made for; with curvature, friction and the lips' turn the "
            f"surface reaches {100 * fuller:.2g} % (derived)",
        )
    much = (
        f"which is much of {demand.opening_mm:g} mm" if demand.opening_mm > 0 else "which may make it tight"
    )
    if 0 < demand.opening_mm < _CLOSE * _SIZE_MM or (demand.area_mm2 > 0.0 and demand.opening_mm <= 0):
        off = f"printed sizes are off by about {_SIZE_MM:g} mm"
        found.insert(0, f"{off}, {much}: measure the fit (common practice)")
    if told != "the kit" and isinstance(load, (Cantilever, OpenRing)):
        way = (
            "standing, the weaker way, is assumed"
            if told == "assumed"
            else "lying, for it is too low to stand"
        )
        found.append(f"printed {way}; `printed: standing` or `lying` in the load settles it")
    return found


def _asked(demand: Demand, standing: bool, law: Law, size: F8) -> dict[Way, F8]:
    """(1 + d,) strain each way. An arm that stands bends across its layers; a ring that stands bends along
    its beads; what lies bends along its beads, a ring that lies also across. size : on all but twist."""
    draws = law.draws
    if demand.strain_plain <= 0:
        return {"along": np.zeros(len(draws))}
    high = max(demand.strain_high, demand.strain_plain)
    plain = draws.between(f"strain.{demand.kind}", demand.strain_plain, demand.strain_plain, high, ratio=True)
    plain = plain * size
    if demand.kind == "cantilever":
        return {"across": plain} if standing else {"along": plain}
    if not standing:
        return {"along": plain, "across": plain}
    if demand.kind != "open_ring":
        if demand.across > 0:
            high = max(demand.across_high, demand.across)
            across = draws.between("across", demand.across, demand.across, high)
            return {"along": plain, "across": across * size}
        return {"along": plain}
    # Long sleeves bend in plane strain: their layers are pulled, but not stretched. By greatest strain, as the
    # limits are, that asks nothing of them, by greatest stress it does; so it is the upper end. The twist of a
    # sleeve put on crooked counts in any case.
    twist = demand.twist_strain / (2.0 * (1.0 + law.strength.poisson.value))
    high = max(demand.across_high, demand.across, twist)
    return {"along": plain, "across": draws.between("across.ring", twist, twist, high)}


class _Rules:
    """Limits of strain and what is to be said of them."""

    def __init__(self, law: Law, use: Use) -> None:
        self.law, self.use = law, use
        snap, draws = law.strength.snap, law.draws
        self.notes: list[str] = []
        self.refused = ""
        limit: dict[Way, F8] = {}
        ways: tuple[Way, ...] = ("along", "across")
        for way in ways:
            once, often = (getattr(snap, f"{way}_{k}") for k in ("once", "repeated"))
            rule = strain_limit(once.value, often.value, use.times)
            which = once if rule.value == once.value else often
            name = f"snap.{way}"  # one doubt for once and repeated: the rule of 60 % binds them
            spread = which.spread or (which.value, which.value)
            limit[way] = draws.between(name, spread[0], which.value, spread[1], ratio=True)
            if way == "along":
                self._say(rule)
        self.limit = limit
        self._fatigue()
        self._using()

    def allowed(self, way: Way, across_ratio: F8) -> F8:
        """(1 + d,) strain allowed: across layers as the strength there is to the test piece's."""
        return self.limit["along"] if way == "along" else self.limit["across"] * across_ratio

    def margins(self, asked: dict[Way, F8], across_ratio: F8) -> dict[Way, F8]:
        """(1 + d,) allowed over asked, each way."""
        return {way: self.allowed(way, across_ratio) / np.maximum(e, _LEAST) for way, e in asked.items()}

    def to_break(self, asked: dict[Way, F8], across_ratio: F8) -> F8:
        """(1 + d,) strain at break over asked, the least of the ways."""
        least: F8 = np.min(
            [self.breaks(way, across_ratio) / np.maximum(e, _LEAST) for way, e in asked.items()], axis=0
        )
        return least

    def breaks(self, way: Way, across_ratio: F8) -> F8:
        """(1 + d,) strain at which it breaks at once."""
        quantity = getattr(self.law.strength, f"break_{way}")
        low, high = quantity.spread or (quantity.value, quantity.value)
        drawn = self.law.draws.between(f"break.{way}", low, quantity.value, high, ratio=True)
        return drawn if way == "along" else drawn * across_ratio

    def _fatigue(self) -> None:
        fatigue = self.law.strength.fatigue
        if fatigue is None:
            return
        law = {
            "exponent": fatigue.exponent, "from_cycles": fatigue.from_cycles, "to_cycles": fatigue.to_cycles,
        }  # fmt: skip
        rule = fatigue_stress(self.use.times, coefficient_mpa=fatigue.coefficient_mpa, **law)
        # Beyond what was measured at most what its end bears.
        held = rule
        if self.use.times > fatigue.to_cycles:
            held = fatigue_stress(fatigue.to_cycles, coefficient_mpa=fatigue.coefficient_mpa, **law)
        if held.value is not None:
            # By its own static strength each way (common to printed PLA, Materials 2024 17 5394, abstract).
            strength = self.law.strength
            low, high = fatigue.spread or (fatigue.coefficient_mpa, fatigue.coefficient_mpa)
            doubt = self.law.draws.between("fatigue", low, fatigue.coefficient_mpa, high, ratio=True)
            share, modulus = held.value / fatigue.strength_mpa, strength.modulus_mpa.value
            most: dict[Way, float] = {
                "along": held.value / modulus,
                "across": share * strength.across_mpa.value / modulus,
            }
            scale = doubt / fatigue.coefficient_mpa
            self.limit = {way: np.minimum(strain, most[way] * scale) for way, strain in self.limit.items()}
        if self.use.times > 100:
            self._say(rule)

    def _using(self) -> None:
        strength, use = self.law.strength, self.use
        if use.temperature_c is not None:
            glass = self.law.material.glass_c
            if glass is not None:
                rule = temperature_rule(*use.temperature_c, glass.value)
                self.refused = rule.text if rule.refused else ""
                if not rule.refused:
                    self._say(rule)
            else:
                if use.temperature_c[0] < 0:
                    self.notes.append("below 0 C nothing is measured of printed parts")
                if use.temperature_c[1] > _WARM_C:
                    self.notes.append(
                        "what heat does to it is not known here; all numbers are for room temperature"
                    )
        if use.held == "strained" and use.years is not None:
            self._say(held_share(use.years, strength.hold_exponent.value))
        if use.years is not None:
            old = strength.embrittled_after_years
            self._say(ageing_rule(use.years, None if old is None else old.value))

    def _say(self, rule: Rule) -> None:
        if rule.text:
            self.notes.append(f"{rule.text} ({rule.flag})")
