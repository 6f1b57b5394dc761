"""The order file: what it means, and every mistake with its line, key and nearest name."""

from __future__ import annotations

import pytest

from gcodetools.errors import InputError
from gcodetools.planning.order import load_order

GOOD = """\
beadwright: 1
order: spring
zone: Europe/Vienna
start: 2026-03-02T08:00
due: 2026-03-20T18:00
kits: 40
one_kit: {film-clip: 9, ridge-saddle: 2}
parts: {film-clip: 12, shelf-hook: 3}
plates:
  - {file: clips.gcode, treated: clips-treated.gcode, holds: {film-clip: 9}, spool: black}
  - {file: rest.gcode, name: odds, holds: {ridge-saddle: 4, shelf-hook: 4}, spool: petg}
printers:
  - {name: bench, machine: desktop-220, count: 3, hours: "07:00-23:00", swap: 10 min, failed: 4%}
  - {name: attic, hours: {mon-fri: "08:00-17:00"}, swap: 15 min, failed: 1.5%, failed_at: end, alone: false,
     plates: [odds], per_hour: 0.4}
spools:
  - {material: petg, net_g: 1000, on_hand: 3, price: 22, opened_g: [300, 120.5]}
  - {material: petg, name: black, net_g: 750}
electricity_per_kwh: 0.30
"""
NOW = 1_700_000_000.0


@pytest.fixture
def load(tmp_path):
    def call(text: str):
        path = tmp_path / "run.order.yaml"
        path.write_text(text, encoding="utf-8")
        return load_order(path, NOW)

    return call


def test_an_order_is_read(load):
    order = load(GOOD)
    assert order.file.wanted == {"film-clip": 372, "ridge-saddle": 80, "shelf-hook": 3}
    assert [plate.title for plate in order.file.plates] == ["clips", "odds"]
    bench, attic = order.file.printers
    assert bench.names == ("bench 1", "bench 2", "bench 3") and attic.names == ("attic",)
    assert (bench.swap_s, attic.swap_s, bench.failed, attic.failed) == (600, 900, 0.04, 0.015)
    assert attic.week.days[0] == ((480, 1020),) and attic.week.days[5] == ()
    assert [order.file.spool_of(plate) for plate in order.file.plates] == [1, 0]
    assert order.local(order.start_s) == "2026-03-02T08:00:00+01:00"
    assert order.due_s is not None and order.due_s - order.start_s == 18 * 86_400 + 36_000
    assert order.remarks == () and order.path("clips.gcode").parent == order.folder


def test_without_a_start_it_begins_now_and_says_so(load):
    order = load(GOOD.replace("start: 2026-03-02T08:00\n", ""))
    assert (
        order.start_s == NOW
        and "which is now" in order.remarks[0]
        and "2023-11-14T23:13:20+01:00" in order.remarks[0]
    )
    order = load(GOOD.replace("due: 2026-03-20T18:00\n", ""))
    assert order.due_s is None
    with pytest.raises(InputError, match="due: 2021-03-20T18:00 is past"):
        load(GOOD.replace("start: 2026-03-02T08:00\n", "").replace("due: 2026", "due: 2021"))


def test_odd_moments_are_remarked_on(load):
    order = load(
        GOOD.replace("start: 2026-03-02T08:00", "start: 2025-10-26T02:30").replace(
            "due: 2026-03-20T18:00", "due: 2026-03-29T02:30"
        )
    )
    assert [text.split(":")[0] for text in order.remarks] == ["start", "due"]
    assert "comes twice" in order.remarks[0] and "left out" in order.remarks[1]


