"""The same print, or nearly, in other words: what a stretch of a file says is said relative, in inches, shifted, by
another tool, numbered, as arcs, split, modal, in another encoding.

Unlike damage, most of this leaves a file that prints, and so gets as far as the writer and the audit.
"""

from __future__ import annotations

import functools
import operator
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import TypeVar

T = TypeVar("T")
Choose = Callable[[int], int]

_MOTION = re.compile(rb"(?i)^(?:N\d+ ?)?G0*([0-3])(?![\d.])")
_WORD = re.compile(rb"(?i)([XYZEFIJR]) ?([-+]?(?:\d+\.?\d*|\.\d+))")
_SET = re.compile(rb"(?i)^(?:N\d+ ?)?G92(?![\d.])")
_MODE = re.compile(rb"(?i)^(?:N\d+ ?)?(G90|G91|M82|M83|G20|G21)(?![\d.])")
_INCH_MM = 25.4


@dataclass(frozen=True, slots=True)
class _Machine:
    """Where a simple reader stands before a line: logical axes, and whether words are steps."""

    at: dict[bytes, float] = field(default_factory=lambda: dict.fromkeys((b"X", b"Y", b"Z", b"E"), 0.0))
    e_steps: bool = False
    steps: bool = False

    def behind(self, line: bytes) -> _Machine:
        code = line.partition(b";")[0]
        mode = _MODE.match(code)
        if mode:
            word = mode[1].upper()
            return replace(
                self,
                e_steps={b"M82": False, b"M83": True}.get(word, self.e_steps),
                steps={b"G90": False, b"G91": True}.get(word, self.steps),
            )
        motion = _MOTION.match(code)
        if not motion and not _SET.match(code):
            return self
        at = dict(self.at)
        for letter, value in words(code):
            if letter in at:
                counted = motion and (self.e_steps if letter == b"E" else self.steps)
                at[letter] = at[letter] * bool(counted) + value
        return replace(self, at=at)


def words(code: bytes) -> Iterator[tuple[bytes, float]]:
    """Letters and numbers of a command without its comment."""
    return ((m[1].upper(), float(m[2][:30])) for m in _WORD.finditer(code))


def machines(lines: list[bytes]) -> list[_Machine]:
    """The state before each line, and behind the last."""
    found = [_Machine()]
    for line in lines:
        found.append(found[-1].behind(line))
    return found


def _reworded(line: bytes, new: Callable[[bytes, float], float | None]) -> bytes:
    """A line whose words have other values, where `new` gives one."""
    code, semicolon, comment = line.partition(b";")

    def put(m: re.Match[bytes]) -> bytes:
        value = new(m[1].upper(), float(m[2][:30]))
        return m[0] if value is None else m[1] + f"{value:.5f}".encode()

    return _WORD.sub(put, code) + semicolon + comment


def _stretch(lines: list[bytes], choose: Choose) -> tuple[int, int]:
    begin = choose(len(lines))
    size = (1, 3, 20, 200, 100_000)[choose(5)]
    return begin, min(begin + size, len(lines))


Rewrite = Callable[[list[bytes], int, int, Choose], list[bytes]]


