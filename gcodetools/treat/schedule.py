"""The schedule: what regions want of nozzle and fan becomes commands with lead time.

Treatments say what they want of which beads (`asks.ask_of`). Once every region has asked, `settle` puts the beads on a
clock, has the visits planned (`physics.leads`: what follows, what is held, how early each is told) and writes
the commands into the draft as columns: the value from the row before which a command stands to the next.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import load_machine
from gcodetools.edit.commands import fan_track, file_fan
from gcodetools.edit.context import row_brackets
from gcodetools.edit.draft import Draft, Hold, Rest
from gcodetools.edit.stepped import stepped
from gcodetools.gcode.arrays import places, present, spans_of
from gcodetools.gcode.program import Track
from gcodetools.kit.placing import Pose
from gcodetools.physics.hotend import Beads, Fan, Hotend
from gcodetools.physics.leads import (
    FAN_LIMITS,
    Base,
    Limits,
    Plan,
    Slots,
    Wanted,
    plan_fan,
    plan_nozzle,
    replayed,
)
from gcodetools.physics.timing import times
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.treat.asks import Ask, answer
from gcodetools.treat.clock import Clock, Stretches, clock_of, stretches_of
from gcodetools.treat.reached import Schedule, reach_of, spilt
from gcodetools.treat.target import Bounds, Done

__all__ = ["HELD_SHARE_WARNING", "settle"]

HELD_SHARE_WARNING = 0.6  # of the plate's bead length; beyond, the slicer's own setting is the better place
_BLOCK_ROWS = 1 << 15
_EVERY_S = 5.0
PLAIN_MACHINE = "desktop-220"  # whose heating counts where no machine is named
F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


def settle(
    draft: Draft,
    results: list[Done | Ask],
    bounds: Bounds,
    clock: Clock | None = None,
    poses: tuple[Pose, ...] = (),
) -> tuple[list[Done], Schedule]:
    """Plan what has been asked for, write it into the draft, answer.

    Parameters
    ----------
    clock : of the draft; worked out where it is None. poses : of all instances, for what spills onto whom.
    """
    asks = [result for result in results if isinstance(result, Ask)]
    schedule = Schedule()
    if asks:
        clock = clock_of(draft, times(draft.plate, bounds.machine)) if clock is None else clock
        _Settling(draft, asks, bounds, clock, poses, schedule).run()
    answers: list[Done] = []
    for result in results:
        answers.append(answer(result, schedule) if isinstance(result, Ask) else result)
    return answers, schedule


class _Settling:
    """One plate whose schedule is being made."""

    def __init__(
        self,
        draft: Draft,
        asks: list[Ask],
        bounds: Bounds,
        clock: Clock,
        poses: tuple[Pose, ...],
        schedule: Schedule,
    ) -> None:
        self.draft, self.asks, self.bounds, self.schedule = draft, asks, bounds, schedule
        self.poses = poses
        self.meant_at: I8 = np.empty(0, np.int64)
        machine = bounds.machine or load_machine(PLAIN_MACHINE)
        self.heating = machine.heating
        known = "" if bounds.machine else ", no machine is named"
        schedule.source = f"heating and fan of machine {machine.name}{known}; {clock.source}"
        self.clock = clock
        self.bed_layer = self._bed_layers()
        self.kept_layer = self._held_layers()
        self.brief = np.zeros(len(draft.plate.program.moves), bool)
        self.gaps: Bool | None = None
        self.written: F8 | None = None
        self.stretches = self._stretches()
        if draft.fan is not None:
            self.brief = self._find_brief()
            if self.brief.any():
                self.stretches = self._stretches()

    def run(self) -> None:
        draft = self.draft
        told_s: list[F8] = []
        moves = draft.plate.program.moves
        tools = sorted({ask.tool for ask in self.asks if ask.setting == "nozzle"})
        every = present(moves.tool)
        for tool in tools:
            told_s.append(self._plan("nozzle", tool, None if len(every) == 1 else tool, None))
        draft.nozzle_c = self._taken()
        if any(ask.setting == "fan" for ask in self.asks):
            own = [self._base(draft.nozzle_track(int(tool))).time_s for tool in every]
            nozzle_s = np.sort(np.concatenate([*told_s, *own]))
            self._plan("fan", -1, None, nozzle_s)
            draft.fan = self._taken()

    def _taken(self) -> F8 | None:
        """The column that was written, which the next setting begins anew; None for none."""
        written, self.written = self.written, None
        return None if written is None else stepped(written)

    def _held_layers(self) -> Bool:
        """(layers,) where the fan of a region is held back and of none it is not."""
        held = np.zeros(len(self.draft.plate.layers), bool)
        fans = [ask for ask in self.asks if ask.setting == "fan"]
        for ask in fans:
            held |= ask.left_out
        for ask in fans:
            held[ask.layers] = False
        return held | self.bed_layer

    def _bed_layers(self) -> Bool:
        """(layers,) first layers of instances and of runs, rafts included, where these keep what the file has."""
        plate = self.draft.plate
        bed = np.zeros(len(plate.layers), bool)
        if self.draft.bed_kept and len(bed):
            bed[np.flatnonzero(np.diff(plate.layers.run, prepend=plate.layers.run[0] - 1))] = True
            for pose in self.poses:
                found = plate.beads.layer[pose.rows[pose.layer <= 1]]
                bed[found[found >= 0]] = True
        return bed

    def _stretches(self) -> Stretches:
        draft = self.draft
        d = draft.plate.filament_diameter_mm or self.bounds.material.diameter_mm.value
        owner = np.full(len(draft.plate.program.moves), -1, np.int16)
        for k, pose in enumerate(self.poses):
            owner[pose.rows] = k
        runs = draft.runs
        asks = {(ask.setting, ask.target.name): ask for ask in self.asks}
        number = {f"{pose.part}#{pose.instance}": k for k, pose in enumerate(self.poses)}
        run_rows = np.array([run.row for run in runs], np.int64)
        columns = self._columns(run_rows) if len(runs) else {name: np.empty(0) for name in _COLUMNS}
        for setting in ("nozzle", "fan"):
            own, value = columns[f"{setting}_own"], columns[setting]
            for k, run in enumerate(runs):
                ask = asks.get((setting, run.region))
                layer = int(draft.plate.beads.layer[run.row - 1 if run.early and run.row else run.row])
                back = ask is None or (layer >= 0 and bool(ask.left_out[layer]))
                value[k] = np.nan if ask is None or back else ask.wanted(own[k : k + 1])[0]
                if setting == "fan":
                    columns["fan_kept"][k] = float(layer >= 0 and self.kept_layer[layer])
                if setting == "fan" and (own[k] == 0.0 or not np.isnan(run.fan)):
                    value[k], columns["fan_kept"][k] = np.nan, 1.0
        run_owner = np.array([number.get(run.region.rsplit("/", 1)[0], -1) for run in runs], np.int64)
        area = np.pi * d**2 / 4
        return stretches_of(draft, self.clock, area, owner, self._columns, columns, run_owner)

    def _columns(self, rows: NDArray[np.integer]) -> dict[str, F8]:
        """What is wanted of rows, what the file has there, what is to stay as it is."""
        return self._of("nozzle", rows) | self._of("fan", rows)

    def _of(self, setting: str, rows: NDArray[np.integer]) -> dict[str, F8]:
        """The columns of one setting; blank where nobody asked for it."""
        draft = self.draft
        column = draft.nozzle_c if setting == "nozzle" else draft.fan
        if column is None:
            blank = np.zeros(len(rows))
            return {setting: np.full(len(rows), np.nan), f"{setting}_own": blank, f"{setting}_kept": blank}
        moves = draft.plate.program.moves
        if setting == "fan":
            own = file_fan(draft, rows)
        else:
            line, tool = moves.line[rows], moves.tool[rows]
            tools = present(tool)
            own = draft.nozzle_track(int(tools[0])).at(line) if len(tools) else np.empty(0)
            for k in tools[1:]:
                mine = tool == k
                own[mine] = draft.nozzle_track(int(k)).at(line[mine])
            # What a start macro has set and nobody knows counts as the first that is known; nothing is told there.
            for k in tools:
                own[(tool == k) & np.isnan(own)] = _first_known(draft.nozzle_track(int(k)))
        kept = self._kept(setting, rows, own)
        return {setting: column[rows], f"{setting}_own": own, f"{setting}_kept": kept}

    def _kept(self, setting: str, rows: NDArray[np.integer], own: F8 | None = None) -> F8:
        """Which of some rows are left to the file's own commands: not 0, and what overhangs alone keep is told apart.
        own : what the file has there, of the fan."""
        beads, layers = self.draft.plate.beads, self.bed_layer if setting == "nozzle" else self.kept_layer
        kept = np.zeros(len(rows))
        if layers.any():
            layer = beads.layer[rows]
            kept[(layer >= 0) & layers[np.maximum(layer, 0)]] = 1.0
        if setting == "nozzle":  # too slow to leave a few layers out
            return kept
        kept[(file_fan(self.draft, rows) if own is None else own) == 0.0] = 1.0
        feature, column = beads.feature[rows], self.draft.fan
        at = np.flatnonzero((feature == _OVERHANG) | (feature == _BRIDGE))
        if len(at) and column is not None:
            at = at[np.isnan(column[rows[at]])]
            over = at[(feature[at] == _OVERHANG) & (kept[at] == 0.0)]
            kept[over[~self.brief[rows[over]]]] = _KEPT_OVERHANG
            kept[at[feature[at] == _BRIDGE]] = 1.0
        return kept

    def _find_brief(self) -> Bool:
        """(m,) overhang beads whose passes are over before a fan could follow, and at which the file does not
        speak: bursts for them would reach nobody."""
        brief = np.zeros(len(self.draft.plate.program.moves), bool)
        kept, own = self.stretches.columns["fan_kept"], self.stretches.columns["fan_own"]
        edges = np.flatnonzero(np.diff(kept == _KEPT_OVERHANG, prepend=False, append=False)).reshape(-1, 2)
        lag_s = self.heating.fan_lag_s.value
        for a, b in edges.tolist():
            around = own[max(a - 1, 0) : b + 1]
            lasts = float(self.stretches.end_s[b - 1] - self.stretches.begin_s[a])
            if lasts < lag_s and np.ptp(around) < 1e-9:
                end = self.stretches.row[b] if b < len(own) else self.clock.last + 1
                brief[self.stretches.row[a] : end] = True
        return brief

    def _base(self, track: Track) -> Base:
        """The file's own commands on the clock; what comes before the first bead has settled."""
        lines = self.draft.plate.program.moves.line
        row = np.searchsorted(lines, track.line, side="left")
        inside = (row > self.clock.first) & (row <= self.clock.last)
        before = track.at(lines[self.clock.first : self.clock.first + 1])
        before = np.where(np.isnan(before), _first_known(track), before)
        return Base(
            np.concatenate([[0.0], self.clock.at(row[inside])]), np.concatenate([before, track.value[inside]])
        )

    def _gaps(self) -> Bool:
        """Of the rows from the first bead to the last those before which anything may be told."""
        if self.gaps is not None:
            return self.gaps
        part = slice(self.clock.first, self.clock.last + 1)
        is_bead = self.draft.plate.beads.feature[part] != 0
        gaps: Bool = ~is_bead
        gaps[1:] &= is_bead[:-1]
        # Where long nothing but beads is laid, between two of them.
        for low, high in spans_of(len(gaps), 1):
            tick = np.floor(self.clock.begin_s[low - 1 : high] / _EVERY_S)
            gaps[low:high] |= tick[1:] != tick[:-1]
        if len(self.draft.plate.marks.objects.brackets().first):
            bracket = row_brackets(self.draft.plate)[part]
            changes = np.flatnonzero(bracket[1:] != bracket[:-1]) + 1
            gaps &= bracket < 0
            # Between two brackets the one place counts, whatever moves there.
            gaps[changes] = True
        gaps[:1] = True
        self.gaps = gaps
        return gaps

    def _slots(self, track: Track, tool: int | None, kept_from: I8, pausing: bool) -> Slots:
        """Places between beads where a command may stand: at travels, outside object brackets; and before
        `kept_from`, where beads that keep what the file has begin or end: the file speaks there too."""
        plate, clock = self.draft.plate, self.clock
        part = slice(clock.first, clock.last + 1)
        allowed = self._gaps().copy()
        later = np.flatnonzero(np.diff(plate.layers.run) == 0) + 1
        if pausing:  # only where the rest can stand
            from gcodetools.edit.rests import rest_obstacle

            why = {layer: rest_obstacle(self.draft, layer) for layer in later.tolist()}
            self.schedule.no_pause = next((text for text in why.values() if text), "")
            later = later[[not why[layer] for layer in later.tolist()]]
        behind = self._behind(plate.layers.first_row[later])
        allowed[self._behind(kept_from) - clock.first] = True
        allowed[behind - clock.first] = True
        if np.isnan(track.initial) or np.isnan(track.value).any():
            allowed &= ~np.isnan(track.at(plate.program.moves.line[part]))
        if tool is not None:
            mine = plate.program.moves.tool[part] == tool
            allowed[:-1] |= mine[:-1] & ~mine[1:]  # lest it stays hot while another prints
            allowed &= mine
            allowed[:1] = True
        at = np.flatnonzero(allowed) + clock.first
        rest = np.append(np.isin(at, behind) & pausing, False)
        at = np.append(at, clock.last + 1)
        return Slots(clock.at(at), at, rest)

    def _behind(self, rows: NDArray[np.integer]) -> I8:
        """(k,) for each of `rows` behind the first bead the row right behind the last bead before it, once each."""
        beads = places(self.draft.plate.beads.feature)
        at = np.searchsorted(beads, rows.astype(beads.dtype)) - 1
        found: I8 = np.unique(beads[at[at >= 0]].astype(np.int64) + 1)
        return found[found <= self.clock.last]

    def _runs(self, used: Bool) -> I8:
        """(layers,) number of the run of layers in which something is wanted."""
        run = self.draft.plate.layers.run
        breaks = np.ones(len(used), bool)
        breaks[1:] = (run[1:] != run[:-1]) | (used[1:] & ~used[:-1])
        found: I8 = np.cumsum(breaks).astype(np.int64)
        return found

    def _plan(self, setting: str, tool: int, only: int | None, avoid_s: F8 | None) -> F8:
        """Plan one nozzle or the fan into the column that is written; returns when its commands stand."""
        mine = self.stretches if only is None else self.stretches.of_tool(only)
        beads = Beads(mine.begin_s, mine.end_s, mine.volume_mm3)
        value, own = mine.columns[setting], mine.columns[f"{setting}_own"]
        kept = mine.columns[f"{setting}_kept"] != 0
        layer = np.maximum(mine.layer, 0)
        used = np.zeros(max(len(self.draft.plate.layers), 1), bool)
        used[layer[~np.isnan(value) & ~kept]] = True
        asks = [ask for ask in self.asks if (ask.setting, ask.tool) == (setting, tool)]
        wanted = Wanted(value, own, self._runs(used)[layer], kept)
        mode = asks[0].mode
        track = self._track(setting, tool)
        slots = self._slots(track, only, mine.row[1:][kept[1:] != kept[:-1]], mode == "pause")
        base = self._base(track)
        models: list[Fan] | list[Hotend]
        if setting == "fan":
            models = [Fan.of(self.heating, pace) for pace in ("best", "slow", "fast")]
            plan = plan_fan(beads, wanted, base, slots, models[0], FAN_LIMITS, mode, avoid_s)
        else:
            models = [Hotend.of(self.heating, pace) for pace in ("best", "slow", "fast")]
            limits = Limits(self.bounds.nozzle_low_c, self.bounds.nozzle_high_c)
            plan = plan_nozzle(beads, wanted, base, slots, models[0], limits, mode)
        self.meant_at = plan.commands.row  # where they are meant, before they are put apart
        plan = self._apart(plan, slots)
        plans = [plan, *(replayed(plan, beads, base, model) for model in models[1:])]
        if self.written is None:  # not before: what is planned takes as much
            self.written = np.full(len(self.draft.plate.program.moves), np.nan)
        self._write(setting, tool, plan, self.written, only)
        self._note(setting, plan, mine, asks)
        self.schedule.add(reach_of(setting, mode, plans, mine, value, asks))
        self.schedule.spills += spilt(setting, plan, mine, ~np.isnan(value), self.draft.plate)
        return plan.commands.file_s

    def _apart(self, plan: Plan, slots: Slots) -> Plan:
        """The plan with several commands at one place put before one another, since a row has one value."""
        told = plan.commands
        row = told.row.copy()
        for k in range(len(row) - 1, 0, -1):
            if row[k - 1] >= row[k]:
                at = int(np.searchsorted(slots.row, row[k], side="left")) - 1
                row[k - 1] = slots.row[max(at, 0)]
        if np.array_equal(row, told.row):
            return plan
        file_s = self.clock.at(row)
        later = np.cumsum(told.rest_s) - told.rest_s
        return replace(plan, commands=replace(told, row=row, file_s=file_s, time_s=file_s + later))

    def _track(self, setting: str, tool: int) -> Track:
        """The file's own commands."""
        return fan_track(self.draft) if setting == "fan" else self.draft.nozzle_track(tool)

    def _write(self, setting: str, tool: int, plan: Plan, column: F8, only: int | None) -> None:
        told, track = plan.commands, self._track(setting, tool)
        ends = np.append(told.row[1:], self.clock.last + 1)[: len(told)]
        moves = self.draft.plate.program.moves
        begins = np.searchsorted(
            moves.line, track.line, side="right"
        )  # from where each of the file's own holds
        values = np.concatenate([[track.initial], track.value])
        for row, end, value, over in zip(
            told.row.tolist(), ends.tolist(), told.value.tolist(), told.over.tolist(), strict=True
        ):
            low, high = np.searchsorted(begins, [row, end], side="right")
            edges = [row, *begins[low:high].tolist(), end]
            for first, last, own in zip(edges[:-1], edges[1:], values[low : high + 1].tolist(), strict=True):
                # Where the file says the same, its own commands stand.
                here = value if not over and not abs(own - value) < 1e-9 else np.nan
                if only is None:
                    column[first:last] = here
                else:
                    column[first:last][moves.tool[first:last] == only] = here
        self._keep(setting, plan, column)
        if plan.seconds > 0:
            self.schedule.paused[setting, tool] = len(self._rests_of(plan)), plan.seconds
        name = next(ask.target.name for ask in self.asks if ask.setting == setting)
        for layer, seconds in self._rests_of(plan).items():
            self._rest(layer, seconds, name)

    def _rests_of(self, plan: Plan) -> dict[int, float]:
        """Seconds to rest before each layer."""
        told, found = plan.commands, dict[int, float]()
        resting = told.rest_s > 0
        layers = np.searchsorted(self.draft.plate.layers.first_row, self.meant_at[resting], side="left")
        for layer, seconds in zip(layers.tolist(), told.rest_s[resting].tolist(), strict=True):
            found[layer] = found.get(layer, 0.0) + seconds
        return found

    def _keep(self, setting: str, plan: Plan, column: F8) -> None:
        """Leave beads that keep what the file has, and the travels to them, to the file's own commands."""
        feature = self.draft.plate.beads.feature
        if setting == "nozzle" and not self.bed_layer.any():
            return
        for first, last in zip(plan.holds.first_row.tolist(), plan.holds.last_row.tolist(), strict=True):
            ahead = False  # whether the next bead is kept
            for low in range(first + (last - first) // _BLOCK_ROWS * _BLOCK_ROWS, first - 1, -_BLOCK_ROWS):
                high = min(low + _BLOCK_ROWS, last)
                beads = np.flatnonzero(feature[low:high])
                kept = np.append(self._kept(setting, beads + low) != 0, ahead)
                if kept.any():  # a travel goes with the bead behind it
                    behind = np.diff(np.append(beads + 1, high - low), prepend=0)
                    column[low:high][np.repeat(kept, behind)] = np.nan
                ahead = bool(kept[0])

    def _rest(self, layer: int, seconds: float, region: str) -> None:
        """A rest of the draft, as long as the longer of this one and what is there."""
        seconds = float(np.ceil(seconds * 10) / 10)
        rests = self.draft.rests
        for k, rest in enumerate(rests):
            if rest.layer == layer:
                rests[k] = replace(rest, seconds=max(rest.seconds, seconds))
                return
        rests.append(Rest(layer, seconds, region))

    def _note(self, setting: str, plan: Plan, stretches: Stretches, asks: list[Ask]) -> None:
        """The holds of a plan, with the regions that have beads in them."""
        if len(plan.holds) == 0:
            return
        rows = stretches.row
        low, high = rows[plan.holds.first], rows[plan.holds.last]
        names: list[list[str]] = [[] for _ in low]
        for ask in asks:
            hold = np.searchsorted(low, ask.rows, side="right") - 1
            inside = (hold >= 0) & (ask.rows <= high[np.maximum(hold, 0)])
            for h in np.unique(hold[inside]).tolist():
                names[h].append(ask.target.name)
        ends = zip(plan.holds.first_row.tolist(), plan.holds.last_row.tolist(), names, strict=True)
        self.draft.holds += [Hold(setting, a, b, tuple(dict.fromkeys(own))) for a, b, own in ends]


def _first_known(track: Track) -> float:
    """The first value of a track that is known, 0 for none."""
    known = track.value[~np.isnan(track.value)]
    return float(known[0]) if len(known) else 0.0


_BRIDGE, _OVERHANG = (FEATURE_INDEX[word] for word in ("bridge", "overhang"))
_KEPT_OVERHANG = 2.0
_COLUMNS = ("nozzle", "nozzle_own", "nozzle_kept", "fan", "fan_own", "fan_kept")
