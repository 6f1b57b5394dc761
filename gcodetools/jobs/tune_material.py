"""A material file of one's own from a fitted trial: measured numbers with their spreads, the rest by `like`.

What is carried: where layers are strongest, the shape over the nozzle's temperature, what fan and layer time did as
exponents of the weld model, and, where the force was a pull straight across layers over a known section, the level.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import is_path, material_of
from gcodetools.errors import UsageError
from gcodetools.jobs.tune import Tuned
from gcodetools.jobs.tune_exponents import Exponent, exponents
from gcodetools.jobs.tune_words import plain
from gcodetools.records import dataclass
from gcodetools.strength.law import Law
from gcodetools.strength.spreads import Draws
from gcodetools.trials.trial import Factor

__all__ = ["Written", "material_file"]

F8 = NDArray[np.float64]

_KEY = "  "


@dataclass(frozen=True, slots=True)
class Written:
    """text : the file. carried, left : sentences on what is in it, and what is not and why."""

    text: str
    carried: tuple[str, ...]
    left: tuple[str, ...]


def material_file(tuned: Tuned, out: Path, name: str, wall_mm: float | None = None) -> Written:
    """What is to be written to `out`; it is read back before.

    Parameters
    ----------
    name : of the material. wall_mm : thickness of the specimens, through and through, if told.

    Raises
    ------
    UsageError : nothing of the trial can be carried. InputError : the material it would be like can't take it.
    """
    if tuned.tested.answer == "click" or tuned.fit is None:
        why = "a click is no strength" if tuned.tested.answer == "click" else "nothing could be fitted"
        raise UsageError(
            f"-o {out}: {why}, so nothing goes into a material file",
            "Fill in force_n of three specimens a step, or leave -o out.",
        )
    if tuned.material.strength is None:
        raise UsageError(
            f"-o {out}: material {tuned.material.name} says nothing of strength, so there is nothing to replace",
            "Name another with --material.",
        )
    draft = _Draft(tuned, out, name, wall_mm)
    draft.write()
    if not draft.carried:
        raise UsageError(f"-o {out}: {draft.left[0]}", "Leave -o out; see what to print next.")
    text = draft.text
    material = material_of(text.encode(), out)
    if tuned.tested.answer == "force":
        found, left = exponents(tuned, material, draft.at)
        draft.left += left
        if found:
            text = draft.with_exponents(found)
            material_of(text.encode(), out)
    return Written(text, tuple(draft.carried), tuple(draft.left))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _rounded(value: float, digits: int = 4) -> str:
    return f"{float(f'{value:.{digits}g}'):g}"


class _Draft:
    """The file as it grows."""

    def __init__(self, tuned: Tuned, out: Path, name: str, wall_mm: float | None) -> None:
        assert tuned.fit is not None
        self.tuned, self.out, self.name, self.wall_mm = tuned, out, name, wall_mm
        self.fit, self.known = tuned.fit, tuned.tested
        self.factors = self.known.trial.factors
        self.carried: list[str] = []
        self.left: list[str] = []
        self.source = self._source()
        self.at, self.rows = self._reference()
        self.lines: list[str] = []
        self.weld: list[str] = []
        self.bond: list[str] = []
        self.strength: list[str] = []

    def _source(self) -> str:
        names = ", ".join(Path(sheet["file"]).name for sheet in self.tuned.record["sheets"])
        mark = "; invented data, not measured" if self.tuned.invented else ""
        return f"{names}, {len(self.known.trial)} specimens, fitted by beadwright tune{mark}"

    def _reference(self) -> tuple[F8, NDArray[np.int64]]:
        """(k,) coded settings of the step that the level is told at, the one nearest to the best setting; its rows."""
        trial = self.known.trial
        wanted = self.tuned.best.coded if self.tuned.best is not None else np.zeros(len(self.factors))
        of = np.unique(self.known.asked, axis=0, return_inverse=True)[1].ravel()
        steps = [np.flatnonzero(of == k) for k in range(int(of.max()) + 1)]
        whole = [rows for rows in steps if np.any(trial.side[rows] == 0)]
        rows = min(whole, key=lambda one: float(np.square(trial.coded[one].mean(axis=0) - wanted).sum()))
        at = trial.coded[rows].mean(axis=0)
        nozzle = self._number("nozzle")
        if nozzle is not None:  # as its table has it, so that the file agrees with itself
            factor = self.factors[nozzle]
            level = factor.at[factor.levels == factor.asked[rows[0]]]
            at[nozzle] = float(factor.coded(np.round(level, 1))[0])
        return at, rows

    def _number(self, name: str) -> int | None:
        return next((k for k, factor in enumerate(self.factors) if factor.name == name), None)

    def _told(self, column: str) -> float | None:
        """Mean of a column over the rows of the reference."""
        values = self.known.got.get(column)
        return None if values is None else float(values[self.rows].mean())

    def _setting(self, name: str) -> float | None:
        """A setting at the reference: reached, else asked."""
        number = self._number(name)
        if number is not None:
            return float(self.factors[number].plain(self.at[number : number + 1])[0])
        column = {"nozzle": "nozzle_reached_c", "fan": "fan_reached_percent"}[name]
        told = self._told(column)
        return self.known.held.get(name) if told is None else told

    def write(self) -> None:
        """Fill in what the trial tells."""
        force = self.known.answer == "force"
        if not force:
            self.left.append(
                "cycles are no strength: of them only the temperature of the peak can be carried"
            )
        self._peak()
        if force:
            self._table()
            if self.tuned.level:
                self._level()
            elif self._number("nozzle") is None:
                self.left.append(
                    "no nozzle temperature was varied and no section is known: no level, no shape"
                )

    def _peak(self) -> None:
        """The temperature past which the nozzle is not led."""
        number = self._number("nozzle")
        peak = next((one for one in self.tuned.peaks if one.factor == number), None)
        effect = next((one for one in self.tuned.effects if one.factor == number), None)
        if peak is None or effect is None:
            return
        if self.tuned.endless:
            self.left.append(
                "nothing broke where it looks best, so the peak rests on the shape of a curve alone: "
                f"{self.tuned.material.name}'s stays"
            )
            return
        if not effect.shown or peak.where == "open":
            self.left.append(
                f"no peak over the nozzle's temperature is told: {self.tuned.material.name}'s stays"
            )
            return
        limits = self.tuned.material.nozzle_c
        low, best, high = (
            min(max(value, limits.low), limits.high) for value in (peak.low, peak.best, peak.high)
        )
        edge = "" if peak.where == "inside" else f"; an end of what was printed is among it ({peak.where})"
        self.lines += [
            "# Where layers bore most; past it a nozzle is not led.",
            "measured_peak_c:",
            *self._quantity(best, (low, high), f"{self.source}{edge}", _KEY, digits=4),
        ]
        self.carried.append(
            f"the peak, {plain('nozzle', best)} ({plain('nozzle', low, False)} to {plain('nozzle', high, False)})"
        )

    def _table(self) -> None:
        """Strength by nozzle temperature, in ratio to the reference's."""
        number = self._number("nozzle")
        if number is None:
            return
        factor = self.factors[number]
        at = np.unique(np.round(factor.at, 1))
        rows = np.tile(self.at, (len(at), 1))
        rows[:, number] = factor.coded(at)
        columns = self.fit.design.columns(rows)
        reference = self.fit.design.columns(self.at[None, :])
        held = [
            f"{x:g}" for x, endless in zip(at.tolist(), self.fit.endless(columns), strict=True) if endless
        ]
        if held:
            self.left.append(
                f"nothing broke at nozzle {' and '.join(held)} C, so strength by nozzle temperature stays that of "
                f"{self.tuned.material.name}"
            )
            return
        ratio = self.fit.ends(columns - reference)
        level = self._level_mpa(columns, factor, at)
        source = self.source if self.tuned.level else f"{self.source}; of it only the ratio to the others"
        # A law draws each point by itself, so that a ratio holds the doubt of two: together that of the ratio.
        half = 0.5 * (ratio.high - ratio.low)
        away = half > 1e-9
        own = math.sqrt(0.5) * float(half[away].min()) if np.any(away) else 0.0
        each = np.sqrt(np.maximum(np.square(half) - own * own, own * own))
        self.bond += [
            "  # Strength across layers by what the nozzle reached: the fitted curve at what was printed.",
            "  # spread: such that the ratio of two points is as sure as the specimens make it.",
            "  measured:",
        ]
        for x, mpa, spread in zip(at.tolist(), level.tolist(), each.tolist(), strict=True):
            ends = f"[{_rounded(mpa * math.exp(-spread))}, {_rounded(mpa * math.exp(spread))}]"
            self.bond.append(
                f"    - {{nozzle_c: {x:.1f}, across_mpa: {_rounded(mpa, 6)}, spread: {ends}, "
                f"source: {_quoted(source)}, flag: measured}}"
            )
        self.carried.append(f"strength at {len(at)} nozzle temperatures, {at[0]:.0f} to {at[-1]:.0f} C")

    def _level_mpa(self, columns: F8, factor: Factor, at: F8) -> F8:
        """(l,) MPa of the table: as measured; or, of ratios alone, at the level of the material that it is like."""
        means = np.exp(self.fit.mean(columns))
        if self.tuned.level:
            return means
        strength = self.tuned.material.strength
        assert strength is not None
        law = Law(self.tuned.material, Draws(0))
        nozzle = strength.reference.nozzle_c
        tied = nozzle.value
        if not at[0] <= tied <= at[-1]:
            tied = float(np.clip(tied, at[0], at[-1]))
        share = float(law.nozzle_ratio(np.array([tied]))[0, 0])
        level = strength.across_mpa.value * share
        means *= level / float(np.interp(tied, at, means))
        if tied != nozzle.value:
            low, high = strength.across_mpa.spread or (strength.across_mpa.value,) * 2
            source = f"the level of {self.tuned.material.name} at {tied:g} C, for only ratios were measured"
            self.strength += [
                "  # No level was measured: it stays that of the material that this is like.",
                "  across_mpa:",
                *self._quantity(level, (low * share, high * share), source, _KEY * 2, flag="derived"),
                "  reference:",
                "    nozzle_c:",
                *self._quantity(tied, None, source, _KEY * 3, flag="derived"),
            ]
        self.left.append(
            f"no level in MPa: it stays that of {self.tuned.material.name}, {strength.across_mpa.value:g} MPa at "
            f"{nozzle.value:g} C, with its spread"
        )
        return means

    def _level(self) -> None:
        """Strength of the reference specimen, and how that was printed."""
        ends = self.fit.ends(self.fit.design.columns(self.at[None, :]))
        low, best, high = (math.exp(float(value[0])) for value in (ends.low, ends.best, ends.high))
        number = self._number("nozzle")
        if number is not None:
            # What the table says there, to the last digit, so that the file agrees with itself.
            best = float(_rounded(best, 6))
        area = self.known.section_mm2
        assert area is not None
        self.strength += [
            "  # Force over the outer area of the section, as in the sources of the other materials; voids are in it.",
            "  across_mpa:",
            *self._quantity(
                best,
                (low, high),
                f"{self.source}; force over {float(area[self.rows].mean()):.4g} mm2",
                _KEY * 2,
                digits=6,
            ),
            "  # How the specimens were printed that bore this.",
            "  reference:",
        ]
        fan = self._setting("fan")
        told: list[tuple[str, float | None]] = [
            ("nozzle_c", self._setting("nozzle")),
            ("height_mm", self._told("height_mm")),
            ("width_mm", self._told("width_mm")),
            ("age_s", self._told("layer_time_s")),
            ("fan", fan),
            ("wall_mm", self.wall_mm),
        ]
        missing = []
        for key, value in told:
            if value is None:
                missing.append(key)
                continue
            shown = (
                f"{value:.1f}%"
                if key == "fan"
                else _rounded(value if key != "nozzle_c" else round(value, 1), 5)
            )
            source = (
                "as the specimens were printed, by the sheet" if key != "wall_mm" else "stated, --wall-mm"
            )
            flag = "measured" if key != "wall_mm" else "given"
            self.strength.append(f"    {key}: {{value: {shown}, source: {_quoted(source)}, flag: {flag}}}")
        if missing:
            self.left.append(
                f"the sheet does not say {', '.join(missing)} of the specimens: taken as those of "
                f"{self.tuned.material.name} were"
            )
        self._level_doubts(best)
        self.carried.append(f"the level, {best:.3g} MPa ({low:.3g} to {high:.3g})")

    def _level_doubts(self, best: float) -> None:
        """What the level does not hold."""
        self.left.append(
            "voids are in the level only as far as beads leave them: for specimens with sparse fill inside give "
            "--section-mm2 of what is joined, else that fill counts as lost twice"
        )
        along = self.tuned.material.strength.along_mpa if self.tuned.material.strength is not None else None
        if along is not None and best > (along.spread or (0.0, along.value))[1]:
            self.left.append(
                f"strength along beads stays {along.value:g} MPa, and across layers no more is ever told: pull a "
                "flat bar too"
            )

    def _quantity(
        self, value: float, spread: tuple[float, float] | None, source: str, indent: str, *,
        digits: int = 5, flag: str = "measured",
    ) -> list[str]:  # fmt: skip
        lines = [f"{indent}value: {_rounded(value, digits)}"]
        if spread is not None:
            shown = float(_rounded(value, digits))
            low, high = (float(_rounded(end, digits)) for end in spread)
            lines.append(f"{indent}spread: [{min(low, shown):g}, {max(high, shown):g}]")
        return [*lines, f"{indent}source: {_quoted(source)}", f"{indent}flag: {flag}"]

    @property
    def text(self) -> str:
        """The file so far."""
        like = self.tuned.material_name
        if is_path(like):
            like = os.path.relpath(like, self.out.parent)
        invented = " Invented data: nothing of this was measured." if self.tuned.invented else ""
        about = f"{self.tuned.material.name}, as measured on specimens of one's own.{invented}"
        head = [
            f"# A material, written by `beadwright tune`. Name it with --material {self.out.name}.",
            f"# From {self.source}.",
            "# Every number says where it is from; what is not here is as in the material that it is like.",
            "# spread: nine of ten lie between.",
            "beadwright: 1",
            f"material: {_quoted(self.name)}",
            f"like: {_quoted(like)}",
            f"about: {_quoted(about)}",
        ]
        bond = ["bond:", *self.weld, *self.bond] if self.weld or self.bond else []
        strength = ["strength:", *self.strength] if self.strength else []
        return "\n".join([*head, *self.lines, *bond, *strength]) + "\n"

    def with_exponents(self, found: Sequence[Exponent]) -> str:
        """The file with them."""
        self.weld = [
            "  weld:",
            "    # Powers of what the model says: 0 no effect, 1 all of it.",
            "    sensitivity:",
        ]
        for one in found:
            self.weld.append(f"      {one.key}:")
            source = f"{self.source}: {one.how}"
            self.weld += self._quantity(one.value, (one.low, one.high), source, _KEY * 4)
            self.carried.append(one.told)
        return self.text
