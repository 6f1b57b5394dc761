"""Columns of beads: sections, lengths, widths, heights, features as marked.

A stadium's area is (w - h) h + pi h^2 / 4, closed form; w = 0.45, h = 0.2 gives 0.0814159 mm2 and
0.0338488 mm of 1.75 filament a millimetre (SCIENCE.md, section 5).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.demo.maker import CONVENTIONS
from gcodetools.demo.plates import Made
from gcodetools.gcode import arrays
from gcodetools.toolpath.beads import FEATURES, bead_area_mm2, bead_width_mm, path_lengths
from gcodetools.toolpath.plate import Plate


def test_section_is_the_reference_value() -> None:
    area = bead_area_mm2(np.array([0.45]), np.array([0.2]))
    assert area[0] == pytest.approx(0.0814159, abs=5e-8)
    assert area[0] / (np.pi * 1.75**2 / 4) == pytest.approx(0.0338488, abs=5e-8)


@given(st.floats(0.05, 0.6), st.floats(1.0, 4.0))
def test_section_is_a_line_buffered_by_half_a_height(height: float, aspect: float) -> None:
    width = height * aspect
    middle = shapely.linestrings([[-(width - height) / 2, 0], [(width - height) / 2, 0]])
    shape = shapely.buffer(middle if aspect > 1 else shapely.points(0, 0), height / 2, quad_segs=256)
    assert bead_area_mm2(np.array([width]), np.array([height]))[0] == pytest.approx(shape.area, rel=1e-4)


@given(st.floats(0.05, 0.6), st.floats(1.0, 4.0))
def test_width_from_section_undoes_section_from_width(height: float, aspect: float) -> None:
    width, height_array = np.array([height * aspect]), np.array([height])
    back = bead_width_mm(bead_area_mm2(width, height_array), height_array)
    np.testing.assert_allclose(back, width, rtol=1e-12)


def test_lengths_are_those_of_lines_arcs_and_helices() -> None:
    plate = Plate.from_bytes(
        b"M83\nG1 X3 Y4 Z12\n"  # 13, a Pythagorean quadruple
        b"G3 X1 Y4 I-1 J0 E1\n"  # half a circle of radius 1
        b"G2 X1 Y4 I2 J0 E1\n"  # a full one of radius 2
        b"G3 X-1 Y4 Z13 I-1 J0 E1\n"  # half a turn of a helix
        b"G4 P10\n"
    )
    wanted = [13, np.pi, 4 * np.pi, np.hypot(np.pi, 1), 0]
    np.testing.assert_allclose(path_lengths(plate.program), wanted, rtol=1e-12)
    np.testing.assert_array_equal(plate.beads.length_mm, path_lengths(plate.program))


def test_lengths_of_lines_count_every_axis(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pythagorean triples and a quadruple, over the borders of spans."""
    monkeypatch.setattr(arrays, "_SPAN", 2)
    text = b"M83\nG1 X1 Y1 Z1\nG1 X4 Y5\nG1 X4 Y8 Z5\nG1 X9 Z17\nG1 X12 Y12 Z29\nG1 Z28\n"
    lengths = path_lengths(Plate.from_bytes(text).program)
    np.testing.assert_allclose(lengths, [np.sqrt(3), 5, 5, 13, 13, 1], rtol=1e-12)


@given(st.floats(0.3, 0.8), st.sampled_from([0.1, 0.2, 0.3]))
def test_widths_come_back_from_the_filament_pushed(
    new_pen: Callable[[float, float], Any], width: float, height: float
) -> None:
    pen = new_pen(max(width, height), height)
    for k in range(3):
        pen.layer(height * (k + 1))
        pen.square(50, 50, 20)
    beads = pen.plate().beads
    np.testing.assert_allclose(beads.width[beads.is_bead], max(width, height), atol=2e-4)
    np.testing.assert_allclose(beads.height[beads.is_bead], height, atol=1e-4)
    assert np.all(np.isnan(beads.width[~beads.is_bead]))
    assert np.all(np.isnan(beads.height[~beads.is_bead]))


def test_marks_of_width_and_height_hold_from_their_line_on() -> None:
    text = (
        b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:External perimeter\n;WIDTH:0.42\nG1 Z0.2\n"
        b"G1 X10 E1\n;WIDTH:0.6\nG1 X20 E1\n;TYPE:Bridge infill\n;HEIGHT:0.4\nG1 X30 E1\n"
    )
    beads = Plate.from_bytes(text).beads
    np.testing.assert_allclose(beads.width[1:], [0.42, 0.6, 0.6], rtol=1e-6)
    np.testing.assert_allclose(beads.height[1:], [0.2, 0.2, 0.4], rtol=1e-6)
    assert [FEATURES[k] for k in beads.feature] == ["none", "outermost", "outermost", "bridge"]


