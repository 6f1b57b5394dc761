"""What the plates of an order hold and take: counted by placing the kit, planned on each machine."""

from __future__ import annotations

from collections import Counter
from typing import Any

from gcodetools.documents import profiles
from gcodetools.documents.fields import Problems
from gcodetools.gcode.arrays import give_back
from gcodetools.gcode.containers.base import NoSuchPlate
from gcodetools.jobs.apply import Options, read_plate
from gcodetools.jobs.compare import account_plate, compare_plates
from gcodetools.kit.placing import place
from gcodetools.kit.schema import Kit, load_kit
from gcodetools.planning.order import Order, PlateEntry, instead_of
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["TREATED", "UNTREATED", "Amount", "Counted", "Takes", "count_plates", "kit_of", "machine_of"]

TREATED, UNTREATED = "treated", "untreated"
Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with the ends that hold it nine times of ten, and what they rest on."""

    low: float
    best: float
    high: float
    source: str
    basis: str

    @classmethod
    def of(cls, record: Record) -> Amount:
        """From an estimate of a record."""
        return cls(record["low"], record["best"], record["high"], record["source"], record["basis"])

    @property
    def band(self) -> tuple[float, float]:
        """Its ends as factors."""
        return (self.low / self.best, self.high / self.best) if self.best else (1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Takes:
    """What one plate takes on a machine. per_gram : price of its filament by the material's profile. watts : ends of
    the power alone, as factors; price_per_kwh : of the machine's profile. Both None where no machine tells."""

    time_s: Amount
    mass_g: Amount
    per_gram: Amount
    energy_wh: Amount | None
    watts: tuple[float, float] | None
    price_per_kwh: float | None


@dataclass(frozen=True, slots=True)
class Counted:
    """A plate of the order. files : by TREATED and UNTREATED, those there are. holds : parts on it. counted_from :
    "kit" or "order". takes : by file variant and machine (None where none is named). material : its profile's name."""

    title: str
    files: dict[str, str]
    holds: dict[str, int]
    counted_from: str
    takes: dict[tuple[str, str | None], Takes]
    material: str

    def variant(self, wanted: str) -> str:
        """The variant to print where `wanted` is asked for: plates without a treated file are as sliced."""
        return wanted if wanted in self.files else UNTREATED


def kit_of(order: Order) -> Kit | None:
    """The kit that an order names.

    Raises
    ------
    InputError : it can't be read, or does not know a part that the order names.
    """
    file = order.file
    if file.kit is None:
        return None
    kit = load_kit(order.path(file.kit))
    problems = Problems(order.name, order.document)
    named: list[tuple[tuple[str | int, ...], str]] = []
    for key in ("one_kit", "parts"):
        named += [((key, part), part) for part in getattr(file, key) or ()]
    for k, plate in enumerate(file.plates):
        named += [(("plates", k, "holds", part), part) for part in plate.holds or ()]
    for path, part in named:
        if part not in kit.parts:
            problems.add(path, f"part {part!r}", instead_of(part, kit.parts), "See the parts of the kit.")
    problems.raise_if_any()
    return kit


def machine_of(order: Order, named: str | None, options: Options) -> str | None:
    """A printer's machine: a profile's name, a path made absolute from the order's folder, or what the command line
    says where the order is silent."""
    if named is None:
        return options.machine
    return str(order.path(named).absolute()) if profiles.is_path(named) else named


def _material_of(order: Order, entry: PlateEntry, kit: Kit | None, options: Options) -> str | None:
    spool = order.file.spool_of(entry)
    if spool is None:
        return options.material or (kit.material if kit is not None else None)
    named = order.file.spools[spool].material
    return str(order.path(named).absolute()) if profiles.is_path(named) else named


def count_plates(order: Order, kit: Kit | None, options: Options) -> tuple[list[Counted], list[str]]:
    """Every plate of an order, and warnings.

    Raises
    ------
    InputError : a file is unreadable or holds none of the parts, or a plate and its treated file hold different ones.
    """
    counted, warnings = [], []
    for k, entry in enumerate(order.file.plates):
        one, said = _count(order, k, entry, kit, options)
        counted.append(one)
        warnings += said
        # A plate's columns are large and no longer needed.
        give_back()
    _check_parts(order, counted)
    return counted, warnings


def _count(
    order: Order, number: int, entry: PlateEntry, kit: Kit | None, options: Options
) -> tuple[Counted, list[str]]:
    named = {UNTREATED: entry.file} | ({TREATED: entry.treated} if entry.treated else {})
    plates = {variant: _plate(order, number, entry, variant, file) for variant, file in named.items()}
    holds, warnings = _held(order, number, entry, plates, kit)
    material = _material_of(order, entry, kit, options)
    machines = dict.fromkeys(
        machine_of(order, printer.machine, options)
        for printer in order.file.printers
        if printer.plates is None or entry.title in printer.plates
    )
    takes: dict[tuple[str, str | None], Takes] = {}
    used = ""
    for machine in machines:
        sets = tuple(text for text in options.sets if machine is not None or not text.startswith("machine."))
        found, used, said = _taken(plates, Options((), material, machine, sets))
        takes |= {(variant, machine): one for variant, one in found.items()}
        warnings += said
    return Counted(entry.title, named, holds, "order" if entry.holds else "kit", takes, used), warnings


