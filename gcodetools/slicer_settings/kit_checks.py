"""Settings against what a kit needs of them: walls, labels, and what its treatments would ask."""

from __future__ import annotations

from collections.abc import Iterator

from gcodetools.kit.schema import Kit, Region, resolve_treatment
from gcodetools.kit.settings import Treatment
from gcodetools.slicer_settings.beads import beads_across, thinner_than, wall_mm
from gcodetools.slicer_settings.carrier import Carrier, nozzle_bounds
from gcodetools.slicer_settings.findings import COMMON, Finding, Look, sourced
from gcodetools.slicer_settings.names import ACCELS, BEAD_SPEEDS

__all__ = ["check_kit"]

_SPARSE = 0.15  # fill below which a region gets little from it; common practice, no source
_GEOMETRY = ("perimeters", "infill", "fit")


def check_kit(look: Look, kit: Kit) -> Iterator[Finding]:
    """All findings that come of a kit."""
    yield from _found(look, kit)
    yield from _printing(look, kit)
    for part_name, part in kit.parts.items():
        for title, region in part.regions.items():
            where = f"{part_name}/{title}"
            treatment = resolve_treatment(kit, region)
            yield from _walls(look, where, region, treatment)
            yield from _sparse(look, where, region, treatment)
            yield from _asked(look, where, region, treatment)


def _finding(look: Look, where: str, *args: object) -> Finding:
    made = look.finding(*args)  # type: ignore[arg-type]
    return Finding(
        made.gravity, made.about, made.keys, made.found, made.expected, f"{where}: {made.why}", made.source
    )


def _found(look: Look, kit: Kit) -> Iterator[Finding]:
    """Whether parts can be told on the plate."""
    if look.flag("objects_labelled") is not False:
        return
    bare = [name for name, part in kit.parts.items() if part.found_by.outline is None]
    if bare:
        why = f"without labels {', '.join(bare)} can't be found: the kit has no outline of it"
        yield look.finding("stop", "objects_labelled", "on", why, f"kit {kit.name}", "off")
    else:
        why = "without labels the kit's parts are found by their outlines alone"
        yield look.finding("note", "objects_labelled", "on", why, f"kit {kit.name}", "off")


def _printing(look: Look, kit: Kit) -> Iterator[Finding]:
    """What of the file's ways would leave regions untreated, or is good to know."""
    treatments = [
        resolve_treatment(kit, region) for part in kit.parts.values() for region in part.regions.values()
    ]
    geometry = sorted({key for one in treatments for key in one.settings if key in _GEOMETRY})
    if look.flag("spiral") and geometry:
        why = f"a spiral has one perimeter and no layers to lay beads in: {', '.join(geometry)} can't be done"
        yield look.finding("stop", "spiral", "off", why, f"kit {kit.name}", "on")
    if look.flag("line_numbers") and geometry:
        why = f"files that number their lines are left as they are where beads would come in ({', '.join(geometry)})"
        yield look.finding("warning", "line_numbers", "off", why, f"kit {kit.name}", "on")
    if look.flag("volumetric_e"):
        why = "E is read by M200; without it in the file the plastic of every bead is taken wrong"
        yield look.finding("warning", "volumetric_e", "off", why, COMMON, "on")
    if look.flag("arcs"):
        why = "round walls come as arcs: they are read, cut and kept as such"
        yield look.finding("note", "arcs", "on or off", why, COMMON, "on")
    relative = look.flag("relative_e")
    if relative is not None:
        told = "relative" if relative else "absolute"
        why = "both are read; absolute E is set again behind new beads (G92)"
        yield look.finding("note", "relative_e", "relative or absolute", why, COMMON, told)
    rests = max((one.rest.seconds for one in treatments if one.rest is not None), default=0.0)
    least = look("min_layer_time_s")
    if rests and least is not None and look.flag("auto_cooling") is not False:
        why = f"a layer at the least time lasts {least + rests:g} s with the kit's rest of {rests:g} s"
        yield look.finding("note", "min_layer_time_s", "known", why, f"kit {kit.name}")


def _walls(look: Look, where: str, region: Region, treatment: Treatment) -> Iterator[Finding]:
    """How many perimeters a wall holds."""
    wall, thin = wall_mm(region), thinner_than(region.within)
    width = look("width_perimeter_mm") or look("width_outer_mm") or look("width_mm")
    height, count = look("layer_height_mm"), look("perimeters")
    if wall is None or width is None or height is None or count is None:
        return
    room, laid = beads_across(wall, width, height), int(count)
    held = (
        f"a wall of {wall:g} mm holds {room} beads of {width:g} mm; {laid} perimeters from each side lay "
        f"{min(2 * laid, room)}"
    )
    keys = ("width_perimeter_mm", "layer_height_mm")
    if 2 * laid >= room:
        yield _finding(
            look, where, "note", "perimeters", f"{(room + 1) // 2} or more", held + ": it is all perimeters",
            f"load of {where}", "", *keys,
        )  # fmt: skip
        return
    rest = f": {room - 2 * laid} in its middle are left to fill"
    filled = treatment.perimeters is not None or treatment.infill is not None
    told = rest + (", which the kit's treatment lays" if filled else ", which bears little")
    if thin is not None and thin < wall:
        told += f" (the region itself takes what is thinner than {thin:g} mm)"
    yield _finding(
        look, where, "note" if filled else "warning", "perimeters", f"{(room + 1) // 2} or more", held + told,
        f"load of {where}", "", *keys,
    )  # fmt: skip


