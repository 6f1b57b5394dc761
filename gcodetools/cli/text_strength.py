"""What a treatment did to strength, as people read it."""

from __future__ import annotations

from collections import Counter
from typing import Any

from gcodetools.cli.layout import Paper, figures
from gcodetools.cli.text_costs import signed
from gcodetools.cli.text_estimate import endings, grouped, margin, spread, worst_first
from gcodetools.cli.words import clock, numbers

__all__ = ["show_sentences", "show_strength"]

Record = dict[str, Any]
_FITS = ("press", "key")  # whose walls may be moved, which changes their force and not their stiffness
_WHAT = {
    "margin": "margin",
    "bears": "force it bears",
    "stiffness": "stiffness",
    "across_layers": "strength across layers",
    "along_beads": "strength along beads",
}


def show_strength(strength: Record, costs: Record, paper: Paper, *, brief: bool = False) -> None:
    """Regions before and after, the worst first; what each bears, what changed and what it cost.

    strength : as in the records of `compare` and `apply`. costs : what is added, by region. brief : sentences of
    those regions only that may not hold, and no cautions.
    """
    before = {_name(one): one for one in strength["before"]}
    groups = worst_first(grouped(strength["after"]))
    rows: list[tuple[str, ...]] = [("strength of", "no.", "what", "before", "after")]
    for group in groups:
        one = group[0]
        first = before.get(_name(one))
        if first is None:
            continue
        lead = (f"{one['part']}/{one['region']}", _instances(group, strength))
        for what, a, b in _pairs(first, one, strength["change"].get(_name(one), {})):
            rows.append((*lead, what, a, b))
            lead = ("", "")
    paper.table(rows)
    shown = "one of each part worked out" if "instances" in strength else "the worst of them shown"
    draws = strength["draws"]["count"]
    paper.line(f"no.: instances, {shown}; best estimate (low to high) of {draws:,} draws.")
    paper.blank()
    for group in groups:
        _tell(group, strength["change"], costs, paper, brief and not _doubtful(group[0]))
    paper.blank()
    endings([{**one, "treated_means": _MEANS} for one in strength["after"]], paper)
    # The one on what these numbers are not for stands beside them in any case.
    for caution in strength["cautions"][: 1 if brief else None]:
        paper.line(caution, hang=2)


_MEANS = (
    "better or worse: the whole band of after over before lies more than 2 % on one side of no change; `not shown to "
    "help`: it does not"
)


def _alike(name: str, other: str) -> bool:
    """Whether two names are the same region of two instances of a part."""
    (part, _, behind), (part_2, _, behind_2) = name.rpartition("#"), other.rpartition("#")
    return bool(part) and part == part_2 and behind.partition("/")[2] == behind_2.partition("/")[2]


def _instances(group: list[Record], strength: Record) -> str:
    if "instances" in strength:
        one, count = strength["instances"][group[0]["part"]]
        return f"{one} of {count}"
    return numbers([one["instance"] for one in group])


def _name(one: Record) -> str:
    return f"{one['part']}#{one['instance']}/{one['region']}"


def _pairs(a: Record, b: Record, change: Record) -> list[tuple[str, ...]]:
    """What is told of both sides where it changed; the margin in any case."""
    sides = [one.get("strength_mpa", {}) for one in (a, b)]
    loads = [one.get("load", {}) for one in (a, b)]
    found = [
        ("margin", "", [margin(load.get("margin")) for load in loads]),
        ("margin at tilt", "margin", [margin(load.get("margin_crooked")) for load in loads]),
        ("layers MPa", "across_layers", [spread(side.get("across_layers")) for side in sides]),
        ("beads MPa", "along_beads", [spread(side.get("along_beads")) for side in sides]),
        ("push N", "stiffness", [spread(load.get("force_n")) for load in loads]),
    ]
    shown: list[tuple[str, ...]] = [
        (what, *texts)
        for what, key, texts in found
        if texts != ["-", "-"]
        and (
            not key
            or change.get(key, {}).get("verdict", "no change") != "no change"
            or (what == "push N" and loads[0].get("kind") in _FITS and texts[0] != texts[1])
        )
    ]
    return shown or [("", "no change", "no change")]


def _doubtful(one: Record) -> bool:
    """Whether a region's load may be too much for it, or no margin is told of it."""
    load = one.get("load")
    if load is None:
        return False
    margins = [load[key]["best"] for key in ("margin", "margin_crooked") if key in load]
    return min(margins, default=0.0) < 1.0


def _tell(group: list[Record], changes: Record, costs: Record, paper: Paper, brief: bool) -> None:
    """What the worst instance bears (unless `brief`), what changed by so much, and what all cost together."""
    names = [_name(one) for one in group if _name(one) in changes]
    if not names:
        return
    change = changes[names[0]]
    told = [
        f"{what} {_times(change[key], key)}"
        for key, what in _WHAT.items()
        if key in change and change[key]["verdict"] != "no change"
    ]
    spent = Counter[str]()
    alike = [name for name in costs if _alike(name, names[0])]
    for name in alike:
        spent.update(costs[name])
    time = spent["time_s"]
    told_cost = [f"{'-' if time < 0 else '+'}{clock(abs(time))}"] if abs(time) >= 0.5 else []
    parts = {"mass_g": "g", "cost": "of money"}
    told_cost += [f"{signed(spent[key])} {unit}" for key, unit in parts.items() if abs(spent[key]) >= 5e-4]
    cost = ", ".join(told_cost) or "nothing"
    head = f"{group[0]['part']}/{group[0]['region']}"
    of_all = f" of all {len(alike)}" if len(alike) > 1 else ""
    changed = f"{'; '.join(told) or 'no change'}. Cost{of_all}: {cost}."
    if brief:
        paper.line(f"{head}: {changed}", hang=2)
        return
    paper.line(f"{head}: {group[0]['sentence']}", hang=2)
    paper.line(f"Treated: {changed}", 2, 2)


def _times(change: Record, key: str) -> str:
    """`better, 1.40 (1.10 to 1.70) times`; a gain that is not shown is told behind its verdict, and what is stiffer
    is neither."""
    low, best, high = (figures(change[key], 3) for key in ("low", "best", "high"))
    band = f"{best} ({low} to {high}) times" if low != high else f"{best} times"
    return band if key == "stiffness" else f"{change['verdict']}, {band}"


def show_sentences(strength: Record, paper: Paper) -> None:
    """What each region bears now, a sentence each, the worst first."""
    for group in worst_first(grouped(strength["after"])):
        paper.line(f"{group[0]['part']}/{group[0]['region']}: {group[0]['sentence']}", 2, 2)
