"""Beads along the middle of narrow places: the middles of the mesh's chords, joined to paths.

Where arms meet, the straightest two are one path and the others end at that path's side.
"""

from __future__ import annotations

from dataclasses import field, replace
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from gcodetools.records import dataclass
from gcodetools.toolpath.bands import LEVEL_MM, Path, tidied
from gcodetools.toolpath.meshes import Mesh, groups

__all__ = ["Middle", "middles_of"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]
End = tuple[int, int]  # a chain and which of its ends, 0 or 1

_RUN_OUT = np.array([1.0, 0.8, 0.6, 0.4, 0.2])  # of the way to the edge that are tried
_SLACK = 0.03  # of the least breadth; what lies so little under it is laid at it
_OUT_MM = 0.018  # a bead leaves the room by at most so much


@dataclass(frozen=True, slots=True)
class Middle:
    """A bead along the middle.

    closed : whether it is a ring. covers : which triangles it covers.
    """

    path: Path
    closed: bool
    covers: I8

    @property
    def length_mm(self) -> float:
        """Of its path."""
        points = self.path[0]
        around = np.vstack([points, points[:1]]) if self.closed else points
        return float(np.hypot(*np.diff(around, axis=0).T).sum())

    def footprint(self) -> shapely.Geometry:
        """What it covers."""
        points, breadth = self.path
        around = np.vstack([points, points[:1]]) if self.closed else points
        stretches = shapely.linestrings(np.stack([around[:-1], around[1:]], axis=1))
        return shapely.union_all(shapely.buffer(stretches, breadth / 2, cap_style="flat"))


@dataclass(slots=True)
class _Chain:
    """Chords in a row. between : the triangle after each chord but the last (of a ring: each). more : others
    that it covers."""

    chords: list[int]
    between: list[int]
    closed: bool = False
    more: list[int] = field(default_factory=list)

    def turned(self) -> _Chain:
        """The same from its other end."""
        return _Chain(self.chords[::-1], self.between[::-1], self.closed, self.more)


@dataclass(frozen=True, slots=True)
class _Narrow:
    """The narrow triangles of a mesh. real : (k, 3) chords that lead on, else -1. count : (k,) how many."""

    mesh: Mesh
    real: I8
    count: I8

    def turns(self) -> Bool:
        """(k,) whether the way leads through a triangle round a corner that it cuts off."""
        chords = self.mesh.chords
        found: Bool = (self.count == 2) & np.any((chords >= 0) & self.mesh.corner[chords], axis=1)
        return found


def middles_of(mesh: Mesh, narrow: Bool, room: Polygon, least: float, most: float) -> list[Middle]:
    """Middle beads of the `narrow` triangles (k,), breadths limited to `least` and `most`, mm.

    room : polygon that the beads stay in.
    """
    real = np.where((mesh.chords >= 0) & ~mesh.corner[mesh.chords] & narrow[:, None], mesh.chords, -1)
    zone = _Narrow(mesh, real, (real >= 0).sum(axis=1))
    edge = room.boundary
    shapely.prepare(edge)
    beads = []
    for chain in _through_crossings(zone, _chains(zone)):
        chain = _trimmed(zone, chain, edge, least)
        points, across = _nodes(zone, chain)
        path = _limited(points, across, chain.closed, edge, least, most)
        if path is None:
            continue
        points, breadth = _run_out(*path, _free_ends(zone, chain), edge)
        covers = np.array([t for t in chain.between + chain.more if t >= 0], dtype=np.int64)
        bead = Middle(tidied(points, breadth, chain.closed), chain.closed, covers)
        whole = _sound_part(bead, room, least)
        if whole is not None:
            beads.append(whole if whole is bead else _covering_less(whole, mesh))
    return _with_corners(zone, narrow, beads)


