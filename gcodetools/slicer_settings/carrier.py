"""What is carried where, what became of it, and the limits that nothing is carried past."""

from __future__ import annotations

from dataclasses import field
from fractions import Fraction
from typing import Literal

from gcodetools.documents.profiles import Machine, Material
from gcodetools.errors import Refused
from gcodetools.kit.schema import Region
from gcodetools.kit.settings import Treatment
from gcodetools.records import dataclass
from gcodetools.slicer_settings.beads import Rate, rates
from gcodetools.slicer_settings.changing import Changes
from gcodetools.slicer_settings.document import shown
from gcodetools.slicer_settings.names import BEAD_SPEEDS
from gcodetools.slicer_settings.readings import Profile

__all__ = [
    "Carried",
    "Carrier",
    "Outcome",
    "check_melt_rate",
    "check_speeds",
    "nozzle_bounds",
    "planned_rates",
]

_LEAST_MM_S = 1e-9


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one setting of a treatment. carried : "wholly", "in part" or "not". keys : of the file, that it
    meant. why : what to know."""

    setting: str
    asked: str
    carried: Literal["wholly", "in part", "not"]
    keys: tuple[str, ...]
    why: tuple[str, ...]


@dataclass(slots=True)
class Carried:
    """All outcomes, and the changes they come to. warnings : sentences."""

    changes: Changes
    outcomes: list[Outcome] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Carrier:
    """What is carried where, and within which limits.

    unnamed_c : hottest nozzle where no machine is named. region : of a kit, None for a treatment by name. assumed :
    nobody names the material. tool : the tool meant, None for all.
    """

    profile: Profile
    treatment: Treatment
    material: Material
    machine: Machine | None
    unnamed_c: float
    region: Region | None = None
    assumed: bool = False
    tool: int | None = None


def nozzle_bounds(carrier: Carrier) -> tuple[float, float, str]:
    """Coldest and hottest nozzle that may be asked for, C, and where the hottest is from.

    With no machine named, at most the larger of `unnamed_c` and the hottest that the settings have themselves.
    """
    material, machine = carrier.material, carrier.machine
    high, source = material.nozzle_c.high, f"material {material.name}"
    if machine is not None:
        limit, told = machine.hotend_max_c.value, f"machine {machine.name}"
    else:
        found = [r.value for name in ("nozzle_c", "first_nozzle_c") for r in carrier.profile.of(name)]
        own = max((float(value) for value in found if isinstance(value, Fraction)), default=0.0)
        limit = max(carrier.unnamed_c, own)
        told = f"no machine named, so at most {limit:g} C"
    if limit < high:
        high, source = limit, told
    return min(max(material.nozzle_c.low, material.min_extrusion_c.value), high), high, source


def planned_rates(carrier: Carrier, changes: Changes, tool: int) -> list[Rate]:
    """Plastic a second of a tool with all that is planned."""

    def look(name: str) -> float | None:
        found = [r for r in carrier.profile.of(name, tool) if isinstance(r.value, Fraction)]
        value = changes.current(found[0]) if found else None
        return None if value is None else float(value)

    return list(rates(look))


def check_melt_rate(
    carrier: Carrier, tool: int, before: list[Rate], after: list[Rate], carried: Carried
) -> None:
    """Refuse what melts worse than before and beyond the material's melt rate.

    Raises
    ------
    Refused : naming the speed.
    """
    limit = carrier.material.melt_rate_mm3_s
    was = {rate.name: rate.mm3_s for rate in before}
    whose = f" of T{tool}" if carrier.profile.tools > 1 else ""
    for rate in after:
        if rate.mm3_s > limit.value * (1 + 1e-9) and rate.mm3_s > was.get(rate.name, 0.0) * (1 + 1e-9):
            raise Refused(
                f"{carrier.profile.document.name}: {rate.name}{whose} would need {rate.mm3_s:.1f} mm3/s, the melt rate "
                f"of {carrier.material.name} is {limit.value:g} mm3/s ({limit.source})",
                "Ask for less flow or less speed.",
            )
    over = [rate for rate in after if rate.mm3_s > limit.value * (1 + 1e-9)]
    if over and carried.changes.planned:
        worst = max(over, key=lambda rate: rate.mm3_s)
        carried.warnings.append(
            f"{worst.name}{whose} needs {worst.mm3_s:.1f} mm3/s, beyond the melt rate of {limit.value:g} mm3/s of "
            f"{carrier.material.name}; the settings ask for that themselves"
        )


def check_speeds(carrier: Carrier, changes: Changes) -> None:
    """Refuse a speed beyond the machine's.

    Raises
    ------
    Refused : naming the key.
    """
    machine = carrier.machine
    if machine is None:
        return
    limit = min(machine.max_speed_mm_s.x, machine.max_speed_mm_s.y)
    for change in changes.planned:
        speed = change.reading.name in BEAD_SPEEDS
        if speed and change.new > change.old and float(change.new) > limit + _LEAST_MM_S:
            raise Refused(
                f"{carrier.profile.document.name}:{change.reading.stated.line}: {shown(change.reading.key)} would be "
                f"{float(change.new):g} mm/s, beyond {limit:g} of machine {machine.name}",
                "Ask for less.",
            )
