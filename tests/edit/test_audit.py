"""The audit: clean on whatever the writer writes, and loud on every byte that is not as declared."""

from __future__ import annotations

import os
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.edit import windows
from gcodetools.edit.changes import Changes
from gcodetools.edit.comparing import Comparer, Read
from gcodetools.edit.draft import Draft
from gcodetools.edit.foreign import foreign_problem
from gcodetools.edit.splice import Edits, apply_edits
from gcodetools.edit.treated import emit
from gcodetools.errors import Fault
from gcodetools.gcode.numbers import Pool
from gcodetools.gcode.scan import read_program

PLATES = {
    "labelled-relative": ("B", {}),
    "labelled-absolute": ("B", {"relative_e": False}),
    "json-objects": ("B2", {"relative_e": False}),
    "coded-objects": ("C", {"relative_e": True}),
    "coded-absolute-arcs": ("D", {"relative_e": False, "arcs": True}),
    "numbered": ("B", {"object_commands": "m486", "relative_e": False}),
    "sequential": ("B", {"sequential": True, "relative_e": False}),
    "firmware": ("C", {"firmware_retraction": True, "arcs": True}),
    "bare": ("J", {}),
    "macro": ("A", {"macro_start": True, "newline": "\r\n"}),
    "paths": ("G", {}),
    "parentheses": ("H", {}),
    "geometry": ("I", {}),
    "tracks": ("F", {}),
}
MANY = int(os.environ.get("BEADWRIGHT_DRAFTS", "4"))


@pytest.mark.parametrize("name", PLATES)
def test_random_drafts_are_clean_in_both_modes(demo, drawn, write, name):
    convention, options = PLATES[name]
    plate = demo(convention, **options)

    @settings(max_examples=MANY)
    @given(st.integers(0, 2**32))
    def clean(seed):
        write(drawn(plate, seed))

    clean()


@pytest.mark.every(1)
@pytest.mark.parametrize("seed", [1, 2])
def test_random_drafts_of_real_files_are_clean_in_both_modes(sample, drawn, write, seed):
    write(drawn(sample, seed))


def digits(text, letters):
    """Places of digits of words of `letters` in the commands of `text`; the last of I and J is rounding."""
    places, at = [], 0
    for line in text.split(b"\n"):
        code = line.split(b";")[0].split(b"(")[0]
        for word in re.finditer(rb"(?:^|[\sA-Z])([" + letters + rb"])(-?[0-9]*\.?[0-9]+)", code):
            spots = [word.start(2) + k for k, c in enumerate(word.group(2)) if chr(c).isdigit()]
            places += [at + k for k in (spots[:-1] if letters == b"IJ" else spots)]
        at += len(line) + 1
    return places


def with_other_digit(text, at, rng):
    digit = bytes([48 + (text[at] - 48 + int(rng.integers(1, 10))) % 10])
    return text[:at] + digit + text[at + 1 :]


def everything(plate, seed=0):
    """A draft with all settings but rests over most of the plate."""
    rng = np.random.default_rng(seed)
    beads = np.flatnonzero(plate.beads.feature != 0)
    cut = np.sort(rng.choice(beads, 80, replace=False))
    draft = Draft.of(plate, cut, np.full(80, 0.4))
    some = (plate.beads.feature[draft.row] != 0) & (draft.row % 70 < 20)
    draft.feed[some] = 0.8 * plate.moves.f[draft.row[some]]
    draft.flow[some] = 1.04
    draft.accel[some] = 400.0
    layers = plate.layers
    draft.fan = np.full(len(plate.moves), np.nan)
    draft.nozzle_c = draft.fan.copy()
    rows = slice(int(layers.first_row[4]), int(layers.last_row[8]))
    draft.fan[rows], draft.nozzle_c[rows] = 0.2, 238.0
    return draft


TAMPERED = [
    ("B", {}),
    ("B", {"relative_e": False}),
    ("D", {"relative_e": False, "arcs": True}),
    ("C", {"arcs": True}),
    ("J", {}),
]


