"""The audit where beads are removed or laid: clean as written, and loud on every planted mistake."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay import (
    PERIMETER,
    SPARSE,
    Sheet,
    also_edited,
    drawn,
    miswritten,
    replay,
    run_of,
    squares,
    texts_of,
    with_hops,
    without,
)

from gcodetools.edit.draft import Draft
from gcodetools.edit.sequence import (
    disturbed_rows,
    ordinary_rows,
    sequence_problem,
    surviving_rows,
)
from gcodetools.edit.treated import emit
from gcodetools.gcode.scan import read_program

KINDS = {
    "relative": {},
    "absolute": {"relative": False},
    "inches": {"relative": False, "inches": True},
    "volumes": {"diameter_mm": 1.75},
}
NUMBER = re.compile(rb"([XYZEF])(-?\d+\.?\d*)")


def plate_of(name):
    return squares(Sheet(**KINDS[name]), names=("a",), reset=True).plate()


def effect(data: bytes, unit: float):
    """What a file does, in numbers coarser than rounding: acting moves with their place, filament and feed."""
    acts = [s for s in replay(data) if s.moves or abs(s.e) > 1e-7 or s.begin[2] != s.end[2]]
    columns = [(*s.begin, *s.end, s.e, s.feed, s.fan or 0.0, s.accel or 0.0) for s in acts]
    return np.array(columns) / unit


def does_the_same(one: bytes, other: bytes, unit: float) -> bool:
    a, b = effect(one, unit), effect(other, unit)
    if a.shape != b.shape:
        return False
    slack = np.array([1.1e-3] * 6 + [1.1e-5, 0.02, 1e-9, 1e-9])
    return bool(np.all(np.abs(a - b) <= slack))


@cache
def treated_of(name, reset=True):
    """Runs behind both walls of each layer, with hops; fill removed in head, middle, tail and whole."""
    plate = squares(Sheet(**KINDS[name]), names=("a",), reset=reset).plate()
    beads, length = plate.beads.feature, plate.beads.length_mm
    fill = np.flatnonzero((beads == SPARSE) & (length > 15))
    draft = without(
        plate,
        [(int(fill[0]), 0.0, 0.25), (int(fill[1]), 0.25, 0.75), (int(fill[2]), 0.5, 1.0), (int(fill[4]), 0.0, 1.0),
         (int(fill[7]), 0.25, 0.75), (int(fill[10]), 0.0, 1.0)],
    )  # fmt: skip
    walls = np.flatnonzero(beads == PERIMETER)
    for row in walls[np.diff(walls, append=10**9) > 1].tolist():
        moves = [
            (1, 2),
            (7, 2, 0.21),
            (9.5, 3.25, 0.13),
            (9.75, 8, 0.17),
            (4, 8.5),
            (2, 6, 0.12),
            (2, 4, 0.08),
        ]
        feed = np.array([100.0, 30, 30, 24, 100, 30, 30])
        draft.runs.append(run_of(row + 1, moves, float(plate.moves.z[row]), feed=feed))
    treated = emit(with_hops(draft), ooze_mm=0.0, bed=None)
    for full in (False, True):
        assert treated.audit(full=full).differing == 0
    return treated


def caught(treated, texts, name, hint):
    """A file with other texts in its edits is found out in both modes, unless it does the same."""
    wrong = miswritten(treated, texts)
    if wrong.output == treated.output:
        return False
    seen = [wrong.audit(full=full).differing > 0 for full in (False, True)]
    unit = 25.4 if "inches" in KINDS[name] else 1.0
    assert all(seen) or does_the_same(treated.output, wrong.output, unit), hint
    return all(seen)


def lines_of_ours(treated):
    """(edit, line of its text) of all whole lines of motion commands that are new."""
    return [
        (k, n)
        for k, text in enumerate(texts_of(treated))
        for n, line in enumerate(text.splitlines(keepends=True))
        if line.endswith(b"\n") and line[:2] in (b"G0", b"G1")
    ]


def with_lines(texts, k, change):
    lines = texts[k].splitlines(keepends=True)
    return [*texts[:k], b"".join(change(lines)), *texts[k + 1 :]]


@pytest.mark.every(1)
@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("letter", [b"X", b"Y", b"E", b"F"])
def test_another_digit_in_a_new_move_is_seen(name, letter):
    rng = np.random.default_rng(11)
    treated = treated_of(name)
    texts = texts_of(treated)
    places = [
        (k, m.start(2) + i)
        for k, text in enumerate(texts)
        for m in NUMBER.finditer(text)
        if m.group(1) == letter and b"G92" not in text[max(0, m.start() - 5) : m.start()]
        for i, c in enumerate(m.group(2))
        if chr(c).isdigit()
    ]
    found = 0
    for k, at in [places[int(n)] for n in rng.choice(len(places), 16, replace=False)]:
        other = bytes([48 + (texts[k][at] - 48 + int(rng.integers(1, 10))) % 10])
        wrong = [*texts[:k], texts[k][:at] + other + texts[k][at + 1 :], *texts[k + 1 :]]
        found += caught(treated, wrong, name, (texts[k], at, other))
    assert found >= 10  # the rest are last digits


def without_line(lines, n):
    return [*lines[:n], *lines[n + 1 :]]


def line_twice(lines, n):
    return [*lines[: n + 1], *lines[n:]]


def line_behind_the_next(lines, n):
    return [*lines[:n], *lines[n + 1 : n + 2], lines[n], *lines[n + 2 :]]


@pytest.mark.every(1)
@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize(
    ("change", "least"), [(without_line, 14), (line_twice, 0), (line_behind_the_next, 9)]
)
def test_a_line_of_ours_left_out_or_twice_or_swapped_is_seen(name, change, least):
    treated = treated_of(name)
    texts, found = texts_of(treated), 0
    places = lines_of_ours(treated)
    assert len(places) >= 24
    for k, n in places:
        wrong = with_lines(texts, k, lambda lines, n=n: change(lines, n))
        found += caught(treated, wrong, name, (texts[k], n))
    # Told twice, a place in absolute coordinates is the same; filament is not, where E is relative.
    assert found >= (10 if change is line_twice and KINDS[name].get("relative", True) else least)


@pytest.mark.parametrize("name", KINDS)
def test_a_removed_line_that_stays_is_seen(name):
    treated = treated_of(name)
    texts, data = texts_of(treated), treated.original.program.lines.data
    spans = list(zip(treated.edits.begin.tolist(), treated.edits.end.tolist(), strict=True))
    gone = [k for k, (a, b) in enumerate(spans) if not texts[k] and data[a:b].endswith(b"\n")]
    assert len(gone) == 3  # the rest of the removed moves stay in part
    for k in gone:
        whole = data[slice(*spans[k])]
        assert caught(treated, [*texts[:k], whole, *texts[k + 1 :]], name, whole)


@pytest.mark.parametrize("name", KINDS)
def test_a_hop_left_out_is_seen(name):
    treated = treated_of(name)
    texts = texts_of(treated)
    hops = [run for run in treated.draft.runs if not run.early]
    alone = [k for k, t in enumerate(texts) if t.count(b"\n") == 1 and b"E" not in t and t[:4] == b"G1 X"]
    assert len(alone) == len(hops) >= 5
    for k in alone:
        assert caught(treated, [*texts[:k], b"", *texts[k + 1 :]], name, texts[k])


UNSEEN = pytest.mark.xfail(
    reason="the last bead before a run may be missing where E is relative", strict=True
)


@pytest.mark.parametrize("name", KINDS)
def test_a_line_of_the_file_left_out_beside_new_or_removed_beads_is_seen(name):
    """Nobody asked for it, though what stands there is declared to change."""
    treated = treated_of(name)
    draft = treated.draft
    program, moves = treated.original.program, treated.original.moves
    gone = np.unique(draft.row[draft.removed])
    near = {run.row - 1 for run in draft.runs} | {run.row for run in draft.runs}
    near |= set((gone - 1).tolist()) | set((gone + 1).tolist())
    acting = (treated.original.beads.length_mm > 0) | (moves.e != 0)
    found = 0
    for row in sorted(near - set(gone.tolist())):
        begin, end = (int(program.lines.start[moves.line[row] + k]) for k in (0, 1))
        wrong = also_edited(treated, begin, end, b"")
        if acting[row] and wrong is not None:
            unit = 25.4 if "inches" in KINDS[name] else 1.0
            seen = [wrong.audit(full=full).differing > 0 for full in (False, True)]
            assert all(seen) or does_the_same(treated.output, wrong.output, unit), row
            found += all(seen)
    assert found >= 4


@pytest.mark.parametrize("other", [b"", b"G92 E0.12345\n"])
def test_a_counter_of_ours_left_out_or_wrong_is_seen(other):
    treated = treated_of("absolute", reset=False)
    texts = texts_of(treated)
    ours = [k for k, t in enumerate(texts) if t.startswith(b"G92 E")]
    assert len(ours) == 2
    k = ours[0]  # behind the last one the file says E no more
    assert caught(treated, [*texts[:k], other, *texts[k + 1 :]], "absolute", texts[k])


@pytest.mark.parametrize("word", [b"M106", b"M204"])
def test_what_is_put_back_behind_a_run_left_out_is_seen(word):
    plate = plate_of("relative")
    wall = int(np.flatnonzero(plate.beads.feature == PERIMETER)[7])
    draft = Draft.of(plate)
    draft.runs.append(
        run_of(wall + 1, [(1, 1), (9, 1, 0.3)], float(plate.moves.z[wall]), fan=1.0, accel=300.0)
    )  # fmt: skip
    treated = emit(with_hops(draft), ooze_mm=0.0, bed=None)
    assert treated.audit(full=True).differing == 0
    texts = texts_of(treated)
    k = next(k for k, t in enumerate(texts) if t.count(word) == 2)
    back = texts[k].rindex(word)
    end = texts[k].index(b"\n", back) + 1
    wrong = miswritten(treated, [*texts[:k], texts[k][:back] + texts[k][end:], *texts[k + 1 :]])
    assert wrong.audit().differing and wrong.audit(full=True).differing


@pytest.mark.parametrize("word", [b"M106 S255\n", b"M204 S300\n"])
def test_fan_and_acceleration_in_front_of_a_run_left_out_are_seen(word):
    plate = plate_of("relative")
    wall = int(np.flatnonzero(plate.beads.feature == PERIMETER)[7])
    draft = Draft.of(plate)
    draft.runs.append(
        run_of(wall + 1, [(1, 1), (9, 1, 0.3)], float(plate.moves.z[wall]), fan=1.0, accel=300.0)
    )  # fmt: skip
    treated = emit(with_hops(draft), ooze_mm=0.0, bed=None)
    texts = texts_of(treated)
    k = next(k for k, t in enumerate(texts) if word in t)
    wrong = miswritten(treated, [*texts[:k], texts[k].replace(word, b""), *texts[k + 1 :]])
    assert wrong.audit().differing and wrong.audit(full=True).differing


@pytest.mark.parametrize("name", KINDS)
def test_random_mistakes_in_random_drafts_are_seen(name):
    plate = plate_of(name)

    @settings(max_examples=5)
    @given(st.integers(0, 2**32), st.randoms(use_true_random=False))
    def seen(seed, random):
        treated = emit(drawn(plate, seed), ooze_mm=0.0, bed=None)
        assert treated.audit(full=True).differing == 0
        places = lines_of_ours(treated)
        for _ in range(4 if places else 0):
            k, n = random.choice(places)
            texts = texts_of(treated)
            caught(treated, with_lines(texts, k, lambda lines, n=n: [*lines[:n], *lines[n + 1 :]]), name,
                   (seed, texts[k], n))  # fmt: skip

    seen()


def test_rows_of_a_draft_without_runs_and_removals_all_survive_undisturbed():
    draft = Draft.of(plate_of("relative"))
    rows = surviving_rows(draft)
    assert rows.tolist() == list(range(len(draft.plate.moves)))
    assert not disturbed_rows(draft).any() and ordinary_rows(draft, rows).all()
    assert sequence_problem(draft, draft.plate.program, rows, rows) == ""


def test_a_row_survives_with_its_last_piece():
    plate = plate_of("relative")
    fill = np.flatnonzero((plate.beads.feature != 0) & (plate.beads.length_mm > 15))[-3:]
    head, tail, whole = (int(k) for k in fill)
    draft = without(plate, [(head, 0.0, 0.5), (tail, 0.5, 1.0), (whole, 0.0, 1.0)])
    gone = set(range(len(plate.moves))) - set(surviving_rows(draft).tolist())
    assert gone == {tail, whole}
    assert np.flatnonzero(disturbed_rows(draft)).tolist() == [head, tail, whole]


def test_rows_beside_a_removed_one_are_no_ordinary_ones():
    plate = plate_of("relative")
    row = int(np.flatnonzero(plate.beads.feature != 0)[5])
    draft = without(plate, [(row, 0.0, 1.0)])
    rows = surviving_rows(draft)
    odd = rows[~ordinary_rows(draft, rows)]
    assert odd.tolist() == [row + 1]


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        (b"X9.7500 Y8.0000 ", b"X9.7600 Y8.0000 ", "the place of new moves"),
        (b"Y8.0000 E0.17", b"Y8.0000 E0.18", "the filament of new moves"),
        (b"E0.17000 F1440", b"E0.17000 F1450", "the feed of new moves"),
        (b"G1 X7.0000 Y2.0000 E0.21000 F1800\n", b"", "moves behind line"),
    ],
)
def test_what_is_wrong_is_told_with_a_line_of_the_original(right, wrong, told):
    treated = treated_of("relative")
    assert treated.output.count(right) == 2

    def problem(output):
        rows = surviving_rows(treated.draft)
        tags = {s.tag: s.line for s in replay(output) if s.tag is not None}
        other = read_program(output, "output")
        at = np.searchsorted(other.moves.line, [tags[k] for k in rows.tolist()])
        return sequence_problem(treated.draft, other, rows, at)

    assert problem(treated.output) == ""
    sentence = problem(treated.output.replace(right, wrong, 1))
    assert told in sentence
    line = int(re.search(r"line (\d+)", sentence)[1])
    first = treated.draft.runs[0].row
    assert treated.original.moves.line[first - 8] < line <= treated.original.moves.line[first] + 1


@pytest.mark.parametrize("off", [(0.05, 0.0), (0.0, -0.05)])
@pytest.mark.parametrize("name", KINDS)
def test_a_bead_that_begins_beside_its_place_is_seen(name, off):
    """The way back to it ends 0.05 mm beside, in the draft as in the text; the bead's own words say both axes, so that
    it ends right."""
    plate = plate_of(name)
    fill = np.flatnonzero((plate.beads.feature == SPARSE) & (plate.beads.length_mm > 15))
    draft = with_hops(without(plate, [(int(fill[1]), 0.0, 0.5), (int(fill[8]), 0.0, 0.5)]))
    assert emit(draft, ooze_mm=0.0, bed=None).audit().differing == 0
    assert len(draft.runs) == 2
    for axis, by in zip("xy", off, strict=True):
        getattr(draft.runs[1], axis)[-1] += by
    wrong = emit(draft, ooze_mm=0.0, bed=None)
    for full in (False, True):
        assert wrong.audit(full=full).first_difference.startswith("the begin of a move behind")