def _sparse(look: Look, where: str, region: Region, treatment: Treatment) -> Iterator[Finding]:
    density = look("infill_density")
    bears = (
        region.role in ("clip", "rib", "seat") and treatment.infill is None and treatment.perimeters is None
    )
    if density is not None and density < _SPARSE and bears:
        why = f"a {region.role} on sparse fill bears by its walls alone, and new beads find little that carries them"
        yield _finding(look, where, "warning", "infill_density", f"at least {_SPARSE:.0%}", why, COMMON)


def _asked(look: Look, where: str, region: Region, treatment: Treatment) -> Iterator[Finding]:
    """What the region's treatment would ask that the settings or their limits forbid, or have already."""
    carrier = Carrier(
        look.profile, treatment, look.material, look.machine, look.unnamed_c, region, look.assumed, look.tool
    )
    source = f"treatment of {where}"
    if treatment.nozzle is not None:
        yield from _nozzle(look, where, treatment, carrier, source)
    fan, most = treatment.fan, look("fan_max")
    if fan is not None and most is not None:
        if most == 0:
            yield _finding(
                look,
                where,
                "note",
                "fan_max",
                "above 0",
                "the fan is off, and a treatment never starts one",
                source,
            )
        elif fan.cap is not None and fan.cap >= most:
            why = f"the fan is at most that already: `cap: {fan.cap:.0%}` does nothing"
            yield _finding(look, where, "note", "fan_max", f"above {fan.cap:.0%}", why, source)
    speed, accel = treatment.speed, treatment.accel
    speeds = [value for name in BEAD_SPEEDS if (value := look(name)) is not None]
    if speed is not None and speed.max_mm_s is not None and speeds and max(speeds) <= speed.max_mm_s:
        why = f"no bead is faster: `max: {speed.max_mm_s:g}` does nothing"
        name = next(name for name in BEAD_SPEEDS if look(name) is not None)
        yield _finding(look, where, "note", name, f"above {speed.max_mm_s:g} mm/s", why, source)
    accels = [value for name in ACCELS if (value := look(name)) is not None]
    if accel is not None and not accels and any(look.readings(name) for name in ACCELS):
        why = "no acceleration is set in the file, so there is none to return to: `accel` is refused"
        yield _finding(look, where, "warning", "accel_mm_s2", "above 0", why, source, "open (0)")
    elif accel is not None and accels and max(accels) <= accel.max_mm_s2:
        name = next(name for name in ACCELS if look(name) is not None)
        why = f"none is higher: `max: {accel.max_mm_s2:g}` does nothing"
        yield _finding(look, where, "note", name, f"above {accel.max_mm_s2:g} mm/s2", why, source)
    density = look("infill_density")
    if treatment.infill is not None and density is not None and density >= 1:
        yield _finding(look, where, "note", "infill_density", "below 100 %", "fill is solid already", source)
    yield from _cooling(look, where, treatment, source)


def _nozzle(look: Look, where: str, treatment: Treatment, carrier: Carrier, source: str) -> Iterator[Finding]:
    own, asked = look("nozzle_c"), treatment.nozzle
    if own is None or asked is None:
        return
    wanted = own + asked.add_c if asked.add_c is not None else float(asked.set_c or 0.0)
    low, high, limit = nozzle_bounds(carrier)
    peak = look.material.measured_peak_c
    if not low <= wanted <= high:
        why = f"the treatment makes {wanted:g} C, which `apply` refuses ({limit})"
        yield _finding(look, where, "warning", "nozzle_c", f"{low:g} to {high:g} C with it", why, source)
    elif peak is not None and wanted > peak.value:
        why = f"the treatment makes {wanted:g} C; it is done only up to the measured peak"
        expected = f"at most {peak.value:g} C with it"
        yield _finding(look, where, "note", "nozzle_c", expected, why, sourced(peak))


def _cooling(look: Look, where: str, treatment: Treatment, source: str) -> Iterator[Finding]:
    """Fast layers, on which `apply` holds a fan cut or a nozzle rise back."""
    least, value = look.material.min_layer_time_s, look("min_layer_time_s")
    hot = treatment.nozzle is not None or treatment.fan is not None
    lifted = treatment.force or treatment.rest is not None or treatment.speed is not None
    short = value is not None and (value < least.value or look.flag("auto_cooling") is False)
    if hot and not lifted and short:
        why = "on layers that are over sooner `apply` holds less fan and a hotter nozzle back"
        yield _finding(
            look, where, "warning", "min_layer_time_s", f"at least {least.value:g} s, and in force", why,
            sourced(least),
        )  # fmt: skip
