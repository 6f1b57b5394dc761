"""Cells of a region against plane geometry: every distance asked one by one, outlines by shapely."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from roads import WIDTH, Roads

from gcodetools.physics import cells as cells_module
from gcodetools.physics.cells import Cells, cells_of
from gcodetools.physics.pieces import Samples

DEEP_MM, TILE_MM = (
    3.0,
    1.5,
)  # how far from its bead a cell is told; plastic is looked for in tiles beside the beads
SEEDS = range(4)


def thrown(seed: int) -> tuple[Samples, np.ndarray, np.ndarray]:
    """Two layers of squares with beads of all lengths, breadths and directions thrown into and about them; some of
    each are the region's."""
    rng = np.random.default_rng(seed)
    made = Roads()
    for layer in (3, 7):
        made.box(0.3, -6.1, 12.3, 5.9, outer=True, layer=layer)
        for _ in range(6 if layer == 3 else 60):
            x, y, angle, long = *rng.uniform(-7.0, 13.0, 2), rng.uniform(0, 7), rng.uniform(0.1, 4.0)
            line = (x, y, x + long * np.cos(angle), y + long * np.sin(angle))
            made.add([line], layer=layer, width=rng.uniform(0.2, 1.2))
    pieces, outer = made.samples(step=0.9)
    return pieces, outer, (pieces.x_mm < 6.0) & (rng.random(len(pieces)) < 0.6)


def segments(pieces: Samples) -> np.ndarray:
    way = np.stack([pieces.ux, pieces.uy], axis=1) * pieces.length_mm[:, None] / 2
    middle = np.stack([pieces.x_mm, pieces.y_mm], axis=1)
    return shapely.linestrings(np.stack([middle - way, middle + way], axis=1))


def tiles_off(x: np.ndarray, y: np.ndarray, of_x: np.ndarray, of_y: np.ndarray) -> np.ndarray:
    """How many tiles, in rows or columns, each place is off the nearest of others."""
    column, row, others, lines = (np.floor(c / TILE_MM) for c in (x, y, of_x, of_y))
    tiles = np.unique(np.column_stack([others, lines]), axis=0)
    off = np.maximum(np.abs(column[:, None] - tiles[:, 0]), np.abs(row[:, None] - tiles[:, 1]))
    return np.asarray(off.min(axis=1))


def expected(
    pieces: Samples, outer: np.ndarray, within: np.ndarray, side: float
) -> dict[tuple[int, int, int], float]:
    """Area in the outline of every cell in a tile beside a bead of the region, by layer, column and row: all beads in
    or beside such a tile asked for each."""
    found = {}
    reach = np.arange(-60, 120)
    columns, rows = (c.ravel() for c in np.meshgrid(reach, reach))
    for layer in np.unique(pieces.layer[within]).tolist():
        mine = np.flatnonzero(pieces.layer == layer)
        loop = mine[outer[mine]]
        region = mine[within[mine]]
        x, y = pieces.x_mm, pieces.y_mm
        mine = mine[tiles_off(x[mine], y[mine], x[region], y[region]) <= 2]
        on = tiles_off((columns + 0.5) * side, (rows + 0.5) * side, x[region], y[region]) <= 1
        column, row = columns[on], rows[on]
        points = shapely.points((column + 0.5) * side, (row + 0.5) * side)
        outline = shapely.box(*shapely.total_bounds(shapely.multilinestrings(segments(pieces)[loop])))
        inside = shapely.contains(outline, points)
        far = shapely.distance(points[:, None], segments(pieces)[mine][None, :])
        nearest = np.argmin(far > far.min(axis=1, keepdims=True) + 1e-9, axis=1)
        width, least = pieces.width_mm[mine][nearest], far.min(axis=1)
        share = np.clip((width / 2 - least) / side + 0.5, 0.0, 1.0)
        share = np.where(inside, least <= DEEP_MM, share)
        own = within[mine][nearest] & (share > 0)
        for k in np.flatnonzero(own).tolist():
            found[layer, int(column[k]), int(row[k])] = float(share[k]) * side**2
    return found


