"""The solids that a kit's `within` may name, as typed frozen structs. Declarations only, no geometry.

All stand in the part's own frame: mm, z = 0 on the bed, angles in degrees counter-clockwise from +x. Faces
are inclusive. A range is (low, high) with low < high; `None` where the kit leaves a direction open.

`all_of`, `any_of` and `none_of` hold a tuple of solids. In it `Mirror(axis)` stands for the items before it
in the same list (earlier mirrors included), each mirrored: axis "x" negates x (the plane x = 0), axis "y"
negates y. So `any_of: [wedge, mirror: x]` is the wedge and its mirror image. `Mirror` stands only in such a
list and never first; the schema refuses it elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct, field

from gcodetools.documents.fields import Flaw
from gcodetools.documents.kinds import Count, Mm, PositiveMm, Reference

__all__ = [
    "All",
    "AllOf",
    "AnyOf",
    "Box",
    "Cylinder",
    "Mesh",
    "Mirror",
    "Near",
    "NoneOf",
    "Point2",
    "Point3",
    "Prism",
    "Ring",
    "Slab",
    "Solid",
    "ThinnerThan",
    "Wedge",
    "names",
    "ring_flaw",
]

Span = tuple[Mm, Mm]
Point2 = tuple[Mm, Mm]
Point3 = tuple[Mm, Mm, Mm]
Radii = tuple[Annotated[float, Meta(ge=0, le=10_000, extra={"unit": "mm"})], PositiveMm]


class Slab(Struct, frozen=True, forbid_unknown_fields=True, tag="slab", tag_field="solid"):
    """Between two heights, `z` (mm), or two layers of the instance, `layers` (from 1, both inclusive)."""

    z: Span | None = None
    layers: tuple[Count, Count] | None = None

    def flaws(self) -> Iterator[Flaw]:
        if (self.z is None) == (self.layers is None):
            yield Flaw((), "both" if self.z else "neither", "either z: [low, high] or layers: [first, last]")
        yield from _reversed("z", self.z)
        if self.layers is not None and self.layers[0] > self.layers[1]:
            yield _backwards("layers", self.layers, "[first, last] with first not above last")


class Box(Struct, frozen=True, forbid_unknown_fields=True, tag="box", tag_field="solid"):
    """A box along the axes of the frame; a range left out is unbounded."""

    x: Span | None = None
    y: Span | None = None
    z: Span | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.x is None and self.y is None and self.z is None:
            yield Flaw((), "no range", "at least one of x, y and z: [low, high] (or the solid `all`)")
        for key in ("x", "y", "z"):
            yield from _reversed(key, getattr(self, key))


class Cylinder(Struct, frozen=True, forbid_unknown_fields=True, tag="cylinder", tag_field="solid"):
    """A standing cylinder."""

    centre: Point2
    radius: PositiveMm
    z: Span | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from _reversed("z", self.z)


class Ring(Struct, frozen=True, forbid_unknown_fields=True, tag="ring", tag_field="solid"):
    """A standing tube: between two radii, (inner, outer)."""

    centre: Point2
    radius: Radii
    z: Span | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from _reversed("radius", self.radius)
        yield from _reversed("z", self.z)


class Wedge(Struct, frozen=True, forbid_unknown_fields=True, tag="wedge", tag_field="solid"):
    """A sector of a ring: radii (inner, outer) and angles (from, to), degrees, counter-clockwise from +x.

    Angles lie within -360 to 720 and span at most 360, so a sector over +x is [-20, 20] or [340, 380].
    """

    centre: Point2
    radius: Radii
    angle_deg: Annotated[tuple[float, float], Meta(extra={"unit": "degrees"})] = field(name="angle")
    z: Span | None = None

    def flaws(self) -> Iterator[Flaw]:
        yield from _reversed("radius", self.radius)
        yield from _reversed("z", self.z)
        start, stop = self.angle_deg
        if start >= stop:
            yield _backwards(
                "angle", self.angle_deg, "[from, to] counter-clockwise with from below to, such as [340, 380]"
            )
        elif stop - start > 360:
            yield Flaw(("angle",), f"a span of {stop - start:g} degrees", "at most 360 degrees")
        elif start < -360 or stop > 720:
            yield _backwards("angle", self.angle_deg, "angles between -360 and 720 degrees")


class Prism(Struct, frozen=True, forbid_unknown_fields=True, tag="prism", tag_field="solid"):
    """A polygon (no crossing edges, closed by itself) swept over a z range."""

    polygon: Annotated[tuple[Point2, ...], Meta(min_length=3)]
    z: Span | None = None

    def flaws(self) -> Iterator[Flaw]:
        found = ring_flaw(self.polygon)
        if found:
            yield Flaw(("polygon",), found, "a simple polygon with an area, its edges crossing nowhere")
        yield from _reversed("z", self.z)


class Near(Struct, frozen=True, forbid_unknown_fields=True, tag="near", tag_field="solid"):
    """A ball."""

    point: Point3
    radius: PositiveMm


class ThinnerThan(Struct, frozen=True, forbid_unknown_fields=True, tag="thinner_than", tag_field="solid"):
    """Where the island's wall is locally thinner than this, mm."""

    bare: ClassVar[str] = "thickness_mm"

    thickness_mm: PositiveMm


