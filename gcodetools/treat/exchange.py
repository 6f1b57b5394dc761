"""New beads for old fill: which of them bring anything, what goes for them, and how much they must hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from gcodetools.records import dataclass
from gcodetools.toolpath.measures import Measure
from gcodetools.toolpath.plate import Plate
from gcodetools.treat.already import LEAST_LEFT, FillThere, along, poorer
from gcodetools.treat.filling import area_of
from gcodetools.treat.laying import Bead
from gcodetools.treat.replacing import SLIT, Replaced, band_of, replaced, volume_of, zone_of
from gcodetools.treat.sites import Laid, Site

__all__ = ["Exchanged", "exchanged", "gainful", "taken_by"]

_MOST_OVERLAP = 0.3  # pitches by which fill may stay over new beads
_OVER = 1.01  # of the file's solid fill; more is overfill
_EVEN = 0.002  # of the plastic that goes, that does not matter


def taken_by(site: Site, beads: list[Bead]) -> shapely.Geometry:
    """What is taken on a site once beads are laid, mm2."""
    band = band_of([bead.strand for bead in beads])
    return band if site.taken.is_empty else shapely.union(site.taken, band)


def gainful(plate: Plate, gauge: Measure, site: Site, beads: list[Bead]) -> list[Bead]:
    """Beads without those for which fill would go that holds as much."""
    rows, height = site.room.fill_rows, site.room.height_mm
    if not beads or not len(rows):
        return beads
    most = height * max(gauge.solid_fill or 0.0, gauge.fill)
    there = FillThere(rows, site.room.space, gauge.pitch_mm, height * gauge.fill, most)
    taken = taken_by(site, beads)
    zone = _zone(site, gauge, taken, beads, 0.0)
    gains = ~along(plate, there, zone, beads)
    kept = [bead for bead, gain in zip(beads, gains.tolist(), strict=True) if gain]
    if not kept:
        return []
    if len(kept) < len(beads):
        taken = taken_by(site, kept)
    zone = _zone(site, gauge, taken, kept, _overlap(gauge))
    loses = poorer(plate, there, zone, kept)
    return [bead for bead, less in zip(kept, loses.tolist(), strict=True) if not less]


@dataclass(frozen=True, slots=True)
class Exchanged:
    """laid : the beads. taken : by them and those before, mm2. gone : what goes, its rows counted from the site's last
    wall row. share : of their usual plastic, that beads hold. less_mm3 : plastic less than before, at least 0."""

    laid: Laid
    taken: shapely.Geometry
    gone: Replaced
    share: float
    less_mm3: float


def exchanged(plate: Plate, gauge: Measure, site: Site, laid: Laid, bridge_flow: float) -> Exchanged | None:
    """Cut the fill for new beads, and see that the island is left with the plastic it had.

    Where the file's fill lies over its walls, cutting it at the edge of new beads would lose that. So as much of what
    stays reaches over the new beads, at most as far as over the walls; and the beads hold more than perimeters side
    by side, at most what solid work of the file does. Lines of a hatch see to both by themselves. None where less
    would be left all the same, and what was there is no overfill.

    Parameters
    ----------
    bridge_flow : share of its plastic that a bridge is laid with.
    """
    beads = [bead for _, bead in laid.beads]
    every = [bead for one in site.laid for _, bead in one.beads] + beads
    taken, base = taken_by(site, beads), int(site.room.wall_rows[-1])
    zone = _zone(site, gauge, taken, beads, 0.0)
    found = replaced(plate, site.room.fill_rows, zone)
    mm2 = site.room.height_mm * gauge.fill
    new = sum(_volume(bead, mm2, bridge_flow) for bead in every)
    gone, share = volume_of(plate, found), 1.0
    if gone > (1 + _EVEN) * new and all(bead.strand.loop >= 0 for bead in every):
        most = _overlap(gauge)
        lapped = replaced(plate, site.room.fill_rows, _zone(site, gauge, taken, beads, most))
        saved = gone - volume_of(plate, lapped)
        if saved > gone - new:
            part = most * (gone - new) / saved
            lapped = replaced(plate, site.room.fill_rows, _zone(site, gauge, taken, beads, part))
        found, gone = lapped, volume_of(plate, lapped)
        own = sum(_volume(bead, mm2, bridge_flow) for bead in beads if not bead.bridge)
        if own > 0:
            richest = max((gauge.solid_fill or gauge.fill) / gauge.fill, 1.0)
            share = float(np.clip(1.0 + (gone - new) / own, 1.0, richest))
            new += own * (share - 1.0)
        richer = [(way, replace(b, share=1.0 if b.bridge else share)) for way, b in laid.beads]
        laid = replace(laid, beads=richer)
        solid = share * mm2 if gauge.solid_fill is None else site.room.height_mm * gauge.solid_fill
        over = gone > _OVER * solid * _held(plate, site, zone, found, gauge)
        if new < LEAST_LEFT * gone and not over and not any(bead.bridge for bead in beads):
            return None
    found = replace(found, row=found.row - base)
    return Exchanged(laid, taken, found, share, max(gone - new, 0.0))


def _volume(bead: Bead, mm2: float, bridge_flow: float) -> float:
    return area_of(bead.strand) * bead.share * mm2 * (bridge_flow if bead.bridge else 1.0)


def _held(plate: Plate, site: Site, zone: shapely.Geometry, gone: Replaced, gauge: Measure) -> float:
    """What of a room goes to new beads, mm2, with where crumbs go and what is too narrow for anything else."""
    whole = gone.row[(gone.t0 <= 0) & (gone.t1 >= 1)]
    moves = plate.program.moves
    ends = [np.column_stack([moves.x[at], moves.y[at]]) for at in (np.maximum(whole - 1, 0), whole)]
    lines = shapely.buffer(shapely.linestrings(np.stack(ends, axis=1)), gauge.pitch_mm / 2, quad_segs=2)
    slit = SLIT * gauge.pitch_mm
    left = shapely.difference(site.room.space, shapely.union_all([zone, *lines]))
    left = shapely.buffer(left, -slit, join_style="mitre")
    return float(site.room.space.area - shapely.buffer(left, slit, join_style="mitre").area)


def _overlap(gauge: Measure) -> float:
    return min(gauge.overlap_mm, _MOST_OVERLAP * gauge.pitch_mm)


def _zone(
    site: Site, gauge: Measure, taken: shapely.Geometry, beads: list[Bead], overlap_mm: float
) -> shapely.Geometry:
    """Where fill goes for all that is taken."""
    strands = [bead.strand for laid in site.laid for _, bead in laid.beads]
    strands += [bead.strand for bead in beads]
    return zone_of(taken, strands, site.walls, site.room.space, gauge.pitch_mm, overlap_mm)
