"""Tries of `advise`: one region treated, the plate written and read again, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from msgspec import structs

from gcodetools.errors import NotFoundOnPlate, Refused
from gcodetools.jobs.advice_steps import Kept
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.carried import carried
from gcodetools.jobs.rates import bed_of, rates_of
from gcodetools.jobs.records import estimate
from gcodetools.jobs.regions import Found
from gcodetools.jobs.sources import Profiles
from gcodetools.jobs.strength_changes import changes_of, source_of
from gcodetools.jobs.strengths import Strengths, strengths_of
from gcodetools.kit.placing import Placed
from gcodetools.kit.schema import Kit
from gcodetools.kit.selection import select_all
from gcodetools.physics.timing import Times, times
from gcodetools.records import dataclass
from gcodetools.strength.loads import LoadCase
from gcodetools.strength.region import RegionStrength
from gcodetools.strength.spreads import Band
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.target import Done

__all__ = ["ADDED", "Bench", "Gain", "Tried", "beside", "decisive", "gain_of", "leans", "more"]

Record = dict[str, Any]

ADDED = ("time_s", "mass_g", "cost")
_ALMOST = 1e-3


@dataclass(frozen=True, slots=True)
class Tried:
    """A set of steps on the plate. strengths : of the instances that are watched, its columns let go.
    added : `ADDED`, each an estimate over the plate as sliced. done : what `apply` answered. refused : why it wrote
    nothing; the strengths are then those of the plate as sliced."""

    kept: Kept
    strengths: Strengths
    added: Mapping[str, Record]
    done: tuple[Done, ...]
    refused: str = ""

    @property
    def worst(self) -> RegionStrength:
        """The instance with the least margin."""
        return min(self.strengths.regions, key=lambda one: _least(one.case))

    @property
    def margin(self) -> Band:
        """The least margin, put on straight or at the kit's tilt; there is one."""
        case = self.worst.case
        assert case is not None
        return decisive(case)

    @property
    def added_s(self) -> float:
        """Seconds that the plate takes longer."""
        return float(self.added["time_s"]["best"])


def _least(case: LoadCase | None) -> float:
    return float("inf") if case is None or case.margin is None else decisive(case).best


def leans(case: LoadCase) -> bool:
    """Whether the margin at the kit's tilt is the one that counts: there the twist pulls the layers apart."""
    assert case.margin is not None
    return case.crooked is not None and case.crooked.best < case.margin.best * (1.0 - _ALMOST)


def decisive(case: LoadCase) -> Band:
    """The lesser margin, put on straight or at the kit's tilt; a case that is not refused."""
    assert case.margin is not None
    return case.crooked if case.crooked is not None and leans(case) else case.margin


@dataclass(frozen=True, slots=True)
class Gain:
    """After over before, doubt shared. of : the margin, or the strength between layers where the tilt decides.
    verdict : of `strength_changes`. source : what it rests on."""

    band: Band
    of: str
    verdict: str
    source: str


def gain_of(before: Tried, after: Tried) -> Gain | None:
    """What a step did to the instance that was worst before it; None where nothing can be compared."""
    one = before.worst
    change = changes_of(before.strengths, after.strengths).get(one.name)
    twin = next((each for each in after.strengths.regions if each.name == one.name), None)
    if change is None or twin is None or one.case is None or twin.case is None:
        return None
    source = source_of(after.strengths)
    told = change.record(source)
    if not leans(one.case):
        band = change.margin
        return None if band is None else Gain(band, "margin", told["margin"]["verdict"], source)
    band = change.across
    if band is None or twin.case.margin is None:
        return None
    # Straight on it is limited along its beads, and no better put on crooked than that.
    most = twin.case.margin.best / decisive(one.case).best
    band = Band(min(band.low, most), min(band.best, most), min(band.high, most))
    return Gain(band, "strength between layers", told["across_layers"]["verdict"], source)


def more(after: Mapping[str, Record], before: Mapping[str, Record]) -> dict[str, Record]:
    """`ADDED` of a set over another: the doubt of both is the same, so their ends are taken from each other."""
    result = {}
    for key in ADDED:
        a, b = after[key], before[key]
        ends = [a[end] - b[end] for end in ("best", "low", "high")]
        low, high = min(ends), max(ends)
        result[key] = estimate(ends[0], low, high, a["source"], a["basis"])
    return result


class Bench:
    """A plate as sliced and all that does not change from try to try."""

    def __init__(
        self,
        plate: Plate,
        kit: Kit,
        options: Options,
        profiles: Profiles,
        placed: Placed,
        found: Sequence[Found],
    ) -> None:
        # What is tried is never written.
        self.plate, self.kit, self.options = plate, kit, replace(options, unpacked=True)
        self.profiles, self.placed, self.found = profiles, placed, tuple(found)
        self.planned: Times = times(plate, profiles.machine)
        self.mm3_per_mm = rates_of(plate, profiles, bed_of(plate)).mm3_per_mm.value
        told = strengths_of(plate, kit, self.found, profiles, self.planned, self.mm3_per_mm)
        assert told is not None
        self.strengths: Strengths = told
        nothing = estimate(0.0, 0.0, 0.0, self.planned.source)
        self.nothing = dict.fromkeys(ADDED, nothing)

    def untreated(self, names: Sequence[str]) -> Tried:
        """The regions `names` (`part#instance/region`) as sliced."""
        mine = tuple(one for one in self.strengths.regions if one.name in names)
        return Tried(Kept(), replace(self.strengths, regions=mine, got=None), self.nothing, ())

    def tried(self, part: str, region: str, kept: Kept, watched: Sequence[int]) -> Tried:
        """Treat a region of all instances, nothing else; tell the strength of the instances `watched`."""
        names = [f"{part}#{number}/{region}" for number in watched]
        before = self.untreated(names)
        try:
            applied = apply_plate(self.plate, self._kit_for(part, region, kept), self.options)
        except (Refused, NotFoundOnPlate) as error:
            return replace(before, kept=kept, refused=error.cause)
        added = {key: applied.summary["added"][key] for key in ADDED}
        treated = applied.treated
        if treated.render() == self.plate.program.lines.data:
            return replace(before, kept=kept, done=applied.done)
        plate = treated.plate
        poses = carried(treated.draft, plate, treated.edits, self.placed.poses)
        mine = [pose for pose in poses if pose.part == part and pose.instance in watched]
        one = self.kit.parts[part].regions[region]
        hits = select_all(plate, mine, {region: one})
        found = [Found(hit[region], pose, one) for pose, hit in zip(mine, hits, strict=True)]
        found = [each for each in found if len(each.hit.selection.row)]
        planned = times(plate, self.profiles.machine, factor=self.planned.factor)
        told = strengths_of(plate, self.kit, found, self.profiles, planned, self.mm3_per_mm)
        assert told is not None
        return Tried(kept, replace(told, got=None), added, applied.done)

    def _kit_for(self, part: str, region: str, kept: Kept) -> Kit:
        """The kit with these steps alone."""
        parts = {name: structs.replace(one, regions={}) for name, one in self.kit.parts.items()}
        own = self.kit.parts[part].regions
        regions = {region: structs.replace(own[region], treat=kept.treatment)}
        if kept.root is not None:
            regions[beside(region, own)] = kept.root.region
        parts[part] = structs.replace(self.kit.parts[part], regions=regions)
        return replace(self.kit, parts=parts)


def beside(region: str, taken: Mapping[str, object]) -> str:
    """A name for the region below an arm's root that the part does not have yet."""
    name = f"{region}-root"
    number = 2
    while name in taken:
        name, number = f"{region}-root-{number}", number + 1
    return name
