"""Which files a batch treats, and what their results are called.

Folders are walked for sliced files by ending and content; what a file's name says and its head does not is left out
and counted. Results mirror sub folders: `sub/a.gcode` becomes `sub/a-treated.gcode`, its record and page lie beside it.
"""

from __future__ import annotations

import json
import os
import re
import stat
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import field
from pathlib import Path, PurePosixPath

from gcodetools.errors import InputError, UsageError
from gcodetools.gcode.containers.base import sniff
from gcodetools.records import dataclass

__all__ = [
    "PLATE_SCHEMA",
    "Left",
    "Lot",
    "Source",
    "is_packed",
    "lot_of",
    "outputs_of",
    "page_of",
    "printable",
    "split_name",
]

PLATE_SCHEMA = "beadwright.batch_plate/1"
TREATED = "-treated"
_TEXTS = (".gcode", ".gco", ".g", ".nc")
_SURE = (".gcode", ".gco", ".bgcode")  # what a slicer alone writes: damage in one is worth an error
_ENDING = re.compile(r"(?i)(?<=.)((?:\.(?:gcode|gco|g|nc))?\.(?:3mf|bgcode|gz)|\.(?:gcode|gco|g|nc))$")
_PRINT = re.compile(rb"(?m)^[ \t]*(?:N\d+[ \t]*)?G0*[123]\b[^;\r\n]*E[-+.\d]")
_HEAD_BYTES = 1 << 18
_SNIFFED_BYTES = 16
_RECORD_BYTES = 1 << 12
_LISTED = 20


@dataclass(frozen=True, slots=True)
class Source:
    """A file to treat. name : what its results are called after, with the folders they lie in, by slashes."""

    path: Path
    name: str
    size: int

    @property
    def shown(self) -> str:
        """As messages and tables name it."""
        return printable(str(self.path))


@dataclass(frozen=True, slots=True)
class Left:
    """A file that is left out, and why."""

    file: str
    why: str


@dataclass(slots=True)
class Lot:
    """What was found. left : files that look like sliced ones and are none. others : how many files of folders do not
    even look like it."""

    sources: list[Source] = field(default_factory=list)
    left: list[Left] = field(default_factory=list)
    others: int = 0


def printable(text: str) -> str:
    """A name whose bytes are no UTF-8, in letters that can be written out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def split_name(name: str) -> tuple[str, str]:
    """A file's name without its ending, and the ending: `("a", ".gcode.gz")`."""
    found = _ENDING.search(name)
    if found is None:
        path = PurePosixPath(name)
        return path.stem, path.suffix
    return name[: found.start()], name[found.start() :]


def outputs_of(name: str) -> dict[str, str]:
    """Names of the results of a source's name: `treated`, `record` and `page`."""
    path = PurePosixPath(name)
    stem, ending = split_name(path.name)
    treated = str(path.with_name(f"{stem}{TREATED}{ending}"))
    return {"treated": treated, "record": f"{treated}.json", "page": f"{treated}.html"}


def page_of(name: str, number: int) -> str:
    """The page of a plate of several, by the name of a file's page; number : 0 where the file has one plate."""
    return f"{name.removesuffix('.html')}.plate{number}.html" if number else name


def is_packed(path: Path | str) -> bool:
    """Whether a file is a container, by what it begins with."""
    try:
        with Path(path).open("rb") as file:
            return sniff(file.read(_SNIFFED_BYTES)) is not None
    except OSError:
        return False  # the job says what is the matter with it


def lot_of(given: Sequence[Path], listed: Path | None, folder: Path) -> Lot:
    """What files, folders and a list of them name, in order of the names of their results.

    Parameters
    ----------
    given : files, which are taken whatever they are called or hold, and folders, which are walked. listed : a file
    with one more of them a line, counting from its folder. folder : where results go; never walked.

    Raises
    ------
    UsageError : nothing is named, results go where files come from, or two would be called the same.
    InputError : the list is unreadable, or no sliced file was found.
    """
    named = [*given, *(_listed_in(listed) if listed is not None else [])]
    if not named:
        raise UsageError("no file or folder named, expected some to treat", "Name them, or give --list FILE.")
    lot = Lot()
    roots = [path for path in named if os.path.isdir(path)]  # noqa: PTH112 (never raises)
    for path in named:
        if path in roots:
            _walk(path, _lead(path, roots), folder, lot)
        else:
            lot.sources.append(Source(path, path.name, _size(path)))
    lot.sources = sorted(_once(lot.sources), key=lambda one: (one.name, str(one.path)))
    _refuse_doubles(lot.sources)
    if not lot.sources and not lot.left:
        raise InputError(
            f"{', '.join(printable(str(path)) for path in named[:3])}: no sliced file found, looked for "
            f"{', '.join((*_TEXTS, '.3mf', '.bgcode', '.gz'))}",
            "Check the path, or name the files.",
        )
    return lot


