"""Load cases: what is asked and allowed, which way limits, and what only changes forces."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.documents.profiles import load_material
from gcodetools.kit.loads import Annular, Cantilever, Key, Load, OpenRing, Press, Use
from gcodetools.strength.law import Law
from gcodetools.strength.loads import LoadCase, case_of, demand_of, kind_of, stands
from gcodetools.strength.spreads import Draws

LAW = Law(load_material("petg"), Draws(300))
ONES = np.ones(len(LAW.draws))
SNAP = LAW.strength.snap
ARM = {"length_mm": 16.0, "thickness_mm": 2.4, "width_mm": 10.0, "undercut_mm": 1.0}
RING = {"bore_mm": 16.0, "gap_deg": 100.0, "onto_mm": 16.0, "wall_mm": 2.4, "height_mm": 30.0}
LOADS: dict[str, Load] = {
    "open_ring": OpenRing(**RING),
    "cantilever": Cantilever(**ARM),
    "annular": Annular(diameter_mm=20, outer_mm=24, undercut_mm=0.3),
    "press": Press(diameter_mm=8, interference_mm=0.1, outer_mm=16, length_mm=10),
    "key": Key(width_mm=6, squeeze_mm=0.05, height_mm=4.8, length_mm=9),
}


def case(
    load: Load, across: np.ndarray = ONES, ei: np.ndarray | None = None, law: Law = LAW, **use: object
) -> LoadCase:
    return case_of(load, Use(**use), law, across, ei, None)


def arm(printed: str, **numbers: object) -> Cantilever:
    return Cantilever(**{**ARM, "printed": printed, **numbers})


def bands(one: LoadCase) -> list:
    every = [one.demand, one.allowed, one.margin, one.crooked, one.to_break, one.stiffness_n_per_mm, one.push_n,
             one.pull_n, one.bears_n]  # fmt: skip
    return [band for band in every if band is not None]


@pytest.mark.parametrize("kind", LOADS)
def test_every_load_has_its_case_and_bands_that_hold_the_best(kind):
    one = case(LOADS[kind])
    assert one.kind == kind == kind_of(LOADS[kind])
    assert len(bands(one)) >= 7
    # A key squeezed by 0.05 mm may come out loose: nothing is squeezed then.
    for band in bands(one):
        assert band.low > 0 or (kind == "key" and band.low == 0)
        assert band.low <= band.best <= band.high < np.inf
        assert band.low < band.high
    assert one.margin.best == pytest.approx(one.allowed.best / one.demand.best)
    assert one.margin_draws[0] == one.margin.best
    assert one.bears_draws[0] == one.bears_n.best
    assert one.bears_n.best == pytest.approx(one.stiffness_n_per_mm.best * one.opening_mm * one.margin.best)
    assert not one.refused and one.crooked is None


def test_an_arm_by_the_handbook():
    """eps = 1.5 y h / l^2 and P = E b h^2 eps / (6 l), Snap-Fit Joints for Plastics, A Design Guide (constant
    section; formula from memory), h 2.4, l 16, b 10, y 1."""
    one = case(arm("lying"))
    strain = 1.5 * 1.0 * 2.4 / 16**2
    assert one.demand.best == pytest.approx(strain)
    force = LAW.strength.modulus_mpa.value * 10 * 2.4**2 / 6 * strain / 16
    assert one.stiffness_n_per_mm.best * one.opening_mm == pytest.approx(force)
    assert one.allowed.best == SNAP.along_once.value
    assert one.limits == "along" and not one.standing and one.told == "the kit"


def test_a_standing_arm_is_limited_between_its_layers():
    standing, lying = case(arm("standing")), case(arm("lying"))
    assert standing.limits == "across" and standing.standing
    assert standing.demand == lying.demand
    assert standing.allowed.best == SNAP.across_once.value < lying.allowed.best
    softer = LAW.strength.across_modulus_share.value
    assert standing.stiffness_n_per_mm.best == pytest.approx(softer * lying.stiffness_n_per_mm.best)


@pytest.mark.parametrize("kind", LOADS)
def test_strength_across_layers_moves_only_what_bends_across_them(kind):
    weak, strong = case(LOADS[kind], 0.5 * ONES), case(LOADS[kind], 1.5 * ONES)
    assert np.all(strong.margin_draws >= weak.margin_draws - 1e-12)
    assert strong.demand == weak.demand or strong.limits != weak.limits
    lying = [case(arm("lying"), share * ONES).margin for share in (0.5, 1.5)]
    assert lying[0] == lying[1]
    upright = [case(arm("standing"), share * ONES).margin_draws for share in (0.5, 1.5)]
    assert upright[1] == pytest.approx(3.0 * upright[0])


def test_more_snaps_are_allowed_less():
    once, often = case(arm("lying"), times=1), case(arm("lying"), times=20)
    assert (once.allowed.best, often.allowed.best) == (SNAP.along_once.value, SNAP.along_repeated.value)
    assert np.all(often.margin_draws < once.margin_draws)
    assert any("20 snaps" in note for note in often.notes)


def test_a_stiffer_section_needs_more_force_and_bends_the_same():
    hollow, full = (case(arm("lying"), ei=share * ONES) for share in (0.7, 0.95))
    assert full.stiffness_n_per_mm.best == pytest.approx(0.95 / 0.7 * hollow.stiffness_n_per_mm.best)
    assert full.push_n.best > hollow.push_n.best and full.bears_n.best > hollow.bears_n.best
    assert (full.demand, full.allowed) == (hollow.demand, hollow.allowed)
    assert np.array_equal(full.margin_draws, hollow.margin_draws)


def test_two_sides_share_every_doubt_of_a_load():
    """Two cases that differ by one section only are that far apart in every draw."""
    one, other = (
        case(arm("lying"), ei=0.5 * ONES),
        case(arm("lying"), ei=0.6 * ONES, law=Law(LAW.material, Draws(300))),
    )
    assert other.bears_draws / one.bears_draws == pytest.approx(1.2 * ONES)


def test_put_on_crooked_never_helps():
    straight, crooked = case(OpenRing(**RING, tilt_deg=0.0)), case(OpenRing(**RING, tilt_deg=10.0))
    assert straight.crooked is None
    assert crooked.margin == straight.margin
    for end in ("low", "best", "high"):
        assert getattr(crooked.crooked, end) <= getattr(crooked.margin, end)
    assert crooked.crooked.low < crooked.margin.low


def test_a_steep_face_locks_and_says_so():
    """From 90 - atan(mu) on, 73.3 degrees for 0.3, there is no force that pulls it off."""
    locked, free = case(arm("lying", back_deg=80.0)), case(arm("lying", back_deg=60.0))
    assert locked.pull_n is None and free.pull_n.best > free.push_n.best
    assert any("lock" in note for note in locked.notes)


@pytest.mark.parametrize(("hot", "refused"), [(54.0, False), (56.0, True)])
def test_too_warm_is_refused(hot, refused):
    """PETG softens at 80 C; within 25 C of that no margin is told."""
    one = case(arm("lying"), temperature_c=(10.0, hot))
    assert bool(one.refused) == refused
    assert (one.margin is None) == refused and (one.bears_n is None) == refused
    assert one.demand.best > 0


def test_cold_and_age_are_told():
    notes = " ".join(case(arm("lying"), temperature_c=(-5.0, 40.0), years=5.0, held="strained").notes)
    assert "below 0 C nothing is measured" in notes
    assert "embrittled" in notes and "first force" in notes


def test_margin_of_a_brittle_plastic_is_less():
    assert (
        case(arm("standing"), law=Law(load_material("pla"), Draws(300))).margin.best
        < case(arm("standing")).margin.best
    )


def test_what_breaks_lies_beyond_what_is_allowed():
    for printed in ("lying", "standing"):
        one = case(arm(printed))
        assert one.to_break.best > one.margin.best
        assert one.to_break.high > one.margin.high


def test_how_a_part_was_printed():
    assert stands(arm("lying"), 30.0) == (False, "the kit")
    assert stands(arm("standing"), 2.0) == (True, "the kit")
    assert stands(Cantilever(**ARM), None) == (True, "assumed")
    assert not stands(Cantilever(**ARM), 2.4)[0]  # 16 mm of arm in 2.4 mm of height
    assert not stands(OpenRing(**RING), 5.0)[0]
    assert any("assumed" in note and "printed" in note for note in case(Cantilever(**ARM)).notes)


def test_numbers_of_a_load_may_be_changed():
    """A measured wall instead of the kit's."""
    ring = OpenRing(**RING)
    assert demand_of(ring, LAW.strength, wall_mm=3.0) == demand_of(
        OpenRing(**{**RING, "wall_mm": 3.0}), LAW.strength
    )
    with pytest.raises(ValueError, match="wall"):
        demand_of(ring, LAW.strength, wall_mm=-1.0)
