"""What to do for a wanted margin, or what a number of minutes buys: steps tried, set kept, shapes for the rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from gcodetools.edit.record import already_treated
from gcodetools.errors import AlreadyTreated, NotFoundOnPlate, UsageError
from gcodetools.jobs.advice_climb import Climb, Goal, Rung, climb
from gcodetools.jobs.advice_shapes import Shape, shapes_for
from gcodetools.jobs.advice_steps import ladders_of
from gcodetools.jobs.advice_tries import Bench, Tried, beside, decisive, gain_of, leans, more
from gcodetools.jobs.apply import Options, read_plate
from gcodetools.jobs.estimate import band_record, require_strength
from gcodetools.jobs.records import without_nulls
from gcodetools.jobs.regions import Found, found_regions
from gcodetools.jobs.sources import profiles_for
from gcodetools.jobs.strength_changes import changes_of, means_of
from gcodetools.kit.placing import place
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.sentences import CAUTIONS, NOT_SHOWN, ending, load_sentence, rests_on, span
from gcodetools.strength.spreads import Band
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.limits import bounds_of

__all__ = ["Goal", "advise_file", "advise_plate"]

Record = dict[str, Any]
Progress = Callable[[str], None]

_ROUNDS = 2  # once more where another instance turns out to be the weakest
_NOTHING = "no setting is advised, so both are the same"
_CANT = "can't be reached by settings"


def _silent(stage: str) -> None:
    """No progress."""


def advise_file(
    path: Path, options: Options, regions: Sequence[str], goal: Goal, progress: Progress = _silent
) -> tuple[Record, list[str]]:
    """Record and warnings of a file. regions : `PART/REGION`; all that declare a load where empty.

    Raises
    ------
    InputError : the file or a kit is unreadable or invalid, or the material says nothing of its strength.
    NotFoundOnPlate : no part of the kit is on the plate, or a region of it meets no bead.
    UsageError : a region that the kit does not have, or not one goal. AlreadyTreated : by us.
    """
    kit = load_kits(options.kits)
    progress("reading")
    return advise_plate(read_plate(path, number=options.plate), kit, options, regions, goal, progress)


def advise_plate(
    plate: Plate, kit: Kit, options: Options, regions: Sequence[str], goal: Goal, progress: Progress = _silent
) -> tuple[Record, list[str]]:
    """Record and warnings of a plate that is read already.

    Raises
    ------
    InputError, NotFoundOnPlate, UsageError, AlreadyTreated : as `advise_file`.
    """
    name = plate.program.lines.name
    _check(plate, kit, regions, goal)
    profiles = profiles_for(kit, plate.settings, options.material, options.machine, options.sets)
    require_strength(profiles)
    placed = place(kit, plate)
    if not placed.poses:
        raise NotFoundOnPlate(
            f"{name}: no part of kit {kit.name} is on the plate (looked for {', '.join(kit.parts)})",
            "Check `found_by` in the kit against `beadwright inspect`.",
        )
    found, missing = found_regions(plate, kit, placed)
    wanted = _wanted(kit, regions)
    found = [
        one for one in found if options.subset.holds(one.pose) and (one.hit.part, one.hit.region) in wanted
    ]
    if not found:
        raise NotFoundOnPlate(
            f"{name}: no region to advise on meets a bead",
            "; ".join(missing) or "Advice is for regions with a `load`; check --region and --only.",
        )
    progress("estimating the plate as sliced")
    bench = Bench(plate, kit, options, profiles, placed, found)
    told = [
        _region_record(bench, part, region, goal, progress)
        for part, region in dict.fromkeys((one.hit.part, one.hit.region) for one in found)
    ]
    law = bench.strengths.law
    record: Record = {
        "schema": "beadwright.advise/1",
        "file": plate.file,
        "kit": kit.name,
        "goal": {"margin": goal.margin} if goal.minutes is None else {"minutes": goal.minutes},
        "material": profiles.material.name,
        "material_from": profiles.material_from,
        "machine": profiles.machine.name if profiles.machine else None,
        "draws": {"count": law.draws.count, "seed": law.draws.seed},
        "heating_from": bench.strengths.heating,
        "regions": told,
        "absent": list(placed.absent),
        "cautions": list(CAUTIONS),
    }
    warnings = [*plate.program.warnings, *plate.warnings, *placed.warnings, *bench.planned.warnings, *missing]
    if profiles.material_from == "assumed":
        warnings.append("no material is named by the kit, the file or --material: PETG assumed")
    return without_nulls(record), list(dict.fromkeys(warnings))


def _check(plate: Plate, kit: Kit, regions: Sequence[str], goal: Goal) -> None:
    """Refuse what makes no sense before any work is done.

    Raises
    ------
    UsageError, AlreadyTreated.
    """
    if (goal.margin is None) == (goal.minutes is None):
        raise UsageError(
            "advise: one goal is needed, a margin or minutes", "Give --margin 1.5 or --minutes 9."
        )
    number = goal.margin if goal.margin is not None else goal.minutes
    if number is None or not 0 < number < 1e4:
        raise UsageError(
            f"advise: found {number}, expected a number above 0", "Give --margin 1.5 or --minutes 9."
        )
    there = [f"{part}/{region}" for part, one in kit.parts.items() for region in one.regions]
    for text in regions:
        if text not in there:
            raise UsageError(f"--region {text}: no such region in the kit", f"There are: {', '.join(there)}.")
    if already_treated(plate.recorded_in):
        raise AlreadyTreated(
            f"{plate.program.lines.name}: treated already (it carries a record of Beadwright)",
            "Advice starts from the file as sliced: name that one.",
        )


def _wanted(kit: Kit, regions: Sequence[str]) -> set[tuple[str, str]]:
    """Regions that are asked for, or all with a load."""
    if regions:
        return {(part, region) for part, _, region in (text.partition("/") for text in regions)}
    return {
        (part, name)
        for part, one in kit.parts.items()
        for name, region in one.regions.items()
        if region.load is not None
    }


def _region_record(bench: Bench, part: str, region: str, goal: Goal, progress: Progress) -> Record:
    """Advice for one region of all its instances."""
    strengths = [one for one in bench.strengths.regions if (one.hit.part, one.hit.region) == (part, region)]
    head: Record = {"part": part, "region": region, "instances": [one.hit.instance for one in strengths]}
    one = next((each for each in strengths if each.case is None or each.case.margin is None), None)
    if one is not None or not strengths:
        return {
            **head,
            "outcome": "no margin",
            "sentence": _no_margin(one),
            **ending(bench.strengths.law, _NOTHING),
        }
    start = bench.untreated([each.name for each in strengths])
    worst = start.worst
    assert worst.case is not None
    head["watched"] = [worst.hit.instance]
    if goal.reached(start):
        text = f"stands as sliced: margin {span(start.margin, 'margin')}; nothing needs doing for {goal.margin:g}"
        return {
            **head,
            **_standing(bench, start),
            "outcome": "stands",
            "sentence": text,
            **_end(bench, start, start),
        }
    if worst.case.limits == "along" and _no_use(start, goal):
        return {**head, **_along(bench, start, goal), **_end(bench, start, start)}
    return {**head, **_climbed(bench, part, region, goal, progress, start)}


def _no_margin(one: RegionStrength | None) -> str:
    if one is None:
        return "no layer of it is told of"
    if one.case is not None:
        return f"no margin is told, so there is nothing to advise: {one.case.refused}"
    return (
        f"its load makes no sum: {one.fault}"
        if one.fault
        else "no load is declared (`load` in the kit), so no margin"
    )


def _no_use(start: Tried, goal: Goal) -> bool:
    """Whether what is asked lies beyond the margin along beads, which settings don't move."""
    case = start.worst.case
    assert case is not None and case.margin is not None
    if not leans(case):
        return True
    return goal.margin is not None and goal.margin > case.margin.best


