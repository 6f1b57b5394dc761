"""A document read by a table: what it says in our own names, from which key, and what is not told.

Values are exact fractions in our units; see `names`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from typing import Literal

from gcodetools.records import dataclass
from gcodetools.slicer_settings.document import Document, Stated, shown, shown_section, shown_value
from gcodetools.slicer_settings.names import NAMES
from gcodetools.slicer_settings.tables import Key, Table
from gcodetools.slicer_settings.values import Cell, Number, cells_of, flag_of, number_in, text_of

__all__ = ["Conflict", "Profile", "Reading", "Value", "read_profile"]

State = Literal["value", "open", "expression", "share", "absent", "unreadable"]
Value = Fraction | str | bool
_UNITS = {
    "percent": Fraction(1, 100),
    "per_minute": Fraction(1, 60),
    "inverse": Fraction(1),
    None: Fraction(1),
}
_MOST_KINDS = 64  # different things said of one name, beyond which no more are held against each other
_NOTHING = ("", "nil", "null", "none", "inherit", "default")


@dataclass(frozen=True, slots=True)
class Reading:
    """What one cell says.

    tool : the tool it is for, None for all. step : its number where the cells are steps. state : `value`; `open`
    where a 0 leaves it to others; `expression`; `share` of a key that is not known; `absent` where nothing stands
    there; `unreadable`. value : in our unit. number : its digits in the file, None where it has none. unit : what
    one of the file's number is in our unit, `base` left out. base : the reading that the number multiplies, or that
    holds where it is 0 (`falls_back`).
    """

    name: str
    key: str
    stated: Stated
    cell: Cell
    tool: int | None
    state: State
    value: Value | None = None
    number: Number | None = None
    unit: Fraction = Fraction(1)
    plus: int = 0
    inverse: bool = False
    base: Reading | None = None
    falls_back: bool = False
    step: int | None = None

    @property
    def text(self) -> str:
        """As the file spells it, for people; private values hidden."""
        return shown_value(self.key, self.cell.text.strip())

    def valued(self, number: Fraction, base: Fraction | None = None) -> Fraction:
        """What a number in the file's unit is in ours. base : what the base is then, None as it is now."""
        if self.inverse:
            return 1 / number if number else Fraction(0)
        return number * self.unit * self._base(base) + self.plus

    def numbered(self, value: Fraction, base: Fraction | None = None) -> Fraction | None:
        """The number in the file's unit that says a value in ours; None where there is none."""
        if self.inverse:
            return 1 / value if value else None
        factor = self.unit * self._base(base)
        return (value - self.plus) / factor if factor else None

    def _base(self, base: Fraction | None) -> Fraction:
        if self.base is None or self.falls_back:
            return Fraction(1)
        if base is not None:
            return base
        return self.base.value if isinstance(self.base.value, Fraction) else Fraction(1)


@dataclass(frozen=True, slots=True)
class Conflict:
    """Statements of one thing that disagree."""

    name: str
    readings: tuple[Reading, ...]

    @property
    def sentence(self) -> str:
        said = ", ".join(f"{shown(r.key)} = {r.text}{_where(r.stated)}" for r in self.readings)
        return f"{self.name} is stated differently: {said}"


def _where(stated: Stated) -> str:
    if not stated.line:
        return ""
    section = f" in [{shown_section(stated.section)}]" if stated.section else ""
    return f" (line {stated.line}{section})"


@dataclass(frozen=True, slots=True)
class Profile:
    """A document with what its table makes of it.

    readings : by our names, in the order of the file. unknown : statements without a name of ours. tools : the most
    values that a list by tool holds, at least 1. uneven : a sentence where lists by tool differ in their lengths.
    """

    document: Document
    table: Table
    readings: dict[str, tuple[Reading, ...]]
    unknown: tuple[Stated, ...]
    conflicts: tuple[Conflict, ...]
    tools: int
    uneven: tuple[str, ...] = ()

    def of(self, name: str, tool: int | None = None) -> tuple[Reading, ...]:
        """What is said of a name for a tool, or for all tools."""
        found = self.readings.get(name, ())
        return tuple(r for r in found if tool is None or r.tool is None or r.tool == tool)

    def number(self, name: str, tool: int | None = None) -> Fraction | None:
        """The number that holds for a tool (the first, unless told): the first that is stated; of steps the
        largest."""
        found = [r for r in self.of(name, tool if tool is not None else 0) if r.state == "value"]
        numbers = [(r, r.value) for r in found if isinstance(r.value, Fraction)]
        if not numbers:
            return None
        steps = [value for r, value in numbers if r.step is not None and r.stated is numbers[0][0].stated]
        return max(steps) if steps else numbers[0][1]

    def flag(self, name: str, tool: int | None = None) -> bool | None:
        """Whether something is on; None where that is not told."""
        found = [r.value for r in self.of(name, tool or 0) if isinstance(r.value, bool)]
        return found[0] if found else None

    def text(self, name: str, tool: int | None = None) -> str | None:
        """A text; None where none is told."""
        found = [r.value for r in self.of(name, tool or 0) if isinstance(r.value, str)]
        return found[0] if found else None


