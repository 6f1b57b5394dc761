"""Two sliced files side by side: time, filament, energy, money and how regions are laid, with differences."""

from __future__ import annotations

import math
import os
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine
from gcodetools.edit.record import already_treated
from gcodetools.errors import NotFoundOnPlate
from gcodetools.gcode.arrays import give_back
from gcodetools.gcode.files import read_raw
from gcodetools.jobs.apply import Options, read_after, read_before
from gcodetools.jobs.bed import off_bed
from gcodetools.jobs.clock import Standing, standing
from gcodetools.jobs.costs import OUTSIDE, Costs, add_up
from gcodetools.jobs.durations import OVERLAPS
from gcodetools.jobs.estimate import region_records
from gcodetools.jobs.gains import strength_record
from gcodetools.jobs.rates import Rates, bed_of, columns_record, costs_record, difference, rates_of
from gcodetools.jobs.records import estimate, without_nulls
from gcodetools.jobs.region_states import nozzle_base_c, region_state, state_difference
from gcodetools.jobs.regions import Found, found_regions
from gcodetools.jobs.sources import Profiles, digest, profiles_for
from gcodetools.jobs.strengths import Strengths, strengths_of
from gcodetools.kit.placing import Placed, place
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.physics.timing import Times, times
from gcodetools.records import dataclass
from gcodetools.strength.law import Law
from gcodetools.strength.pieces import Instance
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.sentences import CAUTIONS
from gcodetools.toolpath.machine_limits import limits_of
from gcodetools.toolpath.plate import Plate

__all__ = ["Look", "Seen", "account_plate", "compare_files", "compare_plates"]

Record = dict[str, Any]
LayerKey = tuple[int, float, float, int]

