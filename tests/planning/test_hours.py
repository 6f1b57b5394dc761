"""Wall clock and real time: dates, hours, zones and their changes of the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.errors import Refused
from gcodetools.planning.hours import Presence, duration_s, local_text, moment_of, week_of, zone_of

VIENNA, NEW_YORK, LORD_HOWE = "Europe/Vienna", "America/New_York", "Australia/Lord_Howe"
ZONES = (VIENNA, NEW_YORK, LORD_HOWE, "UTC")


def sunday(year: int, month: int, number: int) -> date:
    """The n-th Sunday of a month, the last for -1."""
    days = [date(year, month, 1) + timedelta(days=k) for k in range(31)]
    return [day for day in days if day.month == month and day.weekday() == 6][number]


def utc(day: date, hours: float) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() + 3600 * hours


# European Union: Directive 2000/84/EC, articles 2 and 3 (last Sundays of March and October, 01:00 UTC). United States:
# 15 U.S.C. 260a as of the Energy Policy Act of 2005 (second Sunday of March, first of November, 02:00 local). Lord
# Howe Island: Standard Time Act 1987 (NSW), half an hour, first Sundays of April and October, 02:00 local.
# zone, moment in UTC before which the old offset holds, offset before and behind, hours
CHANGES = [
    (VIENNA, utc(sunday(2026, 3, -1), 1), 1, 2),
    (VIENNA, utc(sunday(2026, 10, -1), 1), 2, 1),
    (NEW_YORK, utc(sunday(2026, 3, 1), 7), -5, -4),
    (NEW_YORK, utc(sunday(2026, 11, 0), 6), -4, -5),
    (LORD_HOWE, utc(sunday(2026, 4, 0), -9), 11, 10.5),
    (LORD_HOWE, utc(sunday(2026, 10, 0), -8.5), 10.5, 11),
]


@pytest.mark.parametrize(("zone", "at", "before", "behind"), CHANGES)
def test_the_clock_changes_where_the_law_says(zone, at, before, behind):
    for s, hours in ((at - 1, before), (at + 1, behind)):
        shown = datetime.fromisoformat(local_text(s, zone_of(zone)))
        assert shown.utcoffset() == timedelta(hours=hours) and shown.timestamp() == s


@pytest.mark.parametrize(("zone", "at", "before", "behind"), [c for c in CHANGES if c[3] > c[2]])
def test_a_time_that_is_left_out_counts_by_the_offset_before(zone, at, before, behind):
    """RFC 5545, section 3.3.5: a local time that does not occur is read with the offset before the gap."""
    gap_s = 3600 * (behind - before)
    naive = datetime.fromtimestamp(at + 3600 * before + gap_s / 2, UTC).replace(tzinfo=None)
    moment = moment_of(naive.isoformat(), zone_of(zone))
    assert moment.s == at + gap_s / 2 and "left out" in moment.remark
    shown = datetime.fromisoformat(local_text(moment.s, zone_of(zone))).replace(tzinfo=None)
    assert shown - naive == timedelta(seconds=gap_s) and f"{shown:%H:%M}" in moment.remark


@pytest.mark.parametrize(("zone", "at", "before", "behind"), [c for c in CHANGES if c[3] < c[2]])
def test_a_time_that_comes_twice_is_the_first_unless_it_has_its_offset(zone, at, before, behind):
    twice_s = 3600 * (before - behind)
    naive = datetime.fromtimestamp(at + 3600 * behind + twice_s / 2, UTC).replace(tzinfo=None)
    first = moment_of(naive.isoformat(), zone_of(zone))
    assert first.s == at - twice_s / 2 and "comes twice" in first.remark
    told = first.remark.split("write ")[1].split()[0]
    second = moment_of(naive.isoformat() + told, zone_of(zone))
    assert second.s == at + twice_s / 2 and second.remark == ""


def test_plain_moments_have_no_remark_and_blanks_and_utc_are_read():
    zone = zone_of(VIENNA)
    assert moment_of("2026-07-01T12:00", zone).s == utc(date(2026, 7, 1), 10)
    assert moment_of("2026-07-01 12:00:30", zone).s == utc(date(2026, 7, 1), 10) + 30
    assert moment_of("2026-07-01T12:00Z", zone).s == utc(date(2026, 7, 1), 12)
    assert moment_of("2026-07-01T12:00", zone).remark == ""


@pytest.mark.parametrize(
    "text", ["2026-02-30T08:00", "2026-03-02", "tomorrow", "2026-03-02T25:00", "1066-10-14T09:00", ""]
)
def test_what_is_no_date_and_time_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        moment_of(text, zone_of("UTC"))


def test_a_zone_nobody_knows_names_the_nearest():
    with pytest.raises(ValueError, match="nearest: Europe/Vienna"):
        zone_of("Europe/Viena")
    for odd in ("../../etc/passwd", "Europe", "", "\0"):
        with pytest.raises(ValueError, match="time zone such as"):
            zone_of(odd)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("10 min", 600), ("1.5 h", 5400), ("2 h 30 min", 9000), ("90s", 90), ("1 d", 86400), ("0 min", 0)],
)
def test_durations_are_said_with_their_unit(text, seconds):
    assert duration_s(text) == seconds


@pytest.mark.parametrize("text", ["10", "min", "", " ", "10 minutes", "-5 min", "10 min or so", "1e3 s"])
def test_durations_without_a_unit_are_refused(text):
    with pytest.raises(ValueError, match="time"):
        duration_s(text)


def test_hours_are_read_by_days():
    assert week_of("07:00-23:00").days == (((420, 1380),),) * 7
    assert week_of("round the clock").always and week_of("0:00-24:00").always
    week = week_of({"mon-fri": "8:00-12:00, 13:00-17:00", "Saturday": "22:00-02:00", "sun": "none"})
    assert (
        week.days[0] == ((480, 720), (780, 1020)) and week.days[5] == ((1320, 1560),) and week.days[6] == ()
    )
    assert week_of({"sat-mon": "08:00-10:00"}).days == (
        ((480, 600),),
        (),
        (),
        (),
        (),
        ((480, 600),),
        ((480, 600),),
    )
    assert week_of("08:00-12:00, 11:00-14:00, 14:00-15:00").days[0] == ((480, 900),)


@pytest.mark.parametrize(
    "said", ["", "7-23", "07:00-07:00", "07:00-25:00", "07:00-24:30", "none", {"mon": "none"}, {"moon": "07:00-09:00"},
             {"mon": "07:00-09:00", "mon-tue": "10:00-12:00"}, {"mon-tue-wed": "07:00-09:00"}]
)  # fmt: skip
def test_hours_that_make_no_sense_are_refused(said):
    with pytest.raises(ValueError, match=r"."):
        week_of(said)


def test_hours_said_again_are_the_same_and_may_be_longer():
    for said in ("07:00-23:00", {"mon-fri": "08:00-12:00, 13:00-17:00", "sat": "22:00-02:00"}):
        assert week_of(week_of(said).said()) == week_of(said)
    week = week_of("08:00-12:00, 13:00-17:00").longer(120)
    assert week.days[0] == ((480, 1140),)
    assert week_of(week_of("20:00-23:00").longer(120).said()).days[0] == ((1200, 1500),)
    assert week_of("00:00-23:00").longer(120).always
    assert week_of(week_of("09:00-08:00").longer(120).said()).always


@pytest.mark.parametrize(
    ("said", "hours"),
    [
        ("07:00-23:00", 16),
        ("22:00-06:00", 8),
        ({"mon-fri": "round the clock"}, 120),
        ({"sat-sun": "round the clock", "mon": "00:00-08:00"}, 56),
    ],
)
def test_the_longest_stretch(said, hours):
    assert week_of(said).longest_s == 3600 * hours


def presence(said="07:00-23:00", zone=VIENNA, start="2026-03-02T08:00", swap_s=600.0, alone=True) -> Presence:
    where = zone_of(zone)
    return Presence(week_of(said), where, moment_of(start, where).s, swap_s, alone)


@pytest.mark.parametrize("zone", ZONES)
def test_hours_keep_to_the_clock_on_the_wall_over_a_year_of_changes(zone):
    """Each stretch, read by zoneinfo: 07:00 to 23:00 of each day, though some days are shorter or longer."""
    there = presence(zone=zone)
    begin, end = there.windows(there.from_s + 400 * 86_400)
    assert len(begin) >= 400
    walls = [
        tuple(datetime.fromtimestamp(s, ZoneInfo(zone)) for s in pair)
        for pair in zip(begin.tolist(), end.tolist(), strict=True)
    ]
    assert all(
        (a.hour, a.minute, b.hour, b.minute) == (7, 0, 23, 0) and a.date() == b.date() for a, b in walls
    )
    assert all(b[0].date() - a[0].date() == timedelta(days=1) for a, b in pairwise(walls))
    nights = {round(s) for s in (begin[1:] - end[:-1]).tolist()}
    assert nights == (
        {8 * 3600}
        if zone == "UTC"
        else {8 * 3600, *((27000, 30600) if zone == LORD_HOWE else (25200, 32400))}
    )


def test_a_print_over_the_change_takes_its_real_time():
    """Ten hours from 22:00 on the evening before the last Sunday of March end at 09:00, not at 08:00."""
    there = presence(start="2026-03-28T22:00")
    assert local_text(there.start(there.from_s, 0) + 36_000, there.zone) == "2026-03-29T09:00:00+02:00"
    there = presence(start="2026-10-24T22:00")
    assert local_text(there.start(there.from_s, 0) + 36_000, there.zone) == "2026-10-25T07:00:00+01:00"


def test_a_plate_waits_until_somebody_is_there_for_all_of_the_swap():
    there = presence(start="2026-03-02T08:00")
    day = there.from_s - 8 * 3600
    for end, off in (
        (9, 9 + 1 / 6),
        (22.75, 22.75 + 1 / 6),
        (23 - 1 / 6, 23),
        (22.9, 31 + 1 / 6),
        (26, 31 + 1 / 6),
    ):
        assert there.off(day + 3600 * end) == pytest.approx(day + 3600 * off, abs=1e-6)


def test_overnight_hours_and_days_off():
    there = presence({"fri": "22:00-02:00"}, start="2026-03-06T21:00")  # a Friday
    assert local_text(there.start(there.from_s, 0), there.zone) == "2026-03-06T22:00:00+01:00"
    assert (
        local_text(there.off(there.start(there.from_s, 0) + 6 * 3600), there.zone)
        == "2026-03-13T22:10:00+01:00"
    )
    late = presence({"fri": "22:00-02:00"}, start="2026-03-07T01:00")
    assert late.start(late.from_s, 0) == late.from_s


def test_plates_that_may_not_print_alone_start_when_there_is_time_enough():
    there = presence(start="2026-03-02T08:00", alone=False)
    day = there.from_s - 8 * 3600
    assert there.start(day + 3600 * 12, 3600 * 11) == day + 3600 * 12
    assert there.start(day + 3600 * 12.1, 3600 * 11) == day + 3600 * 31
    assert there.start(day, 3600 * 16.5) == float("inf")


minutes = st.integers(0, 60 * 24 * 20)
weeks = st.sampled_from(
    ["07:00-23:00", "round the clock", "22:00-06:00", "08:00-08:20, 12:00-12:05, 17:00-19:00", "01:30-02:45"]
)


@given(
    weeks,
    st.sampled_from(ZONES),
    st.sampled_from(["2026-03-20T08:00", "2026-10-20T01:15"]),
    st.lists(minutes, min_size=2, max_size=6),
    st.booleans(),
)
def test_many_at_once_are_as_one_by_one_and_waiting_gains_nothing(said, zone, start, offsets, alone):
    there = presence(said, zone, start, 600.0, alone)
    moments = np.sort(there.from_s + 60.0 * np.array(offsets))
    offs = there.off_all(moments)
    starts = there.start_all(moments, np.array(900.0))
    fresh = presence(said, zone, start, 600.0, alone)
    assert offs.tolist() == [fresh.off(s) for s in moments.tolist()]
    assert starts.tolist() == [fresh.start(s, 900.0) for s in moments.tolist()]
    assert np.all(np.diff(offs) >= 0) and np.all(np.diff(starts) >= 0)
    assert np.all(offs >= moments + 600.0) and np.all(starts >= moments)


@given(
    st.sampled_from(["07:00-23:00", "22:00-06:00", "08:00-08:20, 12:00-12:05, 17:00-19:00"]),
    st.sampled_from(ZONES),
    st.integers(0, 60 * 24 * 10),
)
def test_off_is_the_first_minute_at_which_a_swap_ends_within_hours(said, zone, offset):
    """Against a walk minute by minute along the clock on the wall."""
    there = presence(said, zone, "2026-03-25T08:00")
    spans = week_of(said).days[0]

    def within(s: float) -> bool:
        wall = datetime.fromtimestamp(s, ZoneInfo(zone))
        minute = 60 * wall.hour + wall.minute
        return any(a <= minute < b or a <= minute + 1440 < b for a, b in spans)

    s = there.from_s + 60.0 * offset
    while not all(within(s + 60.0 * k) for k in range(10)):
        s += 60.0
    assert there.off(there.from_s + 60.0 * offset) == s + 600.0


def test_twenty_years_are_the_most():
    there = presence({"mon": "08:00-08:10"})
    with pytest.raises(Refused, match="more than 20 years"):
        for _ in range(3000):
            there.off(there.from_s + 50 * 366 * 86_400.0)


@pytest.mark.parametrize(
    ("start", "hours", "begin", "end"),
    [
        # Comes twice: the first of the two, for the begin and for the end. Left out: by the offset before the change.
        ("2026-10-24T12:00", "02:30-05:00", "2026-10-25T00:30", "2026-10-25T04:00"),
        ("2026-10-24T12:00", "00:30-02:30", "2026-10-24T22:30", "2026-10-25T00:30"),
        ("2026-03-28T12:00", "02:30-05:00", "2026-03-29T01:30", "2026-03-29T03:00"),
        ("2026-03-28T12:00", "00:30-02:30", "2026-03-28T23:30", "2026-03-29T01:30"),
    ],
)
def test_hours_that_begin_or_end_in_a_change_of_the_clock(start, hours, begin, end):
    """RFC 5545, section 3.3.5, by hand in UTC."""
    zone = zone_of("Europe/Vienna")
    presence = Presence(week_of(hours), zone, moment_of(start, zone).s, 60.0)
    first, last = presence.windows(moment_of(start, zone).s)
    assert (first[0], last[0]) == tuple(moment_of(f"{text}Z", zone).s for text in (begin, end))
