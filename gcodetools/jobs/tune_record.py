"""Parts of the record of `tune`: means by step, the fit itself, what can't be told, and the ladder to print next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from shlex import quote
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.jobs.records import estimate
from gcodetools.jobs.tune_data import Tested
from gcodetools.jobs.tune_limits import Limit
from gcodetools.jobs.tune_words import asked_words, percent_words, plain
from gcodetools.trials.clicks import Clicks
from gcodetools.trials.distributions import t_tail
from gcodetools.trials.next_ladder import MOST_SPECIMENS, Next, loss_of, next_ladder, wanted_copies
from gcodetools.trials.peak import Course, Effect, Peak
from gcodetools.trials.response import Fit
from gcodetools.trials.results import Sheet
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS
from gcodetools.trials.trial import Factor, Trial

__all__ = [
    "clicks_record",
    "doubts_of",
    "fit_record",
    "held_of",
    "mean_of",
    "next_record",
    "odd_ones",
    "steps_record",
]

Record = dict[str, Any]
F8 = NDArray[np.float64]

_LEAST_LOSS = 0.01  # of the response: a ladder is hardly worth less
_ODD = 0.01  # chance that one of all specimens lies so far out
_LACK = 0.1
_WHOLE = "whole"  # the region that `ladder` names where no kit does
_DOUBTFUL = 0.5  # weight of an average's model from which it is named


def steps_record(found: Fit, known: Tested, source: str) -> list[Record]:
    """Each combination of settings: how many, their mean as read, and the fit's with its ends."""
    trial = known.trial
    asked = known.asked
    of = np.unique(asked, axis=0, return_inverse=True)[1].ravel()
    records = []
    for number in range(int(of.max()) + 1):
        mine = np.flatnonzero(of == number)
        coded = trial.coded[mine].mean(axis=0)
        columns = found.design.columns(coded[None, :])
        ends = found.ends(columns)
        low, best, high = (math.exp(float(value[0])) for value in (ends.low, ends.best, ends.high))
        measured = np.all(trial.side[mine] == 0)
        endless = bool(found.endless(columns)[0])
        records.append(
            {
                "settings": {
                    FACTOR_COLUMNS[f.name]: float(asked[mine[0], k]) for k, f in enumerate(trial.factors)
                },
                "reached": {f.name: round(float(f.x[mine].mean()), 2) for f in trial.factors if f.reached}
                or None,
                "specimens": len(mine),
                "held_without_breaking": int(np.sum(trial.side[mine] > 0)) or None,
                "read": round(math.exp(float(trial.y[mine].mean())), 6) if measured else None,
                "mean": mean_of(best, low, high, source, held_of(trial) if endless else None),
            }
        )
    return records


def held_of(trial: Trial) -> float:
    """The most that any specimen held without breaking."""
    return math.exp(float(trial.y[trial.side > 0].max()))


def mean_of(best: float, low: float, high: float, source: str, held: float | None) -> Record:
    """An estimate of a mean. held : where nothing broke that would bound it, the most that any held: only a lower end
    is measured then, and none above that."""
    if held is None:
        return estimate(best, low, high, source, "measured")
    whole = f"{source}; nothing broke there: the lower end is measured, the rest assumed"
    return {**estimate(best, min(low, held), high, whole, "assumed"), "at_least": True}


def fit_record(found: Fit, known: Tested) -> Record:
    """The plain terms as a table of regression has them, the scatter, and what they are averaged with."""
    design, trial, one = found.design, found.design.trial, found.plain
    ends = one.ends()
    terms = [
        {
            "term": term.name,
            "coefficient": round(float(one.value[k]), 9),
            "error": round(float(one.error[k]), 9),
            "low": round(float(ends.low[k]), 9),
            "high": round(float(ends.high[k]), 9),
        }
        for k, term in enumerate(design.base)
    ]
    record: Record = {
        "response": "logarithm of "
        + {"force": "force", "cycles": "cycles"}[known.answer]
        + (" over section" if known.by_section else ""),
        "method": "greatest likelihood" if trial.censored else "least squares",
        "coded": {f.name: {"minus_one": f.low, "one": f.high, "reached": f.reached} for f in trial.factors},
        "terms": terms if one.bounded else None,
        "degrees": one.degrees,
        "scatter": _scatter(found, known),
        "weights": {name: round(weight, 4) for name, weight in found.weights.items()},
    }
    if found.lack is not None:
        record["pure_error"] = {
            "scatter": round(math.sqrt(math.expm1(found.lack.pure**2)), 6),
            "degrees": found.lack.degrees,
            "lack_of_fit_chance": None if found.lack.tail is None else round(found.lack.tail, 6),
        }
    return record


def _scatter(found: Fit, known: Tested) -> Record:
    """Deviation of specimens alike, as a share of their mean."""

    def share(sigma: float) -> float:
        return round(math.sqrt(math.expm1(min(sigma * sigma, 50.0))), 6)

    ends = found.plain.sigma_ends
    return {
        "best": share(found.plain.sigma),
        "low": None if ends is None else share(ends[0]),
        "high": None if ends is None else share(ends[1]),
        "stated": None if known.trial.scatter is None else share(known.trial.scatter),
    }


