"""Where commands that write a treated file write it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from gcodetools.cli.options import buries, expect_folder
from gcodetools.cli.process import discard_stdout, stdout_is_closed
from gcodetools.edit.treated import Treated
from gcodetools.errors import CannotWrite, UsageError
from gcodetools.gcode.containers.base import PACKED, Kind
from gcodetools.jobs.apply import Options
from gcodetools.jobs.sources import Subset

__all__ = ["check_out", "ending_notes", "options_of", "taken", "to_stdout"]

_TREAT_KEYS = (
    "only", "half", "again", "allow_none", "verify", "keep_times", "unpacked", "plate", "material", "machine", "sets",
)  # fmt: skip
_ENDINGS: dict[str, Kind] = {".bgcode": "binary", ".3mf": "package", ".gz": "gz"}


def taken(given: dict[str, Any]) -> dict[str, Any]:
    """What `options.treat_options` gave, taken out of `given`, where the common options stay."""
    return {key: given.pop(key) for key in _TREAT_KEYS}


def options_of(kits: tuple[Path, ...], chosen: dict[str, Any]) -> Options:
    """How a plate is treated, by what was `taken`.

    Raises
    ------
    UsageError : `--only` that makes no sense.
    """
    rest = {key: value for key, value in chosen.items() if key not in ("only", "half")}
    return Options(kits, subset=Subset.parse(chosen["only"], chosen["half"]), **rest)


def to_stdout(data: bytes) -> None:
    """Write the treated file to standard output.

    Raises
    ------
    CannotWrite : it is closed, its reader is gone, or the disk behind it is full.
    """
    if stdout_is_closed():
        raise CannotWrite("-o -: can't write: standard output is closed", "Name a file with -o.")
    try:
        # Without a buffer (PYTHONUNBUFFERED) a write may take only part of it.
        left = memoryview(data)
        while left:
            left = left[sys.stdout.buffer.write(left) :]
        sys.stdout.buffer.flush()
    except OSError as error:
        discard_stdout()
        raise CannotWrite(
            f"-o -: can't write all of it: {error.strerror}", "What was written is not the whole file."
        ) from None


def check_out(
    out: Path,
    file: Path,
    others: tuple[Path, ...],
    own: str = "the sliced file itself",
    hint: str = "Name another, or use `beadwright post`.",
    other: str = "the kit itself",
) -> None:
    """Refuse an output that can't be written or would bury what the user made.

    Parameters
    ----------
    others : further files that are read. own, other : what `file` and these are called; hint : what to do instead.

    Raises
    ------
    UsageError : a folder, `file`, one of `others`. CannotWrite : its folder is not there.
    """
    expect_folder(out)
    if out.is_dir():
        raise UsageError(f"-o {out}: a folder, expected a file name", f"For example -o {out / file.name}.")
    if buries(out, [file]):
        raise UsageError(f"-o {out}: {own}", hint)
    if buries(out, others):
        raise UsageError(f"-o {out}: {other}", "Name another file.")


def ending_notes(out: Path, file: Path, treated: Treated) -> list[str]:
    """A sentence where the ending of `out` says another thing than what is written; FILE's own ending may."""
    container = treated.original.container
    kind = container.kind if container is not None and treated.packed is not None else None
    ending = out.suffix.lower()
    told = _ENDINGS.get(ending)
    if str(out) == "-" or told == kind or not ending or (kind and ending == file.suffix.lower()):
        return []
    if kind is not None:
        return [
            f"-o {out}: {PACKED[kind]} is written, as FILE is, and the ending {ending} says another; "
            "--unpacked writes plain text"
        ]
    told_as = f", which says {PACKED[told]}" if told is not None else ""
    return [f"-o {out}: plain text is written under the ending {ending}{told_as}"]
