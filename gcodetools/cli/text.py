"""The records of `check`, `learn` and `demo` as people read them, and the caution."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gcodetools.cli.layout import Paper
from gcodetools.cli.text_apply import show_apply
from gcodetools.cli.text_fits import fits_of, show_fits
from gcodetools.cli.text_story import show_story
from gcodetools.cli.text_strength import show_sentences
from gcodetools.cli.words import plainly
from gcodetools.jobs.records import counted

__all__ = ["CAUTION", "show_check", "show_demo", "show_learn"]

CAUTION = (
    "Caution: a hotter nozzle burns and gives off more fumes: ventilate, and keep a PTFE-lined hotend below "
    "240 C. Watch the first treated print. A treated clip is no safety part: where it holds a load that can "
    "hurt someone, follow your local codes and have it checked by somebody licensed to."
)


def show_check(record: dict[str, Any], paper: Paper) -> None:
    """A valid kit."""
    files = ", ".join(item["file"] for item in record["files"])
    paper.title(f"{record['kit']}: valid ({files})")
    named = [
        f"{key} {record[key]}" if key in record else f"no {key} named" for key in ("material", "machine")
    ]
    paper.line(", ".join(named))
    for part in record["parts"]:
        paper.blank()
        by = [f"label {label}" for label in part["labels"]] + (["outline"] if part["outline"] else [])
        paper.line(f"{part['part']}, found by {' or '.join(by)}", hang=2)
        rows = [("region", "role", "beads", "settings", "load")]
        for region in part["regions"]:
            settings = ", ".join(region["settings"]) or "none"
            rows.append(
                (region["region"], region["role"], region["beads"], settings, region.get("load", "-"))
            )
        paper.table(rows, indent=2)
    paper.blank()
    if "drawing" in record:
        paper.line(f"drawing: {record['drawing']}")
    _show_sums(record, paper)


def _show_sums(record: dict[str, Any], paper: Paper) -> None:
    """What the loads ask, a sentence each; the same one of several regions once."""
    told: dict[str, list[str]] = {}
    for part in record["parts"]:
        for region in part["regions"]:
            text = region.get("sentence") or region.get("sums_fault")
            if text and "fits" not in region:
                told.setdefault(text, []).append(f"{part['part']}/{region['region']}")
    fits = fits_of(record)
    if not told and not fits:
        return
    if told:
        paper.line(
            f"Snap-fit sums, for {record['sums_for']}; `beadwright estimate` takes a sliced file's own beads:"
        )
    for text, names in told.items():
        paper.line(f"{', '.join(names)}: {text}", 2, 2)
    show_fits(fits, paper, "Fits, for the same" if told else f"Fits, for {record['sums_for']}")
    paper.blank()
    for caution in record["cautions"]:
        paper.line(caution, hang=2)


def show_learn(record: dict[str, Any], paper: Paper) -> None:
    """What was learnt and what to do next."""
    paper.title(f"part {record['part']}, {plainly(record['height_mm'])} mm high")
    areas = record["thin_areas"]
    if areas:
        rows = [("thin area", "thickness mm", "z mm", "size mm")]
        for area in areas:
            z, size = (list(map(_plain, area[key])) for key in ("z_mm", "size_mm"))
            row = (str(area["number"]), _plain(area["thickness_mm"]), " to ".join(z), " x ".join(size))
            rows.append(row)
        paper.table(rows, right=(0, 1), indent=2)
    else:
        paper.line("no thin area found in it; the kit has a commented region to start from", 2)
    if record["specks_left_out"]:
        paper.line(
            f"left out as too small for a region: {counted(record['specks_left_out'], 'thin speck')}", 2
        )
    paper.facts([("kit", record["out"]), ("drawing", record["drawing"])])
    paper.blank()
    paper.line("Next: look at the drawing, uncomment the region you mean in the kit, then run")
    paper.line(f"beadwright apply {record['file']} --kit {record['out']} -o treated{_ending(record)}", 2, 2)


def _ending(record: dict[str, Any]) -> str:
    """What a treated copy's name ends in: what comes packed goes packed."""
    ending = Path(record["file"]).suffix.lower()
    return {".3mf": ".gcode.3mf", ".gz": ".gcode.gz", ".bgcode": ".bgcode"}.get(ending, ".gcode")


def _plain(value: float) -> str:
    return f"{value:g}"


def show_demo(record: dict[str, Any], paper: Paper) -> None:
    """What was done, and what to open."""
    show_apply(record["apply"], paper)
    paper.blank()
    if "strength" in record["apply"]:
        paper.title("What its regions bear, treated (modelled)")
        show_sentences(record["apply"]["strength"], paper)
        paper.blank()
    advice = record["advise"]
    paper.title(f"Asked how to reach a margin of {advice['goal']['margin']:g} (modelled)")
    for one in advice["regions"]:
        paper.line(f"{one['part']}/{one['region']}: {one['sentence']}", 2, 2)
    paper.blank()
    show_story(record["story"], paper)
    paper.title("Open next")
    for item in record["open"]:
        paper.line(item["path"], 2)
        paper.line(item["what"], 6)
    paper.line(f"Try: {record['next']}", hang=2)
    paper.line("All names, shapes and numbers of the demo are invented.")
    paper.blank()
    paper.line(CAUTION)
