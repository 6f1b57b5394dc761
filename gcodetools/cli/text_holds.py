"""What nozzle and fan are told, and who else gets it, as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, figures, length
from gcodetools.cli.words import numbers

__all__ = ["listed", "show_holds"]

_MANY = 6
Record = dict[str, Any]


def show_holds(holds: list[Record], spill: list[Record], paper: Paper) -> None:
    """What is held for which regions; then what beads get that nobody meant, worst first."""
    paper.blank()
    paper.title("Nozzle and fan: what is told, and who else gets it (modelled)")
    groups: dict[tuple[str, str], list[Record]] = {}
    for hold in holds:
        groups.setdefault((hold["setting"], repr(hold["regions"])), []).append(hold)
    shown = list(groups.values()) if paper.verbose else list(groups.values())[:_MANY]
    for group in shown:
        first = min(hold["layers"][0] for hold in group)
        last = max(hold["layers"][1] for hold in group)
        span = f"plate layer {first}" if first == last else f"plate layers {first} to {last}"
        often = f"in {len(group)} visits over" if len(group) > 1 else "over"
        paper.line(
            f"{group[0]['setting']} {_value(group)} {often} {span}, for {listed(group[0]['regions'])}", 2, 2
        )
    if len(groups) > len(shown):
        paper.line(f"and {len(groups) - len(shown)} more (-v lists them)", 2)
    for setting in ("nozzle", "fan"):
        mine = [item for item in spill if item["setting"] == setting]
        if any(hold["setting"] == setting for hold in holds):
            paper.line(_spill(setting, mine), 4, 2)
            for text in _bands(mine)[: None if paper.verbose else _MANY]:
                paper.line(text, 6, 2)


def _spill(setting: str, spill: list[Record]) -> str:
    if sum(item["length_mm"] for item in spill) < 1.0:
        return f"{setting}: no other bead gets it"
    total = sum(item["length_mm"] for item in spill)
    mean = sum(item["mean"] * item["length_mm"] for item in spill) / total
    most = max((item["most"] for item in spill), key=abs)
    names = [
        f"{item['part']}#{item['instance']}" for item in spill if "part" in item and item["length_mm"] >= 1.0
    ]
    others = any("part" not in item for item in spill)
    whose = " and ".join(
        part for part in (listed(names), "what belongs to no part" if others else "") if part
    )
    share = figures(spill[0]["share_of_plate"] * 100)
    return (
        f"{setting}: {length(total)} of other beads get {_change(setting, mean)} on the mean, at most "
        f"{_change(setting, most)}, in {whose}; {share}% of the plate's beads are changed in all"
    )


def _bands(spill: list[Record]) -> list[str]:
    """Heights where the outer wall may look different, instances that are alike together."""
    groups: dict[tuple[float, float, float], list[str]] = {}
    for item in spill:
        for band in item.get("bands", ()):
            key = (*band["z_mm"], round(band["mean_c"], 1))
            groups.setdefault(key, []).append(f"{item['part']}#{item['instance']}")
    return [
        f"may be seen on the outer wall from z {low:g} to {high:g} mm ({mean:+g} C): {listed(names)}"
        for (low, high, mean), names in groups.items()
    ]


def _change(setting: str, value: float) -> str:
    return f"{value:+.1f} C" if setting == "nozzle" else f"{value * 100:+.0f}% fan"


def _value(holds: list[Record]) -> str:
    low = min(hold["value"][0] for hold in holds)
    high = max(hold["value"][1] for hold in holds)
    if holds[0]["setting"] == "nozzle":
        return f"{low:g} C" if low == high else f"{low:g} to {high:g} C"
    return f"{low * 100:.3g}%" if low == high else f"{low * 100:.3g}% to {high * 100:.3g}%"


def listed(names: list[str]) -> str:
    """`film-clip#1 to 9, shelf-hook/finger of 1 to 4` from names with instance numbers."""
    groups: dict[tuple[str, str], list[int]] = {}
    for name in names:
        part, _, rest = name.rpartition("#")
        number, slash, region = rest.partition("/")
        groups.setdefault((part, slash + region), []).append(int(number))
    return ", ".join(f"{part}{region} #{numbers(own)}" for (part, region), own in groups.items())
