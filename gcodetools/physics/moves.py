"""From a plate's columns to moves ready for planning: lengths, directions, limits along the path."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.arcs import arc_lengths
from gcodetools.gcode.arrays import places
from gcodetools.gcode.program import Arcs, Moves
from gcodetools.physics.junctions import Deviation, Jerk, SquareCorner
from gcodetools.physics.motion import PRINT, RETRACT, TRAVEL, Directions, JunctionModel, MoveList
from gcodetools.records import dataclass
from gcodetools.toolpath.machine_limits import MachineLimits
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.waits import stops

__all__ = ["junction_of", "moves_of", "moving_rows", "some_moves"]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
I8 = NDArray[np.int64]

_UNKNOWN_FEED_MM_S = 20.0  # where a file moves before its first F (common practice, no source)
_AXES = "xyze"


def moves_of(plate: Plate, limits: MachineLimits, feed_mm_s: F8 | None = None) -> MoveList:
    """Moves of a plate with everything that limits them.

    Rows without motion are left out. Speed along the path: the feed times M220, within what each axis may,
    filament included. Acceleration: by the kind of the move, within that of each axis.

    Parameters
    ----------
    feed_mm_s : (m,) feeds instead of the file's, before M220.
    """
    row = moving_rows(plate, 0, len(plate.moves))
    feed = plate.moves.f if feed_mm_s is None else feed_mm_s
    return some_moves(plate, limits, row, feed[row], stops(plate.program))


def moving_rows(plate: Plate, low: int, high: int) -> I4:
    """Those of the rows [low, high) that move anything, ascending."""
    part = slice(low, high)
    found = places((plate.beads.length_mm[part] > 0) | (plate.moves.e[part] != 0))
    found += np.int32(low)
    return found


def some_moves(plate: Plate, limits: MachineLimits, row: I4, feed_mm_s: F8, still: I8) -> MoveList:
    """The same of some rows.

    Parameters
    ----------
    row : (n,) ascending, each with motion. feed_mm_s : (n,) before M220. still : rows of the plate before which the
    machine stands still, see `waits.stops`.
    """
    moves, states = plate.moves, plate.program.states
    line, e, length = moves.line[row], moves.e[row], plate.beads.length_mm[row]
    if len(states.flow_factor.line):
        flow = states.flow_factor.at(line)
        e = e * np.where(flow > 0, flow, 1.0)
    alone = np.flatnonzero(length == 0)
    length[alone] = np.abs(e[alone])
    begin = _straight(moves, row, length, e)
    end, most = begin, begin
    arcs = _arcs(moves, plate.program.arcs, row)
    if len(arcs.at):
        begin, end, most = _bent(begin, arcs, length)

    kind = np.where(e != 0, PRINT, TRAVEL).astype(np.uint8)
    kind[alone] = RETRACT
    if len(states.speed_factor.line):
        feed_mm_s = feed_mm_s * states.speed_factor.at(line)
    return MoveList(
        row=row,
        length_mm=length,
        feed_mm_s=_feeds(feed_mm_s, most, limits, line),
        accel_mm_s2=_accelerations(kind, most, limits, line),
        kind=kind,
        begin=begin,
        end=end,
        arc=arcs.at,
        radius_mm=arcs.arcs.radius,
        planar=arcs.planar,
        stop_before=_stops_before(row, still),
    )


def _stops_before(row: I4, still: I8) -> NDArray[np.bool_]:
    """(n,) whether the machine stands still before each of the rows, or before a row without motion ahead of it."""
    stop = np.zeros(len(row) + 1, bool)
    if len(row):
        low, high = np.searchsorted(still, np.array([row[0], row[-1]], np.int64), side="right")
        stop[np.searchsorted(row, still[max(low - 1, 0) : high].astype(np.int32))] = True
    return stop[:-1]


def junction_of(moves: MoveList, plate: Plate, limits: MachineLimits) -> JunctionModel:
    """The rule by which corners are passed, with its limits at each move."""
    line = plate.program.moves.line[moves.row]
    if limits.junction == "deviation":
        return Deviation(limits.at("deviation", line))
    if limits.junction == "corner":
        return SquareCorner(limits.at("corner", line))
    return Jerk(*(limits.at(f"jerk_{axis}", line) for axis in _AXES))


def _straight(moves: Moves, row: I4, length: F8, e: F8) -> Directions:
    """Directions from the end of the row before, of the first row from the origin."""

    def along(column: F8) -> F8:
        step = column[here]
        step[first:] -= column[before]
        step /= length
        return step

    here = row.astype(np.intp)
    first = int(len(row) > 0 and row[0] == 0)
    before = here[first:] - 1

    return Directions(along(moves.x), along(moves.y), along(moves.z), e / length)


@dataclass(frozen=True, slots=True)
class _Bent:
    """Arcs with their place among the moves, and the share of their path that lies in their plane."""

    at: I4
    arcs: Arcs
    planar: F8


def _arcs(moves: Moves, arcs: Arcs, row: I4) -> _Bent:
    at, low, high = np.empty(0, np.int64), 0, 0
    if len(row):
        low, high = np.searchsorted(arcs.row, np.array([row[0], row[-1] + 1], np.int32)).tolist()
        at = np.searchsorted(row, arcs.row[low:high])
    mine = np.flatnonzero(row[np.minimum(at, len(row) - 1)] == arcs.row[low:high])
    kept = _some(arcs, mine + low)
    planar_mm = np.abs(kept.radius * kept.sweep)
    ok = np.flatnonzero(planar_mm > 0)
    kept = _some(kept, ok)
    length = arc_lengths(moves, kept) if len(kept.row) else np.empty(0)
    return _Bent(at[mine[ok]].astype(np.int32), kept, planar_mm[ok] / length)


def _some(arcs: Arcs, index: NDArray[np.integer]) -> Arcs:
    return Arcs(*(getattr(arcs, f.name)[index] for f in fields(Arcs)))


def _bent(straight: Directions, bent: _Bent, length: F8) -> tuple[Directions, Directions, Directions]:
    """Directions at the beginning and end, and the largest share of each axis anywhere on the path."""
    arcs, at = bent.arcs, bent.at
    last = arcs.begin + arcs.sweep
    turn = np.sign(arcs.sweep) * bent.planar
    rise = _normal(straight, arcs, at)
    begin = (-np.sin(arcs.begin) * turn, np.cos(arcs.begin) * turn, rise)
    end = (-np.sin(last) * turn, np.cos(last) * turn, rise)
    low, high = np.minimum(arcs.begin, last), np.maximum(arcs.begin, last)
    first = np.maximum(np.abs(begin[0]), np.abs(end[0]))
    second = np.maximum(np.abs(begin[1]), np.abs(end[1]))
    # The tangent lies along the plane's first axis where the angle passes pi/2 + k pi, along the second at k pi.
    first = np.where(_passes(low - np.pi / 2, high - np.pi / 2), bent.planar, first)
    second = np.where(_passes(low, high), bent.planar, second)
    return (
        _replaced(straight, arcs, at, begin),
        _replaced(straight, arcs, at, end),
        _replaced(straight, arcs, at, (first, second, np.abs(rise))),
    )


def _passes(low: F8, high: F8) -> NDArray[np.bool_]:
    """Whether a multiple of pi lies between the angles."""
    result: NDArray[np.bool_] = np.floor(high / np.pi) > np.floor(low / np.pi)
    return result


def _normal(straight: Directions, arcs: Arcs, at: I4) -> F8:
    """Share of the axis across each arc's plane: it rises evenly, so the chord has it right."""
    return np.choose(arcs.plane - 17, (straight.z[at], straight.y[at], straight.x[at]))


