"""Plan a print run: plates, printers, spools, money and odds up to its date."""

from __future__ import annotations

import csv
import io
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from msgspec import structs

from gcodetools.documents.profiles import is_path
from gcodetools.errors import BeadwrightError, UsageError
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Options
from gcodetools.jobs.plan_plates import TREATED, UNTREATED, Counted, count_plates, kit_of
from gcodetools.jobs.plan_record import difference, schedule_rows, side_record, summary
from gcodetools.jobs.plan_side import Side, side_of
from gcodetools.jobs.records import Approve, unopposed, without_nulls
from gcodetools.kit.schema import Kit
from gcodetools.planning.failures import quantile
from gcodetools.planning.order import Order, PrinterEntry, load_order
from gcodetools.records import dataclass

__all__ = ["Wanted", "plan_file"]

Record = dict[str, Any]
Progress = Callable[[str], None]

_LEAST_RUNS, _MOST_RUNS = 100, 20_000
_SURE = 0.95
_HOURS_MORE = 2
_LARGE = 1000
CAUTION = (
    "Printers that run with nobody there: a smoke detector above them, nothing that burns around them, thermal "
    "protection of the firmware tried out. Never leave a heated machine alone where a rule of the place forbids it; "
    "follow your local codes and your insurer."
)


def _silent(stage: str) -> None:
    """No progress."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to plan. against : "untreated", "treated", or the path of another order. runs, seed : of the simulation.
    csv, ics : files to write. now_s : POSIX time at which an order without a start begins; the clock's unless given."""

    against: str | None = None
    runs: int = 2000
    seed: int = 1
    csv: Path | None = None
    ics: Path | None = None
    now_s: float | None = None


def plan_file(
    path: Path, wanted: Wanted, options: Options, progress: Progress = _silent, approve: Approve = unopposed
) -> tuple[Record, list[str]]:
    """Record and warnings of an order; the files asked for are written.

    approve : see `records.Approve`. options : material and machine where the order names none (the kit's,
    where these do not either), and `sets`.

    Raises
    ------
    UsageError : numbers or files that make no sense, or no calendar library. InputError : the order, its kit or a plate
    is unreadable or invalid, or it can't be carried out. Refused : it would take more than twenty years. CannotWrite :
    a file.
    """
    _check(wanted)
    now_s = float(int(time.time())) if wanted.now_s is None else wanted.now_s
    order = load_order(path, now_s)
    second = _second(wanted, now_s)
    _check_inputs([one for one in (order, second) if one is not None], wanted, options)
    progress("counting the plates")
    kit = kit_of(order)
    own = _on(kit, options)
    counted, warnings = count_plates(order, kit, own)
    warnings = [*order.remarks, *warnings]
    main = TREATED if wanted.against != TREATED else UNTREATED
    progress("planning")
    name = _name(counted, main) if second is None else _names(order, second)[0]
    side = side_of(order, counted, main, own, wanted.runs, wanted.seed, name)
    warnings += side.warnings
    record: Record = {
        "schema": "beadwright.plan/1",
        "order": order.file.order,
        "file": order.name,
        "kit": kit.name if kit is not None else None,
        "zone": order.file.zone,
        "start": order.local(order.start_s),
        "due": None if order.due_s is None else order.local(order.due_s),
        "simulation": {"runs": wanted.runs, "seed": wanted.seed, "rules": _rules(order)},
        **side_record(side),
        "schedule": schedule_rows(side),
    }
    if wanted.against is not None:
        progress("planning what it is held against")
        other, said = _other(order, counted, second, wanted, own, options)
        warnings += said
        record |= {"against": side_record(other), "difference": difference(side, other)}
    if order.due_s is not None and record["odds"]["by_due"]["best"] < _SURE:
        progress("trying what would help")
        record["would_help"] = _would_help(order, counted, side, main, wanted, own)
    record["watch"] = _watch(side)
    warnings = list(dict.fromkeys(warnings))
    files = _files(side, wanted)
    approve(warnings)
    for out, data in files.items():
        write_atomic(out, data)
    record["files"] = [str(out) for out in files] or None
    return without_nulls(record), warnings


def _check(wanted: Wanted) -> None:
    """What can be told before anything is read."""
    if not _LEAST_RUNS <= wanted.runs <= _MOST_RUNS:
        raise UsageError(
            f"--runs {wanted.runs}: expected {_LEAST_RUNS} to {_MOST_RUNS:,}",
            "2000 tell a chance to 1 in 50.",
        )
    if wanted.seed < 0:
        raise UsageError(f"--seed {wanted.seed}: expected 0 or more", "Any such number will do.")
    outs = [out for out in (wanted.csv, wanted.ics) if out is not None]
    if len(outs) == 2 and os.path.abspath(outs[0]) == os.path.abspath(outs[1]):  # noqa: PTH100 (never raises)
        raise UsageError(f"--csv and --ics both name {outs[0]}", "Name two files.")
    if wanted.ics is not None:
        # The library is optional and slow to load, and without it nothing need be read.
        from gcodetools.planning.calendar import require_calendar

        require_calendar()


