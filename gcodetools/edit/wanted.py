"""Checks each piece that was written against what the draft wants of it: the audit of what may differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.context import INCH_MM
from gcodetools.edit.displaced import circles_of, ends_of
from gcodetools.edit.draft import Draft, e_decimals
from gcodetools.gcode.arrays import present
from gcodetools.gcode.program import DWELL, RETRACT, UNRETRACT, Program

__all__ = ["wanted_problems"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_SAME = 1e-6
_MIN_XY_DECIMALS = 3


def wanted_problems(draft: Draft, other: Program, rows: I8, at: I8, starts: I8) -> list[tuple[str, Bool]]:
    """What differs from the draft, as (name, flag a row).

    Parameters
    ----------
    rows : (k,) rows of the original. at : (k,) the row of `other` that survives of each; where a row was cut
    its other pieces stand right before. starts : indices into `rows` before which something was left out.
    """
    first = draft.first[rows]
    count = draft.first[rows + 1] - first
    size = int(count.sum(dtype=np.int64))
    owner = np.arange(size) if size == len(rows) else np.repeat(np.arange(len(rows)), count)
    ends = np.cumsum(count)
    # Pieces of a row follow each other in the draft and in the output, there up to the row that survives.
    piece = (first - ends + count)[owner] + np.arange(size)
    out = (at - ends + 1)[owner] + np.arange(size)
    is_cut = (count > 1)[owner]
    ok = out >= 0
    out = np.maximum(out, 0)
    found = [
        ("feed", _feed_off(draft, other, piece, out)),
        ("filament", _filament_off(draft, other, piece, out, is_cut)),
        ("point", _point_off(draft, other, piece, out)),
        ("arc", _arc_off(draft, other, piece, out, is_cut)),
        ("accel", _accel_off(draft, other, piece, out)),
    ]
    by_row = [("piece", _any(~ok, owner, len(rows))), *((n, _any(off, owner, len(rows))) for n, off in found)]
    return [*by_row, *_holds_off(draft, other, rows, at), ("between", _between_off(other, at, count, starts))]


def _any(off: Bool, owner: I8, count: int) -> Bool:
    result = np.zeros(count, bool)
    result[owner[off]] = True
    return result


def _unit(program: Program, line: NDArray[np.integer]) -> F8:
    return np.where(program.states.inches.at(line) == 1.0, INCH_MM, 1.0)


def _feed_off(draft: Draft, other: Program, piece: I8, out: I8) -> Bool:
    program = draft.plate.program
    own, wanted = program.moves.f[draft.row[piece]], draft.feed[piece]
    wanted = np.where(np.isnan(wanted), own, wanted)
    off = np.abs(other.moves.f[out] - wanted)
    # Whatever is nearer is near enough; the rest is looked at more closely.
    far = np.flatnonzero(~(off <= _SAME) & ~np.isnan(own))
    own = own[far]
    step = 0.501 * 10.0 ** -program.decimals.get("F", 0) / 60.0
    slack = step * _unit(program, program.moves.line[draft.row[piece[far]]])
    slack = np.where(wanted[far] != own, slack, 0.0)
    result = np.zeros(len(piece), bool)
    result[far] = ~(off[far] <= slack + _SAME * np.maximum(np.abs(own), 1.0))
    return result


def _filament_off(draft: Draft, other: Program, piece: I8, out: I8, is_cut: Bool) -> Bool:
    program = draft.plate.program
    own, flow = program.moves.e[draft.row[piece]], draft.pushed(piece)
    # Of whole moves that nobody wants otherwise those that push the same are done with.
    odd = np.flatnonzero((np.abs(other.moves.e[out] - own) > _SAME) | is_cut | (flow != 1.0))
    piece, flow = piece[odd], flow[odd]
    line = program.moves.line[draft.row[piece]]
    wanted = own[odd] * (draft.t1[piece] - draft.t0[piece]) * flow
    # A relative word of an untouched move is the file's own; an absolute one may have shifted.
    absolute = program.states.e_relative.at(line) == 0.0
    rounded = is_cut[odd] | (flow != 1.0) | absolute
    per_unit = _unit(program, line)
    if len(program.states.volumetric.line):
        per_unit = per_unit * program.states.volumetric.at(line)
    slack = np.where(rounded, 1.01 * 10.0 ** -e_decimals(draft.plate) * per_unit, 0.0)
    result = np.zeros(len(is_cut), bool)
    result[odd] = np.abs(other.moves.e[out[odd]] - wanted) > slack + _SAME
    return result


def _point_off(draft: Draft, other: Program, piece: I8, out: I8) -> Bool:
    """Where a piece of a cut move ends, against the same fraction of the original's path."""
    program = draft.plate.program
    result = np.zeros(len(piece), bool)
    inner = np.flatnonzero(draft.t1[piece] < 1.0)
    rows, t, there = draft.row[piece[inner]], draft.t1[piece[inner]], out[inner]
    before = np.maximum(rows - 1, 0)
    moves = program.moves
    point = np.column_stack(
        [ends_of(draft, piece[inner])[1], moves.z[before] + (moves.z[rows] - moves.z[before]) * t]
    )
    got = np.column_stack([other.moves.x[there], other.moves.y[there], other.moves.z[there]])
    decimals = [max(program.decimals.get(letter, 0), _MIN_XY_DECIMALS) for letter in "XYZ"]
    slack = 0.501 * 10.0 ** -np.array(decimals) * _unit(program, moves.line[rows])[:, None]
    result[inner] = np.any(np.abs(got - point) > slack + _SAME, axis=1)
    return result


