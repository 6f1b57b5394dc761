"""Closed rings over a bead, pins in hubs and keys in slots.

Lengths mm, MPa, N. In all of these the opening is given by the geometry, so strain does not depend on the modulus
(of a hub on a pin of the same plastic neither) and forces are linear in it.
"""

from __future__ import annotations

import math
from typing import Literal

from gcodetools.physics.demands import Demand, Note, need, slid

__all__ = [
    "annular",
    "annular_far_factor",
    "annular_rigidity",
    "annular_tube_rigidity",
    "annular_undercut_for",
    "holds_to_deg",
    "key",
    "key_squeeze_for",
    "press",
    "press_interference_for",
    "press_pressure",
]

Mate = Literal["same", "rigid"]
_PRINTED = 0.5  # of the force, for rough faces; common practice, no source
_TESTED = 3.0  # measured at most, over a joint at the end; design guide, page 22 (verified)


def annular_rigidity(diameter_mm: float, outer_mm: float, poisson: float) -> float:
    """X of P = y d E X, a hub that gives way on a rigid shaft at the hub's end.

    X = 0.62 sqrt[(D/d - 1) / (D/d + 1)] / {[(D/d)^2 + 1] / [(D/d)^2 - 1] + nu}. Source: the design guide's annular
    joints (memory; for the shaft's form, page 22, second-hand, whose copy has lost the root's sign).
    """
    k = _ratio(diameter_mm, outer_mm)
    return 0.62 * math.sqrt((k - 1.0) / (k + 1.0)) / ((k * k + 1.0) / (k * k - 1.0) + poisson)


def annular_tube_rigidity(diameter_mm: float, outer_mm: float, poisson: float) -> float:
    """X of P = y d E X for a thin tube that is loaded around its end: pi t / (lambda d d_m), d_m at mid-wall.

    A beam on an elastic foundation, lambda^4 = 3 (1 - nu^2) / (R t)^2 with R at mid-wall. Source: Hetenyi, Beams on
    Elastic Foundation (memory); the form derived. For walls up to a tenth of the diameter 1.5 to 1.7 times
    `annular_rigidity`.
    """
    _ratio(diameter_mm, outer_mm)
    wall = (outer_mm - diameter_mm) / 2.0
    return math.pi * wall / (_wave(diameter_mm, outer_mm, poisson) * diameter_mm * (diameter_mm + wall))


def annular_far_factor(end_mm: float, diameter_mm: float, outer_mm: float, poisson: float) -> float:
    """Stiffness of a tube loaded at a distance from its end over that at the end, 1 to 4.

    4 / [1 + (C + 2 D) A - 2 (C + D) B], x = lambda a, A = e^-x (cos x + sin x), B = e^-x sin x, C = e^-x (cos x -
    sin x), D = e^-x cos x. Derived from Hetenyi's end conditions. The design guide, page 22 (verified): from
    1.8 sqrt(d t) on four times in theory, at most three in tests.
    """
    x = max(end_mm, 0.0) * _wave(diameter_mm, outer_mm, poisson)
    fade, sine, cosine = math.exp(-min(x, 700.0)), math.sin(x), math.cos(x)
    a, b, c, d = fade * (cosine + sine), fade * sine, fade * (cosine - sine), fade * cosine
    return 4.0 / (1.0 + (c + 2.0 * d) * a - 2.0 * (c + d) * b)


def _wave(diameter: float, outer: float, poisson: float) -> float:
    wall = (outer - diameter) / 2.0
    return float((3.0 * (1.0 - poisson**2)) ** 0.25 / math.sqrt((diameter + wall) / 2.0 * wall))


def _ratio(diameter: float, outer: float) -> float:
    need(diameter=diameter, wall=outer - diameter)
    return outer / diameter


