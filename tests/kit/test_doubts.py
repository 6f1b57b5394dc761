"""Solids that can't be meant: above, below and beside the part."""

from __future__ import annotations

import pytest

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.kit.doubts import outside
from gcodetools.kit.schema import kit_from_bytes

KIT = """
beadwright: 1
kit: t
parts:
  bar:
    found_by: {{outline: [[[-10, -2], [10, -2], [10, 2], [-10, 2]]], height: 6}}
    regions:
      zone: {{within: {within}}}
"""
BESIDE = "lies beside the outline (x -10 to 10, y -2 to 2)"


def doubts(within: str, kit: str = KIT) -> list[str]:
    part = kit_from_bytes(kit.format(within=within).encode(), "t.kit.yaml").parts["bar"]
    assert all(title == "zone" for title, _ in outside(part))
    return [sentence for _, sentence in outside(part)]


@pytest.mark.parametrize(
    "within",
    [
        "{slab: {z: [5, 99]}}",
        "{slab: {layers: [1, 900]}}",
        "{box: {x: [9.9, 40]}}",
        "{box: {x: [10, 40]}}",
        "{box: {z: [0, 6]}}",
        "{ring: {centre: [0, 0], radius: [2, 3]}}",
        "{near: {point: [0, 0, 7], radius: 2}}",
        "{thinner_than: 2}",
        "all",
        "{all_of: [{box: {x: [0, 5]}}, {none_of: [{slab: {z: [9, 10]}}, {box: {x: [50, 60]}}]}]}",
        "{any_of: [{box: {x: [5, 9], y: [0, 1]}}, {mirror: x}, {mirror: y}]}",
    ],
)
def test_what_meets_the_part_is_not_doubted(within: str) -> None:
    assert doubts(within) == []


def test_above_and_below() -> None:
    assert doubts("{slab: {z: [6, 9]}}") == ["the slab from z 6 to 9 lies above the part, which is 6 mm high"]
    assert doubts("{box: {x: [0, 1], z: [-3, -1]}}") == ["the box from z -3 to -1 lies below the bed (z = 0)"]
    (near,) = doubts("{near: {point: [0, 0, 9], radius: 2.5}}")
    assert near.startswith("the near from z 6.5 to 11.5 lies above")


@pytest.mark.parametrize(
    ("within", "said"),
    [
        ("{box: {x: [12, 40]}}", f"the box x 12 to 40 {BESIDE}"),
        ("{box: {x: [0, 1], y: [3, 5]}}", f"the box x 0 to 1, y 3 to 5 {BESIDE}"),
        ("{cylinder: {centre: [0, 20], radius: 3}}", f"the cylinder x -3 to 3, y 17 to 23 {BESIDE}"),
        ("{ring: {centre: [0, 0], radius: [14, 15]}}", f"the ring x -15 to 15, y -15 to 15 {BESIDE}"),
        ("{prism: {polygon: [[20, 0], [21, 0], [20, 1]]}}", f"the prism x 20 to 21, y 0 to 1 {BESIDE}"),
        ("{near: {point: [0, 9, 1], radius: 1}}", f"the near x -1 to 1, y 8 to 10 {BESIDE}"),
        ("{wedge: {centre: [0, 0], radius: [1, 9], angle: [80, 100]}}", ""),
    ],
)
def test_beside(within: str, said: str) -> None:
    found = doubts(within)
    assert len(found) == bool(said)
    assert all(sentence.startswith(said) for sentence in found)


def test_a_mirror_image_is_asked_on_its_own() -> None:
    shifted = KIT.replace("[[-10, -2], [10, -2], [10, 2], [-10, 2]]", "[[0, 0], [10, 0], [10, 2], [0, 2]]")
    (found,) = doubts("{any_of: [{box: {x: [4, 5]}}, {mirror: x}]}", shifted)
    assert found.startswith("the mirror image of the box x -5 to -4 lies beside")


def test_nothing_is_said_where_the_kit_knows_neither_outline_nor_height() -> None:
    bare = KIT.replace("{{outline: [[[-10, -2], [10, -2], [10, 2], [-10, 2]]], height: 6}}", "{{label: bar}}")
    assert doubts("{any_of: [{slab: {z: [60, 90]}}, {box: {x: [70, 80]}}]}", bare) == []


def test_the_demos_kit_is_not_doubted() -> None:
    for part in kit_from_bytes(hoophouse_kit().encode(), "k").parts.values():
        assert outside(part) == []
