"""Numbers with their provenance: a source, how far to trust it, and how far the truth may lie from it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct

from gcodetools.documents.fields import Flaw
from gcodetools.documents.kinds import Percent

__all__ = [
    "Flag",
    "PercentQuantity",
    "PercentRange",
    "Quantity",
    "Range",
    "Source",
    "Spread",
    "negative",
    "not_positive",
    "outside",
    "spread_flaws",
]

# How far a number may be trusted: read at its source; read in a text that quotes it; from memory; a trade
# fact without a source; computed from other numbers here; chosen so that there is a number; set by the user; measured
# on the user's own specimens and fitted here.
Flag = Literal[
    "verified", "second-hand", "memory", "common practice", "derived", "assumption", "given", "measured"
]
Source = Annotated[str, Meta(min_length=1)]
Spread = tuple[float, float]


class Quantity(Struct, frozen=True, forbid_unknown_fields=True):
    """A number with its source. The unit is in the key that holds it.

    value : the number. spread : (low, high) around it, between which nine of ten lie; without it the number is
    taken as exact.
    """

    example: ClassVar[str] = "{value: 1.27, source: where from, flag: memory}"

    value: float
    source: Source
    flag: Flag
    spread: Spread | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from spread_flaws(self.spread, self.value)

    @staticmethod
    def given(old: Quantity | None, value: float) -> Quantity:
        """What it becomes when a bare number is set from the command line."""
        return Quantity(value, "set on the command line", "given")


class PercentQuantity(Struct, frozen=True, forbid_unknown_fields=True):
    """A percentage with its source, as a fraction.

    value : the number. spread : (low, high) around it, between which nine of ten lie.
    """

    example: ClassVar[str] = "{value: 1.5%, spread: [1%, 2%], source: where from, flag: memory}"

    value: Percent
    source: Source
    flag: Flag
    spread: tuple[Percent, Percent] | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from spread_flaws(self.spread, self.value, percent=True)

    @staticmethod
    def given(old: PercentQuantity | None, value: float) -> PercentQuantity:
        """What it becomes when a bare percentage is set from the command line."""
        return PercentQuantity(value, "set on the command line", "given")


class Range(Struct, frozen=True, forbid_unknown_fields=True):
    """What a setting may be, low to high, with its source. The unit is in the key that holds it."""

    example: ClassVar[str] = "{low: 220, high: 250, source: where from, flag: memory}"

    low: float
    high: float
    source: Source
    flag: Flag

    def flaws(self) -> Iterator[Flaw]:
        if self.low > self.high:
            yield Flaw(("low",), f"{self.low:g} above high, {self.high:g}", "low not above high")


class PercentRange(Struct, frozen=True, forbid_unknown_fields=True):
    """A range of percentages, as fractions."""

    example: ClassVar[str] = "{low: 0%, high: 80%, source: where from, flag: memory}"

    low: Annotated[Percent, Meta(ge=0, le=1)]
    high: Annotated[Percent, Meta(ge=0, le=1)]
    source: Source
    flag: Flag

    def flaws(self) -> Iterator[Flaw]:
        if self.low > self.high:
            yield Flaw(("low",), f"{self.low:.0%} above high, {self.high:.0%}", "low not above high")


def spread_flaws(spread: Spread | None, value: float, percent: bool = False) -> Iterator[Flaw]:
    """A spread that does not lie around its value."""
    if spread is not None and not spread[0] <= value <= spread[1]:
        low, high, middle = (_number(one, percent) for one in (*spread, value))
        yield Flaw(("spread",), f"[{low}, {high}]", f"[low, high] around {middle}")


def not_positive(struct: Struct, keys: tuple[str, ...]) -> Iterator[Flaw]:
    """Values of these keys that are not above 0."""
    for key in keys:
        if getattr(struct, key).value <= 0:
            yield Flaw((key, "value"), f"{getattr(struct, key).value:g}", "a number above 0")


def negative(struct: Struct, keys: tuple[str, ...]) -> Iterator[Flaw]:
    """Values of these keys that are below 0."""
    for key in keys:
        if getattr(struct, key).value < 0:
            yield Flaw((key, "value"), f"{getattr(struct, key).value:g}", "a number of at least 0")


def outside(
    struct: Struct, keys: tuple[str, ...], low: float, high: float = float("inf"), above: bool = False
) -> Iterator[Flaw]:
    """Values and spreads of these keys beyond low..high; `above` wants more than low. Absent keys pass."""
    for key in keys:
        held: Quantity | PercentQuantity | None = getattr(struct, key)
        if held is None:
            continue
        percent = isinstance(held, PercentQuantity)
        least, most = _number(low, percent), _number(high, percent)
        bound = f"above {least}" if above else f"of at least {least}"
        if high != float("inf"):
            bound = f"from {'above ' if above else ''}{least} to {most}"
        for one, where in [(held.value, "value"), *((end, "spread") for end in held.spread or ())]:
            if one < low or one > high or (above and one == low):
                yield Flaw((key, where), _number(one, percent), f"a {_kind(percent)} {bound}")
                break


def _kind(percent: bool) -> str:
    return "percentage" if percent else "number"


def _number(value: float, percent: bool) -> str:
    return f"{100 * value:g}%" if percent else f"{value:g}"
