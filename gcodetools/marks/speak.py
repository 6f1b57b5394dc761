"""Marks in a file's own words, for what is written around new beads. Lines come without their line end."""

from __future__ import annotations

import numpy as np

from gcodetools.gcode.program import Program
from gcodetools.marks.conventions import load_convention
from gcodetools.marks.types import Marks

__all__ = ["feature", "feature_end", "height", "mark_in_force", "object_start", "object_stop", "width"]


def feature(convention: str, word: str, spelled: str | None = None) -> bytes | None:
    """The comment that opens a feature.

    Parameters
    ----------
    convention : letter. word : our word. spelled : the file's own word, instead of the table's.

    Returns
    -------
    None if the convention has no feature marks or no such word.
    """
    speak = load_convention(convention).speak
    theirs = spelled or speak.words.get(word)
    return None if theirs is None else _filled(speak.feature, word=theirs)


def feature_end(convention: str, word: str) -> bytes | None:
    """The comment that closes a feature, where the convention closes them."""
    return _filled(load_convention(convention).speak.feature_end.get(word))


def width(convention: str, width_mm: float, height_mm: float) -> bytes | None:
    """The comment that states a bead's width; one convention states the height in the same."""
    return _filled(load_convention(convention).speak.width, width=_mm(width_mm), height=_mm(height_mm))


def height(convention: str, height_mm: float) -> bytes | None:
    """The comment that states a bead's height."""
    return _filled(load_convention(convention).speak.height, height=_mm(height_mm))


def object_start(convention: str, name: str) -> bytes | None:
    """The comment that opens an object's bracket."""
    return _filled(load_convention(convention).speak.object_start, name=name)


def object_stop(convention: str, name: str) -> bytes | None:
    """The comment that closes it."""
    return _filled(load_convention(convention).speak.object_stop, name=name)


def mark_in_force(program: Program, marks: Marks, line: int) -> bytes | None:
    """The file's own feature mark that holds at a line (0-based), to restore it behind new beads."""
    at = int(np.searchsorted(marks.feature_line, line, side="right")) - 1
    if at < 0 or marks.feature_word[at] < 0:
        return None
    return program.lines.text(int(marks.feature_line[at]))


def _filled(template: str | None, **values: str) -> bytes | None:
    if template is None:
        return None
    for key, value in values.items():
        template = template.replace("{" + key + "}", value)
    return template.encode("utf-8", "surrogateescape")


def _mm(value: float) -> str:
    """Six decimals at most, as sliced files have them, without the zeros behind."""
    return f"{value:.6f}".rstrip("0").rstrip(".")
