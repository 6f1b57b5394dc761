"""Steps of a ladder against what material and machine allow, before anything is planned."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gcodetools.errors import Refused
from gcodetools.jobs.ladder_asked import Asked
from gcodetools.kit.placing import Pose
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.limits import volumetric_mm3_s
from gcodetools.treat.target import Bounds
from gcodetools.trials.factors import Factor

__all__ = ["LEAST_FEED_MM_S", "check_ranges"]

LEAST_FEED_MM_S = 2.0  # slower, plastic rests in the nozzle and scorches; common practice, no source


def check_ranges(plate: Plate, asked: Asked, bounds: Bounds, poses: Sequence[Pose]) -> tuple[str, ...]:
    """Refuse steps out of range.

    Returns
    -------
    tuple of str
        Overrides of the material that the ladder needs: past the measured peak, since finding the peak of one's own
        filament is what a ladder is for.

    Raises
    ------
    Refused : with the range that is possible.
    """
    factors = {factor.name: factor for factor in (*asked.vary, *asked.hold)}
    _speed_and_flow(plate, factors, bounds, poses)
    nozzle = factors.get("nozzle")
    if nozzle is None:
        return ()
    low, high = bounds.nozzle_low_c, bounds.nozzle_high_c
    if nozzle.values[0] < low or nozzle.values[-1] > high:
        odd = nozzle.values[0] if nozzle.values[0] < low else nozzle.values[-1]
        raise Refused(
            f"{plate.program.lines.name}: nozzle {odd:g} C is outside {low:g} to {high:g} C ({bounds.nozzle_from})",
            f"Possible: {low:g} to {high:g} C; or name the material and the machine that allow it "
            "(--material, --machine).",
        )
    peak = bounds.material.measured_peak_c
    if peak is not None and nozzle.values[-1] > peak.value:
        return (f"material.measured_peak_c={nozzle.values[-1]:g}",)
    return ()


def _speed_and_flow(plate: Plate, factors: dict[str, Factor], bounds: Bounds, poses: Sequence[Pose]) -> None:
    """Refuse what the nozzle can't melt, or axes can't do.

    Raises
    ------
    Refused.
    """
    speed, flow = factors.get("speed"), factors.get("flow")
    if speed is None and flow is None:
        return
    name, material = plate.program.lines.name, bounds.material
    rows = np.concatenate([pose.rows for pose in poses]).astype(np.int64)
    rows = rows[(plate.beads.length_mm[rows] > 0) & np.isfinite(plate.moves.f[rows])]
    feed = plate.moves.f[rows]
    if len(rows) == 0:
        return
    diameter = plate.filament_diameter_mm or material.diameter_mm.value
    own = float(np.nanmax(volumetric_mm3_s(plate, rows, feed, np.ones(len(rows)), diameter)))
    most_speed = speed.values[-1] / 100 if speed else 1.0
    most_flow = flow.values[-1] / 100 if flow else 1.0
    limit = material.melt_rate_mm3_s.value
    if own * most_speed * most_flow > max(limit, own) * (1 + 1e-9):
        most = max(limit / own, 1.0)
        raise Refused(
            f"{name}: at speed {most_speed:.0%} and flow {most_flow:.0%} the fastest bead needs "
            f"{own * most_speed * most_flow:.1f} mm3/s, the melt rate of {material.name} is {limit:g} mm3/s "
            f"({own:.1f} as sliced)",
            f"Possible: speed times flow up to {most:.0%}; or --set material.melt_rate_mm3_s, if yours melts more.",
        )
    if speed is None:
        return
    usual = float(np.median(feed))
    if usual * speed.values[0] / 100 < LEAST_FEED_MM_S:
        raise Refused(
            f"{name}: at speed {speed.values[0]:g}% beads are laid at {usual * speed.values[0] / 100:.2g} mm/s; below "
            f"{LEAST_FEED_MM_S:g} mm/s plastic scorches in the nozzle",
            f"Possible: speed from {100 * LEAST_FEED_MM_S / usual:.0f}% on.",
        )
    machine = bounds.machine
    if machine is not None:
        fastest = min(machine.max_speed_mm_s.x, machine.max_speed_mm_s.y)
        if float(feed.max()) * most_speed > max(fastest, float(feed.max())):
            raise Refused(
                f"{name}: at speed {most_speed:.0%} the fastest bead is laid at {feed.max() * most_speed:.0f} mm/s, "
                f"machine {machine.name} moves at {fastest:g} mm/s at most",
                f"Possible: speed up to {fastest / feed.max():.0%}.",
            )