_MOVED_MM = 1.0
_DECIMALS = 3  # to which layers are of one height
_HEAD_BYTES = 1 << 20
_ALIKE = ", that of the first: the second carries a record of a treatment, so both are scaled alike"
_ORIGINAL = re.compile(rb"^; beadwright (?:original|text): sha256 ([0-9a-f]{64})", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Seen:
    """One side with its columns, before they are let go. strengths : None without a region, or where the material
    says nothing of them."""

    plate: Plate
    kit: Kit | None
    profiles: Profiles
    planned: Times
    placed: Placed
    found: tuple[Found, ...]
    rates: Rates
    strengths: Strengths | None


class Look(Protocol):
    """Who wants to look at each side while it is worked out, the first one before the second is read."""

    def region(
        self, found: Found, instance: Instance, within: NDArray[np.bool_], strength: RegionStrength, law: Law
    ) -> None:
        """A region with the pieces of its instance; see `jobs.strengths.Watch`."""

    def side(self, seen: Seen) -> None:
        """The side itself, behind its regions."""


def compare_files(
    before: Path, after: Path, options: Options, look: Look | None = None
) -> tuple[Record, list[str]]:
    """Record and warnings of two files; `look` sees each.

    Raises
    ------
    InputError : a file or a kit is unreadable or invalid. NotFoundOnPlate : no part of the kit on either plate.
    """
    kit = load_kits(options.kits) if options.kits else None
    _expect_readable(after)
    plate = read_before(before, options)
    assumed_mm = plate.assumed_mm
    first = _side(plate, kit, options, look=look)
    # The first plate's columns are large and no longer needed.
    del plate
    give_back()
    return _compared(first, _side(read_after(after, options, assumed_mm), kit, options, first, look), kit)


def _expect_readable(path: Path) -> None:
    """Refuse a second file that can't be read, before all is worked out for the first; a pipe is left alone.

    Raises
    ------
    InputError : missing, a folder, not readable.
    """
    if path.is_dir() or not os.access(path, os.R_OK):
        read_raw(path)


def compare_plates(
    before: Plate, after: Plate, kit: Kit | None, options: Options, look: Look | None = None
) -> tuple[Record, list[str]]:
    """Record and warnings of two plates that are read already; `look` sees each.

    The record has tables by feature, region and layer of each side under `before` and `after`, as `costs` of
    `apply`, and what is more in the second under `difference`; regions go by part#instance/region.

    Raises
    ------
    InputError : the kit can't be placed. NotFoundOnPlate : no part of the kit on either plate.
    """
    first = _side(before, kit, options, look=look)
    return _compared(first, _side(after, kit, options, first, look), kit)


def account_plate(
    plate: Plate, kit: Kit | None, options: Options, look: Look | None = None
) -> tuple[Record, list[str]]:
    """Record and warnings of one plate alone, in the keys of a comparison, without what needs two.

    Raises
    ------
    InputError : the kit can't be placed. NotFoundOnPlate : no part of the kit is on the plate.
    """
    side = _side(plate, kit, options, look=look)
    _expect_parts(kit, side)
    trust = columns_record(side.rates, side.planned.band, side.planned.source)
    table: Record = {**costs_record(side.costs, side.rates), "states": side.states}
    record: Record = {
        "schema": "beadwright.account/1",
        "files": {"after": side.facts},
        "columns": trust,
        "regions_overlap": OVERLAPS,
        "totals": {
            key: {"after": estimate(table["whole"][key], *_ends(parts), one["source"], one["basis"])}
            for key, one in trust.items()
            for parts in [_parts_of(key, side, table["whole"][key], one)]
        },
        "after": table,
    }
    if kit is not None:
        record |= {"kit": kit.name, "absent": list(side.absent)}
    if side.strengths is not None:
        draws = side.strengths.law.draws
        record["strength"] = {
            "draws": {"count": draws.count, "seed": draws.seed},
            "after": side.records,
            "cautions": list(CAUTIONS),
        }
    return without_nulls(record), list(dict.fromkeys(side.warnings))


@dataclass(frozen=True, slots=True)
class _Side:
    """One file, without its columns. identity : of file and plate. digests : of the text,
    and of a file that holds no other. originals : of those it was treated from. planned : with
    empty columns. layers : a key each. states, spots : by region and by instance; spots are x, y in mm."""

    facts: Record
    identity: tuple[str, int]
    digests: frozenset[str]
    originals: frozenset[str]
    planned: Times
    stands: Standing
    costs: Costs
    rates: Rates
    layers: tuple[LayerKey, ...]
    states: dict[str, Record]
    spots: dict[str, tuple[float, float]]
    absent: tuple[str, ...]
    strengths: Strengths | None
    records: list[Record]
    warnings: tuple[str, ...]

    @property
    def name(self) -> str:
        """The file's name."""
        return str(self.facts["file"])


def _side(
    plate: Plate, kit: Kit | None, options: Options, first: _Side | None = None, look: Look | None = None
) -> _Side:
    """Account for one file; `first` is the file before it, whose scale a treated one shares."""
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    head = plate.recorded_in[:_HEAD_BYTES]
    originals = frozenset(found.decode() for found in _ORIGINAL.findall(head))
    identity, digests = _digests(plate)
    planned = _planned(plate, profiles.machine, originals, first)
    placed = place(kit, plate) if kit is not None else Placed((), (), ())
    found, missing = found_regions(plate, kit, placed)
    regions = [(one.name, one.hit.selection) for one in found]
    stands = standing(plate, planned.seconds, profiles.machine)
    rates = rates_of(plate, profiles, bed_of(plate))
    base_c = nozzle_base_c(plate, kit)
    per_mm = rates.mm3_per_mm.value
    watch = None if look is None else look.region
    strengths = None
    if found:
        strengths = strengths_of(plate, kit, found, profiles, planned, per_mm, watch=watch, lean=True)
    if look is not None:
        look.side(Seen(plate, kit, profiles, planned, placed, tuple(found), rates, strengths))
    records = region_records(plate, kit, found, strengths, planned, per_mm) if strengths else []
    facts = {
        "file": plate.file,
        "plate": plate.container.plate if plate.container and len(plate.container.plates) > 1 else None,
        "convention": plate.marks.convention,
        "treated": already_treated(head),
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "machine": profiles.machine.name if profiles.machine else None,
        "layers": len(plate.layers),
        "layer_height_mm": round(float(np.median(plate.layers.height_mm)), 4) if len(plate.layers) else None,
        "time_in_file_s": plate.totals.time_s,
        "scaled_by": round(planned.factor, 4),
    }
    return _Side(
        facts=facts,
        identity=identity,
        digests=digests,
        originals=originals,
        planned=replace(planned, seconds=np.empty(0), waits_s=np.empty(0), joint=np.empty(0, np.uint8)),
        stands=stands,
        costs=add_up(plate, planned, regions, stands.extras),
        rates=rates,
        layers=_layer_keys(plate),
        states={
            region: region_state(plate, selection, per_mm, base_c)
            for region, selection in regions
        },
        spots={f"{pose.part}#{pose.instance}": (pose.x_mm, pose.y_mm) for pose in placed.poses},
        absent=placed.absent,
        # What the beads got has the plate's length, and has been told of.
        strengths=None if strengths is None else replace(strengths, got=None),
        records=records,
        warnings=(
            *plate.program.warnings, *plate.warnings, *planned.warnings, *placed.warnings, *missing,
            *off_bed(plate, profiles.machine, placed.poses),
        ),
    )  # fmt: skip


def _digests(plate: Plate) -> tuple[tuple[str, int], frozenset[str]]:
    """Digest of the file with the plate's number, and what a record of ours may name the plate by."""
    whole = digest(plate.render_file())
    if plate.container is None:
        return (whole, 1), frozenset([whole])
    text = digest(plate.render())
    alone = len(plate.container.plates) == 1
    return (whole, plate.container.plate), frozenset([text, whole] if alone else [text])


def _planned(plate: Plate, machine: Machine | None, originals: frozenset[str], first: _Side | None) -> Times:
    """Times of a file, of a treated one by the scale of the first: what it states of itself is the first's.

    A treated file of another origin keeps its own scale where it says all of its limits.
    """
    if first is None or not already_treated(plate.recorded_in):
        return times(plate, machine)
    related = first.digests & originals or originals & first.originals
    if not related and not limits_of(plate, machine).assumed:
        return times(plate, machine)
    planned = times(plate, machine, factor=first.planned.factor)
    if related:
        # What a treatment writes may name limits that the first leaves open; the doubt is the first's.
        planned = replace(planned, source=first.planned.source, band=first.planned.band)
    source = planned.source if planned.factor == 1.0 else planned.source + _ALIKE
    return replace(planned, source=source, warnings=())


def _layer_keys(plate: Plate) -> tuple[LayerKey, ...]:
    """What tells the layers of two plates alike: run, z, thickness, and how many such came before."""
    layers, seen = plate.layers, Counter[tuple[int, float, float]]()
    keys = []
    columns = (layers.run.tolist(), layers.z_mm.tolist(), layers.height_mm.tolist())
    for run, z, height in zip(*columns, strict=True):
        key = (run, round(z, _DECIMALS), round(height, _DECIMALS))
        keys.append((*key, seen[key]))
        seen[key] += 1
    return tuple(keys)


def _compared(before: _Side, after: _Side, kit: Kit | None) -> tuple[Record, list[str]]:
    _expect_parts(kit, before, after)
    sides = _on_one_clock(before, after)
    trusts = [columns_record(one.rates, one.planned.band, one.planned.source) for one in sides]
    tables = [{**costs_record(one.costs, one.rates), "states": one.states} for one in sides]
    less = difference(*tables)
    record: Record = {
        "schema": "beadwright.compare/1",
        "files": {"before": before.facts, "after": after.facts},
        "identical": before.identity == after.identity,
        "after_is_before_treated": bool(before.digests & after.originals),
        "columns": {key: _either(*(trust[key] for trust in trusts)) for key in trusts[0]},
        "regions_overlap": OVERLAPS,
        "totals": {key: _total(key, sides, tables, trusts) for key in trusts[0]},
        "before": tables[0],
        "after": tables[1],
        "difference": {
            **less,
            **_layers_less(sides, tables),
            "states": {
                name: state_difference(state, after.states[name])
                for name, state in before.states.items()
                if name in after.states
            },
        },
    }
    heating = dict.fromkeys(one.stands.source for one in sides if one.stands.source)
    if heating:
        record["heating_source"] = "; ".join(heating)
    if kit is not None:
        record |= {"kit": kit.name, "parts": _parts(before, after)}
        _add_strength(record, before, after)
    return without_nulls(record), _warnings(before, after)


def _expect_parts(kit: Kit | None, *sides: _Side) -> None:
    if kit is None or any(side.spots for side in sides):
        return
    where = "the plate" if len(sides) == 1 else "either plate"
    raise NotFoundOnPlate(
        f"{', '.join(side.name for side in sides)}: no part of kit {kit.name} is on {where} "
        f"(looked for {', '.join(kit.parts)})",
        "Check `found_by` in the kit against `beadwright inspect`, or leave --kit out.",
    )


def _add_strength(record: Record, before: _Side, after: _Side) -> None:
    """Strength of both sides, and what changed; nothing where the material says nothing of it, or differs."""
    if before.strengths is None or after.strengths is None:
        return
    if before.strengths.law.material != after.strengths.law.material:
        return
    record["strength"] = strength_record(before.strengths, before.records, after.strengths, after.records)


def _on_one_clock(before: _Side, after: _Side) -> tuple[_Side, _Side]:
    """Both sides with the columns that both know, and one source where the second shares the first's clock."""
    if any(side.rates.printing_w is None for side in (before, after)):
        before, after = (
            replace(side, rates=replace(side.rates, printing_w=None, heating_w=None))
            for side in (before, after)
        )
    if after.planned.source == before.planned.source + _ALIKE:
        before = replace(before, planned=replace(before.planned, source=after.planned.source))
    return before, after


def _either(a: Record, b: Record) -> Record:
    """The trust in a column of both sides: the wider band."""
    if a == b:
        return a
    source = a["source"] if a["source"] == b["source"] else f"before: {a['source']}; after: {b['source']}"
    return {**a, "low": min(a["low"], b["low"]), "high": max(a["high"], b["high"]), "source": source}


def _total(
    column: str, sides: tuple[_Side, _Side], tables: list[Record], trusts: list[dict[str, Record]]
) -> Record:
    """Estimates of a column's whole: before, after and the difference.

    Where both sides rest on the same, the doubt is shared: they are too low or too high together. Else the ends
    are taken the widest way.
    """
    parts = [
        _parts_of(column, side, table["whole"][column], trust[column])
        for side, table, trust in zip(sides, tables, trusts, strict=True)
    ]
    ends = [_ends(one) for one in parts]
    best = [table["whole"][column] for table in tables]
    result = {
        key: estimate(value, *end, trust[column]["source"], trust[column]["basis"])
        for key, value, end, trust in zip(("before", "after"), best, ends, trusts, strict=True)
    }
    low, high = ends[1][0] - ends[0][1], ends[1][1] - ends[0][0]
    if trusts[0][column] == trusts[1][column]:
        low, high = _shared_ends(*parts)
    trust = _either(trusts[0][column], trusts[1][column])
    result["difference"] = estimate(best[1] - best[0], low, high, trust["source"], trust["basis"])
    return result


Part = tuple[float, float, float]


def _parts_of(column: str, side: _Side, value: float, trust: Record) -> list[Part]:
    """A number as parts with the ends of each as factors: heating up has a band of its own."""
    if column != "time_s":
        return [(value, trust["low"], trust["high"])]
    heating = float(side.costs.whole.heating_s[0])
    return [(value - heating, *side.planned.band), (heating, *side.stands.band)]


def _ends(parts: list[Part]) -> tuple[float, float]:
    pairs = [sorted((value * low, value * high)) for value, low, high in parts]
    return sum(pair[0] for pair in pairs), sum(pair[1] for pair in pairs)


def _shared_ends(before: list[Part], after: list[Part]) -> tuple[float, float]:
    """Ends of a difference whose sides are both low, or both high, together."""
    pairs = [
        sorted((b * low_b - a * low_a, b * high_b - a * high_a))
        for (a, low_a, high_a), (b, low_b, high_b) in zip(before, after, strict=True)
    ]
    return sum(pair[0] for pair in pairs), sum(pair[1] for pair in pairs)


def _layers_less(sides: tuple[_Side, _Side], tables: list[Record]) -> Record:
    """Differences by layer: those of one z and thickness are compared, others stand alone.

    `layers` has columns of one length: z_mm, thickness `height_mm`, `before` and `after` the number of the
    layer in its file (from 1, 0 where it has none), and the columns of the tables.
    """
    numbers = [{key: k + 1 for k, key in enumerate(side.layers)} for side in sides]
    keys = sorted({*numbers[0], *numbers[1]})
    layers: Record = {"z_mm": [key[1] for key in keys], "height_mm": [key[2] for key in keys]}
    for word, number in zip(("before", "after"), numbers, strict=True):
        layers[word] = [number.get(key, 0) for key in keys]
    outside: Record = {}
    for column in tables[0][OUTSIDE]:
        # Number 0 is at the end of these lists, where nothing is spent.
        a, b = ([*table["layers"][column], 0.0] for table in tables)
        pairs = zip(layers["before"], layers["after"], strict=True)
        layers[column] = [b[n - 1] - a[m - 1] for m, n in pairs]
        outside[column] = tables[1][OUTSIDE][column] - tables[0][OUTSIDE][column]
    return {"layers": layers, OUTSIDE: outside}


def _parts(before: _Side, after: _Side) -> Record:
    """Instances in both files, in one only, and those in both that stand elsewhere; parts in neither."""
    both = [name for name in before.spots if name in after.spots]
    far = {name: math.dist(before.spots[name], after.spots[name]) for name in both}
    return {
        "both": both,
        "only_before": [name for name in before.spots if name not in after.spots],
        "only_after": [name for name in after.spots if name not in before.spots],
        "moved": [name for name in both if far[name] > _MOVED_MM],
        "absent": [part for part in before.absent if part in after.absent],
    }


def _warnings(before: _Side, after: _Side) -> list[str]:
    """Sentences that hold for both sides as they are, others with the name of their file."""
    shared = [text for text in before.warnings if text in after.warnings]
    own = [
        text if text.startswith((f"{side.name}:", f"{side.name} (plate")) else f"{side.name}: {text}"
        for side in (before, after)
        for text in side.warnings
        if text not in shared
    ]
    return list(dict.fromkeys([*shared, *own]))
