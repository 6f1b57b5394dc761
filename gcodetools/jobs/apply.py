"""Treat a plate: place the kit, select its regions, draft, write, audit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from gcodetools._version import __version__
from gcodetools.edit.audit import Audit
from gcodetools.edit.record import already_treated, record_lines
from gcodetools.edit.treated import Treated, emit
from gcodetools.errors import AlreadyTreated, InputError, NotFoundOnPlate
from gcodetools.gcode.files import read_bytes, write_atomic
from gcodetools.jobs.sources import Profiles, Subset, digest, estimate, instance_numbers, profiles_for
from gcodetools.kit.placing import Placed, Pose, place
from gcodetools.kit.schema import Kit, Region, load_kits, resolve_treatment
from gcodetools.kit.selection import RegionHit, not_met, overlaps, select
from gcodetools.kit.settings import Treatment
from gcodetools.marks.header import header_end
from gcodetools.marks.settings import macro_nozzle
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.times import layer_seconds
from gcodetools.treat.limits import bounds_of, check_limits
from gcodetools.treat.order import Work, draft_of
from gcodetools.treat.schedule import HELD_SHARE_WARNING
from gcodetools.treat.target import Done

__all__ = ["Applied", "Options", "apply_file", "apply_plate", "read_plate"]

Progress = Callable[[str], None]


def _silent(stage: str) -> None:
    """No progress."""


@dataclass(frozen=True, slots=True)
class Options:
    """How a plate is treated.

    kits : files or folders. again : treat a treated file once more. allow_none : a plate without any part is
    no error. verify : read the whole output back.
    """

    kits: tuple[Path, ...]
    material: str | None = None
    machine: str | None = None
    sets: tuple[str, ...] = ()
    subset: Subset = field(default_factory=Subset)
    again: bool = False
    allow_none: bool = False
    verify: bool = False


@dataclass(frozen=True, slots=True)
class Applied:
    """A treated plate with everything that was found and done."""

    treated: Treated
    kit: Kit
    placed: Placed
    profiles: Profiles
    done: tuple[Done, ...]
    audit: Audit
    warnings: tuple[str, ...]
    record: dict[str, Any]


def read_plate(path: Path, *, again: bool = True) -> Plate:
    """Read a sliced file.

    Raises
    ------
    InputError : unreadable, or without a single bead. AlreadyTreated : it carries our record and `again` is
    false.
    """
    data = read_bytes(path)
    if not again and already_treated(data):
        raise AlreadyTreated(
            f"{path}: treated already (it carries a record of Beadwright)",
            "Slice again, or give --again to treat on top: `add` and `scale` then act twice.",
        )
    plate = Plate.from_bytes(data, str(path))
    if not np.any(plate.beads.feature):
        raise InputError(f"{path}: no bead in it, expected a sliced print", "Is it the right file?")
    return plate


def apply_file(path: Path, options: Options, progress: Progress = _silent) -> Applied:
    """Read and treat a file; nothing is written.

    Raises
    ------
    BeadwrightError : one a cause; see `errors`.
    """
    kit = load_kits(options.kits)
    progress("reading")
    plate = read_plate(path, again=options.again)
    return apply_plate(plate, kit, options, progress)


def apply_plate(plate: Plate, kit: Kit, options: Options, progress: Progress = _silent) -> Applied:
    """Treat a plate that is read already.

    Raises
    ------
    NotFoundOnPlate : no part, or a region without a bead. Refused : beyond a limit. Fault : the audit.
    """
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    progress("placing the kit")
    placed = place(kit, plate)
    warnings = [*plate.program.warnings, *plate.warnings, *placed.warnings]
    if profiles.material_from == "assumed":
        warnings.append("no material is named by the kit, the file or --material: PETG assumed")
    if not placed.poses and not options.allow_none:
        raise NotFoundOnPlate(
            f"{plate.program.lines.name}: no part of kit {kit.name} is on the plate "
            f"(looked for {', '.join(kit.parts)})",
            "Check `found_by` in the kit against `beadwright inspect`, or give --allow-none.",
        )
    progress("selecting regions")
    chosen, skipped = _chosen(kit, placed, options.subset)
    work, hits = _work(plate, kit, chosen)
    warnings += overlaps(plate, hits)
    progress("drafting")
    bounds = bounds_of(plate, profiles.material, profiles.machine)
    draft, done = draft_of(plate, work, bounds, layer_seconds(plate), _base(plate, kit))
    warnings += check_limits(draft, bounds)
    progress("writing")
    record_at = header_end(plate.program, plate.marks)
    text = record_lines(_record_pairs(plate, kit, work, profiles, done), plate.program.lines.newline)
    ooze = profiles.material.ooze_mm.value
    bed = profiles.machine.bed if profiles.machine else None
    treated = emit(draft, ooze_mm=ooze, bed=bed, record=(record_at, text))
    progress("auditing")
    result = treated.audit(full=options.verify)
    result.require_clean()
    warnings += _sentences(treated, done, plate)
    record = _record(plate, treated, kit, profiles, done, result, skipped, placed)
    return Applied(treated, kit, placed, profiles, tuple(done), result, tuple(warnings), record)


def write(applied: Applied, out: Path) -> None:
    """Write the treated file.

    Raises
    ------
    CannotWrite : see `files.write_atomic`.
    """
    write_atomic(out, applied.treated.render())


def _chosen(kit: Kit, placed: Placed, subset: Subset) -> tuple[list[Pose], list[str]]:
    chosen, skipped = [], []
    for name, part in kit.parts.items():
        mine = [pose for pose in placed.poses if pose.part == name]
        named = instance_numbers(part.instances, mine)
        for pose in mine:
            if pose in named and subset.holds(pose):
                chosen.append(pose)
            else:
                skipped.append(f"{pose.part}#{pose.instance}")
    return chosen, skipped


def _work(plate: Plate, kit: Kit, poses: list[Pose]) -> tuple[list[Work], list[RegionHit]]:
    """Regions of the chosen instances with their treatments, in the order of the kit.

    Raises
    ------
    NotFoundOnPlate : a region that meets no bead.
    """
    work: list[Work] = []
    hits: list[RegionHit] = []
    treatments: dict[tuple[str, str], Treatment] = {}
    for part_name, part in kit.parts.items():
        mine = [pose for pose in poses if pose.part == part_name]
        for region_name, region in part.regions.items():
            for pose in mine:
                hit = select(plate, pose, region, region_name)
                if len(hit.selection.row) == 0:
                    raise NotFoundOnPlate(*_not_met(plate, pose, region, region_name))
                hits.append(hit)
                if region.treat is None:
                    continue
                key = (part_name, region_name)
                treatments.setdefault(key, resolve_treatment(kit, region))
                work.append((hit, pose, treatments[key], region.beads))
    return work, hits


def _not_met(plate: Plate, pose: Pose, region: Region, name: str) -> tuple[str, str]:
    return (
        f"{pose.part}#{pose.instance}/{name}: the region meets no bead; {not_met(plate, pose, region)}",
        "Check the region's numbers against the drawing of `beadwright learn` or `beadwright check`.",
    )


def _base(plate: Plate, kit: Kit) -> tuple[float, float]:
    """Nozzle and fan before the file's first command: start macro, settings block, kit."""
    beads = np.flatnonzero(plate.beads.feature != 0)
    first_line = int(plate.program.moves.line[beads[0]]) if len(beads) else 0
    nozzle = macro_nozzle(plate.program, first_line)
    if nozzle is None:
        nozzle = plate.settings.nozzle_c
    if nozzle is None and kit.base is not None:
        nozzle = kit.base.nozzle_c
    fan = kit.base.fan if kit.base is not None else None
    nan = float("nan")
    return (nan if nozzle is None else nozzle), (nan if fan is None else fan)