def _second(wanted: Wanted, now_s: float) -> Order | None:
    """The order to hold the plan against, where one is named."""
    if wanted.against in (None, TREATED, UNTREATED):
        return None
    return load_order(Path(str(wanted.against)), now_s)


def _check_inputs(orders: Sequence[Order], wanted: Wanted, options: Options) -> None:
    """Refuse a file that would bury what the plan is made from."""
    inputs = [Path(name) for name in (options.material, options.machine) if name and is_path(name)]
    for order in orders:
        file = order.file
        named = [file.kit, *(name for plate in file.plates for name in (plate.file, plate.treated))]
        profiles = [*(one.machine for one in file.printers), *(one.material for one in file.spools)]
        named += [name for name in profiles if name and is_path(name)]
        inputs += [Path(order.name), *(order.path(name) for name in named if name)]
    for out in (wanted.csv, wanted.ics):
        if out is not None and any(_same(out, one) for one in inputs):
            raise UsageError(f"{out}: a file that the order is made of", "Name another file.")


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there
        return False


def _on(kit: Kit | None, options: Options) -> Options:
    """With the kit's machine, where the command line names none."""
    return replace(options, machine=options.machine or (kit.machine if kit is not None else None))


def _name(counted: Sequence[Counted], main: str) -> str:
    """A side's name: treated only where there is a treated file."""
    return main if any(TREATED in one.files for one in counted) else UNTREATED


def _names(order: Order, second: Order) -> tuple[str, str]:
    """What two orders are called beside each other: by their files where they have one name."""
    if order.file.order == second.file.order:
        return order.name, second.name
    return order.file.order, second.file.order


def _other(
    order: Order,
    counted: Sequence[Counted],
    second: Order | None,
    wanted: Wanted,
    own: Options,
    options: Options,
) -> tuple[Side, list[str]]:
    """The side to hold the plan against, and what is to be said of it. own : options with the order's own machine."""
    if second is None:
        assert wanted.against is not None
        if not any(TREATED in one.files for one in counted):
            raise UsageError(
                f"--against {wanted.against}: no plate of {order.name} names a treated file",
                "Give `treated: FILE` to a plate, or name another order.",
            )
        side = side_of(order, counted, wanted.against, own, wanted.runs, wanted.seed)
        return side, list(side.warnings)
    kit = kit_of(second)
    options = _on(kit, options)
    plates, said = count_plates(second, kit, options)
    side = side_of(second, plates, TREATED, options, wanted.runs, wanted.seed, _names(order, second)[1])
    name = second.name
    return side, [
        text if name in text else f"{name}: {text}" for text in [*second.remarks, *said, *side.warnings]
    ]


def _rules(order: Order) -> list[str]:
    """How failures are played, in sentences."""
    shares = ", ".join(f"{100 * one.failed:g} % on {one.name}" for one in order.file.printers)
    ends = {one.failed_at for one in order.file.printers}
    where = {
        "anywhere": "A plate fails anywhere on its way with equal chance, and what it took until then is lost.",
        "end": "A plate that fails is found out at its end, and all of it is lost.",
    }
    rules = [f"Plates fail by themselves: {shares}."]
    rules += [where[end] for end in sorted(ends)] if len(ends) == 1 else [
        f"{one.name}: {where[one.failed_at]}" for one in order.file.printers
    ]  # fmt: skip
    return [
        *rules,
        "It is printed again once its printer or another is through with its own plates, where it is done first.",
        "All plates are slower or faster than planned by one factor within the band of their times.",
    ]


def _would_help(
    order: Order, counted: Sequence[Counted], side: Side, main: str, wanted: Wanted, options: Options
) -> list[Record]:
    """Single changes to the order with what they come to, the best odds first."""
    tries: list[tuple[str, Order, str]] = []
    for k, entry in enumerate(order.file.printers):
        tries.append((f"one more printer like {entry.name}", _with(order, k, count=entry.count + 1), main))
        if not entry.week.always:
            hours = f"somebody there {_HOURS_MORE} h longer each day at {entry.name}"
            tries.append((hours, _with(order, k, hours=_longer(entry)), main))
    if TREATED in side.variants:
        tries.append(("the plates untreated", order, UNTREATED))
    # A large order takes a while: then only the pace that served it best is tried again.
    paces = (side.plan.pace,) if side.counts.sum() > _LARGE else ()
    found = []
    for text, changed, variant in tries:
        try:
            other = side_of(changed, counted, variant, options, wanted.runs, wanted.seed, paces=paces)
        except BeadwrightError:
            continue  # it can't be carried out, so it does not help
        found.append({"change": text, **summary(other)})
    return sorted(found, key=lambda one: -one["by_due"]["best"])


