"""Wall clock and real time: zones, dates of an order, and the hours in which somebody is there.

Hours are kept by the clock on the wall, prints take real time, so everything is reckoned in seconds of POSIX
time and only hours and dates go through a zone. A time of day that a change of the clock leaves out counts by
the offset before the change, one that comes twice is the first of the two (RFC 5545, section 3.3.5).
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
from numpy.typing import NDArray

from gcodetools.documents.kinds import nearest
from gcodetools.errors import Refused
from gcodetools.records import dataclass

__all__ = [
    "DAYS",
    "Moment",
    "Presence",
    "Week",
    "duration_s",
    "local_text",
    "moment_of",
    "week_of",
    "zone_of",
]

F8 = NDArray[np.float64]

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_LONG_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DAY_MIN = 24 * 60
_SPAN = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)\s*-\s*([01]?\d|2[0-4]):([0-5]\d)\Z")
_DATE_TIME = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d)?)\s*(Z|[-+]\d\d:\d\d)?\Z")
_UNITS_S = {"d": 86_400.0, "h": 3600.0, "min": 60.0, "s": 1.0}
_DURATION = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(d|h|min|s)(?![a-z])")
_FIRST_DAYS = 64
_MOST_DAYS = 20 * 366  # beyond that nobody plans a print run

Span = tuple[int, int]


def duration_s(text: str) -> float:
    """Seconds of `10 min`, `1.5 h`, `2 h 30 min`.

    Raises
    ------
    ValueError : anything else.
    """
    at, total = 0, 0.0
    while at < len(text.rstrip()):
        found = _DURATION.match(text, at)
        if not found:
            raise ValueError(f"{text!r}, which is no time")
        total += float(found[1]) * _UNITS_S[found[2]]
        at = found.end()
    if at == 0:
        raise ValueError(f"{text!r}, which is no time")
    return total


def zone_of(name: str) -> ZoneInfo:
    """A time zone by its name in the IANA database.

    Raises
    ------
    ValueError : there is none of that name; the message holds the nearest, or says that the database is missing.
    """
    try:
        return ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        known = available_timezones()
    if not known:
        raise ValueError("no zones on this system: pip install 'beadwright[plan]' brings them")
    close = nearest(name, known)
    raise ValueError(f"a time zone such as Europe/Vienna or UTC{f'; nearest: {close}' if close else ''}")


@dataclass(frozen=True, slots=True)
class Moment:
    """A date and time of an order. s : POSIX seconds. remark : what a change of the clock did to it, or ""."""

    s: float
    remark: str = ""


def moment_of(text: str, zone: ZoneInfo) -> Moment:
    """`2026-03-02T08:00` on the clocks of a zone, or with an offset of its own, as `2026-10-25T02:30+01:00`.

    Raises
    ------
    ValueError : no such date or no such form.
    """
    found = _DATE_TIME.match(text.strip())
    if not found:
        raise ValueError(f"{text!r}, which is no date and time")
    naive = datetime.fromisoformat(f"{found[1]}T{found[2]}")
    if not 1970 <= naive.year <= 2200:
        raise ValueError(f"the year {naive.year}")
    if found[3]:
        offset = "+00:00" if found[3] == "Z" else found[3]
        return Moment(datetime.fromisoformat(naive.isoformat() + offset).timestamp())
    return _on_the_wall(naive, zone)


def _on_the_wall(naive: datetime, zone: ZoneInfo) -> Moment:
    first, second = (naive.replace(tzinfo=zone, fold=fold).timestamp() for fold in (0, 1))
    there = datetime.fromtimestamp(first, zone)
    shown = f"{naive:%Y-%m-%d %H:%M}"
    if there.replace(tzinfo=None, fold=0) != naive:
        return Moment(first, f"{shown} is left out by the change of the clock there; {there:%H:%M} is taken")
    if second != first:
        other = datetime.fromtimestamp(second, zone)
        return Moment(
            first,
            f"{shown} comes twice there; the first is taken (write {_offset(other)} behind it for the second)",
        )
    return Moment(first)


def local_text(s: float, zone: ZoneInfo) -> str:
    """A moment on the clocks of a zone, to the second, with its offset: `2026-03-02T08:00:00+01:00`."""
    return datetime.fromtimestamp(round(s), zone).isoformat(timespec="seconds")


def _offset(at: datetime) -> str:
    return at.isoformat()[-6:]


@dataclass(frozen=True, slots=True)
class Week:
    """When somebody is there, by the clock on the wall. days : for each weekday from Monday its (begin, end) in
    minutes from midnight, ascending and apart; an end past 24 h is on the next day. always : round the clock."""

    days: tuple[tuple[Span, ...], ...]
    always: bool = False

    def longer(self, minutes: int) -> Week:
        """The same with each span's end put off."""
        if self.always:
            return self
        # What would last a day and more is the whole day: no span can be written that ends where it begins.
        days = tuple(
            _joined([(a, b + minutes) if b - a + minutes < _DAY_MIN else (0, _DAY_MIN) for a, b in spans])
            for spans in self.days
        )
        return _settled(days)

    def said(self) -> dict[str, str]:
        """As an order would say it."""
        return {
            name: ", ".join(f"{_clock(a)}-{_clock(b if b <= _DAY_MIN else b - _DAY_MIN)}" for a, b in spans)
            for name, spans in zip(DAYS, self.days, strict=True)
            if spans
        }

    @property
    def longest_s(self) -> float:
        """The longest time that somebody is there at a stretch, changes of the clock left out."""
        if self.always:
            return float("inf")
        twice = [(a + 1440 * d, b + 1440 * d) for d in range(14) for a, b in self.days[d % 7]]
        return 60.0 * max((b - a for a, b in _joined(twice)), default=0)


