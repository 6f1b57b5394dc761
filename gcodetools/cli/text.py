"""Records as people read them: rich tables on a terminal, the same text without colour elsewhere."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from gcodetools.cli.options import wants_colour

__all__ = ["CAUTION", "show_apply", "show_check", "show_demo", "show_inspect", "show_learn", "show_post"]

CAUTION = (
    "Caution: a hotter nozzle burns and gives off more fumes: ventilate, and keep a PTFE-lined hotend below "
    "240 C. Watch the first treated print. A treated clip is no safety part: where it holds a load that can "
    "hurt someone, follow your local codes and have it checked by somebody licensed to."
)


def _console() -> Console:
    colour = wants_colour()
    return Console(no_color=not colour, highlight=False, soft_wrap=False, width=None if colour else 110)


def _table(*columns: str, right: tuple[int, ...] = ()) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for k, name in enumerate(columns):
        table.add_column(name, justify="right" if k in right else "left", overflow="fold")
    return table


def _band(estimate: dict[str, Any], unit: str, digits: int = 2) -> str:
    low, best, high = (f"{estimate[k]:.{digits}f}" for k in ("low", "best", "high"))
    band = best if low == high else f"{best} ({low} to {high})"
    return f"{band} {unit}".strip() + f", {estimate['basis']}"


def show_inspect(record: dict[str, Any]) -> None:
    """What is in a file."""
    console = _console()
    layers, filament = record["layers"], record["filament"]
    console.print(f"[bold]{escape(record['file'])}[/]")
    facts = _table("", "")
    facts.add_row("lines", f"{record['lines']:,} ({record['bytes'] / 1e6:.1f} MB)")
    source = "its comments" if record["feature_source"] == "comments" else "geometry alone"
    facts.add_row("marks", f"convention {record['convention']}, features from {source}")
    extra = f", raft of {layers['raft']} below" if layers.get("raft") else ""
    extra += f", {layers['runs']} objects one after another" if layers.get("runs", 1) > 1 else ""
    if layers["count"]:
        size = (
            f"of {layers['height_mm']:g} mm (first {layers['first_mm']:g}), up to z {layers['z_max_mm']:g} mm"
        )
        facts.add_row("layers", f"{layers['count']} {size}{extra}")
    facts.add_row("extrusion", record["extrusion"] + f", tool(s) {', '.join(map(str, record['tools']))}")
    if "nozzle_c" in record:
        facts.add_row("nozzle", f"{record['nozzle_c']:g} C (from {record['nozzle_from']})")
    if "bed_c" in record:
        facts.add_row("bed", f"{record['bed_c']:g} C")
    if "fan_percent" in record:
        facts.add_row("fan", f"{record['fan_percent']:g} % over most of the bead length")
    if "time_in_file_s" in record:
        facts.add_row("time in file", _clock(record["time_in_file_s"]))
    facts.add_row("filament", f"{filament['nozzle_mm']:.1f} mm through the nozzle")
    facts.add_row("", f"{filament['beads_mm']:.1f} mm laid in beads = {filament['volume_mm3']:.0f} mm3")
    facts.add_row("", f"{filament['start_and_tower_mm']:.1f} mm in start code, towers and purges")
    if "stated_mm" in filament:
        facts.add_row("", f"{filament['stated_mm']:.1f} mm stated by the file ({filament['stated_means']})")
    facts.add_row("mass of beads", _band(filament["mass_g"], "g"))
    if record["objects"]:
        shown = record["objects"][:12]
        more = f" and {len(record['objects']) - 12} more" if len(record["objects"]) > 12 else ""
        facts.add_row("objects", escape(", ".join(shown)) + more)
    console.print(facts)
    features = _table("feature", "beads", "length mm", "volume mm3", right=(1, 2, 3))
    for word, value in record["features"].items():
        features.add_row(
            word, f"{value['beads']:,}", f"{value['length_mm']:.1f}", f"{value['volume_mm3']:.1f}"
        )
    console.print(features)
    if "parts" in record:
        _show_parts(console, record)


def _show_parts(console: Console, record: dict[str, Any]) -> None:
    parts = _table("part", "label", "x mm", "y mm", "turn deg", "fit mm", "layers", right=(2, 3, 4, 5, 6))
    for pose in record["parts"]:
        name = f"{pose['part']}#{pose['instance']}" + (" (mirrored)" if pose["mirrored"] else "")
        numbers = [f"{pose[k]:.2f}" for k in ("x_mm", "y_mm", "turn_deg", "fit_mm")]
        parts.add_row(escape(name), escape(pose["label"] or "-"), *numbers, str(pose["layers"]))
    console.print(parts)
    if record["absent"]:
        console.print(f"not on this plate: {escape(', '.join(record['absent']))}")
    regions = _table("region", "role", "layers", "beads", "length mm", "volume mm3", right=(3, 4, 5))
    for hit in record["regions"]:
        name = f"{hit['part']}#{hit['instance']}/{hit['region']}"
        span = f"{hit['layers'][0]}-{hit['layers'][1]}"
        regions.add_row(
            escape(name),
            hit["role"],
            span,
            str(hit["beads"]),
            f"{hit['length_mm']:.1f}",
            f"{hit['volume_mm3']:.1f}",
        )
    console.print(regions)


def _clock(seconds: float) -> str:
    hours, rest = divmod(round(seconds), 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {left:02d} s"


def _grouped(record: dict[str, Any]) -> dict[tuple[str, ...], list[int]]:
    groups: dict[tuple[str, ...], list[int]] = {}
    for item in record["regions"]:
        key = tuple(item[k] for k in ("part", "region", "treatment", "asked", "done", "why"))
        groups.setdefault(key, []).append(item["instance"])
    return groups


def show_apply(record: dict[str, Any]) -> None:
    """What was asked, done and why."""
    console = _console()
    console.print(f"[bold]{escape(record['file'])}[/] -> [bold]{escape(record['out'])}[/]")
    table = _table("region", "instances", "setting", "asked", "done", "why")
    for key, instances in _grouped(record).items():
        part, region, setting, asked, done, why = (escape(text) for text in key)
        table.add_row(f"{part}/{region}", _numbers(instances), setting, asked, done, why)
    console.print(table)
    if record["holds"]:
        holds = _table("hold", "plate layers", "value", "beads under it", "for", right=(3,))
        for hold in record["holds"]:
            holds.add_row(*_hold_row(hold))
        console.print(holds)
    audit, added = record["audit"], record["added"]
    console.print(
        f"lines: {audit['kept']:,} kept, {audit['replaced']:,} changed, {audit['inserted']:,} added, "
        f"{audit['held_back']:,} of the file's own held back; audit: {audit['moves_read']:,} moves read, "
        f"{audit['differing']} differ"
    )
    console.print(f"filament added: {_band(added['mass_g'], 'g', 3)}")
    if added["rest_s"]:
        console.print(f"rests: {_clock(added['rest_s'])} in all")
    console.print(
        "time is not modelled yet in this version: a slower region takes longer than the slicer says"
    )
    if record["absent"]:
        console.print(f"not on this plate: {escape(', '.join(record['absent']))}")
    if record["untreated_instances"]:
        console.print(f"left untreated: {escape(', '.join(record['untreated_instances']))}")


def _numbers(instances: list[int]) -> str:
    ordered = sorted(instances)
    if len(ordered) > 2 and ordered[-1] - ordered[0] == len(ordered) - 1:
        return f"{ordered[0]}-{ordered[-1]}"
    return ", ".join(map(str, ordered))


def _hold_row(hold: dict[str, Any]) -> list[str]:
    unit = (lambda v: f"{v:g} C") if hold["setting"] == "nozzle" else (lambda v: f"{v:.0%}")
    low, high = hold["value"]
    value = unit(low) if low == high else f"{unit(low)} to {unit(high)}"
    names = hold["regions"][:3] + ([f"{len(hold['regions']) - 3} more"] if len(hold["regions"]) > 3 else [])
    first, last = hold["layers"]
    return [
        hold["setting"],
        f"{first}-{last}",
        value,
        f"{hold['bead_length_mm']:.0f} mm",
        escape(", ".join(names)),
    ]


def show_post(record: dict[str, Any]) -> None:
    """One line, since a slicer may show it."""
    audit = record["audit"]
    regions = {(r["part"], r["instance"], r["region"]) for r in record["regions"] if r["done"] != "nothing"}
    _console().print(
        f"beadwright: {len(regions)} region(s) treated, {audit['replaced']} lines changed, "
        f"{audit['inserted']} added in {escape(record['out'])}"
    )


def show_check(record: dict[str, Any]) -> None:
    """A valid kit."""
    console = _console()
    files = ", ".join(item["file"] for item in record["files"])
    console.print(f"[bold]{escape(record['kit'])}[/]: valid ({escape(files)})")
    console.print(f"material {record['material'] or 'not named'}, machine {record['machine'] or 'not named'}")
    table = _table("part", "found by", "region", "role", "beads", "settings", "load")
    for part in record["parts"]:
        by = ", ".join([*part["labels"], *(["outline"] if part["outline"] else [])])
        for region in part["regions"]:
            table.add_row(
                escape(part["part"]),
                escape(by),
                escape(region["region"]),
                region["role"],
                region["beads"],
                ", ".join(region["settings"]) or "-",
                region["load"] or "-",
            )
    console.print(table)
    if "drawing" in record:
        console.print(f"drawing: {escape(record['drawing'])}")
    console.print("snap-fit sums are not built yet in this version")


def show_learn(record: dict[str, Any]) -> None:
    """What was learnt and what to do next."""
    console = _console()
    console.print(f"part [bold]{escape(record['part'])}[/], {record['height_mm']:g} mm high")
    areas = record["thin_areas"]
    if areas:
        table = _table("thin area", "thickness mm", "z mm", "size mm")
        for area in areas:
            table.add_row(*(escape(str(area[k])) for k in ("number", "thickness_mm", "z_mm", "size_mm")))
        console.print(table)
    console.print(f"kit: {escape(record['out'])}\ndrawing: {escape(record['drawing'])}")
    console.print("Next: look at the drawing, uncomment the region you mean in the kit, then run")
    console.print(
        f"  beadwright apply {escape(record['file'])} --kit {escape(record['out'])} -o treated.gcode"
    )


def show_demo(record: dict[str, Any]) -> None:
    """What to open after the demo."""
    console = _console()
    console.print("\n[bold]Open next[/]")
    for item in record["open"]:
        console.print(f"  {escape(item['path'])}: {escape(item['what'])}")
    console.print(f"Try: {escape(record['next'])}")
    console.print("All names, shapes and numbers of the demo are invented.")
