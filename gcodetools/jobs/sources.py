"""What jobs open: plates, kits, profiles with their overrides, and which instances are meant."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable
from fnmatch import fnmatchcase

from gcodetools.documents import profiles
from gcodetools.documents.fields import override
from gcodetools.documents.profiles import Machine, Material
from gcodetools.errors import UsageError
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit
from gcodetools.marks.settings import Settings
from gcodetools.records import dataclass

__all__ = ["Profiles", "Subset", "digest", "instance_numbers", "profiles_for"]

_FALLBACK_MATERIAL = "petg"


@dataclass(frozen=True, slots=True)
class Profiles:
    """Material and machine in force, and where the material's name is from: "command line", "kit", "file" or
    "assumed"."""

    material: Material
    material_from: str
    machine: Machine | None
    overrides: tuple[str, ...]


def digest(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


def profiles_for(
    kit: Kit | None, settings: Settings, material: str | None, machine: str | None, sets: Iterable[str]
) -> Profiles:
    """Profiles by the command line, else the kit, else the file's own filament word, else PETG.

    Raises
    ------
    InputError : a profile that is not there or invalid. UsageError : an override that makes no sense.
    """
    name, source = material, "command line"
    if name is None and kit is not None and kit.material is not None:
        name, source = kit.material, "kit"
    if name is None:
        spelled = (settings.filament_type or "").split(";")[0].strip().lower()
        known = profiles.names("materials")
        # A plain "TPU" is told by the one profile of its kind, tpu-95a.
        kinds = [one for one in known if spelled and one.split("-")[0] == spelled]
        if spelled in known or len(kinds) == 1:
            name, source = spelled if spelled in known else kinds[0], "file"
        else:
            name, source = _FALLBACK_MATERIAL, "assumed"
    machine_name = machine or (kit.machine if kit is not None else None)
    loaded = profiles.load_material(name)
    loaded_machine = profiles.load_machine(machine_name) if machine_name else None
    by_kind: dict[str, dict[str, str]] = {"material": {}, "machine": {}}
    for item in sets:
        kind, key, value = _split_override(item)
        by_kind[kind][key] = value
    if by_kind["machine"] and loaded_machine is None:
        raise UsageError("--set machine...: no machine is named", "Name one with --machine.")
    if by_kind["material"]:
        loaded = override(loaded, by_kind["material"])
    if by_kind["machine"] and loaded_machine is not None:
        loaded_machine = override(loaded_machine, by_kind["machine"])
    return Profiles(loaded, source, loaded_machine, tuple(sets))


def _split_override(item: str) -> tuple[str, str, str]:
    path, equals, value = item.partition("=")
    kind, dot, key = path.strip().partition(".")
    if not equals or not dot or kind not in ("material", "machine") or not key:
        raise UsageError(
            f"--set {item}: expected material.<key>=<value> or machine.<key>=<value>",
            "For example --set material.price_per_kg=22.",
        )
    if (kind, key) == ("material", "like"):
        raise UsageError(
            f"--set {item}: a file is read by it, not a run", "Name another material: --material."
        )
    return kind, key, value.strip()


@dataclass(frozen=True, slots=True)
class Subset:
    """Which instances a run treats. only : (glob, numbers or None) pairs. half : every second of them."""

    only: tuple[tuple[str, frozenset[int] | None], ...] = ()
    half: bool = False

    @classmethod
    def parse(cls, text: str | None, half: bool = False) -> Subset:
        """Read `film-clip#1,3` or `film-clip,hook#2`; numbers behind a `#` go on until the next name.

        Raises
        ------
        UsageError : anything else.
        """
        pairs: list[tuple[str, frozenset[int] | None]] = []
        for item in unicodedata.normalize("NFC", text).split(",") if text is not None else []:
            name, sharp, number = item.strip().partition("#")
            if not sharp and name.isdecimal() and pairs and pairs[-1][1] is not None:
                before, numbers = pairs.pop()
                pairs.append((before, (numbers or frozenset()) | {int(name)}))
            elif name and (not sharp or number.isdecimal()):
                pairs.append((name.lower(), frozenset([int(number)]) if sharp else None))
            else:
                raise UsageError(
                    f"--only {text}: expected LABEL or LABEL#n,n", "For example --only film-clip#1,3."
                )
        return cls(tuple(pairs), half)

    def holds(self, pose: Pose) -> bool:
        """Whether this instance is named, before every second is left out."""
        return not self.only or any(_names(glob, chosen, pose) for glob, chosen in self.only)

    def misses(self, poses: Iterable[Pose]) -> list[str]:
        """What of `only` names no instance among `poses`."""
        there = list(poses)
        found = []
        for glob, chosen in self.only:
            for number in sorted(chosen) if chosen is not None else [None]:
                numbers = None if number is None else frozenset([number])
                if not any(_names(glob, numbers, pose) for pose in there):
                    found.append(glob if number is None else f"{glob}#{number}")
        return found


def _names(glob: str, chosen: frozenset[int] | None, pose: Pose) -> bool:
    # Names of files, from which labels come, may have their accents apart.
    names = {unicodedata.normalize("NFC", name).lower() for name in (pose.part, pose.label or "")}
    return any(fnmatchcase(name, glob) for name in names) and (chosen is None or pose.instance in chosen)


def instance_numbers(part_instances: object, poses: list[Pose]) -> list[Pose]:
    """The poses that the kit's `instances` names."""
    if part_instances == "all" or not isinstance(part_instances, tuple):
        return poses
    wanted = frozenset(part_instances)
    return [pose for pose in poses if pose.instance in wanted]
