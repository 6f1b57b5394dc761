"""The kit file: what a designer writes down about the parts that flex, read into frozen structs.

Lengths mm, angles degrees, temperatures C, percentages as fractions. Parts and regions keep the order of the
file. All mistakes of a file are reported together, each with its line (see `documents.fields`).
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import field
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, cast

from msgspec import Meta, Struct, structs
from msgspec import field as key

from gcodetools.documents import profiles, yaml
from gcodetools.documents.fields import Flaw, Problems, convert, locate, path_text
from gcodetools.documents.fields import Path as KeyPath
from gcodetools.documents.kinds import Count, Name, PositiveMm, Reference, Share
from gcodetools.errors import InputError
from gcodetools.kit.loads import Load, Use
from gcodetools.kit.settings import Treatment, TreatSpec, lookup_flaws, names_in, resolved
from gcodetools.kit.shapes import AllOf, AnyOf, Mesh, Mirror, NoneOf, Point2, Solid, ring_flaw
from gcodetools.records import dataclass

__all__ = [
    "SCHEMA",
    "Base",
    "FoundBy",
    "Kit",
    "KitFile",
    "KitSource",
    "Part",
    "Region",
    "kit_from_bytes",
    "kit_json_schema",
    "load_kit",
    "load_kits",
    "resolve_treatment",
]

SCHEMA = 1
# From version n to n + 1, on the tree, so that lines stay right.
MIGRATIONS: dict[int, Callable[[yaml.Mapping], yaml.Mapping]] = {}

_ENDINGS = (".kit.yaml", ".kit.yml")
_COMBINED = {AllOf: "all_of", AnyOf: "any_of", NoneOf: "none_of"}

OutlineRing = Annotated[tuple[Point2, ...], Meta(min_length=3)]


class FoundBy(Struct, frozen=True, forbid_unknown_fields=True):
    """How instances of a part are told on a plate. At least a label or an outline.

    label : globs of object labels, any case. outline : closed rings, the edge of the plastic on the first
    layer, in the part's frame. height : of the part. symmetry : n-fold turn that leaves the part as it is.
    mirrored : whether an instance may be its mirror image. scale_within : how far the size may differ.
    """

    example: ClassVar[str] = '{label: ["film-clip*"]}'

    label: Name | Annotated[tuple[Name, ...], Meta(min_length=1)] = ()
    outline: Annotated[tuple[OutlineRing, ...], Meta(min_length=1)] | None = None
    height_mm: PositiveMm | None = key(default=None, name="height")
    symmetry: Annotated[int, Meta(ge=1, le=360)] = 1
    mirrored: Literal["refused", "allowed"] = "refused"
    scale_within: Share = 0.0

    @property
    def labels(self) -> tuple[str, ...]:
        """The label globs as a tuple, however they were written."""
        return (self.label,) if isinstance(self.label, str) else self.label

    def flaws(self) -> Iterator[Flaw]:
        if not self.labels and self.outline is None:
            yield Flaw((), "neither label nor outline", "at least one of them")
        bad = [(index, ring_flaw(ring)) for index, ring in enumerate(self.outline or ())]
        for index, what in bad:
            if what:
                yield Flaw(("outline", index), what, "a closed ring whose edges cross nowhere")
        if len(bad) > 1 and not any(what for _, what in bad):
            yield from self._meeting_rings()

    def _meeting_rings(self) -> Iterator[Flaw]:
        # As in `ring_flaw`: only kits with polygons pay for the polygon library.
        from gcodetools.kit import polygons

        what = polygons.outline_flaw(self.outline or ())
        if what:
            yield Flaw(("outline",), what, "rings that stay apart")


class Region(Struct, frozen=True, forbid_unknown_fields=True):
    """A named zone of a part: where it is, which beads of it count, what it carries, what is done to it.

    within : the solid that it fills, in the part's frame. role : what it is for; a clip flexes, a rib carries, a seat
    holds by a fit. beads : which beads of it count. load : what it has to bear. use : how often, how long, how warm.
    treat : a treatment's name, settings, or a list of both, of which a later one replaces a setting of an earlier.
    """

    example: ClassVar[str] = "{role: clip, within: {slab: {z: [2, 8]}}, treat: supple}"

    within: Solid
    role: Literal["clip", "rib", "seat", "body"] = "body"
    beads: Literal["any", "perimeters", "infill"] = "any"
    load: Load | None = None
    use: Use | None = None
    treat: TreatSpec | None = None

    def flaws(self) -> Iterator[Flaw]:
        if isinstance(self.within, Mirror):
            yield Flaw(("within",), "a mirror alone", "it in a list (any_of: [...]) after what it mirrors")


class Part(Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of thing on a plate.

    regions : its named zones; where two overlap, the first has it. instances : "all", or their numbers from 1.
    """

    example: ClassVar[str] = "{found_by: {...}, regions: {...}}"

    found_by: FoundBy
    regions: Annotated[dict[Name, Region], Meta(min_length=1)]
    instances: Literal["all"] | Annotated[tuple[Count, ...], Meta(min_length=1)] = "all"

    def flaws(self) -> Iterator[Flaw]:
        if isinstance(self.instances, tuple) and len(set(self.instances)) < len(self.instances):
            yield Flaw(("instances",), "a number twice", "each instance once")


