"""What a treatment costs in time, filament, energy and money, and the file's own times after it."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.edit.progress import Clock, Restated, Used, clock_lines, restate
from gcodetools.edit.splice import Edits
from gcodetools.edit.treated import Reread
from gcodetools.edit.windows import line_map
from gcodetools.gcode.arrays import give_back, give_back_gaps
from gcodetools.jobs.carried import carried
from gcodetools.jobs.clock import Standing, elapsed_s, standing
from gcodetools.jobs.containers import restated_totals
from gcodetools.jobs.costs import Costs, Side, add_up_sides
from gcodetools.jobs.rates import bed_of, columns_record, costs_record, difference, rates_of
from gcodetools.jobs.records import estimate
from gcodetools.jobs.sources import Profiles
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit
from gcodetools.kit.selection import Selection, select_all
from gcodetools.marks.progress import Stated, find_stated
from gcodetools.physics.timing import Retimed, Times, times
from gcodetools.records import dataclass
from gcodetools.toolpath.filament import Filament, filament_by_tool
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.clock import retimed_rows
from gcodetools.treat.order import Work

__all__ = ["OVERLAPS", "Books", "Took"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Regions = Sequence[tuple[str, Selection]]

OVERLAPS = "where regions overlap, the one written first has it; what is in none is `rest`"
_LARGE_BYTES = 1 << 24
_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Took:
    """time : `before_s`, `after_s` and `time_s` (added), each an estimate. costs : tables before, after and added.
    warnings : sentences."""

    time: dict[str, Any]
    costs: dict[str, Any]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Side:
    """One side: seconds at the lines asked for and in all, costs, and what was found besides the moves."""

    at_s: F8
    total_s: float
    costs: Costs
    stands: Standing
    planned: Times

    @classmethod
    def of(
        cls, plate: Plate, planned: Times, line: NDArray[np.integer], regions: Regions, profiles: Profiles,
    ) -> _Side:  # fmt: skip
        """line : of `plate`, ascending."""
        return cls.several(plate, [(planned, None, None)], line, regions, profiles)[0]

    @classmethod
    def several(
        cls, plate: Plate, plans: Sequence[tuple[Times, Retimed | None, Draft | None]], line: NDArray[np.integer],
        regions: Regions, profiles: Profiles,
    ) -> list[_Side]:  # fmt: skip
        """Sides of one plate. plans : its times, what changes in them, and the draft whose flow changes the filament of
        its rows."""
        row = np.searchsorted(plate.moves.line, line.astype(plate.moves.line.dtype))
        sides, clocks = [], []
        for planned, changed, draft in plans:
            whole = planned if changed is None else changed.over(planned)
            stands = standing(plate, whole.seconds, profiles.machine)
            clocks.append((elapsed_s(whole.seconds, row), whole.total_s, stands))
            sides.append(Side(planned, stands.extras, None if draft is None else _Flow(draft), changed))
            del whole  # its column is large, and what follows is worked out a block of rows at a time
        costs = add_up_sides(plate, sides, regions)
        return [
            cls(at_s, total_s, cost, stands, _bare(side.planned))
            for (at_s, total_s, stands), cost, side in zip(clocks, costs, sides, strict=True)
        ]


def _bare(planned: Times) -> Times:
    """Without the columns, which are large, and no longer needed while the other side is planned."""
    none = np.empty(0)
    return replace(planned, seconds=none, waits_s=none, joint=np.empty(0, np.uint8))


class Books:
    """Keeps account of one treatment: `ahead`, if at all, is called once it is known what is wanted, `restate` while it
    is written, and `took` afterwards. `totals` are then the new texts of what only the file's container states.

    The treated text is read again. On large files whose moves are all still there the new feeds and flows are
    planned on the original's moves instead, to keep memory within bounds; what an `accel` costs and cuts at a
    region's edge are then left out, and the source says so. Both plans are scaled alike where the file's own
    time is what they are scaled to.

    Parameters
    ----------
    poses : of all instances. work : the regions treated. keep_times : leave the file's own times and totals as
    they are. planned : the plate's times where they are known already; retimed : what the draft's feeds change in them.
    """

    def __init__(
        self,
        plate: Plate,
        draft: Draft,
        kit: Kit,
        poses: Sequence[Pose],
        work: list[Work],
        profiles: Profiles,
        keep_times: bool = False,
        planned: Times | None = None,
        retimed: Retimed | None = None,
    ) -> None:
        self.plate, self.draft, self.kit, self.poses, self.work = plate, draft, kit, poses, work
        self.profiles, self.keep_times, self.planned = profiles, keep_times, planned
        self.retimed = retimed
        self.stated = Stated((), ()) if keep_times else find_stated(plate.program, plate.marks)
        own = clock_lines(plate, self.stated)
        self.second_layer = int(plate.layers.line[1]) if len(plate.layers) > 1 else -1
        self.line: I8 = np.unique(np.append(own, self.second_layer)) if self.second_layer >= 0 else own
        self.before: _Side | None = None
        self.after: _Side | None = None
        self.begun: Future[list[_Side]] | None = None
        self.unread: tuple[int, ...] = ()
        self.totals: dict[str, str] = {}
        self.totals_unread: tuple[str, ...] = ()

    def ahead(self, beside: Executor) -> None:
        """Begin to account for both sides, as far as the original's moves tell, beside the schedule of nozzle and fan:
        if that rests, the treated text tells of the side after, and only the other stays."""
        if not _read_again(self.plate, self.draft):
            self.begun = beside.submit(self._drafted)

    def _drafted(self) -> list[_Side]:
        """Both sides on the original's moves."""
        planned = self._planned()
        changed = retimed_rows(self.draft, planned) if self.retimed is None else self.retimed
        self.retimed = None
        plans = [(planned, None, None), (planned, changed, self.draft)]
        sides = _Side.several(self.plate, plans, self.line, self._regions(), self.profiles)
        del planned, changed, plans
        give_back_gaps(len(self.plate.program.lines.data))
        return sides

    def restate(self, reread: Reread) -> Restated:
        """Account for both sides; what brings the file's own times and totals up to date."""
        plate, treated = self.plate, None
        if _read_again(plate, self.draft):
            before = self._before()
            treated, edits = reread()
            line = line_map(edits, plate.program.lines.start)[self.line]
            planned = times(treated, self.profiles.machine, factor=before.planned.factor)
            self.after = _Side.of(treated, planned, line, self._regions_after(treated, edits), self.profiles)
        else:
            before, self.after = self._drafted() if self.begun is None else self.begun.result()
            self.before = before
        if self.keep_times:
            none = np.empty(0, np.int64)
            return Restated(none, none, none, (), ())
        clock, used = self._clock(before, self.after), self._used(treated, before, self.after)
        new = restate(plate, self.stated, clock, used)
        self.totals, self.totals_unread = restated_totals(plate, clock, used)
        self.unread = new.unread
        return new

    def took(self) -> Took:
        """The accounts; without a call of `restate` nothing was changed."""
        before = self._before()
        after = self.after or before
        source = before.planned.source
        if self.after is not None and not _read_again(self.plate, self.draft):
            source += "; changed accelerations left out"
        added = after.total_s - before.total_s
        within = before.planned.within
        time = {
            "before_s": estimate(before.total_s, *within(before.total_s), source),
            "after_s": estimate(after.total_s, *within(after.total_s), source),
            "time_s": estimate(added, *within(added), source),
        }
        rates = rates_of(self.plate, self.profiles, bed_of(self.plate))
        tables = [costs_record(side.costs, rates) for side in (before, after)]
        costs = {
            "columns": columns_record(rates, before.planned.band, source),
            "regions_overlap": OVERLAPS,
            "before": tables[0],
            "after": tables[1],
            "added": difference(*tables),
        }
        if before.stands.source:
            costs["heating_source"] = before.stands.source
        return Took(time, costs, tuple(self._warnings()))

    def _warnings(self) -> list[str]:
        result = []
        if self.unread:
            lines = ", ".join(str(line + 1) for line in self.unread[:_SHOWN]) + _more(len(self.unread))
            name = self.plate.program.lines.name
            result.append(f"{name}: line {lines}: a time or total that can't be read; left as it is")
        if self.totals_unread:
            keys = ", ".join(self.totals_unread[:_SHOWN])
            result.append(f"{self.plate.file}: {keys}: a time or total that can't be read; left as it is")
        return result

    def _before(self) -> _Side:
        if self.before is None and self.begun is not None:
            self.before = self.begun.result()[0]
        if self.before is None:
            self.before = _Side.of(self.plate, self._planned(), self.line, self._regions(), self.profiles)
        return self.before

    def _planned(self) -> Times:
        """The plate's times, which are let go of."""
        if len(self.plate.program.lines.data) > _LARGE_BYTES:
            give_back()
        planned = self.planned or times(self.plate, self.profiles.machine)
        self.planned = None
        return planned

    def _regions(self) -> Regions:
        return [(_name(hit.part, hit.instance, hit.region), hit.selection) for hit, *_ in self.work]

    def _regions_after(self, treated: Plate, edits: Edits) -> Regions:
        """The same regions on the treated plate."""
        poses = {(pose.part, pose.instance): pose for pose in carried(self.draft, treated, edits, self.poses)}
        wanted: dict[str, tuple[dict[int, None], dict[str, None]]] = {}
        for hit, *_ in self.work:
            instances, regions = wanted.setdefault(hit.part, ({}, {}))
            instances[hit.instance], regions[hit.region] = None, None
        found: dict[str, Selection] = {}
        for part, (instances, regions) in wanted.items():
            mine = [poses[part, n] for n in instances]
            known = {name: self.kit.parts[part].regions[name] for name in regions}
            for pose, hits in zip(mine, select_all(treated, mine, known), strict=True):
                found |= {_name(part, pose.instance, name): hit.selection for name, hit in hits.items()}
        return [(name, found[name]) for name, _ in self._regions()]

    def _clock(self, before: _Side, after: _Side) -> Clock:
        stated = self.plate.totals.time_s
        added = after.total_s - before.total_s
        first = added
        if self.second_layer >= 0:
            at = int(np.searchsorted(self.line, self.second_layer))
            first = float(after.at_s[at] - before.at_s[at])
        return Clock(self.line, before.at_s, after.at_s, before.total_s, after.total_s, first, stated)

    def _used(self, treated: Plate | None, *sides: _Side) -> Used:
        """How much more filament goes through each tool than before."""
        plate, meaning = self.plate, self.plate.totals.meaning
        if treated is None:
            before, after = (_pushed(side.costs) for side in sides)
        else:
            before, after = (
                {tool: _counted(one, meaning) for tool, one in filament_by_tool(side).items()}
                for side in (plate, treated)
            )
        measured = sum(before.values())
        stated = plate.totals.filament_mm or measured
        if measured <= 0 or stated <= 0:
            return Used(1.0, {})
        share = stated / measured
        more = {tool: after.get(tool, 0.0) - mm for tool, mm in before.items()}
        by_tool = {tool: 1.0 + more[tool] / (mm * share) for tool, mm in before.items() if mm > 0}
        return Used(1.0 + sum(more.values()) / stated, by_tool)


