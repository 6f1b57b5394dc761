"""A plate's row in the table of a batch, and the table as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from gcodetools.jobs.records import estimate, without_nulls

__all__ = ["csv_of", "row_of", "sums_of"]

Record = dict[str, Any]

_COLUMNS = {"time_s": "time_s", "mass_g": "mass_g", "cost": "cost"}
_ENDS = ("low", "best", "high")
_HEADS = (
    "file", "plate", "state", "status", "out", "page", "parts", "regions_treated",
    "margin_before_at", *(f"margin_before_{end}" for end in _ENDS),
    "margin_after_at", *(f"margin_after_{end}" for end in _ENDS),
    *(f"{key}_{end}" for key in _COLUMNS for end in _ENDS),
    *(f"added_{key}" for key in _COLUMNS),
    "warnings", "why", "error", "hint",
)  # fmt: skip


def row_of(
    record: Record,
    parts: Mapping[str, int],
    warnings: Sequence[str],
    names: Mapping[str, str],
    files: Collection[str],
) -> Record:
    """What the table says of a treated plate.

    record : of `apply`, with its `strength` where that is known. parts : how many instances of each are on the plate.
    names : of the results. files : which there are.
    """
    regions = record["regions"]
    treated = {(one["part"], one["instance"], one["region"]) for one in regions if one["done"] != "nothing"}
    costs = record["costs"]
    strength = record.get("strength", {})
    row: Record = {
        "file": record["file"],
        "out": names["treated"],
        "page": names["page"] if "page" in files else None,
        "record": names["record"],
        "parts": dict(parts),
        "regions_treated": len(treated),
        "changed": bool(record["audit"]["replaced"] + record["audit"]["inserted"]),
        "margin_before": _worst(strength.get("before", ())),
        "margin_after": _worst(strength.get("after", ())),
        **{key: _whole(costs, key) for key in _COLUMNS},
        "added": {key: costs["added"]["whole"][key] for key in _COLUMNS},
        "warnings": list(warnings),
    }
    return without_nulls(row)


def _whole(costs: Record, key: str) -> Record:
    value, trust = costs["after"]["whole"][key], costs["columns"][key]
    return estimate(value, value * trust["low"], value * trust["high"], trust["source"], trust["basis"])


def _worst(regions: Iterable[Record]) -> Record | None:
    """The least margin of the regions, straight on or at the kit's tilt, with its region."""
    found = [
        {"at": f"{one['part']}#{one['instance']}/{one['region']}", **one["load"][key]}
        for one in regions
        for key in ("margin", "margin_crooked")
        if key in one.get("load", {})
    ]
    return min(found, key=lambda one: float(one["best"]), default=None)


def sums_of(rows: Sequence[Record]) -> Record:
    """Time, filament and money of plates together; their ends add up, as most of the doubt is shared."""
    result: Record = {"regions_treated": sum(row["regions_treated"] for row in rows)}
    for key in _COLUMNS:
        told = [row[key] for row in rows]
        ends = {end: sum(one[end] for one in told) for end in _ENDS}
        sources = list(dict.fromkeys(one["source"] for one in told))
        bases = {one["basis"] for one in told}
        basis = next(word for word in ("assumed", "modelled", "measured") if word in bases)
        source = "; ".join(sources[:2]) + ("; and others" if len(sources) > 2 else "")
        result[key] = estimate(ends["best"], ends["low"], ends["high"], source, basis)
    result["added"] = {key: round(sum(row["added"][key] for row in rows), 6) for key in _COLUMNS}
    return result


def csv_of(rows: Sequence[Record]) -> bytes:
    """The table as RFC 4180 has it."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(_HEADS)
    for row in rows:
        flat = _flat(row)
        writer.writerow([_shielded(flat.get(head, "")) for head in _HEADS])
    return text.getvalue().encode("utf-8", "backslashreplace")


def _flat(row: Record) -> Record:
    flat: Record = {
        key: row[key]
        for key in ("file", "plate", "state", "status", "out", "page", "regions_treated", "why")
        if key in row
    }
    for side in ("before", "after"):
        margin = row.get(f"margin_{side}")
        if margin is not None:
            flat |= {f"margin_{side}_{key}": margin[key] for key in ("at", *_ENDS)}
    for key in _COLUMNS:
        if key in row:
            flat |= {f"{key}_{end}": row[key][end] for end in _ENDS}
            flat[f"added_{key}"] = round(row["added"][key], 6)
    if "parts" in row:
        flat["parts"] = "; ".join(f"{count} {part}" for part, count in row["parts"].items())
    flat["warnings"] = len(row.get("warnings", ()))
    flat |= {"error": row["error"]["cause"], "hint": row["error"]["hint"]} if "error" in row else {}
    return flat


def _shielded(cell: Any) -> Any:
    """A text that a spreadsheet would take for a formula, behind an apostrophe: file names come from anywhere."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in "=+-@\t\r" and cell else cell
