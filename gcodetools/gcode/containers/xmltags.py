"""Start tags of a small XML part with their places, so that an attribute can be changed byte for byte.

A document type or an entity is refused, so that nothing can expand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.parsers import expat
from xml.sax.saxutils import escape

from gcodetools.gcode.containers.base import damaged
from gcodetools.records import dataclass

__all__ = ["Tag", "read_tags", "with_attributes"]


@dataclass(frozen=True, slots=True)
class Tag:
    """A start tag: its name, its attributes, bytes [begin, end); parent : index of the tag it stands in, or -1."""

    name: str
    attributes: dict[str, str]
    begin: int
    end: int
    parent: int


class _Forbidden(Exception):
    """A document type."""


def read_tags(data: bytes, name: str, entry: str) -> list[Tag]:
    """All start tags in order.

    Raises
    ------
    InputError : no XML in UTF-8, or with a document type.
    """
    tags: list[Tag] = []
    stack: list[int] = []
    parser = expat.ParserCreate()

    def start(tag: str, attributes: dict[str, str]) -> None:
        begin = parser.CurrentByteIndex
        tags.append(Tag(tag, attributes, begin, _tag_end(data, begin), stack[-1] if stack else -1))
        stack.append(len(tags) - 1)

    def forbid(*_: object) -> None:
        raise _Forbidden

    def declared(version: str, encoding: str | None, standalone: int) -> None:
        if (encoding or "utf-8").lower() not in ("utf-8", "us-ascii", "ascii"):
            raise _Forbidden

    parser.StartElementHandler = start
    parser.EndElementHandler = lambda _: stack.pop()
    parser.StartDoctypeDeclHandler = forbid
    parser.EntityDeclHandler = forbid
    parser.XmlDeclHandler = declared
    try:
        data.decode("utf-8")
        parser.Parse(data, True)
    except _Forbidden:
        found = f"a document type, entities or another encoding in line {parser.CurrentLineNumber}"
        raise damaged(name, entry, found, "plain XML in UTF-8") from None
    except (expat.ExpatError, UnicodeDecodeError) as error:
        raise damaged(name, entry, f"no XML ({error})", "XML in UTF-8") from None
    return tags


def _tag_end(data: bytes, begin: int) -> int:
    """Behind the `>` of the tag that begins there; quotes may hold one."""
    found = re.compile(rb"<[^\"'>]*(?:\"[^\"]*\"[^\"'>]*|'[^']*'[^\"'>]*)*>").match(data, begin)
    return found.end() if found else len(data)


def with_attributes(data: bytes, changes: Iterable[tuple[Tag, str, str]]) -> bytes:
    """The part with new values of attributes (tag, attribute, value); every other byte is the same."""
    edits = []
    for tag, attribute, value in changes:
        pattern = rb"\s" + re.escape(attribute.encode()) + rb"\s*=\s*(?:\"([^\"]*)\"|'([^']*)')"
        found = re.compile(pattern).search(data, tag.begin, tag.end)
        if found:
            group = 1 if found.group(1) is not None else 2
            text = escape(value, {'"': "&quot;", "'": "&apos;"}).encode("utf-8")
            edits.append((*found.span(group), text))
    for begin, end, text in sorted(edits, reverse=True):
        data = data[:begin] + text + data[end:]
    return data
