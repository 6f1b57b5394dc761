"""Strength of one region: its welds, its section, its load, put together with their doubts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.kit.loads import Cantilever, Load, OpenRing
from gcodetools.kit.placing import Pose
from gcodetools.kit.schema import Region
from gcodetools.kit.selection import RegionHit
from gcodetools.physics.walls import WallFacts, softened, typical, walls
from gcodetools.records import dataclass
from gcodetools.strength.arms import Arm, arm_of
from gcodetools.strength.law import Basis, Law
from gcodetools.strength.loads import LoadCase, case_of, stands
from gcodetools.strength.pieces import Instance
from gcodetools.strength.spreads import Band, band_of
from gcodetools.strength.welds import LayerWelds, layer_welds

__all__ = ["HOLLOW", "RegionStrength", "strength_of"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]

# Of a solid bar of printed roads: what the material's strength along beads was measured on, voids included.
_SOLID_FILL = 0.93
# Doubt of a section is an exponent on what it lacks of a solid one: none where it is solid, none between two alike.
_SECTION_DOUBT = (0.6, 1.0, 1.4)
# An exponent, chosen with this table in view: PLA bars with 2 perimeters bore 1.29 times less than with 10 (Szot and
# Rudnik 2024, doi 10.2478/adms-2024-0006, second-hand); weighed as stiffness alone, fill at an angle makes it 1.53.
_ALONG_DOUBT = (0.3, 0.6, 1.0)
# How far a print may be from the specimens that were measured and still be as they were; assumptions.
_NEAR_C, _NEAR_FAN, _NEAR_RATIO, _NEAR_SHARE = 2.5, 0.1, 1.5, 0.15
_LEAST_SHARE = 1e-3
_STATIONS = 1200  # of a region's walls, spread over it
HOLLOW = 0.7
_OVERFULL = 1.1
_RUNS = 4


@dataclass(frozen=True, slots=True)
class RegionStrength:
    """What one region of one instance bears.

    welds : its layers. bond_mean, bond_min : how far they have healed, over all and in the layer that healed least;
    weakest_layer : which that is, of the instance, from 1; None and 0 where no layer rests on another, or there is no
    model. across, along : MPa, what the weakest layer bears over the whole area of its beads (an arm that stands: over
    the section that its outline encloses, in bending), and along beads; None where nothing tells. across_draws,
    along_draws : their draws. wall : its sections, arm : of an arm that stands, both None where there is none.
    ei_share : draws of stiffness over that of a solid section. case : of its load; None without one. fault : why a
    load has no numbers. basis : of strength across layers.
    """

    hit: RegionHit
    welds: LayerWelds
    bond_mean: Band | None
    bond_min: Band | None
    weakest_layer: int
    across: Band | None
    along: Band | None
    across_draws: F8 | None
    along_draws: F8 | None
    wall: WallFacts | None
    arm: Arm | None
    ei_share: F8 | None
    case: LoadCase | None
    fault: str
    basis: Basis
    notes: tuple[str, ...]

    @property
    def name(self) -> str:
        """`part#instance/region`."""
        return f"{self.hit.part}#{self.hit.instance}/{self.hit.region}"


def strength_of(
    hit: RegionHit, pose: Pose, region: Region, instance: Instance, within: Bool, law: Law
) -> RegionStrength:
    """Work out a region.

    Parameters
    ----------
    instance : pieces of its instance. within : (n,) those of the region. law : of the material.
    """
    samples = instance.samples
    poisson = law.strength.poisson.value
    wall = typical(walls(samples, instance.outer, within, poisson=poisson, most=_STATIONS))
    welds = layer_welds(instance, within, law, None if wall is None else wall.thickness_mm.median)
    arm = None
    k = welds.least_healed
    healed = k >= 0 and law.weld is not None
    across = None if k < 0 else welds.bears_mpa
    ratio = np.ones(len(law.draws)) if across is None else across / law.across_mpa
    along = _along(law, wall)
    case, fault = None, ""
    ei = None if wall is None else _section(law, _wall_share(wall, region.load, poisson))
    if region.load is not None:
        tall = (instance.top_mm - pose.z_mm) / pose.scale - hit.z_mm[0]
        upright, _ = stands(region.load, tall)
        if isinstance(region.load, Cantilever) and upright:
            doubt = law.draws.between("arm", *_SECTION_DOUBT)
            arm = arm_of(instance, within, welds, law.across_mpa, region.load.length_mm, doubt)
        if arm is not None:
            ei, ratio = _section(law, arm.stiffness), arm.ratio
            across = law.across_mpa * ratio
        try:
            case = case_of(region.load, region.use, law, ratio, ei, tall)
        except ValueError as error:
            fault = str(error)
    return RegionStrength(
        hit=hit,
        welds=welds,
        bond_mean=band_of(welds.bond.over_layers(_shares(welds.area_mm2))) if healed else None,
        bond_min=band_of(welds.bond.at(k)) if healed else None,
        weakest_layer=int(welds.layer[k]) if healed else 0,
        across=None if across is None else band_of(across),
        along=None if along is None else band_of(along),
        across_draws=across,
        along_draws=along,
        wall=wall,
        arm=arm,
        ei_share=ei,
        case=case,
        fault=fault,
        basis="measured" if arm is None and _as_measured(welds, law, instance, within) else "modelled",
        notes=tuple(_notes(welds, law, instance, within, arm, wall)),
    )


def _as_measured(welds: LayerWelds, law: Law, instance: Instance, within: Bool) -> bool:
    """Whether its layers are laid as the user's own specimens were, so that a measured number is all there is to it:
    nozzle within what was measured, the rest near their reference, or told by what they showed of it."""
    at, samples = law.strength.reference, instance.samples
    if law.strength.across_mpa.flag != "measured" or welds.least_healed < 0 or np.isnan(welds.age_s):
        return False
    nozzle = instance.nozzle_c[within]
    if law.table and all(point.flag == "measured" for point in law.table):
        known = not welds.outside_nozzle and not np.any(np.isnan(nozzle))
    else:
        known = bool(np.all(np.abs(nozzle - at.nozzle_c.value) <= _NEAR_C))
    sensitivity = law.weld.sensitivity if law.weld is not None else None
    if sensitivity is None or sensitivity.fan.flag != "measured":
        known &= bool(np.all(np.abs(instance.fan[within] - at.fan.value) <= _NEAR_FAN))
    if sensitivity is None or sensitivity.age.flag != "measured":
        known &= abs(np.log(welds.age_s / at.age_s.value)) <= np.log(_NEAR_RATIO)
    share = np.median(samples.height_mm[within] / samples.width_mm[within])
    return bool(known and abs(share / (at.height_mm.value / at.width_mm.value) - 1.0) <= _NEAR_SHARE)


def _shares(area: F8) -> F8:
    shares: F8 = area / max(float(area.sum()), 1e-12)
    return shares


def _along(law: Law, wall: WallFacts | None) -> F8 | None:
    """(1 + d,) strength along beads over the section that the outline encloses, MPa: what printed bars bear,
    less what the wall lacks of their fill, beads at an angle by their stiffness along it."""
    if wall is None:
        return None
    share = min(wall.ea_share.median / _SOLID_FILL, 1.0)
    return law.along_mpa * max(share, _LEAST_SHARE) ** law.draws.between("fill", *_ALONG_DOUBT)


def _wall_share(wall: WallFacts, load: Load | None, poisson: float) -> float:
    """Stiffness of a wall over that of a solid one: bent, and where the load says how long its arm is, sheared."""
    share = wall.ei_share.median
    if isinstance(load, OpenRing):
        length = (load.bore_mm + load.wall_mm) / 2 * np.radians(180.0 - load.gap_deg / 2)
    elif isinstance(load, Cantilever):
        length = load.length_mm
    else:
        return share
    thick = wall.thickness_mm.median
    soft = softened(share, wall.sliding_share.median, wall.shear.median, thick, length, poisson)
    return float(soft / softened(1.0, 0.0, 1.0, thick, length, poisson))


def _section(law: Law, share: float) -> F8:
    """(1 + d,) stiffness of a section over that of a solid one of its outline."""
    return max(share, _LEAST_SHARE) ** law.draws.between("section", *_SECTION_DOUBT)


def _notes(
    welds: LayerWelds, law: Law, instance: Instance, within: Bool, arm: Arm | None, wall: WallFacts | None
) -> list[str]:
    """Where a model leaves its range, and what does not count."""
    found = []
    if arm is not None and arm.share < HOLLOW:
        found.append(
            f"at layer {arm.layer} only {100 * arm.share:.0f} % of the arm's section rests on solid beads: make what "
            "is below solid (`infill: solid`, a region that reaches a few layers deeper and wider)"
        )
    if len(welds.transition):
        what = "for the most part sparse fill, or laid on it or on air; that counts as no strength"
        found.append(f"{_runs(welds.transition)}: {what}")
    if wall is not None and wall.fill.median > _OVERFULL:
        found.append(f"beads overlap: {wall.fill.median:.2f} of what the wall holds; counted as full")
    if welds.outside_nozzle:
        low, high = law.table[0].nozzle_c, law.table[-1].nozzle_c
        span = f"{low:g} C alone" if low == high else f"{low:g} to {high:g} C"
        found.append(f"the nozzle leaves what was measured, {span}; its end is taken")
    if welds.outside_shape:
        found.append("beads outside 0.15 to 1 of height over width; the end of the law is taken")
    if np.any(np.isnan(instance.nozzle_c[within])):
        at = law.strength.reference.nozzle_c.value
        found.append(
            f"nobody says how hot the nozzle is; {at:g} C taken (set `base: {{nozzle: ...}}` in the kit)"
        )
    if law.weld is None and law.material.bond is not None and law.material.bond.no_weld:
        found.append(law.material.bond.no_weld)
    return found


def _runs(layers: NDArray[np.integer]) -> str:
    """`layer 5`, `layers 5 to 11 and 13 to 21`; of many runs the first ones."""
    breaks = np.flatnonzero(np.diff(layers) > 1) + 1
    runs = [(int(run[0]), int(run[-1])) for run in np.split(layers, breaks)]
    shown = [f"{a} to {b}" if b > a else str(a) for a, b in runs[:_RUNS]]
    more = f" and {len(runs) - _RUNS} more stretches" if len(runs) > _RUNS else ""
    words = shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + (", " if more else " and ") + shown[-1]
    return f"layer{'s' if len(layers) > 1 else ''} {words}{more}"
