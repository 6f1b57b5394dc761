"""The record of `apply` and `post` as people read it."""

from __future__ import annotations

import re
from typing import Any

from gcodetools.cli.layout import Paper, figures, length
from gcodetools.cli.words import band, clock, merged, numbers
from gcodetools.jobs.records import counted

__all__ = ["show_apply", "show_post"]

_MANY = 6
_LEAST_ROOM = 34  # columns for what was done; with less it goes below
_OVER = re.compile(r"(over [\d.,]+(?: to [\d.,]+)? mm)\b(?!/)")
Answer = dict[str, Any]


def show_apply(record: dict[str, Any], paper: Paper) -> None:
    """What was asked, done and why, region by region; what holds reach; what was written."""
    paper.title(f"{record['file']} -> {record['out']}")
    regions: dict[tuple[str, str], list[Answer]] = {}
    for answer in record["regions"]:
        regions.setdefault((answer["part"], answer["region"]), []).append(answer)
    widths = (len(answer["asked"]) for answer in record["regions"])
    asked_room = max((w for w in widths if w <= paper.width // 3), default=0)
    setting_room = max((len(answer["treatment"]) for answer in record["regions"]), default=0) + 2
    for (part, region), answers in regions.items():
        _show_region(f"{part}/{region}", answers, (setting_room, asked_room), paper)
    if not regions:
        paper.line(_why_nothing(record), hang=2)
    if record["holds"]:
        _show_holds(record["holds"], paper)
    paper.blank()
    _show_written(record, paper)


def _why_nothing(record: dict[str, Any]) -> str:
    if not record["parts_found"]:
        return f"Nothing done: no part of kit {record['kit']} is on this plate; the output is the input."
    return "Nothing done: no region of the chosen instances has a treatment; the output is the input."


def _show_region(name: str, answers: list[Answer], rooms: tuple[int, int], paper: Paper) -> None:
    instances = [answer["instance"] for answer in answers]
    paper.blank()
    paper.title(f"{name}  ({_instances(instances)})")
    settings: dict[tuple[str, str], list[Answer]] = {}
    for answer in answers:
        settings.setdefault((answer["treatment"], answer["asked"]), []).append(answer)
    for (setting, asked), mine in settings.items():
        lead = f"{setting:<{rooms[0]}}{asked:<{rooms[1]}}"
        for said in _said(setting, mine):
            if len(asked) > rooms[1] or paper.width - len(lead) < _LEAST_ROOM:
                paper.line(f"{setting}: {asked}" if lead.strip() else "", 2, 2)
                paper.line(said, 4, 2)
            else:
                paper.facts([(lead, said)], indent=2)
            lead = " " * len(lead)


def _said(setting: str, answers: list[Answer]) -> list[str]:
    """What became of one setting of a region, a sentence for each group of instances that fared alike."""
    did = [answer for answer in answers if answer["done"] != "nothing"]
    if setting == "rest" and 0 < len(did) < len(answers):
        # A rest is once a layer: what the first instance asked for serves the others.
        sentences = [f"{_sentence(answer)}; it serves the other instances too" for answer in did[:1]]
        return sentences + [_sentence(answer) for answer in did[1:]]
    sentences = []
    groups = _alike(answers)
    for group in groups:
        said = merged([_sentence(answer) for answer in group]) or ""
        if len(group) > 1:
            said = _OVER.sub(r"\1 each", said)
        if len(groups) > 1:
            said = f"{_instances([answer['instance'] for answer in group])}: {said}"
        sentences.append(said)
    return sentences


def _instances(values: list[int]) -> str:
    word = "instance" if len(set(values)) == 1 else "instances"
    return f"{word} {numbers(values)}"


def _sentence(answer: Answer) -> str:
    why = answer["why"]
    if answer["done"] == "nothing":
        return f"not done: {why}" if why else "not done"
    return f"{answer['done']}; {why}" if why else str(answer["done"])


def _alike(answers: list[Answer]) -> list[list[Answer]]:
    """Answers whose sentences say the same but for lengths."""
    groups: list[list[Answer]] = []
    for answer in answers:
        for group in groups:
            if merged([_sentence(group[0]), _sentence(answer)]) is not None:
                group.append(answer)
                break
        else:
            groups.append([answer])
    return groups


def _show_holds(holds: list[dict[str, Any]], paper: Paper) -> None:
    """What each hold is, and which other beads got it; holds over the same beads together."""
    paper.blank()
    paper.title("Holds: nozzle and fan can't follow a feature within a layer")
    groups: dict[str, list[dict[str, Any]]] = {}
    for hold in holds:
        groups.setdefault(repr((hold["layers"], hold["regions"], hold["spill"])), []).append(hold)
    shown = list(groups.values()) if paper.verbose else list(groups.values())[:_MANY]
    for group in shown:
        hold = group[0]
        first, last = hold["layers"]
        span = f"plate layer {first}" if first == last else f"plate layers {first} to {last}"
        what = " and ".join(f"{item['setting']} {_value(item)}" for item in group)
        paper.line(f"{what} over {span}, for {_listed(hold['regions'])}", 2, 2)
        paper.line(_spill(hold["spill"]), 4, 2)
    if len(groups) > len(shown):
        paper.line(f"and {counted(len(groups) - len(shown), 'hold')} more (-v lists them)", 2)


def _spill(spill: dict[str, Any]) -> str:
    if spill["length_mm"] < 1.0:
        return "no other bead gets it"
    whose = _listed(spill["instances"]) if spill["instances"] else "skirt, support or the like"
    share = figures(spill["share_of_plate"] * 100)
    return f"other beads get it too: {length(spill['length_mm'])}, {share}% of the plate's, in {whose}"


def _value(hold: dict[str, Any]) -> str:
    low, high = hold["value"]
    if hold["setting"] == "nozzle":
        return f"{low:g} C" if low == high else f"{low:g} to {high:g} C"
    return f"{low * 100:.3g}%" if low == high else f"{low * 100:.3g}% to {high * 100:.3g}%"


def _listed(names: list[str]) -> str:
    """`film-clip#1 to 9, shelf-hook/finger of 1 to 4` from names with instance numbers."""
    groups: dict[tuple[str, str], list[int]] = {}
    for name in names:
        part, _, rest = name.rpartition("#")
        number, slash, region = rest.partition("/")
        groups.setdefault((part, slash + region), []).append(int(number))
    return ", ".join(f"{part}{region} #{numbers(own)}" for (part, region), own in groups.items())


def _show_written(record: dict[str, Any], paper: Paper) -> None:
    audit, added = record["audit"], record["added"]
    edited = audit["replaced"] + audit["inserted"]
    if edited:
        facts = [
            (
                "lines",
                f"{audit['kept']:,} kept, {audit['replaced']:,} changed, {audit['inserted']:,} added, "
                f"{audit['held_back']:,} of the file's own commands held back",
            ),
            ("read back", f"{counted(audit['moves_read'], 'move')}, none differs beyond what was declared"),
        ]
        if added["mass_g"]["best"]:
            facts.append(("filament", f"{_signed(added['mass_g'])} in all{_exchanged(added)}"))
        if added.get("rest_s"):
            facts.append(("rests", f"{clock(added['rest_s'])} in all"))
        facts.append(("time", _time(record)))
    elif record["regions"]:
        facts = [("lines", "nothing to change: the output is the input to the byte")]
    else:
        facts = []
    if record["absent"]:
        facts.append(("absent", ", ".join(record["absent"])))
    if record["untreated_instances"]:
        facts.append(("left out", _listed(record["untreated_instances"])))
    paper.facts(facts)
    if paper.verbose and record["held_back"]:
        paper.blank()
        paper.title("The file's own commands that are held back")
        paper.facts([(f"line {item['line']}", item["text"]) for item in record["held_back"]], indent=2)


def _exchanged(added: dict[str, Any]) -> str:
    """What new beads weigh and what gave way to them."""
    if not added.get("new_beads_g"):
        return ""
    laid, removed = (figures(added[key]) for key in ("new_beads_g", "removed_g"))
    return f": {laid} g of new beads, {removed} g of fill taken out for them"


def _time(record: dict[str, Any]) -> str:
    added, took = record["added"]["time_s"], record["time"]
    low, best, high = (_clock_signed(added[key]) for key in ("low", "best", "high"))
    before, after = (clock(took[key]["best"]) for key in ("before_s", "after_s"))
    return f"{best} ({low} to {high}, modelled): {before} before, {after} after; {added['source']}"


def _clock_signed(seconds: float) -> str:
    text = clock(abs(seconds))
    return text if text == "0 s" else ("-" if seconds < 0 else "+") + text


def _signed(estimate: dict[str, Any]) -> str:
    return ("+" if estimate["best"] > 0 else "") + band(estimate, "g")


def show_post(record: dict[str, Any], paper: Paper) -> None:
    """A line or two, since a slicer may show it."""
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
        show_apply(record, paper)
