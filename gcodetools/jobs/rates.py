"""What seconds and filament weigh, draw and cost; and the tables of `costs` as records.

Numbers of a table are plain, so that they add up; how far to trust a column is told once for all of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine, Power, Quantity
from gcodetools.jobs.costs import OUTSIDE, Costs, Table
from gcodetools.jobs.sources import Profiles
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = [
    "Rates",
    "bed_of",
    "columns_record",
    "costs_record",
    "density",
    "diameter",
    "difference",
    "rates_of",
]

F8 = NDArray[np.float64]
Band = tuple[float, float]

_DIAMETER_DOUBT_MM = 0.05  # of its nominal; common practice, no source
_ROOM_C, _BED_C = 20.0, 60.0  # at which a profile's bed_w holds
_J_PER_WH = 3600.0


@dataclass(frozen=True, slots=True)
class _Rate:
    """What a unit comes to, its ends as factors on it, and where it is from."""

    value: float
    band: Band
    source: str


@dataclass(frozen=True, slots=True)
class Rates:
    """mm3, gram and money by mm of filament; watts while printing and while heating up, None without a machine
    that says so; money by kWh, None without a price."""

    mm3_per_mm: _Rate
    gram_per_mm: _Rate
    money_per_gram: _Rate
    printing_w: _Rate | None
    heating_w: _Rate | None
    money_per_kwh: _Rate | None

    def columns(self, table: Table) -> dict[str, F8]:
        """The table's columns by their names in the record, those that are known."""
        mm = table.filament_mm
        gram = mm * self.gram_per_mm.value
        result = {
            "time_s": table.seconds,
            "filament_mm": mm,
            "volume_mm3": mm * self.mm3_per_mm.value,
            "mass_g": gram,
            "cost": gram * self.money_per_gram.value,
        }
        if self.printing_w is not None and self.heating_w is not None:
            held = (table.seconds - table.heating_s) * self.printing_w.value
            result["energy_wh"] = (held + table.heating_s * self.heating_w.value) / _J_PER_WH
            if self.money_per_kwh is not None:
                result["energy_cost"] = result["energy_wh"] / 1000.0 * self.money_per_kwh.value
        return result


def diameter(plate: Plate, profiles: Profiles) -> tuple[float, str]:
    """The filament's, mm, and who says so: the file, else the material."""
    if plate.volumetric_mm:
        return plate.volumetric_mm, "the file's M200"
    stated = plate.settings.filament_diameter_mm
    if stated:
        return stated, "the file's settings"
    asked = any(text.partition("=")[0].strip() == "material.diameter_mm" for text in profiles.overrides)
    if plate.beads_mm and not asked:
        return plate.beads_mm, "the file's beads"
    return profiles.material.diameter_mm.value, f"material {profiles.material.name}"


def density(plate: Plate, profiles: Profiles) -> tuple[float, str]:
    """The filament's, g/cm3, and who says so: the file where it names the material, else the material."""
    stated = plate.settings.density_g_cm3
    if stated and profiles.material_from in ("file", "assumed"):
        return stated, "the file's settings"
    return profiles.material.density_g_cm3.value, f"material {profiles.material.name}"


def bed_of(plate: Plate) -> float | None:
    """The bed that most layers get, C, by commands or else by the file's settings; None where nobody says."""
    bed = plate.program.states.bed.at(plate.layers.line)
    known = bed[~np.isnan(bed) & (bed > 0)]  # off: a start macro heats it, or nothing does
    if len(known) == 0:
        return plate.settings.bed_c
    values, count = np.unique(known, return_counts=True)
    return float(values[np.argmax(count)])


def rates_of(plate: Plate, profiles: Profiles, bed_c: float | None) -> Rates:
    """Rates of a plate. bed_c : its bed, None where nobody knows: then no energy is told either."""
    material, machine = profiles.material, profiles.machine
    d, d_from = diameter(plate, profiles)
    rho, rho_from = density(plate, profiles)
    area = float(np.pi) * d**2 / 4
    ends = ((d - _DIAMETER_DOUBT_MM) / d) ** 2, ((d + _DIAMETER_DOUBT_MM) / d) ** 2
    source = f"filament in the file; diameter from {d_from}"
    printing = heating = None
    if machine is not None and machine.power is not None and bed_c is not None:
        printing, heating = _watts(machine, machine.power, bed_c)
    price = machine.electricity_per_kwh if machine is not None else None
    return Rates(
        _Rate(area, ends, source),
        _Rate(area * rho / 1000.0, ends, f"{source}, density from {rho_from}"),
        _Rate(
            material.price_per_kg.value / 1000.0, _band(material.price_per_kg), material.price_per_kg.source
        ),
        printing,
        heating,
        None if price is None else _Rate(price.value, _band(price), price.source),
    )


