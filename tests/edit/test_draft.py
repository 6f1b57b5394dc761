"""A draft that changes nothing, and where moves are cut."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit import draft as draft_of
from gcodetools.edit.draft import Draft, cuttable
from gcodetools.edit.treated import emit

HEAD = "G21\nG90\nM83\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 Z0.2 F600\nG1 X0 Y0 F6000\n"
LAID = HEAD + "G1 X10 Y0 E0.4 F1800\nG1 X10 Y10 E0.4\nG1 X0 Y10 E0.4\n"


def last_beads(plate):
    return np.flatnonzero(plate.beads.feature != 0)


def test_nothing_wanted_gives_the_very_input_on_every_sample(sample):
    treated = emit(
        Draft.of(sample), ooze_mm=1.0, bed=None, record=(0, lambda unrested: b"; beadwright record 1\n")
    )
    assert treated.output is sample.program.lines.data
    assert treated.audit().differing == 0
    assert treated.changes == ()


@pytest.mark.every(1)
@pytest.mark.parametrize("convention", ["A", "B", "C", "D", "E0", "G", "H", "I", "J"])
@pytest.mark.parametrize("relative", [True, False])
def test_nothing_wanted_gives_the_very_input_on_made_plates(demo, convention, relative):
    plate = demo(convention, relative_e=relative)
    assert emit(Draft.of(plate), ooze_mm=1.0, bed=None).output is plate.program.lines.data


def test_values_that_the_file_has_already_change_nothing(demo):
    plate = demo("B")
    draft = Draft.of(plate)
    moves, states = plate.program.moves, plate.program.states
    draft.feed[:] = moves.f[draft.row]
    draft.flow[:] = 1.0
    draft.accel[:] = states.accel.at(moves.line)[draft.row]
    draft.fan = states.fan.at(moves.line)
    draft.nozzle_c = states.nozzle[0].at(moves.line)
    assert emit(draft, ooze_mm=1.0, bed=None).output is plate.program.lines.data


@pytest.mark.parametrize(
    ("feeds", "begins", "ends"),
    [
        ([20, 20, 20, 20], [0.0], [1.0]),
        ([20, 20, 25, 25], [0.0, 0.6], [0.6, 1.0]),
        ([20, 25, 25, 25], [0.0, 0.2], [0.2, 1.0]),
        ([20, 25, 25, 20], [0.0, 0.2, 0.8], [0.2, 0.8, 1.0]),
        ([20, 25, 20, 25], [0.0, 0.2, 0.6, 0.8], [0.2, 0.6, 0.8, 1.0]),
        ([np.nan, 30, 30, 20], [0.0, 0.8], [0.8, 1.0]),
        ([30, np.nan, 20, np.nan], [0.0, 0.6, 0.8], [0.6, 0.8, 1.0]),
    ],
)
def test_pieces_that_want_the_same_are_joined_to_the_end_of_the_last(plate_of, feeds, begins, ends):
    """30 mm/s is the file's own feed, as is no wish at all; another cut row stands behind."""
    plate = plate_of(LAID)
    bead, _, other = last_beads(plate).tolist()
    draft = Draft.of(plate, np.array([bead, bead, bead, other]), np.array([0.2, 0.6, 0.8, 0.5]))
    draft.feed[draft.row == bead] = feeds
    draft.feed[draft.row == other] = [25.0, 30.0]
    draft.join_alike()
    mine = draft.row == bead
    assert (draft.t0[mine].tolist(), draft.t1[mine].tolist()) == (begins, ends)
    assert draft.t1[draft.row == other].tolist() == [0.5, 1.0]
    assert np.isnan(draft.feed[draft.row == other][1])
    assert draft.first.tolist() == [*np.flatnonzero(draft.t0 == 0.0), len(draft.row)]


