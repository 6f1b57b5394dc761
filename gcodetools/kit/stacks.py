"""Stacks: islands that touch from layer to layer, however many feet they stand on."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.islands import Island, of_layer
from gcodetools.toolpath.plate import Plate

__all__ = ["Grown", "split_stacks"]

I4 = NDArray[np.int32]
I8 = NDArray[np.int64]

_APART_MM = 0.1  # islands that overlap by less only touch: parts that stand side by side
_SPECK_MM2 = 0.5  # no part starts in the air this small, but slicers leave such specks
_LOOK_BACK = 2  # layers: an object may be printed in every second layer of the plate only


@dataclass(frozen=True, slots=True)
class Grown:
    """One stack. footprint : plastic of its first layer, one polygon or several. rows : (k,) ascending.
    layer : the plate layer it starts in."""

    footprint: shapely.Geometry
    rows: I8
    layer: int


@dataclass(slots=True)
class _Groups:
    """Disjoint sets of islands, by the usual parent links."""

    parent: list[int]

    def find(self, k: int) -> int:
        while self.parent[k] != k:
            self.parent[k] = self.parent[self.parent[k]]
            k = self.parent[k]
        return k

    def join(self, a: int, b: int) -> None:
        first, second = sorted((self.find(a), self.find(b)))
        self.parent[second] = first


def split_stacks(plate: Plate, rows: NDArray[np.integer]) -> list[Grown]:
    """Stacks among bead rows (ascending), in file order; none where no row is part of an object."""
    return _split(plate, np.asarray(rows, np.int64)) if len(rows) else []


def _split(plate: Plate, rows: I8) -> list[Grown]:
    layer = plate.beads.layer[rows]
    starts = np.flatnonzero(np.diff(layer, prepend=-1) != 0)
    groups, islands = _Groups([]), list[Island]()
    owner = np.full(len(rows), -1, np.int64)
    recent: list[list[int]] = []
    for mine in np.split(np.arange(len(rows)), starts[1:]):
        here = of_layer(plate, int(layer[mine[0]]), rows[mine])
        numbers = list(range(len(islands), len(islands) + len(here)))
        islands += here
        groups.parent += numbers
        _join_to_below(groups, islands, numbers, [k for old in recent for k in old])
        recent = [*recent[1 - _LOOK_BACK :], numbers] if numbers else recent
        for number, island in zip(numbers, here, strict=True):
            owner[mine[np.isin(rows[mine], island.rows)]] = number
        _fill(owner, mine)
    return _stacks(plate, rows, owner, groups, islands)


def _join_to_below(groups: _Groups, islands: list[Island], numbers: list[int], below: list[int]) -> None:
    """Join the islands `numbers` to those of the layers below that they overlap; a speck in the air, to its
    neighbour."""
    if not numbers or not below:
        return
    plastic = np.array([islands[k].polygon for k in numbers], object)
    core = shapely.buffer(plastic, -_APART_MM)
    # A speck or a hair has no core; it belongs to whatever it touches.
    upper = np.where(shapely.is_empty(core), plastic, core)
    tree = shapely.STRtree([islands[k].polygon for k in below])
    held: set[int] = set()
    for a, b in tree.query(upper, predicate="intersects").T.tolist():
        groups.join(numbers[a], below[b])
        held.add(a)
    for a, polygon in enumerate(plastic.tolist()):
        others = [k for k in range(len(numbers)) if k != a]
        if a not in held and polygon.area < _SPECK_MM2 and others:
            nearest = others[int(np.argmin(shapely.distance(plastic[others], polygon)))]
            groups.join(numbers[a], numbers[nearest])


def _fill(owner: I8, mine: I8) -> None:
    """Rows outside every island (a corner cut, a stray end) go with the row before them, else behind."""
    known = np.flatnonzero(owner[mine] >= 0)
    if len(known) and len(known) < len(mine):
        at = np.searchsorted(known, np.arange(len(mine)), side="right") - 1
        owner[mine] = owner[mine[known[np.maximum(at, 0)]]]


def _stacks(plate: Plate, rows: I8, owner: I8, groups: _Groups, islands: list[Island]) -> list[Grown]:
    roots = np.array([groups.find(k) for k in range(len(islands))], np.int64)
    of_row = np.where(owner >= 0, roots[owner] if len(roots) else -1, -1)
    order = np.argsort(of_row, kind="stable")
    names, starts = np.unique(of_row[order], return_index=True)
    members: dict[int, list[int]] = {}
    for number, root in enumerate(roots.tolist()):
        members.setdefault(root, []).append(number)
    found = []
    for name, mine in zip(names.tolist(), np.split(rows[order], starts[1:]), strict=True):
        if name >= 0:
            of_island = {k: int(plate.beads.layer[islands[k].rows[0]]) for k in members[name]}
            first = min(of_island.values())
            feet = [islands[k].polygon for k, layer in of_island.items() if layer == first]
            found.append(Grown(shapely.union_all(feet), mine, first))
    return sorted(found, key=lambda stack: int(stack.rows[0]))
