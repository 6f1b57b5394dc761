"""INI-like files: `key = value` lines under `[sections]`, comments behind `;` or `#`.

A line that is indented deeper than the key before it goes on with that key's value, as configparser has it; such a
value has no span to be changed. Only `=` parts a key from its value. Nothing is unescaped, nothing put in for
`%(...)s`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from gcodetools.slicer_settings.document import BLANKS, Item, Stated

__all__ = ["read_ini", "statements_of"]

_LINE = re.compile(r"([^\r\n]*)(?:\r\n|\r|\n|\Z)")
_SECTION = re.compile(r"[ \t\f\v]*\[(.+)\]")
_BOM = "\xef\xbb\xbf"


def read_ini(data: bytes) -> tuple[list[Stated], list[int]]:
    """Statements of a file, and the lines that are none, nor section, comment or blank."""
    text = data.decode("latin-1")
    start = len(_BOM) if text.startswith(_BOM) else 0
    found: list[Stated] = []
    odd: list[int] = []
    section, indent = "", -1
    for number, (line, at) in enumerate(_lines(text, start), 1):
        bare = line.strip(BLANKS)
        if not bare:
            continue
        if bare[0] in ";#":
            continue
        depth = len(line) - len(line.lstrip(BLANKS))
        if found and indent >= 0 and depth > indent:
            found[-1] = replace(found[-1], whole=False)
            continue
        head = _SECTION.match(line)
        stated = None if head else _stated(line, at, section, number)
        if head:
            section, indent = head[1].strip(BLANKS), -1
        elif stated is None:
            odd.append(number)
            indent = -1
        else:
            found.append(stated)
            indent = depth
    return found, odd


def _lines(text: str, at: int) -> Iterator[tuple[str, int]]:
    while at < len(text):
        found = _LINE.match(text, at)
        assert found is not None
        yield found[1], at
        at = found.end()


def _stated(line: str, at: int, section: str, number: int) -> Stated | None:
    key, equals, value = line.partition("=")
    if not equals or not key.strip(BLANKS):
        return None
    begin = len(key) + 1 + len(value) - len(value.lstrip(BLANKS))
    return Stated(key.strip(BLANKS), section, number, (Item(value.strip(BLANKS), at + begin),))


_BREAK = re.compile(r"(?:\\\\|\\)n")


def statements_of(text: str, at: int, section: str, tool: int | None) -> list[Stated]:
    """Statements of INI lines that stand inside one text, its line breaks written as `\\n`; their line is left 0.

    Parameters
    ----------
    text : what is inside the quotation marks, as spelled. at : where it begins, in joined pieces.
    """
    found: list[Stated] = []
    inner, begin = "", 0
    for end in [*(one.span() for one in _BREAK.finditer(text)), (len(text), len(text))]:
        part = text[begin : end[0]]
        head = _SECTION.match(part)
        if head:
            inner = head[1].strip(BLANKS)
        else:
            stated = _stated(part, at + begin, f"{section} {inner}".strip(BLANKS), 0)
            if stated is not None:
                found.append(replace(stated, tool=tool, joined=True))
        begin = end[1]
    return found
