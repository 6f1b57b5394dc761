"""Hold a slicer's settings against the material, the machine and a kit."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from gcodetools.jobs.profile import Opened, Way, open_profile, told_of, warnings_of
from gcodetools.jobs.sources import Profiles, profiles_for
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.marks.settings import Settings
from gcodetools.slicer_settings.checks import check_all
from gcodetools.slicer_settings.findings import GRAVITIES, Finding, Look
from gcodetools.slicer_settings.kit_checks import check_kit
from gcodetools.treat.limits import UNKNOWN_HOTEND_C

__all__ = ["audit_profile", "profiles_of"]


def audit_profile(
    path: Path,
    way: Way,
    kits: tuple[Path, ...] = (),
    material: str | None = None,
    machine: str | None = None,
    sets: tuple[str, ...] = (),
) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of an audit; what was found is in the record, the gravest first.

    Raises
    ------
    InputError : file, kit or profile unreadable or invalid. UsageError : no such tool, section, convention, override.
    """
    kit = load_kits(kits) if kits else None
    opened = open_profile(path, way)
    profiles = profiles_of(opened, kit, way, material, machine, sets)
    found = _by_tool(opened, kit, profiles, way)
    record: dict[str, Any] = {
        "schema": "beadwright.profile-audit/1",
        **told_of(opened, way),
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "findings": found,
        "count": {gravity: sum(1 for one in found if one["gravity"] == gravity) for gravity in GRAVITIES},
        "not_told": [name for name in _WANTED if opened.profile.number(name, way.tool) is None],
    }
    if profiles.machine is not None:
        record["machine"] = profiles.machine.name
    if kit is not None:
        record["kit"] = kit.name
    if profiles.overrides:
        record["overrides"] = list(profiles.overrides)
    warnings = warnings_of(opened)
    if profiles.material_from == "assumed":
        warnings.append("no material is named by the kit, the file or --material: PETG assumed")
    if profiles.machine is None:
        warnings.append("no machine is named (--machine): what only it limits is not looked at")
    return record, warnings


# Without these an audit says little.
_WANTED = (
    "nozzle_c", "bed_c", "fan_max", "min_layer_time_s", "layer_height_mm", "nozzle_diameter_mm", "width_mm",
    "perimeters", "infill_density", "speed_outer_mm_s",
)  # fmt: skip


def profiles_of(
    opened: Opened,
    kit: Kit | None,
    way: Way,
    material: str | None,
    machine: str | None,
    sets: tuple[str, ...],
) -> Profiles:
    """Material and machine by the command line, else the kit, else the settings' own filament, else PETG.

    Raises
    ------
    InputError : a profile that is not there or invalid. UsageError : an override that makes no sense.
    """
    kind = opened.profile.text("filament_type", way.tool)
    return profiles_for(kit, Settings(filament_type=kind), material, machine, sets)


def _by_tool(opened: Opened, kit: Kit | None, profiles: Profiles, way: Way) -> list[dict[str, Any]]:
    """Findings of each tool, those that tools share once, with the tools."""
    tools = [way.tool] if way.tool is not None else list(range(opened.profile.tools))
    whose: dict[Finding, list[int]] = {}
    for tool in tools:
        look = Look(
            opened.profile, tool, profiles.material, profiles.machine, UNKNOWN_HOTEND_C,
            profiles.material_from == "assumed",
        )  # fmt: skip
        for finding in [*check_all(look), *(check_kit(look, kit) if kit is not None else ())]:
            mine = whose.setdefault(finding, [])
            if tool not in mine:
                mine.append(tool)
    ordered = sorted(whose, key=lambda one: GRAVITIES.index(one.gravity))
    records = []
    for finding in ordered:
        record = {**asdict(finding), "keys": list(finding.keys)}
        if whose[finding] != tools or way.tool is not None:
            record["tools"] = whose[finding]
        records.append(record)
    return records
