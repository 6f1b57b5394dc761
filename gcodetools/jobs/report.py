"""The page: everything that is known of one sliced file, or of two held against each other, as data for a browser."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools._version import __version__
from gcodetools.gcode.arrays import give_back
from gcodetools.jobs.apply import Options, read_plate
from gcodetools.jobs.compare import Seen, account_plate, compare_files, compare_plates
from gcodetools.jobs.costs import claimed
from gcodetools.jobs.regions import Found
from gcodetools.jobs.strengths import beads_got
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.physics.timing import layer_seconds
from gcodetools.records import dataclass
from gcodetools.report.differing import differences
from gcodetools.report.packing import FAST, Packed, packed
from gcodetools.report.pagedata import (
    UNKNOWN_AGE,
    UNKNOWN_BOND,
    Claims,
    age_numbers,
    bond_numbers,
    layers_of,
    unit_of,
)
from gcodetools.report.strips import Ages, Strip, layer_ages, strip_of
from gcodetools.report.thinning import MOST, coarser, thinned, words
from gcodetools.report.traces import Course, course_of
from gcodetools.strength.law import Law
from gcodetools.strength.pieces import Instance
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.rows import RowWelds, row_welds
from gcodetools.strength.sentences import CAUTIONS
from gcodetools.strength.spreads import Draws
from gcodetools.strength.welds import LayerWelds
from gcodetools.toolpath.beads import FEATURES
from gcodetools.toolpath.plate import Plate

__all__ = ["report_files", "report_plates", "summary"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Record = dict[str, Any]
Progress = Callable[[str], None]

_SIDES = ("before", "after")
_HATCHES = 6
_MOST_BYTES = 14_500_000  # of the whole page; 15 MB is promised
_PAGE_BYTES = 250_000  # of what is no data: markup, script, style
_CLAIMED_ROWS = 1 << 18
_DECIMALS = 3
_TAKEN = ("kit", "parts", "absent", "identical", "after_is_before_treated")


def _silent(stage: str) -> None:
    """No progress."""


def report_files(
    path: Path, against: Path | None, options: Options, progress: Progress = _silent
) -> tuple[Record, list[str]]:
    """The page's data of a file, held against another if there is one, and warnings.

    The file's plate is let go before the other is read; of each, points are kept as they are packed.

    Raises
    ------
    InputError : a file or a kit is unreadable or invalid. NotFoundOnPlate : no part of the kit on the plates.
    """
    kit = load_kits(options.kits) if options.kits else None
    collected = _Collected(progress)
    if against is None:
        record, warnings = account_plate(read_plate(path, number=options.plate), kit, options, collected)
    else:
        record, warnings = compare_files(against, path, options, collected)
    give_back()
    progress("packing layers")
    return _data(record, collected, warnings), warnings


def report_plates(
    after: Plate, before: Plate | None, kit: Kit | None, options: Options
) -> tuple[Record, list[str]]:
    """The same of plates that are read already.

    Raises
    ------
    InputError, NotFoundOnPlate : as `report_files`.
    """
    collected = _Collected()
    if before is None:
        record, warnings = account_plate(after, kit, options, collected)
    else:
        record, warnings = compare_plates(before, after, kit, options, collected)
    return _data(record, collected, warnings), warnings


def summary(data: Record) -> Record:
    """What a page is of, for the record that `--json` prints."""
    last = data["sides"][-1]
    return {
        "schema": "beadwright.page/1",
        **{key: data[key] for key in ("file", "against", "kit", "material", "machine") if key in data},
        "layers": len(last["layers"]["z_mm"]),
        "beads": sum(last["layers"]["beads"]),
        "regions": [one["key"] for one in data["regions"]],
        **({"thinned": data["thinned"]} if data["thinned"] else {}),
    }


@dataclass(slots=True)
class _Side:
    """What the page keeps of a side.

    marked : the file says what its beads are. keys : height and thickness of each layer. strips, plate_layers : by
    instance, the latter by layers of the instance, from 1.
    """

    points: Packed
    unit_mm: float
    marked: bool
    keys: list[tuple[float, float]]
    layers: Record
    strips: dict[str, Strip]
    plate_layers: dict[str, I8]
    trace: Record


@dataclass(frozen=True, slots=True)
class _Rows:
    """Welds of a region by row, columns (k,): row ascending, age and bond as in `Points`."""

    row: NDArray[np.int32]
    age: NDArray[np.uint16]
    bond: NDArray[np.uint8]

    @classmethod
    def of(cls, welds: RowWelds) -> _Rows:
        return cls(welds.row.astype(np.int32), age_numbers(welds.age_s), bond_numbers(welds.bond))


@dataclass(slots=True)
class _Told:
    """What is gathered of one instance's regions while it is worked out."""

    owner: str = ""
    welds: list[LayerWelds] = field(default_factory=list)
    ages: list[Ages] = field(default_factory=list)


