"""The order in which beads are laid: as if each were looked at every time, without looking at each."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from gcodetools.toolpath.strands import Strand
from gcodetools.treat.laying import Bead, Seams, _nearest, _rank, _with_places, lay
from gcodetools.treat.links import LONGEST_MM, Ground

WIDTH = 0.45
SQUARE = box(0, 0, 30, 30)
PARTED = SQUARE - box(10, -1, 20, 26)  # two arms; from one to the other it is far
NONE = np.empty((0, 2))


def bead(kind, x, y, loop):
    points = np.array([(0.0, 0), (3, 0), (3, 2), (0, 2)]) + np.array([x, y])
    if kind == "loop":
        return Bead(Strand(points, np.full(4, 0.4), True, loop), False)
    return Bead(Strand(points[:3], np.full(2, 0.4), False, loop), False)


def plainly(beads, here, ground, seams, pulls):
    """The same order, with all of the beads looked at before each is taken."""
    left, done = list(beads), []
    while left:
        choices = [
            _nearest(b, _with_places(b.strand) if b.strand.closed else b.strand, here, seams) for b in left
        ]
        order = sorted(range(len(left)), key=lambda k: (_rank(left[k]), choices[k][0]))
        picked = None
        for most in (LONGEST_MM, None, np.inf):
            if most is None:
                if pulls > 0:
                    pulls -= 1
                    picked = order[0], True
            else:
                ways = ((k, ground.way(here, choices[k][1].strand.points[0], most)) for k in order)
                picked = next(((k, False) for k, way in ways if not way.leaves), None)
            if picked is not None:
                break
        if picked is None:
            break
        k, leaves = picked
        took = choices[k][1]
        done.append((took.strand.points.tolist(), leaves))
        here = took.strand.points[0] if took.strand.closed else took.strand.points[-1]
        left.pop(k)
    return done, left


# Places on a grid, so that many are as near as each other.
places = st.integers(0, 13).map(lambda n: 2.0 * n)
kinds = st.tuples(st.sampled_from(["loop", "line"]), places, places, st.sampled_from([-1, 0, 1, 2]))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(kinds, max_size=12),
    st.sampled_from([SQUARE, PARTED]),
    st.lists(st.tuples(places, places), max_size=2),
    st.lists(st.tuples(places, places), max_size=2),
    st.integers(0, 2),
)
def test_beads_come_in_the_order_of_looking_at_all_of_them(chosen, shape, outer, near, pulls):
    beads = [bead(*one) for one in chosen]
    seams = Seams(np.array(outer, float).reshape(-1, 2), np.array(near, float).reshape(-1, 2))
    ground, here = Ground(shape, WIDTH), np.array([1.0, 1.0])
    done, left = plainly(beads, here, ground, seams, pulls)
    ordered, over = lay(beads, here, ground, seams, pulls)
    assert [(b.strand.points.tolist(), way.leaves) for way, b in ordered] == done
    assert over == left


def test_where_a_loop_would_begin_is_not_asked_of_each_before_each(monkeypatch):
    asked = []
    begin = Seams.begin
    monkeypatch.setattr(Seams, "begin", lambda self, *given: asked.append(1) or begin(self, *given))
    beads = [bead("loop", 5.0 * k, 5.0 * n, 1) for k in range(20) for n in range(20)]
    ground = Ground(box(-1, -1, 101, 101), WIDTH)
    ordered, left = lay(beads, np.array([0.0, 0.0]), ground, Seams(NONE, NONE), 2)
    assert len(ordered) == 400 and not left
    assert len(asked) < 12 * len(beads)  # the nearest and those beside it, not half of all