def read_profile(document: Document, table: Table, section: str | None = None) -> Profile:
    """Read a document by a table. section : look at statements under this section alone."""
    stated = [s for s in document.stated if section is None or s.section.lower() == section.lower()]
    by_key: dict[str, list[Stated]] = {}
    for one in stated:
        by_key.setdefault(one.key, []).append(one)
    reader = _Reader(table, by_key)
    readings: dict[str, list[Reading]] = {}
    unknown: list[Stated] = []
    for one in stated:
        key = table.keys.get(one.key)
        if key is not None and reader.counts(key, one):
            readings.setdefault(key.name, []).extend(reader.cells(one, key))
        elif key is None and not reader.in_lists(one.key):
            unknown.append(one)
    for reading in reader.lists():
        readings.setdefault(reading.name, []).append(reading)
    # Every cell of a per-tool list counts, so that a list of one does not hide that there are four tools.
    tools = max((r.tool + 1 for found in readings.values() for r in found if r.tool is not None), default=1)
    ordered = {name: tuple(readings[name]) for name in NAMES if name in readings}
    uneven = tuple(_uneven(ordered))
    return Profile(document, table, ordered, tuple(unknown), tuple(_conflicts(ordered)), tools, uneven)


class _Reader:
    """Reads the statements of a document by a table."""

    def __init__(self, table: Table, by_key: dict[str, list[Stated]]) -> None:
        self.table, self.by_key = table, by_key

    def beside(self, spelled: str, stated: Stated) -> list[Stated]:
        """What is said by a key where another statement stands: in its section, else at the top, else anywhere."""
        found = self.by_key.get(spelled, [])
        for section in (stated.section, ""):
            mine = [one for one in found if one.section == section]
            if mine:
                return mine
        return found

    def counts(self, key: Key, stated: Stated) -> bool:
        """Whether a key is in force, by the values of others."""
        return all(
            text.lower()
            in [text_of(cell).lower() for s in self.beside(other, stated) for cell in cells_of(s)]
            for other, text in key.when.items()
        )

    def cells(self, stated: Stated, key: Key) -> list[Reading]:
        """What a statement says, a reading a tool."""
        if NAMES[key.name].unit == "text" and key.name != "filament_type":
            text = stated.text
            cells: tuple[Cell, ...] = (Cell(text, stated.items[0].start if stated.items else 0),)
        else:
            cells = cells_of(stated)
        if key.lists == "modes":
            cells = cells[:1]
        many = len(cells) > 1
        return [
            self.reading(stated, key, cell, index if many else stated.tool)
            for index, cell in enumerate(cells)
        ]

    def reading(self, stated: Stated, key: Key, cell: Cell, tool: int | None) -> Reading:
        name = NAMES[key.name]
        plain = Reading(key.name, stated.key, stated, cell, tool, "unreadable")
        bare = text_of(cell)
        if not stated.whole:
            return plain
        if bare.lower() in _NOTHING:
            return replace(plain, state="absent")
        if name.unit == "text":
            return replace(plain, state="value", value=shown_value(stated.key, bare))
        if name.unit == "flag":
            flag = flag_of(cell)
            return plain if flag is None else replace(plain, state="value", value=flag)
        number = number_in(cell)
        if number is None:
            return replace(plain, state="expression") if _computed(bare) else plain
        return self.numeric(replace(plain, number=number), key, number)

    def numeric(self, plain: Reading, key: Key, number: Number) -> Reading:
        """A reading of a number."""
        name = NAMES[key.name]
        unit, base_key = _UNITS[key.unit], key.of
        if number.percent:
            relative = name.unit not in ("share", "ratio") and key.of is None
            unit, base_key = Fraction(1, 100), key.share_of if relative else key.of
            if relative and base_key is None:
                return replace(plain, state="share")
        base = self.base(base_key, plain)
        if base_key is not None and (base is None or not isinstance(base.value, Fraction)):
            return replace(plain, state="share")
        if number.value == 0 and name.open_at_zero:
            base = self.base(key.zero_of, plain)
            if base is None or not isinstance(base.value, Fraction):
                return replace(plain, state="open")
            return replace(plain, state="value", value=base.value, unit=unit, base=base, falls_back=True)
        if key.unit == "inverse" and number.value < 0:
            return plain
        told = replace(
            plain, state="value", unit=unit, plus=key.plus, inverse=key.unit == "inverse", base=base
        )
        return replace(told, value=told.valued(number.value))

    def base(self, spelled: str | None, plain: Reading) -> Reading | None:
        """The reading of another key, in the same section and for the same tool."""
        if spelled is None or spelled not in self.by_key:
            return None
        key = self.table.keys[spelled]
        found = [r for s in self.beside(spelled, plain.stated) for r in self.cells(s, key)]
        return next((r for r in found if _meet(r.tool, plain.tool)), None)

    def in_lists(self, spelled: str) -> bool:
        """Whether a key is one of the parallel lists."""
        heaters, fan = self.table.heaters, self.table.fan_steps
        mine = [heaters.temperatures, heaters.is_bed, heaters.counts] if heaters else []
        return spelled in mine + ([fan.layers, fan.speeds] if fan else [])

    def lists(self) -> Iterable[Reading]:
        """Readings of the parallel lists."""
        yield from self.heaters()
        yield from self.fan_steps()

    def heaters(self) -> Iterable[Reading]:
        keys = self.table.heaters
        for stated in self.by_key.get(keys.temperatures, ()) if keys else ():
            yield from self.heaters_of(stated)

    def heaters_of(self, stated: Stated) -> Iterable[Reading]:
        keys = self.table.heaters
        assert keys is not None
        others = [self.beside(one, stated) for one in (keys.is_bed, keys.counts)]
        if not all(others):
            return
        temperatures, is_bed, counts = (_numbers(one) for one in (stated, *(o[0] for o in others)))
        if temperatures is None or is_bed is None or counts is None:
            return
        if len(is_bed) != len(counts) or sum(n.value for _, n in counts) != len(temperatures):
            return
        heads = sum(1 for _, number in is_bed if number.value == 0)
        at, head = 0, 0
        for (_, bed), (_, count) in zip(is_bed, counts, strict=True):
            mine = temperatures[at : at + int(count.value)]
            at += int(count.value)
            tool = head if heads > 1 and not bed.value else None
            head += not bed.value
            kind = "bed_c" if bed.value else "nozzle_c"
            for place, (cell, number) in enumerate(mine):
                for name in [f"first_{kind}"] * (place == 0) + [kind] * (place == len(mine) - 1 or place > 0):
                    state: State = "open" if number.value == 0 and NAMES[name].open_at_zero else "value"
                    value = number.value if state == "value" else None
                    yield Reading(name, stated.key, stated, cell, tool, state, value, number)

    def fan_steps(self) -> Iterable[Reading]:
        keys = self.table.fan_steps
        for stated in self.by_key.get(keys.speeds, ()) if keys else ():
            yield from self.fan_steps_of(stated)

    def fan_steps_of(self, stated: Stated) -> Iterable[Reading]:
        keys = self.table.fan_steps
        assert keys is not None
        others = self.beside(keys.layers, stated)
        layers, speeds = _numbers(others[0]) if others else None, _numbers(stated)
        if layers is None or speeds is None or len(layers) != len(speeds):
            return
        percent = _UNITS["percent"]
        for step, (cell, number) in enumerate(speeds):
            value = number.value * percent
            yield Reading(
                "fan_max", keys.speeds, stated, cell, None, "value", value, number, percent, step=step
            )
        blown = [layer for (_, layer), (_, speed) in zip(layers, speeds, strict=True) if speed.value > 0]
        if blown:
            cell, head = layers[0][0], others[0]
            off = max(blown[0].value - 1, Fraction(0))
            yield Reading("fan_off_layers", keys.layers, head, cell, None, "value", off)


