"""The settings block, raw and in our own names, and what a start macro says."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field

import numpy as np

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import Convention, load_convention
from gcodetools.marks.recognise import Sifter, literal_head
from gcodetools.marks.types import Marks

__all__ = ["Settings", "find_settings", "macro_nozzle"]

_MACRO_WORDS = ("EXTRUDER", "EXTRUDER_TEMP", "TEMP", "HOTEND", "HOTEND_TEMP", "NOZZLE", "NOZZLE_TEMP")
_MACRO = re.compile(rb"(?i)^\s*[A-Z_][A-Z0-9_]*\s+.*=")
_PAIR = re.compile(rb"(?i)([A-Z_][A-Z0-9_]*)\s*=\s*([-+]?[0-9.]+)")


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings in our own names, None where the file has none; `raw` as the file spells them."""

    filament_diameter_mm: float | None = None
    nozzle_diameter_mm: float | None = None
    density_g_cm3: float | None = None
    layer_height_mm: float | None = None
    first_layer_height_mm: float | None = None
    nozzle_c: float | None = None
    first_nozzle_c: float | None = None
    bed_c: float | None = None
    filament_type: str | None = None
    filament_cost: float | None = None
    raw: dict[str, str] = field(default_factory=dict, repr=False)


def find_settings(sifter: Sifter, marks: Marks) -> Settings:
    """Read the settings block of a file."""
    table = load_convention(marks.convention)
    raw = _raw(sifter, table)
    if marks.convention == "A":
        raw |= _pieces(sifter)
    own: dict[str, float | str | None] = {}
    for name, keys in table.names.items():
        text = next((raw[key] for key in keys if raw.get(key)), None)
        own[name] = text if name == "filament_type" else _first_number(text)
    return Settings(**own, raw=raw)  # type: ignore[arg-type]


def _raw(sifter: Sifter, table: Convention) -> dict[str, str]:
    if table.setting is None:
        return {}
    pattern = re.compile(table.setting)
    raw: dict[str, str] = {}
    for index in _outside_print(sifter, literal_head(table.setting)):
        found = pattern.fullmatch(sifter.text(index))
        if found:
            raw.setdefault(found["key"].strip(), found["value"].strip())
    return raw


def _outside_print(sifter: Sifter, head: str) -> list[int]:
    """Comments before the first bead and behind the last, where settings stand; marks between are many."""
    moves = sifter.program.moves
    beads = np.flatnonzero(moves.e > 0)
    if len(beads) == 0:
        return sifter.starting(head).tolist()
    first, last = int(moves.line[beads[0]]), int(moves.line[beads[-1]])
    index = sifter.starting(head)
    line = sifter.line[index]
    return index[(line < first) | (line > last)].tolist()


def _pieces(sifter: Sifter) -> dict[str, str]:
    """Settings as JSON cut over many comment lines, each value an INI text of its own."""
    head = ";SETTING_3 "
    texts = [sifter.text(k) for k in sifter.starting(head).tolist()]
    joined = "".join(text[len(head) :] for text in texts if text.startswith(head))
    try:
        document = json.loads(joined) if joined else {}
    except ValueError:
        return {}
    raw: dict[str, str] = {}
    values = [v for item in document.values() for v in (item if isinstance(item, list) else [item])]
    for text in values:
        for line in str(text).replace("\\n", "\n").splitlines():
            key, equals, value = line.partition(" = ")
            if equals:
                raw.setdefault(key.strip(), value.strip())
    renamed = {"material_print_temperature": "temperature", "material_diameter": "filament_diameter"}
    return raw | {new: raw[old] for old, new in renamed.items() if old in raw}


def _first_number(text: str | None) -> float | None:
    """The first number of a value; of a list of tools the first tool's. None if it is 0 or no number."""
    found = re.match(r"\s*\[?\s*([-+]?[0-9]*\.?[0-9]+)", text or "")
    value = float(found.group(1)) if found else 0.0
    return value or None


def macro_nozzle(program: Program, before_line: int) -> float | None:
    """Nozzle temperature that a start macro's words name before a line: EXTRUDER, TEMP, HOTEND, NOZZLE."""
    data, start = program.lines.data, program.lines.start
    head = data[: int(start[before_line])]
    for line in head.split(b"\n"):
        if not _MACRO.match(line) or line.lstrip()[:1] in (b";", b"("):
            continue
        words = {
            k.upper().decode(): float(v) for k, v in _PAIR.findall(line.split(b";", 1)[0]) if v.strip(b"+-.")
        }
        for name in _MACRO_WORDS:
            if words.get(name, 0.0) > 100.0:
                return words[name]
    return None
