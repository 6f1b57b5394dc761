"""Treat a plate: place the kit, select its regions, draft, write, audit."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from gcodetools.edit.audit import Audit
from gcodetools.edit.record import already_treated, record_lines
from gcodetools.edit.rests import Unrested
from gcodetools.edit.treated import Treated, emit
from gcodetools.errors import AlreadyTreated, InputError, NotFoundOnPlate
from gcodetools.gcode.arrays import keep_memory
from gcodetools.gcode.files import read_bytes, write_atomic
from gcodetools.jobs.accounts import Found, apply_record, changes_record, record_pairs, sentences
from gcodetools.jobs.bed import off_bed
from gcodetools.jobs.durations import Books
from gcodetools.jobs.sources import Profiles, Subset, digest, instance_numbers, profiles_for
from gcodetools.kit.drawing import plain_text
from gcodetools.kit.placing import Placed, Pose, place, why_absent
from gcodetools.kit.schema import Kit, Region, load_kits, resolve_treatment
from gcodetools.kit.selection import RegionHit, not_met, overlaps, select_all
from gcodetools.kit.settings import Treatment
from gcodetools.marks.header import header_end
from gcodetools.marks.settings import macro_nozzle
from gcodetools.physics.timing import Times, layer_seconds, times
from gcodetools.toolpath.plate import Plate
from gcodetools.treat import rest
from gcodetools.treat.limits import bounds_of, check_limits
from gcodetools.treat.order import Work, draft_of
from gcodetools.treat.target import Done

__all__ = ["Applied", "Options", "apply_file", "apply_plate", "read_plate", "write"]

Progress = Callable[[str], None]
_ABSENT_SHOWN, _NAMES_SHOWN = 3, 6
_FOUND_BY = "Check `found_by` in the kit against `beadwright inspect`, or give --allow-none"


def _silent(stage: str) -> None:
    """No progress."""


@dataclass(frozen=True, slots=True)
class Options:
    """How a plate is treated.

    kits : files or folders. again : treat a treated file once more. allow_none : a plate without any part is
    no error. verify : read the whole output back. keep_times : leave the file's own times and totals as they
    are.
    """

    kits: tuple[Path, ...]
    material: str | None = None
    machine: str | None = None
    sets: tuple[str, ...] = ()
    subset: Subset = field(default_factory=Subset)
    again: bool = False
    allow_none: bool = False
    verify: bool = False
    keep_times: bool = False


@dataclass(frozen=True, slots=True)
class Applied:
    """A treated plate with everything that was found and done.

    chosen : the instances treated. summary : the record without its `changes`.
    """

    treated: Treated
    kit: Kit
    placed: Placed
    chosen: tuple[Pose, ...]
    profiles: Profiles
    done: tuple[Done, ...]
    audit: Audit
    warnings: tuple[str, ...]
    summary: dict[str, Any]

    @property
    def record(self) -> dict[str, Any]:
        """The whole record, as `--json` prints it."""
        return {**self.summary, "changes": changes_record(self.treated)}


def read_plate(path: Path, *, again: bool = True) -> Plate:
    """Read a sliced file.

    Raises
    ------
    InputError : unreadable, or without a single bead. AlreadyTreated : it carries our record and `again` is
    false.
    """
    data = read_bytes(path)
    if not again:
        _refuse_treated(data, str(path))
    plate = Plate.from_bytes(data, str(path))
    if not np.any(plate.beads.feature):
        raise InputError(f"{path}: no bead in it, expected a sliced print", "Is it the right file?")
    return plate


def _refuse_treated(data: bytes, name: str) -> None:
    if already_treated(data):
        raise AlreadyTreated(
            f"{name}: treated already (it carries a record of Beadwright)",
            "Slice again, or give --again to treat on top: `add` and `scale` then act twice.",
        )


def apply_file(path: Path, options: Options, progress: Progress = _silent) -> Applied:
    """Read and treat a file; nothing is written. The process keeps the memory it needs for that.

    Raises
    ------
    BeadwrightError : one a cause; see `errors`.
    """
    keep_memory()
    kit = load_kits(options.kits)
    progress("reading")
    plate = read_plate(path, again=options.again)
    return apply_plate(plate, kit, options, progress)


def apply_plate(plate: Plate, kit: Kit, options: Options, progress: Progress = _silent) -> Applied:
    """Treat a plate that is read already.

    Raises
    ------
    NotFoundOnPlate : no part, or a region without a bead. Refused : beyond a limit, or treated already.
    Fault : the audit.
    """
    if not options.again:
        _refuse_treated(plate.program.lines.data, plate.program.lines.name)
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    progress("placing the kit")
    placed, warnings = _placed(plate, kit, profiles, options)
    progress("selecting regions")
    chosen, skipped, misses = _chosen(kit, placed, options.subset)
    warnings += misses
    if placed.poses and not chosen and not options.allow_none:
        raise NotFoundOnPlate(*_none_chosen(plate, placed))
    work, hits = _work(plate, kit, chosen)
    warnings += overlaps(plate, hits)
    progress("drafting")
    assumed = profiles.material_from == "assumed"
    bounds = bounds_of(plate, profiles.material, profiles.machine, assumed)
    planned = _planned(plate, work, profiles)
    layer_s = np.full(len(plate.layers), np.inf) if planned is None else layer_seconds(plate, planned)
    draft, done, schedule = draft_of(plate, work, bounds, layer_s, _base(plate, kit), planned, placed.poses)
    warnings += check_limits(draft, bounds)
    progress("writing")
    record_at = header_end(plate.program, plate.marks)

    def text(unrested: list[Unrested]) -> bytes:
        told = rest.outcome(done, draft, unrested)
        pairs = record_pairs(original.result(), kit, work, profiles, told)
        return record_lines(pairs, plate.program.lines.newline)

    books = Books(plate, draft, kit, placed.poses, work, profiles, options.keep_times, planned)
    del planned  # its columns are large, and the books let go of them
    # What only the record needs is worked out beside the writing and the audit.
    with ThreadPoolExecutor(1) as beside:
        original = beside.submit(digest, plate.program.lines.data)
        ooze_mm, bed = profiles.material.ooze_mm.value, profiles.machine.bed if profiles.machine else None
        treated = emit(draft, ooze_mm=ooze_mm, bed=bed, record=(record_at, text), restate=books.restate)
        output = beside.submit(digest, treated.render())
        took = beside.submit(books.took)
        done = rest.outcome(done, draft, treated.unrested)
        progress("auditing")
        result = treated.audit(full=options.verify)
    result.require_clean()
    warnings += [*sentences(treated, done, plate), *took.result().warnings]
    found = Found(done, schedule, result, took.result(), output.result())
    summary = apply_record(plate, treated, kit, profiles, found, skipped, placed, work)
    return Applied(
        treated, kit, placed, tuple(chosen), profiles, tuple(done), result, tuple(warnings), summary
    )


def _placed(plate: Plate, kit: Kit, profiles: Profiles, options: Options) -> tuple[Placed, list[str]]:
    """Where the kit's parts stand, and what is to be said so far.

    Raises
    ------
    NotFoundOnPlate : none of them is there.
    """
    placed = place(kit, plate)
    warnings = [*plate.program.warnings, *plate.warnings, *placed.warnings]
    if already_treated(plate.program.lines.data):
        warnings.append("treated already and now on top of that: `add` and `scale` act twice")
    if profiles.material_from == "assumed":
        warnings.append("no material is named by the kit, the file or --material: PETG assumed")
    if not placed.poses and not options.allow_none:
        raise NotFoundOnPlate(
            f"{plate.program.lines.name}: no part of kit {kit.name} is on the plate "
            f"(looked for {', '.join(kit.parts)})",
            " ".join(f"{text}." for text in (*_near(kit, plate), _FOUND_BY)),
        )
    warnings += off_bed(plate, profiles.machine, placed.poses)
    return placed, warnings


def _near(kit: Kit, plate: Plate) -> list[str]:
    """Sentences on what comes near to a kit's parts; else what the objects are called."""
    near = why_absent(kit, plate)[:_ABSENT_SHOWN]
    names = plate.marks.objects.names
    if near or not names:
        return near
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    return [f"There are {', '.join(map(plain_text, names[:_NAMES_SHOWN]))}{more}"]


