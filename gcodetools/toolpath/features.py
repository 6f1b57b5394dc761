"""What beads are where no comment says it, from geometry alone.

Closed loops are perimeters, open runs are fill. Loops cut a layer into faces: a face with fill in it, or one
so narrow that two loops touch across it, is plastic; any other is air. A loop with air on one side is
outermost. Fill is solid where a line has a neighbour at its own width, else sparse; in a narrow face it is a
gap. Outside all loops it is support; a first layer's loops with nothing above them are skirt or brim.

Bridges and overhangs are not told apart from the fill and walls they are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.marks.features import FEATURE_INDEX
from gcodetools.toolpath.chains import Chains, Paths, chains_of, drawn_mm, segments_of
from gcodetools.toolpath.nesting import innermost
from gcodetools.toolpath.skirts import skirts

__all__ = ["classify"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
I4 = NDArray[np.int32]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]

ARC_TOLERANCE_MM = 0.05  # for nesting, an eighth of a usual width
_NARROW = 1.6  # widths between the centre lines of loops that touch: 1 where laid side by side, some overlap
_WIDTHS = 0.8, 1.6  # of a loop, at least and at most, of the file's usual width
_GAP_FACE = 2.6  # widths across a face that takes no more than a zigzag of gap fill
_BESIDE = 1.35  # widths between neighbours in solid fill; sparse fill of 50 % has 2
_SHORT = 1.5  # widths; shorter beads join lines of fill and say nothing about its pitch
_TOGETHER = 5.0  # widths a travel may cross inside one patch of fill
_BIN_DEG = 3.0
_LOOK_AHEAD = 4
_STRAY_MM = 30.0  # open runs outside all loops: shorter ones are thin walls, longer ones support
_LEAF = 2.0  # widths across an empty loop; a narrower hole would close up
_SURE_HOLE = 3.0  # widths across an empty loop that no slicer leaves empty inside a wall
_ENOUGH, _SAME_WAY = 3, 0.9  # so many sure holes, and this share of them, show that holes turn the other way

_OUTERMOST, _PERIMETER = FEATURE_INDEX["outermost"], FEATURE_INDEX["perimeter"]
_SOLID, _SPARSE, _GAP = FEATURE_INDEX["solid"], FEATURE_INDEX["sparse"], FEATURE_INDEX["gap"]
_SUPPORT, _SKIRT, _OTHER = FEATURE_INDEX["support"], FEATURE_INDEX["skirt"], FEATURE_INDEX["other"]


def classify(
    program: Program, beads: Bool, layer: I4, width: NDArray[np.float32], raft: Bool, run: NDArray[np.integer]
) -> U1:
    """(m,) own feature of each row, from geometry alone.

    Parameters
    ----------
    beads : (m,) rows that lay a bead. layer : (m,) layer of each row, -1 outside. width : (m,) mm.
    raft : (layers,) whether a layer is a raft's. run : (layers,) of each, see `Layers`.
    """
    result = np.where(beads, _OTHER, 0).astype(np.uint8)
    rows = np.flatnonzero(beads & (layer >= 0))
    if len(rows) == 0:
        return result
    bead_layer = layer[rows].astype(np.int64)
    usual = float(np.nanmedian(width[rows]))
    usual = usual if usual > 0 else 0.4
    segments = segments_of(program, rows, ARC_TOLERANCE_MM)
    chains = chains_of(program, rows, segments, bead_layer, usual)
    paths = Paths(segments, chains, bead_layer[chains.begin], _climbing(program, rows, chains), usual)
    feature = _loops_and_fill(paths, raft, run, _loop_widths(paths, width[rows]))
    result[rows] = np.repeat(feature, chains.stop - chains.begin)
    return result


def _climbing(program: Program, rows: I8, chains: Chains) -> Bool:
    """(c,) whether each chain climbs all along: no level stretch of it is as long as half of it. Z has a last decimal,
    so a slow climb goes in steps of several beads."""
    rises = np.abs(program.moves.z[rows] - program.moves.z[np.maximum(rows - 1, 0)]) > 1e-6
    if not np.any(rises):
        return np.zeros(len(chains), bool)
    owner = np.repeat(np.arange(len(chains)), chains.stop - chains.begin)
    edge = rises | (np.diff(owner, prepend=-1) > 0)
    begin = np.flatnonzero(edge)
    level_mm = np.add.reduceat(np.where(rises, 0.0, drawn_mm(program, rows)), begin)
    longest = np.zeros(len(chains))
    np.maximum.at(longest, owner[begin], level_mm)
    some = np.bincount(owner[rises], minlength=len(chains)) > 0
    climbing: Bool = some & (longest < chains.length_mm / 2)
    return climbing


def _loop_widths(paths: Paths, width: NDArray[np.float32]) -> F8:
    """(n,) width of each loop, mm: walls of a first layer are often laid wider. width : (k,) of the beads."""
    chains = paths.chains
    loops = np.flatnonzero(chains.closed)
    if len(loops) == 0:
        return np.empty(0)
    known = np.where(np.isfinite(width), width, paths.width).astype(np.float64)
    mean = np.add.reduceat(known, chains.begin)[loops] / (chains.stop - chains.begin)[loops]
    low, high = _WIDTHS
    result: F8 = np.clip(mean, low * paths.width, high * paths.width)
    return result


def _loops_and_fill(paths: Paths, raft: Bool, run: NDArray[np.integer], width: F8) -> U1:
    """(c,) feature of each chain. width : (n,) of each loop, mm."""
    chains, layer = paths.chains, paths.layer
    feature = np.full(len(chains), _GAP, np.uint8)
    loops = np.flatnonzero(chains.closed)
    runs = np.flatnonzero(~chains.closed)
    parent = _parents(paths, loops)
    patch, face = _patches(paths, loops, runs)
    across = _across(paths, loops, parent)
    filled = np.zeros(len(loops), bool)
    filled[face[face >= 0]] = True
    skirt = skirts(paths, loops, parent, filled, across < _NARROW * width, run)
    # What stands inside a skirt stands outside all loops.
    outside = parent.copy()
    while np.any(within := (outside >= 0) & skirt[np.maximum(outside, 0)]):
        outside[within] = parent[outside[within]]
    air = _beside_air(paths, loops, outside, filled, across, width)
    feature[loops] = np.where(skirt, _SKIRT, np.where(air, _OUTERMOST, _PERIMETER))
    face = np.where((face >= 0) & skirt[np.maximum(face, 0)] if len(loops) else False, -1, face)
    feature[runs] = np.where(paths.rising[runs], _OUTERMOST, _fill(paths, runs, patch, face, across))
    feature[raft[layer]] = _SUPPORT
    return feature


def _parents(paths: Paths, loops: I8) -> I8:
    """The smallest loop around each loop, index into `loops`, -1 where there is none."""
    at = paths.chains.first[loops]
    return innermost(
        paths.segments,
        paths.chains,
        loops,
        paths.layer[loops],
        paths.segments.x0[at],
        paths.segments.y0[at],
        paths.layer[loops],
        np.abs(paths.chains.area_mm2[loops]),
    )


def _across(paths: Paths, loops: I8, parent: I8) -> F8:
    """Mean distance across the face inside each loop, mm: twice its area over the length of its edges.

    For a strip this is its breadth, closed form; for a face without loops in it half as much as its
    diameter.
    """
    area, length = np.abs(paths.chains.area_mm2[loops]), paths.chains.length_mm[loops].copy()
    has = parent >= 0
    inner = np.bincount(parent[has], area[has], minlength=len(loops))
    edge = np.bincount(parent[has], length[has], minlength=len(loops))
    return 2 * (area - inner) / (length + edge)


def _breadth(paths: Paths, loops: I8) -> F8:
    """Short side of the rectangle with a loop's area and length, mm; a quarter of its length if rounder."""
    area, length = np.abs(paths.chains.area_mm2[loops]), paths.chains.length_mm[loops]
    short: F8 = length / 4 - np.sqrt(np.maximum(length**2 / 16 - area, 0.0))
    return short


