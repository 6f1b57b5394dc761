"""Feeds and cuts in the text: what is written where, and what is put back."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.edit.draft import Draft

HEAD = ["G21", "G90", "M83", ";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter", "G1 Z0.2 F600"]


def fed(plate_of, write, lines, feeds, head=HEAD):
    """Text below the head when the beads with index k get feeds[k], mm/s."""
    plate = plate_of("\n".join([*head, *lines]) + "\n")
    draft = Draft.of(plate)
    beads = np.flatnonzero(plate.beads.feature != 0)
    for k, feed in feeds.items():
        draft.feed[beads[k]] = feed
    return write(draft).output.decode().splitlines()[len(head) :]


def test_the_f_word_of_a_treated_line_is_replaced_and_the_file_s_feed_put_back_behind_it(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.4 ; note", "G1 X0 Y10 E0.4"]
    assert fed(plate_of, write, lines, {0: 20.0}) == [
        "G1 X0 Y0 F6000",
        "G1 X10 Y0 E0.4 F1200",
        "G1 F1800",
        "G1 X10 Y10 E0.4 ; note",
        "G1 X0 Y10 E0.4",
    ]


@pytest.mark.parametrize("own", ["F1800", "f1800", "F 1800"])
def test_an_own_f_amid_treated_beads_is_replaced_wherever_it_stands(plate_of, write, own):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.4 ; free", f"G1 X0 Y10 E0.4 {own}"]
    lines += ["G1 X0 Y20 E0.4", "G1 X9 Y20 E0.4"]
    assert fed(plate_of, write, lines, dict.fromkeys(range(4), 20.0)) == [
        "G1 X0 Y0 F6000",
        "G1 X10 Y0 E0.4 F1200",
        "G1 X10 Y10 E0.4 ; free",
        f"G1 X0 Y10 E0.4 {own.replace('1800', '1200')}",
        "G1 X0 Y20 E0.4",
        "G1 F1800",
        "G1 X9 Y20 E0.4",
    ]


def test_a_feed_that_changes_amid_treated_beads_is_said_where_it_does(plate_of, write):
    lines = ["G1 X0 Y0 F1800", *(f"G1 X{k}0 E0.4" for k in range(1, 6))]
    assert fed(plate_of, write, lines, {0: 20.0, 1: 20.0, 2: 15.0, 3: 15.0}) == [
        "G1 X0 Y0 F1800",
        "G1 X10 E0.4 F1200",
        "G1 X20 E0.4",
        "G1 X30 E0.4 F900",
        "G1 X40 E0.4",
        "G1 F1800",
        "G1 X50 E0.4",
    ]


def test_a_line_without_f_gets_one_before_its_comment(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800", "G1 X10 Y10 E0.4 ; note", "G1 X0 Y10 E0.4"]
    assert fed(plate_of, write, lines, {1: 20.0}) == [
        "G1 X0 Y0 F6000",
        "G1 X10 Y0 E0.4 F1800",
        "G1 X10 Y10 E0.4 F1200 ; note",
        "G1 F1800",
        "G1 X0 Y10 E0.4",
    ]


def test_nothing_is_put_back_where_the_next_line_has_its_own_f(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800", "G1 X20 Y0 F6000", "G1 X30 Y0 E.4 F1800"]
    assert fed(plate_of, write, lines, {0: 20.0}) == [
        "G1 X0 Y0 F6000",
        "G1 X10 Y0 E0.4 F1200",
        "G1 X20 Y0 F6000",
        "G1 X30 Y0 E.4 F1800",
    ]


def test_the_next_line_s_own_f_is_left_as_it_is_spelled(plate_of, write):
    lines = ["G1 X0 Y0 F6000.0", "G1 X10 Y0 E0.4 F1800", "G1 X20 Y0 F6000", "G1 X30 Y0 E.4 F1800"]
    assert fed(plate_of, write, lines, {0: 20.0})[2:] == ["G1 X20 Y0 F6000", "G1 X30 Y0 E.4 F1800"]


def test_a_feed_on_a_line_of_its_own_stays_and_a_treated_bead_carries_its_own(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 F1800", "G1 X10 Y0 E0.4", "G1 X10 Y10 E0.4", "G1 F2400", "G1 X0 Y10 E.4"]
    assert fed(plate_of, write, lines, {0: 20.0, 1: 20.0}) == [
        "G1 X0 Y0 F6000",
        "G1 F1800",
        "G1 X10 Y0 E0.4 F1200",
        "G1 X10 Y10 E0.4",
        "G1 F2400",
        "G1 X0 Y10 E.4",
    ]


def test_the_first_bead_s_feed_comes_from_the_travel_before_it(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4", "G1 X10 Y10 E0.4"]
    assert fed(plate_of, write, lines, {0: 20.0}) == [
        "G1 X0 Y0 F6000",
        "G1 X10 Y0 E0.4 F1200",
        "G1 F6000",
        "G1 X10 Y10 E0.4",
    ]


def test_feed_is_put_back_behind_the_file_s_last_move(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800"]
    assert fed(plate_of, write, lines, {0: 20.0})[-2:] == ["G1 X10 Y0 E0.4 F1200", "G1 F1800"]


def test_feed_before_a_firmware_retraction_or_a_dwell_is_put_back_before_it(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800", "G10", "G4 P10", "G11", "G1 X0 Y0 E.4"]
    assert fed(plate_of, write, lines, {0: 20.0})[1:4] == ["G1 X10 Y0 E0.4 F1200", "G1 F1800", "G10"]


def test_a_dwell_s_own_f_is_no_feed(plate_of, write):
    """Some controls take G4 F as seconds (common practice, no source): the file's feed is put back all the same."""
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800", "G4 F5", "G1 X0 Y0 E.4"]
    assert fed(plate_of, write, lines, {0: 20.0})[1:] == ["G1 X10 Y0 E0.4 F1200", "G1 F1800", *lines[2:]]


