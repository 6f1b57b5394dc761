"""Strength and time of a file's regions, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gcodetools.edit.record import already_treated
from gcodetools.errors import InputError, NotFoundOnPlate
from gcodetools.jobs.apply import Options, read_plate
from gcodetools.jobs.rates import Rates, bed_of, columns_record, rates_of
from gcodetools.jobs.records import estimate, without_nulls
from gcodetools.jobs.region_states import nozzle_base_c, region_state
from gcodetools.jobs.regions import Found, found_regions
from gcodetools.jobs.sources import Profiles, profiles_for
from gcodetools.jobs.strengths import Strengths, strengths_of
from gcodetools.kit.placing import Placed, place
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.physics.timing import Times, layer_seconds, times
from gcodetools.strength.law import Law
from gcodetools.strength.loads import LoadCase
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.sentences import CAUTIONS, ending, rests_on, sentence
from gcodetools.strength.spreads import COVERAGE, Band
from gcodetools.toolpath.plate import Plate

__all__ = [
    "band_record",
    "estimate_file",
    "estimate_plate",
    "load_record",
    "region_records",
    "require_strength",
]

Record = dict[str, Any]


def estimate_file(path: Path, options: Options) -> tuple[Record, list[str]]:
    """Record and warnings of a file.

    Raises
    ------
    InputError : the file or a kit is unreadable or invalid, or the material says nothing of its strength.
    NotFoundOnPlate : no part of the kit is on the plate, or a region of one meets no bead.
    """
    kit = load_kits(options.kits)
    return estimate_plate(read_plate(path, number=options.plate), kit, options)


def estimate_plate(plate: Plate, kit: Kit, options: Options) -> tuple[Record, list[str]]:
    """Record and warnings of a plate that is read already.

    Raises
    ------
    InputError, NotFoundOnPlate : as `estimate_file`.
    """
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    require_strength(profiles)
    name = plate.program.lines.name
    placed = place(kit, plate)
    if not placed.poses:
        raise NotFoundOnPlate(
            f"{name}: no part of kit {kit.name} is on the plate (looked for {', '.join(kit.parts)})",
            "Check `found_by` in the kit against `beadwright inspect`.",
        )
    found, missing = found_regions(plate, kit, placed)
    found = [one for one in found if options.subset.holds(one.pose)]
    if not found:
        raise NotFoundOnPlate(f"{name}: no region meets a bead", "; ".join(missing) or "Check --only.")
    planned = times(plate, profiles.machine)
    rates = rates_of(plate, profiles, bed_of(plate))
    strengths = strengths_of(plate, kit, found, profiles, planned, rates.mm3_per_mm.value, lean=True)
    assert strengths is not None
    record: Record = {
        "schema": "beadwright.estimate/1",
        "file": plate.file,
        "treated": already_treated(plate.recorded_in),
        "kit": kit.name,
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "machine": profiles.machine.name if profiles.machine else None,
        "draws": {"count": strengths.law.draws.count, "seed": strengths.law.draws.seed},
        "heating_from": strengths.heating,
        "regions": region_records(plate, kit, found, strengths, planned, rates.mm3_per_mm.value),
        "total": _total(plate, planned, rates),
        "absent": list(placed.absent),
        "cautions": list(CAUTIONS),
    }
    return without_nulls(record), _warnings(plate, placed, missing, profiles, planned)


def require_strength(profiles: Profiles) -> None:
    """Refuse a material without numbers on strength.

    Raises
    ------
    InputError : naming the material and the key.
    """
    if profiles.material.strength is None:
        raise InputError(
            f"material {profiles.material.name}: no key `strength`, expected its numbers for an estimate",
            "Add them, or write `like: petg` in the material file to take another's.",
        )


def _warnings(
    plate: Plate, placed: Placed, missing: Sequence[str], profiles: Profiles, planned: Times
) -> list[str]:
    found = [*plate.program.warnings, *plate.warnings, *placed.warnings, *planned.warnings, *missing]
    if profiles.material_from == "assumed":
        found.append("no material is named by the kit, the file or --material: PETG assumed")
    return list(dict.fromkeys(found))


def _total(plate: Plate, planned: Times, rates: Rates) -> Record:
    """The whole print: time, filament and its price, each with its doubt."""
    trusts = columns_record(rates, planned.band, planned.source)
    gram = max(float(plate.moves.e.sum()), 0.0) * rates.gram_per_mm.value

    def told(best: float, trust: Record) -> Record:
        return estimate(best, best * trust["low"], best * trust["high"], trust["source"], trust["basis"])

    return {
        "time_s": estimate(planned.total_s, *planned.within(planned.total_s), planned.source),
        "mass_g": told(gram, trusts["mass_g"]),
        "cost": told(gram * rates.money_per_gram.value, trusts["cost"]),
    }


def region_records(
    plate: Plate,
    kit: Kit | None,
    found: Sequence[Found],
    strengths: Strengths,
    planned: Times,
    mm3_per_mm: float,
    means: dict[str, str] | None = None,
) -> list[Record]:
    """A record a region, as `--json` prints it. means : what treated against untreated means, by region."""
    by_name = {one.name: one for one in found}
    layer_s = layer_seconds(plate, planned)
    base_c = nozzle_base_c(plate, kit)
    records = []
    for one in strengths.regions:
        hit = by_name[one.name].hit
        state = region_state(plate, hit.selection, mm3_per_mm, base_c)
        share = hit.selection.t1 - hit.selection.t0
        nozzle = _nozzle(strengths, hit.selection.row)
        layers = np.unique(plate.beads.layer[hit.selection.row])
        record: Record = {
            "part": hit.part,
            "instance": hit.instance,
            "region": hit.region,
            "role": hit.role,
            "layers": list(hit.layers),
            "z_mm": [round(z, 3) for z in hit.z_mm],
            "beads": state["beads"],
            **{
                key: round(state[key], 3) for key in ("length_mm", "volume_mm3", "perimeters") if key in state
            },
            "time_s": round(float((planned.seconds[hit.selection.row] * share).sum()), 3),
            "nozzle_c": nozzle,
            "fan_percent": state.get("fan_percent"),
            "layer_time_s": round(float(np.median(layer_s[layers[layers >= 0]])), 3),
            **_strength(one, strengths.law, _tools(plate, hit.selection.row)),
            "sentence": sentence(one, strengths.law, nozzle["reached_mean"] if nozzle else None),
            **ending(strengths.law, (means or {}).get(one.name)),
        }
        records.append(without_nulls(record))
    return records


def _nozzle(strengths: Strengths, rows: np.ndarray[Any, np.dtype[np.int64]]) -> Record | None:
    if strengths.got is None:
        return None
    reached, told, _ = strengths.got.at(rows)
    if np.all(np.isnan(reached)):
        return None
    return {
        "target": round(float(np.nanmedian(told)), 2),
        "reached_min": round(float(np.nanmin(reached)), 2),
        "reached_mean": round(float(np.nanmean(reached)), 2),
        "reached_max": round(float(np.nanmax(reached)), 2),
    }


def band_record(band: Band, basis: str, source: str) -> Record:
    """A band as every estimate is printed."""
    return {**estimate(band.best, band.low, band.high, source, basis), "coverage": COVERAGE}


def _tools(plate: Plate, rows: np.ndarray[Any, np.dtype[np.int64]]) -> list[str]:
    """What is to be said where more than one tool prints a region: one material is taken for all."""
    used = np.unique(plate.moves.tool[rows]).tolist()
    if len(used) < 2:
        return []
    names = f"{', '.join(map(str, used[:-1]))} and {used[-1]}"
    return [
        f"printed by tools {names}, all taken for one plastic; two plastics may not weld at all (assumed)"
    ]


def _strength(one: RegionStrength, law: Law, tools: list[str]) -> Record:
    source = rests_on(law)
    welds = one.welds

    def told(band: Band | None, basis: str = one.basis, rests: str = source) -> Record | None:
        return None if band is None else band_record(band, basis, rests)

    bond = {"mean": told(one.bond_mean), "min": told(one.bond_min), "weakest_layer": one.weakest_layer}
    record: Record = {
        "below_age_s": round(welds.age_s, 3),
        "contact": None if not len(welds.layer) else round(float(np.median(welds.contact)), 4),
    }
    if one.bond_mean is not None:
        record["bond"] = bond
    bars = "printed bars of other makers; fill from the file's beads"
    strength: Record = {"across_layers": told(one.across), "along_beads": told(one.along, "modelled", bars)}
    record["strength_mpa"] = strength
    if one.wall is not None:
        record["wall"] = {
            "thickness_mm": round(one.wall.thickness_mm.median, 3),
            "fill": round(one.wall.fill.median, 4),
            "stiffness_of_solid": round(one.wall.ei_share.median, 4),
        }
    if one.case is not None:
        record["stiffness_n_per_mm"] = told(
            one.case.stiffness_n_per_mm, "modelled", "handbook sum of the load"
        )
        record["load"] = load_record(one.case)
    record["notes"] = [
        *tools,
        *one.notes,
        *(one.case.notes if one.case else ()),
        *([one.fault] if one.fault else []),
    ]
    return record


def load_record(case: LoadCase) -> Record:
    """A load case as `--json` prints it."""
    sums = "handbook sum of the load's numbers"

    def told(band: Band | None, source: str, basis: str = "modelled") -> Record | None:
        # A way of nothing, as of a bar that passes the mouth, asks nothing and has no doubt.
        return None if band is None or band.high <= 0 else band_record(band, basis, source)

    return {
        "kind": case.kind,
        "limited": "along_beads" if case.limits == "along" else "across_layers",
        "printed": "standing" if case.standing else "lying",
        "printed_from": case.told,
        "opening_mm": case.opening_mm,
        "demand": told(case.demand, sums),
        "allowed": told(case.allowed, "design limits for printed snap fits", "assumed"),
        "margin": told(case.margin, "allowed over demand"),
        "margin_crooked": told(case.crooked, "put on at its tilt"),
        "margin_to_break": told(case.to_break, "strain at break over demand, at the tilt where there is one"),
        "force_n": told(case.push_n, sums),
        "pull_n": told(case.pull_n, sums),
        "bears_n": told(case.bears_n, sums),
        "refused": case.refused or None,
    }
