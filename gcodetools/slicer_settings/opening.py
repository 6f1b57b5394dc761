"""Opens a file of settings, whatever it is: INI-like, JSON, or a sliced file, whose comments or container hold them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from gcodetools.errors import InputError, UsageError
from gcodetools.gcode.containers.base import Container, sniff
from gcodetools.gcode.files import check_text, read_raw
from gcodetools.slicer_settings.blocks import read_blocks, read_pairs
from gcodetools.slicer_settings.document import Document
from gcodetools.slicer_settings.ini import read_ini
from gcodetools.slicer_settings.json_spans import read_json

__all__ = ["EXPECTED", "open_settings", "read_settings"]

EXPECTED = "a slicer's settings (INI-like or JSON) or a sliced file that holds them"
_HINT = "Export the settings of the print, or name the sliced file."
_BOM = b"\xef\xbb\xbf"
_LOOKED_AT = 1 << 21
_COMMAND = re.compile(rb"^[ \t]*[GMTgmt]-?[0-9]+(?=[ \t\r\n.;]|\Z)", re.MULTILINE)
_PAIR = re.compile(rb"^[ \t]*+[^;#(\[\s=][^=\r\n]{0,200}=", re.MULTILINE)
_JSON_LIST = re.compile(rb"\[\s*(?:[\[{\"\]]|-?[0-9])")


def open_settings(path: Path | str, letter: str | None = None, plate: int | None = None) -> Document:
    """Read a file from disk, packed or not; see `read_settings`.

    Parameters
    ----------
    plate : which of several plates of a package.

    Raises
    ------
    InputError : unreadable, or no settings. UsageError : no such plate, or several and none is chosen.
    """
    path = Path(path)
    if path.is_dir():
        raise InputError(f"{path}: a folder, expected {EXPECTED}", "Name one file in it.")
    data = read_raw(path)
    if sniff(data) is not None:
        from gcodetools.gcode.containers.opening import open_container  # most files are none

        return _unpacked(open_container(data, str(path), plate), letter)
    if plate not in (None, 1):
        raise UsageError(f"{path}: no package, asked for plate {plate}", "Leave --plate out.")
    try:
        check_text(data, str(path))
    except InputError as error:
        if ": empty, " in error.cause:
            raise InputError(f"{path}: empty, expected {EXPECTED}", "Export it again.") from None
        # Whatever is no text at all is as little a file of settings as a sliced one.
        plain = error.cause.replace("expected G-code text", f"expected {EXPECTED}")
        raise (error if plain == error.cause else InputError(plain, _HINT)) from None
    return read_settings(data, str(path), letter)


def _unpacked(container: Container, letter: str | None) -> Document:
    """What a container's text states in its comments; where it states nothing, what the container does beside it.

    Raises
    ------
    InputError : neither states any.
    """
    name = container.name
    if container.kind == "gz":
        document = read_settings(container.text, name, letter)
    else:
        document = read_blocks(container.text, name, letter)
        # A binary container keeps all of them beside its text, where a stray comment may look like one.
        if container.settings and (container.kind == "binary" or not document.stated):
            document = read_pairs({**container.settings, **container.totals}, name, document.letter)
    notes = tuple(f"{name}: {note}" for note in container.notes)
    several = container.plate if len(container.plates) > 1 else None
    return _some(replace(document, packed=container.kind, plate=several, notes=(*notes, *document.notes)))


def read_settings(data: bytes, name: str, letter: str | None = None) -> Document:
    """Read settings from bytes.

    Parameters
    ----------
    letter : the convention of a sliced file's comments, where it is not to be told from its marks.

    Raises
    ------
    InputError : no settings in it, or JSON that is none.
    """
    start = data.removeprefix(_BOM).lstrip()
    if start.startswith(b"{"):
        return _some(Document(name, data, "json", tuple(read_json(data, name))))
    if _JSON_LIST.match(start):
        raise InputError(f"{name}: a JSON list, expected {EXPECTED}", _HINT)
    head = data[:_LOOKED_AT]
    commands, pairs = len(_COMMAND.findall(head)), len(_PAIR.findall(head))
    if pairs > commands:
        stated, odd = read_ini(data)
        return _some(Document(name, data, "ini", tuple(stated), None, None, tuple(odd)))
    return _some(read_blocks(data, name, letter))


def _some(document: Document) -> Document:
    if not document.stated:
        raise InputError(f"{document.name}: no settings in it, expected {EXPECTED}", _HINT)
    return document
