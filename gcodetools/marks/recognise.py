"""Which convention a file follows, and its marks. Only comments that begin their line can be marks."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import Convention, Pair, conventions, load_convention
from gcodetools.marks.features import FEATURE_INDEX
from gcodetools.marks.objects import find_objects
from gcodetools.marks.types import Marks, Spans

__all__ = ["Sifter", "recognise"]

I4 = NDArray[np.int32]
F8 = NDArray[np.float64]
NUMBER = r"[-+]?[0-9]*\.?[0-9]+"


class Sifter:
    """Finds comments by their first letters without a loop over all of them.

    Eight bytes of each comment that begins its line are compared as one word; only what agrees is looked at
    as text.
    """

    def __init__(self, program: Program) -> None:
        data, comments = program.lines.data, program.comments
        own_line = program.lines.start[comments.line] == comments.start
        if data.startswith(b"\xef\xbb\xbf"):
            own_line |= comments.start == 3
        self.program = program
        self.line = comments.line[own_line]
        self.start = comments.start[own_line]
        padded = np.frombuffer(data + b"\0" * 8, np.uint8)
        word = np.zeros(len(self.start), np.uint64)
        for k in range(8):
            word |= padded[self.start + k].astype(np.uint64) << np.uint64(8 * k)
        self.word = word

    def starting(self, prefix: str) -> NDArray[np.intp]:
        """Indices of the comments that may start with `prefix` (its first eight bytes agree)."""
        head = prefix.encode()[:8]
        mask = np.uint64((1 << (8 * len(head))) - 1)
        wanted = np.uint64(int.from_bytes(head, "little"))
        return np.flatnonzero((self.word & mask) == wanted)

    def text(self, index: int) -> str:
        """A comment's text to its line end."""
        lines = self.program.lines
        line = int(self.line[index])
        raw = lines.data[int(self.start[index]) : int(lines.start[line + 1])]
        return raw.rstrip(b"\r\n").decode("utf-8", "surrogateescape")

    def matches(self, pattern: str) -> Iterator[tuple[int, re.Match[str]]]:
        """(line, match) of each comment that matches `pattern` from its start."""
        compiled = re.compile(pattern)
        for index in self.starting(literal_head(pattern)).tolist():
            found = compiled.match(self.text(index))
            if found:
                yield int(self.line[index]), found

    def numbers(self, pattern: str) -> tuple[I4, F8]:
        """Lines and numbers (group `mm`, or what follows the pattern)."""
        lines, values = [], []
        for line, found in self.matches(pattern + rf"(?P<mm>{NUMBER})"):
            lines.append(line)
            values.append(float(found["mm"]))
        return np.array(lines, np.int32), np.array(values)


def literal_head(pattern: str) -> str:
    """The literal text a pattern opens with."""
    head = re.match(r"(?:[^\\\[\](){}.*+?^$|]|\\[^\w])*", pattern)
    text = head.group() if head else ""
    following = pattern[len(text) : len(text) + 1]
    if following in ("*", "+", "?", "{") and text:
        text = text[: -2 if text[-2:-1] == "\\" else -1]
    return re.sub(r"\\(.)", r"\1", text)


def recognise(program: Program) -> Marks:
    """Marks of a file, by the table whose signs it shows most."""
    sifter = Sifter(program)
    table = _table(sifter)
    layer_line, layer_z, layer_height, layer_raft = _layers(sifter, table)
    feature = _features(sifter, table, layer_line)
    none4, none8 = np.empty(0, np.int32), np.empty(0)
    width = sifter.numbers(table.width) if table.width else (none4, none8)
    height = sifter.numbers(table.height) if table.height else (none4, none8)
    layer_height = _within(layer_line, *height, layer_height)
    last = len(program.lines) - 1
    towers = [_spans(sifter, pair, last) for pair in table.towers]
    warnings = ()
    if feature.unknown:
        warnings = (
            f"feature words not in the table of convention {table.letter}: {', '.join(feature.unknown)}",
        )
    return Marks(
        convention=table.letter,
        layer_line=layer_line,
        layer_z=layer_z,
        layer_height=layer_height,
        layer_raft=layer_raft,
        feature_line=feature.line,
        feature=feature.own,
        feature_word=feature.word,
        feature_words=feature.words,
        width_line=width[0],
        width=width[1],
        height_line=height[0],
        height=height[1],
        objects=find_objects(sifter, table),
        wipes=_spans(sifter, table.wipe, last) if table.wipe else Spans(none4, none4),
        towers=_joined(towers) if towers else Spans(none4, none4),
        warnings=warnings,
    )