class _Collected:
    """Looks at each side and keeps what the page shows of it.

    sides : in the order of looking. regions, instances : by their names, those of the last side that has them.
    numbers : of both, in the order in which they were met first.
    """

    def __init__(self, progress: Progress = _silent) -> None:
        self.progress = progress
        self.sides: list[_Side] = []
        self.regions: dict[str, Record] = {}
        self.instances: dict[str, Record] = {}
        self.law: Law | None = None
        self._told = _Told()
        self._strips: dict[str, Strip] = {}
        self._rows: dict[str, _Rows] = {}

    def region(
        self, found: Found, instance: Instance, within: Bool, strength: RegionStrength, law: Law
    ) -> None:
        """Keep a region's welds, bead by bead and layer by layer."""
        if self.law is None or self.law.material != law.material:
            self.law = Law(law.material, Draws(count=0))
        wall = None if strength.wall is None else strength.wall.thickness_mm.median
        self.progress(f"welds of {found.name}")
        self._rows[found.name] = _Rows.of(row_welds(instance, within, self.law, wall))
        if _owner(found.pose) != self._told.owner:
            self._end_instance()
            self._told = _Told(_owner(found.pose))
        self._told.welds.append(strength.welds)
        self._told.ages.append(layer_ages(instance, within))

    def _end_instance(self) -> None:
        """Put the regions of an instance together: their draws are large."""
        told, healed = self._told, self.law is not None and self.law.weld is not None
        if told.welds:
            self._strips[told.owner] = strip_of(told.welds, told.ages, healed)

    def side(self, seen: Seen) -> None:
        """Keep a side's beads, layers and traces."""
        plate, per_mm = seen.plate, seen.rates.mm3_per_mm.value
        poses = {_owner(pose): pose for pose in seen.placed.poses}
        for name, pose in poses.items():
            self.instances[name] = _instance_record(name, pose, plate)
        for one in seen.found:
            self.regions.setdefault(one.name, {})
            self.regions[one.name] = _region_record(one, plate)
        got = seen.strengths.got if seen.strengths is not None else None
        if got is None:
            got, _ = beads_got(plate, seen.kit, seen.profiles, seen.planned, per_mm)
        names = list(self.instances)
        numbered = [(names.index(name), pose.rows) for name, pose in poses.items()]
        unit = unit_of(plate)
        self._end_instance()
        self.sides.append(
            _Side(
                points=packed(layers_of(plate, got, self._claims(seen), numbered, per_mm, unit)),
                unit_mm=unit,
                marked=plate.beads.source == "comments",
                keys=[(round(z, _DECIMALS), round(h, _DECIMALS)) for z, h in _heights(plate)],
                layers=_layers_record(seen),
                strips=self._strips,
                plate_layers={name: _plate_layers(pose, plate) for name, pose in poses.items()},
                trace=_trace_record(course_of(plate, got)),
            )
        )
        self._told, self._strips, self._rows = _Told(), {}, {}

    def _claims(self, seen: Seen) -> Claims:
        """Stretches of the regions, with the welds of their beads."""
        count = len(seen.plate.moves)
        parts = [
            self._claims_in(seen.found, low, min(low + _CLAIMED_ROWS, count))
            for low in range(0, max(count, 1), _CLAIMED_ROWS)
        ]
        return Claims(*(np.concatenate([getattr(one, f.name) for one in parts]) for f in fields(Claims)))

    def _claims_in(self, found: Sequence[Found], low: int, high: int) -> Claims:
        """Those of the rows [low, high)."""
        row, t0, t1, own = claimed([one.hit.selection for one in found], low, high)
        order = np.lexsort((t0, row))
        row, own = row[order].astype(np.int32), own[order]
        owner = np.zeros(len(row), np.int32)
        age, bond = np.full(len(row), UNKNOWN_AGE, np.uint16), np.full(len(row), UNKNOWN_BOND, np.uint8)
        names = {name: k for k, name in enumerate(self.regions)}
        for k in np.unique(own).tolist():
            mine = np.flatnonzero(own == k)
            owner[mine] = names[found[k].name]
            welds = self._rows.get(found[k].name)
            if welds is None or len(welds.row) == 0:
                continue
            at = np.minimum(np.searchsorted(welds.row, row[mine]), len(welds.row) - 1)
            known = welds.row[at] == row[mine]
            mine, at = mine[known], at[known]
            age[mine], bond[mine] = welds.age[at], welds.bond[at]
        return Claims(row, t0[order], t1[order], owner, age, bond)


