"""Points of beads and how they are packed: against the file's own moves, circles in closed form, and a reader of the
bytes that is written from their description alone."""

from __future__ import annotations

import base64
import math
import zlib
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.demo.maker import Placement, make
from gcodetools.report.differing import differences
from gcodetools.report.packing import FAST, HEAD_BYTES, POINT_BYTES, layer_bytes, packed
from gcodetools.report.pagedata import (
    ADDED,
    CHORD,
    PEN_UP,
    UNKNOWN_AGE,
    UNKNOWN_BOND,
    Claims,
    Points,
    age_numbers,
    bond_numbers,
    joined,
    layers_of,
    unit_of,
)  # fmt: skip
from gcodetools.report.thinning import MOST, coarser, thinned, words
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

UNIT_MM = 0.02
BYTES = ("flag", "feature", "region", "instance", "width", "height")
WORDS = ("feed", "rate", "nozzle", "age")
COLUMNS = tuple(field.name for field in fields(Points)[1:])


def read_layers(chunks):
    """Layers as lists of numbers: raw deflate (RFC 1951), base64 (RFC 4648), little-endian, planes of bytes."""
    layers = []
    for first, count, text in chunks:
        assert first == len(layers)
        data = zlib.decompress(base64.b64decode(text, validate=True), wbits=-15)
        at = 0
        for _ in range(count):
            n = int.from_bytes(data[at : at + 4], "little")
            x, y = (int.from_bytes(data[at + k : at + k + 4], "little", signed=True) for k in (4, 8))
            at += 12
            one = {}
            for name in ("x", "y", *BYTES, *WORDS, "bond"):
                wide = name in ("x", "y", *WORDS)
                low = data[at : at + n]
                high = data[at + n : at + 2 * n] if wide else bytes(n)
                at += 2 * n if wide else n
                one[name] = [a + 256 * b for a, b in zip(low, high, strict=True)]
            for name, start in (("x", x), ("y", y)):
                steps = [v - 65536 if v > 32767 else v for v in one[name]]
                one[name] = np.cumsum([start, *steps])[1:].tolist()
            layers.append(one)
        assert at == len(data)
    return layers


def points(sizes, seed=0):
    """Random columns; every layer begins a run."""
    rng = np.random.default_rng(seed)
    n = int(sum(sizes))
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    flag = rng.integers(0, 8, n).astype(np.uint8)
    flag[start[:-1][np.asarray(sizes) > 0]] |= PEN_UP
    place = {key: rng.integers(-16000, 16000, n).astype(np.int32) for key in ("x", "y")}
    small = {key: rng.integers(0, 256, n).astype(np.uint8) for key in (*BYTES[1:], "bond")}
    large = {key: rng.integers(0, 65536, n).astype(np.uint16) for key in WORDS}
    return Points(start=start, flag=flag, **place, **small, **large)


def points_of(plate, claims=None, unit_mm=UNIT_MM):
    return joined(layers_of(plate, None, claims or Claims.none(), [], 2.405, unit_mm))


def of_file(text, **options):
    plate = Plate.from_bytes(text.encode(), "made.gcode")
    return plate, points_of(plate, options.get("claims"))


def layers_in(one):
    return [one.layer(k) for k in range(one.layers)]


def marked(before, after, *args, **options):
    return [joined(side) for side in differences(before, after, *args, **options)]


def lengths_mm(one, mask=True):
    """Length of the stretches that end at the points of `mask`."""
    step = np.hypot(np.diff(one.x, prepend=0), np.diff(one.y, prepend=0)) * UNIT_MM
    return float(step[((one.flag & PEN_UP) == 0) & mask].sum())


HEAD = "G21\nG90\nM83\nG1 Z0.2 F600\n"
SQUARE = HEAD + "G1 X10 Y10 F3000\nG1 X30 E1 F1800\nG1 Y30 E1\nG1 X10 E1\nG1 Y10 E1\n"


@given(st.lists(st.integers(0, 40), min_size=1, max_size=6), st.integers(0, 1000))
def test_what_is_packed_is_read_back(sizes, seed):
    made = points(sizes, seed)
    layers = read_layers(packed(layers_in(made)).chunks)
    assert [len(one["x"]) for one in layers] == sizes
    for name in COLUMNS:
        joined = [value for one in layers for value in one[name]]
        assert joined == getattr(made, name).tolist(), name


