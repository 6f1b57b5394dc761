"""What is in a sliced file; with a kit, each region of each instance."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.record import already_treated
from gcodetools.gcode.arrays import keep_memory, present
from gcodetools.jobs.apply import Options, read_plate
from gcodetools.jobs.bed import off_bed
from gcodetools.jobs.clock import Standing, standing
from gcodetools.jobs.containers import container_record
from gcodetools.jobs.costs import END, HEATING, START, TOOLS, add_up
from gcodetools.jobs.durations import OVERLAPS
from gcodetools.jobs.rates import Rates, bed_of, columns_record, costs_record, density, diameter, rates_of
from gcodetools.jobs.records import estimate, without_nulls
from gcodetools.jobs.sources import Profiles, instance_numbers, profiles_for
from gcodetools.kit.placing import Placed, Pose, place
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.kit.selection import RegionHit, not_met, select
from gcodetools.marks.settings import macro_nozzle
from gcodetools.physics.timing import Times, times
from gcodetools.toolpath.beads import FEATURES
from gcodetools.toolpath.filament import Filament, filament
from gcodetools.toolpath.plate import Plate

__all__ = ["inspect_file", "inspect_plate"]


def inspect_file(path: Path, options: Options) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of a file. The process keeps the memory it needs for that.

    Raises
    ------
    InputError : the file or a kit is unreadable or invalid.
    """
    keep_memory()
    kit = load_kits(options.kits) if options.kits else None
    return inspect_plate(read_plate(path, number=options.plate), kit, options)


def inspect_plate(plate: Plate, kit: Kit | None, options: Options) -> tuple[dict[str, Any], list[str]]:
    """Record (keys as in the contract) and warnings of a plate that is read already."""
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    program, beads = plate.program, plate.beads
    warnings = [*program.warnings, *plate.warnings]
    record: dict[str, Any] = {
        "schema": "beadwright.inspect/1",
        "file": plate.file,
        "lines": len(program.lines),
        "bytes": len(program.lines.data),
        "container": container_record(plate.container) if plate.container is not None else None,
        "convention": plate.marks.convention,
        "treated": already_treated(plate.recorded_in),
        "extrusion": _extrusion(plate),
        "tools": present(program.moves.tool[beads.feature != 0]),
        "layers": _layers(plate),
        "features": _features(plate, profiles),
        "feature_source": beads.source,
        "objects": list(plate.marks.objects.names),
    }
    record |= _heat(plate, kit)
    planned = times(plate, profiles.machine)
    warnings += planned.warnings
    stands = standing(plate, planned.seconds, profiles.machine)
    if plate.totals.time_s is not None:
        record["time_in_file_s"] = plate.totals.time_s
    record["filament"] = _filament(plate, filament(plate), profiles)
    poses: tuple[Pose, ...] = ()
    hits: list[RegionHit] = []
    if kit is not None:
        placed = place(kit, plate)
        warnings += placed.warnings
        poses = placed.poses
        record["parts"] = [_pose(pose) for pose in poses]
        record["absent"] = list(placed.absent)
        hits, missing = _hits(plate, kit, placed)
        warnings += missing
    regions = [(f"{hit.part}#{hit.instance}/{hit.region}", hit.selection) for hit in hits]
    costs = add_up(plate, planned, regions, stands.extras)
    rates = rates_of(plate, profiles, bed_of(plate))
    spent = dict(zip(costs.features.names, costs.features.seconds.tolist(), strict=True))
    record["time"] = _time(planned, stands, spent)
    for word, feature in record["features"].items():
        feature["time_s"] = round(spent[word], 3)
    if kit is not None:
        record["regions"] = [_region(plate, hit, planned, rates) for hit in hits]
    record["costs"] = {
        "columns": columns_record(rates, planned.band, planned.source),
        "regions_overlap": OVERLAPS,
        **costs_record(costs, rates),
    }
    warnings += off_bed(plate, profiles.machine, poses)
    return without_nulls(record), warnings


