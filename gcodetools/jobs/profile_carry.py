"""Carry a treatment into a slicer's settings: a copy in which only the numbers differ that it needs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gcodetools.documents import profiles as documents
from gcodetools.documents.kinds import nearest
from gcodetools.errors import Fault, InputError, UsageError
from gcodetools.gcode.containers.base import PACKED, sniff
from gcodetools.gcode.files import read_raw, write_atomic
from gcodetools.jobs.profile import Opened, Way, open_profile, reopen, told_of, warnings_of
from gcodetools.jobs.profile_audit import profiles_of
from gcodetools.jobs.sources import Profiles, digest
from gcodetools.kit.schema import Kit, Part, Region, load_kits, resolve_treatment
from gcodetools.kit.settings import Treatment, load_treatment, resolved
from gcodetools.kit.shapes import All
from gcodetools.records import dataclass
from gcodetools.slicer_settings.carrier import Carried, Carrier, Outcome
from gcodetools.slicer_settings.carrying import WHOLE_PART, carry_all
from gcodetools.slicer_settings.changing import Change, edited
from gcodetools.slicer_settings.document import Stated, shown, shown_section
from gcodetools.slicer_settings.findings import worded
from gcodetools.slicer_settings.readings import Reading, Value
from gcodetools.treat.limits import UNKNOWN_HOTEND_C

__all__ = ["NOT_TO_PRINT", "Asked", "Copy", "carry_profile", "write_copy"]

NOT_TO_PRINT = "the copy is for loading as settings; its moves are as sliced: don't print it"


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be carried: a `region` of the kits, as PART/REGION, or a `treatment` by name or file."""

    kits: tuple[Path, ...] = ()
    region: str | None = None
    treatment: str | None = None
    material: str | None = None
    machine: str | None = None
    sets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Copy:
    """The copy's bytes, its record and warnings."""

    data: bytes
    record: dict[str, Any]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Source:
    """A treatment and where it is from."""

    treatment: Treatment
    name: str
    kit: Kit | None = None
    part: Part | None = None
    region: Region | None = None
    about: tuple[str, ...] = ()


def carry_profile(path: Path, way: Way, asked: Asked) -> Copy:
    """Carry a treatment into the settings of a file; nothing is written.

    Raises
    ------
    InputError : file, kit, treatment or profile unreadable or invalid. UsageError : neither region nor treatment, or
    both; no such region, tool, section. Refused : beyond a limit. Fault : the copy does not read as it should.
    """
    source = _source(asked)
    _refuse_packed(path)
    opened = open_profile(path, way)
    profiles = profiles_of(opened, source.kit, way, asked.material, asked.machine, asked.sets)
    carrier = Carrier(
        opened.profile, source.treatment, profiles.material, profiles.machine, UNKNOWN_HOTEND_C, source.region,
        profiles.material_from == "assumed", way.tool,
    )  # fmt: skip
    carried = carry_all(carrier)
    data = edited(opened.document, carried.changes.edits())
    read_back = _read_back(opened, data, way, carried)
    record = _record(opened, way, source, profiles, carried, data)
    record["read_back"] = read_back
    return Copy(data, record, tuple(_warnings(opened, profiles, carried)))


def _refuse_packed(path: Path) -> None:
    """A copy is changed in place, line by line, which packed bytes don't have.

    Raises
    ------
    InputError : the file is a container.
    """
    kind = sniff(read_raw(path)) if path.is_file() else None
    if kind is not None:
        raise InputError(
            f"{path}: {PACKED[kind]}, and settings are carried into text alone",
            "Export the print's settings from the slicer and name that file"
            + (", or unpack it with gunzip first." if kind == "gz" else "; `profile show` reads this one."),
        )


def write_copy(copy: Copy, out: Path) -> None:
    """Write the copy.

    Raises
    ------
    CannotWrite : see `files.write_atomic`.
    """
    write_atomic(out, copy.data)


def _source(asked: Asked) -> _Source:
    if (asked.region is None) == (asked.treatment is None):
        what = (
            "both --region and --treatment"
            if asked.region is not None
            else "neither --region nor --treatment"
        )
        raise UsageError(
            f"{what}, expected one of them",
            "Name a region of a kit (--kit KIT --region PART/REGION), or a --treatment.",
        )
    kit = load_kits(asked.kits) if asked.kits else None
    if asked.region is not None:
        if kit is None:
            raise UsageError(f"--region {asked.region}: no kit is named", "Name it with --kit.")
        return _of_region(kit, asked.region)
    assert asked.treatment is not None
    return _of_treatment(kit, asked.treatment)


def _of_region(kit: Kit, wanted: str) -> _Source:
    there = {
        f"{name}/{title}": (part, region)
        for name, part in kit.parts.items()
        for title, region in part.regions.items()
    }
    if wanted not in there:
        close = nearest(wanted, there)
        near = f"; nearest {close!r}" if close else ""
        raise UsageError(
            f"--region {wanted}: no such region in kit {kit.name}{near}", f"There are: {', '.join(there)}."
        )
    part, region = there[wanted]
    treatment = resolve_treatment(kit, region)
    if not treatment.settings:
        raise UsageError(
            f"--region {wanted}: it has no treatment to carry", "Name another, or a --treatment."
        )
    return _Source(treatment, wanted, kit, part, region)


def _of_treatment(kit: Kit | None, name: str) -> _Source:
    if kit is not None and name in kit.treatments:
        return _Source(resolved(name, kit.treatments), name, kit)
    if not documents.is_path(name):
        absent = documents.missing("treatments", name)
        if absent is not None:
            raise InputError(*absent)
    found = load_treatment(name)
    about = f"known: {found.known}", f"not known: {found.not_known}"
    return _Source(found.settings, found.name, kit, about=tuple(" ".join(one.split()) for one in about))


