"""Rests: where the nozzle waits, where it is primed, and what it comes back to."""

from __future__ import annotations

import numpy as np
import pytest
from plants import retouched
from replay import Sheet, replay, run_of, squares, with_hops, without
from shapely import LineString, MultiPoint, Point, Polygon

from gcodetools.documents.profiles import Bed
from gcodetools.edit import rests
from gcodetools.edit.context import Context
from gcodetools.edit.draft import Draft, Rest
from gcodetools.edit.moved import Moved
from gcodetools.edit.moves import WAIT
from gcodetools.edit.rests import rest_obstacle
from gcodetools.gcode.program import DWELL

BED = Bed((0.0, 0.0), "test", "assumption", size=(220.0, 220.0))
LAYER = 6


def rested(plate, write, seconds=12.5, layers=(LAYER,), **options):
    draft = Draft.of(plate)
    draft.rests += [Rest(k, seconds, "clip#1/lips") for k in layers]
    return write(draft, **options)


def new_rows(treated):
    """Rows of the treated file that the original does not have: from the park move to what returns."""
    after = treated.plate
    dwell = np.flatnonzero(after.moves.kind & DWELL)
    return after, dwell


@pytest.mark.parametrize("convention", ["B", "C", "J"])
@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("bed", [None, BED])
def test_it_waits_in_pieces_off_every_outline_and_primes_over_infill(demo, write, convention, relative, bed):
    plate = demo(convention, relative_e=relative)
    treated = rested(plate, write, bed=bed, ooze_mm=0.7)
    assert treated.unrested == ()
    after, dwell = new_rows(treated)
    seconds = after.program.dwell_s
    assert seconds.tolist() == [5.0, 5.0, 2.5]
    park = dwell[0] - 1
    x, y = after.moves.x[park], after.moves.y[park]
    below = (plate.beads.layer == LAYER - 1) & (plate.beads.feature != 0)
    points = np.column_stack([plate.moves.x[below], plate.moves.y[below]])
    middles = points[:, 0] < 105
    for side in (middles, ~middles):
        assert MultiPoint(points[side]).convex_hull.distance(Point(x, y)) > 1.5
    if bed is None:
        every = plate.beads.feature != 0
        every &= plate.beads.layer >= 0
        assert plate.moves.x[every].min() - 1e-6 <= x <= plate.moves.x[every].max() + 1e-6
    else:
        assert 0 <= x <= 220 and 0 <= y <= 220
    assert after.moves.z[park] >= plate.layers.z_mm[LAYER] - 1e-9
    # Behind the wait: over an inner bead of the layer below, pushed and pulled there.
    prime = dwell[-1] + 1
    inner = below & np.isin(plate.beads.feature, (2, 3, 4, 7))
    place = np.hypot(plate.moves.x - after.moves.x[prime], plate.moves.y - after.moves.y[prime])
    assert place[inner].min() < 1e-3
    assert place[below & (plate.beads.feature == 1)].min() > 0.1
    assert after.moves.e[prime + 1] == pytest.approx(0.8 + 0.7) and after.moves.e[prime + 2] == pytest.approx(
        -0.8
    )
    assert after.moves.e.sum() - plate.moves.e.sum() == pytest.approx(0.7, abs=1e-4)


def test_the_counter_position_and_feed_behind_it_are_the_file_s(demo, write):
    for relative in (True, False):
        plate = demo("B", relative_e=relative)
        treated = rested(plate, write)
        after = treated.plate
        behind = len(plate.moves) - int(plate.layers.first_row[LAYER]) - 5
        for name in ("x", "y", "z", "e", "f", "kind"):
            a, b = getattr(plate.moves, name)[-behind:], getattr(after.moves, name)[-behind:]
            assert np.allclose(a, b, rtol=0, atol=1e-9), name


def test_firmware_retraction_is_undone_and_done_again_around_the_prime(demo, write):
    plate = demo("C", firmware_retraction=True)
    text = rested(plate, write, ooze_mm=0.7).output.decode().splitlines()
    at = max(k for k, line in enumerate(text) if line.startswith("G4"))
    assert [line.split()[0] for line in text[at + 1 : at + 5]] == ["G0", "G11", "G1", "G10"]
    assert text[at + 3].split()[1] == "E0.70000"


