"""What of a kit can't be meant: solids that lie outside the part they are declared for.

Only what a kit knows by itself is asked: its first layer's outline and its height. A part may be wider above
its first layer, so these are sentences for a person, never errors.
"""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from gcodetools.kit import shapes
from gcodetools.kit.schema import Part
from gcodetools.kit.sections import FAR_MM, flat_section, outline_of
from gcodetools.records import dataclass

__all__ = ["outside"]

_NEAR_MM = 0.5  # half a bead or so: a solid that begins on the very edge is meant


@dataclass(frozen=True, slots=True)
class _Body:
    """height : mm or None. hull : of the first layer's outline, a little grown; empty where there is none."""

    height_mm: float | None
    hull: shapely.Geometry


def outside(part: Part) -> list[tuple[str, str]]:
    """(region, sentence) for each solid that lies wholly above, below or beside the part."""
    outline = outline_of(part)
    body = _Body(part.found_by.height_mm, shapely.convex_hull(outline).buffer(_NEAR_MM))
    found = []
    for title, region in part.regions.items():
        found += [(title, sentence) for sentence in dict.fromkeys(_doubts(region.within, body, 1.0, 1.0))]
    return found


def _doubts(declared: shapes.Solid, body: _Body, sign_x: float, sign_y: float) -> Iterator[str]:
    """Sentences on a solid and those in it. sign_x, sign_y : -1 where a mirror stands for it."""
    if isinstance(declared, shapes.NoneOf):
        return  # what is to be left out may lie anywhere
    if isinstance(declared, shapes.AllOf | shapes.AnyOf):
        for k, one in enumerate(declared.solids):
            if isinstance(one, shapes.Mirror):
                x, y = (-sign_x, sign_y) if one.axis == "x" else (sign_x, -sign_y)
                before = tuple(s for s in declared.solids[:k] if not isinstance(s, shapes.Mirror))
                yield from _doubts(shapes.AnyOf(before), body, x, y)
            else:
                yield from _doubts(one, body, sign_x, sign_y)
        return
    name = str(declared.__struct_config__.tag)
    mirrored = "the mirror image of " if (sign_x, sign_y) != (1.0, 1.0) else ""
    span = heights(declared)
    if span is not None and mirrored == "":
        yield from _beyond(name, span, body.height_mm)
    flat = flat_section(declared)
    if flat is None or body.hull.is_empty:
        return
    flat = shapely.transform(flat, lambda points: points * [sign_x, sign_y])
    if not flat.intersects(body.hull):
        yield (
            f"{mirrored}the {name} {_place(flat)} lies beside the outline ({_place(body.hull, _NEAR_MM)}): "
            "it meets beads only if the part is wider above its first layer"
        )


def heights(declared: shapes.Solid) -> tuple[float, float] | None:
    """Lowest and highest point of a solid, mm; None where it has no bounds of its own."""
    if isinstance(declared, shapes.Near):
        return declared.point[2] - declared.radius, declared.point[2] + declared.radius
    span: tuple[float, float] | None = getattr(declared, "z", None)
    return span


def _beyond(name: str, span: tuple[float, float], height: float | None) -> Iterator[str]:
    low, high = span
    if height is not None and low >= height:
        yield f"the {name} from z {low:g} to {high:g} lies above the part, which is {height:g} mm high"
    elif high <= 0:
        yield f"the {name} from z {low:g} to {high:g} lies below the bed (z = 0)"


def _place(shape: shapely.Geometry, grown_mm: float = 0.0) -> str:
    """Its ranges in x and y; one that is left open is not named."""
    left, bottom, right, top = shape.bounds
    spans = (("x", left + grown_mm, right - grown_mm), ("y", bottom + grown_mm, top - grown_mm))
    return ", ".join(f"{axis} {low:.4g} to {high:.4g}" for axis, low, high in spans if high < FAR_MM)
