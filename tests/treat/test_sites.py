"""Sites: rooms of an instance by layer, told apart by shape, and what lies below them."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from replay import PERIMETER, Sheet, squares
from shapely import box

from gcodetools.kit.placing import Pose
from gcodetools.kit.settings import Treatment
from gcodetools.toolpath.measures import measure
from gcodetools.toolpath.strands import Strand
from gcodetools.treat.laying import Bead
from gcodetools.treat.links import Way
from gcodetools.treat.sites import Laid, Sites


@pytest.fixture(scope="module")
def plate():
    return squares(Sheet(), layers=4, names=("a", "b")).plate()


def sites_of(plate, instance=1):
    beads = plate.beads
    mine = (beads.feature != 0) & ((plate.moves.x < 25) == (instance == 1)) & (beads.layer >= 0)
    rows = np.flatnonzero(mine).astype(np.int32)
    layer = beads.layer[rows]
    pose = Pose("a", instance, None, 10.0, 10.0, 0.0, 0.0, 1.0, False, 0.0, rows, layer - layer[0] + 1, 4)
    return Sites(plate, pose, measure(plate))


def test_an_island_s_room_is_inside_its_walls(plate):
    (site,) = sites_of(plate).at(plate.beads.layer[plate.beads.layer >= 0].min())
    assert site.layer == 1
    assert site.room.island.polygon.area == pytest.approx(20.45**2, rel=0.02)
    assert shapely.difference(site.room.space, box(0.5, 0.5, 19.5, 19.5)).area < 1e-6
    assert site.walls.area + site.room.space.area == pytest.approx(site.room.island.polygon.area, rel=1e-9)
    assert site.free.equals(site.room.space)
    rows = np.concatenate([site.room.wall_rows, site.room.fill_rows])
    assert np.all(plate.moves.x[rows] < 25) and len(np.unique(rows)) == len(rows)


def test_a_site_is_made_once_and_told_of_with_all_others(plate):
    sites = sites_of(plate)
    second, first = sites.at(2), sites.at(1)
    assert sites.at(2) is second
    assert [layer for layer, _ in sites.all()] == [1, 2]
    assert [site for _, site in sites.all()] == [*first, *second]


def test_layers_alike_have_one_state_and_rows_of_their_own(plate):
    sites = sites_of(plate)
    (one,), (two,) = sites.at(1), sites.at(2)
    assert one.state == two.state and one.room.space is two.room.space
    by = int(two.room.wall_rows[0] - one.room.wall_rows[0])
    assert by > 0
    for name in ("wall_rows", "fill_rows"):
        assert np.array_equal(getattr(two.room, name), getattr(one.room, name) + by)
    assert np.array_equal(two.room.island.rows, one.room.island.rows + by)
    assert (one.room.layer, two.room.layer, one.layer, two.layer) == (1, 2, 2, 3)
    for mine, other in zip(one.room.walls, two.room.walls, strict=True):
        assert np.array_equal(mine.rows + by, other.rows)
    assert np.all(plate.beads.layer[two.room.wall_rows] == 2)


def test_layers_that_differ_have_states_of_their_own():
    sheet = Sheet()
    for layer, size in enumerate((20, 20, 16)):
        z = 0.2 * (layer + 1)
        sheet.say(";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2", ";TYPE:Perimeter")
        sheet.height(z)
        sheet.go(0, 0, 100)
        for x, y in ((size, 0), (size, size), (0, size), (0, 0)):
            sheet.bead(x, y, 0.6, 30)
    plate = sheet.plate()
    sites = sites_of(plate)
    states = [sites.at(k)[0].state for k in range(3)]
    assert states[0] == states[1] != states[2]
    assert sites.at(2)[0].room.island.polygon.area < sites.at(1)[0].room.island.polygon.area


def test_a_layer_without_it_has_no_sites(plate):
    assert sites_of(plate).at(99) == []


def test_plate_layers_are_counted_by_the_instance_s_own(plate):
    assert sites_of(plate).plate_layers(2, 3) == [1, 2]
    assert sites_of(plate, 2).plate_layers(1, 1) == [0] and sites_of(plate).plate_layers(5, 9) == []


def test_under_the_first_layer_is_the_bed(plate):
    below = sites_of(plate).below(0)
    assert below.solid is None


def test_below_are_walls_and_the_lines_of_the_fill_that_stays(plate):
    sites = sites_of(plate)
    below = sites.below(1)
    (under,) = sites.at(0)
    assert below.solid.symmetric_difference(under.walls).area < 1e-9
    moves, rows = plate.moves, under.room.fill_rows
    length = np.hypot(moves.x[rows] - moves.x[rows - 1], moves.y[rows] - moves.y[rows - 1]).sum()
    assert below.sparse.length == pytest.approx(length)


def test_what_is_laid_below_carries_and_takes_room(plate):
    sites = sites_of(plate)
    (under,) = sites.at(0)
    before = sites.below(1)
    under.taken = box(5, 5, 10, 10)
    assert sites.below(1) is before  # until its state says that it is another
    under.state = sites.state((under.state, "laid"))
    after = sites.below(1)
    assert after.solid.area == pytest.approx(before.solid.area + 25)
    assert under.free.area == pytest.approx(under.room.space.area - 25)
    assert sites.below(2).solid.area == pytest.approx(before.solid.area)


def test_a_state_is_a_number_for_what_it_says(plate):
    sites = sites_of(plate)
    assert sites.state(("x", 1)) == sites.state(("x", 1)) != sites.state(("x", 2))


@pytest.mark.parametrize(("closed", "end"), [(True, ([0, 0], [5, 5])), (False, ([5, 5], [5, 0]))])
def test_laid_beads_end_where_the_last_one_does(closed, end):
    """A loop ends where it began, coming from its last point."""
    points = np.array([(0.0, 0.0), (5, 0), (5, 5)])
    strand = Strand(points, np.full(3 if closed else 2, 0.4), closed, PERIMETER)
    laid = Laid("r", [(Way(points[:1], False), Bead(strand, False))], points[0], points[1], Treatment())
    assert [p.tolist() for p in laid.end] == list(end)