def _standing(bench: Bench, start: Tried) -> Record:
    """Where the worst instance stands as sliced."""
    case = start.worst.case
    assert case is not None
    return {
        "limited": "along_beads" if case.limits == "along" and not leans(case) else "across_layers",
        "margin": _margin_record(bench, start.margin),
        "put_on": "at the kit's tilt" if leans(case) else "straight",
        "stands": load_sentence(case, bench.strengths.law),
    }


def _margin_record(bench: Bench, band: Band) -> Record:
    return band_record(band, "modelled", f"allowed over demand; {rests_on(bench.strengths.law)}")


def _end(bench: Bench, start: Tried, final: Tried) -> dict[str, str]:
    means = None
    if final is not start:
        means = means_of(changes_of(start.strengths, final.strengths)).get(start.worst.name)
    return ending(bench.strengths.law, means or _NOTHING)


def _along(bench: Bench, start: Tried, goal: Goal) -> Record:
    """Limited along its beads: what settings can't, and what the shape could."""
    case = start.worst.case
    assert case is not None and case.margin is not None
    shapes = [] if goal.margin is None else _shapes(bench, start, goal.margin)
    asked = "" if goal.margin is None else f" {goal.margin:g} {_CANT}{_shape_words(shapes)}."
    text = (
        f"limited along its beads at {span(case.margin, 'margin')}: settings can't raise that, they make it stiffer, "
        f"not safer.{asked}"
    )
    return {
        **_standing(bench, start),
        "limited": "along_beads",
        "outcome": "settings cannot",
        "ladder": [],
        "shapes": [_shape_record(bench, one) for one in shapes],
        "sentence": text,
    }