def _beside_air(paths: Paths, loops: I8, parent: I8, filled: Bool, across: F8, width: F8) -> Bool:
    """Which loops have air on one side."""
    narrow = across < _NARROW * width
    leaf = np.ones(len(loops), bool)
    leaf[parent[parent >= 0]] = False
    # A loop with nothing in it at all is a hole's edge, or the middle of a rib.
    narrow[leaf] = _breadth(paths, loops[leaf]) < _LEAF * width[leaf]
    # Where a file draws outlines one way round and holes the other, that tells.
    way = np.sign(paths.chains.area_mm2[loops])
    holes = leaf & ~filled & (parent >= 0) & (across > _SURE_HOLE * width)
    usual = np.sign(way[parent < 0].sum())
    if usual and holes.sum() >= _ENOUGH and np.mean(way[holes] == -usual) >= _SAME_WAY:
        narrow = np.where(leaf & (parent >= 0), way == usual, narrow)
    air = ~filled & ~narrow
    outside = np.where(parent >= 0, air[np.maximum(parent, 0)], True)
    beside: Bool = outside | air
    return beside


def _patches(paths: Paths, loops: I8, runs: I8) -> tuple[I8, I8]:
    """Patch of each open run (neighbours in file order, no loop between, close by), and each patch's face:
    the loop it stands in, index into `loops`, -1 outside all."""
    if len(runs) == 0:
        return runs, runs
    chains, segments = paths.chains, paths.segments
    jump = np.hypot(
        segments.x0[chains.first[runs[1:]]] - segments.x1[chains.end[runs[:-1]] - 1],
        segments.y0[chains.first[runs[1:]]] - segments.y1[chains.end[runs[:-1]] - 1],
    )
    apart = (np.diff(runs) > 1) | (np.diff(paths.layer[runs]) != 0) | (jump > _TOGETHER * paths.width)
    patch = np.concatenate([[0], np.cumsum(apart)])
    starts = np.flatnonzero(np.diff(patch, prepend=-1))
    # A patch stands where its longest run's middle is.
    order = np.lexsort((-chains.length_mm[runs], patch))
    longest = runs[order[starts]]
    middle = (chains.first[longest] + chains.end[longest]) // 2
    middle = np.minimum(middle, chains.end[longest] - 1)
    x = (segments.x0[middle] + segments.x1[middle]) / 2
    y = (segments.y0[middle] + segments.y1[middle]) / 2
    face = innermost(segments, chains, loops, paths.layer[loops], x, y, paths.layer[longest])
    return patch, face