LIFTED = {
    "relative": {},
    "absolute": {"relative": False},
    "inches": {"relative": False, "inches": True},
    "shifted": {"shift": (5.0, -3.0)},
    "returns": {"newline": "\r\n"},
}


class ByFirmware(Sheet):
    """Pulls and pushes by G10 and G11."""

    def push(self, e: float, feed: float | None = None) -> None:
        self._move("G10" if e < 0 else "G11")


@pytest.mark.parametrize("names", [(), ("a", "b")], ids=["plain", "brackets"])
@pytest.mark.parametrize("firmware", [False, True], ids=["e", "g10"])
@pytest.mark.parametrize("name", LIFTED)
def test_it_waits_lifted_and_is_primed_down_at_the_height_of_the_layer_to_come(write, name, firmware, names):
    """The file lifts by 0.4 mm behind a layer at 0.2. A bead lies one layer's height (0.2 mm) below the nozzle, so
    what is primed at 0.6 would hang over the layer as a drop; at 0.4 it lies on it (common practice, no source)."""
    kind = ByFirmware if firmware else Sheet
    plate = squares(kind(**LIFTED[name]), layers=2, names=names).plate()
    before = replay(plate.program.lines.data)
    draft = Draft.of(plate)
    draft.rests.append(Rest(1, 4.0, "r"))
    treated = write(draft, ooze_mm=0.7, bed=BED)
    assert treated.unrested == ()
    steps = replay(treated.output)
    at = next(k for k, s in enumerate(steps) if s.text.startswith("G4"))
    heights = [steps[at].end[2], steps[at + 1].end[2]]
    assert heights == pytest.approx([0.6, 0.6], abs=2e-3)
    down, *primed, up = steps[at + 2 : at + (7 if firmware else 6)]
    assert down.begin == pytest.approx(steps[at + 1].end) and not down.moves
    assert down.feed == pytest.approx(10.0, rel=1e-3)  # as the sheet itself lifts
    assert [s.end[2] for s in (down, *primed)] == pytest.approx([0.4] * (1 + len(primed)), abs=2e-3)
    assert not any(s.moves for s in primed)
    words = ["G11", "G1", "G10"] if firmware else ["G1", "G1"]
    assert [s.text.split()[0] for s in primed] == words
    assert [s.e for s in primed] == pytest.approx([0, 0.7, 0] if firmware else [1.5, -0.8], abs=2e-3)
    assert up.end == pytest.approx((*down.end[:2], 0.6), abs=2e-3) and up.feed == pytest.approx(
        10.0, rel=1e-3
    )
    # From there on the file goes its way.
    rest = [s for s in steps[at:] if s.tag is not None]
    own = [s for s in before if s.tag is not None][-len(rest) :]
    assert [(s.end, s.feed) for s in rest] == [(s.end, s.feed) for s in own]
    assert sum(s.e for s in steps) - sum(s.e for s in before) == pytest.approx(0.7, abs=2e-3)


def test_a_z_that_was_set_counts_for_the_way_down_too(plate_of, write):
    """G92 Z: the file's own words are 0.1 higher than the nozzle is."""
    leave = "G1 E-1 F2100\nG92 Z0.3\nG1 Z0.9 F600\n"
    text = LAYERS.format(below="Solid infill", leave=leave, again="G1 E1 F2100\n")
    text = text.replace("G1 Z0.4 F600", "G1 Z0.5 F600")
    steps = replay(rested(plate_of(text), write, layers=[1], ooze_mm=0.7).output)
    at = next(k for k, s in enumerate(steps) if s.text.startswith("G4"))
    assert steps[at].end[2] == pytest.approx(0.8)
    assert next(s for s in steps[at:] if s.e > 0).end[2] == pytest.approx(0.4)
    assert "G1 Z0.500 F600" in [s.text for s in steps[at:]]


def test_on_a_plate_printed_object_by_object_it_stays_above_the_current_one(demo, write):
    plate = demo("B", sequential=True)
    layers = [k for k in range(1, len(plate.layers)) if plate.layers.run[k] == plate.layers.run[k - 1]]
    after, dwell = new_rows(rested(plate, write, layers=layers, seconds=3.0))
    assert len(dwell) == len(layers)
    for row, k in zip(dwell, layers, strict=True):
        below = (plate.beads.layer == k - 1) & (plate.beads.feature > 1)
        gap = np.hypot(plate.moves.x[below] - after.moves.x[row], plate.moves.y[below] - after.moves.y[row])
        assert gap.min() < 1e-3