def _climbed(bench: Bench, part: str, region: str, goal: Goal, progress: Progress, start: Tried) -> Record:
    """Climb on the worst instance, look at all with the set it led to, and once more where another is weaker then."""
    numbers = [one.hit.instance for one in start.strengths.regions]
    watched, one = [start.worst.hit.instance], start.worst
    found = next(each for each in bench.found if each.name == one.name)
    ladders, left_out = _ladders(bench, found, one)
    for _ in range(_ROUNDS):
        climbed = climb(bench, part, region, watched, ladders, goal, progress)
        final = climbed.best
        if climbed.kept and len(numbers) > len(watched):
            progress(f"{part}/{region}: all instances")
            final = bench.tried(part, region, climbed.best.kept, numbers)
        weakest = final.worst.hit.instance
        short = goal.margin is not None and climbed.best.margin.best >= goal.margin > final.margin.best
        if not short or weakest in watched:
            break
        watched = [*watched, weakest]
    return {"watched": watched, **_told(bench, region, goal, climbed, start, final), "left_out": left_out}


def _ladders(bench: Bench, found: Found, one: RegionStrength) -> tuple[Any, list[str]]:
    profiles, got = bench.profiles, bench.strengths.got
    assert got is not None
    assumed = profiles.material_from == "assumed"
    bounds = bounds_of(bench.plate, profiles.material, profiles.machine, assumed)
    peak = bench.strengths.law.peak_c
    named = profiles.material.measured_peak_c
    if peak is not None and named is not None:
        peak = min(peak, named.value)
    return ladders_of(bench.plate, found, one, got, bounds, peak)


def _told(bench: Bench, region: str, goal: Goal, climbed: Climb, start: Tried, final: Tried) -> Record:
    kept = climbed.best.kept
    reached = goal.margin is not None and final.margin.best >= goal.margin
    shapes = [] if goal.margin is None or reached else _shapes(bench, final, goal.margin)
    outcome = "reached" if reached else "within minutes" if goal.minutes is not None else "short"
    whole = gain_of(start, final)
    part = start.worst.hit.part
    own = bench.kit.parts[part].regions
    doubtful = [one.step.label for one in climbed.kept if not one.shown]
    record: Record = {
        **_standing(bench, start),
        "outcome": outcome if kept.steps else "nothing helps",
        "ladder": [_rung_record(bench, rung) for rung in climbed.rungs],
        "stopped": None if reached else climbed.stopped or None,
        "shapes": [_shape_record(bench, one) for one in shapes],
        "sentence": _sentence(goal, start, final, kept.label if kept.steps else "", shapes, doubtful),
    }
    if kept.steps:
        record["best"] = {
            "steps": [one.label for one in kept.steps],
            "margin": _margin_record(bench, final.margin),
            "weakest_instance": final.worst.hit.instance,
            "gain": None
            if whole is None
            else band_record(whole.band, "modelled", f"{whole.of}: {whole.source}"),
            "not_shown": doubtful,
            "added": dict(final.added),
            "fragment": _fragment(region, climbed, beside(region, own)),
            **_answers(final),
        }
    return {**record, **_end(bench, start, final)}


def _answers(final: Tried) -> Record:
    """What `apply` says of the set, of the first instance, and what of it to look at."""
    texts: dict[tuple[str, str], str] = {}
    grave: dict[tuple[str, str], None] = {}
    for one in final.done:
        key = (one.region, one.setting)
        why = f"; {one.why}" if one.why else ""
        texts.setdefault(key, f"{one.region}: {one.setting} {one.asked}: {one.done}{why}")
        if one.warning:
            grave[key] = None
    return {"answers": list(texts.values()), "look_at": [texts[key] for key in grave]}


