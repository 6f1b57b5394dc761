"""Fill that gives way: the area of new beads, stretches cut at its edge, crumbs."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from replay import SPARSE, Sheet, circle, squares
from shapely import LineString, Point, Polygon, box

from gcodetools.edit.draft import MIN_PIECE_E_UNITS, MIN_PIECE_MM
from gcodetools.toolpath.plate import Plate
from gcodetools.toolpath.strands import Strand
from gcodetools.treat.replacing import band_of, replaced

B = 0.4


def ring(points, breadth=B):
    points = np.asarray(points, float)
    return Strand(points, np.broadcast_to(breadth, len(points)).astype(float), True, 1)


def line(points, breadth=B):
    points = np.asarray(points, float)
    return Strand(points, np.broadcast_to(breadth, len(points) - 1).astype(float), False, 0)


# The area that beads take.


def test_a_ring_takes_its_length_times_its_breadth():
    """pi ((r + b/2)^2 - (r - b/2)^2) = 2 pi r b (closed form)."""
    band = band_of([ring(circle(10.0, 400))])
    assert band.area == pytest.approx(2 * pi * 10 * B, rel=1e-3)
    assert band.bounds == pytest.approx((-10.2, -10.2, 10.2, 10.2), abs=5e-3)


def test_an_open_bead_ends_flat_and_a_little_short():
    band = band_of([line([(0, 0), (10, 0)])])
    assert band.bounds == pytest.approx((0.15 * B, -B / 2, 10 - 0.15 * B, B / 2), abs=5e-3)
    assert band.area == pytest.approx((10 - 0.3 * B) * B, rel=5e-3)


def test_a_bead_shorter_than_its_ends_still_takes_something():
    assert 0 < band_of([line([(0, 0), (0.05, 0)])]).area < 0.05 * B


def test_a_square_loop_has_square_corners():
    band = band_of([ring([(0, 0), (10, 0), (10, 10), (0, 10)])])
    assert band.area == pytest.approx((10 + B) ** 2 - (10 - B) ** 2, rel=1e-3)


def test_breadths_that_change_along_a_bead_are_followed():
    breadth = np.array([0.3, 0.3, 0.6, 0.6])
    band = band_of([line([(0, 0), (5, 0), (10, 0), (15, 0), (20, 0)], breadth)])
    for x, half in ((2.5, 0.15), (17.5, 0.3)):
        across = LineString([(x, -2), (x, 2)]).intersection(band)
        assert across.length == pytest.approx(2 * half, abs=0.021)  # in steps of 0.02
    assert shapely.is_valid(band) and shapely.get_num_geometries(band) == 1


def test_beads_side_by_side_leave_no_slit():
    beads = [ring([(k * B, k * B), (10 - k * B, k * B), (10 - k * B, 10 - k * B), (k * B, 10 - k * B)])
             for k in range(3)]  # fmt: skip
    band = band_of(beads)
    hole = 10 - 5 * B  # from one innermost edge to the other
    assert band.area == pytest.approx((10 + B) ** 2 - hole**2, rel=2e-3)
    holes = [shapely.Polygon(ring).area for part in shapely.get_parts(band) for ring in part.interiors]
    # Where two beads touch an edge of no breadth may stay; a line across them is cut once all the same.
    assert [area for area in holes if area > 1e-9] == [pytest.approx(hole**2, rel=2e-3)]


def test_a_line_across_beads_side_by_side_is_cut_once():
    plate = zigzag((10, 0, 0.4), (10, 5, 0.2))
    beads = [line([(x, -3), (x, 3)]) for x in (2.0, 2.0 + B, 2.0 + 2 * B)]
    found = replaced(plate, fill_of(plate), band_of(beads))
    assert found.row.tolist() == fill_of(plate)[:1].tolist()
    assert (found.t0[0], found.t1[0]) == pytest.approx((0.18, 0.30), abs=1e-6)


def test_the_same_beads_elsewhere_take_the_same_area_there():
    one = [ring(circle(5.0)), line([(-3, 0), (3, 0)])]
    by = np.array([123.456789, -77.7])
    other = [Strand(s.points + by, s.breadth, s.closed, s.loop) for s in one]
    shifted = shapely.transform(band_of(one), lambda xy: xy + by)
    assert band_of(other).symmetric_difference(shifted).area < 1e-3


# What gives way to it.


@pytest.fixture(scope="module")
def plate() -> Plate:
    return squares(Sheet(), layers=1).plate()


def fill_of(plate):
    return np.flatnonzero(plate.beads.feature == SPARSE).astype(np.int64)


def lines_of(plate, rows):
    moves = plate.moves
    ends = [np.column_stack([moves.x[rows + k], moves.y[rows + k]]) for k in (-1, 0)]
    return shapely.linestrings(np.stack(ends, axis=1))


def removed_mm(plate, found):
    return float((plate.beads.length_mm[found.row] * (found.t1 - found.t0)).sum())


def test_what_gives_way_is_cut_at_the_edge(plate):
    found = replaced(plate, fill_of(plate), box(-1, -1, 5, 21))
    long = plate.beads.length_mm[found.row] > 15
    # Lines of 18 mm from x = 1 to 19 and back: 4 mm of each, at its begin or its end.
    stretches = sorted(zip(found.t0[long].tolist(), found.t1[long].tolist(), strict=True))
    assert np.allclose(stretches, [(0.0, 2 / 9)] * 3 + [(7 / 9, 1.0)] * 3, rtol=0, atol=1e-6)
    assert found.crumbs == 0


def test_nothing_gives_way_to_nothing(plate):
    for zone in (Polygon(), box(50, 50, 60, 60)):
        found = replaced(plate, fill_of(plate), zone)
        assert len(found.row) == len(found.t0) == 0 and found.crumbs == 0
    assert len(replaced(plate, np.empty(0, np.int64), box(0, 0, 20, 20)).row) == 0


def test_all_gives_way_where_all_is_taken(plate):
    rows = fill_of(plate)
    found = replaced(plate, rows, box(-1, -1, 21, 21))
    assert found.row.tolist() == rows.tolist()
    assert np.all(found.t0 == 0) and np.all(found.t1 == 1) and found.crumbs == 0


@given(
    st.lists(st.tuples(st.floats(0, 20), st.floats(0, 20), st.floats(0.2, 8)), min_size=1, max_size=4),
    st.booleans(),
)
def test_what_goes_and_what_stays_are_the_old_fill(places, square):
    """By length, against shapely; all that stays can be printed."""
    plate = squares(Sheet(), layers=1).plate()
    rows = fill_of(plate)
    shapes = [box(x - r, y - r, x + r, y + r) if square else Point(x, y).buffer(r, quad_segs=8)
              for x, y, r in places]  # fmt: skip
    zone = shapely.union_all(shapes)
    found = replaced(plate, rows, zone)
    assert np.all(np.diff(found.row) >= 0) and np.all(found.t1 > found.t0)
    same = np.diff(found.row) == 0
    assert np.all(found.t0[1:][same] > found.t1[:-1][same] + 1e-9)
    inside = shapely.length(shapely.intersection(zone, lines_of(plate, rows)))
    scratches = 0.05 * len(rows) * len(places)  # less than 0.05 mm is not worth a cut
    assert inside.sum() - scratches <= removed_mm(plate, found) <= inside.sum() + found.crumbs_mm + 1e-6
    kept = np.ones(len(plate.moves)) * plate.beads.length_mm
    np.subtract.at(kept, found.row, plate.beads.length_mm[found.row] * (found.t1 - found.t0))
    assert kept[rows].sum() + removed_mm(plate, found) == pytest.approx(plate.beads.length_mm[rows].sum())
    e = plate.moves.e[rows].sum() - (plate.moves.e[found.row] * (found.t1 - found.t0)).sum()
    assert e >= -1e-9
    touched = np.unique(found.row)
    share = kept[touched] / plate.beads.length_mm[touched]
    left = share * plate.moves.e[touched]
    assert np.all((share < 1e-6) | (left >= MIN_PIECE_E_UNITS * 1e-5 - 1e-12))


def zigzag(*lines):
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Internal infill")
    sheet.height(0.2)
    sheet.go(0, 0, 100)
    for x, y, e in lines:
        sheet.bead(x, y, e, 30)
    sheet.go(50, 50)
    return sheet.plate()


def test_a_crumb_that_a_cut_leaves_goes_too_and_is_counted():
    plate = zigzag((10, 0, 0.4), (10, 5, 0.2))
    rows = fill_of(plate)
    found = replaced(plate, rows, box(-1, -1, 9.7, 1) | box(9, 0.1, 11, 6))
    # 0.3 mm of the first and 0.1 mm of the second hang together: 0.4 mm, less than can be printed.
    assert (found.crumbs, found.crumbs_mm) == (1, pytest.approx(0.4, abs=1e-6))
    assert found.row.tolist() == rows.tolist() and np.all(found.t1 - found.t0 == 1)


def test_crumbs_that_hang_together_long_enough_stay():
    plate = zigzag((10, 0, 0.4), (10, 5, 0.2))
    found = replaced(plate, fill_of(plate), box(-1, -1, 9.7, 1) | box(9, 0.3, 11, 6))
    assert found.crumbs == 0  # 0.3 + 0.3 mm
    assert removed_mm(plate, found) == pytest.approx(9.7 + 4.7)


def test_a_short_bead_of_the_file_s_own_stays():
    plate = zigzag((10, 0, 0.4), (10, 0.3, 0.02), (0, 0.3, 0.4))
    assert MIN_PIECE_MM > 0.3
    found = replaced(plate, fill_of(plate), box(-1, -1, 2, 1))
    assert found.row.tolist() == [fill_of(plate)[0], fill_of(plate)[2]] and found.crumbs == 0


def test_a_piece_that_would_starve_goes():
    plate = zigzag((10, 0, 0.0005), (10, 5, 0.2))
    found = replaced(plate, fill_of(plate), box(-1, -1, 7, 1))
    # 3 mm of it would hold 0.00015 mm of filament: fewer than 20 units of the last digit.
    assert (found.t0[0], found.t1[0]) == (0.0, 1.0) and found.crumbs == 1


def test_scratches_of_less_than_a_twentieth_are_no_cut():
    plate = zigzag((10, 0, 0.4), (10, 5, 0.2))
    assert len(replaced(plate, fill_of(plate), box(-1, -1, 0.04, 1)).row) == 0


def test_lines_with_characters_of_no_word_stay():
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Internal infill", "G1 Z.2 F600", "G1 X0 Y0 F6000",
              "G1 X10 Y0 E.4 # odd", "G1 X10 Y5 E.2")  # fmt: skip
    plate = sheet.plate()
    assert len(plate.program.odd) == 1
    found = replaced(plate, fill_of(plate), box(-1, -1, 20, 20))
    assert found.row.tolist() == [fill_of(plate)[1]]


def test_an_arc_is_cut_where_it_crosses_the_edge():
    """A half circle of radius 10 about the origin is at 60 degrees where x = 5."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Internal infill")
    sheet.height(0.2)
    sheet.go(10, 0, 100)
    sheet.arc(-10, 0, -10, 0, 1.2)
    sheet.go(50, 50)
    plate = sheet.plate()
    found = replaced(plate, fill_of(plate), box(5, -1, 20, 20))
    assert found.t0.tolist() == [0.0] and found.t1.tolist() == pytest.approx([1 / 3], abs=2e-3)


def test_slits_between_beads_are_no_holes_and_openings_are():
    """Two beads side by side whose breadth changes leave slits; a ring leaves what is inside it."""
    x = np.arange(0, 20.1, 0.5)
    breadth = 0.4 + 0.05 * np.sin(np.arange(len(x) - 1))
    rows = [line(np.column_stack([x, np.full(len(x), y)]), breadth) for y in (0.0, 0.38, 0.76)]
    band = band_of([*rows, ring(circle(3.0, 60))])
    holes = [shapely.Polygon(hole).area for part in shapely.get_parts(band) for hole in part.interiors]
    assert holes and min(holes) > 0.02
    moved = shapely.transform(band, lambda xy: xy + np.array([3.3, 7.7]))
    assert shapely.is_valid(moved)
