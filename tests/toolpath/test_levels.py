"""Layers by geometry: spirals, rafts, ramps, towers, one object after another, priming, endstops."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from math import cos, pi, sin, tau
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.toolpath.levels import turns

STAR = [(r * cos(a), r * sin(a)) for k in range(24) for r, a in [((20.0, 9.0)[k % 2], k * tau / 24)]]
CIRCLE = [(20 * cos(k * tau / 60), 20 * sin(k * tau / 60)) for k in range(60)]
# A C of one wall: the centre of its box is outside of it, so angles about a centre would not count its turns.
C_SHAPE = [
    (0.0, 0.0),
    (30.0, 0.0),
    (30.0, 4.0),
    (4.0, 4.0),
    (4.0, 26.0),
    (30.0, 26.0),
    (30.0, 30.0),
    (0.0, 30.0),
]


def _spiral(pen: Any, ring: list[tuple[float, float]], loops: float, z0: float, height: float) -> None:
    count = round(loops * len(ring))
    points = [(100 + ring[k % len(ring)][0], 100 + ring[k % len(ring)][1]) for k in range(count + 1)]
    pen.line(points, [z0 + height * k / len(ring) for k in range(1, count + 1)])


def _stack(pen: Any, x: float, y: float, side: float, heights: list[float]) -> None:
    for z in heights:
        pen.layer(z)
        pen.square(x, y, side)


@pytest.mark.parametrize("ring", [CIRCLE, STAR, C_SHAPE], ids=["circle", "star", "c"])
@pytest.mark.parametrize("loops", [12.0, 30.5])
def test_a_spiral_has_a_layer_a_turn(pen: Any, ring: list[tuple[float, float]], loops: float) -> None:
    for z in (0.2, 0.4):
        pen.layer(z)
        pen.loop([(100 + x, 100 + y) for x, y in ring])
    _spiral(pen, ring, loops, 0.4, 0.2)
    layers = pen.plate().layers
    assert len(layers) == 2 + int(np.ceil(loops))
    np.testing.assert_allclose(layers.height_mm, 0.2, atol=1e-3)
    assert np.all(np.diff(layers.z_mm) > 0)


def test_a_spiral_inside_a_skirt_begins_on_the_bed(pen: Any) -> None:
    pen.layer(0.2)
    pen.square(100, 100, 60)
    pen.travel(120, 100)
    _spiral(pen, CIRCLE, 10, 0.2, 0.2)
    assert len(pen.plate().layers) == 10


@given(st.floats(0.1, 0.6), st.integers(3, 40), st.floats(0, tau))
def test_turns_of_a_simple_closed_path_are_counted(share: float, corners: int, start: float) -> None:
    # A star-shaped polygon is simple, so each time around it turns by one full turn (Hopf 1935).
    angle = start + np.arange(0, 5 * corners + 2) * tau / corners
    radius = np.where(np.arange(5 * corners + 2) % corners % 2, 10.0, 10.0 * (1 - share))
    assert turns(radius * np.cos(angle), radius * np.sin(angle)) == pytest.approx(5.0, abs=1e-6)


def test_to_and_fro_is_no_turn() -> None:
    x = np.array([0, 10, 10, 0, 0, 10, 10, 0.0])
    y = np.array([0, 0, 1, 1, 2, 2, 3, 3.0])
    assert turns(x, y) < 0.6


@given(st.lists(st.integers(1, 12), min_size=2, max_size=5), st.sampled_from([0.1, 0.2, 0.3]))
def test_each_object_of_a_plate_printed_one_by_one_is_a_run(
    new_pen: Callable[[], Any], counts: list[int], height: float
) -> None:
    # Two objects of one layer each stand in one layer: nothing tells them apart.
    pen = new_pen()
    for k, count in enumerate(counts):
        _stack(pen, 30 + 30 * k, 50, 20, [height * (n + 1) for n in range(count)])
    plate = pen.plate()
    layers = plate.layers
    assert np.all(plate.beads.layer[plate.beads.is_bead] >= 0)
    joined = sum(1 for a, b in pairwise(counts) if a == 1 and b >= 1)
    assert len(layers) == sum(counts) - joined
    assert layers.run.max() + 1 == len(counts) - joined
    assert np.all(np.diff(layers.z_mm)[np.diff(layers.run) == 0] > 0)


def test_a_tower_at_another_height_stays_in_its_layer(pen: Any) -> None:
    for k in range(6):
        z = 0.2 * (k + 1)
        pen.layer(z)
        pen.square(50, 50, 20)
        if k in (2, 3):
            pen.layer(z + 0.1)  # hops up to a tower, and back to the object
            pen.square(120, 50, 8)
            pen.layer(z)
            pen.square(50, 50, 10)
        if k == 4:
            pen.layer(z - 0.1)  # or down to it
            pen.square(120, 50, 8)
    layers = pen.plate().layers
    np.testing.assert_allclose(layers.z_mm, [0.2 * (k + 1) for k in range(6)], atol=1e-6)
    assert layers.run.max() == 0


def test_a_ramp_at_the_seam_is_no_layer(pen: Any) -> None:
    for k in range(5):
        z = 0.2 * (k + 1)
        pen.layer(z)
        for side in (20.0, 19.0):
            pen.say(f"G1 Z{z - 0.2 + 0.05:.3f}")
            ring = [
                (40.0, 40.0),
                (45.0, 40.0),
                (50.0, 40.0),
                (40 + side, 40.0),
                (40 + side, 60.0),
                (40.0, 60.0),
            ]
            ramp = [z - 0.1, z - 0.05, z, z, z, z, z, z]
            pen.line([*ring, (40.0, 40.0), (45.0, 40.0), (50.0, 40.0)], ramp)
    layers = pen.plate().layers
    np.testing.assert_allclose(layers.z_mm, [0.2 * (k + 1) for k in range(5)], atol=1e-6)


def test_z_on_every_move_makes_no_spiral(pen: Any) -> None:
    for k in range(4):
        z = 0.25 * (k + 1)
        pen.layer(z)
        pen.line([(0, 0), (20, 0), (20, 20), (0, 20), (0, 0.1)], [z] * 4)
    np.testing.assert_allclose(pen.plate().layers.z_mm, [0.25, 0.5, 0.75, 1.0], atol=1e-6)


def _raft(pen: Any, heights: list[float]) -> None:
    for z in heights:
        pen.layer(z)
        pen.hatch(50, 50, 40, 1.5)


def test_a_raft_below_a_gap_is_told_from_the_object(pen: Any) -> None:
    _raft(pen, [0.3, 0.5, 0.7])
    _stack(pen, 50, 50, 20, [1.0 + 0.2 * k for k in range(10)])
    layers = pen.plate().layers
    assert layers.raft.tolist() == [True] * 3 + [False] * 10
    np.testing.assert_allclose(layers.height_mm[3:], 0.2, atol=1e-4)


def test_a_raft_of_thick_layers_is_told_from_the_object(pen: Any) -> None:
    _raft(pen, [0.4, 0.8])
    _stack(pen, 50, 50, 20, [1.0 + 0.2 * k for k in range(10)])
    assert pen.plate().layers.raft.tolist() == [True] * 2 + [False] * 10


def test_a_skirt_around_a_thin_first_layer_is_no_raft(pen: Any) -> None:
    pen.layer(0.2)
    pen.square(50, 50, 40)
    _stack(pen, 50, 50, 20, [0.2 + 0.3 * k for k in range(10)])
    assert not np.any(pen.plate().layers.raft)


@pytest.mark.parametrize(
    ("z", "flow"), [(0.3, 1.0), (0.2, 4.0), (0.2, 1.0)], ids=["higher", "thick", "at the bed's edge"]
)
def test_what_the_start_code_draws_is_no_layer(pen: Any, z: float, flow: float) -> None:
    pen.say(f"G1 Z{z}")
    pen.line([(2, 10), (2, 100)], flow=flow)
    pen.line([(3, 100), (3, 10)], flow=flow)
    _stack(pen, 100, 100, 30, [0.2, 0.4, 0.6])
    plate = pen.plate()
    assert len(plate.layers) == 3
    assert np.flatnonzero(plate.beads.is_bead & (plate.beads.layer < 0)).size == 2


def test_a_small_hollow_object_is_no_priming(pen: Any) -> None:
    _stack(pen, 100, 100, 5, [0.2, 0.4, 0.6])  # four beads a layer
    assert len(pen.plate().layers) == 3


def test_an_endstop_move_is_no_part_of_the_print(pen: Any) -> None:
    _stack(pen, 50, 50, 20, [0.2, 0.4])
    pen.say("G1 X999 Y999 Z50 E1 H1")
    plate = pen.plate()
    assert len(plate.layers) == 2
    assert plate.beads.feature[-1] == 0


def test_a_first_layer_pressed_by_an_offset_gets_the_usual_thickness(pen: Any) -> None:
    _stack(pen, 50, 50, 20, [0.05 + 0.25 * k for k in range(5)])
    np.testing.assert_allclose(pen.plate().layers.height_mm, 0.25, atol=1e-6)


def test_heights_that_floats_blur_are_one_layer(pen: Any) -> None:
    for z in (0.2, 0.20001, 0.4, 0.399999):
        pen.layer(z)
        pen.square(50, 50, 20 + pi * z)
    assert len(pen.plate().layers) == 2


def _ring(pen: Any, x: float, y: float, radius: float) -> None:
    """A full circle about (x, y), begun and ended at its right."""
    pen.travel(x + radius, y)
    pen.say(f"G3 I{-radius:g} J0 E{tau * radius * pen.e_per_mm:.5f} F1500")


@pytest.mark.parametrize("skirt", [False, True])
def test_full_circles_at_the_start_are_no_priming(pen: Any, skirt: bool) -> None:
    for z in (0.2, 0.4, 0.6):
        pen.layer(z)
        if skirt and z == 0.2:
            _ring(pen, 100, 100, 18)
        for radius in (7.35, 7.775):
            _ring(pen, 100, 100, radius)
        for y in range(-6, 7):
            x = (7 * 7 - y * y) ** 0.5
            pen.line([(100 - x, 100 + y), (100 + x, 100 + y)])
    plate = pen.plate()
    assert np.all(plate.beads.layer[plate.moves.e > 0] >= 0)
    assert len(plate.layers) == 3


def test_a_thick_line_before_full_circles_is_priming(pen: Any) -> None:
    pen.layer(0.2)
    pen.line([(10, 10), (90, 10)], flow=3.0)
    for z in (0.2, 0.4, 0.6):
        pen.layer(z)
        for radius in (7.35, 7.775, 8.2):
            _ring(pen, 100, 100, radius)
    plate = pen.plate()
    assert (plate.beads.layer[plate.moves.e > 0] < 0).tolist() == [True] + 9 * [False]


def test_a_layer_lies_where_most_of_its_full_circles_do(pen: Any) -> None:
    pen.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter")
    pen.layer(0.2)
    pen.line([(100, 100), (101, 100)])
    pen.layer(0.3)
    _ring(pen, 100, 100, 8)
    assert pen.plate().layers.z_mm.tolist() == [0.3]


@pytest.mark.parametrize("ring", [CIRCLE, STAR, C_SHAPE], ids=["circle", "star", "c"])
@pytest.mark.parametrize("rest", [0.0, 0.5])
def test_a_spiral_of_turns_that_differ_in_height_is_cut_where_each_ends(
    pen: Any, ring: list[tuple[float, float]], rest: float
) -> None:
    heights = [0.2, 0.15, 0.15, 0.2, 0.15, 0.24, 0.2]
    for z in (0.2, 0.4):
        pen.layer(z)
        pen.loop([(100 + x, 100 + y) for x, y in ring])
    each, height = len(ring), [*heights, *([0.2] if rest else [])]
    count = each * len(heights) + round(rest * each)
    points = [(100 + ring[k % each][0], 100 + ring[k % each][1]) for k in range(count + 1)]
    steps = [height[k // each] / each for k in range(count)]
    pen.line(points, np.round(0.4 + np.cumsum(steps), 4).tolist())
    plate = pen.plate()
    assert len(plate.layers) == 2 + len(height)
    climbing = np.flatnonzero((plate.moves.e > 0) & (plate.beads.layer > 1))
    turn = np.arange(len(climbing)) // each
    assert np.mean(plate.beads.layer[climbing] - 2 == turn) > 0.98


def test_a_layer_that_is_reached_in_one_climbing_bead_ends_somewhere(pen: Any) -> None:
    """The bead passes over the start of its turn at its own begin."""
    pen.say("G1 F1800", "G0 X100 Y100 Z.2")
    for turn in range(1, 9):
        corners = ((120, 100), (120, 120), (100, 120), (100, 105))
        pen.say(*(f"G1 X{x} Y{y} Z{0.2 * turn:.1f} E.7" for x, y in corners))
        pen.say(f"G1 X100 Y100 Z{0.2 * turn + 0.2:.1f} E.02")
    assert 8 <= len(pen.plate().layers) <= 10


def test_a_spiral_that_goes_down_on_its_way_ends_somewhere(pen: Any) -> None:
    for z in (0.2, 0.4):
        pen.layer(z)
        pen.loop([(100 + x, 100 + y) for x, y in CIRCLE])
    each = len(CIRCLE)
    at = np.arange(20 * each + 1) / each
    points = [(100 + CIRCLE[k % each][0], 100 + CIRCLE[k % each][1]) for k in range(len(at))]
    wave = 0.025 * at * np.sin(3 * tau * at)
    pen.line(points, np.round(0.4 + 0.2 * at + wave, 4)[1:].tolist())
    assert 20 <= len(pen.plate().layers) <= 26
