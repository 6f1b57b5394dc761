"""New moves as columns, those of runs and of rests, and what should be in force on each: for the audit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.commands import file_fan
from gcodetools.edit.draft import Draft
from gcodetools.edit.moves import FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, PULL, PUSH, WAIT, Wait
from gcodetools.edit.runs import state_pieces
from gcodetools.gcode.program import DWELL, RETRACT, UNRETRACT, Program, Track
from gcodetools.records import dataclass

__all__ = ["NewMoves", "States", "new_moves", "states_off"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_IN_PLACE = (PULL, PUSH, LIFT, FIRMWARE_PULL, FIRMWARE_PUSH, WAIT)
_CODE = {FIRMWARE_PULL: RETRACT, FIRMWARE_PUSH: UNRETRACT, WAIT: DWELL}
_KEPT = ("travel_accel", "retract_accel", "jerk_xy", "bed", "speed_factor", "flow_factor", "e_relative",
         "xyz_relative", "inches", "plane", "arc_absolute", "tool", "volumetric")  # fmt: skip
_NONE = float("nan")
_SAME = 1e-3


@dataclass(frozen=True, slots=True)
class NewMoves:
    """Columns of new moves, runs first.

    row : (n,) the row before which each stands (the row count behind the last). key : (n,) orders them among pieces,
    4 p + 3 for piece p. point : (n, 3). code : bits of `kind` that tell moves apart. stays : moves that leave X
    and Y as they are. before, after : (n,) pieces of which one's state holds; the same for runs. fan, accel : (n,)
    what is asked, NaN as it is.
    """

    row: I8
    key: I8
    point: F8
    e: F8
    feed: F8
    code: NDArray[np.uint8]
    seconds: F8
    stays: Bool
    before: I8
    after: I8
    fan: F8
    accel: F8

    def states(self, origin: I8) -> States:
        """What decides the states of moves: `origin` is an index into these, or -1 - p for piece p."""
        own, which = origin < 0, np.maximum(origin, 0)
        before, after = (
            np.where(own, -1 - origin, np.append(side, 0)[which]) for side in (self.before, self.after)
        )
        fan, accel = (
            np.where(own, np.nan, np.append(asked, np.nan)[which]) for asked in (self.fan, self.accel)
        )
        return States(before, after, fan, accel)


@dataclass(frozen=True, slots=True)
class States:
    """Columns (n,): the pieces of which one's states hold on a move, and fan and acceleration that are asked there,
    NaN where none is."""

    before: I8
    after: I8
    fan: F8
    accel: F8


def new_moves(draft: Draft, waits: Sequence[Wait]) -> NewMoves:
    """All moves of the draft's runs and of rests."""
    runs = draft.runs
    run_size = np.array([len(run.kind) for run in runs], np.int64)
    wait_size = np.array([len(wait.kind) for wait in waits], np.int64)
    size = np.concatenate([run_size, wait_size])
    at = draft.run_pieces() if runs else np.empty(0, np.int64)
    state = state_pieces(draft) if runs else at
    behind = np.array([wait.row + 1 for wait in waits], np.int64)
    follows = draft.first[behind].astype(np.int64)
    late = np.array([not run.early for run in runs], np.int64)
    last = np.minimum(follows, len(draft.row) - 1)

    def each(run: I8 | F8, wait: I8 | F8) -> NDArray[np.generic]:
        return np.repeat(np.concatenate([run, wait]), size)

    def column(name: str) -> F8:
        return np.concatenate([np.empty(0), *(getattr(one, name) for one in (*runs, *waits))])

    kind = column("kind").astype(np.uint8)
    point = np.column_stack([column(name) for name in "xyz"])
    still = np.zeros(len(waits)) + _NONE
    table = np.zeros(16, np.uint8)
    table[list(_CODE)] = list(_CODE.values())
    return NewMoves(
        row=each(draft.row[at].astype(np.int64), behind).astype(np.int64),
        key=each(4 * at + 2 * late, 4 * follows + 1).astype(np.int64),
        point=point,
        e=column("e"),
        feed=column("feed"),
        code=table[kind],
        seconds=np.concatenate([np.zeros(int(run_size.sum())), *(wait.seconds for wait in waits)]),
        stays=np.isin(kind, _IN_PLACE),
        before=each(state, follows - 1).astype(np.int64),
        after=each(state, last).astype(np.int64),
        fan=each(np.array([run.fan for run in runs]), still).astype(np.float64),
        accel=each(np.array([run.accel for run in runs]), still).astype(np.float64),
    )


