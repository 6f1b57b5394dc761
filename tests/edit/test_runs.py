"""Runs of new moves in the text: words, marks, fan, acceleration and feed, and what is put back behind."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay import (
    PERIMETER,
    Sheet,
    circle,
    drawn,
    laid,
    last_wall,
    new_lines,
    one_wall,
    planned,
    replay,
    run_of,
    square,
    squares,
)

from gcodetools.edit.moves import BEAD, FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, PULL, PUSH, TRAVEL, WIPE
from gcodetools.toolpath.beads import FEATURE_INDEX, FEATURES
from gcodetools.toolpath.plate import Plate

OPTIONS = {
    "relative": {},
    "absolute": {"relative": False},
    "returns": {"relative": False, "newline": "\r\n"},
    "inches": {"relative": False, "inches": True},
    "inches-relative": {"inches": True, "rapid": True},
    "shifted": {"shift": (5.0, -3.0)},
    "volumes": {"relative": False, "diameter_mm": 1.75},
    "volumes-relative": {"diameter_mm": 1.75},
}
MANY = int(os.environ.get("BEADWRIGHT_DRAFTS", "6"))


def close(found, wanted, unit=1.0):
    """Whether beads are those planned: places to half a thousandth of the text's unit twice, filament to its
    last digit, feeds to the digits of the sheet's."""
    assert len(found) == len(wanted)
    for got, want in zip(found, wanted, strict=True):
        assert np.allclose(got[:2], want[:2], rtol=0, atol=1.1e-3 * unit), (got, want)
        assert got[2] == pytest.approx(want[2], abs=2.1e-5 * unit), (got, want)
        assert got[3] == pytest.approx(want[3], abs=0.02 * unit), (got, want)


def beads_in(data: bytes):
    return [(s.begin[:2], s.end[:2], s.e, s.feed) for s in replay(data) if s.is_bead]


@pytest.mark.parametrize("relative", [True, False])
def test_a_run_stands_right_behind_its_wall_with_marks_before_and_restored_behind(write, relative):
    plate = one_wall(relative)
    row = last_wall(plate) + 1
    treated = laid(write, plate, run_of(row, [(1, 1), (9, 1, 0.3), (9, 9, 0.3)], 0.2))
    e = ("0.30000", "0.30000") if relative else ("6.50000", "6.80000")
    assert new_lines(treated) == [
        "G1 X1.0000 Y1.0000 F6000",
        ";TYPE:Perimeter",
        ";WIDTH:0.5",
        f"G1 X9.0000 Y1.0000 E{e[0]} F1800",
        f"G1 X9.0000 Y9.0000 E{e[1]}",
        ";TYPE:Perimeter",
        ";WIDTH:0.45",
        "G1 F2400",
    ]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_bytes_elsewhere_are_the_file_s_own(write, newline):
    plate = one_wall(newline=newline)
    row = last_wall(plate) + 1
    treated = laid(write, plate, run_of(row, [(1, 1), (9, 1, 0.3)], 0.2))
    data = plate.program.lines.data
    place = int(plate.program.lines.start[plate.moves.line[row - 1] + 1])
    tail = len(data) - place
    assert treated.output[:place] == data[:place]
    assert treated.output[-tail:] == data[place:]
    new = treated.output[place:-tail]
    assert new.count(newline.encode()) == new.count(b"\n") > 0
    assert (b"\r" in new) == (newline == "\r\n")


def test_a_file_that_begins_with_a_byte_order_mark_and_ends_without_a_line_end_keeps_both(write):
    sheet = Sheet()
    sheet.say(";TYPE:Perimeter")
    sheet.go(0, 0, 100)
    sheet.bead(10, 0, 0.4, 30)
    plate = Plate.from_bytes(b"\xef\xbb\xbf" + sheet.data + b"G1 X0 Y5 F3000", "bom.gcode")
    bead = int(np.flatnonzero(plate.beads.feature != 0)[0])
    treated = laid(write, plate, run_of(bead + 1, [(10, 5, 0.2)], 0.0, early=True))
    assert treated.output.startswith(b"\xef\xbb\xbf") and treated.output.endswith(b"G1 X0 Y5 F3000")
    assert sum(s.e for s in replay(treated.output)) == pytest.approx(0.6)


