"""Friction fits as people read them: what they come to, and what other offsets would give."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.words import numbers

__all__ = ["fits_of", "show_fits", "show_moved"]

Record = dict[str, Any]


def fits_of(record: Record) -> list[tuple[str, Record]]:
    """(`part/region`, fit) of each joint in the record of `check`."""
    return [
        (f"{part['part']}/{region['region']}", fit)
        for part in record["parts"]
        for region in part["regions"]
        for fit in region.get("fits", ())
    ]


def show_fits(fits: list[tuple[str, Record]], paper: Paper, head: str) -> None:
    """A sentence a joint, the same one of several regions once; with `-v` what other offsets give, and the notes."""
    if not fits:
        return
    paper.line(f"{head}; `fit` moves a region's walls out of the plastic (+) or back (-), mm:")
    told: dict[str, tuple[list[str], Record]] = {}
    for name, fit in fits:
        told.setdefault(fit["sentence"], ([], fit))[0].append(name)
    for text, (names, fit) in told.items():
        joined = " " if text.startswith("with ") else ": "
        paper.line(f"{', '.join(names)}{joined}{text}", 2, 2)
        if paper.verbose:
            _show_offsets(fit, paper)
    if paper.verbose:
        for note in dict.fromkeys(note for _, fit in fits for note in fit["notes"]):
            paper.line(f"- {note}", 2, 2)


def show_moved(fits: list[Record], paper: Paper) -> None:
    """Fits of regions whose instances got several offsets: a table a region and partner, a row an offset."""
    groups: dict[str, list[Record]] = {}
    for fit in fits:
        mate = f" with {fit['mate']}" if "mate" in fit else ""
        groups.setdefault(f"{fit['region']}{mate}", []).append(fit)
    for name, mine in groups.items():
        paper.title(name)
        rows: list[tuple[str, ...]] = [("no.", *_HEADS)]
        for fit in mine:
            sums: Record = fit["with_fit"] if "with_fit" in fit else fit["as_drawn"]
            row = _row(fit.get("offset_mm", 0.0), sums["squeeze_mm"]["best"], sums)
            rows.append((numbers(fit["instances"]), *row))
        paper.table(rows, right=(1, 2, 5), indent=2)
    if not fits:
        return
    paper.line(
        "Squeeze below 0 is play; best estimate (low to high) by the kit's own numbers, for solid parts.", 2
    )


_HEADS = ("fit mm", "squeeze mm", "push N", "pull N", "loose", "pressed in")


def _row(offset_mm: float, squeeze_mm: float, sums: Record) -> tuple[str, ...]:
    return (
        f"{offset_mm:+g}" if offset_mm else "0",
        f"{squeeze_mm:.3g}",
        _spread(sums.get("push_n")),
        _spread(sums.get("pull_n")),
        f"{100 * sums['loose_share']:.0f} %",
        sums["hand"],
    )


def _show_offsets(fit: Record, paper: Paper) -> None:
    rows = [_HEADS, *(_row(one["offset_mm"], one["squeeze_mm"], one) for one in fit["offsets"])]
    if len(rows) > 1:
        paper.table(rows, right=(0, 1, 4), indent=4)


def _spread(estimate: Record | None) -> str:
    if estimate is None:
        return "-"
    low, best, high = (figures(estimate[key]) for key in ("low", "best", "high"))
    return best if low == high else f"{best} ({low} to {high})"
