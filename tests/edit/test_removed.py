"""Moves left out and cut: pieces, lines, feeds and counters behind them, and what is told of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay import SPARSE, Sheet, drawn, replay, run_of, squares, with_hops, without

from gcodetools.edit.draft import Draft, pieces_of
from gcodetools.gcode.program import ARC
from gcodetools.toolpath.plate import Plate

HEAD = ["G21", "G90", "M83", ";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter", "G1 Z0.2 F600",
        "G1 X0 Y0 F6000"]  # fmt: skip
ABSOLUTE = ["M82" if line == "M83" else line for line in HEAD]


def plated(lines, head=HEAD, newline="\n", end=True) -> Plate:
    text = newline.join([*head, *lines]) + (newline if end else "")
    return Plate.from_bytes(text.encode(), "tiny.gcode")


def beads_of(plate):
    return np.flatnonzero(plate.beads.feature != 0)


def left(write, plate, stretches, hops=True, **wanted):
    """The lines below the head with stretches (bead, t0, t1) removed; wanted: {column: {row: value}}."""
    rows = beads_of(plate)
    draft = without(plate, [(int(rows[k]), a, b) for k, a, b in stretches])
    for column, values in wanted.items():
        for k, value in values.items():
            getattr(draft, column)[draft.row == rows[k]] = value
    treated = write(with_hops(draft) if hops else draft)
    return treated.output.decode().splitlines()[len(HEAD) :]


# What is cut, and what is kept of it.


def test_a_whole_move_s_line_is_left_out_and_nothing_else():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4 ; gone", "; stays", "G1 X0 Y10"])
    draft = without(plate, [(int(beads_of(plate)[1]), 0.0, 1.0)])
    assert draft.removed is not None and draft.row[draft.removed].tolist() == [beads_of(plate)[1]]
    assert np.all(draft.flow[draft.removed] == 0.0)


def test_lines_below_and_above_what_is_left_out_are_copied(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4 ; gone", "; stays", "M117 too", "G1 X0 Y10"]
    assert left(write, plated(lines), [(1, 0.0, 1.0)]) == [lines[0], *lines[2:]]


@pytest.mark.parametrize("word", ["G10", "G10 S1", "G11", "G4 P20"])
@pytest.mark.parametrize("head", [HEAD, ABSOLUTE], ids=["relative", "absolute"])
def test_a_feed_that_goes_with_its_bead_is_said_before_what_takes_none(write, word, head):
    """A bare G10 pulls back; with other words it sets offsets or temperatures (RS274/NGC, G10), so no F on it."""
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8 F2400", "; stays", word, "M117 a", "G1 X0 Y10"]
    got = left(write, plated(lines, head), [(1, 0.0, 1.0)])
    assert [line for line in got if not line.startswith("G92")] == [
        lines[0], "; stays", "G1 F2400", *lines[3:],
    ]  # fmt: skip


@pytest.mark.parametrize("early", [True, False])
@pytest.mark.parametrize("word", ["G10", "G4 P20"])
def test_behind_a_run_a_feed_is_said_before_what_takes_none(write, word, early):
    """As a retraction behind an object's end, where the run lies before it and the fill has gone."""
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4 F2400", word, "G1 Z.6 F720", "G1 X0 Y10 F7800"]
    plate = plated(lines)
    gone = int(beads_of(plate)[1])
    draft = without(plate, [(gone, 0.0, 1.0)])
    draft.runs.append(run_of(gone + 1, [(8, 1), (2, 1, 0.2)], 0.2, early=early))
    steps = replay(write(with_hops(draft)).output)
    assert [s.text for s in steps].count(word) == 1
    assert next(s.feed for s in steps if s.text == word) == pytest.approx(40.0)


def test_a_removed_head_begins_with_a_hop_and_ends_on_the_file_s_line(write):
    lines = ["G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.4 ; wall", "G1 X0 Y10"]
    assert left(write, plated(lines), [(1, 0.0, 0.25)]) == [
        lines[0],
        "G1 X10.000 Y2.500 F6000",
        "G1 X10 Y10 E0.30000 F1800 ; wall",
        lines[2],
    ]


