"""What lies below a bead, against plane geometry: areas by shapely, and every distance asked one by one."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.below import Samples, _ground_of, _nearest, below, divide, samples_of

SEEDS = range(6)


def made(x, y, angle_deg, **columns) -> Samples:
    """Samples of 0.5 by 0.45 by 0.2 mm at the top 0.2, laid at 0 s, but for what is named."""
    x, y, angle = np.broadcast_arrays(*(np.asarray(c, float) for c in (x, y, np.radians(angle_deg))))
    usual = {"length_mm": 0.5, "width_mm": 0.45, "height_mm": 0.2, "top_mm": 0.2, "laid_s": 0.0}
    whole = {"layer": np.int32, "solid": bool, "owner": np.int64, "row": np.int64}
    usual |= {"layer": 0, "solid": True, "owner": 0, "row": 0} | columns
    full = {k: np.full(x.shape, v).astype(whole.get(k, np.float64)) for k, v in usual.items()}
    return Samples(x_mm=x.ravel(), y_mm=y.ravel(), ux=np.cos(angle), uy=np.sin(angle), **full)


def joined(*parts: Samples) -> Samples:
    names = Samples.__dataclass_fields__
    return Samples(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})


def bead(begin, end, *, step_mm=0.5, speed_mm_s=50.0, begin_s=0.0, **columns) -> Samples:
    """One straight bead as samples."""
    (x0, y0), (x1, y1) = (np.array(p, float)[:, None] for p in (begin, end))
    length = np.hypot(x1 - x0, y1 - y0)
    usual = {
        "width_mm": 0.45,
        "height_mm": 0.2,
        "top_mm": 0.2,
        "layer": 0,
        "solid": True,
        "owner": 0,
        "row": 0,
    }
    each = {k: np.array([v]) for k, v in (usual | columns).items()}
    pieces = divide(x0, y0, x1, y1, length, step_mm)
    return samples_of(pieces, begin_s=np.array([begin_s]), seconds=length / speed_mm_s, **each)


def above(samples: Samples, **columns) -> Samples:
    """The same one layer higher, a thousand seconds later."""
    own = {n: getattr(samples, n) for n in Samples.__dataclass_fields__}
    own |= {"top_mm": samples.top_mm + 0.2, "laid_s": samples.laid_s + 1000.0, "layer": samples.layer + 1}
    return Samples(**(own | {k: np.full(len(samples), v) for k, v in columns.items()}))


def heap(rng: np.random.Generator, count: int, **columns) -> Samples:
    """Samples thrown into 4 by 4 mm, of any breadth and direction."""
    return made(
        *rng.uniform(0, 4, (2, count)),
        rng.uniform(0, 360, count),
        length_mm=rng.uniform(0.1, 1.0, count),
        width_mm=rng.uniform(0.25, 0.9, count),
        solid=rng.random(count) < 0.5,
        **{"laid_s": rng.uniform(0, 100, count)} | columns,
    )


# The oracle


def segments(s: Samples) -> np.ndarray:
    half = s.length_mm / 2
    ends = [np.column_stack([s.x_mm + k * half * s.ux, s.y_mm + k * half * s.uy]) for k in (-1, 1)]
    return shapely.linestrings(np.stack(ends, axis=1))


def counting(upper: Samples, k: int, lower: Samples) -> Samples:
    bottom = upper.top_mm[k] - upper.height_mm[k]
    return lower.take((np.abs(lower.top_mm - bottom) <= 0.02 + 1e-9) & (lower.laid_s <= upper.laid_s[k]))


def footprint(s: Samples, k: int) -> shapely.Polygon:
    along = np.array([s.ux[k], s.uy[k]]) * s.length_mm[k] / 2
    aside = np.array([-s.uy[k], s.ux[k]]) * s.width_mm[k] / 2
    corners = [along + aside, -along + aside, -along - aside, along - aside]
    return shapely.Polygon(np.array([s.x_mm[k], s.y_mm[k]]) + corners)


def covered(upper: Samples, lower: Samples) -> np.ndarray:
    """(n,) share of each footprint that lies on plastic, from areas of polygons."""
    share = []
    for k in range(len(upper)):
        ground = counting(upper, k, lower)
        plastic = shapely.union_all(shapely.buffer(segments(ground), ground.width_mm / 2, quad_segs=64))
        own = footprint(upper, k)
        share.append(shapely.area(shapely.intersection(own, plastic)) / own.area)
    return np.array(share)


def asked(upper: Samples, lower: Samples, side: int = 30) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Age, greatest age and sparse share of each sample by a grid of points, each asked of every sample below."""
    at = (np.arange(side) + 0.5) / side - 0.5
    along, aside = (g.ravel() for g in np.meshgrid(at, at))
    answers = np.full((3, len(upper)), np.nan)
    answers[2] = 0.0
    for k in range(len(upper)):
        ground = counting(upper, k, lower)
        if len(ground) == 0:
            continue
        u, v = np.array([upper.ux[k], upper.uy[k]]), np.array([-upper.uy[k], upper.ux[k]])
        xy = np.array([upper.x_mm[k], upper.y_mm[k]]) + np.outer(along * upper.length_mm[k], u)
        xy += np.outer(aside * upper.width_mm[k], v)
        far = shapely.distance(shapely.points(xy)[:, None], segments(ground)[None, :])
        far[far > ground.width_mm / 2] = np.inf
        nearest = np.argmin(far, axis=1)[np.isfinite(far.min(axis=1))]
        if len(nearest):
            age = upper.laid_s[k] - ground.laid_s[nearest]
            answers[:, k] = age.mean(), age.max(), np.mean(~ground.solid[nearest])
    return answers[0], answers[1], answers[2]


