"""The welds of a region: pieces put into classes that are alike, and what comes of them layer by layer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.pieces import Instance

__all__ = ["LayerWelds", "Means", "layer_welds"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

# The weld model is asked at nodes that all regions share, ages by a ratio and nozzles by a step apart; a weld counts to
# the nodes on its either side. The rest goes by classes.
_AGE_RATIO, _WALL_RATIO = 1.2, 1.05
_NOZZLE_C, _FAN, _SHARE = 2.5, 0.05, 0.01
_LEAST_AGE_S = 0.05
_ALIKE = 1e-4  # of the greatest; rounding decides nothing
_SPARSE = 0.5  # of what a piece lies on; beyond, it is laid as a bridge and counts as a transition
_NO_PART = 1e-9
_MOST_CODES = 1 << 40
_LEAST_LAYER = 0.25  # of the usual area of a layer; less tells nothing of the region


@dataclass(frozen=True, slots=True)
class Means:
    """Draws of a number, layer by layer, as means of few classes of welds: a hundred layers of a thousand draws are a
    megabyte a region, their classes a tenth of it.

    classes : (1 + d, c) draws of each class. weight : (k, c) shares of the classes in each layer. most : what no mean
    exceeds.
    """

    classes: F8
    weight: F8
    most: float = np.inf

    @property
    def draws(self) -> F8:
        """(1 + d, k) of every layer, made anew each time."""
        draws: F8 = np.minimum(_product(self.classes, self.weight), self.most)
        return draws

    def at(self, layer: int) -> F8:
        """(1 + d,) draws of the layer at an index."""
        draws: F8 = np.minimum(_product(self.classes, self.weight[layer : layer + 1])[:, 0], self.most)
        return draws

    def over_layers(self, share: F8) -> F8:
        """(1 + d,) means of the layers; (k,) share : of each."""
        if np.any(self.classes > self.most):
            return _product(self.draws, share[None, :])[:, 0]
        return _product(self.classes, _product(share[None, :], self.weight.T))[:, 0]

    @property
    def best(self) -> F8:
        """(k,) first draws."""
        first: F8 = np.minimum(_product(self.classes[:1], self.weight)[0], self.most)
        return first

    def without_doubt(self) -> Means:
        """The first draws alone."""
        return replace(self, classes=self.classes[:1].copy())

    @property
    def mean(self) -> F8:
        """(k,) means of all draws."""
        mean: F8
        if np.any(self.classes > self.most):
            mean = self.draws.mean(axis=0)
        else:
            mean = _product(self.classes.mean(axis=0)[None, :], self.weight)[0]
        return mean


def _product(columns: F8, weight: F8) -> F8:
    """(a, k) of (a, c) and (k, c), on this thread: what BLAS shares out among threads for so little it spends some
    times over on their waiting."""
    product: F8 = np.einsum("ac,kc->ak", columns, weight)
    return product


@dataclass(frozen=True, slots=True)
class LayerWelds:
    """A region's layers that rest on a layer of the print, columns (k,).

    layer : of the instance, from 1. area_mm2 : of its beads seen from above. contact : share of that which lies on
    solid beads. strength_mpa, bond : means by area of contact. transition : (t,) layers laid over sparse
    fill or air for the most part, which count as no strength. age_s : mean age of what lies below, all layers.
    outside : whether a nozzle, or a bead's height over width, lies outside of what was measured.
    """

    layer: I4
    area_mm2: F8
    contact: F8
    strength_mpa: Means
    bond: Means
    transition: I4
    age_s: float
    outside_nozzle: bool
    outside_shape: bool

    def without_doubt(self) -> LayerWelds:
        """The same at best estimate alone: draws are most of what it holds."""
        return replace(self, strength_mpa=self.strength_mpa.without_doubt(), bond=self.bond.without_doubt())

    @property
    def least_healed(self) -> int:
        """Index of the layer with the least best bond; -1 where there is none."""
        return _least(self.bond.best, self.bond.mean) if len(self.layer) else -1

    @property
    def weakest(self) -> int:
        """Index of the layer that bears least over its whole area; -1 where there is none."""
        if len(self.layer) == 0:
            return -1
        return _least(self.strength_mpa.best * self.contact, self.strength_mpa.mean * self.contact)

    @property
    def bears_mpa(self) -> F8:
        """(1 + d,) what the weakest layer bears over its whole area; there is one."""
        k = self.weakest
        bears: F8 = self.strength_mpa.at(k) * self.contact[k]
        return bears


def _least(best: F8, mean: F8) -> int:
    """The first column with the least best draw; of those that are alike, the one with the least mean."""
    best = best / max(float(best.max()), 1e-12)
    alike = np.flatnonzero(best <= best.min() + _ALIKE)
    mean = mean[alike]
    return int(alike[np.argmax(mean <= mean.min() * (1.0 + _ALIKE))])


def layer_welds(instance: Instance, within: Bool, law: Law, wall_mm: float | None) -> LayerWelds:
    """The welds below the pieces `within` of an instance.

    Parameters
    ----------
    wall_mm : thickness of the wall they are part of, whose two faces see the air; None for a thick body.
    """
    at = np.flatnonzero(within)
    on, samples = instance.lies_on(within), instance.samples.take(at)
    area = samples.width_mm * samples.length_mm
    carried = np.where(np.isnan(on.age_s), 0.0, on.share * (1.0 - on.sparse))
    bridge = (on.share <= 0) | (on.sparse > _SPARSE)
    layers, of = np.unique(instance.own_layer[at], return_inverse=True)
    whole = np.bincount(of, area, minlength=len(layers)).astype(np.float64)
    held = np.bincount(of, area * carried * ~bridge, minlength=len(layers))
    free = np.bincount(of, area * bridge, minlength=len(layers))
    on_bed = layers == 1
    usual = float(np.median(whole)) if len(whole) else 0.0
    over = ~on_bed & (free > 0.5 * whole)
    told = ~on_bed & ~over & (held > 0) & (whole >= _LEAST_LAYER * usual)
    use = np.flatnonzero(told[of] & (carried > 0) & ~bridge)
    share = samples.height_mm[use] / samples.width_mm[use]
    welds = Welds(
        age_s=np.maximum(on.age_s[use], _LEAST_AGE_S),
        nozzle_c=instance.nozzle_c[at][use],
        fan=instance.fan[at][use],
        height_share=share,
        wall_mm=np.full(len(use), 10.0 if wall_mm is None else wall_mm),
        faces=np.full(len(use), 1.0 if wall_mm is None else 2.0),
    )
    known = ~np.isnan(welds.nozzle_c)
    if not np.all(known):  # nobody knows the nozzle: as the test piece had it
        filled = np.where(known, welds.nozzle_c, law.strength.reference.nozzle_c.value)
        welds = Welds(welds.age_s, filled, welds.fan, share, welds.wall_mm, welds.faces)
    classes, member, part, of_weld = _classes(welds)
    ratio = law.weld_ratio(classes)
    strength = law.across_mpa[:, None] * ratio * law.shape_ratio(classes.height_share)
    kept, row = np.unique(of[use], return_inverse=True)
    cell = row.ravel()[of_weld] * len(classes) + member
    spread = np.bincount(cell, (area * carried)[use][of_weld] * part, minlength=len(kept) * len(classes))
    weight = spread.reshape(len(kept), len(classes)).astype(np.float64)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
    ages = welds.age_s
    return LayerWelds(
        layer=layers[kept].astype(np.int32),
        area_mm2=whole[kept],
        contact=held[kept] / np.maximum(whole[kept], 1e-12),
        strength_mpa=Means(strength, weight, law.most_mpa),
        bond=Means(law.bonds(ratio), weight),
        transition=layers[over].astype(np.int32),
        age_s=float(np.average(ages, weights=(area * carried)[use])) if len(use) else float("nan"),
        outside_nozzle=bool(np.any(law.outside_table(welds.nozzle_c[known]))),
        outside_shape=bool(np.any((share < 0.15) | (share > 1.0))),
    )


def _classes(welds: Welds) -> tuple[Welds, I8, F8, I8]:
    """Classes of welds; and for each share of a weld in a class: the class, the share, the weld."""
    age, age_part = _nodes(np.log(welds.age_s) / np.log(_AGE_RATIO))
    nozzle, nozzle_part = _nodes(welds.nozzle_c / _NOZZLE_C)
    fan = np.round(welds.fan / _FAN)
    wall = np.round(np.log(welds.wall_mm) / np.log(_WALL_RATIO))
    share = np.round(welds.height_share / _SHARE)
    parts, of_welds, places = [], [], []
    for k, by_age in enumerate((1.0 - age_part, age_part)):
        for m, by_nozzle in enumerate((1.0 - nozzle_part, nozzle_part)):
            part = by_age * by_nozzle
            some = np.flatnonzero(part > _NO_PART)
            parts.append(part[some])
            of_welds.append(some)
            places.append(np.broadcast_to([[k], [m]], (2, len(some))))
    part, of_weld, place = np.concatenate(parts), np.concatenate(of_welds), np.concatenate(places, axis=1)
    keys = [age[of_weld] + place[0], nozzle[of_weld] + place[1]]
    keys += [column[of_weld] for column in (fan, wall, welds.faces, share)]
    _, first, member = np.unique(_coded(keys), return_index=True, return_inverse=True)
    key = np.column_stack([column[first] for column in keys])
    member = member.ravel()
    weight = np.maximum(np.bincount(member, part), 1e-12)
    classes = Welds(
        age_s=_AGE_RATIO ** key[:, 0],
        nozzle_c=key[:, 1] * _NOZZLE_C,
        fan=key[:, 2] * _FAN,
        height_share=np.bincount(member, part * welds.height_share[of_weld]) / weight,
        wall_mm=_WALL_RATIO ** key[:, 3],
        faces=key[:, 4],
    )
    return classes, member, part, of_weld


def _nodes(value: F8) -> tuple[F8, F8]:
    """The node below each value, and how far it is on its way to the next."""
    low = np.floor(value + 1e-9)
    return low, np.clip(value - low, 0.0, 1.0)


def _coded(keys: Sequence[F8]) -> I8:
    """One number for each set of keys, whole numbers in (n,) columns, in their order."""
    code = np.zeros(len(keys[0]), np.int64)
    many = 1
    for column in keys:
        least = float(column.min(initial=0.0))
        span = int(float(column.max(initial=0.0)) - least) + 1
        if many * span > _MOST_CODES:
            values, index = np.unique(code, return_inverse=True)
            code, many = index.ravel(), len(values)
        code = code * span + (column - least).astype(np.int64)
        many *= span
    return code