def _replaced(straight: Directions, arcs: Arcs, at: I4, shares: tuple[F8, F8, F8]) -> Directions:
    """Directions with those of the arcs put in; shares : first, second and normal axis of each arc's plane."""
    first, second, normal = shares
    plane = arcs.plane - 17
    x, y, z = straight.x.copy(), straight.y.copy(), straight.z.copy()
    x[at] = np.choose(plane, (first, second, normal))
    y[at] = np.choose(plane, (second, normal, first))
    z[at] = np.choose(plane, (normal, first, second))
    return Directions(x, y, z, straight.e)


def _slowness(most: Directions, limits: MachineLimits, line: I4, what: str) -> F8:
    """The largest of |share| / limit over the axes: what the path may have is its inverse."""
    result = np.zeros(len(line))
    one = np.empty(len(line))
    for axis in _AXES:
        limit = limits.at(f"{what}_{axis}", line)
        if not np.all(np.isinf(limit)):
            np.abs(getattr(most, axis), out=one)
            one /= limit
            np.maximum(result, one, out=result)
    return result


def _feeds(feed: F8, most: Directions, limits: MachineLimits, line: I4) -> F8:
    with np.errstate(divide="ignore"):
        allowed = 1.0 / _slowness(most, limits, line, "speed")
    np.minimum(allowed, limits.at("speed_path", line), out=allowed)
    known = feed > 0
    if not np.all(known):
        feed = np.where(known, feed, _UNKNOWN_FEED_MM_S)
    return np.minimum(allowed, feed, out=allowed)


def _accelerations(kind: NDArray[np.uint8], most: Directions, limits: MachineLimits, line: I4) -> F8:
    accel = np.empty(len(line))
    for code, key in ((PRINT, "accel_extruding"), (TRAVEL, "accel_travel"), (RETRACT, "accel_retracting")):
        mine = kind == code
        np.copyto(accel, limits.at(key, line), where=mine)
    slowness = _slowness(most, limits, line, "accel")
    with np.errstate(divide="ignore"):
        return np.minimum(accel, 1.0 / slowness, out=accel)
