"""How long moves take: look-ahead planning of trapezoids, without a loop.

In squared speed a move of length d at acceleration a can gain or lose at most 2 a d (v1^2 = v0^2 + 2 a d,
uniform acceleration, any handbook of mechanics). With the speed at each joint capped, the fastest plan that can
always brake in time is a scan from behind and one from the front (`reaching`).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.reaching import reached, reached_backward
from gcodetools.records import dataclass

__all__ = [
    "PRINT",
    "RETRACT",
    "TRAVEL",
    "Directions",
    "JunctionModel",
    "MoveList",
    "Plan",
    "plan",
    "trapezoid",
]

F8 = NDArray[np.float64]
I4 = NDArray[np.int32]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]

_SURELY = 1.0 + 1e-9  # beyond the rounding of a sum of gains

PRINT, TRAVEL, RETRACT = 0, 1, 2  # with filament and motion; motion alone; filament alone


@dataclass(frozen=True, slots=True)
class Directions:
    """Displacement in x, y, z and filament e per mm of path, (n,) each: a unit vector in x y z and what is
    pushed along; (0, 0, 0, 1) or (0, 0, 0, -1) where filament moves alone."""

    x: F8
    y: F8
    z: F8
    e: F8


@dataclass(frozen=True, slots=True)
class MoveList:
    """Moves in the order of the file, those without motion left out; (n,) columns.

    row : index into the file's moves. length_mm : of the path, arcs along the curve; filament alone: its
    length. feed_mm_s, accel_mm_s2 : most speed and acceleration along the path, axis limits within.
    kind : PRINT, TRAVEL or RETRACT. begin, end : directions at the ends (arcs: tangents; the very same object
    where there is no arc). arc, radius_mm, planar : index of the arcs (k,), their radius, and the share of
    their path that lies in their plane (1 but for helices). stop_before : whether the machine stands still
    before the move whatever comes: dwells, waiting, tool changes.
    """

    row: I4
    length_mm: F8
    feed_mm_s: F8
    accel_mm_s2: F8
    kind: U1
    begin: Directions
    end: Directions
    arc: I4
    radius_mm: F8
    planar: F8
    stop_before: Bool

    def __len__(self) -> int:
        return len(self.row)


class JunctionModel(Protocol):
    """How fast a machine passes from one move to the next."""

    def speeds(self, moves: MoveList) -> F8:
        """(n,) highest speed into each move from the one before, mm/s; [0] means nothing."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Planned speeds, (n,) each, mm/s, and seconds a move. v_peak : the highest in the move. firm : (n,) whether
    the speed into a move is what the corner and both feeds allow, whatever comes before or behind these two."""

    v_start: F8
    v_peak: F8
    v_end: F8
    seconds: F8
    firm: Bool


def plan(moves: MoveList, junction: JunctionModel, cruise_share: float = 0.0) -> Plan:
    """The fastest plan within the moves' limits that starts and ends at rest and can always brake in time.

    An arc's speed is limited by its centripetal acceleration, v^2 <= a r (any handbook of mechanics).

    Parameters
    ----------
    cruise_share : smoothing of zigzags, as some firmware does: speed rises no higher than it would at
        (1 - share) times the acceleration, so that about this share of a short move goes at even speed.
    """
    feed = _round_feeds(moves)
    corner = junction.speeds(moves)
    corner[moves.stop_before] = 0.0
    gain = moves.accel_mm_s2 * moves.length_mm
    gain *= 2.0
    if cruise_share > 0:
        feed = np.sqrt(
            _smooth_peaks(_planned(feed, corner, gain * (1.0 - cruise_share)), feed, gain, cruise_share)
        )
    cap = _caps(feed, corner)
    speed = np.sqrt(reached(reached_backward(cap, gain), gain))
    peak, seconds = trapezoid(moves.length_mm, speed[:-1], speed[1:], feed, moves.accel_mm_s2)
    return Plan(speed[:-1], peak, speed[1:], seconds, _firm(cap, gain))


def _firm(cap: F8, gain: F8) -> Bool:
    """(n,) moves whose first joint is passed at its cap: from rest, and to rest, one move is enough."""
    firm = np.zeros(len(gain), bool)
    np.less_equal(cap[1:-1] * _SURELY, np.minimum(gain[1:], gain[:-1]), out=firm[1:])
    return firm


def _round_feeds(moves: MoveList) -> F8:
    """Feeds, on arcs within their centripetal acceleration."""
    feed = moves.feed_mm_s
    if len(moves.arc):
        feed = feed.copy()
        most = np.sqrt(moves.accel_mm_s2[moves.arc] * moves.radius_mm) / moves.planar
        feed[moves.arc] = np.minimum(feed[moves.arc], most)
    return feed


def _planned(feed: F8, corner: F8, gain: F8) -> F8:
    """(n + 1,) squared speed at each joint and at both ends."""
    return reached(reached_backward(_caps(feed, corner), gain), gain)


def _caps(feed: F8, corner: F8) -> F8:
    """(n + 1,) highest squared speed at each joint, by the corner and the feeds beside it; 0 at both ends."""
    cap = np.zeros(len(feed) + 1)
    if len(feed) > 1:
        inner = cap[1:-1]
        np.minimum(feed[1:], feed[:-1], out=inner)
        np.minimum(inner, corner[1:], out=inner)
        inner *= inner
    return cap


def _smooth_peaks(squared: F8, feed: F8, gain: F8, cruise_share: float) -> F8:
    """Squared speed that each move may reach. squared : planned at the lower acceleration. A move that only
    brakes there may be as fast as the one before it."""
    low, high = squared[:-1], squared[1:]
    less = gain * (1.0 - cruise_share)
    peak = np.minimum(feed * feed, (low + high + less) / 2)
    brakes = low >= (high + less) * (1.0 - 1e-12)
    source = np.maximum.accumulate(np.where(brakes, 0, np.arange(len(feed))))
    return np.minimum(feed * feed, peak[source])


def trapezoid(length: F8, v_start: F8, v_end: F8, feed: F8, accel: F8) -> tuple[F8, F8]:
    """Peak speed and seconds of moves that speed up, cruise and brake at one acceleration.

    With L_a = (v^2 - v0^2) / 2a and L_d = (v^2 - v1^2) / 2a: where both fit in the length the move cruises at v;
    else its peak is sqrt(a L + (v0^2 + v1^2) / 2) (uniform acceleration, any handbook of mechanics).

    Parameters
    ----------
    length : mm, above 0. v_start, v_end : mm/s, no higher than feed, and within reach of each other. feed : the
    highest speed, mm/s. accel : mm/s2, above 0.
    """
    mean_squared = (v_start * v_start + v_end * v_end) / 2
    peak = np.sqrt(accel * length + mean_squared)
    np.minimum(peak, feed, out=peak)
    ramps = (peak * peak - mean_squared) / accel
    rest = length - ramps
    np.maximum(rest, 0.0, out=rest)
    rest /= peak
    rest += (2 * peak - v_start - v_end) / accel
    return peak, rest