def _numbers(stated: Stated) -> list[tuple[Cell, Number]] | None:
    """The cells of a list of numbers, None where one of them is none."""
    found = [(cell, number_in(cell)) for cell in cells_of(stated)]
    numbers = [(cell, number) for cell, number in found if number is not None]
    return numbers if len(numbers) == len(found) and stated.whole else None


def _computed(text: str) -> bool:
    return text.startswith("=") or any(one in text for one in "{}[]()*/+")


def _conflicts(readings: dict[str, tuple[Reading, ...]]) -> Iterable[Conflict]:
    """Names of which two statements say different things for one tool."""
    for name, found in readings.items():
        valued = [r for r in found if r.value is not None]
        # One of each thing said: a key may stand there a million times.
        kinds = list(
            {(r.tool, r.value, r.step, r.key, r.stated.section): r for r in reversed(valued)}.values()
        )[::-1]
        kinds = kinds[:_MOST_KINDS]
        differing: list[Reading] = []
        for k, one in enumerate(kinds):
            for other in kinds[:k]:
                apart = one.stated is not other.stated and _meet(one.tool, other.tool)
                if apart and one.value != other.value:
                    differing += [r for r in (other, one) if r not in differing]
        if differing:
            yield Conflict(name, tuple(differing))


def _uneven(readings: dict[str, tuple[Reading, ...]]) -> Iterable[str]:
    """A sentence on lists by tool that are not equally long."""
    lengths: dict[int, dict[str, None]] = {}
    for found in readings.values():
        counts = Counter(id(r.stated) for r in found if r.tool is not None)
        for one in found:
            if (count := counts[id(one.stated)]) > 1:
                lengths.setdefault(count, {})[shown(one.key)] = None
    if len(lengths) > 1:
        told = [f"{', '.join(list(keys)[:3])} for {count}" for count, keys in sorted(lengths.items())]
        yield f"lists by tool differ in their lengths: {'; '.join(told)} tools"


def _meet(one: int | None, two: int | None) -> bool:
    return one is None or two is None or one == two
