"""Checks each piece that was written against what the draft wants of it: the audit of what may differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.displaced import circles_of, ends_of
from gcodetools.edit.draft import INCH_MM, Draft, e_decimals
from gcodetools.edit.splice import ranges
from gcodetools.edit.stepped import steps_of
from gcodetools.gcode.arrays import distinct, present
from gcodetools.gcode.program import ARC, DWELL, RETRACT, UNRETRACT, Program, Track
from gcodetools.records import dataclass

__all__ = ["Wanted", "behind", "e_step_mm", "edges_of", "from_edges"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_SAME = 1e-6
_MIN_XY_DECIMALS = 3


class Wanted:
    """What a draft wants of its moves, whose `program` is the plate's."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.fan_steps = None if draft.fan is None else steps_of(draft.fan)
        tool = draft.plate.program.moves.tool
        self.nozzles = {number: draft.nozzle_track(number) for number in present(tool)}
        self.nozzle_steps = None
        if draft.nozzle_c is not None:
            self.nozzle_steps = np.append(steps_of(draft.nozzle_c), np.flatnonzero(tool[1:] != tool[:-1]) + 1)
        self._flowing: Bool | None = None
        self._moving: Bool | None = None
        if draft.moved is not None:
            self._moving = np.zeros(len(draft.first) - 1, bool)
            self._moving[draft.moved.touched] = True

    def flowing(self, rows: I8) -> Bool:
        """(k,) rows of which a piece has a flow of its own, or that go elsewhere than in the file."""
        if self._flowing is None:
            self._flowing = np.zeros(len(self.draft.first) - 1, bool)
            self._flowing[self.draft.row[~np.isnan(self.draft.flow)]] = True
            if self._moving is not None:
                self._flowing |= self._moving
        return self._flowing[rows]

    def problems(self, other: Program, rows: I8, at: I8, apart: dict[str, I8]) -> list[tuple[str, I8]]:
        """What pieces differ in from what is wanted, as (name, indices of their rows).

        Parameters
        ----------
        rows : (k,) rows of the original. at : (k,) the row of `other` that survives of each; where a row was cut
        its other pieces stand right before. apart : rows whose filament `e` and feed `f` are not exactly the
        original's.
        """
        draft, moves = self.draft, self.draft.plate.program.moves
        first = draft.first[rows]
        count = draft.first[rows + 1] - first
        cut = np.flatnonzero(count > 1)
        # Pieces of a row follow each other in the draft and in the output, there up to the row that survives.
        size = count[cut].astype(np.int64)
        owner = np.repeat(cut, size)
        nth = np.arange(len(owner)) - np.repeat(np.cumsum(size) - size, size)
        pieces = _Pieces(first[owner] + nth, at[owner] - count[owner] + 1 + nth, owner)
        missing = owner[pieces.out < 0]
        np.maximum(pieces.out, 0, out=pieces.out)

        def also(flag: Bool) -> tuple[_Pieces, Bool]:
            """Whole rows that are flagged, and all pieces of those that are cut; which are pieces."""
            flag[cut] = False
            whole = np.flatnonzero(flag)
            some = _Pieces(
                np.concatenate([first[whole], pieces.piece]),
                np.concatenate([at[whole], pieces.out]),
                np.concatenate([whole, owner]),
            )
            return some, np.arange(len(some.owner)) >= len(whole)

        fed, flows = ~np.isnan(draft.feed[first]), ~np.isnan(draft.flow[first])
        fed[apart["f"]] = True
        flows[apart["e"]] = True
        if self._moving is not None:
            flows |= self._moving[rows]
        found = [("piece", missing)]
        some, _ = also(fed)
        found.append(("feed", some.owner[_feed_off(draft, other, some.piece, some.out)]))
        some, is_cut = also(flows)
        found.append(("filament", some.owner[_filament_off(draft, other, some.piece, some.out, is_cut)]))
        found.append(("point", owner[_point_off(draft, other, pieces.piece, pieces.out)]))
        if len(draft.plate.program.arcs.row) or len(other.arcs.row):
            some, is_cut = also(((moves.kind[rows] | other.moves.kind[at]) & ARC) != 0)
            found.append(("arc", some.owner[_arc_off(draft, other, some.piece, some.out, is_cut)]))
        some, _ = also(~np.isnan(draft.accel[first]))
        found.append(("accel", some.owner[_accel_off(draft, other, some.piece, some.out)]))
        return found

    def holds(
        self, other: Program, rows: I8, line: NDArray[np.integer], there: NDArray[np.integer]
    ) -> list[tuple[str, I8]]:
        """Rows on which nozzle or fan are not where a hold wants them; the fan as near as its steps come.

        All hold still between what sets or asks for another value, so only the first row behind each is looked at.
        line, there : lines they stand in, of the original and of `other`.
        """
        draft, program, found, count = self.draft, self.draft.plate.program, [], len(rows)
        if draft.fan is not None and self.fan_steps is not None:
            edges = edges_of(count, np.searchsorted(rows, self.fan_steps), behind(other.states.fan, there))
            step = 0.501 / (255.0 if program.states.fan_full == 255.0 else 100.0)
            off = np.abs(other.states.fan.at(there[edges]) - draft.fan[rows[edges]]) > step
            found.append(("fan", from_edges(edges, off, count)))
        if draft.nozzle_c is not None and self.nozzle_steps is not None:
            steps = [behind(track, line) for track in self.nozzles.values()]
            steps += [behind(track, there) for track in other.states.nozzle.values()]
            edges = edges_of(count, np.searchsorted(rows, self.nozzle_steps), *steps)
            off = np.zeros(len(edges), bool)
            wanted, tools = draft.nozzle_c[rows[edges]], program.moves.tool[rows[edges]]
            for tool, track in self.nozzles.items():
                new = other.states.nozzle.get(tool)
                mine = np.flatnonzero((tools == tool) & ~np.isnan(wanted))
                mine = mine[~np.isnan(track.at(line[edges[mine]]))]
                now = new.at(there[edges[mine]]) if new else np.full(len(mine), np.nan)
                now = np.where(np.isnan(now) | (now == 0), draft.base_nozzle_c, now)
                off[mine] = ~(np.abs(now - wanted[mine]) <= 1e-3)
            found.append(("nozzle", from_edges(edges, off, count)))
        return found

    def between(self, other: Program, rows: I8, at: I8, starts: I8) -> I8:
        """Rows before which anything but their own pieces moves or pushes, behind the surviving row before. starts :
        indices into `rows` before which something was left out."""
        low = np.concatenate([[0], at[:-1] + 1])
        high = np.maximum(at - (self.draft.first[rows + 1] - self.draft.first[rows]) + 1, 0)
        left_out = starts[rows[starts] > 0]  # before the file's first move nothing is
        low[left_out] = high[left_out]
        gap = np.flatnonzero(high > low)
        here = ranges(low[gap], high[gap])
        owner = np.repeat(gap, (high - low)[gap])
        moves = other.moves
        acts = (moves.e[here] != 0) | ((moves.kind[here] & (DWELL | RETRACT | UNRETRACT)) != 0)
        for column in (moves.x, moves.y, moves.z):
            acts |= column[here] != np.where(here > 0, column[here - 1], 0.0)
        return distinct(owner[acts])