def test_a_removed_tail_ends_on_a_line_of_ours(write):
    lines = ["G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.4 ; wall", "G1 X0 Y0"]
    assert left(write, plated(lines), [(1, 0.75, 1.0)]) == [
        lines[0],
        "G1 X10.000 Y7.500 E0.30000",
        lines[2],
    ]


def test_a_removed_middle_leaves_both_ends_with_a_hop_between(write):
    lines = ["G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.4", "G1 X0 Y0"]
    assert left(write, plated(lines), [(1, 0.25, 0.5)]) == [
        lines[0],
        "G1 X10.000 Y2.500 E0.10000",
        "G1 X10.000 Y5.000 F6000",
        "G1 X10 Y10 E0.20000 F1800",
        lines[2],
    ]


def test_a_line_without_a_line_end_may_be_the_one_left_out(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4"]
    assert left(write, plated(lines, end=False), [(1, 0.0, 1.0)]) == lines[:1]


def test_a_line_without_a_line_end_may_be_cut(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4"]
    got = left(write, plated(lines, end=False, newline="\r\n"), [(1, 0.25, 0.5)])
    assert got == [
        lines[0],
        "G1 X10.000 Y2.500 E0.10000",
        "G1 X10.000 Y5.000 F6000",
        "G1 X10 Y10 E0.20000 F1800",
    ]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("head", [HEAD, ABSOLUTE])
def test_a_byte_order_mark_and_line_ends_stay(write, newline, head):
    text = newline.join([*head, "G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8", "G1 X0 Y0", "G1 X5 Y5 E1"])
    plate = Plate.from_bytes(b"\xef\xbb\xbf" + text.encode(), "bom.gcode")
    draft = without(plate, [(int(beads_of(plate)[0]), 0.0, 1.0), (int(beads_of(plate)[1]), 0.0, 0.5)])
    output = write(with_hops(draft)).output
    assert output.startswith(b"\xef\xbb\xbf") and not output.endswith(b"\n")
    assert output.count(newline.encode()) == output.count(b"\n")


@pytest.mark.parametrize("relative", [True, False])
def test_a_cut_at_an_exact_place_leaves_exactly_that(write, relative):
    """Cuts wanted elsewhere give way near a corner; exact ones never do."""
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8"], HEAD if relative else ABSOLUTE)
    row = int(beads_of(plate)[1])
    near = np.array([0.01, 0.5, 0.52])  # 0.1 mm from the corner, and 0.2 mm from each other
    rows = np.full(3, row)
    _, t0, _ = pieces_of(plate, rows, near)
    assert t0[t0 > 0].tolist() == [0.5]
    _, t0, t1 = pieces_of(plate, None, None, (rows, near))
    assert t0[t0 > 0].tolist() == near.tolist() and t1[t1 < 1].tolist() == near.tolist()


def test_a_wanted_cut_right_before_an_exact_one_gives_way():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4"])
    row = np.array([beads_of(plate)[1]])
    _, t0, _ = pieces_of(plate, row, np.array([0.48]), (row, np.array([0.5])))
    assert t0[t0 > 0].tolist() == [0.5]
    _, t0, _ = pieces_of(plate, row, np.array([0.3]), (row, np.array([0.5])))
    assert t0[t0 > 0].tolist() == [0.3, 0.5]


@settings(max_examples=25)
@given(st.lists(st.floats(0.0, 1.0), max_size=6), st.lists(st.floats(0.01, 0.99), min_size=1, max_size=4))
def test_pieces_tile_their_move_and_hold_all_exact_cuts(wanted, exact):
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4"])
    row = int(beads_of(plate)[1])
    exact = sorted(set(exact))
    rows, t0, t1 = pieces_of(
        plate, np.full(len(wanted), row), np.array(wanted), (np.full(len(exact), row), np.array(exact))
    )
    mine = rows == row
    assert t0[mine][0] == 0.0 and t1[mine][-1] == 1.0
    assert np.array_equal(t0[mine][1:], t1[mine][:-1])
    assert set(exact) <= set(t0[mine].tolist())
    assert np.all((t0[~mine] == 0) & (t1[~mine] == 1))


def test_a_line_with_characters_of_no_word_is_never_removed():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4 # odd", "G1 X0 Y10 E.4"])
    assert len(plate.program.odd) == 1
    draft = without(plate, [(int(k), 0.0, 1.0) for k in beads_of(plate)])
    assert draft.row[draft.removed].tolist() == [beads_of(plate)[k] for k in (0, 2)]


def test_pieces_that_are_removed_are_of_no_region():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4"])
    rows = beads_of(plate)
    draft = without(plate, [(int(rows[1]), 0.0, 0.5)])
    found = draft.pieces_in(rows, np.zeros(3), np.ones(3))
    assert draft.row[found].tolist() == rows.tolist()
    assert draft.t0[found].tolist() == [0.0, 0.5, 0.0]


def test_pieces_beside_a_removed_one_are_not_joined_to_it():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4"])
    draft = without(plate, [(int(beads_of(plate)[1]), 0.0, 0.5)])
    pieces = len(draft.row)
    draft.join_alike()
    assert len(draft.row) == pieces


def test_pieces_that_want_the_same_are_joined_unless_a_run_stands_between():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4"])
    row = int(beads_of(plate)[1])
    draft = Draft.of(plate, np.array([row]), np.array([0.5]))
    draft.runs.append(run_of(row, [(5, 5)], 0.2, t0=0.5, early=False))
    pieces = len(draft.row)
    draft.join_alike()
    assert len(draft.row) == pieces
    draft.runs.clear()
    draft.join_alike()
    assert len(draft.row) == pieces - 1


def test_a_run_finds_its_piece_by_the_nearest_cut():
    plate = plated(["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4"])
    row = int(beads_of(plate)[1])
    draft = without(plate, [(row, 0.0, 1 / 3), (row, 2 / 3, 1.0)])
    draft.runs += [run_of(row, [(1, 1)], 0.2, t0=t, early=False) for t in (0.0, 1 / 3 + 1e-13, 2 / 3)]
    at = draft.run_pieces()
    assert draft.t0[at].tolist() == [0.0, 1 / 3, 2 / 3] and set(draft.row[at].tolist()) == {row}


# Feeds.


def test_behind_a_removed_line_that_set_the_feed_the_next_says_it(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4 F1200", "G1 X0 Y10 E.4", "G1 X0 Y0 E.4"]
    assert left(write, plated(lines), [(1, 0.0, 1.0)]) == [
        lines[0],
        "G1 X10.000 Y10.000 F6000",
        "G1 X0 Y10 E.4 F1200",
        lines[3],
    ]


def test_behind_a_removed_line_a_line_of_the_same_feed_says_nothing(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X20 Y20", "G1 X0 Y10 E.4"]
    assert left(write, plated(lines), [(1, 0.0, 1.0)]) == [lines[0], *lines[2:]]


def test_a_treated_feed_before_a_removed_line_is_put_back_behind_it(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X20 Y20", "G1 X0 Y10 E.4"]
    got = left(write, plated(lines), [(1, 0.0, 1.0)], feed={0: 20.0})
    steps = [s for s in replay(("\n".join([*HEAD, *got]) + "\n").encode()) if s.moves]
    assert [s.feed for s in steps] == pytest.approx([20.0, 30.0, 30.0])


def test_removed_pieces_write_no_feed_of_their_own(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4", "G1 X0 Y0 E.4"]
    got = left(write, plated(lines), [(1, 0.0, 1.0)], feed={1: 20.0})
    assert not any("F1200" in line for line in got)


@pytest.mark.parametrize("bracket", [False, True])
def test_every_move_that_stays_has_its_feed_whatever_went_before_it(write, bracket):
    plate = squares(Sheet(), names=("a", "b") if bracket else ()).plate()
    for seed in range(12):
        draft = drawn(plate, seed)
        own = {s.tag: s.feed for s in replay(plate.program.lines.data)}
        wanted = np.where(np.isnan(draft.feed), plate.moves.f[draft.row], draft.feed)
        last = {int(r): float(f) for r, f in zip(draft.row, wanted, strict=True)}
        for step in replay(write(draft).output):
            if step.tag is not None and (step.moves or step.e):
                assert step.feed == pytest.approx(last[step.tag], abs=1e-9), (seed, step.text, own[step.tag])


# Filament.


def test_an_absolute_counter_is_set_back_once_behind_what_was_left_out(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8", "G1 X0 Y10", "G1 X0 Y0 E1.2"]
    assert left(write, plated(lines, ABSOLUTE), [(1, 0.0, 1.0)]) == [
        lines[0],
        "G92 E0.80000",
        *lines[2:],
    ]


def test_between_joined_beads_the_words_shift_instead(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8", "G1 X0 Y10 E1.2", "G1 X0 Y0", "G1 X5 Y0 E2"]
    assert left(write, plated(lines, ABSOLUTE), [(0, 0.5, 1.0)]) == [
        "G1 X5.000 Y0.000 E0.20000 F1800",
        "G1 X10.000 Y0.000 F6000",
        "G1 X10 Y10 E0.60000 F1800",
        "G1 X0 Y10 E1.00000",
        "G92 E1.20000",
        *lines[3:],
    ]


def test_a_counter_that_the_file_sets_gets_none_of_ours(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8", "G92 E0", "G1 X0 Y10", "G1 X0 Y0 E.4"]
    assert left(write, plated(lines, ABSOLUTE), [(1, 0.0, 1.0)]) == [lines[0], *lines[2:]]


def test_inside_a_bracket_the_counter_waits_for_its_end(write):
    lines = ["EXCLUDE_OBJECT_START NAME=a", "G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.8", "G1 X0 Y10",
             "G1 X0 Y0 E1.2", "EXCLUDE_OBJECT_END NAME=a", "G1 X30 Y0", "G1 X40 Y0 E1.6"]  # fmt: skip
    assert left(write, plated(lines, ABSOLUTE), [(1, 0.0, 1.0)]) == [
        *lines[:2],
        lines[3],
        "G1 X0 Y0 E0.80000",
        lines[5],
        "G92 E1.20000",
        *lines[6:],
    ]


def test_a_run_and_a_removal_of_as_much_filament_need_no_new_counter(write):
    lines = ["G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.8", "G1 X0 Y10", "G1 X0 Y0 E1.2"]
    plate = plated(lines, ABSOLUTE)
    row = int(beads_of(plate)[1])
    draft = without(plate, [(row, 0.0, 1.0)])
    draft.runs.append(run_of(row, [(10, 10, 0.4)], 0.2))
    total = sum(s.e for s in replay(write(with_hops(draft)).output))
    assert total == pytest.approx(1.2, abs=1e-5)


@pytest.mark.parametrize("kind", ["M200 D1.75", "G20"])
def test_other_units_of_filament_shift_in_their_own(write, kind):
    head = [kind, *(line for line in ABSOLUTE if not (kind == "G20" and line == "G21"))]
    lines = ["G1 X1 Y0 E.4 F180", "G1 X1 Y1 E.8", "G1 X0 Y1 E1.2", "G1 X0 Y0", "G1 X.5 Y0 E2"]
    got = left(write, plated(lines, head), [(1, 0.0, 1.0)])
    more = "0" if kind == "G20" else ""
    assert f"G1 X0 Y1 E0.80000{more}" in "\n".join(got) and f"G92 E1.20000{more}" in got


@pytest.mark.parametrize(
    "options", [{}, {"inches": True}, {"diameter_mm": 1.75}], ids=["mm", "inches", "volumes"]
)
@pytest.mark.parametrize(("t0", "t1"), [(0.0, 0.25), (0.75, 1.0), (0.0, 0.3)])
def test_a_counter_that_shifts_by_half_of_its_last_decimal_is_rounded_as_its_unit_is(write, options, t0, t1):
    """A line behind may then push a step of the counter more or less, in inches 0.000254 mm."""
    plate = squares(Sheet(relative=False, **options)).plate()
    fill = np.flatnonzero((plate.beads.feature == SPARSE) & (plate.beads.length_mm > 15))
    for row in fill[:4].tolist():
        write(with_hops(without(plate, [(row, t0, t1)])))  # both audits are clean


@pytest.mark.parametrize("reset", [True, False])
@pytest.mark.parametrize("travel", [True, False])
def test_what_is_left_out_of_relative_words_counts_in_the_absolute_ones_behind(write, reset, travel):
    """Relative words move the counter too: an absolute one behind them would make up for what is gone."""
    lines = ["G1 X10 Y0 E1 F1800", "M83", "G1 X10 Y10 E.4", "G1 X0 Y10 E.4", *["G1 X1 Y9"] * travel, "M82",
             *["G92 E1.8"] * reset, "G1 X0 Y0 E3", "G1 X5 Y5", "G1 X0 Y0 E4"]  # fmt: skip
    plate = plated(lines, ABSOLUTE)
    rows = beads_of(plate)
    own = plate.moves.e[rows].tolist()
    draft = without(plate, [(int(rows[1]), 0.0, 0.5)])
    output = write(with_hops(draft)).output
    steps = [s for s in replay(output) if s.is_bead]
    assert [s.e for s in steps] == pytest.approx([own[0], own[1] / 2, *own[2:]], abs=1e-5)
    assert output.count(b"G92") == 1


def test_in_a_file_that_goes_over_to_relative_words_none_sets_a_counter(write):
    lines = ["G1 X10 Y0 E1 F1800", "M83", "G1 X10 Y10 E.4", "G1 X0 Y10", "G1 X0 Y0 E3"]
    assert not any("G92" in line for line in left(write, plated(lines, ABSOLUTE), [(1, 0.0, 0.5)]))


# Arcs.


@pytest.mark.parametrize("sense", ["G2 X10 Y-10 I0 J-10", "G3 X-10 Y10 I0 J10", "G3 X-10 Y10 R10"])
@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize(("t0", "t1"), [(0.0, 0.4), (0.6, 1.0), (0.25, 0.75)])
def test_what_stays_of_a_cut_arc_lies_on_its_circle_with_its_share_of_filament(
    write, sense, relative, t0, t1
):
    head = HEAD if relative else ABSOLUTE
    first, second = (1.0, 3.0) if not relative else (1.0, 2.0)
    plate = plated([f"G1 X0 Y0.001 E{first} F1800", f"{sense} E{second}", "G1 X0 Y0"], head)
    row = int(beads_of(plate)[1])
    assert plate.moves.kind[row] & ARC
    sweep = float(plate.program.arcs.sweep[0])
    treated = write(with_hops(without(plate, [(row, t0, t1)])))
    new = treated.plate.program
    kept = [(a, b) for a, b in ((0.0, t0), (t1, 1.0)) if b > a]
    assert new.arcs.sweep == pytest.approx([sweep * (b - a) for a, b in kept], abs=2e-3)
    assert new.arcs.radius == pytest.approx([10.0] * len(kept), abs=5e-3)
    assert new.moves.e[new.arcs.row] == pytest.approx([2.0 * (b - a) for a, b in kept], abs=2e-5)


# What is told.


def test_removals_are_declared_and_counted_where_they_are(write):
    lines = ["G1 X10 Y0 E.4 F1800", "G1 X10 Y10 E.4", "G1 X0 Y10", "G1 X0 Y0 E.4"]
    plate = plated(lines)
    treated = write(with_hops(without(plate, [(int(beads_of(plate)[1]), 0.0, 1.0)])))
    line = int(plate.moves.line[beads_of(plate)[1]])
    told = [(c.first, c.last, c.why) for c in treated.changes if c.why == "replaced by new beads"]
    assert told == [(line, line, "replaced by new beads")]
    found = treated.audit()
    assert (found.replaced, found.inserted) == (1, -1)
