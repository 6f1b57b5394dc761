"""Outlines to print for the tests of new beads, as parts of the demo's maker: rings, ribs, necks, stars, tapers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely
from shapely import LineString, MultiPoint, Point, Polygon, affinity, box

from gcodetools.demo.shapes import Part

__all__ = ["build", "holes", "necks", "rectangle", "ribs", "ring", "slotted", "star", "taper", "thing"]


def ring(outer: float, wall: float, quads: int = 24) -> Polygon:
    """A ring about the origin."""
    return (
        Point(0, 0)
        .buffer(outer, quad_segs=quads)
        .difference(Point(0, 0).buffer(outer - wall, quad_segs=quads))
    )


def slotted(outer: float, wall: float, gap_deg: float) -> Polygon:
    """A ring open towards +x."""
    half = math.radians(gap_deg / 2)
    far = 9 * outer
    cut = Polygon(
        [(0, 0), (far * math.cos(half), far * math.sin(half)), (far * math.cos(half), -far * math.sin(half))]
    )
    return ring(outer, wall).difference(cut)


def rectangle(width: float, depth: float) -> Polygon:
    return box(-width / 2, -depth / 2, width / 2, depth / 2)


def holes(width: float, depth: float, radii: Sequence[float]) -> Polygon:
    """A plate with holes in a row."""
    step = width / len(radii)
    discs = [Point(-width / 2 + (n + 0.5) * step, 0).buffer(r, quad_segs=8) for n, r in enumerate(radii)]
    return rectangle(width, depth).difference(shapely.union_all(discs))


def ribs(thickness: Sequence[float], length: float = 14.0) -> Polygon:
    """A bar with ribs on it."""
    foot = box(0, 0, 6.0 * len(thickness), 4.0)
    bars = [box(6 * n + 3 - t / 2, 3.9, 6 * n + 3 + t / 2, 4 + length) for n, t in enumerate(thickness)]
    whole = shapely.union_all([foot, *bars])
    return affinity.translate(whole, -3.0 * len(thickness), -5.0)


def necks(neck: float, wide: float = 9.0) -> Polygon:
    """Two blocks joined by a neck."""
    return shapely.union_all(
        [box(-16, -wide / 2, -5, wide / 2), box(5, -wide / 2, 16, wide / 2), box(-6, -neck / 2, 6, neck / 2)]
    )


def star(points: int, inner: float, outer: float) -> Polygon:
    """A star."""
    at = [(k * math.pi / points, outer if k % 2 == 0 else inner) for k in range(2 * points)]
    return Polygon([(r * math.cos(a), r * math.sin(a)) for a, r in at])


def taper(thin: float, thick: float, length: float = 24.0) -> Polygon:
    """A wall that grows thicker along its length, between two blunt ends."""
    return Polygon(
        [(-length / 2, -thin / 2), (length / 2, -thick / 2), (length / 2, thick / 2), (-length / 2, thin / 2)]
    )


def bent(thickness: float) -> Polygon:
    """A hook-like strip."""
    return LineString([(-10, -6), (-10, 6), (4, 6), (8, 0)]).buffer(
        thickness / 2, cap_style="flat", join_style="mitre"
    )


def thing(shape: Polygon, height: float = 1.2, name: str = "thing") -> Part:
    """A part of that section from the bed to the top, its loops begun at its leftmost lower corner."""
    corners = MultiPoint(shapely.get_coordinates(shape.exterior)).geoms
    seam = min(((p.x, p.y) for p in corners), key=lambda c: (round(c[0] + c[1], 3), c[0]))
    return Part(name, height, lambda z: shape, seam)


def build(bottom: Polygon, top: Polygon, height: float = 1.2) -> Part:
    """A part whose section grows evenly from one polygon into a scaled one of like shape."""

    def section(z: float) -> Polygon:
        share = min(max(z / height, 0.0), 1.0)
        a, b = bottom.bounds, top.bounds
        fx = 1 + share * ((b[2] - b[0]) / (a[2] - a[0]) - 1)
        fy = 1 + share * ((b[3] - b[1]) / (a[3] - a[1]) - 1)
        return affinity.scale(bottom, fx, fy, origin=(0, 0))

    seam = min(bottom.exterior.coords, key=sum)
    return Part("thing", height, section, (seam[0], seam[1]))
