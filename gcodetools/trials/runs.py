"""Which design a ladder takes: a full grid, or fewer runs of it, as many as there are places for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import Refused, UsageError
from gcodetools.records import dataclass
from gcodetools.trials.design import Confounding, confounding_of, grid, smallest_share
from gcodetools.trials.factors import Factor

__all__ = ["DESIGNS", "Runs", "runs_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

DESIGNS = ("grid", "fraction", "subset", "curve")
_LETTERS = "ABCDEFGH"
_MOST_SHARE = 6
_MOST_RUNS = 10_000  # of a grid, before a design takes some of them


@dataclass(frozen=True, slots=True)
class Runs:
    """The combinations of a ladder.

    kind : of DESIGNS. factors : what varies. values : (n, k) the value of each factor in each run. repeats : how
    often each run is printed (in each block). confounding : of a two-level design, else None. of_all : how many
    combinations a full grid has. notes : sentences on what the design can't tell.
    """

    kind: str
    factors: tuple[Factor, ...]
    values: F8
    repeats: int
    confounding: Confounding | None
    of_all: int
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.values)

    def settings(self, run: int) -> dict[str, float]:
        """The varied settings of a run, by name."""
        return {f.name: float(v) for f, v in zip(self.factors, self.values[run], strict=True)}


def runs_of(
    kind: str,
    factors: Sequence[Factor],
    places: int,
    *,
    count: int | None = None,
    repeats: int | None = None,
    where: str = "specimen",
    more: str = "more specimens",
) -> Runs:
    """The runs of a design for `places` places.

    Parameters
    ----------
    count : how many runs a fraction or subset shall have; None takes as many as there are places for.
    repeats : how often each; None takes as often as there are places for. where : what one place is called.
        more : how to get more of them.

    Raises
    ------
    Refused : more specimens than places, with what is possible. UsageError : a design that does not go with these
    factors, or the library of designs is missing.
    """
    factors = tuple(factors)
    counts = tuple(len(factor.values) for factor in factors)
    of_all = math.prod(counts)
    if of_all > _MOST_RUNS:
        raise Refused(
            f"{' x '.join(map(str, counts))} values make {of_all} steps, expected at most {_MOST_RUNS}",
            _possible(factors, places, more, of_all, repeats or 1),
        )
    room = places // (repeats or 1)
    if count is not None and kind in ("grid", "curve"):
        raise UsageError(
            f"--runs {count}: a design of kind {kind!r} has as many runs as it has",
            "Leave --runs out, or take --design fraction.",
        )
    if kind == "grid":
        index = grid(counts)
    elif kind == "fraction":
        index = _fraction(factors, room, count)
    elif kind == "subset":
        index = _subset(counts, room, count)
    else:
        index = _curve(factors)
    needed = len(index) * (repeats or 1)
    if needed > places:
        raise Refused(
            f"{_sum_words(len(index), repeats)} make {needed} specimens, there is room for {_count(places, where)}",
            _possible(factors, places, more, len(index), repeats or 1),
        )
    values = np.array(
        [[factor.values[i] for factor, i in zip(factors, row, strict=True)] for row in index.tolist()]
    ).reshape(len(index), len(factors))
    two = (
        len(factors) > 1
        and all(len(np.unique(column)) == 2 for column in index.T)
        and len(factors) <= len(_LETTERS)
    )
    confounding = confounding_of(index) if two else None
    return Runs(
        kind, factors, values, repeats or places // len(index), confounding, of_all,
        _notes(kind, factors, confounding),
    )  # fmt: skip


def _count(number: int, where: str) -> str:
    """`1 band of 2 mm`, `3 bands of 2 mm`."""
    head, blank, rest = where.partition(" ")
    return f"{number} {head}{'' if number == 1 else 's'}{blank}{rest}"


def _sum_words(runs: int, repeats: int | None) -> str:
    return f"{runs} steps" if not repeats or repeats == 1 else f"{runs} steps, each {repeats} times,"


def _possible(factors: tuple[Factor, ...], places: int, more: str, steps: int, repeats: int) -> str:
    """What fits instead, in a sentence."""
    counts = [len(factor.values) for factor in factors]
    words = []
    if repeats > 1 and steps <= places:
        words.append(f"these steps with --repeat {places // steps}")
    places //= repeats
    if len(factors) > 1:
        halvings = smallest_share(len(factors), places)
        if halvings is not None and 2 ** (len(factors) - halvings) < math.prod(counts):
            runs = 2 ** (len(factors) - halvings)
            words.append(
                f"two values a factor make {runs} steps{' with --design fraction' if halvings else ''}"
            )
        # Drop values from the longest factor until a grid fits.
        left = list(counts)
        while math.prod(left) > places and max(left) > 2:
            left[left.index(max(left))] -= 1
        if math.prod(left) <= places and left != counts:
            words.append(
                "a grid of " + " x ".join(f"{n} {f.name}" for n, f in zip(left, factors, strict=True))
            )
    elif places > 1:
        each = f", each {repeats} times" if repeats > 1 else ""
        words.append(f"at most {places} values of {factors[0].name}{each}")
    words.append(more)
    if len(factors) > 1:
        words.append("one factor after the other")
    return f"Possible: {'; '.join(words)}."


def _fraction(factors: tuple[Factor, ...], room: int, count: int | None) -> I8:
    """A two-level fraction."""
    long = next((f for f in factors if len(f.values) != 2), None)
    if long is not None:
        raise UsageError(
            f"--design fraction: {long.name} has {len(long.values)} values, expected two a factor",
            f"Take the ends, --vary {long.name}={','.join(_spelled(long, long.values[k]) for k in (0, -1))}, or "
            "--design subset.",
        )
    if len(factors) < 3:
        raise UsageError(
            f"--design fraction: {_count(len(factors), 'factor')}, expected three or more",
            "With two of them half of the runs can't tell one from the other: take --design grid.",
        )
    if count is not None:
        halvings = len(factors) - int(math.log2(count)) if count > 0 and math.log2(count).is_integer() else -1
        if halvings < 1 or len(factors) > count - 1:
            fits = [2**p for p in range(2, len(factors)) if 2**p > len(factors)]
            raise UsageError(
                f"--runs {count}: no two-level fraction of {len(factors)} factors has so many",
                f"There are: {', '.join(map(str, fits))}.",
            )
    else:
        found = smallest_share(len(factors), room)
        if found is None:
            least = next(2**p for p in range(2, 9) if 2**p > len(factors))
            raise Refused(
                f"--design fraction: {len(factors)} factors need at least {least} steps, there is room for {room}",
                "Vary fewer factors, or print more specimens.",
            )
        halvings = max(found, 1)
    from gcodetools.trials import fractions

    return fractions.two_level_fraction(len(factors), halvings)


def _subset(counts: tuple[int, ...], room: int, count: int | None) -> I8:
    """The largest balanced subset that fits."""
    from gcodetools.trials import fractions

    sizes = []
    for share in range(2, _MOST_SHARE + 1):
        try:
            index = fractions.subset_of_grid(counts, share)
        except ValueError:
            continue
        if any(len(np.unique(column)) < n for column, n in zip(index.T, counts, strict=True)):
            continue  # a value that no run has
        sizes.append(len(index))
        if len(index) == count or (count is None and len(index) <= room):
            return index
    listed = ", ".join(map(str, sorted(set(sizes)))) or "none"
    asked = f"--runs {count}" if count is not None else f"--design subset: room for {room} specimens"
    raise Refused(f"{asked}: no subset of this grid has so few", f"Its subsets have {listed} runs.")


def _curve(factors: tuple[Factor, ...]) -> I8:
    """Edge middles and the centre, for three values a factor."""
    odd = next((f for f in factors if len(f.values) != 3), None)
    if odd is not None or len(factors) < 3:
        what = (
            f"{odd.name} has {len(odd.values)} values" if odd is not None else _count(len(factors), "factor")
        )
        raise UsageError(
            f"--design curve: {what}, expected three factors or more of three values each",
            "Take --design grid or --design subset.",
        )
    from gcodetools.trials import fractions

    return fractions.middles(len(factors))


def _spelled(factor: Factor, value: float) -> str:
    return f"{value:g}%" if factor.kind.unit == "%" else f"{value:g}"


def _notes(kind: str, factors: tuple[Factor, ...], confounding: Confounding | None) -> tuple[str, ...]:
    """What the design can't tell, by the factors' names."""
    if kind == "subset":
        return ("a subset of the grid: read the single factors from it, not how two of them act together",)
    if confounding is None or confounding.resolution is None:
        return ()
    names = {_LETTERS[k]: factor.name for k, factor in enumerate(factors)}
    told = [
        " with ".join(" x ".join(names[c] for c in effect) for effect in group)
        for group in confounding.aliases
    ]
    words = "; ".join(told)
    head = f"resolution {confounding.resolution}"
    return (
        f"{head}: what can't be told apart: {words}"
        if words
        else f"{head}: single factors and pairs are all told apart",
    )