def _record_pairs(
    plate: Plate, kit: Kit, work: list[Work], profiles: Profiles, done: list[Done]
) -> list[tuple[str, str]]:
    """What the record in the file says."""
    kits = ", ".join(f"{Path(s.name).name} {s.sha256[:16]}" for s in kit.sources)
    pairs = [
        ("version", __version__),
        ("original", f"sha256 {digest(plate.program.lines.data)}"),
        ("kit", f"{kit.name} ({kits})"),
        ("material", f"{profiles.material.name} ({profiles.material_from})"),
    ]
    if profiles.machine is not None:
        pairs.append(("machine", profiles.machine.name))
    pairs += [("set", text) for text in profiles.overrides]
    by_region: dict[tuple[str, str], list[int]] = {}
    for hit, pose, _, _ in work:
        by_region.setdefault((hit.part, hit.region), []).append(pose.instance)
    for (part, region), instances in by_region.items():
        mine = {d.setting: d for d in done if (d.part, d.region) == (part, region)}
        asked = ", ".join(f"{k} {d.asked}" for k, d in mine.items())
        pairs.append(("region", f"{part}/{region} of {len(instances)} instance(s): {asked}"))
    did = sum(1 for d in done if d.done != "nothing")
    pairs.append(("totals", f"{len(by_region)} region(s), {did} setting(s) done of {len(done)} asked"))
    return pairs


