"""Which convention a file follows, and its marks. Only comments that stand alone on a line can be marks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import Convention, Head, Pair, heads, load_convention
from gcodetools.marks.features import FEATURE_INDEX, unlisted
from gcodetools.marks.layers import find_layer_marks
from gcodetools.marks.objects import find_objects
from gcodetools.marks.sifter import Sifter
from gcodetools.marks.types import Marks, Spans
from gcodetools.records import dataclass

__all__ = ["Sifter", "recognise"]

I4 = NDArray[np.int32]
F8 = NDArray[np.float64]
_OTHER = FEATURE_INDEX["other"]
_MOST_BEAD_MM = 50.0  # wide or high: room for the largest bores (common practice, no source)
_PROGRESS = 73  # M73: percent done and minutes left


def recognise(program: Program) -> Marks:
    """Marks of a file, by the table whose signs it shows most."""
    everything = Sifter(program)
    ignored = _ignored(everything)
    sifter = everything.without(ignored)
    table = _table(sifter)
    none = (np.empty(0, np.int32), np.empty(0))
    name = program.lines.name
    width, wide = _of_beads(*(sifter.numbers(table.width) if table.width else none), "width", name)
    height, high = _of_beads(*(sifter.numbers(table.height) if table.height else none), "height", name)
    layers = find_layer_marks(sifter, table, height)
    feature = _features(sifter, table, layers.line)
    last = len(program.lines) - 1
    return Marks(
        convention=table.letter,
        layer_line=layers.line,
        layer_z=layers.z,
        layer_height=layers.height,
        layer_raft=layers.raft,
        feature_line=feature.line,
        feature=feature.own,
        feature_word=feature.word,
        feature_words=feature.words,
        width_line=width[0],
        width=width[1],
        height_line=height[0],
        height=height[1],
        objects=find_objects(sifter, table),
        wipes=_spans(sifter, [table.wipe] if table.wipe else [], last),
        towers=_spans(sifter, list(table.towers), last),
        warnings=(*feature.warnings(name, table.letter), *wide, *high),
        ignored=ignored,
        progress_line=_progress(sifter, table),
    )


def _table(sifter: Sifter) -> Convention:
    """The table whose signs are most frequent. Tables share signs, so a longer list wins only by a sign of
    its own; fallbacks are asked last, and a file without any sign follows no convention (J)."""
    for fallback in (False, True):
        counted = [(_count(sifter, t), t) for t in heads() if t.fallback == fallback]
        most = max(count for count, _ in counted)
        if most:
            return load_convention(next(head.letter for count, head in counted if count == most))
    return load_convention("J")


def _count(sifter: Sifter, table: Head) -> int:
    return sum(
        len(sifter.whole(sign[:-1]) if sign.endswith("$") else sifter.starting(sign)) for sign in table.signs
    )


def _ignored(sifter: Sifter) -> Spans:
    """Sections of thumbnails and settings in any convention; none that holds a move."""
    pairs = list(dict.fromkeys(pair for table in heads() for pair in table.ignore))
    spans = _spans(sifter, pairs, None)
    move = sifter.program.moves.line
    empty = np.searchsorted(move, spans.first) == np.searchsorted(move, spans.last)
    return Spans(spans.first[empty], spans.last[empty])


def _of_beads(line: I4, mm: F8, what: str, name: str) -> tuple[tuple[I4, F8], tuple[str, ...]]:
    """Marks of widths or heights that a bead can have, and a sentence on the first of the others."""
    beyond = np.flatnonzero(mm > _MOST_BEAD_MM)
    if len(beyond) == 0:
        return (line, mm), ()
    first, kept = beyond[0], mm <= _MOST_BEAD_MM
    more = f" (and {len(beyond) - 1:,} more)" if len(beyond) > 1 else ""
    told = f"{name}:{line[first] + 1}: a mark says {mm[first]:g} mm of {what}{more}"
    return (line[kept], mm[kept]), (f"{told}, no bead is over {_MOST_BEAD_MM:g} mm: not heeded",)


def _progress(sifter: Sifter, table: Convention) -> I4:
    words = sifter.program.words
    commands = words.line[(words.letter == ord("M")) & (words.value == _PROGRESS)]
    comments = [sifter.lines_like(pattern) for pattern in table.progress]
    return np.sort(np.concatenate([commands, *comments])).astype(np.int32)


@dataclass(frozen=True, slots=True)
class _Features:
    """Feature marks: line, own index, index of the spelled word. unknown : word -> its first line."""

    line: I4
    own: NDArray[np.uint8]
    word: NDArray[np.int16]
    words: tuple[str, ...]
    unknown: dict[str, int]

    def warnings(self, name: str, letter: str) -> tuple[str, ...]:
        return tuple(
            f"{name}:{line + 1}: feature word {word!r} is not in the table of convention {letter}; "
            f"read as {unlisted(word)}"
            for word, line in self.unknown.items()
        )


class _Words:
    """Feature words as they are met: `index` of each in order; `unknown` ones with their first line."""

    def __init__(self, table: Convention) -> None:
        self.table = table
        self.listed = table.feature is not None and table.feature.listed
        self.index: dict[str, int] = {}
        self.unknown: dict[str, int] = {}
        self._known: dict[str, tuple[int, int] | None] = {}

    def look_up(self, text: str, line: int) -> tuple[int, int] | None:
        """Own index and index of the word; None if it is no mark."""
        if text not in self._known:
            self._known[text] = self._first_met(text.strip(), line)
        return self._known[text]

    def _first_met(self, word: str, line: int) -> tuple[int, int] | None:
        own = self.table.own_word(word)
        if own is None:
            if self.listed:
                return None
            self.unknown[word] = line
            own = FEATURE_INDEX[unlisted(word)]
        return own, self.index.setdefault(word, len(self.index))


def _features(sifter: Sifter, table: Convention, layer_line: I4) -> _Features:
    words = _Words(table)
    marks: list[tuple[int, int, int]] = []
    feature = table.feature
    if feature is not None:
        found = ((line, words.look_up(match["word"], line)) for line, match in sifter.matches(feature.mark))
        marks = [(line, *pair) for line, pair in found if pair is not None]
        resets = layer_line.tolist() if feature.until_layer else []
        resets += sifter.lines_like(feature.end).tolist() if feature.end else []
        if marks and resets:
            marks = sorted([*marks, *((line, _OTHER, -1) for line in resets)])
    array = np.array(marks, np.int64).reshape(-1, 3)
    return _Features(
        array[:, 0].astype(np.int32),
        array[:, 1].astype(np.uint8),
        array[:, 2].astype(np.int16),
        tuple(words.index),
        words.unknown,
    )


def _spans(sifter: Sifter, pairs: list[Pair], last_line: int | None) -> Spans:
    """Spans of all `pairs`, those that touch joined."""
    found = [sifter.spans(pair.begin, pair.end, last_line) for pair in pairs if pair.end is not None]
    if len(found) == 1:
        return found[0]
    rows = sorted((a, b) for s in found for a, b in zip(s.first.tolist(), s.last.tolist(), strict=True))
    joined: list[list[int]] = []
    for first, last in rows:
        if joined and first <= joined[-1][1] + 1:
            joined[-1][1] = max(joined[-1][1], last)
        else:
            joined.append([first, last])
    array = np.array(joined, np.int32).reshape(-1, 2)
    return Spans(array[:, 0], array[:, 1])
