"""A file of settings as it stands: its bytes, and each statement in it with the span of its value.

Texts are Latin-1 readings of the bytes, one character a byte, so that a place in a text is a place in the file; what
people are shown goes through `shown`. Lines count from 1.
"""

from __future__ import annotations

import bisect
import re
from typing import Literal

from gcodetools.records import dataclass

__all__ = [
    "BLANKS",
    "Document",
    "Item",
    "Joined",
    "Stated",
    "hidden",
    "shown",
    "shown_section",
    "shown_value",
]

Form = Literal["ini", "json", "sliced", "metadata"]
Span = tuple[int, int]
HIDDEN = "(hidden)"
# Not all that `str.strip` takes: in Latin-1 the second byte of an "à" counts as a blank.
BLANKS = " \t\r\n\f\v"
_SHOWN = 60
# Whatever may name a machine in a network, a person or a key to either.
_PRIVATE = re.compile(
    r"host|passw|passphrase|pwd|psk|api_?key|token|bearer|secret|credential|user|login|auth|cafile|certificate|"
    r"url(?!ed)|serial_?port|serial_?n|serial$|uuid|ssid|e_?mail|address|cloud|account|"
    r"(?:^|[_\W])(?:ip|pin|key|pass|mac)(?:[_\W]|$)",
    re.IGNORECASE,
)
# A name and a password before a host, or an address, whatever the key is called; or a text that says what it is.
_ADDRESS = re.compile(
    r"\w+://|\b\d{1,3}(?:\.\d{1,3}){3}\b|[\w.]+@[\w-]+\.\w|\b(?:passw|api_?key|token\b|bearer\b|secret)|"
    r"\b[0-9a-f]{2}(?::[0-9a-f]{2}){5}\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Item:
    """A value or one of several: its text, and where that begins in the file, or in what was joined of pieces.

    quoted : it stood in quotation marks of JSON, which are no part of `text`.
    """

    text: str
    start: int
    quoted: bool = False


@dataclass(frozen=True, slots=True)
class Joined:
    """Text joined of pieces of a file.

    at : where each piece begins in the joined text, ascending. source : where it begins in the file. size : of the
    whole.
    """

    at: tuple[int, ...]
    source: tuple[int, ...]
    size: int

    def spans(self, start: int, end: int) -> tuple[Span, ...]:
        """Where a stretch of the joined text stands in the file; of an empty one, one empty span."""
        found = []
        piece = max(bisect.bisect_right(self.at, start) - 1, 0)
        while start < end and piece < len(self.at):
            stop = min(end, self.at[piece + 1] if piece + 1 < len(self.at) else self.size)
            shift = self.source[piece] - self.at[piece]
            if stop > start:
                found.append((start + shift, stop + shift))
            start, piece = max(start, stop), piece + 1
        shift = self.source[max(piece - 1, 0)] - self.at[max(piece - 1, 0)]
        return tuple(found) or ((start + shift, start + shift),)


@dataclass(frozen=True, slots=True)
class Stated:
    """A key and what stands behind it.

    section : what it stands under, "" at the top. line : 0 where it stands in none, but in a container. items : one,
    or those of a list. whole : false where the value goes on over lines or is nested deeper, so that it has no span to
    be changed. tool : the tool a list of sections is for. joined : places count in joined pieces.
    """

    key: str
    section: str
    line: int
    items: tuple[Item, ...]
    is_list: bool = False
    whole: bool = True
    tool: int | None = None
    joined: bool = False

    @property
    def text(self) -> str:
        """The value as one line."""
        return ", ".join(item.text for item in self.items)


@dataclass(frozen=True, slots=True)
class Document:
    """What was read of a file.

    letter : the convention that comments of a sliced file tell, None for other files. odd_lines : of an INI file,
    lines that are neither statement nor section nor comment. notes : sentences on what was odd. packed : the kind of
    container it came in. plate : which of several in that.
    """

    name: str
    data: bytes
    form: Form
    stated: tuple[Stated, ...]
    letter: str | None = None
    joined: Joined | None = None
    odd_lines: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    packed: str | None = None
    plate: int | None = None

    def spans(self, stated: Stated, start: int, end: int) -> tuple[Span, ...]:
        """Bytes of the file for a stretch of an item of `stated`."""
        if stated.joined and self.joined is not None:
            return self.joined.spans(start, end)
        return ((start, end),)


def hidden(key: str, text: str = "") -> bool:
    """Whether a value is none of our business: its key or itself looks like a host, a person or a password."""
    return bool(_PRIVATE.search(key) or _ADDRESS.search(text))


def shown_section(text: str) -> str:
    """A section's name as people read it, hidden where it holds an address."""
    return HIDDEN if _ADDRESS.search(text) or re.search(r"\.local\b", text) else shown(text)


def shown(text: str, most: int = _SHOWN) -> str:
    """A text from the file as people read it: UTF-8 where it is that, cut, no control characters."""
    raw = text.encode("latin-1", "replace")
    try:
        said = raw.decode("utf-8")
    except UnicodeDecodeError:
        said = text
    if "://" in said:  # a line that is an address, parted at its own `=`
        return HIDDEN
    said = "".join(one if one.isprintable() else "?" for one in said)
    return said if len(said) <= most else said[: most - 3] + "..."


def shown_value(key: str, text: str, most: int = _SHOWN) -> str:
    """A value as people read it, hidden where it looks private."""
    return HIDDEN if text.strip(" \"'") and hidden(key, text) else shown(text, most)