def _fragment(region: str, climbed: Climb, root: str) -> str:
    """Lines for the part's `regions`: what the region's `treat` becomes, and a region beside it."""
    kept = climbed.best.kept
    lines = []
    if kept.treatment is not None:
        lines += [f"{region}:  # its other keys stay", "  treat:"]
        doubtful = {key for one in climbed.kept if not one.shown for key in one.step.changes}
        for key, text in kept.spelled.items():
            lines.append(f"    {key}: {text}" + (f"  # {NOT_SHOWN}" if key in doubtful else ""))
    if kept.root is not None:
        box = kept.root
        lines += [f"{root}:  # a region of its own", "  within:", "    box:"]
        lines += [
            f"      {way}: [{low:g}, {high:g}]"
            for way, (low, high) in zip("xyz", (box.x, box.y, box.z), strict=True)
        ]
        lines += ["  treat: {infill: solid}"]
    return "\n".join(lines)


def _rung_record(bench: Bench, rung: Rung) -> Record:
    gain = rung.gain
    added = None if rung.after.refused else more(rung.after.added, rung.before.added)
    a_minute = None
    if gain is not None and gain.verdict != "no change" and rung.minutes > 0.05 and not rung.dropped:
        # Of the margin's best: the doubt of the margin itself is in every row alike.
        scale = rung.before.margin.best / rung.minutes
        ends = (scale * (end - 1.0) for end in (gain.band.low, gain.band.best, gain.band.high))
        a_minute = band_record(Band(*ends), "modelled", f"margin gained over minutes added; {gain.source}")
    return {
        "step": ("without " if rung.dropped else "") + rung.step.label,
        "on": rung.before.kept.label,
        "before": _margin_record(bench, rung.before.margin),
        "after": None if rung.after.refused else _margin_record(bench, rung.after.margin),
        "gain": None if gain is None else {**band_record(gain.band, "modelled", gain.source), "of": gain.of},
        "verdict": None if gain is None else gain.verdict,
        "added": added,
        "margin_per_minute": a_minute,
        "kept": rung.kept,
        "why": rung.why,
        "did": rung.answers[0].done if rung.answers else None,
    }


def _shapes(bench: Bench, tried: Tried, margin: float) -> list[Shape]:
    one = tried.worst
    region = bench.kit.parts[one.hit.part].regions[one.hit.region]
    assert region.load is not None
    return shapes_for(region.load, region.use, one, bench.strengths.law, margin)


def _shape_record(bench: Bench, shape: Shape) -> Record:
    case = shape.case
    sums = "handbook sum of the load, forward"

    def band(value: Band | None) -> Record | None:
        return None if value is None else band_record(value, "modelled", sums)

    return {
        "text": shape.text,
        "load": dict(shape.changed),
        "offered": case is not None,
        "why": shape.why or None,
        "margin": None if case is None else _margin_record(bench, decisive(case)),
        "push_n": None if case is None else band(case.push_n),
        "pull_n": None if case is None else band(case.pull_n),
    }


def _shape_words(shapes: Sequence[Shape]) -> str:
    """`: lengthen the arm by 3 mm, or thin it`."""
    offered = [one.text for one in shapes if one.case is not None]
    if not offered:
        return ", nor by one number of its shape alone"
    return ": " + ", or ".join(offered)


def _sentence(
    goal: Goal, start: Tried, final: Tried, steps: str, shapes: Sequence[Shape], doubtful: Sequence[str]
) -> str:
    was, now = span(start.margin, "margin"), span(final.margin, "margin")
    said = f" Of these, {NOT_SHOWN}: {', '.join(doubtful)}." if doubtful else ""
    if not steps:
        text = f"no setting that was tried helps; margin {was} as sliced."
    elif goal.minutes is not None:
        text = f"within {goal.minutes:g} minutes best with {steps}: margin {now}, {was} as sliced.{said}"
    elif goal.margin is not None and final.margin.best >= goal.margin:
        text = f"{goal.margin:g} is reached with {steps}: margin {now}, {was} as sliced.{said}"
        if final.margin.low < goal.margin:
            text += f" That is the best estimate; it may be as low as {final.margin.low:.2f}."
    else:
        text = f"best found: {steps}: margin {now}, {was} as sliced.{said}"
    if goal.margin is not None and final.margin.best < goal.margin:
        text += f" {goal.margin:g} {_CANT}{_shape_words(shapes)}."
    return text
