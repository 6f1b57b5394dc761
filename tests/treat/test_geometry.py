"""Plans of new beads and moved walls are gathered, and told to a draft in the order they need."""

from __future__ import annotations

from typing import Any

import numpy as np

from gcodetools.kit.settings import SETTINGS
from gcodetools.treat.geometry import GEOMETRY, Geometry
from gcodetools.treat.order import BUILT


def test_plans_are_told_the_last_first_and_their_cuts_gathered() -> None:
    """Walls that move must be known to a draft before ways are found between its new beads."""
    told: list[tuple[str, Any]] = []

    def plan(name: str) -> Any:
        return lambda draft: told.append((name, draft)) or {("part", 1, "region", name): name}

    geometry = Geometry()
    assert geometry.settle("none") == {} and [len(column) for column in geometry.cuts] == [0, 0]  # type: ignore[arg-type]
    geometry.add((np.array([1, 2]), np.array([0.25, 0.5])), plan("perimeters"))
    geometry.add((np.array([7]), np.array([0.75])), plan("fit"))
    rows, places = geometry.cuts
    assert rows.tolist() == [1, 2, 7] and places.tolist() == [0.25, 0.5, 0.75]
    assert rows.dtype == np.int64
    answers = geometry.settle("draft")  # type: ignore[arg-type]
    assert told == [("fit", "draft"), ("perimeters", "draft")]
    assert {key[3] for key in answers} == {"fit", "perimeters"}


def test_each_setting_is_geometry_or_built() -> None:
    assert sorted({*GEOMETRY, *BUILT}) == sorted(SETTINGS) and not set(GEOMETRY) & set(BUILT)
