"""What all containers share: the interface, limits against bombs, and the words of errors."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import Literal

from gcodetools.errors import Fault, InputError, UsageError
from gcodetools.records import dataclass

__all__ = [
    "PACKED",
    "SECRET",
    "Container",
    "Kind",
    "Limits",
    "NoSuchPlate",
    "PlateName",
    "Written",
    "check_restated",
    "damaged",
    "on_one_line",
    "open_pairs",
    "sniff",
]

Kind = Literal["gz", "package", "binary"]
_HEADS: tuple[tuple[bytes, Kind], ...] = (
    (b"GCDE", "binary"),
    (b"PK\x03\x04", "package"),
    (b"PK\x05\x06", "package"),
    (b"PK\x07\x08", "package"),
    (b"\x1f\x8b", "gz"),
)
PACKED: Mapping[Kind, str] = {
    "binary": "a binary container",
    "package": "a package (3MF)",
    "gz": "compressed text (gz)",
}
AGAIN = "Copy or export the file again; it is damaged or was not made by a slicer."
# Addresses, accounts and secrets: never shown, never handed on. From the keys that sliced files carry.
SECRET = re.compile(
    r"host|passw|api_?key|secret|token|certificate|(?:^|_)(?:user|cafile|port|url|serial)(?:$|_)", re.I
)


@dataclass(frozen=True, slots=True)
class Limits:
    """How much a container may hold before it is taken for a bomb. All are far above real files.

    text_bytes : of the plate's G-code. total_bytes : of all entries of a package. ratio : unpacked over packed;
    no limit below `ratio_from_bytes`, where it can't hurt. parts : entries of a package, members of a gz, blocks.
    part_bytes : of metadata that is read as a whole (XML, JSON, settings). packed_bytes : of packed text in a block,
    which takes some fifty times its size while it is unpacked; real blocks have up to 65536.
    """

    text_bytes: int = 1 << 30
    total_bytes: int = 1 << 31
    ratio: int = 200  # G-code packs 4 to 8 times; a bomb of deflate 1000 times
    ratio_from_bytes: int = 1 << 24
    parts: int = 1 << 16
    part_bytes: int = 1 << 25
    packed_bytes: int = 1 << 23

    def most(self, packed_bytes: int, wanted: int) -> int:
        """The most that `packed_bytes` may unpack to, where `wanted` is the limit of the part."""
        return min(wanted, max(self.ratio_from_bytes, self.ratio * packed_bytes))


@dataclass(frozen=True, slots=True)
class PlateName:
    """A plate: its number, from 1, and what the file calls it."""

    number: int
    name: str


class NoSuchPlate(UsageError):
    """None of several plates was chosen, or one that a package has not. plates : those it has."""

    def __init__(self, cause: str, plates: Iterable[PlateName]) -> None:
        self.plates = tuple(plates)
        super().__init__(cause, f"Choose by number (--plate); there are {self.numbers}.")

    @property
    def numbers(self) -> str:
        """Those it has, in words."""
        return ", ".join(f"{one.number} ({one.name})" if one.name else str(one.number) for one in self.plates)


@dataclass(frozen=True, slots=True)
class Written:
    """A container's new bytes, the text that a reader gets from it, sentences on what it can't hold, and (`asides`) on
    how it holds the rest."""

    data: bytes
    text: bytes
    notes: tuple[str, ...] = ()
    asides: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Container(ABC):
    """A container that was read; see the package's docstring for the fields.

    data : its bytes. remarks : comment lines of ours that the text can't hold, kept beside it; they go in with the
    next new text, and only where `keeps_comments` is false.
    """

    kind: Kind
    name: str
    data: bytes = field(repr=False)
    text: bytes = field(repr=False)
    plate: int = 1
    plates: tuple[PlateName, ...] = (PlateName(1, ""),)
    settings: Mapping[str, str] = field(default_factory=dict, repr=False)
    totals: Mapping[str, str] = field(default_factory=dict)
    thumbnails: int = 0
    notes: tuple[str, ...] = ()
    remarks: bytes = field(default=b"", repr=False)

    @property
    def inside(self) -> str:
        """What of the container holds the text: an entry, blocks, members."""
        return ""

    @property
    def keeps_comments(self) -> bool:
        """Whether comment lines of a new text come back."""
        return True

    @abstractmethod
    def written(self, new_text: bytes, restated: Mapping[str, str] | None = None) -> Written:
        """The container with another text; the very bytes it was read from where nothing changes.

        Parameters
        ----------
        new_text : plain text in place of `text`.
        restated : new texts for keys of `totals`.

        Raises
        ------
        Refused : it can't be written so that it stays true. Fault : `restated` names what `totals` has not.
        """

    def rebuilt(self, new_text: bytes, restated: Mapping[str, str] | None = None) -> bytes:
        """The bytes of `written`."""
        return self.written(new_text, restated).data

    @property
    def said(self) -> bytes:
        """Settings and totals as comment lines `; key = value`, as the text form of a sliced file has them."""
        # Totals first and with their own values: what restates them counts on it, whatever the settings repeat.
        pairs = {**self.totals, **self.settings, **self.totals}
        lines = [f"; {key} = {value}\n" for key, value in pairs.items()]
        return "".join(lines).encode("utf-8", "surrogateescape")

    def restated_in(self, said: bytes) -> dict[str, str]:
        """What `said` with other numbers restates: lines in the same order, totals first."""
        lines = said.decode("utf-8", "surrogateescape").split("\n")
        new = {key: line.removeprefix(f"; {key} = ") for key, line in zip(self.totals, lines, strict=False)}
        return {key: value for key, value in new.items() if value != self.totals[key]}


def sniff(data: bytes) -> Kind | None:
    """The kind of container, None for what is none."""
    return next((kind for head, kind in _HEADS if data.startswith(head)), None)


def damaged(name: str, where: str, found: str, expected: str, hint: str = AGAIN) -> InputError:
    """The error for what can't be read: where (an entry, an offset), what was found and expected, what to do."""
    return InputError(f"{name}: {where}: found {found}, expected {expected}", hint)


def open_pairs(pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    """The first of each key; keys that may hold an address or a secret are left out."""
    result: dict[str, str] = {}
    for key, value in pairs:
        if not SECRET.search(key):
            result.setdefault(key, value)
    return result


def on_one_line(pairs: Iterable[tuple[str, str]]) -> tuple[dict[str, str], list[str]]:
    """Totals that a comment line can say, the first of each key; and sentences on those that break the line."""
    kept: dict[str, str] = {}
    notes: list[str] = []
    for key, value in pairs:
        if len(f"{key}={value}".splitlines()) == 1:
            kept.setdefault(key, value)
        else:
            notes.append(f"the total {key!r} has a line break in it: passed over, and left as it is")
    return kept, notes


def check_restated(totals: Mapping[str, str], restated: Mapping[str, str] | None) -> dict[str, str]:
    """What of `restated` differs from `totals`.

    Raises
    ------
    Fault : a key that `totals` has not, or a text of more than one line.
    """
    wanted = dict(restated or {})
    for key, value in wanted.items():
        if key not in totals:
            raise Fault(f"restated {key!r}: the container states no such total")
        if "\n" in value or "\r" in value:
            raise Fault(f"restated {key!r}: a text of more than one line")
    return {key: value for key, value in wanted.items() if value != totals[key]}
