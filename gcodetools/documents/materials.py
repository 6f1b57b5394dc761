"""What a filament's profile says: how it is printed, how its layers weld, and how strong it gets.

Every number carries its source, and a spread between which nine of ten lie. Where nobody knows, a key is left
out; what is told of a region then says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct, field

from gcodetools.documents.fields import Flaw
from gcodetools.documents.kinds import Celsius, Name, Reference
from gcodetools.documents.quantities import (
    Flag,
    PercentQuantity,
    PercentRange,
    Quantity,
    Range,
    Source,
    Spread,
    negative,
    not_positive,
    outside,
    spread_flaws,
)

__all__ = [
    "Bond",
    "BondAt",
    "Coupon",
    "Fatigue",
    "Material",
    "Sensitivity",
    "Snap",
    "Strength",
    "Welding",
]

Positive = Annotated[float, Meta(gt=0)]


class Sensitivity(Struct, frozen=True, forbid_unknown_fields=True):
    """How much of the weld model's answer comes true: exponents on its ratio of healing to the reference.

    1 is the model as it stands, 0 no change at all. age : for the age of the layer below, and for widths. fan :
    for the fan. nozzle : for the nozzle temperature, where no table of it was measured (`Bond.measured`).
    """

    age: Quantity
    fan: Quantity
    nozzle: Quantity

    def flaws(self) -> Iterator[Flaw]:
        yield from outside(self, ("age", "fan", "nozzle"), 0, 1)


class Welding(Struct, frozen=True, forbid_unknown_fields=True):
    """The weld model of an amorphous plastic: how beads cool, and how fast a weld heals at a temperature.

    weld_time_s : in which a weld heals whole at weld_at_c, shifted to other temperatures by wlf_c1 and wlf_c2.
    still_w_m2k, fan_w_m2k : heat that air takes from a wall without a fan, and what a fan at 100 % adds.
    ambient_c : the air around the part.
    """

    conductivity_w_mk: Quantity
    heat_j_kgk: Quantity
    weld_time_s: Quantity
    weld_at_c: Quantity
    wlf_c1: Quantity
    wlf_c2: Quantity
    still_w_m2k: Quantity
    fan_w_m2k: Quantity
    ambient_c: Quantity
    sensitivity: Sensitivity

    def flaws(self) -> Iterator[Flaw]:
        positive = ("conductivity_w_mk", "heat_j_kgk", "weld_time_s", "wlf_c1", "wlf_c2", "still_w_m2k")
        yield from outside(self, positive, 0, above=True)
        yield from outside(self, ("fan_w_m2k",), 0)
        yield from outside(self, ("weld_at_c", "ambient_c"), -50, 500)
        if self.ambient_c.value >= self.weld_at_c.value:
            yield Flaw(("ambient_c", "value"), f"{self.ambient_c.value:g}", "a temperature below weld_at_c")


class BondAt(Struct, frozen=True, forbid_unknown_fields=True):
    """Strength across layers at a nozzle temperature, everything else alike. spread : of this point alone."""

    example: ClassVar[str] = "{nozzle_c: 230, across_mpa: 30, source: where from, flag: second-hand}"

    nozzle_c: Celsius
    across_mpa: Positive
    source: Source
    flag: Flag
    spread: Spread | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from spread_flaws(self.spread, self.across_mpa)
        if self.spread is not None and self.spread[0] <= 0:
            yield Flaw(("spread",), f"{self.spread[0]:g}", "a number above 0")


class Bond(Struct, frozen=True, forbid_unknown_fields=True):
    """How layers weld.

    weld : the model; without it `no_weld` says why there is none. measured : strength across layers by nozzle
    temperature, ascending, whose shape replaces the model's; its level is `Strength.across_mpa`.
    """

    weld: Welding | None = None
    no_weld: str | None = None
    measured: tuple[BondAt, ...] = ()

    def flaws(self) -> Iterator[Flaw]:
        for index, (one, two) in enumerate(zip(self.measured, self.measured[1:], strict=False), 1):
            if two.nozzle_c <= one.nozzle_c:
                instead = f"temperatures that rise, each once: above {one.nozzle_c:g}"
                yield Flaw(("measured", index, "nozzle_c"), f"{two.nozzle_c:g}", instead)


class Coupon(Struct, frozen=True, forbid_unknown_fields=True):
    """How the test piece was printed that broke at `Strength.across_mpa`.

    age_s : how old the layer below was. wall_mm : the wall that cools, through and through.
    """

    nozzle_c: Quantity
    height_mm: Quantity
    width_mm: Quantity
    age_s: Quantity
    fan: PercentQuantity
    wall_mm: Quantity

    def flaws(self) -> Iterator[Flaw]:
        yield from outside(self, ("nozzle_c",), 0, 500, above=True)
        yield from outside(self, ("height_mm", "width_mm", "age_s", "wall_mm"), 0, above=True)
        yield from outside(self, ("fan",), 0, 1)
        if self.height_mm.value > self.width_mm.value:
            found = f"{self.height_mm.value:g} above width_mm, {self.width_mm.value:g}"
            yield Flaw(("height_mm", "value"), found, "a height of at most the width")


class Snap(Struct, frozen=True, forbid_unknown_fields=True):
    """Strain that a clip may be bent to, once or again and again, along its beads or across its layers."""

    along_once: PercentQuantity
    along_repeated: PercentQuantity
    across_once: PercentQuantity
    across_repeated: PercentQuantity

    def flaws(self) -> Iterator[Flaw]:
        keys = ("along_once", "along_repeated", "across_once", "across_repeated")
        yield from outside(self, keys, 0, 10, above=True)
        for way in ("along", "across"):
            once, repeated = getattr(self, f"{way}_once").value, getattr(self, f"{way}_repeated").value
            if repeated > once:
                found = f"{100 * repeated:g}% above {way}_once, {100 * once:g}%"
                yield Flaw((f"{way}_repeated", "value"), found, "at most what is allowed once")


class Fatigue(Struct, frozen=True, forbid_unknown_fields=True):
    """Greatest stress for N cycles: coefficient_mpa N^-exponent, between from_cycles and to_cycles only.

    strength_mpa : of the same plastic under one slow load. spread : of coefficient_mpa.
    """

    coefficient_mpa: Positive
    exponent: Positive
    strength_mpa: Positive
    from_cycles: Positive
    to_cycles: Positive
    source: Source
    flag: Flag
    spread: Spread | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from spread_flaws(self.spread, self.coefficient_mpa)
        if self.spread is not None and self.spread[0] <= 0:
            yield Flaw(("spread",), f"{self.spread[0]:g}", "a number above 0")
        if self.from_cycles >= self.to_cycles:
            yield Flaw(("from_cycles",), f"{self.from_cycles:g}", f"below to_cycles, {self.to_cycles:g}")
        elif self.coefficient_mpa * self.from_cycles**-self.exponent > self.strength_mpa:
            found = f"{self.coefficient_mpa * self.from_cycles**-self.exponent:.3g} MPa at from_cycles"
            yield Flaw(("coefficient_mpa",), found, f"at most strength_mpa, {self.strength_mpa:g}")


class Strength(Struct, frozen=True, forbid_unknown_fields=True):
    """How strong, stiff and supple printed plastic is, at room temperature and dry.

    across_mpa : tension across layers of a piece printed like `reference`; along_mpa, modulus_mpa : along beads.
    across_modulus_share : modulus across layers over modulus_mpa. height_slope : strength across layers falls
    with a layer's height over its bead's width as 1 - height_slope * height / width. break_along, break_across :
    strain at break. hold_exponent : a clip held open keeps (minutes)^-hold_exponent of its force.
    """

    reference: Coupon
    across_mpa: Quantity
    along_mpa: Quantity
    modulus_mpa: Quantity
    across_modulus_share: Quantity
    poisson: Quantity
    height_slope: Quantity
    break_along: PercentQuantity
    break_across: PercentQuantity
    snap: Snap
    friction: Quantity
    hold_exponent: Quantity
    fatigue: Fatigue | None = None
    embrittled_after_years: Quantity | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from outside(self, ("across_mpa", "along_mpa", "modulus_mpa"), 0, above=True)
        yield from outside(self, ("across_modulus_share",), 0, 1.5, above=True)
        yield from outside(self, ("poisson", "hold_exponent"), 0, 0.5)
        yield from outside(self, ("height_slope",), 0, 1)
        yield from outside(self, ("break_along", "break_across"), 0, 10, above=True)
        yield from outside(self, ("friction",), 0, 5)
        yield from outside(self, ("embrittled_after_years",), 0, above=True)
        for way in ("along", "across"):
            once, limit = getattr(self.snap, f"{way}_once").value, getattr(self, f"break_{way}").value
            if once > limit:
                found = f"{100 * once:g}% above break_{way}, {100 * limit:g}%"
                yield Flaw(("snap", f"{way}_once", "value"), found, "less than the strain at break")


class Material(Struct, frozen=True, forbid_unknown_fields=True):
    """A filament.

    like : another material, whose keys hold where this one has none (see `profiles.load_material`).
    melt_rate_mm3_s : most plastic a plain 0.4 mm nozzle melts well. measured_peak_c : the nozzle temperature
    past which layers were measured weaker, None where nobody measured. min_layer_time_s : below it a layer
    is still soft when the next comes. ooze_mm : filament lost during a rest, to be primed after it. glass_c :
    where it turns soft, None where it has no such limit in use.
    """

    version: Literal[1] = field(name="beadwright")
    name: Name = field(name="material")
    about: str
    density_g_cm3: Quantity
    diameter_mm: Quantity
    price_per_kg: Quantity
    nozzle_c: Range
    bed_c: Range
    fan: PercentRange
    min_layer_time_s: Quantity
    min_extrusion_c: Quantity
    melt_rate_mm3_s: Quantity
    ooze_mm: Quantity
    like: Reference | None = None
    measured_peak_c: Quantity | None = None
    glass_c: Quantity | None = None
    bond: Bond | None = None
    strength: Strength | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from not_positive(self, ("density_g_cm3", "diameter_mm", "melt_rate_mm3_s", "min_extrusion_c"))
        yield from negative(self, ("price_per_kg", "min_layer_time_s", "ooze_mm"))
        # Far beyond any filament; numbers of other sizes would overflow what is worked out with them.
        yield from outside(self, ("density_g_cm3", "diameter_mm"), 0.01, 100)
        yield from outside(self, ("price_per_kg", "min_layer_time_s", "ooze_mm", "melt_rate_mm3_s"), 0, 1e9)
        peak = self.measured_peak_c
        if peak is not None and not self.nozzle_c.low <= peak.value <= self.nozzle_c.high:
            inside = f"a temperature within nozzle_c, {self.nozzle_c.low:g} to {self.nozzle_c.high:g}"
            yield Flaw(("measured_peak_c",), f"{peak.value:g}", inside)
        yield from outside(self, ("glass_c",), -100, 300)
        yield from self._bond_flaws()

    def _bond_flaws(self) -> Iterator[Flaw]:
        weld = self.bond.weld if self.bond else None
        if weld is not None and self.glass_c is None:
            yield Flaw(("bond", "weld"), "no key 'glass_c' beside bond", "glass_c, below which no weld heals")
        elif weld is not None and self.glass_c is not None and self.glass_c.value >= weld.weld_at_c.value:
            limit = f"a temperature above glass_c, {self.glass_c.value:g}"
            yield Flaw(("bond", "weld", "weld_at_c", "value"), f"{weld.weld_at_c.value:g}", limit)
        table = self.bond.measured if self.bond else ()
        if table and self.strength is not None:
            at = self.strength.reference.nozzle_c.value
            if not table[0].nozzle_c <= at <= table[-1].nozzle_c:
                inside = (
                    f"a temperature within bond.measured, {table[0].nozzle_c:g} to {table[-1].nozzle_c:g}; "
                    "with points of your own write strength.reference.nozzle_c and strength.across_mpa too"
                )
                yield Flaw(("strength", "reference", "nozzle_c", "value"), f"{at:g}", inside)
