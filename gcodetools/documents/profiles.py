"""Profiles: where they lie, how they are found, and what a material and a machine say.

Profiles are data. In a checkout they lie in `profiles/` beside pyproject.toml, in a wheel inside the package.
Every number in them carries its source and a flag that says how far to trust it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal, TypeVar

from msgspec import Meta, Struct, field

from gcodetools.documents import yaml
from gcodetools.documents.fields import Flaw, read
from gcodetools.documents.kinds import Mm, Name, Percent, PositiveMm, nearest
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
    "find",
    "is_file",
    "is_path",
    "load",
    "load_machine",
    "load_material",
    "missing",
    "names",
    "root",
]

KINDS = ("materials", "machines", "conventions", "treatments", "settings")
_SUFFIXES = (".yaml", ".yml")

T = TypeVar("T")

# How far a number may be trusted: read at its source; read in a text that quotes it; from memory; a trade
# fact without a source; computed from other numbers here; chosen so that there is a number; set by the user.
Flag = Literal["verified", "second-hand", "memory", "common practice", "derived", "assumption", "given"]
Source = Annotated[str, Meta(min_length=1)]


class Quantity(Struct, frozen=True, forbid_unknown_fields=True):
    """A number with its source. The unit is in the key that holds it. spread : (low, high) around it."""

    example: ClassVar[str] = "{value: 1.27, source: where from, flag: memory}"

    value: float
    source: Source
    flag: Flag
    spread: tuple[float, float] | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.spread is not None and not self.spread[0] <= self.value <= self.spread[1]:
            low, high = self.spread
            yield Flaw(("spread",), f"[{low:g}, {high:g}]", f"[low, high] around {self.value:g}")

    @staticmethod
    def given(old: Quantity | None, value: float) -> Quantity:
        """What it becomes when a bare number is set from the command line."""
        return Quantity(value, "set on the command line", "given")


class Range(Struct, frozen=True, forbid_unknown_fields=True):
    """What a setting may be, low to high, with its source. The unit is in the key that holds it."""

    example: ClassVar[str] = "{low: 220, high: 250, source: where from, flag: memory}"

    low: float
    high: float
    source: Source
    flag: Flag

    def flaws(self) -> Iterator[Flaw]:
        if self.low > self.high:
            yield Flaw(("low",), f"{self.low:g} above high, {self.high:g}", "low not above high")


class PercentRange(Struct, frozen=True, forbid_unknown_fields=True):
    """A range of percentages, as fractions."""

    example: ClassVar[str] = "{low: 0%, high: 80%, source: where from, flag: memory}"

    low: Annotated[Percent, Meta(ge=0, le=1)]
    high: Annotated[Percent, Meta(ge=0, le=1)]
    source: Source
    flag: Flag

    def flaws(self) -> Iterator[Flaw]:
        if self.low > self.high:
            yield Flaw(("low",), f"{self.low:.0%} above high, {self.high:.0%}", "low not above high")


class Material(Struct, frozen=True, forbid_unknown_fields=True):
    """A filament.

    melt_rate_mm3_s : most plastic a plain 0.4 mm nozzle melts well. measured_peak_c : the nozzle temperature
    past which layers were measured weaker, None where nobody measured. min_layer_time_s : below it a layer
    is still soft when the next comes. ooze_mm : filament lost during a rest, to be primed after it.
    """

    version: Literal[1] = field(name="beadwright")
    name: Name = field(name="material")
    about: str
    density_g_cm3: Quantity
    diameter_mm: Quantity
    price_per_kg: Quantity
    nozzle_c: Range
    bed_c: Range
    fan: PercentRange
    min_layer_time_s: Quantity
    min_extrusion_c: Quantity
    melt_rate_mm3_s: Quantity
    ooze_mm: Quantity
    measured_peak_c: Quantity | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from _not_positive(self, ("density_g_cm3", "diameter_mm", "melt_rate_mm3_s", "min_extrusion_c"))
        yield from _negative(self, ("price_per_kg", "min_layer_time_s", "ooze_mm"))
        peak = self.measured_peak_c
        if peak is not None and not self.nozzle_c.low <= peak.value <= self.nozzle_c.high:
            inside = f"a temperature within nozzle_c, {self.nozzle_c.low:g} to {self.nozzle_c.high:g}"
            yield Flaw(("measured_peak_c",), f"{peak.value:g}", inside)


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
        yield from _not_positive(self, ("nozzle_up_c_s", "nozzle_down_c_s", "bed_up_c_s"))
        yield from _negative(self, ("nozzle_settle_s", "fan_lag_s"))


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
        yield from _negative(self, ("nozzle_w", "bed_w", "electronics_w", "heating_w"))


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
        yield from _negative(self, tuple(key for key in given if getattr(self, key) is not None))
        lengths = ("height_mm", "nozzle_mm", "hotend_max_c")
        yield from _not_positive(self, (*lengths, "accel_mm_s2", "travel_accel_mm_s2", "retract_accel_mm_s2"))
        if not 0 < self.hotend_max_c.value <= 500:
            yield Flaw(("hotend_max_c", "value"), f"{self.hotend_max_c.value:g}", "at most 500 C")


def _not_positive(struct: Struct, keys: tuple[str, ...]) -> Iterator[Flaw]:
    for key in keys:
        if getattr(struct, key).value <= 0:
            yield Flaw((key, "value"), f"{getattr(struct, key).value:g}", "a number above 0")


def _negative(struct: Struct, keys: tuple[str, ...]) -> Iterator[Flaw]:
    for key in keys:
        if getattr(struct, key).value < 0:
            yield Flaw((key, "value"), f"{getattr(struct, key).value:g}", "a number of at least 0")


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
    return sorted({path.stem for path in _files(kind)})


def _files(kind: str) -> list[Path]:
    return sorted(path for path in (root() / kind).glob("*") if path.suffix in _SUFFIXES)


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
        path = (beside or Path()) / name_or_path
        if not is_file(path):
            raise InputError(f"{path}: no such file for {_noun(kind)}", "Check the path, or give a name.")
        return path
    message = missing(kind, name_or_path)
    if message:
        raise InputError(*message)
    stem = name_or_path.lower()
    return next(path for path in _files(kind) if path.stem.lower() == stem)


def missing(kind: str, name: str) -> tuple[str, str] | None:
    """What to say (cause, what to do) if no profile has this name; None if one has."""
    known = names(kind)
    if name.lower() in (one.lower() for one in known):
        return None
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
    shown = str(path) if is_path(name_or_path) else f"{kind}/{path.name}"
    return read(yaml.load(path, shown), struct, shown)


def load_material(name_or_path: str, beside: Path | None = None) -> Material:
    """Read a material.

    Raises
    ------
    InputError : not found, unreadable or invalid.
    """
    return load("materials", Material, name_or_path, beside)


def load_machine(name_or_path: str, beside: Path | None = None) -> Machine:
    """Read a machine.

    Raises
    ------
    InputError : not found, unreadable or invalid.
    """
    return load("machines", Machine, name_or_path, beside)
