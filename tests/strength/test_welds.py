"""Layers of a bar of roads: which count, how old what is below them is, and that classes stand for their members."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bars import bar, instance

from gcodetools.documents.profiles import load_material
from gcodetools.physics.below import below
from gcodetools.strength.law import Law, Welds
from gcodetools.strength.pieces import Instance
from gcodetools.strength.spreads import Draws
from gcodetools.strength.welds import LayerWelds, Means, _coded, layer_welds

LAW = Law(load_material("petg"), Draws(60))
AT = LAW.strength.reference
WALL_MM, AGE_S = 2.4, 10.0
ROUNDED = 0.02  # ages, walls and temperatures are put in classes: 0.3 % of a best, less than 2 % of any draw


def welds_of(one: Instance, wall_mm: float | None = WALL_MM) -> LayerWelds:
    return layer_welds(one, one.within[0], LAW, wall_mm)


def as_printed(wall_mm: float) -> Welds:
    """One weld of a bar as `instance` lays it."""
    values = (AGE_S, 230.0, 0.4, 0.2 / 0.45, wall_mm, 2.0)
    return Welds(*(np.array([value]) for value in values))


def expected(**changed: float) -> np.ndarray:
    """(1 + d,) MPa of one weld of the bar; no more than what it joins."""
    one = replace(as_printed(WALL_MM), **{key: np.array([value]) for key, value in changed.items()})
    strength = LAW.across_mpa * (LAW.weld_ratio(one) * LAW.shape_ratio(one.height_share))[:, 0]
    return np.minimum(strength, LAW.most_mpa)


SOLID = instance(bar(2.4, 2, layers=5), layer_s=AGE_S)


def test_an_even_bar_is_one_weld():
    """Every layer but the first, which lies on the bed: the same, and what the law says of one such weld."""
    found = welds_of(SOLID)
    assert found.layer.tolist() == [2, 3, 4, 5]
    assert found.age_s == pytest.approx(AGE_S)
    assert found.contact.min() > 0.98
    assert len(found.transition) == 0
    assert not found.outside_nozzle and not found.outside_shape
    assert found.strength_mpa.draws[0] == pytest.approx(expected()[0], rel=0.003)
    assert found.strength_mpa.draws == pytest.approx(np.repeat(expected()[:, None], 4, axis=1), rel=ROUNDED)
    ratio = LAW.weld_ratio(as_printed(WALL_MM))
    assert found.bond.draws == pytest.approx(np.repeat(LAW.bonds(ratio), 4, axis=1), rel=ROUNDED)


def test_a_body_is_warmer_than_a_wall_of_two_faces():
    slow = instance(bar(2.4, 2, layers=3), layer_s=60.0)
    wall, body = welds_of(slow), welds_of(slow, None)
    assert np.all(body.strength_mpa.draws >= wall.strength_mpa.draws - 1e-9)
    assert body.strength_mpa.draws[0, 0] > wall.strength_mpa.draws[0, 0]


def test_the_coldest_layer_is_the_weakest():
    cold = SOLID.own_layer == 4
    one = replace(SOLID, nozzle_c=np.where(cold, 215.0, 230.0))
    found = welds_of(one)
    assert found.layer[found.weakest] == 4
    assert found.strength_mpa.draws[:, 2] == pytest.approx(expected(nozzle_c=215.0), rel=ROUNDED)
    assert found.strength_mpa.draws[:, 1] == pytest.approx(expected(), rel=ROUNDED)
    assert found.bears_mpa == pytest.approx(expected(nozzle_c=215.0) * found.contact[2], rel=ROUNDED)


def test_the_blown_layer_has_healed_least():
    one = replace(SOLID, fan=np.where(SOLID.own_layer == 3, 1.0, 0.4))
    found = welds_of(one)
    assert found.layer[found.least_healed] == 3


def test_of_layers_that_are_alike_the_first_is_told():
    """Rounding must not decide: a layer that is older by a thousandth of a second is no weaker."""
    warm = instance(bar(2.4, 2, layers=5), layer_s=3.0, fan=0.0)
    samples = replace(warm.samples, laid_s=warm.samples.laid_s + 1e-3 * (warm.samples.layer >= 4))
    found = welds_of(replace(warm, samples=samples, on=below(samples.take(warm.at), samples)))
    assert found.layer[found.least_healed] == 2
    older = replace(warm.samples, laid_s=warm.samples.laid_s + 60.0 * (warm.samples.layer >= 4))
    found = welds_of(replace(warm, samples=older, on=below(older.take(warm.at), older)))
    assert found.layer[found.least_healed] == 4


def test_where_nobody_knows_the_nozzle_the_test_pieces_stands():
    one = replace(SOLID, nozzle_c=np.full(len(SOLID.samples), np.nan))
    assert np.array_equal(welds_of(one).strength_mpa.draws, welds_of(SOLID).strength_mpa.draws)


def test_a_nozzle_beyond_the_table_is_told():
    assert welds_of(replace(SOLID, nozzle_c=SOLID.nozzle_c + 40.0)).outside_nozzle


def test_layers_over_sparse_fill_count_as_no_strength():
    """Solid layers on sparse fill: the first lies on lines far apart, the second on a layer like itself."""
    made = bar(6.0, 1, layers=4, density=0.2, solid=False)
    roof = bar(6.0, 1, layers=3, first=5)
    made.lines += roof.lines
    made.facts += roof.facts
    found = welds_of(instance(made), None)
    assert 5 in found.transition.tolist()
    assert {6, 7} <= set(found.layer.tolist())
    assert not set(found.layer.tolist()) & set(found.transition.tolist())
    whole = welds_of(instance(bar(6.0, 1, layers=7)), None)
    assert len(whole.transition) == 0 and whole.layer.tolist() == [2, 3, 4, 5, 6, 7]


def test_what_lies_on_sparse_lines_in_part_carries_less():
    """Three tenths of what every bead of a layer lies on is sparse: seven tenths carry, as strong as before."""
    on = SOLID.on
    fourth = SOLID.own_layer[SOLID.at] == 4
    found = welds_of(replace(SOLID, on=replace(on, sparse=np.where(fourth, 0.3, on.sparse))))
    usual = welds_of(SOLID)
    assert found.contact == pytest.approx(usual.contact * [1, 1, 0.7, 1])
    assert found.strength_mpa.draws == pytest.approx(usual.strength_mpa.draws)
    assert found.layer[found.weakest] == 4
    assert found.bears_mpa == pytest.approx(0.7 * usual.strength_mpa.draws[:, 2] * usual.contact[2])


def test_a_bar_on_the_bed_alone_has_no_weld():
    found = welds_of(instance(bar(2.4, 2, layers=1)))
    assert len(found.layer) == 0 and found.weakest == found.least_healed == -1
    assert np.isnan(found.age_s)


def uneven() -> Instance:
    """Ages, nozzles, fans and widths that differ from piece to piece."""
    rng = np.random.default_rng(5)
    n = len(SOLID.samples)
    samples = replace(
        SOLID.samples,
        laid_s=SOLID.samples.layer * 30.0 + rng.uniform(0, 25, n),
        width_mm=rng.uniform(0.42, 0.55, n),
    )
    at = SOLID.at
    return replace(
        SOLID, samples=samples, nozzle_c=rng.uniform(216, 258, n), fan=rng.uniform(0, 1, n),
        on=below(samples.take(at), samples),
    )  # fmt: skip


def test_classes_stand_for_their_members():
    """Each layer's mean over classes, against every piece by itself; and they are not those of an even bar."""
    one = uneven()
    found = welds_of(one)
    within = one.within[0]
    on, samples = one.lies_on(within), one.samples.take(np.flatnonzero(within))
    own = one.own_layer[within]
    n = len(samples)
    every = Welds(
        on.age_s, one.nozzle_c[within], one.fan[within], samples.height_mm / samples.width_mm,
        np.full(n, WALL_MM), np.full(n, 2.0),
    )  # fmt: skip
    weight = samples.width_mm * samples.length_mm * on.share
    for k, layer in enumerate(found.layer.tolist()):
        mine = np.flatnonzero(own == layer)
        some = Welds(*(getattr(every, name)[mine] for name in Welds.__slots__))
        each = LAW.across_mpa[:, None] * LAW.weld_ratio(some) * LAW.shape_ratio(some.height_share)
        assert found.strength_mpa.draws[:, k] == pytest.approx(
            np.minimum(each @ (weight[mine] / weight[mine].sum()), LAW.most_mpa), rel=0.01
        )
    assert not np.allclose(found.strength_mpa.draws, welds_of(SOLID).strength_mpa.draws, rtol=0.02)