def _more(count: int) -> str:
    return f" and {count - _SHOWN} more" if count > _SHOWN else ""


def _name(part: str, instance: int, region: str) -> str:
    return f"{part}#{instance}/{region}"


def _counted(one: Filament, meaning: str) -> float:
    """What the file's own total counts; what goes through the nozzle where that is unknown."""
    stated = one.as_stated(meaning)
    return one.nozzle_mm if stated is None else stated


class _Flow:
    """Filament of a draft's rows, mm, by the flow of their pieces."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft

    def __call__(self, low: int, high: int) -> F8:
        draft = self.draft
        e = draft.plate.moves.e[low:high]
        mine = slice(int(draft.first[low]), int(draft.first[high]))
        flow = draft.flow[mine]
        changed = np.flatnonzero(~np.isnan(flow) & (flow != 1.0))
        if len(changed) == 0:
            return e
        row = draft.row[mine][changed] - low
        share = draft.t1[mine][changed] - draft.t0[mine][changed]
        more = np.bincount(row, share * (flow[changed] - 1.0), minlength=len(e))
        result: F8 = e * (1.0 + more)
        return result


def _pushed(costs: Costs) -> dict[int, float]:
    """Net filament by tool, mm."""
    return {int(tool): float(costs.pushed_mm[tool]) for tool in np.flatnonzero(costs.pushed_mm)}


def _read_again(plate: Plate, draft: Draft) -> bool:
    """Whether only the treated text tells; else its feeds on the original's moves do."""
    moved = bool(draft.runs) or draft.removed is not None or bool(draft.rests) or draft.moved is not None
    return moved or len(plate.program.lines.data) <= _LARGE_BYTES
