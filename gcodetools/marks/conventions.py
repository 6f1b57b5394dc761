"""The tables under profiles/conventions, one file a letter: what each convention's marks look like."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Literal

from msgspec import Struct, field
from msgspec.structs import fields

from gcodetools.documents import profiles
from gcodetools.documents.fields import Flaw
from gcodetools.marks.features import FEATURE_INDEX

__all__ = [
    "Convention",
    "FeatureMark",
    "Head",
    "Meaning",
    "Pair",
    "Setpoints",
    "Speak",
    "conventions",
    "heads",
    "load_convention",
]

Meaning = Literal["nozzle", "beads", "beads+start+tower", "unknown"]


class Pair(Struct, frozen=True, forbid_unknown_fields=True):
    """How a span begins and ends.

    begin : may hold a group `name`. end : without it a span holds until the next begin; the name `none` ends
    it too, and so does a comment like `until`.
    """

    begin: str
    end: str | None = None
    none: str | None = None
    until: str | None = None


class FeatureMark(Struct, frozen=True, forbid_unknown_fields=True):
    """How a feature is marked.

    mark : a pattern with a group `word`. words : spelled word -> own word. listed : only words of the table
    count as marks. until_layer : a mark does not outlive its layer. end : a comment that ends a feature.
    """

    mark: str
    words: dict[str, str]
    listed: bool = False
    until_layer: bool = False
    end: str | None = None


class Speak(Struct, frozen=True, forbid_unknown_fields=True):
    """How to write marks; a missing template means that the convention has no such mark.

    Templates take `{word}`, `{width}` and `{height}` (mm), `{name}`. words : own word -> theirs.
    """

    feature: str | None = None
    feature_end: dict[str, str] = {}
    width: str | None = None
    height: str | None = None
    object_start: str | None = None
    object_stop: str | None = None
    words: dict[str, str] = {}


class Setpoints(Struct, frozen=True, forbid_unknown_fields=True):
    """Settings that list temperatures of several heaters: keys of the parallel lists."""

    temperatures: str
    is_bed: str
    counts: str


class Head(Struct, frozen=True, forbid_unknown_fields=True):
    """What a table begins with, as in `Convention`: enough to tell whether a file follows it, and which of its
    sections hold no marks. The rest is read of the one that it follows."""

    version: Literal[1] = field(name="beadwright")
    letter: str = field(name="convention")
    about: str
    signs: tuple[str, ...] = ()
    fallback: bool = False
    ignore: tuple[Pair, ...] = ()


class Convention(Struct, frozen=True, forbid_unknown_fields=True):
    """One letter's table.

    Patterns are regular expressions matched from the start of a comment that stands alone on its line; each
    opens with literal text, by which comments are sifted first.

    signs : literal starts of comments that tell the convention (whole comments where they end in `$`); the
    table that shows most of its signs is the file's. fallback : asked only where no other table shows any.
    layer : groups `z` and `number` are optional. layer_repeats : each tool marks the layer again at the same
    z. raft_end : layers before this comment are a raft's. z, height, width : what stands before the number,
    or a pattern with a group `mm`. define : comments with a JSON object that names objects. ignore : sections
    whose comments are no marks. progress : comments that tell how far the print is.
    totals : patterns whose groups say what a number is: `mm` `m` of filament, `mm3` `cm3`, `g`, `cost`, `s`
    `min` or a `time` in words, `layers`; lists are summed, and values of several `tool`s. restated : patterns of
    what is brought up to date after treatment; groups as in totals, and `elapsed` s, `first` the first layer's
    time, `other` a time on another clock, `lb`; a digit behind a group tells two of a kind apart. total_means :
    which filament the file's own total counts, measured as total_source says. settings : patterns with groups `key`
    and `value`. pieces : start of comments that hold JSON cut into pieces. names : own names of settings.
    limits : own names of machine limits.
    """

    version: Literal[1] = field(name="beadwright")
    letter: str = field(name="convention")
    about: str
    signs: tuple[str, ...] = ()
    fallback: bool = False
    layer: str | None = None
    layer_repeats: bool = False
    raft_end: str | None = None
    z: str | None = None
    height: str | None = None
    width: str | None = None
    feature: FeatureMark | None = None
    objects: tuple[Pair, ...] = ()
    define: str | None = None
    wipe: Pair | None = None
    towers: tuple[Pair, ...] = ()
    ignore: tuple[Pair, ...] = ()
    progress: tuple[str, ...] = ()
    totals: tuple[str, ...] = ()
    restated: tuple[str, ...] = ()
    total_means: Meaning = "unknown"
    total_source: str = ""
    settings: tuple[str, ...] = ()
    pieces: str | None = None
    names: dict[str, tuple[str, ...]] = {}
    limits: dict[str, tuple[str, ...]] = {}
    setpoints: Setpoints | None = None
    speak: Speak = Speak()

    def own_word(self, word: str) -> int | None:
        """Index of our word for a spelled one, None if it is not in the table."""
        own = self.feature.words.get(word) if self.feature is not None else None
        return None if own is None else FEATURE_INDEX[own]

    def flaws(self) -> Iterator[Flaw]:
        for path, pattern in self._patterns():
            try:
                re.compile(pattern)
            except re.error as error:
                yield Flaw(path, f"{pattern!r} ({error})", "a regular expression")
        if self.feature is not None:
            yield from _foreign(("feature", "words"), list(self.feature.words.values()))
        yield from _foreign(("speak", "words"), list(self.speak.words))

    def _patterns(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        for key in ("layer", "raft_end", "z", "height", "width", "define", "pieces"):
            text = getattr(self, key)
            if text is not None:
                yield (key,), text
        for key in ("progress", "totals", "restated", "settings"):
            for index, text in enumerate(getattr(self, key)):
                yield (key, index), text
        pairs = [
            ((key, k), p) for key in ("objects", "towers", "ignore") for k, p in enumerate(getattr(self, key))
        ]
        for path, pair in [*pairs, *([(("wipe",), self.wipe)] if self.wipe else [])]:
            for name in ("begin", "end", "until"):
                if getattr(pair, name) is not None:
                    yield (*path, name), getattr(pair, name)
        if self.feature is not None:
            yield ("feature", "mark"), self.feature.mark
            yield ("feature", "end"), self.feature.end or ""


def _foreign(path: tuple[str, ...], words: list[str]) -> Iterator[Flaw]:
    for word in words:
        if word not in FEATURE_INDEX:
            yield Flaw(path, word, f"one of {', '.join(FEATURE_INDEX)}")


@cache
def load_convention(letter: str) -> Convention:
    """One table.

    Raises
    ------
    InputError : none of that letter, or invalid.
    """
    return profiles.load("conventions", Convention, letter)


@cache
def conventions() -> tuple[Convention, ...]:
    """All tables, in order of their letters."""
    return tuple(load_convention(name) for name in profiles.names("conventions"))


@cache
def heads() -> tuple[Head, ...]:
    """What all tables begin with, in order of their letters."""
    return profiles.load_heads("conventions", Head, [field.encode_name for field in fields(Head)])
