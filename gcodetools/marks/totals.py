"""What a file says of itself: time, filament, mass, cost."""

from __future__ import annotations

import re

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import Meaning, load_convention
from gcodetools.marks.sifter import NUMBER, Sifter
from gcodetools.marks.types import Marks
from gcodetools.records import dataclass

__all__ = ["Totals", "duration_s", "find_totals", "read"]


@dataclass(frozen=True, slots=True)
class Totals:
    """Stated totals, None where the file is silent; lists of tools are summed.

    meaning : which filament the convention's total counts: "nozzle" the highest point of net E, "beads",
    "beads+start+tower" everything that is laid in motion, or "unknown".
    """

    time_s: float | None = None
    filament_mm: float | None = None
    filament_mm3: float | None = None
    mass_g: float | None = None
    cost: float | None = None
    layers: int | None = None
    meaning: Meaning = "unknown"


# Groups of a table's patterns: the field they fill and the factor to its unit.
_GROUPS = {
    "mm": ("filament_mm", 1.0),
    "m": ("filament_mm", 1000.0),
    "mm3": ("filament_mm3", 1.0),
    "cm3": ("filament_mm3", 1000.0),
    "g": ("mass_g", 1.0),
    "cost": ("cost", 1.0),
    "s": ("time_s", 1.0),
    "min": ("time_s", 60.0),
    "layers": ("layers", 1.0),
}
_UNITS_S = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}


def duration_s(text: str) -> float | None:
    """Seconds of `1d 2h 3m 4s` or `3 hours 12 minutes`; None if there is no such thing in it."""
    found = re.findall(r"([0-9]+(?:\.[0-9]+)?)\s*(d|h|m|s)", text)
    return sum(float(number) * _UNITS_S[unit] for number, unit in found) if found else None


def read(program: Program, marks: Marks) -> Totals:
    """Totals of a file."""
    return find_totals(Sifter(program), marks)


def find_totals(sifter: Sifter, marks: Marks) -> Totals:
    """Totals of a file: for each, the first in the table's order that is above zero."""
    table = load_convention(marks.convention)
    known: dict[str, float] = {}
    for pattern in table.totals:
        for key, value in _stated(sifter, pattern).items():
            known.setdefault(key, value)
    layers = known.pop("layers", None)
    return Totals(**known, layers=None if layers is None else int(layers), meaning=table.total_means)


def _stated(sifter: Sifter, pattern: str) -> dict[str, float]:
    """Field -> value by one pattern: its first statement above zero, summed over the group `tool`."""
    by_tool: dict[str, dict[str, float]] = {}
    for _, found in sifter.matches(pattern):
        groups = found.groupdict()
        mine = by_tool.setdefault(groups.pop("tool", None) or "", {})
        for name, text in groups.items():
            key, value = _value(name, text or "")
            if value:
                mine.setdefault(key, value)
    keys = {key for mine in by_tool.values() for key in mine}
    return {key: sum(mine.get(key, 0.0) for mine in by_tool.values()) for key in sorted(keys)}


def _value(group: str, text: str) -> tuple[str, float]:
    if group == "time":
        return "time_s", duration_s(text) or 0.0
    key, factor = _GROUPS[group]
    return key, sum(map(float, re.findall(NUMBER, text))) * factor
