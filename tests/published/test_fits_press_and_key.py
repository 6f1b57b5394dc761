"""Press fits and keys whose walls are moved agree with worked examples, Hooke's law and drawn geometry.

Worked by hand from Lame's thick rings (formula from memory, checked in test_snapfit_lame by numbers): d 8, D 16, a
solid pin of the same plastic, E 1800, nu 0.38, interference 0.1, mu 0.4, L 10: p = 8.4375 MPa, F = 848.2 N. Key in
plane strain (derived): b 6, squeeze 0.05, flanks 4 x 12: p = 17.53 MPa in a rigid slot, 8.77 in one that gives way as
much, F = 336.6 N. Taper: push 2 N (mu cos a + sin a), pull 2 N (mu cos a - sin a) (balance of forces). Halving the
force of a printed press fit is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from msgspec import structs

from gcodetools.documents.profiles import load_material
from gcodetools.kit.flanks import walls_held
from gcodetools.kit.loads import Key, Press
from gcodetools.kit.shapes import Box
from gcodetools.kit.solids import compile_solid
from gcodetools.physics.fits import holds_to_deg, key, press
from gcodetools.strength.fits import fit_case, taper_of
from gcodetools.strength.law import Law
from gcodetools.strength.loads import demand_of
from gcodetools.strength.spreads import Draws

E, NU = 1800.0, 0.38
PETG = load_material("petg")
assert PETG.strength is not None
STRENGTH = structs.replace(
    PETG.strength,
    modulus_mpa=structs.replace(PETG.strength.modulus_mpa, value=E, spread=None),
    poisson=structs.replace(PETG.strength.poisson, value=NU, spread=None),
)
LAW = Law(structs.replace(PETG, strength=STRENGTH), Draws(400))
PIN = Press(diameter_mm=8, interference_mm=0.1, outer_mm=16, length_mm=10)
KEY = Key(width_mm=6, squeeze_mm=0.05, height_mm=4, length_mm=12)


@pytest.mark.parametrize(("drawn", "offset"), [(0.1, 0.0), (0.0, 0.05), (-0.1, 0.1), (0.3, -0.1)])
def test_lame_example_whichever_way_the_interference_came_about(drawn, offset):
    """An offset all round counts twice on a diameter: 0.1 mm in each case."""
    load = structs.replace(PIN, interference_mm=drawn)
    fit = fit_case(load, None, LAW, 2 * offset)
    assert fit.squeeze_mm == pytest.approx(0.1)
    assert fit.plain.pressure_mpa == pytest.approx(8.4375)
    assert fit.plain.push_n == fit.plain.pull_n == pytest.approx(848.23, abs=0.01)
    assert fit.case.demand.best == pytest.approx(0.009594, abs=1e-6)  # hoop strain
    assert fit.case.push_n.best == pytest.approx(848.23 / 2, abs=0.01)
    assert fit.case.pressure_mpa.best == pytest.approx(8.4375 / 2)


@pytest.mark.parametrize(("slot", "pressure", "force"), [("rigid", 17.53, 673.2), ("same", 8.77, 336.6)])
@pytest.mark.parametrize(("drawn", "offset"), [(0.05, 0.0), (-0.05, 0.05), (0.0, 0.025)])
def test_key_example_whichever_way_the_squeeze_came_about(slot, pressure, force, drawn, offset):
    fit = fit_case(structs.replace(KEY, squeeze_mm=drawn, slot=slot), None, LAW, 2 * offset)
    assert fit.plain.pressure_mpa == pytest.approx(pressure, abs=0.006)
    assert fit.plain.push_n == pytest.approx(force, abs=0.06)
    assert fit.case.push_n.best == pytest.approx(force / 2, abs=0.03)


@pytest.mark.parametrize("slot", ["rigid", "same"])
def test_key_by_hookes_law_in_three_directions(slot):
    """Squeezed across by so much, held along, free upwards: stresses from the inverse of Hooke's law, eps = S sigma."""
    compliance = (np.full((3, 3), -NU) + (1 + NU) * np.eye(3)) / E  # across, along, up
    squeezed = -0.05 / 6 * (1.0 if slot == "rigid" else 0.5)
    # Unknown: across and along stress, up strain; up stress is 0.
    matrix = np.array([[*compliance[0, :2], 0], [*compliance[1, :2], 0], [*compliance[2, :2], -1]])
    across, _, up = np.linalg.solve(matrix, [squeezed, 0.0, 0.0])
    found = demand_of(structs.replace(KEY, slot=slot), LAW.strength)
    assert found.pressure_mpa == pytest.approx(-across)
    assert up > 0  # what is squeezed swells


