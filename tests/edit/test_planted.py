"""The audit against faults planted everywhere near what changed: whatever a machine would notice is seen.

Each fault is judged by an interpreter of the tests' own (`replay`), so what the audit lets pass must do the same.
"""

from __future__ import annotations

import numpy as np
import pytest
from gates_of_demo import GATE, demo_plate
from plants import faults, others, planted, retouched, same
from replay import PERIMETER, SPARSE, Sheet, drawn, run_of, squares, with_hops, without

from gcodetools.edit.draft import Draft, Rest
from gcodetools.edit.moves import BEAD, FIRMWARE_PULL, FIRMWARE_PUSH, LIFT, PULL, PUSH, TRAVEL, WIPE
from gcodetools.edit.treated import Treated, emit

KINDS = {
    "relative": {},
    "absolute": {"relative": False},
    "inches": {"relative": False, "inches": True},
    "volumes": {"diameter_mm": 1.75},
    "volumes-absolute": {"diameter_mm": 1.75, "relative": False},
}
NAN = float("nan")
OF_UNIT = {"inches": (25.4, 25.4), "volumes": (1.0, 0.42), "volumes-absolute": (1.0, 0.42)}


def pulled_over(row: int, z: float):
    """A run that wipes, pulls back, lifts, travels, and comes down and primes, with fan and acceleration."""
    kinds = [WIPE, PULL, LIFT, TRAVEL, LIFT, PUSH, BEAD, BEAD]
    return run_of(
        row, [(0, 0)] * 8, z, kind=np.array(kinds, np.uint8), x=np.array([2.0, 2, 2, 5, 5, 5, 9, 9]),
        y=np.array([0.5, 0.5, 0.5, 5, 5, 5, 5, 9]), z=z + np.array([0, 0, 0.4, 0.4, 0, 0, 0, 0]),
        e=np.array([-0.3, -0.5, 0, 0, 0, 0.8, 0.2, 0.22]), feed=np.array([100.0, 35, 10, 100, 10, 35, 30, 24]),
        width=np.array([*[NAN] * 6, 0.5, 0.5]), feature=np.array([0] * 6 + [PERIMETER] * 2, np.uint8),
        fan=1.0, accel=300.0,
    )  # fmt: skip


def by_firmware(row: int, z: float):
    """A run between G10 and G11."""
    kinds = np.array([FIRMWARE_PULL, TRAVEL, FIRMWARE_PUSH, BEAD], np.uint8)
    feed = np.array([NAN, 100.0, NAN, 30.0])
    return run_of(row, [(20, 0), (5, 5), (5, 5), (9, 9, 0.1)], z, kind=kinds, feed=feed)


def rich(name: str, reset: bool = True, rests: bool = False, held: bool = False) -> Treated:
    """Runs of all kinds, fill removed in head, middle, tail and whole, feeds, flows, and what else is asked."""
    plate = squares(Sheet(**KINDS[name]), names=() if reset else ("a",), reset=reset).plate()
    feature, length = plate.beads.feature, plate.beads.length_mm
    fill = np.flatnonzero((feature == SPARSE) & (length > 15))
    stretches = [
        (0, 0.0, 0.25),
        (1, 0.25, 0.75),
        (2, 0.5, 1.0),
        (4, 0.0, 1.0),
        (7, 0.25, 0.75),
        (10, 0.0, 1.0),
    ]
    draft = without(plate, [(int(fill[k]), a, b) for k, a, b in stretches])
    walls = np.flatnonzero(feature == PERIMETER)
    rows = walls[np.diff(walls, append=10**9) > 1].tolist()
    heights = [float(plate.moves.z[row]) for row in rows]
    draft.runs.append(run_of(rows[0] + 1, [(1, 2), (7, 2, 0.21), (4, 8.5), (2, 6, 0.12)], heights[0]))
    draft.runs.append(by_firmware(rows[0] - 4, heights[0]))
    draft.runs.append(pulled_over(rows[1] + 1, heights[1]))
    with_hops(draft)
    rng = np.random.default_rng(3)
    kept = (feature[draft.row] != 0) & ~draft.removed
    draft.feed[kept & (rng.random(len(kept)) < 0.3)] = 22.5
    draft.flow[kept & (rng.random(len(kept)) < 0.3)] = 1.05
    draft.accel[kept & (rng.random(len(kept)) < 0.3)] = 600.0
    if held:
        draft.fan = np.full(len(plate.moves), np.nan)
        draft.fan[rows[1] - 6 : rows[1] + 4] = 0.6
    if rests:
        draft.rests.append(Rest(1, 7.0, "r"))
    treated = emit(draft, ooze_mm=0.7, bed=None)
    assert bool(treated.waits) == rests
    return treated


