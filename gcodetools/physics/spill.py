"""Spill: what a plan gives to beads that nobody meant, and where it can be seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["BAND_C", "LEAST_C", "LEAST_FAN", "Band", "Spill", "bands", "spill_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

LEAST_C = 0.5  # below, a bead counts as having what the file gave it
LEAST_FAN = 0.02
BAND_C = 3.0  # common practice, no source: from here gloss and shade of an outer wall tell


@dataclass(frozen=True, slots=True)
class Spill:
    """What the beads of each owner got that were not meant. owner : (o,) as given, ascending, only those with
    spill. length_mm : (o,). mean : (o,) by length, signed. most : (o,) the largest change, signed.
    covered_mm : beads with a change, meant or not. total_mm : all beads."""

    owner: I8
    length_mm: F8
    mean: F8
    most: F8
    covered_mm: float
    total_mm: float

    @property
    def share(self) -> float:
        """Share of all bead length that has a change, 0 to 1."""
        return self.covered_mm / self.total_mm if self.total_mm > 0 else 0.0


def spill_of(change: F8, meant: Bool | F8, owner: I8, length_mm: F8, least: float = LEAST_C) -> Spill:
    """Spill of a plan.

    Parameters
    ----------
    change : (n,) what a bead got less what it would have had. meant : (n,) whether it was meant, or the share of
        it that was. owner : (n,) index of the part or instance, -1 nobody's. length_mm : (n,).
    least : changes below it do not count.

    Raises
    ------
    ValueError : columns of unlike lengths.
    """
    if not len(change) == len(meant) == len(owner) == len(length_mm):
        raise ValueError("every column needs one value a bead")
    touched = np.abs(change) >= least
    spilt = length_mm * (1.0 - np.clip(meant.astype(np.float64), 0.0, 1.0))
    rows = np.flatnonzero(touched & (spilt > 0.0))
    names, which = np.unique(owner[rows], return_inverse=True)
    length = np.bincount(which, spilt[rows], minlength=len(names)).astype(np.float64)
    mean = np.bincount(which, spilt[rows] * change[rows], minlength=len(names)) / length
    up, down = np.zeros(len(names)), np.zeros(len(names))
    np.maximum.at(up, which, change[rows])
    np.minimum.at(down, which, change[rows])
    most = np.where(up >= -down, up, down)
    covered = float(length_mm[touched].sum())
    return Spill(names.astype(np.int64), length, mean, most, covered, float(length_mm.sum()))


@dataclass(frozen=True, slots=True)
class Band:
    """Layers of an owner whose outer wall shows. first, last : layers as given. low_mm, high_mm : from under the
    first to the top of the last. mean_c : change of its outer beads, by length. whole : no layer of the owner
    lies outside, so there is no edge to see."""

    owner: int
    first: int
    last: int
    low_mm: float
    high_mm: float
    mean_c: float
    whole: bool


def bands(
    change_c: F8,
    outermost: Bool,
    owner: I8,
    layer: I8,
    top_mm: F8,
    height_mm: F8,
    length_mm: F8,
    least_c: float = BAND_C,
) -> list[Band]:
    """Heights where a plan can be seen: runs of an owner's layers whose outer beads differ from what the file
    gave them by more than `least_c` on the mean.

    Parameters
    ----------
    change_c : (n,) C. outermost : (n,) whether a bead is of the outer wall. owner : (n,) -1 nobody's, left out.
    layer : (n,) index of its layer, -1 none. top_mm : (n,) z of the bead, which is its top. height_mm : (n,).
    length_mm : (n,).

    Returns
    -------
    list of Band : by owner and height; a run ends where the change turns its sign.
    """
    rows = np.flatnonzero(outermost & (owner >= 0) & (layer >= 0) & (length_mm > 0))
    if len(rows) == 0:
        return []
    order = rows[np.lexsort((layer[rows], owner[rows]))]
    edge = (np.diff(owner[order], prepend=-1) != 0) | (np.diff(layer[order], prepend=-1) != 0)
    start = np.flatnonzero(edge)
    length = np.add.reduceat(length_mm[order], start)
    mean = np.add.reduceat(length_mm[order] * change_c[order], start) / length
    low = np.minimum.reduceat((top_mm - height_mm)[order], start)
    high = np.maximum.reduceat(top_mm[order], start)
    whose, which = owner[order[start]], layer[order[start]]
    sign = np.where(np.abs(mean) > least_c, np.sign(mean), 0.0)
    # Layers of one owner follow one another here even where the plate has others in between.
    begins = np.flatnonzero((np.diff(sign, prepend=9.0) != 0) | (np.diff(whose, prepend=-1) != 0))
    stops = np.append(begins[1:], len(sign))
    layers = np.bincount(whose)
    found = []
    for a, b in zip(begins.tolist(), stops.tolist(), strict=True):
        if sign[a] == 0:
            continue
        weighed = float(np.average(mean[a:b], weights=length[a:b]))
        whole = b - a == int(layers[whose[a]])
        ends = float(low[a:b].min()), float(high[a:b].max())
        found.append(Band(int(whose[a]), int(which[a]), int(which[b - 1]), *ends, weighed, whole))
    return found