def annular(
    *,
    diameter_mm: float,
    outer_mm: float,
    undercut_mm: float,
    lead_deg: float,
    back_deg: float,
    friction: float,
    modulus_mpa: float,
    end_mm: float | None = None,
    poisson: float = 0.38,
) -> Demand:
    """A closed ring snapped over a bead of a rigid shaft; undercut on the diameter.

    strain = y / d around the bore. P = y d E X (`annular_rigidity`), away from the end times `annular_far_factor`,
    at most the 3 of tests. Source: the design guide (memory for X).

    across: the tube also bends along its axis. Loaded at the end, M = Q / lambda e^-x sin x is greatest at x = pi / 4,
    0.322 Q / lambda, and sigma / E = 0.322 sqrt(3 / (1 - nu^2)) of the hoop strain, 0.60 at nu 0.38; under a line
    load far from the end sqrt(3 / (1 - nu^2)), 1.87, which a bead of any breadth does not reach, so that only
    across_high goes towards it with the distance. Derived, thin tube; the share of the way is assumed.

    Raises
    ------
    ValueError : a length or modulus not above 0, an outer diameter not above the inner.
    """
    need(undercut_mm=undercut_mm, modulus_mpa=modulus_mpa)
    rigidity = annular_rigidity(diameter_mm, outer_mm, poisson)
    theory = annular_far_factor(end_mm or 0.0, diameter_mm, outer_mm, poisson)
    far = min(theory, _TESTED)
    stiffness = diameter_mm * modulus_mpa * rigidity * far
    high = annular_tube_rigidity(diameter_mm, outer_mm, poisson) / rigidity * theory / far
    strain = undercut_mm / diameter_mm
    at_end = math.exp(-math.pi / 4.0) * math.sin(math.pi / 4.0) * math.sqrt(3.0 / (1.0 - poisson**2))
    # The share of the way from the end to far away, by the stiffness it has.
    inside = (theory - 1.0) / 3.0
    notes = [
        Note("force by the handbook's factor; an end-loaded thin tube would take more", "memory"),
        Note("printed standing, the tube's bending along its axis pulls its layers apart too", "derived"),
    ]
    push = slid(stiffness * undercut_mm, friction, lead_deg)
    pull = slid(stiffness * undercut_mm, friction, back_deg)
    if inside > 0.0:
        notes.append(
            Note(f"{end_mm:g} mm from the end it is {far:.1f} times as stiff as at the end", "derived")
        )
    notes += _locked(push, pull)
    return Demand(
        "annular",
        strain,
        strain,
        strain,
        stiffness,
        push,
        pull,
        undercut_mm,
        tuple(notes),
        at_end * strain,
        (at_end + inside * (math.sqrt(3.0 / (1.0 - poisson**2)) - at_end)) * strain,
        0.0,
        1.0,
        max(1.0, high),
    )


def _locked(push: float | None, pull: float | None) -> list[Note]:
    notes = []
    if push is None:
        notes.append(
            Note("the lead face is too steep for this friction: it locks and cannot be pushed on", "verified")
        )
    if pull is None:
        notes.append(
            Note("the back face locks: it comes off only by being bent by hand, or broken", "verified")
        )
    return notes


def annular_undercut_for(strain: float, *, diameter_mm: float) -> float:
    """Undercut on the diameter that gives a strain, y = eps d, mm."""
    return strain * diameter_mm


def press_pressure(
    interference_mm: float,
    diameter_mm: float,
    outer_mm: float,
    inner_mm: float,
    modulus_mpa: float,
    poisson: float,
    pin: Mate,
) -> float:
    """Pressure between a pin and a hub, MPa.

    p = D / {d [((D_o^2 + d^2) / (D_o^2 - d^2) + nu) / E + ((d^2 + D_i^2) / (d^2 - D_i^2) - nu) / E]}, the second
    term 0 for a rigid pin; D the interference on the diameter. Source: Lame's thick rings, as in handbooks of
    machine design (memory); the tests put the pieces together again by numbers.
    """
    hub = _hub(diameter_mm, outer_mm) + poisson
    solid = (diameter_mm**2 + inner_mm**2) / (diameter_mm**2 - inner_mm**2) - poisson
    return interference_mm * modulus_mpa / (diameter_mm * (hub + (solid if pin == "same" else 0.0)))


def _hub(diameter: float, outer: float) -> float:
    k = _ratio(diameter, outer) ** 2
    return (k + 1.0) / (k - 1.0)


def press(
    *,
    diameter_mm: float,
    interference_mm: float,
    outer_mm: float,
    length_mm: float,
    friction: float,
    modulus_mpa: float,
    inner_mm: float = 0.0,
    pin: Mate = "same",
    poisson: float = 0.38,
) -> Demand:
    """A pin pressed into a hub, both of the region's plastic or the pin rigid; interference on the diameter, 0 or
    less where it is loose.

    strain: around the hub's bore, p / E [(D_o^2 + d^2) / (D_o^2 - d^2) + nu]. Push and pull mu p pi d L
    (`press_pressure`). Rough bores that are not round, yielding and relaxation take about half of the force: printed;
    and another half, force_low (common practice, no source).

    Raises
    ------
    ValueError : a length or modulus not above 0, diameters in the wrong order.
    """
    need(length_mm=length_mm, modulus_mpa=modulus_mpa, pin=diameter_mm - inner_mm)
    squeezed = _squeezed(interference_mm)
    unit = press_pressure(1.0, diameter_mm, outer_mm, inner_mm, modulus_mpa, poisson, pin)
    strain = unit * squeezed / modulus_mpa * (_hub(diameter_mm, outer_mm) + poisson)
    area = math.pi * diameter_mm * length_mm
    notes = (
        Note("stays strained for good: what the hub holds relaxes", "common practice"),
        Note(
            "printed bores are rough and not round: half of the plain sum's force is taken", "common practice"
        ),
        *_loose(interference_mm),
    )
    slide = friction * unit * squeezed * area
    return Demand(
        "press",
        strain,
        strain,
        strain,
        unit * area,
        slide,
        slide,
        interference_mm,
        notes,
        force_low=0.5,
        printed=_PRINTED,
        area_mm2=area,
    )


