"""What marks say, as arrays keyed by line (0-based)."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass

__all__ = ["Marks", "Objects", "Spans"]

F8 = NDArray[np.float64]
I2 = NDArray[np.int16]
I4 = NDArray[np.int32]
U1 = NDArray[np.uint8]
Bool = NDArray[np.bool_]
_FEW = 8  # lines a span from which on ascending lines are not looked up one by one


@dataclass(frozen=True, slots=True)
class Spans:
    """Stretches of lines [first, last], both inclusive, ascending and apart."""

    first: I4
    last: I4

    def __len__(self) -> int:
        return len(self.first)

    @classmethod
    def none(cls) -> Spans:
        """No span at all."""
        return cls(np.empty(0, np.int32), np.empty(0, np.int32))

    def holds(self, lines: NDArray[np.integer]) -> Bool:
        """Which of `lines` lie in a span."""
        if len(self.first) == 0:
            return np.zeros(len(lines), bool)
        at = np.searchsorted(self.first, lines, side="right") - 1
        inside: Bool = (at >= 0) & (lines <= self.last[np.maximum(at, 0)])
        return inside


@dataclass(frozen=True, slots=True)
class Objects:
    """Labelled objects and the spans that bracket them.

    names : the label of each as the file spells it first. aliases : other spellings of the same object.
    span_object : (s,) index into names. span_first, span_last : (s,) lines of the marks that open and close
    a span, inclusive, ascending. span_bracket : whether a span is a pair of start and stop marks, which a
    host may cancel, rather than a label that holds until the next.
    """

    names: tuple[str, ...]
    aliases: tuple[tuple[str, ...], ...]
    span_object: I2
    span_first: I4
    span_last: I4
    span_bracket: Bool

    def at(self, lines: NDArray[np.integer]) -> I2:
        """Object of each of `lines`, -1 outside."""
        if len(self.span_first) == 0:
            return np.full(len(lines), -1, np.int16)
        if len(self.span_first) < len(lines) // _FEW and np.all(lines[1:] >= lines[:-1]):
            return self._at_ascending(lines)
        at = np.searchsorted(self.span_first, lines, side="right") - 1
        inside = (at >= 0) & (lines <= self.span_last[np.maximum(at, 0)])
        return np.where(inside, self.span_object[np.maximum(at, 0)], -1).astype(np.int16)

    def _at_ascending(self, lines: NDArray[np.integer]) -> I2:
        """The same for many ascending lines: repeated, instead of looked up for each."""
        stop = self.span_last.astype(np.int64) + 1
        stop[:-1] = np.minimum(stop[:-1], self.span_first[1:])
        np.maximum(stop, self.span_first, out=stop)
        edges = np.searchsorted(lines, np.column_stack([self.span_first, stop]).ravel().astype(lines.dtype))
        owner = np.full(2 * len(stop) + 1, -1, np.int16)
        owner[1::2] = self.span_object
        return np.repeat(owner, np.diff(edges, prepend=0, append=len(lines)))

    def brackets(self) -> Spans:
        """The spans that a host may cancel."""
        return Spans(self.span_first[self.span_bracket], self.span_last[self.span_bracket])


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks of one file.

    convention : its letter. layer_line : (k,) lines that begin a layer, with layer_z and layer_height (mm,
    NaN where the mark names none) and layer_raft. feature_line : (k,) with feature (own index) and
    feature_word (index into feature_words, as spelled; -1 where a layer or an end mark resets it).
    width_line, height_line : with their mm. wipes, towers : spans. warnings : what was odd. ignored :
    sections of thumbnails and settings, whose comments are no marks. progress_line : commands and comments
    that tell how far the print is.
    """

    convention: str
    layer_line: I4
    layer_z: F8
    layer_height: F8
    layer_raft: Bool
    feature_line: I4
    feature: U1
    feature_word: I2
    feature_words: tuple[str, ...]
    width_line: I4
    width: F8
    height_line: I4
    height: F8
    objects: Objects
    wipes: Spans
    towers: Spans
    warnings: tuple[str, ...] = ()
    ignored: Spans = field(default_factory=Spans.none)
    progress_line: I4 = field(default_factory=lambda: np.empty(0, np.int32))
