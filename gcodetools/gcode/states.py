"""What commands other than moves set, as tracks keyed by line."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Track, Words

__all__ = [
    "Commands",
    "acceleration_tracks",
    "arc_centre_track",
    "backed_up_track",
    "constant_track",
    "extended_commands",
    "fan_track",
    "jerk_track",
    "merge",
    "nozzle_tracks",
    "several_commands",
    "tool_track",
    "track",
    "unread_motion",
    "value_track",
    "volumetric_track",
]

# Motion that is not interpreted: splines, threads, probing, moves in machine coordinates, canned cycles.
# G80 ends a cycle and moves nothing; printers use it to probe the bed.
_UNREAD = np.array([5.0, 5.1, 5.2, 6.0, 33.0, 53.0, *range(73, 80), *range(81, 90)])
_PROBING = 38
MAX_TOOL = 63  # T255, T1000 and T-1 are no tools in the files seen


def _empty(initial: float = float("nan")) -> Track:
    return Track(np.empty(0, np.int32), np.empty(0), initial)


def track(line: NDArray[np.integer], value: NDArray[np.float64], initial: float = float("nan")) -> Track:
    """A Track from unsorted commands; of several on one line the last holds."""
    line = np.asarray(line, np.int32)
    order = np.argsort(line, kind="stable")
    line, value = line[order], np.asarray(value, np.float64)[order]
    last = np.append(np.diff(line) != 0, True) if len(line) else np.empty(0, bool)
    return Track(line[last], value[last], initial)


def merge(initial: float, *tracks: Track) -> Track:
    """One Track of several; where two set one line, the later argument holds."""
    return track(np.concatenate([t.line for t in tracks]), np.concatenate([t.value for t in tracks]), initial)


class Commands:
    """Look-up of command lines: `commands("M", 204)["S"]` is a (lines, values) pair.

    words : the words of all lines that are no moves.
    """

    def __init__(self, words: Words) -> None:
        self._words = words
        first = np.flatnonzero(np.diff(words.line, prepend=-1)) if len(words.line) else np.empty(0, np.intp)
        numbered = (words.letter[first] == ord("N")) & ~np.isnan(words.value[first])
        nth = first + numbered
        ok = nth < len(words.line)
        ok[ok] &= words.line[nth[ok]] == words.line[first[ok]]
        self.at = nth[ok]
        self.line = words.line[self.at]
        self.letter = words.letter[self.at]
        self.value = words.value[self.at]

    @property
    def further(self) -> NDArray[np.int32]:
        """Lines with a G command and another command behind it, each as often as there are others."""
        is_other = (self._words.letter == ord("G")) | (self._words.letter == ord("M"))
        is_other &= ~np.isnan(self._words.value)
        is_other[self.at] = False
        line = self._words.line[is_other]
        further: NDArray[np.int32] = line[np.isin(line, self.line[self.letter == ord("G")])]
        return further

    def lines(self, letter: str, number: float) -> NDArray[np.int32]:
        """Lines whose command is `letter` `number`."""
        lines: NDArray[np.int32] = self.line[(self.letter == ord(letter)) & (self.value == number)]
        return lines

    def words_of(self, lines: NDArray[np.int32], letter: str) -> NDArray[np.float64]:
        """Value of `letter` on each of `lines`, NaN where it is missing or bare."""
        values = np.full(len(lines), np.nan)
        if len(lines) == 0:
            return values
        mine = np.flatnonzero(self._words.letter == ord(letter))
        mine = mine[~np.isin(mine, self.at, assume_unique=True)]
        where = np.searchsorted(lines, self._words.line[mine])
        hit = (where < len(lines)) & (lines[np.minimum(where, len(lines) - 1)] == self._words.line[mine])
        values[where[hit]] = self._words.value[mine[hit]]
        return values

    def has_word(self, lines: NDArray[np.int32], letter: str) -> NDArray[np.bool_]:
        """Whether `letter` stands on each of `lines`, bare or not."""
        mine = self._words.line[self._words.letter == ord(letter)]
        mine = mine[~np.isin(mine, self.line[self.letter == ord(letter)])]
        return np.isin(lines, mine)


_KEY = re.compile(rb"([A-Za-z_][A-Za-z0-9_]*)\s*=\s*(\"[^\"]*\"|'[^']*'|\S+)")


def extended_commands(
    data: bytes, start: NDArray[np.int64], odd: NDArray[np.int32], name: bytes
) -> list[tuple[int, dict[str, str]]]:
    """(line, {KEY: value}) of the extended commands `name` (upper case) among the lines `odd`."""
    found = []
    for line in odd.tolist():
        text = data[start[line] : start[line + 1]]
        head = text.lstrip()[: len(name) + 1].upper()
        if (head[:-1] == name and head[-1:].isspace()) or head == name:
            body = text.split(b";", 1)[0]
            words = {k.decode().upper(): v.decode("utf-8", "replace") for k, v in _KEY.findall(body)}
            found.append((line, words))
    return found


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def keyed_track(
    found: list[tuple[int, dict[str, str]]], key: str, initial: float = float("nan"), factor: float = 1.0
) -> Track:
    """Track of one key of extended commands."""
    pairs = [(line, _number(words[key]) * factor) for line, words in found if key in words]
    pairs = [pair for pair in pairs if pair[1] == pair[1]]
    if not pairs:
        return _empty(initial)
    lines, values = zip(*pairs, strict=True)
    return track(np.array(lines, np.int32), np.array(values), initial)


def value_track(
    commands: Commands,
    letter: str,
    number: float,
    word: str,
    factor: float = 1.0,
    initial: float = float("nan"),
) -> Track:
    """Track of word `word` of one command; lines without that word set nothing."""
    lines = commands.lines(letter, number)
    value = commands.words_of(lines, word) * factor
    ok = ~np.isnan(value)
    return track(lines[ok], value[ok], initial)


def constant_track(commands: Commands, letter: str, number: float, value: float) -> Track:
    """Track of a command that means one value."""
    lines = commands.lines(letter, number)
    return track(lines, np.full(len(lines), value))


def arc_centre_track(commands: Commands) -> Track:
    """1 from G90.1 on (the centre of an arc itself), 0 from G91.1 on (the way to it from the start)."""
    return merge(0.0, constant_track(commands, "G", 90.1, 1.0), constant_track(commands, "G", 91.1, 0.0))


def unread_motion(commands: Commands) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Lines that move something by a G command that is not interpreted, and its number."""
    is_g = commands.letter == ord("G")
    unread = is_g & (np.isin(commands.value, _UNREAD) | (np.floor(commands.value) == _PROBING))
    return commands.line[unread], commands.value[unread]