@pytest.mark.every(3)
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("count", [3, 25, 80])
def test_shares_are_those_of_polygons(seed: int, count: int):
    rng = np.random.default_rng(seed)
    lower, upper = heap(rng, count), heap(rng, 60, top_mm=0.4, laid_s=200.0)
    exact = covered(upper, lower)
    fine, coarse = below(upper, lower, points=233).share, below(upper, lower).share
    # A lattice of p points in a rectangle: a straight edge cuts some 2 / sqrt(p) of it wrongly at the very worst.
    assert np.abs(fine - exact).max() < 0.03
    assert np.abs(coarse - exact).max() < 0.3
    assert abs(np.mean(coarse - exact)) < 0.03


@pytest.mark.every(3)
@pytest.mark.parametrize("seed", SEEDS)
def test_ages_are_those_of_the_nearest_samples(seed: int):
    rng = np.random.default_rng(seed)
    lower, upper = heap(rng, 60), heap(rng, 60, top_mm=0.4, laid_s=200.0)
    age, oldest, sparse = asked(upper, lower)
    found = below(upper, lower, points=233)
    # What is touched by less than a point of either lattice is found by one of them only.
    both = ~np.isnan(age) & ~found.gap
    assert both.sum() > 40
    assert np.all(found.share[~both] < 0.01)
    assert np.abs(found.age_s - age)[both].max() < 8.0
    assert np.abs(found.age_s - age)[both].mean() < 1.0
    assert np.abs(found.sparse - sparse)[both].max() < 0.08
    assert np.mean(np.abs(found.oldest_s - oldest)[both] < 1e-6) > 0.9


@pytest.mark.parametrize("seed", SEEDS)
def test_heights_and_times_of_all_kinds(seed: int):
    """Layers of any height under each other, beads that were laid later among them."""
    rng = np.random.default_rng(seed)
    tops = np.array([0.2, 0.21, 0.27, 0.35, 0.5, 0.55])
    lower = heap(rng, 300, top_mm=rng.choice(tops, 300))
    upper = heap(rng, 80, top_mm=0.0)
    height = rng.choice([0.15, 0.2, 0.28], 80)
    upper = Samples(**{
        **{n: getattr(upper, n) for n in Samples.__dataclass_fields__},
        "top_mm": rng.choice(tops, 80) + height + rng.uniform(-0.03, 0.03, 80), "height_mm": height,
    })  # fmt: skip
    exact = covered(upper, joined(lower, upper))
    found = below(upper, joined(lower, upper), points=233)
    assert np.abs(found.share - exact).max() < 0.03
    assert 10 < np.count_nonzero(exact == 0) < 70


# Places whose answer is known


@pytest.mark.parametrize("points", [5, 13, 21, 55, 89, 233])
def test_a_wall_on_a_wall(points: int):
    wall = bead((0, 0), (20, 0))
    found = below(above(wall), wall, points=points)
    assert np.all(found.share == 1.0)
    assert np.all(found.sparse == 0.0)
    assert not np.any(found.gap)
    assert found.age_s == pytest.approx(np.full(40, 1000.0), abs=0.01)


