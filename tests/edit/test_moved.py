"""Moves that go elsewhere: read back by the tests' own interpreter, and by the audit under planted faults."""

from __future__ import annotations

from math import hypot, pi

import numpy as np
import pytest
from plants import faults, planted, same
from replay import Sheet, circle, replay, squares

from gcodetools.edit.draft import Draft, Rest
from gcodetools.edit.moved import Moved
from gcodetools.edit.treated import emit
from gcodetools.toolpath.plate import Plate

KINDS = {
    "relative": {},
    "absolute": {"relative": False},
    "inches": {"relative": False, "inches": True},
    "volumes": {"diameter_mm": 1.75},
    "shifted": {"shift": (3.0, -2.0)},
    "crlf": {"newline": "\r\n", "relative": False},
}
OF_UNIT = {"inches": (25.4, 25.4), "volumes": (1.0, 0.42)}


def arcs(sheet: Sheet, layers: int = 2) -> Sheet:
    """Discs of two arcs a loop, each followed by a lift in a spiral and a way that names one axis."""
    for layer in range(layers):
        z = 0.2 * (layer + 1)
        sheet.say(";LAYER_CHANGE", f";Z:{z:g}", ";HEIGHT:0.2")
        sheet.height(z)
        for x, r in ((10.0, 8.0), (40.0, 3.0)):
            sheet.say(";TYPE:External perimeter", ";WIDTH:0.45")
            sheet.go(x + r, 0, 100)
            sheet.push(0.8)
            sheet.arc(x - r, 0, -r, 0, 0.1 * r)
            sheet.arc(x + r, 0, r, 0, 0.1 * r)
            sheet.push(-0.8)
            sheet._move("G3", f"Z{(z + 0.4) / sheet.unit:.4f}", f"I{1.2 / sheet.unit:.4f}")
            sheet._move("G1", f"X{(x - sheet.shift[0]) / sheet.unit:.4f}")
            sheet.height(z)
        sheet.say(";TYPE:Perimeter")
        sheet.go(60, 0, 100)
        sheet.arc(60, 10, 0, 5, 0.4)
        sheet.bead(70, 10, 0.4)
        sheet._move("G1", f"Y{(0 - sheet.shift[1]) / sheet.unit:.4f}", sheet._e(0.4))
    sheet.go(90, 90, 100)
    return sheet


def nodes(plate: Plate) -> np.ndarray:
    """Rows that move in X and Y, but for ways round to where they began."""
    moves = plate.moves
    goes = np.append(False, (np.diff(moves.x) != 0) | (np.diff(moves.y) != 0))
    return np.flatnonzero(goes)


def shaken(plate: Plate, seed: int, share: float = 0.4) -> Draft:
    """A draft of which some ends, and some points inside, lie up to 0.2 mm elsewhere."""
    rng = np.random.default_rng(seed)
    row = nodes(plate)[:-1]
    row = np.sort(rng.choice(row, max(1, int(share * len(row))), replace=False))
    shift = rng.uniform(-0.14, 0.14, (len(row), 2))
    bead = np.flatnonzero((plate.beads.feature != 0) & (plate.beads.length_mm > 4))
    some = np.sort(rng.choice(bead, int(rng.integers(0, 6)), replace=False))
    t = rng.uniform(0.2, 0.8, len(some))
    whole = Moved.of(plate.program, row, shift)
    point = whole.points(some, t) + rng.uniform(-0.1, 0.1, (len(some), 2))
    filled = np.sort(rng.choice(bead, 3, replace=False))
    moved = Moved.of(plate.program, row, shift, (some, t, point), (filled, rng.uniform(0.9, 1.1, 3)))
    draft = Draft.of(plate, None, None, moved.knots())
    draft.moved = moved
    return draft


def way(draft: Draft, row: int) -> tuple[float, float]:
    """Length of a row as the draft has it and as the file has it, by a thousand chords."""
    rows, t = np.full(1001, row), np.linspace(0, 1, 1001)
    here = Moved.of(draft.plate.program, np.empty(0, np.int64), np.empty((0, 2)))
    return tuple(float(np.hypot(*np.diff(m.points(rows, t), axis=0).T).sum()) for m in (draft.moved, here))


@pytest.mark.every(3)
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("shape", [squares, arcs], ids=["squares", "arcs"])
@pytest.mark.parametrize("name", KINDS)
def test_what_is_moved_is_read_back_where_it_should_be(write, name, shape, seed):
    plate = shape(Sheet(**KINDS[name])).plate()
    draft = shaken(plate, seed)
    treated = write(draft)
    steps = [s for s in replay(treated.output) if s.tag is not None]
    before = [s for s in replay(plate.program.lines.data) if s.tag is not None]
    assert len(steps) == len(before)
    step = 25.4e-4 if name == "inches" else 1e-4
    for k, (old, new) in enumerate(zip(before, steps, strict=True)):
        row = int(np.searchsorted(plate.moves.line, old.line))
        wanted = float(draft.moved.x[row]), float(draft.moved.y[row]), old.end[2]
        assert new.end == pytest.approx(wanted, abs=0.51 * max(step, 1e-3 if name == "crlf" else step)), k
    pushed: dict[int, float] = {}
    waiting = 0.0
    for s in replay(treated.output):
        waiting += s.e
        if s.tag is not None:
            pushed[s.tag], waiting = waiting, 0.0
    for old in before:
        row = int(np.searchsorted(plate.moves.line, old.line))
        fill = draft.moved.fill[draft.moved.fill_row == row]
        if plate.beads.feature[row] and row in draft.moved.touched:
            new_mm, old_mm = way(draft, row)
            due = old.e * new_mm / old_mm * (fill[0] if len(fill) else 1.0)
        else:
            due = old.e
        assert pushed[old.tag] == pytest.approx(
            due, abs=6e-5 * (25.4 if name == "inches" else 1) + 1e-3 * due
        )


