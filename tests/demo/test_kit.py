"""The demo's kit says what the demo's shapes are, in the whole kit language."""

from __future__ import annotations

import re

import pytest
import yaml
from shapely import Polygon

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.shapes import HOOPHOUSE, part_named
from gcodetools.kit.schema import kit_from_bytes


def test_kit_is_valid_and_names_every_part() -> None:
    kit = kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")
    assert tuple(kit.parts) == HOOPHOUSE
    assert {r.role for p in kit.parts.values() for r in p.regions.values()} == {"clip", "rib", "seat"}


def test_outlines_are_the_shapes() -> None:
    """Read by another YAML reader than the project's."""
    parts = yaml.safe_load(hoophouse_kit())["parts"]
    for name in HOOPHOUSE:
        (ring,) = parts[name]["found_by"]["outline"]
        shape = part_named(name)
        assert Polygon(ring).symmetric_difference(shape.outline).area < 0.02
        assert parts[name]["found_by"]["height"] == pytest.approx(shape.height_mm)


def test_regions_use_the_kit_language_and_only_settings_that_are_built() -> None:
    text = hoophouse_kit()
    for word in ("wedge", "mirror", "slab", "thinner_than", "prism", "near", "ring", "box",
                 "all_of", "any_of", "none_of"):  # fmt: skip
        assert re.search(rf"\b{word}:", text), word
    for setting in ("perimeters", "nozzle", "fan", "speed", "flow", "accel", "rest"):
        assert re.search(rf"\b{setting}: {{", text), setting
    assert "infill: solid" in text and "fit: {" not in text