@pytest.mark.parametrize("aside_mm", [0.0, 0.09, 0.2, 0.3, 0.44])
@pytest.mark.parametrize("angle_deg", [0, 33, 90, 200])
def test_a_wall_beside_the_one_below(aside_mm: float, angle_deg: float):
    turn = np.radians(angle_deg)
    along, aside = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    lower = bead(-10 * along, 10 * along)
    upper = above(bead(-5 * along + aside_mm * aside, 5 * along + aside_mm * aside))
    found = below(upper, lower, points=233)
    assert found.share == pytest.approx(np.full(20, 1 - aside_mm / 0.45), abs=1.01 / 233)


def test_no_plastic_below_at_a_whole_width_and_more():
    upper = above(bead((0, 0.91), (10, 0.91)))
    found = below(upper, bead((0, 0), (10, 0)))
    assert np.all(found.gap)
    assert np.all(found.share == 0.0)
    assert np.all(found.sparse == 0.0)
    assert np.all(np.isnan(found.age_s))
    assert np.all(np.isnan(found.oldest_s))


@pytest.mark.parametrize(("width_mm", "share"), [(0.9, 1.0), (0.45, 1 - 0.15 / 0.45), (0.2, 0.175 / 0.45)])
def test_breadths_below_differ(width_mm: float, share: float):
    """The wall is 0.45 wide and 0.15 beside the middle of what is below: 0.2 wide reaches 0.1 of its own 0.225."""
    upper = above(bead((0, 0.15), (10, 0.15)))
    lower = bead((-1, 0), (11, 0), width_mm=width_mm)
    assert below(upper, lower, points=233).share == pytest.approx(np.full(20, share), abs=1.01 / 233)


@pytest.mark.parametrize("angle_deg", [90, 75, 60, 45, 30])
@pytest.mark.parametrize(("points", "tolerance"), [(5, 0.08), (21, 0.03), (233, 0.005)])
def test_a_bead_that_crosses_carries_a_parallelogram(angle_deg: float, points: int, tolerance: float):
    """Two strips that cross share w_upper w_lower / sin(angle), wherever the samples begin."""
    turn = np.radians(angle_deg)
    reach = 10 * np.array([np.cos(turn), np.sin(turn)])
    carried = []
    for shift in np.linspace(0, 0.5, 11)[:-1]:
        upper = above(bead((-10 + shift, 0), (10 + shift, 0), width_mm=0.6))
        found = below(upper, bead(-reach, reach, width_mm=0.45), points=points)
        carried.append(float((found.share * upper.length_mm).sum() * 0.6))
    assert np.mean(carried) == pytest.approx(0.6 * 0.45 / np.sin(turn), rel=tolerance)


@pytest.mark.parametrize("angle_deg", [90, 60, 45])
@pytest.mark.parametrize("pitch_mm", [0.9, 1.8, 3.0])
def test_a_wall_over_sparse_fill(angle_deg: float, pitch_mm: float):
    """Of a wall across lines a pitch apart, the lines' breadth over their pitch is carried, all of it by sparse."""
    turn = np.radians(angle_deg)
    reach = 3 * np.array([np.cos(turn), np.sin(turn)])
    across = np.arange(-1, 60) * pitch_mm / np.sin(turn)
    feet = np.column_stack([across, 0 * across])
    lines = [bead(foot - reach, foot + reach, solid=False, begin_s=k) for k, foot in enumerate(feet)]
    shifts = pitch_mm * (np.arange(40) * 0.6180340 % 1)  # evenly, and never in step with the samples' points
    length = pitch_mm / np.sin(turn) * round(30 / pitch_mm)
    walls = [above(bead((x, 0), (x + length, 0), owner=k)) for k, x in enumerate(shifts)]
    found = below(joined(*walls), joined(*lines))
    assert found.share.mean() == pytest.approx(0.45 / pitch_mm, rel=0.02)
    assert np.all(found.sparse[~found.gap] == 1.0)
    assert np.mean(found.gap) > 0.2 or pitch_mm < 1.0
    assert np.all(np.isnan(found.age_s) == found.gap)


