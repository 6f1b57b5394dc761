"""What bounds a treatment: nozzle range, melt rate, acceleration. Beyond a limit nothing is written."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.profiles import Machine, Material
from gcodetools.edit.draft import Draft
from gcodetools.errors import Refused
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.target import Bounds

__all__ = ["UNKNOWN_HOTEND_C", "bounds_of", "check_limits", "volumetric_mm3_s"]

F8 = NDArray[np.float64]

_LEAST_MM_S = 0.1
UNKNOWN_HOTEND_C = 240.0  # a hotend lined with PTFE fumes above; common practice, no source


def bounds_of(
    plate: Plate, material: Material, machine: Machine | None, material_assumed: bool = False
) -> Bounds:
    """Limits for this plate. With no machine named, the nozzle may reach the larger of 240 C and the hottest
    print temperature of the file itself. material_assumed : whether nobody named the material."""
    high, source = material.nozzle_c.high, f"material {material.name}"
    if machine is not None:
        limit, name = machine.hotend_max_c.value, f"machine {machine.name}"
    else:
        limit = max(UNKNOWN_HOTEND_C, hottest_c(plate))
        name = f"no machine named, so at most {limit:g} C"
    if limit < high:
        high, source = limit, name
    low = max(material.nozzle_c.low, material.min_extrusion_c.value)
    return Bounds(material, machine, min(low, high), high, source, material_assumed)


def hottest_c(plate: Plate) -> float:
    """Hottest nozzle temperature of the file at any bead, 0 if it names none."""
    rows = np.flatnonzero(plate.beads.feature != 0)
    line = plate.program.moves.line[rows]
    best = 0.0
    for tool, track in plate.program.states.nozzle.items():
        mine = line[plate.program.moves.tool[rows] == tool]
        if len(mine) and len(track.line):
            best = max(best, float(np.nanmax(np.append(track.at(mine), 0.0))))
    return best


def volumetric_mm3_s(plate: Plate, rows: NDArray[np.integer], feed: F8, flow: F8, diameter_mm: float) -> F8:
    """Plastic per second at `feed` (mm/s) and `flow` (1 = as it is) for each of `rows`."""
    moves, length = plate.program.moves, plate.beads.length_mm
    area = np.pi * diameter_mm**2 / 4
    with np.errstate(divide="ignore", invalid="ignore"):
        rate: F8 = moves.e[rows] * area * flow * feed / length[rows]
    return rate


def check_limits(draft: Draft, bounds: Bounds) -> list[str]:
    """Check what the draft wants against the limits; return warnings on what the file already exceeded.

    Raises
    ------
    Refused : a melt rate or an acceleration beyond the limit that the file itself did not exceed, or a feed that is
    none.
    """
    warnings = _melt_rate(draft, bounds)
    _refuse_crawling(draft)
    machine = bounds.machine
    asked = np.flatnonzero(~np.isnan(draft.accel))
    if machine is not None and len(asked):
        limit = min(machine.max_accel_mm_s2.x, machine.max_accel_mm_s2.y)
        asked = asked[draft.accel[asked] > limit]
        line = draft.plate.program.moves.line[draft.row[asked]]
        off = np.flatnonzero(draft.accel[asked] > draft.plate.program.states.accel.at(line))
        if len(off):
            k = off[0]
            raise Refused(
                f"{draft.plate.program.lines.name}:{int(line[k]) + 1}: an acceleration of {draft.accel[asked[k]]:g} "
                f"mm/s2 for this bead is beyond {limit:g} of machine {machine.name}",
                "Ask for less.",
            )
    return warnings


def _refuse_crawling(draft: Draft) -> None:
    """Refuse feeds so low that the file's own decimals would print them as 0."""
    low = np.flatnonzero(draft.feed < _LEAST_MM_S)
    off = low[draft.feed[low] < draft.plate.program.moves.f[draft.row[low]]]
    if len(off):
        line = int(draft.plate.program.moves.line[draft.row[off[0]]]) + 1
        raise Refused(
            f"{draft.plate.program.lines.name}:{line}: a feed of {draft.feed[off[0]]:.3g} mm/s for this bead is below "
            f"{_LEAST_MM_S:g}",
            "Ask for a faster one.",
        )


def _melt_rate(draft: Draft, bounds: Bounds) -> list[str]:
    touched = np.flatnonzero(~(np.isnan(draft.feed) & np.isnan(draft.flow)))
    touched = touched[draft.plate.beads.feature[draft.row[touched]] != 0]
    if len(touched) == 0:
        return []
    plate, rows = draft.plate, draft.row[touched]
    diameter = plate.filament_diameter_mm or bounds.material.diameter_mm.value
    limit = bounds.material.melt_rate_mm3_s.value
    own_feed = plate.program.moves.f[rows]
    feed = np.where(np.isnan(draft.feed[touched]), own_feed, draft.feed[touched])
    flow = np.where(np.isnan(draft.flow[touched]), 1.0, draft.flow[touched])
    after = volumetric_mm3_s(plate, rows, feed, flow, diameter)
    over = np.flatnonzero(np.nan_to_num(after) > limit * (1 + 1e-9))
    if len(over) == 0:
        return []
    rows, after = rows[over], after[over]
    before = volumetric_mm3_s(plate, rows, own_feed[over], np.ones(len(rows)), diameter)
    worse = np.nan_to_num(after) > np.nan_to_num(before) * (1 + 1e-9)
    if np.any(worse):
        k = int(np.flatnonzero(worse)[np.argmax(after[worse])])
        line = int(plate.program.moves.line[rows[k]]) + 1
        raise Refused(
            f"{plate.program.lines.name}:{line}: the treated bead would need {after[k]:.1f} mm3/s, the melt "
            f"rate of {bounds.material.name} is {limit:g} mm3/s ({bounds.material.melt_rate_mm3_s.source})",
            "Ask for less flow or less speed, or slow the region with `speed`.",
        )
    return [
        f"{len(over)} treated beads need up to {np.nanmax(after):.1f} mm3/s, beyond the melt "
        f"rate of {limit:g} mm3/s; the file asked for that itself"
    ]
