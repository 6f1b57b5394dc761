"""Solids: closed forms, shapely as an oracle, and dense sampling of `contains` along lines and arcs."""

from __future__ import annotations

from math import acos, pi, sqrt
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.errors import InputError
from gcodetools.kit import mesh as mesh_module
from gcodetools.kit import shapes
from gcodetools.kit.mesh import load_body
from gcodetools.kit.paths import Boxes, Paths, columns
from gcodetools.kit.solids import Solid, _pieces, _stretches_of, compile_solid, stretches

L_SHAPE = ((-6.0, -5.0), (7.0, -5.0), (7.0, -1.0), (0.5, -1.0), (0.5, 6.0), (-6.0, 6.0))
SOLIDS: dict[str, shapes.Solid] = {
    "slab": shapes.Slab(z=(2.0, 5.0)),
    "layers": shapes.Slab(layers=(3, 6)),
    "box": shapes.Box(x=(-3.0, 4.0), y=(-2.0, 5.5), z=(1.0, 6.0)),
    "open box": shapes.Box(y=(-2.0, 2.5)),
    "cylinder": shapes.Cylinder(centre=(1.0, -1.0), radius=5.0),
    "ring": shapes.Ring(centre=(0.0, 0.5), radius=(3.0, 6.0), z=(1.0, 7.0)),
    "wedge": shapes.Wedge(centre=(-0.5, 0.0), radius=(2.0, 7.0), angle_deg=(20.0, 95.0)),
    "wide wedge": shapes.Wedge(centre=(0.0, 0.0), radius=(0.0, 7.0), angle_deg=(100.0, 380.0)),
    "wedge over zero": shapes.Wedge(centre=(0.0, 1.0), radius=(1.0, 8.0), angle_deg=(-30.0, 40.0)),
    "prism": shapes.Prism(polygon=L_SHAPE, z=(0.5, 7.5)),
    "ball": shapes.Near(point=(0.5, -0.5, 4.0), radius=4.5),
    "all": shapes.All(),
    "mirrored wedge": shapes.AnyOf(
        (shapes.Wedge(centre=(0.0, 0.0), radius=(2.0, 7.0), angle_deg=(20.0, 70.0)), shapes.Mirror("x"),
         shapes.Mirror("y"))
    ),
    "nested": shapes.AllOf(
        (
            shapes.AnyOf((shapes.Box(x=(-6.0, 1.0)), shapes.Cylinder(centre=(4.0, 0.0), radius=3.0))),
            shapes.NoneOf((shapes.Near(point=(0.0, 0.0, 4.0), radius=2.0), shapes.Slab(z=(6.0, 7.0)))),
        )
    ),
}  # fmt: skip

coordinate = st.floats(-9.0, 9.0).map(lambda v: round(v, 3))
height = st.floats(0.0, 8.0).map(lambda v: round(v, 3))


@st.composite
def lines(draw: st.DrawFn) -> Paths:
    ends = [[draw(coordinate), draw(coordinate), draw(height)] for _ in range(6)]
    layer = np.array([draw(st.integers(1, 8)) for _ in range(3)], np.int32)
    return Paths.lines(np.array(ends[:3]), np.array(ends[3:]), layer)


def arc_paths(arcs: list[tuple[float, ...]]) -> Paths:
    """Of (cx, cy, radius, begin, sweep, z0, z1, layer)."""
    cx, cy, radius, begin, sweep, z0, z1, layer = np.array(arcs).T
    p0 = np.column_stack([cx + radius * np.cos(begin), cy + radius * np.sin(begin), z0])
    end = begin + sweep
    p1 = np.column_stack([cx + radius * np.cos(end), cy + radius * np.sin(end), z1])
    return Paths(p0, p1, layer.astype(np.int32), np.arange(len(arcs)), cx, cy, radius, begin, sweep)


@st.composite
def turns(draw: st.DrawFn) -> Paths:
    arcs = []
    for _ in range(2):
        sweep = draw(st.floats(0.05, 9.0)) * draw(st.sampled_from([-1.0, 1.0]))
        low = draw(height)
        rise = draw(st.sampled_from([0.0, 0.0, 0.3, -2.0]))
        begin = draw(st.floats(-3.2, 3.2))
        arcs.append((draw(coordinate), draw(coordinate), draw(st.floats(0.5, 9.0)), begin, sweep, low,
                     low + rise, draw(st.integers(1, 8))))  # fmt: skip
    return arc_paths(arcs)


