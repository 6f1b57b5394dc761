"""Settings against what material and machine say, and against what is usual."""

from __future__ import annotations

import re
from collections.abc import Iterator

from gcodetools.slicer_settings.beads import rates
from gcodetools.slicer_settings.findings import COMMON, Finding, Look, sourced, worded
from gcodetools.slicer_settings.names import ACCELS, BEAD_SPEEDS, WIDTHS

__all__ = ["check_all"]

# Of the nozzle's diameter; common practice, no source.
_LAYERS, _WIDTHS = (0.25, 0.8), (0.9, 1.6)
_NOZZLES_MM = (0.1, 2.0)
_LEAST_MM = 1e-3
_PLAIN_NOZZLE_MM = 0.4  # what a material's melt rate is stated for
_CORNER = re.compile(r"(-?[0-9.]+)x(-?[0-9.]+)")


def check_all(look: Look) -> Iterator[Finding]:
    """All findings that need no kit."""
    for check in (
        _kind, _nozzle, _bed, _fan, _layer_time, _melt, _speeds, _accels, _limits, _layers, _widths, _size, _filament,
    ):  # fmt: skip
        yield from check(look)


def _kind(look: Look) -> Iterator[Finding]:
    own = look.profile.text("filament_type", look.tool)
    name = look.material.name
    alike = own is None or own.lower() == name or name.split("-")[0] == own.lower().split("-")[0]
    if not alike and not look.assumed:
        yield look.finding(
            "warning", "filament_type", name, f"all below is held against {name}", "--material or the kit", str(own),
        )  # fmt: skip


def _nozzle(look: Look) -> Iterator[Finding]:
    material, machine = look.material, look.machine
    usual, least = material.nozzle_c, material.min_extrusion_c
    for name in ("nozzle_c", "first_nozzle_c"):
        value = look(name)
        if value is None:
            continue
        if machine is not None and value > machine.hotend_max_c.value:
            limit = machine.hotend_max_c
            why = f"the hotend of machine {machine.name} takes no more"
            yield look.finding("stop", name, f"at most {limit.value:g} C", why, sourced(limit))
        elif machine is None and value > look.unnamed_c:
            why = "a hotend lined with PTFE gives off fumes above: name the machine, and ventilate"
            yield look.finding(
                "note", name, f"at most {look.unnamed_c:g} C where the hotend is not known", why, COMMON
            )
        if value < least.value:
            yield look.finding(
                "stop",
                name,
                f"at least {least.value:g} C",
                f"{material.name} does not melt below",
                sourced(least),
            )
        elif not usual.low <= value <= usual.high:
            why = f"{material.name} is printed between these"
            yield look.finding("warning", name, f"{usual.low:g} to {usual.high:g} C", why, sourced(usual))
        peak = material.measured_peak_c
        if peak is not None and value > peak.value:
            why = "hotter layers were measured weaker"
            yield look.finding("warning", name, f"at most {peak.value:g} C", why, sourced(peak))
    low, high, own = look("nozzle_low_c"), look("nozzle_high_c"), look("nozzle_c")
    if own is not None and low is not None and high is not None and not low <= own <= high:
        why = "the filament's own range in these settings says otherwise"
        yield look.finding("warning", "nozzle_c", f"{low:g} to {high:g} C", why, "the settings themselves")


def _bed(look: Look) -> Iterator[Finding]:
    usual = look.material.bed_c
    for name in ("bed_c", "first_bed_c"):
        value = look(name)
        if value is None or usual.low <= value <= usual.high:
            continue
        why = f"{look.material.name} holds to the bed between these"
        cold = "; 0 leaves it off" if value == 0 else ""
        yield look.finding(
            "warning",
            name,
            f"{usual.low:g} to {usual.high:g} C",
            why + cold,
            sourced(usual),
        )


def _fan(look: Look) -> Iterator[Finding]:
    usual = look.material.fan
    low, high = look("fan_min"), look("fan_max")
    if low is not None and high is not None and low > high:
        yield look.finding(
            "warning", "fan_min", f"at most fan_max, {high:.0%}", "the two are the wrong way round", COMMON
        )
    for name in ("fan_min", "fan_max"):
        value = look(name)
        if value is None or value == 0 or usual.low <= value <= usual.high:
            continue
        much = value > usual.high
        why = "more air cools welds between layers" if much else "overhangs and small layers sag with less"
        expected = f"{usual.low:.0%} to {usual.high:.0%}"
        yield look.finding("warning", name, expected, f"{look.material.name}: {why}", sourced(usual))