class Base(Struct, frozen=True, forbid_unknown_fields=True):
    """What holds where a file leaves it to a start macro.

    nozzle : its temperature. fan : the part fan.
    """

    example: ClassVar[str] = "{nozzle: 230, fan: 40%}"

    nozzle_c: Annotated[float, Meta(ge=0, le=500, extra={"unit": "C"})] | None = key(
        default=None, name="nozzle"
    )
    fan: Share | None = None


class KitFile(Struct, frozen=True, forbid_unknown_fields=True):
    """A Beadwright kit: parts of a snap-together set and the regions of them that flex.

    kit : its name. parts : by name. treatments : of its own, by name; they hide those of Beadwright.
    """

    version: Annotated[
        int, Meta(ge=1, le=SCHEMA, extra={"words": f"the version of the kit language, {SCHEMA}"})
    ] = key(name="beadwright")
    kit: Name
    parts: Annotated[dict[Name, Part], Meta(min_length=1)]
    material: Reference | None = None
    machine: Reference | None = None
    base: Base | None = None
    treatments: dict[Name, TreatSpec] = {}


@dataclass(frozen=True, slots=True)
class KitSource:
    """A file that a kit was read from: name as in messages, path (None if read from bytes), SHA-256."""

    name: str
    path: Path | None
    sha256: str


@dataclass(frozen=True, slots=True)
class Kit:
    """One kit, or several merged.

    material, machine : a profile's name, or an absolute path; None where the kit names none. Mesh paths in
    regions are absolute.
    """

    name: str
    sources: tuple[KitSource, ...]
    parts: dict[str, Part]
    material: str | None = None
    machine: str | None = None
    base: Base | None = None
    treatments: dict[str, TreatSpec] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Loaded:
    kit: Kit
    document: yaml.Node

    def place(self, path: KeyPath) -> str:
        """File and line of a key, for messages."""
        return f"{self.kit.sources[0].name}:{locate(self.document, path)}"


