"""Beads as pieces: lengths, middles and directions of lines and arcs, from moves as read."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.pieces import Bends, divide, divide_rows, samples_of
from gcodetools.toolpath.plate import Plate

HEAD = "G90\nM83\nG1 Z0.2 F3000\nG1 X10 Y10\n"


def columns(*values: float) -> list[np.ndarray]:
    return [np.array([v], float) for v in values]


def rows_of(text: str, t0=None, t1=None, step_mm=0.5):
    """Pieces of the rows behind HEAD, and the plate."""
    plate = Plate.from_bytes((HEAD + text).encode(), "a.gcode")
    row = np.arange(2, len(plate.moves))
    ends = [np.full(len(row), d) if t is None else np.array(t, float) for t, d in ((t0, 0.0), (t1, 1.0))]
    return divide_rows(
        plate.moves, plate.program.arcs, row, *ends, plate.beads.length_mm[row], step_mm
    ), plate


@given(
    ends=st.lists(st.tuples(*[st.floats(-100, 100)] * 4), min_size=1, max_size=20),
    step_mm=st.floats(0.1, 3.0),
    t=st.tuples(st.floats(0, 1), st.floats(0, 1)),
)
def test_pieces_of_lines_lie_where_shapely_interpolates(ends, step_mm, t):
    x0, y0, x1, y1 = np.array(ends).T
    length = np.hypot(x1 - x0, y1 - y0)
    t0, t1 = np.full(len(ends), min(t)), np.full(len(ends), max(t))
    pieces = divide(x0, y0, x1, y1, length, step_mm, t0=t0, t1=t1)
    assert np.all(pieces.length_mm <= step_mm * (1 + 1e-6))
    whole = np.bincount(pieces.index, pieces.length_mm, minlength=len(ends))
    assert whole == pytest.approx(length * (max(t) - min(t)), abs=1e-9)
    lines = shapely.linestrings(np.array(ends).reshape(-1, 2, 2))[pieces.index]
    there = shapely.get_coordinates(shapely.line_interpolate_point(lines, pieces.t, normalized=True))
    assert np.column_stack([pieces.x_mm, pieces.y_mm]) == pytest.approx(there, abs=1e-9)
    assert np.hypot(pieces.ux, pieces.uy) == pytest.approx(np.ones(len(pieces.t)))
    ahead = pieces.ux * (x1 - x0)[pieces.index] + pieces.uy * (y1 - y0)[pieces.index]
    assert ahead == pytest.approx(length[pieces.index])


def test_as_few_pieces_as_the_step_allows_in_order():
    pieces = divide(*columns(0, 0, 2, 0, 2))
    assert pieces.t.tolist() == [0.125, 0.375, 0.625, 0.875]
    assert divide(*columns(0, 0, 2.01, 0, 2.01)).length_mm == pytest.approx(np.full(5, 0.402))
    assert divide(*columns(0, 0, 0.1, 0, 0.1)).length_mm.tolist() == [0.1]


def test_a_stretch_keeps_the_fractions_of_the_whole_path():
    pieces = divide(*columns(0, 0, 10, 0, 10), t0=np.array([0.3]), t1=np.array([0.4]))
    assert pieces.t == pytest.approx([0.325, 0.375])
    assert pieces.x_mm == pytest.approx([3.25, 3.75])
    assert pieces.length_mm == pytest.approx([0.5, 0.5])


def test_what_has_no_length_or_no_direction_has_no_pieces():
    x0 = np.array([0.0, 0.0, 0.0, 0.0])
    x1 = np.array([0.0, 1.0, 0.0, 1.0])
    t1 = np.array([1.0, 0.0, 1.0, 1.0])
    pieces = divide(x0, x0, x1, x0, np.array([0.0, 1.0, 0.2, 1.0]), t0=np.zeros(4), t1=t1)
    assert pieces.index.tolist() == [3, 3]


@pytest.mark.parametrize("sweep_deg", [90, -90, 270, -359, 360, -360, 720])
@pytest.mark.parametrize("radius", [0.3, 2.0, 40.0])
def test_pieces_of_arcs_lie_on_the_circle(sweep_deg: float, radius: float):
    sweep, begin = np.radians(sweep_deg), 0.7
    x0, y0 = 5 + radius * np.cos(begin), -3 + radius * np.sin(begin)
    x1, y1 = 5 + radius * np.cos(begin + sweep), -3 + radius * np.sin(begin + sweep)
    bends = Bends(np.array([0]), *columns(5, -3, radius, begin, sweep))
    pieces = divide(*columns(x0, y0, x1, y1, radius * abs(sweep)), bends=bends)
    assert pieces.length_mm.sum() == pytest.approx(radius * abs(sweep))
    px, py = pieces.x_mm - 5, pieces.y_mm + 3
    assert np.hypot(px, py) == pytest.approx(np.full(len(px), radius))
    # A tangent is square to the radius, and turns with the arc.
    assert px * pieces.uy - py * pieces.ux == pytest.approx(np.full(len(px), radius * np.sign(sweep)))
    turned = np.unwrap(np.append(begin, np.arctan2(py, px)))[1:] if radius > 1 else begin + sweep * pieces.t
    assert np.cos(turned - begin - sweep * pieces.t) == pytest.approx(np.ones(len(px)))
    assert len(px) == np.ceil(radius * abs(sweep) / 0.5 - 1e-9)


def test_arcs_of_a_file_run_as_the_standard_has_them():
    """G3 turns counter-clockwise, G2 clockwise; I and J from the start (ISO 6983-1:2009)."""
    pieces, _ = rows_of("G3 X0 Y20 I-10 J0 E1\nG2 X10 Y10 I10 J0 E1\n", step_mm=0.1)
    # First a quarter about (0, 10) from (10, 10) to (0, 20), then three quarters about (10, 20).
    first, second = pieces.index == 0, pieces.index == 1
    assert pieces.length_mm[first].sum() == pytest.approx(5 * np.pi)
    assert np.hypot(pieces.x_mm[first], pieces.y_mm[first] - 10) == pytest.approx(np.full(first.sum(), 10.0))
    assert np.all((pieces.x_mm[first] > 0) & (pieces.y_mm[first] > 10))
    assert pieces.uy[first][0] == pytest.approx(1.0, abs=0.01)
    assert pieces.ux[first][-1] == pytest.approx(-1.0, abs=0.01)
    assert pieces.length_mm[second].sum() == pytest.approx(15 * np.pi)
    assert pieces.uy[second][0] == pytest.approx(1.0, abs=0.01)
    assert pieces.x_mm[second].max() == pytest.approx(20.0, abs=0.01)


def test_lines_arcs_and_full_circles_of_a_file_follow_each_other():
    text = "G1 X12 Y10 E1\nG2 X12 Y10 I-1 J0 E1\nG1 X12 Y14 E1\nG1 E-1\nG3 X12 Y14 I0 J2 E1\n"
    pieces, plate = rows_of(text)
    whole = np.bincount(pieces.index, pieces.length_mm, minlength=5)
    assert whole == pytest.approx([2.0, 2 * np.pi, 4.0, 0.0, 4 * np.pi])
    assert np.all(np.diff(pieces.index) >= 0)
    assert plate.beads.length_mm[2:] == pytest.approx([2.0, 2 * np.pi, 4.0, 0.0, 4 * np.pi])


def test_stretches_of_one_row_in_any_order():
    plate = Plate.from_bytes((HEAD + "G1 X20 E1\nG3 X20 Y20 I0 J5 E1\n").encode(), "a.gcode")
    row = np.array([3, 2, 3])
    pieces = divide_rows(
        plate.moves, plate.program.arcs, row,
        np.array([0.75, 0.1, 0.0]), np.array([1.0, 0.2, 0.25]), plate.beads.length_mm[row], 100.0,
    )  # fmt: skip
    assert pieces.index.tolist() == [0, 1, 2]
    # The half circle about (20, 15), at 7/8 and at 1/8 of it; the line at 0.15.
    angle = np.pi * np.array([7, 1]) / 8 - np.pi / 2
    assert pieces.x_mm == pytest.approx([20 + 5 * np.cos(angle[0]), 11.5, 20 + 5 * np.cos(angle[1])])
    assert pieces.y_mm == pytest.approx([15 + 5 * np.sin(angle[0]), 10.0, 15 + 5 * np.sin(angle[1])])
    assert pieces.length_mm == pytest.approx([5 * np.pi / 4, 1.0, 5 * np.pi / 4])


def test_a_helix_has_its_own_length():
    pieces, _ = rows_of("G3 X10 Y10 Z3.2 I-2 J0 E1\n")
    assert pieces.length_mm.sum() == pytest.approx(np.hypot(4 * np.pi, 3.0))
    assert np.hypot(pieces.x_mm - 8, pieces.y_mm - 10) == pytest.approx(np.full(len(pieces.t), 2.0))


def test_arcs_of_other_planes_are_taken_as_their_chord():
    pieces, _ = rows_of("G18\nG3 X14 Z0.2 I2 K0 E1\n")
    assert pieces.y_mm == pytest.approx(np.full(len(pieces.t), 10.0))
    assert np.diff(pieces.x_mm) == pytest.approx(np.full(len(pieces.t) - 1, 4 / len(pieces.t)))
    assert pieces.length_mm.sum() == pytest.approx(2 * np.pi)


def test_the_first_row_begins_at_the_origin():
    plate = Plate.from_bytes(b"G90\nM83\nG1 X3 Y4 E1 F600\n", "a.gcode")
    pieces = divide_rows(
        plate.moves,
        plate.program.arcs,
        np.array([0]),
        np.zeros(1),
        np.ones(1),
        plate.beads.length_mm[:1],
        9.0,
    )
    assert (pieces.x_mm[0], pieces.y_mm[0], pieces.length_mm[0]) == pytest.approx((1.5, 2.0, 5.0))


def test_samples_have_what_holds_for_their_path():
    x0, x1, y = np.array([0.0, 5.0]), np.array([1.0, 5.5]), np.array([0.0, 1.0])
    pieces = divide(x0, y, x1, y, x1 - x0)
    samples = samples_of(
        pieces,
        row=np.array([7, 9], np.int32),
        width_mm=np.array([0.45, 0.6], np.float32),
        height_mm=np.array([0.2, 0.3], np.float32),
        top_mm=np.array([0.2, 0.5]),
        layer=np.array([0, 1]),
        begin_s=np.array([100.0, 200.0]),
        seconds=np.array([4.0, 1.0]),
        solid=np.array([True, False]),
        owner=np.array([3, 4], np.int16),
    )
    assert samples.laid_s.tolist() == [101.0, 103.0, 200.5]
    assert samples.row.tolist() == [7, 7, 9]
    assert samples.owner.tolist() == [3, 3, 4]
    assert samples.width_mm == pytest.approx([0.45, 0.45, 0.6])
    assert samples.top_mm.tolist() == [0.2, 0.2, 0.5]
    assert samples.solid.tolist() == [True, True, False]
    assert [c.dtype for c in (samples.layer, samples.row, samples.width_mm)] == [
        np.int32,
        np.int64,
        np.float64,
    ]
    assert len(samples.take(~samples.solid)) == 1
    assert samples.take(np.array([2, 0])).row.tolist() == [9, 7]
