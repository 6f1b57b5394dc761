"""Records of what `tune` found: the best setting, peaks, effects, limits, and what was asked in vain."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.jobs.records import estimate
from gcodetools.jobs.tune_data import Tested
from gcodetools.jobs.tune_limits import LayerTimes, Limit
from gcodetools.jobs.tune_record import held_of, mean_of
from gcodetools.jobs.tune_words import effect_words, peak_words, plain
from gcodetools.trials.peak import Best, Effect, Peak
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS
from gcodetools.trials.terms import Design
from gcodetools.trials.trial import Factor

__all__ = ["best_record", "effect_record", "limit_doubts", "limits_record", "peak_record", "unused"]

Record = dict[str, Any]
F8 = NDArray[np.float64]

_LEAST_OFF = 1.0  # of what was reached from what was asked, that is worth a word


def best_record(known: Tested, best: Best, effects: dict[int, Effect], source: str, endless: bool) -> Record:
    """The best setting, what it bears, and over what that is a gain. endless : nothing broke there."""
    factors = known.trial.factors
    kept = [
        {
            "setting": factors[n].name,
            "at": round(factors[n].plain(best.base[n : n + 1])[0], 3),
            "why": _kept_why(n, effects),
        }
        for n in range(len(factors))
        if n not in best.moved
    ]
    mean = [math.exp(value) for value in best.mean]
    gain = [math.exp(value) for value in best.gain]
    off = {
        FACTOR_COLUMNS[f.name]: round(float(f.plain(best.coded[n : n + 1])[0]) - f.offset(), 3)
        for n, f in enumerate(factors)
        if f.reached and abs(f.offset()) >= _LEAST_OFF
    }
    return {
        "settings": _settings(known, best.coded),
        "over": _settings(known, best.base),
        "by_reached": [factor.name for factor in factors if factor.reached] or None,
        "ask_for": off or None,
        "mean": mean_of(mean[1], mean[0], mean[2], source, held_of(known.trial) if endless else None),
        "gain": estimate(gain[1], gain[0], gain[2], source, "modelled" if endless else "measured")
        if best.moved
        else None,
        "kept": kept or None,
    }


def _kept_why(number: int, effects: dict[int, Effect]) -> str:
    if number not in effects:
        return "its effect can't be told apart from another setting's"
    if not effects[number].shown:
        return "no effect is shown, so it stays"
    return "best where it is, within the limits"


def _settings(known: Tested, coded: F8) -> Record:
    """Plain settings, and what was held."""
    found = {
        FACTOR_COLUMNS[factor.name]: round(float(factor.plain(coded[n : n + 1])[0]), 3)
        for n, factor in enumerate(known.trial.factors)
    }
    return {**found, **{FACTOR_COLUMNS[key]: value for key, value in known.held.items()}}


def peak_record(
    known: Tested, number: int, peak: Peak, effect: Effect, design: Design, source: str, endless: bool
) -> Record:
    """Where a setting is best. endless : nothing broke at the best setting."""
    factor = known.trial.factors[number]
    squared = design.has("square", number)
    return {
        "setting": factor.name,
        "unit": factor.unit or None,
        "reached": factor.reached,
        "at": estimate(peak.best, peak.low, peak.high, source, "modelled" if endless else "measured")
        if squared
        else None,
        "where": peak.where,
        "told": bool(squared and effect.shown and peak.where != "open"),
        "chance_at_low_end": round(peak.at_low, 4),
        "chance_at_high_end": round(peak.at_high, 4),
        "sentence": peak_words(factor, peak, effect, squared, endless),
    }


def effect_record(known: Tested, number: int, effect: Effect, source: str) -> Record:
    """What a setting does over what was printed."""
    factor = known.trial.factors[number]
    whole = [math.exp(value) for value in effect.whole]
    slope = effect.slope
    return {
        "setting": factor.name,
        "from": round(factor.low, 3),
        "to": round(factor.high, 3),
        "ratio": estimate(whole[1], whole[0], whole[2], source, "measured"),
        "log_slope": estimate(slope[1], slope[0], slope[2], source, "measured"),
        "chance": round(effect.tail, 6),
        "shown": effect.shown,
        "sentence": effect_words(factor, effect),
    }


def limits_record(known: Tested, limits: Sequence[Limit]) -> list[Record]:
    """Within what the best setting was looked for."""
    return [
        {
            "setting": factor.name,
            "low": limit.low if math.isfinite(limit.low) else None,
            "high": limit.high if math.isfinite(limit.high) else None,
            "low_from": limit.low_from or None,
            "high_from": limit.high_from or None,
        }
        for factor, limit in zip(known.trial.factors, limits, strict=True)
    ]


def unused(
    factors: Sequence[Factor], limits: Mapping[str, tuple[float, float]], now: Mapping[str, float]
) -> list[str]:
    """What was asked of settings that it can't be held to."""
    told = []
    names = {factor.name: factor for factor in factors}
    for option, given in (("--limit", limits), ("--now", now)):
        told += [
            f"{option} {name}: it was not varied, so that says nothing here"
            for name in given
            if name not in names
        ]
    for name, value in now.items():
        if name not in names:
            continue
        levels = names[name].levels
        if not levels[0] - 1e-9 <= value <= levels[-1] + 1e-9:
            end = plain(name, float(levels[0] if value < levels[0] else levels[-1]))
            told.append(
                f"--now {name}={value:g}: that was not printed; the gain counts from {end}, the nearest that was"
            )
    return told


def limit_doubts(known: Tested, best: Best | None, limits: Sequence[Limit], times: LayerTimes) -> list[str]:
    """What limits and layer times leave open."""
    found = []
    for factor, limit in zip(known.trial.factors, limits, strict=True):
        low, high = limit.low + factor.offset(), limit.high + factor.offset()
        if low > factor.high or high < factor.low:
            found.append(
                f"nothing that was printed lies within the limits of {factor.name}, {plain(factor.name, limit.low)} to "
                f"{plain(factor.name, limit.high)}, so no setting is offered"
            )
    if best is None:
        return found or ["no setting that was printed is within the limits, so none is offered"]
    seconds = float(times.at(best.coded[None, :])[0])
    if seconds < times.least_s - 0.5:
        found.append(
            f"layers took {seconds:.3g} s, {times.least_s:g} s are the material's least: on longer layers another "
            "nozzle or fan may be best"
        )
    return found
