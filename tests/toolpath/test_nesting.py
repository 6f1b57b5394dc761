"""Which loop holds which, against shapely."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.toolpath import nesting
from gcodetools.toolpath.chains import Chains, Segments, chains_of, segments_of
from gcodetools.toolpath.nesting import innermost, inside


def _drawn(pen: Any) -> tuple[Segments, Chains, np.ndarray]:
    plate = pen.plate()
    rows = np.flatnonzero(plate.beads.is_bead)
    segments = segments_of(plate.program, rows, 0.01)
    chains = chains_of(plate.program, rows, segments, plate.beads.layer[rows], 0.45)
    return segments, chains, plate.beads.layer[rows][chains.begin].astype(np.int64)


@given(st.integers(0, 10_000), st.integers(3, 30))
def test_points_lie_inside_as_shapely_says(new_pen: Callable[[], Any], seed: int, corners: int) -> None:
    random = np.random.default_rng(seed)
    angle = np.arange(corners) * 2 * np.pi / corners
    radius = random.uniform(5, 20, corners)
    ring = np.round(np.column_stack([50 + radius * np.cos(angle), 50 + radius * np.sin(angle)]), 4)
    pen = new_pen()
    pen.layer(0.2)
    pen.loop([(float(x), float(y)) for x, y in ring], seam=0.001)
    segments, chains, _ = _drawn(pen)
    points = random.uniform(28, 72, (200, 2))
    found = inside(segments, chains, np.zeros(200, np.int64), points[:, 0], points[:, 1])
    polygon = shapely.Polygon(ring)
    clear = shapely.distance(polygon.exterior, shapely.points(points)) > 0.01
    np.testing.assert_array_equal(found[clear], shapely.contains_xy(polygon, points)[clear])


@pytest.mark.parametrize("chunk", [4_000_000, 7], ids=["at once", "in small pieces"])
def test_each_square_stands_in_the_next_larger_of_its_layer(
    pen: Any, monkeypatch: pytest.MonkeyPatch, chunk: int
) -> None:
    monkeypatch.setattr(nesting, "_CHUNK", chunk)
    for z in (0.2, 0.4):
        pen.layer(z)
        for x in (50, 120):
            for side in (40, 30, 20, 10):
                pen.square(x, 50, side)
    segments, chains, layer = _drawn(pen)
    loops = np.arange(len(chains))
    assert np.all(chains.closed)
    at = chains.first[loops]
    area = np.abs(chains.area_mm2)
    parent = innermost(segments, chains, loops, layer, segments.x0[at], segments.y0[at], layer, area)
    assert parent.tolist() == [k - 1 if k % 4 else -1 for k in range(16)]
    middle = innermost(
        segments, chains, loops, layer, np.array([50.0, 120.0, 85.0]), np.full(3, 51.0), np.array([0, 1, 1])
    )
    assert middle.tolist() == [3, 15, -1]
