"""Sections that bend: beads, moduli of roads, sums, walls at stations, an arm's shear."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from roads import HEIGHT, PITCH, WIDTH, Roads, core, wall

from gcodetools.physics import section, walls
from gcodetools.physics.section import Moduli, assembled, bead_moments_mm4, off_axis_mpa, road_moduli

F8 = NDArray[np.float64]

# n roads at the pitch that leaves no void: thickness mm, I mm4, I over the solid rectangle's. Exact sums of the
# bead's shape, worked out apart from this code (derived).
TABLE = {
    1: (0.4500, 0.00116316, 0.766),
    2: (0.8571, 0.00907220, 0.865),
    3: (1.2642, 0.0304730, 0.905),
    4: (1.6712, 0.0721114, 0.927),
}


def found(made: Roads, low: float = 8.0, high: float = 22.0, turn: float = 0.0, **more: float) -> walls.Walls:
    """Walls of the stretch from low to high along x."""
    pieces, outer = made.samples(turn)
    upright, _ = made.samples()
    within = (upright.x_mm > low) & (upright.x_mm < high)
    return walls.walls(pieces, outer, within, **more)  # type: ignore[arg-type]


# -- beads ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(0.45, 0.2), (0.6, 0.3), (0.3, 0.3), (1.2, 0.1)])
def test_moments_of_a_bead_are_those_counted_in_slices(width: float, height: float) -> None:
    y = (np.arange(200_000) + 0.5) / 200_000 * height - height / 2
    across = (width - height) + 2 * np.sqrt(height**2 / 4 - y**2)
    about_flat = (across * y**2).mean() * height
    about_upright = (across**3 / 12).mean() * height
    flat, upright = bead_moments_mm4(np.array([width]), np.array([height]))
    assert flat[0] == pytest.approx(about_flat, rel=1e-6)
    assert upright[0] == pytest.approx(about_upright, rel=1e-6)


def test_a_bead_narrower_than_high_has_no_negative_moment() -> None:
    width = np.linspace(0.08, 0.4, 50)
    flat, upright = bead_moments_mm4(width, np.full(50, 0.28))
    assert np.all(flat > 0) and np.all(upright > 0)
    assert np.all(np.diff(upright) > 0)
    assert np.abs(np.diff(upright)).max() < 2 * np.median(np.abs(np.diff(upright))) + 2e-4  # no step at w = h


@pytest.mark.parametrize("n", TABLE)
def test_roads_side_by_side_are_those_of_the_table(n: int) -> None:
    thickness, moment, share = TABLE[n]
    w, h = np.full(n, WIDTH), np.full(n, HEIGHT)
    at = np.arange(n) * PITCH
    area = section.full_pitch_mm(w, h) * h
    made = assembled(2000.0, area, bead_moments_mm4(w, h)[1], at, w / 2)
    assert made.thickness_mm[0] == pytest.approx(thickness, abs=5e-5)
    assert made.ei_nmm2[0] / 2000 == pytest.approx(moment, rel=1e-5)
    assert made.ei_nmm2[0] / 2000 / (HEIGHT * thickness**3 / 12) == pytest.approx(share, abs=5e-4)


def test_a_road_more_is_worth_what_the_table_says() -> None:
    z = {n: TABLE[n][1] / (TABLE[n][0] / 2) for n in TABLE}
    w, h = np.full(5, WIDTH), np.full(5, HEIGHT)
    at, area = np.append(np.arange(2), np.arange(3)) * PITCH, section.full_pitch_mm(w, h) * h
    group = np.array([0, 0, 1, 1, 1])
    made = assembled(1.0, area, bead_moments_mm4(w, h)[1], at, w / 2, group)
    modulus = made.modulus_mm3(1.0)
    assert modulus[1] / modulus[0] == pytest.approx(z[3] / z[2], rel=1e-4)
    assert modulus[1] / modulus[0] == pytest.approx(2.28, abs=5e-3)
    assert made.ei_nmm2[1] / made.ei_nmm2[0] == pytest.approx(3.36, abs=5e-3)


def test_groups_without_parts_are_empty_and_columns_must_be_alike() -> None:
    made = assembled(1.0, np.ones(1), np.ones(1), np.zeros(1), 0.5, np.array([1]), 3)
    assert made.area_mm2.tolist() == [0, 1, 0]
    assert np.isnan(made.ei_nmm2[[0, 2]]).all() and made.thickness_mm[1] == 1.0
    with pytest.raises(ValueError, match="one value a part"):
        assembled(1.0, np.ones(2), np.ones(2), np.zeros(3))


# -- roads askew ------------------------------------------------------------------------------------------------


def rotated(m: Moduli, angle: float) -> float:
    """Ex by the compliance matrix turned as a tensor: strain under a plain pull."""
    e1, e2, g, nu = (float(v) for v in (m.along_mpa, m.across_mpa, m.shear_mpa, m.poisson))
    c, s = np.cos(angle), np.sin(angle)
    stress = np.array([c * c, s * s, -s * c])  # of a unit pull, in the roads' axes
    compliance = np.array([[1 / e1, -nu / e1, 0], [-nu / e1, 1 / e2, 0], [0, 0, 1 / g]])
    e11, e22, g12 = compliance @ stress
    return float(1 / (e11 * c * c + e22 * s * s - g12 * s * c))


@pytest.mark.parametrize("degrees", [0, 10, 30, 45, 60, 90])
def test_off_axis_modulus_is_that_of_the_turned_compliance(degrees: float) -> None:
    laid = road_moduli(2000.0, 0.38, 0.095)
    angle = np.radians(degrees)
    assert off_axis_mpa(laid, np.array([angle]))[0] == pytest.approx(rotated(laid, angle), rel=1e-12)


def test_an_isotropic_plastic_has_one_modulus_in_every_direction() -> None:
    one = np.array(1000.0)
    same = Moduli(one, one, one / (2 * 1.38), np.array(0.38))
    angles = np.linspace(0, np.pi / 2, 7)
    assert off_axis_mpa(same, angles) == pytest.approx(np.full(7, 1000.0), rel=1e-12)


# -- walls ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", [0.0, 33.0, 90.0, 181.0])
@pytest.mark.parametrize("n", [2, 4])
def test_a_wall_of_roads_is_that_of_the_table(n: int, turn: float) -> None:
    thickness, moment, share = TABLE[n]
    got = found(wall(n), turn=turn)
    assert len(got) > 10 and got.asked == len(got)
    assert got.thickness_mm == pytest.approx(np.full(len(got), thickness), abs=1e-4)
    assert got.moment_mm4 == pytest.approx(np.full(len(got), moment), rel=1e-4)
    assert got.ei_share == pytest.approx(np.full(len(got), share), abs=1e-3)
    assert got.fill == pytest.approx(np.full(len(got), n * PITCH / thickness), rel=1e-4)
    assert set(got.leaves.tolist()) == {1} and got.bare.max() == 0


def test_roads_apart_bend_each_on_its_own() -> None:
    gap = 0.3
    got = walls.typical(found(wall(2, pitch=WIDTH + gap)))
    assert got is not None
    assert got.thickness_mm.median == pytest.approx(2 * WIDTH + gap)
    assert got.moment_mm4.median == pytest.approx(2 * TABLE[1][1], rel=1e-4)
    assert got.apart == 1.0 and got.bare == pytest.approx(gap / (2 * WIDTH + gap), rel=1e-3)
    # Joined, the same plastic would be many times as stiff.
    assert got.ei_share.median < 0.1


def test_a_wall_does_not_depend_on_the_order_and_the_direction_of_its_beads() -> None:
    pieces, outer = wall(4).samples()
    within = (pieces.x_mm > 8) & (pieces.x_mm < 22)
    turned = np.random.default_rng(3).random(len(pieces)) < 0.5
    sign = np.where(turned, -1.0, 1.0)
    columns = {name: getattr(pieces, name) for name in pieces.__slots__}
    columns |= {"ux": pieces.ux * sign, "uy": pieces.uy * sign}
    backwards = type(pieces)(**columns)
    a, b = walls.walls(pieces, outer, within), walls.walls(backwards, outer, within)
    assert b.thickness_mm == pytest.approx(a.thickness_mm)
    assert np.median(b.ei_share) == pytest.approx(np.median(a.ei_share), rel=1e-9)
    back = np.arange(len(pieces))[::-1]
    c = walls.walls(pieces.take(back), outer[back], within[back])
    assert np.median(c.ei_share) == pytest.approx(np.median(a.ei_share), rel=1e-9)


def test_what_stands_beside_a_wall_is_no_part_of_it() -> None:
    made = wall(4)
    alone = found(made)
    made.box(WIDTH / 2, 3.0, 30 - WIDTH / 2, 3.8, outer=True)  # another island
    made.box(-5, -5, 35, 10, outer=True)  # and a frame around both, which makes them holes no more than walls
    made.box(-6, -6, 36, 11, outer=True)
    beside = found(made)
    on = np.isin(beside.y_mm.round(6), alone.y_mm.round(6))
    assert beside.thickness_mm[on] == pytest.approx(np.full(int(on.sum()), TABLE[4][0]), abs=1e-4)
    assert beside.ei_share[on] == pytest.approx(np.full(int(on.sum()), TABLE[4][2]), abs=1e-3)


def test_a_curved_wall_is_as_thick_and_as_stiff_as_a_straight_one() -> None:
    made, n, turns = Roads(), 4, np.radians(np.arange(20, 341, 1.0))
    for k in range(n // 2):
        outer, inner = 10 - WIDTH / 2 - k * PITCH, 10 - WIDTH / 2 - (n - 1 - k) * PITCH
        end = k * PITCH / 10
        a = turns[(turns > turns[0] + end) & (turns < turns[-1] - end)] if k else turns
        xy = [(outer * np.cos(t), outer * np.sin(t)) for t in a] + [
            (inner * np.cos(t), inner * np.sin(t)) for t in a[::-1]
        ]
        xy.append(xy[0])
        made.add(((*p, *q) for p, q in itertools.pairwise(xy)), outer=k == 0)
    pieces, outer_one = made.samples()
    within = pieces.x_mm < 0
    got = walls.typical(walls.walls(pieces, outer_one, within))
    assert got is not None and got.kept == 1.0
    assert got.thickness_mm.median == pytest.approx(TABLE[4][0], abs=0.01)
    assert got.ei_share.median == pytest.approx(TABLE[4][2], abs=0.015)


def faces(low: float, high: float) -> Roads:
    """Two roads on either side of a room of struts, thickness `low` at x 0 and `high` at x 40; sides of x 10 to 30."""
    made, corners = Roads(), []
    for k in range(2):
        off = WIDTH / 2 + k * PITCH
        corners = [(off, off), (40 - off, off), (40 - off, high - off), (off, low - off), (off, off)]
        made.add(((*a, *b) for a, b in itertools.pairwise(corners)), outer=k == 0)
    x = np.arange(2.0, 38.0, 0.8)
    deep = low + (high - low) * x / 40 - WIDTH / 2 - PITCH
    return made.add(((a, WIDTH / 2 + PITCH, a + 0.6, d) for a, d in zip(x, deep, strict=True)), solid=False)


def test_a_tapered_wall_is_at_each_place_like_a_straight_one() -> None:
    """A degree and a half; without more, stations would take on the thickness of their neighbours."""
    tapered = found(faces(2.0, 4.0), 10, 30)
    at = np.argsort(tapered.thickness_mm)[[2, len(tapered) // 2, -3]]
    for thickness, share in zip(tapered.thickness_mm[at], tapered.ei_share[at], strict=True):
        straight = found(faces(float(thickness), float(thickness)), 10, 30)
        assert np.median(straight.thickness_mm) == pytest.approx(thickness, abs=0.01)
        assert share == pytest.approx(float(np.median(straight.ei_share)), rel=0.015)
        fill = tapered.fill[tapered.thickness_mm == thickness]
        assert fill == pytest.approx(np.full(len(fill), np.median(straight.fill)), rel=0.015)


def test_a_wall_that_steps_is_on_either_side_what_it_is() -> None:
    """Two roads up to x 20, from there a hollow wall of 3 mm."""
    thin, thick, off = TABLE[2][0], 3.0, WIDTH / 2
    outline = [(off, off), (40 - off, off), (40 - off, thick - off), (20.0, thick - off)]
    outline += [(20.0, thin - off), (off, thin - off), (off, off)]
    made = Roads().add(((*a, *b) for a, b in itertools.pairwise(outline)), outer=True)
    pieces, outer = made.samples()
    below = (pieces.y_mm < 0.3) & (pieces.x_mm > 12) & (pieces.x_mm < 28)
    got = walls.walls(pieces, outer, below)
    for side, n, thickness in ((got.x_mm < 19, 2, thin), (got.x_mm > 21, 2, thick)):
        assert side.sum() >= 4
        assert got.thickness_mm[side] == pytest.approx(np.full(int(side.sum()), thickness), abs=1e-4)
        # The strip of the station next to the step reaches over it.
        assert got.fill[side] == pytest.approx(np.full(int(side.sum()), n * PITCH / thickness), rel=0.05)


def test_a_layer_is_not_smeared_into_the_next() -> None:
    made, off = wall(4), WIDTH / 2
    made.box(off, off, 30 - off, TABLE[4][0] - off, outer=True, layer=2)
    pieces, outer = made.samples()
    got = walls.walls(pieces, outer, (pieces.y_mm < 0.3) & (np.abs(pieces.x_mm - 15) < 1))
    assert set(got.leaves[got.layer == 1].tolist()) == {1} and set(got.leaves[got.layer == 2].tolist()) == {2}
    assert got.ei_share[got.layer == 1].max() == pytest.approx(TABLE[4][2], abs=1e-3)


def test_plastic_beyond_a_full_section_stiffens_nothing() -> None:
    pitch = 0.35
    got = found(wall(4, pitch=pitch))
    thickness, area = 3 * pitch + WIDTH, PITCH * HEIGHT
    moment = 4 * TABLE[1][1] + 2 * area * ((1.5 * pitch) ** 2 + (0.5 * pitch) ** 2)
    fill = 4 * area / (thickness * HEIGHT)
    assert fill > 1.05
    assert got.fill == pytest.approx(np.full(len(got), fill), rel=1e-4)
    assert got.moment_mm4 == pytest.approx(np.full(len(got), moment / fill), rel=1e-4)


def test_a_zigzag_is_softer_than_beads_along_the_wall() -> None:
    low, high = WIDTH / 2 + PITCH, 2.4 - WIDTH / 2 - PITCH

    def shell() -> Roads:
        made = Roads().box(WIDTH / 2, WIDTH / 2, 30 - WIDTH / 2, 2.4 - WIDTH / 2, outer=True)
        return made.box(low, low, 30 - low, high)

    ends = 0.75 * PITCH  # how near a line of fill comes to the perimeter it overlaps
    sparse = walls.typical(found(core(shell(), low + ends, high - ends, 1, 29, 2.0, solid=False)))
    dense = walls.typical(found(core(shell(), low + ends, high - ends, 1, 29, 0.42, solid=True)))
    middle = [(1.0, 1.2, 29.0, 1.2)]
    # One bead as wide as the room: its section is the room's less its round ends.
    filled = walls.typical(found(shell().add(middle, width=high - low - 2 * PITCH + WIDTH)))
    assert sparse is not None and dense is not None and filled is not None
    assert sparse.fill.median < dense.fill.median
    assert sparse.ei_share.median < filled.ei_share.median
    assert sparse.shear.median < 0.2 < filled.shear.median
    arm = [
        float(walls.softened(f.ei_share.median, f.sliding_share.median, f.shear.median, 2.4, 12.0, 0.38))
        for f in (sparse, dense, filled)
    ]
    assert arm[0] < arm[1] < arm[2] and arm[0] < 0.93 * arm[2]


def test_a_strut_at_right_angles_carries_no_bending_along_the_wall() -> None:
    """Only its tie against sliding could count, and that is left out: the low side."""
    low, high = WIDTH / 2, 2.4 - WIDTH / 2
    made = Roads().box(low, low, 30 - low, high, outer=True)
    plain = found(made)
    made.add(((x, low, x, high) for x in np.arange(1.0, 29.0, 1.5)), solid=False)
    tied = found(made)
    assert np.median(tied.shear) == pytest.approx(0.0, abs=1e-9)
    assert np.median(tied.sliding_share) < 1.2 * np.median(plain.ei_share)


# -- what is no wall --------------------------------------------------------------------------------------------


def test_thick_places_ends_and_open_beads_are_dropped_and_counted() -> None:
    block = Roads().box(0, 0, 20, 20, outer=True).box(0.4, 0.4, 19.6, 19.6)
    got = found(block, -1, 30)
    assert len(got) == 0 and got.thick == got.asked > 30 and walls.typical(got) is None
    tip = found(wall(4), -1, 0.3)
    assert len(tip) == 0 and tip.asked > 0 and tip.thick + tip.ends + tip.askew == tip.asked
    line = Roads().add([(0.0, 0.0, 20.0, 0.0)], outer=True).add([(0.0, 5.0, 20.0, 5.0)])
    lost = found(line)
    assert len(lost) == 0 and lost.open_ == lost.asked


def test_a_rib_is_measured_across_not_from_its_tip() -> None:
    """A plate of 3 mm with a rib of 0.9 mm that stands out by 1.5 mm."""
    corners = [(0, 0), (20, 0), (20, 3), (10.5, 3), (10.5, 4.5), (10, 4.5), (10, 3), (0, 3), (0, 0)]
    made = Roads().add(((*a, *b) for a, b in itertools.pairwise(corners)), outer=True)
    pieces, outer = made.samples()
    got = walls.walls(pieces, outer, pieces.y_mm > 3.1, strip_mm=0.5)
    assert got.ends == 1 and len(got) == 6
    assert got.thickness_mm == pytest.approx(np.full(6, 0.5 + WIDTH), abs=1e-6)


def test_sides_that_lean_against_each_other_are_no_wall() -> None:
    corners = [(0.0, 0.0), (5.0, 0.0), (2.5, 4.33), (0.0, 0.0)]
    got = found(Roads().add(((*a, *b) for a, b in itertools.pairwise(corners)), outer=True), -1, 9)
    assert len(got) == 0 and got.askew >= 6 and got.askew + got.thick == got.asked


def test_a_seam_laid_twice_hides_no_wall() -> None:
    """A loop that goes on beside its own beginning, as a ramped seam does."""
    twice = wall(4).add([(10.0, WIDTH / 2 + 0.03, 16.0, WIDTH / 2 + 0.03)], outer=True)
    got = found(twice)
    assert got.open_ == 0 and len(got) == got.asked > 18
    assert got.thickness_mm == pytest.approx(np.full(len(got), TABLE[4][0]), abs=0.035)


def test_a_single_bead_around_nothing_is_a_wall_of_one_bead() -> None:
    got = found(Roads().box(0, 0, 30, 30, outer=True), 2, 28)
    assert len(got) == got.asked
    assert got.thickness_mm == pytest.approx(np.full(len(got), WIDTH))
    assert got.ei_share == pytest.approx(np.full(len(got), TABLE[1][2]), abs=1e-3)


def test_no_pieces_give_no_walls() -> None:
    pieces, outer = wall(2).samples()
    none = np.zeros(len(pieces), bool)
    assert len(walls.walls(pieces, outer, none)) == 0
    empty = pieces.take(none)
    assert len(walls.walls(empty, outer[none], none[none])) == 0
    with pytest.raises(ValueError, match="one value a piece"):
        walls.walls(pieces, outer, none[1:])


def test_many_layers_are_thinned_evenly() -> None:
    made = Roads()
    for layer in range(1, 41):
        made.box(WIDTH / 2, WIDTH / 2, 29.775, WIDTH / 2 + PITCH, outer=True, layer=layer)
    pieces, outer = made.samples()
    within = (pieces.x_mm > 5) & (pieces.x_mm < 25)
    all_of, some = walls.walls(pieces, outer, within), walls.walls(pieces, outer, within, most=200)
    assert len(some) <= 220 < len(all_of)
    layers = np.unique(some.layer)
    assert np.ptp(np.diff(layers)) == 0 and 2 <= layers[0] <= 6 and layers[-1] >= 35
    assert np.median(some.ei_share) == pytest.approx(np.median(all_of.ei_share))


# -- shear of an arm --------------------------------------------------------------------------------------------


def test_an_arm_is_between_sliding_and_joined() -> None:
    length = np.array([1.0, 5.0, 10.0, 50.0, 1e4])
    got = walls.softened(0.9, 0.15, 0.08, 2.4, length, 0.38)
    assert np.all(np.diff(got) > 0) and got[0] > 0.15 and got[-1] == pytest.approx(0.9, rel=1e-4)
    assert walls.softened(0.9, 0.15, 0.0, 2.4, 10.0, 0.38) == pytest.approx(0.15)
    assert walls.softened(0.1, 0.1, 0.0, 2.4, 10.0, 0.38) == pytest.approx(0.1)


def frame(nodes: F8, bars: list[tuple[int, int, float, float]], held: list[int], load: F8) -> F8:
    """Displacements (n, 3) of a plane frame; bars (a, b, EA, EI), EI 0 hinged at both ends."""
    n = len(nodes)
    k = np.zeros((3 * n, 3 * n))
    for a, b, ea, ei in bars:
        d = nodes[b] - nodes[a]
        length = float(np.hypot(*d))
        c, s = d / length
        own = np.zeros((6, 6))
        own[np.ix_([0, 3], [0, 3])] = ea / length * np.array([[1, -1], [-1, 1]])
        if ei:
            one, two = 12 * ei / length**3, 6 * ei / length**2
            four = 4 * ei / length
            own[np.ix_([1, 2, 4, 5], [1, 2, 4, 5])] = [
                [one, two, -one, two], [two, four, -two, four / 2],
                [-one, -two, one, -two], [two, four / 2, -two, four],
            ]  # fmt: skip
        turn = np.kron(np.eye(2), np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]))
        at = [3 * a, 3 * a + 1, 3 * a + 2, 3 * b, 3 * b + 1, 3 * b + 2]
        k[np.ix_(at, at)] += turn.T @ own @ turn
    free = np.setdiff1d(np.arange(3 * n), [3 * h + q for h in held for q in range(3)])
    moved = np.zeros(3 * n)
    moved[free] = np.linalg.solve(k[np.ix_(free, free)], load.ravel()[free])
    return moved.reshape(-1, 3)


@pytest.mark.parametrize("step", [0.8, 1.1, 2.0, 3.0])
@pytest.mark.parametrize(("panels", "too_stiff"), [(6, 0.09), (10, 0.03), (16, 0.015)])
def test_two_perimeters_with_struts_are_as_soft_as_a_frame_of_bars(
    panels: int, too_stiff: float, step: float
) -> None:
    """A frame of bars and beams knows nothing of smearing: faces of two roads on their centroids, and struts
    between the edges of the inner roads, held there by stiff arms. The model leaves out how the perimeters bend from
    strut to strut, so it is on the stiff side, and the more so the fewer the struts."""
    thick, long = 2.4, 12 * 3.0 + 4
    low, high = WIDTH / 2 + PITCH, thick - WIDTH / 2 - PITCH
    made = Roads().box(WIDTH / 2, WIDTH / 2, long, thick - WIDTH / 2, outer=True).box(low, low, long, high)
    core(made, low, high, 1, long - 1, step, solid=False)
    got = walls.typical(found(made, 10, 30))
    assert got is not None
    length = panels * step
    facts = (got.ei_share.median, got.sliding_share.median, got.shear.median)
    share = float(walls.softened(*facts, thick, length, 0.38))
    area = float(PITCH * HEIGHT)
    per_panel = 4
    nodes: list[tuple[float, float]] = []
    bars: list[tuple[int, int, float, float]] = []
    for k in range(panels * per_panel + 1):
        nodes += [(k * step / per_panel, low - PITCH / 2), (k * step / per_panel, high + PITCH / 2)]
        if k:
            bars += [(2 * k + q - 2, 2 * k + q, 2 * area, TABLE[2][1]) for q in (0, 1)]
    held = [0, 1]
    for k in range(panels):
        ends = []
        for at in (k, k + 1):
            welded = WIDTH / 2 / (high - low)  # the share of its drawn length that lies in the inner road
            inside = welded if at == k else 1 - welded
            down, up = (low, high) if k % 2 == 0 else (high, low)
            nodes.append(((k + inside) * step, down + inside * (up - down)))
            ends.append(len(nodes) - 1)
            bars.append((2 * at * per_panel + at % 2, ends[-1], 1e3 * area, 1e3 * TABLE[2][1]))
            if at == 0:
                held.append(ends[-1])
        bars.append((ends[0], ends[1], area, 0.0))
    load = np.zeros((len(nodes), 3))
    tip = slice(2 * panels * per_panel, 2 * panels * per_panel + 2)
    load[tip, 1] = 0.5
    bent = float(frame(np.array(nodes), bars, held, load)[tip, 1].mean())
    in_frame = length**3 / (3 * HEIGHT * thick**3 / 12) / bent
    assert in_frame * 0.999 < share < in_frame * (1 + too_stiff)
