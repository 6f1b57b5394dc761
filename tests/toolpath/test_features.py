"""Features by geometry: of small drawn layers, of made plates, and of the samples with their words hidden."""

from __future__ import annotations

from collections.abc import Callable
from math import cos, pi, sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gcodetools.demo.maker import CONVENTIONS
from gcodetools.demo.plates import Made
from gcodetools.toolpath.beads import FEATURE_INDEX, FEATURES
from gcodetools.toolpath.plate import Plate

Read = Callable[..., Plate]
PITCH = 0.4070796  # w - h (1 - pi / 4) for 0.45 by 0.2, SCIENCE.md section 5

# Share of the marked bead length that geometry calls the same, at least: outermost, perimeter, fill in all.
# What it can't know is no part of it: bridges and overhangs. Lower ones have their reason beside them.
AGREEMENT = {
    "A-two-names.gcode": (0.99, 0.98, 0.84),  # concentric top skin is loops: perimeters to the eye
    "B-cube.gcode": (0.99, 0.99, 0.98),
    "B-two-objects.gcode": (0.99, 0.95, 0.85),  # short solid lines in narrow places read as gap fill
    "B2-fast.gcode": (0.88, 0.96, 0.90),  # walls cut in pieces by overhangs without a word between
    "C-arcs.gcode": (0.99, 0.99, 0.80),  # concentric bottom
    "D-part.gcode": (0.99, 0.99, 0.80),
    "E0-cube.gcode": (0.99, 0.99, 0.99),
    "E0-tpu.gcode": (0.97, 0.99, 0.95),
    "E1-vase.gcode": (0.95, None, 0.99),
    "G-lid-crlf.gcode": (0.99, 0.98, None),
}


def _word(feature: np.ndarray) -> list[str]:
    return [FEATURES[k] for k in feature.tolist()]


def _of_layer(plate: Plate, layer: int) -> list[str]:
    """One word a run of equal features."""
    beads = plate.beads
    feature = beads.feature[beads.is_bead & (beads.layer == layer)]
    return _word(feature[np.flatnonzero(np.diff(feature.astype(int), prepend=-1))])


@pytest.fixture
def block(pen: Any) -> Plate:
    """Three layers of a block with a bore: walls two deep, dense fill on the first, sparse on the others."""
    for k in range(3):
        pen.layer(0.2 * (k + 1))
        for side in (40 - 0.45, 40 - 0.45 - 2 * PITCH, 12 + 0.45 + 2 * PITCH, 12 + 0.45):
            pen.square(100, 100, side)
        for x, y in ((86.5, 86.5), (113.5, 86.5)):
            pen.hatch(x, y, 11, PITCH if k == 0 else 2.2)
    return pen.plate()


def test_walls_are_told_from_dense_and_sparse_fill(block: Plate) -> None:
    assert block.beads.source == "geometry"
    assert _of_layer(block, 0) == ["outermost", "perimeter", "outermost", "solid"]
    assert _of_layer(block, 1) == ["outermost", "perimeter", "outermost", "sparse"]


def test_both_edges_of_a_wall_around_a_bore_are_outermost(block: Plate) -> None:
    rows = np.flatnonzero(block.beads.is_bead & (block.beads.layer == 0))[:16].reshape(4, 4)
    assert _word(block.beads.feature[rows[:, 0]]) == ["outermost", "perimeter", "perimeter", "outermost"]


@given(st.floats(0, 89), st.sampled_from([PITCH, 1.5, 3.0]))
@example(degrees=4.5, pitch=PITCH)
@example(degrees=3.0, pitch=PITCH)
def test_fill_is_dense_or_sparse_at_any_angle(
    new_pen: Callable[[], Any], degrees: float, pitch: float
) -> None:
    pen = new_pen()
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    for k in range(2):
        pen.layer(0.2 * (k + 1))
        pen.square(100, 100, 60)
        points = []
        for n in range(int(20 / pitch)):
            y = -10 + n * pitch
            ends = [(-15.0, y), (15.0, y)][:: 1 if n % 2 else -1]
            points += [(100 + u * c - v * s, 100 + u * s + v * c) for u, v in ends]
        pen.line(points)
    assert _of_layer(pen.plate(), 0) == ["outermost", "solid" if pitch == PITCH else "sparse"]