def doubts_of(found: Fit, known: Tested, effects: dict[int, Effect], limits: Sequence[Limit]) -> list[str]:
    """What the data can't tell, and what would."""
    trial, factors = known.trial, known.trial.factors
    told = list(found.design.told)
    for number, effect in effects.items():
        if effect.shown:
            continue
        name = factors[number].name
        wanted = wanted_copies(found, list(effects.values()), number)
        low, high = (percent_words(value) for value in (effect.whole[0], effect.whole[2]))
        more = (
            f"about {wanted} specimens in all would show an effect as large as it seems"
            if wanted is not None
            else f"{MOST_SPECIMENS} specimens would be too few to show what it seems to be"
        )
        told.append(f"{name}: from {low} to {high} over what was printed, so no effect is shown; {more}")
    if found.lack is None and not trial.censored:
        whence = (
            "what the curve leaves over"
            if trial.scatter is None
            else "what was stated, and what the curve leaves"
        )
        told.append(
            f"no two specimens were printed alike, so the scatter is {whence}: print each step at least twice"
        )
    elif found.lack is not None and found.lack.tail is not None and found.lack.tail < _LACK:
        told.append(
            f"the curve misses the means of the steps by more than specimens alike differ (chance "
            f"{found.lack.tail:.2g}): the course has a bend that these terms don't have; more levels would show it"
        )
    bent = [name for name, weight in found.weights.items() if "bend" in name and weight >= _DOUBTFUL]
    if bent:
        told.append("the course is probably no parabola; the doubt told holds that")
    told += _held(known)
    if any(found.endless(found.design.columns(trial.coded))):
        told.append(
            "at one setting at least nothing broke, so how strong it is there is only known from below; the ends told "
            f"assume that nothing holds more than {math.exp(trial.cap):.0f} times what it was seen to hold"
        )
    return told


def _held(known: Tested) -> list[str]:
    """Steps of which nothing broke."""
    trial = known.trial
    found = []
    for factor in trial.factors:
        for level in factor.levels.tolist():
            mine = factor.asked == level
            if np.all(trial.side[mine] > 0):
                found.append(
                    f"nothing broke at {factor.name} {plain(factor.name, level)}: load it until it breaks to know how "
                    "much it holds"
                )
    return found


def odd_ones(found: Fit, known: Tested) -> list[str]:
    """Specimens far from what the rest says: studentized residuals, each with itself left out. What held counts as
    where it probably broke."""
    trial, x = known.trial, found.design.x
    broke = trial.side == 0
    degrees = int(broke.sum()) - x.shape[1] - 1
    if degrees < 2:
        return []
    y = found.filled
    hat = np.einsum("ij,jk,ik->i", x, np.linalg.inv(x.T @ x), x)
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    squares = float(np.square(rest[broke]).sum())
    alone = np.maximum(1.0 - hat, 1e-9)
    without = (squares - rest**2 / alone) / degrees
    t = np.abs(rest) / np.sqrt(np.maximum(without, 1e-18) * alone)
    unit = {"force": " N", "cycles": " cycles"}.get(known.answer, "")
    told = []
    for k in np.flatnonzero(broke & (alone > 1e-6)).tolist():
        chance = 2.0 * t_tail(float(t[k]), degrees) * len(trial)
        if chance < _ODD and squares > 1e-12:
            word = "above" if rest[k] > 0 else "below"
            told.append(
                f"{known.where[k]}: {known.read[k]:g}{unit} lies far {word} what the others say of its settings; look "
                "at that specimen and its reading again (it was counted)"
            )
    return told


def next_record(
    found: Fit, known: Tested, effects: dict[int, Effect], peaks: dict[int, Peak], courses: dict[int, Course], at: F8,
    limits: Sequence[Limit], sheets: Sequence[Sheet], names: Sequence[tuple[str, str | None]] = (),
) -> Record:  # fmt: skip
    """The ladder to print next: past an end that it is still best at; else over the setting whose doubt costs most.
    names : profiles to name again, by their option."""
    factors = known.trial.factors
    losses = {n: loss_of(course) for n, course in courses.items()}
    beyond = {n: _beyond(peaks[n], effects[n], factors[n], limits[n]) for n in courses}
    open_ = [n for n in courses if any(beyond[n])]
    number = max(open_ or losses, key=lambda n: losses[n])
    factor, loss = factors[number], losses[number]
    lost = f"printing at what looks best now loses {100 * math.expm1(loss):.1f} % on average"
    shown = effects[number].shown
    head = {"setting": factor.name, "expected_loss": round(math.expm1(loss), 6)}
    chosen = next_ladder(found, number, at, (limits[number].low, limits[number].high), beyond[number], shown)
    if chosen is None:
        return {**head, "sentence": f"the limits of {factor.name} leave no ladder to print; {lost}"}
    told = _next_words(factor, chosen, shown, lost, limits[number], any(beyond[number]))
    few = shown or wanted_copies(found, list(effects.values()), number) is not None
    worth = bool(open_) or (loss >= _LEAST_LOSS and few)
    return {
        **head,
        "worth": worth,
        "levels": list(chosen.levels),
        "copies": chosen.copies,
        "expected_half_width": round(chosen.half, 2) if shown else None,
        "line": _line(known, factor, chosen, at, sheets, names),
        "sentence": told if worth else f"hardly worth another ladder; if one at all, {told}",
    }