def told(cells: Cells) -> dict[tuple[int, int, int], float]:
    column, row = (np.floor(c / cells.side_mm).astype(int) for c in (cells.x, cells.y))
    keys = zip(cells.layer.tolist(), column.tolist(), row.tolist(), strict=True)
    return dict(zip(keys, cells.area.tolist(), strict=True))


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("seed", SEEDS)
def test_cells_are_those_whose_nearest_bead_is_the_regions(
    seed: int, kept: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether the places of tiles are kept in a table or looked up."""
    pieces, outer, within = thrown(seed)
    if not kept:
        monkeypatch.setattr(cells_module, "_FEW_PLACES", 0)
        monkeypatch.setattr(cells_module, "_PLACES", 0)
    cells = cells_of(pieces, outer, within)
    assert (len(cells._tiles.table) > 0) == kept
    wanted = expected(pieces, outer, within, cells.side_mm)
    got = told(cells)
    assert len(got) > 1000
    assert got.keys() == wanted.keys()
    assert list(got.values()) == pytest.approx([wanted[key] for key in got], abs=1e-6)


def test_cells_far_from_any_bead_are_its_own_still() -> None:
    """A loop of 5 mm with nothing in it is full; in one of 8 mm the tiles of its middle are beside no bead."""
    for long, hole in ((5.0, 0.0), (8.0, 2 * TILE_MM)):
        pieces, outer = Roads().box(0, 0, long, long, outer=True).samples()
        cells = cells_of(pieces, outer, np.ones(len(pieces), bool))
        assert cells.area.sum() == pytest.approx((long + WIDTH) ** 2 - hole**2, rel=0.005)


@pytest.mark.parametrize("seed", SEEDS)
def test_each_piece_is_of_the_lump_whose_cell_is_nearest(seed: int) -> None:
    """Also of those that lie under another bead, which has the cells there."""
    pieces, outer, within = thrown(seed)
    over = np.flatnonzero(within & (pieces.y_mm < 0))
    order = np.concatenate([over, np.arange(len(pieces))])
    pieces, outer, within = pieces.take(order), outer[order], within[order]
    outer[: len(over)] = within[: len(over)] = False
    cells, index = cells_of(pieces, outer, within), np.flatnonzero(within)
    far = np.hypot(
        cells.x[None, :] - pieces.x_mm[index][:, None], cells.y[None, :] - pieces.y_mm[index][:, None]
    )
    far[cells.layer[None, :] != pieces.layer[index][:, None]] = np.inf
    column, row = (
        np.floor(c[index] / cells.side_mm).astype(int).tolist() for c in (pieces.x_mm, pieces.y_mm)
    )
    own = zip(pieces.layer[index].tolist(), column, row, strict=True)
    assert 10 < sum(place not in told(cells) for place in own) < len(index)
    lump = cells.nearest(pieces, index)
    gap = np.take_along_axis(far, np.argmin(far, axis=1)[:, None], axis=1)[:, 0]
    off = [far[k][cells.lump == lump[k]].min() - gap[k] for k in range(len(index))]
    assert len(np.unique(cells.lump)) > 3
    assert max(off) < 1e-9


def test_a_region_that_lies_scattered_is_as_if_it_lay_close(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two squares 2.1 m apart: places between them are not kept, and the answer is that of each square by itself."""
    near = Roads().box(0, 0, 6, 3, outer=True).add([(1, 1, 5, 1)])
    away = Roads().box(0, 0, 6, 3, outer=True).add([(1, 1, 5, 1)])
    away.lines = [(a + 2100.0, b + 2100.0, c + 2100.0, d + 2100.0) for a, b, c, d in away.lines]
    both = Roads()
    both.lines, both.facts = near.lines + away.lines, near.facts + away.facts
    pieces, outer = both.samples()
    cells = cells_of(pieces, outer, np.ones(len(pieces), bool))
    assert len(cells._tiles.table) == 0
    monkeypatch.setattr(cells_module, "_FEW_PLACES", 1 << 24)
    kept = cells_of(pieces, outer, np.ones(len(pieces), bool))
    assert len(kept._tiles.table) > 1 << 20
    for name in ("layer", "x", "y", "area", "lump", "edges", "beyond"):
        assert np.array_equal(getattr(cells, name), getattr(kept, name)), name
    index = np.arange(len(pieces))
    assert np.array_equal(cells.nearest(pieces, index), kept.nearest(pieces, index))
    alone, its = near.samples()
    one = cells_of(alone, its, np.ones(len(alone), bool))
    assert cells.area.sum() == pytest.approx(2 * one.area.sum())


def test_of_beads_as_near_the_first_counts() -> None:
    """Between two beads of unlike breadth, each as far from the cells between them, the first decides."""
    side = 1.5 / 8
    y = 4.5 * side
    lines = [(0.0, y - 0.3, 6.0, y - 0.3), (0.0, y + 0.3, 6.0, y + 0.3)]
    for order, widths in itertools.product((1, -1), ((0.5, 0.7), (0.7, 0.5))):
        made = Roads()
        for line, width in zip(lines[::order], widths, strict=True):
            made.add([line], width=width)
        pieces, outer = made.samples()
        cells = cells_of(pieces, outer, np.ones(len(pieces), bool))
        between = np.flatnonzero((np.abs(cells.y - y) < 1e-9) & (np.abs(cells.x - 3) < 2.5))
        covered = np.clip((widths[0] / 2 - 0.3) / side + 0.5, 0.0, 1.0)
        assert len(between) > 20
        assert cells.area[between] == pytest.approx(covered * side**2)


def test_a_bead_a_thousand_miles_away_is_near_nobody() -> None:
    """So many tiles away that tiles of two layers have one number."""
    square = Roads().box(0, 0, 6, 3, outer=True, layer=2)
    pieces, outer = square.samples()
    usual = cells_of(pieces, outer, np.ones(len(pieces), bool))
    far = 1_000_000 * TILE_MM
    pieces, outer = square.add([(far + 0.1, 1.0, far + 0.5, 1.0)], layer=1).samples()
    found = cells_of(pieces, outer, pieces.layer == 2)
    assert told(found) == told(usual)
