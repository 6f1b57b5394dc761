"""Show a slicer's settings in our own names: what each is, which key says it, what is not told."""

from __future__ import annotations

import difflib
from fractions import Fraction
from pathlib import Path
from typing import Any

from gcodetools.errors import UsageError
from gcodetools.marks.conventions import load_convention
from gcodetools.records import dataclass
from gcodetools.slicer_settings.document import Document, Stated, hidden, shown, shown_section, shown_value
from gcodetools.slicer_settings.names import NAMES
from gcodetools.slicer_settings.opening import open_settings, read_settings
from gcodetools.slicer_settings.readings import Profile, Reading, read_profile
from gcodetools.slicer_settings.tables import Guess, Table, recognise, table_of, tables

__all__ = ["Opened", "Way", "open_profile", "reopen", "show_profile", "told_of", "warnings_of"]

_NAMED = 6
_ENOUGH = 0.5  # of the most keys that any table knows: a block may stand in a file without marks


@dataclass(frozen=True, slots=True)
class Way:
    """How a file is read. convention : a letter, None to tell it. section : the statements under it alone. tool : the
    tool meant, as in T0, None for all. plate : which one, where a package holds several."""

    convention: str | None = None
    section: str | None = None
    tool: int | None = None
    plate: int | None = None


@dataclass(frozen=True, slots=True)
class Opened:
    """A profile and how its convention was told. known : how many of the file's `keys` the table knows."""

    profile: Profile
    how: str
    known: int
    keys: int

    @property
    def document(self) -> Document:
        return self.profile.document


def open_profile(path: Path, way: Way) -> Opened:
    """Read a file of settings.

    Raises
    ------
    InputError : no settings, or of no convention that is known. UsageError : no such convention, section or tool.
    """
    return _opened(open_settings(path, _letter(way), way.plate), way)


def reopen(data: bytes, opened: Opened, way: Way) -> Opened:
    """Read changed bytes of a file as it was read before.

    Raises
    ------
    InputError : they can't be read.
    """
    letter = opened.profile.table.letter
    document = read_settings(data, opened.document.name, opened.document.letter and letter)
    return _opened(document, Way(letter, way.section, way.tool))


def _letter(way: Way) -> str | None:
    return None if way.convention is None else table_of(way.convention).letter


def _opened(document: Document, way: Way) -> Opened:
    keys = {one.key for one in document.stated}
    table, how = _table(document, keys, way)
    known = len(keys & table.known)
    _check_section(document, way.section)
    profile = read_profile(document, table, way.section)
    if way.tool is not None and not 0 <= way.tool < profile.tools:
        tools = "T0 only" if profile.tools == 1 else f"T0 to T{profile.tools - 1}"
        raise UsageError(f"--tool {way.tool}: {document.name} has settings for {tools}", "Name one of these.")
    return Opened(profile, how, known, len(keys))


def _table(document: Document, keys: set[str], way: Way) -> tuple[Table, str]:
    """The table to read by, and how it was told.

    Raises
    ------
    InputError : see `tables.recognise`.
    """
    if way.convention is not None:
        return table_of(way.convention), "named on the command line"
    if document.letter is not None:
        told = next((table for table in tables() if table.letter == document.letter), None)
        most = max(len(keys & table.known) for table in tables())
        # One that is only asked where no marks tell any is as good as none.
        marked = told is not None and not load_convention(told.letter).fallback
        if told is not None and marked and len(keys & told.known) > _ENOUGH * most:
            return told, "by the marks of the sliced file"
    guess: Guess = recognise(keys, document.name)
    alike = [guess.table.letter, *guess.alike]
    letter = document.letter if document.letter in alike else guess.table.letter
    alike.remove(letter)
    more = f"; {' and '.join(alike)} mean{'s' * (len(alike) == 1)} the same by them" if alike else ""
    return table_of(letter), f"by its keys: {guess.matched} of {guess.keys} are known{more}"


