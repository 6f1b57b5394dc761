"""The documents a batch rests on: kits, the files they name, profiles. Digested, so that a change is noticed; as bytes
by relative paths, so that they can be sent and laid out again elsewhere."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec

from gcodetools.documents import profiles, yaml
from gcodetools.errors import BeadwrightError, InputError
from gcodetools.gcode.files import read_raw
from gcodetools.jobs.apply import Options
from gcodetools.jobs.sources import digest
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.kit.shapes import Mesh
from gcodetools.records import dataclass

__all__ = ["Documents", "documents_of", "lay_out", "sendable", "without_folder"]

_MOST_LIKE = 50


@dataclass(frozen=True, slots=True)
class Documents:
    """What a batch's plates are treated by.

    kit : as loaded. files : bytes by relative path, those of the user. kits, material, machine : the options' files by
    the same paths, or names of profiles. digests : of each file, by what it is for, and of all profiles of ours.
    """

    kit: Kit
    files: Mapping[str, bytes]
    kits: tuple[str, ...]
    material: str | None
    machine: str | None
    digests: tuple[tuple[str, str], ...]


def documents_of(options: Options) -> Documents:
    """Read them all.

    Raises
    ------
    InputError : one is unreadable or invalid.
    """
    kit = load_kits(options.kits)
    files: dict[str, bytes] = {}
    digests = [("profiles", _profiles_digest())]

    def take(role: str, path: Path) -> str:
        """Keep a file; return its relative path."""
        key, data = _key(path), read_raw(path)
        files[key] = data
        digests.append((role, digest(data)))
        return key

    kits = tuple(take("kit", one.path) for one in kit.sources if one.path is not None)
    for path in _meshes(kit):
        take("mesh", path)
    named: list[str | None] = []
    for kind, by_kit, wanted in (
        ("materials", kit.material, options.material),
        ("machines", kit.machine, options.machine),
    ):
        for name in (by_kit, wanted):
            for path in _chain(kind, name):
                take(kind, path)
        named.append(_key(Path(wanted)) if wanted is not None and profiles.is_path(wanted) else wanted)
    return Documents(kit, files, kits, named[0], named[1], tuple(digests))


def _key(path: Path) -> str:
    """The same path below any folder. Links are followed in the folder it lies in only, as a kit's own paths are."""
    whole = Path(os.path.realpath(path.parent)) / path.name
    return "/".join([*whole.drive.replace(":", "").split("\\"), *whole.parts[1:]]).strip("/")


def _meshes(kit: Kit) -> list[Path]:
    found = {
        solid.path
        for part in kit.parts.values()
        for region in part.regions.values()
        for solid in _solids(region.within)
        if isinstance(solid, Mesh)
    }
    return sorted(map(Path, found))


def _solids(value: Any) -> Iterator[Any]:
    """A solid with all that it is made of."""
    yield value
    if isinstance(value, msgspec.Struct):
        for name in value.__struct_fields__:
            yield from _solids(getattr(value, name))
    elif isinstance(value, (list, tuple)):
        for one in value:
            if not isinstance(one, (int, float, str)):
                yield from _solids(one)


def _chain(kind: str, name: str | None) -> list[Path]:
    """The user's own file of a profile with those it is like; nothing for a name."""
    found: list[Path] = []
    beside = Path()
    while name is not None and profiles.is_path(name) and len(found) < _MOST_LIKE:
        path = beside / name
        if not profiles.is_file(path) or path in found:
            break  # the job that reads it says so
        found.append(path)
        document = yaml.plain(yaml.load(path))
        like = document.get("like") if isinstance(document, dict) and kind == "materials" else None
        beside, name = path.parent, like if isinstance(like, str) else None
    return found


def _profiles_digest() -> str:
    """Of all profiles that come with Beadwright: an edited one counts as another version."""
    root, total = profiles.root(), hashlib.sha256()
    for path in sorted(root.rglob("*.y*ml")):
        total.update(path.relative_to(root).as_posix().encode() + b"\0" + digest(path.read_bytes()).encode())
    return total.hexdigest()


def lay_out(files: Mapping[str, bytes], folder: Path) -> None:
    """Write files below a folder.

    Raises
    ------
    InputError : a path that leads out of it.
    """
    root = os.path.realpath(folder)
    for key, data in files.items():
        path = Path(os.path.realpath(folder / key))
        if os.path.isabs(key) or ".." in key.split("/") or root not in map(str, path.parents):  # noqa: PTH117
            raise InputError(f"{key}: a path that leads elsewhere", "Send plain relative paths.")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def sendable(documents: Documents) -> None:
    """See that the documents say the same once they are laid out elsewhere.

    Raises
    ------
    InputError : they do not, as where a kit names a file by way of a link.
    """
    with tempfile.TemporaryDirectory(prefix="beadwright-") as name:
        lay_out(documents.files, Path(name))
        try:
            kit = load_kits([Path(name) / key for key in documents.kits])
        except BeadwrightError as error:
            raise InputError(
                f"kit {documents.kit.name} can't be sent: {without_folder(error.cause, name)}",
                "Name the files it needs by plain paths, without links, then run again.",
            ) from None
    if [one.sha256 for one in kit.sources] != [one.sha256 for one in documents.kit.sources]:
        raise InputError(
            f"kit {documents.kit.name} can't be sent: its files come out in another order",
            "Name them in the order of their paths.",
        )


def without_folder(text: str, folder: str) -> str:
    """A message without the folder that files were laid out in: their paths are those of the sender again."""
    return text.replace(os.path.realpath(folder) + os.sep, os.sep).replace(folder + os.sep, os.sep)
