"""Treat a plate: place the kit, select its regions, draft, write, audit."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.audit import Audit
from gcodetools.edit.record import already_treated, record_lines
from gcodetools.edit.treated import Treated, emit
from gcodetools.errors import AlreadyTreated, InputError, NotFoundOnPlate
from gcodetools.gcode.arrays import keep_memory
from gcodetools.gcode.files import read_raw, write_atomic
from gcodetools.jobs.accounts import (
    Found,
    apply_record,
    audit_record,
    changes_record,
    record_pairs,
    sentences,
)
from gcodetools.jobs.bed import off_bed
from gcodetools.jobs.containers import opened, packed, packed_record
from gcodetools.jobs.durations import Books
from gcodetools.jobs.sources import Profiles, Subset, digest, instance_numbers, profiles_for
from gcodetools.kit.placing import Placed, Pose, place, why_absent
from gcodetools.kit.schema import Kit, Region, load_kits, resolve_treatment
from gcodetools.kit.selection import RegionHit, not_met, overlaps, select_all
from gcodetools.kit.settings import Treatment
from gcodetools.marks.header import header_end
from gcodetools.marks.settings import macro_nozzle
from gcodetools.physics.timing import Times, layer_seconds, times
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate
from gcodetools.treat import rest
from gcodetools.treat.clock import clock_of, retimed_rows
from gcodetools.treat.limits import bounds_of, check_limits
from gcodetools.treat.order import Work, settled, wanted_of
from gcodetools.treat.reached import Schedule
from gcodetools.treat.target import Done

if TYPE_CHECKING:
    from gcodetools.edit.rests import Unrested

__all__ = [
    "Applied",
    "Instead",
    "Options",
    "apply_file",
    "apply_plate",
    "read_after",
    "read_before",
    "read_plate",
    "write",
]

Progress = Callable[[str], None]
Instead = Callable[[Pose, str, Region], Treatment | None]
_ABSENT_SHOWN, _NAMES_SHOWN = 3, 6
_FOUND_BY = "Check `found_by` in the kit against `beadwright inspect`, or give --allow-none"


def _silent(stage: str) -> None:
    """No progress."""


@dataclass(frozen=True, slots=True)
class Options:
    """How a plate is treated.

    kits : files or folders. again : treat a treated file once more. allow_none : a plate without any part is
    no error. verify : read the whole output back. keep_times : leave the file's own times and totals as they
    are. instead : the treatment of a region of an instance, by (pose, region's name, region), in place of the kit's
    own; None leaves that region alone. noted : more lines of the record in the file, (key, value), behind the kit's.
    plate : which of several plates in a package, by its number; plate_before : of the file that a second is held
    against, where it is another. unpacked : what comes out of a container is plain text. bed_kept : nozzle and fan are
    told nothing in first layers, see `Draft`.
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
    instead: Instead | None = None
    noted: tuple[tuple[str, str], ...] = ()
    plate: int | None = None
    plate_before: int | None = None
    unpacked: bool = False
    bed_kept: bool = False


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


def read_plate(
    path: Path,
    *,
    again: bool = True,
    number: int | None = None,
    lenient: bool = False,
    data: bytes | None = None,
    assumed_mm: float | None = None,
) -> Plate:
    """Read a sliced file, plain or in a container.

    Parameters
    ----------
    number : of the plate, where a package has several. lenient : a file of one plate is taken whatever its number.
    data : what `path` holds, or is to be taken to hold; None reads it. assumed_mm : see `Plate.from_bytes`.

    Raises
    ------
    InputError : unreadable, or without a single bead. UsageError : no such plate, or several and none is chosen.
    AlreadyTreated : it carries our record and `again` is false.
    """
    name = str(path)
    text, container, notes = opened(read_raw(path) if data is None else data, name, number, lenient)
    kept = container.remarks if container is not None else b""
    if not again:
        _refuse_treated(kept or text, name)
    if container is not None and container.kind == "package":
        name = f"{path} (plate {container.plate})"
    plate = Plate.from_bytes(text, name, container.said if container is not None else b"", assumed_mm)
    if not np.any(plate.beads.feature):
        raise InputError(f"{name}: no bead in it, expected a sliced print", "Is it the right file?")
    return replace(plate, container=container, notes=notes) if container is not None or notes else plate


def read_before(path: Path, options: Options) -> Plate:
    """Read the first of two files."""
    own = options.plate_before
    return read_plate(path, number=options.plate if own is None else own, lenient=own is None)


def read_after(path: Path, options: Options, assumed_mm: float | None = None) -> Plate:
    """Read the second of two files. assumed_mm : of the first, so that both are taken to be of one filament."""
    return read_plate(path, number=options.plate, lenient=True, assumed_mm=assumed_mm)


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
    plate = read_plate(path, again=options.again, number=options.plate)
    return apply_plate(plate, kit, options, progress)


def apply_plate(plate: Plate, kit: Kit, options: Options, progress: Progress = _silent) -> Applied:
    """Treat a plate that is read already.

    Raises
    ------
    NotFoundOnPlate : no part, or a region without a bead. Refused : beyond a limit, or treated already.
    Fault : the audit.
    """
    if not options.again:
        _refuse_treated(plate.recorded_in, plate.program.lines.name)
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    # What the way to the output does not wait for is worked out beside it.
    with ThreadPoolExecutor(1) as beside:
        planning = beside.submit(times, plate, profiles.machine)
        assumed = profiles.material_from == "assumed"
        bounding = beside.submit(bounds_of, plate, profiles.material, profiles.machine, assumed)
        original = beside.submit(_digests, plate)
        progress("placing the kit")
        placed, warnings = _placed(plate, kit, profiles, options)
        progress("selecting regions")
        chosen, skipped, misses = _chosen(plate, kit, placed, options)
        warnings += misses
        work, hits = _work(plate, kit, chosen, options.instead)
        shared = beside.submit(overlaps, plate, hits)
        progress("drafting")
        bounds, planned = bounding.result(), planning.result()
        del planning
        timed, layer_s = _timed(plate, work, planned)
        draft, wanted = wanted_of(plate, work, bounds, layer_s, _base(plate, kit), options.bed_kept)
        limits = beside.submit(check_limits, draft, bounds)
        changed = None if timed is None else retimed_rows(draft, timed)
        books = Books(plate, draft, kit, placed.poses, work, profiles, options.keep_times, planned, changed)
        books.ahead(beside)
        clock = None if timed is None else clock_of(draft, timed, changed)
        del planned, timed, changed  # their columns are large, and the books let go of them
        done, schedule = settled(draft, wanted, bounds, clock, placed.poses)
        del clock, wanted
        warnings += [*shared.result(), *limits.result()]
        progress("writing")

        def text(unrested: list[Unrested]) -> bytes:
            told = rest.outcome(done, draft, unrested)
            file, inside = original.result()
            pairs = record_pairs(file, kit, work, profiles, told, (*inside, *options.noted))
            return record_lines(pairs, plate.program.lines.newline)

        ooze_mm, bed = profiles.material.ooze_mm.value, profiles.machine.bed if profiles.machine else None
        record = header_end(plate.program, plate.marks), text
        treated = emit(draft, ooze_mm=ooze_mm, bed=bed, record=record, restate=books.restate)
        treated, lost = packed(treated, books.totals, full=options.verify, wanted=not options.unpacked)
        done = rest.outcome(done, draft, treated.unrested)
        telling = beside.submit(_told, books, treated, done, schedule, placed, skipped)
        progress("auditing")
        result = treated.audit(full=options.verify)
        result.require_clean()
    told, more = telling.result()
    warnings += [*lost, *more]
    summary = {**told, "audit": audit_record(result), **packed_record(treated)}
    return Applied(
        treated, kit, placed, tuple(chosen), profiles, tuple(done), result, tuple(warnings), summary
    )


def _told(
    books: Books, treated: Treated, done: list[Done], schedule: Schedule, placed: Placed, skipped: list[str]
) -> tuple[dict[str, Any], list[str]]:
    """The record but for what the audit has to say, and warnings."""
    took = books.took()
    found = Found(done, schedule, took, digest(treated.render_file()))
    plate = treated.original
    record = apply_record(plate, treated, books.kit, books.profiles, found, skipped, placed, books.work)
    return record, [*sentences(treated, done, plate), *took.warnings]


def _digests(plate: Plate) -> tuple[str, tuple[tuple[str, str], ...]]:
    """Digest of the file, and what the record says of a text that was packed in it."""
    if plate.container is None:
        return digest(plate.program.lines.data), ()
    what = f"sha256 {digest(plate.program.lines.data)}, plate {plate.container.plate} of a {plate.container.kind}"
    return digest(plate.container.data), (("text", what),)


def _placed(plate: Plate, kit: Kit, profiles: Profiles, options: Options) -> tuple[Placed, list[str]]:
    """Where the kit's parts stand, and what is to be said so far.

    Raises
    ------
    NotFoundOnPlate : none of them is there.
    """
    placed = place(kit, plate)
    warnings = [*plate.program.warnings, *plate.warnings, *placed.warnings]
    if already_treated(plate.recorded_in):
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
    from gcodetools.kit.drawing import plain_text

    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    shown = [f'"{name}"' if name.isdigit() else plain_text(name) for name in names[:_NAMES_SHOWN]]
    numbers = "; a number is named in full, no pattern takes it" if any(map(str.isdigit, names)) else ""
    return [
        f"There are objects {', '.join(shown)}{more}{numbers}"
        if numbers
        else f"There are {', '.join(shown)}{more}"
    ]


def write(applied: Applied, out: Path, *, in_place: bool = False) -> None:
    """Write the treated file; in_place : over the one that was read, which must be what it was then.

    Raises
    ------
    CannotWrite : see `files.write_atomic`.
    """
    treated = applied.treated
    write_atomic(out, treated.render_file(), instead_of=treated.original.render_file() if in_place else None)


def _chosen(
    plate: Plate, kit: Kit, placed: Placed, options: Options
) -> tuple[list[Pose], list[str], list[str]]:
    """The instances to treat, the names of the others, and sentences on those that are asked for in vain.

    Raises
    ------
    NotFoundOnPlate : none is left to treat.
    """
    subset = options.subset
    chosen, skipped = [], []
    misses = [f"--only {item}: no such instance on the plate" for item in subset.misses(placed.poses)]
    for name, part in kit.parts.items():
        mine = [pose for pose in placed.poses if pose.part == name]
        named = [pose for pose in instance_numbers(part.instances, mine) if subset.holds(pose)]
        if subset.half:
            named = named[::2]
        chosen += named
        taken = {pose.instance for pose in named}
        skipped += [f"{pose.part}#{pose.instance}" for pose in mine if pose.instance not in taken]
        if mine and part.instances != "all":
            here = {pose.instance for pose in mine}
            absent = [str(number) for number in part.instances if number not in here]
            if absent:
                misses.append(f"{name}: the kit names instance {', '.join(absent)}, {len(mine)} on the plate")
    if placed.poses and not chosen and not options.allow_none:
        raise NotFoundOnPlate(*_none_chosen(plate, placed))
    return chosen, skipped, misses


def _none_chosen(plate: Plate, placed: Placed) -> tuple[str, str]:
    there = ", ".join(f"{pose.part}#{pose.instance}" for pose in placed.poses[:12])
    more = f" and {len(placed.poses) - 12} more" if len(placed.poses) > 12 else ""
    return (
        f"{plate.program.lines.name}: none of the instances on the plate is chosen (there are {there}{more})",
        "Check --only, and `instances` in the kit.",
    )


def _work(
    plate: Plate, kit: Kit, poses: list[Pose], instead: Instead | None
) -> tuple[list[Work], list[RegionHit]]:
    """Regions of the chosen instances with their treatments, in the order of the kit.

    instead : see `Options`.

    Raises
    ------
    NotFoundOnPlate : a region that meets no bead.
    """
    work: list[Work] = []
    hits: list[RegionHit] = []
    own: dict[tuple[str, str], Treatment] = {}
    for part_name, part in kit.parts.items():
        mine = [pose for pose in poses if pose.part == part_name]
        selected = select_all(plate, mine, part.regions)
        for region_name, region in part.regions.items():
            for pose, hit in zip(mine, (found[region_name] for found in selected), strict=True):
                if len(hit.selection.row) == 0:
                    raise NotFoundOnPlate(*_not_met(plate, pose, region, region_name))
                if instead is not None:
                    treatment = instead(pose, region_name, region)
                elif region.treat is None:
                    treatment = None
                else:
                    treatment = own.setdefault((part_name, region_name), resolve_treatment(kit, region))
                if treatment is not None:
                    hits.append(hit)
                    work.append((hit, pose, treatment, region.beads))
    return work, hits


def _not_met(plate: Plate, pose: Pose, region: Region, name: str) -> tuple[str, str]:
    return (
        f"{pose.part}#{pose.instance}/{name}: the region meets no bead; {not_met(plate, pose, region)}",
        "Check the region's numbers against the drawing of `beadwright learn` or `beadwright check`.",
    )


def _timed(plate: Plate, work: list[Work], planned: Times) -> tuple[Times | None, NDArray[np.float64]]:
    """The plate's times and each layer's, for the schedule of nozzle and fan and the rule on fast layers; none where no
    treatment asks for either."""
    if any(t.nozzle is not None or t.fan is not None for _, _, t, _ in work):
        return planned, layer_seconds(plate, planned)
    return None, np.full(len(plate.layers), np.inf)


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
