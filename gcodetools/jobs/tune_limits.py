"""Within what the best setting is looked for: what was printed, the material's and the machine's ranges, what was
asked, and layers that are not over too soon."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.kinds import nearest
from gcodetools.documents.profiles import Machine, Material
from gcodetools.errors import UsageError
from gcodetools.jobs.tune_data import Tested
from gcodetools.records import dataclass
from gcodetools.treat.limits import UNKNOWN_HOTEND_C
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS
from gcodetools.trials.trial import Factor

__all__ = ["LayerTimes", "Limit", "base_of", "limits_of", "parse_limits", "parse_now"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]

_SAME = {"speed": 100.0, "flow": 100.0, "perimeters": 0.0}  # as the file has it
_SLACK_S = 0.05


@dataclass(frozen=True, slots=True)
class Limit:
    """Of a setting, as asked. low, high : may be printed; low_from, high_from : by whose word."""

    low: float
    high: float
    low_from: str
    high_from: str


def parse_limits(texts: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Read `nozzle=220..250`, `fan=0%..40%`.

    Raises
    ------
    UsageError : anything else.
    """
    found: dict[str, tuple[float, float]] = {}
    for text in texts:
        name, _, given = text.partition("=")
        match = re.fullmatch(r"\s*(-?[\d.]+)\s*[%C]?\s*\.\.\s*(-?[\d.]+)\s*[%C]?\s*", given)
        name = _named(name, text, "--limit")
        try:
            low, high = (float(one) for one in match.groups()) if match else (1.0, 0.0)
        except ValueError:
            low, high = 1.0, 0.0
        if low > high:
            raise UsageError(
                f"--limit {text}: expected SETTING=LOW..HIGH", "For example --limit nozzle=220..250."
            )
        found[name] = (low, high)
    return found


def parse_now(texts: Sequence[str]) -> dict[str, float]:
    """Read `nozzle=230`, `fan=40%`.

    Raises
    ------
    UsageError : anything else.
    """
    found = {}
    for text in texts:
        name, _, given = text.partition("=")
        name = _named(name, text, "--now")
        match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*[%C]?\s*", given)
        if not match:
            raise UsageError(f"--now {text}: expected SETTING=VALUE", "For example --now nozzle=230.")
        found[name] = float(match[1])
    return found


def _named(name: str, text: str, option: str) -> str:
    name = name.strip().lower()
    if name not in FACTOR_COLUMNS:
        close = nearest(name, FACTOR_COLUMNS)
        raise UsageError(
            f"{option} {text}: no setting {name!r}" + (f"; nearest {close!r}" if close else ""),
            f"There are: {', '.join(FACTOR_COLUMNS)}.",
        )
    return name


def limits_of(
    factor: Factor, material: Material, machine: Machine | None, asked: dict[str, tuple[float, float]]
) -> Limit:
    """Limits of a factor without regard to what was printed."""
    low, high, low_from, high_from = -np.inf, np.inf, "", ""
    if factor.name == "nozzle":
        low, low_from = (
            max(material.nozzle_c.low, material.min_extrusion_c.value),
            f"material {material.name}",
        )
        high, high_from = material.nozzle_c.high, f"material {material.name}"
        hotend, name = max(UNKNOWN_HOTEND_C, float(factor.levels.max())), "no machine is named"
        if machine is not None:
            hotend, name = machine.hotend_max_c.value, f"machine {machine.name}"
        if hotend < high:
            high, high_from = hotend, name
    elif factor.name == "fan":
        low, high = 100.0 * material.fan.low, 100.0 * material.fan.high
        low_from = high_from = f"material {material.name}"
    elif factor.name == "perimeters":
        low, low_from = 0.0, "there is no less"
    if factor.name in asked:
        mine = asked[factor.name]
        if mine[0] > low:
            low, low_from = mine[0], "--limit"
        if mine[1] < high:
            high, high_from = mine[1], "--limit"
    if factor.name == "perimeters":
        low, high = np.ceil(low), np.floor(high)
    return Limit(float(low), float(high), low_from, high_from)


def base_of(factors: Sequence[Factor], now: dict[str, float]) -> F8:
    """(k,) plain settings that a gain counts from: what is printed with now; else the file's own speed, flow and
    perimeters, and the middle of what was printed of nozzle and fan. None lies outside of what was printed."""
    base = []
    for factor in factors:
        asked = now.get(factor.name, _SAME.get(factor.name))
        wanted = 0.5 * (factor.low + factor.high) if asked is None else asked + factor.offset()
        if factor.name == "perimeters":
            wanted = float(factor.at[np.abs(factor.at - wanted).argmin()])
        base.append(min(max(wanted, factor.low), factor.high))
    return np.array(base)


class LayerTimes:
    """How long a layer takes at a setting: by the sheet, in proportion to 1 / speed where speed was varied.

    Parameters
    ----------
    tested : the trial. least_s : the material's least.
    """

    def __init__(self, tested: Tested, least_s: float) -> None:
        self.known = tested.got.get("layer_time_s")
        self.least_s = least_s
        self.factors = tested.trial.factors
        self.speed = next((k for k, factor in enumerate(self.factors) if factor.name == "speed"), None)
        self.fitted: F8 = np.zeros(2)
        if self.known is not None:
            columns = np.column_stack([np.ones(len(self.known)), self._inverse(tested.trial.coded)])
            self.fitted = np.linalg.lstsq(columns, self.known, rcond=None)[0].astype(np.float64)

    def _inverse(self, coded: F8) -> F8:
        if self.speed is None:
            return np.zeros(len(coded))
        inverse: F8 = 1.0 / np.maximum(self.factors[self.speed].plain(coded[:, self.speed]), 1.0)
        return inverse

    def at(self, coded: F8) -> F8:
        """(m,) seconds at coded settings (m, k); inf where the sheet says nothing."""
        if self.known is None:
            return np.full(len(coded), np.inf)
        seconds: F8 = self.fitted[0] + self.fitted[1] * self._inverse(coded)
        return seconds

    def allowed(self, coded: F8, base: F8) -> Bool:
        """(m,) whether layers take the material's least, or at any rate no less than they do at the base (k,)."""
        least = min(self.least_s, float(self.at(base[None, :])[0]))
        long: Bool = self.at(coded) >= least - _SLACK_S
        return long
