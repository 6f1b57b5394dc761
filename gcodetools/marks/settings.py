"""The settings block, raw and in our own names, and what a start macro says."""

from __future__ import annotations

import json
import re
from dataclasses import field

import numpy as np

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import Convention, load_convention
from gcodetools.marks.sifter import NUMBER, Sifter, literal_head
from gcodetools.marks.types import Marks
from gcodetools.records import dataclass

__all__ = ["Settings", "find_settings", "macro_nozzle", "read", "statement_comments"]

_PAIR = re.compile(rb"([A-Z_][A-Z0-9_]*)\s*=\s*([-+]?[0-9]*\.?[0-9]+)(?![\w.])", re.I)
_MACRO = re.compile(rb"\s*[A-Z_][A-Z_]+[A-Z0-9_]*\s+[^;]*=", re.I)
_VARIABLE = re.compile(rb"VARIABLE\s*=\s*['\"]?(\w+)['\"]?\s+VALUE\s*=\s*([0-9.]+)", re.I)
_COLDEST_C, _HOTTEST_C = 100.0, 600.0  # outside, a macro's number is no nozzle temperature
_TEXTS = ("filament_type",)


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings in our own names, None where the file has none; of a list of tools the first tool's.

    limits : machine limits, such as `accel_x` mm/s2, `speed_x` mm/s, `jerk_x` mm/s. raw : keys and values as
    the file spells them, the first of each key.
    """

    filament_diameter_mm: float | None = None
    nozzle_diameter_mm: float | None = None
    density_g_cm3: float | None = None
    layer_height_mm: float | None = None
    first_layer_height_mm: float | None = None
    extrusion_width_mm: float | None = None
    nozzle_c: float | None = None
    first_nozzle_c: float | None = None
    bed_c: float | None = None
    filament_type: str | None = None
    filament_cost: float | None = None
    min_layer_time_s: float | None = None
    limits: dict[str, float] = field(default_factory=dict, repr=False)
    raw: dict[str, str] = field(default_factory=dict, repr=False)


def read(program: Program, marks: Marks) -> Settings:
    """Settings of a file."""
    return find_settings(Sifter(program), marks)


def find_settings(sifter: Sifter, marks: Marks) -> Settings:
    """Settings of a file, by its convention's table."""
    table = load_convention(marks.convention)
    raw = _raw(sifter, table, marks)
    if table.pieces is not None:
        raw |= {key: value for key, value in _pieces(sifter, table.pieces).items() if key not in raw}
    own: dict[str, float | str | None] = {name: _own(name, keys, raw) for name, keys in table.names.items()}
    own |= {key: value for key, value in _setpoints(table, raw).items() if own.get(key) is None}
    limits = {name: _own(name, keys, raw) for name, keys in table.limits.items()}
    known = {name: value for name, value in limits.items() if isinstance(value, float)}
    return Settings(**own, limits=known, raw=raw)  # type: ignore[arg-type]


def _raw(sifter: Sifter, table: Convention, marks: Marks) -> dict[str, str]:
    raw: dict[str, str] = {}
    patterns = [re.compile(pattern) for pattern in table.settings]
    for index in statement_comments(sifter, table, marks):
        text = sifter.text(index)
        found = next((m for pattern in patterns if (m := pattern.fullmatch(text))), None)
        if found is not None:
            raw.setdefault(found["key"].strip(), found["value"].strip())
    return raw


def statement_comments(sifter: Sifter, table: Convention, marks: Marks) -> list[int]:
    """Indices of the comments that may state settings: outside the print, and no marks."""
    marked = tuple(_mark_heads(table))
    outside = _outside_print(sifter, marks, table) if table.settings else []
    return [index for index in outside if not (marked and sifter.text(index).startswith(marked))]


def _mark_heads(table: Convention) -> list[str]:
    """How marks start, where that is more than any comment's start."""
    patterns = [table.layer, table.z, table.height, table.width, *table.progress]
    patterns += [table.feature.mark if table.feature else None, *(pair.begin for pair in table.objects)]
    heads = [literal_head(pattern) for pattern in patterns if pattern is not None]
    return [head for head in heads if len(head) > len("; ")]