@pytest.mark.parametrize("name", OPTIONS)
def test_random_runs_and_removals_print_exactly_what_was_planned(write, name):
    options = OPTIONS[name]
    unit = 25.4 if options.get("inches") else 1.0

    @settings(max_examples=MANY)
    @given(st.integers(0, 2**32), st.booleans())
    def planned_is_printed(seed, bracketed):
        plate = sheet_plate(name, bracketed)
        draft = drawn(plate, seed)
        treated = write(draft)
        wanted, steps = planned(draft), replay(treated.output)
        close(beads_in(treated.output), wanted, unit)
        # What is pulled back and pushed stays as it is, so all else is the filament of beads.
        net = sum(bead[2] for bead in wanted)
        net += sum(s.e for s in replay(plate.program.lines.data) if not s.is_bead)
        assert sum(s.e for s in steps) == pytest.approx(net, abs=1e-5 * unit * len(wanted))

    planned_is_printed()


_PLATES: dict[tuple[str, bool], Plate] = {}


def sheet_plate(name: str, bracketed: bool) -> Plate:
    key = name, bracketed
    if key not in _PLATES:
        names = ("a", "b") if bracketed else ()
        _PLATES[key] = squares(Sheet(**OPTIONS[name]), names=names, reset=bracketed).plate()
    return _PLATES[key]


@pytest.mark.parametrize("name", ["relative", "absolute", "inches", "shifted", "volumes"])
def test_every_later_line_of_the_file_finds_what_it_found_before(write, name):
    """Each move of the file has a tag: place, feed, fan and acceleration behind it, and its filament."""
    unit = 25.4 if OPTIONS[name].get("inches") else 1.0

    @settings(max_examples=MANY)
    @given(st.integers(0, 2**32), st.booleans())
    def found_again(seed, bracketed):
        plate = sheet_plate(name, bracketed)
        draft = drawn(plate, seed, settings=False)
        before = {s.tag: s for s in replay(plate.program.lines.data)}
        after = {s.tag: s for s in replay(write(draft).output) if s.tag is not None}
        removed = np.zeros(len(draft.row), bool) if draft.removed is None else draft.removed
        # A move is left out with its last piece; of one cut elsewhere a part stays on its own line.
        gone = set(np.flatnonzero(removed[draft.first[1:] - 1]).tolist())
        changed = set(np.unique(draft.row[removed]).tolist())
        assert set(after) == set(before) - gone
        for tag, step in after.items():
            own = before[tag]
            assert (step.fan, step.accel) == (own.fan, own.accel), step.text
            if own.moves:
                assert step.end == pytest.approx(own.end, abs=1e-9), step.text
            if own.moves or own.e:
                assert step.feed == pytest.approx(own.feed, abs=1e-9), step.text
            if tag not in changed:
                assert step.e == pytest.approx(own.e, abs=1.1e-5 * unit), step.text
                if own.is_bead:
                    assert step.begin == pytest.approx(own.begin, abs=1e-3 * unit), step.text

    found_again()


def test_widths_are_marked_where_they_change_and_not_for_less_than_a_step(write):
    plate = one_wall()
    widths = [np.nan, 0.45, 0.452, 0.6, 0.605, 0.45]
    moves = [(1, 1), *((3.0 + 2 * k, 1, 0.1) for k in range(5))]
    run = run_of(last_wall(plate) + 1, moves, 0.2, width=np.array(widths))
    marks = [line for line in new_lines(laid(write, plate, run)) if line.startswith(";WIDTH:")]
    assert marks == [";WIDTH:0.45", ";WIDTH:0.6", ";WIDTH:0.45", ";WIDTH:0.45"]  # the last is the file's own


