"""From read files to what a plot draws: a layer's beads, a part's height, a print's course."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from gcodetools.errors import InputError, UsageError
from gcodetools.jobs.estimate import require_strength
from gcodetools.jobs.plot_sides import Side, layer_of, pose_named, same_layer
from gcodetools.jobs.records import counted
from gcodetools.jobs.regions import Found
from gcodetools.jobs.strengths import beads_got, strengths_of
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import Selection
from gcodetools.report.layer_values import beads_of, feed_mm_s, of_rows, rate_mm3_s, unmatched
from gcodetools.report.plot_data import (
    LAYER_QUANTITIES,
    STRIP_QUANTITIES,
    Box,
    LayerBeads,
    LayerPlot,
    LayerSide,
    StripCourse,
    StripPlot,
    StripRegion,
    TracePlot,
    TraceSide,
)
from gcodetools.report.strokes import GONE, NEW
from gcodetools.strength.got import Got
from gcodetools.strength.law import Law
from gcodetools.strength.pieces import Instance, instance_of
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.rows import row_welds
from gcodetools.strength.sentences import rests_on
from gcodetools.strength.spreads import COVERAGE, Draws
from gcodetools.strength.welds import LayerWelds

__all__ = ["layer_plot", "strip_plot", "trace_plot"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
Layers = tuple[int, int]

_MARGIN_MM = 0.8
_BIN_MM = 0.25
_PLACES = ((-0.4, -0.2), (-0.2, 0.4), (0.0, 0.0), (0.2, -0.4), (0.4, 0.2))
_ONE_VISIT_S = 1.0
_ENDS = (50.0 * (1.0 - COVERAGE), 50.0 * (1.0 + COVERAGE))


def layer_plot(sides: Sequence[Side], number: int, named: str | None, quantity: str) -> LayerPlot:
    """One layer. number : from 1, of the instance `named` or else of the last side's plate.

    Raises
    ------
    UsageError : no such layer or instance, or a quantity that needs more than was given. InputError : the other file
    has no layer there, or the material says nothing of welds.
    """
    _expect_given(sides, quantity)
    last = sides[-1]
    pose = pose_named(last, named, least=False)
    index, _ = layer_of(last, pose, number)
    panels = []
    names = tuple(dict.fromkeys(_region_name(one, pose) for side in sides for one in side.of(pose)))
    for side in sides:
        own = pose if side is last else pose_named(side, named, least=False)
        same = number if pose is not None or side is last else same_layer(last, index, side)
        at, rows = layer_of(side, own, same)
        panels.append(LayerSide(side.name, _layer_beads(side, own, at, rows, names, quantity)))
    if quantity == "change":
        before, after = (panel.beads for panel in panels)
        panels = [
            replace(panels[0], beads=unmatched(before, after, GONE)),
            replace(panels[1], beads=unmatched(after, before, NEW)),
        ]
    z = float(last.plate.layers.z_mm[index])
    height = z - pose.z_mm if pose is not None else z
    whose = "" if pose is None else f"{pose.part}#{pose.instance}, "
    count = len(last.plate.layers) if pose is None else pose.layers
    return LayerPlot(
        title=f"{whose}layer {number} of {count}",
        subtitle=f"{_files(sides)}, top at {height:.2f} mm",
        quantity=LAYER_QUANTITIES[quantity],
        sides=tuple(panels),
        box=_box(panels),
        regions=names,
        note=_layer_note(last, quantity),
    )


def _layer_note(side: Side, quantity: str) -> str:
    """What a modelled quantity rests on."""
    if quantity == "bond":
        return f"best estimate, modelled; {rests_on(Law(side.profiles.material, Draws(0)))}"
    if quantity == "nozzle":
        machine = side.profiles.machine
        return f"modelled; heating of {'a plain machine, none is named' if machine is None else machine.name}"
    return f"modelled; times: {side.planned.source}" if quantity == "age" else ""


def _expect_given(sides: Sequence[Side], quantity: str) -> None:
    if quantity == "change" and len(sides) < 2:
        raise UsageError("--quantity change: no other file to hold it against", "Name one with --against.")
    if quantity in ("age", "bond") and sides[-1].kit is None:
        raise UsageError(f"--quantity {quantity}: no kit, so no part to look at", "Name one with --kit.")
    if quantity == "bond":
        for side in sides:
            require_strength(side.profiles)
            material = side.profiles.material
            if material.bond is None or material.bond.weld is None:
                raise InputError(
                    f"material {material.name}: no key `bond.weld`, expected a weld model for --quantity bond",
                    "Plot --quantity nozzle or age instead, or name another --material.",
                )


def _region_name(one: Found, pose: Pose | None) -> str:
    return one.hit.region if pose is not None else f"{one.hit.part}/{one.hit.region}"


def _files(sides: Sequence[Side]) -> str:
    names = [PurePath(side.file).name for side in sides]
    return names[0] if len(names) == 1 else f"{names[0]} and {names[1]}"


def _box(panels: Sequence[LayerSide]) -> Box:
    bounds = np.array([panel.beads.bounds for panel in panels])
    low, high = bounds[:, :2].min(axis=0) - _MARGIN_MM, bounds[:, 2:].max(axis=0) + _MARGIN_MM
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _layer_beads(
    side: Side, pose: Pose | None, index: int, rows: I8, names: tuple[str, ...], quantity: str
) -> LayerBeads:
    found = [one for one in side.of(pose) if _meets(side, one, index)]
    beads = beads_of(side.plate, rows, [one.hit.selection for one in found], fine=quantity == "change")
    number = np.array([names.index(_region_name(one, pose)) for one in found] + [-1], np.int32)
    beads = replace(beads, region=number[beads.region])
    if quantity == "feed":
        return replace(beads, value=feed_mm_s(side.plate, beads.row))
    if quantity == "rate":
        return replace(beads, value=rate_mm3_s(side.plate, beads.row, side.mm3_per_mm))
    if quantity == "nozzle":
        got, _ = beads_got(side.plate, side.kit, side.profiles, side.planned, side.mm3_per_mm)
        return replace(beads, value=got.at(beads.row)[0])
    if quantity == "age":
        known, age = _ages(side, pose, index)
        return replace(beads, value=of_rows(beads.row, known, age))
    if quantity == "bond":
        told = _bonds(side, found, index)
        value = np.full(len(beads), np.nan)
        for one in found:
            mine = beads.region == names.index(_region_name(one, pose))
            of_one = of_rows(beads.row, *told.get(one.name, (np.empty(0, np.int64), np.empty(0))))
            mine &= ~np.isnan(of_one)
            value[mine] = 100.0 * of_one[mine]
        return replace(beads, value=value)
    return beads


def _meets(side: Side, one: Found, index: int) -> bool:
    return bool(np.any(side.plate.beads.layer[one.hit.selection.row] == index))


def _ages(side: Side, pose: Pose | None, index: int) -> tuple[I8, F8]:
    """Rows of all instances' (or the one's) beads in a layer, and the age of what lies below each, s."""
    got, _ = beads_got(side.plate, side.kit, side.profiles, side.planned, side.mm3_per_mm)
    parts = []
    for one in (pose,) if pose is not None else side.placed.poses:
        rows = one.rows[side.plate.beads.layer[one.rows] == index].astype(np.int64)
        if len(rows):
            whole = Selection(rows, np.zeros(len(rows)), np.ones(len(rows)))
            parts.append(_age_by_row(instance_of(side.plate, one, [whole], got)))
    return _together(parts)


def _age_by_row(instance: Instance) -> tuple[I8, F8]:
    """Means by length over the pieces that lie on something."""
    within = instance.within[0]
    age = instance.lies_on(within).age_s
    row, length = instance.samples.row[within], instance.samples.length_mm[within]
    known = ~np.isnan(age)
    rows, member = np.unique(row[known], return_inverse=True)
    return rows, np.bincount(member, (age * length)[known]) / np.bincount(member, length[known])


def _together(parts: Sequence[tuple[I8, F8]]) -> tuple[I8, F8]:
    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    row, value = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    order = np.argsort(row, kind="stable")
    return row[order], value[order]


def _bonds(side: Side, found: Sequence[Found], index: int) -> dict[str, tuple[I8, F8]]:
    """Of each region its rows in a layer, and how far the weld below each has healed."""
    told: dict[str, tuple[I8, F8]] = {}

    def watch(one: Found, instance: Instance, within: Bool, strength: RegionStrength, law: Law) -> None:
        here = within & (instance.samples.layer == index)
        wall = None if strength.wall is None else strength.wall.thickness_mm.median
        welds = row_welds(instance, here, law, wall)
        told[one.name] = (welds.row, welds.bond)

    strengths_of(side.plate, side.kit, found, side.profiles, side.planned, side.mm3_per_mm, Draws(0), watch)
    return told


def strip_plot(
    sides: Sequence[Side], named: str | None, quantity: str, layers: Layers | None
) -> tuple[StripPlot, Pose]:
    """An instance along its height, and which it is. layers : those of its layers that are shown; None for all.

    Raises
    ------
    UsageError : no such instance or layers. NotFoundOnPlate : no region meets a bead. InputError : the material says
    nothing of its strength.
    """
    for side in sides:
        require_strength(side.profiles)
    last = sides[-1]
    if last.kit is None:
        raise UsageError("--strip: no kit, so no region to look at", "Name one with --kit.")
    pose = pose_named(last, named, least=True)
    assert pose is not None
    span = _span(layers, pose.layers, f"{pose.part}#{pose.instance}")
    courses: dict[str, dict[str, StripCourse]] = {}
    rests, arms = "", False
    for side in sides:
        own = pose_named(side, f"{pose.part}#{pose.instance}", least=True)
        assert own is not None
        strengths = strengths_of(
            side.plate, side.kit, side.of(own), side.profiles, side.planned, side.mm3_per_mm
        )
        assert strengths is not None
        rests = rests_on(strengths.law)
        z = _layer_tops(side, own)
        arms |= any(one.arm is not None for one in strengths.regions)
        for one in strengths.regions:
            course = _course(one, z, quantity, span)
            courses.setdefault(one.hit.region, {})[side.name] = course
    regions = tuple(
        StripRegion(one.hit.region, one.hit.z_mm, courses[one.hit.region])
        for one in last.of(pose)
        if one.hit.region in courses
    )
    shadow, x, z = _shadow(last, pose, span)
    return StripPlot(
        title=f"{pose.part}#{pose.instance} along its height",
        subtitle=_files(sides),
        quantity=STRIP_QUANTITIES[quantity],
        regions=regions,
        shadow=shadow,
        x_mm=x,
        z_mm=z,
        first_layer=span[0],
        note="; ".join(
            [f"bands hold 9 of 10 of {Draws().count} draws (modelled)", rests, *_doubts(regions, arms)]
        ),
    ), pose


def _doubts(regions: Sequence[StripRegion], arms: bool) -> list[str]:
    """What the courses alone do not tell."""
    found = []
    if any(np.any(course.open) for region in regions for course in region.courses.values()):
        found.append("marks at 0: layers over sparse fill or air, which count as no strength")
    if arms:
        found.append("an arm that bends bears less than its layers: `beadwright estimate` tells")
    return found


def _span(layers: Layers | None, count: int, whose: str) -> Layers:
    if layers is None:
        return 1, count
    if not 1 <= layers[0] <= layers[1] <= count:
        raise UsageError(
            f"--layers {layers[0]}-{layers[1]}: {whose} has {counted(count, 'layer')}", f"Give 1-{count}."
        )
    return layers


def _layer_tops(side: Side, pose: Pose) -> F8:
    """(layers + 1,) nozzle height of each layer of an instance over its bottom, mm; layer 0 is its bottom."""
    tops = np.zeros(pose.layers + 1)
    mine = pose.layer > 0
    np.maximum.at(tops, pose.layer[mine], side.plate.layers.z_mm[side.plate.beads.layer[pose.rows[mine]]])
    tops[1:] -= pose.z_mm
    return np.maximum.accumulate(tops)


def _course(one: RegionStrength, tops: F8, quantity: str, span: Layers) -> StripCourse:
    first, last = max(one.hit.layers[0], span[0]), min(one.hit.layers[1], span[1])
    layer = np.arange(first, last + 1, dtype=np.int32)
    low, best, high = (np.full(len(layer), np.nan) for _ in range(3))
    welds = one.welds
    inside = np.flatnonzero((welds.layer >= first) & (welds.layer <= last))
    at = welds.layer[inside] - first
    draws = _draws(welds, quantity)[:, inside]
    if draws.size:
        ends = np.percentile(draws[1:], _ENDS, axis=0)
        low[at], best[at], high[at] = (
            np.minimum(ends[0], draws[0]),
            draws[0],
            np.maximum(ends[1], draws[0]),
        )
    return StripCourse(layer, tops[layer], low, best, high, np.isin(layer, welds.transition))


def _draws(welds: LayerWelds, quantity: str) -> F8:
    """(1 + d, k) what each layer bears over the whole area of its beads, MPa; or how far it has healed, %."""
    if quantity == "bond":
        return 100.0 * welds.bond.draws
    return welds.strength_mpa.draws * welds.contact


def _shadow(side: Side, pose: Pose, span: Layers) -> tuple[F8, F8, F8]:
    """Plastic of each layer seen along the part's shorter way, and the edges of bins and layers."""
    beads = beads_of(side.plate, pose.rows[pose.layer > 0].astype(np.int64), (), fine=True)
    own = of_rows(beads.row, pose.rows.astype(np.int64), pose.layer.astype(np.float64))
    middle, way = (beads.begin + beads.end) / 2, beads.end - beads.begin
    # Places across and along each piece, so that bins are filled evenly.
    across = np.column_stack([-way[:, 1], way[:, 0]]) / np.maximum(np.hypot(*way.T), 1e-12)[:, None]
    places = [middle + a * way + b * beads.width_mm[:, None] * across for a, b in _PLACES]
    ways = pose.to_part(*np.concatenate(places).T)
    x = ways[0] if np.ptp(ways[0]) >= np.ptp(ways[1]) else ways[1]
    low = np.floor((x.min() - 0.5) / _BIN_MM) * _BIN_MM
    edges = np.arange(low, x.max() + 0.5 + _BIN_MM, _BIN_MM)
    numbers = np.arange(span[0], span[1] + 2) - 0.5
    volume = beads.length_mm * beads.width_mm * beads.height_mm / len(_PLACES)
    many = len(_PLACES)
    shadow, _, _ = np.histogram2d(np.tile(own, many), x, bins=(numbers, edges), weights=np.tile(volume, many))
    tops = _layer_tops(side, pose)
    return shadow, edges, tops[span[0] - 1 : span[1] + 1]


