"""Read filled-in ladders: what is best, how sure that is, what to print next, and a material file of one's own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine, Material, load_machine, load_material
from gcodetools.errors import UsageError
from gcodetools.jobs.records import without_nulls
from gcodetools.jobs.tune_data import Tested, answer_of, tested
from gcodetools.jobs.tune_limits import LayerTimes, Limit, base_of, limits_of
from gcodetools.jobs.tune_record import (
    clicks_record,
    doubts_of,
    fit_record,
    next_record,
    odd_ones,
    steps_record,
)
from gcodetools.jobs.tune_told import (
    best_record,
    effect_record,
    limit_doubts,
    limits_record,
    peak_record,
    unused,
)
from gcodetools.jobs.tune_words import CAUTIONS
from gcodetools.records import dataclass
from gcodetools.trials.clicks import clicks_of
from gcodetools.trials.distributions import require_fitting
from gcodetools.trials.peak import Best, Course, Effect, Peak, best_of, course_of, effect_of, peak_of
from gcodetools.trials.response import Fit, fit
from gcodetools.trials.results import Sheet, read_sheet
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS
from gcodetools.trials.terms import Design, Lacking, design_of

__all__ = ["Asked", "Tuned", "tune_sheets"]

Record = dict[str, Any]
Progress = Callable[[str], None]
F8 = NDArray[np.float64]

_FALLBACK = "petg"
_FAR = 2.5  # from what a material bears: no pull straight across its layers, an assumption


@dataclass(frozen=True, slots=True)
class Asked:
    """What a run is to do. answer : of `results.ANSWERS`, None for what was read most. limits : of settings, as asked.
    now : what is printed with now. section_mm2 : instead of the sheet's. shape_only : the force was no pull across
    layers, so only ratios count. scatter : of specimens alike, as a share, stated. material, machine : names or paths.
    """

    answer: str | None = None
    material: str | None = None
    machine: str | None = None
    limits: dict[str, tuple[float, float]] = field(default_factory=dict)
    now: dict[str, float] = field(default_factory=dict)
    section_mm2: float | None = None
    shape_only: bool = False
    scatter: float | None = None


@dataclass(frozen=True, slots=True)
class Tuned:
    """What came of it. fit, effects, courses, peaks, best : None or empty where nothing could be fitted, or of a
    click. level : whether the response is a strength in MPa. invented : whether a sheet says that it is made up."""

    record: Record
    warnings: tuple[str, ...]
    material: Material
    material_name: str
    tested: Tested
    fit: Fit | None = None
    effects: tuple[Effect, ...] = ()
    courses: tuple[Course, ...] = ()
    peaks: tuple[Peak, ...] = ()
    best: Best | None = None
    level: bool = False
    endless: bool = False
    invented: bool = False


def _silent(stage: str) -> None:
    """No progress."""


def tune_sheets(paths: Sequence[Path], asked: Asked, progress: Progress = _silent) -> Tuned:
    """Read and fit sheets.

    Raises
    ------
    InputError : a sheet, or a profile, is unreadable or says too little. UsageError : options that make no sense, or
    the library of distributions is not installed.
    """
    require_fitting()
    _expect_once(paths)
    progress("reading")
    sheets = [read_sheet(path) for path in paths]
    answer = answer_of(sheets, asked.answer)
    name, whence = _material_name(sheets, asked)
    material = load_material(name)
    machine = load_machine(asked.machine) if asked.machine else None
    known = tested(sheets, answer, asked.section_mm2, not asked.shape_only, asked.scatter)
    level, doubt = _level(known, material, asked)
    if doubt:  # no strength: as read, section aside
        known = tested(sheets, answer, asked.section_mm2, False, asked.scatter)
    warnings = [text for sheet in sheets for text in sheet.warnings] + list(known.warnings)
    warnings += [doubt] if doubt else []
    if whence == "assumed":
        warnings.append(f"no material is named by the sheet or --material: {material.name} assumed")
    record: Record = {
        "schema": "beadwright.tune/1",
        "sheets": [
            {"file": sheet.name, "rows": len(sheet.rows), "invented": sheet.invented or None}
            for sheet in sheets
        ],
        "answer": answer,
        "unit": _unit(known, level),
        "material": material.name,
        "material_from": whence,
        "machine": machine.name if machine else None,
        "specimens": _specimens(known),
        "held": {FACTOR_COLUMNS[key]: value for key, value in known.held.items()} or None,
        "taken": list(known.told) or None,
        "cautions": list(CAUTIONS),
    }
    made = Tuned(
        record,
        tuple(warnings),
        material,
        name,
        known,
        invented=any(sheet.invented for sheet in sheets),
        level=level,
    )
    if answer == "click":
        return _clicked(made)
    design = design_of(known.trial)
    if isinstance(design, Lacking):
        return _lacking(made, design)
    progress("fitting")
    return _fitted(made, design, asked, machine, sheets)


def _expect_once(paths: Sequence[Path]) -> None:
    """No specimen counts twice.

    Raises
    ------
    UsageError : a file is named twice.
    """
    seen = set()
    for path in paths:
        if path.resolve() in seen:
            raise UsageError(f"{path}: named twice", "Name each sheet once: its specimens would count twice.")
        seen.add(path.resolve())


def _material_name(sheets: Sequence[Sheet], asked: Asked) -> tuple[str, str]:
    if asked.material:
        return asked.material, "command line"
    for sheet in sheets:
        if sheet.said.get("material"):
            return sheet.said["material"], "sheet"
    return _FALLBACK, "assumed"


def _unit(known: Tested, level: bool) -> str:
    return {"force": "MPa" if level else "N", "cycles": "cycles", "click": ""}[known.answer]


def _specimens(known: Tested) -> Record:
    side = known.trial.side
    return {
        "tested": len(known.trial),
        "not_tested": known.untested,
        "held_without_breaking": int(np.sum(side > 0)),
        "broke_unread": int(np.sum(side < 0)),
    }


def _level(known: Tested, material: Material, asked: Asked) -> tuple[bool, str]:
    """Whether y is a strength across layers in MPa; and if it can't be one, why."""
    if not known.by_section or known.section_mm2 is None:
        return False, ""
    mean = float(np.exp(known.trial.y[known.trial.side == 0].mean()))
    if asked.section_mm2 is not None or material.strength is None:
        return True, ""
    value = material.strength.across_mpa
    low, high = value.spread or (value.value, value.value)
    if low / _FAR <= mean <= high * _FAR:
        return True, ""
    force = mean * float(np.mean(known.section_mm2))
    return False, (
        f"{force:.3g} N over {float(np.mean(known.section_mm2)):.3g} mm2 would be {mean:.2g} MPa, far from the "
        f"{low:g} to {high:g} MPa of {material.name}: not pulled straight across its layers, so only ratios are told "
        "(--section-mm2 says that it was)"
    )


