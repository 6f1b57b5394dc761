"""The record of `inspect` as people read it."""

from __future__ import annotations

import re
from typing import Any

from gcodetools.cli.layout import NO_BREAK, Paper, length
from gcodetools.cli.text_container import container_facts
from gcodetools.cli.text_costs import energy_fact, feature_cells, layer_lines, money, region_table, word
from gcodetools.cli.words import band, clock, numbers, plainly, same_or_span
from gcodetools.jobs.records import counted

__all__ = ["show_inspect"]

_NOZZLE_FROM = {
    "commands": "set by the file",
    "start macro": "from the words of its start macro",
    "settings block": "from its settings block",
    "kit": "from the kit's base",
}
_APART = {"start": "start code", "heating": "heating up", "tools": "tool changes", "end": "end code"}
_STATED = {
    "nozzle": "all that goes through the nozzle",
    "beads": "what is laid in beads",
    "beads+start+tower": "beads, start code and tower",
}


def show_inspect(record: dict[str, Any], paper: Paper) -> None:
    """What is in a file; with a kit, its parts and regions (each instance by `verbose`)."""
    paper.title(record["file"])
    facts = _facts(record)
    if record["objects"]:
        facts.append(("objects", "; ".join(_stems(record["objects"], paper.verbose))))
    paper.facts(facts)
    paper.blank()
    paper.table(_feature_rows(record), right=(1, 2, 3, 4, 5))
    if paper.verbose:
        paper.blank()
        layer_lines(record["costs"], paper)
    if "parts" in record:
        _show_kit(record, paper)


def _feature_rows(record: dict[str, Any]) -> list[tuple[str, ...]]:
    """Beads, length and volume of each feature; time and mass of these and of all else, and of the whole."""
    costs, features = record["costs"], record["features"]
    rows: list[tuple[str, ...]] = [("feature", "beads", "length", "volume mm3", "time", "g")]
    for name in dict.fromkeys([*features, *costs["features"]]):
        found = ("", "", "")
        if name in features:
            value = features[name]
            found = (f"{value['beads']:,}", length(value["length_mm"]), f"{value['volume_mm3']:,.0f}")
        spent = costs["features"].get(name)
        rows.append((word(name), *found, *(feature_cells(spent) if spent else ("", ""))))
    return [*rows, ("whole", "", "", "", *feature_cells(costs["whole"]))]


def _facts(record: dict[str, Any]) -> list[tuple[str, str]]:
    layers = record["layers"]
    source = "its comments" if record["feature_source"] == "comments" else "geometry alone"
    facts = [
        ("lines", f"{record['lines']:,} ({record['bytes'] / 1e6:.1f} MB)"),
        *container_facts(record),
        ("marks", f"convention {record['convention']}; features from {source}"),
        ("layers", _layers(layers)),
    ]
    if record["treated"]:
        facts.append(("treated", "yes: the file carries a record of Beadwright"))
    tools = record["tools"]
    which = f"tool {tools[0]}" if len(tools) == 1 else "tools " + ", ".join(map(str, tools))
    facts.append(("extrusion", f"{record['extrusion']}, {which}"))
    if "nozzle_c" in record:
        source = _NOZZLE_FROM.get(record["nozzle_from"], record["nozzle_from"])
        facts.append(("nozzle", f"{record['nozzle_c']:g} C, {source}"))
    else:
        facts.append(("nozzle", "not known: neither the file nor the kit's base says"))
    if "bed_c" in record:
        facts.append(("bed", f"{record['bed_c']:g} C"))
    if "fan_percent" in record:
        facts.append(("fan", f"{record['fan_percent']:g}% over most of the bead length"))
    facts += _time(record)
    facts += _filament(record["filament"])
    costs = record["costs"]
    return [*facts, *energy_fact(costs, costs["whole"]), ("money", _money(record["filament"]["cost"]))]


def _time(record: dict[str, Any]) -> list[tuple[str, str]]:
    printing = record["time"]["print_s"]
    low, best, high = (clock(printing[key]) for key in ("low", "best", "high"))
    facts = [("time", f"{best} from first to last bead ({low} to {high}): {printing['source']}")]
    apart = [(key, record["time"][f"{key}_s"]) for key in _APART if f"{key}_s" in record["time"]]
    more = [f"{_APART[key]} {clock(value['best'])}" for key, value in apart if value["best"] >= 0.5]
    if more:
        facts.append(("", f"besides: {', '.join(more)}; in all {clock(record['time']['total_s']['best'])}"))
    if "heating_s" in record["time"]:
        low, high = (clock(record["time"]["heating_s"][key]) for key in ("low", "high"))
        facts.append(("", f"heating up takes {low} to {high} ({record['time']['heating_s']['source']})"))
    if "time_in_file_s" in record:
        facts.append(("", f"{clock(record['time_in_file_s'])} stated by the file"))
    return facts


def _money(cost: dict[str, Any]) -> str:
    low, best, high = (money(cost[key]) for key in ("low", "best", "high"))
    return f"{best} of filament in beads ({low} to {high}, {cost['basis']}): {cost['source']}"