def miswritten(treated, change):
    """The same with its edits' texts changed by `change(text)`, as a faulty writer would."""
    edits = treated.edits
    texts = change([edits.text.text(k) for k in range(len(edits))])
    pool = Pool(np.frombuffer(b"".join(texts), np.uint8), np.array([len(t) for t in texts], np.int64))
    data = treated.original.program.lines.data
    gone = [data[a:b].count(b"\n") for a, b in zip(edits.begin.tolist(), edits.end.tolist(), strict=True)]
    newlines = np.array([t.count(b"\n") - n for t, n in zip(texts, gone, strict=True)], np.int64)
    wrong = Edits(edits.begin, edits.end, pool, newlines)
    return replace(treated, edits=wrong, output=apply_edits(data, wrong))


def same_effect(one, other):
    """Whether both files do the same, but for the last digit that rounding may have."""
    a, b = read_program(one.output), read_program(other.output)
    if len(a.moves) != len(b.moves):
        return False
    columns = [(getattr(a.moves, n), getattr(b.moves, n)) for n in ("x", "y", "z", "e", "f")]
    acts = (a.moves.e != 0) | (np.diff(a.moves.x, prepend=0) != 0) | (np.diff(a.moves.y, prepend=0) != 0)
    for name in ("accel", "travel_accel", "fan"):
        columns.append(tuple(getattr(q.states, name).at(q.moves.line) for q in (a, b)))
    columns.append(tuple(q.states.nozzle[0].at(q.moves.line) for q in (a, b)))
    return all(np.allclose(u[acts], v[acts], rtol=0, atol=1.1e-5, equal_nan=True) for u, v in columns)


