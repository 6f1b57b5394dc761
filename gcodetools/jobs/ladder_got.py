"""What the specimens of a ladder got, read back from the treated plate, and whether that is a ladder at all."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.errors import Refused
from gcodetools.jobs.apply import Applied
from gcodetools.jobs.carried import carried
from gcodetools.jobs.ladder_asked import Plan, Specimen
from gcodetools.jobs.rates import bed_of, rates_of
from gcodetools.jobs.region_states import nozzle_base_c, region_state
from gcodetools.jobs.strengths import beads_got
from gcodetools.kit.placing import Pose
from gcodetools.kit.selection import RegionHit, select_all
from gcodetools.physics.timing import layer_seconds, times
from gcodetools.records import dataclass
from gcodetools.strength.got import Got as BeadsGot
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate
from gcodetools.trials.factors import value_words

__all__ = ["Got", "Seen", "check_steps", "got_of_specimens"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_OUTERMOST = FEATURE_INDEX["outermost"]
# Of the asked difference; with less, two steps are one. Inner perimeters are shorter than the outermost, and flow
# leaves the outermost alone.
_TOLD_APART = {"perimeters": 0.3, "flow": 0.1}
_ALIKE = 1.1
_OFF_C, _OFF_PERCENT = 2.0, 5.0  # from here on a step that was missed is warned of
_SHORT = 0.7  # of the added perimeters side by side; each one further in is shorter


@dataclass(frozen=True, slots=True)
class Got:
    """What a specimen got; None where nobody knows.

    nozzle_c, fan_percent : on the mean over the length of its beads, modelled. layer_s : seconds of its layers.
    width_mm, height_mm : of its beads. section_mm2 : the smallest area of its islands in a layer. feed_mm_s : as
    commanded, half of the length slower. perimeters : side by side, on the mean. mm3_per_mm : plastic by length.
    z_mm : its middle on the plate.
    """

    nozzle_c: float | None
    fan_percent: float | None
    layer_s: float
    width_mm: float | None
    height_mm: float | None
    section_mm2: float | None
    feed_mm_s: float | None
    perimeters: float | None
    mm3_per_mm: float
    z_mm: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What all specimens got, what their beads were before, and by whose laws.

    off : how far means of nozzle (C) and fan (percent) may be off between a slow and a fast machine of the profile,
    by setting, those that are told. time_band : low and high as factors on times. beds : of each instance on the
    plate its name and the nozzle over its first layer, C, before and after; None where nobody knows.
    """

    got: tuple[Got, ...]
    before: tuple[Got, ...]
    source: str
    off: dict[str, float]
    time_band: tuple[float, float]
    beds: tuple[tuple[str, float | None, float | None], ...]


def got_of_specimens(applied: Applied, plan: Plan) -> Seen:
    """Read the treated plate again and look at each specimen."""
    treated = applied.treated
    plate, again = treated.original, treated.plate
    machine = applied.profiles.machine
    planned = times(plate, machine)
    replanned = times(again, machine, factor=planned.factor)
    moved = carried(treated.draft, again, treated.edits, applied.placed.poses)
    poses = {(pose.part, pose.instance): pose for pose in moved}
    sides, beds = [], []
    source = ""
    for side, timed, where in ((plate, planned, None), (again, replanned, poses)):
        per_mm = rates_of(side, applied.profiles, bed_of(side)).mm3_per_mm.value
        beads, laws = beads_got(side, applied.kit, applied.profiles, timed, per_mm)
        source = f"{laws}; {timed.source}"
        seconds = layer_seconds(side, timed)
        found: dict[tuple[int, str], Got] = {}
        for mine in _by_instance(plan.specimens):
            pose = mine[0].pose if where is None else where[mine[0].pose.part, mine[0].pose.instance]
            regions = {one.region: plan.kit.parts[pose.part].regions[one.region] for one in mine}
            hits = select_all(side, [pose], regions)[0]
            sections = _Sections(side, pose)
            for one in mine:
                hit = hits[one.region]
                nozzle, _, fan = beads.at(hit.selection.row)
                # The islands of the plate as it is printed are what breaks; before needs none.
                area = None if where is None else sections.smallest_mm2(hit)
                found[one.number, one.region] = _got(
                    side, hit, pose, nozzle, fan, seconds, per_mm, area, applied
                )
        sides.append(tuple(found[one.number, one.region] for one in plan.specimens))
        beds.append(
            [_first_layer_c(side, pose, beads) for pose in (applied.placed.poses if where is None else moved)]
        )
    names = [f"{pose.part}#{pose.instance}" for pose in applied.placed.poses]
    return Seen(
        sides[1], sides[0], source, _off(applied), replanned.band, tuple(zip(names, *beds, strict=True))
    )


