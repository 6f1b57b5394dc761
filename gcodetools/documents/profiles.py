"""Profiles: where they lie, how they are found, and what a material and a machine say.

Profiles are data. In a checkout they lie in `profiles/` beside pyproject.toml, in a wheel inside the package.
Every number in them carries its source and a flag that says how far to trust it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal, TypeVar, cast

from msgspec import Meta, Struct, field

from gcodetools.documents import yaml
from gcodetools.documents.fields import Flaw, Problems, convert, read
from gcodetools.documents.kinds import Mm, Name, PositiveMm, Reference, nearest
from gcodetools.documents.likeness import merged
from gcodetools.documents.materials import Material
from gcodetools.documents.quantities import (
    Flag,
    PercentRange,
    Quantity,
    Range,
    Source,
    negative,
    not_positive,
)
from gcodetools.errors import InputError

__all__ = [
    "KINDS",
    "Axes",
    "Bed",
    "Heating",
    "Machine",
    "Material",
    "PercentRange",
    "Power",
    "Quantity",
    "Range",
    "beside_it",
    "find",
    "is_file",
    "is_path",
    "load",
    "load_heads",
    "load_machine",
    "load_material",
    "material_of",
    "missing",
    "names",
    "root",
]

KINDS = ("materials", "machines", "conventions", "treatments", "settings")
_SUFFIXES = (".yaml", ".yml")
_OWN = ("beadwright", "material", "like")  # what a material that is like another says itself

T = TypeVar("T")


class Bed(Struct, frozen=True, forbid_unknown_fields=True):
    """Where plastic may lie: a rectangle from `origin` of `size`, or a disc around `origin` with `radius`."""

    one_of: ClassVar[tuple[str, ...]] = ("size", "radius")
    example: ClassVar[str] = "{origin: [0, 0], size: [220, 220], source: where from, flag: assumption}"

    origin: tuple[Mm, Mm]
    source: Source
    flag: Flag
    size: tuple[PositiveMm, PositiveMm] | None = None
    radius: PositiveMm | None = None


class Axes(Struct, frozen=True, forbid_unknown_fields=True):
    """A limit for each axis; the unit is in the key that holds it."""

    example: ClassVar[str] = "{x: 500, y: 500, z: 10, e: 50, source: where from, flag: assumption}"

    x: Annotated[float, Meta(gt=0)]
    y: Annotated[float, Meta(gt=0)]
    z: Annotated[float, Meta(gt=0)]
    e: Annotated[float, Meta(gt=0)]
    source: Source
    flag: Flag


class Heating(Struct, frozen=True, forbid_unknown_fields=True):
    """How fast heat follows a command: C/s up and down, settling seconds, and the fan's lag in seconds."""

    nozzle_up_c_s: Quantity
    nozzle_down_c_s: Quantity
    nozzle_settle_s: Quantity
    bed_up_c_s: Quantity
    fan_lag_s: Quantity

    def flaws(self) -> Iterator[Flaw]:
        yield from not_positive(self, ("nozzle_up_c_s", "nozzle_down_c_s", "bed_up_c_s"))
        yield from negative(self, ("nozzle_settle_s", "fan_lag_s"))


class Power(Struct, frozen=True, forbid_unknown_fields=True):
    """What a machine draws from the mains, W, averages.

    nozzle_w : holding the nozzle while printing. bed_w : holding the bed at 60 C in a room of 20 C; at other
    temperatures in proportion. electronics_w : board, motors and fans. heating_w : everything while it heats up.
    """

    nozzle_w: Quantity
    bed_w: Quantity
    electronics_w: Quantity
    heating_w: Quantity

    def flaws(self) -> Iterator[Flaw]:
        yield from negative(self, ("nozzle_w", "bed_w", "electronics_w", "heating_w"))


