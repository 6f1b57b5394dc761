"""Beads that fill rooms: closed forms, shapely's offsets as an independent oracle, and what must hold of any shape."""

from __future__ import annotations

from itertools import pairwise
from math import cos, pi, radians, sin, tau

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Point, Polygon, affinity, box

from gcodetools.toolpath.bands import sound
from gcodetools.toolpath.strands import Filled, Gauge, Strand, fill_room

F8 = NDArray[np.float64]

# A bead 0.45 wide and 0.2 high: pitch w - h (1 - pi / 4) (closed form); limits 0.6, 1.5, 1.8 times a 0.4 nozzle.
FLAT = 0.2 * (1 - pi / 4)
GAUGE = Gauge(0.45 - FLAT, 0.24 - FLAT, 0.6 - FLAT, 0.72 - FLAT)
S = GAUGE.pitch_mm
OUT_MM = 0.02


def ends(strand: Strand) -> tuple[F8, F8]:
    """Both ends of each stretch."""
    if strand.closed:
        return strand.points, np.roll(strand.points, -1, axis=0)
    return strand.points[:-1], strand.points[1:]


def lengths(strand: Strand) -> F8:
    a, b = ends(strand)
    return np.hypot(*(b - a).T)


def volume(strands: tuple[Strand, ...]) -> float:
    return float(sum((lengths(s) * s.breadth).sum() for s in strands))


def line(strand: Strand) -> LineString:
    around = np.vstack([strand.points, strand.points[:1]]) if strand.closed else strand.points
    return LineString(around)


def footprint(strand: Strand) -> shapely.Geometry:
    stretches = shapely.linestrings(np.stack(ends(strand), axis=1))
    return shapely.union_all(shapely.buffer(stretches, strand.breadth / 2))


def check(room: Polygon, filled: Filled) -> None:
    """What must hold of every room."""
    stay_in(room, filled)
    free = room.area - filled.left.area
    assert volume(filled.strands) <= 1.015 * free + 0.01
    assert volume(filled.strands) >= 0.96 * free - 0.3 * S * S


def stay_in(room: Polygon, filled: Filled) -> None:
    """Beads stay in the room, are as broad as they may be, and cross neither themselves nor each other."""
    grown = room.buffer(OUT_MM)
    lines = [line(s) for s in filled.strands]
    for strand, path in zip(filled.strands, lines, strict=True):
        assert np.isfinite(strand.points).all()
        assert len(strand.breadth) == len(strand.points) - (not strand.closed)
        assert GAUGE.least_mm - 1e-9 <= strand.breadth.min()
        assert strand.breadth.max() <= GAUGE.most_mm + 1e-9
        assert path.is_simple, "a path crosses itself"
        assert footprint(strand).difference(grown).area < 1e-5, "a bead leaves the room"
    paths = np.array(lines, dtype=object)
    assert shapely.STRtree(paths).query(paths, predicate="crosses").size == 0, "two beads cross"
    assert filled.left.difference(grown).area < 1e-5
    assert filled.left.is_valid


def ring(inner: float, thickness: float, quad_segs: int = 64) -> Polygon:
    """A ring whose chords are so short that its area is a circle's within 1e-4."""
    outer = Point(0, 0).buffer(inner + thickness, quad_segs=quad_segs)
    return outer.difference(Point(0, 0).buffer(inner, quad_segs=quad_segs))


def open_ring(inner: float, thickness: float, gap_degrees: float) -> Polygon:
    angles = np.radians(np.linspace(-gap_degrees / 2, gap_degrees / 2, 9))
    far = 3 * (inner + thickness)
    slot = Polygon([(0, 0), *np.column_stack([far * np.cos(angles), far * np.sin(angles)])])
    return ring(inner, thickness, 24).difference(slot)


def taper(length: float, at_begin: float, at_end: float) -> Polygon:
    return Polygon([(0, -at_begin / 2), (length, -at_end / 2), (length, at_end / 2), (0, at_begin / 2)])


def ell(thickness: float, length: float) -> Polygon:
    return box(0, 0, length, thickness).union(box(0, 0, thickness, length))


def tee(thickness: float, length: float) -> Polygon:
    return box(-length, 0, length, thickness).union(box(-thickness / 2, 0, thickness / 2, -length))


def cross(thickness: float, length: float) -> Polygon:
    t = thickness / 2
    return box(-length, -t, length, t).union(box(-t, -length, t, length))


