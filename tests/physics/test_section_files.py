"""Sections of real files: numbers that can be worked out beside them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gcodetools.physics import walls
from gcodetools.physics.pieces import Samples, divide_rows, samples_of
from gcodetools.physics.section import bead_moments_mm4
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

OWN = ("outermost", "perimeter", "solid", "sparse", "bridge", "overhang", "gap")


def pieces_of(path: Path) -> tuple[Samples, np.ndarray]:
    plate = Plate.read(path)
    beads, moves = plate.beads, plate.program.moves
    row = np.flatnonzero(np.isin(beads.feature, [FEATURE_INDEX[w] for w in OWN]) & (beads.layer >= 0))
    row = row[beads.layer[row] < 40]
    n, length = len(row), beads.length_mm[row]
    cut = divide_rows(moves, plate.program.arcs, row, np.zeros(n), np.ones(n), length)
    thin = [FEATURE_INDEX[w] for w in ("sparse", "bridge")]
    made = samples_of(
        cut,
        row=row,
        width_mm=beads.width[row],
        height_mm=beads.height[row],
        top_mm=moves.z[row],
        layer=beads.layer[row],
        begin_s=np.arange(n, dtype=np.float64),
        seconds=np.ones(n),
        solid=~np.isin(beads.feature[row], thin),
        owner=np.zeros(n, np.int64),
    )
    return made, np.isin(beads.feature[made.row], [FEATURE_INDEX["outermost"]])


def test_a_vase_is_a_wall_of_one_bead(samples: Path) -> None:
    pieces, outer = pieces_of(samples / "E1-vase.gcode")
    high = pieces.layer > 5
    got = walls.typical(walls.walls(pieces, outer, high))
    assert got is not None and got.kept > 0.95
    width, height = np.median(pieces.width_mm[high]), np.median(pieces.height_mm[high])
    assert got.thickness_mm.median == pytest.approx(width, rel=1e-3)
    alone = bead_moments_mm4(np.array([width]), np.array([height]))[1][0] / (height * width**3 / 12)
    assert got.ei_share.median == pytest.approx(alone, rel=1e-3)


@pytest.mark.parametrize("name", ["D-part.gcode", "C-arcs.gcode", "I-no-marks.gcode"])
def test_walls_of_files_are_closed_and_nearly_full(samples: Path, name: str) -> None:
    pieces, outer = pieces_of(samples / name)
    found = walls.walls(pieces, outer, np.ones(len(pieces), bool), max_mm=3.0)
    got = walls.typical(found)
    assert got is not None and got.stations > 300
    assert found.open_ < 0.06 * found.asked
    # Walls of a few perimeters: some plastic is missing between round edges, none is there twice.
    assert 0.85 < got.fill.lowest_decile <= got.fill.median < 1.03
    assert 0.6 < got.ei_share.lowest_decile <= got.ei_share.median <= 1.0
    assert np.all(found.sliding_share <= found.ei_share + 1e-12)
    assert np.all((found.shear >= 0) & (found.shear <= 1))


def test_a_file_turned_has_the_same_walls(samples: Path) -> None:
    pieces, outer = pieces_of(samples / "D-part.gcode")
    c, s = np.cos(0.7), np.sin(0.7)
    columns = {name: getattr(pieces, name) for name in pieces.__slots__}
    columns["x_mm"], columns["y_mm"] = c * pieces.x_mm - s * pieces.y_mm, s * pieces.x_mm + c * pieces.y_mm
    columns["ux"], columns["uy"] = c * pieces.ux - s * pieces.uy, s * pieces.ux + c * pieces.uy
    every = np.ones(len(pieces), bool)
    a, b = (
        walls.typical(walls.walls(pieces, outer, every)),
        walls.typical(walls.walls(Samples(**columns), outer, every)),
    )
    assert a is not None and b is not None
    assert b.thickness_mm.median == pytest.approx(a.thickness_mm.median, rel=1e-6)
    assert b.ei_share.median == pytest.approx(a.ei_share.median, rel=1e-3)