class Machine(Struct, frozen=True, forbid_unknown_fields=True):
    """A printer. Limits of its own settings, used where the file states none.

    power : without it no energy is told. electricity_per_kwh : the price of it, without which energy costs
    nothing. tool_change_s : what a change of tool takes beyond the moves in the file.
    """

    version: Literal[1] = field(name="beadwright")
    name: Name = field(name="machine")
    about: str
    bed: Bed
    height_mm: Quantity
    nozzle_mm: Quantity
    hotend_max_c: Quantity
    max_speed_mm_s: Axes
    max_accel_mm_s2: Axes
    jerk_mm_s: Axes
    accel_mm_s2: Quantity
    travel_accel_mm_s2: Quantity
    retract_accel_mm_s2: Quantity
    heating: Heating
    power: Power | None = None
    electricity_per_kwh: Quantity | None = None
    tool_change_s: Quantity | None = None

    def flaws(self) -> Iterator[Flaw]:
        given = ("electricity_per_kwh", "tool_change_s")
        yield from negative(self, tuple(key for key in given if getattr(self, key) is not None))
        lengths = ("height_mm", "nozzle_mm", "hotend_max_c")
        yield from not_positive(self, (*lengths, "accel_mm_s2", "travel_accel_mm_s2", "retract_accel_mm_s2"))
        if not 0 < self.hotend_max_c.value <= 500:
            yield Flaw(("hotend_max_c", "value"), f"{self.hotend_max_c.value:g}", "at most 500 C")