def test_a_change_of_feature_inside_a_run_is_marked(write):
    plate = one_wall()
    features = np.array([0, PERIMETER, FEATURE_INDEX["bridge"], FEATURE_INDEX["solid"]], np.uint8)
    moves = [(1, 1), (5, 1, 0.1), (9, 1, 0.1), (9, 5, 0.1)]
    run = run_of(last_wall(plate) + 1, moves, 0.2, feature=features)
    marks = [line for line in new_lines(laid(write, plate, run)) if line.startswith(";TYPE:")]
    assert marks == [";TYPE:Perimeter", ";TYPE:Bridge infill", ";TYPE:Solid infill", ";TYPE:Perimeter"]


@pytest.mark.parametrize("left", ["", ";TYPE:Custom"], ids=["no-marks", "none-of-a-wall"])
def test_where_the_file_names_no_wall_nothing_is_named_and_its_own_beads_stay_what_they_were(write, left):
    """Its features are told by geometry: one mark of ours, and all that has none would be taken for start code."""
    data = squares(Sheet()).data.decode()
    for mark in (";TYPE:External perimeter", ";TYPE:Perimeter", ";TYPE:Internal infill"):
        data = data.replace(mark, left)
    plate = Plate.from_bytes(data.replace(";WIDTH:0.45", "").replace(";WIDTH:0.5", "").encode(), "bare.gcode")
    assert (plate.marks.convention, plate.beads.source) == ("B", "geometry")
    last = int(np.flatnonzero(plate.beads.feature == PERIMETER)[3])
    moves = [(1, 1), (19, 1, 0.6), (19, 19, 0.6), (1, 19, 0.6), (1, 1, 0.6)]
    treated = laid(write, plate, run_of(last + 1, moves, 0.2))
    assert treated.output.count(b";") == plate.render().count(b";")
    bead, own = treated.plate.beads, plate.beads
    for name in ("feature", "width"):
        before, after = getattr(own, name), getattr(bead, name)
        np.testing.assert_array_equal(after[: last + 1], before[: last + 1])
        np.testing.assert_array_equal(after[bead.layer == 1], before[own.layer == 1])


def test_where_the_file_states_no_width_none_is_stated(write):
    """None could be put back: all beads behind would be read with the width of the last new one."""
    data = squares(Sheet()).data.replace(b";WIDTH:0.45", b"").replace(b";WIDTH:0.5", b"")
    plate = Plate.from_bytes(data, "narrow.gcode")
    row = int(np.flatnonzero(plate.beads.feature == PERIMETER)[3]) + 1
    treated = laid(write, plate, run_of(row, [(1, 1), (9, 1, 0.3)], 0.2))
    marks = [line for line in new_lines(treated) if line.startswith(";")]
    assert marks == [";TYPE:Perimeter", ";TYPE:Perimeter"]
    tail = len(plate.moves) - row - 8
    np.testing.assert_array_equal(treated.plate.beads.width[-tail:], plate.beads.width[-tail:])


def test_a_run_of_travels_alone_gets_no_marks(write):
    plate = one_wall()
    lines = new_lines(laid(write, plate, run_of(last_wall(plate) + 1, [(1, 1)], 0.2)))
    assert lines == ["G1 X1.0000 Y1.0000 F6000", "G1 F2400"]


def test_pulls_lifts_and_wipes_name_only_what_they_move(write):
    plate = one_wall()
    kinds = [WIPE, PULL, LIFT, TRAVEL, LIFT, PUSH, BEAD]
    x, y = np.array([2.0, 2, 2, 5, 5, 5, 9]), np.array([0.5, 0.5, 0.5, 5, 5, 5, 5])
    z = np.array([0.2, 0.2, 0.6, 0.6, 0.2, 0.2, 0.2])
    e = np.array([-0.3, -0.5, 0, 0, 0, 0.8, 0.2])
    run = run_of(
        last_wall(plate) + 1, [(0, 0)] * 7, 0.2, kind=np.array(kinds, np.uint8), x=x, y=y, z=z, e=e,
        feed=np.array([100.0, 35, 10, 100, 10, 35, 30]), width=np.array([*[np.nan] * 6, 0.5]),
        feature=np.array([0] * 6 + [PERIMETER], np.uint8),
    )  # fmt: skip
    assert [line for line in new_lines(laid(write, plate, run)) if not line.startswith(";")] == [
        "G1 X2.0000 Y0.5000 E-0.30000 F6000",
        "G1 E-0.50000 F2100",
        "G1 Z0.6000 F600",
        "G1 X5.0000 Y5.0000 F6000",
        "G1 Z0.2000 F600",
        "G1 E0.80000 F2100",
        "G1 X9.0000 Y5.0000 E0.20000 F1800",
        "G1 F2400",
    ]


