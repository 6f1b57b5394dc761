"""The growing wall against a plain march in time, its closed form against its solver, and the interface."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.cooling import (
    FOURIER,
    LACKING,
    LOSS,
    closed_share,
    diffusivity_mm2_s,
    error_function,
    grown_wall,
    interface_c,
    lumped_tau_s,
    substrate_c,
    substrate_share,
    wall_tau_s,
)

PETG = {"conductivity_w_mk": 0.21, "density_kg_m3": 1270.0, "heat_j_kgk": 1700.0}
HELD = {
    "nozzle_c": 240.0,
    "ambient_c": 30.0,
    "height_mm": 0.2,
    "wall_mm": 0.9,
    "faces": 2,
    "convection_w_m2k": 40,
}
# C, by a march in time of an earlier, separate script (finite differences, 25 to 45 layers); it claims 0.05 C.
MARCHED = {3: 136.78, 5: 98.21, 10: 60.56, 20: 40.81}


def march(fourier: float, loss: float, layers: int, cells: int = 10) -> float:
    """Explicit differences, layer upon layer on an insulated floor; lengths in H, times in t; top of the wall."""
    steps = math.ceil(cells * cells / fourier / 0.4)
    wall = np.empty(0)
    for _ in range(layers):
        wall = np.concatenate([wall, np.ones(cells)])
        for _ in range(steps):
            padded = np.pad(wall, 1, mode="edge")
            bend = padded[2:] - 2 * wall + padded[:-2]
            wall = wall + (bend * cells * cells / fourier - loss * wall) / steps
    return float(1.5 * wall[-1] - 0.5 * wall[-2])


@pytest.mark.parametrize("age", sorted(MARCHED))
def test_the_substrate_is_that_of_the_march(age):
    assert substrate_c(age, **HELD, **PETG) == pytest.approx(MARCHED[age], abs=0.3)


@pytest.mark.parametrize(
    ("fourier", "loss", "layers"),
    [(0.137, 0.1235, 45), (0.1, 1.2, 25), (1.0, 0.3, 15), (4.0, 0.05, 20), (0.5, 2.0, 10)],
)
@pytest.mark.every(1)
def test_the_solver_is_a_march_that_went_on(fourier, loss, layers):
    assert grown_wall(fourier, loss) == pytest.approx(march(fourier, loss, layers), abs=1e-3)


@pytest.mark.parametrize("every", [7, pytest.param(1, marks=pytest.mark.long)])
def test_the_table_is_what_the_solver_gives(every):
    """Some entries of every row and column; 16, 8, 4 cells a layer as layers get thin."""
    for row, fourier in enumerate(FOURIER):
        for column in range(row % every, len(LOSS), every):
            loss = float(LOSS[column])
            made = grown_wall(float(fourier), loss, 16 if fourier > 0.09 else 8 if fourier > 0.009 else 4)
            found = made / closed_share(np.array(fourier), np.array(loss))
            assert LACKING[row, column] == pytest.approx(found, abs=5.1e-5), (fourier, loss)


@given(st.floats(-2, 3), st.floats(-5, 1.3))
def test_between_nodes_the_share_is_within_half_a_percent(fourier_ten, loss_ten):
    fourier, loss = 10.0**fourier_ten, 10.0**loss_ten
    assert substrate_share(fourier, loss) == pytest.approx(grown_wall(fourier, loss), abs=0.005)


def test_thin_layers_are_a_front_that_moves():
    """Steady a T'' - v T' = T / tau under a flux of v at the top: 2 / (1 + sqrt(1 + 4 a / (tau v^2)))."""
    fourier, loss = 1e-4, np.array([1e-6, 1e-5, 1e-4])
    front = 2.0 / (1.0 + np.sqrt(1.0 + 4.0 * loss / fourier))
    assert substrate_share(fourier, loss) == pytest.approx(front, abs=0.005)