def test_a_narrow_face_holds_gap_fill(pen: Any) -> None:
    for k in range(2):
        pen.layer(0.2 * (k + 1))
        pen.loop([(0, 0), (40, 0), (40, 1.1), (0, 1.1)])
        pen.line([(1, 0.55), (39, 0.55)])
    assert _of_layer(pen.plate(), 0) == ["outermost", "gap"]


def test_a_rib_of_two_walls_has_one_outermost_though_nothing_is_in_it(pen: Any) -> None:
    for k in range(2):
        pen.layer(0.2 * (k + 1))
        pen.loop([(0, 0), (40, 0), (40, 1.3), (0, 1.3)])
        pen.loop([(0.4, 0.4), (39.6, 0.4), (39.6, 0.9), (0.4, 0.9)])
    assert _of_layer(pen.plate(), 0) == ["outermost", "perimeter"]


def test_an_island_in_a_hole_has_its_own_outermost(pen: Any) -> None:
    for k in range(2):
        pen.layer(0.2 * (k + 1))
        for side in (40, 39.2, 30.8, 30, 10, 9.2):
            pen.square(100, 100, side)
        pen.hatch(82.5, 100, 3, 1.0)
        pen.hatch(100, 100, 8, PITCH)
    plate = pen.plate()
    rows = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer == 0))[:24:4]
    wanted = ["outermost", "perimeter", "perimeter", "outermost", "outermost", "perimeter"]
    assert _word(plate.beads.feature[rows]) == wanted


@pytest.mark.parametrize("layers", [1, 3])
def test_a_skirt_is_told_by_what_is_not_above_it(pen: Any, layers: int) -> None:
    for k in range(10):
        pen.layer(0.2 * (k + 1))
        if k < layers:
            pen.square(100, 100, 50)
            pen.square(100, 100, 49.1)
        pen.square(100, 100, 30)
        pen.square(100, 100, 29.2)
        pen.hatch(100, 100, 28, 2.0)
    plate = pen.plate()
    for k in range(10):
        words = _of_layer(plate, k)
        assert words == (["skirt"] if k < layers else []) + ["outermost", "perimeter", "sparse"]


def test_a_brim_touches_and_is_none_of_the_part(pen: Any) -> None:
    for k in range(4):
        pen.layer(0.2 * (k + 1))
        for side in (32.4, 31.5) if k == 0 else ():
            pen.square(100, 100, side)
        pen.square(100, 100, 30.6)
        pen.square(100, 100, 29.8)
        pen.hatch(100, 100, 28, 2.0)
    assert _of_layer(pen.plate(), 0) == ["skirt", "outermost", "perimeter", "sparse"]


def test_each_of_several_prints_one_after_another_has_its_own_brim(pen: Any) -> None:
    for x in (100, 180):
        for k in range(4):
            pen.layer(0.2 * (k + 1))
            for side in (32.4, 31.5) if k == 0 else ():
                pen.square(x, 100, side)
            pen.square(x, 100, 30.6)
            pen.square(x, 100, 29.8)
            pen.hatch(x, 100, 28, 2.0)
        pen.layer(20)
    plate = pen.plate()
    assert plate.layers.run.tolist() == [0] * 4 + [1] * 4
    for k in range(8):
        assert _of_layer(plate, k) == (["skirt"] if k in (0, 4) else []) + [
            "outermost",
            "perimeter",
            "sparse",
        ]


