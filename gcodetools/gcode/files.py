"""Reads and writes whole files.

What can't be treated is refused by name; an original is never left half-written.
"""

from __future__ import annotations

import contextlib
import difflib
import errno
import os
import secrets
import stat
import time
from pathlib import Path

from gcodetools.errors import CannotWrite, InputError

__all__ = ["RENAME_RETRY_S", "read_bytes", "write_atomic"]

RENAME_RETRY_S = 5.0
_ZIP = b"PK\x03\x04"
_GZIP = b"\x1f\x8b"
_BLOCKED = b"GCDE"


def read_bytes(path: Path | str) -> bytes:
    """The file's bytes.

    Raises
    ------
    InputError : missing, a directory, not readable, empty, a binary container, a zip package, or text with
        NUL bytes.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        near = _nearest(path)
        raise InputError(f"{path}: no such file", near or "Check the path.") from None
    except IsADirectoryError:
        raise InputError(f"{path}: a folder, expected a sliced file", "Name one file in it.") from None
    except PermissionError:
        raise InputError(f"{path}: no permission to read it", "Check the file's permissions.") from None
    except OSError as error:
        reason = error.strerror or error.__class__.__name__
        raise InputError(
            f"{path}: can't be read: {reason}", "Copy it to a local folder and try again."
        ) from None
    check_text(data, str(path))
    return data


def _nearest(path: Path) -> str:
    try:
        names = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
    except OSError:
        names = []
    close = difflib.get_close_matches(path.name, names, 1)
    return f"Did you mean {close[0]}?" if close else ""


def check_text(data: bytes, name: str) -> None:
    """Refuse what is no G-code text.

    Raises
    ------
    InputError : with what it is and what to do.
    """
    if not data.strip():
        raise InputError(
            f"{name}: empty, expected G-code", "Slice again; the export may have been interrupted."
        )
    if data.startswith(_ZIP):
        raise InputError(
            f"{name}: a zip package (3MF or the like), expected plain G-code text",
            "Export plain G-code from the slicer, or unpack the plate's .gcode from the package.",
        )
    if data.startswith(_GZIP):
        raise InputError(
            f"{name}: gzip-compressed, expected plain G-code text", "Unpack it with gunzip first."
        )
    if data.startswith(_BLOCKED):
        raise InputError(
            f"{name}: a binary G-code container, expected plain G-code text",
            "Switch binary G-code off in the slicer's printer settings and export again.",
        )
    nul = data.find(b"\0")
    if nul >= 0:
        line = data.count(b"\n", 0, nul) + 1
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            raise InputError(f"{name}: UTF-16 text, expected UTF-8 or ASCII", "Save it as UTF-8.")
        raise InputError(
            f"{name}:{line}: a NUL byte (offset {nul}); binary data or a damaged file, expected G-code text",
            "Export plain G-code from the slicer again.",
        )


def _errno_reason(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "the disk is full"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "no permission, or another program holds it open"
    if error.errno == errno.EROFS:
        return "the folder is read-only"
    return error.strerror or error.__class__.__name__


def write_atomic(path: Path | str, data: bytes) -> None:
    """Write `data` so that `path` holds its old content or all of the new at any moment.

    The bytes go to a temporary file in the same folder, nameless until complete where the system can do
    that, are flushed to the disk and renamed over `path`. Permissions are kept; a symbolic link stays one.

    Raises
    ------
    CannotWrite : with the cause; the original is as it was.
    """
    target = Path(path).resolve() if Path(path).is_symlink() else Path(path)
    temporary = target.with_name(f".{target.name}.{os.getpid()}-{secrets.token_hex(4)}.beadwright")
    try:
        mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else None
        if mode is not None and not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, "no permission to write")
        _write_flushed(target.parent, temporary, data, mode)
        _rename(temporary, target)
    except OSError as error:
        raise CannotWrite(
            f"{path}: can't write: {_errno_reason(error)}", "Nothing was changed. Free it and run again."
        ) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()
    _flush_folder(target.parent)


def _write_flushed(folder: Path, temporary: Path, data: bytes, mode: int | None) -> None:
    """Write and flush under the name `temporary`, which appears only once the file is whole if possible."""
    nameless = getattr(os, "O_TMPFILE", 0)
    descriptor = -1
    if nameless and Path("/proc/self/fd").is_dir():
        with contextlib.suppress(OSError):
            descriptor = os.open(folder, os.O_WRONLY | nameless, 0o666)
    named = descriptor < 0
    if named:
        descriptor = os.open(
            temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666
        )
    try:
        view = memoryview(data)
        while view:
            view = view[os.write(descriptor, view[: 1 << 26]) :]
        if mode is not None and hasattr(os, "fchmod"):
            os.fchmod(descriptor, mode)
        os.fsync(descriptor)
        if not named:
            os.link(f"/proc/self/fd/{descriptor}", temporary, follow_symlinks=True)
    finally:
        os.close(descriptor)
    if named and mode is not None:
        temporary.chmod(mode)


def _rename(temporary: Path, target: Path) -> None:
    """Rename, trying for some seconds where another program holds the target open."""
    deadline = time.monotonic() + RENAME_RETRY_S
    while True:
        try:
            temporary.replace(target)
            return
        except PermissionError:
            if time.monotonic() >= deadline:
                raise
            time.sleep(0.1)


def _flush_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
