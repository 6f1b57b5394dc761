"""An open ring or slotted sleeve that is pushed sideways onto a round bar.

The ring is a thin curved beam in its own plane, symmetric about the middle of its gap; angles count from there,
so that the arms run from g (half of the gap) to 180 degrees, the back. R mean radius, t wall, L height along the
axis, r radius of the bar. A lip is touched at its bore edge, which is taken as sharp.

All closed forms here are derived; the tests check them against quadrature, a frame of straight beams, a beam of
large deflections and a shell.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from gcodetools.physics.demands import Demand, Note, need
from gcodetools.records import dataclass

__all__ = [
    "Sleeve",
    "arm_twist",
    "open_ring",
    "ring_gap_for",
    "ring_mouth_mm",
    "ring_opening_factor",
    "ring_strain",
    "ring_wall_for",
    "sleeve",
    "tilt_difference_mm",
    "winkler",
]

F8 = NDArray[np.float64]
_STEPS = 721  # along an arm, and over the bar's way through the mouth


def ring_opening_factor(half_deg: float) -> float:
    """G of an opening delta = P R^3 / (E I) G under forces P at the ends, along the chord of the gap.

    G = (pi - g) (2 + cos 2g) + 1.5 sin 2g; 3 pi for a slit ring. Derived from M = P R (cos g - cos phi).
    """
    g = math.radians(half_deg)
    return (math.pi - g) * (2.0 + math.cos(2.0 * g)) + 1.5 * math.sin(2.0 * g)


def ring_strain(opening_mm: float, radius_mm: float, wall_mm: float, half_deg: float) -> float:
    """Strain at the back of a thin ring whose ends are opened by `opening_mm` along the chord.

    eps = delta t (1 + cos g) / (2 R^2 G). Derived.
    """
    g = ring_opening_factor(half_deg)
    return opening_mm * wall_mm * (1.0 + math.cos(math.radians(half_deg))) / (2.0 * radius_mm**2 * g)


def ring_mouth_mm(bore_mm: float, gap_deg: float) -> float:
    """Width of the mouth between the bore edges of the lips: the chord under the gap, d sin(gap / 2)."""
    return bore_mm * math.sin(math.radians(gap_deg) / 2.0)


def winkler(radius_over_wall: float) -> tuple[float, float]:
    """Stress at the bore and at the outside of a curved bar of rectangular section, over that of a straight one.

    With the neutral axis at r_n = t / ln(r_o / r_i) and e = R - r_n, sigma = M (r_n - r) / (A e r). Source:
    Winkler and Bach as in handbooks of stress, e.g. Timoshenko, Strength of Materials II (memory).

    Raises
    ------
    ValueError : a ratio of 0.5 or less, which has no bore.
    """
    if not radius_over_wall > 0.5:
        raise ValueError(f"radius_over_wall: found {radius_over_wall:g}, expected above 0.5")
    inner, outer = radius_over_wall - 0.5, radius_over_wall + 0.5
    neutral = 1.0 / math.log(outer / inner)
    shift = 6.0 * (radius_over_wall - neutral)
    return (neutral - inner) / (shift * inner), (outer - neutral) / (shift * outer)


@dataclass(frozen=True, slots=True)
class Sleeve:
    """What the height of a sleeve does to it. modulus : effective over plain, 1 to 1 / (1 - nu^2). across :
    stress along the axis at half height over E, over the strain of bending. hoop : strain at half height over
    that of a beam; the ends have less."""

    modulus: float
    across: float
    hoop: float


def sleeve(radius_mm: float, wall_mm: float, height_mm: float, poisson: float) -> Sleeve:
    """How far a sleeve's height keeps it from bending crosswise.

    A bar that is bent curves the other way across its width; in a sleeve the hoop stiffness hinders that, over a
    length of about sqrt(R t): D w'''' + E t w / R^2 = 0 along the axis with ends free of D (w'' + nu kappa) and of
    shear. With theta = L (3 (1 - nu^2))^(1/4) / sqrt(R t) and a = theta / 2:
    modulus (1 - nu^2 f) / (1 - nu^2), f = 2 / theta (cosh theta - cos theta) / (sinh theta + sin theta);
    across nu (1 - h) / (1 - nu^2), h = 2 (cosh a sin a + sinh a cos a) / (sinh theta + sin theta). Derived.
    """
    need(radius_mm=radius_mm, wall_mm=wall_mm, height_mm=height_mm)
    root = math.sqrt(3.0 * (1.0 - poisson**2))
    theta = min(height_mm * math.sqrt(root / (radius_mm * wall_mm)), 200.0)
    a = theta / 2.0
    below = math.sinh(theta) + math.sin(theta)
    f = 2.0 / theta * (math.cosh(theta) - math.cos(theta)) / below
    grow, turn = math.cosh(a) * math.sin(a), math.sinh(a) * math.cos(a)
    h = 2.0 * (grow + turn) / below
    # B / A of w'' = A cosh cos + B sinh sin, times h; w / R at half height over kappa t / 2.
    bulge = 2.0 * (grow - turn) / below * poisson / root
    stiff = 1.0 - poisson**2
    return Sleeve((1.0 - poisson**2 * f) / stiff, poisson * (1.0 - h) / stiff, 1.0 + bulge)


def tilt_difference_mm(half_mouth_mm: float, bar_mm: float, ahead_mm: float) -> float:
    """Greatest difference between the openings at the two ends of a ring, one end `ahead_mm` before the other.

    A bar of radius r that has x to go to its widest holds lips of half mouth c open by 2 (sqrt(r^2 - x^2) - c);
    it touches them at x0 = sqrt(r^2 - c^2). The opening is concave in x, so the difference is greatest when the
    later end just touches: x = x0 - ahead, and the whole opening from ahead = x0 on. Derived.
    """
    r, c = bar_mm / 2.0, half_mouth_mm
    if c >= r or ahead_mm <= 0.0:
        return 0.0
    ahead = min(ahead_mm, math.sqrt(r * r - c * c))
    to_go = math.sqrt(r * r - c * c) - ahead
    return 2.0 * (math.sqrt(r * r - to_go * to_go) - c)


def arm_twist(
    phi: F8, difference_mm: float, radius_mm: float, height_mm: float, half_deg: float, poisson: float
) -> F8:
    """Twist along an arm whose lip is opened by `difference_mm` / 2 more at one end of the ring than at the other.

    Slices of the ring turn by omega = z psi(phi); their bending (E t^3 / 12 per height) is linear in z, the twist
    between them costs G t^3 / 3. Least energy with the given lip: psi'' - l^2 psi = -c sin phi with psi = 0 at the
    back, psi' = 0 at the lip, l^2 = 24 / (1 + nu) (R / L)^2; so psi = k (sin phi + B sinh l (pi - phi)),
    B = cos g / (l cosh l (pi - g)), k from int psi R sin phi d phi = difference / (2 L). Derived: no stretching,
    thin wall; a shell agrees within 4 per cent.

    Returns
    -------
    psi at each phi (radians), 1/mm. The shear strain at the surface is t psi.
    """
    need(radius_mm=radius_mm, height_mm=height_mm)
    g = math.radians(half_deg)
    arc, sine, cosine = math.pi - g, math.sin(g), math.cos(g)
    rate = math.sqrt(24.0 / (1.0 + poisson)) * radius_mm / height_mm
    x = rate * (np.pi - phi)
    # sinh x / cosh (rate arc), written so that a flat ring's exponents stay finite.
    grown = np.exp(x - rate * arc) * (1.0 - np.exp(-2.0 * x)) / (1.0 + math.exp(-2.0 * rate * arc))
    lip = (rate * sine + math.tanh(rate * arc) * cosine) / (rate * rate + 1.0)
    weight = arc / 2.0 + math.sin(2.0 * g) / 4.0 + cosine / rate * lip
    twist: F8 = difference_mm / (2.0 * height_mm * radius_mm * weight) * (np.sin(phi) + cosine / rate * grown)
    return twist


@dataclass(frozen=True, slots=True)
class _Pass:
    """The ring while a bar goes through its mouth: columns over the bar's way. reach : lever of the back.
    give : opening per unit of force, (E I / 2R). lip_q : force along the way over that across it."""

    opening_mm: F8
    lip_q: F8
    reach_mm: F8
    give_mm2: F8


def _passing(bore: float, half: float, radius: float, bar: float, friction: float, sign: float) -> _Pass:
    """sign 1: pushed in, the lips are dragged towards the back; -1: pulled out.

    Forces at the lip's bore edge (a, b) = r_i (cos g, sin g): M = F_y [(a - R cos phi) + q (b - R sin phi)],
    opening = 2 R F_y / (E I) (C_yy + q C_xy), the C integrals of products of the levers over an arm. The contact
    stands at beta to the chord, cos beta = half opening of the lips over r, and q = tan(beta + atan mu).
    """
    g = math.radians(half)
    arc, sine, cosine = math.pi - g, math.sin(g), math.cos(g)
    a, b = bore / 2.0 * cosine, bore / 2.0 * sine
    yy = a * a * arc + 2.0 * a * radius * sine + radius**2 * (arc / 2.0 - math.sin(2.0 * g) / 4.0)
    xy = a * b * arc - a * radius * (1.0 + cosine) + b * radius * sine - radius**2 * sine**2 / 2.0
    beta = np.linspace(0.0, math.acos(min(1.0, 2.0 * b / bar)), _STEPS)[:-1]
    angle = beta + math.atan(friction)
    q = sign * np.tan(np.where(angle < math.pi / 2.0, angle, np.nan))
    return _Pass(bar * np.cos(beta) - 2.0 * b, q, a + radius + q * b, yy + q * xy)


def open_ring(
    *,
    bore_mm: float,
    gap_deg: float,
    onto_mm: float,
    wall_mm: float,
    height_mm: float,
    friction: float,
    modulus_mpa: float,
    tilt_deg: float = 0.0,
    poisson: float = 0.38,
) -> Demand:
    """An open ring pushed sideways onto a bar; gap_deg is all of the open angle.

    strain_plain is `ring_strain` of the opening. strain is the greatest on the bar's way through the mouth, at
    the bore of the back: forces act at the lips' bore edges, which turn inwards as the arms open, with the
    contact's own direction and friction; the curvature of the wall (`winkler`), the hoop force and the middle of
    the height (`sleeve`) are in it. strain_high has a bar that leans sideways by the tilt, so that its section is
    an ellipse d / cos tilt wide. across: stress along the axis of a tall sleeve, and with a tilt along the
    push, one end ahead by L tan tilt, the shear of the twisted arms (`arm_twist`) with it; on the faces between
    the layers of a standing ring its equivalent strain is tau / E = gamma / (2 (1 + nu)).

    Forces are of both lips together, along the push: twice the clamp times q, its greatest on the way. Derived.

    Raises
    ------
    ValueError : a length or modulus not above 0, a gap not between 0 and 360, a tilt not from 0 to below 90.
    """
    need(bore_mm=bore_mm, onto_mm=onto_mm, wall_mm=wall_mm, height_mm=height_mm, modulus_mpa=modulus_mpa)
    if not (0.0 < gap_deg < 360.0 and 0.0 <= tilt_deg < 90.0):
        raise ValueError(f"gap, tilt: found {gap_deg:g}, {tilt_deg:g}, expected 0 to 360 and 0 to 90 degrees")
    half, radius = gap_deg / 2.0, (bore_mm + wall_mm) / 2.0
    mouth = ring_mouth_mm(bore_mm, gap_deg)
    tall = sleeve(radius, wall_mm, height_mm, poisson)
    opening = onto_mm - mouth
    rigid = tall.modulus * modulus_mpa * height_mm * wall_mm**3 / 12.0 / (2.0 * radius)
    if opening <= 0.0:
        free = Note(f"the bar passes through the mouth of {mouth:.2f} mm: nothing is bent", "derived")
        still = _passing(bore_mm, half, radius, mouth * (1.0 + 1e-9), 0.0, 1.0)
        return Demand("open_ring", 0.0, 0.0, 0.0, rigid / float(still.give_mm2[0]), 0.0, 0.0, 0.0, (free,))
    inward = _passing(bore_mm, half, radius, onto_mm, friction, 1.0)
    outward = _passing(bore_mm, half, radius, onto_mm, friction, -1.0)
    best, bent = _strains(inward, radius, wall_mm, tall)
    wide = onto_mm / math.cos(math.radians(tilt_deg))
    high, bent_high = _strains(_passing(bore_mm, half, radius, wide, friction, 1.0), radius, wall_mm, tall)
    ahead = height_mm * math.tan(math.radians(tilt_deg))
    difference = tilt_difference_mm(mouth / 2.0, onto_mm, ahead)
    phi = np.linspace(math.radians(half), math.pi, _STEPS)
    sheared = wall_mm * np.abs(arm_twist(phi, difference, radius, height_mm, half, poisson))
    across = [_across(phi, strain, sheared, half, tall, poisson) for strain in (bent, bent_high)]
    return Demand(
        "open_ring",
        best,
        high,
        ring_strain(opening, radius, wall_mm, half),
        rigid / float(inward.give_mm2[0]),
        _greatest(inward, rigid),
        _greatest(outward, rigid),
        opening,
        tuple(_said(radius / wall_mm, gap_deg, tilt_deg, difference / opening, inward, outward)),
        across[0],
        across[1],
        float(sheared.max()),
        0.9,
        1.1,
    )


def _strains(way: _Pass, radius: float, wall: float, tall: Sleeve) -> tuple[float, float]:
    """Greatest strain at the bore of the back, and that of bending alone (no curvature of the wall). A ring that
    jams is taken at the widest place, as if it had got there."""
    used = slice(0, 1) if _jams(way) else slice(None)
    reach = way.reach_mm[used]
    bent = way.opening_mm[used] * wall * reach / (4.0 * radius * np.abs(way.give_mm2[used]))
    whole = bent * (winkler(radius / wall)[0] * tall.hoop + wall / (6.0 * reach))
    return float(whole.max()), float(bent.max())


def _jams(way: _Pass) -> bool:
    """No force along the way opens the lips somewhere: friction holds them, or they close as they are pushed."""
    return not bool((way.give_mm2 > 0.0).all())


def _across(phi: F8, strain: float, sheared: F8, half: float, tall: Sleeve, poisson: float) -> float:
    """Greatest principal tension of the stress along the axis and the shear of the twist, over E."""
    g = math.radians(half)
    along = tall.across * strain * np.clip((math.cos(g) - np.cos(phi)) / (1.0 + math.cos(g)), 0.0, None)
    shear = sheared / (2.0 * (1.0 + poisson))
    return float(np.max(along / 2.0 + np.hypot(along / 2.0, shear)))


def _greatest(way: _Pass, rigid: float) -> float | None:
    """Force of both lips along the bar's way; None where they jam before the bar is through."""
    if _jams(way):
        return None
    return float(np.max(2.0 * np.abs(way.lip_q) * way.opening_mm / way.give_mm2) * rigid)


def _said(curve: float, gap: float, tilt: float, share: float, inward: _Pass, outward: _Pass) -> list[Note]:
    notes = [
        Note(
            "ring as a curved beam with its forces at the lips' bore edges; large openings come out up to 8 % high",
            "derived",
        ),
        Note("lips are taken as sharp: a flare or a round one lowers the push", "assumed"),
    ]
    if curve < 2.0:
        notes.append(
            Note("the wall is over half of the mean radius: no thin ring, take the sum as rough", "derived")
        )
    if gap >= 180.0:
        notes.append(
            Note("the ring reaches no further than half way round: it holds nothing by its shape", "derived")
        )
    for way, what in ((inward, "push on"), (outward, "pull off")):
        if _greatest(way, 1.0) is None:
            notes.append(Note(f"with sharp lips and this friction the {what} jams: it locks", "derived"))
    if tilt > 0.0:
        notes += [
            Note(
                f"put on {tilt:g} degrees crooked: the later end opens by up to {100 * share:.0f} % less, which "
                "twists the arms and shears the layers of a standing ring; shear is weighed like tension",
                "derived",
            ),
            Note(
                "leaning sideways widens the bar's section; the ring is taken to turn with the bar", "assumed"
            ),
        ]
    return notes


def ring_wall_for(
    strain: float, *, bore_mm: float, gap_deg: float, onto_mm: float, friction: float = 0.3
) -> float | None:
    """Wall that gives a strain (as `Demand.strain` of a flat ring), mm; None where none under the bore does.

    Found by halving: strain rises with the wall.
    """
    return _halved(
        lambda wall: _flat_strain(bore_mm, gap_deg, onto_mm, wall, friction), strain, 1e-3 * bore_mm, bore_mm
    )


def ring_gap_for(
    strain: float, *, bore_mm: float, onto_mm: float, wall_mm: float, friction: float = 0.3
) -> float | None:
    """Gap that gives a strain (as `Demand.strain` of a flat ring), whole angle in degrees, up to 180; None where
    none does. Found by halving: strain falls as the gap grows. `ring_mouth_mm` tells its mouth."""
    return _halved(lambda gap: -_flat_strain(bore_mm, gap, onto_mm, wall_mm, friction), -strain, 1.0, 180.0)


def _flat_strain(bore: float, gap: float, onto: float, wall: float, friction: float) -> float:
    if onto <= ring_mouth_mm(bore, gap):
        return 0.0
    radius = (bore + wall) / 2.0
    way = _passing(bore, gap / 2.0, radius, onto, friction, 1.0)
    if _jams(way):
        return math.inf
    return _strains(way, radius, wall, Sleeve(1.0, 0.0, 1.0))[0]


def _halved(rising: Callable[[float], float], wanted: float, low: float, high: float) -> float | None:
    if not rising(low) <= wanted <= rising(high):
        return None
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if rising(middle) < wanted else (low, middle)
    return (low + high) / 2.0
