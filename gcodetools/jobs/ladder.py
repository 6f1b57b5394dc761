"""A ladder: each instance of a plate, or each band of height, gets a step of settings of its own, with a sheet."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from gcodetools.edit.record import already_treated
from gcodetools.errors import AlreadyTreated, CannotWrite, InputError, NotFoundOnPlate, UsageError
from gcodetools.gcode.arrays import keep_memory
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Applied, Options, apply_plate, read_plate
from gcodetools.jobs.ladder_asked import Asked, Plan
from gcodetools.jobs.ladder_got import Seen, check_steps, got_of_specimens
from gcodetools.jobs.ladder_limits import check_ranges
from gcodetools.jobs.ladder_plan import plan_ladder
from gcodetools.jobs.ladder_record import csv_of, drawn_of, footprint_of, ladder_record
from gcodetools.jobs.sources import instance_numbers, profiles_for
from gcodetools.kit.drawing import plain_text
from gcodetools.kit.naming import glob_of, instance_meant
from gcodetools.kit.placing import Placed, Pose, label_matches, place
from gcodetools.kit.schema import FoundBy, Kit, Part, Region, load_kits
from gcodetools.kit.settings import Treatment
from gcodetools.kit.shapes import All
from gcodetools.marks.objects import normal_label
from gcodetools.physics.timing import times
from gcodetools.records import dataclass
from gcodetools.report.ladder_sheet import sheet_html
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.limits import bounds_of
from gcodetools.trials.factors import treatment_of

__all__ = ["Ladder", "ladder_file", "ladder_plate", "sheet_paths", "write_together"]

Progress = Callable[[str], None]
_WHOLE = "whole"  # the region of an object that no kit describes
_NO_OUTLINE = "no outline in the kit"
_ALIKE = 0.02  # of the area on the bed, turned or not
_MOST_HELD = "set it in the slicer for the whole plate"  # no advice for a ladder, whose steps differ


def _silent(stage: str) -> None:
    """No progress."""


@dataclass(frozen=True, slots=True)
class Ladder:
    """A treated plate, its plan, the record for people and scripts, and what to be warned of."""

    applied: Applied
    plan: Plan
    seen: Seen
    record: dict[str, Any]
    warnings: tuple[str, ...]

    def outputs(self, out: Path, sheet: Path | None) -> list[tuple[Path, bytes]]:
        """What is to be written, the sliced file last. sheet : folder of the sheet; None is beside it."""
        page, table = sheet_paths(out, sheet)
        record = {**self.record, "out": str(out)}
        return [
            (table, csv_of(self.record, self.plan).encode()),
            (page, sheet_html(record, drawn_of(self.applied, self.plan), table.name).encode()),
            (out, self.applied.treated.render_file()),
        ]


def sheet_paths(out: Path, sheet: Path | None) -> tuple[Path, Path]:
    """Where the build sheet and its table go: beside the treated file, or in a folder."""
    folder = out.parent if sheet is None else sheet
    return folder / f"{out.stem}.sheet.html", folder / f"{out.stem}.sheet.csv"


def ladder_file(
    path: Path,
    options: Options,
    asked: Asked,
    region: str | None = None,
    label: str | None = None,
    progress: Progress = _silent,
) -> Ladder:
    """Read a file and make a ladder of it; nothing is written.

    Parameters
    ----------
    options : as for `apply`. region : `PART/REGION` of the kit. label : of the objects, where no kit is given; None
    takes the only ones.

    Raises
    ------
    UsageError : options that do not go together. BeadwrightError : any other, one a cause; see `errors`.
    """
    keep_memory()
    if options.kits and label is not None:
        raise UsageError("--object and --kit together", "A kit's part is named by --region PART/REGION.")
    kit = load_kits(options.kits) if options.kits else None
    named = None if kit is None else _region_named(kit, region)
    if kit is None and region is not None:
        raise UsageError(f"--region {region}: without a kit", "Name the kit with --kit, or an --object.")
    progress("reading")
    plate = read_plate(path, number=options.plate)
    if kit is None or named is None:
        kit, named = _object_kit(plate, label)
    return ladder_plate(plate, kit, named, options, asked, progress)


def ladder_plate(
    plate: Plate,
    kit: Kit,
    named: tuple[str, str],
    options: Options,
    asked: Asked,
    progress: Progress = _silent,
) -> Ladder:
    """Make a ladder of a plate that is read already. named : part and region of the kit.

    Raises
    ------
    AlreadyTreated : it carries a record of ours. BeadwrightError : any other, one a cause; see `errors`.
    """
    _check_asked(asked)
    if already_treated(plate.recorded_in):
        raise AlreadyTreated(
            f"{plate.program.lines.name}: treated already (it carries a record of Beadwright)",
            "A ladder starts from the file as sliced: name that one.",
        )
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    progress("placing the kit")
    placed, poses = _poses(plate, kit, named[0], options)
    planned = times(plate, profiles.machine)
    bounds = bounds_of(plate, profiles.material, profiles.machine, profiles.material_from == "assumed")
    peak = check_ranges(plate, asked, bounds, poses)
    plan = plan_ladder(plate, kit, named, poses, asked, profiles, planned)
    treatments = _treatments(plan, asked)
    count = f"{len(plan.specimens)} specimens, {len(plan.steps)} steps, seed {asked.seed}"
    applied = apply_plate(
        plate,
        plan.kit,
        replace(
            options,
            sets=(*options.sets, *peak),
            instead=lambda pose, name, _: (
                treatments.get((pose.instance, name)) if pose.part == named[0] else None
            ),
            noted=(*options.noted, ("ladder", count)),
            bed_kept=True,
        ),
        progress,
    )
    progress("reading back what each specimen got")
    seen = got_of_specimens(applied, plan)
    warnings = [*placed.warnings, *applied.warnings, *check_steps(applied, plan, seen)]
    told = [text for text in dict.fromkeys(warnings) if _MOST_HELD not in text]
    told = [text for text in told if kit.sources or _NO_OUTLINE not in text]
    record = ladder_record(applied, plan, seen, asked, plate.file, bool(peak))
    return Ladder(applied, plan, seen, record, tuple(told))


def _check_asked(asked: Asked) -> None:
    names = [factor.name for factor in (*asked.vary, *asked.hold)]
    if not asked.vary:
        raise UsageError("ladder: nothing to vary", "For example --vary nozzle=220:250:10.")
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UsageError(
            f"ladder: {twice} is given twice", "Name each setting once, with --vary or with --hold."
        )
    for word, number in (("--repeat", asked.repeat), ("--bands", asked.bands), ("--runs", asked.runs)):
        if number is not None and number < 1:
            raise UsageError(f"{word} {number}: expected a number from 1 on", "Give how many.")
    if not 0 <= asked.gap_mm < 1000:
        raise UsageError(f"--gap {asked.gap_mm:g}: expected mm from 0 on", "Give the height between bands.")


def _region_named(kit: Kit, region: str | None) -> tuple[str, str]:
    """Part and region.

    Raises
    ------
    UsageError : the kit has no such region, or several and none is named.
    """
    there = [f"{part}/{name}" for part, one in kit.parts.items() for name in one.regions]
    if region is None and len(there) == 1:
        region = there[0]
    if region is None or region not in there:
        what = "which of its regions is not said" if region is None else f"no region {region!r} in it"
        raise UsageError(f"kit {kit.name}: {what}", f"Give --region, one of: {', '.join(there)}.")
    part, _, name = region.partition("/")
    return part, name


def _object_kit(plate: Plate, label: str | None) -> tuple[Kit, tuple[str, str]]:
    """A kit of one part with one region, all of it: the objects of a label or several, or whatever stands on a plate
    that names none. Where names are mere numbers, one an object, alike objects are one part.

    Raises
    ------
    InputError : several objects and none named. NotFoundOnPlate : no such object.
    """
    names = sorted({normal_label(name) for name in plate.marks.objects.names})
    if label is None and len(names) > 1 and all(name.isdigit() for name in names):
        meant = tuple(names)
    elif label is None or not names:
        instance_meant(plate, label)
        meant = tuple(names[:1])
    else:
        meant = _labels(label, names)
    stem = meant[0] if meant else re.split(r"[\\/]", plate.program.lines.name)[-1].split(".")[0]
    name = re.sub(r"[^a-z0-9]+", "-", stem.lower()).strip("-")[:60] or "part"
    globs = tuple(one if set("*?[") & set(one) else glob_of(one) for one in meant)
    part = Part(FoundBy(label=globs), {_WHOLE: Region(All())})
    kit = Kit(name, (), {name: part})
    if len(meant) > 1:
        _check_alike(plate, kit, name, meant)
    return kit, (name, _WHOLE)


def _labels(text: str, names: Sequence[str]) -> tuple[str, ...]:
    """The labels that `--object` names: one, or several with commas between."""
    if normal_label(text) in names:
        return (text,)
    return tuple(one.strip() for one in text.split(",") if one.strip()) or (text,)


def _check_alike(plate: Plate, kit: Kit, part: str, meant: Sequence[str]) -> None:
    """Refuse objects of several names that are no copies of one part.

    Raises
    ------
    InputError : their heights or first layers differ. NotFoundOnPlate : one of them is not there.
    """
    poses = place(kit, plate).poses
    listed = ", ".join(plain_text(one) for one in meant)
    for one in meant:
        glob = one if set("*?[") & set(one) else glob_of(one)
        if not any(pose.label is not None and label_matches(pose.label, glob) for pose in poses):
            raise NotFoundOnPlate(
                f"{plate.program.lines.name}: no object {plain_text(one)!r} among {listed}",
                f"Objects in the file: {', '.join(sorted({normal_label(n) for n in plate.marks.objects.names})[:6])}.",
            )
    sizes = [(pose.layers, footprint_of(plate, pose).area) for pose in poses]
    odd = [k for k, (n, area) in enumerate(sizes) if n != sizes[0][0] or abs(area / sizes[0][1] - 1) > _ALIKE]
    if odd:
        (n, area), (other_n, other_area) = sizes[0], sizes[odd[0]]
        first, other = (plain_text(str(poses[k].label)) for k in (0, odd[0]))
        raise InputError(
            f"{plate.program.lines.name}: {len(meant)} objects, not all alike: {first} has {n} layers and "
            f"{area:.0f} mm2 on the bed, {other} has {other_n} and {other_area:.0f}",
            f"Name alike ones: --object {first}, or several with commas between.",
        )


def _poses(plate: Plate, kit: Kit, part: str, options: Options) -> tuple[Placed, list[Pose]]:
    """The instances that a ladder may use.

    Raises
    ------
    NotFoundOnPlate : there is none.
    """
    placed = place(kit, plate)
    all_mine = [pose for pose in placed.poses if pose.part == part]
    mine = instance_numbers(kit.parts[part].instances, all_mine)
    chosen = [pose for pose in mine if options.subset.holds(pose)]
    if not chosen:
        names = ", ".join(sorted({normal_label(name) for name in plate.marks.objects.names})[:6]) or "none"
        what = "none of its instances is chosen" if all_mine else "it is not on the plate"
        raise NotFoundOnPlate(
            f"{plate.program.lines.name}: no instance of {part}: {what}",
            f"Check --object, --only and the kit's `found_by`. Objects in the file: {names}.",
        )
    return placed, chosen


def _treatments(plan: Plan, asked: Asked) -> dict[tuple[int, str], Treatment]:
    """By instance and region. A fan that changes from instance to instance within a layer follows each."""
    by_layer = plan.layered and plan.by in ("instance", "both") and asked.varies("fan")
    mode = "follow" if by_layer and len({one.pose.instance for one in plan.specimens}) > 1 else "hold"
    return {
        (one.pose.instance, one.region): treatment_of(one.settings, outer=asked.outer, fan_mode=mode)
        for one in plan.specimens
    }


def write_together(files: Sequence[tuple[Path, bytes]]) -> None:
    """Write several files, or none: where one fails, those before it are as they were.

    Raises
    ------
    CannotWrite : see `files.write_atomic`.
    """
    before: list[tuple[Path, bytes | None]] = []
    try:
        for path, data in files:
            old = _content(path)
            write_atomic(path, data)
            before.append((path, old))
    except BaseException:
        for path, old in reversed(before):
            with suppress(OSError, CannotWrite):
                if old is None:
                    path.unlink()
                else:
                    write_atomic(path, old)
        raise


def _content(path: Path) -> bytes | None:
    """What a file holds; None where there is none, or what is no regular file."""
    try:
        return path.read_bytes() if path.is_file() else None
    except OSError:
        return None