def _squeezed(interference: float) -> float:
    """Raises ValueError for no number."""
    if not math.isfinite(interference):
        raise ValueError(f"interference: found {interference:g}, expected a number")
    return max(interference, 0.0)


def _loose(interference: float) -> list[Note]:
    if interference > 0.0:
        return []
    play = f"{-interference:g} mm of play" if interference < 0.0 else "no squeeze"
    return [Note(f"drawn with {play}: nothing holds it but what comes out larger than drawn", "derived")]


def press_interference_for(
    strain: float,
    *,
    diameter_mm: float,
    outer_mm: float,
    inner_mm: float = 0.0,
    pin: Mate = "same",
    poisson: float = 0.38,
) -> float:
    """Interference on the diameter that gives a strain around the bore, mm."""
    unit = press_pressure(1.0, diameter_mm, outer_mm, inner_mm, 1.0, poisson, pin)
    return strain / (unit * (_hub(diameter_mm, outer_mm) + poisson))


def key(
    *,
    width_mm: float,
    squeeze_mm: float,
    height_mm: float,
    length_mm: float,
    friction: float,
    modulus_mpa: float,
    taper_deg: float = 0.0,
    slot: Mate = "same",
    poisson: float = 0.38,
) -> Demand:
    """A key squeezed in a slot, held in its length (plane strain); squeeze 0 or less where it is loose.

    p = E / (1 - nu^2) i / b in a rigid slot, half of it where the slot gives way as much; N = p times a flank's
    height and length. strain is the key's squeeze, a compression. Each flank at an angle a to the way: push
    2 N (mu cos a + sin a), pull 2 N (mu cos a - sin a), which holds by itself while tan a < mu. Derived. printed,
    force_low : as `press`, assumed to be so for flat faces too.

    Raises
    ------
    ValueError : a length or modulus not above 0.
    """
    need(width_mm=width_mm, height_mm=height_mm, length_mm=length_mm, modulus_mpa=modulus_mpa)
    squeezed = _squeezed(squeeze_mm)
    share = 0.5 if slot == "same" else 1.0
    strain = share * squeezed / width_mm
    area = height_mm * length_mm
    stiffness = modulus_mpa / (1.0 - poisson**2) * share / width_mm * area
    normal = stiffness * squeezed
    a = math.radians(taper_deg)
    grip = friction * math.cos(a) - math.sin(a)
    notes = [
        Note("the squeeze is a compression; how the slot's own walls open is not in the sum", "derived"),
        Note("stays strained for good: what it holds relaxes", "common practice"),
        Note("printed flanks are rough: half of the plain sum's force is taken, as in press fits", "assumed"),
    ]
    if share < 1.0:
        notes.append(Note("the slot is taken to give way as much as the key", "assumed"))
    if grip < 0.0:
        notes.append(
            Note("the taper is steeper than friction holds: the key slides out by itself", "derived")
        )
    notes += _loose(squeeze_mm)
    return Demand(
        "key",
        strain,
        squeezed / width_mm,
        strain,
        stiffness,
        2.0 * normal * (friction * math.cos(a) + math.sin(a)),
        2.0 * normal * max(grip, 0.0),
        squeeze_mm,
        tuple(notes),
        force_high=1.0 / share,
        force_low=0.5,
        printed=_PRINTED,
        area_mm2=area,
    )


def holds_to_deg(friction: float) -> float:
    """Steepest taper of a side at which a key holds by friction alone, atan mu, degrees (derived)."""
    return math.degrees(math.atan(friction))


def key_squeeze_for(strain: float, *, width_mm: float, slot: Mate = "same") -> float:
    """Squeeze over the width that gives a strain of the key, mm."""
    return strain * width_mm / (0.5 if slot == "same" else 1.0)
