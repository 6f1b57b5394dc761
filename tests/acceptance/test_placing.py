"""Instances of the demo's parts are found where they were drawn, by outline alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.demo import maker
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement
from gcodetools.demo.shapes import film_clip, shelf_hook
from gcodetools.kit.placing import place
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

PLACE_MM, TURN_DEG = 0.05, 0.5
MIXED = (
    Placement("shelf-hook", 60, 60, 90.0),
    Placement("shelf-hook", 110, 60, 217.0),
    Placement("ridge-saddle", 60, 130, 180.0),
    Placement("wedge-key-snug", 130, 110, 33.0),
    Placement("wedge-key-easy", 160, 110),
)
LOW_CLIP, LOW_HOOK = film_clip(height_mm=1.2), shelf_hook(height_mm=1.2)


@pytest.fixture(scope="module")
def kit():
    return kit_from_bytes(hoophouse_kit().encode(), "hoophouse.kit.yaml")


def low_kit(more: str = ""):
    """The Hoophouse's clip and hook by outline alone, 1.2 mm high."""
    from gcodetools.demo.kit import outline_text

    parts = [
        f"  {name}:\n    found_by:\n      height: 1.2\n{more}      outline:\n{outline_text(name)}\n"
        "    regions: {all: {within: {slab: {z: [0, 1]}}}}\n"
        for name in ("film-clip", "shelf-hook")
    ]
    return kit_from_bytes(("beadwright: 1\nkit: low\nparts:\n" + "".join(parts)).encode(), "low.kit.yaml")


def assert_found(placed, placements, turn=TURN_DEG):
    assert len(placed.poses) == len(placements)
    left = list(placed.poses)
    for drawn in placements:
        name = drawn.part if isinstance(drawn.part, str) else drawn.part.name
        near = [
            p
            for p in left
            if p.part == name and np.hypot(p.x_mm - drawn.x_mm, p.y_mm - drawn.y_mm) <= PLACE_MM
        ]
        assert len(near) == 1, (drawn, [(p.part, p.x_mm, p.y_mm, p.turn_deg) for p in left])
        away = (near[0].turn_deg - drawn.turn_deg) % 360
        assert min(away, 360 - away) <= turn, drawn
        assert near[0].mirrored == drawn.mirrored
        assert near[0].scale == pytest.approx(drawn.scale, abs=2e-3)


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_unlabelled_instances_stand_where_they_were_drawn(demo, kit, letter):
    _, plate = demo(letter, parts=MIXED, labelled=False)
    assert not plate.marks.objects.names
    placed = place(kit, plate)
    assert_found(placed, MIXED)
    assert placed.absent == ("film-clip",)


@pytest.mark.long
def test_the_whole_hoophouse_is_found_without_labels(kit):
    made = maker.make("J")
    plate = Plate.from_bytes(made.data, "J.g")
    assert_found(place(kit, plate), maker.hoophouse_plate())


@settings(max_examples=12)
@given(
    turn=st.floats(0, 360, exclude_max=True),
    x=st.floats(60, 70),
    letter=st.sampled_from("BCIJ"),
    hook=st.floats(0, 360, exclude_max=True),
)
def test_any_turn_is_found(turn, x, letter, hook):
    placements = (Placement(LOW_CLIP, x, 60, turn), Placement(LOW_HOOK, 120, 80, hook))
    made = maker.make(letter, parts=placements, labelled=False)
    assert_found(place(low_kit(), Plate.from_bytes(made.data, "p")), placements)


@settings(max_examples=6)
@given(turn=st.floats(0, 360, exclude_max=True), letter=st.sampled_from("BJ"))
def test_mirrored_ones_are_told_apart(turn, letter):
    """The hook is no mirror image of itself, the clip is."""
    placements = (Placement(LOW_HOOK, 60, 60, turn, mirrored=True), Placement(LOW_HOOK, 120, 60, turn))
    plate = Plate.from_bytes(maker.make(letter, parts=placements, labelled=False).data, "p")
    assert_found(place(low_kit("      mirrored: allowed\n"), plate), placements)
    refused = place(low_kit(), plate)
    assert_found(refused, placements[1:])
    assert any("mirror image" in warning for warning in refused.warnings)


@settings(max_examples=8)
@given(scale=st.floats(0.985, 1.015), turn=st.floats(0, 360, exclude_max=True))
def test_scaled_ones_are_found_with_their_scale(scale, turn):
    placements = (Placement(LOW_HOOK, 60, 60, turn, scale=round(scale, 4)),)
    plate = Plate.from_bytes(maker.make("B", parts=placements, labelled=False).data, "p")
    assert_found(place(low_kit("      scale_within: 2%\n"), plate), placements)


def test_one_far_too_large_is_another_part():
    plate = Plate.from_bytes(
        maker.make("B", parts=(Placement(LOW_HOOK, 60, 60, scale=1.06),), labelled=False).data, "p"
    )
    placed = place(low_kit("      scale_within: 2%\n"), plate)
    assert placed.poses == () and set(placed.absent) == {"film-clip", "shelf-hook"}