def test_the_first_layer_of_the_next_object_has_nothing_to_rest_on(demo, write):
    plate = demo("B", sequential=True)
    first = int(np.flatnonzero(np.diff(plate.layers.run))[0]) + 1
    treated = rested(plate, write, layers=[0, first])
    assert [(m.layer, m.region) for m in treated.unrested] == [(0, "clip#1/lips"), (first, "clip#1/lips")]
    assert "first layer of its object" in treated.unrested[1].why
    assert treated.output == plate.program.lines.data


LAYERS = """G21
G90
M83
;LAYER_CHANGE
;Z:0.2
;HEIGHT:0.2
;TYPE:{below}
G1 Z0.2 F600
G1 X0 Y0 F6000
G1 X10 Y0 E0.4 F1800
G1 X10 Y10 E0.4
{leave};LAYER_CHANGE
;Z:0.4
;TYPE:External perimeter
G1 Z0.4 F600
G1 X0 Y0 F6000
{again}G1 X10 Y0 E0.4 F1800
"""


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"below": "Solid infill", "leave": "", "again": ""}, "does not retract"),
        (
            {"below": "External perimeter", "leave": "G1 E-1 F2100\n", "again": "G1 E1 F2100\n"},
            "no place to prime",
        ),
    ],
)
def test_where_there_is_no_safe_place_or_moment_it_says_so_and_writes_nothing(plate_of, write, fields, why):
    plate = plate_of(LAYERS.format(**fields))
    treated = rested(plate, write, layers=[1])
    assert why in treated.unrested[0].why
    assert treated.output == plate.program.lines.data


def test_a_spot_in_a_wide_gap_of_the_infill_is_inside_the_part(plate_of, write):
    # A frame of 60 mm whose inside is empty but for one bead: the gaps are wide, and still no place to wait.
    ring = "G1 X60 Y0 E2 F1800\nG1 X60 Y60 E2\nG1 X0 Y60 E2\nG1 X0 Y0 E2\n"
    text = LAYERS.format(below="External perimeter", leave="G1 E-1 F2100\n", again="G1 E1 F2100\n")
    text = text.replace(
        "G1 X10 Y0 E0.4 F1800\nG1 X10 Y10 E0.4\n",
        ring + ";TYPE:Solid infill\nG1 X5 Y5 F6000\nG1 X9 Y5 E.2\n",
        1,
    )
    after, dwell = new_rows(rested(plate_of(text), write, layers=[1]))
    spot = Point(after.moves.x[dwell[0]], after.moves.y[dwell[0]])
    assert not Polygon([(0, 0), (60, 0), (60, 60), (0, 60)]).contains(spot) or spot.equals(Point(9, 5))
    outside, dwell = new_rows(
        rested(
            plate_of(text), write, layers=[1], bed=Bed((-20.0, -20.0), "t", "assumption", size=(200.0, 200.0))
        )
    )
    assert outside.moves.x[dwell[0]] == -5.0


def test_a_rest_inside_a_stretch_of_added_flow_pushes_what_it_should(plate_of, write):
    # Absolute E, and no line outside the bracket between the treated bead and the rest.
    text = LAYERS.format(below="Solid infill", leave="G1 E-0.6 F2100\nG1 Z0.8\n", again="G1 E0.4 F2100\n")
    text = text.replace("M83", "M82").replace("G1 X10 Y10 E0.4", "G1 X10 Y10 E0.4\nG1 X0 Y10 E0.8\n;keep")
    lines = text.replace("G1 E-0.6", "G1 E-0.2").replace("G1 E0.4 F2100", "G1 E0.8 F2100").replace(
        "G1 X10 Y0 E0.4 F1800\n", "G1 X10 Y0 E0.2 F1800\n", 1).splitlines()  # fmt: skip
    lines[-1] = "G1 X10 Y0 E1.2 F1800"
    lines.insert(3, "EXCLUDE_OBJECT_START NAME=a")
    plate = plate_of("\n".join([*lines, "EXCLUDE_OBJECT_END NAME=a", "G1 X50 Y50", ""]))
    draft = Draft.of(plate)
    beads = np.flatnonzero(plate.beads.feature != 0)
    draft.flow[beads[0]] = 1.5
    draft.rests.append(Rest(1, 4.0, "r"))
    treated = write(draft, ooze_mm=0.7)
    after, dwell = new_rows(treated)
    assert after.moves.e[dwell[-1] + 1 : dwell[-1] + 4].max() == pytest.approx(1.0 + 0.7, abs=1e-4)
    assert after.moves.e.sum() - plate.moves.e.sum() == pytest.approx(0.7 + 0.1, abs=1e-4)