def both_see(treated):
    return [treated.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


@pytest.mark.every(2)
@pytest.mark.parametrize(("convention", "options"), TAMPERED)
@pytest.mark.parametrize("letters", [b"XY", b"E", b"F", b"S", b"IJ"])
def test_one_other_digit_in_an_edit_is_seen_in_both_modes(demo, write, convention, options, letters):
    plate = demo(convention, **options)
    treated = write(everything(plate))
    rng = np.random.default_rng(5)
    data = plate.program.lines.data
    edits = treated.edits
    # An edit that is a bare number belongs to the letter before it.
    bare = [data[max(0, b - 1) : b] for b in edits.begin.tolist()]
    texts = [edits.text.text(k) for k in range(len(edits))]
    heads = [h if t[:1] in b"0123456789-." else b"" for h, t in zip(bare, texts, strict=True)]
    places = [
        (k, at - len(h))
        for k, (h, t) in enumerate(zip(heads, texts, strict=True))
        for at in digits(h + t, letters)
    ]
    if letters == b"IJ":
        assert bool(places) == bool(options.get("arcs"))
    for k, at in [places[int(n)] for n in rng.integers(0, len(places), 6)] if places else []:

        def change(texts, k=k, at=at):
            return [*texts[:k], with_other_digit(texts[k], at, rng), *texts[k + 1 :]]

        wrong = miswritten(treated, change)
        assert both_see(wrong) or same_effect(treated, wrong), (texts[k], wrong.edits.text.text(k), heads[k])


@pytest.mark.parametrize(("convention", "options"), TAMPERED)
def test_a_line_that_was_not_written_is_seen_in_both_modes(demo, write, convention, options):
    treated = write(everything(demo(convention, **options)))
    rng = np.random.default_rng(6)
    texts = [treated.edits.text.text(k) for k in range(len(treated.edits))]
    whole = [k for k, t in enumerate(texts) if t.endswith(b"\n")]
    for k in rng.choice(whole, 8, replace=False).tolist():
        wrong = miswritten(treated, lambda texts, k=k: [*texts[:k], b"", *texts[k + 1 :]])
        assert both_see(wrong) or same_effect(treated, wrong), texts[k]


@pytest.mark.parametrize(("convention", "options"), TAMPERED)
def test_two_texts_in_each_other_s_place_are_seen_in_both_modes(demo, write, convention, options):
    treated = write(everything(demo(convention, **options)))
    rng = np.random.default_rng(7)
    texts = [treated.edits.text.text(k) for k in range(len(treated.edits))]
    pairs = [k for k in range(len(texts) - 1) if texts[k] != texts[k + 1]]
    for k in rng.choice(pairs, 8, replace=False).tolist():
        wrong = miswritten(treated, lambda t, k=k: [*t[:k], t[k + 1], t[k], *t[k + 2 :]])
        assert both_see(wrong) or same_effect(treated, wrong), (texts[k], texts[k + 1])


@pytest.mark.parametrize("tamper", ["digit", "delete", "swap", "insert"])
def test_a_change_outside_the_edits_is_seen(demo, write, tamper):
    plate = demo("B")
    draft = Draft.of(plate)
    draft.feed[np.flatnonzero(plate.beads.feature != 0)[:40]] = 7.0
    treated = write(draft)
    lines = treated.output.split(b"\n")
    k = next(n for n in range(len(lines) - 400, len(lines)) if lines[n].startswith(b"G1 X"))
    if tamper == "digit":
        lines[k] = with_other_digit(lines[k], 4, np.random.default_rng(0))
    elif tamper == "delete":
        del lines[k]
    elif tamper == "swap":
        lines[k], lines[k + 1] = lines[k + 1], lines[k]
    else:
        lines.insert(k, b"M84")
    wrong = replace(treated, output=b"\n".join(lines))
    assert both_see(wrong)
    with pytest.raises(Fault, match="differ"):
        wrong.audit().require_clean()


def test_an_output_that_differs_though_nothing_was_edited_is_a_fault(demo):
    treated = emit(Draft.of(demo("B")), ooze_mm=1.0, bed=None)
    with pytest.raises(Fault, match="nothing was edited"):
        replace(treated, output=treated.output + b"\n").audit()


def test_an_undeclared_change_is_seen_in_both_modes(demo, write):
    plate = demo("B", relative_e=False)
    treated = write(everything(plate))
    for field in ("accel", "e", "nozzle", "fan"):
        silent = treated.declared.without(field)
        assert both_see(replace(treated, declared=silent)), field


def test_counts_name_what_was_kept_replaced_inserted_and_held_back(plate_of, write):
    plate = plate_of(
        "G21\nG90\nM83\nM204 S1000\n;TYPE:Perimeter\nG1 X0 Y0 F1800\n"
        "G1 X10 E.4\nM204 S900\nG1 Y10 E.4\nG1 X0\n"
    )
    draft = Draft.of(plate)
    draft.accel[plate.beads.feature != 0] = 500.0
    found = write(draft).audit()
    # M204 S900 is replaced; M204 S500 before the first bead and M204 S900 behind the second are new.
    assert (found.kept, found.replaced, found.inserted, found.held_back) == (9, 1, 2, 1)


def test_batches_carry_holds_over_kept_stretches(demo, monkeypatch):
    """A hold that begins in one batch of windows is still in force in the next."""
    plate = demo("B")
    draft = Draft.of(plate)
    beads = np.flatnonzero(plate.beads.feature != 0)
    middle = slice(int(beads[len(beads) // 4]), int(beads[3 * len(beads) // 4]))
    draft.nozzle_c = np.full(len(plate.program.moves), np.nan)
    draft.nozzle_c[middle] = 241.0
    draft.feed[beads[::97]] = plate.program.moves.f[beads[::97]] * 0.7
    treated = emit(draft, ooze_mm=0.0, bed=None)
    once = treated.audit()
    monkeypatch.setattr(windows, "_BATCH_MOVES", 40)
    many = treated.audit()
    assert not once.whole_file and (many.differing, many.moves_read) == (0, once.moves_read)
    wrong = treated.output.replace(b"M104 S241", b"M104 S242")
    assert replace(treated, output=wrong).audit().differing > 0


def spliced(plate, *changes):
    """A draft's edits of our making: (begin, end, text) each, and the output that comes of them."""
    spans = np.array([change[:2] for change in changes], np.int64)
    texts = [text for *_, text in changes]
    pool = Pool(np.frombuffer(b"".join(texts), np.uint8), np.array([len(t) for t in texts], np.int64))
    data = plate.program.lines.data
    newlines = [t.count(b"\n") - data[a:b].count(b"\n") for a, b, t in changes]
    edits = Edits(spans[:, 0], spans[:, 1], pool, np.array(newlines, np.int64))
    return edits, apply_edits(data, edits)


LINES = b"G21\nG90\nM83\nM117 A\nG1 X0 Y0 F1800\n;TYPE:Perimeter\nG1 X10 E.4\n"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ([(19, 19, b"M204 S9\nG1 F5\n")], ""),
        ([(19, 19, b"M204 S9\nM84\n")], "M84"),
        ([(19, 19, b"M84\nM204 S9\n")], "M84"),
        ([(19, 19, b"G1 F5\n"), (19, 19, b"; a comment\n")], ""),
        ([(19, 19, b"G1X5\n")], ""),
        ([(19, 19, b"G1.5 X5\n")], "G1.5"),
        ([(19, 19, b"M2040 S5\n")], "M2040"),
        ([(18, 19, b""), (19, 19, b"M204 S9\n")], "M117"),
        ([(12, 12, b"M117"), (12, 12, b"M204 S9\n")], "M117M204"),
        ([(12, 19, b"M204 S9\n")], "M117"),
        ([(12, 12, b"M204 S9\nM84")], "M84"),
        ([(19, 19, b"(x) M600\n")], "M600"),
        ([(19, 19, b"(a) (b) M117 hi\n")], "M117 hi"),
    ],
)
def test_lines_of_others_are_seen_beside_lines_of_ours(plate_of, changes, told):
    plate = plate_of(LINES)
    data = plate.program.lines.data
    assert data[12:19] == b"M117 A\n" and data.index(b"G1 X0") == 19
    edits, output = spliced(plate, *changes)
    problem = foreign_problem(plate.program, edits, output)
    assert (told in problem) if told else problem == ""


@pytest.mark.parametrize("last", [b"M84", b"; the end"])
def test_a_line_of_ours_that_runs_into_a_last_line_without_an_end_is_seen(plate_of, last):
    plate = plate_of(LINES + last)
    size = len(plate.program.lines.data)
    edits, output = spliced(plate, (size, size, b"M104 S200\n"))
    assert last.decode() in foreign_problem(plate.program, edits, output)
    apart, output = spliced(plate, (size, size, b"\nM104 S200\n"))
    assert foreign_problem(plate.program, apart, output) == ""


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"(a note) G1 X10 E.4", ""),
        (b"(a) N7 (b) G1 X10 E.4", ""),
        (b"G1.0 X10 E.4", ""),
        (b"G001 X10 E.4", ""),
        (b"M0104 S200", ""),
        (b"M204.00 S500", ""),
        (b"(a note) M117 G1", "M117"),
        (b"(a note)", "the comment"),
        (b"(a note ; G1 X5", "the comment"),
        (b"(a) ; G1 X5", "the comment"),
        (b"G92.1", "G92.1"),
        (b"M0104.5 S200", "M0104.5"),
    ],
)
def test_whose_line_is_left_out(plate_of, line, told):
    """Moves, heat and acceleration go as the draft wants; what else the file says stays."""
    plate = plate_of(LINES + line + b"\nG1 X20 E.4\n")
    at = len(LINES)
    edits, output = spliced(plate, (at, at + len(line) + 1, b""))
    problem = foreign_problem(plate.program, edits, output)
    assert (told in problem) if told else problem == ""


