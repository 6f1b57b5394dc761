"""What `apply` tells of its work: the record in the file, the record for people and scripts, warnings."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from gcodetools._version import __version__
from gcodetools.edit.audit import Audit
from gcodetools.edit.draft import Draft
from gcodetools.edit.moves import BEAD
from gcodetools.edit.treated import Treated
from gcodetools.jobs.durations import Took
from gcodetools.jobs.fits_done import moved_pairs
from gcodetools.jobs.holds import hold_records, reached_record, spill_records
from gcodetools.jobs.rates import density, diameter
from gcodetools.jobs.records import counted, estimate, without_nulls
from gcodetools.jobs.sources import Profiles
from gcodetools.kit.placing import Placed
from gcodetools.kit.schema import Kit
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.order import Work
from gcodetools.treat.reached import Schedule
from gcodetools.treat.schedule import HELD_SHARE_WARNING
from gcodetools.treat.target import Done

__all__ = ["Found", "apply_record", "audit_record", "changes_record", "record_pairs", "sentences"]

_LONGEST = 199  # of a warning on one setting
_MORE = "; more in the region's own entry and with --json"
_CLAUSES = re.compile(r"; (?![^(]*\))")  # none within parentheses
_GRAVE = ("nothing carries", "retractions")


def record_pairs(
    original: str,
    kit: Kit,
    work: list[Work],
    profiles: Profiles,
    done: list[Done],
    noted: tuple[tuple[str, str], ...] = (),
) -> list[tuple[str, str]]:
    """What the record in the file says; original : digest of the file that was treated. noted : see
    `apply.Options`.

    A region whose instances were asked for different things has a line for each.
    """
    kits = ", ".join(f"{Path(s.name).name} {s.sha256[:16]}" for s in kit.sources)
    pairs = [
        ("version", __version__),
        ("original", f"sha256 {original}"),
        ("kit", f"{kit.name} ({kits})" if kits else kit.name),
        ("material", f"{profiles.material.name} ({profiles.material_from})"),
    ]
    if profiles.machine is not None:
        pairs.append(("machine", profiles.machine.name))
    pairs += [("set", text) for text in profiles.overrides]
    pairs += noted
    wanted: dict[tuple[str, str, int], dict[str, str]] = {}
    for d in done:
        wanted.setdefault((d.part, d.region, d.instance), {})[d.setting] = d.asked
    by_region: dict[tuple[str, str], dict[str, list[int]]] = {}
    for hit, pose, _, _ in work:
        mine = wanted.get((hit.part, hit.region, pose.instance), {})
        asked = ", ".join(f"{key} {words}" for key, words in mine.items())
        by_region.setdefault((hit.part, hit.region), {}).setdefault(asked, []).append(pose.instance)
    for (part, region), by_asked in by_region.items():
        for asked, instances in by_asked.items():
            alike = len(by_asked) == 1
            which = counted(len(instances), "instance") if alike else f"#{','.join(map(str, instances))}"
            pairs.append(("region", f"{part}/{region} of {which}: {asked}"))
    pairs += moved_pairs(work, done)
    # A rest or hold that serves several instances is asked for by each and done for all.
    did = sum(1 for d in done if d.done != "nothing" or "for an earlier region" in d.why)
    pairs.append(
        ("totals", f"{counted(len(by_region), 'region')}, {did} of {counted(len(done), 'setting')} done")
    )
    return pairs


def sentences(treated: Treated, done: list[Done], plate: Plate) -> list[str]:
    """Warnings on what was done: held back, refused, holds over most of the plate, rests without a place."""
    found = []
    grouped: dict[tuple[str, ...], list[int]] = {}
    for d in done:
        if d.warning:
            grouped.setdefault((d.part, d.region, d.setting, d.asked, d.done, d.why), []).append(d.instance)
    for (part, region, setting, asked, did, why), instances in grouped.items():
        which = f"{part}#{','.join(map(str, instances))}/{region}"
        whole = f"{which}: {setting} {asked}: {did}, {why}"
        if len(whole) > _LONGEST:
            few = f"{part}/{region} ({len(instances)} instances)" if len(instances) > 1 else which
            whole = _shortened(few, f"{setting} {asked}", did, why)
        found.append(whole)
    length, is_bead = plate.beads.length_mm, plate.beads.is_bead
    total = float(length.sum(where=is_bead))
    for setting in ("nozzle", "fan"):
        spans = [slice(h.first, h.last) for h in treated.draft.holds if h.setting == setting]
        held = sum(float(length[span].sum(where=is_bead[span])) for span in spans)
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
            f"no rest before {counted(len(layers), 'layer')}, first before plate layer {layers[0]}: {why}"
        )
    return found


def _shortened(which: str, asked: str, did: str, why: str) -> str:
    """A warning of at most _LONGEST characters: its first reason that is one to look at; the answer has all."""
    reasons = _CLAUSES.split(why)
    grave = [one for one in reasons if any(word in one for word in _GRAVE)]
    reason = (grave or reasons)[0] or _CLAUSES.split(did)[0]
    lead = f"{which}: {asked}: {'not done: ' if did == 'nothing' else ''}"
    room = _LONGEST - len(lead) - len(_MORE)
    if len(reason) > room:
        reason = reason[: max(room - 4, 0)].rpartition(" ")[0].rstrip(" ,;:(") + " ..."
    return f"{lead}{reason}{_MORE}"[:_LONGEST]


@dataclass(frozen=True, slots=True)
class Found:
    """What came of a treatment. schedule : what nozzle and fan reach. output : digest of the treated file."""

    done: list[Done]
    schedule: Schedule
    took: Took
    output: str


def apply_record(
    plate: Plate,
    treated: Treated,
    kit: Kit,
    profiles: Profiles,
    found: Found,
    skipped: list[str],
    placed: Placed,
    work: list[Work],
) -> dict[str, Any]:
    """The record of `apply` without its changes and without the audit (keys as in the contract; lines from 1)."""
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
            "reached": reached_record(found.schedule, d.setting, f"{d.part}#{d.instance}/{d.region}"),
            "layers": [dict(item) for item in d.details] or None,
        }
        for d in found.done
    ]
    took = dict(found.took.time)
    record = {
        "schema": "beadwright.apply/1",
        "file": plate.file,
        "digest": found.output,
        "kit": kit.name,
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "machine": profiles.machine.name if profiles.machine else None,
        "overrides": list(profiles.overrides),
        "regions": regions,
        "parts_found": list(dict.fromkeys(pose.part for pose in placed.poses)),
        "absent": list(placed.absent),
        "untreated_instances": skipped,
        "holds": hold_records(plate, treated, [item[0] for item in work], placed.poses),
        "spill": spill_records(found.schedule, placed.poses),
        "held_back": _held_back(treated, plate),
        "added": {"time_s": took.pop("time_s"), **_added(treated, profiles)},
        "time": took,
        "costs": found.took.costs,
    }
    return without_nulls(record)


def audit_record(audit: Audit) -> dict[str, Any]:
    """What the audit found, for the record of `apply`."""
    record = asdict(audit)
    del record["first_difference"]
    return without_nulls(record)


def changes_record(treated: Treated) -> list[dict[str, Any]]:
    """The declared changes; a plate has many, so they are told only where they are asked for."""
    return [
        {"lines": [c.first + 1, c.last + 1], "fields": list(c.fields), "why": c.why} for c in treated.changes
    ]


def _held_back(treated: Treated, plate: Plate) -> list[dict[str, Any]]:
    """The file's own commands inside treated spans that are replaced: line (from 1) and text."""
    lines = plate.program.lines
    spans = [(line, int(lines.start[line]), int(lines.start[line + 1])) for line in treated.held_back]
    return [
        {"line": line + 1, "text": lines.data[a:b].decode("utf-8", "replace").strip()} for line, a, b in spans
    ]


