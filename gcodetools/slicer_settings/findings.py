"""What an audit of settings finds: one sentence a thing, with what was expected, why, and where that is from."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal, Protocol

from gcodetools.documents.profiles import Machine, Material
from gcodetools.records import dataclass
from gcodetools.slicer_settings.document import shown
from gcodetools.slicer_settings.names import NAMES
from gcodetools.slicer_settings.readings import Profile, Reading

__all__ = ["COMMON", "GRAVITIES", "Finding", "Gravity", "Look", "sourced", "worded"]

Gravity = Literal["stop", "warning", "note"]
GRAVITIES: tuple[Gravity, ...] = ("stop", "warning", "note")
COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    gravity : `stop` where it harms or can't be printed, `warning` where the print is likely worse for it, `note`
    what is good to know. about : the name of ours, or what it is about. keys : of the file. source : of what was
    expected.
    """

    gravity: Gravity
    about: str
    keys: tuple[str, ...]
    found: str
    expected: str
    why: str
    source: str


class _Sourced(Protocol):
    @property
    def source(self) -> str: ...

    @property
    def flag(self) -> str: ...


def sourced(told: _Sourced) -> str:
    """Where a number of a profile is from, and how far to trust it."""
    return told.source if told.flag in told.source else f"{told.source} ({told.flag})"


def worded(name: str, value: Fraction | float) -> str:
    """A value of a name with its unit: `235 C`, `40 %`, `0.45 mm`."""
    unit = NAMES[name].unit
    number = float(value)
    if unit == "share":
        return f"{round(100 * number, 2):g} %"
    plain = f"{round(number, 4):g}"
    return plain if unit in ("ratio", "count", "per kg") else f"{plain} {unit}"


class Look:
    """Looks names up for one tool, and makes findings of them.

    Parameters
    ----------
    tool : whose settings. unnamed_c : hottest nozzle where no machine is named. assumed : nobody names the material.
    """

    def __init__(
        self,
        profile: Profile,
        tool: int,
        material: Material,
        machine: Machine | None,
        unnamed_c: float,
        assumed: bool = False,
    ) -> None:
        self.profile, self.tool = profile, tool
        self.material, self.machine = material, machine
        self.unnamed_c, self.assumed = unnamed_c, assumed

    def __call__(self, name: str) -> float | None:
        value = self.profile.number(name, self.tool)
        return None if value is None else float(value)

    def flag(self, name: str) -> bool | None:
        return self.profile.flag(name, self.tool)

    def readings(self, name: str) -> tuple[Reading, ...]:
        return self.profile.of(name, self.tool)

    def keys(self, *names: str) -> tuple[str, ...]:
        """The file's keys of names of ours."""
        return tuple(dict.fromkeys(shown(r.key) for name in names for r in self.readings(name)))

    def finding(
        self, gravity: Gravity, name: str, expected: str, why: str, source: str, found: str = "", *more: str
    ) -> Finding:
        """A finding about a name. more : names whose keys take part in it."""
        value = self(name)
        told = found or (worded(name, value) if value is not None else "not told")
        return Finding(gravity, name, self.keys(name, *more), told, expected, why, source)