@pytest.mark.parametrize("brim", [0, 2])
@pytest.mark.parametrize("step", [0.8, 1.4])
def test_the_foot_of_a_slope_is_no_brim(pen: Any, step: float, brim: int) -> None:
    """Each layer is so much smaller that no wall stands on the first one's outer walls either."""
    for k in range(6):
        pen.layer(0.2 * (k + 1))
        side = 30.0 - step * k
        for n in range(brim if k == 0 else 0):
            pen.square(100, 100, side + 0.9 * (brim - n))
        for n in range(3):
            pen.square(100, 100, side - 0.8 * n)
        pen.hatch(100, 100, side - 2.6, 2.0)
    plate = pen.plate()
    assert _of_layer(plate, 0) == ["skirt"] * (brim > 0) + ["outermost", "perimeter", "sparse"]
    rows = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer == 0))
    skirts = rows[plate.beads.feature[rows] == FEATURE_INDEX["skirt"]]
    assert len(skirts) == 4 * brim


def test_a_brim_under_a_ledge_is_one(pen: Any) -> None:
    """The plate ends above the second layer, a bead's width or more inside its edge."""
    for ledge in (0.9, 8.0):
        for k in range(5):
            pen.layer(0.2 * (k + 1))
            side = 30.0 if k < 2 else 30.0 - ledge
            for n in range(2 if k == 0 else 0):
                pen.square(100, 100, side + 0.9 * (2 - n))
            pen.square(100, 100, side)
            pen.square(100, 100, side - 0.8)
            pen.hatch(100, 100, side - 2.6, 2.0)
        pen.layer(20)
    plate = pen.plate()
    for k in (0, 5):
        assert _of_layer(plate, k) == ["skirt", "outermost", "perimeter", "sparse"]


def test_a_flat_part_beside_a_tall_one_is_no_skirt(pen: Any) -> None:
    for k in range(4):
        pen.layer(0.2 * (k + 1))
        pen.square(100, 100, 20)
        pen.square(100, 100, 19.2)
        if k == 0:
            pen.square(150, 100, 20)
            pen.square(150, 100, 19.2)
    words = _of_layer(pen.plate(), 0)
    assert words[0] == "outermost"
    assert "skirt" not in words


def test_a_wall_around_the_print_that_goes_all_the_way_up_is_no_skirt(pen: Any) -> None:
    for k in range(12):
        pen.layer(0.2 * (k + 1))
        pen.square(100, 100, 50)
        pen.square(100, 100, 30)
        pen.hatch(100, 100, 28, 2.0)
    plate = pen.plate()
    assert "skirt" not in {word for k in range(12) for word in _of_layer(plate, k)}


def test_a_step_in_a_part_is_no_skirt(pen: Any) -> None:
    for k in range(6):
        side = 40 if k < 3 else 20
        pen.layer(0.2 * (k + 1))
        pen.square(100, 100, side)
        pen.square(100, 100, side - 0.8)
        pen.hatch(100, 100, side - 2, 2.0)
    assert _of_layer(pen.plate(), 2) == ["outermost", "perimeter", "sparse"]


def test_lines_outside_all_loops_are_support(pen: Any) -> None:
    for k in range(2):
        pen.layer(0.2 * (k + 1))
        pen.square(100, 100, 20)
        pen.hatch(140, 100, 10, 2.0)
    assert _of_layer(pen.plate(), 0) == ["outermost", "support"]


def test_a_spirals_wall_is_outermost(pen: Any) -> None:
    ring = [(100 + 20 * np.cos(a), 100 + 20 * np.sin(a)) for a in np.linspace(0, 20 * np.pi, 401)]
    pen.layer(0.2)
    pen.loop(ring[:40])
    pen.line(ring, [0.2 + 2.0 * k / 400 for k in range(1, 401)])
    plate = pen.plate()
    assert set(_word(plate.beads.feature[plate.beads.is_bead])) == {"outermost"}