def assert_membership_agrees(solid: Solid, paths: Paths) -> None:
    """Sampled densely, `contains` says of a point what the stretches say of its t, but beside their ends."""
    index, t0, t1 = stretches(solid, paths)
    t = (np.arange(997) + 0.5) / 997
    for row in range(len(paths)):
        rows = np.full(len(t), row)
        inside = solid.contains(paths.at(rows, t), paths.layer[rows])
        mine = index == row
        said = np.any((t[:, None] >= t0[mine]) & (t[:, None] <= t1[mine]), axis=1)
        ends = np.concatenate([t0[mine], t1[mine], [-1.0]])
        # A face may be touched without being crossed for less than a sample's width.
        grazed = np.abs(t[:, None] - ends).min(axis=1) < 1e-6
        wrong = np.flatnonzero((inside != said) & ~grazed)
        assert len(wrong) <= 1, (row, t[wrong])
        for k in wrong.tolist():
            assert _touches(solid, paths, row, t[k])


def _touches(solid: Solid, paths: Paths, row: int, t: float) -> bool:
    """Whether membership differs from that a hair before and behind: a mere touch."""
    near = np.array([t - 1e-4, t, t + 1e-4])
    a, b, c = solid.contains(paths.at(np.full(3, row), near), paths.layer[[row] * 3])
    return bool(a == c != b)


@pytest.mark.parametrize("name", SOLIDS)
@settings(max_examples=30)
@given(paths=lines())
def test_stretches_of_lines_agree_with_dense_sampling(name: str, paths: Paths) -> None:
    assert_membership_agrees(compile_solid(SOLIDS[name]), paths)


@pytest.mark.parametrize("name", SOLIDS)
@settings(max_examples=30)
@given(paths=turns())
def test_stretches_of_arcs_agree_with_dense_sampling(name: str, paths: Paths) -> None:
    assert_membership_agrees(compile_solid(SOLIDS[name]), paths)


def one_line(*ends: tuple[float, float, float], layer: int = 1) -> Paths:
    return Paths.lines(np.array([ends[0]], float), np.array([ends[1]], float), np.array([layer], np.int32))


def test_a_line_through_a_box_is_cut_at_its_faces() -> None:
    found = stretches(compile_solid(shapes.Box(x=(2.0, 5.0))), one_line((0, 0, 1), (10, 0, 1)))
    assert [a.tolist() for a in found] == [[0], [pytest.approx(0.2)], [pytest.approx(0.5)]]


def test_a_line_through_a_ring_has_two_stretches_of_chord_length() -> None:
    """Chord of a circle of radius r at distance d: 2 sqrt(r^2 - d^2)."""
    solid = compile_solid(shapes.Ring(centre=(0.0, 0.0), radius=(3.0, 5.0)))
    index, t0, t1 = stretches(solid, one_line((-10, 1, 0), (10, 1, 0)))
    outer, inner = 2 * sqrt(25 - 1), 2 * sqrt(9 - 1)
    assert index.tolist() == [0, 0]
    assert 20 * (t1 - t0) == pytest.approx([(outer - inner) / 2] * 2)


def test_an_arc_meets_a_circle_at_the_angle_of_the_cosine_rule() -> None:
    """Radii 4 and 3, centres 5 apart: cos = (4^2 + 5^2 - 3^2) / (2 4 5)."""
    angle = acos((16 + 25 - 9) / 40)
    path = arc_paths([(0, 0, 4, -pi / 2, pi, 0, 0, 1)])
    _, t0, t1 = stretches(compile_solid(shapes.Cylinder(centre=(5.0, 0.0), radius=3.0)), path)
    assert [t0[0], t1[0]] == pytest.approx([0.5 - angle / pi, 0.5 + angle / pi])


def test_a_full_circle_and_a_second_turn_are_cut_in_each_turn() -> None:
    path = arc_paths([(0, 0, 2, 0.1, 4 * pi, 0, 0, 1)])
    index, t0, t1 = stretches(compile_solid(shapes.Box(x=(0.0, 9.0))), path)
    assert len(index) == 3 and (t1 - t0).sum() == pytest.approx(0.5)


def test_a_helix_is_cut_by_a_slab_in_proportion() -> None:
    path = arc_paths([(0, 0, 5, 0, 2 * pi, 0.0, 0.4, 1)])
    _, t0, t1 = stretches(compile_solid(shapes.Slab(z=(0.1, 0.3))), path)
    assert [t0[0], t1[0]] == pytest.approx([0.25, 0.75])


