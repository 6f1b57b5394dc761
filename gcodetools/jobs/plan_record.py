"""A planned side as a record: dates, odds, parts, spools, money, the schedule; and two sides' difference."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.jobs.plan_side import Side, Store, prices_of
from gcodetools.jobs.records import estimate
from gcodetools.planning.failures import chance, quantile

__all__ = ["difference", "schedule_rows", "side_record", "summary"]

Record = dict[str, Any]
F8 = NDArray[np.float64]

_SURE = (0.50, 0.80, 0.95)
_ENDS = (0.05, 0.95)
_SHARED = "simulated, with the doubt of times, mass, power and prices; both sides share their draws"
_SIMULATED = "simulated, with failures and the doubt of times, mass, power and prices"


def side_record(side: Side) -> Record:
    """Everything of a side but its schedule."""
    order = side.order
    record: Record = {
        "side": side.name,
        "plates": _plates(side),
        "choice": {
            "plates": int(side.counts.sum()),
            "printer_s": side.choice.cost,
            "least_printer_s": side.choice.bound,
            "proven": side.choice.proven,
            "shared_out": side.shared_out,
        },
        "plan": {
            "done": order.local(side.plan.done_s),
            "takes_s": side.plan.done_s - order.start_s,
            "not_before": order.local(side.plan.bound_s),
            "within_s": side.plan.done_s - side.plan.bound_s,
            "proven": side.plan.proven,
        },
        "odds": _odds(side),
        "parts": _parts(side),
        "swaps": _swaps(side),
        "spools": [_spool(side, store) for store in side.stores],
        "spent": _spent(side),
    }
    if order.due_s is not None and order.file.kits is not None:
        record["kits"] = _kits(side, order.due_s)
    if order.due_s is not None:
        record["plan"]["by_due"] = bool(side.plan.done_s <= order.due_s)
        record["plan"]["early_s"] = order.due_s - side.plan.done_s
    return record


def summary(side: Side) -> Record:
    """What a change would come to: done if nothing fails, and the odds of the due date."""
    record: Record = {"done": side.order.local(side.plan.done_s), "done_95": _dates(side)["95"]["best"]}
    if side.order.due_s is not None:
        record["by_due"] = _by_due(side)
    return record


def _plates(side: Side) -> list[Record]:
    rows = []
    for k, one in enumerate(side.kinds):
        takes = {entry.name: row[k] for entry, row in zip(side.printers, side.takes, strict=True)}
        first = next(take for take in takes.values() if take is not None)
        rows.append(
            {
                "plate": one.title,
                "file": one.files[side.variants[k]],
                "variant": side.variants[k],
                "runs": int(side.counts[k]),
                "holds": one.holds,
                "counted_from": one.counted_from,
                "time_s": {
                    name: estimate(t.best, t.low, t.high, t.source, t.basis)
                    for name, take in takes.items()
                    if take is not None
                    for t in [take.time_s]
                },
                "mass_g": estimate(
                    first.mass_g.best,
                    first.mass_g.low,
                    first.mass_g.high,
                    first.mass_g.source,
                    first.mass_g.basis,
                ),
            }
        )
    return rows


def _odds(side: Side) -> Record:
    outcomes, runs = side.outcomes, len(side.outcomes.done_s)
    record: Record = {
        "done_by": _dates(side),
        "plates": _counted(outcomes.plates),
        "failed": _counted(outcomes.failed),
        "none_fails": _chance(int((outcomes.failed == 0).sum()), runs),
    }
    if side.order.due_s is not None:
        record["by_due"] = _by_due(side)
    return record


def _by_due(side: Side) -> Record:
    done = side.outcomes.done_s
    return _chance(int((done <= (side.order.due_s or 0.0)).sum()), len(done))


def _chance(hits: int, runs: int) -> Record:
    """A chance with the error of the simulation: 95 of 100 of as many runs would say something between the ends."""
    one = chance(hits, runs)
    source = f"simulated {runs:,} times; the ends are the error of that (Wilson's interval)"
    return {**estimate(one.best, one.low, one.high, source), "coverage": 0.95}


def _dates(side: Side) -> Record:
    """When all is done with which chance: dates and seconds from the start, with the error of the simulation."""
    result: Record = {}
    for q in _SURE:
        low, best, high = quantile(side.outcomes.done_s, q)
        result[f"{100 * q:.0f}"] = {
            "low": side.order.local(low),
            "best": side.order.local(best),
            "high": side.order.local(high),
            "takes_s": best - side.order.start_s,
        }
        if side.order.due_s is not None:
            result[f"{100 * q:.0f}"]["early_s"] = side.order.due_s - best
    return result


def _counted(values: NDArray[np.integer]) -> Record:
    low, high = (quantile(values.astype(np.float64), q)[1] for q in _ENDS)
    return estimate(float(values.mean()), low, high, _SIMULATED)


def _parts(side: Side) -> Record:
    """Each part: ordered, printed, left over; with a due date what is short of by then."""
    made = side.counts @ side.holds
    result: Record = {}
    for m, part in enumerate(side.parts):
        row: Record = {
            "ordered": int(side.need[m]), "printed": int(made[m]), "left_over": int(made[m] - side.need[m]),
        }  # fmt: skip
        if made[m] == 0 and side.need[m] == 0:
            continue
        if side.order.due_s is not None and side.need[m]:
            by_plan = _made_by(side, side.order.due_s)[m]
            good = side.outcomes.good @ side.holds[:, m]
            short = np.maximum(side.need[m] - good, 0)
            row |= {
                "short_in_plan": int(max(side.need[m] - by_plan, 0)),
                "short": _counted(short),
                "all_by_due": _chance(int((short == 0).sum()), len(short)),
            }
        result[part] = row
    return result


def _kits(side: Side, due_s: float) -> Record:
    """Whole kits by the due date: if nothing fails, and what 95 of 100 runs reach."""
    one = side.order.file.one_kit or {}
    ordered = side.order.file.kits or 0
    columns = [side.parts.index(part) for part in one]
    each = np.array(list(one.values()))

    def whole(made: NDArray[np.integer]) -> NDArray[np.integer]:
        found: NDArray[np.integer] = np.minimum((made[..., columns] // each).min(axis=-1), ordered)
        return found

    good = whole(side.outcomes.good @ side.holds)
    return {
        "ordered": ordered,
        "in_plan": int(whole(_made_by(side, due_s))),
        "with_95": int(quantile(good.astype(np.float64), 0.05)[1]),
    }


def _made_by(side: Side, s: float) -> NDArray[np.int64]:
    """(m,) parts off the printers by a moment, if nothing fails."""
    done = np.zeros(len(side.kinds), np.int64)
    for row in side.plan.runs:
        for run in row:
            done[run.kind] += run.off_s <= s
    result: NDArray[np.int64] = done @ side.holds
    return result


def _swaps(side: Side) -> Record:
    """What there is to do by hand, and how long plates print with nobody there."""
    runs = [
        (run, side.shop.groups[g])
        for g, row in zip(side.shop.group_of, side.plan.runs, strict=True)
        for run in row
    ]
    alone = 0.0
    nights = 0
    for run, group in runs:
        begin, end = group.presence.windows(run.end_s)
        there = np.clip(np.minimum(end, run.end_s) - np.maximum(begin, run.start_s), 0.0, None).sum()
        left = run.end_s - run.start_s - float(there)
        alone += left
        nights += left > 1.0
    return {
        "plates": len(runs),
        "work_s": float(sum(group.presence.swap_s for _, group in runs)),
        "printing_alone_s": alone,
        "plates_alone": nights,
    }


def _spool(side: Side, store: Store) -> Record:
    entry = next(one for one in side.order.file.spools if one.title == store.title)
    at_95 = int(quantile(store.simulated.full.astype(np.float64), 0.95)[1])
    planned = int(store.planned.full[0])
    record: Record = {
        "spool": store.title,
        "net_g": entry.net_g,
        "on_hand": entry.on_hand,
        "opened": len(entry.opened_g),
        "runout": entry.runout,
        "planned": planned,
        "opened_used": int(store.planned.opened[0]),
        "left_g": float(store.planned.left_g[0]),
        "at_95": at_95,
        "buy": max(planned - entry.on_hand, 0),
        "buy_at_95": max(at_95 - entry.on_hand, 0),
    }
    if entry.price is not None:
        record |= {
            "price": entry.price,
            "cost": entry.price * record["buy"],
            "cost_at_95": entry.price * record["buy_at_95"],
        }
    return record


def _spent(side: Side) -> Record:
    """Printer time, filament, energy and money: of the plan, and what to expect with failures."""
    spent = side.spent
    columns = {
        "printing_s": spent.printing_s,
        "filament_g": spent.grams,
        "energy_kwh": spent.energy_kwh,
        "money_filament": spent.money_filament,
        "money_energy": spent.money_energy,
        "money_hours": spent.money_hours if np.any(spent.money_hours) else None,
        "money": spent.money,
    }
    record: Record = {
        key: {"planned": float(column[0]), "expected": _expected(column)}
        for key, column in columns.items()
        if column is not None
    }
    prices = prices_of(side.order, side.kinds, side.takes)
    record["prices_from"] = list(prices.sources)
    return record


def _expected(column: F8, source: str = _SIMULATED) -> Record:
    low, high = (quantile(column[1:], q)[1] for q in _ENDS)
    return estimate(float(column[1:].mean()), low, high, source)


def difference(side: Side, other: Side) -> Record:
    """What is more on `side` than on the other, run by run, so that the doubt they share is in neither end."""
    a, b = side.spent, other.spent
    columns: dict[str, F8 | None] = {
        "printing_s": a.printing_s - b.printing_s,
        "filament_g": a.grams - b.grams,
        "energy_kwh": None if a.energy_kwh is None or b.energy_kwh is None else a.energy_kwh - b.energy_kwh,
        "money": a.money - b.money,
    }
    record: Record = {
        key: {"planned": float(column[0]), "expected": _expected(column, _SHARED)}
        for key, column in columns.items()
        if column is not None
    }
    if (a.money_energy is None) != (b.money_energy is None):
        record.pop("money")
    done = [np.array([quantile(one.outcomes.done_s, q)[1] for q in _SURE]) for one in (side, other)]
    starts = side.order.start_s - other.order.start_s
    record["takes_s"] = {
        "planned": side.plan.done_s - other.plan.done_s - starts,
        **{f"{100 * q:.0f}": float(late) for q, late in zip(_SURE, done[0] - done[1] - starts, strict=True)},
    }
    return record


def schedule_rows(side: Side) -> list[Record]:
    """A row a plate, printer by printer: when it starts, ends and is taken off, on the order's clocks."""
    rows = []
    for name, runs in zip(side.shop.printers, side.plan.runs, strict=True):
        for number, run in enumerate(runs):
            one = side.kinds[run.kind]
            rows.append(
                {
                    "printer": name,
                    "run": number + 1,
                    "plate": one.title,
                    "file": one.files[side.variants[run.kind]],
                    "start": side.order.local(run.start_s),
                    "end": side.order.local(run.end_s),
                    "off": side.order.local(run.off_s),
                    "parts": one.holds,
                }
            )
    return rows
