"""The Hoophouse's parts against closed forms and the numbers of their drawing."""

from __future__ import annotations

from math import pi, radians, sin

import numpy as np
import pytest
from shapely import MultiPolygon, affinity

from gcodetools.demo.shapes import HOOPHOUSE, film_clip, part_named, ridge_saddle, shelf_hook, wedge_key


def test_clip_has_the_area_of_an_open_ring_and_its_ribs() -> None:
    """A ring's sector: (260/360) pi (R^2 - r^2); a rib adds at least its width times how proud it stands."""
    ring = 260 / 360 * pi * (10.4**2 - 8.0**2)
    ribs = 3 * 1.2 * 0.6
    assert film_clip(step_deg=0.5).outline.area == pytest.approx(ring + ribs, rel=2e-3)


def test_clips_mouth_is_the_chord_of_its_gap() -> None:
    """2 r sin(g) at 50 degrees: 12.26 mm, so it opens by 3.74 mm to go on a 16 mm tube."""
    mouth = 16.0 * sin(radians(50.0))
    assert mouth == pytest.approx(12.26, abs=0.005)
    points = np.asarray(film_clip().outline.exterior.coords)
    lips = points[(np.abs(np.hypot(*points.T) - 8.0) < 1e-9) & (points[:, 0] > 5.0)]
    assert np.ptp(lips[:, 1]) == pytest.approx(mouth, abs=1e-9)


def test_keys_fit_their_slots() -> None:
    slotted = ridge_saddle().section(7.0)
    assert isinstance(slotted, MultiPolygon) and len(slotted.geoms) == 3
    edges = sorted(x for piece in slotted.geoms for x in (piece.bounds[0], piece.bounds[2]))
    slot = edges[2] - edges[1]
    assert slot == pytest.approx(6.0)
    for size, grip in (("snug", 0.2), ("easy", -0.1)):
        xs = [x for x, y in wedge_key(size).outline.exterior.coords if abs(y - 3.0) < 1e-9 and abs(x) < 4]
        assert max(xs) - min(xs) - slot == pytest.approx(grip)


def test_hook_bends_by_its_undercut_and_tapers() -> None:
    hook = shelf_hook()
    finger, head, top = (hook.section(z).bounds for z in (12.0, 20.5, 24.0))
    assert finger[3] - finger[1] == pytest.approx(2.4)
    assert head[3] - finger[3] == pytest.approx(1.0)
    assert top[3] < finger[3]


@pytest.mark.parametrize("name", HOOPHOUSE)
def test_no_turn_but_a_whole_one_leaves_an_outline_as_it_is(name: str) -> None:
    """Else a plate without labels could not say how a part stands."""
    outline = part_named(name).outline
    centred = affinity.translate(outline, -outline.centroid.x, -outline.centroid.y)
    for turn in (90.0, 120.0, 180.0):
        moved = affinity.rotate(centred, turn, origin=(0, 0))
        assert centred.symmetric_difference(moved).area > 0.04 * centred.area


@pytest.mark.parametrize("name", HOOPHOUSE)
def test_sections_cover_the_whole_height(name: str) -> None:
    part = part_named(name)
    heights = np.arange(0.1, part.height_mm, 0.2)
    assert all(part.section(float(z)).area > 10 for z in heights)
