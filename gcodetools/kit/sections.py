"""Declared solids cut at a height, as polygons: for drawings only, selection has its own closed forms."""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, pi, radians, sin, sqrt

import numpy as np
import shapely

from gcodetools.kit import shapes
from gcodetools.kit.schema import Part
from gcodetools.kit.thickness import thin_places

__all__ = ["DRAWN_LAYER_MM", "FAR_MM", "flat_section", "heights_in", "outline_of", "section_at"]

DRAWN_LAYER_MM = 0.2  # a range of layers has no height until something is sliced; common practice, no source
_STEP = radians(3.0)
_EMPTY = shapely.Polygon()
FAR_MM = 1e4  # for ranges that are left open


def outline_of(part: Part) -> shapely.Geometry:
    """The declared rings as polygons: a ring inside another is a hole. Empty where the kit has none."""
    shape: shapely.Geometry = shapely.Polygon()
    for ring in part.found_by.outline or ():
        shape = shapely.symmetric_difference(shape, shapely.Polygon(ring))
    return shape


def flat_section(declared: shapes.Solid) -> shapely.Geometry | None:
    """The shadow of a simple solid on the bed; None for one without bounds in x and y, and for a mesh."""
    if isinstance(declared, shapes.Near):
        return _sector(declared.point[:2], 0.0, declared.radius)
    sided = shapes.Cylinder | shapes.Ring | shapes.Wedge | shapes.Prism
    if isinstance(declared, sided) or (isinstance(declared, shapes.Box) and (declared.x or declared.y)):
        return _flat(declared, shapely.box(-FAR_MM, -FAR_MM, FAR_MM, FAR_MM))
    return None


def section_at(
    declared: shapes.Solid, z_mm: float, outline: shapely.Geometry, room: shapely.Geometry
) -> shapely.Geometry:
    """A solid at a height.

    Parameters
    ----------
    outline : of the part, for `thinner_than`; the only section a kit knows is the first layer's.
    room : what stands for everywhere.
    """
    match declared:
        case shapes.AllOf(solids=parts):
            return shapely.intersection_all([room, *_listed(parts, z_mm, outline, room)])
        case shapes.AnyOf(solids=parts):
            return shapely.union_all(_listed(parts, z_mm, outline, room))
        case shapes.NoneOf(solids=parts):
            return shapely.difference(room, shapely.union_all(_listed(parts, z_mm, outline, room)))
        case shapes.ThinnerThan(thickness_mm=thickness):
            return thin_places(outline, thickness)
        case shapes.Near(point=(x, y, z), radius=radius):
            left = radius**2 - (z_mm - z) ** 2
            return _sector((x, y), 0.0, sqrt(left)) if left > 0 else _EMPTY
        case shapes.Mesh(path=path):
            return _body(path, z_mm)
    low, high = _span(declared) or (-np.inf, np.inf)
    return _flat(declared, room) if low <= z_mm <= high else _EMPTY


def heights_in(declared: shapes.Solid) -> Iterator[float]:
    """Heights at which the sections of a solid begin, end, or are widest."""
    if isinstance(declared, shapes.AllOf | shapes.AnyOf | shapes.NoneOf):
        for part in declared.solids:
            yield from heights_in(part)
    elif isinstance(declared, shapes.Near):
        z, radius = declared.point[2], declared.radius
        yield from (z - radius / 2, z + radius / 2)
    else:
        yield from _span(declared) or ()


def _span(declared: shapes.Solid) -> tuple[float, float] | None:
    if isinstance(declared, shapes.Slab) and declared.layers is not None:
        first, last = declared.layers
        return (first - 1) * DRAWN_LAYER_MM, last * DRAWN_LAYER_MM
    z: tuple[float, float] | None = getattr(declared, "z", None)
    return z


def _listed(
    parts: tuple[shapes.Solid, ...], z_mm: float, outline: shapely.Geometry, room: shapely.Geometry
) -> list[shapely.Geometry]:
    """Sections of a list; a mirror stands for those before it again."""
    found: list[shapely.Geometry] = []
    for part in parts:
        if isinstance(part, shapes.Mirror):
            sign = np.array([-1.0, 1.0] if part.axis == "x" else [1.0, -1.0])
            found += [shapely.transform(one, lambda xy, sign=sign: xy * sign) for one in found]
        else:
            found.append(section_at(part, z_mm, outline, room))
    return found


def _flat(declared: shapes.Solid, room: shapely.Geometry) -> shapely.Geometry:
    """A solid whose section is the same wherever it has one."""
    match declared:
        case shapes.Box(x=x, y=y):
            left, bottom, right, top = room.bounds
            (x0, x1), (y0, y1) = x or (left, right), y or (bottom, top)
            return shapely.box(x0, y0, x1, y1)
        case shapes.Cylinder(centre=centre, radius=radius):
            return _sector(centre, 0.0, radius)
        case shapes.Ring(centre=centre, radius=(inner, outer)):
            return _sector(centre, inner, outer)
        case shapes.Wedge(centre=centre, radius=(inner, outer), angle_deg=(start, stop)):
            return _sector(centre, inner, outer, radians(start), radians(stop))
        case shapes.Prism(polygon=polygon):
            return shapely.Polygon(polygon)
    return room


def _sector(
    centre: tuple[float, float], inner: float, outer: float, start: float = 0.0, stop: float = 2 * pi
) -> shapely.Polygon:
    angles = np.linspace(start, stop, int((stop - start) / _STEP) + 2).tolist()
    far = [(centre[0] + outer * cos(a), centre[1] + outer * sin(a)) for a in angles]
    near = [(centre[0] + inner * cos(a), centre[1] + inner * sin(a)) for a in reversed(angles)]
    if stop - start >= 2 * pi - 1e-9:
        return shapely.Polygon(far, [near] if inner > 0 else [])
    return shapely.Polygon([*far, *(near if inner > 0 else [centre])])


def _body(path: str, z_mm: float) -> shapely.Geometry:
    # Only kits that name a mesh pay for the mesh library.
    from gcodetools.kit.mesh import load_body

    return load_body(path).section(z_mm)
