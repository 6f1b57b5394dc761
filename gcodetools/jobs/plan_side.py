"""One way to carry out an order: its plates chosen, scheduled, simulated, packed on spools and priced."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError
from gcodetools.jobs.apply import Options
from gcodetools.jobs.plan_choice import Chooser, first_of
from gcodetools.jobs.plan_plates import Counted, Takes, machine_of
from gcodetools.planning.covering import Choice
from gcodetools.planning.failures import Outcomes, doubt
from gcodetools.planning.hours import Presence
from gcodetools.planning.order import Order, PrinterEntry
from gcodetools.planning.schedule import Plan
from gcodetools.planning.shop import Group, Shop
from gcodetools.planning.spools import Packed, packed
from gcodetools.records import dataclass

__all__ = ["Prices", "Side", "Spent", "Store", "prices_of", "shop_of", "side_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Pair = tuple[float, float]

_MASS, _WATTS, _PRICE = 1, 2, 3  # names of doubts; 0 is that of times
_J_PER_WH = 3600.0


@dataclass(frozen=True, slots=True)
class Prices:
    """Money by gram of each spool with its ends as factors; by kWh, None where nobody says; by hour of each group.
    sources : of the grams."""

    per_gram: F8
    bands: tuple[Pair, ...]
    sources: tuple[str, ...]
    per_kwh: float | None
    per_hour: F8


@dataclass(frozen=True, slots=True)
class Spent:
    """Money and what it is spent on: of the plan, and of each of r simulated runs. energy_kwh is None where no
    machine tells, money_energy also where there is no price."""

    printing_s: F8
    grams: F8
    energy_kwh: F8 | None
    money_filament: F8
    money_energy: F8 | None
    money_hours: F8

    @property
    def money(self) -> F8:
        """All of it."""
        energy = self.money_energy if self.money_energy is not None else 0.0
        result: F8 = self.money_filament + energy + self.money_hours
        return result


@dataclass(frozen=True, slots=True)
class Store:
    """Spools of one kind: as the plan takes them, and in each of r runs."""

    title: str
    planned: Packed
    simulated: Packed


@dataclass(frozen=True, slots=True)
class Side:
    """An order carried out in one way.

    name : "treated" or "untreated", or the order's. kinds : the plates chosen, columns of all arrays below. counts :
    (k,) of each. variants : which file of each. holds : (k, m) of `parts`. need : (m,). shop, plan, outcomes : of
    these kinds. spent : the plan in entry 0 of each array, then the runs. stores : spools. choice : of all plates.
    shared_out : whether more printer time is taken than need be, so that more printers have work.
    takes : (g, k) what a plate takes on each group, None where it may not run there.
    """

    name: str
    order: Order
    kinds: tuple[Counted, ...]
    variants: tuple[str, ...]
    counts: I8
    parts: tuple[str, ...]
    holds: I8
    need: I8
    shop: Shop
    choice: Choice
    shared_out: bool
    plan: Plan
    outcomes: Outcomes
    spent: Spent
    stores: tuple[Store, ...]
    takes: tuple[tuple[Takes | None, ...], ...]
    warnings: tuple[str, ...]

    @property
    def printers(self) -> tuple[PrinterEntry, ...]:
        """The groups of printers as the order has them."""
        return self.order.file.printers


def side_of(
    order: Order,
    counted: Sequence[Counted],
    wanted: str,
    options: Options,
    runs: int,
    seed: int,
    name: str = "",
    paces: Sequence[float] = (),
) -> Side:
    """Plan an order with the variants wanted, where plates have them. paces : as for `sturdiest`.

    Raises
    ------
    InputError : parts that no printer can print, too many plates, a plate that needs more than a spool. UsageError :
    too many runs to keep. Refused : the order would take more than twenty years.
    """
    variants = tuple(one.variant(wanted) for one in counted)
    shop, takes = shop_of(order, counted, variants, options)
    parts = tuple(dict.fromkeys([*order.file.wanted, *(part for one in counted for part in one.holds)]))
    holds = np.array([[one.holds.get(part, 0) for part in parts] for one in counted], np.int64)
    need = np.array([order.file.wanted.get(part, 0) for part in parts], np.int64)
    cost = shop.cost_s()
    usable = np.flatnonzero(np.isfinite(cost))
    warnings = _unusable(order, counted, shop, cost)
    _check_coverable(order, counted, parts, holds, need, usable)
    found = Chooser(order, shop, takes, holds, need, usable, runs, seed, tuple(paces)).found()
    used, shop, plan, outcomes = found.used, found.shop, found.plan, found.outcomes
    takes = tuple(tuple(row[k] for k in used) for row in takes)
    kinds = tuple(counted[k] for k in used)
    stores = _stores(order, kinds, takes, plan, outcomes, shop)
    spent = _spent(
        order, kinds, takes, plan, outcomes, shop, found.bands.seconds, seed, prices_of(order, kinds, takes)
    )
    return Side(
        name=name or wanted,
        order=order,
        kinds=kinds,
        variants=tuple(variants[k] for k in used),
        counts=found.counts[used],
        parts=parts,
        holds=holds[used],
        need=need,
        shop=shop,
        choice=found.choice,
        shared_out=found.shared_out,
        plan=plan,
        outcomes=outcomes,
        spent=spent,
        stores=stores,
        takes=takes,
        warnings=tuple(warnings),
    )


def shop_of(
    order: Order, counted: Sequence[Counted], variants: Sequence[str], options: Options
) -> tuple[Shop, tuple[tuple[Takes | None, ...], ...]]:
    """The printers of an order with the times of its plates, and what a plate takes on each group."""
    groups, takes = [], []
    for entry in order.file.printers:
        presence = Presence(entry.week, order.zone, order.start_s, entry.swap_s, entry.alone)
        groups.append(Group(entry.name, entry.names, presence, entry.failed, entry.failed_at == "end"))
        machine = machine_of(order, entry.machine, options)
        takes.append(
            tuple(
                one.takes[variant, machine] if entry.plates is None or one.title in entry.plates else None
                for one, variant in zip(counted, variants, strict=True)
            )
        )
    seconds = np.array([[np.inf if one is None else one.time_s.best for one in row] for row in takes])
    bands = [[one.time_s.band[1] for one in column if one is not None] for column in zip(*takes, strict=True)]
    longest = np.array([max(ends, default=1.0) for ends in bands])
    return Shop(tuple(groups), seconds, longest, order.start_s), tuple(takes)


def _unusable(order: Order, counted: Sequence[Counted], shop: Shop, cost: F8) -> list[str]:
    """Plates that can't run somewhere because they would be left alone."""
    found = []
    kept = np.isfinite(shop.seconds) & ~shop.allowed()
    for g, k in np.argwhere(kept).tolist():
        entry = order.file.printers[g]
        hours = shop.seconds[g, k] * shop.longest[k] / 3600.0
        where = "" if np.isfinite(cost[k]) else ", so it is not printed at all"
        found.append(
            f"{counted[k].title} takes up to {hours:.1f} h, longer than somebody is at {entry.name} at a stretch "
            f"({entry.week.longest_s / 3600.0:g} h), and plates may not print alone there{where}"
        )
    return found


