"""Load cases and use that a kit declares for a region. Typed numbers only; the sums are physics.

Lengths mm, angles degrees, temperatures C. A load is written as one key with its numbers,
`load: {open_ring: {bore: 16, ...}}`. Friction is plastic on the counterpart, 0 to 1.5.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from gcodetools.documents.fields import Flaw
from gcodetools.documents.kinds import Celsius, Count, PositiveMm, Reference

__all__ = ["Annular", "Cantilever", "Fitted", "Key", "Load", "OpenRing", "Press", "Use"]

Friction = Annotated[float, Meta(ge=0, le=1.5)]
Lead = Annotated[float, Meta(gt=0, lt=90, extra={"unit": "degrees"})]
Slope = Annotated[float, Meta(ge=0, lt=45, extra={"unit": "degrees"})]
Tilt = Annotated[float, Meta(ge=0, lt=90, extra={"unit": "degrees"})]
Printed = Literal["standing", "lying"]
Opening = Annotated[float, Meta(gt=0, lt=360, extra={"unit": "degrees"})]
# Below 0 it is play: fits are often drawn loose, and more than this is no fit.
Squeeze = Annotated[float, Meta(ge=-0.5, le=10_000, extra={"unit": "mm"})]


class OpenRing(Struct, frozen=True, forbid_unknown_fields=True, tag="open_ring", tag_field="load"):
    """A slotted sleeve pushed sideways onto a round bar.

    bore : inner diameter. gap : the angle that is open, seen from the centre. onto : diameter of the bar.
    wall : radial thickness. height : length along the axis. tilt : how crooked it is put on. printed : with its
    axis upright or flat; told from the region's height unless given.
    """

    bore_mm: PositiveMm = field(name="bore")
    gap_deg: Opening = field(name="gap")
    onto_mm: PositiveMm = field(name="onto")
    wall_mm: PositiveMm = field(name="wall")
    height_mm: PositiveMm = field(name="height")
    friction: Friction = 0.3
    tilt_deg: Tilt = field(default=0.0, name="tilt")
    printed: Printed | None = None


class Cantilever(Struct, frozen=True, forbid_unknown_fields=True, tag="cantilever", tag_field="load"):
    """An arm with a hook at its end, bent by the undercut as it snaps in.

    length : root to hook. thickness : at the root, in the direction of bending; tip : at the end, the same
    unless given. width : across it. lead, back : angles of the hook's faces to the push on and the pull off.
    fillet : radius of the root's inner corner. printed : upright or flat; told from the region's height unless given.
    """

    length_mm: PositiveMm = field(name="length")
    thickness_mm: PositiveMm = field(name="thickness")
    width_mm: PositiveMm = field(name="width")
    undercut_mm: PositiveMm = field(name="undercut")
    tip_mm: PositiveMm | None = field(default=None, name="tip")
    lead_deg: Lead = field(default=30.0, name="lead")
    back_deg: Annotated[float, Meta(gt=0, le=90, extra={"unit": "degrees"})] = field(
        default=45.0, name="back"
    )
    friction: Friction = 0.3
    fillet_mm: Annotated[float, Meta(ge=0, extra={"unit": "mm"})] | None = field(default=None, name="fillet")
    printed: Printed | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.tip_mm is not None and self.tip_mm > self.thickness_mm:
            yield Flaw(("tip",), f"{self.tip_mm:g}", f"at most the root's thickness, {self.thickness_mm:g}")
        if self.undercut_mm >= self.length_mm:
            yield Flaw(("undercut",), f"{self.undercut_mm:g}", f"less than the length, {self.length_mm:g}")


class Annular(Struct, frozen=True, forbid_unknown_fields=True, tag="annular", tag_field="load"):
    """A closed ring snapped over a bead of a rigid round shaft.

    diameter : where they meet. outer : the ring's outer diameter. undercut : on the diameter. end : distance
    of the bead from the ring's end.
    """

    diameter_mm: PositiveMm = field(name="diameter")
    outer_mm: PositiveMm = field(name="outer")
    undercut_mm: PositiveMm = field(name="undercut")
    end_mm: PositiveMm | None = field(default=None, name="end")
    lead_deg: Lead = field(default=30.0, name="lead")
    back_deg: Lead = field(default=45.0, name="back")
    friction: Friction = 0.3

    def flaws(self) -> Iterator[Flaw]:
        if self.outer_mm <= self.diameter_mm:
            yield Flaw(("outer",), f"{self.outer_mm:g}", f"more than the diameter, {self.diameter_mm:g}")
        if self.undercut_mm >= self.diameter_mm:
            yield Flaw(
                ("undercut",), f"{self.undercut_mm:g}", f"less than the diameter, {self.diameter_mm:g}"
            )


class Press(Struct, frozen=True, forbid_unknown_fields=True, tag="press", tag_field="load"):
    """A round pin pressed into a hub.

    diameter : of the joint. interference : on the diameter, below 0 play. outer : of the hub. inner : the pin's own
    hole. length : of the joint along its axis. pin : what the pin is made of. mate : the partner's region,
    `part/region`, where both are parts of the kit.
    """

    diameter_mm: PositiveMm = field(name="diameter")
    interference_mm: Squeeze = field(name="interference")
    outer_mm: PositiveMm = field(name="outer")
    length_mm: PositiveMm = field(name="length")
    inner_mm: Annotated[float, Meta(ge=0, extra={"unit": "mm"})] = field(default=0.0, name="inner")
    pin: Literal["same", "rigid"] = "same"
    friction: Friction = 0.4
    mate: Reference | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.outer_mm <= self.diameter_mm:
            yield Flaw(("outer",), f"{self.outer_mm:g}", f"more than the diameter, {self.diameter_mm:g}")
        if self.inner_mm >= self.diameter_mm:
            yield Flaw(("inner",), f"{self.inner_mm:g}", f"less than the diameter, {self.diameter_mm:g}")
        if self.interference_mm >= self.diameter_mm / 2:
            half = f"less than half the diameter, {self.diameter_mm / 2:g}"
            yield Flaw(("interference",), f"{self.interference_mm:g}", half)


class Key(Struct, frozen=True, forbid_unknown_fields=True, tag="key", tag_field="load"):
    """A key squeezed in a slot.

    width : across the squeezed direction. squeeze : interference over the width, below 0 play. height, length : of
    the flanks. taper : angle of each side along the key. slot : whether the slot gives way too. mate : the partner's
    region, `part/region`, where both are parts of the kit.
    """

    width_mm: PositiveMm = field(name="width")
    squeeze_mm: Squeeze = field(name="squeeze")
    height_mm: PositiveMm = field(name="height")
    length_mm: PositiveMm = field(name="length")
    taper_deg: Slope = field(default=0.0, name="taper")
    slot: Literal["same", "rigid"] = "same"
    friction: Friction = 0.4
    mate: Reference | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.squeeze_mm >= self.width_mm / 2:
            half = f"less than half the width, {self.width_mm / 2:g}"
            yield Flaw(("squeeze",), f"{self.squeeze_mm:g}", half)


Load = OpenRing | Cantilever | Annular | Press | Key
Fitted = Press | Key  # what holds by being squeezed


class Use(Struct, frozen=True, forbid_unknown_fields=True):
    """How the part is used.

    times : how often it snaps. held : "free" where it rests without strain once on, "strained" where it stays
    bent. temperature_c : lowest and highest. years : it is to last.
    """

    times: Count = 1
    held: Literal["free", "strained"] = "free"
    temperature_c: tuple[Celsius, Celsius] | None = field(default=None, name="temperature")
    years: Annotated[float, Meta(gt=0, le=200, extra={"unit": "years"})] | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.temperature_c is not None and self.temperature_c[0] > self.temperature_c[1]:
            low, high = self.temperature_c
            yield Flaw(("temperature",), f"[{low:g}, {high:g}]", "[lowest, highest]")
