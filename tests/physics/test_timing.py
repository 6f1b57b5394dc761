"""Times of plates: parts add up, scaling meets the file's statement, and files that state their own agree."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from gcodetools.demo.maker import Placement, make
from gcodetools.documents.profiles import load_machine
from gcodetools.physics.timing import Times, motion_seconds, retimed, times
from gcodetools.toolpath.machine_limits import limits_of
from gcodetools.toolpath.plate import Plate

LIMITED = "M201 X3000 Y3000 Z200 E5000\nM203 X200 Y200 Z12 E60\nM204 P1500 R1500 T2500\nM205 X8 Y8 Z0.4 E5\n"
BEADS = ";LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\nG1 X10 E1 F3000\nG1 X10 Y10 E1\nG1 X0 Y10 E1\n"


def plate_of(text: str) -> Plate:
    return Plate.from_bytes(text.encode(), "a.gcode")


def stated(seconds: int) -> str:
    return f"; estimated printing time (normal mode) = {seconds}s\n"


def test_start_object_and_end_add_up_to_the_whole():
    found = times(Plate.from_bytes(make("B", parts=(Placement("shelf-hook", 100, 100),)).data, "hook.gcode"))
    parts = (found.start_s, found.object_s, found.end_s)
    assert all(part > 0 for part in parts)
    assert sum(parts) == pytest.approx(found.total_s, rel=1e-12)
    assert found.seconds.sum() == pytest.approx(found.total_s, rel=1e-12)


def test_waiting_is_counted_and_told_apart():
    without = times(plate_of(LIMITED + "M83\n" + BEADS))
    found = times(plate_of(LIMITED + "M83\n" + BEADS + "G4 S3\n"))
    assert found.waits_s.sum() == 3.0
    assert found.total_s == pytest.approx(without.total_s + 3.0, rel=1e-12)


def test_one_move_takes_its_trapezoid():
    """10 mm along x at 50 mm/s and 1500 mm/s2 from rest to rest: 50/1500 + 10/50 s (uniform acceleration)."""
    found = times(plate_of(LIMITED + "M83\nG1 X10 E1 F3000\n"))
    assert found.total_s == pytest.approx(50 / 1500 + 10 / 50, rel=1e-12)


def test_limits_of_the_file_are_not_scaled():
    found = times(plate_of(LIMITED + "M83\n" + BEADS + stated(99)))
    assert (found.factor, found.stated_s) == (1.0, 99.0)
    assert found.band == (0.98, 1.02)
    assert "the file's commands" in found.source
    assert found.warnings == ()


def test_without_limits_times_are_scaled_to_the_statement():
    text = "M83\n" + BEADS + "G4 S3\n" + BEADS
    plain = times(plate_of(text))
    moving = plain.total_s - 3.0
    found = times(plate_of(text + stated(8)))
    assert found.total_s == pytest.approx(8.0, rel=1e-12)
    assert found.factor == pytest.approx(5.0 / moving, rel=1e-12)
    assert "scaled by" in found.source


@pytest.mark.parametrize(("seconds", "warned"), [(3, False), (30, True)])
def test_a_factor_above_a_quarter_is_said(seconds, warned):
    found = times(plate_of("M83\n" + 5 * BEADS + stated(seconds)))
    assert (max(found.factor, 1 / found.factor) > 1.25) == warned
    assert (len(found.warnings) == 1) == warned


def test_a_scaled_time_has_a_band_over_both_readings():
    found = times(plate_of("M83\n" + BEADS + stated(30)))
    low, high = found.within(60.0)
    assert low < 60.0 / found.factor < 60.0 < high
    low, high = found.within(-60.0)
    assert low < -60.0 < high


def test_the_machine_that_is_named_counts_and_is_told():
    text = "M83\n" + BEADS
    slow, fast = (times(plate_of(text), load_machine(name)) for name in ("desktop-220", "fast-250"))
    assert fast.total_s < slow.total_s
    assert slow.limits.origins["accel_extruding"] == "machine desktop-220"
    assert "machine desktop-220" in slow.source


def test_a_file_without_beads_is_start_code():
    found = times(plate_of("G28\nG1 X10 F3000\n"))
    assert (found.first_row, found.last_row) == (-1, -1)
    assert found.start_s == found.total_s > 0
    assert found.object_s == found.end_s == 0.0


def test_a_slower_feed_takes_longer():
    half = times(plate_of(LIMITED + "M83\nM220 S50\n" + BEADS))
    assert half.total_s > times(plate_of(LIMITED + "M83\n" + BEADS)).total_s


# --- some rows at other feeds

DEVIATION = LIMITED.replace("E5\n", "E5 J0.02\n")
SMOOTHED = "M204 S1500\nSET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=5 MINIMUM_CRUISE_RATIO=0.5\n"


def wandering(seed: int, head: str, moves: int = 300) -> Plate:
    """Short and long moves, arcs, travels, retractions, waits, feeds and accelerations at random."""
    random = np.random.default_rng(seed)
    text = [head, "G21\nG90\nM83\nG1 X100 Y100 F6000\n;LAYER_CHANGE\n;Z:0.2\n;HEIGHT:0.2\n;TYPE:Perimeter\n"]
    x = y = 100.0
    for _ in range(moves):
        length = float(random.choice([0.05, 0.3, 2.0, 20.0]))
        dx, dy = length * np.cos(turn := random.uniform(0, 2 * np.pi)), length * np.sin(turn)
        x, y = round(x + dx, 3), round(y + dy, 3)
        kind = random.integers(0, 12)
        if kind == 0:
            text.append(f"G2 X{x} Y{y} I{dx / 2:.4f} J{dy / 2:.4f} E0.02\n")
        elif kind == 1:
            text.append(
                f"G1 E-0.8 F2400\nG0 X{x} Y{y} F9000\nG1 E0.8 F2400\nG1 F{random.integers(600, 6000)}\n"
            )
        else:
            text.append(f"G1 X{x} Y{y} E{0.04 * length:.5f}\n")
        text += random.choice(
            ["", "", "", "", "M204 S900\n", "G4 P30\n", "M400 P50\n", "M204 S2000\n"], 1
        ).tolist()
    return plate_of("".join(text))


@pytest.mark.parametrize(
    "head", [LIMITED, DEVIATION, SMOOTHED, ""], ids=["jerk", "deviation", "smoothed", "plain"]
)
@pytest.mark.parametrize("share", [0.003, 0.05, 0.6])
def test_rows_planned_anew_take_what_the_whole_takes_at_their_feeds(head, share):
    """To the last bit: what lies behind a joint of its own speed is not looked at again."""
    for seed in range(12):
        plate = wandering(seed, head + ("" if seed % 2 else stated(900)))
        planned = times(plate)
        random = np.random.default_rng(seed)
        row = np.flatnonzero(random.random(len(plate.moves)) < share)
        feed = plate.moves.f.copy()
        feed[row] *= random.choice([0.2, 0.9, 1.0, 3.0], len(row))
        expected = times(plate, factor=planned.factor, feed_mm_s=feed)
        found = retimed(plate, planned, row, feed[row])
        assert np.array_equal(found.over(planned).seconds, expected.seconds)
        assert np.array_equal(found.row, np.flatnonzero(expected.seconds != planned.seconds))


def test_only_what_a_change_reaches_is_planned_anew(monkeypatch):
    from gcodetools.physics import timing

    plate = wandering(3, LIMITED, moves=3000)
    planned, seen = times(plate), []
    one = timing.some_moves
    monkeypatch.setattr(timing, "some_moves", lambda *given: seen.append(len(given[2])) or one(*given))
    row = np.flatnonzero((planned.joint > 0) & (plate.beads.length_mm > 5))[200:201]
    assert len(retimed(plate, planned, row, plate.moves.f[row] / 2).row)
    assert 0 < sum(seen) < 100


# --- against what real files say of themselves


def elapsed(found: Times, plate: Plate, line: np.ndarray) -> np.ndarray:
    """Our time before each line."""
    whole = np.concatenate([[0.0], np.cumsum(found.seconds)])
    return whole[np.searchsorted(plate.moves.line, line)]


def marks(plate: Plate, pattern: bytes) -> tuple[np.ndarray, np.ndarray]:
    """(line, number) of each mark where its number is new."""
    data = plate.program.lines.data
    seen: dict[float, int] = {}
    for mark in re.finditer(pattern, data, re.M):
        seen.setdefault(float(mark[1]), mark.start())
    start = plate.program.lines.start
    line = np.searchsorted(start, np.array(list(seen.values()), np.int64), side="right") - 1
    return line.astype(np.int32), np.array(list(seen))


@pytest.fixture(scope="module")
def measured(samples: Path):
    """A sample and its times, read once."""
    cache: dict[str, tuple[Plate, Times]] = {}

    def read(name: str) -> tuple[Plate, Times]:
        if name not in cache:
            plate = Plate.read(samples / name)
            cache[name] = plate, times(plate)
        return cache[name]

    return read


def test_the_object_of_a_file_with_limits_and_estimate_is_within_two_percent(measured):
    """The estimate in the file, less what its own start and end code take by our plan."""
    plate, found = measured("B-cube.gcode")
    assert {found.limits.origins[key] for key in found.limits.decisive} == {"file"}
    assert found.object_s == pytest.approx(plate.totals.time_s - found.start_s - found.end_s, rel=0.02)
    assert found.object_s == pytest.approx(plate.totals.time_s, rel=0.02)


@pytest.mark.parametrize("name", ["B-two-objects.gcode", "B2-fast.gcode", "C-arcs-small.gcode", "C-arcs.gcode",
                                  "I-no-marks.gcode"])  # fmt: skip
def test_files_whose_settings_state_limits_come_within_the_band(measured, name):
    plate, found = measured(name)
    assert found.factor == 1.0
    low, high = found.within(found.total_s)
    assert low < plate.totals.time_s < high


@pytest.mark.parametrize(
    ("name", "first", "last", "tolerance"),
    [("B-cube.gcode", 2, 100, 0.01), ("C-arcs-small.gcode", 2, 100, 0.01), ("D-part.gcode", 52, 96, 0.02)],
)
def test_progress_marks_pass_as_our_time_does(measured, name, first, last, tolerance):
    """M73 P stands where the stated share of the stated total has passed. D-part spends its first half on start
    code that is no motion, so the marks of its layers count, from one to the other."""
    plate, found = measured(name)
    line, percent = marks(plate, rb"^M73 P([0-9]+)")
    mine = (percent >= first) & (percent <= last)
    theirs = percent[mine] / 100.0 * plate.totals.time_s
    ours = elapsed(found, plate, line[mine])
    span = theirs[-1] - theirs[0]
    assert np.abs((ours - ours[0]) - (theirs - theirs[0])).max() < tolerance * span


@pytest.mark.parametrize(("name", "tolerance"), [("A-two-names.gcode", 0.035), ("A-vase-crlf.gcode", 0.01)])
def test_scaled_times_follow_the_files_own_layer_by_layer(measured, name, tolerance):
    """Comments of elapsed seconds stand at every layer; these files state no limits."""
    plate, found = measured(name)
    line, theirs = marks(plate, rb"^;TIME_ELAPSED:([0-9.]+)")
    assert found.factor != 1.0
    assert np.abs(elapsed(found, plate, line) - theirs).max() < tolerance * theirs[-1]


def test_every_sample_has_finite_times(sample_path: Path, measured):
    _, found = measured(sample_path.name)
    assert np.all(np.isfinite(found.seconds)) and np.all(found.seconds >= 0)
    assert found.start_s + found.object_s + found.end_s == pytest.approx(found.total_s, rel=1e-9)


@pytest.mark.every(2)
def test_blocks_of_rows_take_as_long_as_the_whole(sample_path):
    plate = Plate.read(sample_path)
    limits = limits_of(plate, None)
    whole = motion_seconds(plate, limits, block=len(plate.moves) + 1)
    assert motion_seconds(plate, limits, block=3000) == pytest.approx(whole, rel=1e-9, abs=1e-12)


@pytest.mark.every(2)
def test_a_sample_with_some_feeds_changed_is_planned_anew_around_them(sample_path):
    plate = Plate.read(sample_path)
    planned = times(plate)
    row = np.flatnonzero(plate.beads.is_bead)
    row = row[(row // 40) % 6 == 0]
    feed = plate.moves.f.copy()
    feed[row] *= 0.7
    expected = times(plate, factor=planned.factor, feed_mm_s=feed)
    assert np.array_equal(retimed(plate, planned, row, feed[row]).over(planned).seconds, expected.seconds)