def _listed_in(path: Path) -> list[Path]:
    try:
        lines = path.read_bytes().decode("utf-8", "surrogateescape").removeprefix("\ufeff").splitlines()
    except OSError as error:
        raise InputError(
            f"--list {path}: can't be read: {error.strerror}", "It is a text file with a path a line."
        ) from None
    texts = [line.strip() for line in lines]
    return [path.parent / text for text in texts if text and not text.startswith("#")]


def _lead(root: Path, roots: Sequence[Path]) -> str:
    """Where a folder's results go: straight into the output's, or below its own name where there are several.

    Raises
    ------
    UsageError : two folders have one name.
    """
    if len({os.path.realpath(one) for one in roots}) == 1:
        return ""
    name = os.path.basename(os.path.realpath(root))  # noqa: PTH119
    for other in roots:
        real = os.path.realpath(other)
        if real != os.path.realpath(root) and os.path.basename(real).casefold() == name.casefold():  # noqa: PTH119
            raise UsageError(
                f"{root} and {other}: two folders with one name, and results go below it",
                "Treat them one after the other into two folders, or name the folder above both.",
            )
    return f"{name}/"


def _walk(root: Path, lead: str, folder: Path, lot: Lot) -> None:
    """Add what lies in a folder; hidden files, links to folders and the output's folder are left out."""
    if os.path.realpath(root) == os.path.realpath(folder):
        raise UsageError(
            f"-o {folder}: the folder that is read",
            f"Name another, for example {root.resolve().name}-treated.",
        )
    for path, entry in _entries(root, os.path.realpath(folder), lot):
        name = lead + path.relative_to(root).as_posix()
        if split_name(path.name)[1].lower() not in _known():
            lot.others += 1
            continue
        why = _why_none(path)
        if why:
            lot.left.append(Left(printable(str(path)), why))
        elif not _is_result(path):
            lot.sources.append(Source(path, name, entry.st_size))


def _entries(root: Path, folder: str, lot: Lot) -> Iterator[tuple[Path, os.stat_result]]:
    """The plain files below a folder, in order of their names, folder by folder."""
    waiting = [root]
    while waiting:
        here = waiting.pop()
        try:
            with os.scandir(here) as found:
                entries = sorted(found, key=lambda one: one.name)
        except OSError as error:
            lot.left.append(Left(printable(str(here)), f"can't be read: {error.strerror}"))
            continue
        below = []
        for entry in entries:
            if entry.name.startswith("."):
                continue
            path = here / entry.name
            try:
                if entry.is_dir(follow_symlinks=False):
                    if os.path.realpath(path) != folder:
                        below.append(path)
                    continue
                state = entry.stat()
            except OSError as error:
                lot.left.append(Left(printable(str(path)), f"can't be read: {error.strerror}"))
                continue
            if stat.S_ISDIR(state.st_mode):
                lot.left.append(Left(printable(str(path)), "a link to a folder, which is not followed"))
            elif stat.S_ISREG(state.st_mode):
                yield path, state
        waiting += reversed(below)


def _known() -> tuple[str, ...]:
    packed = (".3mf", ".bgcode", ".gz")
    return (*_TEXTS, *packed, *(text + ending for text in _TEXTS for ending in packed))


def _why_none(path: Path) -> str:
    """Why a file with such an ending is no sliced print; "" if it may be one."""
    ending = split_name(path.name)[1].lower()
    if ending in _SURE:
        return ""
    if ending == ".gz":
        return "compressed, and not G-code by its name"
    if ending.endswith((".gz", ".bgcode")):
        return ""
    try:
        if ending.endswith(".3mf"):
            with zipfile.ZipFile(path) as package:
                held = any(name.lower().endswith(".gcode") for name in package.namelist())
            return "" if held else "a package without G-code in it"
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
        told = sniff(head) is not None or _PRINT.search(head) is not None
        return "" if told else "no move that extrudes in its head"
    except (OSError, zipfile.BadZipFile, NotImplementedError, ValueError):
        return ""  # the job says what is the matter with it


def _is_result(path: Path) -> bool:
    """Whether a record of ours beside the file says that a batch made it."""
    if not split_name(path.name)[0].endswith(TREATED):
        return False
    try:
        with path.with_name(f"{path.name}.json").open("rb") as file:
            head = file.read(_RECORD_BYTES)
    except OSError:
        return False
    return json.dumps(PLATE_SCHEMA).encode() in head


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0  # the job says what is the matter with it


def _once(sources: Sequence[Source]) -> list[Source]:
    """Each file once: under the name it has itself, else the first by which a link leads there."""
    found: dict[str, Source] = {}
    for one in sources:
        real = os.path.realpath(one.path)
        known = found.get(real)
        if known is None or (known.path.is_symlink() and not one.path.is_symlink()):
            found[real] = one
    return list(found.values())


def _refuse_doubles(sources: Sequence[Source]) -> None:
    seen: dict[str, Source] = {}
    for one in sources:
        # Some systems don't tell a from A.
        treated = outputs_of(one.name)["treated"]
        other = seen.setdefault(treated.casefold(), one)
        if other is not one:
            raise UsageError(
                f"{other.shown} and {one.shown}: both would become {printable(treated)}",
                "Name the folders they lie in instead, or treat them into two folders.",
            )
