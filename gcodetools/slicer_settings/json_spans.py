"""JSON with the place of each value.

The json module tells what a file says, not where; to change a number and no other byte its place is needed, so this
scans the text itself. Whether it is JSON at all is json's to say, and so are its words for what is wrong. A test
holds both against each other.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any, NamedTuple

from gcodetools.errors import InputError
from gcodetools.slicer_settings.document import Item, Stated

__all__ = ["Token", "read_json", "tokens"]

# One token: blanks before it, then a string (its inside), a mark, or a number or word.
_TOKEN = re.compile(
    r'[ \t\r\n]*+(?:"(?P<text>[^"\\]*+(?:\\.[^"\\]*+)*+)"|(?P<mark>[{}\[\]:,])|(?P<word>[-+.\w]++))',
    re.DOTALL,
)
_BOM = "\xef\xbb\xbf"
_SCALARS = ("text", "word")


class Token(NamedTuple):
    """kind : "text", "mark" or "word". start, end : of what `text` is, quotation marks left out."""

    kind: str
    text: str
    start: int
    end: int


def tokens(text: str, at: int = 0) -> Iterator[Token]:
    """The tokens of a JSON text in order; whatever is none ends it."""
    while found := _TOKEN.match(text, at):
        kind, at = found.lastgroup or "", found.end()
        start, end = found.span(kind)
        yield Token(kind, found[kind], start, end)


def read_json(data: bytes, name: str) -> list[Stated]:
    """The statements of a JSON object: its keys, and those of objects in it, one level deep. A deeper value is stated
    without items.

    Raises
    ------
    InputError : no JSON, with line and column; or no object.
    """
    _check(data, name)
    text = data.decode("latin-1")
    start = len(_BOM) if text.startswith(_BOM) else 0
    return list(_Walk(text, start).statements())


def _check(data: bytes, name: str) -> Any:
    """What json makes of it.

    Raises
    ------
    InputError : see `read_json`.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    try:
        value = json.loads(text)
    except json.JSONDecodeError as error:
        where = f"{name}:{error.lineno}:{error.colno}"
        cut = (
            "; the file seems cut off" if not text[error.pos :].strip() or "Unterminated" in error.msg else ""
        )
        raise InputError(
            f"{where}: no JSON: {error.msg[:1].lower()}{error.msg[1:]}{cut}",
            "Export the settings again, or mend the file at the place named.",
        ) from None
    except (RecursionError, ValueError) as error:
        what = "nested too deep" if isinstance(error, RecursionError) else str(error).split(";")[0]
        raise InputError(f"{name}: no JSON of settings: {what}", "Export the settings again.") from None
    if not isinstance(value, dict):
        kind = "a list" if isinstance(value, list) else "a single value"
        raise InputError(
            f'{name}: JSON, but {kind}; expected an object of settings ({{"key": value, ...}})',
            "Name the file that holds the settings themselves.",
        )
    return value


class _Walk:
    """Reads statements off the tokens of a text that json has found valid."""

    def __init__(self, text: str, at: int) -> None:
        self.tokens = tokens(text, at)
        self.text = text
        self.line, self.counted = 1, 0

    def statements(self) -> Iterator[Stated]:
        next(self.tokens)
        yield from self.object(None)

    def object(self, section: str | None) -> Iterator[Stated]:
        """The statements of an object whose brace is read already; section : None at the top."""
        for token in self.tokens:
            if token.kind == "mark" and token.text == "}":
                return
            if token.kind == "mark":
                continue
            key, line = _plain(token.text), self.line_of(token.start)
            next(self.tokens)  # the colon
            value = next(self.tokens)
            if value.kind in _SCALARS:
                yield Stated(key, section or "", line, (_item(value),))
            elif value.text == "[":
                items = self.items()
                yield Stated(key, section or "", line, items or (), is_list=True, whole=items is not None)
            elif section is not None:
                self.skip()
                yield Stated(key, section, line, (), whole=False)
            else:
                yield from self.object(key)

    def items(self) -> tuple[Item, ...] | None:
        """The items of a list whose bracket is read; None where it holds more than scalars."""
        found: list[Item] = []
        flat = True
        for token in self.tokens:
            if token.kind in _SCALARS:
                found.append(_item(token))
            elif token.text == "]":
                return tuple(found) if flat else None
            elif token.text != ",":
                flat = False
                self.skip()
        return None

    def skip(self) -> None:
        """Pass over what an opening mark, just read, begins."""
        depth = 1
        for token in self.tokens:
            if token.kind == "mark":
                depth += (token.text in "[{") - (token.text in "]}")
            if depth == 0:
                return

    def line_of(self, place: int) -> int:
        self.line += self.text.count("\n", self.counted, place)
        self.counted = place
        return self.line


def _item(token: Token) -> Item:
    return Item(token.text, token.start, quoted=token.kind == "text")


def _plain(text: str) -> str:
    """A string without its escapes, Latin-1 like the text it is from."""
    if "\\" not in text:
        return text
    raw = text.encode("latin-1")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    value: str = json.loads(f'"{text}"', strict=False)
    return value.encode("utf-8", "surrogatepass").decode("latin-1")
