"""A plan as an iCalendar file (RFC 5545): an event a plate, a reminder when it wants taking off, the due date.

All times are in UTC. RFC 5545 lets a local time that comes twice mean the first of the two only, so a print that
starts in the second of them could not be written in local time; calendars show UTC on the reader's own clock. Local
times with their offsets stand in the descriptions. The same plan gives the same bytes. The only module that needs the
calendar library.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime

from gcodetools.errors import UsageError
from gcodetools.records import dataclass

try:
    import icalendar
except ImportError:
    icalendar = None  # type: ignore[assignment]

__all__ = ["Event", "calendar_bytes", "require_calendar"]

_CONTROL = {code: "?" for code in (*range(32), 127, *range(128, 160)) if code not in (9, 10)}


@dataclass(frozen=True, slots=True)
class Event:
    """Something in the calendar. key : tells it apart within the plan, and stays when it moves. start_s, end_s : POSIX
    times; an end at the start has none. alarm_s : when to remind, None for never."""

    key: str
    start_s: float
    end_s: float
    summary: str
    description: str
    alarm_s: float | None = None
    alarm: str = ""


def require_calendar() -> None:
    """Ask for the calendar library where it is missing.

    Raises
    ------
    UsageError : it is not installed.
    """
    if icalendar is None:
        raise UsageError(
            "--ics needs the calendar library, which is not installed",
            "Install it with: pip install 'beadwright[plan]'",
        )


def calendar_bytes(name: str, events: Sequence[Event], stamp_s: float) -> bytes:
    """The file. name : of the calendar; with a key it makes an event's UID. stamp_s : POSIX time of DTSTAMP.

    Raises
    ------
    UsageError : the library is not installed.
    """
    require_calendar()
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Beadwright//plan//EN")
    calendar.add("version", "2.0")
    # RFC 7986; the library does not know that it is text.
    calendar.add("name", icalendar.vText(_plain(name)))
    for event in events:
        calendar.add_component(_event(name, event, stamp_s))
    return bytes(calendar.to_ical())


def _event(name: str, event: Event, stamp_s: float) -> icalendar.Event:
    made = icalendar.Event()
    digest = hashlib.sha256(f"{name}\0{event.key}".encode()).hexdigest()[:32]
    made.add("uid", f"{digest}@beadwright")
    made.add("dtstamp", _utc(stamp_s))
    made.add("dtstart", _utc(event.start_s))
    if round(event.end_s) > round(event.start_s):
        made.add("dtend", _utc(event.end_s))
    made.add("summary", _plain(event.summary))
    made.add("description", _plain(event.description))
    # Nobody is busy because a printer is.
    made.add("transp", "TRANSPARENT")
    if event.alarm_s is not None:
        alarm = icalendar.Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", _plain(event.alarm or event.summary))
        alarm.add("trigger", _utc(event.alarm_s), parameters={"VALUE": "DATE-TIME"})
        made.add_component(alarm)
    return made


def _utc(s: float) -> datetime:
    """A moment to the second."""
    return datetime.fromtimestamp(round(s), UTC)


def _plain(text: str) -> str:
    """Without signs that no text of a calendar may hold; the library escapes the others."""
    return text.translate(_CONTROL)