def _beyond(peak: Peak, effect: Effect, factor: Factor, limit: Limit) -> tuple[bool, bool]:
    """Whether it is best at an end of what was printed, below and above, and more may be printed there."""
    near = 0.5 * factor.step
    down = peak.best <= factor.low + 1e-9 and limit.low + factor.offset() < factor.low - near
    up = peak.best >= factor.high - 1e-9 and limit.high + factor.offset() > factor.high + near
    return effect.shown and down, effect.shown and up


def _next_words(factor: Factor, chosen: Next, shown: bool, lost: str, limit: Limit, beyond: bool) -> str:
    name = factor.name
    span = f"{plain(name, chosen.levels[0], False)} to {plain(name, chosen.levels[-1])}"
    what = f"{name} from {span} in steps of {plain(name, chosen.step)}, {chosen.copies} of each"
    if not shown:
        return f"{what}, on top of these, to see whether it does anything; {lost}"
    edge = ""
    if beyond and limit.high_from and chosen.levels[-1] >= limit.high - chosen.step:
        edge = f"; {limit.high_from} allows {plain(name, limit.high)} at most"
        if limit.high_from == "no machine is named":
            edge = f"; with no machine named at most {plain(name, limit.high)} (--machine)"
    half = plain(name, max(chosen.half, 1.0))
    return f"{what}: after it the peak should be told to about {half} either way; {lost}{edge}"


def _line(
    known: Tested,
    factor: Factor,
    chosen: Next,
    at: F8,
    sheets: Sequence[Sheet],
    names: Sequence[tuple[str, str | None]],
) -> str:
    """The command to paste."""
    said = sheets[0].said
    low, high, step = (
        plain(factor.name, v, False) for v in (chosen.levels[0], chosen.levels[-1], chosen.step)
    )
    file = said.get("file") or "PLATE.gcode"
    part, region = said.get("part", ""), said.get("region", "")
    parts = ["beadwright ladder", quote(file)]
    if part and region in ("", _WHOLE):  # of a ladder without a kit
        parts.append(f"--object {quote(part)}")
    else:
        parts.append("--kit KIT.yaml")
        parts += [f"--region {quote(f'{part}/{region}')}"] if part else []
    parts.append(f"--vary {factor.name}={low}:{high}:{step}")
    for number, other in enumerate(known.trial.factors):
        if other is not factor:
            value = float(other.plain(at[number : number + 1])[0]) - other.offset()
            parts.append(f"--hold {asked_words(other.name, value)}")
    parts += [f"--hold {asked_words(name, value)}" for name, value in known.held.items()]
    parts += [f"--{key} {quote(name)}" for key, name in names if name]
    stem = Path(file).stem if said.get("file") else "plate"
    parts.append(f"--repeat {chosen.copies} -o {quote(f'{stem}-next.gcode')}")
    return " ".join(parts)


def clicks_record(factors: Sequence[Factor], told: Sequence[Clicks]) -> list[Record]:
    """Marks by level of each setting."""
    return [
        {
            "setting": factor.name,
            "levels": [
                {"at": float(level), "specimens": int(count), "mean": round(float(mean), 4)}
                for level, count, mean in zip(one.levels, one.count, one.mean, strict=True)
            ],
            "kruskal_wallis": round(one.kruskal, 6),
            "chance": round(one.tail, 6),
            "rank_correlation": round(one.rise, 6),
            "rank_correlation_chance": round(one.rise_tail, 6),
            "sentence": _click_words(factor, one),
        }
        for factor, one in zip(factors, told, strict=True)
    ]


def _click_words(factor: Factor, one: Clicks) -> str:
    best = int(one.mean.argmax())
    marks = f"{plain(factor.name, float(one.levels[best]))} has the best mean mark, {one.mean[best]:.1f}"
    if one.rise_tail < _LACK and one.rise_tail <= one.tail:
        way = "rise" if one.rise > 0 else "fall"
        told = f"rank correlation {one.rise:.2f}, chance {one.rise_tail:.2g}"
        return f"{factor.name}: marks {way} with it ({told}); {marks}"
    if one.tail < _LACK:
        return f"{factor.name}: marks differ between levels (chance {one.tail:.2g}); {marks}"
    return f"{factor.name}: can't tell, marks differ no more than by chance ({one.tail:.2g}); {marks}"
