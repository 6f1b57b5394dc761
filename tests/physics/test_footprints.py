"""Footprints: what an arm bends on across its layers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from roads import HEIGHT, PITCH, WIDTH, Roads

from gcodetools.physics.footprints import Footprints, footprints, typical_footprint

F8 = NDArray[np.float64]
LONG, DEEP = 10.0, 2.4


def arm(fill: str, layers: int = 1, x0: float = 0.0, y0: float = 0.0, made: Roads | None = None) -> Roads:
    """An arm of 10 by 2.4 mm, two perimeters and within them beads along it, a sparse zigzag, or nothing."""
    made = made or Roads()
    off, inner = WIDTH / 2, WIDTH / 2 + PITCH
    for layer in range(1, layers + 1):
        made.box(x0 + off, y0 + off, x0 + LONG - off, y0 + DEEP - off, outer=True, layer=layer)
        made.box(x0 + inner, y0 + inner, x0 + LONG - inner, y0 + DEEP - inner, layer=layer)
        low, high = inner + PITCH / 2, DEEP - inner - PITCH / 2
        if fill == "along":
            lines = [(x0 + low, y0 + y, x0 + LONG - low, y0 + y) for y in (low + 0.183, DEEP - low - 0.183)]
            made.add(lines, layer=layer, width=(high - low) / 2 + HEIGHT * (1 - np.pi / 4))
        if fill == "zigzag":
            x = np.arange(1.0, 9.0, 2.0)
            made.add(((x0 + a, y0 + low, x0 + a + 1, y0 + high) for a in x), solid=False, layer=layer)
    return made


def stands(made: Roads, share: float | F8 = 1.0, turn: float = 0.0, within: object = None) -> Footprints:
    pieces, outer = made.samples(turn)
    inside = np.ones(len(pieces), bool) if within is None else np.asarray(within)
    return footprints(pieces, np.broadcast_to(share, len(pieces)).astype(np.float64), outer, inside)


@pytest.mark.parametrize("turn", [0.0, 20.0, 45.0, 90.0])
def test_the_outline_of_an_arm_is_its_rectangle(turn: float) -> None:
    got = stands(arm("along"), turn=turn)
    assert len(got) == 1
    assert got.outline_mm2[0] == pytest.approx(LONG * DEEP, rel=0.01)
    assert got.outline_least_mm4[0] == pytest.approx(LONG * DEEP**3 / 12, rel=0.02)
    assert got.outline_reach_mm[0] == pytest.approx(DEEP / 2, abs=0.03)
    thin = np.radians(turn + 90)
    assert abs(got.thin_x[0] * np.cos(thin) + got.thin_y[0] * np.sin(thin)) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("turn", [0.0, 20.0])
def test_contact_and_moments_are_those_of_the_roads(turn: float) -> None:
    got = stands(arm("nothing"), turn=turn)
    loops = [(LONG - WIDTH - 2 * k * PITCH, DEEP - WIDTH - 2 * k * PITCH) for k in (0, 1)]
    area = sum(2 * (a + b) for a, b in loops) * PITCH
    # Two long sides at a distance, and two short ones, of each loop, as thin rectangles.
    least = sum(
        2 * a * PITCH * (b**2 / 4 + PITCH**2 / 12) + 2 * PITCH * b**3 / 12 for a, b in loops
    )  # fmt: skip
    assert got.contact_mm2[0] == pytest.approx(area, rel=1e-9)
    assert got.least_mm4[0] == pytest.approx(least, rel=1e-6)
    assert got.reach_mm[0] == pytest.approx(DEEP / 2, abs=0.02)
    assert got.x_mm[0] ** 2 + got.y_mm[0] ** 2 == pytest.approx(LONG**2 / 4 + DEEP**2 / 4, rel=1e-6)


def test_a_filled_arm_is_told_from_a_sparse_one() -> None:
    filled, sparse, empty = (
        typical_footprint(stands(arm(fill, 3))) for fill in ("along", "zigzag", "nothing")
    )
    assert filled is not None and sparse is not None and empty is not None
    assert (
        filled.contact_share.median > 0.95 > 0.85 > sparse.contact_share.median > empty.contact_share.median
    )
    assert filled.contact_share.median <= 1.0
    # The middle adds area, but little to what bends.
    assert filled.modulus_share.median > sparse.modulus_share.median > 0.85
    assert filled.layers == 3 and filled.lumps == 1.0 and filled.thin_mm == pytest.approx(DEEP, abs=0.05)


def test_less_support_below_is_less_contact() -> None:
    made = arm("along")
    pieces, _ = made.samples()
    whole, half = stands(made), stands(made, 0.5)
    assert half.contact_mm2[0] == pytest.approx(whole.contact_mm2[0] / 2)
    assert half.least_mm4[0] == pytest.approx(whole.least_mm4[0] / 2)
    assert half.outline_mm2[0] == whole.outline_mm2[0]
    # Air below the outer half of the arm: what rests there is a thinner arm.
    below = (pieces.y_mm < DEEP / 2).astype(float)
    thin = stands(made, below)
    assert thin.reach_mm[0] < 0.65 * whole.reach_mm[0]
    assert thin.modulus_mm3[0] < whole.modulus_mm3[0] / 3.5
    unknown = stands(made, np.where(pieces.y_mm < DEEP / 2, 1.0, np.nan))
    assert unknown.modulus_mm3[0] == pytest.approx(thin.modulus_mm3[0])


def test_two_arms_are_two_lumps_and_never_one_section() -> None:
    made = arm("nothing", y0=6.0, made=arm("along"))
    got = stands(made)
    one = stands(arm("along"))
    assert len(got) == 2
    assert got.contact_mm2[0] == pytest.approx(one.contact_mm2[0])
    assert got.least_mm4[0] == pytest.approx(one.least_mm4[0])
    assert got.least_mm4[1] < got.least_mm4[0]


def test_both_shells_of_an_arm_without_fill_are_one_lump_where_the_region_cuts_its_ends_off() -> None:
    made = arm("nothing")
    pieces, _ = made.samples()
    got = stands(made, within=(pieces.x_mm > 2) & (pieces.x_mm < 8))
    assert len(got) == 1
    assert got.outline_mm2[0] == pytest.approx(6 * DEEP, rel=0.08)
    assert got.least_mm4[0] > 0.75 * 6 * DEEP**3 / 12
    # Two ends of 2.4 mm of an edge of 16.8 mm go on.
    assert got.cut[0] == pytest.approx(2 * DEEP / (2 * DEEP + 12), abs=0.05)


def test_a_hole_is_no_part_of_the_outline() -> None:
    made, off = Roads(), WIDTH / 2
    for k in range(5):
        in_ = off + k * PITCH
        made.box(in_, in_, 8 - in_, 8 - in_, outer=k == 0)
    # Around the hole too, since of voids wider than some 4 mm only the edge is counted.
    made.box(3 - off - PITCH, 3 - off - PITCH, 5 + off + PITCH, 5 + off + PITCH)
    plain = stands(made)
    made.box(3 - off, 3 - off, 5 + off, 5 + off, outer=True)
    holed = stands(made)
    assert plain.outline_mm2[0] == pytest.approx(64.0, rel=0.01)
    assert holed.outline_mm2.sum() == pytest.approx(64.0 - 4.0, rel=0.015)


def test_what_is_cut_out_of_a_block_is_no_section() -> None:
    made = Roads()
    for k in range(12):
        off = WIDTH / 2 + k * PITCH
        made.box(off, off, 10 - off, 10 - off, outer=k == 0, layer=1)
    made.box(3 + WIDTH / 2, 3.0, 7 - WIDTH / 2, 4.0, outer=True, layer=2)
    pieces, _ = made.samples()
    middle = (np.abs(pieces.x_mm - 5) < 2.2) & (np.abs(pieces.y_mm - 4) < 2)
    got = stands(made, within=middle)
    by_layer = dict(zip(got.layer.tolist(), got.cut.tolist(), strict=True))
    assert by_layer[1] > 0.9 and by_layer[2] == 0.0
    facts = typical_footprint(got)
    assert facts is not None and facts.layers == 1 and facts.worst_layer == 2


def test_layers_are_thinned_and_nothing_is_nothing() -> None:
    made = arm("nothing", layers=30)
    pieces, outer = made.samples()
    ones = np.ones(len(pieces))
    got = footprints(pieces, ones, outer, ones > 0, most=10)
    assert len(got) == 10 and got.left_out == 20 and np.ptp(np.diff(got.layer)) == 0
    none = footprints(pieces, ones, outer, ones < 0)
    assert len(none) == 0 and typical_footprint(none) is None
    with pytest.raises(ValueError, match="one value a piece"):
        footprints(pieces, ones[1:], outer, ones > 0)


def test_the_worst_layer_is_the_one_that_rests_least() -> None:
    made = arm("along", layers=5)
    pieces, _ = made.samples()
    facts = typical_footprint(stands(made, np.where(pieces.layer == 4, 0.6, 1.0)))
    assert facts is not None and facts.worst_layer == 4
    assert facts.modulus_mm3.lowest_decile < 0.9 * facts.modulus_mm3.median


def test_a_gap_in_a_loop_does_not_turn_outside_to_inside() -> None:
    made = arm("along")
    pieces, outer = made.samples()
    gap = outer & (pieces.x_mm < 0.3) & (np.abs(pieces.y_mm - DEEP / 2) < 0.3)
    assert gap.any()
    rest = pieces.take(~gap)
    got = footprints(rest, np.ones(len(rest)), outer[~gap], np.ones(len(rest), bool))
    # Rows through the gap have what beads cover, no more.
    assert 0.9 * LONG * DEEP < got.outline_mm2[0] < LONG * DEEP
