"""Reads sliced text line by line, without the package: paths of beads by layer and feature, arcs as chords.

G0 to G3, G90 to G92, M82, M83 as the NIST RS274/NGC report (1999) and common practice have them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import LineString, Polygon

WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))")
OUTER = ("external perimeter", "wall-outer", "outer wall", "outer perimeter", "perimeter path")
INNER = ("perimeter", "wall-inner", "inner wall", "inner perimeter", "loop path")
OTHERS = ("custom", "skirt", "skirt/brim", "brim", "support", "support material", "start", "prime tower")
CHORD_MM = 0.02


@dataclass
class Bead:
    """One path of beads: what it is, its height, its points (arcs as chords), how much filament each of its moves
    pushes, where these end among the points, and the line each stands in."""

    feature: str
    z: float
    points: list[tuple[float, float]]
    e: list[float] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)

    @property
    def line(self) -> LineString:
        return LineString(self.points)

    @property
    def corners(self) -> np.ndarray:
        """Where it begins and where its moves end."""
        return np.array([self.points[0], *(self.points[k] for k in self.ends)])


@dataclass
class Sheet:
    """All paths in order, by height."""

    beads: list[Bead]

    @property
    def heights(self) -> list[float]:
        return sorted({bead.z for bead in self.beads if bead.feature == "outer"})

    def at(self, z: float, *features: str) -> list[Bead]:
        return [b for b in self.beads if b.z == z and b.feature in features]

    def plastic(self, z: float) -> shapely.Geometry:
        """What lies within the outermost centre lines of a layer, by the even-odd rule."""
        area = Polygon()
        for bead in self.at(z, "outer"):
            area = area.symmetric_difference(Polygon(bead.points))
        return area

    def filament(self, z: float) -> float:
        return sum(sum(b.e) for b in self.at(z, "outer", "inner", "fill"))


def read(data: bytes) -> Sheet:
    x = y = z = counter = 0.0
    relative_e = relative = False
    feature = "other"
    beads: list[Bead] = []
    on = False
    for number, raw in enumerate(data.decode("latin-1").splitlines()):
        text, _, comment = raw.partition(";")
        if not text.strip():
            feature = _feature(comment, feature)
            continue
        words = {k: float(v) for k, v in WORD.findall(text.upper().split("(")[0])}
        code = text.split()[0].upper()
        if code in ("M82", "M83"):
            relative_e = code == "M83"
        elif code == "G92":
            counter = words.get("E", counter)
        elif code in ("G90", "G91"):
            relative = code == "G91"
        elif code in ("G0", "G1", "G2", "G3"):
            base = (x, y, z) if relative else (0.0, 0.0, 0.0)
            a, b, z = (
                o + words[k] if k in words else v for k, o, v in zip("XYZ", base, (x, y, z), strict=True)
            )
            e = words.get("E", 0.0 if relative_e else counter) - (0.0 if relative_e else counter)
            counter += e
            if e > 0 and ((a, b) != (x, y) or code in ("G2", "G3")):
                if not on or beads[-1].feature != feature or beads[-1].z != round(z, 4):
                    beads.append(Bead(feature, round(z, 4), [(x, y)]))
                beads[-1].points += _arc(code, words, (x, y), (a, b)) if code in ("G2", "G3") else [(a, b)]
                beads[-1].e.append(e)
                beads[-1].ends.append(len(beads[-1].points) - 1)
                beads[-1].lines.append(number)
                on = True
            elif (a, b) != (x, y) or e != 0:
                on = False
            x, y = a, b
    return Sheet(beads)


def _feature(comment: str, before: str) -> str:
    said = re.match(r"\s*(?:TYPE:|FEATURE:)?\s*'?([A-Za-z/ -]+?)'?\s*$", comment.split(",")[0])
    word = said.group(1).strip().lower() if said else ""
    if word in OUTER:
        return "outer"
    if word in INNER:
        return "inner"
    if word in OTHERS:
        return "other"
    if any(part in word for part in ("infill", "skin", "surface", "solid", "fill", "gap", "bridge")):
        return "fill"
    return before


def _arc(
    code: str, words: dict[str, float], start: tuple[float, float], end: tuple[float, float]
) -> list[tuple[float, float]]:
    cx, cy = start[0] + words.get("I", 0.0), start[1] + words.get("J", 0.0)
    begin = math.atan2(start[1] - cy, start[0] - cx)
    sweep = (math.atan2(end[1] - cy, end[0] - cx) - begin) % (2 * math.pi)
    if code == "G2":
        sweep -= 2 * math.pi
    if start == end:
        sweep = -2 * math.pi if code == "G2" else 2 * math.pi
    r0, r1 = math.dist(start, (cx, cy)), math.dist(end, (cx, cy))
    assert abs(r0 - r1) < 0.03, (code, words, start, end)
    count = max(int(abs(sweep) * r0 / CHORD_MM), 4)
    found = []
    for k in range(1, count + 1):
        r, angle = r0 + (r1 - r0) * k / count, begin + sweep * k / count
        found.append((cx + r * math.cos(angle), cy + r * math.sin(angle)))
    found[-1] = end
    return found


def grown(area: shapely.Geometry, by: float) -> shapely.Geometry:
    """The library's own offset, corners kept to five times the offset."""
    return shapely.buffer(area, by, join_style="mitre", mitre_limit=5.0)


