"""Points left out where a page would grow too large: what tells least goes first, and never inside of a region."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from gcodetools.report.pagedata import PEN_UP, Points

__all__ = ["MOST", "coarser", "thinned", "words"]

I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

MOST = 8
_IN_LINE = 1.0  # unit that a point may lie beside the line it is left out of
_SHARED = ("flag", "feature", "instance", "width", "height")


def words(step: int) -> list[str]:
    """What is left out after the steps 1 to `step`."""
    found = [
        "feed, flow and nozzle are told inside of regions only",
        "beads in line are drawn as one outside of regions",
    ][:step]
    if step > 2:
        found.append(f"outside of regions only one layer in {_apart(step)} is drawn")
    return found


def _apart(step: int) -> int:
    return 1 << (step - 2)


def thinned(points: Points, step: int, first: int = 0) -> Points:
    """One step further than `step - 1`, from 1 to MOST; see `words`. first : number of the first layer, from 0.

    Raises
    ------
    ValueError : no such step.
    """
    if step == 1:
        free = points.region == 0
        feed, rate, nozzle = (
            np.where(free, 0, column).astype(np.uint16)
            for column in (points.feed, points.rate, points.nozzle)
        )
        return replace(points, feed=feed, rate=rate, nozzle=nozzle)
    if step == 2:
        for _ in range(3):
            points = _taken(points, ~_in_line(points))
        return points
    if 3 <= step <= MOST:
        layer = np.repeat(first + np.arange(points.layers), np.diff(points.start))
        kept = (points.region != 0) | (layer % _apart(step) == 0)
        # Where a region's bead goes on from another, that one's end is where it begins.
        begins = np.zeros(len(kept), bool)
        begins[:-1] = kept[1:] & ~kept[:-1] & ((points.flag[1:] & PEN_UP) == 0)
        flag = np.where(begins, points.flag | PEN_UP, points.flag).astype(np.uint8)
        return _taken(replace(points, flag=flag), kept | begins)
    raise ValueError(f"step {step}; expected 1 to {MOST}")


def coarser(points: Points) -> Points:
    """The same in units of twice the size."""
    return replace(points, x=np.rint(points.x / 2).astype(np.int32), y=np.rint(points.y / 2).astype(np.int32))


def _in_line(points: Points) -> Bool:
    """(n,) points, no two in a row, that lie on the line between their neighbours of one run, alike in what is drawn
    and outside of regions."""
    n = len(points)
    found = np.zeros(n, bool)
    if n < 3:
        return found
    x, y = points.x.astype(np.float64), points.y.astype(np.float64)
    ax, ay, bx, by = x[1:-1] - x[:-2], y[1:-1] - y[:-2], x[2:] - x[1:-1], y[2:] - y[1:-1]
    chord = np.hypot(ax + bx, ay + by)
    with np.errstate(divide="ignore", invalid="ignore"):
        beside = np.abs(ax * by - ay * bx) / chord
    free = points.region == 0
    middle = (beside <= _IN_LINE) & (ax * bx + ay * by > 0) & free[1:-1] & free[2:]
    middle &= ((points.flag[1:-1] | points.flag[2:]) & PEN_UP) == 0
    for key in _SHARED:
        column = getattr(points, key)
        middle &= column[1:-1] == column[2:]
    found[1:-1] = middle
    # Of a row of such points every other one goes at a time.
    at = np.arange(n)
    last_kept = np.maximum.accumulate(np.where(found, -1, at))
    odd: Bool = (at - last_kept) % 2 == 1
    return found & odd


def _taken(points: Points, kept: Bool) -> Points:
    """Those that are kept."""
    before = np.concatenate([[0], np.cumsum(kept)]).astype(np.int64)
    columns = {field.name: getattr(points, field.name)[kept] for field in fields(points)[1:]}
    return Points(start=before[points.start], **columns)