def _with(order: Order, number: int, **changes: Any) -> Order:
    """The order with one group of printers changed."""
    printers = list(order.file.printers)
    printers[number] = structs.replace(printers[number], **changes)
    return replace(order, file=structs.replace(order.file, printers=tuple(printers)))


def _longer(entry: PrinterEntry) -> dict[str, str]:
    """Hours that end later, as an order would say them."""
    return entry.week.longer(60 * _HOURS_MORE).said()


def _watch(side: Side) -> list[str]:
    """What to keep an eye on, in sentences."""
    found = []
    more = 100.0 * (side.choice.cost / side.choice.bound - 1.0) if side.choice.bound else 0.0
    if side.shared_out:
        found.append(
            f"Plates are chosen so that more printers have work: {more:.2g} % more printer time than the least "
            "possible."
        )
    elif not side.choice.proven:
        found.append(
            f"The choice of plates is near the best: at most {more:.2g} % more printer time than the least possible."
        )
    if not side.plan.proven:
        hours = (side.plan.done_s - side.plan.bound_s) / 3600.0
        found.append(
            f"The plan may not be the quickest: another could be done up to {hours:.1f} h earlier, none more than that."
        )
    if side.spent.energy_kwh is None:
        found.append("Energy is left out: a machine, what it draws, or the bed's temperature is not known.")
    elif side.spent.money_energy is None:
        found.append("Energy costs nothing here: give `electricity_per_kwh`.")
    if not side.stores:
        found.append("Spools are left out: the order names none.")
    found.append(
        "One pair of hands for each printer is assumed: swaps of several at one moment are not queued."
    )
    if any(group.presence.alone for group in side.shop.groups):
        found.append(CAUTION)
    return found


def _files(side: Side, wanted: Wanted) -> dict[Path, bytes]:
    """The files to write."""
    files = {}
    if wanted.csv is not None:
        files[wanted.csv] = _csv(side)
    if wanted.ics is not None:
        files[wanted.ics] = _ics(side)
    return files


def _csv(side: Side) -> bytes:
    """The schedule as RFC 4180 has it; local times with their offset from UTC."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(("printer", "run", "plate", "file", "start", "end", "off", "parts"))
    for row in schedule_rows(side):
        parts = "; ".join(f"{count} {part}" for part, count in row["parts"].items())
        cells = [*(row[key] for key in ("printer", "run", "plate", "file", "start", "end", "off")), parts]
        writer.writerow([_cell(cell) for cell in cells])
    return text.getvalue().encode()


def _cell(value: str | int) -> str | int:
    """A name with a quote before it where a spreadsheet would take it for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value


def _ics(side: Side) -> bytes:
    """The calendar."""
    from gcodetools.planning.calendar import Event, calendar_bytes

    order = side.order
    events = []
    rows = iter(schedule_rows(side))
    for g, runs in zip(side.shop.group_of, side.plan.runs, strict=True):
        swap_s = side.shop.groups[g].presence.swap_s
        for number, run in enumerate(runs):
            row = next(rows)
            parts = ", ".join(f"{count} {part}" for part, count in row["parts"].items())
            following = "then start the next" if number + 1 < len(runs) else "it is the last here"
            events.append(
                Event(
                    key=f"{row['printer']}\0{row['run']}",
                    start_s=run.start_s,
                    end_s=run.end_s,
                    summary=f"{row['printer']}: {row['plate']} (run {row['run']} of {len(runs)})",
                    description=f"{row['file']}: {parts}\nstarts {row['start']}\nends {row['end']}\n"
                    f"off by {row['off']}",
                    alarm_s=run.off_s - swap_s,
                    alarm=f"{row['printer']}: take {row['plate']} off, {following}",
                )
            )
    done_95 = quantile(side.outcomes.done_s, _SURE)[1]
    events.append(
        Event("done-95", done_95, done_95, f"{order.file.order}: done by now with 95 %", _odds_text(side))
    )
    if order.due_s is not None:
        events.append(Event("due", order.due_s, order.due_s, f"{order.file.order}: due", _odds_text(side)))
    return calendar_bytes(order.file.order, events, order.start_s)


def _odds_text(side: Side) -> str:
    """A line on how sure it is."""
    record = summary(side)
    text = f"if nothing fails done {record['done']}; with 95 % by {record['done_95']}"
    if "by_due" in record:
        text += f"; by the due date with {100 * record['by_due']['best']:.0f} %"
    return text