@pytest.mark.parametrize(
    ("taper", "push", "pull"),
    [
        (0.0, 80.0, 80.0),
        (2.0, 86.93, 72.97),
        (5.0, 97.13, 62.26),
        (10.0, 113.51, 44.05),
        (21.8, 148.55, 0.005),
    ],
)
def test_taper_table_for_100_n_a_flank(taper, push, pull):
    per_mm = demand_of(KEY, LAW.strength).stiffness_n_per_mm
    load = structs.replace(KEY, squeeze_mm=100 / per_mm, taper_deg=taper)
    found = demand_of(load, LAW.strength)
    assert found.clamp_n == pytest.approx(100.0)
    assert found.push_n == pytest.approx(push, abs=0.005)
    assert found.pull_n == pytest.approx(pull, abs=0.005)
    told = taper_of(load)
    assert told is not None and told.holds
    assert told.sure == (math.tan(math.radians(taper)) < 0.75 * 0.4)


def test_taper_locks_up_to_the_angle_of_friction():
    """atan 0.4 = 21.80 degrees; steeper it slides out by itself, with no force to pull."""
    assert holds_to_deg(0.4) == pytest.approx(21.801, abs=1e-3)
    assert [taper_of(structs.replace(KEY, taper_deg=a)).holds for a in (21.7, 21.9)] == [True, False]
    steep = key(
        width_mm=6, squeeze_mm=0.05, height_mm=4, length_mm=12, friction=0.4, modulus_mpa=E, taper_deg=21.9
    )
    assert steep.pull_n == 0.0 and "slides out by itself" in " ".join(note.text for note in steep.notes)


@pytest.mark.parametrize(("pin_off", "bore_off"), [(0.05, 0.0), (0.0, 0.05), (0.05, -0.03), (-0.1, -0.1)])
def test_offsets_are_those_of_grown_plastic(pin_off, bore_off):
    """Grown by an offset, a pin gets thicker and a bore narrower by twice that: shapely's buffer, measured by area."""
    pin = shapely.Point(0, 0).buffer(4.05, quad_segs=256)
    hub = (
        shapely.Point(0, 0).buffer(8, quad_segs=256).difference(shapely.Point(0, 0).buffer(4, quad_segs=256))
    )

    def across(area: float) -> float:
        return 2 * math.sqrt(area / math.pi)

    def interference(a: float, b: float) -> float:
        grown = hub.buffer(b, quad_segs=256)
        return across(pin.buffer(a, quad_segs=256).area) - across(shapely.Polygon(grown.interiors[0]).area)

    walls = [
        walls_held(shape, compile_solid(Box(x=(-6, 6), y=(-6, 6))), [(1.0, 1)], 8.0) for shape in (pin, hub)
    ]
    assert walls == [2, 2]
    more = pin_off * walls[0] + bore_off * walls[1]
    assert interference(pin_off, bore_off) - interference(0, 0) == pytest.approx(more, abs=2e-4)
    # And so the force of the sum is that of the grown shapes.
    load = structs.replace(PIN, interference_mm=0.1)
    fit = fit_case(load, None, LAW, more)
    grown = press(
        diameter_mm=8,
        interference_mm=interference(pin_off, bore_off),
        outer_mm=16,
        length_mm=10,
        friction=0.4,
        modulus_mpa=E,
        poisson=NU,
    )
    assert fit.plain.push_n == pytest.approx(grown.push_n, abs=3.0)
