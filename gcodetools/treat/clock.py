"""When each bead of a draft is printed, and beads put together to stretches that a schedule can be planned on.

A plate has millions of beads, nozzle and fan follow within seconds: what lies within half a second and is alike
in all that matters is one stretch.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.edit.moves import BEAD
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import LINE, Arcs, Moves
from gcodetools.physics.timing import Retimed, Times, motion_seconds, retimed
from gcodetools.records import dataclass
from gcodetools.toolpath.beads import FEATURE_INDEX

__all__ = ["Clock", "Columns", "Stretches", "clock_of", "retimed_rows", "stretches_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
I4 = NDArray[np.int32]
Bool = NDArray[np.bool_]
Columns = dict[str, NDArray[np.generic]]

STEP_S = 0.5
_BLOCK_ROWS = 1 << 17
_THREADS = 2


@dataclass(frozen=True, slots=True)
class Clock:
    """Time since the first bead of the plate.

    first, last : rows of the first and the last bead. begin_s : (last - first + 2,) when each of the rows from
    `first` on begins, and the end of the last. run_row, run_s, run_begin_s : (r,) of each run of the draft the
    row before which it stands, how long it takes and when it begins. source : where these times are from.
    """

    first: int
    last: int
    begin_s: F8
    run_row: I8
    run_s: F8
    run_begin_s: F8
    source: str

    def at(self, rows: NDArray[np.integer]) -> F8:
        """When rows begin; those before the first bead at 0, those behind the last at the end."""
        found: F8 = self.begin_s[np.clip(rows - self.first, 0, len(self.begin_s) - 1)]
        return found

    @property
    def end_s(self) -> float:
        """When the last bead has been printed."""
        return float(self.begin_s[-1])


def retimed_rows(draft: Draft, planned: Times) -> Retimed:
    """What the feeds that a draft wants change in the times of its plate's rows."""
    return retimed(draft.plate, planned, *_changed_feeds(draft))


def _changed_feeds(draft: Draft) -> tuple[I8, F8]:
    """Rows that go at another feed, and the one feed at which each would take as long as its pieces do at theirs,
    mm/s."""
    own = draft.plate.moves.f
    rows = distinct(draft.row[np.flatnonzero(~np.isnan(draft.feed))])
    first = draft.first[rows]
    count = draft.first[rows + 1] - first
    files, feed = own[rows], draft.feed[first]
    with np.errstate(divide="ignore", invalid="ignore"):
        slowness = 1.0 / np.where(np.isnan(feed) | np.isnan(files), files, feed)
        cut = np.flatnonzero(count > 1)
        owner = np.repeat(np.arange(len(cut)), count[cut])
        piece = np.arange(len(owner)) + (first[cut] - np.cumsum(count[cut]) + count[cut])[owner]
        feed, files = draft.feed[piece], files[cut][owner]
        feed = np.where(np.isnan(feed) | np.isnan(files), files, feed)
        share = (draft.t1[piece] - draft.t0[piece]) / feed
        slowness[cut] = np.bincount(owner, share, minlength=len(cut))
        mean = 1.0 / slowness
    other = np.isfinite(mean) & (mean != own[rows])
    return rows[other].astype(np.int64), mean[other]


def clock_of(draft: Draft, planned: Times, changed: Retimed | None = None) -> Clock:
    """The clock of a draft whose plate takes `planned`; changed feeds, removed and new beads count, changed
    accelerations do not.

    Parameters
    ----------
    changed : by `retimed_rows`, worked out where it is None.
    """
    printed = draft.plate.beads.feature != 0
    first, last = 0, -1
    if printed.any():
        first, last = int(printed.argmax()), len(printed) - 1 - int(printed[::-1].argmax())
    changed = retimed_rows(draft, planned) if changed is None else changed
    begin = np.zeros(last - first + 2)
    seconds = begin[1:]
    seconds[:] = planned.seconds[first : last + 1]
    inside = (changed.row >= first) & (changed.row <= last)
    seconds[changed.row[inside] - first] = changed.seconds[inside]
    share = _kept_share(draft)
    if share is not None:
        seconds *= share[first : last + 1]
    np.cumsum(seconds, out=seconds)
    if not draft.runs:
        none = np.empty(0)
        return Clock(first, last, begin, np.empty(0, np.int64), none, none, planned.source)
    run_row = np.clip(np.array([run.row for run in draft.runs], np.int64), first, last)
    run_s = _run_seconds(draft, planned)
    order = np.argsort(run_row, kind="stable")
    earlier = np.concatenate([[0.0], np.cumsum(run_s[order])])
    run_begin = np.empty(len(run_s))
    run_begin[order] = begin[run_row[order] - first] + earlier[:-1]
    begin += earlier[np.searchsorted(run_row[order], np.arange(first, last + 2), side="right")]
    return Clock(first, last, begin, run_row, run_s, run_begin, planned.source)


