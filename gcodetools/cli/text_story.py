"""The later steps of the demo as people read them: a sentence or two a step, and the command that tells all of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.text_plan import told_against
from gcodetools.cli.text_tune import best_words
from gcodetools.jobs.records import counted

__all__ = ["show_story"]

Record = dict[str, Any]


def show_story(steps: list[Record], paper: Paper) -> None:
    """Steps of `demo.story.tell`."""
    for step in steps:
        paper.title(_TITLES[step["step"]])
        if "left_out" in step:
            paper.line(f"Left out: {step['left_out']}", 2, 2)
        else:
            for text in _TOLD[step["step"]](step["record"]):
                paper.line(text, 2, 2)
        if "without_calendar" in step:
            paper.line(f"No calendar file: {step['without_calendar']}", 2, 2)
        paper.lines.append(f"      beadwright {step['command']}")
        paper.blank()


def _ladder(record: Record) -> list[str]:
    steps = counted(record["design"]["steps"], "step")
    return [
        f"{counted(len(record['specimens']), 'hook')}, {steps} of nozzle and fan, placed by chance; a sheet to fill in."
    ]


def _tune(record: Record) -> list[str]:
    told = [f"Best {best_words(record)}. The forces are invented."]
    told += [f"{peak['setting']}: {peak['sentence']}." for peak in record.get("peaks", [])]
    return told


def _estimate(record: Record) -> list[str]:
    profile, own = (_span(record[side]["regions"][0]["load"]["margin"]) for side in ("by_profile", "by_own"))
    return [
        f"The treated hook: margin {profile} by the profile of PETG, {own} by what this filament was read to do "
        "(modelled)."
    ]


def _span(one: Record) -> str:
    low, best, high = (figures(one[key]) for key in ("low", "best", "high"))
    return f"{best} ({low} to {high})"


def _nudge(record: Record) -> list[str]:
    told = []
    for fit in record["fits"]:
        sums = fit.get("with_fit", fit["as_drawn"])
        push = sums["push_n"]
        told.append(
            f"fit {fit.get('offset_mm', 0.0):+g} mm: squeeze {sums['squeeze_mm']['best']:.2g} mm, push {_span(push)} N "
            "(modelled)"
        )
    return told


def _carry(record: Record) -> list[str]:
    changes = ", ".join(f"{one['key']} {one['old']} to {one['new']}" for one in record["changes"])
    left = [one["setting"] for one in record["settings"] if one["carried"] == "not"]
    told = [f"Changed: {changes}; for the whole part, which is what treating regions saves."]
    if left:
        told.append(f"Not to be carried: {', '.join(left)}, and where the region is.")
    return told


def _plan(record: Record) -> list[str]:
    due = record["odds"]["by_due"]
    plates = counted(record["choice"]["plates"], "plate")
    return [
        f"{plates}; done by the due date with a chance of {due['best']:.0%} ({due['low']:.1%} to {due['high']:.1%}).",
        told_against(record),
    ]


_TITLES = {
    "ladder": "A ladder of settings to break",
    "tune": "What the broken hooks tell",
    "estimate": "The hook, estimated anew",
    "nudge": "A key in four fits",
    "profile carry": "The hook's treatment in the slicer's settings",
    "plan": "Forty benches by their date",
}
_TOLD: dict[str, Callable[[Record], list[str]]] = {
    "ladder": _ladder,
    "tune": _tune,
    "estimate": _estimate,
    "nudge": _nudge,
    "profile carry": _carry,
    "plan": _plan,
}
