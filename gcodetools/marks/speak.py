"""Marks in a file's own words, for what is written around new beads."""

from __future__ import annotations

from gcodetools.marks.conventions import Convention

__all__ = ["feature_mark", "height_mark", "width_mark"]


def feature_mark(table: Convention, own_word: str, spelled: str | None = None) -> bytes | None:
    """The comment that opens a feature: by our word, or as `spelled`. None if the convention has none."""
    word = spelled or table.speak.words.get(own_word)
    if table.speak.feature is None or word is None:
        return None
    return table.speak.feature.replace("{}", word).encode("utf-8", "surrogateescape")


def width_mark(table: Convention, width_mm: float) -> bytes | None:
    """The comment that states a bead's width."""
    return None if table.speak.width is None else table.speak.width.replace("{}", f"{width_mm:g}").encode()


def height_mark(table: Convention, height_mm: float) -> bytes | None:
    """The comment that states a bead's height."""
    return None if table.speak.height is None else table.speak.height.replace("{}", f"{height_mm:g}").encode()