def test_faces_are_inclusive_and_the_complement_leaves_them_out() -> None:
    on_face = one_line((0, 2, 1), (10, 2, 1))
    box = shapes.Box(y=(-2.0, 2.0))
    assert len(stretches(compile_solid(box), on_face)[0]) == 1
    assert len(stretches(compile_solid(shapes.NoneOf((box,))), on_face)[0]) == 0
    radial = one_line((1, 1, 0), (3, 3, 0))
    for span in ((45.0, 80.0), (10.0, 45.0), (405.0, 440.0)):
        wedge = shapes.Wedge(centre=(0.0, 0.0), radius=(0.0, 9.0), angle_deg=span)
        assert len(stretches(compile_solid(wedge), radial)[0]) == 1
    edge = one_line((7, -4, 1), (7, -2, 1))
    assert len(stretches(compile_solid(shapes.Prism(polygon=L_SHAPE)), edge)[0]) == 1


@given(start=st.floats(-360, 360), span=st.floats(1, 359), away=st.floats(0.5, 50))
def test_both_edges_of_a_wedge_are_inside_whatever_their_angle(
    start: float, span: float, away: float
) -> None:
    wedge = shapes.Wedge(centre=(0.0, 0.0), radius=(0.0, 60.0), angle_deg=(start, start + span))
    angle = np.radians([start, start + span, start - 0.1, start + span + 0.1])
    points = np.column_stack([away * np.cos(angle), away * np.sin(angle), np.zeros(4)])
    inside = compile_solid(wedge).contains(points, np.ones(4, np.int32)).tolist()
    assert inside == [True, True, False, False]


def test_layers_are_counted_inclusive_and_cut_nothing() -> None:
    solid = compile_solid(shapes.Slab(layers=(2, 4)))
    ends = np.zeros((5, 3)), np.ones((5, 3))
    index, t0, t1 = stretches(solid, Paths.lines(*ends, np.arange(1, 6, dtype=np.int32)))
    assert index.tolist() == [1, 2, 3] and t0.tolist() == [0] * 3 and t1.tolist() == [1] * 3


def test_pieces_of_touching_solids_are_joined() -> None:
    solid = shapes.AnyOf((shapes.Box(x=(0.0, 2.0)), shapes.Box(x=(2.0, 5.0))))
    index, t0, t1 = stretches(compile_solid(solid), one_line((-5, 0, 0), (5, 0, 0)))
    assert len(index) == 1 and [t0[0], t1[0]] == pytest.approx([0.5, 1.0])


def test_a_mirror_stands_for_all_before_it() -> None:
    wedge = shapes.Wedge(centre=(0.0, 0.0), radius=(1.0, 5.0), angle_deg=(30.0, 60.0))
    solid = compile_solid(shapes.AnyOf((wedge, shapes.Mirror("x"), shapes.Mirror("y"))))
    angles = np.radians([45.0, 135.0, 225.0, 315.0, 0.0, 90.0])
    points = np.column_stack([3 * np.cos(angles), 3 * np.sin(angles), np.zeros(6)])
    assert solid.contains(points, np.ones(6, np.int32)).tolist() == [True] * 4 + [False] * 2


@given(
    a=st.tuples(coordinate, coordinate), b=st.tuples(coordinate, coordinate), corners=st.integers(3, 9),
    seed=st.integers(0, 9999),
)  # fmt: skip
def test_length_in_a_prism_is_what_shapely_says(
    a: tuple[float, float], b: tuple[float, float], corners: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * pi, corners))
    radius = rng.uniform(2, 8, corners)
    ring = tuple(map(tuple, np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]).tolist()))
    _, t0, t1 = stretches(compile_solid(shapes.Prism(polygon=ring)), one_line((*a, 1.0), (*b, 1.0)))
    line = shapely.LineString([a, b])
    polygon = shapely.Polygon(ring)
    if not polygon.is_valid:
        return
    assert (t1 - t0).sum() * line.length == pytest.approx(polygon.intersection(line).length, abs=1e-6)


def test_thin_areas_differ_by_layer() -> None:
    thin = {2: shapely.box(0, 0, 2, 1), 4: shapely.box(3, 0, 4, 1)}
    solid = compile_solid(shapes.ThinnerThan(2.0), lambda t: thin if t == 2.0 else {})
    p0, p1 = np.tile([-1.0, 0.5, 0.0], (5, 1)), np.tile([9.0, 0.5, 0.0], (5, 1))
    index, t0, t1 = stretches(solid, Paths.lines(p0, p1, np.arange(1, 6, dtype=np.int32)))
    assert index.tolist() == [1, 3]
    assert t0 == pytest.approx([0.1, 0.4]) and t1 == pytest.approx([0.3, 0.5])