def star(points: int, inner: float, outer: float) -> Polygon:
    k = np.arange(2 * points)
    radius = np.where(k % 2, inner, outer)
    return Polygon(np.column_stack([radius * np.cos(k * pi / points), radius * np.sin(k * pi / points)]))


def necked(thickness: float) -> Polygon:
    """Two squares and a neck."""
    t = thickness / 2
    return shapely.union_all([box(0, 0, 4, 4), box(6, 0, 10, 4), box(3, 2 - t, 7, 2 + t)])


def ribbed(thickness: float) -> Polygon:
    return box(0, 0, 6, 4).union(box(6, 1.5, 11, 1.5 + thickness))


def wavy(low: float, high: float, length: float) -> Polygon:
    """A wall to and fro whose thickness swells and shrinks."""
    x = np.linspace(0, length, 80)
    middle, half = 0.8 * np.sin(x), (low + high) / 4 + (high - low) / 4 * np.sin(1.3 * x)
    return Polygon(
        np.vstack([np.column_stack([x, middle + half]), np.column_stack([x, middle - half])[::-1]])
    )


def holed(seed: int) -> Polygon:
    """A plate with holes that may break through its edge or leave thin bridges."""
    random = np.random.default_rng(seed)
    plate = box(0, 0, *random.uniform(3, 10, 2))
    for _ in range(random.integers(1, 4)):
        plate = plate.difference(Point(*random.uniform(0, 9, 2)).buffer(random.uniform(0.3, 3)))
    return largest(plate)


