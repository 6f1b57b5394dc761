"""Which loop stands inside which: the faces between loops of one layer."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.toolpath.chains import Chains, Segments, spread

__all__ = ["innermost", "inside"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_CHUNK = 4_000_000  # edge tests at once: some 130 MB


def inside(segments: Segments, chains: Chains, loop: I8, x: F8, y: F8) -> Bool:
    """(p,) whether each point lies inside the loop (index into `chains`) it is paired with; even-odd rule."""
    result = np.zeros(len(loop), bool)
    count = chains.end[loop] - chains.first[loop]
    total = np.cumsum(count)
    at = 0
    while at < len(loop):
        until = max(at + 1, int(np.searchsorted(total, (total[at - 1] if at else 0) + _CHUNK)))
        part = slice(at, until)
        result[part] = _inside(segments, chains, loop[part], x[part], y[part])
        at = until
    return result


def _inside(segments: Segments, chains: Chains, loop: I8, x: F8, y: F8) -> Bool:
    first, end = chains.first[loop], chains.end[loop]
    index, owner = spread(first, end)
    hits = _crosses(
        segments.x0[index],
        segments.y0[index],
        segments.x1[index],
        segments.y1[index],
        x[owner],
        y[owner],
    )
    starts = np.cumsum(end - first) - (end - first)
    crossings = np.add.reduceat(hits.astype(np.int64), starts)
    closing = _crosses(
        segments.x1[end - 1], segments.y1[end - 1], segments.x0[first], segments.y0[first], x, y
    )
    odd: Bool = (crossings + closing) % 2 == 1
    return odd


def _crosses(x0: F8, y0: F8, x1: F8, y1: F8, px: F8, py: F8) -> Bool:
    """Whether an edge meets the ray from a point towards +x."""
    spans = (y0 > py) != (y1 > py)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x0 + (py - y0) * (x1 - x0) / (y1 - y0)
    meets: Bool = spans & (at > px)
    return meets


def innermost(
    segments: Segments,
    chains: Chains,
    loops: I8,
    loop_layer: I8,
    x: F8,
    y: F8,
    layer: I8,
    smaller_than: F8 | None = None,
) -> I8:
    """(p,) the smallest loop around each point, index into `loops`, -1 where there is none.

    Parameters
    ----------
    loops : (n,) index into chains, by ascending layer. x, y, layer : points, by ascending layer.
    smaller_than : (p,) mm2; only larger loops count (a loop's own parent), None for all.
    """
    area = np.abs(chains.area_mm2[loops])
    low = np.searchsorted(loop_layer, layer, side="left")
    high = np.searchsorted(loop_layer, layer, side="right")
    result = np.full(len(x), -1, np.int64)
    # Every point against every loop of its layer, by box first.
    for part in _slices(high - low):
        nth, owner = spread(low[part], high[part])
        point = owner + part.start
        loop = loops[nth]
        keep = (x[point] > chains.x0[loop]) & (x[point] < chains.x1[loop])
        keep &= (y[point] > chains.y0[loop]) & (y[point] < chains.y1[loop])
        if smaller_than is not None:
            keep &= area[nth] > smaller_than[point]
        nth, point = nth[keep], point[keep]
        hit = inside(segments, chains, loops[nth], x[point], y[point])
        nth, point = nth[hit], point[hit]
        order = np.argsort(-area[nth], kind="stable")
        # The smallest comes last and stays.
        result[point[order]] = nth[order]
    return result


def _slices(count: I8) -> list[slice]:
    """Ranges of points with a bounded number of pairs each."""
    total = np.cumsum(count)
    cuts = [0]
    while cuts[-1] < len(count):
        base = total[cuts[-1] - 1] if cuts[-1] else 0
        cuts.append(max(cuts[-1] + 1, int(np.searchsorted(total, base + _CHUNK))))
    return [slice(a, min(b, len(count))) for a, b in pairwise(cuts)]