def test_nothing_is_thin_where_nobody_says_so() -> None:
    solid = compile_solid(shapes.ThinnerThan(2.0))
    assert len(stretches(solid, one_line((0, 0, 0), (1, 1, 1)))[0]) == 0


@pytest.fixture
def tube(tmp_path: Path) -> Path:
    """A tube of radii 3 and 5 from z = 1 to 6, a square hollow closed inside a box beside it."""
    ring = trimesh.creation.annulus(r_min=3.0, r_max=5.0, height=5.0, sections=256)
    ring.apply_translation([0, 0, 3.5])
    path = tmp_path / "tube.stl"
    ring.export(path)
    return path


def test_a_mesh_agrees_with_the_ring_that_it_is(tube: Path) -> None:
    """Within the sagitta of its 256 sides, 5 (1 - cos(pi / 256)) = 0.0004 mm."""
    body, ring = load_body(str(tube)), shapes.Ring(centre=(0.0, 0.0), radius=(3.0, 5.0), z=(1.0, 6.0))
    p0 = np.array([[-9.0, y, z] for y in (0.13, 2.2, 4.1) for z in (0.5, 1.0, 3.3, 6.0, 6.5)])
    p1 = p0 * [-1.0, 1.0, 1.0]
    paths = Paths.lines(p0, p1, np.ones(len(p0), np.int32))
    arcs = arc_paths([(4, 0, 2, 0.3, 5.0, 3.3, 3.3, 1), (0, 4, 1.5, 0.3, -2.0, 2.0, 2.0, 1)])
    for some in (paths, arcs):
        got, want = stretches(body, some), stretches(compile_solid(ring), some)
        assert got[0].tolist() == want[0].tolist() and len(want[0]) > 1
        assert got[1] == pytest.approx(want[1], abs=1e-3) and got[2] == pytest.approx(want[2], abs=1e-3)


def test_a_mesh_tells_hollows_from_bodies(tmp_path: Path) -> None:
    outer, inner = trimesh.creation.box((8, 8, 8)), trimesh.creation.box((4, 4, 4))
    inner.invert()
    trimesh.util.concatenate([outer, inner]).export(tmp_path / "hollow.stl")
    solid = compile_solid(shapes.Mesh(str(tmp_path / "hollow.stl")))
    points = np.array([[0, 0, 0.1], [3, 0, 0.1], [4, 0.5, 0.1], [5, 0, 0.1], [0, 0, 3.0]])
    assert solid.contains(points, np.ones(5, np.int32)).tolist() == [False, True, True, False, True]


