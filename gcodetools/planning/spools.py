"""How many spools a print run takes: plates packed onto spools, largest first.

A plate does not change its spool on the way, unless that is allowed. What is left on a spool waits for a plate that
it is enough for. Each printer keeps its spools to itself, so that two that print at the same time never want the same
one. First fit decreasing (Johnson 1973): at most 11/9 of the fewest spools and one more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Packed", "packed"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Packed:
    """full : (r,) full spools begun. opened : (r,) opened ones used. left_g : (r,) left on all that were used."""

    full: I8
    opened: I8
    left_g: F8


def packed(
    counts: NDArray[np.integer], grams: F8, net_g: float, opened_g: tuple[float, ...] = (), swap: bool = False
) -> Packed:
    """Spools for plates on printers.

    Parameters
    ----------
    counts : (r, p, k) plates of each kind on each printer, in each of r runs. grams : (k,) of one plate, above 0.
    net_g : on a full spool. opened_g : left on opened ones; they are taken before full ones. swap : a plate may go on
    from the next spool where one ends.

    Raises
    ------
    ValueError : a plate that is printed needs more than a full spool, and may not go on from another.
    """
    used = np.any(counts > 0, axis=(0, 1))
    if not swap and np.any(grams[used] > net_g * (1 + _TINY)):
        raise ValueError("a plate needs more than a spool")
    return _fluid(counts, grams, net_g, opened_g) if swap else _first_fit(counts, grams, net_g, opened_g)


def _fluid(counts: NDArray[np.integer], grams: F8, net_g: float, opened_g: tuple[float, ...]) -> Packed:
    needed = counts @ grams  # (r, p)
    total = needed.sum(axis=1)
    opened = np.zeros(len(needed), np.int64)
    for size in sorted(opened_g):
        # To the printer that needs most; what it does not need stays on the spool.
        most = np.argmax(needed, axis=1)
        rows = np.flatnonzero(needed[np.arange(len(needed)), most] > _TINY)
        needed[rows, most[rows]] = np.maximum(needed[rows, most[rows]] - size, 0.0)
        opened[rows] += 1
    full = np.ceil(needed / net_g - _TINY).astype(np.int64).sum(axis=1)
    held = np.concatenate([[0.0], np.cumsum(sorted(opened_g))])[opened]
    return Packed(full, opened, full * net_g + held - total)


def _first_fit(counts: NDArray[np.integer], grams: F8, net_g: float, opened_g: tuple[float, ...]) -> Packed:
    runs, printers, _ = counts.shape
    sizes = np.array(sorted(opened_g), np.float64)
    taken = np.zeros((runs, len(sizes)), bool)
    full, left = np.zeros(runs, np.int64), np.zeros(runs)
    order = [int(k) for k in np.argsort(-grams, kind="stable")]
    for p in range(printers):
        bins: list[F8] = []
        for k in order:
            number = counts[:, p, k].astype(np.int64)
            if not np.any(number):
                continue
            size = float(grams[k])
            for held in bins:
                number -= _filled(held, number, size)
                if not np.any(number):
                    break
            for o, amount in enumerate(sizes):
                rows = (number > 0) & ~taken[:, o] & (amount >= size * (1 - _TINY))
                if np.any(rows):
                    taken[:, o] |= rows
                    held = np.where(rows, amount, 0.0)
                    number -= _filled(held, number, size)
                    bins.append(held)
            while np.any(number > 0):
                rows = number > 0
                full += rows
                held = np.where(rows, net_g, 0.0)
                number -= _filled(held, number, size)
                bins.append(held)
        left += np.sum(bins, axis=0) if bins else 0.0
    return Packed(full, taken.sum(axis=1), left)


def _filled(held: F8, number: I8, size: float) -> I8:
    """How many plates of a size go on a spool of which `held` is left; that is taken from it."""
    fits = np.minimum(number, np.floor(held / size + _TINY).astype(np.int64))
    held -= fits * size
    np.maximum(held, 0.0, out=held)
    return fits