def test_half_on_solid_and_half_on_sparse():
    """A line runs along the joint of a perimeter and a bridge beside it."""
    lower = joined(bead((0, 0), (10, 0)), bead((0, 0.45), (10, 0.45), solid=False, begin_s=300.0))
    found = below(above(bead((0, 0.225), (10, 0.225))), lower, points=233)
    assert np.all(found.share == 1.0)
    assert found.sparse == pytest.approx(np.full(20, 0.5), abs=1.01 / 233)
    assert found.age_s == pytest.approx(np.full(20, 850.0), abs=1.0)
    assert found.oldest_s == pytest.approx(np.full(20, 1000.0), abs=0.02)


def test_zigzag_below_a_wall():
    """Solid lines at 45 degrees without a gap carry all of a wall, each with its own age."""
    pitch = 0.4070796  # of 0.45 by 0.2 without voids
    turn = np.radians(45)
    u, v = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    lines = [bead(-8 * u + k * pitch * v, 8 * u + k * pitch * v, begin_s=k + 20.0) for k in range(-20, 21)]
    found = below(above(bead((-3, 0), (3, 0)), laid_s=100.0), joined(*lines))
    assert np.all(found.share == 1.0)
    # The line below x is x sin(45) / pitch lines back in time, and each is 0.32 s old in its middle.
    x = np.arange(12) / 2 - 2.75
    assert found.age_s == pytest.approx(100 - 20 - 0.16 + x * np.sin(turn) / pitch, abs=0.6)


def test_where_two_beads_overlap_the_nearer_counts_and_of_equals_the_last():
    near, far = bead((0, 0), (10, 0), width_mm=1.0), bead((0, 0.2), (10, 0.2), width_mm=1.0, begin_s=500.0)
    found = below(above(bead((0, -0.2), (10, -0.2))), joined(near, far))
    assert found.age_s == pytest.approx(np.full(20, 1000.0), abs=0.02)
    twice = joined(near, bead((0, 0), (10, 0), width_mm=1.0, begin_s=500.0, solid=False))
    for lower in (twice, twice.take(np.arange(len(twice))[::-1])):
        found = below(above(near), lower)
        assert found.age_s == pytest.approx(np.full(20, 500.0), abs=0.02)
        assert np.all(found.sparse == 1.0)


# Levels


@pytest.mark.parametrize("off_mm", [0.0, 0.019, -0.019, 0.02, -0.02])
@pytest.mark.parametrize("top_mm", [0.2, 0.28, 0.32, 7.94, 200.04])
def test_a_level_is_met_within_two_hundredths(off_mm: float, top_mm: float):
    lower = bead((0, 0), (5, 0), top_mm=top_mm)
    upper = above(lower, top_mm=top_mm + 0.3 + off_mm, height_mm=0.3)
    assert np.all(below(upper, lower).share == 1.0)


@pytest.mark.parametrize("off_mm", [0.021, -0.021, 0.039, -0.041, 0.1])
@pytest.mark.parametrize("top_mm", [0.2, 0.28, 0.32, 7.94, 200.04])
def test_and_no_further(off_mm: float, top_mm: float):
    lower = bead((0, 0), (5, 0), top_mm=top_mm)
    assert np.all(below(above(lower, top_mm=top_mm + 0.3 + off_mm, height_mm=0.3), lower).gap)


def test_single_precision_of_heights_is_no_matter():
    lower = bead((0, 0), (5, 0), top_mm=0.22)
    upper = above(lower, top_mm=0.4, height_mm=np.float32(0.2))
    assert np.all(below(upper, lower).share == 1.0)


def test_only_the_level_directly_below_counts():
    """Its own layer and the one two layers down carry nothing."""
    stack = [bead((0, 0), (5, 0), top_mm=0.2 * n, layer=n, begin_s=10.0 * n) for n in (1, 2, 4)]
    found = below(joined(*stack), joined(*stack))
    assert found.gap.reshape(3, -1).all(axis=1).tolist() == [True, False, True]
    assert found.age_s[10:20] == pytest.approx(np.full(10, 10.0))


def test_a_thick_bead_stands_on_what_is_below_all_of_it():
    """Sparse fill every second layer: 0.4 high, on the level two walls down."""
    walls = [bead((0, 0), (5, 0), top_mm=0.2 * n, begin_s=10.0 * n) for n in (1, 2, 3)]
    fill = bead((0, 0.1), (5, 0.1), top_mm=0.6, height_mm=0.4, begin_s=100.0)
    assert below(fill, joined(*walls)).age_s == pytest.approx(np.full(10, 90.0))