def _local(source: _Source, carried: Carried) -> list[str]:
    """What of it is local by nature, and so in no setting."""
    treatment, said = source.treatment, []
    if source.region is not None and source.part is not None:
        if not isinstance(source.region.within, All):
            said.append(f"where {source.name} is: settings know no places in a part")
        if source.region.beads != "any":
            said.append(f"`beads: {source.region.beads}`: settings hold for each kind of bead by themselves")
        if source.part.instances != "all":
            said.append("`instances`: settings hold for every part printed with them")
    for key in ("nozzle", "fan"):
        mode = getattr(getattr(treatment, key), "mode", None)
        if mode is not None:
            said.append(f"`{key}: mode: {mode}`: settings do not change within a print")
    if treatment.fit is not None:
        said.append(
            f"`fit: blend: {treatment.fit.blend_mm:g}`: settings move whole outlines, so there is no border to blend at"
        )
    lifted = treatment.force or treatment.rest is not None or treatment.speed is not None
    if not lifted and (treatment.nozzle is not None or treatment.fan is not None):
        said.append("holding back on layers that are over too soon to cool: settings act there too")
    return said


def _warnings(opened: Opened, profiles: Profiles, carried: Carried) -> list[str]:
    said = [*warnings_of(opened), *carried.warnings]
    if profiles.material_from == "assumed":
        said.append("no material is named by the kit, the file or --material: PETG assumed")
    if not carried.changes.planned:
        said.append("nothing is changed: the copy is the file as it was")
    if opened.document.form == "sliced":
        said.append(NOT_TO_PRINT)
    return said


def _record(
    opened: Opened, way: Way, source: _Source, profiles: Profiles, carried: Carried, data: bytes
) -> dict[str, Any]:
    record: dict[str, Any] = {
        "schema": "beadwright.profile-carry/1",
        **told_of(opened, way),
        "treatment": source.name,
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "changes": [_change(change) for change in carried.changes.planned],
        "settings": [_outcome(outcome) for outcome in carried.outcomes],
        "local": _local(source, carried),
        "cost": WHOLE_PART,
        "bytes": len(data),
        "digest": digest(data),
    }
    if profiles.machine is not None:
        record["machine"] = profiles.machine.name
    if source.kit is not None:
        record["kit"] = source.kit.name
    if source.about:
        record["treatment_about"] = list(source.about)
    if profiles.overrides:
        record["overrides"] = list(profiles.overrides)
    return record


def _change(change: Change) -> dict[str, Any]:
    reading = change.reading
    assert reading.number is not None
    record: dict[str, Any] = {
        "key": shown(reading.key),
        "name": reading.name,
        "line": reading.stated.line,
        "old": reading.number.text,
        "new": change.text,
        "from": worded(reading.name, change.old),
        "to": worded(reading.name, change.new),
    }
    if change.rounded:
        record["rounded"] = True
    if reading.tool is not None:
        record["tool"] = reading.tool
    if reading.stated.section:
        record["section"] = shown_section(reading.stated.section)
    return record


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "setting": outcome.setting,
        "asked": outcome.asked,
        "carried": outcome.carried,
        "keys": [shown(key) for key in outcome.keys],
        "why": list(outcome.why),
    }


def _read_back(opened: Opened, data: bytes, way: Way, carried: Carried) -> dict[str, int]:
    """Read the copy again: each number that was changed says what it was to say, and nothing else has changed.

    Raises
    ------
    Fault : something else.
    """
    name = opened.document.name
    new, old = reopen(data, opened, way), opened
    changed: dict[int, list[Change]] = {}
    for change in carried.changes.planned:
        changed.setdefault(id(change.reading.stated), []).append(change)
    if len(new.document.stated) != len(old.document.stated):
        raise Fault(
            f"{name}: the copy holds {len(new.document.stated)} statements, {len(old.document.stated)} were read"
        )
    same = 0
    for before, after in zip(old.document.stated, new.document.stated, strict=True):
        wanted = _respelled(before, changed.get(id(before), []))
        if (before.key, before.section, wanted) != (after.key, after.section, _texts(after)):
            raise Fault(
                f"{name}:{before.line}: {shown(before.key)} reads otherwise in the copy than it should"
            )
        same += id(before) not in changed
    _check_values(name, new, carried)
    return {"changed": len(carried.changes.planned), "unchanged": same}


def _texts(stated: Stated) -> tuple[str, ...]:
    return tuple(item.text for item in stated.items)


def _respelled(stated: Stated, changes: list[Change]) -> tuple[str, ...]:
    """The items of a statement with its changes."""
    texts = []
    for item in stated.items:
        text = item.text
        mine = [c for c in changes if c.reading.number is not None and item.start <= c.reading.number.start]
        for change in sorted(mine, key=lambda c: -c.reading.cell.start):
            number = change.reading.number
            assert number is not None
            if number.end <= item.start + len(item.text):
                text = text[: number.start - item.start] + change.text + text[number.end - item.start :]
        texts.append(text)
    return tuple(texts)


def _check_values(name: str, new: Opened, carried: Carried) -> None:
    said: dict[tuple[object, ...], list[Value | None]] = {}
    for readings in new.profile.readings.values():
        for one in readings:
            said.setdefault(_place(one), []).append(one.value)
    for change in carried.changes.planned:
        reading = change.reading
        if carried.changes.current(reading) not in said.get(_place(reading), ()):
            raise Fault(f"{name}:{reading.stated.line}: {shown(reading.key)} says something else in the copy")


def _place(reading: Reading) -> tuple[object, ...]:
    stated = reading.stated
    return reading.name, reading.key, reading.tool, reading.step, stated.section, stated.line