def _check_section(document: Document, section: str | None) -> None:
    if section is None:
        return
    known = list(dict.fromkeys(one.section for one in document.stated if one.section))
    if section.lower() in (one.lower() for one in known):
        return
    close = difflib.get_close_matches(section, known, 1)
    near = f"; nearest {shown_section(close[0])!r}" if close else ""
    there = ", ".join(map(shown_section, known[:_NAMED])) or "none"
    raise UsageError(f"--section {section}: no such section in {document.name}{near}", f"There are: {there}.")


def show_profile(path: Path, way: Way, every: bool = False) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of a file of settings.

    Parameters
    ----------
    every : list the keys without a name of ours too.

    Raises
    ------
    InputError, UsageError : see `open_profile`.
    """
    opened = open_profile(path, way)
    profile, document = opened.profile, opened.document
    unknown = profile.unknown
    record: dict[str, Any] = {
        "schema": "beadwright.profile-show/1",
        **told_of(opened, way),
        "settings": [_setting(name, found, way.tool) for name, found in profile.readings.items()],
        "conflicts": [conflict.sentence for conflict in profile.conflicts],
        "unknown": {"count": len({one.key for one in unknown})},
    }
    if every:
        record["unknown"]["keys"] = [_raw(one) for one in unknown]
    if document.odd_lines:
        record["odd_lines"] = list(document.odd_lines)
    return record, [*warnings_of(opened), *_odd(document)]


def warnings_of(opened: Opened) -> list[str]:
    """What is odd about the settings of a file."""
    said = [conflict.sentence for conflict in opened.profile.conflicts]
    return [*opened.document.notes, *said, *opened.profile.uneven]


def told_of(opened: Opened, way: Way) -> dict[str, Any]:
    """What every record of a profile begins with."""
    record: dict[str, Any] = {
        "file": opened.document.name,
        "form": opened.document.form,
        "convention": opened.profile.table.letter,
        "recognised": opened.how,
        "keys": opened.keys,
        "known": opened.known,
        "tools": opened.profile.tools,
    }
    if opened.document.packed is not None:
        record["packed"] = opened.document.packed
    if opened.document.plate is not None:
        record["plate"] = opened.document.plate
    if way.tool is not None:
        record["tool"] = way.tool
    sections = list(
        dict.fromkeys(shown_section(one.section) for one in opened.document.stated if one.section)
    )
    if sections:
        record["sections"] = sections
    return record


def _odd(document: Document) -> list[str]:
    lines = document.odd_lines
    if not lines:
        return []
    more = f" and {len(lines) - _NAMED} more" if len(lines) > _NAMED else ""
    told = ", ".join(map(str, lines[:_NAMED]))
    return [f"{document.name}: lines that are neither `key = value` nor section nor comment: {told}{more}"]


def _setting(name: str, found: tuple[Reading, ...], tool: int | None) -> dict[str, Any]:
    mine = [r for r in found if tool is None or r.tool is None or r.tool == tool]
    return {
        "name": name,
        "about": NAMES[name].about,
        "unit": NAMES[name].unit,
        "values": [_value(reading) for reading in mine],
    }


def _value(reading: Reading) -> dict[str, Any]:
    record: dict[str, Any] = {
        "key": shown(reading.key),
        **_line(reading.stated),
        "text": reading.text,
        "state": reading.state,
    }
    if reading.value is not None:
        value = reading.value
        record["value"] = round(float(value), 9) if isinstance(value, Fraction) else value
    for key, told in (("tool", reading.tool), ("step", reading.step)):
        if told is not None:
            record[key] = told
    if reading.stated.section:
        record["section"] = shown_section(reading.stated.section)
    if reading.base is not None:
        record["follows"] = shown(reading.base.key)
    return record


def _line(stated: Stated) -> dict[str, Any]:
    return {"line": stated.line} if stated.line else {}


def _raw(stated: Stated) -> dict[str, Any]:
    text = stated.text if stated.whole else f"{stated.text} ..."
    record: dict[str, Any] = {
        "key": shown(stated.key),
        "value": shown_value(stated.key, text),
        **_line(stated),
    }
    if stated.section:
        record["section"] = shown_section(stated.section)
    if hidden(stated.key, text):
        record["hidden"] = True
    return record