def test_plastic_that_was_laid_later_is_not_there_yet():
    lower = joined(bead((0, 0), (5, 0)), bead((5, 0), (10, 0), begin_s=3000.0))
    found = below(above(bead((0, 0), (10, 0))), lower)
    assert np.all(found.share[:10] == 1.0)
    assert np.all(found.share[11:] == 0.0)
    assert np.nanmin(found.age_s) >= 0.0


def test_objects_printed_one_after_the_other():
    """Layers are numbered through the plate; each object stands on its own, whatever was laid meanwhile."""
    parts, layer = [], 0
    for k in range(3):
        for n in range(1, 5):
            start = 1000.0 * k + 10.0 * n
            y = 5.0 * k
            parts.append(bead((0, y), (6, y), top_mm=0.2 * n, layer=layer, begin_s=start, owner=k))
            layer += 1
    plate = joined(*parts)
    found = below(plate, plate)
    first = plate.top_mm < 0.3
    assert np.all(found.gap == first)
    assert found.age_s[~first] == pytest.approx(np.full(np.count_nonzero(~first), 10.0))


def test_on_a_raft_the_gap_left_for_parting_is_a_gap():
    raft = bead((0, 0), (5, 0), top_mm=0.6)
    assert np.all(below(above(raft, top_mm=0.8), raft).share == 1.0)
    assert np.all(below(above(raft, top_mm=0.9), raft).gap)


def test_a_vase_stands_on_the_turn_before():
    """A wall that climbs evenly; one turn of 10 mm radius at 40 mm/s takes 1.5708 s."""
    turns = 4.0
    angle = (np.arange(turns * 126) + 0.5) * 2 * np.pi / 126
    wall = made(
        10 * np.cos(angle), 10 * np.sin(angle), np.degrees(angle) + 90,
        top_mm=0.2 + 0.2 * angle / (2 * np.pi), laid_s=angle * 10 / 40,
    )  # fmt: skip
    found = below(wall, wall)
    upper = angle > 2 * np.pi + 0.1
    assert np.all(found.gap[angle < 2 * np.pi * 0.89])
    assert np.all(found.share[upper] == 1.0)
    assert found.age_s[upper] == pytest.approx(np.full(np.count_nonzero(upper), 20 * np.pi / 40), abs=1e-3)


# Whatever the order, the cells, the number


@given(seed=st.integers(0, 2**32 - 1), count=st.integers(0, 120), cell_mm=st.floats(0.05, 20.0))
def test_order_and_cells_are_no_matter(seed: int, count: int, cell_mm: float):
    rng = np.random.default_rng(seed)
    plate = heap(rng, count, top_mm=rng.choice([0.2, 0.23, 0.4, 0.41, 0.6], count))
    usual = below(plate, plate)
    order = rng.permutation(count)
    mixed = below(plate.take(order), plate.take(rng.permutation(count)), cell_mm=cell_mm)
    for name in ("share", "age_s", "oldest_s", "sparse", "gap"):
        assert np.array_equal(getattr(usual, name)[order], getattr(mixed, name), equal_nan=True), name


@given(seed=st.integers(0, 2**32 - 1), some=st.integers(0, 5))
def test_a_few_asked_alone_answer_as_among_all(seed: int, some: int):
    rng = np.random.default_rng(seed)
    plate = heap(rng, 150, top_mm=rng.choice([0.2, 0.23, 0.4, 0.41, 0.6], 150))
    few = rng.choice(150, some, replace=False)
    alone, among = below(plate.take(few), plate), below(plate, plate)
    for name in ("share", "age_s", "oldest_s", "sparse", "gap"):
        assert np.array_equal(getattr(among, name)[few], getattr(alone, name), equal_nan=True), name


def test_blocks_are_no_matter(monkeypatch: pytest.MonkeyPatch):
    rng = np.random.default_rng(7)
    lower, upper = heap(rng, 200), heap(rng, 200, top_mm=0.4, laid_s=200.0)
    usual = below(upper, lower)
    monkeypatch.setattr("gcodetools.physics.below._BLOCK", 13)
    monkeypatch.setattr("gcodetools.physics.below._PAIRS", 17)
    small = below(upper, lower)
    assert np.array_equal(usual.share, small.share)
    assert np.array_equal(usual.age_s, small.age_s, equal_nan=True)


