"""Snap-fit sums against quadrature, beams of many pieces, plane elasticity and a shell that know none of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.fits import annular_far_factor, annular_rigidity, annular_tube_rigidity
from gcodetools.physics.snapfit import (
    ageing_rule,
    annular,
    annular_undercut_for,
    arm_length_for,
    arm_thickness_for,
    arm_undercut_for,
    cantilever,
    fillet_factor,
    held_share,
    key,
    key_squeeze_for,
    locks,
    open_ring,
    press,
    press_interference_for,
    root_give,
    slide_factor,
    strain_limit,
    taper_factor,
    taper_peak,
    temperature_rule,
)

NU = 0.38
ARM = {
    "length_mm": 16.0,
    "thickness_mm": 2.4,
    "width_mm": 10.0,
    "undercut_mm": 1.0,
    "lead_deg": 30.0,
    "back_deg": 60.0,
    "friction": 0.3,
    "modulus_mpa": 1900.0,
}
RING = {
    "bore_mm": 16.0,
    "gap_deg": 100.0,
    "onto_mm": 16.0,
    "wall_mm": 2.4,
    "height_mm": 30.0,
    "friction": 0.3,
    "modulus_mpa": 1900.0,
}
BEAD = {
    "diameter_mm": 20.0,
    "outer_mm": 24.0,
    "undercut_mm": 0.4,
    "lead_deg": 30.0,
    "back_deg": 45.0,
    "friction": 0.3,
    "modulus_mpa": 1900.0,
}
PIN = {
    "diameter_mm": 8.0,
    "interference_mm": 0.1,
    "outer_mm": 16.0,
    "length_mm": 10.0,
    "friction": 0.4,
    "modulus_mpa": 1800.0,
}
KEY = {
    "width_mm": 6.0,
    "squeeze_mm": 0.05,
    "height_mm": 4.0,
    "length_mm": 12.0,
    "friction": 0.4,
    "modulus_mpa": 1800.0,
}
LOADS = [(cantilever, ARM), (open_ring, RING), (annular, BEAD), (press, PIN), (key, KEY)]


def texts(demand):
    return " ".join(note.text for note in demand.notes)


def bending(h):
    """Stiffness of a Bernoulli piece of length h, E I = h^3: displacement and turn at both ends."""
    end, far = [12, 6 * h, -12, 6 * h], [-12, -6 * h, 12, -6 * h]
    turns = [[6 * h, 4 * h * h, -6 * h, 2 * h * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h]]
    return np.array([end, turns[0], far, turns[1]], float)


# --- faces


@given(mu=st.floats(0.0, 1.5), angle=st.floats(0.0, 90.0))
def test_slide_is_finite_or_locked(mu, angle):
    factor = float(slide_factor(mu, angle))
    if locks(mu, angle):
        assert math.isnan(factor)
    else:
        # Forces on a block: N across, mu N along the face, resolved along and across the way.
        a = math.radians(angle)
        along, across = math.sin(a) + mu * math.cos(a), math.cos(a) - mu * math.sin(a)
        assert factor == pytest.approx(along / across, rel=1e-6)


@pytest.mark.parametrize(
    ("mu", "angle"), [(0.2, 78.69), (0.3, 73.30), (0.4, 68.20), (0.5, 63.43), (0.6, 59.04)]
)
def test_face_locks_from_the_angle_of_friction_on(mu, angle):
    assert not locks(mu, angle - 0.02)
    assert locks(mu, angle + 0.02)


def test_locked_arm_is_said_and_has_no_force():
    arm = cantilever(**{**ARM, "back_deg": 90.0})
    assert arm.pull_n is None
    assert "locks" in texts(arm)
    assert arm.push_n is not None
    shut = cantilever(**{**ARM, "lead_deg": 80.0})
    assert shut.push_n is None
    assert "cannot be pushed in" in texts(shut)
    shut = annular(**{**BEAD, "lead_deg": 80.0})
    assert shut.push_n is None
    assert "cannot be pushed on" in texts(shut)


# --- arms


@pytest.mark.parametrize("taper", [1.0, 0.999, 0.951, 0.949, 0.8, 0.5, 1 / 3, 0.3, 0.1])
def test_tapered_arm_is_its_quadrature(taper):
    """Unit load at the end, simply summed: y = int M m / (E I)."""
    x, w = np.polynomial.legendre.leggauss(200)
    s, w = (x + 1) / 2, w / 2
    thickness = 1 - (1 - taper) * s
    bend = np.sum(w * (1 - s) ** 2 / thickness**3)
    assert taper_factor(taper) == pytest.approx(2 * bend, rel=1e-9)
    fine = np.linspace(0, 1, 200_001)
    along = (1 - fine) / (1 - (1 - taper) * fine) ** 2
    assert taper_peak(taper) == pytest.approx(along.max(), rel=1e-8)


def test_arm_of_straight_pieces_bends_as_the_sum():
    """Direct stiffness of 400 Bernoulli pieces: tip force and root strain for the undercut."""
    n, length, root, tip, width, e = 400, 16.0, 2.4, 1.2, 10.0, 1900.0
    h = length / n
    k = np.zeros((2 * n + 2, 2 * n + 2))
    for i in range(n):
        t = root + (tip - root) * (i + 0.5) / n
        ei = e * width * t**3 / 12
        k[2 * i : 2 * i + 4, 2 * i : 2 * i + 4] += ei / h**3 * bending(h)
    load = np.zeros(2 * n)
    load[-2] = 1.0
    force = 1.0 / np.linalg.solve(k[2:, 2:], load)[-2]
    arm = cantilever(**ARM, tip_mm=tip)
    assert arm.clamp_n == pytest.approx(force, rel=1e-4)
    assert arm.strain_plain == pytest.approx(force * length * root / 2 / (e * width * root**3 / 12), rel=1e-4)


def test_arm_says_what_it_leaves_out():
    arm = cantilever(**ARM)
    assert arm.strain == arm.strain_plain == pytest.approx(1.5 * 2.4 / 16**2)
    assert 0.7 < arm.force_low < 1.0 < arm.force_high
    assert arm.strain_high == pytest.approx(arm.strain * fillet_factor(1.2, 2.4))
    sharp = cantilever(**ARM, fillet_mm=0.1)
    assert sharp.strain_high > arm.strain_high > arm.strain
    assert "assumed" in {note.flag for note in arm.notes}
    assert "rounded by half" not in texts(sharp)
    assert root_give(16, 2.4, NU) > root_give(32, 2.4, NU) > 0
    assert "no slender arm" in texts(cantilever(**{**ARM, "length_mm": 8.0}))
    assert "along the arm" in texts(cantilever(**ARM, tip_mm=0.8))
    assert "0.3 of its length" in texts(cantilever(**{**ARM, "undercut_mm": 5.0}))


# --- closed rings, pins, keys


def test_tube_theory_and_the_handbooks_factor_stand_as_told():
    for share in (0.02, 0.05, 0.10):
        outer = 20 * (1 + 2 * share)
        assert 1.45 < annular_tube_rigidity(20, outer, NU) / annular_rigidity(20, outer, NU) < 1.7


@pytest.mark.every(1)
def test_loaded_tube_is_a_beam_on_an_elastic_foundation_of_small_pieces():
    """Finite pieces of D w'''' + E t w / R^2 = 0: stiffness at the end and away, greatest bending along the axis."""
    radius, wall, n, length = 10.5, 1.0, 1200, 60.0
    h = length / n
    d, k = wall**3 / 12 / (1 - NU**2), wall / radius**2
    stiff = np.zeros((2 * n + 2, 2 * n + 2))
    bend = bending(h)
    bed = np.array([[156, 22 * h, 54, -13 * h], [22 * h, 4 * h * h, 13 * h, -3 * h * h]] * 2, float)
    bed[2:] = [[54, 13 * h, 156, -22 * h], [-13 * h, -3 * h * h, -22 * h, 4 * h * h]]
    for i in range(n):
        stiff[2 * i : 2 * i + 4, 2 * i : 2 * i + 4] += d / h**3 * bend + k * h / 420 * bed
    give, ends = {}, {}
    places = {at: round(at / h) for at in (0.0, 1.0, 3.0, 30.0)}
    loads = np.zeros((2 * n + 2, len(places)))
    for column, i in enumerate(places.values()):
        loads[2 * i, column] = 1.0
    for (at, i), w in zip(places.items(), np.linalg.solve(stiff, loads).T, strict=True):
        give[at] = w[2 * i]
        curve = np.abs(np.diff(w[1::2]) / h).max()
        # Stress along the axis over the hoop stress where it is loaded.
        ends[at] = d * curve * 6 / wall**2 / (w[2 * i] / radius)
    for at in (1.0, 3.0, 30.0):
        assert annular_far_factor(at, 20, 22, NU) == pytest.approx(give[0.0] / give[at], rel=2e-3)
    # P = pi d Q over y = 2 w at mid-wall, told with the diameter of the bore.
    assert annular_tube_rigidity(20, 22, NU) * 20 == pytest.approx(math.pi * 21 / (2 * give[0.0]), rel=1e-3)
    found = annular(**{**BEAD, "outer_mm": 22.0})
    assert found.across / found.strain == pytest.approx(ends[0.0], rel=0.01)
    far = annular(**{**BEAD, "outer_mm": 22.0, "end_mm": 30.0})
    assert far.across_high / far.strain == pytest.approx(ends[30.0], rel=0.03)


def test_closed_ring_is_strained_by_its_undercut():
    ring = annular(**BEAD)
    assert ring.strain == pytest.approx(0.02)
    assert ring.force_high > 1.3
    assert ring.push_n == pytest.approx(ring.clamp_n * float(slide_factor(0.3, 30)))


def test_rigid_pin_stretches_the_bore_by_the_interference():
    assert press(**PIN, pin="rigid").strain == pytest.approx(0.1 / 8)
    assert press(**PIN).strain < 0.1 / 8


def test_key_of_plane_strain():
    """b 6, i 0.05, E 1800, flanks 4 x 12: 17.53 MPa in a rigid slot; half of it where the slot gives way."""
    rigid, same = key(**KEY, slot="rigid"), key(**KEY)
    assert rigid.clamp_n / 48 == pytest.approx(17.53, abs=0.005)
    assert same.push_n == pytest.approx(336.6, abs=0.1)
    assert same.push_n == pytest.approx(same.pull_n)


@pytest.mark.parametrize(
    ("taper", "push", "pull"),
    [(2, 86.93, 72.97), (5, 97.13, 62.26), (10, 113.51, 44.05), (21.8, 148.55, 0.005)],
)
def test_tapered_key_by_the_balance_of_its_flanks(taper, push, pull):
    found = key(**KEY, taper_deg=taper)
    per_100 = 100 / found.clamp_n
    assert found.push_n * per_100 == pytest.approx(push, abs=0.006)
    assert found.pull_n * per_100 == pytest.approx(pull, abs=0.006)
    assert "slides out" not in texts(found)


def test_key_too_steep_to_hold_says_so():
    found = key(**KEY, taper_deg=30.0)
    assert found.pull_n == 0.0
    assert "slides out by itself" in texts(found)


# --- all loads


@pytest.mark.parametrize(("load", "numbers"), LOADS)
def test_strain_knows_no_modulus_and_force_is_linear_in_it(load, numbers):
    one, two = load(**numbers), load(**{**numbers, "modulus_mpa": 2 * numbers["modulus_mpa"]})
    assert (two.strain, two.strain_high, two.across) == (one.strain, one.strain_high, one.across)
    assert (two.push_n, two.pull_n) == (pytest.approx(2 * one.push_n), pytest.approx(2 * one.pull_n))
    assert two.stiffness_n_per_mm == pytest.approx(2 * one.stiffness_n_per_mm)
    assert one.strain_high >= one.strain > 0
    assert 0 < one.force_low <= 1 <= one.force_high
    assert one.notes


@pytest.mark.parametrize(("load", "numbers"), LOADS)
def test_impossible_length_is_refused(load, numbers):
    for name in numbers:
        if name.endswith(("_mm", "_mpa")):
            # A squeeze of 0 or less is play, which a fit may have.
            bad = math.nan if name in ("interference_mm", "squeeze_mm") else 0.0
            with pytest.raises(ValueError, match="expected"):
                load(**{**numbers, name: bad})


@given(strain=st.floats(0.002, 0.05), tip=st.sampled_from([None, 2.0, 1.2, 0.8]))
def test_arms_found_for_a_strain_have_it(strain, tip):
    length = arm_length_for(strain, thickness_mm=2.4, undercut_mm=1.0, tip_mm=tip)
    found = cantilever(**{**ARM, "length_mm": length}, tip_mm=tip)
    assert found.strain == pytest.approx(strain)
    undercut = arm_undercut_for(strain, length_mm=16, thickness_mm=2.4, tip_mm=tip)
    assert cantilever(**{**ARM, "undercut_mm": undercut}, tip_mm=tip).strain == pytest.approx(strain)
    taper = 1.0 if tip is None else tip / 2.4
    thickness = arm_thickness_for(strain, length_mm=16, undercut_mm=1.0, taper=taper)
    thick = cantilever(**{**ARM, "thickness_mm": thickness}, tip_mm=taper * thickness)
    assert thick.strain == pytest.approx(strain)


def test_fits_found_for_a_strain_have_it():
    undercut = annular_undercut_for(0.015, diameter_mm=20)
    assert annular(**{**BEAD, "undercut_mm": undercut}).strain == pytest.approx(0.015)
    squeeze = key_squeeze_for(0.004, width_mm=6)
    assert key(**{**KEY, "squeeze_mm": squeeze}).strain == pytest.approx(0.004)
    wanted = press_interference_for(0.01, diameter_mm=8, outer_mm=16)
    assert press(**{**PIN, "interference_mm": wanted}).strain == pytest.approx(0.01)


# --- use


def test_repeated_snaps_get_less():
    assert strain_limit(0.03, 0.017, 1).value == 0.03
    assert strain_limit(0.03, 0.017, 2).value == 0.017
    assert strain_limit(0.03, None, 50).value == pytest.approx(0.018)
    often = strain_limit(0.03, 0.017, 5000)
    assert (often.value, often.flag) == (0.017, "assumed")
    assert "nothing is measured" in often.text


@pytest.mark.parametrize(
    ("exponent", "years", "left"),
    [(0.03, 1 / 365, 0.80), (0.03, 1.0, 0.67), (0.05, 1 / 365, 0.70), (0.05, 1.0, 0.52)],
)
def test_force_that_is_held(exponent, years, left):
    assert held_share(years, exponent).value == pytest.approx(left, abs=0.005)
    assert held_share(1e-9, exponent).value == 1.0


def test_heat_is_refused_and_cold_is_told():
    hot = temperature_rule(0.0, 56.0, 80.0)
    assert hot.refused
    assert "56 C" in hot.text
    assert "55 C" in hot.text
    assert not temperature_rule(0.0, 55.0, 80.0).refused
    cold = temperature_rule(-5.0, 40.0, 80.0)
    assert not cold.refused
    assert "below 0 C nothing is measured" in cold.text


def test_old_plastic_is_told():
    assert "embrittled" in ageing_rule(2.0, 1.0).text
    assert "embrittled after" not in ageing_rule(0.5, 1.0).text
    unknown = ageing_rule(2.0, None)
    assert (unknown.value, unknown.flag) == (None, "assumed")
