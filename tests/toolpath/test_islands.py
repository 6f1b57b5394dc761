"""Islands against the polygons they were drawn from; thin places against closed forms."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, tau
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon, affinity, box

from gcodetools.demo.maker import make
from gcodetools.demo.plates import Placement
from gcodetools.demo.shapes import part_named
from gcodetools.toolpath import islands
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.islands import of_layer
from gcodetools.toolpath.plate import Plate

HALF = 0.225  # half of the pens' 0.45


def _ring(polygon: Polygon, inset: float) -> list[tuple[float, float]]:
    """The centre line that a wall inside an edge has."""
    line = polygon.buffer(-inset, join_style="mitre", mitre_limit=5)
    return list(line.exterior.coords)[:-1]


def _lay(pen: Any, polygon: Polygon, z: float = 0.2, seam: float = 0.06) -> None:
    """Two walls inside each edge of a polygon, with their words."""
    pen.layer(z)
    for word, inset in (("Perimeter", HALF + 0.4), ("External perimeter", HALF)):
        pen.say(f";TYPE:{word}")
        pen.loop(_ring(polygon, inset), seam)
        for hole in polygon.interiors:
            pen.loop(_ring(Polygon(hole), -inset), seam)


def _apart(one: shapely.Geometry, other: shapely.Geometry) -> float:
    """Area that only one of two shapes has, over the length of the edge: how far they differ, mm."""
    return float(one.symmetric_difference(other).area / other.length)


@given(st.integers(0, 10_000), st.floats(0, 360), st.integers(3, 12))
def test_an_outline_comes_back_however_turned(
    new_pen: Callable[[], Any], seed: int, degrees: float, corners: int
) -> None:
    radius = np.random.default_rng(seed).uniform(16, 20, corners)
    angle = np.arange(corners) * tau / corners
    outline = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    wanted = affinity.translate(affinity.rotate(outline, degrees, (0, 0)), 100, 100)
    pen = new_pen()
    _lay(pen, wanted)
    (island,) = of_layer(pen.plate(), 0)
    assert _apart(island.polygon, wanted) < 0.002
    assert len(island.rows) == np.count_nonzero(pen.plate().beads.is_bead)


@pytest.mark.parametrize("seam", [0.01, 0.06, 0.4])
def test_a_seam_left_open_is_closed(pen: Any, seam: float) -> None:
    wanted = box(50, 50, 80, 70)
    _lay(pen, wanted, seam=seam)
    (island,) = of_layer(pen.plate(), 0)
    assert _apart(island.polygon, wanted) < 1e-4


def test_what_coasting_leaves_out_is_followed_around_the_corner(pen: Any) -> None:
    pen.layer(0.2)
    pen.say(";TYPE:External perimeter")
    pen.line([(50, 50), (80, 50), (80, 70), (50, 70), (50, 51.5)])
    pen.say("G1 X50 Y50.5", "G1 X50 Y50", "G1 X55 E-1")
    pen.say("G1 E1")
    pen.line([(50, 38), (50, 20), (80, 20), (80, 40), (52, 40)])
    pen.say("G1 X50 Y40", "G1 X50 Y38")
    first, second = of_layer(pen.plate(), 0)
    assert _apart(first.polygon, box(50 - HALF, 50 - HALF, 80 + HALF, 70 + HALF)) < 1e-4
    assert _apart(second.polygon, box(50 - HALF, 20 - HALF, 80 + HALF, 40 + HALF)) < 1e-4


def test_a_seam_laid_as_a_ramp_that_overlaps_is_one_loop() -> None:
    text = (
        b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:External perimeter\n;WIDTH:0.45\nG1 X50 Y50 Z0.1\n"
        b"G1 X60 Z0.2 E0.3\nG1 X80 E1\nG1 Y70 E1\nG1 X50 E1\nG1 Y50 E1\nG1 X60 E0.3\n"
    )
    (island,) = of_layer(Plate.from_bytes(text), 0)
    assert _apart(island.polygon, box(50 - HALF, 50 - HALF, 80 + HALF, 70 + HALF)) < 1e-3
    assert not island.holes


def test_a_loop_cut_by_beads_over_air_is_one_loop() -> None:
    words = {0: b"External perimeter", 1: b"Overhang perimeter", 2: b"External perimeter"}
    text = b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;WIDTH:0.45\nG1 X50 Y50 Z0.2\n"
    for k, move in enumerate((b"G1 X80 E1", b"G1 Y70 E1", b"G1 X50 E1\nG1 Y50.05 E1")):
        text += b";TYPE:%s\n%s\n" % (words[k], move)
    # A loop that is all over air, inside the first and beside it: a second wall, no hole.
    text += (
        b"G1 X50.42 Y50.42\n;TYPE:Overhang perimeter\nG1 X79.58 E1\nG1 Y69.58 E1\nG1 X50.42 E1\nG1 Y50.5 E1\n"
    )
    (island,) = of_layer(Plate.from_bytes(text), 0)
    assert _apart(island.polygon, box(50 - HALF, 50 - HALF, 80 + HALF, 70 + HALF)) < 1e-4
    assert not island.holes
    assert len(island.rows) == 8


def test_holes_and_islands_in_holes(pen: Any) -> None:
    ring = box(50, 50, 90, 90).difference(box(60, 60, 80, 80))
    inner = box(66, 66, 74, 74)
    _lay(pen, ring)
    _lay(pen, inner)
    outer, island = of_layer(pen.plate(), 0)
    assert _apart(outer.polygon, ring) < 1e-4
    assert _apart(island.polygon, inner) < 1e-4
    (hole,) = outer.holes
    assert hole.area == pytest.approx(400, abs=0.1)
    assert outer.outline.area == pytest.approx(1600, abs=0.2)
    assert len(np.intersect1d(outer.rows, island.rows)) == 0


def test_a_loop_laid_twice_is_one_island(pen: Any) -> None:
    _lay(pen, box(50, 50, 70, 70))
    pen.loop(_ring(box(50, 50, 70, 70), HALF))
    (island,) = of_layer(pen.plate(), 0)
    assert _apart(island.polygon, box(50, 50, 70, 70)) < 1e-4


def test_arcs_are_as_good_as_their_circle() -> None:
    text = (
        b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:External perimeter\n;WIDTH:0.4\nG1 X120 Y100 Z0.2\n"
        b"G3 X80 Y100 I-20 J0 E1\nG3 X120 Y100 I20 J0 E1\nG1 X104.8 Y100\nG2 X104.8 Y100 I-4.8 J0 E1\n"
    )
    (island,) = of_layer(Plate.from_bytes(text), 0)
    wanted = pi * (20.2**2 - 4.6**2)
    assert island.polygon.area == pytest.approx(wanted, rel=1e-3)
    off = np.hypot(*(np.array(island.polygon.exterior.coords) - 100).T) - 20.2
    assert np.abs(off).max() < islands.ARC_TOLERANCE_MM + 1e-4


def test_one_thin_wall_is_its_bead(pen: Any) -> None:
    text = (
        b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:External perimeter\n;WIDTH:0.4\nG1 X50 Y50 Z0.2\n"
        b"G1 X80 E1\nG1 Y70 E1\n"
    )
    (island,) = of_layer(Plate.from_bytes(text), 0)
    assert island.polygon.area == pytest.approx(30 * 0.4 + 20 * 0.4, rel=0.02)


def test_where_no_wall_is_marked_the_beads_tell() -> None:
    lines = b"".join(b"G1 X%d Y%.2f E1\n" % (80 if k % 2 else 50, 50 + 0.4 * (k // 2)) for k in range(60))
    text = b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Solid infill\n;WIDTH:0.45\nG1 X50 Y50 Z0.2\n"
    (island,) = of_layer(Plate.from_bytes(text + lines), 0)
    assert _apart(island.polygon, box(50 - HALF, 50 - HALF, 80 + HALF, 61.6 + HALF)) < 0.05


def test_skirt_support_and_tower_are_no_islands(pen: Any) -> None:
    words = [b"Skirt/Brim", b"Support material", b"Wipe tower", b"External perimeter"]
    text = b"M83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;WIDTH:0.45\nG1 Z0.2\n"
    for k, word in enumerate(words):
        x = 20 + 40 * k
        text += b";TYPE:%s\nG1 X%d Y20\nG1 X%d E1\nG1 Y50 E1\nG1 X%d E1\nG1 Y20.06 E1\n" % (
            word,
            x,
            x + 30,
            x,
        )
    (island,) = of_layer(Plate.from_bytes(text), 0)
    assert island.polygon.bounds == pytest.approx((140 - HALF, 20 - HALF, 170 + HALF, 50 + HALF), abs=1e-6)


def test_rows_narrow_the_layer_by_mask_or_by_index(pen: Any) -> None:
    _lay(pen, box(50, 50, 60, 60))
    middle = len(pen.plate().moves)
    pen.say("G1 E-1", "G1 E1")
    _lay(pen, box(70, 50, 80, 60))
    plate = pen.plate()
    assert len(of_layer(plate, 0)) == 2
    mask = np.arange(len(plate.moves)) >= middle
    for rows in (mask, np.flatnonzero(mask)):
        (island,) = of_layer(plate, 0, rows)
        assert island.polygon.bounds == pytest.approx((70, 50, 80, 60), abs=1e-4)
        assert island.rows.min() >= middle


def test_layers_alike_share_their_polygons(pen: Any) -> None:
    for k in range(4):
        _lay(pen, box(33, 44, 55, 66), 0.2 * (k + 1))
    plate = pen.plate()
    of_layer(plate, 0)
    before = islands._polygons.cache_info()
    polygons = [of_layer(plate, k)[0].polygon for k in range(4)]
    after = islands._polygons.cache_info()
    assert after.misses == before.misses
    assert all(p is polygons[0] for p in polygons)


@pytest.mark.parametrize("arcs", [False, True], ids=["lines", "arcs"])
@pytest.mark.parametrize("convention", ["B", "D", "H", "J"])
def test_made_parts_have_the_outline_they_were_made_of(
    read_made: Callable[..., Plate], convention: str, arcs: bool
) -> None:
    plate = read_made(convention, arcs=arcs)
    found = of_layer(plate, 2)
    assert len(found) == 4  # two gates of two posts
    post = max(found, key=lambda i: len(i.holes)).polygon
    # A ring of bore 5 and diameter 14 (closed form; drawn with 12 chords a quarter).
    assert post.area == pytest.approx(pi * (49 - 6.25), rel=0.01)
    assert min(i.polygon.area for i in found) == pytest.approx(8 * 12, rel=1e-3)
    assert len(of_layer(plate, 10)) == 2  # a bridge joins the posts of each


def test_the_clip_of_the_demo_has_its_drawn_outline() -> None:
    clip = part_named("film-clip")
    plate = Plate.from_bytes(make("C", parts=[Placement("film-clip", 60, 60, 30.0)]).data)
    (island,) = of_layer(plate, 3)
    wanted = affinity.translate(affinity.rotate(clip.outline, 30.0, (0, 0)), 60, 60)
    assert _apart(island.polygon, wanted) < 0.01


def test_samples_lose_no_bead_of_a_part(sample_path: Path, read: Callable[..., Plate]) -> None:
    plate = read(sample_path)
    part = [FEATURE_INDEX[w] for w in ("outermost", "perimeter", "solid", "sparse", "overhang", "bridge")]
    whole = lost = 0.0
    for k in range(0, len(plate.layers), 7):
        if plate.layers.raft[k]:
            continue
        rows = np.arange(plate.layers.first_row[k], plate.layers.last_row[k])
        rows = rows[np.isin(plate.beads.feature[rows], part)]
        found = of_layer(plate, k)
        held = np.concatenate([i.rows for i in found]) if found else rows[:0]
        assert len(np.unique(held)) == len(held)
        assert all(i.polygon.is_valid for i in found)
        whole += plate.beads.length_mm[rows].sum()
        lost += plate.beads.length_mm[np.setdiff1d(rows, held)].sum()
    assert lost <= 0.002 * whole


def _put_end_to_end(lines):
    """The same with each line held to each other one."""
    left, done = list(lines), []
    while left:
        points, w = left.pop(0)
        found = True
        while found:
            found = False
            for k, (other, _) in enumerate(left):
                for line in (other, other[::-1]):
                    if np.hypot(*(line[0] - points[-1])) < w:
                        points, found = np.vstack([points, line]), True
                    elif np.hypot(*(line[-1] - points[0])) < w:
                        points, found = np.vstack([line, points]), True
                    if found:
                        break
                if found:
                    left.pop(k)
                    break
        done.append((points, w))
    return done


@pytest.mark.parametrize("seed", range(40))
def test_open_lines_are_put_end_to_end_as_if_each_were_held_to_each(seed):
    rng = np.random.default_rng(seed)
    # Ends on a grid of which some lie within a width, some just on it, and some lines are there twice.
    ends = rng.integers(0, 6, (rng.integers(0, 25), 3, 2)) * 0.45
    lines = [(points, float(rng.choice([0.45, 0.5]))) for points in ends]
    found, wanted = islands._end_to_end(lines), _put_end_to_end(lines)
    assert [(p.tolist(), w) for p, w in found] == [(p.tolist(), w) for p, w in wanted]


@pytest.mark.parametrize("seed", range(10))
def test_many_islands_own_the_same_points_as_few_would(monkeypatch, seed):
    rng = np.random.default_rng(seed)
    corners = rng.integers(0, 40, (30, 2))
    polygons = [
        box(a, b, a + w, b + w) for (a, b), w in zip(corners.tolist(), rng.integers(1, 6, 30), strict=True)
    ]
    x, y = rng.integers(0, 90, (2, 500)) / 2  # some on edges
    few = islands._owner(polygons, x, y)
    monkeypatch.setattr(islands, "_MANY", 2)
    assert islands._owner(polygons, x, y).tolist() == few.tolist()
    assert len(set(few.tolist())) > 10


@given(st.lists(st.tuples(*[st.integers(0, 2)] * 4), min_size=1, max_size=40))
def test_a_line_on_an_earlier_one_is_left_out(ends: list[tuple[int, int, int, int]]) -> None:
    """By sets of end points: the same line, whichever way it goes, stays once, where it came first."""
    seen, kept = set(), []
    for x0, y0, x1, y1 in ends:
        if (line := frozenset({(x0, y0), (x1, y1)})) not in seen:
            seen.add(line)
            kept.append([[x0, y0], [x1, y1]])
    assert islands._once(np.array(ends, float).reshape(-1, 2, 2)).tolist() == kept