def _kept_share(draft: Draft) -> F8 | None:
    """(m,) share of each row that is printed; None for all."""
    if draft.removed is None:
        return None
    return np.bincount(draft.row, (draft.t1 - draft.t0) * ~draft.removed).astype(np.float64)


def _run_seconds(draft: Draft, planned: Times) -> F8:
    """(r,) how long each run takes: all runs planned as one file of straight moves, a move to where each begins
    in between, whose time does not count."""
    plate = draft.plate
    moves, runs = plate.program.moves, draft.runs
    count = np.array([len(run.x) + 1 for run in runs])
    row = np.array([run.row for run in runs])
    before = np.maximum(row - 1, 0)

    def joined(name: str, anchor: NDArray[np.generic] | float) -> NDArray[np.generic]:
        start = np.broadcast_to(anchor, len(runs))
        pairs = zip(start, runs, strict=True)
        return np.concatenate([part for at, run in pairs for part in ([at], getattr(run, name))])

    x, y, z = (joined(axis, getattr(moves, axis)[before]) for axis in "xyz")
    e, feed = joined("e", 0.0), joined("feed", 100.0)
    step = np.stack([np.diff(c.astype(np.float64), prepend=float(c[0])) for c in (x, y, z)])
    path = np.sqrt((step**2).sum(axis=0))
    lines = np.repeat(moves.line[row], count)
    columns = {"line": lines, "x": x, "y": y, "z": z, "e": e, "f": feed}
    blank = {f.name: np.zeros(len(x), getattr(moves, f.name).dtype) for f in fields(Moves)}
    blank |= columns | {"kind": np.full(len(x), LINE, moves.kind.dtype)}
    arcs = Arcs(*(getattr(plate.program.arcs, f.name)[:0] for f in fields(Arcs)))
    none = np.empty(0, plate.program.dwell_row.dtype), np.empty(0)
    program = replace(plate.program, moves=Moves(**blank), arcs=arcs, dwell_row=none[0], dwell_s=none[1])
    made = replace(plate, program=program, beads=replace(plate.beads, length_mm=path))
    seconds = motion_seconds(made, planned.limits) * planned.factor
    starts = np.cumsum(count) - count
    seconds[starts] = 0.0
    total: F8 = np.add.reduceat(seconds, starts)
    return total


@dataclass(frozen=True, slots=True)
class Stretches:
    """Beads put together, in the order of printing.

    row : (n,) first row of each (of new beads: the row before which they stand). run : (n,) index into the
    draft's runs, -1 for the file's own beads. begin_s, end_s, volume_mm3, length_mm : (n,). tool, layer, owner
    (-1 nobody's), outermost : (n,). columns : (n,) those that were asked for, alike within a stretch.
    """

    row: I8
    run: I8
    begin_s: F8
    end_s: F8
    volume_mm3: F8
    length_mm: F8
    tool: I8
    layer: I8
    owner: I8
    outermost: Bool
    columns: dict[str, F8]

    def __len__(self) -> int:
        return len(self.row)

    def of_tool(self, tool: int) -> Stretches:
        """Those that a tool lays."""
        mine = np.flatnonzero(self.tool == tool)
        columns = {f.name: getattr(self, f.name)[mine] for f in fields(self) if f.name != "columns"}
        return Stretches(**columns, columns={name: column[mine] for name, column in self.columns.items()})


def stretches_of(
    draft: Draft,
    clock: Clock,
    area_mm2: float,
    owner: NDArray[np.int16],
    columns: Callable[[NDArray[np.integer]], dict[str, F8]],
    run_columns: dict[str, F8],
    run_owner: I8,
) -> Stretches:
    """All beads of a draft as stretches.

    Parameters
    ----------
    area_mm2 : of the filament. owner : (m,). columns : rows -> what must be alike in a stretch; run_columns,
    run_owner : the same of each run.
    """
    share = _kept_share(draft)

    def part(low: int) -> Columns | None:
        high = min(low + _BLOCK_ROWS, clock.last + 1)
        block = _block(draft, clock, area_mm2, owner, columns, low, high, share)
        if len(draft.runs):
            block = _with_runs(draft, clock, area_mm2, block, low, high, run_columns, run_owner)
        return _together(block, list(run_columns)) if len(block["row"]) else None

    with ThreadPoolExecutor(_THREADS) as pool:
        found = pool.map(part, range(clock.first, clock.last + 1, _BLOCK_ROWS))
        parts = [one for one in found if one is not None]
    names = (
        "row",
        "run",
        "begin_s",
        "end_s",
        "volume_mm3",
        "length_mm",
        "tool",
        "layer",
        "owner",
        "outermost",
    )
    whole = {
        name: np.concatenate([p[name] for p in parts]) if parts else np.empty(0)
        for name in (*names, *run_columns)
    }
    return Stretches(
        **{n: whole[n] for n in names},  # type: ignore[arg-type]
        columns={n: whole[n].astype(np.float64) for n in run_columns},
    )


