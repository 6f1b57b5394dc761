"""Where the nozzle stands elsewhere than in the file, and which pieces may begin anywhere."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay import Sheet, drawn, replay, run_of, squares, without

from gcodetools.edit.displaced import displaced, ends_of
from gcodetools.edit.draft import Draft

HEAD = ["G21", "G90", "M83", ";TYPE:Perimeter", "G1 Z0.2 F600", "G1 X0 Y0 F6000"]


def rows_of(plate):
    return np.flatnonzero(plate.beads.feature != 0)


def plated(plate_of, *lines):
    return plate_of("\n".join([*HEAD, *lines]) + "\n")


def test_nothing_is_displaced_in_a_draft_without_removals_and_runs(plate_of):
    found = displaced(Draft.of(plated(plate_of, "G1 X10 E.4", "G1 Y10 E.4")))
    assert len(found.piece) == len(found.here) == len(found.free) == 0


def test_behind_a_removed_head_the_piece_begins_elsewhere_and_must_be_reached(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4")
    draft = without(plate, [(int(rows_of(plate)[1]), 0.0, 0.3)])
    found = displaced(draft)
    assert len(found.piece) == 1
    assert draft.t0[found.piece[0]] == 0.3
    assert found.here.tolist() == [[10, 0]] and found.there == pytest.approx(np.array([[10, 3]]))
    assert found.end.tolist() == [[10, 10]]
    assert not found.free[0] and not found.pulled[0]
    assert draft.row[found.since[0]] == rows_of(plate)[0]


def test_behind_a_removed_tail_the_next_move_begins_elsewhere(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4")
    found = displaced(without(plate, [(int(rows_of(plate)[1]), 0.6, 1.0)]))
    assert found.here == pytest.approx(np.array([[10, 6]])) and found.there.tolist() == [[10, 10]]


def test_a_chain_of_removed_beads_displaces_only_the_move_behind_it(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4", "G1 X0 Y5 E.2")
    draft = without(plate, [(int(k), 0.0, 1.0) for k in rows_of(plate)[1:3]])
    found = displaced(draft)
    assert draft.row[found.piece].tolist() == [rows_of(plate)[3]]
    assert found.here.tolist() == [[10, 0]] and found.there.tolist() == [[0, 10]]


@pytest.mark.parametrize(
    ("line", "free"),
    [
        ("G1 X0 Y10", True),
        ("G0 X0 Y10 F9000", True),
        ("G1 X0", False),  # Y would be where the new beads end
        ("G1 Y3", False),
        ("G1 X0 Y10 E.4", False),  # a bead
        ("G1 X0 Y10 E-.4", True),  # a wipe may begin anywhere
        ("G2 X0 Y10 I-5 J0", False),  # an arc is another one from elsewhere
        ("G1 X0 Y10 Z.6", True),
    ],
)
def test_a_travel_that_names_x_and_y_may_begin_anywhere(plate_of, line, free):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", line, "G1 X20 Y20 E1")
    found = displaced(without(plate, [(int(rows_of(plate)[1]), 0.0, 1.0)]))
    assert found.free.tolist()[:1] == [free]


def test_a_travel_in_relative_coordinates_may_not(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G91", "G1 X-10 Y-5", "G90", "G1 X20 Y20 E1")
    found = displaced(without(plate, [(int(rows_of(plate)[1]), 0.0, 1.0)]))
    assert not found.free[0] and found.there.tolist() == [[10, 10]] and found.end.tolist() == [[0, 5]]


def test_a_line_that_named_the_place_where_it_stood_now_moves_there(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X10 Y10 Z.6", "G1 X5 Y5", "G1 X20 E1")
    draft = without(plate, [(int(rows_of(plate)[1]), 0.0, 1.0)])
    found = displaced(draft)
    assert draft.row[found.piece].tolist() == [rows_of(plate)[1] + 1]
    assert found.here.tolist() == [[10, 0]] and found.there.tolist() == [[10, 10]] and found.free[0]


def test_of_many_gaps_before_one_move_the_next_line_that_names_a_place_moves(plate_of):
    """Beads in and out of the draft by turns, with lines between them that name no place, one or both."""
    rng = np.random.default_rng(4)
    here = ["G1 F900", "G1 Z.6", "G1 X10 Y10 Z.6", "G1 X10 F1200"]
    for _ in range(20):
        lines = ["G1 X10 Y0 E.4", "G1 X10 Y10 E.4"]
        for _ in range(12):
            lines += [*rng.choice(here, rng.integers(0, 3)).tolist(), "G1 X14 Y10 E.1", "G1 X10 Y10 E.1"]
        plate = plated(plate_of, *lines, "G1 X5 Y5", "G1 X20 E1")
        gone = rows_of(plate)[1:-1]
        found = displaced(without(plate, [(int(k), 0.0, 1.0) for k in gone]))
        text = [plate.program.lines.text(int(n)).decode() for n in plate.program.moves.line]
        named = [k for k in range(int(gone[0]) + 1, len(text)) if k not in gone and set(text[k]) & set("XY")]
        assert found.piece.tolist()[:1] == named[:1]


def test_lines_before_a_far_move_are_asked_once_however_many_gaps_lie_before_it(plate_of, monkeypatch):
    module = sys.modules["gcodetools.edit.displaced"]
    asked, words = [], module.line_words
    monkeypatch.setattr(
        module, "line_words", lambda lines, of, letters: asked.append(len(of)) or words(lines, of, letters)
    )
    lines = ["G1 X10 Y0 E.4", *["G1 X14 Y10 E.1", "G1 F900", "G1 X10 Y10 E.1"] * 100, "G1 X5 Y5", "G1 X20 E1"]
    plate = plated(plate_of, *lines)
    displaced(without(plate, [(int(k), 0.0, 1.0) for k in rows_of(plate)[1:-1]]))
    assert max(asked) <= len(lines)


def test_behind_a_run_the_next_move_begins_where_it_ends(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X0 Y10")
    draft = Draft.of(plate)
    draft.runs.append(run_of(int(rows_of(plate)[0]) + 1, [(9, 1), (5, 1, 0.1)], 0.2))
    found = displaced(draft)
    assert draft.row[found.piece].tolist() == [rows_of(plate)[1]]
    assert found.here.tolist() == [[5, 1]] and found.there.tolist() == [[10, 0]]


def test_a_run_that_ends_where_the_file_goes_on_displaces_nothing(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X0 Y10")
    draft = Draft.of(plate)
    draft.runs.append(run_of(int(rows_of(plate)[0]) + 1, [(9, 1), (10, 0, 0.1)], 0.2))
    assert len(displaced(draft).piece) == 0


def test_the_last_of_runs_before_one_piece_counts(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", "G1 X0 Y10")
    draft = Draft.of(plate)
    row = int(rows_of(plate)[0]) + 1
    draft.runs += [run_of(row, [(9, 1, 0.1)], 0.2), run_of(row, [(7, 2, 0.1)], 0.2)]
    assert displaced(draft).here.tolist() == [[7, 2]]


@pytest.mark.parametrize(
    ("before", "pulled"),
    [
        (["G1 E-.8"], True),
        (["G1 E-.8", "G1 E.8"], False),
        (["G1 E-.005"], False),  # what rounding leaves
        (["G10"], True),
        (["G10", "G11"], False),
        ([], False),
    ],
)
def test_whether_filament_is_pulled_back_where_a_piece_begins(plate_of, before, pulled):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", *before, "G1 X0 Y0", "G1 X20 Y20 E1")
    found = displaced(without(plate, [(int(rows_of(plate)[1]), 0.0, 1.0)]))
    assert found.pulled.tolist()[:1] == [pulled]


def test_a_place_on_an_arc_is_on_its_circle(plate_of):
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G3 X0 Y10 I-10 J0 E.4", "G1 X0 Y0")
    draft = without(plate, [(int(rows_of(plate)[1]), 0.0, 1 / 3)])
    found = displaced(draft)
    # A third of a quarter turn about the origin: 30 degrees.
    assert found.there == pytest.approx(10 * np.array([[np.sqrt(3) / 2, 0.5]]), abs=1e-6)
    begin, end = ends_of(draft, found.piece)
    assert begin == pytest.approx(found.there) and end == pytest.approx(np.array([[0, 10]]), abs=1e-9)


@pytest.mark.parametrize("options", [{}, {"relative": False}, {"shift": (5.0, -3.0)}, {"inches": True}])
def test_hops_to_all_that_is_not_free_leave_nothing_displaced_that_must_not_be(options):
    plate = squares(Sheet(**options)).plate()

    @settings(max_examples=10)
    @given(st.integers(0, 2**32))
    def settled(seed):
        found = displaced(drawn(plate, seed))
        assert np.all(found.free)

    settled()


def test_where_a_nozzle_really_stands_is_what_is_told(write):
    """Against the interpreter: without hops, each displaced move of the file begins where `here` says."""
    plate = squares(Sheet()).plate()
    for seed in range(12):
        draft = drawn(plate, seed, settings=False)
        found = displaced(draft)
        begins = {s.tag: s.begin[:2] for s in replay(write(draft).output) if s.tag is not None}
        for piece, here in zip(found.piece.tolist(), found.here.tolist(), strict=True):
            assert begins[int(draft.row[piece])] == pytest.approx(here, abs=1e-3)


@pytest.mark.parametrize(("lift", "stays"), [([], False), (["G1 Z.6"], True)])
def test_a_run_that_goes_back_displaces_only_what_stays_before_its_end(plate_of, lift, stays):
    """Where all between went, nothing is left that stands elsewhere: a record had said so of hundreds of beads."""
    plate = plated(plate_of, "G1 X10 Y0 E.4", "G1 X10 Y10 E.4", *lift, "G1 X0 Y10 E.4")
    gone, behind = int(rows_of(plate)[1]), int(rows_of(plate)[2])
    draft = without(plate, [(gone, 0.0, 1.0)])
    draft.runs.append(run_of(behind, [(5, 5, 0.1), (10, 10)], 0.2, early=False))
    assert len(displaced(draft).piece) == 0
    assert draft.row[displaced(draft, returned=True).piece].tolist() == [behind]
    found = displaced(draft, returned=True, staying=True)
    assert draft.row[found.piece].tolist() == [behind] * stays
