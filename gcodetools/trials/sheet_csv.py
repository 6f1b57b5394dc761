"""The sheet of a ladder as CSV (RFC 4180): a row a specimen, with empty columns for what a bench measures.

Comment lines on top begin with `#`; they say what the sheet belongs to. What is not known stays empty.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

__all__ = [
    "ASKED",
    "FACTOR_COLUMNS",
    "FIRST_COMMENT",
    "GOT",
    "TO_FILL_IN",
    "WHERE",
    "columns_of",
    "sheet_text",
]

FIRST_COMMENT = "Beadwright ladder 1"
WHERE = ("specimen", "step", "part", "instance", "layers", "x_mm", "y_mm", "z_mm")
# What a ladder varies or holds, and the column that tells what was asked.
FACTOR_COLUMNS = {
    "nozzle": "nozzle_c",
    "fan": "fan_percent",
    "speed": "speed_percent",
    "flow": "flow_percent",
    "perimeters": "perimeters_added",
}
ASKED = tuple(FACTOR_COLUMNS.values())
GOT = ("nozzle_reached_c", "fan_reached_percent", "layer_time_s", "width_mm", "height_mm", "section_mm2")
TO_FILL_IN = ("force_n", "cycles", "click", "notes")

Value = str | int | float | None


def columns_of(factors: Sequence[str]) -> tuple[str, ...]:
    """The header of a ladder that varies or holds these factors (`nozzle`, `fan` ...)."""
    asked = tuple(column for factor, column in FACTOR_COLUMNS.items() if factor in factors)
    return (*WHERE, *asked, *GOT, *TO_FILL_IN)


def sheet_text(
    comments: Mapping[str, str], factors: Sequence[str], rows: Sequence[Mapping[str, Value]]
) -> str:
    """The whole file as text, lines ended by a newline.

    Parameters
    ----------
    comments : what the sheet belongs to, a line each. rows : by column; absent or None is left empty.

    Raises
    ------
    ValueError : a row has a key that is no column of this sheet.
    """
    columns = columns_of(factors)
    stream = io.StringIO()
    for line in (FIRST_COMMENT, *(f"{key}: {value}" for key, value in comments.items())):
        stream.write(f"# {_one_line(line)}\n")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        if unknown := [key for key in row if key not in columns]:
            raise ValueError(f"{', '.join(unknown)}: no column of this sheet, there are {', '.join(columns)}")
        writer.writerow([_cell(row.get(column)) for column in columns])
    return stream.getvalue()


def _cell(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{round(value, 4) + 0.0:.10g}"
    # A spreadsheet would take a text that begins so for a formula.
    text = str(value)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") and isinstance(value, str) else text


def _one_line(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)