def _ways() -> list[object]:
    """Every convention, by turns with lines and with arcs; with both in the long runs."""
    return [
        pytest.param(letter, arcs, id=f"{letter}-{word}", marks=() if n % 2 == arcs else pytest.mark.long)
        for n, letter in enumerate(CONVENTIONS)
        for arcs, word in ((False, "lines"), (True, "arcs"))
    ]


@pytest.mark.parametrize(("convention", "arcs"), _ways())
def test_without_words_a_made_plate_is_read_as_it_was_made(
    made: Callable[..., Made], read_made: Read, convention: str, arcs: bool
) -> None:
    plate = made(convention, arcs=arcs)
    beads = read_made(convention, bare=True, arcs=arcs).beads
    printed = beads.is_bead & (beads.layer >= 0)
    got = np.bincount(beads.feature[printed], beads.length_mm[printed], minlength=len(FEATURES))
    by_word = dict(zip(FEATURES, got, strict=True))
    truth = plate.truth.length_mm
    assert beads.source == "geometry"
    assert by_word["skirt"] == pytest.approx(truth["skirt"], rel=1e-3)
    assert by_word["sparse"] == pytest.approx(truth["sparse"], rel=1e-3)
    dense = sum(truth[k] for k in ("solid", "bottom", "top", "bridge"))
    assert by_word["solid"] == pytest.approx(dense, rel=1e-3)
    walls = truth["outermost"] + truth["perimeter"] + truth["overhang"]
    assert by_word["outermost"] + by_word["perimeter"] == pytest.approx(walls, rel=1e-3)
    assert truth["outermost"] <= by_word["outermost"] * 1.001 <= truth["outermost"] + truth["overhang"] + 5


def test_samples_with_their_words_hidden_agree_with_the_words(sample_path: Path, read: Read) -> None:
    if sample_path.name not in AGREEMENT:
        pytest.skip("no words to compare with, or words that name no walls and fill apart")
    marked = read(sample_path).beads
    bare = read(sample_path, bare=True).beads
    printed = marked.is_bead & (marked.layer >= 0)
    table = np.zeros((len(FEATURES), len(FEATURES)))
    np.add.at(table, (marked.feature[printed], bare.feature[printed]), marked.length_mm[printed])
    fill = [FEATURES.index(w) for w in ("solid", "sparse")]
    groups = [[FEATURES.index("outermost")], [FEATURES.index("perimeter")], fill]
    for group, least in zip(groups, AGREEMENT[sample_path.name], strict=True):
        if least is not None:
            same = sum(table[k, k] for k in group)
            assert same >= least * table[group].sum(), [FEATURES[k] for k in group]


def test_parenthesised_sample_has_the_walls_of_its_marks(samples: Path, read: Read) -> None:
    path = samples / "H-parentheses.gcode"  # calls all fill infill, so only its walls can be compared
    marked = read(path).beads
    bare = read(path, bare=True).beads
    for word in ("outermost", "perimeter"):
        mine = marked.feature == FEATURES.index(word)
        assert np.mean(bare.feature[mine] == FEATURES.index(word)) > 0.99


@pytest.mark.parametrize("name", ["I-no-marks.gcode", "J-bare.g"])
def test_samples_without_words_have_walls_on_every_layer(samples: Path, name: str, read: Read) -> None:
    plate = read(samples / name)
    outer = plate.beads.feature == FEATURES.index("outermost")
    assert len(np.unique(plate.beads.layer[outer])) == len(plate.layers)
    share = plate.beads.length_mm[outer].sum() / plate.beads.length_mm[plate.beads.is_bead].sum()
    assert 0.1 < share < 0.6


def _vase(
    pen: Any, turns: int, decimals: int, at: Callable[[float], tuple[float, float]], count: int
) -> None:
    """A wall that climbs 0.2 mm a turn from 0.4, Z written with few decimals."""
    points = [at(k / count) for k in range(turns * count + 1)]
    pen.line(points, [round(0.4 + 0.2 * k / count, decimals) for k in range(1, turns * count + 1)])


