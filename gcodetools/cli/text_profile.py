"""The records of `profile` as people read them."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper
from gcodetools.gcode.containers.base import PACKED
from gcodetools.jobs.records import counted

__all__ = ["show_audit", "show_carry", "show_settings"]

Record = dict[str, Any]
_UNITS = {"text": "", "flag": "", "count": "", "ratio": "", "per kg": "a kg"}
_STATES = {
    "open": "left open",
    "expression": "worked out from others",
    "share": "a share of another",
    "absent": "left empty",
    "unreadable": "not read",
}
_GRAVITY = {"stop": "Stop", "warning": "Warnings", "note": "Notes"}


def show_settings(record: Record, paper: Paper) -> None:
    """Each name with what is said of it, and by which key."""
    _head(record, paper)
    paper.blank()
    rows: list[tuple[str, ...]] = [("setting", "value", "key", "meaning")]
    for one in record["settings"]:
        if one["name"].startswith("limit_") and not paper.verbose:
            continue
        rows += _rows(one)
    paper.table(rows, indent=2)
    limits = [one for one in record["settings"] if one["name"].startswith("limit_")]
    if limits and not paper.verbose:
        paper.line(f"and {len(limits)} limits of the machine (-v shows them)", indent=2)
    paper.blank()
    unknown = record["unknown"]
    listed = unknown.get("keys")
    paper.line(
        f"{unknown['count']} keys have no name here" + ("" if listed is not None else " (--all lists them).")
    )
    for one in listed or []:
        where = f"{one['line']}: " if "line" in one else ""
        where += f"[{one['section']}] " if "section" in one else ""
        paper.line(f"{where}{one['key']} = {one['value']}", indent=2, hang=4)


def _head(record: Record, paper: Paper) -> None:
    paper.title(record["file"])
    tools = "1 tool" if record["tools"] == 1 else f"{record['tools']} tools"
    if "tool" in record:
        tools += f", T{record['tool']} shown"
    facts = [
        ("settings", f"convention {record['convention']}, {record['recognised']}"),
        ("form", f"{_form(record)}; {record['known']} of {record['keys']} keys known; {tools}"),
    ]
    if "sections" in record:
        sections = record["sections"]
        more = f" and {len(sections) - 6} more" if len(sections) > 6 else ""
        facts.append(("sections", ", ".join(sections[:6]) + more))
    if "material" in record:
        held = f"material {record['material']} ({record['material_from']})"
        held += f", machine {record['machine']}" if "machine" in record else ", no machine"
        facts.append(("against", held + (f", kit {record['kit']}" if "kit" in record else "")))
    paper.facts(facts)


def _form(record: Record) -> str:
    form = {
        "ini": "INI-like",
        "json": "JSON",
        "sliced": "comments of a sliced file",
        "metadata": "metadata",
    }[record["form"]]
    if "packed" in record:
        form += f" in {PACKED[record['packed']]}"
    return form + (f", plate {record['plate']}" if "plate" in record else "")


def _rows(one: Record) -> list[tuple[str, ...]]:
    """A row for each thing said; tools that say the same share one."""
    grouped: dict[tuple[str, str, str], list[Record]] = {}
    for value in one["values"]:
        grouped.setdefault((_told(one, value), value["key"], value.get("section", "")), []).append(value)
    rows: list[tuple[str, ...]] = []
    for number, ((told, key, section), values) in enumerate(grouped.items()):
        tools = [f"T{value['tool']}" for value in values if "tool" in value]
        whose = f" ({', '.join(tools)})" if tools and len(grouped) > 1 else ""
        place = f"{key} [{section}]" if section else key
        rows.append(
            (one["name"] if number == 0 else "", told + whose, place, one["about"] if number == 0 else "")
        )
    return rows


def _told(one: Record, value: Record) -> str:
    if "value" not in value:
        return f"{value['text']} ({_STATES[value['state']]})".strip()
    told = value["value"]
    if isinstance(told, bool):
        return "on" if told else "off"
    if isinstance(told, str):
        return told
    if one["unit"] == "share":
        return f"{round(100 * told, 2):g} %"
    follows = f" ({value['text']} of {value['follows']})" if "follows" in value else ""
    return f"{round(told, 4):g} {_UNITS.get(one['unit'], one['unit'])}".strip() + follows


def show_audit(record: Record, paper: Paper) -> None:
    """Findings, the gravest first."""
    _head(record, paper)
    for gravity, title in _GRAVITY.items():
        found = [one for one in record["findings"] if one["gravity"] == gravity]
        if not found:
            continue
        paper.blank()
        paper.title(f"{title} ({len(found)})")
        for one in found:
            _finding(one, paper)
    paper.blank()
    if not record["findings"]:
        paper.line("Nothing found.")
    if record["not_told"]:
        paper.line(f"Not told by the file, so not looked at: {', '.join(record['not_told'])}.", hang=2)


def _finding(one: Record, paper: Paper) -> None:
    tools = f" (T{', T'.join(map(str, one['tools']))})" if "tools" in one else ""
    keys = f" [{', '.join(one['keys'])}]" if one["keys"] else ""
    paper.line(f"{one['about']}{tools}: {one['found']}, expected {one['expected']}{keys}", indent=2, hang=4)
    paper.line(one["why"], indent=6)
    paper.line(f"source: {one['source']}", indent=6, hang=2)


def show_carry(record: Record, paper: Paper) -> None:
    """What was changed, what was carried and what not, and what that means."""
    _head(record, paper)
    paper.facts([("treatment", record["treatment"]), ("copy", record["out"])])
    paper.blank()
    if record["changes"]:
        rows: list[tuple[str, ...]] = [("line", "key", "old", "new", "that is")]
        rows += [_change(one) for one in record["changes"]]
        paper.table(rows, right=(0,), indent=2)
    else:
        paper.line("No number is changed: the copy is the file as it was.")
    for carried in ("wholly", "in part", "not"):
        found = [one for one in record["settings"] if one["carried"] == carried]
        if not found:
            continue
        paper.blank()
        paper.title({"wholly": "Carried wholly", "in part": "Carried in part", "not": "Not carried"}[carried])
        for one in found:
            paper.line(f"{one['setting']}: {one['asked']}", indent=2)
            for why in one["why"]:
                paper.line(f"- {why}", indent=4, hang=2)
    if record["local"]:
        paper.blank()
        paper.title("Local by nature, in no setting")
        for one in record["local"]:
            paper.line(f"- {one}", indent=2, hang=2)
    paper.blank()
    back = record["read_back"]
    paper.line(
        f"Read back: {counted(back['changed'], 'number')} as asked, {counted(back['unchanged'], 'statement')} as "
        "before, all other bytes identical."
    )
    paper.line(record["cost"][:1].upper() + record["cost"][1:] + ".")
    if paper.verbose:
        for text in record.get("treatment_about", []):
            paper.line(f"{text[:1].upper()}{text[1:]}", hang=2)


def _change(one: Record) -> tuple[str, ...]:
    key = one["key"] + (f" (T{one['tool']})" if "tool" in one else "")
    key += f" [{one['section']}]" if "section" in one else ""
    rounded = ", rounded" if one.get("rounded") else ""
    return (
        str(one["line"]),
        key,
        one["old"],
        one["new"],
        f"{one['name']} {one['from']} to {one['to']}{rounded}",
    )
