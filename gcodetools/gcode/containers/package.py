"""A zip package after the 3MF standard that holds sliced plates: G-code, its digest, totals and settings.

Written back, only the plate's G-code, its digest and (where asked) the totals in `slice_info.config` change; settings,
pictures, model and relationships stay. The boxes in `plate_<n>.json` and the layer ranges stay too: no edit moves a
print or adds a layer.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import field

from gcodetools.errors import Fault, Refused
from gcodetools.gcode.containers.base import (
    Container,
    Limits,
    NoSuchPlate,
    PlateName,
    Written,
    check_restated,
    on_one_line,
    open_pairs,
)
from gcodetools.gcode.containers.plates import (
    SETTINGS,
    SLICED,
    FoundPlate,
    find_plates,
    plate_totals,
    project_settings,
)
from gcodetools.gcode.containers.records import Archive, read_archive
from gcodetools.gcode.containers.xmltags import with_attributes
from gcodetools.records import dataclass

__all__ = ["Package", "open_package"]

_DIGEST = re.compile(rb"\s*([0-9A-Fa-f](?:\s*[0-9A-Fa-f]){31})\s*")
_PICTURES = (".png", ".jpg", ".jpeg")


@dataclass(frozen=True, slots=True, kw_only=True)
class Package(Container):
    """A package.

    archive : its records. found : the plate that was opened. sound : its digest agrees, or there is none.
    """

    archive: Archive = field(repr=False)
    found: FoundPlate = field(repr=False)
    sound: bool = True

    @property
    def inside(self) -> str:
        """The entry of the plate's G-code."""
        return self.found.entry.name

    def written(self, new_text: bytes, restated: Mapping[str, str] | None = None) -> Written:
        """See `Container.written`; entries that don't change keep every byte, compressed ones too.

        Raises
        ------
        Refused : the digest disagreed before, so that a new one would hide damage; or no text at all.
        """
        values = check_restated(self.totals, restated)
        if not new_text.strip():
            raise Refused(f"{self.name}: no G-code left to write", "Check what was asked for.")
        contents: dict[str, bytes] = {}
        if new_text != self.text:
            if not self.sound:
                raise Refused(
                    f"{self.name}: {self.found.entry.name}: its digest disagrees, and it would have to be written anew",
                    "Export the file again; what may be damaged is not given a good digest here.",
                )
            contents |= {self.found.entry.name: new_text, **self._digest(new_text)}
        if values:
            contents |= self._restated(values)
        return Written(self.archive.with_entries(contents), new_text)

    def _digest(self, text: bytes) -> dict[str, bytes]:
        """The digest's entry with its 32 digits anew, upper-case unless it was lower-case."""
        entry = self.archive.find(f"{self.found.entry.name}.md5")
        if entry is None:
            return {}
        old = self.archive.read(entry, self.archive.limits.part_bytes)
        new = hashlib.md5(text, usedforsecurity=False).hexdigest().upper().encode()
        found = _DIGEST.fullmatch(old)
        if found is None:
            return {entry.name: new}
        digits = found.group(1)
        if digits != digits.upper() and digits == digits.lower():
            new = new.lower()
        return {entry.name: old[: found.start(1)] + new + old[found.end(1) :]}

    def _restated(self, values: Mapping[str, str]) -> dict[str, bytes]:
        entry = self.archive.find(SLICED)
        if entry is None:
            raise Fault(f"{self.name}: totals without {SLICED}")
        old = self.archive.read(entry, self.archive.limits.part_bytes)
        alone = len(self.plates) == 1
        places = plate_totals(old, self.plate, self.name, alone)
        new = with_attributes(old, [(*places[key][:2], value) for key, value in values.items()])
        told = {key: value for key, (_, _, value) in plate_totals(new, self.plate, self.name, alone).items()}
        if told != {key: value for key, (_, _, value) in places.items()} | dict(values):
            raise Fault(f"{self.name}: {SLICED}: the new totals do not read back")
        return {entry.name: new}


def open_package(data: bytes, name: str, plate: int | None, limits: Limits) -> Package:
    """Read a package; every entry is unpacked once and checked.

    Raises
    ------
    InputError : damaged, no sliced plate, or what a careful reader does not take. UsageError : no such plate, or
    several and none was chosen.
    """
    archive = read_archive(data, name, limits)
    archive.check_all()
    found, notes = find_plates(archive)
    mine = _chosen(found, plate, name)
    text = archive.read(mine.entry, limits.text_bytes)
    odd = _digest_note(archive, mine, text)
    if archive.gaps:
        notes.append(f"{archive.gaps} bytes that no entry of the zip holds: kept as they are")
    folders = sum(1 for entry in archive.entries if entry.is_folder)
    if folders:
        notes.append(f"{folders} folders among the entries of the zip: kept as they are")
    totals, settings = archive.find(SLICED), archive.find(SETTINGS)
    stated = (
        plate_totals(archive.read(totals, limits.part_bytes), mine.number, name, len(found) == 1)
        if totals
        else {}
    )
    told, broken = on_one_line((key, value) for key, (_, _, value) in stated.items())
    pairs = project_settings(archive.read(settings, limits.part_bytes), name) if settings else []
    return Package(
        kind="package", name=name, data=data, text=text, plate=mine.number,
        plates=tuple(PlateName(one.number, one.name) for one in found), settings=open_pairs(pairs),
        totals=told,
        thumbnails=sum(1 for entry in archive.entries if entry.name.lower().endswith(_PICTURES)),
        notes=(*notes, *broken, *odd.values()), archive=archive, found=mine, sound="digest" not in odd,
    )  # fmt: skip


def _chosen(found: list[FoundPlate], plate: int | None, name: str) -> FoundPlate:
    mine = [one for one in found if plate in (None, one.number)]
    if len(mine) == 1:
        return mine[0]
    cause = f"no plate {plate}" if plate is not None else f"{len(found)} plates, expected one to be chosen"
    raise NoSuchPlate(f"{name}: found {cause}", (PlateName(one.number, one.name) for one in found))


def _digest_note(archive: Archive, mine: FoundPlate, text: bytes) -> dict[str, str]:
    """What is odd about the digest: under `digest` if it disagrees, under `none` if there is none."""
    entry = archive.find(f"{mine.entry.name}.md5")
    if entry is None:
        return {"none": f"{mine.entry.name}: no digest beside it"}
    told = archive.read(entry, archive.limits.part_bytes)
    found = _DIGEST.fullmatch(told)
    is_ = hashlib.md5(text, usedforsecurity=False).hexdigest().upper()
    if found is None:
        return {"digest": f"{entry.name}: no digest in it, expected 32 hexadecimal digits ({is_})"}
    digits = b"".join(found.group(1).split()).decode().upper()
    if digits != is_:
        return {
            "digest": f"{entry.name}: digest {digits} disagrees with the G-code's {is_}; it may be damaged"
        }
    return {}
