"""Which terms a fit has: chosen by how the trial was laid out, never by how it came out.

Always there: a mean, the slope of each setting, its square where three levels allow, an offset of each further
sheet, and the place on the plate where enough specimens are left. Doubted, so averaged over (`models`): at most two
interactions, and a bend that is no parabola where four levels allow.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.trials.trial import Trial

__all__ = ["Design", "Lacking", "Model", "Term", "design_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_LEAST_LEFT = 2  # degrees of freedom that squares leave for the scatter
_LEFT_FOR_PLACE, _LEFT_FOR_PAIRS, _LEFT_FOR_BENDS = 6, 4, 2
_ALIKE, _SHARED, _LEAST_PAIR = 0.995, 0.8, 0.05
_LEAST_MM = 1.0
# Deviations over that of the scatter, at most: of a bend at any place, of an interaction at a corner.
_BENDS, _PAIR = (1.0, 3.0, 9.0), 2.0
_NO_BEND, _NO_PAIR, _ONE_PAIR = 0.5, 0.8, 0.16
_REACH = 0.5  # over which a bend is alike, as a share of half of what was printed
_NUGGET = 1e-8


@dataclass(frozen=True, slots=True)
class Term:
    """A column of the fit. kind : "mean", "slope", "square", "pair", "bend", "place" or "sheet". of : its factors by
    number, or the number of a place or sheet. part : which column of a bend."""

    kind: str
    name: str
    of: tuple[int, ...] = ()
    part: int = 0


@dataclass(frozen=True, slots=True)
class Model:
    """One of those averaged over. extra : (q,) variances of the doubted columns over that of the scatter, 0 where a
    column is left out. prior : its weight before anything was measured."""

    name: str
    extra: F8
    prior: float


@dataclass(frozen=True, slots=True)
class Lacking:
    """Why nothing can be fitted. more : how many further specimens it takes at least. why : in words."""

    more: int
    why: str


@dataclass(frozen=True, slots=True)
class Design:
    """Columns and models of a trial.

    base : terms that are always there; x : (n, p) their columns. doubted : terms that are averaged over; z : (n, q).
    told : sentences on what was left out, and what would bring it in.
    """

    trial: Trial
    base: tuple[Term, ...]
    x: F8
    doubted: tuple[Term, ...]
    z: F8
    models: tuple[Model, ...]
    told: tuple[str, ...]

    @property
    def degrees(self) -> int:
        """Specimens beyond terms, and what a stated scatter adds."""
        return len(self.trial) - len(self.base) + self.trial.stated[0]

    @property
    def terms(self) -> tuple[Term, ...]:
        """All columns, those that are always there first."""
        return (*self.base, *self.doubted)

    def columns(self, coded: F8) -> F8:
        """(m, p + q) all columns at settings (m, k), in the middle of the plate and of the sheets."""
        return np.column_stack([self._column(term, coded) for term in self.terms])

    def has(self, kind: str, factor: int) -> bool:
        """Whether a term of this kind is always there for a factor."""
        return any(term.kind == kind and term.of == (factor,) for term in self.base)

    def _column(self, term: Term, coded: F8) -> F8:
        if term.kind == "mean":
            return np.ones(len(coded))
        if term.kind == "slope":
            return coded[:, term.of[0]]
        if term.kind == "square":
            return np.square(coded[:, term.of[0]])
        if term.kind == "pair":
            return coded[:, term.of[0]] * coded[:, term.of[1]]
        if term.kind == "bend":
            return _bends(self.trial, term.of[0], coded[:, term.of[0]])[:, term.part]
        return np.zeros(len(coded))


def _kernel(a: F8, b: F8) -> F8:
    """Matern's of order 5/2: bends that are smooth twice over."""
    far = np.sqrt(5.0) * np.abs(a[:, None] - b[None, :]) / _REACH
    alike: F8 = (1.0 + far + far * far / 3.0) * np.exp(-far)
    return alike