def _block(
    draft: Draft,
    clock: Clock,
    area_mm2: float,
    owner: NDArray[np.int16],
    columns: Callable[[NDArray[np.integer]], dict[str, F8]],
    low: int,
    high: int,
    share: F8 | None,
) -> Columns:
    plate = draft.plate
    moves, beads = plate.program.moves, plate.beads
    printed = beads.feature[low:high] != 0
    if share is not None:
        printed &= share[low:high] > 0
    rows = np.flatnonzero(printed) + low
    at = rows - clock.first
    kept = 1.0 if share is None else share[rows]
    begin, end = clock.begin_s[at], clock.begin_s[at + 1]
    if len(clock.run_row):  # the runs before the next row are not this row's time
        order = np.argsort(clock.run_row, kind="stable")
        taken = np.concatenate([[0.0], np.cumsum(clock.run_s[order])])
        a = np.searchsorted(clock.run_row[order], [rows, rows + 1], side="right")
        end = end - (taken[a[1]] - taken[a[0]])
    return {
        "row": rows,
        "run": np.full(len(rows), -1, np.int64),
        "begin_s": begin,
        "end_s": np.maximum(end, begin),
        "volume_mm3": np.maximum(moves.e[rows], 0.0) * area_mm2 * kept,
        "length_mm": beads.length_mm[rows] * kept,
        "tool": moves.tool[rows],
        "layer": beads.layer[rows],
        "owner": owner[rows],
        "outermost": beads.feature[rows] == FEATURE_INDEX["outermost"],
        **columns(rows),
    }


def _with_runs(
    draft: Draft,
    clock: Clock,
    area_mm2: float,
    block: Columns,
    low: int,
    high: int,
    run_columns: dict[str, F8],
    run_owner: I8,
) -> Columns:
    here = np.flatnonzero((clock.run_row >= low) & (clock.run_row < high))
    if len(here) == 0:
        return block
    here = here[np.argsort(clock.run_row[here], kind="stable")]
    runs = [draft.runs[k] for k in here.tolist()]
    row = clock.run_row[here]
    moves, beads = draft.plate.program.moves, draft.plate.beads
    beside = np.array([run.row - 1 if run.early and run.row else run.row for run in runs], np.int64)
    more: Columns = {
        "row": row,
        "run": here,
        "begin_s": clock.run_begin_s[here],
        "end_s": clock.run_begin_s[here] + clock.run_s[here],
        "volume_mm3": np.array([float(run.e[run.kind == BEAD].sum()) for run in runs]) * area_mm2,
        "length_mm": np.array([_bead_mm(run.x, run.y, run.kind) for run in runs]),
        "tool": moves.tool[row].astype(np.int64),
        "layer": beads.layer[beside].astype(np.int64),
        "owner": run_owner[here],
        "outermost": np.zeros(len(here), bool),
        **{name: column[here] for name, column in run_columns.items()},
    }
    place = np.searchsorted(block["row"], row)
    return {name: np.insert(column, place, more[name]) for name, column in block.items()}


def _bead_mm(x: F8, y: F8, kind: NDArray[np.uint8]) -> float:
    """Length of a run's beads but for one that begins it, mm."""
    step = np.hypot(np.diff(x, prepend=x[:1]), np.diff(y, prepend=y[:1]))
    return float(step[kind == BEAD].sum())


def _together(block: Columns, names: list[str]) -> Columns:
    """The stretches of a block."""
    count = len(block["row"])
    starts = np.zeros(count, bool)
    starts[0] = True
    step = np.floor(block["begin_s"].astype(np.float64, copy=False) / STEP_S)
    # Those that may be unknown are compared by their bits.
    bits = [block[name].astype(np.float64, copy=False).view(np.int64) for name in names]
    whole = [block[name] for name in ("run", "tool", "layer", "owner", "outermost")]
    for column in (step, *whole, *bits):
        starts[1:] |= column[1:] != column[:-1]
    at = np.flatnonzero(starts)
    last = np.append(at[1:], count) - 1
    result: Columns = {name: column[at] for name, column in block.items()}
    for name in ("tool", "layer", "owner"):
        result[name] = result[name].astype(np.int64)
    result["end_s"] = block["end_s"][last]
    for name in ("volume_mm3", "length_mm"):
        result[name] = np.add.reduceat(block[name].astype(np.float64), at)
    return result