def test_inches_get_their_feed_in_inches(plate_of, write):
    head = [*HEAD[1:-1], "G20", "G1 Z.008 F24"]
    lines = ["G1 X0 Y0 F240", "G1 X1 Y0 E.04 F60.5", "G1 X1 Y1 E.04"]
    got = fed(plate_of, write, lines, {0: 25.4 / 60 * 50}, head)
    assert got == ["G1 X0 Y0 F240", "G1 X1 Y0 E.04 F50.0", "G1 F60.5", "G1 X1 Y1 E.04"]


def test_a_bead_before_the_file_s_first_f_has_no_feed_to_return_to_and_keeps_none(plate_of, write):
    plate = plate_of("G21\nG90\nM83\n;TYPE:Perimeter\nG1 X10 Y0 E0.4\nG1 X10 Y10 E0.4\nG1 X0 F600\n")
    draft = Draft.of(plate)
    draft.feed[plate.beads.feature != 0] = 20.0
    assert write(draft).output == plate.program.lines.data


def test_inside_object_brackets_the_feed_is_put_back_before_the_bracket_ends(plate_of, write):
    lines = ["EXCLUDE_OBJECT_START NAME=a", "G1 X0 Y0 F6000", "G1 X10 Y0 E0.4 F1800",
             "EXCLUDE_OBJECT_END NAME=a", "EXCLUDE_OBJECT_START NAME=b", "G1 X20 Y0 E0.4", "G1 X30 Y0 E0.4",
             "EXCLUDE_OBJECT_END NAME=b"]  # fmt: skip
    assert fed(plate_of, write, lines, {0: 20.0, 1: 20.0, 2: 20.0}) == [
        "EXCLUDE_OBJECT_START NAME=a",
        "G1 X0 Y0 F6000",
        "G1 X10 Y0 E0.4 F1200",
        "G1 F1800",
        "EXCLUDE_OBJECT_END NAME=a",
        "EXCLUDE_OBJECT_START NAME=b",
        "G1 X20 Y0 E0.4 F1200",
        "G1 X30 Y0 E0.4",
        "G1 F1800",
        "EXCLUDE_OBJECT_END NAME=b",
    ]


def cut(plate_of, write, lines, cuts, head=HEAD, feed=None, flow=None):
    """Text below the head with bead k cut at each of cuts[k]; feed, flow: {piece index: value}."""
    plate = plate_of("\n".join([*head, *lines]) + "\n")
    beads = np.flatnonzero(plate.beads.feature != 0)
    rows = np.array([beads[k] for k, places in cuts.items() for _ in places])
    draft = Draft.of(plate, rows, np.array([t for places in cuts.values() for t in places]))
    mine = np.flatnonzero(np.isin(draft.row, beads))
    for k, value in (feed or {}).items():
        draft.feed[mine[k]] = value
    for k, value in (flow or {}).items():
        draft.flow[mine[k]] = value
    treated = write(draft)
    return treated.output.decode().splitlines()[len(head) :]


