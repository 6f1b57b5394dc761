"""What a record says of moved walls is read back as it was, whatever the names; and estimates take it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.edit.record import MAX_LINE_BYTES, escaped, record_lines, recorded
from gcodetools.jobs.fits_done import moved_in, moved_pairs, moved_share, tells
from gcodetools.kit.settings import Fit, Flow, Treatment
from gcodetools.treat.target import Done

NAMES = st.text(st.characters(blacklist_categories=("Cc", "Cs")), min_size=1, max_size=30)


def work(part, region, instance, treatment):
    return (SimpleNamespace(part=part, region=region), SimpleNamespace(instance=instance), treatment, "any")


def done(part, region, instance, did="moved 3 mm"):
    return Done(part, instance, region, "fit", "x", did)


@given(
    part=NAMES,
    region=NAMES,
    instances=st.lists(st.integers(1, 100_000), min_size=1, max_size=60, unique=True),
    offset=st.integers(-200, 200).filter(bool),
)
def test_moved_walls_are_read_back(part, region, instances, offset):
    fit = Treatment(fit=Fit(offset_mm=offset / 1000))
    pairs = moved_pairs(
        [work(part, region, n, fit) for n in instances], [done(part, region, n) for n in instances]
    )
    text = record_lines(pairs, b"\r\n")
    assert all(len(line) <= MAX_LINE_BYTES and not line.endswith(b"...") for line in text.split(b"\r\n"))
    name = escaped(f"{part}/{region}")
    assert moved_in(text) == {(name, n): offset / 1000 for n in instances}


def test_only_walls_that_were_moved_stand_in_it():
    fit = Treatment(fit=Fit(offset_mm=0.05))
    jobs = [
        work("a", "b", 1, fit), work("a", "b", 2, fit), work("a", "c", 1, Treatment(flow=Flow(scale=1.1))),
        work("a", "d", 1, Treatment(fit=Fit(offset_mm=0.0))),
    ]  # fmt: skip
    pairs = moved_pairs(jobs, [done("a", "b", 1), done("a", "b", 2, "nothing"), done("a", "d", 1)])
    assert pairs == [("fit", "+0.05 mm: a/b#1")]


def test_walls_that_stay_for_the_most_part_do_not_stand_in_it():
    """By length over all layers: 2 of 5 layers moved do not make another fit, 3 of 5 do."""
    fit = Treatment(fit=Fit(offset_mm=0.05))
    runs = [
        (
            {"layers": [1, moved], "moved_mm": 40.0},
            {"layers": [moved + 1, 5], "moved_mm": 0.0, "not_moved_mm": 40.0},
        )
        for moved in (2, 3)
    ]
    answers = [replace(done("a", "b", n), details=found) for n, found in enumerate(runs, 1)]
    assert [moved_share(one) for one in answers] == pytest.approx([0.4, 0.6])
    assert [tells(one) for one in answers] == [False, True]
    assert moved_share(done("a", "b", 3, "nothing")) == 0.0 and moved_share(done("a", "b", 3)) == 1.0
    pairs = moved_pairs([work("a", "b", n, fit) for n in (1, 2)], answers)
    assert pairs == [("fit", "+0.05 mm: a/b#2")]


def test_treated_twice_is_the_sum_and_other_lines_are_left_alone():
    first = record_lines(
        [("fit", "+0.05 mm: a/b#1,2"), ("kit", "x"), ("fit", "nonsense"), ("fit", "1 mm: a#")], b"\n"
    )
    second = record_lines([("fit", "-0.02 mm: a/b#2")], b"\n")
    assert moved_in(second + b"G28\n" + first) == {("a/b", 1): 0.05, ("a/b", 2): 0.03}
    assert moved_in(b"; beadwright fit: +0.05 mm: a/b#1\nG28\n") == {}  # no record
    assert recorded(b"G28\n") == ()
    assert recorded(b"\xef\xbb\xbf" + second) == (("fit", "-0.02 mm: a/b#2"),)


@pytest.mark.parametrize("value", ["k\u00e4se", "a\x1bb", "x" * 400])
def test_a_record_s_values_come_back_as_it_escaped_them(value):
    (found,) = recorded(record_lines([("set", value)], b"\n"))
    assert found[0] == "set"
    assert escaped(value).startswith(found[1].removesuffix("..."))