def blob(seed: int) -> Polygon:
    """Anything: a random polygon about a point, half of them with rounded corners."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0, tau, random.integers(5, 30)))
    radius = random.uniform(0.8, 5) * random.uniform(0.4, 1, len(angle))
    shape = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])).buffer(0)
    return largest(shape.buffer(-0.3).buffer(0.3) if seed % 2 else shape)


def largest(shape: shapely.Geometry) -> Polygon:
    parts = [p for p in shapely.get_parts(shape).tolist() if p.geom_type == "Polygon"]
    return max(parts, key=lambda p: p.area, default=Polygon())


mm = lambda low, high: st.floats(low, high, allow_nan=False)  # noqa: E731
wall = mm(0.3 * S, 12 * S)
thin = mm(0.3 * S, 5 * S)
ROOMS = st.one_of(
    st.builds(ring, mm(1, 8), wall, st.integers(4, 60)),
    st.builds(open_ring, mm(2, 8), thin, mm(20, 200)),
    st.builds(lambda w, t: box(0, 0, w, t), mm(1, 12), wall),
    st.builds(taper, mm(4, 15), mm(0.3 * S, 6 * S), mm(0.3 * S, 6 * S)),
    st.builds(lambda t, more: ell(t, t + more), thin, mm(1, 6)),
    st.builds(lambda t, more: tee(t, t + more), thin, mm(1, 6)),
    st.builds(lambda t, more: cross(t, t + more), thin, mm(1, 6)),
    st.builds(lambda n, r, part: star(n, part * r, r), st.integers(3, 8), mm(2.5, 6), mm(0.4, 0.9)),
    st.builds(necked, mm(0.3 * S, 3.5)),
    st.builds(ribbed, mm(0.3 * S, 2.4)),
    st.builds(lambda t, more, length: wavy(t, t + more, length), mm(0.5 * S, 4 * S), mm(0, 2 * S), mm(5, 14)),
    st.builds(holed, st.integers(0, 10_000)),
)


@settings(max_examples=150, deadline=None)
@given(ROOMS, mm(0, 360), st.sampled_from([None, None, 1, 2, 3]))
def test_beads_stay_in_any_room_and_hold_what_they_cover(
    room: Polygon, degrees: float, count: int | None
) -> None:
    room = affinity.translate(affinity.rotate(room, degrees, (0, 0)), 110.3, -40.7)
    filled = fill_room(room, GAUGE, count)
    check(room, filled)
    assert max((s.loop for s in filled.strands), default=0) <= (count or 10_000)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), mm(0, 360), st.sampled_from([None, None, 1, 2, 3]))
@example(5460, 0.0, None)  # a path through a crossing led back on itself
@example(5250, 0.0, None)  # a path cut a corner of the edge
@pytest.mark.long
def test_beads_stay_in_spiky_rooms(seed: int, degrees: float, count: int | None) -> None:
    """Spikes are as thin as beads, so what is covered can be told less well than elsewhere."""
    room = affinity.translate(affinity.rotate(blob(seed), degrees, (0, 0)), 110.3, -40.7)
    filled = fill_room(room, GAUGE, count)
    stay_in(room, filled)
    free = room.area - filled.left.area
    assert volume(filled.strands) <= 1.015 * free + 0.15
    assert volume(filled.strands) >= 0.96 * free - 0.35


@settings(max_examples=60, deadline=None)
@given(mm(2, 9), mm(0.55 * S, 8.4 * S))
@example(5.0, 2.5 * S)
def test_a_ring_has_loops_at_the_radii_of_the_closed_form(inner: float, thickness: float) -> None:
    filled = fill_room(ring(inner, thickness), GAUGE, None)
    n = len(filled.strands)
    assert n == (1 if thickness <= GAUGE.twin_mm else pytest.approx(thickness / S, abs=0.65))
    radii = sorted(float(lengths(s).sum()) / tau for s in filled.strands)
    assert radii == pytest.approx([inner + (k + 0.5) * thickness / n for k in range(n)], abs=0.012)
    for strand in filled.strands:
        assert strand.closed
        assert strand.breadth == pytest.approx(np.full(len(strand.breadth), thickness / n), rel=0.02)
        assert (strand.loop == 0) == (n % 2 == 1 and len(strand.points) > 0 and strand is middle(filled))
    assert filled.left.area < 0.01 * ring(inner, thickness).area


def middle(filled: Filled) -> Strand | None:
    """The strand of loop 0, if there is one."""
    return next((s for s in filled.strands if s.loop == 0), None)


@settings(max_examples=60, deadline=None)
@given(mm(1.4 * S, 3.9 * S), mm(6, 15))
def test_a_rectangle_has_mitred_loops_of_the_closed_form(thickness: float, length: float) -> None:
    filled = fill_room(box(0, 0, length, thickness), GAUGE, None)
    loop = filled.strands[0] if filled.strands[0].loop == 1 else filled.strands[-1]
    b = float(loop.breadth[0])
    assert loop.closed
    assert len(loop.points) == 4
    # An offset o shortens each of the four sides by 2 o.
    assert lengths(loop).sum() == pytest.approx(2 * (length + thickness) - 8 * (b / 2), abs=0.01)
    assert b * round(thickness / b) == pytest.approx(thickness, abs=0.005)
    bead = middle(filled)
    if round(thickness / b) % 2:
        assert bead is not None
        # It ends half a breadth before the end of what the loop leaves.
        assert lengths(bead).sum() == pytest.approx(length - 2 * b - float(bead.breadth[0]), abs=0.01)
    else:
        assert bead is None


@settings(max_examples=40, deadline=None)
@given(st.integers(4, 60), mm(5, 15), st.integers(1, 4))
def test_loops_of_a_wide_room_are_the_offsets_that_shapely_makes(
    corners: int, radius: float, count: int
) -> None:
    angle = np.arange(corners) * tau / corners
    room = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    filled = fill_room(room, GAUGE, count)
    assert [s.loop for s in filled.strands] == list(range(1, count + 1))
    for strand in filled.strands:
        # An independent way to an offset: points at a distance from the edge, not the edge moved.
        offset = (strand.loop - 0.5) * S
        assert shapely.distance(room.exterior, shapely.points(strand.points)) == pytest.approx(
            offset, abs=0.01
        )
        inner = room.buffer(-offset, join_style="mitre").exterior
        assert line(strand).hausdorff_distance(inner) < 0.01
        assert strand.breadth == pytest.approx(S)
    assert filled.left.symmetric_difference(room.buffer(-count * S, join_style="mitre")).area < 0.01


@settings(max_examples=60, deadline=None)
@given(mm(0.5 * S, 4.5 * S), mm(0.5 * S, 4.5 * S), mm(14, 30))
def test_little_is_left_of_walls_that_change_their_thickness_slowly(
    a: float, b: float, length: float
) -> None:
    room = taper(length, a, b)
    filled = fill_room(room, GAUGE, None)
    check(room, filled)
    # A single bead ends half its breadth before each end of the wall, on top of the slivers.
    caps = sum(float(s.breadth.max()) ** 2 / 2 for s in filled.strands if not s.closed)
    assert filled.left.area < 0.03 * room.area + caps


@pytest.mark.parametrize("thickness", [1.0, 2.0, 3.0, 4.0])
@pytest.mark.parametrize("gap", [40.0, 100.0])
def test_an_open_ring_is_filled_from_end_to_end(thickness: float, gap: float) -> None:
    room = open_ring(6.0, thickness * S, gap)
    filled = fill_room(room, GAUGE, None)
    check(room, filled)
    # Of an odd number one bead lies along the middle, the others in closed loops round the ends.
    assert [s.closed for s in filled.strands if s.loop == 0] == [False] * (round(thickness) % 2)
    assert sum(s.loop > 0 for s in filled.strands) == round(thickness) // 2
    assert filled.left.area < 0.03 * room.area


@pytest.mark.parametrize(("shape", "arms"), [(ell, 2), (tee, 3), (cross, 4)])
def test_single_beads_meet_at_the_side_of_one_that_runs_through(shape: object, arms: int) -> None:
    t = 1.05 * S
    filled = fill_room(shape(t, 6.0), GAUGE, None)  # type: ignore[operator]
    assert len(filled.strands) == arms - 1
    through = max(filled.strands, key=lambda s: float(lengths(s).sum()))
    for strand in filled.strands:
        assert strand.breadth == pytest.approx(t, abs=0.01)
        if strand is not through:
            nearest = min(line(through).distance(Point(p)) for p in strand.points[[0, -1]])
            assert nearest == pytest.approx(t / 2, abs=0.01)
    if shape is ell:  # sharp where the wall is, not cut across
        corner = np.array([t / 2, t / 2])
        assert np.hypot(*(through.points - corner).T).min() < 0.02


def test_two_beads_of_an_angle_are_as_sharp_as_it_is() -> None:
    (loop,) = fill_room(ell(2 * S, 6.0), GAUGE, None).strands
    assert len(loop.points) == 6
    wanted = ell(2 * S, 6.0).buffer(-S / 2, join_style="mitre")
    assert Polygon(loop.points).symmetric_difference(wanted).area < 0.01


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_room_is_filled_wholly_up_to_a_bead_and_a_half_more_than_its_loops(count: int) -> None:
    for pitches, whole in ((2 * count + 1.3, True), (2 * count + 1.7, False)):
        filled = fill_room(box(0, 0, 20, pitches * S), GAUGE, count)
        assert max(s.loop for s in filled.strands) == count
        assert any(s.loop == 0 for s in filled.strands) == whole
        if not whole:
            assert all(s.breadth == pytest.approx(S) for s in filled.strands)
            assert filled.left.area == pytest.approx((20 - 2 * count * S) * 1.7 * S, rel=0.01)


def test_a_room_between_single_and_twin_beads_has_the_number_the_gauge_says() -> None:
    for thickness, beads in (
        (GAUGE.least_mm - 0.01, 0),
        (GAUGE.least_mm + 0.01, 1),
        (GAUGE.twin_mm - 0.01, 1),
        (GAUGE.twin_mm + 0.01, 2),
    ):
        filled = fill_room(ring(6.0, thickness), GAUGE, None)
        assert len(filled.strands) == beads
        if beads == 0:
            assert filled.left.area == pytest.approx(ring(6.0, thickness).area, rel=0.01)


def test_a_compact_room_is_filled_from_its_edge() -> None:
    for radius in (0.3, 0.5, 0.65, 1.0):
        filled = fill_room(Point(0, 0).buffer(radius, quad_segs=32), GAUGE, None)
        assert filled.strands
        assert all(s.loop > 0 for s in filled.strands)
        assert filled.left.area < 0.02


def test_a_thin_rib_ends_where_the_loops_of_the_body_pass() -> None:
    filled = fill_room(ribbed(1.1 * S), GAUGE, 2)
    rib = middle(filled)
    assert rib is not None
    assert rib.points[:, 0].min() == pytest.approx(6.0, abs=0.02)
    body = [s for s in filled.strands if s.loop == 1]
    assert len(body) == 1
    assert Polygon(body[0].points).symmetric_difference(box(S / 2, S / 2, 6 - S / 2, 4 - S / 2)).area < 0.02


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(
        [ring(5, 3 * S), open_ring(5, 2.2 * S, 90), ell(1.1 * S, 6), tee(3 * S, 6), taper(9, 0.3, 1.4)]
    ),
    mm(0, 360),
    mm(-200, 200),
)
def test_a_turned_and_moved_room_has_turned_and_moved_beads(room: Polygon, degrees: float, x: float) -> None:
    def moved(shape: shapely.Geometry) -> shapely.Geometry:
        return affinity.translate(affinity.rotate(shape, degrees, (0, 0)), x, -x)

    here, there = fill_room(room, GAUGE, None), fill_room(moved(room), GAUGE, None)
    assert [s.loop for s in here.strands] == [s.loop for s in there.strands]
    for a, b in zip(here.strands, there.strands, strict=True):
        # Where a bead begins for lack of room may jump by a step between points of the edge.
        assert moved(line(a)).hausdorff_distance(line(b)) < (0.3 if not a.closed else 0.03)
        assert moved(Point(a.points[0])).distance(Point(b.points[0])) < 0.3


def test_the_thickness_of_a_room_is_told() -> None:
    filled = fill_room(ring(6.0, 1.03), GAUGE, 2)
    assert np.average(filled.thickness, weights=filled.weights) == pytest.approx(1.03, abs=0.01)
    assert filled.weights.sum() == pytest.approx(tau * (6.0 + 7.03), rel=0.01)
    wide = fill_room(box(0, 0, 40, 30), GAUGE, 2)
    assert wide.thickness == pytest.approx(30, abs=0.3)


NOTHING = {
    "empty": Polygon(),
    "line": LineString([(0, 0), (5, 0)]),
    "sliver": box(0, 0, 8, 1e-4),
    "dust": box(0, 0, 1e-3, 1e-3),
    "thin": box(0, 0, 8, 0.15),
    "dot": box(0, 0, 0.13, 0.13),
    "flat": Polygon([(0, 0), (1, 0), (1, 0), (0, 0)]),
}


@pytest.mark.parametrize("room", NOTHING.values(), ids=NOTHING.keys())
def test_nothing_is_laid_where_nothing_fits(room: Polygon) -> None:
    for count in (None, 0, 1):
        assert fill_room(room, GAUGE, count).strands == ()


BOWTIE = Polygon([(0, 0), (6, 6), (6, 0), (0, 6)])
SPIKED = Polygon([(0, 0), (5, 0), (5, 1), (5, 0), (5, 3), (0, 3)])
HOLE_AT_THE_EDGE = Polygon([(0, 0), (6, 0), (6, 6), (0, 6)], [[(0, 0), (3, 1), (1, 3)]])
APART = MultiPolygon([box(0, 0, 3, 3), box(5, 0, 12, 2 * S)])


@pytest.mark.parametrize(
    "room", [BOWTIE, SPIKED, HOLE_AT_THE_EDGE, APART], ids=["bowtie", "spiked", "hole", "apart"]
)
def test_rooms_that_are_not_sound_are_filled_as_what_they_cover(room: Polygon) -> None:
    filled = fill_room(room, GAUGE, 2)
    assert filled.strands
    sound = shapely.make_valid(room)
    assert all(sound.buffer(OUT_MM).covers(footprint(s)) for s in filled.strands)


def test_the_beads_of_a_hook_follow_it() -> None:
    """A clip's cross-section: an open ring with a lip, as the middle bead sees it from end to end."""
    angle = np.radians(np.linspace(60, 300, 60))
    outer = np.column_stack([5 * np.cos(angle), 5 * np.sin(angle)])
    inner = outer * ((5 - 3 * S) / 5)
    lip = Point(5 * cos(radians(60)), 5 * sin(radians(60))).buffer(0.9)
    room = Polygon(np.vstack([outer, inner[::-1]])).union(lip)
    filled = fill_room(room, GAUGE, None)
    check(room, filled)
    bead = max((s for s in filled.strands if s.loop == 0), key=lambda s: float(lengths(s).sum()))
    assert lengths(bead).sum() > 0.85 * (5 - 1.5 * S) * radians(240)
    turns = [np.degrees(np.arccos(np.clip(a @ b, -1, 1))) for a, b in pairwise(_directions(bead))]
    assert max(turns) < 45


def _directions(strand: Strand) -> F8:
    a, b = ends(strand)
    way = b - a
    return way / np.hypot(*way.T)[:, None]


def test_what_parts_that_touch_hold_is_no_hole_once_mended():
    """Three squares, one in the hole of the other, whose edges lie on each other: ten by ten is full."""
    parts = [box(0, 0, 10, 10) - box(2, 2, 8, 8), box(2, 2, 8, 8) - box(4, 4, 6, 6), box(4, 4, 6, 6)]
    whole = shapely.multipolygons(parts)
    assert not shapely.is_valid(whole)
    assert sound(whole).area == pytest.approx(100)