COUNTED = """G21
G90
M82
G92 E0
G1 Z0.2 F600
;LAYER_CHANGE
;Z:0.2
;HEIGHT:0.2
{open};TYPE:Solid infill
G1 X0 Y0 F6000
G1 X100 Y0 E8 F1800
G1 X100 Y100 E16
G1 E15.2 F2100
G1 Z0.8 F600
{between};LAYER_CHANGE
;Z:0.4
;HEIGHT:0.2
;TYPE:Solid infill
G1 X0 Y0 F6000
G1 Z0.4 F600
{again}
"""


def counted(between: str, open_bracket: bool = False) -> str:
    """Two layers of absolute E, the counter at 15.2 where the rest goes; `between` stands right behind."""
    resets = "G92 E0" in between
    again = "G1 E0.8 F2100\nG1 X100 Y0 E8.8 F1800" if resets else "G1 E16 F2100\nG1 X100 Y0 E24 F1800"
    opens = "EXCLUDE_OBJECT_START NAME=a\n" if open_bracket else ""
    return COUNTED.format(between=between, again=again, open=opens)


@pytest.mark.parametrize("flow", [1.0, 1.25])
@pytest.mark.parametrize(
    ("between", "bracket"),
    [
        ("", False),
        ("G92 E0\n", False),
        ("G92 E0\nEXCLUDE_OBJECT_END NAME=a\n", True),
        ("EXCLUDE_OBJECT_END NAME=a\nG92 E0\n", True),
        ("EXCLUDE_OBJECT_END NAME=a\n", True),
        ("M117 a\nG92 E0\nM117 b\nEXCLUDE_OBJECT_END NAME=a\nM117 c\n", True),
    ],
)
def test_a_counter_that_is_set_right_behind_the_retraction_counts_where_the_rest_stands(
    plate_of, write, between, bracket, flow
):
    """The prime pushes what was pulled back plus the ooze and pulls it back again; no more, wherever a G92 is."""
    plate = plate_of(counted(between, bracket))
    draft = Draft.of(plate)
    if flow != 1.0:
        draft.flow[np.flatnonzero(plate.beads.feature != 0)[1]] = flow
    draft.rests.append(Rest(1, 4.0, "r"))
    output = write(draft, ooze_mm=0.7).output
    steps = replay(output)
    at = next(k for k, s in enumerate(steps) if s.text.startswith("G4"))
    pushed = [s.e for s in steps[at:] if s.e and not s.moves][:3]
    assert pushed == pytest.approx([0.8 + 0.7, -0.8, 0.8], abs=2e-5)
    beads = [s.e for s in steps if s.is_bead]
    assert beads == pytest.approx([8.0, 8.0 * flow, 8.0], abs=2e-5)


@pytest.mark.parametrize("wrong", [b"G1 E1.50000", b"G1 E30.00000", b"G1 E16.80000"])
@pytest.mark.parametrize("between", ["", "G92 E0\n"])
def test_a_prime_that_pushes_or_pulls_another_amount_is_seen(plate_of, write, wrong, between):
    """The first is what a counter taken behind the G92 gave: it pulled 13.7 mm back."""
    draft = Draft.of(plate_of(counted(between)))
    draft.rests.append(Rest(1, 4.0, "r"))
    treated = write(draft, ooze_mm=0.7)
    right = b"G1 E16.70000"
    at = treated.output.index(right)
    found = retouched(treated, at, at + len(right), wrong)
    back = found.output.index(b"G1 E15.90000")
    also = retouched(found, back, back + len(right), b"G1 E0.70000")
    for full in (False, True):
        for other in (found, also):
            seen = other.audit(full=full)
            assert seen.differing and "filament" in seen.first_difference


