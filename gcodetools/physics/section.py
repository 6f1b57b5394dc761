"""Sections that bend: second moments of beads, moduli of laid roads, sums over a section.

A bead is a rectangle with half-round ends (`toolpath.beads.bead_area_mm2`); that a laid bead has this shape is
common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.toolpath.beads import bead_area_mm2

__all__ = [
    "Moduli",
    "Section",
    "assembled",
    "bead_moments_mm4",
    "full_pitch_mm",
    "off_axis_mpa",
    "road_moduli",
    "touching_void",
]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]


def full_pitch_mm(width_mm: F8, height_mm: F8) -> F8:
    """Distance of beads that leave no void, area over height: w - h (1 - pi / 4). Closed form, derived."""
    pitch: F8 = bead_area_mm2(width_mm, height_mm) / height_mm
    return pitch


def touching_void(width_mm: F8, height_mm: F8) -> F8:
    """Share of void between beads that just touch, (1 - pi / 4) h / w. Closed form, derived."""
    void: F8 = (1.0 - np.pi / 4) * height_mm / width_mm
    return void


def bead_moments_mm4(width_mm: F8, height_mm: F8) -> tuple[F8, F8]:
    """Second moments of a bead's section about its own centroid, mm4: about the axis that lies in the layer, and
    about the upright one, which counts when a wall bends in the plane of its layers.

    Closed forms of the shape, derived: (w - h) h^3 / 12 + pi h^4 / 64, and h (w - h)^3 / 12
    + 2 [(pi / 8 - 8 / (9 pi)) r^4 + (pi r^2 / 2) ((w - h) / 2 + 4 r / (3 pi))^2] with r = h / 2. A bead that is
    narrower than high has no such shape; it counts as an ellipse of its area.
    """
    flat, r = width_mm - height_mm, height_mm / 2
    about_flat = flat * height_mm**3 / 12 + np.pi * height_mm**4 / 64
    end = (np.pi / 8 - 8 / (9 * np.pi)) * r**4 + np.pi * r**2 / 2 * (flat / 2 + 4 * r / (3 * np.pi)) ** 2
    about_upright = height_mm * flat**3 / 12 + 2 * end
    area = np.maximum(bead_area_mm2(width_mm, height_mm), 0.0)
    narrow = flat < 0
    return (
        np.where(narrow, area * height_mm**2 / 16, about_flat),
        np.where(narrow, area * width_mm**2 / 16, about_upright),
    )


@dataclass(frozen=True, slots=True)
class Moduli:
    """Stiffness of laid roads: along them, across them in the layer, in shear between the two, MPa, and Poisson's
    ratio of a pull along them. Columns of one shape, or plain numbers."""

    along_mpa: F8
    across_mpa: F8
    shear_mpa: F8
    poisson: F8


def road_moduli(modulus_mpa: float | F8, poisson: float | F8, void: float | F8) -> Moduli:
    """Moduli of parallel roads over their gross area, voids counted in.

    E1 = (1 - r) E, E2 = (1 - sqrt r) E, G12 = G (1 - r)(1 - sqrt r) / ((1 - r) + (1 - sqrt r)), nu12 = (1 - r) nu,
    r the share of void: Rodriguez, Thomas, Renaud 2003, Rapid Prototyping Journal 9(4):219, from memory.

    Parameters
    ----------
    modulus_mpa, poisson : of the plastic, isotropic. void : 0 to 1.
    """
    e, nu, r = (np.asarray(v, np.float64) for v in (modulus_mpa, poisson, void))
    kept, joined = 1.0 - r, 1.0 - np.sqrt(r)
    shear = e / (2 * (1 + nu)) * kept * joined / (kept + joined)
    return Moduli(kept * e, joined * e, shear, kept * nu)


def off_axis_mpa(moduli: Moduli, angle_rad: F8) -> F8:
    """Modulus in a direction at an angle to the roads:
    1 / Ex = c^4 / E1 + s^4 / E2 + (1 / G12 - 2 nu12 / E1) s^2 c^2.

    The laminate formula of one layer free to shear (R. M. Jones, Mechanics of Composite Materials, from memory);
    held between others it is stiffer, so this is the low side.
    """
    cc, ss = np.cos(angle_rad) ** 2, np.sin(angle_rad) ** 2
    mixed = 1.0 / moduli.shear_mpa - 2.0 * moduli.poisson / moduli.along_mpa
    result: F8 = 1.0 / (cc**2 / moduli.along_mpa + ss**2 / moduli.across_mpa + mixed * ss * cc)
    return result


@dataclass(frozen=True, slots=True)
class Section:
    """Sections put together of parts, columns (g,). area_mm2. ea_n : stiffness in tension. centroid_mm : of the
    stiffness, where `at_mm` counts from. ei_nmm2 : bending stiffness about it. low_mm, high_mm : outer edges. An
    empty group has area 0 and NaN otherwise."""

    area_mm2: F8
    ea_n: F8
    centroid_mm: F8
    ei_nmm2: F8
    low_mm: F8
    high_mm: F8

    @property
    def thickness_mm(self) -> F8:
        """(g,) outer edge to outer edge."""
        return self.high_mm - self.low_mm

    @property
    def reach_mm(self) -> F8:
        """(g,) distance of the outermost fibre from the centroid."""
        return np.maximum(self.high_mm - self.centroid_mm, self.centroid_mm - self.low_mm)

    def modulus_mm3(self, modulus_mpa: float | F8) -> F8:
        """(g,) section modulus of the transformed section, EI / (E reach): a moment over it is the stress that
        plastic of that modulus has in the outermost fibre."""
        result: F8 = self.ei_nmm2 / (modulus_mpa * self.reach_mm)
        return result


def assembled(
    modulus_mpa: float | F8,
    area_mm2: F8,
    own_mm4: F8,
    at_mm: F8,
    half_mm: float | F8 = 0.0,
    group: I8 | None = None,
    groups: int | None = None,
) -> Section:
    """Transformed sections: EA = sum E A, EI = sum E (I + A d^2) about the centroid of E A.

    The textbook sum for parts joined so that plane sections stay plane.

    Parameters
    ----------
    modulus_mpa, area_mm2, own_mm4, at_mm : (n,) of the parts; own about the part's centroid, which is at `at`.
    half_mm : how far a part reaches to either side of its centroid. group : (n,) section of each part; None for
    one section of all. groups : how many there are.

    Raises
    ------
    ValueError : columns of unlike lengths.
    """
    area = np.asarray(area_mm2, np.float64)
    n = len(area)
    e, half = np.broadcast_to(modulus_mpa, n), np.broadcast_to(half_mm, n)
    if not n == len(own_mm4) == len(at_mm) or (group is not None and len(group) != n):
        raise ValueError("every column needs one value a part")
    which = np.zeros(n, np.int64) if group is None else group
    count = groups if groups is not None else (int(which.max()) + 1 if n else 1)

    def total(value: F8) -> F8:
        return np.bincount(which, value, minlength=count).astype(np.float64)

    ea = total(e * area)
    with np.errstate(divide="ignore", invalid="ignore"):
        centroid = total(e * area * at_mm) / ea
    off = at_mm - centroid[which]
    ei = total(e * (own_mm4 + area * off**2))
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, which, at_mm - half)
    np.maximum.at(high, which, at_mm + half)
    empty = ~np.isfinite(low)
    low[empty], high[empty], ei[empty] = np.nan, np.nan, np.nan
    return Section(total(area), ea, centroid, ei, low, high)
