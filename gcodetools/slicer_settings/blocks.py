"""Settings that a sliced file carries in its comments: plain ones, a key a line, and those in pieces.

Pieces are lines that each hold a stretch of one JSON text, whose strings hold INI lines in turn; a value may be cut
by the end of a piece and then has several spans.
"""

from __future__ import annotations

import bisect
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace

from gcodetools.gcode.scan import read_program
from gcodetools.marks.conventions import Convention, load_convention
from gcodetools.marks.recognise import recognise
from gcodetools.marks.settings import statement_comments
from gcodetools.marks.sifter import Sifter
from gcodetools.marks.types import Marks
from gcodetools.slicer_settings.document import BLANKS, Document, Item, Joined, Stated
from gcodetools.slicer_settings.ini import statements_of
from gcodetools.slicer_settings.json_spans import tokens
from gcodetools.slicer_settings.tables import tables

__all__ = ["read_blocks", "read_pairs"]


def read_blocks(data: bytes, name: str, letter: str | None = None) -> Document:
    """The settings in a sliced file's comments.

    Parameters
    ----------
    letter : of the convention, where it is not to be told from the marks.

    Raises
    ------
    InputError : no text.
    """
    program = read_program(data, name)
    marks = recognise(program)
    sifter = Sifter(program)
    document = _read(data, name, sifter, marks, load_convention(letter or marks.convention))
    if document.stated or letter is not None:
        return document
    # A block of settings alone, without the marks by which its convention is told.
    others = [_read(data, name, sifter, marks, load_convention(table.letter)) for table in tables()]
    known = [sum(s.key in table.known for s in d.stated) for d, table in zip(others, tables(), strict=True)]
    return others[known.index(max(known))] if max(known) else document


def read_pairs(pairs: Mapping[str, str], name: str, letter: str | None) -> Document:
    """Settings that a container states beside its text, in no line of a file.

    Parameters
    ----------
    letter : of the convention that the marks of the text tell.
    """
    told = [
        [one.encode("utf-8", "surrogateescape").decode("latin-1") for one in pair] for pair in pairs.items()
    ]
    stated = tuple(Stated(key, "", 0, (Item(value.strip(BLANKS), 0),)) for key, value in told)
    return Document(name, b"", "metadata", stated, letter)


def _read(data: bytes, name: str, sifter: Sifter, marks: Marks, table: Convention) -> Document:
    """The settings that comments of one convention hold."""
    stated = list(_plain(sifter, table, marks))
    joined, notes = None, []
    if table.pieces is not None:
        joined = _joined(sifter, table.pieces)
        found, why = _pieces(sifter, table.pieces, joined)
        stated += found
        notes += [why] if why else []
    return Document(name, data, "sliced", tuple(stated), table.letter, joined, (), tuple(notes))


def _plain(sifter: Sifter, table: Convention, marks: Marks) -> Iterator[Stated]:
    patterns = [re.compile(pattern, re.ASCII) for pattern in table.settings]
    for index in statement_comments(sifter, table, marks):
        text = sifter.raw(index).decode("latin-1")
        found = next((m for pattern in patterns if (m := pattern.fullmatch(text))), None)
        if found is None:
            continue
        value, start = found["value"], int(sifter.start[index]) + found.start("value")
        start += len(value) - len(value.lstrip(BLANKS))
        item = Item(value.strip(BLANKS), start)
        yield Stated(found["key"].strip(BLANKS), "", int(sifter.line[index]) + 1, (item,))


def _joined(sifter: Sifter, head: str) -> Joined:
    size, at, source = 0, [], []
    for index in sifter.starting(head).tolist():
        at.append(size)
        source.append(int(sifter.start[index]) + len(head))
        size += len(sifter.raw(index)) - len(head)
    return Joined(tuple(at), tuple(source), size)


def _pieces(sifter: Sifter, head: str, joined: Joined) -> tuple[list[Stated], str]:
    """Statements in the pieces, and what is wrong with them if anything is."""
    indices = sifter.starting(head).tolist()
    text = b"".join(sifter.raw(index)[len(head) :] for index in indices).decode("latin-1")
    lines = [int(sifter.line[index]) + 1 for index in indices]
    try:
        document = json.loads(text) if text else {}
    except (ValueError, RecursionError):
        return [], f"the JSON in pieces from line {lines[0]} on is no JSON: it is left out"
    if not isinstance(document, dict):
        return [], f"the JSON in pieces from line {lines[0]} on holds no settings: it is left out"
    found: list[Stated] = []
    depth, key, tool, is_key = 0, "", 0, True
    for token in tokens(text):
        if token.kind == "mark":
            depth += (token.text in "{[") - (token.text in "}]")
            if token.text == "[":
                tool = 0
            elif token.text == ":":
                is_key = False
            elif token.text == ",":
                is_key, tool = depth == 1, tool + (depth == 2)
        elif is_key and depth == 1:
            key = token.text
        elif token.kind == "text" and depth in (1, 2):
            number = tool if depth == 2 else None
            section = key if number is None else f"{key}[{number}]"
            found += statements_of(token.text, token.start, section, number)
    pieces = [bisect.bisect_right(joined.at, one.items[0].start) - 1 for one in found]
    return [replace(one, line=lines[piece]) for one, piece in zip(found, pieces, strict=True)], ""