def _time(planned: Times, stands: Standing, spent: dict[str, float]) -> dict[str, Any]:
    """Times by motion planning; heating by the machine's rates, absent where no machine is named. Printing is from
    the first bead to the last, tool changes left out. Homing takes no time here: no limit of a file tells how
    long it does."""
    heating, tools = spent[HEATING], spent[TOOLS]
    apart = {START: spent[START], END: spent[END], TOOLS: tools}
    printing = sum(spent.values()) - sum(apart.values()) - heating
    low, high = (heating * end for end in stands.band)
    moving = printing + sum(apart.values())
    ends = planned.within(moving)
    result: dict[str, Any] = {
        "print_s": _seconds(planned, printing),
        "start_s": _seconds(planned, spent[START]),
        "end_s": _seconds(planned, spent[END]),
        "heating_s": None
        if stands.of(HEATING) is None
        else estimate(heating, low, high, stands.source, "assumed"),
        "tools_s": _seconds(planned, tools) if tools else None,
        "total_s": estimate(moving + heating, ends[0] + low, ends[1] + high, planned.source),
        "scaled_by": round(planned.factor, 4),
        "limits_from": dict(sorted(planned.limits.origins.items())),
    }
    return without_nulls(result)


def _seconds(planned: Times, seconds: float) -> dict[str, Any]:
    return estimate(seconds, *planned.within(seconds), planned.source)


def _extrusion(plate: Plate) -> str:
    """What most beads are written in."""
    rows = plate.beads.feature != 0
    relative = plate.program.states.e_relative.at(plate.program.moves.line[rows])
    return "relative" if len(relative) and relative.mean() > 0.5 else "absolute"


def _layers(plate: Plate) -> dict[str, Any]:
    """Layers without the raft's; on a plate printed object after object, those of all runs."""
    layers = plate.layers
    printed = ~layers.raft
    height = layers.height_mm[printed]
    z = layers.z_mm[printed]
    result: dict[str, Any] = {"count": int(printed.sum())}
    if len(height):
        result |= {
            "height_mm": round(float(np.median(height)), 4),
            "first_mm": round(float(height[0]), 4),
            "z_max_mm": round(float(z.max()), 4),
        }
    if np.any(layers.raft):
        result["raft"] = int(layers.raft.sum())
    runs = int(layers.run.max(initial=0)) + 1
    if runs > 1:
        result["runs"] = runs
    result["source"] = layers.source
    return result


def _features(plate: Plate, profiles: Profiles) -> dict[str, Any]:
    beads = plate.beads
    area = np.pi * diameter(plate, profiles)[0] ** 2 / 4
    count = np.bincount(beads.feature, minlength=len(FEATURES))
    length = np.bincount(beads.feature, beads.length_mm, minlength=len(FEATURES))
    e = np.bincount(beads.feature, plate.program.moves.e, minlength=len(FEATURES))
    return {
        word: {
            "beads": int(count[k]),
            "length_mm": round(float(length[k]), 3),
            "volume_mm3": round(float(e[k] * area), 3),
        }
        for k, word in enumerate(FEATURES)
        if k and count[k]
    }


def _heat(plate: Plate, kit: Kit | None) -> dict[str, Any]:
    """Nozzle, bed and fan that most of the bead length gets, and where the nozzle is from."""
    program, beads = plate.program, plate.beads
    rows = np.flatnonzero((beads.feature != 0) & (beads.layer >= 0))
    result: dict[str, Any] = {}
    if len(rows) == 0:
        return result
    line, length = program.moves.line[rows], beads.length_mm[rows]
    nozzle = np.full(len(rows), np.nan)
    for tool, track in program.states.nozzle.items():
        mine = program.moves.tool[rows] == tool
        nozzle[mine] = track.at(line[mine])
    nozzle[nozzle == 0] = np.nan
    value, source = _most(nozzle, length), "commands"
    if value is None:
        value, source = macro_nozzle(program, int(line[0])), "start macro"
    if value is None:
        value, source = plate.settings.nozzle_c, "settings block"
    if value is None and kit is not None and kit.base is not None:
        value, source = kit.base.nozzle_c, "kit"
    if value is not None:
        result |= {"nozzle_c": value, "nozzle_from": source}
    bed_c = program.states.bed.at(line)
    bed_c[bed_c == 0] = np.nan  # off: a start macro heats it, or nothing does
    bed = _most(bed_c, length)
    if bed is None:
        bed = plate.settings.bed_c
    if bed is not None:
        result["bed_c"] = bed
    fan = _most(np.round(program.states.fan.at(line), 4), length)
    if fan is not None:
        result["fan_percent"] = round(fan * 100.0, 1)
    return result


