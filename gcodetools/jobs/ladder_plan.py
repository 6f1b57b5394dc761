"""Which instance, or which band of height of one, gets which step of a ladder: settled before anything is treated."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from gcodetools.documents.profiles import load_machine
from gcodetools.errors import NotFoundOnPlate, Refused, UsageError
from gcodetools.jobs.ladder_asked import Asked, Plan, Specimen
from gcodetools.jobs.ladder_places import centre_of, coupon_of, one_by_one, visit_seconds
from gcodetools.jobs.records import counted
from gcodetools.jobs.sources import Profiles
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit, Region
from gcodetools.kit.selection import RegionHit, not_met, select
from gcodetools.kit.shapes import All, AllOf, Slab
from gcodetools.physics.leads import FAN_LAGS
from gcodetools.physics.timing import Times
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.schedule import PLAIN_MACHINE
from gcodetools.trials.bands import LEAST_MM, Bands, arrival_s, fan_arrival_s, lay_bands, most_bands
from gcodetools.trials.design import arrange, correlations
from gcodetools.trials.factors import Factor
from gcodetools.trials.runs import Runs, runs_of

__all__ = ["plan_ladder"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]

_COORDINATES = ("x", "y", "order of printing")
_MOST_BANDS = 100  # beyond, they are counted before they are dealt out
_GOES_WITH = 0.8  # of a correlation; from here on two thirds of what is seen may be the place


def plan_ladder(
    plate: Plate,
    kit: Kit,
    named: tuple[str, str],
    poses: Sequence[Pose],
    asked: Asked,
    profiles: Profiles,
    planned: Times,
) -> Plan:
    """Settle a ladder.

    Parameters
    ----------
    named : part and region. poses : the instances it may use, in the order of the file. planned : how long rows take.

    Raises
    ------
    Refused : impossible on this plate, with what is possible. NotFoundOnPlate : the region meets no bead.
    UsageError : a combination that makes no sense.
    """
    return _Planning(plate, kit, named, list(poses), asked, profiles, planned).run()


class _Planning:
    """One ladder that is being settled."""

    def __init__(
        self,
        plate: Plate,
        kit: Kit,
        named: tuple[str, str],
        poses: list[Pose],
        asked: Asked,
        profiles: Profiles,
        planned: Times,
    ) -> None:
        self.plate, self.kit, self.asked, self.planned = plate, kit, asked, planned
        self.part, self.region = named
        self.name = plate.program.lines.name
        self.poses = poses
        self.heating = (profiles.machine or load_machine(PLAIN_MACHINE)).heating
        self.layered = not one_by_one(plate, poses)
        self.hits = [self._hit(pose) for pose in poses]
        self.coupon = coupon_of(plate, poses, self.hits, planned, self._faster(), self._sets("fan"))
        self.notes: list[str] = []

    def run(self) -> Plan:
        by = self._by()
        if by == "instance":
            return self._by_instance()
        return self._by_height() if by == "height" else self._by_both()

    def _hit(self, pose: Pose) -> RegionHit:
        region = self.kit.parts[self.part].regions[self.region]
        hit = select(self.plate, pose, region, self.region)
        if len(hit.selection.row) == 0:
            raise NotFoundOnPlate(
                f"{pose.part}#{pose.instance}/{self.region}: the region meets no bead; "
                f"{not_met(self.plate, pose, region)}",
                "Check the region's numbers against the drawing of `beadwright learn` or `beadwright check`.",
            )
        return hit

    def _sets(self, name: str) -> bool:
        """Whether a setting is varied or held."""
        return self.asked.varies(name) or name in self.asked.held

    def _faster(self) -> float:
        """By how much layers may get shorter."""
        speeds = [
            value for f in (*self.asked.vary, *self.asked.hold) if f.name == "speed" for value in f.values
        ]
        return max([1.0, *(value / 100 for value in speeds)])

    def _by(self) -> str:
        """What a step is given to.

        Raises
        ------
        Refused, UsageError.
        """
        asked, count = self.asked, len(self.poses)
        heat = asked.varies("nozzle") and self.layered and count > 1
        by = asked.by
        if by == "auto":
            by = "height" if count == 1 or asked.bands else "instance"
        if by == "both" and (not asked.varies("nozzle") or len(asked.vary) < 2):
            raise UsageError(
                "--by both: heat goes by height and the rest by instance, so nozzle and another setting must vary",
                "Add one with --vary, or take --by height or --by instance.",
            )
        if by in ("instance", "both") and count == 1:
            raise Refused(
                f"{self.name}: one instance of {self.part}, which can't take several steps by instance",
                "Possible: --by height, bands of height in it; or slice a plate with several of it.",
            )
        if by == "instance" and heat:
            raise Refused(*self._no_heat_by_instance())
        return by

    def _no_heat_by_instance(self) -> tuple[str, str]:
        nozzle = next(f for f in self.asked.vary if f.name == "nozzle")
        fits = self._most(self._worst_s([{"nozzle": value} for value in nozzle.values]))
        rest = [f.name for f in self.asked.vary if f.name != "nozzle"]
        both = f"--by both (heat by height, {' and '.join(rest)} by instance); " if rest else ""
        height = (
            f"--by height (up to {counted(fits, 'band')} in each coupon, every coupon the same); "
            if fits > 1
            else ""
        )
        both = both if fits > 1 else ""
        taller = "" if fits > 1 else ", or taller coupons for bands of height"
        return (
            f"{self.name}: printed layer by layer, so all {len(self.poses)} instances share the nozzle of a layer: it "
            "can't go by instance",
            f"Possible: {height}{both}{'or ' if height else ''}slice it object after object{taller}.",
        )

    # By instance.

    def _by_instance(self) -> Plan:
        asked = self.asked
        self._fan_has_time(asked.varies("fan"))
        runs = runs_of(
            asked.design,
            asked.vary,
            len(self.poses),
            count=asked.runs,
            repeats=asked.repeat,
            where="instance",
        )
        region, layers = self._arrived(runs)
        places = self._places()
        deal = self._dealt(places, runs, None, alike=False)
        run, greatest, between = deal
        settings = [runs.settings(k) | asked.held for k in range(len(runs))]
        used = [(pose, int(k)) for pose, k in zip(self.poses, run.tolist(), strict=True) if k >= 0]
        specimens = [
            Specimen(n + 1, k + 1, pose, region, layers, settings[k]) for n, (pose, k) in enumerate(used)
        ]
        unused = tuple(pose for pose, k in zip(self.poses, run.tolist(), strict=True) if k < 0)
        kit = self._kit({region: layers})
        return self._plan(kit, "instance", specimens, settings, runs, None, unused, greatest, between)

    def _arrived(self, runs: Runs) -> tuple[str, tuple[int, int]]:
        """The region's name and layers; where the nozzle changes from object to object, from the layer on at which
        it has arrived."""
        first, last = self.coupon.layers
        if not self._sets("nozzle"):
            return self.region, (first, last)
        need = max(self._need_s({}, runs.settings(k) | self.asked.held) for k in range(len(runs)))
        ends = np.cumsum(self.coupon.layer_s)
        start = int(np.searchsorted(ends, max(need - self.coupon.before_s, 0.0) - 1e-9, side="left")) + 1
        if need <= self.coupon.before_s:
            start = 0
        if start >= len(ends) or self.coupon.height_mm(start) < LEAST_MM:
            raise Refused(
                f"{self.name}: {self.part} is printed in {ends[-1]:.0f} s, and the nozzle needs up to {need:.0f} s to "
                "arrive in each",
                "Possible: smaller steps of the nozzle, larger or taller instances, or --by height in one of them.",
            )
        if start:
            self.notes.append(
                f"the nozzle arrives in the first {start} of the layers {first}-{last}, which belong to no specimen "
                f"({need:.0f} s at most, modelled)"
            )
        return self.region, (first + start, last)

    def _fan_has_time(self, needed: bool) -> None:
        """Refuse a fan by instance that could not follow.

        Raises
        ------
        Refused : with how long an instance is printed in a layer.
        """
        if not needed or not self.layered or len(self.poses) == 1:
            return
        shortest = float(np.median(visit_seconds(self.plate, self.poses, self.planned)))
        lag = FAN_LAGS * self.heating.fan_lag_s.value
        if shortest < lag:
            raise Refused(
                f"{self.name}: printed layer by layer, each instance for {shortest:.1f} s a layer; the fan needs "
                f"{lag:.0f} s to follow, so it can't go by instance",
                "Possible: --by height, larger instances, or slice it object after object.",
            )

    def _places(self) -> F8:
        """(n, c) where instances stand; one after the other, also when."""
        at = np.array([centre_of(self.plate, pose) for pose in self.poses])
        if self.layered:
            return at
        return np.column_stack([at, np.arange(len(at))])

    def _dealt(
        self, places: F8, runs: Runs, block: I8 | None, *, alike: bool, names: Sequence[str] = _COORDINATES
    ) -> tuple[I8, float, tuple[str, str] | None]:
        """Run of each place, the greatest correlation, and between what."""
        order = self.asked.order
        if order == "random":
            found = arrange(places, runs.values, runs.repeats, self.asked.seed, block=block, alike=alike)
            between = (names[found.coordinate], runs.factors[found.factor].name) if found.greatest else None
            return found.run, found.greatest, between
        from_below = np.argsort(runs.values[:, 0], kind="stable")
        cards = np.repeat(from_below, runs.repeats)[:: -1 if order == "falling" else 1]
        block = np.zeros(len(places), np.int64) if block is None else block
        run = np.full(len(places), -1, np.int64)
        for one in np.unique(block):
            run[np.flatnonzero(block == one)[: len(cards)]] = cards
        self.notes.append(
            f"{order} order: whatever changes with the place (height, order of printing) goes with "
            f"{runs.factors[0].name} and can't be told from it"
        )
        used = run >= 0
        table = np.abs(correlations(places[used], runs.values[run[used]]))
        at = np.unravel_index(int(np.argmax(table)), table.shape)
        return run, float(table[at]), (names[int(at[0])], runs.factors[int(at[1])].name)

    # By height.

    def _by_height(self) -> Plan:
        asked, count = self.asked, len(self.poses)
        runs = self._runs_by_height(asked.vary, self._repeats_in_coupon())
        lasting = asked.varies("nozzle") or asked.varies("fan")
        alike = lasting and self.layered
        n = len(runs) * runs.repeats
        block = np.repeat(np.arange(count), n)
        z = np.tile(np.arange(n, dtype=np.float64), count)[:, None]
        run, greatest, between = self._dealt(z, runs, block, alike=alike, names=("height",))
        table = run.reshape(count, n)
        settings = [runs.settings(k) | asked.held for k in range(len(runs))]
        bands = self._bands([[settings[k] for k in row] for row in table.tolist()])
        regions = self._band_regions(bands)
        specimens: list[Specimen] = []
        for pose, row in zip(self.poses, table.tolist(), strict=True):
            for (region, layers), k in zip(regions.items(), row, strict=True):
                specimens.append(Specimen(len(specimens) + 1, k + 1, pose, region, layers, settings[k]))
        kit = self._kit(regions)
        return self._plan(kit, "height", specimens, settings, runs, bands, (), greatest, between)

    def _repeats_in_coupon(self) -> int:
        """How often a step comes in one coupon.

        Raises
        ------
        UsageError : a number of bands that the steps don't fill.
        """
        asked = self.asked
        if asked.bands is None or asked.design != "grid":
            return asked.repeat or 1
        steps = math.prod(len(f.values) for f in asked.vary)
        if asked.bands % steps or (asked.repeat and asked.bands != steps * asked.repeat):
            raise UsageError(
                f"--bands {asked.bands}: {steps} steps fill {steps} bands, or a multiple of it",
                f"Give --bands {steps * (asked.repeat or 1)}, or leave it out.",
            )
        return asked.bands // steps

    def _runs_by_height(self, factors: Sequence[Factor], repeats: int) -> Runs:
        """Runs that are bands of one coupon."""
        asked = self.asked
        corners = [
            {f.name: f.values[end] for f, end in zip(factors, ends, strict=True)}
            for ends in ([0] * len(factors), [-1] * len(factors))
        ]
        # A grid is laid out and seen to fit or not; for what is to be as large as fits, each way is the longest.
        steps = math.prod(len(f.values) for f in factors)
        room = steps * repeats
        if asked.design != "grid":
            room = self._most(self._worst_s(corners))
        elif room > _MOST_BANDS:
            room = self._most(0.0)
        return runs_of(
            asked.design, factors, max(room, 1), count=asked.runs, repeats=repeats,
            where=f"band of at least {LEAST_MM:g} mm in {self.coupon.height_mm():.1f} mm", more="a taller coupon",
        )  # fmt: skip

    def _need_s(self, before: dict[str, float], after: dict[str, float]) -> float:
        """Seconds between two steps in which nozzle and fan arrive; {} is the file as sliced."""
        need = 0.0
        for name, own, law in (
            ("nozzle", self.coupon.nozzle_c, arrival_s),
            ("fan", self.coupon.fan_percent, fan_arrival_s),
        ):
            if name in after:
                a = before.get(name, own if own is not None else after[name])
                share = 100.0 if name == "fan" else 1.0
                need = max(need, law(self.heating, a / share, after[name] / share))
        return need

    def _worst_s(self, steps: Sequence[dict[str, float]]) -> float:
        """The same between the two that are farthest apart."""
        steps = [step | self.asked.held for step in steps]
        return max(self._need_s(a, b) for a in steps for b in steps)

    def _most(self, need_s: float) -> int:
        coupon = self.coupon
        return most_bands(coupon.top_mm, coupon.layer_s, need_s, self.asked.gap_mm, LEAST_MM)

    def _bands(self, orders: Sequence[Sequence[dict[str, float]]]) -> Bands:
        """Bands for coupons with these steps from below.

        Raises
        ------
        Refused : they do not fit, with how many would.
        """
        needs = []
        for k in range(len(orders[0])):
            needs.append(max(self._need_s(row[k - 1] if k else {}, row[k]) for row in orders))
        needs[0] = max(needs[0] - self.coupon.before_s, 0.0)
        coupon = self.coupon
        found = lay_bands(coupon.top_mm, coupon.layer_s, needs, self.asked.gap_mm, LEAST_MM)
        if found is None:
            most = self._most(max(needs))
            between = (
                f"the nozzle needs up to {max(needs):.0f} s to arrive" if max(needs) else "a saw needs room"
            )
            raise Refused(
                f"{self.name}: {len(needs)} bands don't fit in {coupon.height_mm():.1f} mm of "
                f"{self.part}/{self.region}: between two {between}, and a band is at least "
                f"{LEAST_MM:g} mm",
                f"Possible: at most {counted(most, 'band')} in any order; fewer values, smaller steps, "
                "--order rising, a taller coupon."
                if most > 1
                else "Possible: smaller steps, --order rising, a taller or larger coupon: not even two bands fit in "
                "any order.",
            )
        return found

    def _band_regions(self, bands: Bands) -> dict[str, tuple[int, int]]:
        first = self.coupon.layers[0]
        return {
            f"{self.region}-{k + 1}": (first + int(a), first + int(b))
            for k, (a, b) in enumerate(zip(bands.first, bands.last, strict=True))
        }

    # Heat by height, the rest by instance.

    def _by_both(self) -> Plan:
        asked = self.asked
        if asked.design != "grid":
            raise UsageError(
                f"--by both --design {asked.design}: heat by height crosses all else, which makes a grid",
                "Take --design grid, or --by height.",
            )
        self._fan_has_time(asked.varies("fan"))
        heat = [f for f in asked.vary if f.name == "nozzle"]
        rest = [f for f in asked.vary if f.name != "nozzle"]
        stacked = self._runs_by_height(heat, 1)
        spread = runs_of(
            "grid", rest, len(self.poses), repeats=asked.repeat, where="instance", more="more instances"
        )
        n = len(stacked)
        up, z_greatest, z_between = self._dealt(
            np.arange(n, dtype=np.float64)[:, None], stacked, None, alike=True, names=("height",)
        )
        across, xy_greatest, xy_between = self._dealt(self._places(), spread, None, alike=False)
        bands = self._bands([[stacked.settings(k) | asked.held for k in up.tolist()]])
        regions = self._band_regions(bands)
        settings = [
            stacked.settings(i) | spread.settings(j) | asked.held
            for i in range(n)
            for j in range(len(spread))
        ]
        specimens: list[Specimen] = []
        for pose, j in zip(self.poses, across.tolist(), strict=True):
            if j >= 0:
                for (region, layers), i in zip(regions.items(), up.tolist(), strict=True):
                    k = i * len(spread) + j
                    specimens.append(Specimen(len(specimens) + 1, k + 1, pose, region, layers, settings[k]))
        unused = tuple(pose for pose, j in zip(self.poses, across.tolist(), strict=True) if j < 0)
        whole = runs_of("grid", [*heat, *rest], len(settings), repeats=1)
        whole = replace(whole, repeats=spread.repeats)
        best = max((z_greatest, z_between), (xy_greatest, xy_between), key=lambda pair: pair[0])
        return self._plan(self._kit(regions), "both", specimens, settings, whole, bands, unused, *best)

    # What all share.

    def _kit(self, regions: dict[str, tuple[int, int]]) -> Kit:
        """The kit with the region in pieces of layers. Other parts stay to be told apart, and are left alone."""
        part = self.kit.parts[self.part]
        own = part.regions[self.region]
        made: dict[str, Region] = {
            name: structs.replace(own, within=AllOf((own.within, Slab(layers=layers))), treat=None)
            for name, layers in regions.items()
        }
        others = {
            name: structs.replace(one, regions={"whole": Region(All())})
            for name, one in self.kit.parts.items()
        }
        return replace(self.kit, parts=others | {self.part: structs.replace(part, regions=made)})

    def _plan(
        self,
        kit: Kit,
        by: str,
        specimens: Sequence[Specimen],
        settings: Sequence[dict[str, float]],
        runs: Runs,
        bands: Bands | None,
        unused: tuple[Pose, ...],
        greatest: float,
        between: tuple[str, str] | None,
    ) -> Plan:
        if self.asked.order == "random" and between is not None and greatest > _GOES_WITH:
            self.notes.append(
                f"{between[1]} goes with {between[0]} (correlation {greatest:.2f}): with so few specimens no deal "
                "keeps them apart; print it again with another --seed, or more of each"
            )
        return Plan(
            kit, self.region, by, self.layered, tuple(specimens), tuple(settings), runs, self.coupon, bands, unused,
            greatest, between, (*runs.notes, *self.notes),
        )  # fmt: skip