def _arc_index(program: Program, rows: NDArray[np.integer]) -> tuple[NDArray[np.intp], Bool]:
    """Index into the arcs of each row, and whether it is one."""
    if len(program.arcs.row) == 0:
        return np.zeros(len(rows), np.intp), np.zeros(len(rows), bool)
    k = np.minimum(np.searchsorted(program.arcs.row, rows), len(program.arcs.row) - 1)
    return k, program.arcs.row[k] == rows


def _arc_off(draft: Draft, other: Program, piece: I8, out: I8, is_cut: Bool) -> Bool:
    """Centres and angles of arcs; a cut arc's centre is printed with rounded I and J from a rounded start."""
    program = draft.plate.program
    if len(program.arcs.row) == 0 and len(other.arcs.row) == 0:
        return np.zeros(len(piece), bool)
    _, was = _arc_index(program, draft.row[piece])
    n, now = _arc_index(other, out)
    off: Bool = was != now
    both = np.flatnonzero(was & now)
    if len(both) == 0:
        return off
    old, new, n = circles_of(draft, piece[both]), other.arcs, n[both]
    decimals = [max(program.decimals.get(letter, 0), _MIN_XY_DECIMALS) for letter in "IJXY"]
    rounding = 1.01 * 10.0 ** -min(decimals) * _unit(program, program.moves.line[draft.row[piece[both]]])
    rewritten = is_cut[both]
    if draft.moved is not None:
        rewritten = rewritten | np.isin(draft.row[piece[both]], draft.moved.touched)
    slack = np.where(rewritten, rounding, 0.0) + _SAME
    turned = np.abs(new.sweep[n] - old.sweep) * old.radius
    off[both] |= (np.abs(new.cx[n] - old.cx) > slack) | (np.abs(new.cy[n] - old.cy) > slack)
    off[both] |= turned > 4 * slack + _SAME * old.radius
    return off


def _accel_off(draft: Draft, other: Program, piece: I8, out: I8) -> Bool:
    program = draft.plate.program
    wanted = draft.accel[piece]
    asked = np.flatnonzero(~np.isnan(wanted))
    own = program.states.accel.at(program.moves.line[draft.row[piece[asked]]])
    now = other.states.accel.at(other.moves.line[out[asked]])
    result = np.zeros(len(piece), bool)
    result[asked] = ~(np.abs(now - wanted[asked]) <= 1e-3) & ~np.isnan(own)
    return result


def _holds_off(draft: Draft, other: Program, rows: I8, at: I8) -> list[tuple[str, Bool]]:
    """Nozzle and fan where a hold wants them; the fan as near as its steps come."""
    there, found = other.moves.line[at], []
    program = draft.plate.program
    if draft.fan is not None:
        wanted, full = draft.fan[rows], program.states.fan_full
        step = 0.501 / (255.0 if full == 255.0 else 100.0)
        found.append(("fan", np.abs(other.states.fan.at(there) - wanted) > step))
    if draft.nozzle_c is not None:
        wanted, tools = draft.nozzle_c[rows], program.moves.tool[rows]
        off = np.zeros(len(rows), bool)
        for tool in present(tools):
            new = other.states.nozzle.get(tool)
            mine = np.flatnonzero((tools == tool) & ~np.isnan(wanted))
            own = draft.nozzle_track(tool).at(program.moves.line[rows[mine]])
            mine = mine[~np.isnan(own)]
            now = new.at(there[mine]) if new else np.full(len(mine), np.nan)
            now = np.where(np.isnan(now) | (now == 0), draft.base_nozzle_c, now)
            off[mine] = ~(np.abs(now - wanted[mine]) <= 1e-3)
        found.append(("nozzle", off))
    return found


def _between_off(other: Program, at: I8, count: I8, starts: I8) -> Bool:
    """Whether anything but the pieces themselves moves or pushes between two surviving moves."""
    acts = (other.moves.e != 0) | (np.diff(other.moves.x, prepend=0.0) != 0)
    acts |= np.diff(other.moves.y, prepend=0.0) != 0
    acts |= np.diff(other.moves.z, prepend=0.0) != 0
    acts |= (other.moves.kind & (DWELL | RETRACT | UNRETRACT)) != 0
    total = np.concatenate([[0], np.cumsum(acts, dtype=np.int32)])
    low = np.concatenate([[0], at[:-1] + 1])
    high = np.maximum(at - count + 1, 0)
    low[starts] = high[starts]
    result: Bool = total[high] - total[np.minimum(low, high)] > 0
    return result
