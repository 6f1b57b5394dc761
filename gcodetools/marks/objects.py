"""Object labels: spans by comments and by commands, joined where they bracket the same lines."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from gcodetools.marks.conventions import Convention, Pair
from gcodetools.marks.sifter import Sifter
from gcodetools.marks.types import Objects
from gcodetools.records import dataclass

__all__ = ["find_objects", "normal_label", "readable"]

_COPY = re.compile(r"[\s._]id[:_\s]*\d+[\s._]+copy[:_\s]*\d+$")
_EXTENSION = re.compile(r"[\s._](?:stl|step|stp|3mf|obj|amf|ply|iges|igs)$")
_BYTE = re.compile("[\udc80-\udcff]")  # as `surrogateescape` decodes what is no UTF-8
_EXCLUDE = b"EXCLUDE_OBJECT_"
_NAME = re.compile(rb"NAME\s*=\s*(\"[^\"]*\"|'[^']*'|\S+)")
_NUMBERED = re.compile(rb"M486\s*S\s*(-?\d+)(?:\s+A(.*))?")
_NAMED = re.compile(rb"M486\s*A(.*)")
_MASK = re.compile(rb"M624\s*(\S+)")
# Names of these families tell a person something, the first most; a mask of bits tells nothing.
_FAMILIES = ("comment", "exclude", "number", "mask")


@dataclass(frozen=True, slots=True)
class _Span:
    """Lines [first, last] of one object; names by family."""

    first: int
    last: int
    names: dict[str, str]

    @property
    def name(self) -> str:
        return next(self.names[family] for family in _FAMILIES if family in self.names)


def normal_label(text: str) -> str:
    """A label as it is compared: lower case, without extension, id and copy; blanks, dots and underscores
    alike. Never empty unless `text` is blank.

    Composed (Unicode NFC), as labels come from names of files, which macOS may give with its accents apart.
    """
    text = unicodedata.normalize("NFC", readable(text))
    label = re.sub(r"[\s._]+", "_", text.strip().lower()).strip("_")
    while True:
        shorter = _EXTENSION.sub("", _COPY.sub("", label)).strip("_")
        if shorter == label or not shorter:
            return label or text.strip().lower()
        label = shorter


def readable(text: str) -> str:
    """A name with its bytes that are no UTF-8 as letters of Western Europe (Windows-1252), so that what is shown can be
    typed."""
    return _BYTE.sub(lambda found: bytes([ord(found[0]) & 0xFF]).decode("cp1252", "replace"), text)


def find_objects(sifter: Sifter, table: Convention) -> Objects:
    """Objects of a file. Copies are objects of their own with one normal label.

    Pairs of start and stop marks, by comments and by commands, are one bracket where they overlap. Labels
    that hold until the next count only in a file without such pairs.
    """
    last_line = len(sifter.program.lines) - 1
    brackets = [
        span for pair in table.objects if pair.end for span in _comment_pairs(sifter, pair, last_line)
    ]
    brackets += _excluded(sifter) + _numbered(sifter, last_line) + _masked(sifter)
    if brackets:
        return _objects(_joined(brackets), True, _defined(sifter, table))
    for pair in table.objects:
        labels = [] if pair.end else _labels(sifter, pair, last_line)
        if labels:
            return _objects(labels, False, _defined(sifter, table))
    return _objects([], True, {})


def _comment_pairs(sifter: Sifter, pair: Pair, last_line: int) -> list[_Span]:
    begins = [(line, found["name"].strip()) for line, found in sifter.matches(pair.begin)]
    ends = sifter.lines_like(pair.end or "").tolist()
    return [_Span(first, last, {"comment": name}) for (first, name), last in _closed(begins, ends, last_line)]


def _closed(
    begins: list[tuple[int, str]], ends: list[int], last_line: int
) -> Iterable[tuple[tuple[int, str], int]]:
    """Each begin with its end: the next end, but before the next begin."""
    lines = [line for line, _ in begins]
    at = np.searchsorted(ends, lines).tolist()
    limits = [line - 1 for line in lines[1:]] + [last_line] * bool(lines)
    for begin, k, limit in zip(begins, at, limits, strict=True):
        yield begin, min(ends[k], limit) if k < len(ends) else limit


def _labels(sifter: Sifter, pair: Pair, last_line: int) -> list[_Span]:
    begins = [(line, found["name"].strip()) for line, found in sifter.matches(pair.begin)]
    until = (sifter.lines_like(pair.until) - 1).tolist() if pair.until else []
    closed = _closed(begins, until, last_line)
    return [_Span(first, last, {"comment": name}) for (first, name), last in closed if name != pair.none]


def _excluded(sifter: Sifter) -> list[_Span]:
    """`EXCLUDE_OBJECT_START NAME=<name>` to `EXCLUDE_OBJECT_END`."""
    lines = sifter.program.lines
    data, places, at = lines.data, [], lines.data.find(_EXCLUDE)
    while at >= 0:
        places.append(at)
        at = data.find(_EXCLUDE, at + 1)
    owner = np.searchsorted(lines.start, places, side="right") - 1
    begins, ends = [], []
    for line, place in zip(owner.tolist(), places, strict=True):
        text = lines.text(line)
        if data[int(lines.start[line]) : place].strip():
            continue
        found = _NAME.search(text)
        if text.lstrip().startswith(_EXCLUDE + b"END"):
            ends.append(line)
        elif text.lstrip().startswith(_EXCLUDE + b"START") and found:
            begins.append((line, _decoded(found.group(1).strip(b"\"'"))))
    closed = _closed(begins, ends, len(lines) - 1)
    return [_Span(first, last, {"exclude": name}) for (first, name), last in closed]


def _commands(sifter: Sifter, number: int) -> list[tuple[int, bytes]]:
    """Lines of `M<number>` with their text before a comment."""
    words, lines = sifter.program.words, sifter.program.lines
    found = words.line[(words.letter == ord("M")) & (words.value == number)]
    return [(line, lines.text(line).split(b";", 1)[0].rstrip()) for line in np.unique(found).tolist()]


def _masked(sifter: Sifter) -> list[_Span]:
    """`M624 <mask>` to `M625`."""
    begins = [
        (line, _decoded(found.group(1)))
        for line, text in _commands(sifter, 624)
        if (found := _MASK.search(text))
    ]
    ends = [line for line, _ in _commands(sifter, 625)]
    closed = _closed(begins, ends, len(sifter.program.lines) - 1)
    return [_Span(first, last, {"mask": name}) for (first, name), last in closed]


def _numbered(sifter: Sifter, last_line: int) -> list[_Span]:
    """`M486 S<i>` opens, `M486 S-1` or another closes; `M486 A<name>` behind an S names it."""
    names: dict[int, str] = {}
    opened: list[tuple[int, str]] = []
    ends: list[int] = []
    current = -1
    for line, text in _commands(sifter, 486):
        number, named = _NUMBERED.search(text), _NAMED.search(text)
        if number:
            current = int(number.group(1))
            if current < 0:
                ends.append(line)
            else:
                opened.append((line, str(current)))
        name = number.group(2) if number else named.group(1) if named else None
        if name and current >= 0:
            names[current] = _decoded(name.strip())
    move = sifter.program.moves.line
    spans = []
    for (first, index), last in _closed(opened, ends, last_line):
        # The definitions at the head name objects without printing any.
        if np.searchsorted(move, first) < np.searchsorted(move, last, side="right"):
            spans.append(_Span(first, last, {"number": names.get(int(index), index)}))
    return spans


def _defined(sifter: Sifter, table: Convention) -> dict[str, str]:
    """Label -> other name, by comments that hold a JSON object with `id` and `name`."""
    result: dict[str, str] = {}
    for line, found in sifter.matches(table.define) if table.define else []:
        text = sifter.program.lines.text(line).lstrip()[found.end("head") :]
        try:
            document = json.loads(text.decode("utf-8", "replace"))
        except ValueError:
            continue
        if isinstance(document, dict) and {"id", "name"} <= document.keys():
            result[str(document["id"])] = str(document["name"])
    return result


def _joined(spans: list[_Span]) -> list[_Span]:
    """Spans of different families that overlap as one, to their outermost lines."""
    kept: list[_Span] = []
    for span in sorted(spans, key=lambda s: (s.first, -s.last)):
        before = kept[-1] if kept else None
        if before is None or span.first > before.last:
            kept.append(span)
        elif before.names.keys().isdisjoint(span.names):
            kept[-1] = replace(before, last=max(before.last, span.last), names={**before.names, **span.names})
        else:
            kept[-1] = replace(before, last=span.first - 1)
            kept.append(span)
    return kept


def _objects(spans: list[_Span], bracket: bool, defined: dict[str, str]) -> Objects:
    """Columns of the spans; a name that stood beside another is the same object's when it stands alone."""
    same = {other: span.name for span in spans for other in span.names.values() if len(span.names) > 1}
    index: dict[str, int] = {}
    aliases: dict[str, dict[str, None]] = {}
    owner = []
    for span in spans:
        name = same.get(span.name, span.name)
        owner.append(index.setdefault(name, len(index)))
        others = [other for family, other in span.names.items() if _tells(family, other)]
        others += [defined[name]] if name in defined else []
        aliases.setdefault(name, {}).update(dict.fromkeys(other for other in others if other != name))
    return Objects(
        tuple(index),
        tuple(tuple(aliases[name]) for name in index),
        np.array(owner, np.int16),
        np.array([span.first for span in spans], np.int32),
        np.array([span.last for span in spans], np.int32),
        np.full(len(spans), bracket),
    )


def _tells(family: str, name: str) -> bool:
    """Whether a name says something: masks and the numbers of objects without a name don't."""
    return family != "mask" and not (family == "number" and name.isdigit())


def _decoded(text: bytes) -> str:
    return text.decode("utf-8", "surrogateescape")
