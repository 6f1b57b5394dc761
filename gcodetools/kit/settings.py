"""What a treatment may hold: one struct a setting, frozen, in the units of the field names.

Percentages are fractions here (`40%` is 0.4). Whether a value is within a material's or a machine's limits is
asked later, where both are known; the bounds here only refuse what no printer does. A setting whose room is
not built yet still validates.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path as Folder
from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct, field

from gcodetools.documents import profiles
from gcodetools.documents.fields import Flaw, Path
from gcodetools.documents.kinds import Factor, Name, Share, nearest
from gcodetools.errors import InputError

__all__ = [
    "SETTINGS",
    "Accel",
    "Fan",
    "Fit",
    "Flow",
    "Nozzle",
    "Perimeters",
    "Rest",
    "Speed",
    "TreatSpec",
    "Treatment",
    "TreatmentProfile",
    "load_treatment",
    "lookup_flaws",
    "merged",
    "names_in",
    "resolved",
]

NozzleTarget = Annotated[float, Meta(ge=0, le=500, extra={"unit": "C"})]
NozzleStep = Annotated[float, Meta(ge=-100, le=100, extra={"unit": "C"})]
FanStep = Annotated[float, Meta(ge=-1, le=1, extra={"unit": "%"})]
SpeedLimit = Annotated[float, Meta(ge=0.1, le=2000, extra={"unit": "mm/s"})]
AccelLimit = Annotated[float, Meta(ge=1, le=100_000, extra={"unit": "mm/s2"})]
Pause = Annotated[float, Meta(gt=0, le=30, extra={"unit": "s"})]
Nudge = Annotated[float, Meta(ge=-0.2, le=0.2, extra={"unit": "mm"})]
Blend = Annotated[float, Meta(ge=0.5, le=20, extra={"unit": "mm"})]


class Perimeters(Struct, frozen=True, forbid_unknown_fields=True):
    """More perimeters inside the outermost: `add` so many, or `fill` the room.

    over_air : also where nothing lies below. from_below : layers below the region that begin it.
    """

    one_of: ClassVar[tuple[str, ...]] = ("add", "fill")
    example: ClassVar[str] = "{fill: true} or {add: 2}"

    add: Annotated[int, Meta(ge=1, le=20)] | None = None
    fill: Literal[True] | None = None
    over_air: bool = False
    from_below: Annotated[int, Meta(ge=0, le=1000)] = 0


class Fit(Struct, frozen=True, forbid_unknown_fields=True):
    """Moves the outermost perimeter along its normal, away from the plastic positive: an outside grows, a hole
    shrinks. blend : length of wall, inside the region, along which the offset grows from nothing at its border."""

    example: ClassVar[str] = "{offset: -0.05}"

    offset_mm: Nudge = field(name="offset")
    blend_mm: Blend = field(name="blend", default=2.0)


class Nozzle(Struct, frozen=True, forbid_unknown_fields=True):
    """Nozzle temperature: `add` to what the file has, or `set`. mode : `follow` each visit where there is time,
    `hold` it over all layers of the region, `pause` until it is there; left out, what fits."""

    one_of: ClassVar[tuple[str, ...]] = ("add", "set")
    example: ClassVar[str] = "{add: 8} or {set: 240}"

    add_c: NozzleStep | None = field(default=None, name="add")
    set_c: NozzleTarget | None = field(default=None, name="set")
    mode: Literal["follow", "hold", "pause"] | None = None


class Fan(Struct, frozen=True, forbid_unknown_fields=True):
    """Part fan: `cap` it, `set` it, `scale` it or `add` to it. bridges : bridge and overhang beads too.
    mode : as for the nozzle."""

    one_of: ClassVar[tuple[str, ...]] = ("cap", "set", "scale", "add")
    example: ClassVar[str] = "{cap: 25%}"

    cap: Share | None = None
    set: Share | None = None
    scale: Annotated[float, Meta(ge=0, le=10, extra={"unit": "ratio"})] | None = None
    add: FanStep | None = None
    bridges: bool = False
    mode: Literal["follow", "hold", "pause"] | None = None


class Speed(Struct, frozen=True, forbid_unknown_fields=True):
    """Feed of beads: `scale` it, or `max` it, mm/s."""

    one_of: ClassVar[tuple[str, ...]] = ("scale", "max")
    example: ClassVar[str] = "{scale: 80%} or {max: 30}"

    scale: Factor | None = None
    max_mm_s: SpeedLimit | None = field(default=None, name="max")


class Flow(Struct, frozen=True, forbid_unknown_fields=True):
    """Plastic per length, scaled. outer : the outermost perimeter too."""

    example: ClassVar[str] = "{scale: 104%}"

    scale: Factor
    outer: bool = False


class Accel(Struct, frozen=True, forbid_unknown_fields=True):
    """Acceleration, at most `max`, mm/s2."""

    example: ClassVar[str] = "{max: 800}"

    max_mm_s2: AccelLimit = field(name="max")


class Rest(Struct, frozen=True, forbid_unknown_fields=True):
    """A pause at a layer change."""

    example: ClassVar[str] = "{seconds: 6}"

    seconds: Pause


class Treatment(Struct, frozen=True, forbid_unknown_fields=True):
    """A named set of settings; None where it says nothing.

    force : overrides what is held back for the print's sake, never a limit.
    """

    example: ClassVar[str] = "{nozzle: {add: 8}, fan: {cap: 25%}}"

    perimeters: Perimeters | None = None
    infill: Literal["solid"] | None = None
    nozzle: Nozzle | None = None
    fan: Fan | None = None
    speed: Speed | None = None
    flow: Flow | None = None
    accel: Accel | None = None
    rest: Rest | None = None
    fit: Fit | None = None
    force: bool | None = None

    @property
    def settings(self) -> tuple[str, ...]:
        """The keys it holds, `force` left out, in the order of `SETTINGS`."""
        return tuple(key for key in SETTINGS if getattr(self, key) is not None)


SETTINGS = ("perimeters", "infill", "nozzle", "fan", "speed", "flow", "accel", "rest", "fit")

_LONGEST_CHAIN = 50

# A name, a mapping of settings, or a list of both merged left to right.
TreatSpec = Name | Treatment | Annotated[tuple[Name | Treatment, ...], Meta(min_length=1)]


class TreatmentProfile(Struct, frozen=True, forbid_unknown_fields=True):
    """A treatment under profiles/treatments, with what is and is not known of it."""

    version: Literal[1] = field(name="beadwright")
    name: Name = field(name="treatment")
    about: str
    known: str
    not_known: str
    source: str
    settings: Treatment
    material: Name | None = None

    def flaws(self) -> Iterator[Flaw]:
        if not self.settings.settings:
            yield Flaw(("settings",), "no setting", f"at least one of {', '.join(SETTINGS)}")


def merged(treatments: list[Treatment]) -> Treatment:
    """Merge left to right, setting by setting: a later one replaces the whole setting of an earlier."""
    values = {}
    for treatment in treatments:
        given = {key: getattr(treatment, key) for key in (*SETTINGS, "force")}
        values.update({key: value for key, value in given.items() if value is not None})
    return Treatment(**values)


def resolved(spec: TreatSpec, own: dict[str, TreatSpec]) -> Treatment:
    """The settings that a name, mapping or list comes to.

    Parameters
    ----------
    own : the kit's treatments, which hide the profiles of the same name.

    Raises
    ------
    InputError : an unknown name, or a treatment that leads back to itself.
    """
    for _, message, hint in lookup_flaws(spec, own, ()):
        raise InputError(message, hint)
    return _resolved(spec, own, {})


def names_in(spec: TreatSpec | tuple[()]) -> Iterator[str]:
    """The names that a spec itself mentions."""
    for item in _listed(spec):
        if isinstance(item, str):
            yield item


def lookup_flaws(
    spec: TreatSpec, own: dict[str, TreatSpec], trail: tuple[str, ...]
) -> Iterator[tuple[Path, str, str]]:
    """What is wrong with the names in a spec: (path below it, message, what to do).

    Parameters
    ----------
    trail : the names that led here; meeting one of them again is a circle.
    """
    for index, item in enumerate(_listed(spec)):
        if not isinstance(item, str):
            continue
        path: Path = (index,) if isinstance(spec, tuple) else ()
        if item in own:
            circle = _circle(item, own, trail, set())
            if circle:
                yield path, f"treatment leads back to itself: {' > '.join(circle)}", "Break the circle."
        elif profiles.missing("treatments", item):
            known = list(dict.fromkeys((*own, *profiles.names("treatments"))))
            close = nearest(item, known)
            nearby = f"; nearest {close!r}" if close else ""
            yield path, f"no treatment named {item!r}{nearby}", f"There are: {', '.join(known) or 'none'}."


def _circle(name: str, own: dict[str, TreatSpec], trail: tuple[str, ...], clear: set[str]) -> tuple[str, ...]:
    """The way from `trail` over `name` back to a name on it; empty if there is none.

    A chain longer than any that a person writes counts as one. clear : names known to lead nowhere back.
    """
    if name in trail or len(trail) >= _LONGEST_CHAIN:
        return (*trail, name)
    for item in names_in(own[name]):
        if item in own and item not in clear:
            found = _circle(item, own, (*trail, name), clear)
            if found:
                return found
    clear.add(name)
    return ()


def _resolved(spec: TreatSpec, own: dict[str, TreatSpec], done: dict[str, Treatment]) -> Treatment:
    parts = []
    for item in _listed(spec):
        if isinstance(item, Treatment):
            parts.append(item)
            continue
        if item not in done:
            done[item] = _resolved(own[item], own, done) if item in own else load_treatment(item).settings
        parts.append(done[item])
    return merged(parts)


def _listed(spec: TreatSpec | tuple[()]) -> tuple[str | Treatment, ...]:
    return spec if isinstance(spec, tuple) else (spec,)


def load_treatment(name_or_path: str, beside: Folder | None = None) -> TreatmentProfile:
    """Read a treatment profile.

    Raises
    ------
    InputError : not found, unreadable or invalid.
    """
    return profiles.load("treatments", TreatmentProfile, name_or_path, beside)