def trace_plot(sides: Sequence[Side], named: str | None, layers: Layers | None) -> TracePlot:
    """Nozzle and fan over time. named : whose visits are marked; None for all instances'. layers : of the instance, or
    of the plate, that are shown; None for all.

    Raises
    ------
    UsageError : no such instance or layers.
    """
    last = sides[-1]
    pose = pose_named(last, named, least=False)
    shown, heating = [], ""
    for side in sides:
        own = pose if side is last else pose_named(side, named, least=False)
        got, heating = beads_got(side.plate, side.kit, side.profiles, side.planned, side.mm3_per_mm)
        shown.append(_trace_side(side, own, got, layers))
    whose = "" if pose is None else f", visits of {pose.part}#{pose.instance}"
    part = "" if layers is None else f", layers {layers[0]} to {layers[1]}"
    return TracePlot(
        title=f"Nozzle and fan over time{part}",
        subtitle=f"{_files(sides)}{whose}",
        sides=tuple(shown),
        since="the file" if layers is None else f"layer {layers[0]}",
        note=f"reached: modelled; {heating}",
    )


def _trace_side(side: Side, pose: Pose | None, got: Got, layers: Layers | None) -> TraceSide:
    plate, row = side.plate, got.row
    found = side.of(pose)
    first, last = 0, len(plate.moves) - 1
    if layers is not None:
        whose = side.file if pose is None else f"{pose.part}#{pose.instance}"
        span = _span(layers, len(plate.layers) if pose is None else pose.layers, whose)
        (low, _), (high, _) = (layer_of(side, pose, number) for number in span)
        first, last = int(plate.layers.first_row[low]), int(plate.layers.last_row[high]) - 1
    keep = (row >= first) & (row <= last)
    rows = np.unique(np.concatenate([one.hit.selection.row for one in found] or [np.empty(0, np.int64)]))
    rows = rows[(rows >= first) & (rows <= last)]
    row = row[keep]
    begin = float(got.begin_s[first]) if layers is not None else 0.0
    return TraceSide(
        name=side.name,
        t_s=got.begin_s[row] - begin,
        told_c=got.told_c[keep],
        reached_c=got.nozzle_c[keep],
        fan_told=np.nan_to_num(plate.program.states.fan.at(plate.moves.line[row])),
        fan=got.fan[keep],
        row=row,
        visits=_visits(got.begin_s[rows] - begin, got.begin_s[rows + 1] - begin),
        begin_s=begin,
    )


def _visits(begin: F8, end: F8) -> F8:
    """Spans that lie less than a second apart as one, (v, 2)."""
    if len(begin) == 0:
        return np.empty((0, 2))
    starts = np.concatenate([[True], begin[1:] - end[:-1] > _ONE_VISIT_S])
    return np.column_stack([begin[starts], end[np.append(starts[1:], True)]])