def kit_json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the kit file, for editors.

    It knows keys, kinds and bounds. Reversed ranges, crossing polygons, unknown names and the like are found
    only by loading.
    """
    from gcodetools.documents.schemas import json_schema

    return json_schema(KitFile, "Beadwright kit")


def load_kit(path: Path | str) -> Kit:
    """Read a kit file.

    Raises
    ------
    InputError : unreadable or invalid; every mistake is on a line of its own.
    """
    return _load(Path(path)).kit


def kit_from_bytes(data: bytes, name: str, folder: Path | None = None) -> Kit:
    """Read a kit from bytes; relative paths in it count from `folder`, the working folder unless given.

    Raises
    ------
    InputError : as `load_kit`.
    """
    return _from_bytes(data, name, None, folder or Path()).kit


def load_kits(paths: Iterable[Path | str]) -> Kit:
    """Read kit files and folders of them (`*.kit.yaml`) and merge them into one kit.

    Raises
    ------
    InputError : one is unreadable or invalid, a folder has none, or two say different things of one name.
    """
    files: dict[str, Path] = {}
    for path in map(Path, paths):
        for file in _kits_in(path) if os.path.isdir(path) else [path]:  # noqa: PTH112 (never raises)
            files.setdefault(os.path.realpath(file), file)
    if not files:
        raise InputError("no kit named", "Name a kit file, or a folder that holds some.")
    return _merge([_load(file) for file in files.values()])


def resolve_treatment(kit: Kit, region: Region) -> Treatment:
    """The settings of a region: names looked up (the kit's hide the profiles'), merged left to right.

    A region without `treat` gives an empty treatment.

    Raises
    ------
    InputError : an unknown name, or a treatment that leads back to itself.
    """
    return Treatment() if region.treat is None else resolved(region.treat, kit.treatments)


def _load(path: Path) -> _Loaded:
    name = str(path)
    return _from_bytes(yaml.read_bytes(path, name), name, path, path.parent)


def _from_bytes(data: bytes, name: str, path: Path | None, folder: Path) -> _Loaded:
    document = _migrated(yaml.load(data, name), name)
    problems = Problems(name, document)
    file = cast(KitFile, convert(document, KitFile, problems))
    # What needs the whole kit can be looked at only once all of it stands.
    problems.raise_if_any()
    source = KitSource(name, path, hashlib.sha256(data).hexdigest())
    kit = _finished(file, source, problems, folder)
    problems.raise_if_any()
    return _Loaded(kit, document)


def _migrated(document: yaml.Node, name: str) -> yaml.Node:
    entry = document.entries.get("beadwright") if isinstance(document, yaml.Mapping) else None
    version = entry.value.value if entry and isinstance(entry.value, yaml.Scalar) else None
    if entry is None or not isinstance(version, int) or isinstance(version, bool):
        return document  # the conversion says what is wrong
    if version > SCHEMA:
        raise InputError(
            f"{name}:{entry.line}: beadwright: found version {version}, expected at most {SCHEMA}",
            "The kit was written for a newer Beadwright: update this one.",
        )
    while version in MIGRATIONS and version < SCHEMA and isinstance(document, yaml.Mapping):
        document = MIGRATIONS[version](document)
        version += 1
    return document


def _finished(file: KitFile, source: KitSource, problems: Problems, folder: Path) -> Kit:
    """The kit with its names looked up and its paths made absolute; mistakes go to `problems`."""
    for name, spec in file.treatments.items():
        _check_treat(spec, file.treatments, problems, ("treatments", name), (name,))
    parts = {}
    for name, part in file.parts.items():
        regions = {}
        for title, region in part.regions.items():
            here = ("parts", name, "regions", title)
            if region.treat is not None:
                _check_treat(region.treat, file.treatments, problems, (*here, "treat"), ())
            within = _anchored(region.within, problems, (*here, "within"), folder)
            regions[title] = structs.replace(region, within=within)
        parts[name] = structs.replace(part, regions=regions)
    return Kit(
        name=file.kit,
        sources=(source,),
        parts=parts,
        material=_profile("materials", file.material, problems, folder),
        machine=_profile("machines", file.machine, problems, folder),
        base=file.base,
        treatments=file.treatments,
    )


def _check_treat(
    spec: TreatSpec, own: dict[str, TreatSpec], problems: Problems, path: KeyPath, trail: tuple[str, ...]
) -> None:
    for below, message, hint in lookup_flaws(spec, own, trail):
        problems.say(path + below, message, hint)


def _profile(kind: str, named: str | None, problems: Problems, folder: Path) -> str | None:
    """A profile's name as it is, its path made absolute."""
    if named is None:
        return None
    key_path = (kind.removesuffix("s"),)
    if profiles.is_path(named):
        path = profiles.beside_it(folder, named)
        if not profiles.is_file(path):
            problems.add(key_path, f"{named!r}, where no file is", "a path that counts from the kit's folder")
        return os.path.realpath(path)
    missing = profiles.missing(kind, named)
    if missing:
        problems.say(key_path, *missing)
    return named