def _layers(layers: dict[str, Any]) -> str:
    if not layers["count"]:
        return "none found"
    text = f"{layers['count']} of {layers['height_mm']:g} mm (first {layers['first_mm']:g})"
    text += f", up to z {layers['z_max_mm']:g} mm"
    if "raft" in layers:
        text += f"; below them a raft of {counted(layers['raft'], 'layer')}"
    if layers.get("runs", 1) > 1:
        text += f"; {layers['runs']} objects one after another"
    return text


def _filament(filament: dict[str, Any]) -> list[tuple[str, str]]:
    facts = [
        ("filament", f"{length(filament['nozzle_mm'])} through the nozzle"),
        ("", f"{length(filament['beads_mm'])} of it in beads: {filament['volume_mm3']:,.0f} mm3"),
    ]
    if filament["start_and_tower_mm"] >= 0.05:
        facts.append(("", f"{length(filament['start_and_tower_mm'])} in start code, towers and purges"))
    if "stated_mm" in filament:
        meaning = _STATED.get(filament["stated_means"], filament["stated_means"])
        facts.append(("", f"{length(filament['stated_mm'])} stated by the file ({meaning})"))
    return [*facts, ("mass", f"{band(filament['mass_g'], 'g')} in beads")]


def _stems(names: list[str], everything: bool) -> list[str]:
    """Labels that differ in their last number only, as one: `clip copy 0 to 8`."""
    if everything:
        return names
    stems: dict[str, list[int]] = {}
    for name in names:
        found = re.fullmatch(r"(.*?)(\d+)", name)
        if found:
            stems.setdefault(found[1], []).append(int(found[2]))
        else:
            stems.setdefault(name, [])
    shown = [stem + numbers(own) for stem, own in stems.items()]
    return shown if len(shown) <= 8 else [*shown[:8], f"{len(shown) - 8} more (-v lists them)"]


def _show_kit(record: dict[str, Any], paper: Paper) -> None:
    paper.blank()
    if paper.verbose:
        _every_instance(record, paper)
    else:
        _grouped_instances(record, paper)
    if record["absent"]:
        paper.line("not on this plate: " + ", ".join(record["absent"]), hang=2)
    if record["regions"]:
        paper.blank()
        if not paper.verbose and len(record["parts"]) > 1:
            paper.line("Beads, length and volume are those of each instance:")
        paper.table(_region_rows(record["regions"], paper.verbose), right=(3, 4, 5, 6))
        paper.blank()
        region_table(record["costs"], paper)


def _every_instance(record: dict[str, Any], paper: Paper) -> None:
    rows = [("instance", "label", "x mm", "y mm", "turn deg", "fit mm", "layers")]
    for pose in record["parts"]:
        name = f"{pose['part']}#{pose['instance']}" + (" mirrored" if pose["mirrored"] else "")
        keys = ("x_mm", "y_mm", "turn_deg", "fit_mm")
        cells = [f"{pose[key]:.2f}" if key in pose else "-" for key in keys]
        rows.append((name, pose.get("label", "-"), *cells, str(pose["layers"])))
    paper.table(rows, right=(2, 3, 4, 5, 6))


def _grouped_instances(record: dict[str, Any], paper: Paper) -> None:
    groups: dict[str, list[dict[str, Any]]] = {}
    for pose in record["parts"]:
        groups.setdefault(pose["part"], []).append(pose)
    if not groups:
        paper.line("no part of the kit is on this plate")
    for part, poses in groups.items():
        layers = same_or_span([pose["layers"] for pose in poses], "")
        paper.line(f"{part}: {counted(len(poses), 'instance')}, {layers} layers each; {_fit(poses)}", hang=2)
        paper.line("at x, y " + "; ".join(_place(pose) for pose in poses), indent=2, hang=2)


def _fit(poses: list[dict[str, Any]]) -> str:
    fits = [pose["fit_mm"] for pose in poses if "fit_mm" in pose]
    if not fits:
        return "no outline to fit"
    return "outline fits exactly" if max(fits) < 0.005 else f"outline fits within {max(fits):.2f} mm"


def _place(pose: dict[str, Any]) -> str:
    text = f"#{pose['instance']} {plainly(pose['x_mm'])}, {plainly(pose['y_mm'])}"
    if pose["turn_deg"]:
        text += f" turned {plainly(pose['turn_deg'])}"
    return (text + (" mirrored" if pose["mirrored"] else "")).replace(" ", NO_BREAK)


def _region_rows(regions: list[dict[str, Any]], everything: bool) -> list[tuple[str, ...]]:
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for hit in regions:
        key = (hit["part"], hit["region"], hit["instance"] if everything else None)
        groups.setdefault(key, []).append(hit)
    rows: list[tuple[str, ...]] = [("region", "instances", "role", "layers", "beads", "length", "volume")]
    for (part, region, _), hits in groups.items():
        first, last = min(h["layers"][0] for h in hits), max(h["layers"][1] for h in hits)
        rows.append(
            (
                f"{part}/{region}",
                numbers([h["instance"] for h in hits]),
                hits[0]["role"],
                f"{first} to {last}",
                same_or_span([h["beads"] for h in hits], ""),
                same_or_span([round(h["length_mm"]) for h in hits], "mm"),
                same_or_span([round(h["volume_mm3"]) for h in hits], "mm3"),
            )
        )
    return rows
