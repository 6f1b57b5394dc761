"""Sentences on what a fit says: where a setting is best, what it does, and what the data can't tell."""

from __future__ import annotations

import math

from gcodetools.trials.peak import Effect, Peak
from gcodetools.trials.trial import Factor

__all__ = ["CAUTIONS", "asked_words", "effect_words", "peak_words", "percent_words", "plain", "span"]

CAUTIONS = (
    "A part that breaks throws pieces: wear goggles, put something between it and your face, pull by a lever or a "
    "scale away from you, and keep others out of the way; where local rules ask for more, they decide.",
    "A hotter nozzle burns and gives off more fumes: ventilate, and keep a hotend lined with PTFE at 240 C or below.",
    "What held in a test is no safety part: where somebody can be hurt, have it tested by someone licensed to.",
)


def plain(name: str, value: float, unit: bool = True) -> str:
    """`241 C`, `25 %`, `2`."""
    digits = 1 if name == "flow" else 0
    text = f"{value:.{digits}f}".removesuffix(".0")
    text = "0" if text == "-0" else text
    mark = {"nozzle": " C", "perimeters": ""}.get(name, " %")
    return text + (mark if unit else "")


def span(name: str, low: float, best: float, high: float) -> str:
    """`241 C (232 to 250)`."""
    return f"{plain(name, best)} ({plain(name, low, False)} to {plain(name, high, False)})"


def percent_words(log_ratio: float) -> str:
    """`+12 %` for the logarithm of 1.12; `3.1 times` beyond twice."""
    ratio = math.exp(min(log_ratio, 50.0))
    if ratio >= 2.0:
        return f"{ratio:.2g} times"
    value = 100.0 * (ratio - 1.0)
    return f"{value:+.0f} %" if abs(value) >= 9.5 else f"{value:+.1f} %"


def peak_words(factor: Factor, peak: Peak, effect: Effect, squared: bool, endless: bool = False) -> str:
    """Where a setting is best, or why that can't be told. endless : nothing broke where it looks best."""
    words = _peak_words(factor, peak, effect, squared)
    if endless and squared and effect.shown:
        words += ", by the shape of a curve alone, for nothing broke there"
    return words


def _peak_words(factor: Factor, peak: Peak, effect: Effect, squared: bool) -> str:
    name, where = factor.name, peak.where
    told = span(name, peak.low, peak.best, peak.high)
    top, bottom = plain(name, factor.high), plain(name, factor.low)
    if not effect.shown:
        chance = f"chance alone makes as much {100 * effect.tail:.0f} times in 100"
        return f"can't tell: no effect of {name} is shown between {bottom} and {top} ({chance})"
    rising = effect.whole[1] > 0
    if not squared:
        end, word = (top, "most") if rising else (bottom, "least")
        return f"best at the {word} that was printed, {end}; a peak between levels can't be told"
    if where == "inside":
        return f"best {name} {told}"
    if where == "high end":
        if peak.best >= factor.high - 1e-9:
            return f"still rising at the {_most(name)} printed, {top}: best {plain(name, peak.low)} or more"
        return f"best {name} {told}, and it may still rise at {top}, the {_most(name)} printed"
    if (
        where == "low end"
        and name in ("fan", "perimeters")
        and factor.low <= 0
        and peak.best <= factor.low + 1e-9
    ):
        return f"best {name} {told}, the least there is"
    if where == "low end":
        if peak.best <= factor.low + 1e-9:
            return f"falling from the {_least(name)} printed, {bottom}: best {plain(name, peak.high)} or less"
        return f"best {name} {told}, and it may lie below {bottom}, the {_least(name)} printed"
    return f"can't tell where it is best: anywhere from {bottom} to {top}, the best guess {plain(name, peak.best)}"


def _most(name: str) -> str:
    return "hottest" if name == "nozzle" else "most"


def _least(name: str) -> str:
    return "coolest" if name == "nozzle" else "least"


def effect_words(factor: Factor, effect: Effect) -> str:
    """What the whole range does."""
    low, best, high = (percent_words(value) for value in effect.whole)
    return f"{plain(factor.name, factor.low)} to {plain(factor.name, factor.high)}: {best} ({low} to {high})"


def asked_words(name: str, value: float) -> str:
    """As the command line takes it: `nozzle=241`, `fan=25%`."""
    text = plain(name, value, False)
    return f"{name}={text}%" if name in ("fan", "speed", "flow") else f"{name}={text}"