def test_the_order_of_pieces_does_not_matter():
    one = uneven()
    turn = np.random.default_rng(9).permutation(len(one.samples))
    samples, within = one.samples.take(turn), one.within[0][turn]
    at = np.flatnonzero(within)
    turned = replace(
        one, samples=samples, within=(within,), nozzle_c=one.nozzle_c[turn], told_c=one.told_c[turn],
        fan=one.fan[turn], outer=one.outer[turn], own_layer=one.own_layer[turn], at=at,
        on=below(samples.take(at), samples),
    )  # fmt: skip
    assert welds_of(turned).strength_mpa.draws == pytest.approx(welds_of(one).strength_mpa.draws, rel=1e-6)


@pytest.mark.parametrize("most", [np.inf, 0.7])
def test_means_of_classes_are_those_of_their_layers(most: float):
    """Against the whole matrix of draws, with a number that none exceeds and without."""
    rng = np.random.default_rng(5)
    classes, weight = rng.uniform(0.0, 1.2, (61, 9)), rng.uniform(0.0, 1.0, (23, 9))
    weight /= weight.sum(axis=1, keepdims=True)
    whole = np.minimum(np.matmul(classes, weight.T), most)
    assert most > 1 or np.mean(whole == most) > 0.05
    means = Means(classes, weight, most)
    share = rng.uniform(0.0, 1.0, 23)
    assert means.draws == pytest.approx(whole)
    assert means.at(7) == pytest.approx(whole[:, 7])
    assert means.best == pytest.approx(whole[0])
    assert means.mean == pytest.approx(whole.mean(axis=0))
    assert means.over_layers(share) == pytest.approx(whole @ share)
    sure = means.without_doubt()
    assert sure.draws == pytest.approx(whole[:1]) and sure.best == pytest.approx(whole[0])


def test_keys_with_more_combinations_than_a_number_holds_keep_their_order():
    """Three columns of a million million values each: the codes fit no integer, the order is that of the columns."""
    rng = np.random.default_rng(1)
    columns = [np.floor(rng.uniform(-1.0, 1.0, 500) * 2.0**39) for _ in range(3)]
    columns = [np.append(column, column) for column in columns]
    columns[0][::7] = 5.0
    code = _coded(columns)
    assert np.array_equal(np.argsort(code, kind="stable"), np.lexsort(columns[::-1]))
    rows = np.column_stack(columns)
    assert len(np.unique(code)) == len(np.unique(rows, axis=0))