def _check_coverable(
    order: Order, counted: Sequence[Counted], parts: Sequence[str], holds: I8, need: I8, usable: I8
) -> None:
    short = [part for m, part in enumerate(parts) if need[m] and not holds[usable, m].any()]
    if short:
        raise InputError(
            f"{order.name}: {', '.join(short)}: no printer may run a plate that holds it",
            "Look at `plates`, `hours` and `alone` of the printers.",
        )


def _planned_counts(plan: Plan, kinds: int) -> I8:
    """(1, p, k) plates of each kind on each printer."""
    counts = np.zeros((1, len(plan.runs), kinds), np.int64)
    for p, row in enumerate(plan.runs):
        for run in row:
            counts[0, p, run.kind] += 1
    return counts


def _stores(
    order: Order, kinds: Sequence[Counted], takes: Sequence[Sequence[Takes | None]], plan: Plan, outcomes: Outcomes,
    shop: Shop,
) -> tuple[Store, ...]:  # fmt: skip
    """Spools; a plate counts with the upper end of its mass, so that none runs out on the way."""
    entries = {entry.title: entry for entry in order.file.plates}
    spool = np.array([order.file.spool_of(entries[one.title]) or 0 for one in kinds], np.int64)
    grams = np.array([first_of(takes, k).mass_g.high for k in range(len(kinds))])
    found = []
    for s, entry in enumerate(order.file.spools):
        mine = np.flatnonzero(spool == s)
        swap = entry.runout == "swap"
        heavy = [k for k in mine.tolist() if grams[k] > entry.net_g]
        if heavy and not swap:
            worst = max(heavy, key=lambda k: grams[k])
            raise InputError(
                f"{order.name}: {kinds[worst].title} needs up to {grams[worst]:.0f} g, a spool of {entry.title} "
                f"holds {entry.net_g:g} g",
                "Allow `runout: swap` for it where the printer can go on from the next spool, or slice fewer parts "
                "on the plate.",
            )
        args = (grams[mine], entry.net_g, entry.opened_g, swap)
        plain = _planned_counts(plan, len(kinds))[:, :, mine]
        found.append(Store(entry.title, packed(plain, *args), packed(outcomes.begun[:, :, mine], *args)))
    return tuple(found)