def week_of(said: str | Mapping[str, str]) -> Week:
    """Hours as an order says them: `07:00-23:00`, `08:00-12:00, 13:00-17:00`, `round the clock`, `none`; or such
    texts by days, `{mon-fri: "07:00-23:00", sat: none}`, where days that are not named have none.

    Raises
    ------
    ValueError : anything else, with what was found.
    """
    if isinstance(said, str):
        return _settled((_spans(said),) * 7)
    days: dict[int, tuple[Span, ...]] = {}
    for key, text in said.items():
        for day in _days(key):
            if day in days:
                raise ValueError(f"{DAYS[day]} twice")
            days[day] = _spans(text)
    return _settled(tuple(days.get(day, ()) for day in range(7)))


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _settled(days: tuple[tuple[Span, ...], ...]) -> Week:
    always = all(spans == ((0, _DAY_MIN),) for spans in days)
    if not any(days):
        raise ValueError("no hour in the week")
    return Week(days, always)


def _days(text: str) -> list[int]:
    names = [name.strip().lower() for name in text.split("-")]
    found = [next((k for k in range(7) if one in (DAYS[k], _LONG_DAYS[k])), -1) for one in names]
    if len(found) > 2 or -1 in found:
        raise ValueError(f"{text!r}, which is no day such as mon or mon-fri")
    first, last = found[0], found[-1]
    return [day % 7 for day in range(first, last + 1 if last >= first else last + 8)]


def _spans(text: str) -> tuple[Span, ...]:
    said = text.strip().lower()
    if said == "none":
        return ()
    if said == "round the clock":
        return ((0, _DAY_MIN),)
    spans = []
    for item in said.split(","):
        found = _SPAN.match(item.strip())
        if not found:
            raise ValueError(f"{item.strip()!r}, which is no span of hours")
        begin, end = int(found[1]) * 60 + int(found[2]), int(found[3]) * 60 + int(found[4])
        if end == begin or end > _DAY_MIN:
            raise ValueError(f"{item.strip()!r}, which ends where it begins, or past 24:00")
        spans.append((begin, end if end > begin else end + _DAY_MIN))
    return _joined(spans)


def _joined(spans: list[Span]) -> tuple[Span, ...]:
    """Spans in order, those that meet or lap made one."""
    result: list[Span] = []
    for begin, end in sorted(spans):
        if result and begin <= result[-1][1]:
            result[-1] = (result[-1][0], max(result[-1][1], end))
        else:
            result.append((begin, end))
    return tuple(result)


