"""The record of `apply` as people read it."""

from __future__ import annotations

import re
from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.text_container import packed_facts
from gcodetools.cli.text_costs import clock_signed, energy_fact, show_added, signed
from gcodetools.cli.text_holds import listed, show_holds
from gcodetools.cli.text_strength import show_strength
from gcodetools.cli.words import band, clock, merged, numbers
from gcodetools.jobs.records import counted

__all__ = ["show_apply"]

_MANY = 6
_LEAST_ROOM = 34  # columns for what was done; with less it goes below
_LENGTH = r"[\d.,]+(?: to [\d.,]+)? mm"
_OVER = re.compile(rf"(?<!spans )(over {_LENGTH}(?: of new beads| and {_LENGTH} of new beads)?)\b(?!/)")
Answer = dict[str, Any]


def show_apply(record: dict[str, Any], paper: Paper) -> None:
    """What was asked, done and why, region by region; what holds reach; what was written."""
    paper.title(f"{record['file']} -> {record['out']}")
    regions: dict[tuple[str, str], list[Answer]] = {}
    for answer in record["regions"]:
        regions.setdefault((answer["part"], answer["region"]), []).append(answer)
    widths = (len(_asked(answer)) for answer in record["regions"])
    asked_room = max((w for w in widths if w <= paper.width // 3), default=0)
    setting_room = max((len(answer["treatment"]) for answer in record["regions"]), default=0) + 2
    for (part, region), answers in regions.items():
        _show_region(f"{part}/{region}", answers, (setting_room, asked_room), paper)
    if not regions:
        paper.line(_why_nothing(record), hang=2)
    if record["holds"]:
        show_holds(record["holds"], record["spill"], paper)
    if "costs" in record and record["audit"]["replaced"] + record["audit"]["inserted"]:
        paper.blank()
        show_added(record["costs"], paper)
    if "strength" in record:
        paper.blank()
        show_strength(record["strength"], record["costs"]["added"]["regions"], paper, brief=not paper.verbose)
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
        settings.setdefault((answer["treatment"], _asked(answer)), []).append(answer)
    for (setting, asked), mine in settings.items():
        lead = f"{setting:<{rooms[0]}}{asked:<{rooms[1]}}"
        for said in _said(setting, mine):
            if len(asked) > rooms[1] or paper.width - len(lead) < _LEAST_ROOM:
                paper.line(f"{setting}: {asked}" if lead.strip() else "", 2, 2)
                paper.line(said, 4, 2)
            else:
                paper.facts([(lead, said)], indent=2)
            lead = " " * len(lead)


def _asked(answer: Answer) -> str:
    """What was asked; of perimeters with the word, as a bare number would say little beside what was laid."""
    asked = str(answer["asked"])
    if answer["treatment"] != "perimeters":
        return asked
    return f"asked {asked}" if asked.isdigit() else f"asked to {asked}"


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
        if added["mass_g"]["best"] and "source" in added["cost"]:
            facts.append(("money", f"{_money(added['cost'])} of filament: {added['cost']['source']}"))
        facts += _energy(record)
        if added.get("rest_s"):
            facts.append(("rests", f"{clock(added['rest_s'])} in all"))
        facts.append(("time", _time(record)))
    elif record["regions"]:
        facts = [("lines", "nothing to change: the output is the input to the byte")]
    else:
        facts = []
    facts += packed_facts(record)
    if record["absent"]:
        facts.append(("absent", ", ".join(record["absent"])))
    if record["untreated_instances"]:
        facts.append(("left out", listed(record["untreated_instances"])))
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
    low, best, high = (clock_signed(added[key]) for key in ("low", "best", "high"))
    before, after = (clock(took[key]["best"]) for key in ("before_s", "after_s"))
    if "costs" in record:  # with heating, as in the table
        before, after = (clock(record["costs"][side]["whole"]["time_s"]) for side in ("before", "after"))
    return f"{best} ({low} to {high}, modelled): {before} before, {after} after; {added['source']}"


def _money(cost: dict[str, Any]) -> str:
    low, best, high = (signed(cost[key]) for key in ("low", "best", "high"))
    return f"{best} ({low} to {high}, {cost['basis']})"


def _energy(record: dict[str, Any]) -> list[tuple[str, str]]:
    """Energy added, where the machine says what it draws."""
    if "costs" not in record:
        return []
    added = record["costs"]["added"]["whole"]
    return energy_fact(record["costs"], added, "+" if added.get("energy_wh", 0.0) > 0 else "")


def _signed(estimate: dict[str, Any]) -> str:
    return ("+" if estimate["best"] > 0 else "") + band(estimate, "g")
