"""A material's laws of strength, each number drawn within its doubt.

Strength across layers is what the material's test piece bore, times how the weld compares with that piece's: by
nozzle temperature as measured where there is a table, else by the weld model; by age of the layer below, wall
and fan by the model, whose answers are taken to a power below 1 (`Sensitivity`), for it is steeper than what was
measured; by height over width of the bead as measured. A healed weld gains nothing more.

The weld model gets the reference's layer height: the measured law of height over width holds the healing of the
prints it was measured on.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.materials import Bond, Material, Strength, Welding
from gcodetools.physics.bond import Cells, Weld, healed_cells, height_factor
from gcodetools.records import dataclass
from gcodetools.strength.spreads import Draws

__all__ = ["Basis", "Law", "Welds", "law_of"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]
Basis = Literal["measured", "modelled", "assumed"]

_MOST_KNOWN = 4000  # welds remembered, 8 kB each
_BLOCK = 64  # cells healed at a time: draws by cells by moments is a large array
_MOST_FALL = 0.9
_STEEP_C = (
    0.018  # where one point alone is known: as PETG between 215 and 230 C; that others do so is an assumption
)
_LEAST_HEALED = 1e-3  # where the model sees no healing at all


@dataclass(frozen=True, slots=True)
class Welds:
    """Welds that are to be told, columns (n,): age of the plastic below, nozzle that it got, fan, height over
    width of the bead, wall, and how many of its faces see air."""

    age_s: F8
    nozzle_c: F8
    fan: F8
    height_share: F8
    wall_mm: F8
    faces: F8

    def __len__(self) -> int:
        return len(self.age_s)


class Law:
    """Laws of one material.

    Parameters
    ----------
    material : with `strength`. draws : how its numbers are drawn.

    Raises
    ------
    ValueError : a material that says nothing of its strength.
    """

    def __init__(self, material: Material, draws: Draws) -> None:
        if material.strength is None:
            raise ValueError(f"material {material.name} says nothing of strength")
        self.material, self.draws = material, draws
        self.strength: Strength = material.strength
        bond = material.bond or Bond()
        self.weld: Welding | None = bond.weld
        self.table = bond.measured
        of = draws.of
        strength = self.strength
        self.across_mpa = of("across_mpa", strength.across_mpa, ratio=True)
        self.along_mpa = of("along_mpa", strength.along_mpa, ratio=True)
        self.modulus_mpa = of("modulus_mpa", strength.modulus_mpa, ratio=True)
        self.across_share = of("across_modulus_share", strength.across_modulus_share, ratio=True)
        self.slope = np.clip(of("height_slope", strength.height_slope), 0.0, 0.999)
        self._known: dict[bytes, F8] = {}
        self._curve = self._drawn_curve()
        self._weld = self._drawn_weld()
        self._reference = self._healed(self._coupon())
        self.bond_at_reference = self._bond_at_reference()

    @property
    def nozzle_basis(self) -> str:
        """What is known of the nozzle temperature: "table", "model", or "" where neither is."""
        return "table" if self.table else "model" if self.weld is not None else ""

    @property
    def own(self) -> str:
        """Where the user's own specimens are told of, by `tune`; "" where strength across layers rests on none."""
        level = self.strength.across_mpa
        if level.flag == "measured":
            return level.source
        return next((point.source for point in self.table if point.flag == "measured"), "")

    @property
    def peak_c(self) -> float | None:
        """The measured temperature with the greatest strength; None without a table."""
        best = max(self.table, key=lambda point: point.across_mpa, default=None)
        return None if best is None else best.nozzle_c

    def outside_table(self, nozzle_c: F8) -> Bool:
        """(n,) where a nozzle lies outside of what was measured: the end of the table is taken there."""
        if not self.table:
            return np.zeros(len(nozzle_c), bool)
        result: Bool = (nozzle_c < self.table[0].nozzle_c) | (nozzle_c > self.table[-1].nozzle_c)
        return result

    def weld_ratio(self, welds: Welds) -> F8:
        """(1 + d, n) strength of welds over that of the reference, height and width of beads left aside; NaN
        where the age is unknown."""
        ratio = self.nozzle_ratio(welds.nozzle_c)
        weld, healed = self.weld, self._reference
        if weld is None or healed is None:
            return np.where(np.isnan(welds.age_s), np.nan, ratio)
        at = self.strength.reference
        n = len(welds)
        full = np.full
        nozzle = full(n, weld.weld_at_c.value)
        height = full(n, at.height_mm.value)

        def cells(fan: F8, nozzle_c: F8) -> Cells:
            return Cells(welds.age_s, nozzle_c, fan, height, welds.wall_mm, welds.faces)

        draws, sensitivity = self.draws, weld.sensitivity
        still = self._healed_many(cells(full(n, at.fan.value), nozzle))
        blown = self._healed_many(cells(welds.fan, nozzle))
        alone = self._healed_many(self._coupon(welds.fan))
        by_age = np.clip(draws.of("sensitivity.age", sensitivity.age), 0.0, 1.0)[:, None]
        by_fan = np.clip(draws.of("sensitivity.fan", sensitivity.fan), 0.0, 1.0)[:, None]
        # Both together to the lesser power, the rest each by itself: so that in no draw more fan or more time gains.
        both = np.minimum(by_age, by_fan)
        ratio = ratio * (blown / healed) ** both * (still / healed) ** (by_age - both)
        ratio *= (alone / healed) ** (by_fan - both)
        if not self.table:
            by_nozzle = np.clip(draws.of("sensitivity.nozzle", sensitivity.nozzle), 0.0, 1.0)[:, None]
            # As the test piece cooled, so that age and fan act once.
            hot = self._healed_many(self._coupon(nozzle_c=welds.nozzle_c))
            same = self._healed_many(self._coupon(nozzle_c=full(n, at.nozzle_c.value)))
            ratio = ratio * (hot / same) ** by_nozzle
        return np.where(np.isnan(welds.age_s), np.nan, ratio)

    def nozzle_ratio(self, nozzle_c: F8) -> F8:
        """(1 + d, n) strength over that at the reference's nozzle by the measured table; 1 without one."""
        if self._curve is None:
            return np.ones((len(self.draws), len(nozzle_c)))
        at = np.array([point.nozzle_c for point in self.table])
        x = np.clip(nozzle_c, at[0], at[-1])
        k = np.clip(np.searchsorted(at, x, side="right") - 1, 0, max(len(at) - 2, 0))
        span = np.append(np.diff(at), 1.0)[k]
        share = (x - at[k]) / span
        upper = np.minimum(k + 1, len(at) - 1)
        value: F8 = self._curve[:, k] * (1.0 - share) + self._curve[:, upper] * share
        # Beyond its ends it may fall as steeply as it does anywhere.
        fall = np.minimum(self._steepest * np.abs(nozzle_c - x), _MOST_FALL)
        return value * (1.0 - fall * np.clip(self.draws.between("beyond", 0.0, 0.0, 1.0), 0.0, 1.0)[:, None])

    def shape_ratio(self, height_share: F8) -> F8:
        """(1 + d, n) factor of height over width, over the reference's."""
        at = self.strength.reference
        one = np.ones(1)
        mine, _ = height_factor(height_share[None, :], 1.0, self.slope[:, None])
        reference, _ = height_factor(at.height_mm.value * one, at.width_mm.value * one, self.slope[:, None])
        ratio: F8 = mine / reference
        return ratio

    def bonds(self, ratio: F8) -> F8:
        """(1 + d, n) how far welds of these `weld_ratio`s have healed, at most 1."""
        return np.minimum(self.bond_at_reference[:, None] * ratio, 1.0)

    @property
    def most_mpa(self) -> float:
        """What no weld exceeds: the most that the plastic bears along its beads. A constant, lest it hide what a
        treatment loses."""
        along = self.strength.along_mpa
        return along.spread[1] if along.spread is not None else along.value

    @property
    def _steepest(self) -> float:
        """The steepest step of the table, as a share of its greater end by C."""
        steps = [
            abs(b.across_mpa - a.across_mpa) / max(a.across_mpa, b.across_mpa) / (b.nozzle_c - a.nozzle_c)
            for a, b in pairwise(self.table)
        ]
        return max(steps, default=_STEEP_C)

    def _drawn_curve(self) -> F8 | None:
        """(1 + d, points) the table over its value at the reference."""
        if not self.table:
            return None
        columns = []
        for point in self.table:
            low, high = point.spread or (point.across_mpa, point.across_mpa)
            name = f"measured.{point.nozzle_c:g}"
            columns.append(self.draws.between(name, low, point.across_mpa, high, ratio=True))
        drawn = np.column_stack(columns)
        at = np.array([point.nozzle_c for point in self.table])
        wanted = self.strength.reference.nozzle_c.value
        k = int(np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, max(len(at) - 2, 0)))
        upper = min(k + 1, len(at) - 1)
        share = (wanted - at[k]) / (at[upper] - at[k]) if upper > k else 0.0
        reference = drawn[:, k] * (1.0 - share) + drawn[:, upper] * share
        result: F8 = drawn / reference[:, None]
        return result

    def _drawn_weld(self) -> Weld | None:
        weld, glass = self.weld, self.material.glass_c
        if weld is None or glass is None:
            return None

        def of(name: str, ratio: bool = True) -> F8:
            return self.draws.of(f"weld.{name}", getattr(weld, name), ratio=ratio)[:, None]

        glass_c = self.draws.of("glass_c", glass)[:, None]
        density = self.draws.of("density", self.material.density_g_cm3, ratio=True)[:, None] * 1000.0
        return Weld(
            conductivity_w_mk=of("conductivity_w_mk"),
            density_kg_m3=density,
            heat_j_kgk=of("heat_j_kgk"),
            glass_c=glass_c,
            weld_time_s=of("weld_time_s"),
            weld_at_c=of("weld_at_c", ratio=False),
            c1=of("wlf_c1"),
            c2=of("wlf_c2"),
            still_w_m2k=of("still_w_m2k"),
            fan_w_m2k=np.maximum(of("fan_w_m2k", ratio=False), 0.0),
            ambient_c=of("ambient_c", ratio=False),
        )

    def _coupon(self, fan: F8 | None = None, nozzle_c: F8 | None = None) -> Cells:
        """The weld of the test piece, at the nozzle the model is tied to; under other fans or nozzles (n,)."""
        at = self.strength.reference
        tied = self.weld.weld_at_c.value if self.weld is not None else at.nozzle_c.value
        one = np.ones(1 if fan is None else len(fan)) if nozzle_c is None else np.ones(len(nozzle_c))
        blown = at.fan.value * one if fan is None else fan
        hot = tied * one if nozzle_c is None else nozzle_c
        return Cells(
            at.age_s.value * one, hot, blown, at.height_mm.value * one, at.wall_mm.value * one, 2.0 * one
        )

    def _healed(self, cells: Cells) -> F8 | None:
        """(1 + d, n) share healed, at most 1; None without a model."""
        if self._weld is None:
            return None
        return np.clip(healed_cells(self._weld, cells), _LEAST_HEALED, 1.0)

    def _healed_many(self, cells: Cells) -> F8:
        """The same for many, each different weld once a plate; only for materials with a model."""
        assert self._weld is not None
        alike = np.column_stack(
            [cells.age_s, cells.nozzle_c, cells.fan, cells.height_mm, cells.wall_mm, cells.faces]
        )
        unique, back = np.unique(alike, axis=0, return_inverse=True)
        keys = [row.tobytes() for row in unique]
        if len(self._known) > _MOST_KNOWN:
            self._known.clear()
        new = [k for k, key in enumerate(keys) if key not in self._known]
        for low in range(0, len(new), _BLOCK):
            block = new[low : low + _BLOCK]
            found = np.clip(healed_cells(self._weld, Cells(*unique[block].T.copy())), _LEAST_HEALED, 1.0)
            self._known.update(zip((keys[k] for k in block), found.T, strict=True))
        columns = np.empty((len(self.draws), len(keys)))
        for k, key in enumerate(keys):
            columns[:, k] = self._known[key]
        result: F8 = columns[:, back.ravel()]
        return result

    def _bond_at_reference(self) -> F8:
        """(1 + d,) how far the test piece had healed: the model's answer, moved to its nozzle by the table."""
        if self._reference is None:
            return np.ones(len(self.draws))
        assert self.weld is not None
        moved = 1.0 / self.nozzle_ratio(np.array([self.weld.weld_at_c.value]))[:, 0]
        return np.minimum(self._reference[:, 0] * moved, 1.0)


@lru_cache(maxsize=4)
def law_of(material: Material, draws: Draws) -> Law:
    """The law of a material; one for all plates of a run, so that welds that are alike are healed once."""
    return Law(material, draws)