@dataclass(frozen=True, slots=True)
class _Pieces:
    """piece : of the draft. out : the row of what was read that it should be. owner : index of its row."""

    piece: I8
    out: I8
    owner: I8


def edges_of(count: int, *places: I8) -> I8:
    """All of `places` below `count`, and 0, ascending, each once."""
    here = np.zeros(count + 1, bool)
    here[0] = True
    for place in places:
        here[np.minimum(place, count)] = True
    return np.flatnonzero(here[:-1])


def from_edges(edges: I8, off: Bool, count: int) -> I8:
    """All indices up to the next edge, behind those that are off."""
    if not np.any(off):
        return np.empty(0, np.int64)
    return ranges(edges[off], np.append(edges[1:], count)[off])


def behind(track: Track, lines: NDArray[np.integer]) -> I8:
    """Index of the first of the ascending `lines` behind each command between the first of them and the last."""
    near = slice(*np.searchsorted(track.line, lines[[0, -1]].astype(track.line.dtype)))
    found: I8 = np.searchsorted(lines, track.line[near], side="right")
    return found


def _unit(program: Program, line: NDArray[np.integer]) -> F8 | float:
    """mm per unit of length in lines, one number where that is all."""
    if not np.any(program.states.inches.value == 1.0) and program.states.inches.initial != 1.0:
        return 1.0
    return np.where(program.states.inches.at(line) == 1.0, INCH_MM, 1.0)


def e_step_mm(draft: Draft, line: NDArray[np.integer]) -> F8 | float:
    """mm of filament between two E words as they are printed in lines."""
    program = draft.plate.program
    per_unit = _unit(program, line)
    if len(program.states.volumetric.line):
        per_unit = per_unit * program.states.volumetric.at(line)
    return 10.0 ** -e_decimals(draft.plate) * per_unit


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
    line = program.moves.line[draft.row[piece]]
    wanted = own * (draft.t1[piece] - draft.t0[piece]) * flow
    # A relative word of an untouched move is the file's own; an absolute one may have shifted.
    absolute = program.states.e_relative.at(line) == 0.0
    rounded = is_cut | (flow != 1.0) | absolute
    slack = np.where(rounded, 1.01 * e_step_mm(draft, line), 0.0)
    result: Bool = np.abs(other.moves.e[out] - wanted) > slack + _SAME
    return result


def _point_off(draft: Draft, other: Program, piece: I8, out: I8) -> Bool:
    """Where a piece of a cut move ends, against the same fraction of the original's path."""
    program = draft.plate.program
    result = np.zeros(len(piece), bool)
    inner = np.flatnonzero(draft.t1[piece] < 1.0)
    rows, t, there = draft.row[piece[inner]], draft.t1[piece[inner]], out[inner]
    before = np.maximum(rows - 1, 0)
    moves = program.moves
    end, unit = ends_of(draft, piece[inner])[1], _unit(program, moves.line[rows])
    z = moves.z[before] + (moves.z[rows] - moves.z[before]) * t
    off = np.zeros(len(inner), bool)
    for letter, wanted, column in (
        ("X", end[:, 0], other.moves.x),
        ("Y", end[:, 1], other.moves.y),
        ("Z", z, other.moves.z),
    ):
        decimals = max(program.decimals.get(letter, 0), _MIN_XY_DECIMALS)
        off |= np.abs(column[there] - wanted) > 0.501 * 10.0**-decimals * unit + _SAME
    result[inner] = off
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
    off = ~(np.abs(other.states.accel.at(other.moves.line[out]) - wanted) <= 1e-3) & ~np.isnan(wanted)
    far = np.flatnonzero(off)
    off[far] = ~np.isnan(program.states.accel.at(program.moves.line[draft.row[piece[far]]]))
    return off
