"""The tables under profiles/conventions, one file a letter: what each convention's marks look like."""

from __future__ import annotations

from functools import cache
from typing import Literal

from msgspec import Struct, field

from gcodetools.documents import profiles
from gcodetools.marks.features import FEATURE_INDEX

__all__ = ["Convention", "Pair", "conventions", "load_convention"]


class Pair(Struct, frozen=True, forbid_unknown_fields=True):
    """How a span begins and ends. begin may hold a group `name`. Without `end` a span holds until the next
    begin, and `none` (a name) ends it too."""

    begin: str
    end: str | None = None
    none: str | None = None


class FeatureMark(Struct, frozen=True, forbid_unknown_fields=True):
    """How a feature is marked: `mark` is a pattern with a group `word`; only words of the table count where
    `listed` is true. words : spelled word -> own word. until_layer : a mark does not outlive its layer."""

    mark: str
    words: dict[str, str]
    listed: bool = False
    until_layer: bool = False


class Speak(Struct, frozen=True, forbid_unknown_fields=True):
    """How to write marks: `{}` takes the word or the number in mm; None where the convention has none."""

    feature: str | None = None
    width: str | None = None
    height: str | None = None
    words: dict[str, str] = {}


class Convention(Struct, frozen=True, forbid_unknown_fields=True):
    """One letter's table. Patterns are regular expressions matched at the start of a comment that begins its
    line; each must open with a literal text, by which comments are sifted first.

    signs : literal starts of comments that tell the convention. layer : groups `z` and `number` are optional.
    total_means : which filament the file's own total counts: "nozzle" the highest point of net E, "beads",
    or "beads and start code". settings : how the settings block is written. names : own names of settings.
    """

    version: Literal[1] = field(name="beadwright")
    letter: str = field(name="convention")
    about: str
    signs: tuple[str, ...] = ()
    layer: str | None = None
    z: str | None = None
    height: str | None = None
    width: str | None = None
    feature: FeatureMark | None = None
    objects: tuple[Pair, ...] = ()
    wipe: Pair | None = None
    towers: tuple[Pair, ...] = ()
    speak: Speak = Speak()
    total_means: Literal["nozzle", "beads", "beads and start code", "unknown"] = "unknown"
    total_source: str = ""
    setting: str | None = None
    names: dict[str, tuple[str, ...]] = {}

    def own_word(self, word: str) -> int | None:
        """Index of our word for a spelled one, None if it is not in the table."""
        own = self.feature.words.get(word) if self.feature is not None else None
        return None if own is None else FEATURE_INDEX[own]


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
