"""The record of `ladder` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_costs import clock_signed
from gcodetools.cli.words import clock
from gcodetools.jobs.records import counted
from gcodetools.report.ladder_sheet import doubt_words
from gcodetools.trials.factors import value_words
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS

__all__ = ["show_ladder"]

Record = dict[str, Any]

_NAMES = {column: name for name, column in FACTOR_COLUMNS.items()}
_GOT = {
    "nozzle": ("nozzle_c", ".1f", " C"),
    "fan": ("fan_percent", ".0f", "% fan"),
    "speed": ("feed_mm_s", ".1f", " mm/s"),
    "flow": ("mm3_per_mm", ".4f", " mm3/mm"),
    "perimeters": ("perimeters", ".1f", " side by side"),
}
_BY = {
    "instance": "each instance is one specimen",
    "height": "each band of height is one specimen",
    "both": "heat by height, the rest by instance",
}


def show_ladder(record: Record, paper: Paper) -> None:
    """What each specimen is asked for and gets, how they are placed, what was written."""
    paper.title(f"{record['file']} -> {record['out']}")
    paper.blank()
    paper.facts(_facts(record))
    paper.blank()
    varied = [factor["name"] for factor in record["factors"]]
    paper.table(_rows(record, varied), right=(0, 1, 6, 7))
    for note in record["notes"]:
        paper.blank()
        paper.line(f"{note[:1].upper()}{note[1:]}.")
    paper.blank()
    audit, time = record["audit"], record["time"]
    before, after = (clock(time[key]["best"]) for key in ("before_s", "after_s"))
    paper.facts(
        [
            ("lines", f"{audit['kept']:,} kept, {audit['replaced']:,} changed, {audit['inserted']:,} added"),
            ("read back", f"{counted(audit['moves_read'], 'move')}, none differs beyond what was declared"),
            ("doubt", doubt_words(record["got_within"])),
            (
                "time",
                f"{clock_signed(record['added']['time_s']['best'])}: {before} before, {after} after (modelled)",
            ),
            ("to print", record["sheet"]["page"]),
            ("to fill in", record["sheet"]["table"]),
        ]
    )


def _facts(record: Record) -> list[tuple[str, str]]:
    design = record["design"]
    steps = counted(design["steps"], "step")
    if design["steps"] < design["of_all"]:
        steps += f" of {design['of_all']}"
    if design["repeats"] > 1:
        steps += f", each {design['repeats']} times"
    facts = [
        ("ladder", f"{record['part']}/{record['region']}: {_BY[record['by']]}; {record['printed']}"),
        ("steps", steps),
    ]
    if record["held"]:
        held = (
            f"{_NAMES[column]} {value_words(_NAMES[column], value)}"
            for column, value in record["held"].items()
        )
        facts.append(("held", ", ".join(held)))
    placing = record["placing"]
    if record["order"] == "random":
        words = f"by chance (seed {record['seed']})"
        if placing.get("between"):
            place, factor = placing["between"]
            words += f"; greatest correlation with the place {placing['greatest_correlation']:.2f} ({factor}, {place})"
        facts.append(("placed", words))
    if record["as_sliced"]:
        facts.append(("as sliced", ", ".join(record["as_sliced"])))
    return facts


def _rows(record: Record, varied: list[str]) -> list[list[str]]:
    rows = [["no.", "step", "instance", "layers", "asked", "got (modelled)", "layer s", "mm2"]]
    for one in record["specimens"]:
        got = one["got"]
        rows.append(
            [
                str(one["specimen"]),
                str(one["step"]),
                f"{one['part']}#{one['instance']}",
                f"{one['layers'][0]}-{one['layers'][1]}",
                ", ".join(_asked(name, one["asked"][FACTOR_COLUMNS[name]]) for name in varied),
                ", ".join(_got(name, got) for name in varied),
                f"{got['layer_time_s']:.1f}",
                f"{got['section_mm2']:.1f}" if "section_mm2" in got else "",
            ]
        )
    return rows


def _asked(name: str, value: float) -> str:
    return f"{'' if name == 'nozzle' else name + ' '}{value_words(name, value)}"


def _got(name: str, got: Record) -> str:
    """What a specimen got of a setting, in the words that fit it."""
    key, form, unit = _GOT[name]
    return f"{format(got[key], form)}{unit}" if key in got else ""