def test_firmware_retraction_is_two_bare_words(write):
    sheet = Sheet(rapid=True)
    sheet.say(";TYPE:Perimeter")
    sheet.go(0, 0, 100)
    sheet.bead(10, 0, 0.4, 30)
    sheet.go(20, 0, 100)
    plate = sheet.plate()
    bead = int(np.flatnonzero(plate.beads.feature != 0)[0])
    kinds = np.array([FIRMWARE_PULL, TRAVEL, FIRMWARE_PUSH, BEAD], np.uint8)
    nan = np.nan
    run = run_of(
        bead + 1, [(10, 0), (5, 5), (5, 5), (9, 9, 0.1)], 0.0, kind=kinds,
        feed=np.array([nan, 100.0, nan, 30.0]),
    )  # fmt: skip
    lines = [s.text for s in replay(laid(write, plate, run).output)]
    at = next(k for k, text in enumerate(lines) if text.endswith(";@1")) + 1
    assert lines[at : at + 4] == [
        "G10",
        "G0 X5.0000 Y5.0000 F6000",
        "G11",
        "G1 X9.0000 Y9.0000 E0.10000 F1800",
    ]


def test_relative_words_of_a_run_add_up_though_each_is_rounded(write):
    plate = one_wall()
    points = circle(6.0, 500, (10.0, 10.0))
    run = run_of(last_wall(plate) + 1, [points[-1], *((*p, 0.001237) for p in points)], 0.2)
    new = [s.e for s in replay(laid(write, plate, run).output) if s.tag is None and s.is_bead]
    assert len(new) == 500 and len(set(np.round(new, 6))) == 2
    assert sum(new) == pytest.approx(500 * 0.001237, abs=0.51e-5)


def test_an_absolute_counter_is_set_back_once_and_outside_brackets(write):
    plate = sheet_plate("absolute", True)
    walls = np.flatnonzero(plate.beads.feature == PERIMETER)
    last = walls[np.diff(walls, append=10**9) > 1]
    assert len(last) == 4  # two objects on two layers
    treated = laid(
        write, plate, *(run_of(int(k) + 1, [(5, 5, 0.3)], float(plate.moves.z[k])) for k in last),
    )  # fmt: skip
    lines = treated.output.decode().splitlines()
    inside, ours, depth = [], 0, 0
    for line in lines:
        depth += line.startswith("EXCLUDE_OBJECT_START") - line.startswith("EXCLUDE_OBJECT_END")
        if line.startswith("G92 E"):
            inside.append(depth)
            ours += line != "G92 E0"
    assert not any(inside)
    assert 1 <= ours <= 4  # a visit each; a G92 of the file spares one
    own = sum(s.e for s in replay(plate.program.lines.data))
    assert sum(s.e for s in replay(treated.output)) == pytest.approx(own + 1.2, abs=1e-4)


def test_no_counter_of_ours_stands_between_two_joined_beads(write):
    plate = sheet_plate("absolute", False)
    for seed in range(20):
        treated = write(drawn(plate, seed))
        lines = treated.output.decode().splitlines()
        acts = [s for s in replay(treated.output) if s.moves or s.e]
        for number, line in enumerate(lines):
            if line.startswith("G92 E"):
                before = [s for s in acts if s.line < number]
                after = [s for s in acts if s.line > number]
                joined = before and after and before[-1].is_bead and after[0].is_bead
                assert not joined, (seed, lines[number - 2 : number + 3])