def test_a_cut_move_becomes_lines_of_ours_and_its_own_line_last(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y5 E0.4 F1800 ; wall", "G1 X0"]
    assert cut(plate_of, write, lines, {0: [0.25, 0.5]}) == [
        "G1 X0 Y0 F6000",
        "G1 X2.500 Y1.250 E0.10000 F1800",
        "G1 X5.000 Y2.500 E0.10000",
        "G1 X10 Y5 E0.20000 F1800 ; wall",
        "G1 X0",
    ]


def test_moves_with_only_one_word_are_cut_with_that_word(plate_of, write):
    lines = ["G1 X0 Y0 F1800", "G1 X10 E0.4", "G1 Y10 E0.4"]
    assert cut(plate_of, write, lines, {0: [0.5], 1: [0.5]}) == [
        "G1 X0 Y0 F1800",
        "G1 X5.000 E0.20000",
        "G1 X10 E0.20000",
        "G1 Y5.000 E0.20000",
        "G1 Y10 E0.20000",
    ]


def test_a_piece_s_feed_holds_for_that_piece_only(plate_of, write):
    lines = ["G1 X0 Y0 F6000", "G1 X10 Y0 E0.3 F1800", "G1 X10 Y10 E0.4"]
    assert cut(plate_of, write, lines, {0: [0.25, 0.75]}, feed={1: 20.0}) == [
        "G1 X0 Y0 F6000",
        "G1 X2.500 Y0.000 E0.07500 F1800",
        "G1 X7.500 Y0.000 E0.15000 F1200",
        "G1 X10 Y0 E0.07500 F1800",
        "G1 X10 Y10 E0.4",
    ]


def test_absolute_words_are_cut_in_their_own_counter(plate_of, write):
    head = ["M82" if line == "M83" else line for line in HEAD]
    lines = ["G92 E5", "G1 X0 Y0 F1800", "G1 X10 Y0 E5.4", "G1 X10 Y10 E5.8"]
    assert cut(plate_of, write, lines, {0: [0.25]}, head=head) == [
        "G92 E5",
        "G1 X0 Y0 F1800",
        "G1 X2.500 Y0.000 E5.10000",
        "G1 X10 Y0 E5.4",
        "G1 X10 Y10 E5.8",
    ]


def test_decimals_of_the_file_are_kept(plate_of, write):
    lines = ["G1 X0 Y0 F1800.25", "G1 X10.12344 Y0 E0.4000000"]
    assert cut(plate_of, write, lines, {0: [0.5]}, feed={0: 20.0}) == [
        "G1 X0 Y0 F1800.25",
        "G1 X5.06172 Y0.000 E0.2000000 F1200.00",
        "G1 X10.12344 Y0 E0.2000000 F1800.25",
    ]


@pytest.mark.parametrize(
    "arc",
    [
        "G2 X20 Y0 I10 J0 E1",
        "G3 X20 Y0 I10 J0 E1",
        "G3 X20 Y0 R10 E1",
        "G2 X10 Y10 R10 E1",
        "G2 X10 Y10 R-10 E1",
        "G3 I10 J0 E1",
        "G2 X0 Y0 I10 J0 E1",
        "G3 X20 I10 E1",
        "G3 X20 Y0 Z1.2 I10 J0 E1 F900",
        "G3 I10 J0 Z0.6 E1",
    ],
)
@pytest.mark.parametrize("places", [[0.5], [0.1, 0.35, 0.9]])
def test_an_arc_cut_in_pieces_is_the_same_path_with_the_same_filament(plate_of, write, arc, places):
    text = "\n".join([*HEAD, "G1 X0 Y0 F1800", arc, "G1 X30 Y5 E.4"]) + "\n"
    plate = plate_of(text)
    bead = int(np.flatnonzero(plate.beads.feature != 0)[0])
    treated = write(Draft.of(plate, np.full(len(places), bead), np.array(places)))
    after = treated.plate
    count = len(places) + 1
    assert len(after.moves) == len(plate.moves) + len(places)
    new = slice(bead, bead + count)
    assert after.beads.length_mm[new].sum() == pytest.approx(plate.beads.length_mm[bead], abs=4e-3)
    assert after.moves.e[new].sum() == pytest.approx(1.0, abs=1e-9)
    for axis in "xyz":
        end = getattr(after.moves, axis)[bead + count - 1]
        assert end == pytest.approx(getattr(plate.moves, axis)[bead], abs=1e-9)
    own, now = plate.program.arcs, after.program.arcs
    assert now.cx == pytest.approx(np.full(count, own.cx[0]), abs=2e-3)
    assert now.cy == pytest.approx(np.full(count, own.cy[0]), abs=2e-3)
    share = np.diff([0.0, *places, 1.0])
    assert now.sweep == pytest.approx(own.sweep[0] * share, abs=1e-3)