def write(applied: Applied, out: Path) -> None:
    """Write the treated file.

    Raises
    ------
    CannotWrite : see `files.write_atomic`.
    """
    write_atomic(out, applied.treated.render())


def _chosen(kit: Kit, placed: Placed, subset: Subset) -> tuple[list[Pose], list[str], list[str]]:
    """The instances to treat, the names of the others, and sentences on those that are asked for in vain."""
    chosen, skipped = [], []
    misses = [f"--only {item}: no such instance on the plate" for item in subset.misses(placed.poses)]
    for name, part in kit.parts.items():
        mine = [pose for pose in placed.poses if pose.part == name]
        named = [pose for pose in instance_numbers(part.instances, mine) if subset.holds(pose)]
        if subset.half:
            named = named[::2]
        chosen += named
        skipped += [f"{pose.part}#{pose.instance}" for pose in mine if pose not in named]
        if mine and part.instances != "all":
            here = {pose.instance for pose in mine}
            absent = [str(number) for number in part.instances if number not in here]
            if absent:
                misses.append(f"{name}: the kit names instance {', '.join(absent)}, {len(mine)} on the plate")
    return chosen, skipped, misses


def _none_chosen(plate: Plate, placed: Placed) -> tuple[str, str]:
    there = ", ".join(f"{pose.part}#{pose.instance}" for pose in placed.poses[:12])
    more = f" and {len(placed.poses) - 12} more" if len(placed.poses) > 12 else ""
    return (
        f"{plate.program.lines.name}: none of the instances on the plate is chosen (there are {there}{more})",
        "Check --only, and `instances` in the kit.",
    )


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
        selected = select_all(plate, mine, part.regions)
        for region_name, region in part.regions.items():
            for pose, hit in zip(mine, (found[region_name] for found in selected), strict=True):
                if len(hit.selection.row) == 0:
                    raise NotFoundOnPlate(*_not_met(plate, pose, region, region_name))
                if region.treat is None:
                    continue
                hits.append(hit)
                key = (part_name, region_name)
                treatments.setdefault(key, resolve_treatment(kit, region))
                work.append((hit, pose, treatments[key], region.beads))
    return work, hits


def _not_met(plate: Plate, pose: Pose, region: Region, name: str) -> tuple[str, str]:
    return (
        f"{pose.part}#{pose.instance}/{name}: the region meets no bead; {not_met(plate, pose, region)}",
        "Check the region's numbers against the drawing of `beadwright learn` or `beadwright check`.",
    )


def _planned(plate: Plate, work: list[Work], profiles: Profiles) -> Times | None:
    """How long the plate takes, for the schedule of nozzle and fan and the rule on fast layers; None where no
    treatment asks for either."""
    asked = any(t.nozzle is not None or t.fan is not None for _, _, t, _ in work)
    return times(plate, profiles.machine) if asked else None


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
