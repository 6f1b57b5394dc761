"""Travels, retractions and lifts that go with the beads they led to, and those that stay."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.toolpath.plate import Plate
from gcodetools.treat.rows import with_useless

HEAD = ["G21", "G90", "M83", ";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Internal infill", "G1 Z.2 F600"]
A, B, C = "G1 X10 Y0 E.4", "G1 X10 Y5 E.4", "G1 X10 Y10 E.4"
FIRST = ["G1 X0 Y0 F6000", A]
LEAVE, LIFT, GO, LOWER, AGAIN = "G1 E-.8 F2100", "G1 Z.6 F600", "G1 X0 Y5 F6000", "G1 Z.2", "G1 E.8 F2100"


def plated(*lines: str) -> Plate:
    return Plate.from_bytes("\n".join([*HEAD, *lines, ""]).encode(), "rows.gcode")


def gone(plate: Plate, *stretches: tuple[int, float, float]) -> list[str]:
    """Texts of the lines that go besides the beads asked for: stretches (bead, t0, t1)."""
    beads = np.flatnonzero(plate.beads.feature != 0)
    row = np.array([beads[k] for k, _, _ in stretches], np.int64)
    t0, t1 = (np.array([s[k] for s in stretches]) for k in (1, 2))
    found, a, b = with_useless(plate, row, t0, t1)
    assert np.all(np.diff(found) >= 0)
    mine = np.isin(found, row)
    assert found[mine].tolist() == row.tolist() and a[mine].tolist() == t0.tolist()
    assert np.all(a[~mine] == 0) and np.all(b[~mine] == 1)
    return [plate.program.lines.text(int(plate.moves.line[k])).decode() for k in found[~mine]]


def test_the_travel_to_a_bead_goes_with_it_and_that_to_the_next_stays():
    assert gone(plated(*FIRST, GO, B, "G1 X0 Y10", C), (1, 0.0, 1.0)) == [GO]


def test_a_bead_of_which_the_head_goes_takes_its_travel_along():
    assert gone(plated(*FIRST, GO, B), (1, 0.0, 0.4)) == [GO]


@pytest.mark.parametrize("stretch", [(1, 0.5, 1.0), (1, 0.25, 0.75)])
def test_a_bead_that_begins_as_before_keeps_its_travel(stretch):
    assert gone(plated(*FIRST, GO, B), stretch) == []


def test_a_retraction_a_lift_and_what_undoes_them_go_together():
    way = [LEAVE, LIFT, GO, LOWER, AGAIN]
    assert gone(plated(*FIRST, *way, B), (1, 0.0, 1.0)) == way


@pytest.mark.parametrize(
    "way",
    [
        [LEAVE, GO],  # pulled back, and not pushed again
        [LEAVE, GO, "G1 E.5 F2100"],
        [LIFT, GO],  # higher than before
        [GO, "G4 P100"],
        [GO, "M600"],
        [GO, "T0"],
        [GO, "G28 X"],
        ["G10", GO],
        [GO, "G11"],
        [GO, "G1 F3000 # odd"],
        [GO, "EXCLUDE_OBJECT_START NAME=b"],
        [";LAYER_CHANGE", ";Z:0.4", "G1 Z.4", GO],
    ],
)
def test_ways_that_leave_something_else_stay(way):
    assert gone(plated(*FIRST, *way, B, "G1 X0 Y10", C), (1, 0.0, 1.0)) == []


@pytest.mark.parametrize("line", ["M106 S100", "M204 S500", "M73 P5", "; comment", "M117 at 5"])
def test_commands_of_printing_between_do_not_keep_a_way(line):
    assert gone(plated(*FIRST, line, GO, B), (1, 0.0, 1.0)) == [GO]


def test_firmware_retraction_counts_by_pairs():
    assert gone(plated(*FIRST, "G10", GO, "G11", B), (1, 0.0, 1.0)) == ["G10", GO, "G11"]


def test_beads_that_go_one_after_the_other_are_one_chain():
    """Pulled back before the first, pushed before the second: together they leave nothing."""
    lines = [*FIRST, LEAVE, GO, B, "G1 X0 Y10", AGAIN, C]
    assert gone(plated(*lines), (1, 0.0, 1.0), (2, 0.0, 1.0)) == [LEAVE, GO, "G1 X0 Y10", AGAIN]
    assert gone(plated(*lines), (1, 0.0, 1.0)) == []
    assert gone(plated(*lines), (1, 0.0, 1.0), (2, 0.5, 1.0)) == []


def test_a_chain_ends_with_a_bead_of_which_only_the_head_goes():
    lines = [*FIRST, GO, B, "G1 X0 Y10", C, "G1 X0 Y15", "G1 X10 Y15 E.4"]
    assert gone(plated(*lines), (1, 0.0, 1.0), (2, 0.0, 0.5), (3, 0.0, 1.0)) == [GO, "G1 X0 Y10", "G1 X0 Y15"]


def test_a_chain_that_may_not_go_takes_none_with_it_and_keeps_none_else():
    lines = [*FIRST, LEAVE, GO, B, AGAIN, "G1 X0 Y10", C, "G1 X0 Y15", "G1 X10 Y15 E.4"]
    assert gone(plated(*lines), (1, 0.0, 1.0), (3, 0.0, 1.0)) == ["G1 X0 Y15"]


def test_a_macro_keeps_its_own_moves_and_none_behind_the_next_bead():
    """As where a picture is taken between the walls and the fill of an island."""
    macro = ["M622 J1", "G1 X0 F18000", "M400", "M623"]
    lines = [*FIRST, LEAVE, LIFT, *macro, GO, LOWER, AGAIN, B, "G1 X0 Y10", C, LEAVE, "G1 X0 Y15", AGAIN]
    chain = [(1, 0.0, 1.0), (2, 0.0, 1.0), (3, 0.0, 0.5)]
    assert gone(plated(*lines, "G1 X10 Y15 E.4"), *chain) == ["G1 X0 Y10", LEAVE, "G1 X0 Y15", AGAIN]
    # What the moves behind it leave still counts.
    assert gone(plated(*lines[:-1], "G1 X10 Y15 E.4"), *chain) == []


def test_moves_on_which_a_wall_is_run_dry_are_the_walls():
    """Without them its loop would stay open by what they close; what leads on from there goes all the same."""
    ring = ["G1 X0 Y0 F6000", "G1 X20 Y0 E.8", "G1 X20 Y20 E.8", "G1 X0 Y20 E.8", "G1 X0 Y2 E.72"]
    wall = [";TYPE:Perimeter", *ring, "G1 X0 Y0 F1200", ";TYPE:Internal infill"]
    assert gone(plated(*wall, LEAVE, GO, AGAIN, B, "G1 X0 Y10", C), (4, 0.0, 1.0)) == [LEAVE, GO, AGAIN]


def test_what_leads_to_the_first_bead_of_all_stays():
    assert gone(plated(*FIRST, GO, B), (0, 0.0, 1.0)) == []


def test_touching_stretches_of_a_bead_are_one():
    plate = plated(*FIRST, GO, B)
    bead = int(np.flatnonzero(plate.beads.feature != 0)[1])
    row, t0, t1 = with_useless(
        plate, np.array([bead] * 3, np.int64), np.array([0.0, 0.3, 0.7]), np.array([0.4, 0.6, 1.0])
    )
    assert row.tolist() == [bead - 1, bead, bead]
    assert t0.tolist() == [0.0, 0.0, 0.7] and t1.tolist() == [1.0, 0.6, 1.0]


def test_nothing_goes_with_nothing():
    none = np.empty(0, np.int64)
    row, t0, t1 = with_useless(plated(*FIRST), none, np.empty(0), np.empty(0))
    assert len(row) == len(t0) == len(t1) == 0


@given(st.lists(st.booleans(), min_size=2, max_size=12), st.lists(st.booleans(), min_size=12, max_size=12))
def test_filament_height_and_the_place_of_what_stays_are_kept(whole, pulls):
    """Whatever goes: without it each bead that stays begins at its own height, with nothing pulled back."""
    lines = list(FIRST)
    for k in range(len(whole)):
        y = 5.0 * (k + 1)
        way = [f"G1 X0 Y{y:g} F6000"]
        lines += [LEAVE, LIFT, *way, LOWER, AGAIN] if pulls[k] else way
        lines.append(f"G1 X10 Y{y:g} E.4")
    plate = plated(*lines)
    beads = np.flatnonzero(plate.beads.feature != 0)
    rows = beads[1:][np.array(whole)]
    found, _, _ = with_useless(plate, rows.astype(np.int64), np.zeros(len(rows)), np.ones(len(rows)))
    stays = np.setdiff1d(np.arange(len(plate.moves)), found)
    net = 0.0
    for row in stays.tolist():
        if plate.beads.feature[row]:
            assert abs(net) < 1e-9 and plate.moves.z[row] == 0.2
        else:
            net += float(plate.moves.e[row])
    led = beads[1:][np.array(whole)] - 1
    assert set(led.tolist()) <= set(found.tolist())
