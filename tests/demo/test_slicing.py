"""Planned beads against closed forms."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, box, union_all

from gcodetools.demo.arcfit import fit_arcs
from gcodetools.demo.shapes import Bands, Part, part_named
from gcodetools.demo.slicing import Recipe, bead_area, plan, void_free_spacing


def block(x: float = 20.0, y: float = 10.0, height: float = 4.0) -> Part:
    return Part("block", height, Bands(((height, box(0, 0, x, y)),)))


def lengths(part: Part, layer: int, recipe: Recipe | None = None) -> dict[str, float]:
    found: dict[str, float] = {}
    for path in plan(part, recipe or Recipe())[layer].paths:
        found[path.feature] = found.get(path.feature, 0.0) + path.length_mm
    return found


def test_void_free_spacing_is_the_handbooks() -> None:
    """Stadium: area (w - h) h + pi h^2 / 4, spacing w - h (1 - pi / 4); 0.4071 mm at 0.45 by 0.2 mm."""
    assert bead_area(0.45, 0.2) == pytest.approx(0.25 * 0.2 + pi * 0.01)
    assert void_free_spacing(0.45, 0.2) == pytest.approx(0.45 - 0.2 * (1 - pi / 4))
    assert void_free_spacing(0.45, 0.2) == pytest.approx(0.4070796, abs=1e-7)


def test_perimeters_of_a_rectangle_have_closed_form_lengths() -> None:
    """A rectangle inset by d has the perimeter 2 (a + b) - 8 d."""
    found = lengths(block(), 10)
    spacing = void_free_spacing(0.45, 0.2)
    assert found["outermost"] == pytest.approx(60 - 8 * 0.225)
    assert found["perimeter"] == pytest.approx(60 - 8 * (0.225 + spacing))


def test_a_solid_layer_has_the_plastic_of_its_box() -> None:
    """Beads at void-free spacing fill area times height, but for half of (w - spacing) missing all around
    outside, and the infill's overlap of 0.1 mm with the innermost perimeter."""
    found = lengths(block(40, 30), 0)
    share = sum(found.values()) * bead_area(0.45, 0.2) / (40 * 30 * 0.2)
    spacing = void_free_spacing(0.45, 0.2)
    room_edge = 140 - 8 * (0.225 + 1.5 * spacing)
    expected = 1 + (0.1 * room_edge - 140 * (0.45 - spacing) / 2) / (40 * 30)
    assert share == pytest.approx(expected, abs=0.002)


def test_sparse_infill_has_its_density() -> None:
    recipe = Recipe(density=0.25)
    solid, sparse = lengths(block(60, 60), 0, recipe)["bottom"], lengths(block(60, 60), 10, recipe)["sparse"]
    # Turns at the edge add a little.
    assert sparse / solid == pytest.approx(0.25, rel=0.08)


def test_solid_layers_below_and_above() -> None:
    kinds = [set(lengths(block(), k)) for k in range(20)]
    assert [k for k in range(20) if "sparse" not in kinds[k]] == [0, 1, 2, 17, 18, 19]
    assert "bottom" in kinds[0] and "top" in kinds[19]
    assert "solid" in kinds[1] and "solid" in kinds[18]


def test_a_roof_over_a_slot_is_bridged_across_its_short_side() -> None:
    layers = plan(part_named("ridge-saddle"), Recipe())
    bridges = [p for p in layers[50].paths if p.feature == "bridge"]
    assert all(p.feature != "bridge" for k, layer in enumerate(layers) if k != 50 for p in layer.paths)
    steps = np.vstack([np.diff(p.points, axis=0) for p in bridges])
    long = steps[np.hypot(*steps.T) > 1]
    assert np.abs(long[:, 1]).max() < 1e-9  # the slot is 6 mm in x, 9 mm in y
    spans = np.hypot(*long.T)
    assert spans.min() > 6.0 and spans.max() < 8.0


def test_walls_over_air_are_overhangs() -> None:
    hook = plan(part_named("shelf-hook"), Recipe())
    over = [k for k, layer in enumerate(hook) if any(p.feature == "overhang" for p in layer.paths)]
    assert over == [100]  # the step at z = 20
    whole = sum(p.length_mm for p in hook[100].paths if p.feature in ("overhang", "outermost", "perimeter"))
    beside = sum(p.length_mm for p in hook[101].paths if p.feature in ("outermost", "perimeter"))
    assert whole == pytest.approx(beside, abs=1e-6)


def test_loops_end_where_they_begin_and_run_one_way() -> None:
    layer = plan(part_named("film-clip"), Recipe())[20]
    loops = [p for p in layer.paths if p.feature in ("outermost", "perimeter")]
    assert len(loops) == 2
    for loop in loops:
        x, y = loop.points.T
        assert (loop.points[0] == loop.points[-1]).all()
        assert (x[:-1] * y[1:] - x[1:] * y[:-1]).sum() > 0


def test_infill_keeps_clear_of_perimeters() -> None:
    """A fill bead's centre line stays more than 0.3 mm from the innermost perimeter's: a fifth overlaps."""
    for layer in plan(part_named("wedge-key-snug"), Recipe())[::5]:
        walls = union_all([LineString(p.points) for p in layer.paths if p.feature == "perimeter"])
        fills = [p for p in layer.paths if p.feature in ("solid", "sparse", "top", "bottom")]
        assert fills
        assert min(LineString(p.points).distance(walls) for p in fills) > 0.3


@given(
    radius=st.floats(3, 60),
    begin=st.floats(0, 6.2),
    sweep=st.floats(0.7, 4.0),
    way=st.sampled_from([1.0, -1.0]),
)
def test_points_of_a_circle_become_one_arc(radius: float, begin: float, sweep: float, way: float) -> None:
    count = max(6, round(sweep / 0.1))
    angles = begin + way * np.linspace(0, sweep, count)
    points = np.round(np.column_stack([radius * np.cos(angles), radius * np.sin(angles)]) + 100, 3)
    stops, commands, arc_lengths = fit_arcs(points)
    assert stops.tolist() == [count - 1]
    assert commands[0][0] == ("G3" if way > 0 else "G2")
    assert arc_lengths[0] == pytest.approx(radius * sweep, rel=2e-3)


def test_corners_and_straight_lines_are_no_arcs() -> None:
    square = np.array([[0, 0], [10, 0], [20, 0], [30, 0], [30, 30], [0, 30], [0, 0]], float)
    stops, commands, found = fit_arcs(square)
    assert len(stops) == 6 and {c[0] for c in commands} == {"G1"}
    assert found.sum() == pytest.approx(120)