MISTAKES = [
    ("zone: Europe/Vienna", "zone: Europe/Viena", 3,
     "zone: found 'Europe/Viena', expected a time zone such as Europe/Vienna or UTC; nearest: "
     "Europe/Vienna"),
    ("due: 2026-03-20T18:00", "due: 2026-03-01T18:00", 5,
     "due: found 2026-03-01T18:00, not after the start, expected a time after 2026-03-02T08:00"),
    ("due: 2026-03-20T18:00", "due: 2026-02-30T18:00", 5,
     "due: found '2026-02-30T18:00', expected a date and time"),
    ("start: 2026-03-02T08:00", "start: today", 4, "start: found 'today', expected a date and time"),
    ("kits: 40", "kits: -40", 6, "kits: found -40, expected a whole number"),
    ("film-clip: 12", "film-clip: -12", 8, "parts.film-clip: found -12, expected a whole number"),
    ("film-clip: 12", "film-clip: 1.5", 8, "parts.film-clip: found 1.5, expected a whole number"),
    ("count: 3", "count: 0", 13, "printers[1].count: found 0, expected a whole number from 1"),
    ("failed: 4%", "failed: 100%", 13,
     "printers[1].failed: found '100%', expected a percentage with its sign from 0% to 90%"),
    ("failed: 4%", "failed: 4", 13,
     "printers[1].failed: found 4, expected a percentage with its sign from 0% to 90%: write 4%"),
    (", failed: 4%", "", 13, "printers[1]: found no key 'failed'"),
    ("swap: 10 min", "swap: 10", 13, "printers[1].swap: found 10, expected a time such as 10 min"),
    ("swap: 10 min", "swap: ten min", 13,
     "printers[1].swap: found 'ten min', which is no time, expected a time such as"),
    ('hours: "07:00-23:00"', 'hours: "7 to 11"', 13,
     "printers[1].hours: found '7 to 11', which is no span of hours, expected 07:00-23:00"),
    ("mon-fri:", "mon-day:", 14,
     "printers[2].hours: found 'mon-day', which is no day such as mon or mon-fri"),
    ("swap: 15 min", "swap: 10 h", 14,
     "printers[2].swap: found '10 h', expected at most 540 min, the longest that somebody is there"),
    ('"07:00-23:00", swap: 10 min', "round the clock, swap: 99999999 d", 13,
     "printers[1].swap: found '99999999 d', expected at most 24 h"),
    ("shelf-hook: 3}", "shelf-hook: 70000000}", 8,
     "parts.shelf-hook: found 70000000, expected a whole number from 1 to 1e+06"),
    ("plates: [odds]", "plates: [ods]", 15,
     "printers[2].plates[1]: found 'ods', expected 'odds' (nearest name)"),
    ("spool: black", "spool: blak", 10, "plates[1].spool: found 'blak', expected 'black' (nearest name)"),
    (", spool: black", "", 10, "plates[1]: found no key 'spool', expected one of petg, black"),
    ("name: odds", "name: clips", 9, "plates: found 'clips' twice, expected a `name` of its own for each"),
    ("one_kit: {film-clip: 9, ridge-saddle: 2}\n", "", 6, "kits: found no key 'one_kit'"),
    ("kits: 40\n", "", 6, "one_kit: found no key 'kits'"),
    ("net_g: 750", "net_g: 0", 18, "spools[2].net_g: found 0, expected a number in g above 0"),
    ("electricity_per_kwh", "electricity_per_kw", 19,
     "found unknown key 'electricity_per_kw', expected 'electricity_per_kwh' (nearest valid key)"),
    ("holds: {film-clip: 9}", "holds: {}", 10, "plates[1].holds: found an empty mapping"),
    ("name: attic", "name: bench 2", 12, "printers: found 'bench 2' twice"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "line", "told"), MISTAKES, ids=[m[1][:24] or m[0][:24] for m in MISTAKES]
)
def test_mistakes_are_told_with_their_line(load, old, new, line, told):
    assert old in GOOD
    with pytest.raises(InputError) as caught:
        load(GOOD.replace(old, new, 1))
    first = next(text for text in caught.value.cause.splitlines() if told in text)
    assert f"run.order.yaml:{line}: " in first


def test_no_advice_is_given_that_would_be_refused(load):
    for old, new in (("swap: 10 min", "swap: 10"), ('hours: "07:00-23:00"', "hours: 7")):
        with pytest.raises(InputError) as caught:
            load(GOOD.replace(old, new))
        assert "write" not in caught.value.cause


def test_several_mistakes_are_told_together(load):
    with pytest.raises(InputError) as caught:
        load(
            GOOD.replace("kits: 40", "kits: 0")
            .replace("count: 3", "count: none")
            .replace("net_g: 750", "net: 750")
        )
    assert len(caught.value.cause.splitlines()) >= 3


def test_an_order_without_anything_ordered_or_from_the_future_is_refused(load):
    text = GOOD.replace("kits: 40\n", "").replace("one_kit: {film-clip: 9, ridge-saddle: 2}\n", "")
    with pytest.raises(InputError, match="neither kits nor parts"):
        load(text.replace("parts: {film-clip: 12, shelf-hook: 3}\n", ""))
    with pytest.raises(InputError, match="expected at most 1"):
        load(GOOD.replace("beadwright: 1", "beadwright: 2"))
    with pytest.raises(InputError, match="printers: found a list of 0"):
        load(GOOD[: GOOD.index("printers:")] + "printers: []\nspools:" + GOOD.split("spools:")[1])
