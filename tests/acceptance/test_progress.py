"""Progress marks, times and totals after treatment, found by patterns of our own in every file's own words.

What they must say is worked out from the two files: the time that planning finds up to each line, before and
after, and the filament of all moves.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import reduce
from itertools import pairwise
from operator import xor
from pathlib import Path

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.documents import profiles
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.physics.timing import times
from gcodetools.toolpath.plate import Plate

M73 = re.compile(rb"^M73 +P([\d.]+)(?: +R([\d.]+))?[ \r]*$")
ELAPSED = re.compile(rb"^;TIME_ELAPSED:([\d.]+)\r?$")
SECONDS = re.compile(rb"^;(?:TIME|PRINT\.TIME):([\d.]+)\r?$")
MINUTES = re.compile(rb"^; Estimated Build Time: +([\d.]+) minutes\r?$")
PRECOOL = re.compile(rb"^; Total estimated \(pre-cool\) minutes: ([\d.]+)\r?$")
WORDS = re.compile(
    rb"^; (?:estimated printing time \(normal mode\) = |  Build time: |model printing time: [^;]*; total "
    rb"estimated time: )(.*?)\r?$"
)
FIRST = re.compile(rb"^; estimated first layer printing time \(normal mode\) = (.*?)\r?$")
# Lengths, and what goes with them: mm for one unit, its number, and of what it is a multiple.
LENGTHS = (
    (re.compile(rb"^; filament used \[mm\] = ([\d.]+)\r?$"), 1.0),
    (re.compile(rb"^; total filament length \[mm\] : ([\d.]+)\r?$"), 1.0),
    (re.compile(rb"^;   Filament length: ([\d.]+) mm"), 1.0),
    (re.compile(rb"^;Filament used: ([\d.]+)m\r?$"), 1000.0),
)
AMOUNTS = re.compile(
    rb"^; (?:filament used \[(?:cm3|g)\] = |filament cost = |total filament (?:used \[g\]|cost) = |"
    rb"total filament (?:volume \[cm\^3\]|weight \[g\]) : |  Plastic (?:volume|weight): |  Material cost: |"
    rb"Estimated Build (?:Volume|Cost): )"
    rb"|^;EXTRUDER_TRAIN\.0\.MATERIAL\.VOLUME_USED:"
)
ANY = (M73, ELAPSED, SECONDS, MINUTES, PRECOOL, WORDS, FIRST, *(pattern for pattern, _ in LENGTHS), AMOUNTS)
TREAT = "{speed: {scale: 60%}, flow: {scale: 103%}}"
UNITS = {b"d": 86400, b"h": 3600, b"m": 60, b"s": 1}


def words_s(text: bytes) -> tuple[float, float]:
    """Seconds of a duration, and of its last unit."""
    parts = re.findall(rb"(\d+) ?([dhms])", text)
    return sum(int(n) * UNITS[u] for n, u in parts), UNITS[parts[-1][1]]


class Pair:
    """A file treated with its times brought up to date, and left as they were."""

    def __init__(self, plate: Plate, kit, machine=None):
        options = Options((), machine=machine)
        self.plate, self.done = plate, apply_plate(plate, kit, options)
        self.kept = apply_plate(plate, kit, replace(options, keep_times=True))
        self.old, self.new = (one.treated.render().split(b"\n") for one in (self.kept, self.done))
        profile = profiles.load_machine(machine) if machine else None
        before = times(plate, profile)
        self.sides = []
        for side in (plate, Plate.from_bytes(self.kept.treated.render(), "kept")):
            seconds = times(side, profile, factor=before.factor).seconds
            self.sides.append((side.moves.line, np.concatenate([[0.0], np.cumsum(seconds)])))
        self.total_s = [float(total[-1]) for _, total in self.sides]
        self.added_s = self.total_s[1] - self.total_s[0]
        # Untouched lines come in the same order in both files, so marks are found by counting.
        self.source = plate.render().split(b"\n")

    def marks(self, pattern):
        """(number groups before, after, added up to the line, line text after) of each mark."""
        at = [[k for k, line in enumerate(lines) if pattern.match(line)] for lines in (self.source, self.old)]
        assert len(at[0]) == len(at[1])
        found = []
        for before, behind in zip(*at, strict=True):
            assert self.source[before] == self.old[behind]
            up_to = [
                float(total[np.searchsorted(line, k)])
                for (line, total), k in zip(self.sides, (before, behind), strict=True)
            ]
            was, now = pattern.match(self.source[before]), pattern.match(self.new[behind])
            assert now, self.new[behind]
            found.append((was.groups(), now.groups(), up_to[1] - up_to[0]))
        return found


def half_unit(text: bytes) -> float:
    return 0.5 * 10.0 ** -len(text.partition(b".")[2]) + 1e-9


def shape(line: bytes) -> bytes:
    """A line with its numbers blank, but for how many decimals they have."""
    line = re.sub(rb"^(; .*time.*= )(?:\d+[dhm] )+", rb"\1", line)  # a larger unit may come
    return re.sub(rb"\d+(\.\d+)?", lambda m: b"#" + b"." * len(m[1] or b""), line)


def check(pair: Pair) -> None:
    """All that the marks of a treated file must keep to."""
    assert len(pair.new) == len(pair.old)
    for old, new in zip(pair.old, pair.new, strict=True):
        if old != new:
            assert any(pattern.match(old) for pattern in ANY), old
            assert shape(old) == shape(new)
    told = [c for c in pair.done.treated.changes if c.why.startswith("times and totals")]
    assert all(change.fields == () for change in told)
    spans = [line for change in told for line in range(change.first, change.last + 1)]
    assert len(spans) == sum(a != b for a, b in zip(pair.old, pair.new, strict=True))
    assert all(any(pattern.match(pair.source[line]) for pattern in ANY) for line in spans)
    elapsed = pair.marks(ELAPSED)
    for (was,), (now,), added in elapsed:
        assert float(now) == pytest.approx(float(was) + added, abs=half_unit(was) + 1e-6)
    assert all(float(b[1][0]) >= float(a[1][0]) for a, b in pairwise(elapsed))
    for pattern, unit in ((SECONDS, 1.0), (MINUTES, 60.0)):
        for (was,), (now,), _ in pair.marks(pattern):
            assert unit * float(now) == pytest.approx(
                unit * float(was) + pair.added_s, abs=unit * half_unit(was) + 1e-6
            )
    for (was,), (now,), _ in pair.marks(WORDS):
        before, after, step = words_s(was)[0], words_s(now)[0], words_s(was)[1]
        assert after == pytest.approx(before + pair.added_s, abs=0.5 * step + 1e-6)
    for (was,), (now,), _ in pair.marks(FIRST):
        assert now == was  # what is treated begins above the first layer
    check_m73(pair)
    check_filament(pair)


def check_m73(pair: Pair) -> None:
    marks = pair.marks(M73)
    if not marks:
        return
    stated = pair.plate.totals.time_s or pair.total_s[0]
    left_first = [float(was[1]) for was, _, _ in marks if was[1] is not None][:1]
    total = 60 * left_first[0] if left_first and abs(60 * left_first[0] - stated) > 60 else stated
    for was, now, added in marks:
        expected = 100 * (total * float(was[0]) / 100 + added) / (total + pair.added_s)
        slack = 1.0 + total / (total + pair.added_s)
        assert abs(float(now[0]) - expected) <= slack
        if was[1] is not None:
            minutes = float(was[1]) + (pair.added_s - added) / 60
            assert abs(float(now[1]) - minutes) <= 1.0 + 1e-6
    for column, way in ((0, 1), (1, -1)):
        old, new = (
            [float(mark[side][column]) for mark in marks if mark[0][column] is not None] for side in (0, 1)
        )
        if all(way * b >= way * a for a, b in pairwise(old)):
            assert all(way * b >= way * a for a, b in pairwise(new))
        assert all(value >= 0 for value in new)
    assert float(marks[0][1][0]) <= float(marks[0][0][0]) + 1
    if float(marks[-1][0][0]) == 100:
        assert float(marks[-1][1][0]) == 100


def check_filament(pair: Pair) -> None:
    sums = [float(one.moves.e.sum()) for one in (pair.plate, Plate.from_bytes(pair.done.treated.render()))]
    more = sums[1] - sums[0]
    share = None
    for pattern, unit in LENGTHS:
        for (was,), (now,), _ in pair.marks(pattern):
            assert unit * float(now) == pytest.approx(
                unit * float(was) + more, abs=unit * half_unit(was) + 1e-3
            )
            share = (unit * float(was) + more) / (unit * float(was))
    if share is None:
        return
    at = [k for k, line in enumerate(pair.old) if AMOUNTS.match(line)]
    for k in at:
        numbers = [
            re.findall(rb"(?<![\w\[])\d+\.?\d*(?![\w\]])", line) for line in (pair.old[k], pair.new[k])
        ]
        for was, now in zip(*numbers, strict=True):
            assert float(now) == pytest.approx(float(was) * share, abs=half_unit(was) + 1e-6)


def check_sums(pair: Pair) -> None:
    """Every table of either side adds up to the whole, which is the time and filament of that side's bytes."""
    costs = pair.done.record["costs"]
    plates = (pair.plate, Plate.from_bytes(pair.done.treated.render(), "done"))
    for side, plate, total in zip(("before", "after"), plates, pair.total_s, strict=True):
        record = costs[side]
        assert record["whole"]["time_s"] == pytest.approx(total, rel=1e-9)
        assert record["whole"]["filament_mm"] == pytest.approx(float(plate.moves.e.sum()), rel=1e-9, abs=1e-6)
        for column, whole in record["whole"].items():
            for rows in (record["features"], record["regions"]):
                found = math.fsum(row[column] for row in rows.values())
                assert found == pytest.approx(whole, rel=1e-9, abs=1e-9)
            layers = math.fsum([*record["layers"][column], record["outside"][column]])
            assert layers == pytest.approx(whole, rel=1e-9, abs=1e-9)
    assert costs["before"]["regions"].keys() == costs["after"]["regions"].keys() > {"rest"}