def _layer_time(look: Look) -> Iterator[Finding]:
    least, value = look.material.min_layer_time_s, look("min_layer_time_s")
    if look.flag("auto_cooling") is False and value is not None:
        why = "with cooling switched off no layer is slowed down, so the time beside it does nothing"
        yield look.finding(
            "warning", "auto_cooling", "on", why, COMMON, f"off, beside {value:g} s", "min_layer_time_s"
        )
    elif value is not None and value < least.value:
        why = f"a layer of {look.material.name} is still soft when the next comes sooner"
        yield look.finding("warning", "min_layer_time_s", f"at least {least.value:g} s", why, sourced(least))


def _melt(look: Look) -> Iterator[Finding]:
    limit, nozzle = look.material.melt_rate_mm3_s, look("nozzle_diameter_mm")
    found = [rate for rate in rates(look) if rate.mm3_s > limit.value * (1 + 1e-9)]
    note = f"stated for a plain {_PLAIN_NOZZLE_MM:g} mm nozzle"
    if nozzle is not None and abs(nozzle - _PLAIN_NOZZLE_MM) > _LEAST_MM:
        note += f", this one has {nozzle:g} mm"
    if found:
        worst = max(found, key=lambda rate: rate.mm3_s)
        told = (
            f"{worst.mm3_s:.1f} mm3/s at {worst.speed_mm_s:g} mm/s, {worst.width_mm:g} mm by {worst.height_mm:g} mm"
            + (", as far as the settings' own cap lets it" if worst.capped else "")
        )
        others = [rate.name for rate in found if rate.name != worst.name]
        more = f"; so do {', '.join(others)}" if others else ""
        yield look.finding(
            "warning", worst.name, f"at most {limit.value:g} mm3/s",
            f"beads come out thin and cold beyond ({note}; a hotend made for it melts more: "
            f"--set material.melt_rate_mm3_s=...){more}",
            sourced(limit), told, *others, "max_flow_mm3_s",
        )  # fmt: skip
    cap = look("max_flow_mm3_s")
    if cap is not None and cap > limit.value:
        why = f"the cap lets more through than {look.material.name} is known to melt ({note})"
        yield look.finding("note", "max_flow_mm3_s", f"at most {limit.value:g} mm3/s", why, sourced(limit))


def _speeds(look: Look) -> Iterator[Finding]:
    machine = look.machine
    if machine is not None:
        axes = machine.max_speed_mm_s
        why = f"machine {machine.name} moves no faster"
        names = (*BEAD_SPEEDS, "speed_travel_mm_s")
        yield from _above(look, names, min(axes.x, axes.y), why, sourced(axes))


def _accels(look: Look) -> Iterator[Finding]:
    machine = look.machine
    if machine is not None:
        axes = machine.max_accel_mm_s2
        why = f"machine {machine.name} takes no more, or rings"
        names = (*ACCELS, "accel_travel_mm_s2")
        yield from _above(look, names, min(axes.x, axes.y), why, sourced(axes))


def _above(look: Look, names: tuple[str, ...], limit: float, why: str, source: str) -> Iterator[Finding]:
    """One finding on all that is above a limit."""
    found = {name: value for name in names if (value := look(name)) is not None and value > limit}
    if found:
        worst = max(found, key=lambda name: found[name])
        yield look.finding(
            "warning",
            worst,
            f"at most {worded(worst, limit)}",
            why + _so_do(worst, found),
            source,
            "",
            *found,
        )


def _so_do(worst: str, found: dict[str, float]) -> str:
    others = [f"{name} {worded(name, value)}" for name, value in found.items() if name != worst]
    return f"; likewise {', '.join(others)}" if others else ""


def _limits(look: Look) -> Iterator[Finding]:
    """Limits that the settings tell the machine, above what the machine's profile says."""
    machine = look.machine
    if machine is None:
        return
    for kind, axes, unit in (
        ("speed", machine.max_speed_mm_s, "mm_s"),
        ("accel", machine.max_accel_mm_s2, "mm_s2"),
    ):
        own = {f"limit_{kind}_{axis}_{unit}": float(getattr(axes, axis)) for axis in "xyz"}
        found = {
            name: value for name, most in own.items() if (value := look(name)) is not None and value > most
        }
        if found:
            worst = max(found, key=lambda name: found[name] / own[name])
            why = f"the settings allow machine {machine.name} more than its profile does (--set machine...)"
            expected = f"at most {worded(worst, own[worst])}"
            source = sourced(axes)
            yield look.finding("note", worst, expected, why + _so_do(worst, found), source, "", *found)