def test_a_circle_grows_about_its_centre(write):
    """pi (r + d)^2 of a full circle written as one arc: its centre stays, its filament grows as its length."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:External perimeter")
    sheet.height(0.2)
    sheet.go(13, 5)
    sheet.arc(13, 5, -8, 0, 2.0)
    sheet.go(90, 90)
    plate = sheet.plate()
    draft = Draft.of(plate)
    draft.moved = Moved.of(plate.program, np.array([1, 2]), np.array([[0.05, 0.0], [0.05, 0.0]]))
    treated = write(draft)
    program = treated.plate.program
    assert [program.arcs.cx[0], program.arcs.cy[0], program.arcs.radius[0]] == pytest.approx([5, 5, 8.05])
    assert program.arcs.sweep[0] == pytest.approx(2 * pi)
    assert program.moves.e[2] == pytest.approx(2.0 * 8.05 / 8, abs=1e-5)


def test_a_line_that_leaves_an_axis_out_names_it_where_it_must(write):
    text = "G21\nG90\nM83\n;LAYER_CHANGE\n;TYPE:Perimeter\nG1 X0 Y0 Z0.2 F1200\nG1 X10 E1\nG1 Y10 E1\nG1 X0\nG1 Y0\n"
    plate = Plate.from_bytes(text.encode())
    draft = Draft.of(plate)
    draft.moved = Moved.of(plate.program, np.array([1]), np.array([[0.1, 0.05]]))
    lines = write(draft).output.decode().splitlines()
    # X10 Y0 is now 10.1, 0.05; the wall behind it still ends at 10, 10.
    assert lines[6] == "G1 X10.100 Y0.050 E1.01001"
    assert [s.end[:2] for s in replay("\n".join(lines).encode())][1:] == [
        (10.1, 0.05), (10, 10), (0, 10), (0, 0),
    ]  # fmt: skip


def test_an_arc_by_its_radius_is_written_by_its_centre(write):
    text = "G21\nG90\nM83\n;LAYER_CHANGE\n;TYPE:Perimeter\nG1 X0 Y0 Z0.2 F1200\nG3 X10 Y0 R5 E1\nG1 X20 Y20\n"
    plate = Plate.from_bytes(text.encode())
    draft = Draft.of(plate)
    draft.moved = Moved.of(plate.program, np.array([0, 1]), np.array([[-0.1, 0.0], [0.1, 0.0]]))
    lines = write(draft).output.decode().splitlines()
    assert lines[6] == "G3 X10.100 Y0 I5.100 J0.000 E1.02000"


@pytest.mark.every(3)
@pytest.mark.parametrize("shape", [squares, arcs], ids=["squares", "arcs"])
@pytest.mark.parametrize("name", ["relative", "absolute", "inches", "volumes"])
def test_faults_planted_in_moved_beads_are_seen(name, shape):
    plate = shape(Sheet(**KINDS[name])).plate()
    draft = shaken(plate, 5)
    draft.rests.append(Rest(1, 7.0, "r"))
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert treated.audit().differing == 0, treated.audit().first_difference
    rng = np.random.default_rng(4)
    every = list(faults(treated.output, rng))
    real = 0
    for k in rng.choice(len(every), min(40, len(every)), replace=False).tolist():
        wrong = planted(treated, every[k])
        seen = wrong.audit().differing > 0
        harmless = same(treated.output, wrong.output, *OF_UNIT.get(name, (1.0, 1.0)))
        assert seen or harmless, every[k]
        real += not harmless
    assert real >= 15


def test_chords_of_a_moved_circle_keep_their_number():
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:External perimeter")
    sheet.height(0.2)
    points = circle(5.0, 32)
    sheet.go(*points[0])
    for a, b in zip([*points[1:], points[0]], points, strict=True):
        sheet.bead(*a, 0.03 * hypot(a[0] - b[0], a[1] - b[1]))
    plate = sheet.plate()
    rows = nodes(plate)
    unit = np.column_stack([plate.moves.x[rows], plate.moves.y[rows]]) / 5.0
    draft = Draft.of(plate)
    draft.moved = Moved.of(plate.program, rows, 0.05 * unit)
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert treated.audit().differing == 0
    assert treated.output.count(b"\n") == plate.program.lines.data.count(b"\n")
    moves = treated.moves
    assert np.hypot(moves.x[rows], moves.y[rows]) == pytest.approx(5.05, abs=1e-4)
