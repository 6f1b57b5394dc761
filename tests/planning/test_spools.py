"""Plates on spools: against a plain first fit decreasing, and against the best packing of small cases."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.planning.spools import packed


def plain(counts, grams, net, opened=()) -> tuple[int, int, float]:
    """First fit decreasing, plate by plate: full spools, opened ones, grams left."""
    store = sorted(opened)
    full = used = 0
    left = 0.0
    for row in counts:
        spools: list[float] = []
        for size in sorted((g for n, g in zip(row, grams, strict=True) for _ in range(n)), reverse=True):
            at = next((k for k, held in enumerate(spools) if held >= size - 1e-9), None)
            if at is None:
                at = len(spools)
                fitting = [held for held in store if held >= size - 1e-9]
                if fitting:
                    store.remove(fitting[0])
                    used += 1
                    spools.append(fitting[0])
                else:
                    full += 1
                    spools.append(net)
            spools[at] -= size
        left += sum(spools)
    return full, used, left


def fewest(sizes: list[float], net: float) -> int:
    """The fewest spools for some plates, by trying all sets for the spool that holds the first."""
    if not sizes:
        return 0
    first, rest = sizes[0], sizes[1:]
    best = len(sizes)
    for count in range(len(rest) + 1):
        for chosen in combinations(range(len(rest)), count):
            if first + sum(rest[k] for k in chosen) <= net + 1e-9:
                others = [size for k, size in enumerate(rest) if k not in chosen]
                best = min(best, 1 + fewest(others, net))
    return best


tables = st.integers(1, 3).flatmap(
    lambda p: st.lists(st.lists(st.integers(0, 5), min_size=3, max_size=3), min_size=p, max_size=p)
)
# Apart, so that the order by size is one only.
grams3 = st.lists(st.integers(20, 600), min_size=3, max_size=3, unique=True)


@given(tables, grams3, st.lists(st.integers(10, 900), max_size=4))
def test_many_runs_at_once_are_as_plate_by_plate(counts, grams, opened):
    runs = np.array([counts, np.flip(counts, 0), np.zeros_like(counts)])
    found = packed(runs, np.array(grams, float), 1000.0, tuple(map(float, opened)))
    for k, table in enumerate(runs.tolist()):
        full, used, left = plain(table, grams, 1000.0, [float(g) for g in opened])
        assert (int(found.full[k]), int(found.opened[k])) == (full, used)
        assert found.left_g[k] == pytest.approx(left, abs=1e-6)


@given(st.lists(st.integers(0, 2), min_size=3, max_size=3), grams3)
def test_never_more_than_the_theorem_allows(counts, grams):
    """Dosa 2007 (LNCS 4614): first fit decreasing takes at most 11/9 of the fewest and 6/9."""
    found = packed(np.array([[counts]]), np.array(grams, float), 1000.0)
    sizes = [float(g) for n, g in zip(counts, grams, strict=True) for _ in range(n)]
    assert fewest(sizes, 1000.0) <= found.full[0] <= 11 / 9 * fewest(sizes, 1000.0) + 6 / 9
    assert found.full[0] * 1000.0 - found.left_g[0] == pytest.approx(sum(sizes))


def test_what_is_left_is_used_for_a_smaller_plate():
    found = packed(np.array([[[3, 2]]]), np.array([600.0, 300.0]), 1000.0)
    assert found.full.tolist() == [3] and found.left_g.tolist() == [600.0]


def test_printers_do_not_share_a_spool():
    together = packed(np.array([[[4]]]), np.array([250.0]), 1000.0)
    apart = packed(np.array([[[1], [1], [1], [1]]]), np.array([250.0]), 1000.0)
    assert (together.full[0], apart.full[0]) == (1, 4)


def test_opened_spools_go_first_the_smallest_that_will_do():
    found = packed(np.array([[[2]]]), np.array([250.0]), 1000.0, (800.0, 300.0, 100.0))
    assert (found.full[0], found.opened[0], found.left_g[0]) == (0, 2, 50.0 + 550.0)


def test_a_plate_larger_than_a_spool_needs_leave_to_go_on():
    counts, grams = np.array([[[2, 0], [1, 5]]]), np.array([1300.0, 20.0])
    with pytest.raises(ValueError, match="more than a spool"):
        packed(counts, grams, 1000.0)
    found = packed(counts, grams, 1000.0, (500.0, 200.0), swap=True)
    # 2600 g less 500 g on the first, 1400 g less 200 g... on whichever needs most: the first again.
    assert found.full.tolist() == [4] and found.opened.tolist() == [2]
    assert found.left_g[0] == pytest.approx(4000 + 700 - 4000)
    assert packed(np.array([[[0, 3]]]), grams, 1000.0).full.tolist() == [1]


def test_plates_that_fill_a_spool_to_the_gram_fit():
    assert packed(np.array([[[10]]]), np.array([0.1]), 1.0).full.tolist() == [1]
    assert packed(np.array([[[3]]]), np.array([1000 / 3]), 1000.0).full.tolist() == [1]