def _chains(zone: _Narrow) -> list[_Chain]:
    """Rows of chords joined by triangles that two of them lead through."""
    real, sleeve = zone.real, np.flatnonzero(zone.count == 2)
    pair = np.sort(real[sleeve], axis=1)[:, 1:]
    ends, others = np.concatenate([pair[:, 0], pair[:, 1]]), np.concatenate([pair[:, 1], pair[:, 0]])
    via = np.concatenate([sleeve, sleeve])
    links: dict[int, list[tuple[int, int]]] = {c: [] for c in np.unique(real[real >= 0]).tolist()}
    for end, other, triangle in zip(ends.tolist(), others.tolist(), via.tolist(), strict=True):
        links[end].append((other, triangle))
    seen: set[int] = set()
    chains = []
    for start in sorted(links, key=lambda c: len(links[c])):  # rings come last
        if start in seen:
            continue
        chain = _Chain([start], [])
        seen.add(start)
        at, came = start, -1
        while True:
            onward = [link for link in links[at] if link[1] != came]
            if not onward:
                break
            at, came = onward[0]
            chain.between.append(came)
            if at == start:
                chain.closed = True
                break
            seen.add(at)
            chain.chords.append(at)
        chains.append(chain)
    return chains


def _through_crossings(zone: _Narrow, chains: list[_Chain]) -> list[_Chain]:
    """The chains, joined through crossings."""
    crossing = np.flatnonzero(zone.count == 3)
    if len(crossing) == 0:
        return chains
    ports = _ports(zone, chains, crossing)
    links = {
        c for c in range(len(chains)) if (c, 0) in ports and (c, 1) in ports and _is_link(zone, chains[c])
    }
    routes: dict[End, tuple[End, _Chain]] = {}
    for cluster in _clusters(crossing.tolist(), ports, links):
        arms = [(end, t) for end, t in ports.items() if t in cluster and end[0] not in links]
        if len(arms) < 2:
            continue
        centre = zone.mesh.edge.xy[zone.mesh.triangle[sorted(cluster)]].mean(axis=(0, 1))
        away = {end: _direction(zone, chains[end[0]], end[1], centre) for end, _ in arms}
        one, two = min(combinations(arms, 2), key=lambda p: float(away[p[0][0]] @ away[p[1][0]]))
        way = _way(one[1], two[1], chains, ports, links)
        way.more += [t for t in cluster if t not in way.between]
        routes[one[0]] = (two[0], way)
        routes[two[0]] = (one[0], way.turned())
    return _joined([c if j not in links else None for j, c in enumerate(chains)], routes)


def _ports(zone: _Narrow, chains: list[_Chain], crossing: I8) -> dict[End, int]:
    """The crossing triangle that each end of a chain leads into."""
    owner: dict[int, list[int]] = {}
    for triangle, chords in zip(crossing.tolist(), zone.real[crossing].tolist(), strict=True):
        for chord in chords:
            owner.setdefault(chord, []).append(triangle)
    ports: dict[End, int] = {}
    for c, chain in enumerate(chains):
        if chain.closed:
            continue
        first = owner.get(chain.chords[0], [])
        last = owner.get(chain.chords[-1], []) if len(chain.chords) > 1 else first[1:]
        for end, found in ((0, first), (1, last)):
            if found:
                ports[c, end] = found[0]
    return ports


def _is_link(zone: _Narrow, chain: _Chain) -> bool:
    """Whether a chain between two crossings is so short that they are one."""
    middle = zone.mesh.middle[chain.chords]
    return float(np.hypot(*np.diff(middle, axis=0).T).sum()) < float(zone.mesh.across[chain.chords].mean())


def _clusters(crossing: list[int], ports: dict[End, int], links: set[int]) -> list[set[int]]:
    """Crossing triangles that make one crossing."""
    clusters: list[set[int]] = [{t} for t in crossing]
    for c in links:
        one = next(s for s in clusters if ports[c, 0] in s)
        two = next(s for s in clusters if ports[c, 1] in s)
        if one is not two:
            one |= two
            clusters = [s for s in clusters if s is not two]
    return clusters


