"""YAML as Beadwright reads it: a tree of nodes in which every key and value knows its line and column.

Built from PyYAML's events (the C parser where there is one), never from its constructors, because those
follow YAML 1.1, honour tags and expand aliases unseen. Here scalars follow the core schema of YAML 1.2.2
(section 10.3.2): `1e3` and `-.5` are numbers, `on`, `yes` and `1:30` are text. Keys are always text. A
key that stands twice, a tag, a second document, a file that is no UTF-8, too large, too deep or too much
expanded by aliases is an `InputError` naming file and line. Lines and columns count from 1.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterator
from dataclasses import field
from pathlib import Path
from typing import Any

import yaml

from gcodetools.errors import InputError
from gcodetools.records import dataclass

__all__ = [
    "MAX_BYTES",
    "MAX_DEPTH",
    "MAX_NODES",
    "Entry",
    "Items",
    "Mapping",
    "Node",
    "Scalar",
    "load",
    "plain",
    "read_bytes",
    "scalar_value",
]

MAX_BYTES = 4_000_000  # a kit whose outlines have 50,000 points has half of it
MAX_DEPTH = 40  # a kit with solids nested ten deep needs 30
MAX_NODES = 200_000  # with aliases expanded

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_INTEGER = re.compile(r"[-+]?[0-9]+\Z|0o[0-7]+\Z|0x[0-9a-fA-F]+\Z")
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?\Z")
_INFINITE = re.compile(r"[-+]?\.(inf|Inf|INF)\Z")
_WORDS = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".nan", ".NaN", ".NAN"), float("nan")),
}
# YAML 1.2.2 section 5.1, c-printable.
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_SURROGATE = re.compile("[\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Scalar:
    """A value without parts. value : what the core schema makes of it. text : as it stands, unquoted."""

    line: int
    column: int
    value: str | int | float | bool | None
    text: str
    size: int = 1


@dataclass(frozen=True, slots=True)
class Items:
    """A list. size : nodes in it, aliases expanded, itself included."""

    line: int
    column: int
    items: tuple[Node, ...]
    size: int


@dataclass(frozen=True, slots=True)
class Entry:
    """A value under a key, with the key's place."""

    line: int
    column: int
    value: Node


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys and values in the order of the file. size : as in `Items`."""

    line: int
    column: int
    entries: dict[str, Entry]
    size: int


Node = Scalar | Items | Mapping


def load(source: Path | str | bytes, name: str | None = None, only: Collection[str] = ()) -> Node:
    """Read one YAML document.

    Parameters
    ----------
    source : a path, or the bytes themselves.
    name : what messages call it; the path unless given.
    only : what stands before the first other key of the outermost mapping is enough; nothing behind it is looked at.

    Raises
    ------
    InputError : unreadable, no UTF-8, no YAML, or beyond the bounds of this module.
    """
    if isinstance(source, bytes):
        data, name = source, name or "text"
    else:
        name = name or str(source)
        data = read_bytes(Path(source), name)
    text = _decode(data, name)
    try:
        return _Tree(name).build(yaml.parse(text, Loader=_Loader), only)
    except yaml.MarkedYAMLError as error:
        raise _syntax(error, text, name) from None
    except yaml.YAMLError as error:
        raise InputError(f"{name}: not YAML: {error}", "Check the file with a text editor.") from None


def plain(node: Node) -> Any:
    """The tree as dicts, lists and scalars, its places forgotten."""
    if isinstance(node, Mapping):
        return {key: plain(entry.value) for key, entry in node.entries.items()}
    if isinstance(node, Items):
        return [plain(item) for item in node.items]
    return node.value


def scalar_value(text: str) -> str | int | float | bool | None:
    """What the core schema makes of an unquoted scalar."""
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.match(text):
        return _integer(text)
    if _NUMBER.match(text):
        return float(text)
    if _INFINITE.match(text):
        return float("-inf" if text[0] == "-" else "inf")
    return text


def _integer(text: str) -> int | float:
    if len(text) > 18:  # beyond 64 bits it is no count of anything, and Python bounds int(text) anyway
        return float(text) if text[:2] not in ("0o", "0x") else float("inf")
    return int(text, {"0o": 8, "0x": 16}.get(text[:2], 10))


def read_bytes(path: Path, name: str) -> bytes:
    """The file's bytes, at most one more than MAX_BYTES.

    Raises
    ------
    InputError : no such file, a folder, or no permission.
    """
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"{name}: no such file", "Check the path.") from None
    except (OSError, ValueError) as error:
        if os.path.isdir(path):  # noqa: PTH112 (never raises); Windows says of a folder that it has no permission
            raise InputError(f"{name}: a folder, expected a YAML file", "Name a file in it.") from None
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{name}: can't be read: {reason}", "Check the path and its permissions.") from None


def _decode(data: bytes, name: str) -> str:
    if len(data) > MAX_BYTES:
        raise InputError(
            f"{name}: over {MAX_BYTES:,} bytes, expected a YAML file below that",
            "Is it really a kit or profile? Thin out long outlines.",
        )
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError(f"{name}:1: UTF-16 text, expected UTF-8", "Save the file as UTF-8.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{name}:{line}: byte 0x{data[error.start]:02x} is no UTF-8 text", "Save the file as UTF-8."
        ) from None
    odd = _UNPRINTABLE.search(text)
    if odd:
        line = text.count("\n", 0, odd.start()) + 1
        raise InputError(
            f"{name}:{line}: control character {ord(odd[0]):#04x}, expected text",
            "Is it a YAML file? Remove the character.",
        )
    return text


def _syntax(error: yaml.MarkedYAMLError, text: str, name: str) -> InputError:
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    lines = text.splitlines() or [""]
    if line > len(lines):  # the end of the file is found on the line after it
        line, column = len(lines), len(lines[-1]) + 1
    shown = lines[line - 1]
    problem = error.problem or "syntax error"
    if "\t" in shown[:column] and not shown[: column - 1].strip():
        return InputError(f"{name}:{line}: a tab in the indentation", "Indent with spaces.")
    context = f" ({error.context})" if error.context else ""
    hint = f"Near: {shown.strip()[:100]}" if shown.strip() else "Look at the lines before it."
    return InputError(f"{name}:{line}: column {column}: not YAML: {problem}{context}", hint)


@dataclass(slots=True)
class _Open:
    """A list or mapping whose end has not come yet."""

    line: int
    column: int
    anchor: str | None
    mapping: bool
    items: list[Node] = field(default_factory=list)
    entries: dict[str, Entry] = field(default_factory=dict)
    key: Scalar | None = None
    size: int = 1


class _Tree:
    """Builds nodes from events with a stack of its own, so that depth and size are bounded as they grow."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.open: list[_Open] = []
        self.anchors: dict[str, Node] = {}
        self.root: Node | None = None
        self.documents = 0
        self.total = 0

    def build(self, events: Iterator[Any], only: Collection[str] = ()) -> Node:
        for event in events:
            line, column = event.start_mark.line + 1, event.start_mark.column + 1
            if getattr(event, "tag", None) is not None:
                raise self._error(line, f"a tag ({event.tag}), expected plain YAML", "Remove the tag.")
            if isinstance(event, yaml.ScalarEvent):
                self._scalar(event, line, column)
                if only and len(self.open) == 1 and self._is_other(only):
                    return self._closed(self.open[0])
            elif isinstance(event, yaml.AliasEvent):
                self._alias(event, line)
            elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
                self._start(event, line, column)
            elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
                self._end()
            elif isinstance(event, yaml.DocumentStartEvent):
                self.documents += 1
                if self.documents > 1:
                    raise self._error(line, "a second document (---), expected one", "Split the file.")
        return self.root or Scalar(1, 1, None, "")

    def _error(self, line: int, cause: str, hint: str) -> InputError:
        return InputError(f"{self.name}:{line}: {cause}", hint)

    def _scalar(self, event: Any, line: int, column: int) -> None:
        if _SURROGATE.search(event.value):
            raise self._error(line, "half a character (a lone surrogate), expected text", "Write it in full.")
        value = event.value if event.style else scalar_value(event.value)
        self._place(Scalar(line, column, value, event.value), event.anchor)

    def _alias(self, event: Any, line: int) -> None:
        node = self.anchors.get(event.anchor)
        if node is None:
            raise self._error(
                line, f"*{event.anchor} names no value that ends above it", "Write the value out here."
            )
        self._place(node, None)

    def _start(self, event: Any, line: int, column: int) -> None:
        if len(self.open) >= MAX_DEPTH:
            raise self._error(line, f"nested more than {MAX_DEPTH} deep", "Write it flatter.")
        if self.open and self.open[-1].mapping and self.open[-1].key is None:
            raise self._error(line, "a list or mapping as a key, expected text", "Quote the key.")
        mapping = isinstance(event, yaml.MappingStartEvent)
        self.open.append(_Open(line, column, event.anchor, mapping))

    def _end(self) -> None:
        done = self.open.pop()
        node = self._closed(done)
        self.total -= done.size - 1  # its parts were counted as they came
        self._place(node, done.anchor)

    def _is_other(self, only: Collection[str]) -> bool:
        """Whether a key of the outermost mapping has come that is none of `only`."""
        key = self.open[0].key
        return key is not None and key.text not in only

    @staticmethod
    def _closed(done: _Open) -> Items | Mapping:
        if done.mapping:
            return Mapping(done.line, done.column, done.entries, done.size)
        return Items(done.line, done.column, tuple(done.items), done.size)

    def _place(self, node: Node, anchor: str | None) -> None:
        self.total += node.size
        if self.total > MAX_NODES:
            raise self._error(node.line, f"more than {MAX_NODES:,} values", "Shorten it; use fewer aliases.")
        if anchor:
            self.anchors[anchor] = node
        if not self.open:
            self.root = node
            return
        top = self.open[-1]
        if not top.mapping:
            top.items.append(node)
        elif top.key is None:
            top.key = self._key(top, node)
            return
        else:
            top.entries[top.key.text] = Entry(top.key.line, top.key.column, node)
            top.key = None
        top.size += node.size

    def _key(self, top: _Open, node: Node) -> Scalar:
        if not isinstance(node, Scalar):
            raise self._error(node.line, "a list or mapping as a key, expected text", "Quote the key.")
        before = top.entries.get(node.text)
        if before:
            raise self._error(
                node.line,
                f"key {node.text!r} stands twice, first on line {before.line}",
                "Keep one of them, or rename one.",
            )
        return node
