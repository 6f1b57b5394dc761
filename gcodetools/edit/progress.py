"""Brings progress marks, elapsed times, estimates and filament totals of a treated file up to date.

Each number keeps its place, its decimals and its unit; what would read the same stays untouched. Times are
taken on the file's own clock: what it states, and what the treatment has added up to that line.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.lines import line_words
from gcodetools.gcode.numbers import Pool
from gcodetools.marks.progress import AMOUNTS, Stated, Statement, progress_lines
from gcodetools.records import dataclass
from gcodetools.toolpath.plate import Plate

__all__ = ["Clock", "Restated", "Used", "clock_lines", "restate", "restated_duration"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Round = Callable[[F8], F8]

_UNITS_S = {"d": 86400.0, "h": 3600.0, "m": 60.0, "s": 1.0}
_PART = re.compile(rb"([0-9]+(?:\.[0-9]+)?)([ \t]*)([A-Za-z]+(?:\(s\))?)")
_NUMBER = re.compile(rb"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)$")
_HAIR = 1e-9  # a whole number that a sum has missed by its rounding is still whole


@dataclass(frozen=True, slots=True)
class Clock:
    """Seconds of the original and of the treated plate.

    line : (k,) ascending, see `clock_lines`. before_s, after_s : (k,) up to each, and to the end (`_total_s`).
    first_added_s : added by the end of the first layer. stated_s : the file's own total, None if it has none.
    """

    line: I8
    before_s: F8
    after_s: F8
    before_total_s: float
    after_total_s: float
    first_added_s: float
    stated_s: float | None

    @property
    def added_s(self) -> float:
        """Added in all."""
        return self.after_total_s - self.before_total_s

    def added_at(self, lines: NDArray[np.integer]) -> F8:
        """Added up to each of the lines."""
        at = np.searchsorted(self.line, lines)
        result: F8 = self.after_s[at] - self.before_s[at]
        return result


@dataclass(frozen=True, slots=True)
class Used:
    """Filament after over filament before: of all tools together, and by tool."""

    whole: float
    by_tool: dict[int, float] = field(default_factory=dict)

    def of(self, one: Statement) -> float | None:
        """The ratio for a statement, None where nobody knows which tool it is about."""
        if one.tool is None:
            return self.whole
        tools = sorted(self.by_tool)
        if one.count == 1 or one.count > max(tools, default=-1):
            return self.by_tool.get(one.tool, 1.0)
        return self.by_tool[tools[one.tool]] if one.count == len(tools) else None


@dataclass(frozen=True, slots=True)
class Restated:
    """New texts: bytes [begin, end) of the file, line (0-based) of each, all (k,); unread : lines (0-based) that
    could not be brought up to date."""

    begin: I8
    end: I8
    line: I8
    text: tuple[bytes, ...]
    unread: tuple[int, ...]

    def pool(self) -> Pool:
        """The texts for the list of edits."""
        data = np.frombuffer(b"".join(self.text), np.uint8)
        return Pool(data, np.array([len(text) for text in self.text], np.int64))


def clock_lines(plate: Plate, stated: Stated) -> I8:
    """Lines at which `restate` must know the clock, ascending, each once."""
    elapsed = [one.line for one in stated.found if one.kind == "elapsed"]
    result: I8 = np.unique(np.concatenate([progress_lines(plate.program), np.array(elapsed, np.int64)]))
    return result


def restate(plate: Plate, stated: Stated, clock: Clock, used: Used) -> Restated:
    """The numbers of `stated` and of M73 (P and R; Q and S for another mode) after a treatment."""
    data = plate.program.lines.data
    edits: list[tuple[int, int, int, bytes]] = []
    unread = set(stated.unread)
    elapsed = [one for one in stated.found if one.kind == "elapsed"]
    for one in (one for one in stated.found if one.kind != "elapsed"):
        old = data[one.begin : one.end]
        text = _amount(old, one, used) if one.kind in AMOUNTS else _time(old, one.kind, clock)
        if text is None:
            unread.add(one.line)
        elif text != old:
            edits.append((one.begin, one.end, one.line, text))
    edits += _elapsed(data, elapsed, clock, unread)
    edits += _progress(plate, clock)
    edits.sort()
    columns = zip(*(edit[:3] for edit in edits), strict=True) if edits else ((), (), ())
    begin, end, line = (np.array(column, np.int64) for column in columns)
    return Restated(begin, end, line, tuple(edit[3] for edit in edits), tuple(sorted(unread)))


def _amount(old: bytes, one: Statement, used: Used) -> bytes | None:
    ratio = used.of(one)
    return None if ratio is None else _number(old, float(old) * ratio)


def _time(old: bytes, kind: str, clock: Clock) -> bytes | None:
    """A stated time; one of zero is none."""
    unit = 60.0 if kind == "min" else 1.0
    plain = _NUMBER.match(old)
    before = float(old) * unit if plain else _duration_s(old)
    if before is None or before <= 0:
        return old if before == 0 else None
    if kind == "other":
        total = clock.stated_s or clock.before_total_s
        after = before * (1.0 + clock.added_s / total) if total > 0 else before
    else:
        after = before + (clock.first_added_s if kind == "first" else clock.added_s)
    after = max(after, 0.0)
    return _number(old, after / unit) if plain else restated_duration(old, after)


def _decimals(text: bytes) -> int:
    return len(text.partition(b".")[2])


def _number(old: bytes, value: float) -> bytes:
    """A number with the decimals of the old one; the old one where it says the same."""
    new = f"{value:.{_decimals(old)}f}".encode()
    if float(new) == float(old):
        return old
    return new.lstrip(b"0") if old.startswith(b".") and value < 1 else new


def _parts(text: bytes) -> tuple[list[re.Match[bytes]], list[float]] | None:
    """Numbers with their units, and the units in seconds, None unless they descend."""
    found = list(_PART.finditer(text))
    sizes = [_UNITS_S.get(part[3][:1].lower().decode(), 0.0) for part in found]
    descends = all(a > b > 0 for a, b in zip([np.inf, *sizes], sizes, strict=False))
    return (found, sizes) if found and descends else None


def _duration_s(text: bytes) -> float | None:
    parts = _parts(text)
    return sum(float(p[1]) * size for p, size in zip(*parts, strict=True)) if parts else None


def restated_duration(old: bytes, seconds: float) -> bytes | None:
    """A duration in the words of `old`, such as `1h 2m 3s` or `0 hours 18 minutes`, to its last unit and
    decimal. Where units are single letters a larger one comes before them when it is needed. None if `old` is
    no duration; `old` itself where it says the same."""
    parts = _parts(old)
    if parts is None:
        return None
    found, sizes = parts
    places = _decimals(found[-1][1])
    step = sizes[-1] / 10**places
    whole = round(seconds / step)
    if whole == round(sum(float(p[1]) * size for p, size in zip(found, sizes, strict=True)) / step):
        return old
    letters = all(len(part[3]) == 1 for part in found)
    units = [(part[3], part[2], size) for part, size in zip(found, sizes, strict=True)]
    if letters:
        units = _with_larger(units, seconds)
    texts, rest = [], whole
    for word, gap, size in units[:-1]:
        count, rest = divmod(rest, round(size / step))
        texts.append(str(count).encode() + gap + word)
    word, gap, _ = units[-1]
    texts.append(f"{rest / 10**places:.{places}f}".encode() + gap + word)
    if letters and float(found[0][1]) != 0.0:
        while len(texts) > 1 and texts[0].startswith(b"0"):
            texts.pop(0)
    between = old[found[0].end() : found[1].start()] if len(found) > 1 else b" "
    return old[: found[0].start()] + between.join(texts) + old[found[-1].end() :]


def _with_larger(units: list[tuple[bytes, bytes, float]], seconds: float) -> list[tuple[bytes, bytes, float]]:
    for letter, size in reversed(_UNITS_S.items()):
        if size > units[0][2] and seconds >= size:
            units = [(letter.encode(), units[0][1], size), *units]
    return units


def _elapsed(
    data: bytes, elapsed: list[Statement], clock: Clock, unread: set[int]
) -> list[tuple[int, int, int, bytes]]:
    """Elapsed times; where the file's own never fall back, the new ones don't either."""
    known = [one for one in elapsed if _NUMBER.match(data[one.begin : one.end])]
    unread |= {one.line for one in elapsed} - {one.line for one in known}
    if not known:
        return []
    old = [data[one.begin : one.end] for one in known]
    before = np.array([float(text) for text in old])
    after = np.maximum(before + clock.added_at(np.array([one.line for one in known])), 0.0)
    if np.all(np.diff(before) >= 0):
        after = np.maximum.accumulate(after)
    texts = [_number(text, value) for text, value in zip(old, after.tolist(), strict=True)]
    return [
        (one.begin, one.end, one.line, text)
        for one, was, text in zip(known, old, texts, strict=True)
        if text != was
    ]


def _progress(plate: Plate, clock: Clock) -> list[tuple[int, int, int, bytes]]:
    """Percent done and minutes left of M73, in both modes that it knows."""
    lines = progress_lines(plate.program)
    if len(lines) == 0 or abs(clock.added_s) + float(np.abs(clock.added_at(lines)).max()) < _HAIR:
        return []
    words, data = line_words(plate.program.lines, lines, "PRQS"), plate.program.lines.data
    normal = _total_s(words.value["R"], clock.stated_s or clock.before_total_s)
    result = []
    for percent, left in ("PR", "QS"):
        total = normal if percent == "P" else _total_s(words.value[left], normal)
        mine = _Mode(clock, lines, total, total / normal if normal > 0 else 1.0)
        for letter, found in ((percent, mine.percent), (left, mine.left)):
            at = np.flatnonzero(words.begin[letter] >= 0)
            if len(at) == 0:
                continue
            spans = list(zip(words.begin[letter][at].tolist(), words.end[letter][at].tolist(), strict=True))
            old = [data[a:b] for a, b in spans]
            new = found(at, words.value[letter][at], 10.0 ** -max(map(_decimals, old)))
            texts = [_number(was, value) for was, value in zip(old, new.tolist(), strict=True)]
            columns = zip(spans, lines[at].tolist(), old, texts, strict=True)
            result += [(a, b, line, text) for (a, b), line, was, text in columns if text != was]
    return result


def _total_s(left_min: F8, stated_s: float) -> float:
    """The whole time as M73 counts it: what is stated, unless the first time left says otherwise."""
    first = left_min[~np.isnan(left_min)][:1] * 60.0
    return float(first[0]) if len(first) and first[0] > 0 and abs(first[0] - stated_s) > 60.0 else stated_s


@dataclass(frozen=True, slots=True)
class _Mode:
    """Progress in one mode. lines : of all marks. total_s : the whole time before, by this mode's clock, which
    runs `pace` times as fast as the one on which time is added."""

    clock: Clock
    lines: I8
    total_s: float
    pace: float

    def _elapsed(self, at: NDArray[np.intp]) -> tuple[F8, F8, float]:
        """What has passed by our plan, brought to the file's whole time; added by then; added in all."""
        where = np.searchsorted(self.clock.line, self.lines[at])
        whole = self.clock.before_total_s
        passed = self.clock.before_s[where] * (self.total_s / whole if whole > 0 else 0.0)
        return passed, self.clock.added_at(self.lines[at]) * self.pace, self.clock.added_s * self.pace

    def percent(self, at: NDArray[np.intp], stated: F8, unit: float) -> F8:
        """(k,) percent done after the treatment, by the file's own rounding."""
        passed, added, in_all = self._elapsed(at)
        if self.total_s <= 0 or self.total_s + in_all <= 0:
            return stated
        rounds, fine = _as_rounded(stated, 100.0 * passed / self.total_s, unit)
        new = 100.0 * (np.clip(fine, 0.0, 100.0) / 100.0 * self.total_s + added) / (self.total_s + in_all)
        new = rounds(np.clip(new, 0.0, 100.0) / unit) * unit
        return np.maximum.accumulate(new) if np.all(np.diff(stated) >= 0) else new

    def left(self, at: NDArray[np.intp], stated: F8, unit: float) -> F8:
        """(k,) minutes left after the treatment, by the file's own rounding."""
        passed, added, in_all = self._elapsed(at)
        rounds, fine = _as_rounded(stated, (self.total_s - passed) / 60.0, unit)
        new = rounds(np.maximum(fine + (in_all - added) / 60.0, 0.0) / unit) * unit
        return np.minimum.accumulate(new) if np.all(np.diff(stated) <= 0) else new


def _floor(value: F8) -> F8:
    result: F8 = np.floor(value + _HAIR)
    return result


def _ceil(value: F8) -> F8:
    result: F8 = np.ceil(value - _HAIR)
    return result


def _as_rounded(stated: F8, exact: F8, unit: float) -> tuple[Round, F8]:
    """How a file rounds: down, to the nearest or up, whatever makes most of `exact` what is stated; and `exact`
    moved to where it does."""
    ways: tuple[tuple[Round, float], ...] = ((_floor, 0.0), (np.rint, 0.5), (_ceil, 1.0))
    hits = [np.count_nonzero(np.abs(rounds(exact / unit) * unit - stated) < unit / 2) for rounds, _ in ways]
    rounds, below = ways[int(np.argmax(hits))]
    edge = 1e-6 * unit
    low = stated - below * unit + (edge if below else 0.0)
    return rounds, np.clip(exact, low, stated + (1.0 - below) * unit - (edge if below < 1.0 else 0.0))