class Mesh(Struct, frozen=True, forbid_unknown_fields=True, tag="mesh", tag_field="solid"):
    """Inside a closed body. `path`: relative to the kit in the file, absolute once `load_kit` has read it."""

    bare: ClassVar[str] = "path"

    path: Reference


class All(Struct, frozen=True, forbid_unknown_fields=True, tag="all", tag_field="solid"):
    """Everywhere in the part. Written as the bare word `all`."""

    word: ClassVar[bool] = True


class AllOf(Struct, frozen=True, forbid_unknown_fields=True, tag="all_of", tag_field="solid"):
    """In each of the solids."""

    bare: ClassVar[str] = "solids"

    solids: Annotated[tuple[Solid, ...], Meta(min_length=1)]

    def flaws(self) -> Iterator[Flaw]:
        yield from _leading_mirror(self.solids)


class AnyOf(Struct, frozen=True, forbid_unknown_fields=True, tag="any_of", tag_field="solid"):
    """In at least one of the solids."""

    bare: ClassVar[str] = "solids"

    solids: Annotated[tuple[Solid, ...], Meta(min_length=1)]

    def flaws(self) -> Iterator[Flaw]:
        yield from _leading_mirror(self.solids)


class NoneOf(Struct, frozen=True, forbid_unknown_fields=True, tag="none_of", tag_field="solid"):
    """In none of the solids."""

    bare: ClassVar[str] = "solids"

    solids: Annotated[tuple[Solid, ...], Meta(min_length=1)]

    def flaws(self) -> Iterator[Flaw]:
        yield from _leading_mirror(self.solids)


class Mirror(Struct, frozen=True, forbid_unknown_fields=True, tag="mirror", tag_field="solid"):
    """The items before it in its list again, mirrored: "x" negates x, "y" negates y."""

    bare: ClassVar[str] = "axis"

    axis: Literal["x", "y"]


Solid = (
    Slab
    | Box
    | Cylinder
    | Ring
    | Wedge
    | Prism
    | Near
    | ThinnerThan
    | Mesh
    | All
    | AllOf
    | AnyOf
    | NoneOf
    | Mirror
)


def ring_flaw(ring: tuple[Point2, ...]) -> str:
    """What is wrong with a closed ring of points, in words; "" if it bounds an area and crosses nowhere."""
    # Kits without polygons must not pay for the polygon library's import.
    from gcodetools.kit import polygons

    return polygons.ring_flaw(ring)


def names(solid: Solid | Mirror, kind: type) -> bool:
    """Whether a solid is of some kind, or holds one that is."""
    return isinstance(solid, kind) or any(names(part, kind) for part in getattr(solid, "solids", ()))


def _leading_mirror(solids: tuple[Solid, ...]) -> Iterator[Flaw]:
    if isinstance(solids[0], Mirror):
        yield Flaw((0,), "a mirror with nothing before it in the list", "a solid first, then its mirror")


def _reversed(key: str, span: tuple[float, float] | None) -> Iterator[Flaw]:
    if span is not None and span[0] >= span[1]:
        yield _backwards(key, span, "[low, high] with low below high")


def _backwards(key: str, span: tuple[float, float], expected: str) -> Flaw:
    return Flaw((key,), f"[{span[0]:g}, {span[1]:g}]", expected)
