"""What a region's numbers mean, in words that a maker can act on."""

from __future__ import annotations

from pathlib import PurePath

import numpy as np

from gcodetools.strength.law import Law
from gcodetools.strength.loads import LoadCase
from gcodetools.strength.region import HOLLOW, RegionStrength
from gcodetools.strength.spreads import Band, band_of

__all__ = [
    "CAUTIONS",
    "HAND_N",
    "NOT_SHOWN",
    "ending",
    "load_sentence",
    "percent",
    "rests_on",
    "sentence",
    "span",
    "times_text",
    "two",
]

_FINE, _AMPLE = 3.0, 10.0
HAND_N = 120.0  # a thumb and the ball of a hand; common practice, no source
NOT_SHOWN = "not shown to help"
CAUTIONS = (
    "Estimates, not for safety-critical, food, child or pressure use: where somebody can be hurt, follow local "
    "codes and have it tested by someone licensed to.",
    "A hotter nozzle gives off more fumes: ventilate or filter. Liners of PTFE stay at 240 C or below.",
    "Stay with the machine on the first print of a changed file.",
)
_FITS = ("press", "key")
_WAYS: dict[str, str] = {"along": "along its beads", "across": "between its layers"}


def two(value: float) -> str:
    """A number to two figures, without an exponent."""
    if value == 0:
        return "0"
    rounded = float(f"{value:.2g}")
    return f"{rounded:,.0f}" if abs(rounded) >= 1000 else f"{rounded:g}"


def margin_text(value: float) -> str:
    """A margin near 1: two decimals, for 1.16 and 1.2 are not the same to who must decide."""
    return f"{value:.2f}"


def percent(value: float) -> str:
    """A strain, a share as a percentage to three figures."""
    return f"{100 * value:.3g} %"


def span(band: Band, form: str = "") -> str:
    """`1.16 (0.9 to 1.6)`; a margin so large that its size says nothing is `over 10`."""
    if form == "margin" and band.low > _AMPLE:
        return f"over {_AMPLE:g}"
    shown = margin_text if form == "margin" and band.best < _FINE else two
    low, best, high = shown(band.low), shown(band.best), shown(band.high)
    return best if low == high == best else f"{best} ({low} to {high})"


def times_text(band: Band) -> str:
    """A ratio with its band: `1.4 (1.1 to 1.7) times`."""
    return f"{span(band, 'margin')} times"


def sentence(one: RegionStrength, law: Law, nozzle_c: float | None = None) -> str:
    """What the region bears and what limits it. nozzle_c : at which it is printed, where that is known."""
    if one.case is not None:
        hollow = one.arm is not None and one.arm.share < HOLLOW
        return load_sentence(one.case, law, nozzle_c, hollow=hollow)
    if one.fault:
        return f"Its load makes no sum: {one.fault}."
    if one.across is None:
        along = "" if one.along is None else f" Along its beads it bears {span(one.along)} MPa."
        return f"No layer of it rests on solid beads, so nothing is told across its layers.{along}"
    bond = "" if one.bond_min is None else f"; least healed is the weld of layer {one.weakest_layer}, to "
    bond += "" if one.bond_min is None else f"{round(100 * one.bond_min.best)} %"
    besides = " but for layers that count as no strength" if len(one.welds.transition) else ""
    return (
        f"Across its layers it bears {span(one.across)} MPa{besides}{bond}. No load is declared, so no margin "
        "is told."
    )


def load_sentence(case: LoadCase, law: Law, nozzle_c: float | None = None, *, hollow: bool = False) -> str:
    """What a load asks, what is allowed, and what would help. nozzle_c : as `sentence`. hollow : whether the arm's
    layers rest on little that is solid."""
    if case.squeeze_mm is not None and case.opening_mm <= 0:
        play = f"{-case.opening_mm:.3g} mm of play" if case.opening_mm < 0 else "no squeeze"
        return f"Has {play} as drawn: it is loose, and only what comes out larger holds it."
    way = _WAYS[case.limits]
    asked = f"{_deed(case)}: strain {percent(case.demand.best)} {way}, {percent(case.allowed.best)} allowed"
    if case.margin is None:
        return f"{asked}; no margin is told: {case.refused}."
    head = f"{asked}, margin {span(case.margin, 'margin')}."
    if case.crooked is not None:
        head += f" Put on at the kit's tilt: {span(case.crooked, 'margin')}."
    return f"{head} {_verdict(case)} {_force(case)} {_advice(case, law, nozzle_c, hollow)}"