@pytest.mark.parametrize("sizes", [[], [0], [3000] * 9 + [0, 5]])
def test_layers_that_are_packed_are_had_again_in_any_order(sizes):
    made = points(sizes, 1)
    kept = packed(layers_in(made), FAST)
    assert (kept.layers, kept.points) == (len(sizes), len(made))
    for order in (range(len(sizes)), reversed(range(len(sizes)))):
        for k in order:
            for name in COLUMNS:
                one, other = (getattr(side.layer(k), name) for side in (made, kept))
                assert one.dtype == other.dtype and np.array_equal(one, other), name
    assert np.array_equal(joined(kept.each()).start, made.start)
    if len(made):
        assert kept.low == (made.x.min(), made.y.min()) and kept.high == (made.x.max(), made.y.max())


def test_a_layer_has_the_bytes_that_are_told():
    made = points([7])
    assert len(layer_bytes(made)) == HEAD_BYTES + 7 * POINT_BYTES
    assert len(layer_bytes(points([0]))) == HEAD_BYTES


def test_many_layers_go_into_several_chunks_and_none_is_large():
    made = points([3000] * 9)
    chunks = packed(layers_in(made)).chunks
    assert len(chunks) > 2 and sum(count for _, count, _ in chunks) == 9
    sizes = [len(zlib.decompress(base64.b64decode(text), wbits=-15)) for _, _, text in chunks]
    assert max(sizes) < 300_000


def test_a_square_is_one_run_with_its_numbers():
    plate, one = of_file(SQUARE)
    assert one.x.tolist() == [500, 1500, 1500, 500, 500] and one.y.tolist() == [500, 500, 1500, 1500, 500]
    assert one.flag.tolist() == [PEN_UP, 0, 0, 0, 0]
    assert set(one.feed.tolist()) == {300}  # F1800 is 30 mm/s
    # 1 mm of filament over 20 mm at 30 mm/s: 2.405 mm3 in 20 / 30 s.
    assert set(one.rate.tolist()) == {round(2.405 / (20 / 30) / 0.01)}
    assert set(one.age.tolist()) == {UNKNOWN_AGE} and set(one.bond.tolist()) == {UNKNOWN_BOND}
    assert set(one.width.tolist()) == {round(float(plate.beads.width[-1]) / 0.01)}


def test_feeds_are_those_of_the_speed_factor():
    _, one = of_file(SQUARE.replace("G1 Y30", "M220 S50\nG1 Y30"))
    assert one.feed.tolist() == [300, 300, 150, 150, 150]


def test_a_travel_begins_a_new_run():
    _, one = of_file(SQUARE + "G1 X40 Y40\nG1 X50 E1\n")
    assert np.flatnonzero(one.flag & PEN_UP).tolist() == [0, 5]
    assert (one.x[5:].tolist(), one.y[5:].tolist()) == ([2000, 2500], [2000, 2000])


