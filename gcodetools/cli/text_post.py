"""The record of `post` as people read it: a slicer may show it, and most runs print no more."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper
from gcodetools.jobs.records import counted

__all__ = ["show_post"]


def show_post(record: dict[str, Any], paper: Paper) -> None:
    """A line or two; with `--verbose` all that `apply` says."""
    audit = record["audit"]
    done = {(r["part"], r["instance"], r["region"]) for r in record["regions"] if r["done"] != "nothing"}
    if audit["replaced"] + audit["inserted"]:
        paper.line(
            f"{record['out']}: {counted(len(done), 'region')} treated, {counted(audit['replaced'], 'line')} "
            f"changed, {audit['inserted']:,} added"
        )
    else:
        paper.line(f"{record['out']}: nothing to change, left as it is")
    if record["absent"]:
        paper.line("not on this plate: " + ", ".join(record["absent"]))
    if paper.verbose:
        from gcodetools.cli.text_apply import show_apply

        show_apply(record, paper)
