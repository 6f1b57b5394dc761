"""The record of `estimate` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.words import clock, numbers

__all__ = ["endings", "grouped", "margin", "show_estimate", "spread", "worst_first"]

Region = dict[str, Any]
_AMPLE = 10.0
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
    heads = ("region", "no.", "margin", "at tilt", "layers MPa", "beads MPa", "weld %", "push N")
    rows: list[tuple[str, ...]] = [heads]
    rows += [
        (_name(group), numbers([one["instance"] for one in group]), *_cells(group[0])) for group in groups
    ]
    shown = [k for k in range(len(heads)) if heads[k] != "at tilt" or any(row[k] != "-" for row in rows[1:])]
    paper.table([[row[k] for k in shown] for row in rows])
    paper.line(
        "no.: instances, the worst of them shown; layers: across the weakest; weld: how far the least healed has "
        "healed; best estimate (low to high)."
    )
    for group in groups:
        paper.blank()
        _tell(group, paper)
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
    margins = [load[key]["best"] for key in ("margin", "margin_crooked") if key in load]
    margins += [0.0] if "refused" in load else []
    across = one.get("strength_mpa", {}).get("across_layers", {}).get("best", float("inf"))
    return (min(margins, default=float("inf")), across)


def _from(record: dict[str, Any]) -> str:
    where = {"command line": "from the command line", "kit": "from the kit", "file": "from the file"}
    return where.get(record["material_from"], "assumed")


def _total(total: dict[str, Any]) -> str:
    time = total["time_s"]
    ends = f"{clock(time['low'])} to {clock(time['high'])}"
    return f"{clock(time['best'])} ({ends}), {figures(total['mass_g'])} g, {total['cost']:.2f} of money"


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
        "none" if "refused" in load else margin(load.get("margin")),
        margin(load.get("margin_crooked")),
        spread(strength.get("across_layers")),
        spread(strength.get("along_beads")),
        spread(one["bond"]["min"], 100.0) if "bond" in one else "-",
        spread(load.get("force_n")),
    )


def _tell(group: list[Region], paper: Paper) -> None:
    """The sentence of the worst instance, what differs is told by `verbose`."""
    worst = group[0]
    which = "" if len(group) == 1 else f" (no. {worst['instance']} of {len(group)})"
    paper.line(f"{_name(group)}{which}: {worst['sentence']}", hang=2)
    refused = worst.get("load", {}).get("refused")
    notes = list(dict.fromkeys(note for one in group for note in one["notes"]))
    notes = [note for note in notes if refused is None or not note.startswith(refused)]
    shown = notes if paper.verbose else notes[:_NOTES]
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
