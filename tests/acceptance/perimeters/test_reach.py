"""A region that begins at mid height over sparse infill: how soon it has what it asks for, and what carries it."""

from __future__ import annotations

import bead_shapes as shapes
import numpy as np
import pytest
import shapely
from bead_laid import BRIDGE, FILL, SPARSE, WALLS

from gcodetools.demo.slicing import Recipe

RECIPE = Recipe(density=0.1, solid_layers=1)
FIRST = 4  # layer from 0 at which the region begins
SPAN_MM = 5.0
SLAB = "{slab: {z: [0.8, 1.6]}}"
SHAPES = {
    "ring": shapes.thing(shapes.ring(11, 6, 8), 2.0),
    "block": shapes.thing(shapes.rectangle(18, 14), 2.0),
    "holes": shapes.thing(shapes.holes(28, 14, (3.0, 2.0)), 2.0),
}


@pytest.mark.every(1)
@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_asked_number_is_reached_within_two_layers(press, clean, shape, count):
    printed = press(SHAPES[shape], (SLAB, f"{{perimeters: {{add: {count}}}}}"), recipe=RECIPE, turn=20.0)
    verdict = clean(printed)
    assert min(verdict.new_layers) == FIRST
    edges = 1 + len(SHAPES[shape].outline.interiors)
    wanted = [s for s in verdict.sites if s.layer >= FIRST + 1]
    assert len(wanted) >= 3
    for site in wanted:
        closed = sorted((shapely.Polygon(p).length for p, _ in verdict.loops(site)), reverse=True)
        whole = sum(closed)
        if shape == "holes":  # loops about holes meet; length tells
            assert whole > 0
            assert whole + sum(
                verdict.after.length[c].sum() for _, c in verdict.loops(site, closed=False)
            ) > (0.8 * count * wanted[0].polygon.length * 0.6)
        else:
            assert len(closed) == edges * count
    reports = [d for d in printed.done() if "bridge" in d.done]
    assert (
        reports == [] or f"layer {FIRST + 1}" in reports[0].done or f"layers {FIRST + 1}" in reports[0].done
    )


@pytest.mark.every(1)
@pytest.mark.parametrize("treat", ["{perimeters: {add: 3}}", "{infill: solid}", "{perimeters: {fill: true}}"])
def test_no_new_bead_spans_more_than_it_can_bridge(press, clean, treat):
    """Between places that carry it (plastic below, or a wall within two beads beside it) at most 5 mm."""
    verdict = clean(press(SHAPES["ring"], (SLAB, treat), recipe=RECIPE, turn=20.0))
    for layer in verdict.new_layers:
        now = np.flatnonzero(verdict.is_new & (verdict.after.layer == layer))
        under = np.flatnonzero(verdict.after.layer == layer - 1)
        beside = np.flatnonzero(
            (verdict.after.layer == layer) & np.isin(verdict.after.feature, WALLS) & ~verdict.is_new
        )
        held = shapely.union_all(
            [
                *shapely.buffer(verdict.after.line[under], verdict.after.width[under] / 2 + 0.02),
                *shapely.buffer(verdict.after.line[beside], 3.0 * 0.45),
            ]
        )
        # Solid plastic below carries two beads beside it too.
        solid = under[~np.isin(verdict.after.feature[under], [SPARSE])]
        held = shapely.union(held, shapely.union_all(shapely.buffer(verdict.after.line[solid], 3.0 * 0.45)))
        runs = shapely.line_merge(shapely.union_all(verdict.after.line[now]))
        loose = shapely.get_parts(shapely.line_merge(shapely.difference(runs, held)))
        assert shapely.length(loose).max(initial=0.0) <= SPAN_MM + 0.1, layer


def test_beads_over_sparse_fill_are_laid_as_bridges_and_slower(press, clean):
    printed = press(SHAPES["block"], (SLAB, "{infill: solid}"), recipe=RECIPE)
    verdict = clean(printed)
    first = verdict.is_new & (verdict.after.layer == FIRST)
    later = verdict.is_new & (verdict.after.layer == FIRST + 2)
    assert (verdict.after.feature[first] == BRIDGE).mean() > 0.5
    assert not (verdict.after.feature[later] == BRIDGE).any()
    feed = verdict.after.plate.program.moves.f[verdict.after.rows]
    assert np.median(feed[first]) <= 0.51 * np.median(feed[later]) + 0.1


def test_filling_starts_lower_where_it_is_told_to(press, clean):
    verdict = clean(press(SHAPES["block"], (SLAB, "{perimeters: {add: 2, from_below: 2}}"), recipe=RECIPE))
    assert min(verdict.new_layers) == FIRST - 2


def test_outside_the_region_fill_stays_as_it_is(press, clean):
    verdict = clean(press(SHAPES["block"], (SLAB, "{perimeters: {fill: true}}"), recipe=RECIPE))
    inside = set(range(FIRST, FIRST + 4))
    assert set(verdict.touched) <= inside
    for layer in set(range(10)) - inside:
        was = verdict.before.line[(verdict.before.layer == layer) & np.isin(verdict.before.feature, FILL)]
        now = verdict.after.line[(verdict.after.layer == layer) & np.isin(verdict.after.feature, FILL)]
        assert len(was) == len(now)
        assert np.all(shapely.equals_exact(was, now, 1e-9))