def near_edits(treated: Treated, reach: int = 60) -> np.ndarray:
    """(k, 2) stretches of the output within some bytes of an edit."""
    edits = treated.edits
    shift = np.concatenate([[0], np.cumsum(edits.text.length - (edits.end - edits.begin))])[:-1]
    begin = edits.begin + shift
    return np.column_stack([begin - reach, begin + edits.text.length + reach])


def all_seen(treated: Treated, name: str, count: int, seed: int, near: bool = False) -> int:
    """Plant `count` faults; how many of them are no harmless ones."""
    for full in (False, True):
        found = treated.audit(full=full)
        assert found.differing == 0, found.first_difference
    rng = np.random.default_rng(seed)
    every = list(faults(treated.output, rng))
    if near:
        spans = near_edits(treated)
        every = [f for f in every if np.any((spans[:, 0] <= f[1][-1][1]) & (spans[:, 1] >= f[1][0][0]))]
    real = 0
    for k in rng.choice(len(every), min(count, len(every)), replace=False).tolist():
        wrong = planted(treated, every[k])
        seen = [wrong.audit(full=full).differing > 0 for full in (False, True)]
        harmless = same(treated.output, wrong.output, *OF_UNIT.get(name, (1.0, 1.0)))
        assert all(seen) or harmless, (every[k][0], seen)
        real += not harmless
    return real


@pytest.mark.every(4)
@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize(
    "more", [{}, {"reset": False}, {"held": True}, {"rests": True}], ids=["plain", "bracket", "held", "rests"]
)
def test_faults_in_runs_hops_rests_counters_and_kept_text_are_seen(name, more):
    assert all_seen(rich(name, **more), name, 30, 17) >= 12


@pytest.mark.every(2)
@pytest.mark.parametrize("name", KINDS)
def test_faults_in_random_drafts_are_seen(name):
    plate = squares(Sheet(**KINDS[name]), names=("a",), reset=True).plate()
    assert (
        sum(all_seen(emit(drawn(plate, seed), ooze_mm=0.0, bed=None), name, 8, seed) for seed in range(6))
        >= 20
    )


@pytest.mark.every(4)
@pytest.mark.parametrize(
    ("letter", "options"),
    [("B", {"relative_e": False}), ("C", {"firmware_retraction": True, "arcs": True}),
     ("D", {"arcs": True, "relative_e": False}), ("J", {})],
)  # fmt: skip
def test_faults_near_edits_of_made_plates_are_seen(letter, options):
    assert GATE.height_mm > 2
    plate = demo_plate(letter, **options)
    draft = drawn(plate, 7)
    draft.rests.append(Rest(5, 3.0, "r"))
    assert all_seen(emit(draft, ooze_mm=0.7, bed=None), letter, 12, 1, near=True) >= 6


@pytest.mark.parametrize(
    "line",
    ["M84", "T1", "M221 S95", "M220 S50", "M82", "G91", "G20", "M140 S0", "M104 S0", "M204 T500", "M204 S50",
     "M205 X1", "M106 S1", "G92 X0", "M200 D1.7", "G18", "G4 P500", "G10", "G28", "M117 hello",
     "EXCLUDE_OBJECT_END NAME=a", "G2 X7 Y2 I1 J1"],
)  # fmt: skip
@pytest.mark.parametrize("where", ["run", "rest", "hop"])
def test_a_line_that_nobody_asked_for_is_seen(line, where):
    treated = rich("relative", rests=True)
    data = treated.output
    marks = {"run": b"G1 X4.0000 Y8.5000", "rest": b"G4 P2000\n", "hop": b"G1 X5.5000 Y1.0000"}
    at = data.index(b"\n", data.index(marks[where])) + 1
    wrong = retouched(treated, at, at, line.encode() + b"\n")
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


