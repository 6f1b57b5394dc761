"""Loads of fits as a treated file has them: its record says which walls were moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import structs

from gcodetools.edit.record import escaped
from gcodetools.jobs.fits_done import Moved, moved_in
from gcodetools.jobs.joints import Joint, Walls, joints_of, kit_walls, moved_words, plate_walls, squeeze_words
from gcodetools.jobs.regions import Found
from gcodetools.kit.loads import Key, Press
from gcodetools.kit.schema import Kit, Part, Region
from gcodetools.strength.loads import squeeze_of, squeezed
from gcodetools.toolpath.plate import Plate

__all__ = ["as_moved"]


def as_moved(
    plate: Plate, kit: Kit | None, found: Sequence[Found]
) -> Mapping[str, tuple[Region, tuple[str, ...]]]:
    """Regions whose load is another than the kit declares since their walls were moved, by `part#instance/region`:
    with that load, and with a sentence on it. None where the file carries no record of moved walls.

    A partner that the kit names counts where all its instances were moved alike.
    """
    moved = moved_in(plate.recorded_in) if kit is not None else {}
    if kit is None or not moved:
        return {}
    firsts: dict[str, Found] = {}
    for one in found:
        firsts.setdefault(f"{one.hit.part}/{one.hit.region}", one)
    known: dict[str, Walls] = {}

    def walls(part: Part, region: Region, name: str) -> Walls:
        if name not in known:
            one, load = firsts.get(name), region.load
            if one is not None and isinstance(load, (Press, Key)):
                known[name] = plate_walls(plate, one.pose, one.hit, load)
            else:
                known[name] = kit_walls(part, region, name)
        return known[name]

    results = {}
    for one in found:
        load, name = one.region.load, f"{one.hit.part}/{one.hit.region}"
        if not isinstance(load, (Press, Key)):
            continue
        own = moved.get((escaped(name), one.hit.instance), 0.0)

        def offset(part: Part, region: Region, of: str, own: float = own, name: str = name) -> float:
            return own if of == name else _alike(moved, of)

        joints = joints_of(kit, offset, walls)[name]
        # Several partners that were moved differently: only what is the region's own is sure.
        sums = {round(joint.moved_mm, 9) for joint in joints}
        joint = joints[0] if len(sums) == 1 else Joint(joints[0].own, None, load, one.region.use)
        if joint.moved_mm:
            changed = squeezed(load, joint.moved_mm)
            note = (
                f"{squeeze_words(squeeze_of(changed))} is taken, {squeeze_words(squeeze_of(load))} as drawn: "
                f"the file's record says {moved_words(joint)}"
            )
            results[one.name] = (structs.replace(one.region, load=changed), (note,))
    return results


def _alike(moved: Moved, name: str) -> float:
    """By how much a region's walls were moved, the same for all instances that the record names; else 0."""
    found = {offset for (of, _), offset in moved.items() if of == escaped(name)}
    return found.pop() if len(found) == 1 else 0.0