def _in_steps(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """G91 for a stretch."""
    state, out = machines(lines), []
    for k in range(begin, end):
        at = state[k]
        moving = _MOTION.match(lines[k]) and not at.steps
        out.append(
            _reworded(lines[k], lambda a, v, at=at: v - at.at[a] if a in b"XYZ" else None)
            if moving
            else lines[k]
        )
    return [b"G91", *([b"M82"] if choose(2) else []), *out, b"G90"]


def _other_e(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """M82 where E words are steps, M83 where they count, for a stretch."""
    state, out = machines(lines), []
    steps = state[begin].e_steps
    for k in range(begin, end):
        at = state[k].at[b"E"]
        same = not _MOTION.match(lines[k]) or state[k].e_steps != steps
        out.append(
            lines[k]
            if same
            else _reworded(lines[k], lambda a, v, at=at: (v + at if steps else v - at) if a == b"E" else None)
        )
    counter = b"G92 E%.5f"
    if steps:
        return [b"M82", *([counter % state[begin].at[b"E"]] if choose(2) else []), *out, b"M83"]
    return [b"M83", *out, b"M82", *([counter % state[end].at[b"E"]] if choose(4) else [])]


def _in_inches(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """G20 for a stretch."""
    out = [
        _reworded(line, lambda a, v: v / _INCH_MM) if _MOTION.match(line) or _SET.match(line) else line
        for line in lines[begin:end]
    ]
    return [b"G20", *out, b"G21"]


def _shifted(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """A G92 that shifts axes for a stretch."""
    state = machines(lines)
    by = {
        letter: float((0, 0, 1, -5, 100, 0.123)[choose(6)])
        * (not state[begin].steps if letter != b"E" else not state[begin].e_steps)
        for letter in (b"X", b"Y", b"Z", b"E")
    }
    out = [
        _reworded(line, lambda a, v: v + by[a] if by.get(a) else None) if _MOTION.match(line) else line
        for line in lines[begin:end]
    ]

    def sets(at: dict[bytes, float], shift: float) -> bytes:
        return b"G92" + b"".join(
            b" %s%.5f" % (letter, at[letter] + shift * by[letter]) for letter in by if by[letter]
        )

    return [sets(state[begin].at, 1.0), *out, sets(state[end].at, 0.0)]


def _other_tool(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    heat = [b"M104 T1 S220", b"M109 S215", b"M106 P1 S128", b"G92 E0", b""][choose(5)]
    return [b"T%d" % (1 + choose(3)), heat, *lines[begin:end], b"T0"]


def _numbered(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """Line numbers and checksums, now and then a wrong one."""
    out, way = [], choose(4)
    for k, line in enumerate(lines[begin:end]):
        code, semicolon, comment = line.partition(b";")
        code = code.rstrip(b"\r ")
        if code:
            code = b"N%d %s" % (k % (7 if way == 3 else 10**9), code)
            total = functools.reduce(operator.xor, code, 0) ^ (way == 2 and k % 11 == 3)
            code += b"" if way == 1 else b"*%d" % total
        out.append(code + semicolon + comment)
    return out


def _bent(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """Straight moves as arcs through the same ends, by I and J or R, flat, half round, full, wrong."""
    state, out, way = machines(lines), [], choose(7)
    for k in range(begin, end):
        motion, at = _MOTION.match(lines[k]), state[k].at
        to = dict(words(lines[k].partition(b";")[0]))
        if not motion or state[k].steps or not {b"X", b"Y"} & set(to) or motion[1] not in b"01":
            out.append(lines[k])
            continue
        dx, dy = to.get(b"X", at[b"X"]) - at[b"X"], to.get(b"Y", at[b"Y"]) - at[b"Y"]
        size = (dx * dx + dy * dy) ** 0.5
        flat = {0: 5.0, 1: 0.5, 2: 0.1, 3: 1e6}.get(way, 2.0)
        up = max(flat * flat - 0.25, 0.0) ** 0.5
        centre = b" I%.4f J%.4f" % (dx / 2 - dy * up, dy / 2 + dx * up)
        centre = b" R%.4f" % (flat * size * (-1) ** choose(2)) if way == 4 else centre
        centre = b" I0 J0" if way == 6 else centre
        # The centre is on the left; the other way round is a long one.
        short = flat > 1 or way > 3 or choose(2)
        line = re.sub(rb"(?i)G0*[01](?!\d)", b"G3" if short else b"G2", lines[k], count=1)
        if way == 5:  # a full turn: no end
            line = re.sub(rb"(?i) ?[XY][-+\d.]+", b"", line)
        code, semicolon, comment = line.partition(b";")
        out.append(code.rstrip() + centre + semicolon + comment)
    return out


def _halved(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """Moves in two."""
    state, out = machines(lines), []
    for k in range(begin, end):
        now, line = state[k], lines[k]
        motion = _MOTION.match(line)
        if motion and motion[1] in b"01" and not now.steps:

            def half(a: bytes, v: float, now: _Machine = now) -> float | None:
                if a == b"E" and now.e_steps:
                    return v / 2
                return (now.at[a] + v) / 2 if a in now.at else None

            out.append(_reworded(line.partition(b";")[0], half))
            line = _reworded(line, lambda a, v, now=now: v / 2 if a == b"E" and now.e_steps else None)
        out.append(line)
    return out


def _modal(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """Other spellings: no G1, no blanks, lower case, zeros in front, comments between words, many blanks."""
    way = choose(8)
    spelt: dict[int, Callable[[bytes], bytes]] = {
        0: lambda line: re.sub(rb"^G1 ", b"", line),
        1: lambda line: line if b";" in line else line.replace(b" ", b""),
        2: lambda line: line.lower() if line.startswith(b"G") else line,
        3: lambda line: re.sub(rb"^G([0-3]) ", rb"G0\1 ", line),
        4: lambda line: re.sub(rb" (?=[YE])", b" (a;b) ", line) if line.startswith(b"G1 ") else line,
        5: lambda line: re.sub(rb" (?=[YEF])", b"\t   ", line) if line.startswith(b"G1 ") else line,
        6: lambda line: re.sub(rb"(?<=[XYZEF])(?=[\d.])", b"+", line) if line.startswith(b"G1 ") else line,
        7: lambda line: b"  " + line if line.startswith(b"G1 ") else line,
    }
    return [spelt[way](line) for line in lines[begin:end]]


def _long(lines: list[bytes], begin: int, end: int, choose: Choose) -> list[bytes]:
    """A line of 10,000 characters: a comment, blanks, digits, words."""
    tail = (
        b" ;" + b"x" * 10_000,
        b" " * 10_000,
        b"0" * 10_000,
        b" X1" * 3_333,
        b" (" + b"y" * 10_000 + b")",
        b"\t;\t" * 3_333,
    )
    return [lines[begin] + tail[choose(6)], *lines[begin + 1 : end]]


REWRITES: tuple[Rewrite, ...] = (
    _in_steps, _other_e, _in_inches, _shifted, _other_tool, _numbered, _bent, _halved, _modal, _long,
)  # fmt: skip


def rewritten(data: bytes, choose: Choose) -> bytes:
    """One rewriting of one stretch."""
    lines = data.split(b"\n")
    begin, end = _stretch(lines, choose)
    way = REWRITES[choose(len(REWRITES))]
    if begin >= end:
        return data
    return b"\n".join([*lines[:begin], *way(lines, begin, end, choose), *lines[end:]])


def encoded(data: bytes, choose: Choose) -> bytes:
    """The whole file in another encoding, with other line ends, or with bytes that no text has."""
    way = choose(10)
    if way == 0:
        return data.decode("latin-1").encode(("utf-16", "utf-16-le", "utf-16-be", "utf-32")[choose(4)])
    if way == 1:
        return b"\xef\xbb\xbf" * (1 + choose(2)) + data
    if way == 2:  # latin-1 letters in comments and labels
        return data.replace(b"e", b"\xe9", 40).replace(b"G1 X\xe9", b"G1 X")
    if way == 3:
        at = choose(len(data) + 1)
        return data[:at] + b"\0" * (1, 2, 5000)[choose(3)] + data[at:]
    if way == 4:
        return data.replace(b"\n", b"\r")
    if way == 5:  # mixed line ends
        lines = data.split(b"\n")
        ends = (b"\n", b"\r\n", b"\r", b"\n\r", b"\n\n")
        return b"".join(line + ends[k * 7919 % (2 + choose(4)) % 5] for k, line in enumerate(lines))
    if way == 6:
        return data.rstrip(b"\n\r")
    if way == 7:
        return data + b"\x1a"
    if way == 8:
        return data.replace(b"\n", b"\r\n") if b"\r\n" not in data else data.replace(b"\r\n", b"\n")
    names = (
        b'"a b"',
        b"'x'",
        b"a\x0bb",
        b'"',
        b"\\n",
        b"a;b",
        b"a(b)c",
        b"%s",
        b"\xc3\xa9",
        b"e\xcc\x81",
        b"*",
        b"",
        b"a\nb",
    )
    return data.replace(b"wedge-key-snug", names[choose(len(names))])