def test_every_piece_of_a_cut_row_is_there_once_and_in_order(plate_of):
    plate = plate_of(LAID)
    bead = int(last_beads(plate)[0])
    draft = Draft.of(plate, np.array([bead, bead]), np.array([0.7, 0.3]))
    mine = draft.row == bead
    assert draft.t0[mine].tolist() == [0.0, 0.3, 0.7]
    assert draft.t1[mine].tolist() == [0.3, 0.7, 1.0]
    assert len(draft.row) == len(plate.moves) + 2
    assert draft.length_mm(np.flatnonzero(mine)) == pytest.approx([3.0, 4.0, 3.0])


@pytest.mark.parametrize(
    ("cuts", "kept"),
    [
        ([0.049], []),  # 0.49 mm from the start of a move of 10 mm
        ([0.05], [0.05]),
        ([0.951], []),
        ([0.95], [0.95]),
        ([0.4, 0.44], [0.4]),
        ([0.4, 0.4501], [0.4, 0.4501]),
        ([0.4, 0.44, 0.48], [0.4, 0.48]),
        ([0.0, 1.0], []),
    ],
)
def test_no_piece_is_shorter_than_half_a_millimetre(plate_of, cuts, kept):
    plate = plate_of(LAID)
    bead = int(last_beads(plate)[0])
    draft = Draft.of(plate, np.full(len(cuts), bead), np.array(cuts))
    assert draft.t0[draft.row == bead].tolist() == pytest.approx([0.0, *kept])
    assert draft.length_mm(np.flatnonzero(draft.row == bead)).min() >= 0.5 - 1e-9


def test_no_piece_has_less_than_twenty_units_of_filament(plate_of):
    plate = plate_of(LAID.replace("E0.4 F1800", "E0.00038 F1800"))
    bead = int(last_beads(plate)[0])
    thin = Draft.of(plate, np.array([bead]), np.array([0.5]))  # 19 units a half, at five decimals
    assert np.count_nonzero(thin.row == bead) == 1
    plate = plate_of(LAID.replace("E0.4 F1800", "E0.00042 F1800"))
    assert np.count_nonzero(Draft.of(plate, np.array([bead]), np.array([0.5])).row == bead) == 2


def test_a_piece_belongs_by_its_midpoint(plate_of):
    plate = plate_of(LAID)
    bead = int(last_beads(plate)[0])
    draft = Draft.of(plate, np.array([bead]), np.array([0.5]))
    first = int(np.flatnonzero(draft.row == bead)[0])
    assert draft.pieces_in(np.array([bead]), np.array([0.25]), np.array([0.74])).tolist() == [first]
    assert draft.pieces_in(np.array([bead]), np.array([0.26]), np.array([0.75])).tolist() == [first + 1]
    assert draft.pieces_in(np.array([bead]), np.array([0.26]), np.array([0.74])).tolist() == []
    assert draft.pieces_in(np.array([bead, bead]), np.array([0.0, 0.5]), np.array([0.5, 1.0])).tolist() == [
        first,
        first + 1,
    ]


def test_only_beads_are_cut_and_the_outermost_only_when_named(demo):
    plate = demo("B", arcs=False)
    rows = np.arange(len(plate.moves))
    feature = plate.beads.feature
    assert not np.any(cuttable(plate, rows, True)[feature == 0])
    assert not np.any(cuttable(plate, rows, False)[feature == 1])
    assert np.all(cuttable(plate, rows, True)[feature == 1])


def test_a_start_that_heats_by_a_macro_ends_at_the_first_bead_however_late(plate_of, monkeypatch):
    """A command of 0 before it leaves the heating to the macro; one behind it turns the nozzle off."""
    monkeypatch.setattr(draft_of, "_ROWS", 3)
    travels = "".join(f"G1 X{k} Y{k} F6000\n" for k in range(20))
    plate = plate_of(
        travels + "M104 S0\n" + travels + ";TYPE:Perimeter\nG1 X50 Y50 E1 F1200\nG1 X60 E1\nM104 S0\n"
    )
    draft = Draft.of(plate)
    draft.base_nozzle_c = 233.0
    assert draft.nozzle_track(0).value.tolist() == [233.0, 0.0]
    bare = Draft.of(plate_of(travels + "M104 S0\n" + travels))
    bare.base_nozzle_c = 233.0
    assert bare.nozzle_track(0).value.tolist() == [0.0]