def _clicked(made: Tuned) -> Tuned:
    known = made.tested
    told = [clicks_of(factor.asked, known.trial.y) for factor in known.trial.factors]
    record = {**made.record, "clicks": clicks_record(known.trial.factors, told)}
    record["cannot_tell"] = [
        "a click is an order, no strength: nothing of it goes into a material file. Pull some of them and "
        "fill in force_n"
    ]
    return _with(made, record=without_nulls(record))


def _lacking(made: Tuned, lacking: Lacking) -> Tuned:
    more = f"{lacking.more} more specimen{'s' if lacking.more > 1 else ''}"
    record = {
        **made.record,
        "needs": {"specimens": lacking.more, "why": lacking.why},
        "cannot_tell": [
            f"nothing can be fitted: {lacking.why}. It takes {more} at least, at settings that were not printed yet or "
            "as copies of those that were; three copies of each tell how sure it is."
        ],
    }
    return _with(made, record=without_nulls(record))


def _with(made: Tuned, **changed: Any) -> Tuned:
    return Tuned(**{**{key: getattr(made, key) for key in Tuned.__slots__}, **changed})


def _fitted(
    made: Tuned, design: Design, asked: Asked, machine: Machine | None, sheets: Sequence[Sheet]
) -> Tuned:
    """Everything that rests on a fit."""
    known, factors = made.tested, made.tested.trial.factors
    found = fit(design)
    usable = [number for number in range(len(factors)) if design.has("slope", number)]
    effects = {number: effect_of(found, number, len(usable)) for number in usable}
    limits = [limits_of(factor, made.material, machine, asked.limits) for factor in factors]
    times = LayerTimes(known, made.material.min_layer_time_s.value)
    base = _coded(known, base_of(factors, asked.now))
    moving = [n for n in usable if effects[n].shown]
    coded = [_coded_limits(known, n, limits[n]) for n in range(len(factors))]
    best = best_of(
        found, base, moving, coded, [factor.name == "perimeters" for factor in factors],
        lambda rows: times.allowed(rows, base),
    )  # fmt: skip
    at = base if best is None else best.coded
    courses = {n: course_of(found, n, at) for n in usable}
    peaks = {n: peak_of(courses[n]) for n in usable}
    source, odd = _source(made, sheets), odd_ones(found, known)
    endless = bool(found.endless(found.design.columns(at[None, :]))[0])
    record = {
        **made.record,
        "best": None if best is None else best_record(known, best, effects, source, endless),
        "peaks": [
            peak_record(known, n, peaks[n], effects[n], design, source, endless) for n in usable
        ],
        "effects": [effect_record(known, n, effects[n], source) for n in usable],
        "steps": steps_record(found, known, source),
        "fit": fit_record(found, known),
        "limits": limits_record(known, limits),
        "cannot_tell": [
            *doubts_of(found, known, effects, limits),
            *limit_doubts(known, best, limits, times),
            *unused(factors, asked.limits, asked.now),
        ],
        "odd": odd or None,
        "next": next_record(
            found, known, effects, peaks, courses, at, limits, sheets,
            (("material", asked.material), ("machine", asked.machine)),
        ),
    }  # fmt: skip
    order = sorted(usable)
    return _with(
        made,
        record=without_nulls(record),
        warnings=(*made.warnings, *odd),
        fit=found,
        effects=tuple(effects[n] for n in order),
        courses=tuple(courses[n] for n in order),
        peaks=tuple(peaks[n] for n in order),
        best=best,
        endless=endless,
    )


def _source(made: Tuned, sheets: Sequence[Sheet]) -> str:
    names = ", ".join(Path(sheet.name).name for sheet in sheets)
    mark = " (invented data)" if made.invented else ""
    return f"{names}: {len(made.tested.trial)} specimens{mark}"


def _coded(known: Tested, x: F8) -> F8:
    return np.array(
        [
            float(factor.coded(np.array([value]))[0])
            for factor, value in zip(known.trial.factors, x, strict=True)
        ]
    )


def _coded_limits(known: Tested, number: int, limit: Limit) -> tuple[float, float]:
    """Within what was printed: nothing is said beyond."""
    factor = known.trial.factors[number]
    ends = factor.coded(np.array([limit.low, limit.high]) + factor.offset())
    return max(float(ends[0]), -1.0), min(float(ends[1]), 1.0)