def _horseshoe(t: float) -> tuple[float, float]:
    """Around a wall of 4 mm along three quarters of a circle of 16 mm."""
    t = t % 1.0
    radius, turn = (18.0, 2 * t) if t < 0.5 else (14.0, 2 - 2 * t)
    return 100 + radius * cos(1.5 * pi * turn), 100 + radius * sin(1.5 * pi * turn)


@pytest.mark.parametrize("decimals", [2, 3, 4])
def test_a_wall_that_climbs_in_steps_of_several_beads_is_outermost(pen: Any, decimals: int) -> None:
    for z in (0.2, 0.4):
        pen.layer(z)
        pen.loop([_horseshoe(k / 200) for k in range(200)])
    pen.travel(*_horseshoe(0.0))
    _vase(pen, 6, decimals, _horseshoe, 200)
    plate = pen.plate()
    climbing = plate.moves.z > 0.4 + 1e-6
    assert np.all(plate.beads.feature[climbing & (plate.moves.e > 0)] == FEATURE_INDEX["outermost"])


def test_an_open_run_that_goes_up_a_step_in_its_middle_does_not_climb(pen: Any) -> None:
    """A run of support with one step, as where a mesh of a bed's heights was put into the file."""
    for z in (0.2, 0.4):
        pen.layer(z)
        pen.square(100, 100, 20)
        pen.line(
            [(130 + 2 * (k // 2), 100 + 20 * ((k + 1) // 2 % 2)) for k in range(20)],
            [z + 0.02 * (k > 9) for k in range(1, 20)],
        )
    plate = pen.plate()
    far = (plate.moves.x > 125) & (plate.moves.e > 0)
    assert np.all(plate.beads.feature[far] == FEATURE_INDEX["support"])


@pytest.mark.parametrize("share", [0.8, 1.0, 1.1, 1.3])
@pytest.mark.parametrize("third", [False, True])
def test_loops_of_a_wider_first_layer_touch_across_a_wider_face(pen: Any, share: float, third: bool) -> None:
    """A strip of two loops that leave not two widths between the second's sides, and a short one in there; each layer
    at its own width: nothing of it but the outer loop stands by air."""
    for z, width in ((0.2, 0.45 * share), (0.4, 0.45), (0.6, 0.45), (0.8, 0.45)):
        pen.layer(z)
        pen.width = width
        for x, y in ((0.0, 0.0), (width, width), *([(12.0, 1.8 * width)] if third else [])):
            pen.loop([(x, y), (30 - x, y), (30 - x, 3.95 * width - y), (x, 3.95 * width - y)])
    plate = pen.plate()
    assert [_of_layer(plate, layer) for layer in range(4)] == [["outermost", "perimeter"]] * 4


@pytest.mark.parametrize("brim", [1, 3])
@pytest.mark.parametrize("step", [0.6, 0.8, 1.2])
def test_a_brim_under_a_slope_that_begins_higher_is_one(pen: Any, step: float, brim: int) -> None:
    """Its innermost loop stands out over the wall about as far as the second layer does over the third."""
    for k in range(6):
        pen.layer(0.2 * (k + 1))
        side = 30.0 - step * max(k - 1, 0)
        for n in range(brim if k == 0 else 0):
            pen.square(100, 100, side + 0.82 * (brim - n))
        for n in range(2):
            pen.square(100, 100, side - 0.82 * n)
        pen.hatch(100, 100, side - 1.8, 2.0)
    plate = pen.plate()
    assert _of_layer(plate, 0) == ["skirt", "outermost", "perimeter", "sparse"]
    rows = np.flatnonzero(plate.beads.is_bead & (plate.beads.layer == 0))
    assert np.count_nonzero(plate.beads.feature[rows] == FEATURE_INDEX["skirt"]) == 4 * brim
