"""Fits: loose ones have no force, bands hold what sizes that are off may do, and inverse sums come back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from gcodetools.documents.profiles import load_material
from gcodetools.kit.loads import Key, Press, Use
from gcodetools.strength.fits import fit_case, fit_words, squeeze_for, taper_of
from gcodetools.strength.law import Law
from gcodetools.strength.loads import case_of, squeeze_of, squeezed
from gcodetools.strength.sentences import HAND_N, load_sentence
from gcodetools.strength.spreads import Draws

LAW = Law(load_material("petg"), Draws(400))
KEY = Key(width_mm=6, squeeze_mm=0.05, height_mm=4.8, length_mm=9, taper_deg=0.7)
PIN = Press(diameter_mm=8, interference_mm=0.1, outer_mm=16, length_mm=10)
LOADS = [KEY, PIN]


@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("play", [0.0, 0.05, 0.4])
def test_play_has_no_force_and_says_so(load, play):
    fit = fit_case(squeezed(load, -squeeze_of(load)), None, LAW, -play)
    assert fit.squeeze_mm == -play and fit.hand == "nothing to push"
    for band in (fit.case.push_n, fit.case.pull_n, fit.case.pressure_mpa, fit.case.demand):
        assert band.low == band.best == 0.0
    assert fit.plain.push_n == fit.plain.pull_n == fit.plain.pressure_mpa == fit.plain.strain == 0.0
    assert fit.case.margin is None and "loose" in fit.case.refused
    assert fit_words(fit).startswith("loose, no force")
    assert "loose" in load_sentence(fit.case, LAW)
    # Sizes are off by 0.1 mm nine times of ten: 0.05 mm of play may come out tight, 0.4 mm hardly.
    assert (fit.case.push_n.high > 0) == (play < 0.1)
    assert "up to" in fit_words(fit) if play < 0.1 else "up to" not in fit_words(fit)


@pytest.mark.parametrize("load", LOADS)
def test_force_is_linear_in_the_squeeze(load):
    one, three = (fit_case(load, None, LAW, by - squeeze_of(load)) for by in (0.1, 0.3))
    for name in ("push_n", "pull_n", "pressure_mpa", "demand"):
        assert getattr(three.case, name).best == pytest.approx(3 * getattr(one.case, name).best)
    # What keeps the clamp a squeeze is not the squeeze.
    assert three.case.stiffness_n_per_mm == one.case.stiffness_n_per_mm
    assert three.case.bears_n.best == pytest.approx(one.case.bears_n.best)


@pytest.mark.parametrize("load", LOADS)
def test_bands_hold_the_best_and_get_narrower_with_the_squeeze(load):
    fits = [fit_case(load, None, LAW, by - squeeze_of(load)) for by in (0.02, 0.05, 0.1, 0.2, 0.5)]
    for fit in fits:
        for band in (
            fit.case.push_n,
            fit.case.pull_n,
            fit.case.pressure_mpa,
            fit.case.margin,
            fit.case.squeeze_mm,
        ):
            assert band.low <= band.best <= band.high and np.isfinite(band.high)
    shares = [fit.case.push_n.high / fit.case.push_n.best for fit in fits]
    assert shares == sorted(shares, reverse=True)
    loose = [fit.case.loose for fit in fits]
    assert loose == sorted(loose, reverse=True) and loose[0] > 0.2 and loose[-1] == 0.0


def test_how_often_it_comes_out_loose_is_the_share_of_the_normal_distribution():
    """0.05 mm of squeeze and sizes off by 0.1 mm nine of ten: P(z < -0.5 * 1.6449) = 0.205 (tables of the normal
    distribution)."""
    many = Law(LAW.material, Draws(20_000))
    assert fit_case(KEY, None, many).case.loose == pytest.approx(0.2054, abs=0.01)


@given(push=st.floats(1.0, 2000.0), kind=st.sampled_from(LOADS))
def test_a_squeeze_for_a_push_gives_it(push, kind):
    squeeze = squeeze_for(kind, None, LAW, push_n=push)
    found = fit_case(kind, None, LAW, squeeze - squeeze_of(kind))
    assert found.case.push_n.best == pytest.approx(push, rel=1e-5)


@pytest.mark.parametrize("load", LOADS)
def test_a_squeeze_for_the_allowed_strain_has_a_margin_of_one(load):
    squeeze = squeeze_for(load, Use(times=5), LAW, share=1.0)
    found = fit_case(load, Use(times=5), LAW, squeeze - squeeze_of(load))
    assert found.case.margin.best == pytest.approx(1.0, rel=1e-6)


def test_no_squeeze_gives_a_push_without_friction():
    assert squeeze_for(structs.replace(KEY, friction=0.0, taper_deg=0.0), None, LAW, push_n=50) is None


def test_a_hand_by_the_ends_of_the_band():
    words = [fit_case(KEY, None, LAW, by - 0.05).hand for by in (0.001, 0.02, 0.06, 0.4)]
    assert words == [
        "by hand, but not for sure",
        "by hand, but not for sure",
        "hardly by hand",
        "not by hand",
    ]
    small = structs.replace(KEY, height_mm=0.5, length_mm=2)
    fit = fit_case(small, None, LAW)
    assert fit.case.push_n.high < HAND_N and fit.hand == "by hand"


@pytest.mark.parametrize(
    ("taper", "holds", "sure", "word"),
    [(0.0, True, True, "friction alone"), (5.0, True, True, "it holds by itself"), (20.0, True, False, "is open"),
     (30.0, False, True, "slides out by itself")],
)  # fmt: skip
def test_a_taper_in_words(taper, holds, sure, word):
    told = taper_of(structs.replace(KEY, taper_deg=taper))
    assert (told.holds, told.sure) == (holds, sure) and word in told.words
    assert taper_of(PIN) is None


@given(by=st.floats(-0.3, 0.3), load=st.sampled_from(LOADS))
def test_more_plastic_is_never_looser(by, load):
    less, more = fit_case(load, None, LAW, by), fit_case(load, None, LAW, by + 0.02)
    for name in ("push_n", "pull_n", "demand"):
        a, b = getattr(less.case, name), getattr(more.case, name)
        assert a.low <= b.low and a.best <= b.best and a.high <= b.high
    assert more.case.loose <= less.case.loose


def test_walls_that_are_soft_take_force_and_leave_the_strain():
    full, half = (case_of(KEY, None, LAW, np.ones(401), share * np.ones(1), None) for share in (1.0, 0.5))
    assert half.push_n.best == pytest.approx(full.push_n.best / 2)
    assert half.pressure_mpa.best == pytest.approx(full.pressure_mpa.best / 2)
    assert half.demand == full.demand and half.squeeze_mm == full.squeeze_mm


def test_what_is_too_much_is_said():
    words = fit_words(fit_case(KEY, None, LAW, 1.0))
    assert "too much" in words and "too much" not in fit_words(fit_case(KEY, None, LAW))
    hot = fit_case(KEY, Use(temperature_c=(10.0, 70.0)), LAW)
    assert hot.case.margin is None and "no margin is told" in fit_words(hot)
