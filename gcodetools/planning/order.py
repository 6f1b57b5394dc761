"""The order file: what is wanted by when, on which plates, printers and spools; read into frozen structs.

All mistakes of a file are reported together, each with its line (see `documents.fields`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal
from zoneinfo import ZoneInfo

from msgspec import Meta, Struct
from msgspec import field as key

from gcodetools.documents import yaml
from gcodetools.documents.fields import Flaw, read
from gcodetools.documents.kinds import Name, Reference, nearest, shown
from gcodetools.documents.profiles import beside_it
from gcodetools.errors import InputError
from gcodetools.planning.hours import Week, duration_s, local_text, moment_of, week_of, zone_of
from gcodetools.records import dataclass

__all__ = [
    "SCHEMA",
    "Order",
    "OrderFile",
    "PlateEntry",
    "PrinterEntry",
    "SpoolEntry",
    "instead_of",
    "load_order",
]

SCHEMA = 1
_LONGEST_SWAP_S = 86_400.0

Amount = Annotated[int, Meta(ge=1, le=1_000_000)]
Duration = Annotated[
    str, Meta(min_length=1, max_length=40, extra={"words": "a time such as 10 min", "quote": False})
]
DateTime = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=40,
        extra={"words": "a date and time such as 2026-03-02T08:00", "quote": False},
    ),
]
HoursText = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=200,
        extra={"words": "hours such as 07:00-23:00 or round the clock", "quote": False},
    ),
]
Price = Annotated[float, Meta(ge=0, le=1e9)]
Grams = Annotated[float, Meta(gt=0, le=1e6, extra={"unit": "g"})]


def _said(path: tuple[str | int, ...], make: Callable[[], object], expected: str) -> Iterator[Flaw]:
    """A flaw where a text can't be made into what it is to mean."""
    try:
        make()
    except ValueError as error:
        yield Flaw(path, str(error), expected)


def instead_of(name: str, known: Iterable[str]) -> str:
    """What was expected instead of a name that nobody knows: the nearest, or the first twelve."""
    known = list(known)
    close = nearest(name, known)
    return f"{close!r} (nearest name)" if close else f"one of {', '.join(map(shown, known[:12])) or 'none'}"


class PlateEntry(Struct, frozen=True, forbid_unknown_fields=True):
    """A sliced file that may be printed any number of times.

    file : from the order's folder. treated : the same plate, treated. name : what it is called; the file's
    name without its ending unless given, and the plate's number if it has one. plate : of a package with several, its
    number. spool : name of the spools it is printed from. holds : how many of which part, where no kit can tell.
    """

    example: ClassVar[str] = "{file: plate.gcode, treated: plate-treated.gcode}"

    file: Reference
    treated: Reference | None = None
    name: Name | None = None
    plate: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    spool: Name | None = None
    holds: Annotated[dict[Name, Amount], Meta(min_length=1)] | None = None

    @property
    def title(self) -> str:
        """Its name in tables."""
        stem = Path(self.file.replace("\\", "/")).stem
        return self.name or (stem if self.plate is None else f"{stem} plate {self.plate}")


class PrinterEntry(Struct, frozen=True, forbid_unknown_fields=True):
    """Printers alike.

    name : of them; numbered where there are several. count : how many. hours : when somebody is there, by the
    clock on the wall. swap : how long it takes to take a plate off and start the next. failed : the share of
    plates that fail. failed_at : somewhere on the way, noticed there, or at the end. alone : whether plates
    may print on when nobody is there. plates : names of those it may print; all unless given. per_hour : what
    an hour of printing costs besides filament and energy.
    """

    example: ClassVar[str] = '{name: bench, hours: "07:00-23:00", swap: 10 min, failed: 4%}'

    name: Name
    hours: HoursText | dict[Name, HoursText]
    swap: Duration
    failed: Annotated[float, Meta(ge=0, le=0.9, extra={"unit": "%"})]
    failed_at: Literal["anywhere", "end"] = "anywhere"
    count: Annotated[int, Meta(ge=1, le=1000)] = 1
    machine: Reference | None = None
    alone: bool = True
    plates: Annotated[tuple[Name, ...], Meta(min_length=1)] | None = None
    per_hour: Price = 0.0

    @property
    def week(self) -> Week:
        """Its hours."""
        return week_of(self.hours)

    @property
    def swap_s(self) -> float:
        """Its swap time, s."""
        return duration_s(self.swap)

    @property
    def names(self) -> tuple[str, ...]:
        """A name for each of them."""
        return (self.name,) if self.count == 1 else tuple(f"{self.name} {k + 1}" for k in range(self.count))

    def flaws(self) -> Iterator[Flaw]:
        hours = tuple(
            _said(("hours",), lambda: self.week, "07:00-23:00, round the clock, or a mapping of days")
        )
        swap = tuple(_said(("swap",), lambda: self.swap_s, "a time such as 10 min or 1 h 30 min"))
        yield from (*hours, *swap)
        if hours or swap:
            return
        if self.swap_s > self.week.longest_s:
            longest = f"{self.week.longest_s / 60:g} min"
            yield Flaw(("swap",), f"{self.swap!r}", f"at most {longest}, the longest that somebody is there")
        elif self.swap_s > _LONGEST_SWAP_S:
            yield Flaw(("swap",), f"{self.swap!r}", "at most 24 h")