def _bends(trial: Trial, number: int, coded: F8) -> F8:
    """(m, l) columns whose coefficients, each with variance 1, make a smooth course of variance 1 at the levels."""
    factor = trial.factors[number]
    knots = factor.coded(factor.at)
    alike = _kernel(knots, knots) + _NUGGET * np.eye(len(knots))
    columns: F8 = np.linalg.solve(np.linalg.cholesky(alike), _kernel(knots, coded)).T
    return columns


def design_of(trial: Trial) -> Design | Lacking:
    """The columns of a trial, or why there are none."""
    known = trial.scatter is not None
    told: list[str] = []
    base, x = [Term("mean", "mean")], np.ones((len(trial), 1))
    coded = trial.coded
    slopes = []
    for number, factor in enumerate(trial.factors):
        column = coded[:, number]
        if _explained(x, column) > _ALIKE:
            told.append(
                f"{factor.name} went with what stands before it, so their effects can't be told apart; what is said "
                f"of that one is of both. Print {factor.name} up and down on its own."
            )
            continue
        base.append(Term("slope", factor.name, (number,)))
        x = np.column_stack([x, column])
        slopes.append(number)
    short = len(base) + (0 if known else 1) - len(trial)
    if short > 0:
        names = " and ".join(trial.factors[number].name for number in slopes)
        why = f"{len(trial)} specimens for {len(base)} terms (the mean and the slope of {names or 'nothing'})"
        return Lacking(short, why)
    base, x = _with_sheets(trial, base, x, told)
    base, x = _with_squares(trial, slopes, base, x, told)
    base, x = _with_places(trial, base, x, told)
    left = len(trial) - len(base)
    pairs = _pairs(trial, slopes, x, coded) if known or left >= _LEFT_FOR_PAIRS else []
    bent = [
        n
        for n in slopes
        if len(trial.factors[n].levels) >= 4 and Term("square", f"{trial.factors[n].name}^2", (n,)) in base
    ]
    bent = bent if known or left >= _LEFT_FOR_BENDS else []
    doubted = [
        *(Term("pair", f"{trial.factors[a].name} x {trial.factors[b].name}", (a, b)) for a, b in pairs),
        *(
            Term("bend", f"bend of {trial.factors[n].name}", (n,), part)
            for n in bent
            for part in range(len(trial.factors[n].at))
        ),
    ]
    columns = [coded[:, a] * coded[:, b] for a, b in pairs]
    columns += [column for n in bent for column in _bends(trial, n, coded[:, n]).T]
    z = np.column_stack(columns) if columns else np.zeros((len(trial), 0))
    return Design(trial, tuple(base), x, tuple(doubted), z, _models(doubted, pairs, bent), tuple(told))


def _explained(x: F8, column: F8) -> float:
    """Share of a column's variation that columns before it have already; 1 where it has none of its own."""
    column = column - column.mean()
    whole = float(column @ column)
    if whole <= 1e-12:
        return 1.0
    rest = column - x @ np.linalg.lstsq(x, column, rcond=None)[0]
    return 1.0 - float(rest @ rest) / whole


def _with_sheets(trial: Trial, base: list[Term], x: F8, told: list[str]) -> tuple[list[Term], F8]:
    """An offset of each sheet but the first: another day, another spool."""
    for number in range(1, int(trial.sheet.max()) + 1):
        column = (trial.sheet == number) * 1.0
        column -= column.mean()
        if _explained(x, column) > _ALIKE:
            told.append(
                f"sheet {number + 1} shares no setting with those before it, so a difference between prints would "
                "look like one of settings. Print one step of it again on the same plate."
            )
        elif len(trial) - len(base) - 1 < (0 if trial.scatter is not None else 1):
            told.append(f"too few specimens to take out what differs between sheets ({number + 1})")
        else:
            base, x = [*base, Term("sheet", f"sheet {number + 1}", (number,))], np.column_stack([x, column])
    return base, x


