"""Solid lines: parallel beads that fill an area, joined to and fro in print order.

Lines are cut at the area inset by half a pitch less the overlap, so line and way to the next one together cover
the area and `overlap_mm` more on every side. Pure geometry in mm: no plate, no text.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.ops import substring

from gcodetools.records import dataclass
from gcodetools.toolpath.bands import MITRE_LIMIT, polygons_of
from gcodetools.toolpath.strands import Strand

__all__ = ["hatch"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]

_EVEN = 40  # lines; so narrow a piece has its pitch changed a little to be filled evenly
_INSETS = (0.0, 0.15, 0.3, 0.45)  # pitches from the edge to the outermost line that are tried
_PHASES = (0.0, 0.5, 0.25, 0.75, 0.125, 0.375, 0.625, 0.875)  # pitches off the origin that are tried
_EVENLY = 0.01  # of the area; a better fill is not looked for
_BROAD = 1.25  # of the pitch; an even one differs by no more
_MADE_UP = 0.05  # of the breadth
_JOINT = 2.5  # pitches; a longer way to the next line is a travel
_SHORTEST = 1.0  # pitches; a shorter path is not laid
_INSIDE_MM = 1e-3  # the outermost lines lie so much inside, and joints may reach so much outside
_SIMPLE_MM = 0.002


@dataclass(frozen=True, slots=True)
class _Lines:
    """Cut lines in the frame of the hatch: u along them, v across.

    row : (n,) number of the line, ascending. low, high : (n,) from and to, u. v : (n,).
    """

    row: I8
    low: F8
    high: F8
    v: F8


def hatch(
    area: shapely.Geometry,
    pitch_mm: float,
    direction_rad: float,
    origin: tuple[float, float] | F8,
    overlap_mm: float,
) -> list[Strand]:
    """Parallel beads that fill an area.

    Parameters
    ----------
    area : polygons, mm; anything else in it is left out. pitch_mm : between the lines. direction_rad : of the
    lines, counter-clockwise from +x. origin : a point that a line of every area leads through, so that layers
    and islands agree; pieces under forty lines wide are filled evenly from edge to edge instead.
    overlap_mm : by how much the beads reach over the area's edge.

    Returns
    -------
    list of Strand
        Open paths in print order, loop = -1, breadth the pitch of their piece within 5 %. Empty where nothing fits.
    """
    if area.is_empty or not np.isfinite(shapely.get_coordinates(area)).all():
        return []
    if not shapely.is_valid(area):
        area = shapely.make_valid(area)
    turn = np.array(
        [[np.cos(direction_rad), -np.sin(direction_rad)], [np.sin(direction_rad), np.cos(direction_rad)]]
    )
    start = np.asarray(origin, dtype=np.float64)
    inner = shapely.buffer(
        shapely.union_all(polygons_of(area)),
        -max(pitch_mm / 2 - overlap_mm, 0.0),
        join_style="mitre",
        mitre_limit=MITRE_LIMIT,
    )
    # In a frame where the lines are level and the origin lies at 0, 0.
    level = shapely.transform(shapely.simplify(inner, _SIMPLE_MM), lambda xy: (xy - start) @ turn)
    pieces = []
    for piece in polygons_of(level):
        paths, pitch = _fill(piece, pitch_mm)
        if paths:
            pieces.append([(path, pitch) for path in paths])
    return [
        Strand(path @ turn.T + start, np.full(len(path) - 1, pitch), False, -1)
        for path, pitch in _in_order(pieces)
    ]


def _fill(piece: Polygon, pitch: float) -> tuple[list[F8], float]:
    """Paths in a piece, and their breadth."""
    _, low, _, high = piece.bounds
    if high - low < _EVEN * pitch:
        lines, own = _even(piece, pitch)
    else:
        lines, own = _phased(piece, pitch), pitch
    chains = _chains(piece, lines, own)
    length = np.array([np.hypot(*np.diff(path, axis=0).T).sum() for path in chains])
    laid = length >= _SHORTEST * pitch
    # What turns and slanting edges leave open is made up for by a little more in the lines.
    wanted = shapely.buffer(piece, pitch / 2).area / max(float(length[laid].sum()), 1e-9)
    breadth = float(np.clip(wanted, own * (1 - _MADE_UP), own * (1 + _MADE_UP)))
    return [path for path, long in zip(chains, laid.tolist(), strict=True) if long], breadth


def _phased(piece: Polygon, pitch: float) -> _Lines:
    """Lines through the origin, or beside it where that fills the piece better by more than it matters: along a leg
    no whole number of lines wide they would leave a slit beside its wall."""
    _, low, _, high = piece.bounds
    wanted = _grown(piece, pitch)
    best: tuple[float, _Lines] | None = None
    for phase in _PHASES:
        first = np.ceil(low / pitch - phase)
        number = np.arange(first, np.floor(high / pitch - phase) + 1).astype(np.int64)
        lines = _cut(piece, number, (number.astype(np.float64) + phase) * pitch)
        short = abs(_covered(lines, pitch) - wanted)
        if best is None or short < best[0] - _EVENLY * wanted:
            best = short, lines
        if best[0] < _EVENLY * wanted:
            break
    assert best is not None
    return best[1]


def _grown(piece: Polygon, pitch: float) -> float:
    """Area that lines in a piece should cover, mm2."""
    return float(shapely.buffer(piece, pitch / 2, join_style="mitre", mitre_limit=MITRE_LIMIT).area)


def _covered(lines: _Lines, pitch: float) -> float:
    """Area of lines with the ways between them, mm2."""
    return (float((lines.high - lines.low).sum()) + pitch * (len(lines.row) - 1)) * pitch


def _even(piece: Polygon, pitch: float) -> tuple[_Lines, float]:
    """Lines that fill a narrow piece evenly, and their pitch.

    The outermost lie at its edges, or as much further inside as fills the piece best: a round one has no length
    at its very edge.
    """
    _, low, _, high = piece.bounds
    wanted = _grown(piece, pitch)
    best: tuple[float, _Lines, float] | None = None
    for part in _INSETS:
        inside = max(part * pitch, _INSIDE_MM)
        room = high - low - 2 * inside
        count = max(round(room / pitch), 0) + 1
        part_of = np.arange(count, dtype=np.float64) / (count - 1) if count > 1 else np.array([0.5])
        own = room / (count - 1) if count > 1 else min(max(high - low, 0.0) + pitch, _BROAD * pitch)
        if not 1 / _BROAD <= own / pitch <= _BROAD:
            continue
        lines = _cut(piece, np.arange(count), low + inside + room * part_of)
        short = abs(_covered(lines, own) - wanted)
        if best is None or short < best[0]:
            best = short, lines, own
        if part == 0.0 and short < _EVENLY * wanted:
            break
    if best is None:  # one line is too few and two are too many
        return _cut(piece, np.arange(1), np.array([(low + high) / 2])), pitch
    return best[1], best[2]


def _cut(piece: Polygon, number: I8, rows: F8) -> _Lines:
    """The rows inside a piece."""
    left, _, right, _ = piece.bounds
    ends = np.empty((len(rows), 2, 2))
    ends[:, 0, 0], ends[:, 1, 0] = left - 1.0, right + 1.0
    ends[:, :, 1] = rows[:, None]
    shapely.prepare(piece)
    cut = shapely.intersection(shapely.linestrings(ends), piece)
    parts, row = shapely.get_parts(cut, return_index=True)
    inner, deeper = shapely.get_parts(parts, return_index=True)  # collections hold lines in turn
    row = row[deeper]
    is_line = shapely.get_type_id(inner) == 1
    inner, row = inner[is_line], row[is_line]
    if len(inner) == 0:
        empty = np.zeros(0)
        return _Lines(np.zeros(0, np.int64), empty, empty, empty)
    box = shapely.bounds(inner)
    order = np.lexsort((box[:, 0], row))
    return _Lines(number[row[order]], box[order, 0], box[order, 2], rows[row[order]])


def _chains(piece: Polygon, lines: _Lines, pitch: float) -> list[F8]:
    """Lines joined to and fro: at their high ends from an even row to the next, at their low ends from an odd.

    What is then still apart is joined at any ends that lie beside each other. Ends: 2 line for the low one, one
    more for the high one.
    """
    n = len(lines.row)
    ends = np.empty((2 * n, 2))
    ends[0::2, 0], ends[1::2, 0], ends[:, 1] = lines.low, lines.high, np.repeat(lines.v, 2)
    one, two = _neighbours(lines)
    partner = np.full(2 * n, -1)
    ways: dict[int, F8] = {}
    chain = np.arange(n)
    even = 1 - lines.row[one] % 2
    for side in (even, 0, 1):
        for a, b, way in _joints(piece, ends, 2 * one + side, 2 * two + side, partner, pitch):
            if chain[a // 2] != chain[b // 2]:
                partner[[a, b]] = b, a
                ways[a], ways[b] = way, way[::-1]
                chain[chain == chain[b // 2]] = chain[a // 2]
    return _followed(ends, partner, ways)


def _followed(ends: F8, partner: I8, ways: dict[int, F8]) -> list[F8]:
    """The points of each chain, from its end in the lowest row."""
    done = np.zeros(len(ends), bool)
    chains = []
    for start in np.flatnonzero(partner < 0).tolist():
        points, at = [], start
        while at >= 0 and not done[at]:
            done[[at, at ^ 1]] = True
            points.append(ends[[at, at ^ 1]])
            at ^= 1
            if at in ways:
                points.append(ways[at])
            at = int(partner[at])
        if points:
            chains.append(np.concatenate(points))
    return chains


def _neighbours(lines: _Lines) -> tuple[I8, I8]:
    """All pairs of lines in rows that follow each other."""
    low, high = (np.searchsorted(lines.row, lines.row + 1, side=side) for side in ("left", "right"))
    count = high - low
    one = np.repeat(np.arange(len(count)), count)
    two: I8 = np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low, count)
    return one, two


def _joints(
    piece: Polygon, ends: F8, one: I8, two: I8, partner: I8, pitch: float
) -> list[tuple[int, int, F8]]:
    """Of pairs of ends those that are to be joined, and the points between them."""
    free = (partner[one] < 0) & (partner[two] < 0)
    one, two = one[free], two[free]
    off = np.hypot(*(ends[two] - ends[one]).T)
    best = np.full(len(ends), np.inf)
    np.minimum.at(best, one, off)
    behind = np.full(len(ends), np.inf)
    np.minimum.at(behind, two, off)
    good = (off <= _JOINT * pitch) & (off == best[one]) & (off == behind[two])
    one, two = one[good], two[good]
    if len(one) == 0:
        return []
    straight = shapely.linestrings(np.stack([ends[one], ends[two]], axis=1))
    inside = shapely.covers(shapely.buffer(piece, _INSIDE_MM), straight)
    joints = []
    for a, b, clear in zip(one.tolist(), two.tolist(), inside.tolist(), strict=True):
        way = np.zeros((0, 2)) if clear else _along_edge(piece, ends[[a, b]], _JOINT * pitch)
        if way is not None:
            joints.append((a, b, way))
    return joints


def _along_edge(piece: Polygon, ends: F8, longest: float) -> F8 | None:
    """Points between two points of a piece's edge along it; None where that way is too long."""
    points = shapely.points(ends)
    rings = [piece.exterior, *piece.interiors]
    ring = rings[int(np.argmin([shapely.distance(points, r).sum() for r in rings]))]
    if shapely.distance(points, ring).max() > 2 * _INSIDE_MM:
        return None
    a, b = shapely.line_locate_point(ring, points).tolist()
    ahead = abs(b - a)
    if ahead <= ring.length / 2:
        way = shapely.get_coordinates(substring(ring, min(a, b), max(a, b)))
    else:
        tail, head = substring(ring, max(a, b), ring.length), substring(ring, 0.0, min(a, b))
        way = np.concatenate([shapely.get_coordinates(tail), shapely.get_coordinates(head)[1:]])
        ahead = ring.length - ahead
    if ahead > longest:
        return None
    backward = np.hypot(*(way[0] - ends[0])) > np.hypot(*(way[-1] - ends[0]))
    result: F8 = (way[::-1] if backward else way)[1:-1]
    return result


def _in_order(pieces: list[list[tuple[F8, float]]]) -> list[tuple[F8, float]]:
    """The pieces, and the paths in each, nearest first, each path from its nearer end."""
    ordered: list[tuple[F8, float]] = []
    at = np.zeros(2)
    rest = list(pieces)
    while rest:
        ends = [np.array([(p[0], p[-1]) for p, _ in piece]) for piece in rest]
        nearest = int(np.argmin([np.hypot(*(e - at).reshape(-1, 2).T).min() for e in ends]))
        paths = rest.pop(nearest)
        while paths:
            both = np.array([(p[0], p[-1]) for p, _ in paths])
            off = np.hypot(both[..., 0] - at[0], both[..., 1] - at[1])
            k, end = divmod(int(np.argmin(off)), 2)
            path, pitch = paths.pop(k)
            ordered.append((path if end == 0 else path[::-1], pitch))
            at = ordered[-1][0][-1]
    return ordered
