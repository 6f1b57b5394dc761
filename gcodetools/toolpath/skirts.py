"""Skirts and brims where no comment tells them: loops of the lowest layers with nothing on top."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gcodetools.toolpath.chains import Chains, Paths, Segments, spread

__all__ = ["skirts"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_OVER_MM = 0.3  # a wall stands this close above the one below it, elephant's foot allowed for
_COVERED = 0.3  # of a loop's length under the layer above
_SAME_MM = 0.1  # sizes of boxes of loops that stand alike
_LAYERS = 8  # a skirt is this high at most; a wall around the whole print is not told from a part


def skirts(paths: Paths, loops: I8, parent: I8, filled: Bool, narrow: Bool, run: NDArray[np.integer]) -> Bool:
    """(n,) which loops are skirt or brim.

    A brim is a first layer's loops that stand outside all that goes on above. A skirt is a thin wall of loops
    around something, with air between, that ends within a few layers.

    Parameters
    ----------
    loops : (n,) index into the chains. parent : (n,) loop around each, -1 for none. filled, narrow : (n,)
    whether the face inside each holds fill, or is so narrow that its loops touch across it. run : (layers,) of each
    layer; one begins where a print of objects one after another goes back to the bed.
    """
    skirt = np.zeros(len(loops), bool)
    layer = paths.layer[loops]
    begins = np.append(np.flatnonzero(np.diff(run, prepend=-1)), len(run)).tolist()
    for first, end in pairwise(begins):
        _of_one_run(paths, loops, parent, filled, narrow, layer, range(first, end), skirt)
    return skirt


def _of_one_run(
    paths: Paths, loops: I8, parent: I8, filled: Bool, narrow: Bool, layer: I8, layers: range, skirt: Bool
) -> None:
    """Those of some layers, marked in `skirt`. layer : (n,) of each loop."""
    for k in reversed(layers[: min(_LAYERS, len(layers) - 1)]):
        mine = np.flatnonzero(layer == k)
        if len(mine) == 0:
            continue
        above = np.setdiff1d(np.flatnonzero(paths.layer == k + 1), loops[skirt])
        if len(above) == 0:
            continue
        bare = np.zeros(len(loops), bool)
        bare[mine] = ~_covered(paths, loops[mine], above)
        if k > layers[0]:
            skirt |= _thin_walls(mine, parent, bare, filled, narrow)
            continue
        brim = _outer(mine, parent, bare)
        if len(layers) > 2 and np.any(brim):
            brim &= ~_sloping(paths, loops, parent, brim, np.flatnonzero((layer == k + 1) & ~skirt), skirt)
        skirt |= brim


def _outer(mine: I8, parent: I8, bare: Bool) -> Bool:
    """Bare loops that stand in bare loops only, and around one that is not."""
    chain = np.zeros(len(bare), bool)
    holds = np.zeros(len(bare), bool)
    ordered = sorted(mine.tolist(), key=lambda n: _depth(parent, n))
    for n in ordered:
        chain[n] = bare[n] and (parent[n] < 0 or chain[parent[n]])
    for n in reversed(ordered):
        if parent[n] >= 0 and (holds[n] or not bare[n]):
            holds[parent[n]] = True
    return chain & holds


def _sloping(paths: Paths, loops: I8, parent: I8, brim: Bool, second: I8, skirt: Bool) -> Bool:
    """Loops of a first layer that stand out no farther over the second layer than that does over the third: the foot
    of a cone or a chamfer, which no wall stands on either. second : loops of the second layer."""
    found = np.zeros(len(loops), bool)
    if len(second) == 0:
        return found
    number = int(paths.layer[loops[second[0]]])
    others = [np.setdiff1d(np.flatnonzero(paths.layer == number + k), loops[skirt]) for k in (1, 2)]
    if len(others[0]) == 0:
        return found
    bare = np.zeros(len(loops), bool)
    bare[second] = ~_covered(paths, loops[second], others[0])
    out = _outer(second, parent, bare)
    chains = paths.chains
    # How far each reaches to the left, down, right and up.
    box = np.column_stack([-chains.x0, -chains.y0, chains.x1, chains.y1])
    roots = second[(parent[second] < 0) & out[second]]
    inner = np.setdiff1d(np.flatnonzero(brim), parent[brim])
    for n in inner.tolist() if len(roots) else ():
        limit = box[loops[n]] + _SAME_MM
        on = roots[np.all(box[loops[roots]] < limit, axis=1)]
        # A brim's loop stands around a wall of the first layer, and holds one more than the second layer has.
        if len(on) != 1 or _within(parent, n) > _within(parent, int(on[0])):
            continue
        steps, below = [n], int(on[0])
        while len(more := second[(parent[second] == below) & out[second]]) == 1:
            below, around = int(more[0]), int(parent[steps[-1]])
            if around < 0 or not brim[around]:
                break
            steps.append(around)
        reaches = [box[loops[steps[-1]]], box[loops[on[0]]]]
        reaches += [box[rest].max(axis=0) for k in others if len(rest := k[np.all(box[k] < limit, axis=1)])]
        step = -np.diff(reaches, axis=0)
        if len(step) > 1 and np.all(
            np.abs(np.diff(step, axis=0)) <= np.maximum(step[1:], step[:-1]) / 2 + _SAME_MM
        ):
            found[steps] = True
    return found


def _within(parent: I8, loop: int) -> int:
    """How many loops stand one in another inside a loop, itself counted, each alone in the one around it."""
    count = 1
    while len(inner := np.flatnonzero(parent == loop)) == 1:
        loop, count = int(inner[0]), count + 1
    return count


def _depth(parent: I8, loop: int) -> int:
    depth = 0
    while parent[loop] >= 0:
        loop, depth = int(parent[loop]), depth + 1
    return depth


def _thin_walls(mine: I8, parent: I8, bare: Bool, filled: Bool, narrow: Bool) -> Bool:
    """Bare loops, one inside the other and touching, with air and something else inside the last."""
    found = np.zeros(len(bare), bool)
    children: dict[int, list[int]] = {}
    for n in mine.tolist():
        children.setdefault(int(parent[n]), []).append(n)
    for root in children.get(-1, []):
        wall, loop = [root], root
        while narrow[loop] and not filled[loop] and len(children.get(loop, [])) == 1:
            loop = children[loop][0]
            wall.append(loop)
        if not narrow[loop] and not filled[loop] and loop in children and np.all(bare[wall]):
            found[wall] = True
    return found


def _covered(paths: Paths, loops: I8, above: I8) -> Bool:
    """Which loops have a bead of the layer above close to most of their corners."""
    segments, chains = paths.segments, paths.chains
    cell = _OVER_MM / 2
    x, y = _sampled(segments, chains, above, cell)
    low_x, low_y = chains.x0[loops].min() - 1.0, chains.y0[loops].min() - 1.0
    shape = (
        int((chains.x1[loops].max() + 1.0 - low_x) / cell) + 4,
        int((chains.y1[loops].max() + 1.0 - low_y) / cell) + 4,
    )
    grid = np.zeros(shape, bool)
    ix, iy = ((x - low_x) / cell).astype(np.int64), ((y - low_y) / cell).astype(np.int64)
    ok = (ix > 1) & (iy > 1) & (ix < shape[0] - 2) & (iy < shape[1] - 2)
    for sx in (-1, 0, 1):
        for sy in (-1, 0, 1):
            grid[ix[ok] + sx, iy[ok] + sy] = True
    covered = np.empty(len(loops), bool)
    for n, loop in enumerate(loops.tolist()):
        px, py = _sampled(segments, chains, np.array([loop]), max(cell, chains.length_mm[loop] / 200))
        at = ((px - low_x) / cell).astype(np.int64), ((py - low_y) / cell).astype(np.int64)
        covered[n] = np.mean(grid[at]) > _COVERED
    return covered


def _sampled(segments: Segments, chains: Chains, which: I8, pitch_mm: float) -> tuple[F8, F8]:
    """Points along chains, at most `pitch_mm` apart."""
    from_to, _ = spread(chains.first[which], chains.end[which])
    x0, y0, x1, y1 = (c[from_to] for c in (segments.x0, segments.y0, segments.x1, segments.y1))
    count = np.ceil(np.hypot(x1 - x0, y1 - y0) / pitch_mm).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    t = nth / count[owner]
    return x0[owner] + (x1 - x0)[owner] * t, y0[owner] + (y1 - y0)[owner] * t