class SpoolEntry(Struct, frozen=True, forbid_unknown_fields=True):
    """Spools alike.

    net_g : filament on a full one. on_hand : full ones there are. opened_g : what is left on each opened one.
    price : of a full one; by the material's profile unless given. name : the material's unless given. runout
    : whether a plate may go on from the next spool where one ends.
    """

    example: ClassVar[str] = "{material: petg, net_g: 1000, on_hand: 3, price: 22}"

    material: Reference
    net_g: Grams
    on_hand: Annotated[int, Meta(ge=0, le=1_000_000)] = 0
    opened_g: tuple[Grams, ...] = ()
    price: Price | None = None
    name: Name | None = None
    runout: Literal["never", "swap"] = "never"

    @property
    def title(self) -> str:
        """Its name in tables."""
        return self.name or self.material


class OrderFile(Struct, frozen=True, forbid_unknown_fields=True):
    """A Beadwright order: kits or parts by a date, and what there is to print them with.

    order : its name. zone : a time zone such as Europe/Berlin. plates : what may be printed. printers : on
    what. kit : the kit file that tells which parts a plate holds. kits : whole kits, each of what `one_kit`
    says. one_kit : how many of which part. parts : parts besides. start, due : on the clocks of `zone` unless
    they have an offset of their own. spools : filament at hand.
    """

    version: Annotated[
        int, Meta(ge=1, le=SCHEMA, extra={"words": f"the version of the order language, {SCHEMA}"})
    ] = key(name="beadwright")
    order: Name
    zone: Name
    plates: Annotated[tuple[PlateEntry, ...], Meta(min_length=1, max_length=1000)]
    printers: Annotated[tuple[PrinterEntry, ...], Meta(min_length=1, max_length=200)]
    kit: Reference | None = None
    kits: Amount | None = None
    one_kit: Annotated[dict[Name, Amount], Meta(min_length=1)] | None = None
    parts: Annotated[dict[Name, Amount], Meta(min_length=1)] | None = None
    start: DateTime | None = None
    due: DateTime | None = None
    spools: tuple[SpoolEntry, ...] = ()
    electricity_per_kwh: Price | None = None

    @property
    def wanted(self) -> dict[str, int]:
        """Parts ordered, by name."""
        parts = {name: (self.kits or 0) * count for name, count in (self.one_kit or {}).items()}
        for name, count in (self.parts or {}).items():
            parts[name] = parts.get(name, 0) + count
        return parts

    def spool_of(self, plate: PlateEntry) -> int | None:
        """Which of `spools` a plate is printed from; None where none is named."""
        titles = [spool.title for spool in self.spools]
        if plate.spool is None:
            return 0 if titles else None
        return titles.index(plate.spool)

    def flaws(self) -> Iterator[Flaw]:
        if self.kits is None and self.parts is None:
            yield Flaw((), "neither kits nor parts", "at least one of them")
        if self.kits is not None and self.one_kit is None:
            yield Flaw(("kits",), "no key 'one_kit'", "what makes one kit: one_kit: {film-clip: 9}")
        if self.one_kit is not None and self.kits is None:
            yield Flaw(("one_kit",), "no key 'kits'", "how many kits: kits: 40")
        yield from self._doubles()
        yield from self._names()
        yield from self._dates()

    def _doubles(self) -> Iterator[Flaw]:
        for list_key, titles in (
            ("plates", [plate.title for plate in self.plates]),
            ("printers", [name for printer in self.printers for name in {printer.name, *printer.names}]),
            ("spools", [spool.title for spool in self.spools]),
        ):
            twice = next((name for k, name in enumerate(titles) if name in titles[:k]), None)
            if twice is not None:
                yield Flaw((list_key,), f"{shown(twice)!r} twice", "a `name` of its own for each")

    def _names(self) -> Iterator[Flaw]:
        plates = [plate.title for plate in self.plates]
        for k, printer in enumerate(self.printers):
            for j, name in enumerate(printer.plates or ()):
                if name not in plates:
                    yield Flaw(("printers", k, "plates", j), repr(shown(name)), instead_of(name, plates))
        spools = [spool.title for spool in self.spools]
        for k, plate in enumerate(self.plates):
            if plate.spool is not None and plate.spool not in spools:
                yield Flaw(("plates", k, "spool"), repr(shown(plate.spool)), instead_of(plate.spool, spools))
            if plate.spool is None and len(spools) > 1:
                names = ", ".join(map(shown, spools[:12]))
                yield Flaw(("plates", k), "no key 'spool'", f"one of {names}, as there are several spools")

    def _dates(self) -> Iterator[Flaw]:
        try:
            zone = zone_of(self.zone)
        except ValueError as error:
            yield Flaw(("zone",), repr(shown(self.zone)), str(error))
            return
        moments = {}
        for name in ("start", "due"):
            text = getattr(self, name)
            if text is None:
                continue
            try:
                moments[name] = moment_of(text, zone).s
            except ValueError:
                yield Flaw((name,), repr(shown(text)), "a date and time such as 2026-03-02T08:00")
        if len(moments) == 2 and moments["due"] <= moments["start"]:
            yield Flaw(("due",), f"{self.due}, not after the start", f"a time after {self.start}")