def several_commands(commands: Commands) -> NDArray[np.int32]:
    """Lines with a G command and others behind it, of which only the first is read. Those of a G command that
    is not interpreted are left out."""
    return np.setdiff1d(commands.further, unread_motion(commands)[0])


def tool_track(commands: Commands) -> Track:
    """Tool by T and, in one old convention, by `M108 T`."""
    plain = (commands.letter == ord("T")) & (commands.value >= 0) & (commands.value <= MAX_TOOL)
    plain &= commands.value == np.floor(np.nan_to_num(commands.value, nan=-0.5))
    old = commands.lines("M", 108)
    tool = commands.words_of(old, "T")
    ok = (tool >= 0) & (tool <= MAX_TOOL)
    return merge(0.0, track(commands.line[plain], commands.value[plain]), track(old[ok], tool[ok]))


def volumetric_track(commands: Commands) -> Track:
    """Filament mm per unit of E: 1, or what M200 makes of a cubic millimetre (D the diameter, D0 or S0 off,
    S1 on again with the last diameter; common practice, no source)."""
    lines = commands.lines("M", 200)
    diameter, switch = commands.words_of(lines, "D"), commands.words_of(lines, "S")
    known = ~np.isnan(diameter)
    last = np.maximum.accumulate(np.where(known, np.arange(len(lines)), -1))
    diameter = np.where(last >= 0, diameter[last], 0.0) if len(lines) else diameter
    on = (switch != 0) & (diameter > 0)
    value = np.ones(len(lines))
    value[on] = 4.0 / (np.pi * diameter[on] ** 2)
    ok = known | ~np.isnan(switch)
    return track(lines[ok], value[ok], 1.0)


