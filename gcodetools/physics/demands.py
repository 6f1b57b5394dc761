"""What a load asks of a part, and the force that slides one face over another.

Lengths mm, angles degrees, MPa, N. Strain is a share, 0.01 for one per cent. Every statement carries a flag:
`verified` read in the source named, `second-hand`, `memory`, `common practice` without a source, `derived` here
and checked by numbers in the tests, `assumed`.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gcodetools.records import dataclass

__all__ = ["Demand", "Flag", "Note", "locks", "need", "slid", "slide_factor"]

F8 = NDArray[np.float64]
Bool = NDArray[np.bool_]
Flag = Literal["verified", "second-hand", "memory", "common practice", "derived", "assumed"]


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence about a sum, and what it rests on."""

    text: str
    flag: Flag


@dataclass(frozen=True, slots=True)
class Demand:
    """What a load asks of a part.

    strain : greatest tension at the surface in the direction of bending, best estimate. strain_high : with what
    may come on top, as the notes say. strain_plain : the handbook's sum with nothing added.
    across, across_high : greatest stress on the faces between layers of a part that is printed standing, beside
    what bends, over the modulus; 0 where the load has none. Tension with the shear of a twist in it.
    twist_strain : shear strain at the surface of a ring put on crooked.
    stiffness_n_per_mm : clamping force over opening. force_low, force_high : shares, at most and at least 1, on
    stiffness, push and pull for what the model leaves out.
    push_n, pull_n : force to put together and to take apart; None where it locks.
    opening_mm : undercut, opening of the mouth, interference or squeeze (below 0: play).
    printed : share of the handbook's forces that rough printed faces keep. area_mm2 : of the faces that clamp.
    """

    kind: str
    strain: float
    strain_high: float
    strain_plain: float
    stiffness_n_per_mm: float
    push_n: float | None
    pull_n: float | None
    opening_mm: float
    notes: tuple[Note, ...]
    across: float = 0.0
    across_high: float = 0.0
    twist_strain: float = 0.0
    force_low: float = 1.0
    force_high: float = 1.0
    printed: float = 1.0
    area_mm2: float = 0.0

    @property
    def clamp_n(self) -> float:
        """Force across the joint at full opening, N; of a ring on each lip."""
        return self.stiffness_n_per_mm * max(self.opening_mm, 0.0)

    @property
    def pressure_mpa(self) -> float | None:
        """Between the faces that clamp; None where the load has none."""
        return self.clamp_n / self.area_mm2 if self.area_mm2 > 0.0 else None


def need(**numbers: float) -> None:
    """Lets only numbers pass that are above 0 and finite.

    Raises
    ------
    ValueError : names the first that is not.
    """
    for name, value in numbers.items():
        if not (np.isfinite(value) and value > 0.0):
            raise ValueError(f"{name}: found {value:g}, expected a number above 0")


def slide_factor(friction: ArrayLike, face_deg: ArrayLike) -> F8:
    """Force along the way over force across it, for a face at an angle to the way.

    (mu + tan a) / (1 - mu tan a) = tan(a + atan mu). Source: Snap-Fit Joints for Plastics, A Design Guide,
    page 14 (verified). The same with the angle of the back face for taking apart.

    Parameters
    ----------
    friction, face_deg : any shapes that broadcast; face_deg 0 to 90.

    Returns
    -------
    NaN where it locks (`locks`), never infinite.
    """
    angle = np.radians(np.asarray(face_deg, np.float64)) + np.arctan(np.asarray(friction, np.float64))
    locked = locks(friction, face_deg)
    factor: F8 = np.tan(np.where(locked, np.nan, angle))
    return factor


def locks(friction: ArrayLike, face_deg: ArrayLike) -> Bool:
    """Whether no force along the way slides the face: mu tan a >= 1, a >= 90 - atan mu degrees (derived)."""
    angle = np.asarray(face_deg, np.float64) + np.degrees(np.arctan(np.asarray(friction, np.float64)))
    locked: Bool = angle >= 90.0 - 1e-9
    return locked


def slid(clamp_n: float, friction: float, face_deg: float) -> float | None:
    """Force along the way for a force across it, N; None where it locks."""
    factor = float(slide_factor(friction, face_deg))
    return None if np.isnan(factor) else clamp_n * factor
