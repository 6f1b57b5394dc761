"""Move the walls of friction fits and nothing else: one offset for all, or a ladder of offsets to try."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

from gcodetools.documents.kinds import nearest
from gcodetools.errors import UsageError
from gcodetools.gcode.arrays import keep_memory
from gcodetools.jobs.apply import Applied, Options, Progress, apply_plate, read_plate
from gcodetools.jobs.fits import joint_record
from gcodetools.jobs.fits_done import moved_share, tells
from gcodetools.jobs.joints import Joint, Walls, joints_of, kit_walls, plate_walls
from gcodetools.jobs.records import without_nulls
from gcodetools.kit.loads import Key, Press
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit, Part, Region, load_kits
from gcodetools.kit.selection import select
from gcodetools.kit.settings import Fit, Treatment
from gcodetools.records import dataclass
from gcodetools.strength.law import Law, law_of
from gcodetools.strength.spreads import Draws
from gcodetools.toolpath.plate import Plate

__all__ = ["CAUTION", "Nudge", "Nudged", "nudge_file", "nudge_plate"]

Record = dict[str, Any]

CAUTION = (
    "A fit holds by friction alone, and plastic that stays squeezed relaxes: a key that holds a load may work loose in "
    "weeks, sooner where it is warm or shakes. Where it could hurt somebody, hold it by a shape or a screw as well, "
    "follow your local codes and have it checked by somebody licensed to. Press with a clamp or a vice, not with a "
    "hammer, and wear eye protection: tight printed parts may split and throw pieces."
)
_TRY = (
    "Try them from the loosest on, each in the same partner, and stop at the one that goes in as you want it; "
    "`treat: {fit: {offset: ...}}` in the kit keeps its offset for `apply`."
)
_ALL = 0.98  # of a wall moved, from which on all of it counts
_NO_LOAD = "no `press` or `key` load is declared for it in the kit, so nothing is told of its fit"


@dataclass(frozen=True, slots=True)
class Nudge:
    """What is asked for. regions : `part/region`; none means all with the role `seat`. offsets_mm : one for all, or one
    an instance in the order of their numbers, from the first again once all are given. blend_mm : see `fit`."""

    offsets_mm: tuple[float, ...]
    regions: tuple[str, ...] = ()
    blend_mm: float | None = None

    def treatments(self) -> tuple[Treatment | None, ...]:
        """One an offset; None for an offset of 0, which leaves the walls where they are.

        Raises
        ------
        UsageError : an offset or a blend that `fit` does not take.
        """
        if not any(self.offsets_mm):
            raise UsageError("no offset but 0, which moves nothing", "For example --offset 0.05.")
        return tuple(self._treatment(offset) for offset in self.offsets_mm)

    def _treatment(self, offset: float) -> Treatment | None:
        asked: Record = {"offset": offset}
        if self.blend_mm is not None:
            asked["blend"] = self.blend_mm
        said = " ".join(f"{key} {value:g}" for key, value in asked.items())
        if not all(map(math.isfinite, asked.values())):
            raise UsageError(f"fit {said}: expected plain numbers", "For example --offset 0.05.")
        try:
            fit = msgspec.convert(asked, Fit)
        except msgspec.ValidationError as error:
            raise UsageError(f"fit {said}: {error}", "Millimetres; for example --offset 0.05.") from None
        return Treatment(fit=fit) if offset else None


@dataclass(frozen=True, slots=True)
class Nudged:
    """A plate whose walls were moved. applied : as of `apply`. summary : the record without its `changes`. warnings :
    those of the treatment, and what is to be said of the fits."""

    applied: Applied
    summary: Record
    warnings: tuple[str, ...]

    @property
    def record(self) -> Record:
        """The whole record, as `--json` prints it."""
        return {**self.applied.record, **self.summary}


def nudge_file(path: Path, options: Options, nudge: Nudge, progress: Progress) -> Nudged:
    """Read a file and move walls in it; nothing is written.

    Raises
    ------
    UsageError : a region that the kit does not have, an offset that `fit` does not take. BeadwrightError : as `apply`.
    """
    keep_memory()
    kit = load_kits(options.kits)
    chosen_regions(kit, nudge.regions)  # before the file is read
    nudge.treatments()
    progress("reading")
    return nudge_plate(
        read_plate(path, again=options.again, number=options.plate), kit, options, nudge, progress
    )


def nudge_plate(plate: Plate, kit: Kit, options: Options, nudge: Nudge, progress: Progress) -> Nudged:
    """Move walls on a plate that is read already; the kit's own treatments are left out.

    Raises
    ------
    UsageError, BeadwrightError : as `nudge_file`.
    """
    chosen = chosen_regions(kit, nudge.regions)
    rungs = _Rungs(frozenset(chosen), nudge.treatments(), nudge.offsets_mm)
    pairs = _partners(kit, chosen)
    shown = ", ".join(f"{offset:+g}" for offset in nudge.offsets_mm)
    noted = (("nudge", f"fit {shown} mm alone, the kit's own treatments left out"),)
    applied = apply_plate(plate, kit, replace(options, instead=rungs.instead, noted=noted), progress)
    done = _Done.of(applied, rungs)
    record = {
        **applied.summary,
        "schema": "beadwright.nudge/1",
        "offsets_mm": list(nudge.offsets_mm),
        "blend_mm": nudge.blend_mm,
        "nudged": list(chosen),
        "instances": _instances(plate, applied, rungs, done),
        "fits": _fits(plate, kit, applied, chosen, done),
        "caution": CAUTION,
    }
    if len(nudge.offsets_mm) > 1:
        record["try"] = _TRY
    warnings = (*applied.warnings, *_warnings(applied, chosen, rungs, pairs))
    return Nudged(applied, without_nulls(record), warnings)


def chosen_regions(kit: Kit, wanted: Iterable[str]) -> dict[str, _Named]:
    """Regions meant, by `part/region`: those wanted, else all seats.

    Raises
    ------
    UsageError : one that the kit does not have, or no seat.
    """
    every = {
        f"{part}/{name}": _Named(part, name, region)
        for part, one in kit.parts.items()
        for name, region in one.regions.items()
    }
    seats = {name: one for name, one in every.items() if one.region.role == "seat"}
    names = tuple(dict.fromkeys(wanted))
    for name in names:
        if name not in every:
            close = nearest(name, every)
            hint = f"Did you mean {close}?" if close else f"Seats are: {', '.join(seats) or 'none'}."
            raise UsageError(f"--region {name}: no such region in kit {kit.name}, expected PART/REGION", hint)
    if not names and not seats:
        raise UsageError(
            f"kit {kit.name}: no region has `role: seat`",
            "Name the regions to move: --region PART/REGION, or give them the role.",
        )
    return {name: every[name] for name in names} if names else seats


@dataclass(frozen=True, slots=True)
class _Named:
    part: str
    name: str
    region: Region


class _Rungs:
    """Which instance gets which offset, in the order in which `apply` asks."""

    def __init__(
        self, names: frozenset[str], treatments: tuple[Treatment | None, ...], offsets_mm: tuple[float, ...]
    ) -> None:
        self.names, self.treatments, self.offsets_mm = names, treatments, offsets_mm
        self._rank: dict[str, dict[int, int]] = {}

    def instead(self, pose: Pose, name: str, region: Region) -> Treatment | None:
        """See `apply.Options`."""
        rank = self._rank.setdefault(pose.part, {})
        place = rank.setdefault(pose.instance, len(rank))
        wanted = f"{pose.part}/{name}" in self.names
        return self.treatments[place % len(self.treatments)] if wanted else None

    def offset_mm(self, pose: Pose) -> float:
        """What an instance gets."""
        return self.offsets_mm[self._rank[pose.part][pose.instance] % len(self.offsets_mm)]

    def unused(self, parts: Iterable[str]) -> tuple[float, ...]:
        """Offsets that no instance of any of the parts gets."""
        return self.offsets_mm[max((len(self._rank.get(part, ())) for part in parts), default=0) :]


@dataclass(frozen=True, slots=True)
class _Done:
    """mm : by `part/region` and instance, by how much its walls were moved; 0 where they were not, or not asked to
    be, or most of them stay. Of all instances on the plate. share : of its walls that was moved, of those asked."""

    mm: dict[str, dict[int, float]]
    share: dict[tuple[str, int], float]

    @classmethod
    def of(cls, applied: Applied, rungs: _Rungs) -> _Done:
        fits = [d for d in applied.done if d.setting == "fit"]
        did = {(d.part, d.region, d.instance) for d in fits if tells(d)}
        chosen = {(pose.part, pose.instance) for pose in applied.chosen}
        found: dict[str, dict[int, float]] = {}
        for pose in applied.placed.poses:
            for name in applied.kit.parts[pose.part].regions:
                moved = (pose.part, pose.instance) in chosen and (pose.part, name, pose.instance) in did
                mine = found.setdefault(f"{pose.part}/{name}", {})
                mine[pose.instance] = rungs.offset_mm(pose) if moved else 0.0
        return cls(found, {(f"{d.part}/{d.region}", d.instance): moved_share(d) for d in fits})

    def note(self, name: str, instances: list[int]) -> str:
        """What is to be said of walls of a region that stay; empty where all were moved."""
        shares = [self.share.get((name, n), 1.0) for n in instances]
        least = min(shares, default=1.0)
        if not 0.0 < least < _ALL:
            return ""
        counts = any(self.mm[name][n] for n in instances)
        taken = "its sums take the offset for all of it" if counts else "its fit is told as drawn"
        return f"{100 * (1 - least):.0f} % of its wall could not be moved: {taken}"

    def alike(self, name: str) -> float:
        """What all instances of a region have, 0 where they differ."""
        values = set(self.mm.get(name, {0: 0.0}).values())
        return values.pop() if len(values) == 1 else 0.0


def _partners(kit: Kit, chosen: dict[str, _Named]) -> list[tuple[str, str]]:
    """Partners that are both moved."""
    joints = joints_of(kit, lambda part, region, name: 0.0, lambda part, region, name: (2, ""))
    pairs = {
        tuple(sorted((name, joint.mate.name)))
        for name, found in joints.items()
        for joint in found
        if joint.mate
    }
    return sorted((a, b) for a, b in pairs if a in chosen and b in chosen)


def _warnings(
    applied: Applied, chosen: dict[str, _Named], rungs: _Rungs, pairs: list[tuple[str, str]]
) -> list[str]:
    unused = rungs.unused(one.part for one in chosen.values())
    told = [f"no instance is left for {', '.join(f'{offset:+g}' for offset in unused)} mm"] if unused else []
    there = {pose.part for pose in applied.chosen}
    told += [
        f"{a} and {b} are partners and both are moved: their fit changes by both; name one with --region"
        for a, b in pairs
        if {chosen[a].part, chosen[b].part} <= there
    ]
    told += [
        f"{name}: role {one.region.role}, expected a seat; its walls are moved all the same"
        for name, one in chosen.items()
        if one.region.role != "seat"
    ]
    return told


def _instances(plate: Plate, applied: Applied, rungs: _Rungs, done: _Done) -> list[Record]:
    """Which instance got what, and where on the bed its middle is."""
    moves = plate.program.moves
    found = []
    for pose in applied.chosen:
        names = [
            name for name in applied.kit.parts[pose.part].regions if f"{pose.part}/{name}" in rungs.names
        ]
        if not names:
            continue
        x, y = moves.x[pose.rows], moves.y[pose.rows]
        offset = rungs.offset_mm(pose)
        moved = [name for name in names if offset and done.share.get((f"{pose.part}/{name}", pose.instance))]
        found.append(
            {
                "part": pose.part,
                "instance": pose.instance,
                "label": pose.label,
                "x_mm": round(float(x.min() + x.max()) / 2, 1),
                "y_mm": round(float(y.min() + y.max()) / 2, 1),
                "offset_mm": offset,
                "moved": moved,
            }
        )
    return found


def _fits(plate: Plate, kit: Kit, applied: Applied, chosen: dict[str, _Named], done: _Done) -> list[Record]:
    """What moved fits come to, once a region and offset; a partner counts where all its instances are alike."""
    material = applied.profiles.material
    law = law_of(material, Draws()) if material.strength is not None else None
    walls = _walls(plate, applied)
    found: list[Record] = []
    for name, one in chosen.items():
        mine = [pose.instance for pose in applied.chosen if pose.part == one.part]
        if not mine:
            continue
        if not isinstance(one.region.load, (Press, Key)):
            found.append({"region": name, "note": _NO_LOAD})
            continue
        groups: dict[float, list[int]] = {}
        for instance in mine:
            groups.setdefault(done.mm[name][instance], []).append(instance)
        for offset, instances in sorted(groups.items()) if law is not None else ():
            assert law is not None

            def of(part: Part, region: Region, this: str, offset: float = offset, name: str = name) -> float:
                return offset if this == name else done.alike(this)

            for joint in joints_of(kit, of, walls)[name]:
                said = {"note": note} if (note := done.note(name, instances)) else {}
                found.append({"region": name, "instances": instances, **said, **_told(joint, law)})
    return found


def _told(joint: Joint, law: Law) -> Record:
    try:
        return joint_record(joint, law)
    except ValueError as error:
        return {"note": f"its load makes no sum: {error}"}


def _walls(plate: Plate, applied: Applied) -> Callable[[Part, Region, str], Walls]:
    """How many walls a region holds, by the file's own beads where the part is on the plate."""
    firsts: dict[str, Pose] = {}
    for pose in applied.placed.poses:
        firsts.setdefault(pose.part, pose)
    known: dict[str, Walls] = {}

    def walls(part: Part, region: Region, name: str) -> Walls:
        if name not in known:
            owner = next(key for key, one in applied.kit.parts.items() if one is part)
            pose, load = firsts.get(owner), region.load
            if pose is None or not isinstance(load, (Press, Key)):
                known[name] = kit_walls(part, region, name)
            else:
                known[name] = plate_walls(plate, pose, select(plate, pose, region, name), load)
        return known[name]

    return walls
