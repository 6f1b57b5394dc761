"""Validate a kit and draw its parts with their regions; no G-code needed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from gcodetools.documents.profiles import Machine, Material
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.estimate import load_record
from gcodetools.jobs.fits import joint_record
from gcodetools.jobs.joints import Joint, joints_of, kit_offset, kit_walls, mismatches
from gcodetools.jobs.records import Approve, unopposed, without_nulls
from gcodetools.jobs.sources import profiles_for
from gcodetools.kit.doubts import outside
from gcodetools.kit.drawing import draw_sections
from gcodetools.kit.schema import Kit, Part, Region, load_kits, resolve_treatment
from gcodetools.kit.settings import Nozzle
from gcodetools.marks.settings import Settings
from gcodetools.strength.law import Law, law_of
from gcodetools.strength.loads import case_of, kind_of
from gcodetools.strength.sentences import CAUTIONS, load_sentence, rests_on
from gcodetools.strength.spreads import Draws
from gcodetools.treat.limits import UNKNOWN_HOTEND_C
from gcodetools.treat.order import BUILT, GEOMETRY

__all__ = ["check_kit", "checked"]


def check_kit(
    paths: tuple[Path, ...],
    drawing: Path | None,
    approve: Approve = unopposed,
    *,
    material: str | None = None,
    machine: str | None = None,
    sets: tuple[str, ...] = (),
    squeeze_mm: float | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of a kit; with `drawing` an SVG of its sections is written there.

    approve : see `records.Approve`. material, machine, sets : as for `sources.profiles_for`; without them those
    of the kit. squeeze_mm : see `checked`.

    Raises
    ------
    InputError : the kit is invalid. CannotWrite : the drawing can't be written.
    """
    kit = load_kits(paths)
    record, warnings = checked(kit, material, machine, sets, squeeze_mm)
    approve(warnings)
    if drawing is not None:
        write_atomic(drawing, draw_sections(kit).encode())
        record["drawing"] = str(drawing)
    return record, warnings


def checked(
    kit: Kit,
    material_name: str | None = None,
    machine_name: str | None = None,
    sets: tuple[str, ...] = (),
    squeeze_mm: float | None = None,
) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of a kit; nothing is written. squeeze_mm : of which fits are told the offset that gives it.

    Raises
    ------
    InputError : a treatment, a profile or a partner that is not there. UsageError : an override that makes no sense.
    """
    named = profiles_for(kit, Settings(), material_name, machine_name, sets)
    material = named.material if named.material_from != "assumed" else None
    machine = named.machine
    warnings: list[str] = []
    law = law_of(named.material, Draws()) if named.material.strength is not None else None
    joints = joints_of(kit, kit_offset(kit), kit_walls)
    warnings += mismatches(joints)
    parts: list[dict[str, Any]] = []
    for name, part in kit.parts.items():
        regions = []
        for title, region in part.regions.items():
            treatment = resolve_treatment(kit, region)
            unbuilt = [key for key in treatment.settings if key not in (*BUILT, *GEOMETRY)]
            if unbuilt:
                warnings.append(
                    f"{name}/{title}: {', '.join(unbuilt)}: not built yet in this version; the rest is done"
                )
            if treatment.nozzle is not None:
                told = _nozzle_doubts(treatment.nozzle, kit, material, machine)
                warnings += [f"{name}/{title}: {sentence}" for sentence in told]
            regions.append(
                {
                    "region": title,
                    "role": region.role,
                    "beads": region.beads,
                    "settings": list(treatment.settings),
                    "load": kind_of(region.load) if region.load is not None else None,
                    **_sums(region, part, law),
                    **_fits(joints.get(f"{name}/{title}", []), law, squeeze_mm),
                }
            )
        warnings += _part_doubts(name, part)
        parts.append(
            {
                "part": name,
                "labels": list(part.found_by.labels),
                "outline": part.found_by.outline is not None,
                "height_mm": part.found_by.height_mm,
                "regions": regions,
            }
        )
    record: dict[str, Any] = {
        "schema": "beadwright.check/1",
        "kit": kit.name,
        "files": [{"file": s.name, "sha256": s.sha256} for s in kit.sources],
        "material": material_name or kit.material,
        "machine": machine_name or kit.machine,
        "parts": parts,
    }
    if any("sums" in region for part in parts for region in part["regions"]):
        record["sums_for"] = f"a solid part printed as the test pieces of material {named.material.name}"
        record["draws"] = {"count": Draws().count, "seed": Draws().seed}
        record["cautions"] = list(CAUTIONS)
    return without_nulls(record), warnings


def _sums(region: Region, part: Part, law: Law | None) -> dict[str, Any]:
    """The snap-fit sums of a region's load, for a solid part as the material's test pieces were printed."""
    if region.load is None or law is None:
        return {}
    try:
        tall = part.found_by.height_mm
        case = case_of(region.load, region.use, law, np.ones(len(law.draws)), None, tall)
    except ValueError as error:
        return {"sums_fault": str(error)}
    return {
        "sums": load_record(case),
        "sentence": load_sentence(case, law),
        "notes": list(case.notes),
        "rests_on": rests_on(law),
    }


def _fits(joints: list[Joint], law: Law | None, squeeze_mm: float | None) -> dict[str, Any]:
    """What the region's joints come to, as drawn and with what `fit` adds."""
    if law is None or not joints:
        return {}
    try:
        return {"fits": [joint_record(joint, law, squeeze_mm) for joint in joints]}
    except ValueError:
        return {}  # its sums have told


def _part_doubts(name: str, part: Part) -> Iterator[str]:
    for title, sentence in outside(part):
        yield f"{name}/{title}: {sentence}"
    if part.found_by.outline is None:
        yield (
            f"{name}: no outline: an instance's frame is the centre of its first layer, turn 0 "
            "(turned instances are not told apart)"
        )


def _nozzle_doubts(
    asked: Nozzle, kit: Kit, material: Material | None, machine: Machine | None
) -> Iterator[str]:
    """What `apply` would refuse or cut short, as far as it is known without a file: a temperature that is
    set, or one added to the kit's base."""
    base = kit.base.nozzle_c if kit.base is not None else None
    if asked.set_c is not None:
        wanted, words = asked.set_c, f"nozzle {asked.set_c:g} C"
    elif asked.add_c is not None and base is not None:
        wanted, words = base + asked.add_c, f"nozzle {asked.add_c:+g} C makes {base + asked.add_c:g} C"
        words += " of the kit's base"
    else:
        return
    low, high, source = 0.0, UNKNOWN_HOTEND_C, "no machine named; more only if the file itself prints hotter"
    if machine is not None:
        high, source = machine.hotend_max_c.value, f"machine {machine.name}"
    if material is not None:
        low = max(material.nozzle_c.low, material.min_extrusion_c.value)
        if material.nozzle_c.high < high or wanted < low:
            high, source = min(high, material.nozzle_c.high), f"material {material.name}"
    if not low <= wanted <= high:
        yield f"{words}, allowed are {low:g} to {high:g} C ({source}); `apply` refuses it"
    elif material is not None and material.measured_peak_c is not None:
        peak = material.measured_peak_c
        if wanted > peak.value:
            yield f"{words}, done only up to the measured peak of {peak.value:g} C ({peak.flag})"