@pytest.mark.parametrize(
    ("gone", "told"),
    [(b"EXCLUDE_OBJECT_START NAME=a\n", "EXCLUDE_OBJECT_START"), (b"M204 S1000\n", ""),
     (b";TYPE:Internal infill\n", "comment"), (b"M83\n", "M83"), (b"; kept\n", "comment")],
)  # fmt: skip
def test_a_line_of_the_file_that_an_edit_swallows_is_seen(gone, told):
    sheet = squares(Sheet(), names=("a",))
    sheet.lines[sheet.lines.index("M204 S1000") : 0] = []
    sheet.lines.insert(sheet.lines.index("EXCLUDE_OBJECT_START NAME=a"), "; kept")
    plate = sheet.plate()
    draft = Draft.of(plate)
    draft.feed[plate.beads.feature != 0] = 22.5
    treated = emit(draft, ooze_mm=0.0, bed=None)
    at = treated.output.index(gone)
    wrong = retouched(treated, at, at + len(gone), b"")
    for full in (False, True):
        found = wrong.audit(full=full)
        assert found.differing and told in found.first_difference


def test_an_edit_within_a_comment_or_on_a_move_is_none_of_a_foreign_line():
    plate = squares(Sheet()).plate()
    draft = Draft.of(plate)
    draft.feed[plate.beads.feature != 0] = 22.5
    treated = emit(draft, ooze_mm=0.0, bed=None)
    at = treated.output.index(b";WIDTH:0.45") + len(b";WIDTH:")
    other = retouched(treated, at, at + 4, b"0.5")
    assert other.audit().differing == 0  # what a comment says is compared by nobody
    assert others(other.output) == others(treated.output)


def swapped(treated: Treated, one: bytes, other: bytes) -> list[bool]:
    """Whether both modes see another word in the place of the first such in the output."""
    at = treated.output.index(one)
    wrong = retouched(treated, at, at + len(one), other)
    return [wrong.audit(full=full).differing > 0 for full in (False, True)]