@dataclass(frozen=True, slots=True)
class Order:
    """An order that was read. folder : from which its paths count. start_s, due_s : POSIX time. remarks : what a
    reader should know of it."""

    file: OrderFile
    name: str
    folder: Path
    zone: ZoneInfo
    start_s: float
    due_s: float | None
    document: yaml.Node
    remarks: tuple[str, ...]

    def path(self, named: str) -> Path:
        """A path in the order, from its own folder."""
        return beside_it(self.folder, named)

    def local(self, s: float) -> str:
        """A moment on its clocks."""
        return local_text(s, self.zone)


def load_order(path: Path | str, now_s: float) -> Order:
    """Read an order file. now_s : POSIX time at which it starts where it does not say.

    Raises
    ------
    InputError : unreadable or invalid; every mistake is on a line of its own.
    """
    name = str(path)
    document = yaml.load(path, name)
    _check_version(document, name)
    file = read(document, OrderFile, name)
    zone = zone_of(file.zone)
    remarks = []
    start_s, due_s = now_s, None
    if file.start is None:
        remarks.append(f"no start is given: {local_text(now_s, zone)} is taken, which is now")
    for key_name in ("start", "due"):
        text = getattr(file, key_name)
        if text is None:
            continue
        moment = moment_of(text, zone)
        if moment.remark:
            remarks.append(f"{key_name}: {moment.remark}")
        if key_name == "start":
            start_s = moment.s
        else:
            due_s = moment.s
    if due_s is not None and due_s <= start_s:
        raise InputError(
            f"{name}: due: {file.due} is past, and no start is given", "Give a start, or another due date."
        )
    return Order(file, name, Path(path).parent, zone, start_s, due_s, document, tuple(remarks))


def _check_version(document: yaml.Node, name: str) -> None:
    entry = document.entries.get("beadwright") if isinstance(document, yaml.Mapping) else None
    version = entry.value.value if entry and isinstance(entry.value, yaml.Scalar) else None
    if entry and isinstance(version, int) and not isinstance(version, bool) and version > SCHEMA:
        raise InputError(
            f"{name}:{entry.line}: beadwright: found version {version}, expected at most {SCHEMA}",
            "The order was written for a newer Beadwright: update this one.",
        )