def _layers(look: Look) -> Iterator[Finding]:
    nozzle = look("nozzle_diameter_mm")
    for name in ("layer_height_mm", "first_layer_height_mm"):
        value = look(name)
        if value is None or nozzle is None:
            continue
        low, high = (share * nozzle for share in _LAYERS)
        if not low - _LEAST_MM <= value <= high + _LEAST_MM:
            why = (
                "lower layers clog, higher ones hardly weld"
                if value > high
                else "below, the nozzle rubs and clogs"
            )
            expected = f"{low:g} to {high:g} mm, 25 to 80 % of the nozzle"
            yield look.finding("warning", name, expected, why, COMMON, "", "nozzle_diameter_mm")
        own_low, own_high = look("layer_height_low_mm"), look("layer_height_high_mm")
        if own_high is not None and value > own_high + _LEAST_MM:
            why = "the tool's own range in these settings says otherwise"
            yield look.finding("warning", name, f"at most {own_high:g} mm", why, "the settings themselves")
        elif own_low is not None and value < own_low - _LEAST_MM:
            why = "the tool's own range in these settings says otherwise"
            yield look.finding("warning", name, f"at least {own_low:g} mm", why, "the settings themselves")


def _widths(look: Look) -> Iterator[Finding]:
    nozzle = look("nozzle_diameter_mm")
    if nozzle is None or not _NOZZLES_MM[0] <= nozzle <= _NOZZLES_MM[1]:
        return
    low, high = (share * nozzle for share in _WIDTHS)
    told = {name: value for name in WIDTHS if (value := look(name)) is not None}
    narrow = {name: value for name, value in told.items() if value < low - _LEAST_MM}
    wide = {name: value for name, value in told.items() if value > high + _LEAST_MM}
    for found, pick, why in (
        (narrow, min, "narrower beads tear off"),
        (wide, max, "wider beads lack pressure at their edges"),
    ):
        if found:
            worst = pick(found, key=lambda name: found[name])
            expected = f"{low:g} to {high:g} mm, 90 to 160 % of the nozzle"
            more = _so_do(worst, found)
            yield look.finding(
                "warning", worst, expected, why + more, COMMON, "", *found, "nozzle_diameter_mm"
            )


def _size(look: Look) -> Iterator[Finding]:
    machine = look.machine
    if machine is None:
        return
    nozzle = look("nozzle_diameter_mm")
    if nozzle is not None and abs(nozzle - machine.nozzle_mm.value) > _LEAST_MM:
        why = f"machine {machine.name} has another nozzle"
        yield look.finding(
            "warning",
            "nozzle_diameter_mm",
            f"{machine.nozzle_mm.value:g} mm",
            why,
            sourced(machine.nozzle_mm),
        )
    bed, box = machine.bed, _box(look)
    if box is not None:
        low = [bed.origin[k] - (bed.radius or 0.0) for k in (0, 1)]
        high = [bed.origin[k] + (bed.radius or (bed.size or (0.0, 0.0))[k]) for k in (0, 1)]
        if any(box[0][k] < low[k] - _LEAST_MM or box[1][k] > high[k] + _LEAST_MM for k in (0, 1)):
            told = f"x {box[0][0]:g} to {box[1][0]:g}, y {box[0][1]:g} to {box[1][1]:g} mm"
            expected = f"x {low[0]:g} to {high[0]:g}, y {low[1]:g} to {high[1]:g} mm"
            why = f"the settings' bed reaches beyond that of machine {machine.name}"
            yield look.finding(
                "warning",
                "bed_shape",
                expected,
                why,
                sourced(bed),
                told,
                "bed_x_mm",
                "bed_y_mm",
            )
    tall = look("height_limit_mm")
    if tall is not None and tall > machine.height_mm.value:
        why = f"machine {machine.name} is no taller"
        yield look.finding(
            "warning",
            "height_limit_mm",
            f"at most {machine.height_mm.value:g} mm",
            why,
            sourced(machine.height_mm),
        )


def _box(look: Look) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """The bed that the settings state, as corners."""
    text = look.profile.text("bed_shape", look.tool)
    corners = [(float(x), float(y)) for x, y in _CORNER.findall(text or "")]
    if len(corners) >= 3:
        xs, ys = zip(*corners, strict=True)
        return (min(xs), min(ys)), (max(xs), max(ys))
    x, y = look("bed_x_mm"), look("bed_y_mm")
    return ((0.0, 0.0), (x, y)) if x and y else None


def _filament(look: Look) -> Iterator[Finding]:
    material = look.material
    for name, usual in (
        ("filament_diameter_mm", material.diameter_mm),
        ("density_g_cm3", material.density_g_cm3),
    ):
        value = look(name)
        low, high = usual.spread or (usual.value, usual.value)
        if value is None or low <= value <= high:
            continue
        what = "plastic laid" if name.startswith("filament") else "weight and price told"
        why = (
            f"{what} is in proportion to it"
            if not name.startswith("filament")
            else f"{what} goes with its square"
        )
        yield look.finding("warning", name, f"{low:g} to {worded(name, high)}", why, sourced(usual))
