"""Trials made up by the tests: a truth, a layout, a scatter."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from gcodetools.trials.trial import Factor, Trial, factor_from

RANGES = {"nozzle": (220.0, 250.0), "fan": (0.0, 60.0), "speed": (60.0, 100.0)}


def grid(levels: Sequence[int], copies: int) -> np.ndarray:
    """(n, k) coded settings, -1 to 1: every combination, so often."""
    axes = np.meshgrid(*(np.linspace(-1, 1, count) for count in levels), indexing="ij")
    return np.repeat(np.stack(axes, axis=-1).reshape(-1, len(levels)), copies, axis=0)


def factors_of(coded: np.ndarray, names: Sequence[str] = tuple(RANGES)) -> tuple[Factor, ...]:
    found = []
    for name, column in zip(names, coded.T, strict=False):
        low, high = RANGES[name]
        factor = factor_from(name, (low + high) / 2 + (high - low) / 2 * column, None)
        assert factor is not None
        found.append(factor)
    return tuple(found)


def trial_of(coded: np.ndarray, y: np.ndarray, *, side: np.ndarray | None = None, place: np.ndarray | None = None,
             scatter: float | None = None, cap: float = np.log(4.0)) -> Trial:  # fmt: skip
    n = len(y)
    group = np.unique(coded, axis=0, return_inverse=True)[1].ravel()
    return Trial(
        factors_of(coded), np.asarray(y, float), np.zeros(n, int) if side is None else side,
        np.zeros((n, 0)) if place is None else place, () if place is None else ("x", "y")[: place.shape[1]],
        np.zeros(n, int), group, scatter, cap,
    )  # fmt: skip


def drawn(rng: np.random.Generator, truth: Callable, coded: np.ndarray, sigma: float, **kw) -> Trial:
    """Specimens of a truth, y of coded settings (n, k)."""
    return trial_of(coded, truth(coded) + sigma * rng.standard_normal(len(coded)), **kw)
