"""Filled-in sheets: what was asked, what it got, and where each specimen broke.

A spreadsheet may have given the file back with another separator, decimal commas, quotes, blank lines and columns
in another order; all of that is read. A cell that makes no sense is named with its line and column.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import field
from pathlib import Path

from gcodetools.documents.kinds import nearest
from gcodetools.errors import InputError
from gcodetools.records import dataclass
from gcodetools.trials.factors import KINDS
from gcodetools.trials.sheet_csv import ASKED, FACTOR_COLUMNS, GOT, TO_FILL_IN, WHERE

__all__ = ["ANSWERS", "Reading", "Row", "Sheet", "read_sheet", "sheet_of"]

ANSWERS = {"force": "force_n", "cycles": "cycles", "click": "click"}
_KNOWN = (*WHERE, *ASKED, *GOT, *TO_FILL_IN)
_TEXTS = ("part", "layers", "notes")
_PLAIN = tuple(key for key in _KNOWN if key not in (*_TEXTS, "force_n", "cycles"))
_SEPARATORS = (",", ";", "\t")
_MOST_BYTES, _MOST_ROWS = 8 << 20, 2000
_DEGREES, _LENGTH = ("deg c", "degc", "°c", "ºc", "° c", "c"), ("mm",)
_UNITS = {"force_n": ("newtons", "newton", "n"), "cycles": ("cycles", "x"), "nozzle_c": _DEGREES,
          "nozzle_reached_c": _DEGREES, "layer_time_s": ("s",), "width_mm": _LENGTH, "height_mm": _LENGTH,
          "x_mm": _LENGTH, "y_mm": _LENGTH, "z_mm": _LENGTH, "section_mm2": ("mm2", "mm²", "mm^2")}  # fmt: skip
_POUNDS = re.compile(r"(kg|kgf|kp|g|lb|lbs|lbf)$")
_HELD = re.compile(r"\d\s*\+$|held|hold|more than|over|at least", re.IGNORECASE)
# What can be asked at all: beyond it, it is a slip of the pen.
_ASKED_RANGE = {column: (KINDS[name].low, KINDS[name].high) for name, column in FACTOR_COLUMNS.items()}
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?$")
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?$")
_COMMA = re.compile(r"[+-]?(\d+(\.\d{3})*)?,\d+$")


@dataclass(frozen=True, slots=True)
class Reading:
    """What broke, and where. side : 0 it broke at `value`; 1 it held that without breaking; -1 it broke before."""

    value: float
    side: int = 0


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a sheet. line : in the file. numbers : of the columns that hold one. readings : by `ANSWERS`."""

    line: int
    numbers: dict[str, float]
    readings: dict[str, Reading]
    part: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file. said : its comment lines `key: value`. left : columns that nobody here knows."""

    name: str
    rows: tuple[Row, ...]
    columns: tuple[str, ...]
    said: dict[str, str] = field(default_factory=dict)
    left: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def invented(self) -> bool:
        """Whether the sheet says of itself that its numbers are made up."""
        texts = [*self.said, *self.said.values(), *(row.notes for row in self.rows)]
        return any("invented" in text.lower() for text in texts)


def read_sheet(path: Path) -> Sheet:
    """Read a file.

    Raises
    ------
    InputError : not there, no such sheet, or a cell that makes no sense.
    """
    try:
        size = path.stat().st_size
        if size > _MOST_BYTES:
            raise InputError(
                f"{path}: {size / 2**20:.0f} MB, expected the sheet of a ladder, at most {_MOST_BYTES >> 20} MB",
                "Name the CSV that `beadwright ladder` wrote, filled in.",
            )
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise InputError(f"{path}: can't be read: {reason}", "Check the path.") from None
    return sheet_of(data, str(path))


def sheet_of(data: bytes, name: str) -> Sheet:
    """Read the bytes of a file.

    Raises
    ------
    InputError : as `read_sheet`.
    """
    text = _decoded(data, name)
    head, separator = _header(text, name)
    said: dict[str, str] = {}
    rows: list[list[str]] = []
    lines: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    last = 0
    try:
        for cells in reader:
            first, last = last + 1, reader.line_num
            lead = next((cell.strip() for cell in cells if cell.strip()), "")
            if not lead:
                continue
            if lead.startswith("#"):
                key, _, value = separator.join(cells).strip(f' "{separator}').lstrip("# ").partition(":")
                said.setdefault(key.strip().lower(), value.strip())
                continue
            rows.append([cell.strip() for cell in cells])
            lines.append(first)
    except csv.Error as error:
        raise InputError(f"{name}:{reader.line_num}: {error}", "Save it as CSV again.") from None
    if not rows:
        raise InputError(
            f"{name}: no row, expected a header and rows; a quotation mark above them is not closed",
            "Close it, or leave it out.",
        )
    columns = _columns(rows[0], name, lines[0])
    comma = _decimal_comma(rows[1:], columns)
    found = [
        _row(cells, columns, f"{name}:{line}", line, comma)
        for cells, line in zip(rows[1:], lines[1:], strict=True)
    ]
    if len(found) > _MOST_ROWS:
        raise InputError(f"{name}: {len(found)} rows, expected at most {_MOST_ROWS}", "Read it in parts.")
    left = tuple(column for column in columns if column and column not in _KNOWN)
    warnings = tuple(
        f"{name}: column {column}: not known, left aside (is {close} meant?)"
        for column in left
        if (close := nearest(column, [one for one in _KNOWN if one not in columns]))
    )
    return Sheet(name, tuple(found), tuple(head), said, left, warnings)


def _decoded(data: bytes, name: str) -> str:
    if data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise InputError(f"{name}: a spreadsheet's own file, expected CSV text", "Save the sheet as CSV.")
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        return text.replace("\r\n", "\n").replace("\r", "\n")
    raise InputError(f"{name}: no text, expected CSV in UTF-8", "Save the sheet as CSV.")


def _header(text: str, name: str) -> tuple[list[str], str]:
    """The names of the columns and the separator: of those tried, the one that makes most names known."""
    for line in text.split("\n"):
        lead = line.strip(' "\t,;')
        if lead and not lead.startswith("#"):
            break
    else:
        raise InputError(f"{name}: empty, expected a header and rows", "Name the CSV that ladder wrote.")
    tried = {one: [_name(cell) for cell in next(csv.reader([line], delimiter=one))] for one in _SEPARATORS}
    best = max(tried, key=lambda one: sum(cell in _KNOWN for cell in tried[one]))
    if not any(cell in ANSWERS.values() for cell in tried[best]):
        raise InputError(
            f"{name}: no column force_n, cycles or click in the header, found {line[:60].strip()!r}",
            "The first line without a # names the columns; keep it as `beadwright ladder` wrote it.",
        )
    return tried[best], best


def _name(cell: str) -> str:
    return re.sub(r"[\s\-]+", "_", cell.strip().strip('"').strip().lower())


def _columns(cells: Sequence[str], name: str, line: int) -> list[str]:
    columns = [_name(cell) for cell in cells]
    twice = next((one for one in columns if one and columns.count(one) > 1), None)
    if twice is not None:
        raise InputError(f"{name}:{line}: column {twice} stands there twice", "Keep one of them.")
    if not any(one in ASKED for one in columns):
        raise InputError(
            f"{name}:{line}: no column of a setting, expected one of {', '.join(ASKED)}",
            "Add what was varied as a column, e.g. nozzle_c.",
        )
    return columns


def _decimal_comma(rows: Sequence[Sequence[str]], columns: Sequence[str]) -> bool:
    """Whether commas in numbers are decimal; commas that could only part thousands speak against it."""
    told = [
        cell.lstrip("<>=≥≤ '").rstrip(" %")
        for cells in rows
        for column, cell in zip(columns, cells, strict=False)
        if column in _KNOWN and column not in _TEXTS and "," in cell
    ]
    points = any(
        re.fullmatch(r"[+-]?\d*\.\d+", cell) and not re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", cell)
        for cells in rows
        for column, cell in zip(columns, cells, strict=False)
        if column in _KNOWN and column not in _TEXTS
    )
    return not points and any(_COMMA.fullmatch(one) for one in told)


def _row(cells: Sequence[str], columns: Sequence[str], where: str, line: int, comma: bool) -> Row:
    if len(cells) > len(columns) and any(cells[len(columns) :]):
        extra = next(cell for cell in cells[len(columns) :] if cell)
        raise InputError(
            f"{where}: {len(cells)} cells, the header has {len(columns)}; found {extra!r} beyond them",
            "A decimal comma needs quotes, or another separator.",
        )
    numbers: dict[str, float] = {}
    readings: dict[str, Reading] = {}
    texts: dict[str, str] = {}
    for column, cell in zip(columns, cells, strict=False):
        if column in _TEXTS:
            texts[column] = cell.lstrip("'")
        elif column in _PLAIN and cell:
            numbers[column] = _asked(_number(cell, f"{where}: {column}", column, comma), where, column)
        elif column in ("force_n", "cycles") and cell:
            readings[column] = _reading(cell, f"{where}: {column}", column, comma)
    if "click" in numbers:
        value = numbers.pop("click")
        if not 1 <= value <= 5:
            raise InputError(f"{where}: click: found {value:g}, expected 1 to 5", "5 is the best click.")
        readings["click"] = Reading(value)
    return Row(line, numbers, readings, texts.get("part", ""), texts.get("notes", ""))


def _asked(value: float, where: str, column: str) -> float:
    """A number that can be what its column says."""
    low, high = _ASKED_RANGE.get(column, (-math.inf, math.inf))
    if not low <= value <= high:
        raise InputError(
            f"{where}: {column}: found {value:g}, expected {low:g} to {high:g}",
            "Correct it to what was asked of that specimen, as the sheet had it.",
        )
    return value


def _reading(cell: str, where: str, column: str, comma: bool) -> Reading:
    found = re.match(r"'?\s*(>=|<=|>|<|≥|≤)?\s*(.*)", cell)
    assert found is not None
    side = {">": 1, "≥": 1, "<": -1, "≤": -1}.get((found[1] or " ")[0], 0)
    value = _number(found[2], where, column, comma)
    if value < 0 or (value == 0 and side):
        raise InputError(
            f"{where}: found {cell!r}, expected a number above 0, or >number where it held without breaking",
            "Leave it empty where it was not tested.",
        )
    return Reading(value, side)


def _number(cell: str, where: str, column: str, comma: bool) -> float:
    text = cell.lstrip("'").replace("\u00a0", "").replace("\u202f", "").replace("−", "-").strip().lower()
    for unit in (*_UNITS.get(column, ()), *(("%",) if column.endswith("percent") else ())):
        text = text.removesuffix(unit).strip()
    if "," in text:
        if comma and _COMMA.fullmatch(text):
            text = text.replace(".", "").replace(",", ".")
        elif not comma and _GROUPED.fullmatch(text):
            text = text.replace(",", "")
    if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
        hint = _hint_of(text, column)
        held = " or >number" if column in ("force_n", "cycles") else ""
        raise InputError(f"{where}: found {cell!r}, expected a number{held}", hint)
    return float(text)


def _hint_of(text: str, column: str) -> str:
    """What to write in place of a text that is no number."""
    if column in ("force_n", "cycles") and _HELD.search(text):
        return "Where it held 120 without breaking write >120."
    if column == "force_n" and text.endswith(("kn", "k")):
        return "1 kN is 1000 N."
    if column == "force_n" and _POUNDS.search(text):
        return "1 kg of a scale is 9.81 N, 1 lb is 4.45 N."
    return "Leave it empty where nothing is known."
