"""What a treatment did to strength: two sides of one region, with the doubt that both share taken out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.jobs.estimate import band_record
from gcodetools.jobs.records import without_nulls
from gcodetools.jobs.strengths import Strengths
from gcodetools.records import dataclass
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.sentences import NOT_SHOWN, rests_on, times_text
from gcodetools.strength.spreads import Band, band_of

__all__ = ["Change", "changes_of", "means_of", "sentence_of", "source_of"]

F8 = NDArray[np.float64]
Record = dict[str, Any]

_NONE = 1e-5  # times are worked out anew, and written with the digits of the file
_SAME = 0.02  # of a ratio: less than a luggage scale, or five clips, could ever show


@dataclass(frozen=True, slots=True)
class Change:
    """After over before, of one region; None where one side has none. across, along : strength. stiffness : of the
    loaded joint. bears : the force at its allowed strain. margin : of its load, straight on."""

    name: str
    across: Band | None
    along: Band | None
    stiffness: Band | None
    bears: Band | None
    margin: Band | None
    untouched: bool

    @property
    def means(self) -> str:
        """What treated against untreated means, in a sentence."""
        if self.untouched:
            return "the same beads in both: no change"
        told = [
            (what, band)
            for what, band in (
                ("margin", self.margin), ("force it bears", self.bears), ("strength across layers", self.across),
                ("strength along beads", self.along),
            )
            if band is not None
        ]  # fmt: skip
        if not told:
            return "nothing to compare"
        return "; ".join(f"{what} {times_text(band)} ({_verdict(band)})" for what, band in told)

    def record(self, source: str) -> Record:
        """As `--json` prints it: ratios, with the verdict of each."""
        bands = {
            "across_layers": self.across, "along_beads": self.along, "stiffness": self.stiffness,
            "bears": self.bears, "margin": self.margin,
        }  # fmt: skip
        result: Record = {}
        for key, band in bands.items():
            if band is not None:
                verdict = _verdict(band)
                if key == "stiffness" and verdict != "no change":
                    verdict = "stiffer" if band.best > 1.0 else "softer"
                result[key] = {**band_record(band, "modelled", source), "verdict": verdict}
        return without_nulls({**result, "means": self.means})


def _verdict(band: Band) -> str:
    if max(abs(band.low - 1.0), abs(band.high - 1.0)) <= _SAME:
        return "no change"
    if band.low > 1.0 + _SAME:
        return "better"
    return "worse" if band.high < 1.0 - _SAME else NOT_SHOWN


def changes_of(before: Strengths, after: Strengths) -> dict[str, Change]:
    """Changes of the regions that are on both sides, by name."""
    firsts = {one.name: one for one in before.regions}
    return {one.name: _change(firsts[one.name], one) for one in after.regions if one.name in firsts}


def means_of(changes: Mapping[str, Change]) -> dict[str, str]:
    """What treated against untreated means, by region."""
    return {name: one.means for name, one in changes.items()}


def _change(a: RegionStrength, b: RegionStrength) -> Change:
    cases = a.case is not None and b.case is not None
    bears = _ratio(a.case.bears_draws, b.case.bears_draws) if a.case and b.case else None
    margin = _ratio(a.case.margin_draws, b.case.margin_draws) if a.case and b.case else None
    stiffness = _ratio(a.ei_share, b.ei_share) if cases else None
    refused = bool(a.case and a.case.refused)
    across, along = _ratio(a.across_draws, b.across_draws), _ratio(a.along_draws, b.along_draws)
    found = [band for band in (across, along, stiffness, bears, margin) if band is not None]
    return Change(
        b.name,
        across,
        along,
        stiffness,
        None if refused else bears,
        None if refused else margin,
        all(max(abs(band.low - 1.0), abs(band.high - 1.0)) <= _NONE for band in found),
    )


def _ratio(a: F8 | None, b: F8 | None) -> Band | None:
    if a is None or b is None:
        return None
    return band_of(b / a)


def source_of(strengths: Strengths) -> str:
    """What both sides rest on."""
    return f"after over before, doubt shared; {rests_on(strengths.law)}"


def sentence_of(change: Change, cost: Sequence[tuple[str, float]]) -> str:
    """What the treatment changed and what it cost, for one region."""
    spent = ", ".join(f"{value:+.3g} {unit}" for unit, value in cost)
    return f"{change.name}: {change.means}. Cost: {spent}."