def apart(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """How far any point of one boundary is from the other, mm, either way."""
    a, b = (shapely.segmentize(shapely.boundary(g), 0.1) for g in (one, other))
    pa, pb = (shapely.points(shapely.get_coordinates(g)) for g in (a, b))
    return float(max(shapely.distance(pa, b).max(), shapely.distance(pb, a).max()))


def closed_form(area: shapely.Geometry, by: float) -> float:
    """Area that a polygon gains when its sides move out: P d + d^2 sum tan(turn / 2), a hole's with its signs."""
    total = 0.0
    for polygon in shapely.get_parts(area):
        for ring, sign in ((polygon.exterior, 1.0), *((r, -1.0) for r in polygon.interiors)):
            points = shapely.get_coordinates(shapely.remove_repeated_points(ring))[:-1]
            if shapely.is_ccw(ring) == (sign < 0):
                points = points[::-1]
            # The plastic lies to the left: a turn to the left is a corner that sticks out.
            way = np.roll(points, -1, axis=0) - points
            heading = np.arctan2(way[:, 1], way[:, 0])
            turn = np.angle(np.exp(1j * (heading - np.roll(heading, 1))))
            total += by * float(np.hypot(*way.T).sum()) + by**2 * float(np.tan(turn / 2).sum())
    return total


def gaps(beads: list[Bead], others: list[Bead]) -> list[np.ndarray]:
    """How far the corners of each bead are from the nearest of the others."""
    lines = shapely.union_all([b.line for b in others])
    return [shapely.distance(shapely.points(b.corners), lines) for b in beads]


def crossings(sheet: Sheet, z: float) -> int:
    """Pairs of straight pieces of walls of a layer that cross, neighbours left out."""
    ends, owner = [], []
    for n, bead in enumerate(sheet.at(z, "outer", "inner")):
        corners = bead.corners
        ends += [np.stack([corners[:-1], corners[1:]], axis=1)]
        owner += [n] * (len(corners) - 1)
    pieces = shapely.linestrings(np.concatenate(ends))
    tree = shapely.STRtree(pieces)
    a, b = tree.query(pieces, predicate="intersects")
    who = np.array(owner)
    near = (who[a] == who[b]) & ((np.abs(a - b) <= 1) | (np.abs(a - b) >= np.bincount(who)[who[a]] - 2))
    return int(np.count_nonzero(~near & (a < b)))