def test_thin_layers_that_lose_much_are_heat_in_a_half_space():
    fourier, loss = 1e-5, 0.5
    k = np.arange(1, 200)
    each = np.sqrt(fourier / (np.pi * k)) * np.exp(-k * loss)
    assert substrate_share(fourier, loss) == pytest.approx(float(each.sum()), rel=0.01)


def test_the_ends_of_the_share():
    assert substrate_share([1.0, 1.0, 1.0, np.nan], [0.0, np.inf, np.nan, 1.0]) == pytest.approx(
        [1.0, 0.0, np.nan, np.nan], nan_ok=True
    )
    # No heat crosses a layer: each keeps what its faces leave it.
    assert substrate_share(1e5, 0.7) == pytest.approx(math.exp(-0.7), rel=0.005)


@given(
    height=st.floats(0.05, 0.6),
    wall=st.floats(0.3, 30),
    convection=st.floats(3, 120),
    faces=st.sampled_from([0, 1, 2]),
)
def test_age_never_warms_and_air_never_does(height, wall, convection, faces):
    age = np.geomspace(0.05, 1e6, 500)
    given_ = dict(HELD, height_mm=height, wall_mm=wall, faces=faces) | PETG
    below = substrate_c(age, **given_ | {"convection_w_m2k": convection})
    assert np.diff(below).max() <= 0
    assert below.min() >= 30 and below.max() <= 240
    assert (substrate_c(age, **given_ | {"convection_w_m2k": 1.3 * convection}) <= below).all()


def test_ages_from_fractions_of_a_second_to_a_day():
    found = substrate_c(np.array([np.nan, 0.0, 0.3, 1e5]), **HELD, **PETG)
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(240.0, abs=1e-6)
    assert 210 < found[2] < 240
    assert found[3] == pytest.approx(30.0, abs=1e-6)
    assert substrate_c(30.0, **HELD | {"faces": 0}, **PETG) == 240.0


def test_time_constants():
    """A stadium bead of 0.45 by 0.2 mm under 60 W/m2K: 2.5964445 s, reckoned by hand."""
    area, perimeter = 0.25 * 0.2 + math.pi * 0.01, 2 * 0.25 + math.pi * 0.2
    assert lumped_tau_s(area, perimeter, 1270, 1700, 60) == pytest.approx(2.5964444821, rel=1e-9)
    assert wall_tau_s(0.9, [2, 1, 0], 1270, 1700, 40) == pytest.approx([24.28875, 48.5775, np.inf], rel=1e-9)
    assert diffusivity_mm2_s(0.21, 1270, 1700) == pytest.approx(0.0972673, rel=1e-6)


def test_error_function():
    x = np.linspace(0, 8, 4001)
    assert np.abs(error_function(x) - np.array([math.erf(v) for v in x])).max() <= 1.5e-7


def test_the_interface_begins_halfway_and_ends_in_the_air():
    tau, alpha = 24.28875, 0.0972673
    ends = interface_c(np.array([1e-6, 1e4]), 60.6, 240, 30, 0.2, alpha, tau)
    assert ends == pytest.approx([150.3, 30.0], abs=1e-3)


def test_the_interface_is_a_march_on_an_even_substrate():
    """A hot layer on a cold block deep enough, insulated on top, loss through the faces; at its lower face."""
    tau, alpha, cells, height = 5.0, 0.1, 40, 0.2
    deep = np.concatenate([np.full(20 * cells, 70.0), np.full(cells, 210.0)])
    step = 0.4 * (height / cells) ** 2 / alpha
    seen, wanted, at = [], (0.05, 0.3, 1.0), 0
    for count in range(1, math.ceil(1.0 / step) + 1):
        padded = np.pad(deep, 1, mode="edge")
        deep = deep + 0.4 * (padded[2:] - 2 * deep + padded[:-2]) - step / tau * deep
        if count * step >= wanted[at]:
            seen.append((count * step, 30.0 + deep[-cells - 1 : -cells + 1].mean()))
            at = min(at + 1, 2)
    time, plane = np.array(seen[:3]).T
    assert interface_c(time, 100.0, 240.0, 30.0, height, alpha, tau) == pytest.approx(plane, abs=0.3)
