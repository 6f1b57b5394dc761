"""Loops that are run dry to their start: which moves behind a wall's last bead are the wall's."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gcodetools.toolpath.coasts import coasts_of

RING = [(0.0, 0.0), (20.0, 0.0), (20.0, 20.0), (0.0, 20.0)]
AWAY = "G1 X50 Y50 F9000"


def dry_moves(pen: Any, *behind: str, last: tuple[float, float] = (0.0, 2.5)) -> list[int]:
    """How many moves behind each of three loops are run dry: a plain one, one with `behind` behind it, a plain one."""
    pen.layer(0.2)
    pen.square(100, 100, 20)
    pen.line([*RING, last])
    pen.say(*behind, AWAY)
    pen.square(130, 100, 20)
    plate = pen.plate()
    bead = plate.beads.is_bead
    ends = np.flatnonzero(bead & ~np.append(bead[1:], False))
    coasts = coasts_of(plate)
    found = (coasts.end(ends) - ends).tolist()
    assert [coasts.end_of(row) - row for row in ends.tolist()] == found
    assert found == [len(coasts.behind(row)) - len(coasts.wiped(row)) for row in ends.tolist()]
    return found


def test_straight_to_the_start(pen: Any) -> None:
    assert dry_moves(pen, "G1 X0 Y0") == [0, 1, 0]


def test_around_a_corner_up_to_the_start_and_no_farther(pen: Any) -> None:
    assert dry_moves(pen, "G1 X0 Y20", "G1 X0 Y0", "G1 X5 Y0", last=(1.0, 20.0)) == [0, 0, 0]  # 21 mm of 59
    pen.lines, pen.at = pen.lines[:2], (0.0, 0.0)
    assert dry_moves(pen, "G1 X0 Y1", "G1 X0 Y0", "G1 X5 Y0") == [0, 2, 0]


@pytest.mark.parametrize(
    "behind",
    [
        [],  # it ends short of its start, and goes away
        ["G1 E-0.8", "G1 X0 Y0"],
        ["G1 Z0.6", "G1 X0 Y0"],
        ["G1 X0 Y0 Z0.6"],
        ["G4 P100", "G1 X0 Y0"],
        ["G10", "G1 X0 Y0", "G11"],
        ["G1 X0 Y0.2"],  # never quite there
        ["G1 X-3 Y1.2", "G1 X0 Y0"],  # a way about, longer than any loop is run dry
    ],
)
def test_what_is_none(pen: Any, behind: list[str]) -> None:
    assert dry_moves(pen, *behind) == [0, 0, 0]


def test_a_way_on_which_filament_is_pulled_back_is_told_apart(pen: Any) -> None:
    assert dry_moves(pen, "G1 X0 Y1", "G1 X0 Y0 E-0.5") == [0, 0, 0]
    plate = pen.plate()
    (last,) = np.flatnonzero(plate.beads.is_bead & (plate.moves.x == 0) & (plate.moves.y == 2.5)).tolist()
    coasts = coasts_of(plate)
    assert coasts.wiped(last).tolist() == coasts.behind(last).tolist() == [last + 1, last + 2]
    assert len(coasts.behind(last - 1)) == len(coasts.wiped(last - 1)) == 0


def test_a_gap_as_small_as_a_seam_is_none(pen: Any) -> None:
    assert dry_moves(pen, "G1 X0 Y0", last=(0.0, 0.08)) == [0, 0, 0]


def test_a_wall_partly_over_air_begins_where_its_first_bead_does(pen: Any) -> None:
    pen.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:External perimeter")
    pen.layer(0.2)
    pen.line(RING[:3])
    pen.say(";TYPE:Overhang perimeter")
    pen.lines += ["G1 X0 Y20 E0.7", ";TYPE:External perimeter", "G1 X0 Y2 E0.6", "G1 X0 Y0", AWAY]
    plate = pen.plate()
    coasts = coasts_of(plate)
    last = int(np.flatnonzero(plate.beads.is_bead)[-1])
    assert coasts.last.tolist() == [last] and coasts.stop.tolist() == [last + 1]


def test_nothing_is_run_dry_where_there_is_no_wall(pen: Any) -> None:
    pen.say("G1 X5 Y5 F3000")
    assert len(coasts_of(pen.plate()).last) == 0
