"""What carries a bead. The 5 mm span and the two beads from a side are common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, MultiPolygon, Polygon, box

from gcodetools.toolpath.strands import Strand
from gcodetools.treat.carry import SIDE_BEADS, SPAN_MM, Below, carried
from gcodetools.treat.intervals import line_of

PITCH, WIDTH = 0.4, 0.45
NOTHING = MultiPolygon()
WALLS = box(0, 0, 40, 40) - box(1, 1, 39, 39)
SIDE = 1 + SIDE_BEADS * PITCH + 0.02  # from here on nothing at the side carries


def line(points, loop=0):
    points = np.asarray(points, float)
    return Strand(points, np.full(len(points) - 1, PITCH), False, loop)


def loop_at(inset):
    points = np.array([(inset, inset), (40 - inset, inset), (40 - inset, 40 - inset), (inset, 40 - inset)])
    return Strand(points, np.full(4, PITCH), True, 1)


def length(strands):
    return sum(LineString(line_of(s)).length for s in strands)


def over(strands, solid=NOTHING, sparse=NOTHING, walls=WALLS):
    return carried(strands, Below(solid, sparse), walls, PITCH, WIDTH)


def bars(*places, width=2.0):
    """Solid bars across the room, their middles at x."""
    return shapely.union_all([box(x - width / 2, 0, x + width / 2, 40) for x in places])


def test_on_the_bed_all_is_carried_and_nothing_is_a_bridge():
    strands = [loop_at(3), line([(5, 20), (35, 20)])]
    found = carried(strands, Below(None, NOTHING), WALLS, PITCH, WIDTH)
    assert found.strands == strands and not found.bridge.any() and found.open_mm == 0.0


def test_without_strands_nothing_is_carried():
    found = over([])
    assert found.strands == [] and len(found.bridge) == 0


def test_over_solid_plastic_all_is_carried_and_nothing_is_a_bridge():
    strands = [loop_at(3), line([(5, 20), (35, 20)])]
    found = over(strands, solid=box(0, 0, 40, 40))
    assert [s.points.tolist() for s in found.strands] == [s.points.tolist() for s in strands]
    assert found.bridge.tolist() == [False, False] and found.open_mm == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("away", "held"), [(0.5, True), (1.5, True), (2.0, True), (2.3, False), (6.0, False)]
)
def test_a_wall_carries_two_beads_from_its_side_over_air(away, held):
    inset = 1 + away * PITCH
    found = over([loop_at(inset)])
    assert bool(found.strands) == held
    if held:
        assert found.bridge.tolist() == [True]  # nothing lies below it
        assert found.open_mm == 0.0
    else:
        assert found.open_mm == pytest.approx(length([loop_at(inset)]))


@pytest.mark.parametrize(("gap", "held"), [(3.0, True), (4.95, True), (5.1, False), (12.0, False)])
def test_a_span_of_at_most_five_millimetres_is_bridged(gap, held):
    """Between two solid bars, which carry two beads beside them too."""
    reach = SIDE_BEADS * PITCH + 0.02
    middle = 20.0
    a, b = middle - gap / 2 - reach, middle + gap / 2 + reach
    solid = box(5, 0, a, 40) | box(b, 0, 35, 40)
    found = over([line([(6, 20), (34, 20)])], solid=solid)
    if held:
        assert len(found.strands) == 1 and found.open_mm == pytest.approx(0, abs=1e-6)
    else:
        assert len(found.strands) == 2 and found.open_mm == pytest.approx(gap, abs=1e-3)
        ends = [(s.points[0, 0], s.points[-1, 0]) for s in found.strands]
        assert ends == [pytest.approx((6, 20 - gap / 2)), pytest.approx((20 + gap / 2, 34))]
    assert length(found.strands) + found.open_mm == pytest.approx(28, abs=1e-6)


def test_lines_of_sparse_fill_carry_and_what_lies_over_them_is_a_bridge():
    lines = MultiLineString([[(x, 0), (x, 40)] for x in range(4, 40, 4)])
    found = over([line([(5, 20), (35, 20)])], sparse=lines)
    # The ends hang over: they reach no further than the last line.
    assert len(found.strands) == 1
    assert found.strands[0].points[[0, -1], 0].tolist() == pytest.approx(
        [8 - WIDTH / 2, 32 + WIDTH / 2], abs=0.05
    )
    assert found.bridge.tolist() == [True]
    assert found.open_mm == pytest.approx(30 - length(found.strands))


def test_lines_of_sparse_fill_that_stand_wider_than_a_span_carry_nothing_between_them():
    lines = MultiLineString([[(x, 0), (x, 40)] for x in (10, 20, 30)])
    found = over([line([(5, 20), (35, 20)])], sparse=lines)
    assert len(found.strands) == 3 and all(length([s]) < 0.5 for s in found.strands)


def test_a_loop_whose_begin_hangs_between_two_held_places_stays_whole():
    """The span over the begin of a closed strand is a span like any other."""
    loop = loop_at(8)
    around = loop.points[0]
    solid = box(0, 0, 40, 40) - box(around[0] - 1, around[1] - 1, around[0] + 2.5, around[1] + 2.5)
    found = over([loop], solid=solid, walls=box(0, 0, 40, 40) - box(1, 1, 39, 39))
    assert len(found.strands) == 1 and found.open_mm == pytest.approx(0, abs=1e-6)
    assert found.strands[0].closed and length(found.strands) == pytest.approx(length([loop]))


@pytest.mark.parametrize(("share", "bridge"), [(0.9, False), (0.55, False), (0.45, True), (0.0, True)])
def test_a_bead_mostly_over_solid_plastic_is_no_bridge(share, bridge):
    """Half its length decides. A wall at its side holds it where nothing lies below."""
    strand = line([(5, 1.6), (35, 1.6)])
    solid = box(5, 1, 5 + 30 * share, 3) if share else NOTHING
    found = over([strand], solid=solid)
    assert found.bridge.tolist() == [bridge] and length(found.strands) == pytest.approx(30)


@given(st.lists(st.floats(3, 37), min_size=0, max_size=6), st.booleans(), st.integers(4, 14))
def test_what_is_laid_is_held_at_both_ends_and_spans_no_more_than_allowed(places, closed, inset):
    strand = loop_at(float(inset)) if closed else line([(3, inset), (20, inset + 6), (37, inset)])
    solid = bars(*places, width=1.0)
    found = over([strand], solid=solid, walls=WALLS)
    held = (shapely.union(WALLS, solid)).buffer(SIDE_BEADS * PITCH + 0.03)
    assert length(found.strands) + found.open_mm == pytest.approx(length([strand]), abs=1e-6)
    for piece in found.strands:
        path = LineString(line_of(piece))
        hanging = shapely.get_parts(path.difference(held))
        assert all(part.length <= SPAN_MM + 1e-6 for part in hanging)
        if not piece.closed:
            assert shapely.distance(held, shapely.points(piece.points[[0, -1]])).max() < 0.05
    # And nothing that is held is left out.
    laid = shapely.union_all([LineString(line_of(s)).buffer(0.01) for s in found.strands] or [Polygon()])
    sure = (shapely.union(WALLS, solid)).buffer(SIDE_BEADS * PITCH - 0.03, quad_segs=4)
    assert LineString(line_of(strand)).intersection(sure).difference(laid).length < 0.05


def test_a_bridge_over_air_stays_whole_and_one_over_sparse_fill_does_not():
    edge = np.array([[1.4, 1.4], [18.6, 1.4], [18.6, 18.6], [1.4, 18.6]])
    loop = Strand(edge, np.full(4, PITCH), True, 1)
    walls = box(0, 0, 20, 20).difference(box(1, 1, 19, 19))
    bridges = box(0.6, 0.6, 19.4, 19.4)

    def laid(sparse, own=bridges):
        return carried([loop], Below(walls, sparse), walls, PITCH, WIDTH, own)

    assert len(laid(NOTHING, NOTHING).strands) == 1  # its side carries it where the file does not bridge
    found = laid(NOTHING)
    assert found.strands == [] and found.open_mm == pytest.approx(4 * 17.2)
    along_the_wall = shapely.multilinestrings([[[0.5, 0.5], [19.5, 0.5]]])
    assert laid(along_the_wall).strands == []
    across = shapely.multilinestrings([[[1, 10], [19, 10]]])
    assert len(laid(across).strands) == 1


def test_a_bridge_over_what_new_beads_have_made_solid_gives_way():
    loop = Strand(np.array([[5.0, 5.0], [15.0, 5.0], [15.0, 15.0], [5.0, 15.0]]), np.full(4, PITCH), True, 1)
    walls = box(0, 0, 20, 20).difference(box(1, 1, 19, 19))
    bridges = box(0.6, 0.6, 19.4, 19.4)

    def laid(solid):
        return carried([loop], Below(solid, NOTHING), walls, PITCH, WIDTH, bridges)

    found = laid(box(0, 0, 20, 20).difference(box(9.8, 1, 10.2, 19)))
    assert len(found.strands) == 1 and found.open_mm == 0 and not found.bridge.any()
    assert laid(box(0, 0, 20, 20).difference(box(4, 4, 16, 16))).strands == []
