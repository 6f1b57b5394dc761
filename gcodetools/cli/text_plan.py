"""The record of `plan` as people read it: will it be done, what does it cost, what to watch, then the plan."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.text_costs import clock_signed, money, signed
from gcodetools.cli.words import clock
from gcodetools.jobs.records import counted

__all__ = ["show_plan", "told_against"]

Record = dict[str, Any]

_SHOWN = 40
_DAY_S = 86_400.0
_SPENT = {
    "printing_s": "printer time",
    "filament_g": "filament g",
    "energy_kwh": "energy kWh",
    "money_filament": "money, filament",
    "money_energy": "money, energy",
    "money_hours": "money, printer hours",
    "money": "money, all",
}


def show_plan(record: Record, paper: Paper) -> None:
    """An order planned; with another side beside it."""
    paper.title(f"{record['order']}: {_when(record)}")
    _done(record, paper)
    paper.blank()
    _costs(record, paper)
    paper.blank()
    _spools(record, paper)
    paper.blank()
    paper.title("To watch")
    for text in record["watch"]:
        paper.line(f"- {text}", hang=2)
    if "would_help" in record:
        paper.blank()
        _help(record, paper)
    paper.blank()
    _parts(record, paper)
    paper.blank()
    _plates(record, paper)
    paper.blank()
    _schedule(record, paper)
    for out in record.get("files", []):
        paper.line(f"written: {out}")


def _when(record: Record) -> str:
    due = f", due {_day(record['due'])}" if "due" in record else ", no due date"
    return f"from {_day(record['start'])}{due} ({record['zone']})"


def _day(text: str) -> str:
    """`Mon 2 Mar 2026 08:00`."""
    at = datetime.fromisoformat(text)
    return f"{at:%a} {at.day} {at:%b %Y %H:%M}"


def _short(text: str, since: str) -> str:
    """`Mon 2 Mar 08:00`; with the year where that is another than that of `since`."""
    at = datetime.fromisoformat(text)
    return f"{at:%a} {at.day} {at:%b}{_year(at, since)} {at:%H:%M}"


def _year(at: datetime, since: str) -> str:
    return "" if at.year == datetime.fromisoformat(since).year else f" {at.year}"


def _span(seconds: float) -> str:
    """Days beyond two of them, hours below."""
    seconds = abs(seconds)
    return f"{seconds / _DAY_S:.1f} days" if seconds >= 2 * _DAY_S else clock(seconds)


def _early(seconds: float) -> str:
    return f"{_span(seconds)} {'early' if seconds >= 0 else 'late'}"


def _percent(one: Record) -> str:
    """A chance; 0 and 100 only where no run was otherwise."""
    best = 100 * one["best"]
    if best in (0, 100):
        return f"{best:.0f} %"
    return f"{best:.0f} %" if 1 <= best <= 99 else f"{min(max(best, 0.1), 99.9):.1f} %"


def _done(record: Record, paper: Paper) -> None:
    """Will it be done?"""
    plan, odds = record["plan"], record["odds"]
    sim = record["simulation"]
    ends = f"{sim['runs']:,} runs, seed {sim['seed']}"
    if "by_due" in odds:
        due = odds["by_due"]
        error = f"{100 * due['low']:.1f} to {100 * due['high']:.1f} by the simulation's own error, {ends}"
        words = "Done by the due date" if due["best"] >= 0.95 else "Not sure to be done by the due date:"
        paper.line(f"{words} with a chance of {_percent(due)} ({error}).", hang=2)
    early = f", {_early(plan['early_s'])}" if "early_s" in plan else ""
    paper.line(f"If nothing fails: done {_day(plan['done'])}{early}.", hang=2)
    rows: list[tuple[str, ...]] = [("done with a chance of", "by", "simulation's error")]
    for sure, one in odds["done_by"].items():
        early = f", {_early(one['early_s'])}" if "early_s" in one else ""
        same = one["low"] == one["high"]
        error = (
            "none seen" if same else " to ".join(_short(one[end], record["start"]) for end in ("low", "high"))
        )
        rows.append((f"{sure} %", f"{_day(one['best'])}{early}", error))
    paper.table(rows)
    if "against" in record:
        paper.line(told_against(record), hang=2)
    for rule in sim["rules"]:
        paper.line(rule, hang=2)


def told_against(record: Record) -> str:
    """The one sentence on what the treatments, or the other order, come to."""
    other, less = record["against"], record["difference"]
    hours = less["printing_s"]["expected"]
    low, best, high = (hours[key] for key in ("low", "best", "high"))
    names = {record["side"], other["side"]}
    what = "The treatments cost" if names == {"treated", "untreated"} else f"{record['side']} costs"
    if names == {"treated", "untreated"} and record["side"] == "untreated":
        low, best, high = -high, -best, -low
    told = [_signed_hours(seconds) for seconds in (best, low, high)]
    text = f"{what} {told[0]} ({told[1]} to {told[2]}) of printer time over the run"
    ends = []
    for side, one in ((record["side"], record), (other["side"], other)):
        sure = one["odds"]["done_by"]["95"]
        early = _early(sure["early_s"]) if "early_s" in sure else f"by {_day(sure['best'])}"
        ends.append(f"{side} done {early} at 95 %")
    return f"{text}; {', '.join(ends)}."


def _signed_hours(seconds: float) -> str:
    hours = seconds / 3600.0
    if abs(hours) < 1.0:
        return clock(seconds) if seconds >= 0 else clock_signed(seconds)
    return f"{hours:.1f} h" if abs(hours) < 10 else f"{hours:,.0f} h"


def _costs(record: Record, paper: Paper) -> None:
    """What does it cost? One side, or two with what is more on the first."""
    sides = [record, *([record["against"]] if "against" in record else [])]
    head = ["to expect"] if len(sides) == 1 else [f"{one['side']}, to expect" for one in sides]
    rows: list[tuple[str, ...]] = [
        ("", "if nothing fails", *head, *(["difference"] if len(sides) > 1 else []))
    ]
    for key, name in _SPENT.items():
        if key not in record["spent"]:
            continue
        cells = [_amount(key, record["spent"][key]["planned"])]
        cells += [
            _banded(key, one["spent"][key]["expected"]) if key in one["spent"] else "-" for one in sides
        ]
        if len(sides) > 1:
            less = record["difference"].get(key)
            cells.append(_banded(key, less["expected"], sign=True) if less else "")
        rows.append((name, *cells))
    paper.table(rows)
    plates, failed = record["odds"]["plates"], record["odds"]["failed"]
    paper.line(
        f"{record['choice']['plates']} plates planned; {figures(plates['best'], 3)} to expect, "
        f"{figures(failed['best'])} of them failed ({failed['low']:.0f} to {failed['high']:.0f}).",
        hang=2,
    )
    swaps = record["swaps"]
    paper.line(
        f"By hand: {counted(swaps['plates'], 'swap')}, {clock(swaps['work_s'])}. With nobody there: "
        f"{counted(swaps['plates_alone'], 'plate')}, {clock(swaps['printing_alone_s'])} of printing.",
        hang=2,
    )
    paper.line(
        "Bands hold 9 of 10 runs; filament's price is that of what is used, not of what is bought.", hang=2
    )


def _amount(key: str, value: float) -> str:
    if key == "printing_s":
        return clock(value)
    return money(value)


def _banded(key: str, one: Record, *, sign: bool = False) -> str:
    low, best, high = (one[end] for end in ("low", "best", "high"))
    if key == "printing_s":
        texts = [clock_signed(v) if sign else clock(v) for v in (best, low, high)]
    else:
        texts = [signed(v) if sign else money(v) for v in (best, low, high)]
    return texts[0] if texts[1] == texts[2] else f"{texts[0]} ({texts[1]} to {texts[2]})"


def _spools(record: Record, paper: Paper) -> None:
    if not record["spools"]:
        return
    rows: list[tuple[str, ...]] = [
        ("spools", "there", "planned", "to buy", "for 95 %", "to buy", "money at 95 %", "left g")
    ]
    for one in record["spools"]:
        there = f"{one['on_hand']}" + (f" and {one['opened']} opened" if one["opened"] else "")
        cost = money(one["cost_at_95"]) if "cost_at_95" in one else "-"
        rows.append(
            (
                f"{one['spool']}, {one['net_g']:g} g",
                there,
                str(one["planned"]),
                str(one["buy"]),
                str(one["at_95"]),
                str(one["buy_at_95"]),
                cost,
                f"{one['left_g']:,.0f}",
            )
        )
    paper.table(rows, right=(2, 3, 4, 5, 6, 7))
    goes_on = all(one["runout"] == "swap" for one in record["spools"])
    text = "" if goes_on else "No plate changes its spool on the way. "
    text += "Each printer keeps its spools to itself. A plate counts with the upper end of its mass, "
    text += "a failed one whole."
    paper.line(text, hang=2)


def _help(record: Record, paper: Paper) -> None:
    paper.title("What would help, each by itself")
    rows: list[tuple[str, ...]] = [("change", "by the due date", "95 % by", "if nothing fails")]
    for one in record["would_help"]:
        dates = [_short(one[key], record["start"]) for key in ("done_95", "done")]
        rows.append((one["change"], _percent(one["by_due"]), *dates))
    paper.table(rows)


def _parts(record: Record, paper: Paper) -> None:
    """Parts ordered, printed, left over and short."""
    with_due = "due" in record
    rows: list[tuple[str, ...]] = [
        (
            "part",
            "ordered",
            "printed",
            "left over",
            *(("short by the due date", "all by then") if with_due else ()),
        )
    ]
    for part, one in record["parts"].items():
        cells = [str(one[key]) for key in ("ordered", "printed", "left_over")]
        if with_due:
            cells += [_short_of(one), _percent(one["all_by_due"])] if "short" in one else ["", ""]
        rows.append((part, *cells))
    paper.table(rows, right=(1, 2, 3))
    kits = record.get("kits")
    if kits and kits["with_95"] < kits["ordered"]:
        paper.line(
            f"Whole kits by the due date: {kits['in_plan']} of {kits['ordered']} if nothing fails, {kits['with_95']} "
            "with 95 %.",
            hang=2,
        )


def _short_of(one: Record) -> str:
    """What is short in the plan, and in the worst twentieth of the runs."""
    text = str(one["short_in_plan"])
    worst = one["short"]["high"]
    return text if worst <= one["short_in_plan"] else f"{text}, with failures up to {worst:.0f}"


def _plates(record: Record, paper: Paper) -> None:
    rows: list[tuple[str, ...]] = [("plate", "runs", "holds", "takes", "g each")]
    for one in record["plates"]:
        holds = ", ".join(f"{count} {part}" for part, count in one["holds"].items())
        times = {clock(time["best"]) for time in one["time_s"].values()}
        variant = f" ({one['variant']})" if record["side"] == "treated" or one["variant"] == "treated" else ""
        rows.append(
            (
                f"{one['plate']}{variant}",
                str(one["runs"]),
                holds,
                " to ".join(sorted(times)),
                figures(one["mass_g"]["best"]),
            )
        )
    paper.table(rows, right=(1, 4))
    if paper.verbose:
        sources = {
            f"{time['basis']}: {time['source']}"
            for one in record["plates"]
            for time in one["time_s"].values()
        }
        for text in [*sorted(sources), *record["spent"].get("prices_from", [])]:
            paper.line(f"- {text}", hang=2)


def _schedule(record: Record, paper: Paper) -> None:
    """Which plate when on which printer: a line a day, or with -v a line a plate."""
    days: dict[tuple[str, str], list[Record]] = {}
    for one in record["schedule"]:
        at = datetime.fromisoformat(one["start"])
        day = f"{at:%a} {at.day} {at:%b}{_year(at, record['start'])}"
        days.setdefault((one["printer"], day), []).append(one)
    rows: list[tuple[str, ...]] = [
        ("printer", "day", "starts", "plates in their order", "last ends", "taken off by")
    ]
    shown = list(days.items()) if paper.verbose else list(days.items())[:_SHOWN]
    before = ""
    for (printer, day), runs in shown:
        lead, before = ("" if printer == before else printer), printer
        for row in [[one] for one in runs] if paper.verbose else [runs]:
            at = datetime.fromisoformat(row[0]["start"])
            ends = [_within(row[-1][key], at) for key in ("end", "off")]
            rows.append((lead, day, f"{at:%H:%M}", _in_order([one["plate"] for one in row]), *ends))
            lead, day = "", ""
    paper.table(rows)
    more = len(days) - len(shown)
    if more:
        paper.line(f"{counted(more, 'more line')} (-v shows each plate; --csv and --ics write them)")


def _in_order(plates: list[str]) -> str:
    """`3 x clips, saddle, 2 x clips`."""
    groups: list[tuple[str, int]] = []
    for plate in plates:
        if groups and groups[-1][0] == plate:
            groups[-1] = (plate, groups[-1][1] + 1)
        else:
            groups.append((plate, 1))
    return ", ".join(plate if count == 1 else f"{count} x {plate}" for plate, count in groups)


def _within(text: str, start: datetime) -> str:
    """A time, with its day where that is another than the start's, and its offset where the clock was changed."""
    at = datetime.fromisoformat(text)
    days = (at.date() - start.date()).days
    day = "" if days == 0 else f"{at:%a} " if 0 < days < 7 else f"{at:%a} {at.day} {at:%b} "
    return f"{day}{at:%H:%M}" + ("" if at.utcoffset() == start.utcoffset() else f" ({at.isoformat()[-6:]})")
