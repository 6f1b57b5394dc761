"""The record of `estimate` as people read it."""

from __future__ import annotations

import re
from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.words import band, clock, numbers

__all__ = ["endings", "grouped", "margin", "show_estimate", "spread", "worst_first"]

Region = dict[str, Any]
_AMPLE = 10.0
_NUMBER = re.compile(r"\d+(\.\d+)?")
_NOTES = 5  # of a region, unless more is asked for
_LEAD = {
    "rests_on": "rests on",
    "treated_means": "treated or not",
    "side_effects": "side effects",
    "check_it": "check it",
}


def show_estimate(record: dict[str, Any], paper: Paper) -> None:
    """Regions, the worst first: what each bears, a sentence each, and what all of it rests on."""
    paper.title(record["file"] + (", treated already" if record["treated"] else ""))
    groups = worst_first(grouped(record["regions"]))
    paper.facts(
        [
            ("kit", f"{record['kit']}, {record['material']} ({_from(record)})"),
            (
                "doubt",
                f"bands hold 9 of 10 of {record['draws']['count']:,} draws (seed {record['draws']['seed']})",
            ),
            ("heat, fan", record["heating_from"].removeprefix("heating and fan of ")),
            ("whole print", _total(record["total"])),
        ]
    )
    paper.blank()
    rows: list[tuple[str, ...]] = [("region", "no.", "margin", "layers MPa", "beads MPa", "weld %", "push N")]
    rows += [
        (_name(group), numbers([one["instance"] for one in group]), *_cells(group[0])) for group in groups
    ]
    paper.table(rows)
    tilt = any("margin_crooked" in one.get("load", {}) for one in record["regions"])
    paper.line(
        f"no.: instances, the worst of them shown; {'margin: at the tilt where that is less; ' if tilt else ''}layers: "
        "across the weakest; weld: how far the least healed has healed; best estimate (low to high)."
    )
    common = _common(groups)
    for group in groups:
        paper.blank()
        _tell(group, common, paper)
    for names, notes in _by_regions(common).items():
        paper.blank()
        paper.line(f"{', '.join(names)}:", hang=2)
        for note in notes:
            paper.line(f"- {note}", indent=2, hang=2)
    paper.blank()
    endings(record["regions"], paper)
    paper.blank()
    for caution in record["cautions"]:
        paper.line(caution, hang=2)


def grouped(regions: list[Region]) -> list[list[Region]]:
    """Records of one region of one part together, the worst instance first."""
    groups: dict[tuple[str, str], list[Region]] = {}
    for one in regions:
        groups.setdefault((one["part"], one["region"]), []).append(one)
    return [sorted(group, key=_badness) for group in groups.values()]


def worst_first(groups: list[list[Region]]) -> list[list[Region]]:
    """Groups with the least margin first, what is refused before them; those without a load last."""
    return sorted(groups, key=lambda group: _badness(group[0]))


def _badness(one: Region) -> tuple[float, float]:
    load = one.get("load", {})
    least = _least(load)
    margins = ([] if least is None else [least["best"]]) + ([0.0] if _is_refused(load) else [])
    across = one.get("strength_mpa", {}).get("across_layers", {}).get("best", float("inf"))
    return (min(margins, default=float("inf")), across)


def _is_refused(load: dict[str, Any]) -> bool:
    """Whether a margin is refused; a joint that bends nothing needs none."""
    return "refused" in load and bool(load.get("demand", {}).get("best", 0.0) > 0)


def _least(load: dict[str, Any]) -> dict[str, Any] | None:
    """The margin straight on or at the kit's tilt, the lesser; None where none is told."""
    told = [load[key] for key in ("margin", "margin_crooked") if key in load]
    return min(told, key=lambda band: float(band["best"]), default=None)


def _from(record: dict[str, Any]) -> str:
    where = {"command line": "from the command line", "kit": "from the kit", "file": "from the file"}
    return where.get(record["material_from"], "assumed")


