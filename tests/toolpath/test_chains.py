"""Arcs in pieces, uninterrupted extrusions, and which of them are loops."""

from __future__ import annotations

from collections.abc import Callable
from math import cos, pi, sin, tau
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.toolpath.chains import Chains, Segments, chains_of, dry_path, segments_of, spread
from gcodetools.toolpath.plate import Plate


def _chains(plate: Plate) -> tuple[Segments, Chains]:
    rows = np.flatnonzero(plate.beads.is_bead)
    segments = segments_of(plate.program, rows, 0.005)
    return segments, chains_of(plate.program, rows, segments, plate.beads.layer[rows], 0.45)


def _ring(seed: int, corners: int, turn: float) -> list[tuple[float, float]]:
    """A star-shaped, so simple, ring about (100, 100)."""
    radius = np.random.default_rng(seed).uniform(8, 20, corners)
    angle = turn + np.arange(corners) * tau / corners
    return [(100 + r * cos(a), 100 + r * sin(a)) for r, a in zip(radius, angle, strict=True)]


@given(st.integers(0, 10_000), st.integers(3, 40), st.floats(0, tau), st.booleans())
def test_loops_are_found_however_turned_and_measure_as_their_polygon(
    new_pen: Callable[[], Any], seed: int, corners: int, turn: float, clockwise: bool
) -> None:
    ring = _ring(seed, corners, turn)
    ring = ring[::-1] if clockwise else ring
    pen = new_pen()
    pen.layer(0.2)
    pen.loop(ring)
    _, chains = _chains(pen.plate())
    assert chains.closed.tolist() == [True]
    polygon = shapely.Polygon(ring)
    assert abs(chains.area_mm2[0]) == pytest.approx(polygon.area, rel=1e-5, abs=1e-2)
    assert (chains.area_mm2[0] < 0) == clockwise
    assert chains.length_mm[0] == pytest.approx(polygon.length - 0.06, abs=1e-3)
    assert chains.gap_mm[0] == pytest.approx(0.06, abs=1e-3)
    np.testing.assert_allclose(
        [chains.x0[0], chains.y0[0], chains.x1[0], chains.y1[0]], polygon.bounds, atol=0.07
    )


@given(st.integers(3, 30), st.floats(0.4, 3))
def test_hatching_is_no_loop(new_pen: Callable[[], Any], rows: int, pitch: float) -> None:
    pen = new_pen()
    pen.layer(0.2)
    pen.hatch(100, 100, (rows - 1) * pitch, pitch)
    _, chains = _chains(pen.plate())
    assert not chains.closed[0]


def test_hatching_that_comes_back_to_its_start_is_no_loop(pen: Any) -> None:
    # To and fro with as many turns left as right, closed by its own first line: it winds around nothing.
    pen.layer(0.2)
    pen.line([(0, 0), (10, 0), (10, 1), (0, 1), (0, 2), (10, 2), (10, 0.3), (0.3, 0.3), (0.1, 0.1)])
    _, chains = _chains(pen.plate())
    assert chains.gap_mm[0] < 0.2
    assert not chains.closed[0]


def test_turns_of_a_zigzag_are_no_loops_however_many(pen: Any) -> None:
    """Lines of solid fill joined in threes are like thin loops left open, and a loop may hold dozens of them."""
    pen.layer(0.2)
    pen.loop([(100, 100), (140, 100), (140, 104), (100, 104)])
    for n in range(39):
        # Their ends lie a pitch apart, a tenth of their length.
        pen.line([(100.5 + n, 101), (100.5 + n, 103), (100.95 + n, 103), (100.95 + n, 101.1)])
    _, chains = _chains(pen.plate())
    assert np.flatnonzero(chains.closed).tolist() == [0]


def test_a_chain_ends_at_a_travel_a_retraction_and_a_change_of_group(pen: Any) -> None:
    pen.layer(0.2)
    pen.line([(0, 0), (10, 0), (20, 0)])
    pen.say("G1 E-1", "G1 E1")
    pen.line([(20, 0), (30, 0)])
    pen.line([(30, 5), (40, 5)])
    pen.say("G10", "G11", "G1 X50 E1")
    _, chains = _chains(pen.plate())
    assert (chains.stop - chains.begin).tolist() == [2, 1, 1, 1]
    assert not np.any(chains.closed)


def test_a_coasted_loop_is_closed_where_the_nozzle_runs_on_to_the_start(pen: Any) -> None:
    ring = [(0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0)]
    for coasting in (True, False):
        pen.layer(0.2 if coasting else 0.4)
        pen.line([*ring, (0.0, 2.5)])
        pen.say(*(["G1 X0 Y1", "G1 X0 Y0"] if coasting else ["G1 X50 Y50"]))
    plate = pen.plate()
    _, chains = _chains(plate)
    assert chains.closed.tolist() == [True, False]
    last = int(np.flatnonzero(plate.beads.is_bead)[chains.stop[0] - 1])
    np.testing.assert_allclose(dry_path(plate.moves, last, np.array([0.0, 0.0])), [[0, 1]])
    last = int(np.flatnonzero(plate.beads.is_bead)[chains.stop[1] - 1])
    assert len(dry_path(plate.moves, last, np.array([0.0, 0.0]))) == 0


def test_no_bead_makes_no_chain() -> None:
    segments, chains = _chains(Plate.from_bytes(b"G1 X1\n"))
    assert len(chains) == 0
    assert len(segments.bead) == 0


@given(
    st.floats(0.5, 80), st.floats(0.05, tau), st.sampled_from(["G2", "G3"]), st.sampled_from([0.005, 0.05])
)
def test_arcs_are_cut_within_the_tolerance(radius: float, sweep: float, word: str, tolerance: float) -> None:
    way = 1 if word == "G3" else -1
    end = (100 + radius * cos(way * sweep), 100 + radius * sin(way * sweep))
    text = f"M83\nG1 X{100 + radius:.6f} Y100 Z0.2\n{word} X{end[0]:.6f} Y{end[1]:.6f} I{-radius:.6f} J0 E1\n"
    plate = Plate.from_bytes(text.encode())
    pieces = segments_of(plate.program, np.array([1]), tolerance)
    middle = np.hypot((pieces.x0 + pieces.x1) / 2 - 100, (pieces.y0 + pieces.y1) / 2 - 100)
    assert np.all(radius - middle <= tolerance * 1.001 + 1e-5)
    np.testing.assert_allclose(np.hypot(pieces.x0 - 100, pieces.y0 - 100), radius, atol=1e-5)
    np.testing.assert_array_equal(pieces.x1[:-1], pieces.x0[1:])
    assert (pieces.x1[-1], pieces.y1[-1]) == (plate.moves.x[1], plate.moves.y[1])


def test_a_circle_of_one_arc_is_a_loop_of_its_area() -> None:
    plate = Plate.from_bytes(b"M83\nG1 X110 Y100 Z0.2\nG3 X110 Y100 I-10 J0 E2\n")
    _, chains = _chains(plate)
    assert chains.closed.tolist() == [True]
    assert chains.area_mm2[0] == pytest.approx(100 * pi, rel=1e-3)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 6)), max_size=8))
def test_spread_lists_ranges_one_after_the_other(ranges: list[tuple[int, int]]) -> None:
    begin = np.array([a for a, _ in ranges], np.int64)
    stop = begin + np.array([n for _, n in ranges], np.int64)
    index, owner = spread(begin, stop)
    wanted = [(k, i) for k, (a, n) in enumerate(ranges) for i in range(a, a + n)]
    assert list(zip(owner.tolist(), index.tolist(), strict=True)) == wanted
