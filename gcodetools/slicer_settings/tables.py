"""The tables under profiles/settings, one a convention letter: which key states what.

They are made from the settings blocks of sliced files, never from memory: each key names the samples that show it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from gcodetools.documents import profiles
from gcodetools.documents.fields import Flaw
from gcodetools.documents.kinds import nearest
from gcodetools.errors import InputError, UsageError
from gcodetools.records import dataclass
from gcodetools.slicer_settings.names import NAMES

__all__ = ["FEWEST", "FanSteps", "Guess", "Heaters", "Key", "Table", "recognise", "table_of", "tables"]

FEWEST = 3  # known keys, below which a file is none of settings


class Key(Struct, frozen=True, forbid_unknown_fields=True):
    """What a key of a file says.

    name : our own name of it. seen : samples that show the key; none if it is not seen in any. unit : of a number
    without a unit behind it, where that is not our own: `percent`, `per_minute` (mm/min) or `inverse` (a 5 is one
    of five). of : another key by which the number is multiplied. share_of : the key that a value like `50%` is a
    share of, where samples show that. beside : the key whose number over this one's is the plastic per length, so that
    the two change alike. zero_of : the key that holds where this one is 0. plus : added to the number.
    lists : what several values in one are: those of `tools`, of `modes` of the machine (the first counts), or of
    `steps`. when : it counts only where other keys have these values. note : how it is known, or what is not.
    """

    name: str = field(name="is")
    seen: tuple[str, ...]
    unit: Literal["percent", "per_minute", "inverse"] | None = None
    of: str | None = None
    share_of: str | None = None
    zero_of: str | None = None
    beside: str | None = None
    plus: int = 0
    lists: Literal["tools", "modes", "steps"] = "tools"
    when: dict[str, str] = {}
    note: str | None = None

    def flaws(self) -> Iterator[Flaw]:
        if self.name not in NAMES:
            close = nearest(self.name, NAMES)
            near = f"; nearest {close!r}" if close else ""
            yield Flaw(("is",), repr(self.name), f"a name of slicer_settings.names{near}")
        if self.unit == "inverse" and (self.of or self.plus):
            yield Flaw(("unit",), "inverse", "neither of nor plus beside it")


class Heaters(Struct, frozen=True, forbid_unknown_fields=True):
    """Keys of parallel lists that hold the temperatures of several heaters, `counts` of each; the first is for the
    first layer, the last for the layers after."""

    temperatures: str
    is_bed: str
    counts: str
    seen: tuple[str, ...]


class FanSteps(Struct, frozen=True, forbid_unknown_fields=True):
    """Keys of parallel lists: from each of these layers on the fan has that speed, in percent."""

    layers: str
    speeds: str
    seen: tuple[str, ...]


class Table(Struct, frozen=True, forbid_unknown_fields=True):
    """One letter's keys. tells : keys without a name of ours that only this convention's samples show."""

    version: Literal[1] = field(name="beadwright")
    letter: str = field(name="settings")
    about: str
    keys: Annotated[dict[str, Key], Meta(min_length=1)]
    tells: tuple[str, ...] = ()
    heaters: Heaters | None = None
    fan_steps: FanSteps | None = None

    def flaws(self) -> Iterator[Flaw]:
        for spelled, key in self.keys.items():
            for name in ("of", "share_of", "zero_of", "beside"):
                other = getattr(key, name)
                if other is not None and (other not in self.keys or other == spelled):
                    yield Flaw(("keys", spelled, name), repr(other), "another key of this table")

    def spelled(self, name: str) -> list[str]:
        """The keys that state a name of ours, as the table has them in order."""
        found = [spelled for spelled, key in self.keys.items() if key.name == name]
        if self.heaters is not None and name in ("nozzle_c", "first_nozzle_c", "bed_c", "first_bed_c"):
            found.append(self.heaters.temperatures)
        if self.fan_steps is not None and name == "fan_max":
            found.append(self.fan_steps.speeds)
        return found

    @property
    def known(self) -> frozenset[str]:
        """All keys that it knows, by name or as a sign."""
        more = [] if self.heaters is None else [*_keys_of(self.heaters)]
        more += [] if self.fan_steps is None else [*_keys_of(self.fan_steps)]
        return frozenset((*self.keys, *self.tells, *more))


def _keys_of(lists: Heaters | FanSteps) -> list[str]:
    if isinstance(lists, Heaters):
        return [lists.temperatures, lists.is_bed, lists.counts]
    return [lists.layers, lists.speeds]


@cache
def tables() -> tuple[Table, ...]:
    """All tables, in order of their letters."""
    return tuple(profiles.load("settings", Table, name) for name in profiles.names("settings"))


def table_of(letter: str) -> Table:
    """One letter's table.

    Raises
    ------
    UsageError : there is none.
    """
    found = next((table for table in tables() if table.letter.lower() == letter.strip().lower()), None)
    if found is None:
        letters = ", ".join(table.letter for table in tables())
        raise UsageError(
            f"--convention {letter}: no table of settings by that letter", f"There are: {letters}."
        )
    return found


@dataclass(frozen=True, slots=True)
class Guess:
    """A table and why: how many of the file's keys it knows, of how many there are; and others that say the same of
    all of those."""

    table: Table
    matched: int
    keys: int
    alike: tuple[str, ...] = ()


def recognise(keys: Iterable[str], name: str) -> Guess:
    """The table that knows most keys of a file. Where several know as many and mean the same by all that are there,
    it does not matter which.

    Parameters
    ----------
    name : of the file, for messages.

    Raises
    ------
    InputError : none knows enough of them, or two know as many and differ in what they mean.
    """
    present = frozenset(keys)
    known = {table.letter: len(present & table.known) for table in tables()}
    most = max(known.values())
    if most < min(FEWEST, max(1, len(present))) or most == 0:
        raise InputError(
            f"{name}: {len(present)} keys, of which at most {most} are known; expected a slicer's settings "
            f"(at least {FEWEST} known keys)",
            "Export the settings of the print as INI or JSON, or name a sliced file that holds them.",
        )
    best = [table for table in tables() if known[table.letter] == most]
    first = best[0]
    differing = [table.letter for table in best[1:] if not _same(first, table, present)]
    if differing:
        letters = ", ".join([first.letter, *differing])
        raise InputError(
            f"{name}: {most} of {len(present)} keys are known to each of the conventions {letters}, which "
            "mean different things by them",
            f"Say which: --convention {first.letter}.",
        )
    return Guess(first, most, len(present), tuple(table.letter for table in best[1:]))


def _same(one: Table, two: Table, present: frozenset[str]) -> bool:
    """Whether two tables mean the same by the keys that are there."""
    mine, theirs = (
        {spelled: _meaning(table.keys[spelled]) for spelled in present & table.keys.keys()}
        for table in (one, two)
    )
    return mine == theirs and _lists(one, present) == _lists(two, present)


def _meaning(key: Key) -> tuple[object, ...]:
    return (
        key.name,
        key.unit,
        key.of,
        key.share_of,
        key.zero_of,
        key.beside,
        key.plus,
        key.lists,
        tuple(key.when.items()),
    )


def _lists(table: Table, present: frozenset[str]) -> list[str]:
    both = [one for one in (table.heaters, table.fan_steps) if one is not None]
    return sorted(key for one in both for key in _keys_of(one) if key in present)
