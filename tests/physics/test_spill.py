"""Spill and bands by hand-made columns, and totals that add up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.physics.spill import BAND_C, bands, spill_of


def row(*values):
    return np.array(values, float)


def test_spill_is_what_was_not_meant_by_owner():
    spill = spill_of(
        change=row(8, 8, 4, 0.2, 8, -1),
        meant=np.array([True, False, False, False, False, False]),
        owner=np.array([0, 0, 0, 0, 2, -1]),
        length_mm=row(10, 10, 30, 99, 5, 7),
    )
    assert spill.owner.tolist() == [-1, 0, 2]
    assert spill.length_mm.tolist() == [7, 40, 5]
    assert spill.mean.tolist() == [-1, 5, 8]
    assert spill.most.tolist() == [-1, 8, 8]
    assert spill.covered_mm == 62
    assert spill.share == pytest.approx(62 / 161)


def test_a_bead_meant_in_part_spills_the_rest():
    spill = spill_of(row(6, 6), row(0.25, 1.0), np.array([1, 1]), row(8, 8))
    assert spill.length_mm.tolist() == [6]


def test_the_largest_change_keeps_its_sign():
    spill = spill_of(row(3, -5), np.zeros(2, bool), np.array([4, 4]), row(1, 1))
    assert spill.most.tolist() == [-5]
    assert spill.mean.tolist() == [-1]


def test_nothing_changed_is_no_spill():
    spill = spill_of(row(0, 0.1), np.zeros(2, bool), np.array([0, 0]), row(1, 1))
    assert len(spill.owner) == len(spill.length_mm) == len(spill.most) == 0
    assert spill.share == 0
    empty = spill_of(row(), np.zeros(0, bool), np.zeros(0, int), row())
    assert empty.share == 0


def test_columns_of_unlike_lengths_are_refused():
    with pytest.raises(ValueError, match="one value a bead"):
        spill_of(row(1), np.zeros(2, bool), np.zeros(1, int), row(1))


beads = st.lists(
    st.tuples(
        st.floats(-20, 20),
        st.booleans(),
        st.integers(-1, 3),
        st.floats(0, 50, allow_subnormal=False).map(lambda mm: round(mm, 6)),
    ),
    min_size=1,
    max_size=60,
)


@given(beads)
def test_meant_and_spilt_are_all_that_changed(columns):
    change, meant, owner, length = (np.array(c) for c in zip(*columns, strict=True))
    spill = spill_of(change, meant, owner, length, 0.5)
    kept = length[meant & (np.abs(change) >= 0.5)].sum()
    assert spill.length_mm.sum() + kept == pytest.approx(spill.covered_mm, rel=1e-9, abs=1e-9)
    assert np.all(np.abs(spill.mean) <= np.abs(spill.most) + 1e-9)
    for k, who in enumerate(spill.owner.tolist()):
        mine = ~meant & (owner == who) & (np.abs(change) >= 0.5) & (length > 0)
        assert np.abs(spill.most[k]) == np.abs(change[mine]).max()


def stack(changes, owner=0, height=0.2, layers=None):
    """Two outer beads and an inner one a layer; the inner ones are far off and must not count."""
    count = len(changes)
    layer = np.repeat(np.arange(count) if layers is None else layers, 3)
    return {
        "change_c": np.stack([np.array(changes), np.array(changes), np.full(count, 50.0)], axis=1).ravel(),
        "outermost": np.tile([True, True, False], count),
        "owner": np.full(3 * count, owner),
        "layer": layer,
        "top_mm": (layer + 1) * height,
        "height_mm": np.full(3 * count, height),
        "length_mm": np.full(3 * count, 10.0),
    }


def test_a_hold_over_some_layers_is_a_band_with_its_heights():
    found = bands(**stack([0, 0, 8, 8, 8, 0, 0]))
    assert len(found) == 1
    band = found[0]
    assert (band.first, band.last, band.whole) == (2, 4, False)
    assert (band.low_mm, band.high_mm) == pytest.approx((0.4, 1.0))
    assert band.mean_c == pytest.approx(8)


def test_a_hold_over_all_layers_has_no_edge_to_see():
    assert bands(**stack([8, 8, 8]))[0].whole


def test_what_differs_by_no_more_than_the_threshold_is_no_band():
    assert bands(**stack([0, BAND_C, -BAND_C, 0])) == []
    assert len(bands(**stack([0, BAND_C + 0.01, 0]))) == 1


def test_hotter_and_cooler_neighbours_are_two_bands_and_owners_are_apart():
    assert [(b.first, b.last) for b in bands(**stack([8, 8, -8, -8]))] == [(0, 1), (2, 3)]
    one, two = stack([0, 8, 8]), stack([8, 8, 0], owner=3)
    both = {key: np.concatenate([one[key], two[key]]) for key in one}
    assert [(b.owner, b.first, b.last) for b in bands(**both)] == [(0, 1, 2), (3, 0, 1)]


def test_layers_of_other_objects_between_do_not_break_a_band():
    found = bands(**stack([0, 8, 8, 0], layers=np.array([2, 5, 9, 11])))
    assert [(b.first, b.last) for b in found] == [(5, 9)]


def test_the_order_of_beads_does_not_matter_and_nobodys_beads_are_left_out():
    columns = stack([0, 8, 8, 0])
    mixed = np.random.default_rng(1).permutation(12)
    assert bands(**{key: column[mixed] for key, column in columns.items()}) == bands(**columns)
    assert bands(**{**columns, "owner": np.full(12, -1)}) == []
    assert bands(**{**columns, "layer": np.full(12, -1)}) == []


def test_a_layer_counts_by_the_mean_of_its_length():
    columns = stack([0, 8, 0])
    columns["length_mm"][3] = 90.0
    columns["change_c"][4] = 0.0
    assert bands(**columns)[0].mean_c == pytest.approx(7.2)
