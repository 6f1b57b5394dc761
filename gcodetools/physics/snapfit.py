"""Snap-fit sums: what an arm that is bent by its hook is asked for; the other loads are handed on from here.

Lengths mm, angles degrees, MPa, N, strain as a share. `rings` has open rings, `fits` closed rings, pins and keys,
`using` what plastics may be asked for, `demands` the record that all loads give.
"""

from __future__ import annotations

import math

from gcodetools.physics.demands import Demand, Flag, Note, locks, need, slid, slide_factor
from gcodetools.physics.fits import (
    annular,
    annular_undercut_for,
    key,
    key_squeeze_for,
    press,
    press_interference_for,
)
from gcodetools.physics.rings import open_ring, ring_gap_for, ring_mouth_mm, ring_wall_for
from gcodetools.physics.using import (
    Rule,
    ageing_rule,
    fatigue_stress,
    held_share,
    strain_limit,
    temperature_rule,
)

__all__ = [
    "Demand",
    "Flag",
    "Note",
    "Rule",
    "ageing_rule",
    "annular",
    "annular_undercut_for",
    "arm_length_for",
    "arm_thickness_for",
    "arm_undercut_for",
    "cantilever",
    "fatigue_stress",
    "fillet_factor",
    "held_share",
    "key",
    "key_squeeze_for",
    "locks",
    "open_ring",
    "press",
    "press_interference_for",
    "ring_gap_for",
    "ring_mouth_mm",
    "ring_wall_for",
    "root_give",
    "slide_factor",
    "strain_limit",
    "taper_factor",
    "taper_peak",
    "temperature_rule",
]


def taper_factor(taper: float) -> float:
    """K of y = K eps l^2 / h for an arm whose thickness goes evenly from h at the root to `taper` h at the end.

    eps is at the root. K = 2 int (1 - s)^2 / (1 - c s)^3 ds = 2 / c^3 (-ln r - 3/2 + 2 r - r^2 / 2), c = 1 - r;
    2/3 where it does not taper. Source of y = K eps l^2 / h: Snap-Fit Joints for Plastics, A Design Guide
    (memory), whose 1.09 for r = 0.5 it gives; the closed form derived.

    Raises
    ------
    ValueError : a taper not above 0 and up to 1.
    """
    if not 0.0 < taper <= 1.0:
        raise ValueError(f"taper: found {taper:g}, expected above 0 and at most 1")
    c = 1.0 - taper
    if c < 0.05:  # the closed form loses its digits; this is the integral's series
        return sum(2.0 * c**n / (n + 3) for n in range(12))
    return 2.0 / c**3 * (-math.log(taper) - 1.5 + 2.0 * taper - taper**2 / 2.0)


def taper_peak(taper: float) -> float:
    """Greatest strain along a tapered arm over that at its root: 1 / (4 r (1 - r)) below r = 0.5, else 1.

    Of (1 - s) / (1 - c s)^2, greatest at s = 2 - 1 / c. Derived; it is what makes the guide's comparison of a
    taper to 30 per cent with a plain arm (page 2, verified) come out.
    """
    return 1.0 / (4.0 * taper * (1.0 - taper)) if taper < 0.5 else 1.0


def fillet_factor(fillet_mm: float, thickness_mm: float) -> float:
    """Stress at the rounded inner corner of a root over the plain sum, at least 1.

    0.907 (r / h)^-0.333, a shoulder three times as deep in bending, fitted for r / h from 0.025 to 0.3. Source:
    Norton, Machine Design, appendix on stress concentration (memory).
    """
    need(thickness_mm=thickness_mm)
    share = max(fillet_mm / thickness_mm, 0.025)
    return float(max(1.0, 0.9072 * share**-0.33333))


def root_give(length_mm: float, thickness_mm: float, poisson: float) -> float:
    """Bending at the end that a solid root's own give and shear take over, over that of the arm alone, 0 and up.

    The root turns by 16.67 / pi M / (E b h^2) (O'Donnell, a beam on a half plane; memory), 1.33 h / l; shear adds
    0.6 (1 + nu) (h / l)^2 (Timoshenko; memory). For an arm that does not taper.
    """
    slender = thickness_mm / length_mm
    return 16.67 / math.pi / 4.0 * slender + 0.6 * (1.0 + poisson) * slender**2


