"""Which runs a ladder holds and which place gets which: arrays in, arrays out.

A run is one combination of settings, a row of indices into each factor's values. A design is a list of runs;
`arrange` deals them out to the places of a plate so that no factor goes with the place.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = [
    "TRIES",
    "Arrangement",
    "Confounding",
    "arrange",
    "confounding_of",
    "correlations",
    "grid",
    "smallest_share",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

TRIES = 2000  # a tenth of a second; 3 x 3 runs on nine places: 0.17 with seed 1, 0.55 with one deal
UNUSED = -1
_LETTERS = "ABCDEFGH"


def grid(counts: tuple[int, ...]) -> I8:
    """(runs, factors) every combination, the first factor changing slowest."""
    if not counts:
        return np.zeros((1, 0), np.int64)
    return np.stack(np.meshgrid(*map(np.arange, counts), indexing="ij"), axis=-1).reshape(-1, len(counts))


@dataclass(frozen=True, slots=True)
class Confounding:
    """What a two-level design can't tell apart.

    words : products of factors that never change sign in it, as letters (A is the first factor), with a minus
    where they are negative: the defining relation. resolution : length of the shortest word; None where there
    is none, as in a full grid. aliases : effects of at most two factors that share one column, in groups of two
    and more.
    """

    words: tuple[str, ...]
    resolution: int | None
    aliases: tuple[tuple[str, ...], ...]


def confounding_of(runs: I8) -> Confounding:
    """Find it from the runs themselves, whoever made them.

    Parameters
    ----------
    runs : (n, k) two different values a column, k at most 8.

    Raises
    ------
    ValueError : a column has not two values.
    """
    levels = [np.unique(column) for column in runs.T]
    if any(len(two) != 2 for two in levels):
        raise ValueError("every factor needs two values")
    coded = np.stack([np.where(c == two[1], 1, -1) for c, two in zip(runs.T, levels, strict=True)], axis=1)
    count = coded.shape[1]
    products = {
        word: coded[:, word].prod(axis=1)
        for size in range(1, count + 1)
        for word in combinations(range(count), size)
    }
    words = [(word, int(p[0])) for word, p in products.items() if np.all(p == p[0])]
    columns: dict[bytes, list[str]] = {}
    for word, product in products.items():
        if len(word) <= 2 and not np.all(product == product[0]):
            columns.setdefault((product * product[0]).tobytes(), []).append(_letters(word))
    return Confounding(
        tuple(("-" if sign < 0 else "") + _letters(word) for word, sign in words),
        min((len(word) for word, _ in words), default=None),
        tuple(tuple(group) for group in columns.values() if len(group) > 1),
    )


def _letters(word: tuple[int, ...]) -> str:
    return "".join(_LETTERS[k] for k in word)


def smallest_share(factors: int, most_runs: int) -> int | None:
    """How often a full two-level design must be halved to have at most `most_runs` runs; None where not even the
    smallest that keeps the factors apart from each other does."""
    for halvings in range(factors):
        left = factors - halvings
        if factors > 2**left - 1:  # more factors than columns
            return None
        if 2**left <= most_runs:
            return halvings
    return None


@dataclass(frozen=True, slots=True)
class Arrangement:
    """run : (n,) run of each place, -1 for none. greatest : the largest absolute correlation of a coordinate with
    a factor, 0 where nothing varies; coordinate, factor : between which."""

    run: I8
    greatest: float
    coordinate: int
    factor: int


def arrange(
    places: F8,
    values: F8,
    repeats: int,
    seed: int,
    *,
    block: I8 | None = None,
    alike: bool = False,
    tries: int = TRIES,
) -> Arrangement:
    """Deal runs out to places by chance, and of many such deals keep the one in which position goes least with any
    factor.

    Parameters
    ----------
    places : (n, c) coordinates of the places, any units. values : (m, k) of each run. repeats : how often each run
    comes in a block. seed : the same seed, the same deal. block : (n,) block of each place, each of which gets
    all runs; None for one block. alike : every block has the same order. tries : how many deals.

    Raises
    ------
    ValueError : a block has fewer places than `repeats` times the runs, or blocks that are to be alike differ
    in size.
    """
    count, runs = len(places), len(values)
    block = np.zeros(count, np.int64) if block is None else block
    members = [np.flatnonzero(block == one) for one in np.unique(block)]
    short = min((len(mine) for mine in members), default=0)
    if short < repeats * runs:
        raise ValueError(f"{repeats * runs} specimens for {short} places")
    if alike and len({len(mine) for mine in members}) > 1:
        raise ValueError("blocks of unlike sizes can't have one order")
    chance = np.random.default_rng(seed)
    best: tuple[float, float] | None = None
    found = Arrangement(np.full(count, UNUSED, np.int64), 0.0, 0, 0)
    for _ in range(max(tries, 1)):
        run = np.full(count, UNUSED, np.int64)
        order: I8 | None = None
        for mine in members:
            if order is None or not alike:
                order = _deal(chance, len(mine), runs, repeats)
            run[mine] = order
        table = np.abs(correlations(places[run >= 0], values[run[run >= 0]]))
        score = (float(table.max(initial=0.0)), float(table.sum()))
        if best is None or score < best:
            best = score
            at = divmod(int(np.argmax(table)), table.shape[1]) if table.size else (0, 0)
            found = Arrangement(run, score[0], *at)
        if score[0] == 0.0:
            break
    return found


def _deal(chance: np.random.Generator, places: int, runs: int, repeats: int) -> I8:
    """Runs in an order by chance, with places left over anywhere."""
    cards = np.concatenate([np.tile(np.arange(runs), repeats), np.full(places - runs * repeats, UNUSED)])
    dealt: I8 = chance.permutation(cards).astype(np.int64)
    return dealt


def correlations(places: F8, values: F8) -> F8:
    """(c, k) correlation (Pearson) of each coordinate with each factor; 0 where one of both does not vary."""
    if len(places) < 2:
        return np.zeros((places.shape[1], values.shape[1]))
    a, b = _standardised(places), _standardised(values)
    result: F8 = a.T @ b / len(places)
    return result


def _standardised(columns: F8) -> F8:
    centred = columns - columns.mean(axis=0)
    spread = centred.std(axis=0)
    # What is constant but for rounding does not vary.
    still = spread <= 1e-9 * np.maximum(np.abs(columns).max(axis=0, initial=0.0), 1e-12)
    result: F8 = np.where(still, 0.0, centred / np.where(still, 1.0, spread))
    return result