@pytest.mark.every(3)
def test_every_sample(sample, probe):
    pair = Pair(sample, probe.kit(sample, probe.slab(sample), TREAT))
    assert pair.added_s > 1.0
    check(pair)
    check_sums(pair)
    assert not [w for w in pair.done.warnings if "can't be read" in w]
    stated = any(pattern.match(line) for line in pair.source for pattern in ANY)
    assert (pair.old != pair.new) == stated


def made_pair(letter: str, probe) -> Pair:
    plate = Plate.from_bytes(maker.make(letter, parts=PARTS).data, f"{letter}.gcode")
    return Pair(plate, probe.kit(plate, probe.slab(plate), TREAT))


PARTS = (maker.Placement("wedge-key-snug", 80, 110), maker.Placement("wedge-key-easy", 130, 110))


@pytest.mark.every(3)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_every_convention_of_the_demo(probe, letter):
    pair = made_pair(letter, probe)
    check(pair)
    check_sums(pair)
    states = {"A", "B", "B2", "C", "D", "E0", "E1", "F", "G", "I"}
    assert (pair.old != pair.new) == (letter in states)
    # The demo states a time, progress at each layer or elapsed seconds: each of them moved.
    counts = {"M73": len(pair.marks(M73)), "elapsed": len(pair.marks(ELAPSED))}
    layers = len(pair.plate.layers)
    assert counts["M73"] >= layers if letter in ("B", "B2", "C", "D") else counts["M73"] == 0
    assert counts["elapsed"] == (layers if letter == "A" else 0)