def test_one_blob_is_searched_by_itself(monkeypatch: pytest.MonkeyPatch):
    """A bead of 20 mm in breadth, as a push of filament in place looks, is found, and changes nothing where others
    are nearer; nor does it make every search one of 10 mm."""
    pitch = np.arange(100) * 0.4
    lower = joined(*(bead((0, y), (40, y)) for y in pitch))
    blob = made([20.25], 19.9, 0.0, length_mm=0.01, width_mm=20.0, laid_s=-500.0)
    upper = above(bead((5, 20), (35, 20)))
    pairs = []

    def counted(*args):
        pairs[-1] += len(args[2])
        return _nearest(*args)

    monkeypatch.setattr("gcodetools.physics.below._nearest", counted)
    ages = []
    for ground in (lower, joined(lower, blob)):
        pairs.append(0)
        ages.append(below(upper, ground).age_s)
    # Strips begin elsewhere with the blob in view, so a few pairs more or less are asked.
    assert pairs[1] <= 1.1 * pairs[0] + len(upper)
    assert np.count_nonzero(ages[0] != ages[1]) == 1
    assert below(above(made([25.0], 25.0, 0.0)), blob).share.tolist() == [1.0]


def test_what_has_no_number_carries_nothing_and_lies_on_nothing():
    lower, upper = bead((0, 0), (2, 0)), above(bead((0, 0), (2, 0)))
    for name in ("width_mm", "height_mm", "top_mm", "laid_s", "length_mm", "x_mm"):
        assert np.all(below(upper, above(lower, **{"top_mm": 0.2, "laid_s": 0.0} | {name: np.nan})).gap)
        assert np.all(below(above(lower, **{name: np.nan}), lower).gap)


def test_none_above_and_none_below():
    none = made(np.empty(0), np.empty(0), 0.0)
    wall = bead((0, 0), (2, 0))
    assert len(below(none, wall).share) == 0
    assert np.all(below(wall, none).gap)
    assert len(below(none, none).gap) == 0


def test_what_is_asked_wrongly():
    wall = bead((0, 0), (2, 0))
    with pytest.raises(ValueError, match="4 points; expected one of 5, 13"):
        below(wall, wall, points=4)
    with pytest.raises(ValueError, match="cells of 0 mm"):
        below(wall, wall, cell_mm=0.0)
    with pytest.raises(ValueError, match="a sample of 20 mm; expected at most 5"):
        below(wall, made([0.0], 0, 0, length_mm=20.0))


def test_memory_is_bounded():
    """Some 450 bytes a sample and the blocks: half a gigabyte for a million."""
    lines = np.arange(0, 40, 0.407)
    layers = [(n, y) for n in range(1, 16) for y in lines]
    begin = np.array([(0.0, y) for _, y in layers]).T
    pieces = divide(begin[0], begin[1], begin[0] + 40, begin[1], np.full(len(layers), 40.0))
    many = np.ones(len(layers))
    n = np.array([n for n, _ in layers])
    plate = samples_of(
        pieces, row=n, width_mm=0.45 * many, height_mm=0.2 * many, top_mm=0.2 * n, layer=n,
        begin_s=np.arange(len(layers)) * 1.0, seconds=many, solid=many > 0, owner=n,
    )  # fmt: skip
    tracemalloc.start()
    found = below(plate, plate)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(plate) > 110_000
    assert peak < 60e6 + 450 * len(plate)
    assert np.mean(found.share[plate.layer > 1]) == 1.0


@pytest.mark.parametrize("seed", SEEDS)
def test_a_table_of_places_and_a_search_find_the_same(seed: int, monkeypatch: pytest.MonkeyPatch):
    """Where samples lie close a table tells where they begin, else a search does; blobs that reach far among them."""
    rng = np.random.default_rng(seed)
    blobs = made(*rng.uniform(0, 4, (2, 20)), 30.0, width_mm=3.0, laid_s=0.5, solid=False)
    lower, upper = joined(heap(rng, 400), blobs), above(heap(rng, 300))
    found = {}
    for places in (0, 1 << 20):
        monkeypatch.setattr("gcodetools.physics.below._PLACES", places)
        assert (len(_ground_of(lower, None).begins) > 0) == (places > 0)
        found[places] = below(upper, lower)
    one, other = found.values()
    assert np.any(one.share > 0)
    for name in ("share", "age_s", "oldest_s", "sparse", "gap"):
        assert np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True), name
