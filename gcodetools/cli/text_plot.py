"""The record of `plot` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, figures, length
from gcodetools.cli.words import numbers
from gcodetools.jobs.records import counted

__all__ = ["show_plot"]

Record = dict[str, Any]


def show_plot(record: Record, paper: Paper) -> None:
    """What was drawn, and where it is."""
    paper.title(record["title"])
    facts = [("picture", "{}, {:g} by {:g} mm".format(record["out"], *record["size_mm"]))]
    told = {"layer": _layer, "strip": _strip, "trace": _trace}[record["kind"]]
    paper.facts([*facts, *told(record)])
    if "note" in record:
        paper.line(record["note"], hang=2)


def _layer(record: Record) -> list[tuple[str, str]]:
    found = []
    for side in record["sides"]:
        words = [f"{counted(side['beads'], 'bead')}, {length(side['length_mm'])}"]
        words += [f"{length(mm)} {word}" for word, mm in side.get("by_status_mm", {}).items()]
        if "low" in side:
            unit = record.get("unit", "")
            words.append(
                f"{record['quantity']} {figures(side['low'], 3)} to {figures(side['high'], 3)} {unit}"
            )
        found.append((side.get("side", "drawn"), ", ".join(words)))
    return found


def _strip(record: Record) -> list[tuple[str, str]]:
    found = [("instance", f"{record['instance']} (--instance names another)")]
    for region in record["regions"]:
        for course in region["courses"]:
            name = f"{region['region']} {course.get('side', '')}".strip()
            opened = course.get("open_layers", [])
            none = f"; no strength counted at layers {numbers(opened)}" if opened else ""
            if "least_layer" not in course:
                found.append((name, f"no weld counted{none}"))
                continue
            k = course["layer"].index(course["least_layer"])
            low, best, high = (figures(course[key][k]) for key in ("low", "best", "high"))
            found.append(
                (
                    name,
                    f"least at layer {course['least_layer']}: {best} ({low} to {high}) {record['unit']}{none}",
                )
            )
    return found


def _trace(record: Record) -> list[tuple[str, str]]:
    found = []
    for side in record["sides"]:
        words = [counted(len(side["fan"]["t_s"]), "point")]
        if "nozzle" in side:
            reached = side["nozzle"]["reached_c"]
            words.append(f"nozzle reached {figures(min(reached), 3)} to {figures(max(reached), 3)} C")
        words.append(f"in regions {counted(len(side['visits_s']), 'time')}")
        found.append((side.get("side", "drawn"), ", ".join(words)))
    return found
