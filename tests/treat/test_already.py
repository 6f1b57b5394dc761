"""What new beads would gain over the fill that is there."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from replay import Sheet
from shapely import box

from gcodetools.toolpath.strands import Strand
from gcodetools.treat.already import FillThere, along, poorer
from gcodetools.treat.laying import Bead

B, H = 0.4, 0.2


def fill_of(*lines, width=B):
    """A plate of one layer with lines of gap fill, each (x0, y0, x1, y1), of so much plastic, and its fill rows."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Gap fill", f";WIDTH:{width}")
    sheet.height(H)
    for x0, y0, x1, y1 in lines:
        sheet.go(x0, y0, 100)
        sheet.bead(x1, y1, width * H * np.hypot(x1 - x0, y1 - y0) / (np.pi * 1.75**2 / 4), 30)
    plate = sheet.plate()
    return plate, np.flatnonzero(plate.beads.feature != 0).astype(np.int64)


def there(rows, space, solid=1.0):
    return FillThere(rows, space, B, H, H * solid)


def bead(*points, breadth=B, closed=False, loop=None):
    points = np.asarray(points, float)
    return Bead(
        Strand(points, np.full(len(points) - (not closed), breadth), closed, loop or int(closed)), False
    )


ROOM = box(0, -B / 2, 20, B / 2)
MIDDLE = bead((0, 0), (20, 0))


@pytest.mark.parametrize(("width", "is_filled"), [(0.4, True), (0.37, True), (0.34, False), (0.2, False)])
def test_a_room_is_filled_where_a_bead_along_it_holds_as_much(width, is_filled):
    plate, rows = fill_of((0, 0, 20, 0), width=width)
    assert along(plate, there(rows, ROOM), ROOM, [MIDDLE]).tolist() == [is_filled]


def test_as_much_plastic_across_the_room_does_not_fill_it_along():
    lines = [(x, -0.2, x, 0.2) for x in np.arange(0.2, 20, 0.4)]
    plate, rows = fill_of(*lines)
    assert along(plate, there(rows, ROOM), ROOM, [MIDDLE]).tolist() == [False]


def test_half_of_a_bead_is_not_made_up_for_by_the_other_half():
    plate, rows = fill_of((0, 0, 10, 0), (0, 0.01, 10, 0.01))
    assert along(plate, there(rows, ROOM), ROOM, [MIDDLE]).tolist() == [False]


def test_lines_across_a_room_fill_no_loop_round_it():
    room = box(0, 0, 6, 6)
    ring = shapely.difference(room, box(0.4, 0.4, 5.6, 5.6))
    lines = [(0.2, y, 5.8, y) for y in np.arange(0.2, 6, 0.4)]
    plate, rows = fill_of(*lines)
    loop = bead((0.2, 0.2), (5.8, 0.2), (5.8, 5.8), (0.2, 5.8), closed=True)
    assert along(plate, there(rows, room), ring, [loop]).tolist() == [False]


def test_a_flat_loop_is_filled_by_one_broad_bead_between_its_sides():
    room = box(0, 0, 4, 0.6)
    plate, rows = fill_of((0.1, 0.3, 3.9, 0.3), width=0.62)
    loop = bead((0.15, 0.15), (3.85, 0.15), (3.85, 0.45), (0.15, 0.45), breadth=0.3, closed=True)
    assert along(plate, there(rows, room), room, [loop]).tolist() == [True]


@pytest.mark.parametrize(
    ("width", "is_poorer"), [(0.4, True), (0.37, False), (0.44, False)]
)  # as much as a full room, little more than the bead, overfull
def test_a_bead_that_holds_less_than_a_room_that_is_not_overfull_is_poorer(width, is_poorer):
    plate, rows = fill_of((0, 0, 20, 0), width=width)
    thin = bead((0, 0), (20, 0), breadth=0.36)
    assert poorer(plate, there(rows, ROOM), ROOM, [thin]).tolist() == [is_poorer]


def test_without_fill_nothing_is_filled_nor_poorer():
    plate, rows = fill_of((0, 5, 20, 5))
    for judged in (along, poorer):
        assert judged(plate, there(rows, ROOM), ROOM, [MIDDLE]).tolist() == [False]


def test_loops_side_by_side_are_laid_or_left_together():
    """Fill along the outer one only: left alone, it would lie half over the inner one."""
    room = box(0, 0, 6, 6)
    sides = [(0.2, 0.2, 5.8, 0.2), (5.8, 0.2, 5.8, 5.8), (5.8, 5.8, 0.2, 5.8), (0.2, 5.8, 0.2, 0.2)]
    plate, rows = fill_of(*sides)
    loops = [
        bead((a, a), (6 - a, a), (6 - a, 6 - a), (a, 6 - a), closed=True, loop=n)
        for n, a in ((1, 0.2), (2, 0.6))
    ]
    assert along(plate, there(rows, room), room, loops[:1]).tolist() == [True]
    assert along(plate, there(rows, room), room, loops).tolist() == [False, False]
