"""Where a package's plates are: by relationships, by the plate list, by the entries' names; and its settings."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from urllib.parse import unquote

from gcodetools.gcode.containers.base import damaged
from gcodetools.gcode.containers.records import Archive, Entry
from gcodetools.gcode.containers.xmltags import Tag, read_tags
from gcodetools.records import dataclass

__all__ = ["LIST", "SETTINGS", "SLICED", "FoundPlate", "find_plates", "plate_totals", "project_settings"]

LIST = "Metadata/model_settings.config"
SLICED = "Metadata/slice_info.config"
SETTINGS = "Metadata/project_settings.config"
_BY_NAME = re.compile(r"metadata/plate_(\d+)\.gcode", re.I)
_POINT = r"[-+]?[0-9]*\.?[0-9]+"
_NUMBER = re.compile(rf"{_POINT}%?|{_POINT}x{_POINT}|nil")
_TOTALS = ("prediction", "weight")
_USED = ("used_m", "used_g")


@dataclass(frozen=True, slots=True)
class FoundPlate:
    """A plate: number, name in the file ("" for none), entry of its G-code."""

    number: int
    name: str
    entry: Entry


def find_plates(archive: Archive) -> tuple[list[FoundPlate], list[str]]:
    """All plates by number, and sentences on what disagrees.

    Raises
    ------
    InputError : none (a model, not a print), a target outside the package, damage.
    """
    listed = dict(_listed(archive))
    related = list(_related(archive))
    named = [entry.name for entry in archive.entries if _BY_NAME.fullmatch(entry.name)]
    # The relationship says what G-code is; the list and the names count where it is silent.
    targets = related or [target for target, _, _ in listed.values()] or named
    notes = list(_disagreements(related, [target for target, _, _ in listed.values()], named))
    plates: dict[int, FoundPlate] = {}
    for target in dict.fromkeys(target.casefold() for target in targets):
        entry = archive.find(target)
        if entry is None:
            raise damaged(
                archive.name, "package", f"no entry `{target}` that it points to", "the plate's G-code"
            )
        _, number, title = listed.get(target, (target, 0, ""))
        found = _BY_NAME.fullmatch(entry.name)
        number = number or (int(found.group(1)) if found else 0)
        number = number if number > 0 and number not in plates else max(plates, default=0) + 1
        plates[number] = FoundPlate(number, title, entry)
    if not plates:
        raise damaged(
            archive.name, "package", "no G-code of a plate (a model, not a print)", "a sliced package",
            "Slice it first, and export the plate as G-code or as a sliced package.",
        )  # fmt: skip
    return [plates[number] for number in sorted(plates)], notes


def _disagreements(related: list[str], listed: list[str], named: list[str]) -> Iterator[str]:
    sets = [(what, {t.casefold() for t in targets}) for what, targets in
            (("relationships", related), ("plate list", listed), ("names", named)) if targets]  # fmt: skip
    for what, targets in sets[1:]:
        if targets != sets[0][1]:
            odd = ", ".join(sorted(targets ^ sets[0][1]))
            yield f"{sets[0][0]} and {what} of the package disagree on the plates' G-code ({odd})"


def _related(archive: Archive) -> Iterator[str]:
    """Targets of relationships whose type ends in `/gcode`, as names of entries."""
    for entry in archive.entries:
        folder, _, title = entry.name.rpartition("/")
        if not title.lower().endswith(".rels") or folder.rpartition("/")[2].lower() != "_rels":
            continue
        base = folder.rpartition("/")[0]
        for tag in _tags(archive, entry):
            if _local(tag) == "Relationship" and tag.attributes.get("Type", "").endswith("/gcode"):
                yield _target(archive, entry, base, tag.attributes)


def _target(archive: Archive, entry: Entry, base: str, attributes: dict[str, str]) -> str:
    """The entry that a relationship points to.

    Raises
    ------
    InputError : it points outside the package.
    """
    target = unquote(attributes.get("Target", ""))
    refused = damaged(archive.name, entry.name, f"the target {target!r}", "an entry of the package")
    if attributes.get("TargetMode", "Internal") != "Internal" or ":" in target or "\\" in target:
        raise refused
    path = [] if target.startswith("/") else [part for part in base.split("/") if part]
    for part in target.split("/"):
        if part == ".." and not path:
            raise refused
        if part == "..":
            path.pop()
        elif part not in ("", "."):
            path.append(part)
    if not target or not path:
        raise refused
    return "/".join(path)


def _listed(archive: Archive) -> Iterator[tuple[str, tuple[str, int, str]]]:
    """Plates of the plate list: target -> (target, number, name)."""
    entry = archive.find(LIST)
    tags = _tags(archive, entry) if entry else []
    inside = _metadata(tags)
    for k, tag in enumerate(tags):
        if _local(tag) == "plate":
            pairs = inside.get(k, {})
            target = pairs.get("gcode_file", "").lstrip("/")
            if target:
                yield (
                    target.casefold(),
                    (target, _whole(pairs.get("plater_id", "")), pairs.get("plater_name", "")),
                )


def _tags(archive: Archive, entry: Entry) -> list[Tag]:
    return read_tags(archive.read(entry, archive.limits.part_bytes), archive.name, entry.name)


def _local(tag: Tag) -> str:
    return tag.name.rpartition(":")[2]


def _whole(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0


def _metadata(tags: list[Tag]) -> dict[int, dict[str, str]]:
    """`<metadata key= value=>` by the index of the tag that it stands in."""
    result: dict[int, dict[str, str]] = {}
    for tag in tags:
        if _local(tag) == "metadata" and "key" in tag.attributes:
            result.setdefault(tag.parent, {})[tag.attributes["key"]] = tag.attributes.get("value", "")
    return result


def plate_totals(content: bytes, number: int, name: str, alone: bool) -> dict[str, tuple[Tag, str, str]]:
    """Stated totals of a plate in `slice_info.config`: key -> (tag, attribute, value).

    Keys are `prediction` (whole seconds), `weight` (g), `filament <id> used_m` and `filament <id> used_g`; empty if the
    plate is not in it. alone : it is the only plate, whatever number it goes by.

    Raises
    ------
    InputError : no plain XML.
    """
    tags = read_tags(content, name, SLICED)
    plates = [k for k, tag in enumerate(tags) if _local(tag) == "plate"]
    inside = _metadata(tags)
    mine = [k for k in plates if _whole(inside.get(k, {}).get("index", "")) == number]
    mine = mine or (plates if alone and len(plates) == 1 else [])
    result: dict[str, tuple[Tag, str, str]] = {}
    for tag in tags:
        if tag.parent not in mine[:1]:
            continue
        key = tag.attributes.get("key", "")
        if _local(tag) == "metadata" and key in _TOTALS:
            result.setdefault(key, (tag, "value", tag.attributes.get("value", "")))
        if _local(tag) == "filament":
            for used in _USED:
                if used in tag.attributes:
                    title = f"filament {tag.attributes.get('id', '')} {used}"
                    result.setdefault(title, (tag, used, tag.attributes[used]))
    return result


def project_settings(content: bytes, name: str) -> list[tuple[str, str]]:
    """Keys and values of the package's settings, lists joined as the text's own block has them: numbers and
    points by `,`, others by `;`. What is neither text nor a list of texts is left out.

    Raises
    ------
    InputError : no JSON.
    """
    try:
        document = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise damaged(name, SETTINGS, f"no JSON ({error})", "the settings as JSON") from None
    result = []
    for key, value in document.items() if isinstance(document, dict) else ():
        if isinstance(value, str):
            result.append((key, value))
        elif isinstance(value, list) and all(isinstance(one, str) for one in value):
            numbers = all(_NUMBER.fullmatch(one) for one in value)
            result.append((key, ("," if numbers else ";").join(value)))
    return [(key, value.replace("\r", "\\r").replace("\n", "\\n")) for key, value in result]