def _outside_print(sifter: Sifter, marks: Marks, table: Convention) -> list[int]:
    """Comments before the first layer and behind the last bead, where settings stand; between are marks."""
    wanted = np.zeros(len(sifter.line), bool)
    for pattern in table.settings:
        wanted[sifter.starting(literal_head(pattern))] = True
    index = np.flatnonzero(wanted)
    moves = sifter.program.moves
    beads = np.flatnonzero(moves.e > 0)
    if len(beads) == 0:
        return list(map(int, index))
    first, last = int(moves.line[beads[0]]), int(moves.line[beads[-1]])
    if len(marks.layer_line):
        first = min(first, int(marks.layer_line[0]))
    line = sifter.line[index]
    return list(map(int, index[(line < first) | (line > last)]))


def _pieces(sifter: Sifter, head: str) -> dict[str, str]:
    """Settings as JSON cut over many comment lines; its values are texts of `key = value` lines."""
    joined = "".join(sifter.text(k)[len(head) :] for k in sifter.starting(head).tolist())
    try:
        document = json.loads(joined) if joined else {}
    except ValueError:
        return {}
    values = document.values() if isinstance(document, dict) else []
    texts = [text for value in values for text in (value if isinstance(value, list) else [value])]
    raw: dict[str, str] = {}
    for line in "\n".join(map(str, texts)).replace("\\n", "\n").splitlines():
        key, equals, value = line.partition(" = ")
        if equals:
            raw.setdefault(key.strip(), value.strip())
    return raw


def _own(name: str, keys: tuple[str, ...], raw: dict[str, str]) -> float | str | None:
    for key in keys:
        value = _first_text(raw.get(key, "")) if name in _TEXTS else _first_number(raw.get(key, ""))
        if value is not None:
            return value
    return None


def _first_text(text: str) -> str | None:
    return re.split(r"[;,]", text)[0].strip(" \"'") or None


def _first_number(text: str) -> float | None:
    """The first number of a value that is a number or a list of them.

    None if it is 0 (by which files say that they leave it open), a percentage, an expression or a text.
    """
    found = re.match(rf"[\s\[\"]*({NUMBER})\s*(?:mm)?\s*(?=[,;|\]\"]|$)", text)
    return (float(found.group(1)) or None) if found else None


def _setpoints(table: Convention, raw: dict[str, str]) -> dict[str, float]:
    """Temperatures where heaters share parallel lists: each has `counts` setpoints, the first for the first
    layer, the last for the layers after."""
    if table.setpoints is None:
        return {}
    lists = [
        re.findall(NUMBER, raw.get(key, ""))
        for key in (table.setpoints.temperatures, table.setpoints.is_bed, table.setpoints.counts)
    ]
    temperatures, is_bed, counts = ([float(number) for number in numbers] for numbers in lists)
    if len(is_bed) != len(counts) or sum(counts) != len(temperatures):
        return {}
    result: dict[str, float] = {}
    at = 0
    for bed, count in zip(is_bed, counts, strict=True):
        mine = [value for value in temperatures[at : at + int(count)] if value > 0]
        at += int(count)
        if mine and bed:
            result.setdefault("bed_c", mine[-1])
        elif mine:
            result.setdefault("first_nozzle_c", mine[0])
            result.setdefault("nozzle_c", mine[-1])
    return result


def macro_nozzle(program: Program, before_line: int) -> float | None:
    """Nozzle temperature that a start macro's words name last before a line (0-based), C.

    Words are EXTRUDER, HOTEND, NOZZLE, also with a TEMP or TARGET, and TEMP alone; a macro is a command of
    more than one letter, such as `print_start EXTRUDER=215 BED=60`. Numbers that are no nozzle temperature
    (below 100 C: diameters, tool numbers) don't count.
    """
    found = None
    head = program.lines.data[: int(program.lines.start[before_line])]
    for line in head.split(b"\n"):
        if b"=" not in line or not _MACRO.match(line):
            continue
        pairs = _PAIR.findall(line.split(b";", 1)[0]) + _VARIABLE.findall(line)
        for word, number in pairs:
            value = float(number)
            if _means_nozzle(word.decode().upper()) and _COLDEST_C <= value <= _HOTTEST_C:
                found = value
                break
    return found


def _means_nozzle(word: str) -> bool:
    parts = set(word.split("_"))
    named = parts & {"EXTRUDER", "EXT", "HOTEND", "NOZZLE"}
    rest = parts - {"EXTRUDER", "EXT", "HOTEND", "NOZZLE", "TEMP", "TEMPERATURE", "TARGET", "PRINT", ""}
    return not rest and (bool(named) or "TEMP" in parts or "TEMPERATURE" in parts)
