"""Changes of numbers in a document: planned in our units, written in the file's spelling, and nothing else
touched."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Literal

from gcodetools.errors import Fault
from gcodetools.records import dataclass
from gcodetools.slicer_settings.document import Document
from gcodetools.slicer_settings.names import NAMES
from gcodetools.slicer_settings.readings import Profile, Reading
from gcodetools.slicer_settings.values import DECIMALS, respelled

__all__ = ["Change", "Changes", "Edit", "Toward", "edited"]

Toward = Literal["old", "down"]
"""Where a number that can't be written exactly is rounded to: towards what it was, or down, below a cap."""


@dataclass(frozen=True, slots=True)
class Edit:
    """Bytes to put in place of those from start to end."""

    start: int
    end: int
    new: bytes


@dataclass(frozen=True, slots=True)
class Change:
    """One number's change. old, new : in our unit, as written. text : its digits now. rounded : not what was asked,
    but as near as whole numbers come."""

    reading: Reading
    old: Fraction
    new: Fraction
    text: str
    rounded: bool = False


class Changes:
    """What is to be written in place of which numbers.

    Parameters
    ----------
    tool : the tool meant, None for all.
    """

    def __init__(self, profile: Profile, tool: int | None = None) -> None:
        self.profile, self.tool = profile, tool
        self._planned: dict[tuple[bool, int], Change] = {}

    @property
    def planned(self) -> tuple[Change, ...]:
        """All that is planned, in the order of the file."""
        return tuple(
            sorted(self._planned.values(), key=lambda c: (c.reading.stated.line, c.reading.cell.start))
        )

    def targets(self, name: str) -> list[Reading]:
        """What is stated of a name for the tool meant, in whatever state."""
        return list(self.profile.of(name, self.tool))

    def current(self, reading: Reading) -> Fraction | None:
        """What a reading comes to, with all that is planned so far."""
        if not isinstance(reading.value, Fraction) or reading.number is None:
            return reading.value if isinstance(reading.value, Fraction) else None
        own = self._planned.get(_slot(reading))
        base = self.current(reading.base) if reading.base is not None else None
        if own is None and reading.falls_back:
            return base
        number = Fraction(own.text) if own is not None else reading.number.value
        return reading.valued(number, base)

    def want(self, reading: Reading, value: Fraction, toward: Toward = "old") -> bool:
        """Plan a value for a reading; whether that can be said there. Nothing is planned where it holds already, be
        it because another number it rests on is changed."""
        old, number = self.current(reading), reading.number
        assert old is not None and number is not None
        if value == old:
            return True
        base = self.current(reading.base) if reading.base is not None else None
        wanted = reading.numbered(value, base)
        if wanted is None:
            return False
        spelled = _rounded(reading, number.value, wanted, toward)
        text = respelled(number.text, spelled)
        new = reading.valued(Fraction(text), base)
        before = self._planned.get(_slot(reading))
        was = before.old if before is not None else reading.value
        assert isinstance(was, Fraction)
        self._planned[_slot(reading)] = Change(reading, was, new, text, Fraction(text) != wanted)
        if Fraction(text) == number.value:
            del self._planned[_slot(reading)]
        return True

    def edits(self) -> list[Edit]:
        """The edits in order of their places."""
        found: list[Edit] = []
        for change in self._planned.values():
            number = change.reading.number
            assert number is not None
            spans = self.profile.document.spans(change.reading.stated, number.start, number.end)
            for k, (start, end) in enumerate(spans):
                found.append(Edit(start, end, change.text.encode("ascii") if k == 0 else b""))
        return sorted(found, key=lambda edit: edit.start)


def _slot(reading: Reading) -> tuple[bool, int]:
    """A number's place: what a change is kept by, since one number may be read under two names."""
    assert reading.number is not None
    return reading.stated.joined, reading.number.start


def _rounded(reading: Reading, old: Fraction, wanted: Fraction, toward: Toward) -> Fraction:
    """A number as it can be written: whole where all samples and this file have whole ones, else with few decimals."""
    name = NAMES[reading.name]
    share = name.unit == "share" and reading.unit == 1
    whole = name.whole and old.denominator == 1 and reading.base is None and not share
    scale = 1 if whole else 10**DECIMALS
    scaled = wanted * scale
    down = toward == "down" or wanted > old
    return Fraction(math.floor(scaled) if down else math.ceil(scaled), scale)


def edited(document: Document, edits: list[Edit]) -> bytes:
    """The document's bytes with the edits.

    Raises
    ------
    Fault : edits that overlap, or lie outside.
    """
    data, at = document.data, 0
    parts: list[bytes] = []
    for edit in edits:
        if not at <= edit.start <= edit.end <= len(data):
            raise Fault(f"{document.name}: edits of settings overlap at byte {edit.start}")
        parts += [data[at : edit.start], edit.new]
        at = edit.end
    return b"".join([*parts, data[at:]])
