"""What a file says of itself: time, filament, mass, cost."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from gcodetools.marks.conventions import load_convention
from gcodetools.marks.recognise import Sifter
from gcodetools.marks.types import Marks

__all__ = ["Totals", "duration_s", "find_totals"]


@dataclass(frozen=True, slots=True)
class Totals:
    """Stated totals, None where the file is silent.

    meaning : which filament the convention's total counts ("nozzle", "beads", "beads and start code",
    "unknown").
    """

    time_s: float | None
    filament_mm: float | None
    filament_mm3: float | None
    mass_g: float | None
    cost: float | None
    meaning: str


_NUMBER = r"([-+]?[0-9]*\.?[0-9]+)"
_LIST = rf"({_NUMBER}(?:\s*[,;]\s*{_NUMBER})*)"
# (key, literal head, pattern behind it, factor to mm, mm3, g); the first that is above zero holds.
_STATED: tuple[tuple[str, str, str, float], ...] = (
    ("filament_mm", ";Filament used:", rf"\s*{_LIST}m\b", 1000.0),
    ("filament_mm", "; filament used [mm] =", rf"\s*{_LIST}", 1.0),
    ("filament_mm", "; total filament length [mm] :", rf"\s*{_LIST}", 1.0),
    ("filament_mm", ";   Filament length:", rf"\s*{_NUMBER} mm", 1.0),
    ("filament_mm", "; filament used =", rf"\s*{_NUMBER}mm", 1.0),
    ("filament_mm3", "; filament used [cm3] =", rf"\s*{_LIST}", 1000.0),
    # This convention writes cm^3 and means mm3.
    ("filament_mm3", "; total filament volume [cm^3] :", rf"\s*{_LIST}", 1.0),
    ("filament_mm3", ";   Plastic volume:", rf"\s*{_NUMBER} mm\^3", 1.0),
    ("filament_mm3", "; Estimated Build Volume:", rf"\s*{_NUMBER} cm\^3", 1000.0),
    ("filament_mm3", ";EXTRUDER_TRAIN.0.MATERIAL.VOLUME_USED:", rf"\s*{_NUMBER}", 1.0),
    ("mass_g", "; filament used [g] =", rf"\s*{_LIST}", 1.0),
    ("mass_g", "; total filament used [g] =", rf"\s*{_LIST}", 1.0),
    ("mass_g", "; total filament weight [g] :", rf"\s*{_LIST}", 1.0),
    ("mass_g", ";   Plastic weight:", rf"\s*{_NUMBER} g", 1.0),
    ("cost", "; filament cost =", rf"\s*{_LIST}", 1.0),
    ("cost", "; total filament cost =", rf"\s*{_LIST}", 1.0),
    ("time_s", ";TIME:", rf"\s*{_NUMBER}", 1.0),
    ("time_s", ";PRINT.TIME:", rf"\s*{_NUMBER}", 1.0),
    ("time_s", "; Estimated Build Time:", rf"\s*{_NUMBER} minutes", 60.0),
)
_TIMES = (
    ("; estimated printing time (normal mode) =", r"\s*(.+)"),
    ("; model printing time:", r".*total estimated time:\s*(.+)"),
    ("; model printing time:", r"\s*([^;]+)"),
    ("; estimated printing time =", r"\s*(.+)"),
    (";   Build time:", r"\s*(.+)"),
)


def duration_s(text: str) -> float | None:
    """Seconds of `1d 2h 3m 4s`, `3 hours 12 minutes`; None if there is no such thing in it."""
    found = re.findall(r"([0-9]+(?:\.[0-9]+)?)\s*(d|h|m|s)(?:[a-z]*)", text)
    if not found:
        return None
    return sum(float(n) * {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}[unit] for n, unit in found)


def _sum(text: str) -> float:
    return sum(float(n) for n in re.findall(_NUMBER, text))


def find_totals(sifter: Sifter, marks: Marks) -> Totals:
    """Read a file's own totals; lists of tools are summed."""
    found: dict[str, float] = {}
    for key, head, pattern, factor in _STATED:
        for text in _texts(sifter, head):
            match = re.match(pattern, text[len(head) :])
            value = _sum(match.group(1)) * factor if match else 0.0
            if value > 0:
                found.setdefault(key, value)
    for head, pattern in _TIMES:
        for text in _texts(sifter, head):
            match = re.match(pattern, text[len(head) :])
            seconds = duration_s(match.group(1)) if match else None
            if seconds:
                found.setdefault("time_s", seconds)
    meaning = load_convention(marks.convention).total_means
    keys = ("time_s", "filament_mm", "filament_mm3", "mass_g", "cost")
    return Totals(*(found.get(key) for key in keys), meaning=meaning)


def _texts(sifter: Sifter, head: str) -> list[str]:
    index = np.asarray(sifter.starting(head))
    return [text for text in map(sifter.text, index.tolist()) if text.startswith(head)]
