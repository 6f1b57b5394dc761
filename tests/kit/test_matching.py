"""Fitting an outline to islands: against shapely's distances and turns that were drawn, and in time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity

from gcodetools.kit import matching
from gcodetools.kit.matching import Outline, fits
from gcodetools.kit.placing import place
from gcodetools.kit.schema import FoundBy, Kit, Part, Region
from gcodetools.kit.shapes import All
from gcodetools.kit.stacks import split_stacks
from gcodetools.toolpath.plate import Plate

TURN = np.linspace(0, 2 * np.pi, 401)[:-1]
POINTS = st.lists(st.tuples(st.floats(-9, 9), st.floats(-9, 9)), min_size=1, max_size=9)


def wobbly(size_mm: float) -> shapely.Polygon:
    """A closed curve of 400 edges that no turn and no mirror image leaves as it is."""
    r = size_mm * (1 + 0.25 * np.sin(TURN) + 0.2 * np.sin(3 * TURN + 1) + 0.1 * np.cos(7 * TURN))
    return shapely.Polygon(np.column_stack([r * np.cos(TURN), r * np.sin(TURN)]))


def ring() -> shapely.Polygon:
    return shapely.box(-5, -4, 5, 4).difference(shapely.box(-2, -2, 3, 2))


@given(POINTS)
def test_distances_are_shapelys(points: list[tuple[float, float]]) -> None:
    outline, spots = Outline(ring()), np.array(points)
    away = shapely.distance(ring().boundary, shapely.points(spots))
    np.testing.assert_allclose(outline.distance(spots), away, atol=1e-9)
    signed, normal = outline.nearest(spots)
    inside = shapely.intersects_xy(ring(), *spots.T)
    # Beside a corner the way to the edge is no normal of it, and its share along one is shorter.
    assert np.all(np.abs(signed) <= away + 1e-9)
    # On the line of an edge beside its corner the share is none, and tells no side.
    sided = (away > 1e-9) & (np.abs(signed) > 1e-9)
    np.testing.assert_array_equal(signed[sided] < 0, inside[sided])
    np.testing.assert_allclose(np.hypot(*normal.T), 1.0)


@pytest.mark.parametrize("size_mm", [1.2, 2.5, 5, 40])
@pytest.mark.parametrize("grown_mm", [-0.2, 0.0, 0.2])
def test_an_outline_of_any_size_is_found_squeezed_and_rough(size_mm: float, grown_mm: float) -> None:
    chance = np.random.default_rng(3)
    for turn in (0.0, 77.0, 203.0):
        drawn = affinity.rotate(wobbly(size_mm), turn, origin=(0, 0)).buffer(grown_mm)
        corners = shapely.get_coordinates(shapely.segmentize(drawn, 0.3).exterior)[:-1] + np.array(
            [100.0, 50.0]
        )
        rough = shapely.Polygon(corners + chance.normal(0, 0.02, corners.shape)).buffer(0)
        part, island = Outline(wobbly(size_mm)), Outline(max(shapely.get_parts(rough), key=lambda p: p.area))
        found = fits(part, island, mirrored=False, scale_within=0.0, symmetry=1)
        assert abs((found[0].turn_deg - turn + 180) % 360 - 180) < 2.0
        assert np.hypot(found[0].x_mm - 100, found[0].y_mm - 50) < 0.05


@pytest.fixture
def fitted(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Every pose that is fitted to the end, which is what takes long."""
    calls: list[object] = []
    judged = matching._judged

    def counted(*given: object) -> object:
        calls.append(given)
        return judged(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(matching, "_judged", counted)
    return calls


def test_small_islands_of_another_shape_are_told_by_a_rough_fit(fitted: list[object]) -> None:
    part = Outline(wobbly(1.9))
    side = float(np.sqrt(part.area))
    for turn in range(0, 300, 3):
        bar = affinity.rotate(shapely.box(0, 0, 1.3 * side, side / 1.3), turn)
        assert not fits(part, Outline(bar), mirrored=False, scale_within=0, symmetry=1)
    assert len(fitted) <= 3 * 100


def test_on_a_sheet_of_small_islands_few_are_fitted_to_the_end(samples: Path, fitted: list[object]) -> None:
    plate = Plate.read(samples / "C-arcs-small.gcode")
    shapes = [grown.footprint for grown in split_stacks(plate, np.flatnonzero(plate.beads.is_bead))]
    assert len(shapes) > 90
    shape = max(shapes, key=shapely.get_num_coordinates)
    outline = tuple(
        tuple(map(tuple, shapely.get_coordinates(ring)[:-1].tolist()))
        for ring in shapely.get_rings(shapely.get_parts(shape))
    )
    kit = Kit("test", (), {"it": Part(FoundBy(outline=outline), {"all": Region(All())})})
    (pose,) = place(kit, plate).poses
    assert 0 < len(fitted) <= 3 * len(shapes)
    assert (pose.x_mm, pose.y_mm, pose.turn_deg, pose.fit_mm) == pytest.approx((0, 0, 0, 0), abs=1e-3)
