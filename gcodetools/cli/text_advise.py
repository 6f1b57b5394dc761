"""The record of `advise` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.text_estimate import endings, margin
from gcodetools.cli.words import numbers

__all__ = ["show_advise"]

Record = dict[str, Any]
_FREE_S = 3.0


def show_advise(record: Record, paper: Paper) -> None:
    """Each region: where it stands, the steps tried, what to paste, what its shape would have to be."""
    paper.title(record["file"])
    goal = record["goal"]
    wanted = f"margin {goal['margin']:g}" if "margin" in goal else f"at most {goal['minutes']:g} minutes more"
    paper.facts(
        [
            ("wanted", f"{wanted}, by the best estimate"),
            ("kit", f"{record['kit']}, {record['material']}; each region by itself, all others untreated"),
            (
                "doubt",
                f"bands hold 9 of 10 of {record['draws']['count']} draws (seed {record['draws']['seed']})",
            ),
        ]
    )
    for one in record["regions"]:
        paper.blank()
        _region(one, paper)
    paper.blank()
    endings(record["regions"], paper)
    paper.blank()
    for caution in record["cautions"]:
        paper.line(caution, hang=2)


def _region(one: Record, paper: Paper) -> None:
    paper.title(f"{one['part']}/{one['region']}")
    paper.line(one["sentence"][:1].upper() + one["sentence"][1:], indent=2, hang=2)
    if "stands" in one:
        paper.line(f"As sliced: {one['stands']}", indent=2, hang=2)
    if one.get("ladder"):
        _ladder(one, paper)
    if "best" in one:
        _best(one["best"], paper)
    if one.get("shapes"):
        _shapes(one["shapes"], paper)


def _ladder(one: Record, paper: Paper) -> None:
    paper.blank()
    rows: list[tuple[str, ...]] = [
        ("step", "margin", "times", "min", "g", "money", "margin a min", "kept or not")
    ]
    for rung in one["ladder"]:
        added = rung.get("added", {})
        rows.append(
            (
                rung["step"],
                f"{rung['before']['best']:.2f} to {margin(rung['after'])}" if "after" in rung else "-",
                margin(rung.get("gain")),
                _minutes(added["time_s"]) if added else "-",
                _signed(added["mass_g"]["best"]) if added else "-",
                _signed(added["cost"]["best"]) if added else "-",
                _per_minute(rung),
                rung["why"],
            )
        )
    paper.table(rows, indent=2)
    paper.line(
        "margin: before (best) to after; times: after over before, doubt shared; each step is tried on what was kept "
        "so far; min, g and money of the whole plate; best estimate (low to high).",
        indent=2,
    )
    if len(one["instances"]) > len(one["watched"]):
        which = numbers(one["watched"])
        paper.line(
            f"Tried on no. {which} of {len(one['instances'])} alike, the weakest; the set kept is told for the weakest "
            "of all.",
            indent=2,
        )
    for text in one.get("left_out", []):
        paper.line(f"- not tried: {text}", indent=2, hang=2)
    if "stopped" in one:
        paper.line(f"- {one['stopped']}", indent=2, hang=2)


def _minutes(time_s: Record) -> str:
    if abs(time_s["best"]) < _FREE_S:
        return "0"
    return _signed(time_s["best"] / 60.0)


def _signed(value: float) -> str:
    return ("+" if value > 0 else "-" if value < 0 else "") + figures(abs(value))


def _per_minute(rung: Record) -> str:
    value = rung.get("margin_per_minute")
    if value is None:
        time = rung.get("added", {}).get("time_s")
        free = time is not None and time["best"] < _FREE_S and rung.get("gain", {}).get("best", 0) > 1
        return "takes no time" if free else "-"
    low, best, high = (_signed(value[key]) for key in ("low", "best", "high"))
    return best if low == high else f"{best} ({low} to {high})"


def _best(best: Record, paper: Paper) -> None:
    added = best["added"]
    time = added["time_s"]
    took = f"{_minutes(time)} min ({_signed(time['low'] / 60)} to {_signed(time['high'] / 60)})"
    cost = f"{took}, {_signed(added['mass_g']['best'])} g, {_signed(added['cost']['best'])} of money"
    paper.blank()
    paper.line(
        f"The set: {', '.join(best['steps'])}: margin {margin(best['margin'])}, weakest no. "
        f"{best['weakest_instance']}, for {cost} on this plate. To paste below the part's `regions`:",
        indent=2,
        hang=2,
    )
    paper.blank()
    for line in best["fragment"].splitlines():
        paper.lines.append(f"    {line}")
    paper.blank()
    for text in best["answers"] if paper.verbose else best["look_at"]:
        paper.line(f"- {text}", indent=2, hang=2)


def _shapes(shapes: list[Record], paper: Paper) -> None:
    paper.line("By its shape, each line by itself, with the welds as they are then:", indent=2)
    for one in shapes:
        if one["offered"]:
            told = f"margin {margin(one['margin'])}"
            if "push_n" in one:
                told += f", push {_force(one['push_n'])}"
            if "pull_n" in one:
                told += f", pull off {_force(one['pull_n'])}"
            paper.line(f"- {one['text']}: {told}", indent=2, hang=2)
        elif paper.verbose:
            paper.line(f"- not offered: {one['text']}: {one['why']}", indent=2, hang=2)


def _force(value: Record) -> str:
    low, best, high = (figures(value[key]) for key in ("low", "best", "high"))
    return f"{best} ({low} to {high}) N"