@pytest.mark.parametrize(
    ("one", "other"),
    [(b"G10\n", b"G11\n"), (b"G11\n", b"G10\n"), (b"G4 P5000", b"G4 P4000"), (b"G4 P2000", b"G4 P2001"),
     (b"G4 P5000\n", b"G10\n"), (b"M106 S255", b"M106 S250"), (b"M204 S300", b"M204 S310"),
     (b"G92 E6", b"G92 E7")],
)  # fmt: skip
def test_another_command_in_a_run_or_a_rest_is_seen(one, other):
    treated = rich("absolute", rests=True)
    assert swapped(treated, one, other) == [True, True]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (b"G3 X0.0000 Y10.0000", b"G2 X0.0000 Y10.0000"),
        (b"I-10.0000", b"I-10.2000"),
        (b"J0.0000", b"J0.3000"),
    ],
)
def test_another_centre_or_sense_of_what_stays_of_an_arc_is_seen(one, other):
    """The second half of a half circle about the origin is gone: its head ends above the centre."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Internal infill")
    sheet.height(0.2)
    sheet.go(10, 0, 100)
    sheet.arc(-10, 0, -10, 0, 1.2)
    sheet.go(50, 50)
    plate = sheet.plate()
    draft = without(plate, [(int(np.flatnonzero(plate.beads.feature != 0)[0]), 0.5, 1.0)])
    treated = emit(with_hops(draft), ooze_mm=0.0, bed=None)
    assert treated.audit().differing == 0
    assert swapped(treated, one, other) == [True, True]


@pytest.mark.parametrize("line", [b"G10\n", b"G4 P100\n", b"G11\n"])
def test_what_acts_in_place_is_seen_right_before_a_bead_behind_which_a_run_stands(line):
    treated = rich("relative")
    at = treated.output.index(b"G1 X0.5000 Y0.5000 E")
    wrong = retouched(treated, at, at, line)
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


def test_a_pause_of_the_file_of_another_length_is_seen():
    sheet = squares(Sheet(), layers=1)
    sheet.lines.insert(-4, "G4 P250")
    plate = sheet.plate()
    draft = Draft.of(plate)
    draft.feed[plate.beads.feature != 0] = 22.5
    treated = emit(draft, ooze_mm=0.0, bed=None)
    at = treated.output.index(b"G4 P250")
    wrong = retouched(treated, at, at + 7, b"G4 P950")
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


def test_a_hold_of_the_fan_that_is_not_written_is_seen_though_the_file_never_set_one():
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", ";TYPE:Perimeter")
    sheet.go(0, 0, 100)
    for k in range(6):
        sheet.bead(10.0 * (k % 2), float(k), 0.4, 30)
    plate = sheet.plate()
    draft = Draft.of(plate)
    draft.fan = np.full(len(plate.moves), np.nan)
    draft.fan[3:] = 0.5
    draft.feed[3] = 20.0
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert treated.audit().differing == 0 and treated.output.count(b"M106") == 2
    at = treated.output.index(b"M106")
    wrong = retouched(treated, at, treated.output.index(b"\n", at) + 1, b"")
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


@pytest.mark.parametrize("line", [b"G1 E0.01\n", b"G10\n", b"G1 X50 Y50\n"])
@pytest.mark.parametrize("whole", [False, True])
def test_what_acts_before_the_first_move_of_the_file_is_seen(line, whole):
    plate = squares(Sheet()).plate()
    draft = Draft.of(plate)
    beads = np.flatnonzero(plate.beads.feature != 0)
    draft.feed[beads if whole else beads[:2]] = 22.5
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert [treated.audit(full=full).differing for full in (False, True)] == [0, 0]
    at = int(plate.program.lines.start[plate.moves.line[0]])
    assert treated.output[:at] == plate.program.lines.data[:at]
    wrong = retouched(treated, at, at, line)
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


@pytest.mark.parametrize("line", [b"M104 S0\n", b"M104 S150\n"])
def test_a_heater_that_is_turned_off_amid_the_print_is_seen_though_the_base_is_what_the_file_prints_at(line):
    plate = demo_plate("B")
    draft = Draft.of(plate)
    beads = np.flatnonzero(plate.beads.feature != 0)[500:540]
    draft.base_nozzle_c = float(plate.program.states.nozzle[0].at(plate.moves.line[beads[:1]])[0])
    assert draft.base_nozzle_c > 180
    draft.feed[beads] = 7.0
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert [treated.audit(full=full).differing for full in (False, True)] == [0, 0]
    at = treated.output.index(b"\n", treated.output.index(b"F420") + 100) + 1
    wrong = retouched(treated, at, at, line)
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


def test_an_acceleration_that_lasts_over_a_travel_is_the_one_that_was_wanted():
    plate = squares(Sheet(), layers=1).plate()
    beads = np.flatnonzero(plate.beads.feature != 0)
    draft = Draft.of(plate)
    draft.accel[beads[2:7]] = 600.0  # over the travel from one wall to the next
    treated = emit(draft, ooze_mm=0.0, bed=None)
    assert treated.output.count(b"M204") == 3
    travel = treated.output.index(b"G1 X0.5000 Y0.5000")
    wrong = retouched(treated, travel, travel, b"M204 S50\n")
    end = wrong.output.index(b"\n", wrong.output.index(b"G1 X0.5000 Y0.5000")) + 1
    wrong = retouched(wrong, end, end, b"M204 S600\n")
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


def bare_fan(fan: float | None = None):
    """A plate whose only commands to the fan have no S, with the speed of some beads changed and the fan held."""
    sheet = Sheet()
    sheet.say(";LAYER_CHANGE", ";Z:0.2", ";HEIGHT:0.2", "M106", ";TYPE:Perimeter")
    sheet.go(0, 0, 100)
    for k in range(12):
        sheet.bead(10.0 * (k % 2), float(k), 0.4, 30)
    sheet.say("M106")
    plate = sheet.plate()
    draft = Draft.of(plate)
    draft.feed[5:7] = 20.0
    if fan is not None:
        draft.fan = np.full(len(plate.moves), np.nan)
        draft.fan[5:7] = fan
    return emit(draft, ooze_mm=0.0, bed=None)


def test_an_s_that_changes_what_full_means_is_seen():
    # S of M106 runs to 255 or to 1 (common practice, no source): 1 alone would be read as full, as the fan is.
    treated = bare_fan()
    assert [treated.audit(full=full).differing for full in (False, True)] == [0, 0]
    at = treated.output.index(b"G1", treated.output.index(b"F1200"))
    wrong = retouched(treated, at, at, b"M106 S1\n")
    assert [wrong.audit(full=full).differing > 0 for full in (False, True)] == [True, True]


def test_a_fan_that_is_held_nearly_off_beside_commands_without_s_is_as_it_was_wanted():
    treated = bare_fan(1 / 255)
    assert b"M106 S1\n" in treated.output
    assert [treated.audit(full=full).differing for full in (False, True)] == [0, 0]