def _fill(paths: Paths, runs: I8, patch: I8, face: I8, across: F8) -> U1:
    """(r,) feature of each open run."""
    if len(runs) == 0:
        return np.empty(0, np.uint8)
    chains, width = paths.chains, paths.width
    length = chains.length_mm[runs]
    told, dense = _neighboured(paths, runs, face[patch])
    result = np.where(dense >= told / 2, _SOLID, _SPARSE)
    mine = face[patch]
    gap = (mine >= 0) & (across[np.maximum(mine, 0)] < _GAP_FACE * width) if len(across) else mine >= 0
    result[gap | (told <= 0)] = _GAP
    whole = np.bincount(patch, length)
    outside = mine < 0
    result[outside] = np.where(whole[patch[outside]] > _STRAY_MM, _SUPPORT, _GAP)
    return result.astype(np.uint8)


def _neighboured(paths: Paths, runs: I8, face: I8) -> tuple[F8, F8]:
    """(r,) length of each run's beads that are long enough to tell their pitch, and of those of them that
    have a parallel one beside them."""
    segments, chains = paths.segments, paths.chains
    owner_of = np.full(len(chains), -1)
    owner_of[runs] = np.arange(len(runs))
    owner = np.repeat(owner_of, chains.end - chains.first)
    dx, dy = segments.x1 - segments.x0, segments.y1 - segments.y0
    length = np.hypot(dx, dy)
    line = np.flatnonzero((owner >= 0) & (length > _SHORT * paths.width))
    owner, length = owner[line], length[line]
    ux, uy = dx[line] / length, dy[line] / length
    mx = (segments.x0[line] + segments.x1[line]) / 2
    my = (segments.y0[line] + segments.y1[line]) / 2
    place = paths.layer[runs][owner] * (len(chains) + 2) + face[owner] + 1
    bins = round(180 / _BIN_DEG)
    heading = np.degrees(np.arctan2(uy, ux)) / _BIN_DEG
    beside = np.zeros(len(line), bool)
    # Twice, the second time half a bin further: lines at the very edge of a bin fall on both sides of it.
    for shift in (0.5, 0.0):
        direction = np.floor(heading + shift).astype(np.int64) % bins
        angle = np.radians((direction + 0.5 - shift) * _BIN_DEG)
        key = place * bins + direction
        order = np.lexsort((my * np.cos(angle) - mx * np.sin(angle), key))
        for ahead in range(1, _LOOK_AHEAD + 1):
            a, b = order[:-ahead], order[ahead:]
            along = np.abs((mx[b] - mx[a]) * ux[a] + (my[b] - my[a]) * uy[a])
            pitch = np.abs((my[b] - my[a]) * ux[a] - (mx[b] - mx[a]) * uy[a])
            overlap = (length[a] + length[b]) / 2 - along
            near = (key[a] == key[b]) & (pitch < _BESIDE * paths.width) & (pitch > 0.3 * paths.width)
            near &= overlap > 0.3 * np.minimum(length[a], length[b])
            beside[a[near]] = True
            beside[b[near]] = True
    told = np.bincount(owner, length, minlength=len(runs)).astype(np.float64)
    dense = np.bincount(owner[beside], length[beside], minlength=len(runs)).astype(np.float64)
    return told, dense