def root() -> Path:
    """The folder of the profiles: inside the package in a wheel, beside pyproject.toml in a checkout.

    Raises
    ------
    InputError : neither is there; the installation is damaged.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "profiles", package.parent / "profiles"):
        if folder.is_dir():
            return folder
    raise InputError(f"no folder of profiles at {package / 'profiles'}", "Install Beadwright again.")


def names(kind: str) -> list[str]:
    """The names of the profiles of a kind, sorted."""
    return list(_files(kind))


def _files(kind: str) -> dict[str, Path]:
    """Names and files of the profiles of a kind, sorted by name."""
    folder = root() / kind
    found = [path for path in folder.iterdir() if path.suffix in _SUFFIXES] if folder.is_dir() else []
    return {path.stem: path for path in sorted(found, key=lambda path: path.stem)}


def is_path(name_or_path: str) -> bool:
    """Whether it is meant as a path: it holds a slash or ends as YAML files do."""
    separated = "/" in name_or_path or "\\" in name_or_path
    return separated or name_or_path.lower().endswith(_SUFFIXES)


def is_file(path: Path) -> bool:
    """Whether a file is there; a path that no system could hold is none."""
    try:
        return path.is_file()
    except OSError:  # such as a name too long
        return False


def beside_it(folder: Path, named: str) -> Path:
    """A path as a file in `folder` names it; one written on Windows is read on other systems too."""
    path = folder / named
    return path if "\\" not in named or is_file(path) else folder / named.replace("\\", "/")


def find(kind: str, name_or_path: str, beside: Path | None = None) -> Path:
    """The file of a profile.

    Parameters
    ----------
    kind : one of KINDS.
    name_or_path : a name under profiles/<kind>, in any case; or a path (see `is_path`).
    beside : the folder from which a relative path counts; the working folder unless given.

    Raises
    ------
    InputError : there is none; the message has the nearest name.
    """
    if is_path(name_or_path):
        path = beside_it(beside or Path(), name_or_path)
        if not is_file(path):
            raise InputError(f"{path}: no such file for {_noun(kind)}", "Check the path, or give a name.")
        return path
    known = _files(kind)
    named = next((path for name, path in known.items() if name.lower() == name_or_path.lower()), None)
    if named is None:
        raise InputError(*_missing(kind, name_or_path, list(known)))
    return named


def missing(kind: str, name: str) -> tuple[str, str] | None:
    """What to say (cause, what to do) if no profile has this name; None if one has."""
    known = names(kind)
    return None if name.lower() in (one.lower() for one in known) else _missing(kind, name, known)


def _missing(kind: str, name: str, known: list[str]) -> tuple[str, str]:
    close = nearest(name, known)
    nearby = f"; nearest {close!r}" if close else ""
    hint = f"There are: {', '.join(known) or 'none'}. Or give a path."
    return f"no {_noun(kind)} named {name!r}{nearby}", hint


def _noun(kind: str) -> str:
    return kind.removesuffix("s")


def load(kind: str, struct: type[T], name_or_path: str, beside: Path | None = None) -> T:
    """Find and read a profile into a struct.

    Raises
    ------
    InputError : not found, unreadable or invalid.
    """
    path = find(kind, name_or_path, beside)
    shown = _shown(kind, name_or_path, path)
    return read(yaml.load(path, shown), struct, shown)


def load_heads(kind: str, struct: type[T], keys: Collection[str]) -> tuple[T, ...]:
    """What all profiles of a kind begin with, before any other key than `keys`, as a struct; sorted by name.

    Raises
    ------
    InputError : unreadable or invalid.
    """
    files = [(path, _shown(kind, name, path)) for name, path in _files(kind).items()]
    return tuple(read(yaml.load(path, shown, keys), struct, shown) for path, shown in files)


def _shown(kind: str, name_or_path: str, path: Path) -> str:
    return str(path) if is_path(name_or_path) else f"{kind}/{path.name}"


def load_material(name_or_path: str, beside: Path | None = None) -> Material:
    """Read a material; with a key `like`, what it does not say itself is as in the material named there.

    Mappings are then merged key by key; lists and numbers with their source are replaced whole. A path in
    `like` counts from the folder of the file it stands in.

    Raises
    ------
    InputError : not found, unreadable or invalid; or `like` comes back to where it started.
    """
    path = find("materials", name_or_path, beside)
    shown = _shown("materials", name_or_path, path)
    return read(_likened(path, shown, ()), Material, shown)


def material_of(text: bytes, path: Path) -> Material:
    """A material from the bytes that are to stand at `path`, which need not be there.

    Raises
    ------
    InputError : as `load_material`.
    """
    return read(_filled(yaml.load(text, str(path)), path, str(path), ()), Material, str(path))


def _likened(path: Path, shown: str, chain: tuple[Path, ...]) -> yaml.Node:
    """The document at `path`, filled up from those it is like. chain : the files that led here."""
    return _filled(yaml.load(path, shown), path, shown, chain)


def _filled(node: yaml.Node, path: Path, shown: str, chain: tuple[Path, ...]) -> yaml.Node:
    """As `_likened`, of a document that is read already."""
    if not isinstance(node, yaml.Mapping) or "like" not in node.entries:
        return node
    entry = node.entries["like"]
    problems = Problems(shown, node)
    named = convert(entry.value, Reference, problems, ("like",))
    problems.raise_if_any()
    try:
        other = find("materials", named, path.parent)
    except InputError as error:
        raise InputError(f"{shown}:{entry.line}: like: {error.cause}", error.hint) from None
    chain = (*chain, path.resolve())
    if other.resolve() in chain:
        way = " -> ".join(one.name for one in (*chain, other))
        raise InputError(
            f"{shown}:{entry.line}: like: comes back to {other.name} ({way}), expected a material that is whole",
            "Name one of Beadwright's own, or write the keys out in one of them.",
        )
    name = _shown("materials", named, other)
    base = _likened(other, name, chain)
    read(base, Material, name)  # its mistakes are told at their own place
    return merged(node, cast(yaml.Mapping, base), entry.line, apart=_OWN)


def load_machine(name_or_path: str, beside: Path | None = None) -> Machine:
    """Read a machine.

    Raises
    ------
    InputError : not found, unreadable or invalid.
    """
    return load("machines", Machine, name_or_path, beside)