def _first_layer_c(plate: Plate, pose: Pose, beads: BeadsGot) -> float | None:
    """The nozzle over an instance's first layer, C, on the mean over the length of its beads."""
    rows = pose.rows[pose.layer == 1].astype(np.int64)
    return _Mean(plate.beads.length_mm[rows].astype(np.float64)).of(beads.at(rows)[0])


def _off(applied: Applied) -> dict[str, float]:
    found: dict[str, float] = {}
    for one in applied.summary["regions"]:
        if one.get("reached") is not None:
            mean = one["reached"]["mean"]
            off = max(mean["best"] - mean["low"], mean["high"] - mean["best"])
            name = one["treatment"]
            found[name] = max(found.get(name, 0.0), off * (100.0 if name == "fan" else 1.0))
    return found


def _by_instance(specimens: Sequence[Specimen]) -> list[list[Specimen]]:
    found: dict[int, list[Specimen]] = {}
    for one in specimens:
        found.setdefault(one.pose.instance, []).append(one)
    return list(found.values())


def _got(
    plate: Plate,
    hit: RegionHit,
    pose: Pose,
    nozzle: F8,
    fan: F8,
    seconds: F8,
    per_mm: float,
    area: float | None,
    applied: Applied,
) -> Got:
    selection = hit.selection
    row, share = selection.row, selection.t1 - selection.t0
    length = plate.beads.length_mm[row] * share
    state = region_state(plate, selection, per_mm, nozzle_base_c(plate, applied.kit))
    layer = np.maximum(plate.beads.layer[row], 0)
    mean = _Mean(length)
    percent = mean.of(fan)
    return Got(
        mean.of(nozzle),
        None if percent is None else percent * 100.0,
        mean.of(seconds[layer]) or 0.0,
        mean.of(plate.beads.width[row].astype(np.float64)),
        mean.of(plate.beads.height[row].astype(np.float64)),
        area,
        state.get("feed_mm_s"),
        state.get("perimeters"),
        state["volume_mm3"] / max(state["length_mm"], 1e-9),
        pose.z_mm + sum(hit.z_mm) / 2 * pose.scale,
    )


class _Mean:
    """Means by length of what is known."""

    def __init__(self, length: F8) -> None:
        self.length = length

    def of(self, values: F8) -> float | None:
        known = np.isfinite(values) & (self.length > 0)
        return float(np.average(values[known], weights=self.length[known])) if np.any(known) else None


class _Sections:
    """Areas of an instance's islands, layers that are alike worked out once."""

    def __init__(self, plate: Plate, pose: Pose) -> None:
        self.plate, self.pose = plate, pose
        self.rows = np.sort(pose.rows.astype(np.int64))
        self._alike: dict[bytes, float] = {}

    def smallest_mm2(self, hit: RegionHit) -> float | None:
        """Of all layers of a region, the smallest area of the islands that hold its beads."""
        beads = self.plate.beads
        chosen = np.unique(hit.selection.row)
        layers = np.unique(beads.layer[chosen])
        areas = [self._of_layer(int(layer), chosen) for layer in layers[layers >= 0].tolist()]
        known = [area for area in areas if area > 0]
        return min(known, default=None)

    def _of_layer(self, layer: int, chosen: I8) -> float:
        beads, moves = self.plate.beads, self.plate.moves
        first, last = self.plate.layers.first_row[layer], self.plate.layers.last_row[layer]
        rows = self.rows[slice(*np.searchsorted(self.rows, (first, last)))]
        mine = chosen[slice(*np.searchsorted(chosen, (first, last)))]
        outer = rows[beads.feature[rows] == _OUTERMOST]
        edge = np.round(np.column_stack([moves.x[outer], moves.y[outer], beads.width[outer]]), 3)
        key = edge.tobytes() + b"/" + (mine - rows[0]).tobytes()
        if key not in self._alike:
            islands = of_layer(self.plate, layer, rows)
            held = [i.polygon for i in islands if np.any(np.isin(i.rows, mine))]
            self._alike[key] = float(shapely.union_all(held).area) if held else 0.0
        return self._alike[key]