def cantilever(
    *,
    length_mm: float,
    thickness_mm: float,
    width_mm: float,
    undercut_mm: float,
    lead_deg: float,
    back_deg: float,
    friction: float,
    modulus_mpa: float,
    tip_mm: float | None = None,
    fillet_mm: float | None = None,
    poisson: float = 0.38,
) -> Demand:
    """An arm bent by its undercut. thickness at the root, tip at the end, in the direction of bending.

    strain = y h / (K l^2) times `taper_peak`; P = b h^2 / 6 E eps_root / l; push and pull by `slide_factor` of the
    lead and back faces. Source: the design guide (memory for P, page 14 verified for the slide).

    The handbook's arm has a root that gives no way: a real one is softer and bends less (`root_give`, in
    force_low), so strain errs to the safe side. strain_high has the root's inner corner in it; without a fillet
    half of the thickness is assumed. A broad arm is stiffer by up to 1 / (1 - nu^2): force_high.

    Raises
    ------
    ValueError : a length or modulus not above 0, a tip thicker than the root.
    """
    need(length_mm=length_mm, thickness_mm=thickness_mm, width_mm=width_mm)
    need(undercut_mm=undercut_mm, modulus_mpa=modulus_mpa)
    taper = 1.0 if tip_mm is None else tip_mm / thickness_mm
    root = undercut_mm * thickness_mm / (taper_factor(taper) * length_mm**2)
    strain = root * taper_peak(taper)
    clamp = width_mm * thickness_mm**2 / 6.0 * modulus_mpa * root / length_mm
    push, pull = slid(clamp, friction, lead_deg), slid(clamp, friction, back_deg)
    corner = fillet_factor(thickness_mm / 2.0 if fillet_mm is None else fillet_mm, thickness_mm)
    notes = [Note("handbook sum; a root that gives way bends less and pushes less", "memory")]
    if taper < 0.5:
        notes.append(
            Note("tapers to under half: the greatest strain is along the arm, not at its root", "derived")
        )
    if fillet_mm is None:
        notes.append(Note("the root's inner corner is taken as rounded by half of the thickness", "assumed"))
    if undercut_mm > 0.3 * length_mm:
        notes.append(
            Note("bent by over 0.3 of its length: straight-beam sums are rough there", "common practice")
        )
    if thickness_mm > length_mm / 5.0:
        notes.append(
            Note("shorter than five thicknesses: no slender arm, take the sum as rough", "common practice")
        )
    if push is None:
        notes.append(
            Note("the lead face is too steep for this friction: it locks and cannot be pushed in", "verified")
        )
    if pull is None:
        notes.append(
            Note("the back face locks: it comes off only by being bent by hand, or broken", "verified")
        )
    return Demand(
        "cantilever",
        strain,
        max(strain, root * corner),
        root,
        clamp / undercut_mm,
        push,
        pull,
        undercut_mm,
        tuple(notes),
        force_low=1.0 / (1.0 + root_give(length_mm, thickness_mm, poisson)),
        force_high=1.0 / (1.0 - poisson**2),
    )


def arm_length_for(
    strain: float, *, thickness_mm: float, undercut_mm: float, tip_mm: float | None = None
) -> float:
    """Length of an arm that gives a strain, mm: l^2 = y h peak / (K eps)."""
    need(strain=strain)
    taper = 1.0 if tip_mm is None else tip_mm / thickness_mm
    return math.sqrt(undercut_mm * thickness_mm * taper_peak(taper) / (taper_factor(taper) * strain))


def arm_thickness_for(strain: float, *, length_mm: float, undercut_mm: float, taper: float = 1.0) -> float:
    """Thickness at the root that gives a strain, mm: h = K eps l^2 / (y peak)."""
    need(undercut_mm=undercut_mm)
    return taper_factor(taper) * strain * length_mm**2 / (undercut_mm * taper_peak(taper))


def arm_undercut_for(
    strain: float, *, length_mm: float, thickness_mm: float, tip_mm: float | None = None
) -> float:
    """Undercut that gives a strain, mm: y = K eps l^2 / (h peak)."""
    need(thickness_mm=thickness_mm)
    taper = 1.0 if tip_mm is None else tip_mm / thickness_mm
    return taper_factor(taper) * strain * length_mm**2 / (thickness_mm * taper_peak(taper))