def nozzle_tracks(
    commands: Commands, tool: Track, heaters: list[tuple[int, dict[str, str]]]
) -> dict[int, Track]:
    """Nozzle temperature set for each tool, C: M104, M109 (S or R), `G10 P S`, heater commands with names."""
    lines, tools, values = [], [], []
    for letter, number, tool_word in (("M", 104, "T"), ("M", 109, "T"), ("G", 10, "P")):
        at = commands.lines(letter, number)
        value = commands.words_of(at, "S")
        if number == 109:
            value = np.where(np.isnan(value), commands.words_of(at, "R"), value)
        which = commands.words_of(at, tool_word)
        if letter == "M":  # a G10 without P is a retraction, S1 a long one
            which = np.where(np.isnan(which), tool.at(at), which)
        ok = ~np.isnan(value) & (which >= 0) & (which <= MAX_TOOL)
        lines.append(at[ok])
        tools.append(which[ok])
        values.append(value[ok])
    for line, words in heaters:
        heater = words.get("HEATER", "").lower()
        value_c = _number(words.get("TARGET", "0"))
        number_text = heater.removeprefix("extruder")
        if (
            heater.startswith("extruder")
            and (number_text.isdigit() or not number_text)
            and value_c == value_c
        ):
            lines.append(np.array([line], np.int32))
            tools.append(np.array([float(number_text or 0)]))
            values.append(np.array([value_c]))
    all_lines, all_tools = np.concatenate(lines), np.concatenate(tools)
    all_values = np.concatenate(values)
    return {
        int(t): track(all_lines[all_tools == t], all_values[all_tools == t]) for t in np.unique(all_tools)
    }


def fan_track(commands: Commands, full: float | None = None) -> tuple[Track, float]:
    """Part fan as a fraction of full, and what S means full: `full`, else 255, or 1 where the file never goes above 1.

    M106 with a P other than 0 drives another fan. M106 without S means full (common practice, no source).
    """
    on = commands.lines("M", 106)
    speed = commands.words_of(on, "S")
    other = np.nan_to_num(commands.words_of(on, "P")) > 0
    if full is None:
        full = 1.0 if np.any(speed > 0) and np.nanmax(speed) <= 1.0 else 255.0
    value = np.clip(np.where(np.isnan(speed), full, speed) / full, 0.0, 1.0)
    off = commands.lines("M", 107)
    other_off = np.nan_to_num(commands.words_of(off, "P")) > 0
    return merge(
        0.0, track(on[~other], value[~other]), track(off[~other_off], np.zeros(int((~other_off).sum())))
    ), full


def backed_up_track(commands: Commands, number: float) -> Track:
    """M220 or M221 as a fraction: S sets, B remembers, R restores."""
    lines = commands.lines("M", number)
    value = commands.words_of(lines, "S") / 100.0
    backup, restore = commands.has_word(lines, "B"), commands.has_word(lines, "R")
    if np.any(restore):
        now, kept = 1.0, 1.0
        for index in range(len(lines)):
            kept = now if backup[index] else kept
            now = kept if restore[index] else now
            now = value[index] if value[index] == value[index] else now
            value[index] = now
    ok = ~np.isnan(value)
    return track(lines[ok], value[ok], 1.0)


def acceleration_tracks(
    commands: Commands, limits: list[tuple[int, dict[str, str]]]
) -> tuple[Track, Track, Track]:
    """Print, travel and retract acceleration, mm/s2.

    `M204 P T R` name them apart; `M204 S` sets print and travel, and T beside it the retraction (the older
    form); common practice, no source.
    """
    lines = commands.lines("M", 204)
    s, p, t, r = (commands.words_of(lines, letter) for letter in "SPTR")
    both = ~np.isnan(s) & np.isnan(p)
    printing = np.where(np.isnan(p), s, p)
    travel = np.where(both, s, t)
    retract = np.where(np.isnan(r) & both, t, r)
    named = keyed_track(limits, "ACCEL")
    tracks = []
    for value in (printing, travel, retract):
        ok = ~np.isnan(value)
        tracks.append(track(lines[ok], value[ok]))
    return merge(float("nan"), tracks[0], named), merge(float("nan"), tracks[1], named), tracks[2]


def jerk_track(commands: Commands, limits: list[tuple[int, dict[str, str]]]) -> Track:
    """Jerk in X and Y, mm/s: M205 X, M566 X (mm/min), the corner velocity of an extended command."""
    return merge(
        float("nan"),
        value_track(commands, "M", 205, "X"),
        value_track(commands, "M", 566, "X", 1 / 60),
        keyed_track(limits, "SQUARE_CORNER_VELOCITY"),
    )
