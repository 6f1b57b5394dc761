"""Joints of a kit that hold by friction: which regions make them, and how many of their walls a region holds."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

import numpy as np
import shapely

from gcodetools.documents.kinds import nearest
from gcodetools.errors import InputError
from gcodetools.kit.flanks import walls_held
from gcodetools.kit.loads import Fitted, Key, Press, Use
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Kit, Part, Region, resolve_treatment
from gcodetools.kit.sections import DRAWN_LAYER_MM, heights_in, outline_of
from gcodetools.kit.selection import RegionHit
from gcodetools.kit.solids import compile_solid
from gcodetools.records import dataclass
from gcodetools.strength.loads import squeeze_of
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate

__all__ = [
    "Joint",
    "Side",
    "Walls",
    "joints_of",
    "kit_offset",
    "kit_walls",
    "mismatches",
    "moved_words",
    "plate_walls",
    "size_of",
    "squeeze_words",
]

Walls = tuple[int, str]
"""How many walls of its joint a region holds, and how that is known."""

_ASSUMED: Walls = (2, "assumed")
_OUTLINE = "the part's outline"


@dataclass(frozen=True, slots=True)
class Side:
    """One partner of a joint. name : `part/region`. offset_mm : by which its walls are moved, out of the plastic.
    walls : how many of the joint's walls it holds, 0 to 2. walls_from : how that is known."""

    name: str
    offset_mm: float
    walls: int
    walls_from: str

    @property
    def moved_mm(self) -> float:
        """What it adds to the squeeze: outward is more plastic, at a key's flank as at a slot's."""
        return self.offset_mm * self.walls


@dataclass(frozen=True, slots=True)
class Joint:
    """A region with a `press` or `key` load, and its partner where the kit names one."""

    own: Side
    mate: Side | None
    load: Fitted
    use: Use | None

    @property
    def moved_mm(self) -> float:
        """What both sides' offsets add to the squeeze."""
        return self.own.moved_mm + (self.mate.moved_mm if self.mate else 0.0)


def size_of(load: Fitted) -> float:
    """How far the walls of a joint lie apart: a key's width, a pin's diameter."""
    return load.diameter_mm if isinstance(load, Press) else load.width_mm


def joints_of(
    kit: Kit, offset: Callable[[Part, Region, str], float], walls: Callable[[Part, Region, str], Walls]
) -> dict[str, list[Joint]]:
    """Joints by the name (`part/region`) of each region with a `press` or `key` load: one for each partner, or one
    without.

    Parameters
    ----------
    offset, walls : of a region, by (part, region, name).

    Raises
    ------
    InputError : a `mate` that is no such region of the kit.
    """
    regions = dict(_fitted(kit))
    mates: dict[str, list[str]] = {name: [] for name in regions}
    for name, (_, _, load) in regions.items():
        if load.mate is not None:
            other = _mate(name, load.mate, regions)
            for a, b in ((name, other), (other, name)):
                if b not in mates[a]:
                    mates[a].append(b)
    sides = {}
    for name, (part, region, _) in regions.items():
        count, source = (
            (0, "the kit: `beads: infill`") if region.beads == "infill" else walls(part, region, name)
        )
        sides[name] = Side(name, offset(part, region, name), count, source)
    return {
        name: [
            Joint(sides[name], sides[other] if other else None, load, region.use)
            for other in (mates[name] or [""])
        ]
        for name, (_, region, load) in regions.items()
    }


def _fitted(kit: Kit) -> Iterator[tuple[str, tuple[Part, Region, Fitted]]]:
    for part_name, part in kit.parts.items():
        for region_name, region in part.regions.items():
            if isinstance(region.load, (Press, Key)):
                yield f"{part_name}/{region_name}", (part, region, region.load)


def _mate(name: str, wanted: str, regions: dict[str, tuple[Part, Region, Fitted]]) -> str:
    if wanted in regions and wanted != name:
        return wanted
    part, _, region = name.partition("/")
    kind = "press" if isinstance(regions[name][2], Press) else "key"
    others = [one for one in regions if one != name]
    close = nearest(wanted, others)
    raise InputError(
        f"parts.{part}.regions.{region}.load.{kind}.mate: found {wanted!r}, expected another region of the kit with a "
        "`press` or `key` load, part/region" + (f"; nearest {close!r}" if close else ""),
        f"There are: {', '.join(others) or 'none'}.",
    )