def test_a_mesh_that_is_open_broken_or_unsupported_is_refused(
    tmp_path: Path, tube: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = trimesh.creation.box((1, 1, 1))
    box.update_faces(np.arange(len(box.faces)) > 0)
    box.export(tmp_path / "open.stl")
    with pytest.raises(InputError, match="not closed"):
        load_body(str(tmp_path / "open.stl"))
    (tmp_path / "text.stl").write_text("no mesh at all")
    with pytest.raises(InputError, match=r"text\.stl"):
        load_body(str(tmp_path / "text.stl"))
    monkeypatch.setattr(mesh_module, "trimesh", None)
    with pytest.raises(InputError, match="not installed"):
        load_body(str(tube))


def test_no_path_gives_no_stretch() -> None:
    none = Paths.lines(np.empty((0, 3)), np.empty((0, 3)), np.empty(0, np.int32))
    for declared in SOLIDS.values():
        assert len(stretches(compile_solid(declared), none)[0]) == 0


@pytest.mark.parametrize("name", SOLIDS)
def test_where_the_ends_stand_in_memory_changes_nothing(name: str) -> None:
    """Ends row by row and column by column, boxes of their own and given: the same stretches."""
    random = np.random.default_rng(4)
    p0, p1 = (np.round(random.uniform([-9, -9, 0], [9, 9, 8], (200, 3)), 3) for _ in range(2))
    layer = random.integers(1, 9, 200).astype(np.int32)
    solid = compile_solid(SOLIDS[name])
    by_rows, by_columns = Paths.lines(p0, p1, layer), Paths.lines(columns(*p0.T), columns(*p1.T), layer)
    assert by_columns.p0.flags.f_contiguous and by_rows.p0.flags.c_contiguous
    wanted = stretches(solid, by_rows)
    assert len(wanted[0]) > 20
    boxes = Boxes(by_columns)
    for given_boxes in (None, boxes, boxes):
        found = stretches(solid, by_columns, given_boxes)
        for mine, theirs in zip(found, wanted, strict=True):
            np.testing.assert_allclose(mine, theirs, rtol=0, atol=1e-12)


@pytest.mark.parametrize("low, high", [((-2, -9, 0, 1), (3, 9, 8, 9)), ((-9, 1, 3, 2), (9, 2, 4, 3))])
def test_boxes_that_meet_are_those_of_single_comparisons(
    low: tuple[float, ...], high: tuple[float, ...]
) -> None:
    random = np.random.default_rng(5)
    p0, p1 = (random.uniform([-9, -9, 0], [9, 9, 8], (300, 3)) for _ in range(2))
    layer = random.integers(1, 9, 300).astype(np.int32)
    expected = [
        k
        for k, (a, b, own) in enumerate(zip(p0.tolist(), p1.tolist(), layer.tolist(), strict=True))
        if all(min(a[i], b[i]) <= high[i] and max(a[i], b[i]) >= low[i] for i in range(3))
        and low[3] <= own <= high[3]
    ]
    found = Boxes(Paths.lines(p0, p1, layer)).touching(np.array(low, float), np.array(high, float))
    assert 0 < len(expected) < 300
    assert found.tolist() == expected


def test_crossings_twice_at_one_place_cut_once() -> None:
    """In any order, several a path, some paths without."""
    index, t = np.array([3, 1, 3, 1, 3]), np.array([0.75, 0.5, 0.25, 0.5, 0.5])
    row, t0, t1 = _pieces(5, index, t)
    assert row.tolist() == [0, 1, 1, 2, 3, 3, 3, 3, 4]
    assert t0.tolist() == [0, 0, 0.5, 0, 0, 0.25, 0.5, 0.75, 0]
    assert t1.tolist() == [1, 0.5, 1, 1, 0.25, 0.5, 0.75, 1, 1]


NEAR_FACES = (0.0, 1e-10, -1e-10, 1e-8, 1e-6, -1e-6, 1e-3)


def many_lines(count: int = 4000) -> Paths:
    """Lines of all lengths; the coordinates of a third lie on whole millimetres, as most faces do, or a hair beside."""
    rng = np.random.default_rng(20)
    start = rng.uniform((-9, -9, 0), (9, 9, 8), (count, 3))
    end = start + rng.uniform(-1, 1, (count, 3)) * rng.choice([0.0, 0.3, 3.0, 12.0], (count, 1))
    for points in (start, end):
        on = rng.random((count, 3)) < 1 / 3
        points[on] = np.round(points[on]) + rng.choice(NEAR_FACES, on.sum())
    return Paths.lines(start, end, rng.integers(1, 9, count).astype(np.int32))


@pytest.mark.parametrize("name", SOLIDS)
def test_what_is_sure_is_what_a_look_at_each_path_finds(name: str) -> None:
    solid, paths = compile_solid(SOLIDS[name]), many_lines()
    sure = solid.sure(Boxes(paths))
    row, t0, t1 = _stretches_of(solid, paths)
    whole = np.zeros(len(paths), bool)
    whole[row[(t0 == 0.0) & (t1 == 1.0)]] = True
    assert not np.any(sure.inside & ~whole) and not np.any(sure.outside[row])
    assert sure.inside.any() or name == "prism"
    assert sure.outside.any() or name == "all"
    for found, looked in zip(stretches(solid, paths), (row, t0, t1), strict=True):
        assert np.array_equal(found, looked)


def test_a_path_that_ends_on_a_face_is_looked_at() -> None:
    """Within a thousandth of a micrometre of a face nothing is sure, whatever the rounding of the place."""
    box = compile_solid(shapes.Box(x=(0.0, 10.0)))
    ends = np.array([1e-7, -1e-7, 10 - 1e-7, 10 + 1e-7, 1e-5, -1e-5])
    start = np.column_stack(
        [np.where(ends < 5, np.where(ends > 0, 5.0, -5.0), np.where(ends < 10, 5, 15)), ends, ends]
    )
    end = start.copy()
    end[:, 0] = ends
    sure = box.sure(Boxes(Paths.lines(start, end, np.ones(6, np.int32))))
    assert (sure.inside | sure.outside).tolist() == [False, False, False, False, True, True]