@pytest.mark.parametrize("relative", [True, False])
def test_a_rest_behind_removed_beads_counts_what_is_left(write, relative):
    """The last beads of a layer and their retraction are gone: nothing is pulled back there, so there is no rest."""
    plate = squares(Sheet(relative=relative), layers=2).plate()
    fill = np.flatnonzero((plate.beads.feature != 0) & (plate.beads.layer == 0))[-3:]
    pull = int(np.flatnonzero(plate.moves.e < 0)[0])
    for gone, stands in (([*fill.tolist()], True), ([*fill.tolist(), pull], False)):
        draft = without(plate, [(row, 0.0, 1.0) for row in gone])
        draft.rests.append(Rest(1, 4.0, "r"))
        treated = write(with_hops(draft), ooze_mm=0.7)
        assert bool(treated.waits) == stands == (not treated.unrested)
        if stands:
            steps = replay(treated.output)
            at = next(k for k, s in enumerate(steps) if s.text.startswith("G4"))
            kept = fill[0] - 1
            place = float(plate.moves.x[kept]), float(plate.moves.y[kept])
            primed = next(s for s in steps[at:] if s.e > 0)
            assert primed.begin[:2] == pytest.approx(place, abs=1e-3)
            assert primed.e == pytest.approx(1.5, abs=1e-5)


def test_a_rest_and_new_beads_at_the_same_place_go_well_together(write):
    plate = squares(Sheet(relative=False), layers=2).plate()
    last = int(np.flatnonzero((plate.beads.feature != 0) & (plate.beads.layer == 0))[-1])
    draft = Draft.of(plate)
    draft.runs.append(run_of(last + 1, [(5, 5), (9, 5, 0.3)], 0.2, fan=1.0, accel=400.0))
    draft.rests.append(Rest(1, 12.0, "r"))
    treated = write(with_hops(draft), ooze_mm=0.7)
    (wait,) = treated.waits
    assert wait.seconds[wait.kind == WAIT].tolist() == [5.0, 5.0, 2.0]
    steps = [s for s in replay(treated.output) if s.text.startswith("G4")]
    assert [s.text for s in steps] == ["G4 P5000", "G4 P5000", "G4 P2000"]
    assert {s.accel for s in steps} == {1000.0}


@pytest.mark.parametrize(
    "wrong", ["G3 Z1.2 I1.5 J0 P1 F7800", "G2 Z1.2 I1.2 J0 P1 F7800", "G3 Z1.2 I1.2 J0 P3 F7800"]
)
def test_a_lift_in_a_circle_behind_a_rest_is_drawn_where_the_nozzle_stands(plate_of, write, wrong):
    circle = "G3 Z1.2 I1.2 J0 P1 F7800"
    leave = f"G1 E-1 F2100\nG1 Z0.8\n{circle}\n"
    text = LAYERS.format(below="Solid infill", leave=leave, again="G1 E1 F2100\n")
    last = "G1 X10 Y10 E0.4\n"
    plate = plate_of(text.replace(last, last + ";TYPE:External perimeter\nG1 X3 Y10 E0.4\n", 1))
    treated = rested(plate, write, layers=[1])
    assert len(treated.waits) == 1
    arcs = treated.plate.program.arcs
    assert (arcs.cx[0] - 1.2, arcs.cy[0]) == pytest.approx((10.0, 10.0))  # in the file it is (3, 10)
    at = treated.output.index(circle.encode())
    other = retouched(treated, at, at + len(circle), wrong.encode())
    for full in (False, True):
        assert other.audit(full=full).differing


LATE = """G21
G90
M83
;LAYER_CHANGE
;Z:0.2
;HEIGHT:0.2
;TYPE:Solid infill
G1 X0 Y0 Z0.2 F6000
G1 X10 Y0 E0.4 F1800
G1 X10 Y10 E0.4
G1 E-0.8 F2100
;LAYER_CHANGE
;Z:0.4
;TYPE:External perimeter
G1 X1 Y1 F6000
G1 Z0.4 F600
{push}
G1 X10{y} E0.4 F1800
G1 X10 Y10 E0.4
G1 X50 Y50
"""


def late(
    plate_of, y: str = "", push: str = "G1 E0.8 F2100", shift: tuple[float, float] = (0.1, -0.05)
) -> Draft:
    """A draft whose second wall begins `shift` off the file's place, with a rest right before its first bead."""
    plate = plate_of(LATE.format(y=y, push=push))
    draft = Draft.of(plate)
    travel = int(np.flatnonzero(plate.moves.x == 1.0)[0])
    ends = np.array([2, travel, travel + 3])  # the last bead below, over which it is primed, too
    draft.moved = Moved.of(plate.program, ends, np.array([(-0.2, 0.2), shift, (0.0, shift[1])]))
    draft.rests.append(Rest(1, 4.0, "r"))
    return draft