@pytest.mark.parametrize("radius", [1.0, 10.0, 60.0])
def test_arcs_are_chords_within_two_hundredths(radius):
    _, one = of_file(HEAD + f"G1 X{100 + radius} Y100 F3000\nG3 X{100 + radius} Y100 I{-radius} J0 E3\n")
    assert np.all((one.flag[1:] & CHORD) != 0)
    x, y = one.x * UNIT_MM - 100, one.y * UNIT_MM - 100
    rounding = UNIT_MM * math.sqrt(0.5)
    assert np.all(np.abs(np.hypot(x, y) - radius) < rounding)
    middle = np.hypot((x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2)
    assert np.all(radius - middle < 0.02 + rounding)
    # No more of them than three times what the sagitta r (1 - cos(a / 2)) asks for.
    assert len(one) < 3 * math.pi / math.acos(1 - 0.02 / radius) + 2
    assert lengths_mm(one) == pytest.approx(2 * math.pi * radius, rel=0.03)


def test_a_bead_is_cut_where_a_region_begins_and_ends():
    row, t0, t1 = np.array([2]), np.array([0.25]), np.array([0.75])
    plate, _ = of_file(SQUARE)
    assert plate.moves.x[2] == 30 and plate.moves.y[2] == 10
    claims = Claims(row, t0, t1, np.array([4]), age_numbers(np.array([10.0])), bond_numbers(np.array([0.8])))
    _, one = of_file(SQUARE, claims=claims)
    assert one.x[:4].tolist() == [500, 750, 1250, 1500]
    assert one.region.tolist()[1:4] == [0, 5, 0]
    assert one.age[2] == round(1000 * math.log(11)) and one.bond[2] == 200
    assert one.age[1] == one.age[3] == UNKNOWN_AGE


@pytest.mark.parametrize("convention", ["A", "C", "J"])
def test_every_bead_of_a_plate_is_there(convention):
    data = make(convention, parts=(Placement("wedge-key-snug", 60, 110),)).data
    plate = Plate.from_bytes(data, "made.gcode")
    one = points_of(plate)
    bead = plate.beads.is_bead
    for k in range(len(plate.layers)):
        mine = bead & (plate.beads.layer == k)
        layer = one.layer(k)
        # A point is off by half a unit at most each way.
        assert abs(lengths_mm(layer) - plate.beads.length_mm[mine].sum()) < 0.02 * len(layer) + 1e-6
        assert (layer.flag[0] & PEN_UP) and len(layer) <= 2 * mine.sum() + np.sum(layer.flag & CHORD)


def test_a_large_plate_gets_a_larger_unit():
    small, _ = of_file(SQUARE)
    large, _ = of_file(HEAD + "G1 X0 Y0 F3000\nG1 X900 E20\nG1 X0 Y1 E20\n")
    assert unit_of(small) == UNIT_MM
    unit = unit_of(large)
    made = points_of(large, unit_mm=unit)
    read = read_layers(packed(layers_in(made)).chunks)[0]
    assert np.ptp(read["x"]) * unit == pytest.approx(900, abs=unit)


def test_units_are_doubled_together():
    _, one = of_file(SQUARE)
    assert (coarser(one).x * 2 - one.x).tolist() == [0] * 5


def test_only_what_the_other_side_lacks_is_marked():
    _, a = of_file(SQUARE)
    # The other way round, one side in two parts, the last one elsewhere.
    other = "G1 X10 Y10 F3000\nG1 Y30 E1\nG1 X22.503 E1\nG1 X30 E1\nG1 Y10 E1\nG1 X10 Y10.5 E1\n"
    _, b = of_file(HEAD + other)
    a, b = marked(a, b, {0: 0}, UNIT_MM)
    assert [(x, y) for x, y, f in zip(a.x, a.y, a.flag, strict=True) if f & ADDED] == [(1500, 500)]
    assert [(x, y) for x, y, f in zip(b.x, b.y, b.flag, strict=True) if f & ADDED] == [(500, 525)]


def test_a_bead_that_is_shortened_is_cut_where_it_ends_now():
    _, a = of_file(SQUARE)
    _, b = of_file(SQUARE.replace("G1 X30 E1 F1800", "G1 X22 E1 F1800\nG1 X25 F3000\nG1 X30 E1 F1800"))
    a, b = marked(a, b, {0: 0}, UNIT_MM, sorts=False)
    assert a.x[:5].tolist() == [500, 1100, 1250, 1500, 1500]
    assert ((a.flag & ADDED) != 0).tolist() == [False, False, True, False, False, False, False]
    assert a.feed[2] == a.feed[3] and not np.any(b.flag & ADDED)


def test_a_wall_on_the_line_of_fill_is_another_bead():
    _, a = of_file(SQUARE)
    b = replace(a, feature=np.full(len(a), FEATURE_INDEX["sparse"], np.uint8))
    wall = replace(a, feature=np.full(len(a), FEATURE_INDEX["perimeter"], np.uint8))
    assert all(np.sum((one.flag & ADDED) != 0) == 4 for one in marked(wall, b, {0: 0}, UNIT_MM))
    assert not any(np.any(one.flag & ADDED) for one in marked(wall, b, {0: 0}, UNIT_MM, sorts=False))
    solid = replace(a, feature=np.full(len(a), FEATURE_INDEX["solid"], np.uint8))
    assert not any(np.any(one.flag & ADDED) for one in marked(solid, b, {0: 0}, UNIT_MM))


def test_a_bead_that_crosses_others_is_not_one_of_them():
    _, a = of_file(SQUARE)
    _, b = of_file(SQUARE + "G1 X5 Y20 F3000\nG1 X35 Y20 E1\n")
    a, b = marked(a, b, {0: 0}, UNIT_MM)
    assert not np.any(a.flag & ADDED)
    assert np.flatnonzero(b.flag & ADDED).tolist() == [6]


def test_a_layer_that_one_side_lacks_is_different_throughout():
    _, a = of_file(SQUARE)
    _, b = of_file(SQUARE)
    a, b = marked(a, b, {}, UNIT_MM)
    for one in (a, b):
        assert ((one.flag & ADDED) != 0).tolist() == [False, True, True, True, True]


LINE = HEAD + "G1 X10 Y10 F3000\n" + "".join(f"G1 X{10 + k} E0.05\n" for k in range(1, 21)) + "G1 Y30 E1\n"


def test_beads_in_line_become_one_and_corners_stay():
    _, one = of_file(LINE)
    less = thinned(one, 2)
    assert len(one) == 22 and len(less) < 8
    assert lengths_mm(less) == pytest.approx(lengths_mm(one), abs=1e-9)
    assert (1500, 500) in set(zip(less.x.tolist(), less.y.tolist(), strict=True))


def test_beads_in_line_stay_apart_inside_of_a_region():
    rows = np.arange(6, 11)
    claims = Claims(rows, 0.0 * rows, 0.0 * rows + 1.0, 0 * rows, 0 * rows, 0 * rows)
    _, one = of_file(LINE, claims=claims)
    less = thinned(one, 2)
    assert len(less) < len(one)
    assert less.x[less.region != 0].tolist() == one.x[one.region != 0].tolist()
    assert len(set(one.x[one.region != 0].tolist())) == 5


def test_thinning_leaves_regions_whole():
    made = points([50] * 8, seed=3)
    made.region[:] = np.where(made.region < 128, 0, 7)
    inside = made.region != 0

    def bead(one, keys):
        """What is drawn in regions: begin and end of each, and what holds for it."""
        at = np.flatnonzero((one.region != 0) & ((one.flag & PEN_UP) == 0))
        begin = np.stack([one.x[at - 1], one.y[at - 1]])
        return np.vstack([begin, *(getattr(one, key)[at] for key in keys)]).tolist()

    whole, step = bead(made, COLUMNS), made
    sizes = [len(made)]
    for k in range(1, MOST + 1):
        step = thinned(step, k)
        assert bead(step, COLUMNS) == whole
        sizes.append(len(step))
    assert sizes[-1] < 0.8 * sizes[0] and int(inside.sum()) <= sizes[-1]
    assert step.start[-1] == len(step) and len(step.start) == len(made.start)


def test_each_step_says_what_it_leaves_out():
    assert [len(words(k)) for k in range(4)] == [0, 1, 2, 3]
    assert "one layer in 2 " in words(3)[-1] and "one layer in 64 " in words(MOST)[-1]
    with pytest.raises(ValueError, match="step 9"):
        thinned(points([3]), 9)


def test_outside_of_regions_feeds_are_left_out_first():
    made = points([40], seed=1)
    made.region[:20] = 0
    made.region[20:] = 1
    less = thinned(made, 1)
    assert not np.any(less.feed[:20]) and np.array_equal(less.feed[20:], made.feed[20:])
    assert np.array_equal(less.width, made.width)


def test_a_sample_is_packed_whole(sample_path):
    plate = Plate.read(sample_path)
    if not len(plate.layers):
        pytest.skip("no layer in it")
    made = points_of(plate, unit_mm=unit_of(plate))
    bead = plate.beads.is_bead & (plate.beads.layer >= 0)
    assert lengths_mm(made) == pytest.approx(plate.beads.length_mm[bead].sum(), rel=0.01)
    assert sum(len(one["x"]) for one in read_layers(packed(layers_in(made)).chunks)) == len(made)