def _owner(pose: Pose) -> str:
    return f"{pose.part}#{pose.instance}"


def _heights(plate: Plate) -> list[tuple[float, float]]:
    return list(zip(plate.layers.z_mm.tolist(), plate.layers.height_mm.tolist(), strict=True))


def _plate_layers(pose: Pose, plate: Plate) -> I8:
    """Layer of the plate, from 0, of each layer of an instance, from 1; -1 where it has none."""
    result = np.full(int(pose.layer.max(initial=0)) + 1, -1, np.int64)
    result[pose.layer] = plate.beads.layer[pose.rows]
    return result


def _instance_record(name: str, pose: Pose, plate: Plate) -> Record:
    layers = plate.beads.layer[pose.rows]
    return {
        "key": name,
        "part": pose.part,
        "instance": pose.instance,
        **({} if pose.label is None else {"label": pose.label}),
        "x_mm": round(pose.x_mm, 4),
        "y_mm": round(pose.y_mm, 4),
        "turn_deg": round(pose.turn_deg, 3),
        "scale": round(pose.scale, 5),
        "mirrored": pose.mirrored,
        "z_mm": round(pose.z_mm, 4),
        "first_layer": int(layers.min()),
        "last_layer": int(layers.max()),
    }


def _region_record(one: Found, plate: Plate) -> Record:
    hit = one.hit
    layers = plate.beads.layer[hit.selection.row]
    return {
        "key": one.name,
        "part": hit.part,
        "instance": hit.instance,
        "region": hit.region,
        "role": hit.role,
        "layers": list(hit.layers),
        "plate_layers": [int(layers.min()), int(layers.max())],
        "z_mm": [round(z, _DECIMALS) for z in hit.z_mm],
    }


def _layers_record(seen: Seen) -> Record:
    plate = seen.plate
    layer = plate.beads.layer[plate.beads.is_bead]
    beads = np.bincount(layer[layer >= 0], minlength=len(plate.layers))
    return {
        "z_mm": _listed(plate.layers.z_mm),
        "height_mm": _listed(plate.layers.height_mm),
        "time_s": _listed(layer_seconds(plate, seen.planned), 2),
        "beads": beads.tolist(),
    }


def _trace_record(course: Course) -> Record:
    return {
        "t_s": _listed(course.t_s, 1),
        "told_c": _listed(course.told_c, 1),
        "reached_c": _listed(course.reached_c, 1),
        "fan_told": _listed(course.fan_told),
        "fan": _listed(course.fan),
        "layer": course.layer.tolist(),
        "thinned": round(course.thinned, 2),
        **({"tool": course.tool.tolist()} if len(np.unique(course.tool)) > 1 else {}),
    }


def _listed(column: F8, decimals: int = _DECIMALS) -> list[float | None]:
    """Rounded; None where nobody knows."""
    return [None if value != value else round(value, decimals) for value in column.tolist()]


def _titled(facts: Record) -> str:
    name = Path(facts["file"]).name
    return f"{name} (plate {facts['plate']})" if "plate" in facts else name


def _data(record: Record, collected: _Collected, warnings: Sequence[str]) -> Record:
    """The page's data."""
    sides, names = collected.sides, _SIDES[-len(collected.sides) :]
    # A page goes to others, whom the maker's folders do not concern.
    facts = {key: {**one, "file": _titled(one)} for key, one in record["files"].items()}
    strength = record.get("strength")
    data: Record = {
        "schema": "beadwright.report/1",
        "version": __version__,
        "file": facts["after"]["file"],
        **({"against": facts["before"]["file"]} if "before" in facts else {}),
        **{key: record[key] for key in _TAKEN if key in record},
        "material": facts["after"]["material"],
        **({"machine": facts["after"]["machine"]} if "machine" in facts["after"] else {}),
        "files": facts,
        "features": list(FEATURES),
        "regions": _hatched(list(collected.regions.values())),
        "instances": list(collected.instances.values()),
        "costs": _costs(record, names),
        "columns": record["columns"],
        "totals": record["totals"],
        "strip": _strips(collected, names),
        "trace": {name: side.trace for name, side in zip(names, sides, strict=True)},
        "warnings": list(dict.fromkeys(warnings)),
        "cautions": list(CAUTIONS),
    }
    if strength is not None:
        data["records"] = {key: strength[key] for key in (*names, "change") if key in strength}
        data["draws"] = strength["draws"]
        first: Record = next(iter(strength["after"]), {})
        data["endings"] = {
            key: first[key] for key in ("rests_on", "side_effects", "check_it") if key in first
        }
    _pack(data, collected, names)
    return data


