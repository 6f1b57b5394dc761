"""Validate a kit and draw its parts with their regions; no G-code needed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from gcodetools.documents import profiles
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.records import Approve, unopposed, without_nulls
from gcodetools.kit.drawing import draw_sections
from gcodetools.kit.schema import Kit, load_kits, resolve_treatment
from gcodetools.treat.order import BUILT

__all__ = ["check_kit"]


def check_kit(
    paths: tuple[Path, ...], drawing: Path | None, approve: Approve = unopposed
) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of a kit; with `drawing` an SVG of its sections is written there.

    approve : see `records.Approve`.

    Raises
    ------
    InputError : the kit is invalid. CannotWrite : the drawing can't be written.
    """
    kit = load_kits(paths)
    warnings: list[str] = []
    parts = []
    for name, part in kit.parts.items():
        regions = []
        for title, region in part.regions.items():
            treatment = resolve_treatment(kit, region)
            unbuilt = [key for key in treatment.settings if key not in BUILT]
            if unbuilt:
                warnings.append(
                    f"{name}/{title}: {', '.join(unbuilt)}: not built yet in this version; the rest is done"
                )
            regions.append(
                {
                    "region": title,
                    "role": region.role,
                    "beads": region.beads,
                    "settings": list(treatment.settings),
                    "load": _kind(region.load) if region.load is not None else None,
                }
            )
        if part.found_by.outline is None:
            warnings.append(
                f"{name}: no outline: an instance's frame is the centre of its first layer, turn 0 "
                "(turned instances are not told apart)"
            )
        parts.append(
            {
                "part": name,
                "labels": list(part.found_by.labels),
                "outline": part.found_by.outline is not None,
                "height_mm": part.found_by.height_mm,
                "regions": regions,
            }
        )
    _check_profiles(kit)
    record: dict[str, Any] = {
        "schema": "beadwright.check/1",
        "kit": kit.name,
        "files": [{"file": s.name, "sha256": s.sha256} for s in kit.sources],
        "material": kit.material,
        "machine": kit.machine,
        "parts": parts,
    }
    approve(warnings)
    if drawing is not None:
        write_atomic(drawing, draw_sections(kit).encode())
        record["drawing"] = str(drawing)
    return without_nulls(record), warnings


def _kind(load: object) -> str:
    """A load case as the kit spells it: `open_ring`."""
    return re.sub(r"(?<!^)(?=[A-Z])", "_", type(load).__name__).lower()


def _check_profiles(kit: Kit) -> None:
    if kit.material:
        profiles.load_material(kit.material)
    if kit.machine:
        profiles.load_machine(kit.machine)