def _anchored(solid: Solid, problems: Problems, path: KeyPath, folder: Path) -> Solid:
    """The solid with the mesh paths in it made absolute."""
    if isinstance(solid, Mesh):
        return Mesh(str(_inside(solid.path, problems, (*path, "mesh"), folder)))
    if isinstance(solid, AllOf | AnyOf | NoneOf):
        here = (*path, _COMBINED[type(solid)])
        parts = enumerate(solid.solids)
        return type(solid)(tuple(_anchored(part, problems, (*here, i), folder) for i, part in parts))
    return solid


def _inside(named: str, problems: Problems, path: KeyPath, folder: Path) -> Path:
    """A file that must lie in the kit's folder: kits come from strangers."""
    home = Path(os.path.realpath(folder))
    rooted = named.startswith(("/", "\\")) or ":" in named
    # Path.resolve raises on links that lead in a circle; realpath leaves them to the look at the file.
    target = Path(os.path.realpath(home / named.replace("\\", "/")))
    if rooted or not target.is_relative_to(home):
        problems.add(path, repr(named), "a path inside the kit's folder")
    elif not profiles.is_file(target):
        problems.add(path, f"{named!r}, where no file is", "a mesh file beside the kit")
    return target


def _kits_in(folder: Path) -> list[Path]:
    try:
        found = sorted(path for path in folder.iterdir() if path.name.lower().endswith(_ENDINGS))
    except OSError as error:
        raise InputError(f"{folder}: can't be read: {error.strerror}", "Check its permissions.") from None
    if not found:
        raise InputError(f"{folder}: no kit in this folder", f"Kits are named *{_ENDINGS[0]}.")
    return found


def _merge(loaded: list[_Loaded]) -> Kit:
    """One kit of several. Whatever two of them name must be the same in both."""
    said: dict[KeyPath, tuple[object, str]] = {}
    conflicts: list[str] = []
    for one in loaded:
        for path, value in _statements(one.kit):
            before = said.setdefault(path, (value, one.place(path)))
            if before[0] != value:
                conflicts.append(f"{one.place(path)}: {path_text(path)}: another than at {before[1]}")
    conflicts += _hidden_profiles(loaded)
    if conflicts:
        raise InputError("\n".join(conflicts), "Rename one of each two, or use one kit at a time.")
    kits = [one.kit for one in loaded]
    return Kit(
        name=" + ".join(dict.fromkeys(kit.name for kit in kits)),
        sources=tuple(source for kit in kits for source in kit.sources),
        parts={name: part for kit in kits for name, part in kit.parts.items()},
        material=next((kit.material for kit in kits if kit.material), None),
        machine=next((kit.machine for kit in kits if kit.machine), None),
        base=next((kit.base for kit in kits if kit.base), None),
        treatments={name: spec for kit in kits for name, spec in kit.treatments.items()},
    )


def _statements(kit: Kit) -> Iterator[tuple[KeyPath, object]]:
    """What a kit says that no other may contradict, with its key path."""
    for name in ("material", "machine", "base"):
        if getattr(kit, name) is not None:
            yield (name,), getattr(kit, name)
    for name, part in kit.parts.items():
        yield ("parts", name), part
    for name, spec in kit.treatments.items():
        yield ("treatments", name), spec


def _hidden_profiles(loaded: list[_Loaded]) -> Iterator[str]:
    """Names that mean a profile in one kit and would, merged, mean another kit's treatment."""
    for one in loaded:
        own = one.kit.treatments
        for path, name in _names_used(one.kit):
            for other in loaded:
                if name in other.kit.treatments and name not in own:
                    here = f"{one.place(path)}: {path_text(path)}"
                    there = other.place(("treatments", name))
                    yield f"{here}: {name!r} means the profile, another is meant by it at {there}"


def _names_used(kit: Kit) -> Iterator[tuple[KeyPath, str]]:
    for name, spec in kit.treatments.items():
        yield from ((("treatments", name), used) for used in names_in(spec))
    for name, part in kit.parts.items():
        for title, region in part.regions.items():
            path = ("parts", name, "regions", title, "treat")
            yield from ((path, used) for used in names_in(region.treat or ()))