def prices_of(order: Order, kinds: Sequence[Counted], takes: Sequence[Sequence[Takes | None]]) -> Prices:
    """Prices by kind of plate: of its spool, else of its material's profile; of energy by the order, else by a
    machine's profile."""
    entries = {entry.title: entry for entry in order.file.plates}
    per_gram, bands, sources = [], [], []
    for k, one in enumerate(kinds):
        s = order.file.spool_of(entries[one.title])
        spool = order.file.spools[s] if s is not None else None
        if spool is not None and spool.price is not None:
            per_gram.append(spool.price / spool.net_g)
            bands.append((1.0, 1.0))
            sources.append("price of a spool in the order")
            continue
        price = first_of(takes, k).per_gram
        per_gram.append(price.best)
        bands.append(price.band)
        sources.append(f"material {one.material}: {price.source}")
    told = [
        one.price_per_kwh for row in takes for one in row if one is not None and one.price_per_kwh is not None
    ]
    per_kwh = order.file.electricity_per_kwh
    return Prices(
        np.array(per_gram),
        tuple(bands),
        tuple(dict.fromkeys(sources)),
        per_kwh if per_kwh is not None else (told[0] if told else None),
        np.array([entry.per_hour for entry in order.file.printers]),
    )


def _spent(
    order: Order, kinds: Sequence[Counted], takes: Sequence[Sequence[Takes | None]], plan: Plan, outcomes: Outcomes,
    shop: Shop, bands: F8, seed: int, prices: Prices,
) -> Spent:  # fmt: skip
    """What is spent, the plan in entry 0 and then each run with its doubts."""
    runs, groups, count = outcomes.spent.shape
    plain = np.zeros((1, groups, count))
    for p, counts in enumerate(_planned_counts(plan, count)[0]):
        plain[0, shop.group_of[p]] += counts
    spent = np.concatenate([plain, outcomes.spent])
    seconds = np.where(np.isfinite(shop.seconds), shop.seconds, 0.0)
    busy = np.concatenate([(plain * seconds).sum(axis=2), outcomes.busy_s])
    pace = _with_best(doubt(0, bands[:, 0], bands[:, 1], seed, runs))
    mass = [first_of(takes, k).mass_g for k in range(count)]
    grams_each = np.array([one.best for one in mass])
    mass_f = _with_best(_doubts(_MASS, [one.band for one in mass], seed, runs))
    price_f = _with_best(_doubts(_PRICE, list(prices.bands), seed, runs))
    grams = spent.sum(axis=1) * grams_each * mass_f
    energy = None
    if all(one.energy_wh is not None for row in takes for one in row if one is not None):
        watts = [first_of(takes, k).watts or (1.0, 1.0) for k in range(count)]
        watts_f = _with_best(_doubts(_WATTS, watts, seed, runs))
        each = np.array(
            [[one.energy_wh.best if one and one.energy_wh else 0.0 for one in row] for row in takes]
        )
        energy = ((spent * each).sum(axis=1) * pace * watts_f).sum(axis=1) / 1000.0
    return Spent(
        printing_s=busy.sum(axis=1),
        grams=grams.sum(axis=1),
        energy_kwh=energy,
        money_filament=(grams * price_f) @ prices.per_gram,
        money_energy=None if energy is None or prices.per_kwh is None else energy * prices.per_kwh,
        money_hours=busy @ prices.per_hour / _J_PER_WH,
    )


def _doubts(name: int, bands: Sequence[Pair], seed: int, runs: int) -> F8:
    ends = np.array(bands).reshape(-1, 2)
    return doubt(name, ends[:, 0], ends[:, 1], seed, runs)


def _with_best(factors: F8) -> F8:
    """With the best value in front."""
    return np.concatenate([np.ones((1, factors.shape[1])), factors])
