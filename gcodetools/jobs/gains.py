"""What a treatment does to the strength of its regions: before and after, one instance of each part."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from gcodetools.jobs.apply import Applied
from gcodetools.jobs.carried import carried
from gcodetools.jobs.estimate import region_records
from gcodetools.jobs.rates import bed_of, rates_of
from gcodetools.jobs.regions import Found
from gcodetools.jobs.strength_changes import changes_of, means_of, source_of
from gcodetools.jobs.strengths import Strengths, strengths_of
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import select_all
from gcodetools.physics.timing import Times, times
from gcodetools.strength.sentences import CAUTIONS
from gcodetools.toolpath.plate import Plate

__all__ = ["gains_of", "strength_record"]

Record = dict[str, Any]


def gains_of(applied: Applied) -> Record:
    """The key `strength` for the record of `apply`; empty where nothing changed, or nothing is known of the
    material's strength."""
    treated, kit = applied.treated, applied.kit
    plate, material = treated.original, applied.profiles.material
    if treated.render() == plate.program.lines.data or material.strength is None:
        return {}
    firsts: dict[str, Pose] = {}
    for pose in applied.chosen:
        firsts.setdefault(pose.part, pose)
    again = treated.plate
    poses = {
        (pose.part, pose.instance): pose
        for pose in carried(treated.draft, again, treated.edits, applied.placed.poses)
    }
    planned = times(plate, applied.profiles.machine)
    replanned = times(again, applied.profiles.machine, factor=planned.factor)
    sides = []
    for side, plan in ((plate, planned), (again, replanned)):
        here = firsts if side is plate else {
            part: poses[pose.part, pose.instance] for part, pose in firsts.items()
        }  # fmt: skip
        sides.append(_side(side, plan, here, applied))
    (before, a), (after, b) = sides
    if before is None or after is None:
        return {}
    record = strength_record(before, a, after, b)
    record["instances"] = {
        part: [pose.instance, sum(one.part == part for one in applied.chosen)]
        for part, pose in firsts.items()
    }
    record["kit"] = kit.name
    return {"strength": record}


def _side(
    plate: Plate, planned: Times, poses: dict[str, Pose], applied: Applied
) -> tuple[Strengths | None, list[Record]]:
    kit, profiles = applied.kit, applied.profiles
    found = []
    for name, pose in poses.items():
        regions = {key: one for key, one in kit.parts[name].regions.items() if one.treat is not None}
        hits = select_all(plate, [pose], regions)[0]
        found += [Found(hits[key], pose, one) for key, one in regions.items() if len(hits[key].selection.row)]
    per_mm = rates_of(plate, profiles, bed_of(plate)).mm3_per_mm.value
    strengths = strengths_of(plate, kit, found, profiles, planned, per_mm) if found else None
    if strengths is None:
        return None, []
    records = region_records(plate, kit, found, strengths, planned, per_mm)
    return replace(strengths, got=None), records


def strength_record(
    before: Strengths, records: list[Record], after: Strengths, records_after: list[Record]
) -> Record:
    """Both sides and what changed, as `--json` prints it."""
    changes = changes_of(before, after)
    means = means_of(changes)
    draws = after.law.draws
    told = [{**one, "treated_means": means.get(_name(one), one["treated_means"])} for one in records_after]
    return {
        "draws": {"count": draws.count, "seed": draws.seed},
        "before": records,
        "after": told,
        "change": {name: one.record(source_of(after)) for name, one in changes.items()},
        "cautions": list(CAUTIONS),
    }


def _name(one: Record) -> str:
    return f"{one['part']}#{one['instance']}/{one['region']}"