def _added(treated: Treated, profiles: Profiles) -> dict[str, Any]:
    """Mass and cost that new beads, removed ones and flow add: filament length in the text times area and
    density.

    The filament's diameter is within 0.05 mm of its nominal (common practice, no source), which is the band.
    """
    draft, material = treated.draft, profiles.material
    plate = draft.plate
    laid, removed, flow = _filament_mm(draft)
    ooze = material.ooze_mm.value * (len(draft.rests) - len(treated.unrested))
    (d, d_from), (rho, rho_from) = diameter(plate, profiles), density(plate, profiles)
    gram_per_mm = np.pi * d**2 / 4 * rho / 1000.0
    gram = (laid - removed + flow + ooze) * gram_per_mm
    low, high = gram * ((d - 0.05) / d) ** 2, gram * ((d + 0.05) / d) ** 2
    source = f"filament in the file; diameter from {d_from}, density {rho:g} g/cm3 from {rho_from}"
    price = material.price_per_kg.value / 1000.0
    return {
        "mass_g": estimate(gram, low, high, source),
        "cost": estimate(gram * price, low * price, high * price, material.price_per_kg.source, "assumed"),
        "new_beads_g": round(laid * gram_per_mm, 6),
        "removed_g": round(removed * gram_per_mm, 6),
        "rest_s": round(sum(r.seconds for r in draft.rests) - _missed_s(treated), 3),
    }


def _filament_mm(draft: Draft) -> tuple[float, float, float]:
    """Filament of new beads, of removed ones, and what flow and moved walls add to the others, mm."""
    laid = sum(float(run.e[run.kind == BEAD].sum()) for run in draft.runs)
    e = draft.plate.program.moves.e
    gone = np.flatnonzero(draft.removed) if draft.removed is not None else np.empty(0, np.int64)
    removed = float((e[draft.row[gone]] * (draft.t1[gone] - draft.t0[gone])).sum())
    factor = draft.pushes()
    changed = factor != 1.0
    changed[gone] = False
    piece = np.flatnonzero(changed)
    share = draft.t1[piece] - draft.t0[piece]
    return laid, removed, float((e[draft.row[piece]] * share * (factor[piece] - 1.0)).sum())


def _missed_s(treated: Treated) -> float:
    seconds = {r.layer: r.seconds for r in treated.draft.rests}
    return sum(seconds[item.layer] for item in treated.unrested)