def test_rows_that_lay_nothing_have_no_feature_though_a_mark_holds() -> None:
    text = (
        b"M83\n;LAYER_CHANGE\n;Z:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X10 E1\nG1 E-0.8\nG1 X12\n"
        b";WIPE_START\nG1 X11 E-0.2\n;WIPE_END\nG1 E1\nG1 X13 E0\nG1 X20 E1\n"
    )
    beads = Plate.from_bytes(text).beads
    assert np.flatnonzero(beads.feature).tolist() == [1, 7]


def test_a_span_of_tower_is_tower_whatever_the_words_in_it() -> None:
    text = (
        b"M83\n;LAYER_CHANGE\n;Z:0.2\n;TYPE:Perimeter\nG1 Z0.2\nG1 X10 E1\n; CP TOOLCHANGE START\n"
        b"G1 X12 E1\n; CP TOOLCHANGE END\nG1 X20 E1\n"
    )
    beads = Plate.from_bytes(text).beads
    assert [FEATURES[k] for k in beads.feature[1:]] == ["perimeter", "tower", "perimeter"]


@pytest.mark.every(2)
@pytest.mark.parametrize("arcs", [False, True], ids=["lines", "arcs"])
@pytest.mark.parametrize("convention", [c for c in CONVENTIONS if c not in "IJ"])
def test_marked_demo_plates_have_the_lengths_they_were_made_of(
    made: Callable[..., Made], read_made: Callable[..., Plate], convention: str, arcs: bool
) -> None:
    plate = made(convention, arcs=arcs)
    beads = read_made(convention, arcs=arcs).beads
    assert beads.source == "comments"
    printed = beads.is_bead & (beads.layer >= 0)
    got = np.bincount(beads.feature[printed], beads.length_mm[printed], minlength=len(FEATURES))
    by_word = dict(zip(FEATURES, got, strict=True))
    truth = plate.truth.length_mm
    assert got.sum() == pytest.approx(sum(truth.values()), rel=1e-4)
    walls = by_word["outermost"] + by_word["overhang"]
    assert truth["outermost"] - 1 <= walls <= truth["outermost"] + truth["overhang"] + 1
    filled = by_word["solid"] + by_word["sparse"] + by_word["bridge"] + by_word["gap"]
    fill = sum(truth.get(k, 0) for k in ("solid", "bottom", "top", "sparse", "bridge", "gap"))
    assert filled == pytest.approx(fill, rel=1e-4)


@pytest.mark.parametrize("convention", ["B", "C", "D", "E0", "F"])
def test_demo_plates_have_the_width_they_were_drawn_with(made: Callable[..., Made], convention: str) -> None:
    beads = Plate.from_bytes(made(convention).data).beads
    walls = beads.feature == FEATURES.index("outermost")
    np.testing.assert_allclose(beads.width[walls], 0.45, atol=0.02)


def test_columns_can_not_be_written() -> None:
    beads = Plate.from_bytes(b"M83\nG1 X10 Z0.2 E1\n").beads
    for column in (beads.layer, beads.feature, beads.width, beads.height, beads.length_mm, beads.instance):
        with pytest.raises(ValueError, match="read-only"):
            column[0] = 0


@pytest.mark.parametrize("convention", ["A", "B", "C", "D", "J"])
def test_columns_are_the_same_worked_out_in_any_spans(made: Callable[..., Made], convention: str) -> None:
    data = made(convention, arcs=convention == "C").data
    found = []
    for span in (1 << 30, 97):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(arrays, "_SPAN", span)
            found.append(Plate.from_bytes(data))
    whole, cut = found
    assert len(whole.moves) > 5 * 97
    for one, other in ((whole.moves, cut.moves), (whole.beads, cut.beads), (whole.layers, cut.layers)):
        for name in one.__dataclass_fields__:
            mine, theirs = getattr(other, name), getattr(one, name)
            assert mine == theirs if isinstance(theirs, str) else mine.tobytes() == theirs.tobytes(), name


def test_marks_of_width_and_height_hold_over_the_borders_of_spans(monkeypatch: pytest.MonkeyPatch) -> None:
    """A mark at each of a few places, none in some spans, two in others, some at a border."""
    marked = {1: 0.31, 2: 0.32, 6: 0.36, 7: 0.37, 8: 0.38, 9: 0.39, 21: 0.41}
    text = ["G92 E0", "M83", ";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter"]
    expected, now = [], float("nan")
    for k in range(30):
        if k in marked:
            text.append(f";WIDTH:{marked[k]}")
            now = marked[k]
        text.append(f"G1 X{k + 1} Y{k % 2} Z.2 E.04")
        expected.append(now)
    monkeypatch.setattr(arrays, "_SPAN", 4)
    width = Plate.from_bytes(("\n".join(text) + "\n").encode()).beads.width
    known = ~np.isnan(expected)
    np.testing.assert_array_equal(width[known], np.array(expected, np.float32)[known])
    assert np.all(width[~known] > 0.1)
