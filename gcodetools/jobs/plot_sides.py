"""The files a plot looks at, read and placed; which instance and which layer are meant."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.record import already_treated
from gcodetools.errors import InputError, NotFoundOnPlate, UsageError
from gcodetools.jobs.apply import Options, read_after, read_before, read_plate
from gcodetools.jobs.rates import bed_of, rates_of
from gcodetools.jobs.records import counted
from gcodetools.jobs.regions import Found, found_regions
from gcodetools.jobs.sources import Profiles, Subset, profiles_for
from gcodetools.kit.placing import Placed, Pose, place
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.physics.timing import Times, times
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Side", "layer_of", "pose_named", "read_sides", "same_layer"]

I8 = NDArray[np.int64]

_SAME_Z_MM = 1e-3


@dataclass(frozen=True, slots=True)
class Side:
    """A file. name : "before", "after", or "" where it is the only one. found : regions on it, in the kit's order."""

    name: str
    plate: Plate
    kit: Kit | None
    profiles: Profiles
    planned: Times
    mm3_per_mm: float
    placed: Placed
    found: tuple[Found, ...]
    warnings: tuple[str, ...]

    @property
    def file(self) -> str:
        """The file as it was named."""
        return self.plate.file

    def of(self, pose: Pose | None) -> tuple[Found, ...]:
        """Regions of an instance; all for None."""
        if pose is None:
            return self.found
        return tuple(
            one for one in self.found if (one.pose.part, one.pose.instance) == (pose.part, pose.instance)
        )


def read_sides(path: Path, against: Path | None, options: Options) -> tuple[Side, ...]:
    """The file, or `against` as "before" and the file as "after".

    Raises
    ------
    InputError : a file or a kit is unreadable or invalid. NotFoundOnPlate : no part of the kit on any of them.
    """
    kit = load_kits(options.kits) if options.kits else None
    if against is None:
        sides: tuple[Side, ...] = (_side("", read_plate(path, number=options.plate), kit, options),)
    else:
        before = _side("before", read_before(against, options), kit, options)
        sides = (
            before,
            _side("after", read_after(path, options, before.plate.assumed_mm), kit, options, before),
        )
    if kit is not None and not any(side.placed.poses for side in sides):
        raise NotFoundOnPlate(
            f"{', '.join(side.file for side in sides)}: no part of kit {kit.name} is there "
            f"(looked for {', '.join(kit.parts)})",
            "Check `found_by` in the kit against `beadwright inspect`, or leave --kit out.",
        )
    return sides


def _side(name: str, plate: Plate, kit: Kit | None, options: Options, first: Side | None = None) -> Side:
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    placed = place(kit, plate) if kit is not None else Placed((), (), ())
    found, missing = found_regions(plate, kit, placed)
    planned = times(plate, profiles.machine)
    if first is not None and already_treated(plate.recorded_in):
        # What a treated file states of itself goes on from the first's statement: both are scaled alike.
        planned = replace(times(plate, profiles.machine, factor=first.planned.factor), warnings=())
    return Side(
        name,
        plate,
        kit,
        profiles,
        planned,
        rates_of(plate, profiles, bed_of(plate)).mm3_per_mm.value,
        placed,
        tuple(found),
        (*plate.program.warnings, *plate.warnings, *placed.warnings, *planned.warnings, *missing),
    )


def pose_named(side: Side, named: str | None, least: bool) -> Pose | None:
    """The one instance that `named` (PART#N) means. least : None means the first instance with a region, not None.

    Raises
    ------
    UsageError : none or several of that name. NotFoundOnPlate : no instance with a region, where one is needed.
    """
    if named is None:
        if least and not side.found:
            raise NotFoundOnPlate(
                f"{side.file}: no region of the kit meets a bead, so there is none to draw",
                "See `beadwright inspect FILE --kit KIT`.",
            )
        return side.found[0].pose if least else None
    chosen = Subset.parse(named)
    meant = [pose for pose in side.placed.poses if chosen.holds(pose)]
    if len(meant) != 1:
        there = _names(meant or side.placed.poses)
        count = "several instances" if meant else "no instance"
        raise UsageError(f"--instance {named}: {count} of that name on {side.file}", f"Name one of: {there}.")
    return meant[0]


def _names(poses: Iterable[Pose]) -> str:
    return ", ".join(f"{pose.part}#{pose.instance}" for pose in poses) or "none"


def layer_of(side: Side, pose: Pose | None, number: int) -> tuple[int, I8]:
    """Layer `number` (from 1, of the instance, or of the plate without one): its index in the plate's layers, and
    the rows of its beads.

    Raises
    ------
    UsageError : there is no such layer.
    """
    beads, layers = side.plate.beads, side.plate.layers
    count, whose = (len(layers), side.file) if pose is None else (pose.layers, f"{pose.part}#{pose.instance}")
    if not 1 <= number <= count:
        raise UsageError(f"--layer {number}: {whose} has {counted(count, 'layer')}", f"Give 1 to {count}.")
    if pose is None:
        rows = np.arange(int(layers.first_row[number - 1]), int(layers.last_row[number - 1]))
        rows = rows[beads.is_bead[rows]]
        return number - 1, rows.astype(np.int64)
    rows = pose.rows[pose.layer == number].astype(np.int64)
    if len(rows) == 0:
        raise UsageError(f"--layer {number}: {whose} has no bead there", "Give another.")
    return int(beads.layer[rows[0]]), rows


def same_layer(of: Side, index: int, on: Side) -> int:
    """Number (from 1) of the plate layer of `on` that lies where layer `index` of `of` does.

    Raises
    ------
    InputError : there is none.
    """
    mine, other = of.plate.layers, on.plate.layers
    alike = (other.run == mine.run[index]) & (np.abs(other.z_mm - mine.z_mm[index]) < _SAME_Z_MM)
    if not np.any(alike):
        raise InputError(
            f"{on.file}: no layer at {mine.z_mm[index]:.3f} mm, where layer {index + 1} of {of.file} lies",
            "Compare two files with the same layers, or name an --instance, whose layers are counted from 1.",
        )
    return int(np.flatnonzero(alike)[0]) + 1