def mismatches(joints: dict[str, list[Joint]]) -> list[str]:
    """Sentences on partners whose loads do not say the same of their joint."""
    loads = {name: found[0].load for name, found in joints.items()}
    told = {}
    for name, found in joints.items():
        for mate in (joint.mate.name for joint in found if joint.mate):
            a, b = loads[name], loads[mate]
            pair = " and ".join(sorted((name, mate)))
            if type(a) is not type(b):
                told[pair] = f"{pair} are partners, but one has a `press` and the other a `key` load"
            elif abs(squeeze_of(a) - squeeze_of(b)) > 1e-9:
                said = ", ".join(f"{squeeze_of(loads[one]):g}" for one in sorted((name, mate)))
                told[pair] = (
                    f"{pair} are partners, but declare squeezes of {said} mm; each is summed by its own"
                )
    return list(told.values())


def kit_offset(kit: Kit) -> Callable[[Part, Region, str], float]:
    """Offsets that the kit's own treatments have."""

    def offset(part: Part, region: Region, name: str) -> float:
        fit = resolve_treatment(kit, region).fit
        return 0.0 if fit is None else fit.offset_mm

    return offset


def kit_walls(part: Part, region: Region, name: str) -> Walls:
    """How many walls a region holds by the kit alone: by the part's outline, else two, assumed.

    The outline is the first layer's. So one wall alone is believed only of a region that reaches down there; two
    that lie as far apart as the joint is wide are, in any case.
    """
    outline = outline_of(part)
    if outline.is_empty or not isinstance(region.load, (Press, Key)):
        return _ASSUMED
    try:
        solid = compile_solid(region.within)
    except InputError:
        return _ASSUMED  # a mesh that can't be read is told by whoever needs it
    size, bed = size_of(region.load), (DRAWN_LAYER_MM / 2, 1)
    low = walls_held(outline, solid, [bed], size)
    if low is not None:
        return low, _OUTLINE
    top = part.found_by.height_mm
    faces = sorted(z for z in {0.0, top or 0.0, *heights_in(region.within)} if 0.0 <= z <= (top or z))
    at = [((a + b) / 2, int((a + b) / 2 / DRAWN_LAYER_MM) + 1) for a, b in itertools.pairwise(faces)]
    return (2, _OUTLINE) if at and walls_held(outline, solid, at, size) == 2 else _ASSUMED


def plate_walls(plate: Plate, pose: Pose, hit: RegionHit, load: Fitted) -> Walls:
    """How many walls a region of an instance holds, by the middle one of its layers."""
    layer = (hit.layers[0] + hit.layers[1]) // 2
    mine = pose.rows[pose.layer == layer]
    if len(mine) == 0 or hit.solid is None:
        return _ASSUMED
    shapes = [island.polygon for island in of_layer(plate, int(plate.beads.layer[mine[0]]), mine)]
    shape = shapely.transform(
        shapely.union_all(shapes), lambda xy: np.column_stack(pose.to_part(xy[:, 0], xy[:, 1]))
    )
    count = walls_held(shape, hit.solid, [(sum(hit.z_mm) / 2, layer)], size_of(load))
    return _ASSUMED if count is None else (count, f"the file's walls of layer {layer}")


def squeeze_words(squeeze_mm: float) -> str:
    """`squeeze 0.05 mm`, `play 0.1 mm`."""
    if squeeze_mm == 0:
        return "line to line"
    return f"{'squeeze' if squeeze_mm > 0 else 'play'} {abs(squeeze_mm):.4g} mm"


def moved_words(joint: Joint) -> str:
    """`fit +0.05 on its two flanks and -0.02 on one flank of saddle/slot`."""
    said = []
    for side, whose in ((joint.own, ""), (joint.mate, f" of {joint.mate.name}" if joint.mate else "")):
        if side is not None and side.offset_mm:
            said.append(f"{side.offset_mm:+g} on {_walls_words(side, joint.load, whose)}")
    return "fit " + " and ".join(said)


def _walls_words(side: Side, load: Fitted, whose: str) -> str:
    if side.walls == 0:
        return f"no wall{whose}"
    if isinstance(load, Press):
        words = ("one side of its bore or pin", "its diameter, which takes it twice")[side.walls - 1]
    else:
        words = ("the one flank that its region holds", "its two flanks")[side.walls - 1]
    if whose:
        words = words.replace("its region holds", "lies in it").replace("its", "the", 1)
    assumed = " (two assumed: no outline shows them)" if side.walls_from == "assumed" else ""
    return f"{words}{whose}{assumed}"