@pytest.mark.parametrize("letter", ["A", "B", "C", "D", "G"])
def test_new_beads_and_rests_are_on_the_clock_too(probe, letter):
    plate = Plate.from_bytes(maker.make(letter, parts=PARTS).data, f"{letter}.gcode")
    kit = probe.kit(plate, probe.slab(plate), "{infill: solid, speed: {scale: 80%}, rest: {seconds: 2}}")
    pair = Pair(plate, kit, "desktop-220")
    assert pair.added_s > 0
    for (was,), (now,), added in pair.marks(ELAPSED):
        assert float(now) == pytest.approx(float(was) + added, abs=half_unit(was) + 1e-6)
    check_m73(pair)
    told = pair.done.record["added"]["time_s"]["best"]
    assert told == pytest.approx(pair.added_s, abs=1e-4)


def test_the_first_layers_time_takes_what_is_added_in_it(probe):
    plate = Plate.from_bytes(maker.make("B", parts=PARTS).data, "B.gcode")
    pair = Pair(plate, probe.kit(plate, "{slab: {z: [0, 1]}}", TREAT))
    ((was,), (now,), _), *_ = pair.marks(FIRST)
    second = pair.marks(re.compile(rb"^;(LAYER_CHANGE)$"))[1][2]
    assert 1 < second < 0.9 * pair.added_s
    assert words_s(now)[0] == pytest.approx(words_s(was)[0] + second, abs=0.5 + 1e-6)


@pytest.mark.parametrize("letter", ["A", "B", "D"])
def test_what_takes_no_time_changes_no_mark(probe, letter):
    plate = Plate.from_bytes(maker.make(letter, parts=PARTS).data, f"{letter}.gcode")
    pair = Pair(plate, probe.kit(plate, probe.slab(plate), "{nozzle: {add: 4}, force: true}"))
    assert pair.old == pair.new and pair.old != pair.source


