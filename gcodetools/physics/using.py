"""What a plastic may be asked for in use: snaps, cycles, years, temperature.

Each rule gives a value, a sentence and what it rests on. Strain as a share, stress MPa, temperatures C.
"""

from __future__ import annotations

from gcodetools.physics.demands import Flag, need
from gcodetools.records import dataclass

__all__ = ["Rule", "ageing_rule", "fatigue_stress", "held_share", "strain_limit", "temperature_rule"]

_OFTEN = 300  # "hundreds of cycles" of the repeated-use rule (memory)
_MINUTES_A_YEAR = 365.0 * 24.0 * 60.0
_BELOW_GLASS_C = 25.0
_SHARE_OF_ONCE = 0.6


@dataclass(frozen=True, slots=True)
class Rule:
    """value : None where nothing can be said. refused : no strength is to be given at all."""

    value: float | None
    text: str
    flag: Flag
    refused: bool = False


def strain_limit(once: float, repeated: float | None, times: int) -> Rule:
    """Strain that may be asked for in `times` snaps.

    once for a single snap, repeated for more. Repeated use gets 60 per cent of a single snap's strain (a maker's
    note on short-term strain, verified), which stands in where `repeated` is None; that this lasts for hundreds of
    snaps is memory, and for more nothing is measured.
    """
    need(once=once)
    if times <= 1:
        return Rule(once, "the limit is that of a single snap", "verified")
    limit = _SHARE_OF_ONCE * once if repeated is None else repeated
    if times <= _OFTEN:
        return Rule(
            limit, f"the limit is that of {times} snaps, 60 % of a single snap's strain by rule", "memory"
        )
    text = f"{times:,} snaps: the rule for repeated use holds for hundreds; for more nothing is measured"
    return Rule(limit, text, "assumed")


def fatigue_stress(
    times: float, *, coefficient_mpa: float, exponent: float, from_cycles: float, to_cycles: float
) -> Rule:
    """Greatest stress of a pulsating load that breaks after `times`, sigma = coefficient N^-exponent, MPa.

    Only between from_cycles and to_cycles, None outside. PETG: 367 N^-0.306 for 1e4 to 2e5, fitted to Martins et al.
    2024, Polymers 16 1868 (second-hand): flat bars with roads at +-45 degrees, R = 0.2, not across layers.
    """
    need(times=times, coefficient_mpa=coefficient_mpa)
    if from_cycles <= times <= to_cycles:
        text = (
            f"breaks after {times:,.0f} cycles, half of them sooner; measured along roads, not across layers"
        )
        return Rule(coefficient_mpa * times**-exponent, text, "second-hand")
    where = "fewer" if times < from_cycles else "more"
    text = (
        f"{times:,.0f} cycles: measured from {from_cycles:,.0f} to {to_cycles:,.0f} only, nothing for {where}"
    )
    return Rule(None, text, "second-hand")


def held_share(years: float, exponent: float) -> Rule:
    """Share of the force of the first minute that is left in a part held strained: (t / min)^-n.

    n 0.02 to 0.05 for PETG, ABS and PC at room temperature (memory). PETG creep of 5 per cent of the elastic strain
    after 5 h and 10 after 20 h at half of the strength (Stankevics 2025, Polymers 17 2075, second-hand) has a
    local n of 0.034; it was measured for a day, so that years are a long way out.
    """
    need(years=years)
    left = min(1.0, (years * _MINUTES_A_YEAR) ** -exponent)
    text = f"held strained, {100.0 * left:.0f} % of its first force is left after {_span(years)}"
    return Rule(left, f"{text}; creep is measured for 20 hours", "memory")


def temperature_rule(low_c: float, high_c: float, glass_c: float) -> Rule:
    """Whether strength can be given for a range of temperatures; the value is the highest that is allowed.

    Plastics lose their strength within 20 degrees of their glass transition (common practice, no source); 25 leave
    room for a sunlit part and for the spread of the transition. Nothing is known below 0.
    """
    most = glass_c - _BELOW_GLASS_C
    if high_c > most:
        text = f"{high_c:g} C is within {_BELOW_GLASS_C:g} C of where it softens, {glass_c:g} C"
        return Rule(most, f"{text}: it goes limp and creeps; at most {most:g} C", "common practice", True)
    if low_c < 0.0:
        return Rule(
            most, f"{low_c:g} C: below 0 C nothing is measured; plastics snap more easily there", "assumed"
        )
    return Rule(most, f"may be used up to {most:g} C", "common practice")


def ageing_rule(years: float, embrittled_after_years: float | None) -> Rule:
    """Whether a part is still as tough after `years`; the value is how many years it is known to be.

    PETG of three makers became brittle after the equivalent of one year at 25 C (Yost 2025, RSC Applied Polymers,
    abstract, verified). By how much the strain it bears falls was not given.
    """
    need(years=years)
    if embrittled_after_years is None:
        return Rule(None, "how it ages is not measured", "assumed")
    if years >= embrittled_after_years:
        text = f"embrittled after about {_span(embrittled_after_years)} at 25 C; by how much is not measured"
        return Rule(embrittled_after_years, text, "verified")
    return Rule(
        embrittled_after_years,
        f"younger than the {_span(embrittled_after_years)} that embrittle it",
        "verified",
    )


def _span(years: float) -> str:
    """A time as people say it."""
    if years < 0.1:
        days = max(years * 365.0, 0.01)
        return "a day" if 0.95 <= days <= 1.05 else f"{days:.2g} days"
    return "a year" if years == 1 else f"{years:g} years"