def _watts(machine: Machine, power: Power, bed_c: float) -> tuple[_Rate, _Rate]:
    """While printing: nozzle, electronics, and the bed in proportion to what it is above the room (Newton's law of
    cooling); while heating up: as the profile says."""
    share = max(bed_c - _ROOM_C, 0.0) / (_BED_C - _ROOM_C)
    parts = (power.nozzle_w, power.electronics_w)
    low, best, high = (
        sum(_ends(part)[k] for part in parts) + share * _ends(power.bed_w)[k] for k in range(3)
    )
    source = f"machine {machine.name}: {power.bed_w.flag}; bed at {bed_c:g} C"
    return (
        _Rate(best, (low / best, high / best) if best else (1.0, 1.0), source),
        _Rate(power.heating_w.value, _band(power.heating_w), source),
    )


def _ends(quantity: Quantity) -> tuple[float, float, float]:
    low, high = quantity.spread or (quantity.value, quantity.value)
    return low, quantity.value, high


def _band(quantity: Quantity) -> Band:
    low, best, high = _ends(quantity)
    return (low / best, high / best) if best else (1.0, 1.0)


def columns_record(rates: Rates, time_band: Band, time_source: str) -> dict[str, Any]:
    """How far to trust each column: `low` and `high` as factors on its numbers, basis, coverage, source."""
    gram, money = rates.gram_per_mm, rates.money_per_gram
    result = {
        "time_s": _trust(time_band, "modelled", time_source),
        "filament_mm": _trust((1.0, 1.0), "measured", "filament in the file"),
        "volume_mm3": _trust(rates.mm3_per_mm.band, "modelled", rates.mm3_per_mm.source),
        "mass_g": _trust(gram.band, "modelled", gram.source),
        "cost": _trust(_both(gram.band, money.band), "assumed", money.source),
    }
    if rates.printing_w is not None and rates.heating_w is not None:
        watts = rates.printing_w.band
        ends = min(watts[0], rates.heating_w.band[0]), max(watts[1], rates.heating_w.band[1])
        result["energy_wh"] = _trust(_both(time_band, ends), "assumed", rates.printing_w.source)
        if rates.money_per_kwh is not None:
            price = rates.money_per_kwh
            whole = _both(_both(time_band, ends), price.band)
            result["energy_cost"] = _trust(whole, "assumed", price.source)
    return result


def _trust(band: Band, basis: str, source: str) -> dict[str, Any]:
    low, high = (round(end, 4) for end in band)
    return {"low": low, "high": high, "basis": basis, "coverage": 0.9, "source": source}


def _both(a: Band, b: Band) -> Band:
    return a[0] * b[0], a[1] * b[1]


def costs_record(costs: Costs, rates: Rates) -> dict[str, Any]:
    """The tables as records: `whole`, `features` and `regions` (with `rest`) by name, `layers` as columns of the
    plate's layers with what is `outside` of them."""
    layers = {name: column.tolist() for name, column in rates.columns(costs.layers).items()}
    return {
        "whole": _rows(costs.whole, rates)["whole"],
        "features": {name: row for name, row in _rows(costs.features, rates).items() if any(row.values())},
        "regions": _rows(costs.regions, rates),
        "layers": {name: column[:-1] for name, column in layers.items()},
        OUTSIDE: {name: column[-1] for name, column in layers.items()},
    }


def _rows(table: Table, rates: Rates) -> dict[str, dict[str, float]]:
    columns = {name: column.tolist() for name, column in rates.columns(table).items()}
    return {name: {key: column[k] for key, column in columns.items()} for k, name in enumerate(table.names)}


def difference(before: dict[str, Any], after: dict[str, Any]) -> dict[str, Any]:
    """What is added to `whole`, `features` and `regions`, by name."""
    result: dict[str, Any] = {"whole": _less(after["whole"], before["whole"])}
    for table in ("features", "regions"):
        names = dict.fromkeys([*before[table], *after[table]])
        result[table] = {
            name: _less(after[table].get(name, {}), before[table].get(name, {})) for name in names
        }
    return result


def _less(after: dict[str, float], before: dict[str, float]) -> dict[str, float]:
    return {key: after.get(key, 0.0) - before.get(key, 0.0) for key in {**before, **after}}