def check_steps(applied: Applied, plan: Plan, seen: Seen) -> list[str]:
    """Sentences on steps that were not reached.

    Raises
    ------
    Refused : two values of a setting can't be told apart on the treated plate.
    """
    warnings: list[str] = []
    answers = _answers(applied)
    for factor in plan.runs.factors:
        reached = [_reached(factor.name, k, plan, seen, answers) for k in range(len(plan.specimens))]
        _told_apart(factor.name, reached, plan, applied, answers)
        if factor.kind.lasting:
            warnings += _missed(factor.name, reached, plan)
        if factor.name == "perimeters":
            warnings += _no_room(reached, plan)
    return [*warnings, *_not_done(plan, answers), *_beds(seen), *_unlike(plan, seen)]


def _answers(applied: Applied) -> dict[tuple[str, int, str, str], dict[str, Any]]:
    """What `apply` says by part, instance, region and setting."""
    return {
        (one["part"], one["instance"], one["region"], one["treatment"]): one
        for one in applied.summary["regions"]
    }


def _key(one: Specimen, name: str) -> tuple[str, int, str, str]:
    return one.pose.part, one.pose.instance, one.region, name


def _reached(name: str, k: int, plan: Plan, seen: Seen, answers: dict[Any, dict[str, Any]]) -> float | None:
    """What a specimen got of a setting, in the setting's own unit."""
    got, before = seen.got[k], seen.before[k]
    if name in ("nozzle", "fan"):
        told = answers.get(_key(plan.specimens[k], name), {}).get("reached")
        if told is not None:  # of the beads that were meant, not of bridges among them
            return float(told["mean"]["best"]) * (100.0 if name == "fan" else 1.0)
        return got.nozzle_c if name == "nozzle" else got.fan_percent
    if name == "speed":
        return 100.0 * got.feed_mm_s / before.feed_mm_s if got.feed_mm_s and before.feed_mm_s else None
    if name == "flow":
        return 100.0 * got.mm3_per_mm / before.mm3_per_mm if before.mm3_per_mm else None
    return None if got.perimeters is None or before.perimeters is None else got.perimeters - before.perimeters


def _told_apart(
    name: str,
    reached: Sequence[float | None],
    plan: Plan,
    applied: Applied,
    answers: dict[Any, dict[str, Any]],
) -> None:
    """Refuse steps of a setting that came out alike.

    Raises
    ------
    Refused : with what each got, and why.
    """
    name_of_file = applied.treated.original.program.lines.name
    if all(value is None for value in reached):
        why = next(
            (one["why"] for key, one in answers.items() if key[3] == name and one["why"]), "it is not known"
        )
        raise Refused(
            f"{name_of_file}: {name} can't be varied: {why}", "Do what it says, or vary something else."
        )
    groups: dict[float, list[float]] = {}
    for one, value in zip(plan.specimens, reached, strict=True):
        if value is not None:
            groups.setdefault(one.settings[name], []).append(value)
    asked = sorted(groups)
    means = [float(np.mean(groups[value])) for value in asked]
    share = _TOLD_APART.get(name, 0.5)
    for (a, b), (got_a, got_b) in zip(pairwise(asked), pairwise(means), strict=True):
        if got_b - got_a < share * (b - a):
            why = next(
                (
                    answers[key]["why"]
                    for one in plan.specimens
                    if one.settings[name] in (a, b)
                    and (key := _key(one, name)) in answers
                    and answers[key]["why"]
                ),
                "",
            )
            unit = {"nozzle": " C", "perimeters": " perimeters"}.get(name, " %")
            raise Refused(
                f"{name_of_file}: {name} {value_words(name, a)} and "
                f"{value_words(name, b)} come out alike: {got_a:.3g} and {got_b:.3g}{unit} on the mean"
                f"{f': {why}' if why else ''}",
                _instead(name, plan),
            )