class Presence:
    """The stretches of real time in which somebody is there, and what can be done when.

    Parameters
    ----------
    week, zone : the hours. from_s : POSIX time of the order's start. swap_s : how long somebody needs to take a
    plate off and start the next; it fits into a stretch whole. alone : whether a plate may print on when nobody
    is there.

    Every answer grows with the time asked about: nothing is gained by waiting.
    """

    def __init__(self, week: Week, zone: ZoneInfo, from_s: float, swap_s: float, alone: bool = True) -> None:
        self.week, self.zone, self.from_s = week, zone, from_s
        self.swap_s, self.alone = swap_s, alone
        self._longest_s = week.longest_s
        self._days = 0
        self._begin, self._end = [from_s], [float("inf")]
        if not week.always:
            self._grow()
        self._arrays()

    def windows(self, until_s: float) -> tuple[F8, F8]:
        """(k,) begins and (k,) ends of the stretches, at least as far as `until_s`."""
        self._reach(until_s)
        return np.array(self._begin), np.array(self._end)

    def off(self, end_s: float) -> float:
        """When a plate that ends then is off its printer, and the next may start."""
        self._reach(end_s)
        k = bisect_left(self._last_swap, end_s)
        return max(end_s, self._begin_swap[k]) + self.swap_s

    def start(self, s: float, need_s: float) -> float:
        """When a plate may start at the earliest from then on. need_s : what it takes at most; it is within one
        stretch where plates may not print alone; infinite where no stretch is long enough."""
        need_s = 0.0 if self.alone else need_s
        if need_s > self._longest_s:
            return float("inf")
        while True:
            self._reach(s + need_s)
            # Stretches differ by an hour where the clock changes, so they are looked at one by one.
            k = bisect_left(self._end, s + need_s)
            while k < len(self._end) and self._end[k] < max(s, self._begin[k]) + need_s:
                k += 1
            if k < len(self._end):
                return max(s, self._begin[k])
            self._grow()

    def off_all(self, end_s: F8) -> F8:
        """`off` of many."""
        self._reach(float(np.max(end_s, initial=-np.inf, where=np.isfinite(end_s))))
        k = np.minimum(np.searchsorted(self._last_swap_s, end_s), len(self._last_swap_s) - 1)
        result: F8 = np.maximum(end_s, self._begin_swap_s[k]) + self.swap_s
        return result

    def start_all(self, s: F8, need_s: F8) -> F8:
        """`start` of many; need_s : broadcast to `s`."""
        if self.alone:
            self._reach(float(np.max(s, initial=-np.inf, where=np.isfinite(s))))
            k = np.minimum(np.searchsorted(self._end_s, s), len(self._end_s) - 1)
            result: F8 = np.maximum(s, self._begin_s[k])
            return result
        since, need = np.broadcast_arrays(s, need_s)
        found = np.empty(since.shape)
        for one in np.unique(need).tolist():  # a kind of plate each, so they are few
            mine = need == one
            found[mine] = self._start_within(since[mine], one)
        return found

    def _start_within(self, s: F8, need_s: float) -> F8:
        """`start` of many where plates may not print alone."""
        if need_s > self._longest_s:
            return np.full(len(s), np.inf)
        while True:
            fits = self._end_s - self._begin_s >= need_s
            last, begin = self._end_s[fits] - need_s, self._begin_s[fits]
            if len(last) and last[-1] >= np.max(s, initial=-np.inf, where=np.isfinite(s)):
                k = np.minimum(np.searchsorted(last, s), len(last) - 1)
                result: F8 = np.maximum(s, begin[k])
                return result
            self._grow()

    def _reach(self, s: float) -> None:
        """Know the stretches past a moment, and one more in which a swap fits."""
        while self._last_swap[-1] <= s and np.isfinite(s):
            self._grow()

    def _grow(self) -> None:
        """Twice as many days as before.

        Raises
        ------
        Refused : more than twenty years.
        """
        self._days = max(_FIRST_DAYS, 2 * self._days)
        if self._days > 2 * _MOST_DAYS:
            raise Refused(
                "the order would take more than 20 years", "Order less, or give it more printers or hours."
            )
        first = datetime.fromtimestamp(self.from_s, self.zone).date() - timedelta(days=1)
        spans: list[tuple[float, float]] = []
        for number in range(self._days):
            day = first + timedelta(days=number)
            for begin, end in self.week.days[day.weekday()]:
                pair = (self._at(day, begin), self._at(day, end))
                if spans and pair[0] <= spans[-1][1]:
                    spans[-1] = (spans[-1][0], max(spans[-1][1], pair[1]))
                elif pair[0] < pair[1]:
                    spans.append(pair)
        spans = [pair for pair in spans if pair[1] >= self.from_s]
        self._begin, self._end = [a for a, _ in spans], [b for _, b in spans]
        self._arrays()

    def _at(self, day: date, minutes: int) -> float:
        wall = datetime.combine(day, time()) + timedelta(minutes=minutes)
        return wall.replace(tzinfo=self.zone).timestamp()

    def _arrays(self) -> None:
        fits = [k for k in range(len(self._end)) if self._end[k] - self._begin[k] >= self.swap_s]
        self._begin_swap = [self._begin[k] for k in fits] or [float("inf")]
        self._last_swap = [self._end[k] - self.swap_s for k in fits] or [float("-inf")]
        self._begin_s, self._end_s = np.array(self._begin), np.array(self._end)
        self._begin_swap_s, self._last_swap_s = np.array(self._begin_swap), np.array(self._last_swap)