def _direction(zone: _Narrow, chain: _Chain, end: int, centre: F8) -> F8:
    """Unit vector from a crossing along an arm, as far as the arm is broad."""
    middle = zone.mesh.middle[chain.chords if end == 0 else chain.chords[::-1]]
    off = np.hypot(*(middle - centre).T)
    far = int(np.argmax(off >= min(float(off.max()), 1.5 * float(zone.mesh.across[chain.chords].mean()))))
    unit: F8 = (middle[far] - centre) / max(float(off[far]), 1e-12)
    return unit


def _way(one: int, two: int, chains: list[_Chain], ports: dict[End, int], links: set[int]) -> _Chain:
    """From one triangle of a crossing to another."""
    ways = {one: _Chain([], [one])}
    fresh = [one]
    while two not in ways and fresh:
        at = fresh.pop(0)
        for c in sorted(links):
            for end in (0, 1):
                onward = ports[c, 1 - end]
                if ports[c, end] == at and onward not in ways:
                    link = chains[c] if end == 0 else chains[c].turned()
                    so_far = ways[at]
                    ways[onward] = _Chain(
                        so_far.chords + link.chords, so_far.between + link.between + [onward]
                    )
                    fresh.append(onward)
    found = ways.get(two, ways[one])
    return _Chain(list(found.chords), list(found.between))


def _joined(chains: list[_Chain | None], routes: dict[End, tuple[End, _Chain]]) -> list[_Chain]:
    """Chains that follow each other on the routes, as one each."""
    done: set[int] = set()
    result = []
    order = [j for j in range(len(chains)) if ((j, 0) in routes) + ((j, 1) in routes) < 2]
    for start in [*order, *range(len(chains))]:
        first = chains[start]
        if start in done or first is None:
            continue
        done.add(start)
        leave = 1 if (start, 1) in routes else 0
        whole = first if leave == 1 else first.turned()
        whole = _Chain(list(whole.chords), list(whole.between), whole.closed)
        at: End = (start, leave)
        while at in routes:
            (to, enter), way = routes[at]
            whole.chords += way.chords
            whole.between += way.between
            whole.more += way.more
            following = chains[to]
            if to in done or following is None:
                whole.closed = to == start
                if not whole.closed:
                    whole.between.pop()
                break
            done.add(to)
            part = following if enter == 0 else following.turned()
            whole.chords += part.chords
            whole.between += part.between
            at = (to, 1 - enter)
        result.append(whole)
    return result


def _trimmed(zone: _Narrow, chain: _Chain, edge: shapely.Geometry, least: float) -> _Chain:
    """The chain without ends that are too narrow for a bead."""
    mesh = zone.mesh
    breadth = _fitting(mesh.middle[chain.chords], mesh.across[chain.chords], edge)
    enough = np.flatnonzero(breadth > least * (1 - _SLACK))
    if chain.closed or len(enough) in (0, len(breadth)):
        return chain
    first, last = int(enough[0]), int(enough[-1])
    return _Chain(chain.chords[first : last + 1], chain.between[first:last], False, chain.more)


def _nodes(zone: _Narrow, chain: _Chain) -> tuple[F8, F8]:
    """Points of a chain and the thickness at them; round a sharp inner corner the path turns sharply too."""
    mesh = zone.mesh
    points, across = mesh.middle[chain.chords], mesh.across[chain.chords]
    between = np.array(chain.between, dtype=np.int64)
    turns = np.flatnonzero((between >= 0) & zone.turns()[between]).tolist()
    even = (np.roll(points, 1, axis=0) + 2 * points + np.roll(points, -1, axis=0)) / 4
    fixed = [*turns, *((k + 1) % len(points) for k in turns), *(() if chain.closed else (0, -1))]
    even[fixed] = points[fixed]
    points = even
    for k in reversed(turns):
        after = chain.chords[(k + 1) % len(chain.chords)]
        fan = _fan(mesh, chain.between[k], chain.chords[k], after)
        points = np.insert(points, k + 1, fan, axis=0)
        across = np.insert(
            across, k + 1, np.full(len(fan), (mesh.across[chain.chords[k]] + mesh.across[after]) / 2)
        )
    # In a crossing a chord may run from corner to corner, askew.
    beside = np.maximum(np.roll(across, 1), np.roll(across, -1))
    if not chain.closed:
        beside[[0, -1]] = np.inf
    return points, np.minimum(across, beside)


