"""The order in which a kit's settings act, and which of them are built."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from msgspec.structs import FieldInfo, fields
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft, cuttable
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.settings import Treatment
from gcodetools.physics.timing import Times
from gcodetools.toolpath.plate import Plate
from gcodetools.treat import accel, fan, flow, nozzle, rest, speed
from gcodetools.treat.asks import Ask
from gcodetools.treat.clock import Clock, clock_of
from gcodetools.treat.geometry import GEOMETRY, plan_geometry
from gcodetools.treat.reached import Schedule
from gcodetools.treat.schedule import settle
from gcodetools.treat.target import Bounds, Done, Target

__all__ = ["BUILT", "GEOMETRY", "Work", "draft_of", "settled", "wanted_of"]

# In this order within a region; a new treatment is a file beside and a line here.
BUILT: dict[str, Callable[[Draft, Target, Any], Sequence[Done | Ask]]] = {
    "speed": speed.treat,
    "flow": flow.treat,
    "accel": accel.treat,
    "rest": rest.treat,
    "nozzle": nozzle.treat,
    "fan": fan.treat,
}
_ON_BEADS = ("speed", "flow", "accel")

Work = tuple[RegionHit, Pose, Treatment, str]


def draft_of(
    plate: Plate,
    work: list[Work],
    bounds: Bounds,
    layer_s: NDArray[np.float64],
    base: tuple[float, float],
    planned: Times | None = None,
    poses: tuple[Pose, ...] = (),
    bed_kept: bool = False,
) -> tuple[Draft, list[Done], Schedule]:
    """A Draft that holds what the regions' treatments want, what became of each, and what nozzle and fan reach.

    Parameters
    ----------
    planned : how long the plate takes, worked out where it is asked for and None. poses : of all instances.
    The others : see `wanted_of`.

    Raises
    ------
    Refused : a temperature outside the allowed range.
    """
    draft, results = wanted_of(plate, work, bounds, layer_s, base, bed_kept)
    clock = None if planned is None else clock_of(draft, planned)
    return draft, *settled(draft, results, bounds, clock, poses)


def wanted_of(
    plate: Plate,
    work: list[Work],
    bounds: Bounds,
    layer_s: NDArray[np.float64],
    base: tuple[float, float],
    bed_kept: bool = False,
) -> tuple[Draft, list[Done | Ask]]:
    """A Draft that holds what the regions' treatments want, but for when nozzle and fan are told; and what became of
    each, or is asked.

    Parameters
    ----------
    work : (hit, pose, treatment, beads) in the order of the kit: the region written first wins.
    layer_s : (layers,) seconds of each plate layer.
    base : nozzle (C) and fan (fraction) before the file's first command, NaN if unknown.
    bed_kept : see `Draft`.

    Raises
    ------
    Refused : a temperature outside the allowed range.
    """
    cut_row, cut_t = _cuts(plate, work)
    geometry = plan_geometry(plate, work, bounds)
    draft = Draft.of(plate, cut_row, cut_t, geometry.cuts)
    draft.base_nozzle_c, draft.base_fan = base
    draft.bed_kept = bed_kept
    made = geometry.settle(draft)
    results: list[Done | Ask] = []
    for hit, pose, treatment, _ in work:
        selection = hit.selection
        pieces = draft.pieces_in(selection.row, selection.t0, selection.t1)
        target = Target(hit, pose, treatment, pieces, draft.row[pieces], bounds, layer_s)
        keys = treatment.settings
        lasting = set(keys) & set(BUILT) - set(_ON_BEADS)
        over = _with_replaced(draft, target) if lasting else target
        reach = {key: over if key in lasting else target for key in keys}
        for key in keys:
            setting = getattr(treatment, key)
            if key in GEOMETRY:
                results.append(made[(hit.part, hit.instance, hit.region, key)])
            elif len(reach[key].pieces) == 0 and not _on_new_beads(draft, target, key):
                why = "no bead has its midpoint in the region"
                results.append(target.answer(key, _plain(setting), "nothing", why, warning=True))
        for key, treat in BUILT.items():
            if key in keys and (len(reach[key].pieces) or _on_new_beads(draft, target, key)):
                results += treat(draft, reach[key], getattr(treatment, key))
    draft.join_alike()
    draft.step_columns()
    return draft, results


def settled(
    draft: Draft,
    results: list[Done | Ask],
    bounds: Bounds,
    clock: Clock | None = None,
    poses: tuple[Pose, ...] = (),
) -> tuple[list[Done], Schedule]:
    """What became of each setting, and what nozzle and fan reach: both are put into the draft, and nothing else of it
    changes but holds and rests.

    Parameters
    ----------
    results : by `wanted_of`. clock : of the draft, worked out where it is asked for and None. The others : see
    `draft_of`.
    """
    answers, schedule = settle(draft, results, bounds, clock, poses)
    return _joined(answers), schedule


def _on_new_beads(draft: Draft, target: Target, key: str) -> bool:
    """Whether a setting is told of new beads, which may be all that a region has."""
    return key in ("speed", "flow") and any(run.region == target.name for run in draft.runs)


def _with_replaced(draft: Draft, target: Target) -> Target:
    """A region with the pieces of it that gave way to new beads, too: holds and rests are for these as well."""
    if draft.removed is None:
        return target
    selected = target.hit.selection.row
    first = draft.first[selected].astype(np.int64)
    count = draft.first[selected + 1] - first
    piece = np.repeat(first - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
    pieces = np.union1d(target.pieces, piece[draft.removed[piece]]).astype(np.int64)
    return replace(target, pieces=pieces, rows=draft.row[pieces])


def _plain(setting: object) -> str:
    if isinstance(setting, str):
        return setting
    # Structs say what differs from their defaults, by the kit's own keys.
    return ", ".join(f"{f.encode_name} {_value(value)}" for f, value in _given(setting)) or "yes"


def _given(setting: Any) -> list[tuple[FieldInfo, object]]:
    told = [(f, getattr(setting, f.name)) for f in fields(setting)]
    return [(f, value) for f, value in told if value != f.default]


def _value(value: object) -> str:
    return (
        str(value).lower()
        if isinstance(value, bool)
        else f"{value:g}"
        if isinstance(value, float)
        else str(value)
    )


def _joined(results: list[Done]) -> list[Done]:
    """One answer a region and setting where several tools gave the same."""
    seen: dict[tuple[object, ...], Done] = {}
    for done in results:
        key = (done.part, done.instance, done.region, done.setting, done.done, done.why)
        seen[key] = replace(done)
    return list(seen.values())


def _cuts(plate: Plate, work: list[Work]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where beads are cut: at the edges of regions whose treatment acts on beads, and nowhere else."""
    rows, places, outer = [np.empty(0, np.int64)], [np.empty(0)], [np.empty(0, bool)]
    for hit, _, treatment, beads in work:
        if not any(getattr(treatment, key) is not None for key in _ON_BEADS):
            continue
        outermost = beads == "perimeters" or bool(treatment.flow and treatment.flow.outer)
        selection = hit.selection
        for t in (selection.t0, selection.t1):
            inside = np.flatnonzero((t > 0.0) & (t < 1.0))
            rows.append(selection.row[inside].astype(np.int64))
            places.append(t[inside])
            outer.append(np.full(len(inside), outermost))
    row, t, outermost_too = (np.concatenate(column) for column in (rows, places, outer))
    ok = np.where(outermost_too, cuttable(plate, row, True), cuttable(plate, row, False))
    return row[ok], t[ok]
