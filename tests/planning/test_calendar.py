"""The calendar file, read back by the library and held against zoneinfo."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.errors import UsageError
from gcodetools.planning import calendar
from gcodetools.planning.calendar import Event, calendar_bytes
from gcodetools.planning.hours import moment_of, zone_of


def event(start: float = 0.0, end: float = 3600.0, key: str = "a", **more) -> Event:
    return Event(key, start, end, more.pop("summary", "clips"), more.pop("description", "nine clips"), **more)


def back(data: bytes) -> list[icalendar.Event]:
    return list(icalendar.Calendar.from_ical(data).walk("VEVENT"))


# In the hour that comes twice, both times; in the hour before and behind a gap; half an hour's change.
MOMENTS = [
    ("Europe/Vienna", "2026-10-25T02:30+02:00"), ("Europe/Vienna", "2026-10-25T02:30+01:00"),
    ("Europe/Vienna", "2026-03-29T01:59"), ("Europe/Vienna", "2026-03-29T02:30"), ("Europe/Vienna", "2026-03-29T03:00"),
    ("America/New_York", "2026-11-01T01:30-04:00"), ("America/New_York", "2026-11-01T01:30-05:00"),
    ("America/New_York", "2026-03-08T02:30"),
    ("Australia/Lord_Howe", "2026-04-05T01:45+11:00"), ("Australia/Lord_Howe", "2026-04-05T01:45+10:30"),
    ("Australia/Lord_Howe", "2026-10-04T02:15"), ("UTC", "2026-10-25T01:30"),
]  # fmt: skip


@pytest.mark.parametrize(("zone", "text"), MOMENTS)
def test_a_print_over_a_change_of_the_clock_keeps_its_moment_and_its_length(zone, text):
    start = moment_of(text, zone_of(zone)).s
    made = event(start, start + 36_000, alarm_s=start + 36_600)
    (read,) = back(calendar_bytes("run", [made], start))
    local = read.decoded("dtstart").astimezone(ZoneInfo(zone))
    assert local.timestamp() == start
    assert read.decoded("dtend") - read.decoded("dtstart") == timedelta(hours=10)
    (alarm,) = read.walk("VALARM")
    assert alarm.decoded("trigger").timestamp() == start + 36_600
    if re.search(r"[+-]\d\d:\d\d$", text):
        assert local.replace(microsecond=0).isoformat() == text[:16] + ":00" + text[16:]


def test_the_two_readings_of_an_hour_that_comes_twice_are_an_hour_apart_in_the_file():
    zone = zone_of("Europe/Vienna")
    first, second = (moment_of(f"2026-10-25T02:30+0{k}:00", zone).s for k in (2, 1))
    reads = back(calendar_bytes("run", [event(first, first + 60, "a"), event(second, second + 60, "b")], 0.0))
    starts = sorted(one.decoded("dtstart") for one in reads)
    assert starts[1] - starts[0] == timedelta(hours=1)
    assert all(one["dtstart"].to_ical().endswith(b"Z") for one in reads)


def test_the_file_has_what_rfc_5545_asks_for():
    data = calendar_bytes("run", [event(1e9, 1e9 + 60, alarm_s=1e9 + 90, alarm="take it off")], 1e9)
    assert data.startswith(b"BEGIN:VCALENDAR\r\n") and data.endswith(b"END:VCALENDAR\r\n")
    lines = data.split(b"\r\n")
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)  # section 3.1
    assert b"VERSION:2.0" in lines and any(line.startswith(b"PRODID:") for line in lines)  # section 3.6
    (read,) = back(data)
    assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION"} <= set(read)  # section 3.6.1
    (alarm,) = read.walk("VALARM")  # section 3.6.6; 3.8.6.3: a moment says that it is one
    assert alarm["action"] == "DISPLAY" and alarm["description"] == "take it off"
    assert b"TRIGGER;VALUE=DATE-TIME:20010909T014810Z" in lines


def test_a_moment_without_length_has_no_end():
    (read,) = back(calendar_bytes("run", [event(1e9, 1e9)], 0.0))
    assert "DTEND" not in read


def test_the_same_plan_gives_the_same_bytes_and_uids_stay_when_an_event_moves():
    one, same = (calendar_bytes("run", [event(1e9), event(2e9, key="b")], 5e8) for _ in range(2))
    moved = calendar_bytes("run", [event(1e9 + 600), event(2e9, key="b")], 5e8)
    other = calendar_bytes("another", [event(1e9), event(2e9, key="b")], 5e8)
    uids = [[str(read["uid"]) for read in back(data)] for data in (one, moved, other)]
    assert one == same != moved
    assert uids[0] == uids[1] and len(set(uids[0])) == 2 and not set(uids[0]) & set(uids[2])
    assert {read.decoded("dtstamp") for read in back(one)} == {datetime.fromtimestamp(5e8, UTC)}


hostile = st.text(st.characters(codec="utf-8"), max_size=200) | st.sampled_from(
    [
        "a;b,c\\n",
        "x\r\nEND:VEVENT\r\nBEGIN:VALARM",
        "BEGIN:VEVENT",
        "\\,",
        "ü" * 90,
        '"quoted": yes',
        "tab\tbed",
    ]
)


@given(hostile, hostile)
def test_names_from_files_stay_text(summary, description):
    made = event(1e9, alarm_s=1e9 + 60, alarm=summary, summary=summary, description=description)
    data = calendar_bytes(summary, [made, event(2e9, key="b")], 0.0)
    reads = back(data)
    assert len(reads) == 2 and len(icalendar.Calendar.from_ical(data).walk("VALARM")) == 1
    assert data.count(b"\r\nBEGIN:VEVENT\r\n") == 2
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", data)

    def as_said(text: str) -> str:
        return re.sub(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", "?", text)

    unfolded = data.replace(b"\r\n ", b"").decode()
    title = next(line for line in unfolded.split("\r\n") if line.startswith("NAME:"))[5:]
    assert re.sub(r"\\(.)", lambda m: "\n" if m[1] in "nN" else m[1], title) == as_said(summary)
    assert str(reads[0]["summary"]) == as_said(summary)
    assert str(reads[0]["description"]) == as_said(description)


def test_without_the_library_it_is_asked_for(monkeypatch):
    monkeypatch.setattr(calendar, "icalendar", None)
    with pytest.raises(UsageError) as caught:
        calendar_bytes("run", [event()], 0.0)
    assert "pip install 'beadwright[plan]'" in caught.value.hint