def _hatched(regions: list[Record]) -> list[Record]:
    """Regions with a number for their hatch: those of one part differ."""
    order: dict[str, list[str]] = {}
    for one in regions:
        of_part = order.setdefault(one["part"], [])
        if one["region"] not in of_part:
            of_part.append(one["region"])
    return [{**one, "hatch": order[one["part"]].index(one["region"]) % _HATCHES} for one in regions]


def _costs(record: Record, names: Sequence[str]) -> Record:
    tables = ("whole", "features", "regions")
    costs = {name: {table: record[name][table] for table in tables} for name in names}
    if "difference" in record:
        costs["added"] = {table: record["difference"][table] for table in tables}
    return costs


def _strips(collected: _Collected, names: Sequence[str]) -> Record:
    """Every layer of each instance by its height, with what its regions bear there on each side."""
    result: Record = {}
    for name in collected.instances:
        heights: dict[float, int] = {}
        for side in collected.sides:
            numbers = side.plate_layers.get(name, np.empty(0, np.int64))
            heights |= {side.keys[k][0]: k for k in numbers[numbers >= 0].tolist()}
        order = sorted(heights)
        one: Record = {"z_mm": order, "layer": [heights[z] for z in order]}
        one["regions"] = [
            {"key": region["key"], "z_mm": region["z_mm"], "plate_layers": region["plate_layers"]}
            for region in collected.regions.values()
            if f"{region['part']}#{region['instance']}" == name
        ]
        for word, side in zip(names, collected.sides, strict=True):
            if name in side.strips:
                one[word] = _strip_record(side, name, order)
        result[name] = one
    return result


def _strip_record(side: _Side, name: str, order: list[float]) -> Record:
    strip, numbers = side.strips[name], side.plate_layers[name]
    at = {side.keys[int(numbers[layer])][0]: k for k, layer in enumerate(strip.layer.tolist())}
    index = np.array([at.get(z, -1) for z in order], np.int64)

    def along(column: F8, decimals: int) -> list[float | None]:
        return _listed(np.append(column, np.nan)[index], decimals)

    bands = {
        key: {end: along(column, 4) for end, column in zip(("low", "best", "high"), columns, strict=True)}
        for key, columns in (("bond", strip.bond), ("strength_mpa", strip.strength_mpa))
        if not np.all(np.isnan(columns))
    }
    return {**bands, "age_s": along(strip.age_s, 2)}


def _pack(data: Record, collected: _Collected, names: Sequence[str]) -> None:
    """Add the sides, thinned until the page is small enough."""
    packs = _alike(collected.sides)
    room = _MOST_BYTES - _PAGE_BYTES - len(json.dumps(data, ensure_ascii=True))
    step = 0
    while sum(len(text) for one in packs for _, _, text in one.chunks) > room and step < MOST:
        step += 1
        packs = [packed(thinned(layer, step, k) for k, layer in enumerate(one.each())) for one in packs]
    data["sides"] = [
        {
            "name": name,
            "file": data["files"][name]["file"],
            "bounds": _bounds(pack, side.unit_mm),
            "unit_mm": side.unit_mm,
            "points": pack.points,
            "layers": side.layers,
            "chunks": pack.chunks,
        }
        for name, side, pack in zip(names, collected.sides, packs, strict=True)
    ]
    data["thinned"] = f"To keep this page small: {'; '.join(words(step))}." if step else None


def _alike(sides: Sequence[_Side]) -> list[Packed]:
    """Points of the sides in one unit, what one has alone marked."""
    unit = max(side.unit_mm for side in sides)
    for side in sides:
        while side.unit_mm < unit:
            side.points = packed(map(coarser, side.points.each()), FAST)
            side.unit_mm *= 2
    if len(sides) == 2:
        first, second = sides
        numbers = [_numbers(side.keys) for side in sides]
        same = {k: numbers[1][key] for key, k in numbers[0].items() if key in numbers[1]}
        marked = first.marked and second.marked
        return [packed(layers) for layers in differences(first.points, second.points, same, unit, marked)]
    return [side.points for side in sides]


def _numbers(keys: list[tuple[float, float]]) -> dict[tuple[float, float, int], int]:
    """Layers by height, thickness and how many such came before."""
    seen: Counter[tuple[float, float]] = Counter()
    result = {}
    for k, key in enumerate(keys):
        result[(*key, seen[key])] = k
        seen[key] += 1
    return result


def _bounds(points: Packed, unit_mm: float) -> list[float]:
    if points.low is None or points.high is None:
        return [0.0, 0.0, 1.0, 1.0]
    return [round(float(end) * unit_mm, _DECIMALS) for end in (*points.low, *points.high)]