def test_a_move_with_a_note_before_it_stands_for_no_comment(plate_of):
    """Other words on such a line are none in a comment, and the comment beside it may not go for them."""
    text = b"; keep\n(a note) G1 X30 E.4\n"
    plate = plate_of(LINES + text)
    at = len(LINES)
    x = at + text.index(b"30")
    edits, output = spliced(plate, (at, at + 8, b"("), (x, x + 2, b"31"))
    assert "keep" in foreign_problem(plate.program, edits, output)


def test_what_was_put_before_a_move_counts_in_its_filament_and_path(plate_of):
    """Whatever else sees such a move, these sums do on their own."""
    plate = plate_of(LINES + b"G1 Y10 E.4\nG1 X0 E.4\n")
    text = plate.program.lines.data.replace(b"G1 Y10", b"G1 X15 Y3 E.2\nG1 X10 Y0\nG1 Y10")
    other, rows = read_program(text), np.arange(4)
    read = Read(
        other, rows, np.array([0, 1, 4, 5]), np.array([0]), plate.moves.line, other.moves.line[[0, 1, 4, 5]]
    )
    comparer = Comparer(Draft.of(plate), plate.program, Changes())
    found = dict(comparer._sums(read, None, comparer._apart(read)))
    assert {name: off.tolist() for name, off in found.items()} == {"filament": [2], "path length": [2]}