def states_off(draft: Draft, other: Program, lines: I8, wanted: States) -> list[tuple[str, Bool]]:
    """What is in force and should not be, as (name, flag a move). lines : (n,) of `other`, those of the moves."""
    found = [("the fan", _fan_off(draft, other, lines, wanted))]
    found.append(("the acceleration", _accel_off(draft, other, lines, wanted)))
    sides = _row_lines(draft, wanted.before), _row_lines(draft, wanted.after)
    for name in _KEPT:
        old, now = getattr(draft.plate.program.states, name), getattr(other.states, name)
        if _never_told(old, now):
            found.append((name, np.zeros(len(lines), bool)))
            continue
        off = _neither(now.at(lines), *(old.at(side) for side in sides))
        if name == "travel_accel":
            # One word may set both; the acceleration itself is looked at above.
            off &= ~_close(now.at(lines), other.states.accel.at(lines))
        found.append((name, off))
    for tool in {**draft.plate.program.states.nozzle, **other.states.nozzle}:
        found.append((f"nozzle {tool}", _nozzle_off(draft, other, tool, lines, wanted)))
    return found


def _row_lines(draft: Draft, piece: I8) -> I8:
    lines: I8 = draft.plate.program.moves.line[draft.row[piece]].astype(np.int64)
    return lines


def _close(a: F8, b: F8, slack: float = _SAME) -> Bool:
    result: Bool = (np.abs(a - b) <= slack) | (np.isnan(a) & np.isnan(b))
    return result


def _never_told(old: Track, now: Track) -> bool:
    """Whether neither file says a value, and both begin with the same."""
    same = old.initial == now.initial or (old.initial != old.initial and now.initial != now.initial)
    return same and len(old.line) == 0 and len(now.line) == 0


def _neither(now: F8, before: F8, after: F8) -> Bool:
    """Whether a value is that of neither the piece before nor the piece behind."""
    return ~_close(now, before) & ~_close(now, after)


def _fan_off(draft: Draft, other: Program, lines: I8, wanted: States) -> Bool:
    step = 0.501 / (255.0 if draft.plate.program.states.fan_full == 255.0 else 100.0)
    now = other.states.fan.at(lines)
    result = np.ones(len(lines), bool)
    for side in (wanted.before, wanted.after):
        rows = draft.row[side]
        held = np.full(len(rows), np.nan) if draft.fan is None else draft.fan[rows]
        asked = np.where(np.isnan(held), wanted.fan, held)
        result &= ~_close(now, np.where(np.isnan(asked), file_fan(draft, rows), asked), step)
    return result


def _accel_off(draft: Draft, other: Program, lines: I8, wanted: States) -> Bool:
    track = draft.plate.program.states.accel
    now = other.states.accel.at(lines)
    asked = np.flatnonzero(~np.isnan(draft.accel))
    result = np.ones(len(lines), bool)
    for piece in (wanted.before, wanted.after):
        own, limit = track.at(_row_lines(draft, piece)), draft.accel[piece]
        # Between two treated beads a limit may stay in force over travels.
        last = np.searchsorted(asked, piece, side="right") - 1
        lasting = np.where(last >= 0, draft.accel[asked[last]] if len(asked) else _NONE, _NONE)
        loose = np.isnan(limit) & np.isnan(wanted.accel) & ~np.isnan(own)
        limit = np.where(np.isnan(wanted.accel), limit, wanted.accel)
        limit = np.where(np.isnan(limit) | np.isnan(own), own, limit)
        result &= ~_close(now, limit) & ~(loose & (np.abs(now - lasting) <= _SAME))
    return result


def _nozzle_off(draft: Draft, other: Program, tool: int, lines: I8, wanted: States) -> Bool:
    """The heat of the tool that is in use; a file may leave the first heating to a macro."""
    track = other.states.nozzle.get(tool)
    now = track.at(lines) if track else np.full(len(lines), np.nan)
    now = np.where(np.isnan(now) | (now == 0), draft.base_nozzle_c, now)
    result: Bool = draft.plate.program.moves.tool[draft.row[wanted.after]] == tool
    for side in (wanted.before, wanted.after):
        rows = draft.row[side]
        held = np.full(len(rows), np.nan) if draft.nozzle_c is None else draft.nozzle_c[rows]
        own = draft.nozzle_track(tool).at(_row_lines(draft, side))
        own = np.where(own == 0, draft.base_nozzle_c, own)
        result &= ~_close(now, np.where(np.isnan(held) | np.isnan(own), own, held))
    return result
