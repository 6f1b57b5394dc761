"""Durations in a file's own words, rounding of M73 told from what is stated, and what must never go backwards."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit.progress import Clock, Used, clock_lines, restate, restated_duration
from gcodetools.marks.progress import Statement, find_stated
from gcodetools.toolpath.plate import Plate

UNITS = {"d": 86400, "h": 3600, "m": 60, "s": 1}
ROUNDS = {"down": math.floor, "nearest": round, "up": math.ceil}


@pytest.mark.parametrize(
    "old, seconds, new",
    [
        ("32m 6s", 1926, "32m 6s"),
        ("32m 6s", 1926.4, "32m 6s"),
        ("32m 6s", 1987, "33m 7s"),
        ("32m 6s", 3725, "1h 2m 5s"),
        ("59s", 61, "1m 1s"),
        ("23h 59m 59s", 90061, "1d 1h 1m 1s"),
        ("1h 2m 5s", 1926, "32m 6s"),
        ("0h 2m 5s", 60, "0h 1m 0s"),
        ("1d 0h 0m 1s", 3600, "1h 0m 0s"),
        ("0 hours 18 minutes", 4500, "1 hours 15 minutes"),
        ("5 hours 56 minutes", 90000, "25 hours 0 minutes"),
        ("1 hour(s) 2 minute(s)", 7380, "2 hour(s) 3 minute(s)"),
        ("2m 6.25s", 130.128, "2m 10.13s"),
        ("about 2m 6s or so", 130, "about 2m 10s or so"),
        ("90m 5s", 5405.2, "90m 5s"),
    ],
)
def test_durations_keep_their_words(old, seconds, new):
    assert restated_duration(old.encode(), seconds) == new.encode()


@pytest.mark.parametrize("text", ["soon", "", "3 apples", "5s 3m", "12"])
def test_what_is_no_duration_is_none(text):
    assert restated_duration(text.encode(), 100.0) is None


@given(st.integers(1, 400_000), st.integers(1, 400_000), st.sampled_from(["dhms", "hms", "ms", "s"]))
def test_a_duration_reads_back_as_the_time_it_was_given(before, after, units):
    rest, words = before, []
    for unit in units:
        count, rest = divmod(rest, UNITS[unit])
        words.append(f"{count}{unit}")
    new = restated_duration(" ".join(words).encode(), after).decode()
    assert sum(int(n) * UNITS[u] for n, u in re.findall(r"(\d+)([dhms])", new)) == after


def m73_file(count: int, words) -> Plate:
    """A plate with a mark before each of `count` moves of a second: 10 mm at 10 mm/s."""
    lines = ["M83", "G1 X0 Y0 Z0.2 F600"]
    for k in range(count):
        lines += [words(k), f"G1 X{10 * (k + 1)} E0.4 F600"]
    return Plate.from_bytes("\n".join([*lines, words(count), ""]).encode(), "m.gcode")


def clocked(plate: Plate, before, after) -> Clock:
    """Clocks that read `before` and `after` (k,) at the marks; their last is the whole time."""
    line = clock_lines(plate, find_stated(plate.program, plate.marks))
    a, b = np.asarray(before, float), np.asarray(after, float)
    assert len(line) == len(a)
    return Clock(line, a, b, float(a[-1]), float(b[-1]), 0.0, float(a[-1]))


def restated(plate: Plate, clock: Clock, used: Used | None = None) -> bytes:
    new = restate(plate, find_stated(plate.program, plate.marks), clock, used or Used(1.0, {}))
    data, out, at = plate.render(), b"", 0
    for begin, end, text in zip(new.begin.tolist(), new.end.tolist(), new.text, strict=True):
        out, at = out + data[at:begin] + text, end
    return out + data[at:]


def marks(data: bytes) -> list[tuple[int, int]]:
    return [(int(p), int(r)) for p, r in re.findall(rb"M73 P(\d+) R(\d+)", data)]


@given(
    st.lists(st.floats(1.0, 200.0), min_size=3, max_size=40),
    st.floats(0.3, 4.0),
    st.sampled_from(sorted(ROUNDS)),
    st.sampled_from(sorted(ROUNDS)),
)
def test_marks_of_a_file_that_rounds_its_own_way(steps, factor, percent_way, left_way):
    """Marks made by a plain formula, all of the print slowed or hastened alike: those of the new time."""
    before = np.concatenate([[0.0], np.cumsum(steps)])

    def words(at, total):
        percent = ROUNDS[percent_way](100 * (at / total) - 1e-12 * (percent_way == "up"))
        return percent, ROUNDS[left_way]((total - at) / 60)

    plate = m73_file(len(steps), lambda k: "M73 P{} R{}".format(*words(before[k], before[-1])))
    found = marks(restated(plate, clocked(plate, before, before * factor)))
    told = [words(at * factor, before[-1] * factor) for at in before]
    for (p, r), (wanted_p, wanted_r) in zip(found, told, strict=True):
        # Percent stays as it was; minutes within what the file's own rounding has hidden.
        assert abs(p - wanted_p) <= 1 and abs(r - wanted_r) <= 1
    assert found[-1] == (100, 0)


@given(
    st.lists(st.tuples(st.floats(0.0, 300.0), st.floats(0.0, 300.0)), min_size=2, max_size=40),
    st.floats(0.5, 2.0),
)
def test_progress_never_goes_back(steps, pace):
    """Whatever was added or saved where, by a clock that isn't quite the file's."""
    before = np.concatenate([[0.0], np.cumsum([a for a, _ in steps])]) + np.linspace(0, 1, len(steps) + 1)
    after = np.concatenate([[0.0], np.cumsum([b for _, b in steps])]) + np.linspace(0, 1, len(steps) + 1)
    total = float(before[-1])
    plate = m73_file(
        len(steps), lambda k: f"M73 P{int(100 * before[k] / total)} R{math.ceil((total - before[k]) / 60)}"
    )
    found = marks(restated(plate, clocked(plate, before**1.1 * pace, after**1.1 * pace)))
    percent, left = zip(*found, strict=True)
    assert all(a <= b for a, b in itertools.pairwise(percent))
    assert all(a >= b for a, b in itertools.pairwise(left))
    assert min(percent) >= 0 and max(percent) <= 100 and min(left) >= 0


@given(st.lists(st.tuples(st.integers(0, 100), st.integers(0, 90)), min_size=2, max_size=20))
def test_where_nothing_is_added_any_mark_stays(pairs):
    plate = m73_file(len(pairs) - 1, lambda k: "M73 P{} R{}".format(*pairs[k]))
    clock = np.linspace(0, 500.0, len(pairs))
    assert restated(plate, clocked(plate, clock, clock)) == plate.render()


def test_other_words_of_m73_stay():
    plate = m73_file(3, lambda k: f"M73 L{k}")
    assert restated(plate, clocked(plate, [0, 1, 2, 3], [0, 10, 20, 30])) == plate.render()
    plate = m73_file(3, lambda k: f"M73 P{33 * k} C5 ; M73 P1 R1")
    out = restated(plate, clocked(plate, [0, 1, 2, 3], [0, 10, 11, 12]))
    assert re.findall(rb"M73 P(\d+) C5 ; M73 P1 R1", out) == [b"0", b"83", b"91", b"99"]


@pytest.mark.parametrize(
    "statement, tools, ratio",
    [
        (Statement(0, 0, 1, "mm"), {0: 1.1, 1: 1.3}, 1.2),
        (Statement(0, 0, 1, "mm", 1, 2), {0: 1.1, 1: 1.3}, 1.3),
        (Statement(0, 0, 1, "mm", 0, 5), {1: 1.3, 4: 1.5}, 1.0),
        (Statement(0, 0, 1, "mm", 4, 5), {1: 1.3, 4: 1.5}, 1.5),
        (Statement(0, 0, 1, "mm", 1, 2), {1: 1.3, 4: 1.5}, 1.5),  # a list of the tools that print
        (Statement(0, 0, 1, "mm", 1, 3), {1: 1.3, 4: 1.5}, None),
        (Statement(0, 0, 1, "mm3", 4), {1: 1.3, 4: 1.5}, 1.5),
    ],
)
def test_whose_filament_a_number_is(statement, tools, ratio):
    assert Used(1.2, tools).of(statement) == ratio
