"""The record of `compare` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, length
from gcodetools.cli.text_costs import clock_signed, hms, money, show_added, signed
from gcodetools.cli.text_strength import show_strength
from gcodetools.cli.words import clock, numbers, same_or_span
from gcodetools.jobs.records import counted

__all__ = ["show_compare"]

State = dict[str, Any]
_SIDES = ("before", "after", "difference")
_AFTER = {"mass_g": "g", "energy_wh": "Wh"}
_MOST = 5
_SHOWN = 8
_UNITS = {
    "time_s": "time",
    "filament_mm": "filament",
    "mass_g": "mass",
    "cost": "money",
    "energy_wh": "energy",
}
_STATES = {
    "nozzle_c": "nozzle C",
    "fan_percent": "fan %",
    "feed_mm_s": "feed mm/s",
    "perimeters": "perimeters",
    "beads": "beads",
    "length_mm": "bead length",
    "volume_mm3": "volume mm3",
}


def show_compare(record: dict[str, Any], paper: Paper) -> None:
    """Two files: what they are, their totals, their regions, and how these are laid where that differs."""
    files = record["files"]
    paper.facts([(side, _file(files[side])) for side in ("before", "after")])
    for sentence in _sentences(record):
        paper.line(sentence, hang=2)
    paper.blank()
    _totals(record, paper)
    paper.blank()
    show_added(record, paper)
    if "parts" in record:
        paper.blank()
        _show_parts(record["parts"], paper)
        paper.blank()
        _show_states(record, paper)
    if "strength" in record:
        paper.blank()
        show_strength(record["strength"], record["difference"]["regions"], paper)
    if paper.verbose:
        paper.blank()
        _layers(record, paper)


def _file(facts: dict[str, Any]) -> str:
    plate = f" (plate {facts['plate']})" if "plate" in facts else ""
    text = f"{facts['file']}{plate}: {counted(facts['layers'], 'layer')}"
    if "layer_height_mm" in facts:
        text += f" of {facts['layer_height_mm']:g} mm"
    text += f", convention {facts['convention']}, {facts['material']}"
    if facts["treated"]:
        text += "; carries a record of Beadwright"
    if "time_in_file_s" in facts:
        text += f"; states {clock(facts['time_in_file_s'])}"
    return text


def _sentences(record: dict[str, Any]) -> list[str]:
    """What is to be known of the two before their numbers."""
    found = []
    if record["identical"]:
        found.append("Both files are the same to the byte.")
    elif record["after_is_before_treated"]:
        found.append("The second is the first, treated: its record says so.")
    heights = [record["files"][side].get("layer_height_mm") for side in ("before", "after")]
    if heights[0] != heights[1]:
        found.append("Their layers are not of one height; only those of one z and height are compared.")
    return found


def _totals(record: dict[str, Any], paper: Paper) -> None:
    """A number a line, and under it what it rests on and its band."""
    rows: list[tuple[str, ...]] = [("whole", *_SIDES)]
    for column, name in _UNITS.items():
        if column in record["totals"]:
            total = record["totals"][column]
            best = [_number(column, total[side]["best"], side) for side in _SIDES]
            ends = [_ends(column, total[side], side) for side in _SIDES]
            basis = total["difference"]["basis"]
            rows += [(name, *best), (basis, *ends)] if any(ends) else [(f"{name}, {basis}", *best)]
    paper.table(rows)
    paper.line(f"time: {record['columns']['time_s']['source']}", hang=2)


def _number(column: str, value: float, side: str) -> str:
    """A number in its unit, a difference with its sign."""
    sign = side == "difference"
    if column == "time_s":
        return clock_signed(value) if sign else clock(value)
    if column == "filament_mm":
        return _length_signed(value) if sign else length(value)
    return f"{signed(value) if sign else money(value)} {_AFTER.get(column, '')}".rstrip()


def _ends(column: str, value: dict[str, Any], side: str) -> str:
    """The band, without its unit; nothing where there is none."""
    low, high = value["low"], value["high"]
    if low == high:
        return ""
    if column != "time_s":
        return " to ".join(signed(end) if side == "difference" else money(end) for end in (low, high))
    signs = ["" if side != "difference" else "-" if end < 0 else "+" for end in (low, high)]
    return " to ".join(sign + hms(abs(end)) for sign, end in zip(signs, (low, high), strict=True))


def _length_signed(mm: float) -> str:
    return "0 mm" if abs(mm) < 0.05 else ("-" if mm < 0 else "+") + length(abs(mm))


def _show_parts(parts: dict[str, list[str]], paper: Paper) -> None:
    told = {
        "only in the first file": parts["only_before"],
        "only in the second file": parts["only_after"],
        "not at the same place in both": parts["moved"],
        "in neither file": parts["absent"],
    }
    for what, names in told.items():
        if names:
            more = len(names) - _SHOWN
            shown = names if paper.verbose or more <= 0 else [*names[:_SHOWN], f"{more} more (-v lists them)"]
            paper.line(f"{what}: {', '.join(shown)}", hang=2)


def _show_states(record: dict[str, Any], paper: Paper) -> None:
    """How regions are laid where that differs, the instances of one together."""
    groups: dict[str, list[str]] = {}
    for name in record["difference"]["states"]:
        part, _, behind = name.rpartition("#")
        groups.setdefault(f"{part}/{behind.partition('/')[2]}", []).append(name)
    rows: list[tuple[str, ...]] = [("region", "instances", "what", "before", "after")]
    for label, names in groups.items():
        instances = [int(name.rpartition("#")[2].partition("/")[0]) for name in names]
        lead = (label, numbers(instances))
        for key, head in _STATES.items():
            texts = [_state(key, [record[side]["states"][n] for n in names]) for side in ("before", "after")]
            if texts[0] != texts[1]:
                rows.append((*lead, head, *texts))
                lead = ("", "")
    if len(rows) > 1:
        paper.table(rows)
    elif groups:
        paper.line("no region that is in both is laid otherwise")


def _state(key: str, states: list[State]) -> str:
    """One state of all instances of a region; `-` where nobody knows it."""
    known = [state[key] for state in states if key in state]
    if not known:
        return "-"
    if isinstance(known[0], list):
        low, high = min(pair[0] for pair in known), max(pair[1] for pair in known)
        a, b = f"{low:.3g}", f"{high:.3g}"
        return a if a == b else f"{a} to {b}"
    if key == "length_mm":
        low, high = length(min(known)), length(max(known))
        return low if low == high else f"{low} to {high}"
    return same_or_span([round(value, 2) for value in known], "")


def _layers(record: dict[str, Any], paper: Paper) -> None:
    """The layers whose time differs most; those of one file only are counted."""
    layers = record["difference"]["layers"]
    both = [k for k in range(len(layers["z_mm"])) if layers["before"][k] and layers["after"][k]]
    most = sorted(both, key=lambda k: -abs(layers["time_s"][k]))[:_MOST]
    most = [k for k in most if abs(layers["time_s"][k]) >= 0.05]
    rows: list[tuple[str, ...]] = [
        ("layer that differs most", "z mm", "before s", "after s", "difference s", "g")
    ]
    for k in most:
        a, b = layers["before"][k], layers["after"][k]
        seconds = (record["before"]["layers"]["time_s"][a - 1], record["after"]["layers"]["time_s"][b - 1])
        name = str(a) if a == b else f"{a}, in the second file {b}"
        cells = (f"{layers['z_mm'][k]:g}", *(f"{s:.1f}" for s in seconds), f"{layers['time_s'][k]:+.1f}")
        rows.append((name, *cells, signed(layers["mass_g"][k])))
    if most:
        paper.table(rows, right=(1, 2, 3, 4, 5))
    else:
        paper.line("no layer that is in both takes another time")
    for side, other in (("before", "after"), ("after", "before")):
        alone = sum(1 for k in range(len(layers["z_mm"])) if layers[side][k] and not layers[other][k])
        if alone:
            paper.line(
                f"only in the {'first' if side == 'before' else 'second'} file: {counted(alone, 'layer')}"
            )