def _plate(order: Order, number: int, entry: PlateEntry, variant: str, file: str) -> Plate:
    """A variant of a plate; a treated one may stand alone in its file, whatever its number was."""
    try:
        return read_plate(order.path(file), number=entry.plate, lenient=variant == TREATED)
    except NoSuchPlate as error:
        problems = Problems(order.name, order.document)
        problems.say(
            ("plates", number), error.cause, f"Choose by number (plate: 1); there are {error.numbers}."
        )
        problems.raise_if_any()
        raise


def _held(
    order: Order, number: int, entry: PlateEntry, plates: dict[str, Plate], kit: Kit | None
) -> tuple[dict[str, int], list[str]]:
    """Parts on a plate: what the order says, else what the kit finds on each variant, which must be the same."""
    if entry.holds:
        return dict(entry.holds), []
    problems = Problems(order.name, order.document)
    if kit is None:
        problems.add(
            ("plates", number),
            "neither a kit nor `holds`",
            "kit: a kit file that tells its parts, or holds: {part: 9}",
        )
        problems.raise_if_any()
    assert kit is not None
    warnings, found = [], {}
    for variant, plate in plates.items():
        placed = place(kit, plate)
        warnings += [f"{plate.program.lines.name}: {text}" for text in placed.warnings]
        found[variant] = dict(Counter(pose.part for pose in placed.poses))
        if not placed.poses:
            problems.add(
                ("plates", number), f"{plate.program.lines.name}, which holds no part of kit {kit.name}",
                f"one of {', '.join(list(kit.parts)[:12])} on it, or holds: {{part: 9}}",
            )  # fmt: skip
    if not len(problems) and any(one != found[UNTREATED] for one in found.values()):
        words = {variant: _words(one) for variant, one in found.items()}
        problems.add(
            ("plates", number, "treated"),
            f"{words[TREATED]}",
            f"what the untreated plate holds: {words[UNTREATED]}",
        )
    problems.raise_if_any()
    return found[UNTREATED], list(dict.fromkeys(warnings))


def _words(holds: dict[str, int]) -> str:
    return ", ".join(f"{count} {part}" for part, count in holds.items())


def _taken(plates: dict[str, Plate], options: Options) -> tuple[dict[str, Takes], str, list[str]]:
    """What the variants of a plate take on one machine, both on one clock; their material; warnings."""
    if TREATED in plates:
        record, said = compare_plates(plates[UNTREATED], plates[TREATED], None, options)
        sides = {UNTREATED: "before", TREATED: "after"}
    else:
        record, said = account_plate(plates[UNTREATED], None, options)
        sides = {UNTREATED: "after"}
    material = record["files"]["after"]["material"]
    found = {variant: _takes(record, side) for variant, side in sides.items()}
    name = plates[UNTREATED].program.lines.name
    return found, material, [text if name in text else f"{name}: {text}" for text in said]


def _takes(record: Record, side: str) -> Takes:
    totals, columns, whole = record["totals"], record["columns"], record[side]["whole"]
    energy = watts = price = None
    if "energy_wh" in totals:
        energy = Amount.of(totals["energy_wh"][side])
        trust, time = columns["energy_wh"], columns["time_s"]
        watts = (trust["low"] / time["low"], trust["high"] / time["high"])
        if "energy_cost" in totals and energy.best:
            price = 1000.0 * whole["energy_cost"] / whole["energy_wh"]
    mass, cost = Amount.of(totals["mass_g"][side]), Amount.of(totals["cost"][side])
    per_gram = whole["cost"] / whole["mass_g"] if whole["mass_g"] else 0.0
    low, high = (columns["cost"][end] / columns["mass_g"][end] for end in ("low", "high"))
    price_g = Amount(low * per_gram, per_gram, high * per_gram, cost.source, cost.basis)
    return Takes(Amount.of(totals["time_s"][side]), mass, price_g, energy, watts, price)


def _check_parts(order: Order, counted: list[Counted]) -> None:
    """Every part ordered is on some plate, and every plate holds some part."""
    problems = Problems(order.name, order.document)
    there = list(dict.fromkeys(part for one in counted for part in one.holds))
    for key in ("one_kit", "parts"):
        for part in getattr(order.file, key) or ():
            if part not in there:
                what = f"part {part!r}, which no plate holds"
                problems.add((key, part), what, instead_of(part, there), "Add a plate that holds it.")
    wanted = order.file.wanted
    for k, one in enumerate(counted):
        if not any(part in wanted for part in one.holds):
            problems.add(
                ("plates", k), f"a plate that holds {_words(one.holds)}, none of which is ordered",
                f"one that holds some of {', '.join(list(wanted)[:12])}", "Leave it out.",
            )  # fmt: skip
    problems.raise_if_any()