def _total(total: dict[str, Any]) -> str:
    time = total["time_s"]
    ends = f"{clock(time['low'])} to {clock(time['high'])}"
    mass, cost = (band(total[key], unit) for key, unit in (("mass_g", "g"), ("cost", "of money")))
    return f"{clock(time['best'])} ({ends}, {time['basis']}), {mass}, {cost}"


def _name(group: list[Region]) -> str:
    return f"{group[0]['part']}/{group[0]['region']}"


def spread(value: dict[str, Any] | None, scale: float = 1.0) -> str:
    """`30 (18 to 43)` to two figures; `-` where nothing is told."""
    if value is None:
        return "-"
    low, best, high = (figures(scale * value[key]) for key in ("low", "best", "high"))
    return best if low == high else f"{best} ({low} to {high})"


def margin(value: dict[str, Any] | None) -> str:
    """`1.16 (0.91 to 1.60)`; `over 10` where its size says nothing."""
    if value is None:
        return "-"
    if value["low"] > _AMPLE:
        return f"over {_AMPLE:g}"
    low, best, high = (
        f"{value[key]:.2f}" if value["best"] < 3 else figures(value[key]) for key in ("low", "best", "high")
    )
    return best if low == best == high else f"{best} ({low} to {high})"


def _cells(one: Region) -> tuple[str, ...]:
    load, strength = one.get("load", {}), one.get("strength_mpa", {})
    return (
        "none" if _is_refused(load) else margin(_least(load)),
        spread(strength.get("across_layers")),
        spread(strength.get("along_beads")),
        spread(one["bond"]["min"], 100.0) if "bond" in one else "-",
        spread(load.get("force_n")),
    )


def _notes(group: list[Region]) -> list[str]:
    """What is to be said of a region's instances, but for what its sentence says already."""
    refused = group[0].get("load", {}).get("refused")
    notes = dict.fromkeys(note for one in group for note in one["notes"])
    return [note for note in notes if refused is None or not note.startswith(refused)]


def _common(groups: list[list[Region]]) -> dict[str, list[str]]:
    """Notes of more than one region, and whose they are."""
    whose: dict[str, list[str]] = {}
    for group in groups:
        for note in _notes(group):
            whose.setdefault(note, []).append(_name(group))
    return {note: names for note, names in whose.items() if len(names) > 1}


def _by_regions(common: dict[str, list[str]]) -> dict[tuple[str, ...], list[str]]:
    found: dict[tuple[str, ...], list[str]] = {}
    for note, names in common.items():
        found.setdefault(tuple(names), []).append(note)
    return found


def _tell(group: list[Region], common: dict[str, list[str]], paper: Paper) -> None:
    """The sentence of the worst instance, and the notes that are this region's alone."""
    worst = group[0]
    which = "" if len(group) == 1 else f" (no. {worst['instance']} of {len(group)})"
    paper.line(f"{_name(group)}{which}: {worst['sentence']}", hang=2)
    notes = [note for note in _notes(group) if note not in common]
    alike: dict[str, str] = {}  # of notes that differ in numbers only, the worst instance's
    for note in notes:
        alike.setdefault(_NUMBER.sub("#", note), note)
    shown = notes if paper.verbose else list(alike.values())[:_NOTES]
    for note in shown:
        paper.line(f"- {note}", indent=2, hang=2)
    if more := len(notes) - len(shown):
        paper.line(f"- {more} more {'note' if more == 1 else 'notes'}: -v", indent=2, hang=2)


def endings(regions: list[Region], paper: Paper) -> None:
    """The fixed lines that each record ends with, once where they are the same."""
    for key, lead in _LEAD.items():
        texts = dict.fromkeys(one[key] for one in regions if key in one)
        for text in texts:
            names = [one for one in regions if one.get(key) == text]
            whose = (
                ""
                if len(texts) == 1
                else f" ({', '.join(sorted({o['part'] + '/' + o['region'] for o in names}))})"
            )
            paper.line(f"{lead}{whose}: {text}", hang=2)
