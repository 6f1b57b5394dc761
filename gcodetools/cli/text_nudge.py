"""The record of `nudge` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_apply import show_apply
from gcodetools.cli.text_fits import show_fits, show_moved
from gcodetools.cli.words import numbers, plainly

__all__ = ["show_nudge"]

Record = dict[str, Any]


def show_nudge(record: Record, paper: Paper) -> None:
    """What was moved where, which instance got what, and what the fits come to."""
    show_apply({key: value for key, value in record.items() if key != "costs"}, paper)
    if len(record["offsets_mm"]) > 1 and record["instances"]:
        paper.blank()
        _show_ladder(record["instances"], paper)
        paper.line(record["try"])
    fits = [(_name(fit), fit) for fit in record["fits"] if "sentence" in fit]
    notes = [(fit["region"], fit["note"]) for fit in record["fits"] if "note" in fit]
    if fits or notes:
        paper.blank()
    if len(record["offsets_mm"]) > 1:
        show_moved([fit for _, fit in fits], paper)
    else:
        show_fits(fits, paper, "Fits, by the kit's own numbers, for solid parts")
    for name, note in notes:
        paper.line(f"{name}: {note}", 2, 2)
    paper.blank()
    paper.line(f"Caution: {record['caution']}")


def _name(fit: Record) -> str:
    """`wedge-key/shank#1 to 3`."""
    return f"{fit['region']}#{numbers(fit['instances'])}"


def _show_ladder(instances: list[Record], paper: Paper) -> None:
    """Which instance got which offset, and where on the bed it lies."""
    rows = [("part", "no.", "offset mm", "x mm", "y mm", "label")]
    for one in instances:
        offset = f"{one['offset_mm']:+g}" if one["offset_mm"] else "0"
        asked = offset if one["moved"] or not one["offset_mm"] else f"{offset} not done"
        place = [plainly(one[key]) for key in ("x_mm", "y_mm")]
        rows.append((one["part"], str(one["instance"]), asked, *place, one.get("label", "")))
    paper.title("Which got what")
    paper.table(rows, right=(1, 2, 3, 4), indent=2)
