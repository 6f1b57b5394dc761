"""Filled-in sheets put together as a trial: what was varied, what was read, and what is known of each specimen."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError, UsageError
from gcodetools.records import dataclass
from gcodetools.trials.results import ANSWERS, Reading, Row, Sheet
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS
from gcodetools.trials.trial import Factor, Trial, factor_from

__all__ = ["Tested", "answer_of", "tested"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_REACHED = {"nozzle": "nozzle_reached_c", "fan": "fan_reached_percent"}
_GOT = ("nozzle_reached_c", "fan_reached_percent", "layer_time_s", "width_mm", "height_mm")
_PLACES = ("x_mm", "y_mm", "z_mm")
# What held is taken to break at four times that at most; lives lie much further apart than strengths. Assumptions.
_CAPS = {"force": math.log(4.0), "cycles": math.log(100.0)}
_ALIKE_SECTIONS = 1.02
_MOST_OFF_C = 60.0  # of what a nozzle reached from what was asked: beyond, one of both is a slip of the pen
_LEAST = 3


@dataclass(frozen=True, slots=True)
class Tested:
    """Specimens that were tested, n of them, in the order of the sheets.

    answer : of `ANSWERS`. trial : for a fit; of a click its y are the marks. section_mm2 : (n,) over which the force
    was read, None where it isn't known. by_section : whether y is force over section. held : settings that were the
    same in all. asked : (n, k) what was asked for the trial's factors. got : columns (n,) that are known of all.
    where : `file:line` of each. untested : rows without a reading. told : sentences on what was taken how. read :
    (n,) readings as the sheet has them. warnings : what looks like a slip of the pen.
    """

    answer: str
    trial: Trial
    section_mm2: F8 | None
    by_section: bool
    held: dict[str, float]
    got: dict[str, F8]
    where: tuple[str, ...]
    untested: int
    told: tuple[str, ...]
    read: F8
    warnings: tuple[str, ...] = ()

    @property
    def asked(self) -> F8:
        """(n, k) what was asked, for each factor of the trial."""
        return np.column_stack([factor.asked for factor in self.trial.factors])


def answer_of(sheets: Sequence[Sheet], asked: str | None) -> str:
    """What is fitted: what was asked for, else what was read most often, force first.

    Raises
    ------
    InputError : nothing was read, or not that.
    """
    count = {
        answer: sum(column in row.readings for sheet in sheets for row in sheet.rows)
        for answer, column in ANSWERS.items()
    }
    names = ", ".join(sheet.name for sheet in sheets)
    chosen = asked or max(count, key=lambda answer: count[answer])
    if not count[chosen]:
        others = [answer for answer, number in count.items() if number]
        hint = (
            f"There is {' and '.join(others)}: --answer {others[0]}."
            if others
            else "Fill it in and run again."
        )
        what = f"column {ANSWERS[chosen]} is empty" if asked else "force_n, cycles and click are empty"
        raise InputError(f"{names}: {what}, expected what was measured", hint)
    return chosen


def tested(
    sheets: Sequence[Sheet],
    answer: str,
    section_mm2: float | None,
    whole_section: bool,
    scatter: float | None,
) -> Tested:
    """Put the sheets together.

    Parameters
    ----------
    section_mm2 : instead of the sheets' own. whole_section : whether force counts over its section, where that is
    known. scatter : of readings alike, as a share, stated.

    Raises
    ------
    InputError : a setting that one sheet or row does not tell, several parts, or nothing was varied.
    """
    column = ANSWERS[answer]
    rows = [(k, row) for k, sheet in enumerate(sheets) for row in sheet.rows]
    used = [(k, row) for k, row in rows if column in row.readings]
    where = tuple(f"{sheets[k].name}:{row.line}" for k, row in used)
    _one_part(used, where)
    told: list[str] = []
    numbers = _Numbers([row for _, row in used], where)
    factors, held = _settings(numbers, told)
    section = _section(numbers, section_mm2) if answer == "force" else None
    value, side = _readings([row.readings[column] for _, row in used], answer, where, told)
    read = value
    by_section = section is not None and whole_section
    if section is not None and by_section:
        value = value / section
        if section.max() > section.min() * _ALIKE_SECTIONS:
            told.append(
                f"sections differ, {section.min():.4g} to {section.max():.4g} mm2: force over section is fitted"
            )
    sheet = np.array([k for k, _ in used])
    alike = np.column_stack([sheet, *(factor.asked for factor in factors)])
    group = np.unique(alike, axis=0, return_inverse=True)[1].ravel()
    places = [numbers.of(name) for name in _PLACES]
    there = [(name[0], place) for name, place in zip(_PLACES, places, strict=True) if place is not None]
    _bands(used, told)
    trial = Trial(
        factors,
        np.log(value) if answer != "click" else value,
        side,
        np.column_stack([place for _, place in there]) if there else np.zeros((len(used), 0)),
        tuple(name for name, _ in there),
        _numbered(sheet),
        group,
        None if scatter is None else math.sqrt(math.log1p(scatter * scatter)),
        _CAPS.get(answer, 0.0),
    )
    got = {name: values for name in _GOT if (values := numbers.of(name)) is not None}
    warnings = (*_twice(used, where, column), *_steps_differ(used, where))
    return Tested(
        answer, trial, section, by_section, held, got, where, len(rows) - len(used), tuple(told), read, warnings
    )  # fmt: skip


class _Numbers:
    """Columns of numbers of some rows."""

    def __init__(self, rows: Sequence[Row], where: Sequence[str]) -> None:
        self.rows, self.where = rows, where

    def of(self, column: str) -> F8 | None:
        """(n,) a column that all rows have; None otherwise."""
        if any(column not in row.numbers for row in self.rows):
            return None
        return np.array([row.numbers[column] for row in self.rows])

    def partly(self, column: str) -> bool:
        """Whether some rows have it and others not."""
        count = sum(column in row.numbers for row in self.rows)
        return 0 < count < len(self.rows)


def _one_part(used: Sequence[tuple[int, Row]], where: Sequence[str]) -> None:
    parts: dict[str, str] = {}
    for (_, row), at in zip(used, where, strict=True):
        if row.part:
            parts.setdefault(row.part, at)
    if len(parts) > 1:
        (first, _), (other, at) = list(parts.items())[:2]
        raise InputError(
            f"{at}: part {other}, expected {first} as in the rows before it",
            "Parts of another shape break at another force: give the sheets of one part.",
        )


def _settings(numbers: _Numbers, told: list[str]) -> tuple[tuple[Factor, ...], dict[str, float]]:
    """Settings that were varied, and those that were held."""
    factors: list[Factor] = []
    held: dict[str, float] = {}
    for name, column in FACTOR_COLUMNS.items():
        asked = numbers.of(column)
        if asked is None:
            _explained_gap(numbers, column, told)
            continue
        reached_column = _REACHED.get(name, "")
        reached = numbers.of(reached_column) if reached_column else None
        if name == "nozzle" and reached is not None:
            _expect_near(asked, reached, numbers.where)
        if reached_column and numbers.partly(reached_column):
            told.append(f"{reached_column} is told of some rows only: the fit goes by what was asked")
        factor = factor_from(name, asked, reached)
        if factor is not None:
            factors.append(factor)
        elif len(np.unique(asked)) > 1:
            told.append(f"{name}: what was reached is the same at every step, so nothing can be said of it")
        else:
            held[name] = float(asked[0])
    if not factors:
        raise InputError(
            f"{numbers.where[0].rpartition(':')[0]}: every row that was tested has the same settings",
            "A fit compares settings: at least two values of one of them, three for a peak.",
        )
    return tuple(factors), held


def _expect_near(asked: F8, reached: F8, where: Sequence[str]) -> None:
    """What was reached is what was asked, but for a lag.

    Raises
    ------
    InputError : it is not.
    """
    off = np.flatnonzero(np.abs(asked - reached) > _MOST_OFF_C)
    if len(off):
        k = int(off[0])
        raise InputError(
            f"{where[k]}: nozzle_c: found {asked[k]:g}, but nozzle_reached_c is {reached[k]:g}",
            "Correct the one that is a slip of the pen, or take the column nozzle_reached_c out.",
        )


def _explained_gap(numbers: _Numbers, column: str, told: list[str]) -> None:
    """A column that not all rows have.

    Raises
    ------
    InputError : it differs among those that have it.
    """
    values = {row.numbers[column] for row in numbers.rows if column in row.numbers}
    if not values:
        return
    at = next(at for at, row in zip(numbers.where, numbers.rows, strict=True) if column not in row.numbers)
    if len(values) > 1:
        raise InputError(
            f"{at}: {column} is empty, expected what was asked as in the other rows",
            "Fill it in, or leave the row's reading empty.",
        )
    told.append(f"{column} is told of some rows only: taken as {values.pop():g} in all")


def _section(numbers: _Numbers, stated: float | None) -> F8 | None:
    if stated is not None:
        if not 0 < stated < 1e6:
            raise UsageError(f"--section-mm2 {stated:g}: expected an area above 0", "For example 48.")
        return np.full(len(numbers.rows), stated)
    section = numbers.of("section_mm2")
    return section if section is not None and np.all(section > 0) else None


def _readings(read: Sequence[Reading], answer: str, where: Sequence[str], told: list[str]) -> tuple[F8, I8]:
    """(n,) values above 0 and their sides; a reading of 0 broke before anything could be read."""
    value = np.array([one.value for one in read])
    side = np.array([one.side for one in read])
    none = value == 0
    if np.any(none):
        read_ones = value[(side == 0) & ~none]
        if answer == "force" and not len(read_ones):
            raise InputError(
                f"{where[0]}: every force is 0, expected what was measured", "Leave it empty if not tested."
            )
        least = 1.0 if answer == "cycles" else float(read_ones.min())
        unit = "cycle" if answer == "cycles" else "N"
        told.append(f"{int(none.sum())} broke at 0: taken as broken somewhere below {least:g} {unit}")
        value, side = np.where(none, least, value), np.where(none, -1, side)
    if answer != "click" and np.sum(side == 0) < _LEAST:
        raise InputError(
            f"{where[0].rpartition(':')[0]}: {int(np.sum(side == 0))} specimens with a number, expected at least "
            f"{_LEAST}",
            "What held without breaking says little alone: load it until it breaks.",
        )
    return value, side


def _bands(used: Sequence[tuple[int, Row]], told: list[str]) -> None:
    """Several specimens of one coupon are no strangers to each other."""
    seen: dict[tuple[int, float], set[float]] = {}
    for k, row in used:
        if "instance" in row.numbers and "specimen" in row.numbers:
            seen.setdefault((k, row.numbers["instance"]), set()).add(row.numbers["specimen"])
    if any(len(specimens) > 1 for specimens in seen.values()):
        told.append(
            "several specimens are bands of one coupon: taken as if printed apart, so doubt may be larger than told"
        )


def _twice(used: Sequence[tuple[int, Row]], where: Sequence[str], column: str) -> list[str]:
    """Rows that are the same in every cell, the specimen's number and the reading among them: pasted twice?"""
    seen: dict[object, str] = {}
    found: list[str] = []
    for (_, row), at in zip(used, where, strict=True):
        if "specimen" not in row.numbers or not {"x_mm", "instance"} & set(row.numbers):
            continue
        key = (tuple(sorted(row.numbers.items())), row.readings[column], row.part)
        if key in seen:
            found.append(at)
        seen.setdefault(key, at)
    if not found:
        return []
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return [
        f"{found[0]}{more}: the same specimen with the same reading stands there twice, and counts twice; if it was "
        "pasted or given twice, what is told is surer than it is"
    ]


def _steps_differ(used: Sequence[tuple[int, Row]], where: Sequence[str]) -> list[str]:
    """Rows of one step whose settings differ."""
    first: dict[tuple[int, float], tuple[dict[str, float], str]] = {}
    for (k, row), at in zip(used, where, strict=True):
        if "step" not in row.numbers:
            continue
        asked = {key: row.numbers[key] for key in FACTOR_COLUMNS.values() if key in row.numbers}
        before, there = first.setdefault((k, row.numbers["step"]), (asked, at))
        for key, value in asked.items():
            if before.get(key, value) != value:
                return [
                    f"{at}: {key} is {value:g}, and {before[key]:g} at {there}, which is of the same step "
                    f"{row.numbers['step']:g}: a slip of the pen?"
                ]
    return []


def _numbered(sheet: I8) -> I8:
    """Sheets that have rows, from 0."""
    numbers: I8 = np.unique(sheet, return_inverse=True)[1].ravel()
    return numbers
