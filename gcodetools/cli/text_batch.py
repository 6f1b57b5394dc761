"""The record of `batch` as people read it."""

from __future__ import annotations

import os
from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.text import CAUTION
from gcodetools.cli.text_costs import clock_signed, hms, money, signed
from gcodetools.cli.text_estimate import margin
from gcodetools.cli.words import band, clock
from gcodetools.jobs.records import counted

__all__ = ["show_batch"]

Row = dict[str, Any]


def show_batch(record: Row, paper: Paper) -> None:
    """A table of the plates, what they take together, what failed and what was skipped."""
    count = record["count"]
    paper.title(f"kit {record['kit']}: {counted(count['plates'], 'plate')} -> {record['folder']}")
    paper.line(_counts(count))
    rows = record["plates"]
    home = _home([row["file"] for row in rows])
    ready = [row for row in rows if row["state"] in ("done", "as before")]
    if ready:
        paper.blank()
        _table(ready, home, paper)
        _total(record["total"], paper)
    _list(
        "failed",
        [(row, f"status {row['status']}: {row['error']['cause']}") for row in _of(rows, "failed")],
        home,
        paper,
    )
    _list("skipped", [(row, row["why"]) for row in _of(rows, "skipped")], home, paper)
    if "summary" in record:
        paper.blank()
        paper.line(f"table: {', '.join(record['summary'])}", hang=2)
    if any(row["changed"] for row in ready):
        paper.blank()
        for caution in record.get("cautions", ())[:1]:
            paper.line(caution)
        paper.line(CAUTION)


def _of(rows: list[Row], state: str) -> list[Row]:
    return [row for row in rows if row["state"] == state]


def _counts(count: Row) -> str:
    told = [f"{count[key]} {key}" for key in ("done", "as before", "failed", "skipped") if count[key]]
    if count["other_files"]:
        told.append(f"{counted(count['other_files'], 'other file')} passed over")
    return ", ".join(told)


def _home(files: list[str]) -> str:
    """What all names begin with, in whole folders."""
    folders = {os.path.dirname(name) for name in files}  # noqa: PTH120
    if len({os.path.isabs(name) for name in files}) > 1 or "" in folders:  # noqa: PTH117
        return ""
    return os.path.join(os.path.commonpath(folders), "") if folders else ""  # noqa: PTH118


def _name(row: Row, home: str) -> str:
    """A file as the table names it, with the plate's number where it holds several."""
    name: str = row["file"].removeprefix(home)
    return f"{name}, plate {row['plate']}" if "plate" in row else name


def _table(rows: list[Row], home: str, paper: Paper) -> None:
    margins = any("margin_after" in row for row in rows)
    heads = ("plate", "parts", "regions", *(("margin before", "after") if margins else ()))
    table = [(*heads, "time", "g", "money", "warned")]
    for row in rows:
        told = [margin(row.get(f"margin_{side}")) for side in ("before", "after")] if margins else []
        parts = ", ".join(f"{count} {part}" for part, count in row["parts"].items()) or "none"
        spent = (hms(row["time_s"]["best"]), figures(row["mass_g"]["best"], 3), money(row["cost"]["best"]))
        warned = str(len(row["warnings"]) or "")
        table.append((_name(row, home), parts, str(row["regions_treated"]), *told, *spent, warned))
    last = len(table[0])
    paper.table(table, right=(2, *range(last - 4, last)))
    if home:
        paper.line(f"plate: in {home}")
    if margins:
        paper.line(
            "margin: the least of a plate's treated regions, best (low to high), modelled; regions: treated, of all "
            "instances; time (h:mm:ss), filament and money of the treated plate.",
            hang=2,
        )


def _total(total: Row, paper: Paper) -> None:
    time, added = total["time_s"], total["added"]
    spans = [clock(time[key]) for key in ("low", "best", "high")]
    paper.blank()
    paper.facts(
        [
            ("time", f"{spans[1]} ({spans[0]} to {spans[2]}, {time['basis']}) in all, {clock_signed(added['time_s'])} "
             "by the treatment"),
            ("filament", f"{band(total['mass_g'], 'g')} in all, {signed(added['mass_g'])} g by the treatment"),
            ("money", f"{band(total['cost'], 'of filament')} in all, {signed(added['cost'])} by the treatment; "
             f"{total['cost']['source']}"),
        ]
    )  # fmt: skip


def _list(title: str, rows: list[tuple[Row, str]], home: str, paper: Paper) -> None:
    if not rows:
        return
    paper.blank()
    paper.title(title)
    for row, text in rows:
        said = text if row["file"] in text else f"{_name(row, home)}: {text}"
        paper.line(said, 2, 2)