def _most(value: NDArray[np.float64], length: NDArray[np.float64]) -> float | None:
    """The known value of the greatest length; values change a few times in millions of beads, so stretches of one value
    are added up first."""
    known = ~np.isnan(value)
    if not np.all(known):
        value, length = value[known], length[known]
    if len(value) == 0:
        return None
    first = np.flatnonzero(np.append(True, value[1:] != value[:-1]))
    values, index = np.unique(value[first], return_inverse=True)
    return float(values[np.argmax(np.bincount(index, np.add.reduceat(length, first)))])


def _filament(plate: Plate, measured: Filament, profiles: Profiles) -> dict[str, Any]:
    """The three lengths, and volume, mass and cost of what is laid in beads.

    Lengths are the file's own, summed. Mass carries the band of the filament's diameter, 0.05 mm either way
    (common practice, no source); the price is the profile's.
    """
    d, d_from = diameter(plate, profiles)
    rho, density_from = density(plate, profiles)
    volume = measured.beads_mm * np.pi * d**2 / 4
    gram = volume * rho / 1000.0
    low, high = gram * ((d - 0.05) / d) ** 2, gram * ((d + 0.05) / d) ** 2
    source = f"filament in the file; diameter from {d_from}, density from {density_from}"
    price = profiles.material.price_per_kg
    per_gram = price.value / 1000.0
    result = {
        "nozzle_mm": round(measured.nozzle_mm, 3),
        "beads_mm": round(measured.beads_mm, 3),
        "start_and_tower_mm": round(measured.start_and_tower_mm, 3),
        "volume_mm3": round(volume, 3),
        "diameter_mm": d,
        "mass_g": estimate(gram, low, high, source),
        "cost": estimate(gram * per_gram, low * per_gram, high * per_gram, price.source, "assumed"),
    }
    stated = plate.totals.filament_mm
    if stated is not None:
        result |= {"stated_mm": stated, "stated_means": plate.totals.meaning}
    return result


def _pose(pose: Pose) -> dict[str, Any]:
    return {
        "label": pose.label,
        "part": pose.part,
        "instance": pose.instance,
        "x_mm": round(pose.x_mm, 3),
        "y_mm": round(pose.y_mm, 3),
        "turn_deg": round(pose.turn_deg, 2) % 360.0,
        "fit_mm": round(pose.fit_mm, 3),
        "scale": round(pose.scale, 5),
        "mirrored": pose.mirrored,
        "layers": pose.layers,
    }


def _hits(plate: Plate, kit: Kit, placed: Placed) -> tuple[list[RegionHit], list[str]]:
    """Every region of every instance that meets a bead, and sentences on the others."""
    found, missing = [], []
    for part_name, part in kit.parts.items():
        poses = instance_numbers(part.instances, [p for p in placed.poses if p.part == part_name])
        for region_name, region in part.regions.items():
            for pose in poses:
                hit = select(plate, pose, region, region_name)
                if len(hit.selection.row) == 0:
                    where = not_met(plate, pose, region)
                    missing.append(f"{part_name}#{pose.instance}/{region_name} meets no bead; {where}")
                    continue
                found.append(hit)
    return found, missing


def _region(plate: Plate, hit: RegionHit, planned: Times, rates: Rates) -> dict[str, Any]:
    """A region by itself, whether or not another shares its beads; `costs` counts each bead once."""
    selection = hit.selection
    share = selection.t1 - selection.t0
    length = plate.beads.length_mm[selection.row] * share
    e = plate.program.moves.e[selection.row] * share
    feature = plate.beads.feature[selection.row]
    return {
        "part": hit.part,
        "instance": hit.instance,
        "region": hit.region,
        "role": hit.role,
        "layers": list(hit.layers),
        "z_mm": [round(z, 3) for z in hit.z_mm],
        "beads": len(np.unique(selection.row)),
        "length_mm": round(float(length.sum()), 3),
        "volume_mm3": round(float(e.sum()) * rates.mm3_per_mm.value, 3),
        "mass_g": round(float(e.sum()) * rates.gram_per_mm.value, 6),
        "time_s": round(float((planned.seconds[selection.row] * share).sum()), 3),
        "features": {FEATURES[k]: int((feature == k).sum()) for k in np.unique(feature).tolist()},
    }