def _cut_corner(mesh: Mesh, triangle: int) -> int:
    """The chord of a triangle that cuts off a corner, -1 if none does."""
    chords = mesh.chords[triangle]
    corner = chords[(chords >= 0) & mesh.corner[chords]]
    return int(corner[0]) if len(corner) else -1


def _fan(mesh: Mesh, triangle: int, before: int, after: int) -> F8:
    """Middles of the lines from an inner corner to the points of the outer corner that is opposite to it."""
    common = set(mesh.chord[before].tolist()) & set(mesh.chord[after].tolist())
    corner = mesh.chord[_cut_corner(mesh, triangle)].tolist()
    if len(common) != 1 or not np.isnan(mesh.edge.normal[(pivot := common.pop()), 0]):
        return np.zeros((0, 2))
    edge = mesh.edge
    own = np.flatnonzero(edge.ring == edge.ring[corner[0]])
    a, b = corner if corner[0] in mesh.chord[before] else corner[::-1]
    ahead, back = (b - a) % len(own), (a - b) % len(own)
    way = (edge.arc[b] - edge.arc[a]) % edge.around[edge.ring[a]]
    forth = way < edge.around[edge.ring[a]] / 2
    steps = np.arange(1, ahead) if forth else -np.arange(1, back)
    outer = own[(a - own[0] + steps) % len(own)]
    fan: F8 = (edge.xy[outer] + edge.xy[pivot]) / 2
    return fan


def _free_ends(zone: _Narrow, chain: _Chain) -> tuple[bool, bool]:
    """Whether a chain ends before a cap of the room, at its first and its last chord."""
    if chain.closed:
        return False, False
    first, last = (bool(np.any(zone.count[zone.mesh.beside[chain.chords[k]]] == 1)) for k in (0, -1))
    return first, last


def _limited(
    points: F8, across: F8, closed: bool, edge: shapely.Geometry, least: float, most: float
) -> tuple[F8, F8] | None:
    """The path with breadths at its points that stay in the room."""
    if len(points) < 2:
        return None
    breadth = _fitting(points, np.minimum(across, most), edge)
    if closed:
        points, breadth = np.vstack([points, points[:1]]), np.append(breadth, breadth[0])
    pieces = np.maximum(np.ceil(np.abs(np.diff(breadth)) / LEVEL_MM), 1).astype(np.int64)
    if pieces.max() > 1:
        at = np.arange(len(points), dtype=np.float64)
        first = np.repeat(np.cumsum(pieces) - pieces, pieces)
        fine = np.append(
            np.repeat(at[:-1], pieces) + (np.arange(len(first)) - first) / np.repeat(pieces, pieces), at[-1]
        )
        points = np.column_stack([np.interp(fine, at, points[:, 0]), np.interp(fine, at, points[:, 1])])
        breadth = _fitting(points, np.interp(fine, at, breadth), edge)
    if closed:
        points, breadth = points[:-1], breadth[:-1]
    else:
        enough = np.flatnonzero(breadth > least * (1 - _SLACK))
        if len(enough) < 2:
            return None
        part = slice(int(enough[0]), int(enough[-1]) + 1)
        points, breadth = points[part], breadth[part]
    return points, np.maximum(breadth, least)


def _fitting(points: F8, breadth: F8, edge: shapely.Geometry) -> F8:
    """Breadths at points, no greater than the room has there."""
    fitting: F8 = np.minimum(breadth, 2 * shapely.distance(edge, shapely.points(points)))
    return fitting


