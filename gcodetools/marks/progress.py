"""Where a file states times, progress and filament: the place of each number, to bring it up to date."""

from __future__ import annotations

import re

import numpy as np

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import load_convention
from gcodetools.marks.sifter import NUMBER, Sifter
from gcodetools.marks.types import Marks
from gcodetools.records import dataclass

__all__ = ["AMOUNTS", "TIMES", "Stated", "Statement", "find_stated", "progress_lines"]

TIMES = ("s", "min", "time", "first", "other", "elapsed")
AMOUNTS = ("mm", "m", "mm3", "cm3", "g", "lb", "cost")
_PROGRESS = 73  # M73: percent done and minutes left


@dataclass(frozen=True, slots=True)
class Statement:
    """What a comment states: line (0-based), byte span of the text, one of TIMES or AMOUNTS, and whose it is: a
    tool's number or place in a list of `count`, None for all tools together."""

    line: int
    begin: int
    end: int
    kind: str
    tool: int | None = None
    count: int = 1


@dataclass(frozen=True, slots=True)
class Stated:
    """All statements of a file in the order of its lines, and lines (0-based) that state what can't be read."""

    found: tuple[Statement, ...]
    unread: tuple[int, ...]


def progress_lines(program: Program) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Lines of M73 (0-based), each once."""
    words = program.words
    lines = words.line[(words.letter == ord("M")) & (words.value == _PROGRESS)]
    return np.unique(lines).astype(np.int64)


def find_stated(program: Program, marks: Marks) -> Stated:
    """Statements of a file by the patterns `restated` of its convention; none in thumbnails and settings."""
    patterns = load_convention(marks.convention).restated
    if not patterns:
        return Stated((), ())
    sifter = Sifter(program).without(marks.ignored)
    found: dict[int, Statement] = {}
    unread: set[int] = set()
    for pattern in patterns:
        for line, match in sifter.matches(pattern):
            begin = int(sifter.start[np.searchsorted(sifter.line, line)])
            mine = _statements(line, begin, match)
            for one in mine:
                found.setdefault(one.begin, one)
            if not mine:
                unread.add(line)
    return Stated(tuple(found[k] for k in sorted(found)), tuple(sorted(unread)))


def _statements(line: int, begin: int, match: re.Match[str]) -> list[Statement]:
    """What one comment states; begin : byte at which it starts."""
    groups = match.groupdict()
    tool = groups.pop("tool", None)
    result = []
    for name, text in groups.items():
        kind = name.rstrip("0123456789") if name not in AMOUNTS else name
        if not text:
            continue
        at = begin + len(match.string[: match.start(name)].encode("utf-8", "surrogateescape"))
        if kind in TIMES:
            if re.search(NUMBER, text):
                result.append(Statement(line, at, at + len(text.rstrip()), kind))
            continue
        numbers = list(re.finditer(NUMBER, text))
        for k, number in enumerate(numbers):
            whose = int(tool) if tool is not None else k if len(numbers) > 1 else None
            span = at + number.start(), at + number.end()
            result.append(Statement(line, *span, kind, whose, len(numbers)))
    return result