def _instead(name: str, plan: Plan) -> str:
    if name == "flow":
        return "Possible: --outer, if only the outermost perimeter lies there; or a larger step."
    if name == "perimeters":
        return "Possible: fewer perimeters; there is no room for more, or nothing carries them."
    if name == "speed":
        return "Possible: a larger step; short beads never reach their feed."
    how = "object after object, or " if plan.by == "instance" and plan.layered else ""
    return f"Possible: {how}--by height with fewer values, larger steps, or taller and larger specimens."


def _missed(name: str, reached: Sequence[float | None], plan: Plan) -> list[str]:
    limit = _OFF_C if name == "nozzle" else _OFF_PERCENT
    unit = " C" if name == "nozzle" else "%"
    off = [
        f"{one.number} ({value:.0f}{unit} for {one.settings[name]:g}{unit})"
        for one, value in zip(plan.specimens, reached, strict=True)
        if value is not None and abs(value - one.settings[name]) > limit
    ]
    if not off:
        return []
    shown = ", ".join(off[:6]) + (f" and {len(off) - 6} more" if len(off) > 6 else "")
    return [f"{name}: not what was asked on the mean of specimens {shown}; the sheet has what was reached"]


def _no_room(reached: Sequence[float | None], plan: Plan) -> list[str]:
    """A sentence on specimens that hold fewer perimeters than were asked for."""
    off = [
        f"{one.number} ({value:+.1f} for {value_words('perimeters', one.settings['perimeters'])})"
        for one, value in zip(plan.specimens, reached, strict=True)
        if value is not None and value < _SHORT * one.settings["perimeters"]
    ]
    if not off:
        return []
    shown = ", ".join(off[:6]) + (f" and {len(off) - 6} more" if len(off) > 6 else "")
    return [
        f"perimeters: side by side on the mean of specimens {shown}: the innermost are short or find no room; the "
        "sheet has what is there"
    ]


def _beds(seen: Seen) -> list[str]:
    """A sentence on first layers that begin while the nozzle is still on its way back."""
    off = [
        f"{name} ({after:.0f} C, {before:.0f} C as sliced)"
        for name, before, after in seen.beds
        if before is not None and after is not None and abs(after - before) > _OFF_C
    ]
    if not off:
        return []
    shown = ", ".join(off[:6]) + (f" and {len(off) - 6} more" if len(off) > 6 else "")
    return [
        f"nozzle: still on its way back over the first layer of {shown}, on the mean, modelled: watch that it holds, "
        "or take a smaller range"
    ]


def _unlike(plan: Plan, seen: Seen) -> list[str]:
    """Specimens of unlike sections, whose forces can't be compared as they are."""
    areas = [got.section_mm2 for got in seen.got if got.section_mm2]
    if not areas or max(areas) <= _ALIKE * min(areas):
        return []
    least, most = (
        next(one.number for one, got in zip(plan.specimens, seen.got, strict=True) if got.section_mm2 == area)
        for area in (min(areas), max(areas))
    )
    return [
        f"specimens are not alike: the smallest section is {min(areas):.1f} mm2 in number {least} and "
        f"{max(areas):.1f} mm2 in number {most}; compare force over section, or take a coupon that is "
        "the same all the way up"
    ]


def _not_done(plan: Plan, answers: dict[Any, dict[str, Any]]) -> list[str]:
    """Settings of specimens that came to nothing although they ask for something else than the file has."""
    found: dict[tuple[str, str], list[int]] = {}
    for one in plan.specimens:
        for name in one.settings:
            answer = answers.get(_key(one, name))
            if answer is not None and answer["done"] == "nothing" and "there already" not in answer["why"]:
                found.setdefault((f"{name} {answer['asked']}", answer["why"]), []).append(one.number)
    return [
        f"specimens {', '.join(map(str, numbers))}: {what}: not done, {why}"
        for (what, why), numbers in found.items()
    ]
