"""Values as files spell them: cells of lists, the number in a cell, and a new number in the spelling of the old
one."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple

from gcodetools.slicer_settings.document import BLANKS, Stated

__all__ = ["DECIMALS", "Cell", "Number", "cells_of", "flag_of", "number_in", "respelled", "text_of"]

DECIMALS = 6  # most that are written; beyond, a number is rounded
_NUMBER = re.compile(
    r"""[ \t]*(?P<quote>"|'|\\")?[ \t]*
    (?P<number>[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)
    [ \t]*(?P<unit>%|mm)?[ \t]*(?P<end>"|'|\\")?[ \t]*
    (?:[ \t][;#].*)?""",
    re.VERBOSE | re.ASCII,
)
_LONGEST = 40  # characters of a number
_SEPARATORS = ";,|"
_LARGEST = Fraction(10) ** 12  # no setting is larger; what claims to be is text
_TRUE, _FALSE = ("1", "true", "yes", "on"), ("0", "false", "no", "off")


class Cell(NamedTuple):
    """One value of a list, or a value that is none: its text and where that begins, as in `Item`."""

    text: str
    start: int


class Number(NamedTuple):
    """A number as it is spelled: its digits, where they begin and end, as in `Item`, and whether a `%` follows."""

    text: str
    start: int
    end: int
    percent: bool

    @property
    def value(self) -> Fraction:
        return Fraction(self.text)


def cells_of(stated: Stated) -> tuple[Cell, ...]:
    """The values of a statement: the items of a list, or what separators part. What stands in quotation marks is not
    parted."""
    if stated.is_list or len(stated.items) != 1:
        return tuple(Cell(item.text, item.start) for item in stated.items)
    item = stated.items[0]
    if not stated.whole:
        return (Cell(item.text, item.start),)
    # What is worked out has its own commas.
    if item.text.startswith("=") or number_in(Cell(item.text, item.start)) is not None:
        return (Cell(item.text, item.start),)
    for separator in _SEPARATORS:
        places = _outside_quotes(item.text, separator)
        if places:
            begins = [0, *(place + 1 for place in places)]
            ends = [*places, len(item.text)]
            return tuple(Cell(item.text[a:b], item.start + a) for a, b in zip(begins, ends, strict=True))
    return (Cell(item.text, item.start),)


def _outside_quotes(text: str, separator: str) -> list[int]:
    if separator not in text:
        return []
    places, inside, escaped = [], False, False
    for place, one in enumerate(text):
        if escaped:
            escaped = False
        elif one == "\\":
            escaped = True
        elif one == '"':
            inside = not inside
        elif one == separator and not inside:
            places.append(place)
    return places


def number_in(cell: Cell) -> Number | None:
    """The number that a cell is, None if it is a text, an expression or nothing."""
    found = _NUMBER.fullmatch(cell.text)
    if found is None or found["quote"] != found["end"]:
        return None
    text = found["number"]
    if len(text) > _LONGEST:
        return None
    exponent = re.search(r"[eE]([-+]?[0-9]+)", text)
    if (exponent and abs(int(exponent[1])) > 30) or abs(Fraction(text)) > _LARGEST:
        return None
    start, end = found.span("number")
    return Number(text, cell.start + start, cell.start + end, found["unit"] == "%")


def text_of(cell: Cell) -> str:
    """A cell without blanks and quotation marks around it."""
    return cell.text.strip(BLANKS + "\"'")


def flag_of(cell: Cell) -> bool | None:
    """Whether a cell says yes or no; None if neither."""
    word = text_of(cell).lower()
    return True if word in _TRUE else False if word in _FALSE else None


def respelled(old: str, new: Fraction) -> str:
    """A number in the spelling of another: with its decimals, or as many more as it needs (at most `DECIMALS`), and
    without a leading zero where the other has none. Exponents are written out."""
    mantissa = re.split("[eE]", old)[0]
    point = mantissa.find(".")
    own = len(mantissa) - point - 1 if point >= 0 else 0
    places = next(
        (n for n in range(own, max(own, DECIMALS) + 1) if (new * 10**n).denominator == 1), max(own, DECIMALS)
    )
    scaled = round(new * 10**places)
    digits = str(abs(scaled)).rjust(places + 1, "0")
    whole, part = digits[: len(digits) - places], digits[len(digits) - places :]
    kept = part.rstrip("0")
    part = part if len(kept) <= own and places == own else kept.ljust(own, "0")
    if mantissa.lstrip("+-").startswith(".") and whole == "0" and part:
        whole = ""
    tail = f".{part}" if part else "." if point >= 0 and own == 0 else ""
    sign = "-" if scaled < 0 else "+" if mantissa.startswith("+") and scaled > 0 else ""
    return f"{sign}{whole}{tail}"