def _sentences(treated: Treated, done: list[Done], plate: Plate) -> list[str]:
    """Warnings on what was done: held back, refused, holds over most of the plate, rests without a place."""
    found = []
    grouped: dict[tuple[str, ...], list[int]] = {}
    for d in done:
        if d.warning:
            grouped.setdefault((d.part, d.region, d.setting, d.asked, d.done, d.why), []).append(d.instance)
    for (part, region, setting, asked, did, why), instances in grouped.items():
        which = f"{part}#{','.join(map(str, instances))}/{region}"
        found.append(f"{which}: {setting} {asked}: {did}, {why}")
    is_bead = plate.beads.feature != 0
    length = np.where(is_bead, plate.beads.length_mm, 0.0)
    total = float(length.sum())
    for setting in ("nozzle", "fan"):
        held = sum(float(length[h.first : h.last].sum()) for h in treated.draft.holds if h.setting == setting)
        if total and held / total > HELD_SHARE_WARNING:
            found.append(
                f"{setting}: the hold covers {held / total:.0%} of the plate's bead length: "
                "set it in the slicer for the whole plate"
            )
    missed: dict[str, list[int]] = {}
    for item in treated.unrested:
        missed.setdefault(item.why, []).append(item.layer + 1)
    for why, layers in missed.items():
        found.append(
            f"no rest before {len(layers)} layer(s), the first of them plate layer {layers[0]}: {why}"
        )
    return found


def _record(
    plate: Plate,
    treated: Treated,
    kit: Kit,
    profiles: Profiles,
    done: list[Done],
    result: Audit,
    skipped: list[str],
    placed: Placed,
) -> dict[str, Any]:
    """The record of `apply` (keys as in the contract; lines from 1)."""
    names = {(pose.part, pose.instance): pose.label for pose in placed.poses}
    regions = [
        {
            "part": d.part,
            "instance": d.instance,
            "label": names.get((d.part, d.instance)),
            "region": d.region,
            "treatment": d.setting,
            "asked": d.asked,
            "done": d.done,
            "why": d.why,
        }
        for d in done
    ]
    audit_record = asdict(result)
    audit_record.pop("first_difference")
    return {
        "schema": "beadwright.apply/1",
        "file": plate.program.lines.name,
        "digest": digest(treated.render()),
        "kit": kit.name,
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "machine": profiles.machine.name if profiles.machine else None,
        "overrides": list(profiles.overrides),
        "regions": regions,
        "absent": list(placed.absent),
        "untreated_instances": skipped,
        "changes": [
            {"lines": [c.first + 1, c.last + 1], "fields": list(c.fields), "why": c.why}
            for c in treated.changes
        ],
        "holds": _holds(treated, plate),
        "held_back_lines": [line + 1 for line in treated.held_back],
        "added": _added(plate, treated, profiles),
        "audit": audit_record,
    }


def _holds(treated: Treated, plate: Plate) -> list[dict[str, Any]]:
    """Each hold with the beads that got it without being in a region."""
    length = np.where(plate.beads.feature != 0, plate.beads.length_mm, 0.0)
    result = []
    for hold in sorted(treated.draft.holds, key=lambda h: (h.setting, h.first)):
        column = treated.draft.nozzle_c if hold.setting == "nozzle" else treated.draft.fan
        if column is None:
            continue
        rows = np.arange(hold.first, hold.last)
        rows = rows[(length[rows] > 0) & ~np.isnan(column[rows])]
        if len(rows) == 0:
            continue
        layers = plate.beads.layer[rows]
        result.append(
            {
                "setting": hold.setting,
                "layers": [int(layers.min()) + 1, int(layers.max()) + 1],
                "value": [round(float(column[rows].min()), 4), round(float(column[rows].max()), 4)],
                "bead_length_mm": round(float(length[rows].sum()), 1),
                "regions": list(hold.regions),
            }
        )
    return result


def _added(plate: Plate, treated: Treated, profiles: Profiles) -> dict[str, Any]:
    """Mass and cost that the flow adds: filament length in the text times area and density.

    The filament's diameter is within 0.05 mm of its nominal (common practice, no source), which is the band.
    """
    draft = treated.draft
    flow = np.where(np.isnan(draft.flow), 1.0, draft.flow)
    share = draft.t1 - draft.t0
    extra_mm = float((plate.program.moves.e[draft.row] * share * (flow - 1.0)).sum())
    extra_mm += profiles.material.ooze_mm.value * (len(draft.rests) - len(treated.unrested))
    material = profiles.material
    d = material.diameter_mm.value
    gram = extra_mm * np.pi * d**2 / 4 * material.density_g_cm3.value / 1000.0
    low, high = gram * ((d - 0.05) / d) ** 2, gram * ((d + 0.05) / d) ** 2
    source = f"filament in the file, density of {material.name} ({material.density_g_cm3.source})"
    price = material.price_per_kg.value / 1000.0
    return {
        "mass_g": estimate(gram, low, high, source),
        "cost": estimate(gram * price, low * price, high * price, material.price_per_kg.source, "assumed"),
        "rest_s": round(sum(r.seconds for r in draft.rests) - _missed_s(treated), 3),
    }


def _missed_s(treated: Treated) -> float:
    seconds = {r.layer: r.seconds for r in treated.draft.rests}
    return sum(seconds[item.layer] for item in treated.unrested)


__all__ += ["write"]
