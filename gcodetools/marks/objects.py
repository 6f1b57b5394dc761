"""Object labels: spans by comments and by commands, joined where they bracket the same lines."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from gcodetools.marks.conventions import Convention, Pair
from gcodetools.marks.types import Objects

if TYPE_CHECKING:
    from gcodetools.marks.recognise import Sifter

__all__ = ["find_objects", "normal_label"]

_COPY = re.compile(
    r"[\s_.,-]*(?:\bid|(?<=[_.\s])id)[:_\s]*\d+(?:[\s_.]*copy[:_\s]*\d+)?$|[\s_.]+copy[:_\s]*\d+$"
)
_EXTENSION = re.compile(r"[\s._](?:stl|step|stp|3mf|obj|amf|ply|iges|igs)$")
_JOIN_LINES = 4  # a comment and a command that open one object stand this close

Span = tuple[int, int, str, bool]  # first, last, name, whether start and stop are a pair


def normal_label(text: str) -> str:
    """A label as it is compared: lower case, without copy, id and extension; blanks, dots and underscores
    alike."""
    label = text.strip().lower()
    while True:
        shorter = _EXTENSION.sub("", _COPY.sub("", label))
        if shorter == label or not shorter:
            break
        label = shorter
    return re.sub(r"[\s._]+", "_", label).strip("_") or text.strip().lower()


def find_objects(sifter: Sifter, table: Convention) -> Objects:
    """Objects of a file. A command's label and a comment's are one object where their spans agree."""
    last = len(sifter.program.lines) - 1
    by_comment: list[Span] = []
    for pair in table.objects:
        by_comment += _comment_spans(sifter, pair, last)
    commands = _command_spans(sifter)
    joined = _join(sorted(by_comment), sorted(commands))
    names: dict[str, int] = {}
    aliases: dict[str, dict[str, None]] = {}
    rows = []
    for first, end, name, paired, other in joined:
        names.setdefault(name, len(names))
        aliases.setdefault(name, {})
        if other and other != name:
            aliases[name][other] = None
        rows.append((first, end, names[name], paired))
    rows.sort()
    array = np.array(rows, np.int64).reshape(-1, 4)
    return Objects(
        tuple(names),
        tuple(tuple(aliases[name]) for name in names),
        array[:, 2].astype(np.int16),
        array[:, 0].astype(np.int32),
        array[:, 1].astype(np.int32),
        array[:, 3].astype(bool),
    )


def _comment_spans(sifter: Sifter, pair: Pair, last_line: int) -> list[Span]:
    begins = [(line, found["name"].strip()) for line, found in sifter.matches(pair.begin)]
    if pair.end is None:
        spans = []
        for k, (line, name) in enumerate(begins):
            stop = begins[k + 1][0] - 1 if k + 1 < len(begins) else last_line
            if name != pair.none:
                spans.append((line, stop, name, False))
        return spans
    ends = [line for line, _ in sifter.matches(pair.end)]
    at = np.searchsorted(ends, [line for line, _ in begins]) if ends else []
    return [
        (line, ends[int(k)] if int(k) < len(ends) else last_line, name, True)
        for (line, name), k in zip(begins, at, strict=True)
    ]


def _lines_with(sifter: Sifter, head: bytes) -> list[tuple[int, bytes]]:
    """Lines that begin with a command word, found by a byte search."""
    lines = sifter.program.lines
    data, found, at = lines.data, [], -1
    while True:
        at = data.find(head, at + 1)
        if at < 0:
            return found
        if at == 0 or data[at - 1 : at] == b"\n":
            line = int(np.searchsorted(lines.start, at, side="right")) - 1
            found.append((line, lines.text(line).split(b";", 1)[0].rstrip()))


def _command_spans(sifter: Sifter) -> list[Span]:
    named = _pairs(
        sifter, b"EXCLUDE_OBJECT_START", b"EXCLUDE_OBJECT_END", rb"NAME\s*=\s*(\"[^\"]*\"|'[^']*'|\S+)"
    )
    coded = _pairs(sifter, b"M624", b"M625", rb"M624\s+(\S+)")
    return named + coded + _numbered_spans(sifter)


def _pairs(sifter: Sifter, begin: bytes, end: bytes, name: bytes) -> list[Span]:
    ends = [line for line, _ in _lines_with(sifter, end)]
    spans = []
    for line, text in _lines_with(sifter, begin):
        found = re.search(name, text)
        k = int(np.searchsorted(ends, line))
        if found and k < len(ends):
            label = found.group(1).strip(b"\"'").decode("utf-8", "surrogateescape")
            spans.append((line, ends[k], label, True))
    return spans


def _numbered_spans(sifter: Sifter) -> list[Span]:
    """`M486 S<i>` opens, `M486 S-1` closes; `M486 A<name>` behind an S names it."""
    spans: list[Span] = []
    names: dict[int, str] = {}
    open_at, current = -1, -1
    for line, text in _lines_with(sifter, b"M486"):
        number = re.match(rb"M486\s+S(-?\d+)", text)
        named = re.match(rb"M486\s+A(.*)$", text)
        if named:
            names[current] = named.group(1).strip().decode("utf-8", "surrogateescape")
        elif number:
            if current >= 0:
                spans.append((open_at, line, str(current), True))
            current, open_at = int(number.group(1)), line
    # The definitions at the head name objects without printing any.
    return [(a, b, names.get(int(n), n), p) for a, b, n, p in spans if b - a > 2]


def _join(comments: list[Span], commands: list[Span]) -> list[tuple[int, int, str, bool, str]]:
    """Spans of both kinds as one where they open within a few lines of each other."""
    if not comments or not commands:
        return [(a, b, name, paired, "") for a, b, name, paired in _apart(comments or commands)]
    starts = np.array([span[0] for span in commands])
    out = []
    used: set[int] = set()
    for a, b, name, paired in comments:
        k = int(np.argmin(np.abs(starts - a)))
        if abs(int(starts[k]) - a) <= _JOIN_LINES and paired and k not in used:
            used.add(k)
            first, last, alias, _ = commands[k]
            out.append((min(a, first), max(b, last), name, True, alias))
        else:
            out.append((a, b, name, paired, ""))
    if any(not paired for *_, paired, _ in out):
        return [(a, b, n, p, "") for a, b, n, p in _apart(commands)]
    rest = [(a, b, n, p, "") for k, (a, b, n, p) in enumerate(commands) if k not in used]
    free = [span for span in rest if not any(o[0] <= span[0] <= o[1] for o in out)]
    return sorted(out + free)


def _apart(spans: list[Span]) -> list[Span]:
    """Spans in order, none beginning inside another."""
    kept: list[Span] = []
    for span in spans:
        if not kept or span[0] > kept[-1][1]:
            kept.append(span)
        elif span[0] == kept[-1][1]:
            kept[-1] = (kept[-1][0], span[0] - 1, *kept[-1][2:])
            kept.append(span)
    return kept