def _run_out(points: F8, breadth: F8, free: tuple[bool, bool], edge: shapely.Geometry) -> tuple[F8, F8]:
    """The path lengthened at its free ends so that it ends half its breadth before the edge."""
    for end in (1, 0):
        points, breadth = points[::-1], breadth[::-1]
        if not free[end]:
            continue
        tip, broad = points[0], float(breadth[0])
        off = np.hypot(*(points - tip).T)
        way = tip - points[int(np.argmax(off >= min(float(off.max()), broad / 2)))]
        way /= max(float(np.hypot(*way)), 1e-12)
        hit = shapely.intersection(shapely.linestrings([tip, tip + way * 2 * broad]), edge)
        more = float(shapely.distance(hit, shapely.points(tip))) - broad / 2
        if not more > 0:
            continue
        fits = _RUN_OUT * more
        there = 2 * shapely.distance(edge, shapely.points(tip + way * fits[:, None]))
        wide = np.flatnonzero(there >= broad * (1 - _SLACK))
        if len(wide) == 0:
            continue
        more = float(fits[wide[0]])
        points, breadth = np.vstack([tip + way * more, points]), np.append(broad, breadth)
    return points, breadth


def _sound_part(bead: Middle, room: Polygon, least: float) -> Middle | None:
    """The longest part of a bead that stays in the room and does not cross itself; None for none. In spiky rooms
    the way through a crossing may cut a corner of the edge, or lead back on itself."""
    points, breadth = bead.path
    around = np.vstack([points, points[:1]]) if bead.closed else points
    stretches = shapely.linestrings(np.stack([around[:-1], around[1:]], axis=1))
    free = 2 * (shapely.distance(room.boundary, stretches) + _OUT_MM)
    free[~shapely.contains_xy(room, *((around[:-1] + around[1:]) / 2).T)] = 0.0
    inside = free >= breadth
    if inside.all() and shapely.is_simple(shapely.linestrings(around)):
        return bead
    fits = free >= least
    breadth = np.where(inside, breadth, np.maximum(np.minimum(breadth, free), least))
    if fits.all() and shapely.is_simple(shapely.linestrings(around)):
        return Middle((points, breadth), bead.closed, bead.covers)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], fits, [False]]).astype(np.int8)))
    parts = [_simple_part(around[a : b + 1], breadth[a:b]) for a, b in edges.reshape(-1, 2).tolist() if b > a]
    if not parts:
        return None
    best = max(parts, key=lambda path: float(np.hypot(*np.diff(path[0], axis=0).T).sum()))
    return Middle(best, False, bead.covers)


def _simple_part(points: F8, breadth: F8) -> Path:
    """The longer of the path up to where it first meets itself and the one from where it last does."""

    def longest(way: F8) -> int:
        low, high = 2, len(way) + 1  # the first `low` points are simple, the first `high` are not
        while high - low > 1:
            middle = (low + high) // 2
            simple = bool(shapely.is_simple(shapely.linestrings(way[:middle])))
            low, high = (middle, high) if simple else (low, middle)
        return low

    n = len(points)
    up_to, since = longest(points), n - longest(points[::-1])
    if up_to >= n - since:
        return points[:up_to], breadth[: up_to - 1]
    return points[since:], breadth[since:]


def _covering_less(bead: Middle, mesh: Mesh) -> Middle:
    """A bead that was shortened, with the triangles that are left to it."""
    laid = bead.footprint()
    centre = mesh.edge.xy[mesh.triangle[bead.covers]].mean(axis=1)
    return replace(bead, covers=bead.covers[shapely.contains_xy(laid, centre[:, 0], centre[:, 1])])


def _with_corners(zone: _Narrow, narrow: Bool, beads: list[Middle]) -> list[Middle]:
    """The beads, each covering the corners beside what it covers too."""
    mesh = zone.mesh
    inside = mesh.corner & narrow[mesh.beside].all(axis=1)
    group = groups(len(mesh.triangle), mesh.beside[inside])
    return [Middle(b.path, b.closed, np.flatnonzero(narrow & np.isin(group, group[b.covers]))) for b in beads]