CONVENTIONS = ("A", "B", "B2", "C", "D", "E0", "E1", "F", "G", "H", "I", "J")


@pytest.mark.every(3)
@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("letter", CONVENTIONS)
def test_marks_of_every_convention_open_the_new_beads_and_are_restored(demo, write, letter, relative):
    """Read back: the new beads are what was asked, every bead of the file is what it was."""
    plate = demo(letter, relative_e=relative)
    layer = plate.beads.layer
    for at in (3, 6):
        walls = np.flatnonzero((plate.beads.feature == PERIMETER) & (layer == at))
        last = walls[np.diff(walls, append=10**9) > 1]
        for row in (int(last[0]), int(last[-1])):
            x, y = float(plate.moves.x[row]), float(plate.moves.y[row])
            moves = [(x + 0.5, y), (x + 3, y, 0.11), (x + 3, y + 2, 0.09)]
            treated = laid(write, plate, run_of(row + 1, moves, float(plate.moves.z[row])))
            new = treated.plate
            extra = len(new.moves) - len(plate.moves)
            hops = sum(len(run.kind) for run in treated.draft.runs[1:])
            assert extra in (3 + hops, 4 + hops)  # with a line that sets the feed
            tail = len(plate.moves) - row - 12
            assert new.beads.layer[-tail:].tolist() == layer[-tail:].tolist()
            assert np.all(new.beads.layer[row + 2 : row + 4] == at)
            if letter in ("I", "J"):  # no marks: none are brought in
                assert treated.output.count(b";") == plate.program.lines.data.count(b";")
                continue
            assert [FEATURES[k] for k in new.beads.feature[row + 2 : row + 4].tolist()] == ["perimeter"] * 2
            for part, own in (
                (slice(0, row + 1), slice(0, row + 1)),
                (slice(-tail, None), slice(-tail, None)),
            ):
                assert new.beads.feature[part].tolist() == plate.beads.feature[own].tolist()
                assert np.allclose(new.beads.width[part], plate.beads.width[own], equal_nan=True)


def test_a_convention_that_closes_features_closes_the_file_s_and_ours(demo, write):
    plate = demo("H")
    walls = np.flatnonzero((plate.beads.feature == PERIMETER) & (plate.beads.layer == 4))
    row = int(walls[np.diff(walls, append=10**9) > 1][0])
    x, y = float(plate.moves.x[row]), float(plate.moves.y[row])
    treated = laid(write, plate, run_of(row + 1, [(x + 1, y), (x + 3, y, 0.1)], float(plate.moves.z[row])))
    opened = treated.output.count(b"(<loop>") - plate.program.lines.data.count(b"(<loop>")
    closed = treated.output.count(b"(</loop>)") - plate.program.lines.data.count(b"(</loop>)")
    assert opened == closed >= 1


@pytest.mark.parametrize(
    ("relative", "lines"),
    [(False, ("M83",)), (True, ("M82", "G92 E0")), (True, ("M82",))],
)
def test_a_run_counts_filament_as_the_file_does_where_it_stands_and_not_behind(write, relative, lines):
    # Words of E add up behind M83 and count behind M82 (common practice, no source).
    sheet = Sheet(relative)
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2")
    sheet.height(0.2)
    square(sheet, 0.0, 0.2)
    before = sheet.counter
    sheet.say(*lines, "G1 X90 Y90", "G90", f"G1 X50 Y90 E{before * (lines == ('M82',)) + 0.5:g}")
    plate = sheet.plate()
    row = int(np.flatnonzero(plate.moves.x == 90)[0])
    treated = laid(write, plate, run_of(row, [(1, 1), (9, 1, 0.3), (9, 9, 0.3)], 0.2))
    pushed, was = ([step.e for step in replay(d) if step.e > 0] for d in (treated.output, plate.render()))
    assert pushed == pytest.approx([*was[:-1], 0.3, 0.3, was[-1]], abs=1.1e-5)