@pytest.mark.parametrize("y", ["", " Y1"], ids=["one", "both"])
def test_behind_the_way_to_a_wall_it_comes_back_to_where_that_ends_now(plate_of, write, y):
    """Between the way there and the bead there is no other move in X and Y; primed over a bead where that is now."""
    steps = replay(write(late(plate_of, y), ooze_mm=0.7).output)
    at = next(k for k, s in enumerate(steps) if s.text.startswith("G4"))
    assert next(s for s in steps[at:] if s.e > 0).begin[:2] == pytest.approx((9.8, 10.2))
    bead = next(s for s in steps[at:] if s.is_bead)
    assert (bead.begin[:2], bead.end[:2]) == (pytest.approx((1.1, 0.95)), pytest.approx((10.0, 0.95)))


def test_a_push_that_names_its_place_is_done_there(plate_of, write):
    """It would else lay plastic all the way from where the nozzle was primed."""
    draft = late(plate_of, push="G1 X1 Y1 E0.8 F2100\nG1 X3 Y3 F6000")
    steps = replay(write(draft, ooze_mm=0.7).output)
    at = next(k for k, s in enumerate(steps) if s.text.startswith("G4"))
    assert not any(s.is_bead for s in steps[at:] if s.begin[0] > 9 and s.end[0] < 9)
    push = next(s for s in steps if s.text.startswith("G1 X1.1") and s.e > 0)
    assert push.begin[:2] == push.end[:2] == pytest.approx((1.1, 0.95))


@pytest.mark.parametrize("y", ["", " Y1"], ids=["one", "both"])
def test_a_rest_that_comes_back_to_the_old_place_is_seen(plate_of, write, y):
    """As it was once written: text and the rest's own columns agree, and a bead that names both axes ends right."""
    treated = write(late(plate_of, y), ooze_mm=0.7)
    (wait,) = treated.waits
    at = treated.output.index(b"G0 X1.100 Y0.950", treated.output.index(b"G4 "))
    wrong = retouched(treated, at, at + 16, b"G0 X1.000 Y1.000")
    wait.x[-1], wait.y[-1] = 1.0, 1.0
    for full in (False, True):
        assert wrong.audit(full=full).differing


@pytest.mark.parametrize("seed", range(40))
def test_the_spot_is_the_first_clear_one_however_many_are_tried_at_once(plate_of, seed):
    """Against each spot held to each bead alone, by shapely."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 9))
    x, y = np.cumsum(rng.uniform(-8, 8, (2, count + 1)), axis=1)
    path = "\n".join(f"G1 X{a:.3f} Y{b:.3f} E1" for a, b in zip(x[1:], y[1:], strict=True))
    plate = plate_of(f"G21\nG90\nM83\n;TYPE:Internal infill\nG1 Z.2\nG1 X{x[0]:.3f} Y{y[0]:.3f}\n{path}\n")
    spots = rng.uniform(-12, 12, (40, 2))
    rows = np.flatnonzero(plate.beads.feature != 0)
    moves = plate.program.moves
    beads = [LineString([(moves.x[k - 1], moves.y[k - 1]), (moves.x[k], moves.y[k])]) for k in rows]
    clear = [s for s in spots if min(Point(s).distance(one) for one in beads) >= 2.0]
    found = rests._clear_spot(Context(Draft.of(plate)), spots, rows)
    assert found == (tuple(clear[0]) if clear else None)


def test_whether_a_rest_can_stand_is_seen_beside_its_layer_alone(demo, monkeypatch):
    """A plate of thousands of layers asks for each of them."""
    plate, looked = demo("B"), []
    beads_left = rests._beads_left
    monkeypatch.setattr(
        rests,
        "_beads_left",
        lambda draft, first, stop: looked.append(stop - first) or beads_left(draft, first, stop),
    )
    found = [rest_obstacle(Draft.of(plate), layer) for layer in range(1, len(plate.layers))]
    assert "" in found
    assert sum(looked) <= 2 * 256 * len(found) + len(plate.moves)