def test_a_kit_that_changes_nothing_leaves_the_input(probe):
    plate = Plate.from_bytes(maker.make("A", parts=PARTS).data, "A.gcode")
    done = apply_plate(plate, probe.kit(plate, probe.slab(plate), "{speed: {scale: 100%}}"), Options(()))
    assert done.treated.render() == plate.render()


def edited(letter: str, *edits: tuple[bytes, bytes]) -> Plate:
    data = maker.make(letter, parts=PARTS).data
    for old, new in edits:
        assert re.search(old, data, re.M)
        data = re.sub(old, new, data, count=1, flags=re.M)
    return Plate.from_bytes(data, f"{letter}.gcode")


def test_what_cannot_be_read_stays_and_is_told_once(probe):
    plate = edited(
        "A", (rb"^;TIME:\d+", b";TIME:soon"), (rb"^;TIME_ELAPSED:[\d.]+", b";TIME_ELAPSED:a while")
    )
    pair = Pair(plate, probe.kit(plate, probe.slab(plate), TREAT))
    warnings = [w for w in pair.done.warnings if "can't be read" in w]
    lines = [k + 1 for k, line in enumerate(pair.source) if line in (b";TIME:soon", b";TIME_ELAPSED:a while")]
    assert warnings == [
        f"A.gcode: line {lines[0]}, {lines[1]}: a time or total that can't be read; left as it is"
    ]
    assert b";TIME:soon" in pair.new and b";TIME_ELAPSED:a while" in pair.new
    assert len([w for w in pair.kept.warnings if "can't be read" in w]) == 0


def test_texts_for_the_display_are_left_alone(probe):
    texts = b"M117 Time left 32m 6s\nM118 M73 P0 R32\n; M73 P5 R12\n"
    plate = edited("B", (rb"^M73 P0 R\d+\n", lambda m: m[0] + texts))
    pair = Pair(plate, probe.kit(plate, probe.slab(plate), TREAT))
    check(pair)
    assert all(line in pair.new for line in texts.splitlines())


def test_a_numbered_line_gets_its_checksum_anew(probe):
    body = b"N7 M73 P0 R3"
    numbered = body + b"*" + str(reduce(xor, body)).encode() + b"\n"
    plate = edited("B", (rb"^M73 P0 R\d+\n", numbered))
    pair = Pair(plate, probe.kit(plate, probe.slab(plate), TREAT))
    (line,) = [line for line in pair.new if line.startswith(b"N7 ")]
    text, _, value = line.partition(b"*")
    assert text != body and int(value) == reduce(xor, text)


def test_lists_of_tools_are_brought_up_to_date_one_by_one(probe):
    """Only the first tool prints, so the number of the second stays."""
    more = [(rb"^(; filament used \[%s\] = [\d.]+)$" % name, rb"\1, 55.50") for name in (b"mm", b"g")]
    plate = edited("B", *more)
    pair = Pair(plate, probe.kit(plate, probe.slab(plate), TREAT))
    for name in (b"mm", b"g"):
        head = b"; filament used [" + name
        old, new = (next(k for k in lines if k.startswith(head)) for lines in (pair.old, pair.new))
        first, second = (line.partition(b"= ")[2].split(b", ") for line in (old, new))
        assert first[1] == second[1] and float(second[0]) > float(first[0])


def test_both_modes_of_m73(probe):
    """Q and S tell the same of another mode, here one that takes twice as long."""
    plate = edited("B")
    twice = re.sub(
        rb"^M73 P(\d+) R(\d+)$",
        lambda m: b"%s\nM73 Q%s S%d" % (m[0], m[1], 2 * int(m[2])),
        plate.render(),
        flags=re.M,
    )
    plate = Plate.from_bytes(twice, "B.gcode")
    done = apply_plate(plate, probe.kit(plate, probe.slab(plate), TREAT), Options(()))
    pairs = re.findall(rb"^M73 P(\d+) R(\d+)\nM73 Q(\d+) S(\d+)$", done.treated.render(), re.M)
    assert len(pairs) > 10
    for p, r, q, s in ([float(value) for value in pair] for pair in pairs):
        assert abs(p - q) <= 2 and abs(s - 2 * r) <= 3


def test_samples_are_there_to_be_checked(samples: Path):
    """Of the samples at least these state something: their marks were counted by other means."""
    counts = {"B-cube.gcode": 131, "C-arcs.gcode": 123, "C-arcs-small.gcode": 104, "B-two-objects.gcode": 161}
    for name, count in counts.items():
        lines = (samples / name).read_bytes().split(b"\n")
        assert sum(bool(M73.match(line)) for line in lines) == count