def _with_squares(
    trial: Trial, slopes: list[int], base: list[Term], x: F8, told: list[str]
) -> tuple[list[Term], F8]:
    least = 0 if trial.scatter is not None else _LEAST_LEFT
    coded = trial.coded
    for number in slopes:
        factor = trial.factors[number]
        if len(factor.levels) < 3:
            told.append(
                f"{factor.name} has two levels: a peak between them can't be told; it takes a third in the middle"
            )
            continue
        column = np.square(coded[:, number])
        left = len(trial) - len(base) - 1
        if left < least:
            told.append(
                f"{least - left} more specimen{'s' if least - left > 1 else ''} would let the curve of {factor.name} "
                "be told; its course is taken for straight"
            )
        elif _explained(x, column) > _ALIKE:
            told.append(
                f"the curve of {factor.name} goes with other settings and can't be told apart from them"
            )
        else:
            base = [*base, Term("square", f"{factor.name}^2", (number,))]
            x = np.column_stack([x, column])
    return base, x


def _with_places(trial: Trial, base: list[Term], x: F8, told: list[str]) -> tuple[list[Term], F8]:
    """Place on the plate, as a tilt, where it can be told from the settings and enough is left for the scatter."""
    few, goes = [], []
    for number, name in enumerate(trial.place_names):
        column = trial.place[:, number]
        reach = 0.5 * float(np.ptp(column))
        if 2.0 * reach < _LEAST_MM:
            continue
        column = (column - column.mean()) / reach
        if _explained(x, column) > _SHARED:
            goes.append(name)
        elif len(trial) - len(base) - 1 < _LEFT_FOR_PLACE:
            few.append(name)
        else:
            base, x = [*base, Term("place", name, (number,))], np.column_stack([x, column])
    if goes:
        told.append(
            f"place {' and '.join(goes)} goes with the settings, so a difference across the plate would look like one "
            "of settings"
        )
    if few:
        told.append(f"too few specimens to take out the place on the plate ({', '.join(few)})")
    return base, x


def _pairs(trial: Trial, slopes: list[int], x: F8, coded: F8) -> list[tuple[int, int]]:
    """Interactions that are not some other column."""
    found = []
    for a, b in combinations(slopes, 2):
        column = coded[:, a] * coded[:, b]
        if float(column @ column) > 0 and 1.0 - _explained(x, column) > _LEAST_PAIR:
            found.append((a, b))
    return found


def _models(doubted: list[Term], pairs: list[tuple[int, int]], bent: list[int]) -> tuple[Model, ...]:
    ways: list[tuple[str, list[tuple[int, int]], float]] = [("", [], _NO_PAIR if pairs else 1.0)]
    doubles = list(combinations(pairs, 2))
    ways += [("", [one], (_ONE_PAIR if doubles else 1.0 - _NO_PAIR) / len(pairs)) for one in pairs]
    ways += [("", [*two], (1.0 - _NO_PAIR - _ONE_PAIR) / len(doubles)) for two in doubles]
    curves: list[tuple[int, float, float]] = [(-1, 0.0, _NO_BEND if bent else 1.0)]
    share = (1.0 - _NO_BEND) / max(len(bent) * len(_BENDS), 1)
    curves += [(n, size * size, share) for n in bent for size in _BENDS]
    models = []
    for _, chosen, weight in ways:
        for number, variance, prior in curves:
            extra = np.zeros(len(doubted))
            names = []
            for k, term in enumerate(doubted):
                if term.kind == "pair" and term.of in chosen:
                    extra[k] = _PAIR * _PAIR
                    names.append(term.name)
                elif term.kind == "bend" and term.of == (number,):
                    extra[k] = variance
                    names.append(term.name)
            models.append(Model(", ".join(dict.fromkeys(names)) or "plain", extra, weight * prior))
    return tuple(models)