def _deed(case: LoadCase) -> str:
    mm = f"{case.opening_mm:.3g} mm"
    return {
        "open_ring": f"Opens by {mm} to go on",
        "cantilever": f"Bends by {mm} to snap in",
        "annular": f"Widens by {mm} to go on",
        "press": f"Is widened by {mm}",
        "key": f"Is squeezed by {mm}",
    }[case.kind]


def _verdict(case: LoadCase) -> str:
    """What the margins mean, the worse of straight and crooked."""
    band = case.crooked if case.crooked is not None else case.margin
    assert band is not None and case.to_break is not None
    if case.to_break.high < 1.0:
        return "Expect it to break."
    if case.to_break.best < 1.0:
        return "It may well break the first time."
    if band.best < 1.0:
        return "Beyond the design limit: it may hold once and break later."
    return "Within the design limit, but not for sure." if band.low < 1.0 else "Within the design limit."


def _force(case: LoadCase) -> str:
    if case.push_n is None:
        return "By these numbers it locks: it can't be pushed on."
    hand = ", more than a hand gives" if case.push_n.best > HAND_N else ""
    return f"It takes a push of about {span(case.push_n)} N{hand}."


def _advice(case: LoadCase, law: Law, nozzle_c: float | None, hollow: bool) -> str:
    """What heat and beads do to what limits it."""
    if case.kind in _FITS:
        return "A fit holds by its grip: the notes say how much of it lasts."
    if case.limits == "along":
        return (
            "Limited along its beads: heat buys nothing here, and more beads make it stiffer, not safer; the "
            "shape decides."
        )
    solid = "its weakest layer is not solid, and that comes first; " if hollow else ""
    return (
        f"Limited between its layers: {solid}{_heat(law, nozzle_c)}; lower and wider beads help, and by the model a "
        "younger layer below and less fan."
    )


def _heat(law: Law, nozzle_c: float | None) -> str:
    """What a hotter nozzle would do."""
    peak = law.peak_c
    if peak is None:
        return "heat is not measured for this plastic"
    if nozzle_c is None:
        return f"heat helps up to {peak:g} C at most"
    if nozzle_c >= peak:
        return f"more heat loses (measured peak {peak:g} C, printed at {nozzle_c:.0f} C)"
    ratio = law.nozzle_ratio(np.array([nozzle_c, peak]))
    gain = band_of(ratio[:, 1] / ratio[:, 0])
    if gain.low <= 1.0:
        return f"more heat is {NOT_SHOWN} (measured peak {peak:g} C, printed at {nozzle_c:.0f} C)"
    return f"heat helps, {span(gain, 'margin')} times by {peak:g} C (printed at {nozzle_c:.0f} C)"


def rests_on(law: Law) -> str:
    """What the numbers rest on."""
    table, strength = law.table, law.strength
    if law.own:
        return f"measured on specimens of your own ({law.own}); what they don't tell is of other makers or by a model"
    if strength.across_mpa.flag == "given" or (table and all(point.flag == "given" for point in table)):
        return "measured on this plastic between its layers: your own coupons; the rest of other makers or by a model"
    plastic = PurePath(law.material.like or law.material.name).stem.upper()
    words = {
        "table": f"measured on {plastic} of other makers, not on your filament; fan, age and wall by a model",
        "model": "a model and other makers' data sheets; nothing was measured on your filament",
        "": "other makers' data sheets alone; there is no weld model for this plastic",
    }
    return words[law.nozzle_basis]


def ending(law: Law, treated: str | None) -> dict[str, str]:
    """The four lines each record ends with. treated : what treated against untreated means, where both are known."""
    return {
        "rests_on": rests_on(law),
        "treated_means": treated or "one file alone: `beadwright compare` shows it against the untreated one",
        "side_effects": "look for stringing, a change of gloss at the treated heights, size of the fit, slower layers",
        "check_it": "print five clips treated and five not, pull each open with a luggage scale until it breaks, "
        "write down the ten readings; only such numbers tell for your filament",
    }