def _table(sifter: Sifter) -> Convention:
    """The table whose signs are most frequent; I where only a settings block stands, else J."""
    best, most = None, 0
    for table in conventions():
        count = sum(len(_exact(sifter, sign)) for sign in table.signs)
        if count > most:
            best, most = table, count
    return best if best is not None else load_convention("J")


def _exact(sifter: Sifter, sign: str) -> NDArray[np.intp]:
    index = sifter.starting(sign)
    if len(sign) <= 8 or len(index) == 0:
        return index
    keep = [k for k in index.tolist() if sifter.text(k).startswith(sign)]
    return np.array(keep, np.intp)


def _layers(sifter: Sifter, table: Convention) -> tuple[I4, F8, F8, NDArray[np.bool_]]:
    """Layer marks with z where the mark or one behind it names it. A negative number is a raft's."""
    none = np.empty(0)
    if table.layer is None:
        return none.astype(np.int32), none, none, none.astype(bool)
    lines, z, raft = [], [], []
    for line, found in sifter.matches(table.layer):
        named = found.groupdict()
        value = float(named["z"]) if named.get("z") else float("nan")
        lines.append(line)
        z.append(value)
        raft.append(bool(named.get("number")) and int(named["number"]) < 0)
    line_array, z_array = np.array(lines, np.int32), np.array(z)
    if table.z and len(line_array):
        z_array = _within(line_array, *sifter.numbers(table.z), z_array)
    return line_array, z_array, np.full(len(line_array), np.nan), np.array(raft, bool)


def _within(layer_line: I4, line: I4, value: F8, default: F8) -> F8:
    """The first of `value` behind each layer mark and before the next."""
    if len(line) == 0 or len(layer_line) == 0:
        return default
    first = np.searchsorted(line, layer_line)
    stop = np.append(layer_line[1:], np.iinfo(np.int32).max)
    ok = (first < len(line)) & (line[np.minimum(first, len(line) - 1)] < stop)
    return np.where(ok, value[np.minimum(first, len(line) - 1)], default)


class _Features:
    """Feature marks: line, own index, spelled word."""

    def __init__(
        self, line: list[int], own: list[int], word: list[int], words: list[str], unknown: list[str]
    ):
        self.line = np.array(line, np.int32)
        self.own = np.array(own, np.uint8)
        self.word = np.array(word, np.int16)
        self.words = tuple(words)
        self.unknown = unknown


def _features(sifter: Sifter, table: Convention, layer_line: I4) -> _Features:
    line: list[int] = []
    own: list[int] = []
    word: list[int] = []
    words: dict[str, int] = {}
    unknown: dict[str, None] = {}
    if table.feature is None:
        return _Features(line, own, word, [], [])
    for at, found in sifter.matches(table.feature.mark):
        spelled = found["word"].strip()
        index = table.own_word(spelled)
        if index is None:
            if table.feature.listed:
                continue
            unknown[spelled] = None
            index = FEATURE_INDEX["other"]
        line.append(at)
        own.append(index)
        word.append(words.setdefault(spelled, len(words)))
    if table.feature.until_layer:
        other = FEATURE_INDEX["other"]
        merged = sorted([*zip(line, own, word, strict=True), *((int(k), other, -1) for k in layer_line)])
        line, own, word = (list(column) for column in zip(*merged, strict=True)) if merged else ([], [], [])
    return _Features(line, own, word, list(words), list(unknown))


def _spans(sifter: Sifter, pair: Pair, last_line: int) -> Spans:
    begins = [line for line, _ in sifter.matches(pair.begin)]
    ends = [line for line, _ in sifter.matches(pair.end)] if pair.end else []
    first, last = [], []
    k = 0
    for begin in begins:
        if last and begin <= last[-1]:
            continue
        while k < len(ends) and ends[k] < begin:
            k += 1
        first.append(begin)
        last.append(ends[k] if k < len(ends) else last_line)
    return Spans(np.array(first, np.int32), np.array(last, np.int32))


def _joined(spans: list[Spans]) -> Spans:
    pairs = sorted((int(a), int(b)) for s in spans for a, b in zip(s.first, s.last, strict=True))
    out: list[list[int]] = []
    for a, b in pairs:
        if out and a <= out[-1][1] + 1:
            out[-1][1] = max(out[-1][1], b)
        else:
            out.append([a, b])
    array = np.array(out, np.int32).reshape(-1, 2)
    return Spans(array[:, 0], array[:, 1])
