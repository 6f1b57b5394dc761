"""The plot of a fitted trial: from the fit to columns that are drawn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import UsageError
from gcodetools.jobs.records import counted
from gcodetools.jobs.tune import Tuned
from gcodetools.jobs.tune_words import plain, span
from gcodetools.report.tune_panels import TunePanel, TunePlot
from gcodetools.trials.peak import Course, Effect, Peak
from gcodetools.trials.trial import Factor

__all__ = ["form_of", "plot_bytes", "plot_of"]

F8 = NDArray[np.float64]

_FORMS = (".svg", ".pdf", ".png")
_AXES = {
    "nozzle": "nozzle, C", "fan": "fan, %", "speed": "speed, % of the file's", "flow": "flow, % of the file's",
    "perimeters": "perimeters added",
}  # fmt: skip


def form_of(out: Path) -> str:
    """`svg`, `pdf` or `png`.

    Raises
    ------
    UsageError : another ending.
    """
    if out.suffix.lower() not in _FORMS:
        raise UsageError(
            f"--plot {out}: expected a name that ends in .svg, .pdf or .png", "Give --plot such a name."
        )
    return out.suffix.lower()[1:]


def plot_bytes(tuned: Tuned, out: Path) -> bytes:
    """The plot as the bytes of a file.

    Raises
    ------
    UsageError : another ending, nothing was fitted, or the plotting library is not installed.
    """
    # The plotting library is large, optional and slow to load.
    from gcodetools.report.plots_tune import drawn_tune, require_plotting

    form = form_of(out)
    require_plotting()
    if tuned.fit is None:
        raise UsageError(
            f"--plot {out}: nothing was fitted, so there is nothing to draw", "Leave --plot out."
        )
    return drawn_tune(plot_of(tuned), form)


def plot_of(tuned: Tuned) -> TunePlot:
    """Its panels; the trial is fitted."""
    assert tuned.fit is not None
    known = tuned.tested
    names = ", ".join(Path(sheet["file"]).name for sheet in tuned.record["sheets"])
    moved = (
        "; specimens are moved along the fit to the best of the other settings"
        if len(tuned.courses) > 1
        else ""
    )
    placed = any(term.kind in ("place", "sheet") for term in tuned.fit.design.base)
    moved += " and the middle of the plate" if placed and moved else ""
    moved += "; specimens are moved to the middle of the plate" if placed and not moved else ""
    invented = "Invented data. " if tuned.invented else ""
    panels = [
        _panel(tuned, course, peak, effect)
        for course, peak, effect in zip(tuned.courses, tuned.peaks, tuned.effects, strict=True)
    ]
    unit = {"MPa": "strength across layers, MPa", "N": "force at break, N", "cycles": "cycles to break"}
    return TunePlot(
        title=_title(tuned),
        subtitle=f"{names}: {tuned.material.name}, {counted(len(known.trial), 'specimen')}",
        words=unit[tuned.record["unit"]],
        note=f"{invented}Band: the mean of many specimens is within it 9 times of 10{moved}.",
        panels=tuple(panels),
    )


def _title(tuned: Tuned) -> str:
    """In a few words, for a heading has one line."""
    assert tuned.fit is not None
    told = []
    for peak, effect in zip(tuned.peaks, tuned.effects, strict=True):
        factor = tuned.tested.trial.factors[peak.factor]
        name = factor.name
        if not effect.shown:
            told.append(f"{name}: no effect shown")
        elif not tuned.fit.design.has("square", peak.factor):
            end = factor.high if effect.whole[1] > 0 else factor.low
            told.append(f"{name} {plain(name, end)} of the two printed")
        elif peak.where == "open":
            told.append(f"{name}: can't tell where best")
        else:
            told.append(f"{name} {span(name, peak.low, peak.best, peak.high)}")
    return (
        "best at " + ", ".join(told) if tuned.fit and any(e.shown for e in tuned.effects) else ", ".join(told)
    )


def _panel(tuned: Tuned, course: Course, peak: Peak, effect: Effect) -> TunePanel:
    fit = tuned.fit
    assert fit is not None
    trial = tuned.tested.trial
    factor = trial.factors[course.factor]
    at = np.zeros(len(trial.factors)) if tuned.best is None else tuned.best.coded
    rows = np.tile(at, (len(trial), 1))
    rows[:, course.factor] = trial.coded[:, course.factor]
    own = fit.mean(np.column_stack([fit.design.x, fit.design.z]))
    moved = trial.y - own + fit.mean(fit.design.columns(rows))
    told = effect.shown and fit.design.has("square", course.factor) and peak.where != "open"
    return TunePanel(
        name=factor.name,
        words=_words(factor),
        x=course.x,
        low=np.exp(course.ends.low),
        best=np.exp(course.ends.best),
        high=np.exp(course.ends.high),
        at=factor.x,
        value=np.exp(moved),
        side=trial.side,
        peak=(peak.low, peak.best, peak.high) if told else None,
    )


def _words(factor: Factor) -> str:
    reached = ", reached" if factor.reached else ""
    ends = f" ({plain(factor.name, factor.low, False)} to {plain(factor.name, factor.high, False)} printed)"
    return f"{_AXES[factor.name]}{reached}{ends if len(factor.levels) == 2 else ''}"
