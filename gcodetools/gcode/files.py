"""Reads and writes whole files.

What can't be treated is refused by name; an original is never left half-written.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from pathlib import Path

from gcodetools.errors import CannotWrite, InputError

__all__ = ["RENAME_RETRY_S", "check_text", "read_bytes", "read_raw", "write_atomic"]

RENAME_RETRY_S = 5.0
_PIECE_BYTES = 1 << 26
_ZIP = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_BOM = b"\xef\xbb\xbf"
_GZIP = b"\x1f\x8b"
_BLOCKED = b"GCDE"


def read_bytes(path: Path | str) -> bytes:
    """The bytes of a text file.

    Raises
    ------
    InputError : missing, a directory, not readable, empty, a binary container, a zip package, or text with
        NUL bytes.
    """
    data = read_raw(path)
    check_text(data, str(path))
    return data


def read_raw(path: Path | str) -> bytes:
    """The bytes of a file, whatever they are.

    Raises
    ------
    InputError : missing, a directory, not readable.
    """
    path = Path(path)
    try:
        return path.read_bytes()
    except FileNotFoundError:
        near = _nearest(path)
        raise InputError(f"{path}: no such file", near or "Check the path.") from None
    except (IsADirectoryError, PermissionError):  # Windows says the latter of a folder too
        if os.path.isdir(path):  # noqa: PTH112 (never raises)
            raise InputError(f"{path}: a folder, expected a sliced file", "Name one file in it.") from None
        raise InputError(f"{path}: no permission to read it", "Check the file's permissions.") from None
    except OSError as error:
        reason = error.strerror or error.__class__.__name__
        raise InputError(
            f"{path}: can't be read: {reason}", "Copy it to a local folder and try again."
        ) from None


def _nearest(path: Path) -> str:
    try:
        names = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
    except OSError:
        names = []
    import difflib

    close = difflib.get_close_matches(path.name, names, 1)
    return f"Did you mean {close[0]}?" if close else ""


def check_text(data: bytes, name: str) -> None:
    """Refuse what is no G-code text.

    Raises
    ------
    InputError : with what it is and what to do.
    """
    if not data or data.removeprefix(_BOM).isspace() or data == _BOM:
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


_REASONS = {
    errno.ENOSPC: ("the disk is full", "Free some space and run again."),
    errno.EDQUOT: ("the disk quota is used up", "Free some space and run again."),
    errno.EFBIG: ("the file would be larger than allowed there", "Write to another folder."),
    errno.EACCES: (
        "no permission, or another program holds it open",
        "Close the other program or check the permissions of file and folder, then run again.",
    ),
    errno.EROFS: ("the folder is read-only", "Write to another folder."),
    errno.ENOENT: ("the folder does not exist", "Make the folder first, or check the path."),
    errno.ENOTDIR: ("a part of the path is no folder", "Check the path."),
    errno.EISDIR: ("it is a folder", "Name a file in it."),
    errno.ELOOP: ("symbolic links that go round in a circle", "Check the path."),
}
_REASONS[errno.EPERM] = _REASONS[errno.EACCES]


def _reason(error: OSError) -> tuple[str, str]:
    other = (error.strerror or error.__class__.__name__, "Try another folder, or run again.")
    return _REASONS.get(error.errno or 0, other)


def write_atomic(path: Path | str, data: bytes, *, instead_of: bytes | None = None) -> None:
    """Write `data` so that `path` holds its old content or all of the new at any moment.

    The bytes go to a temporary file in the same folder, nameless until complete where the system can do
    that, are flushed to the disk and renamed over `path`. Permissions and owner are kept; a symbolic link
    stays one. What is no regular file (a pipe, a device) is written to directly.

    Parameters
    ----------
    instead_of : what `path` has to hold until it is replaced; None takes whatever is there.

    Raises
    ------
    CannotWrite : with the cause; the original is as it was.
    """
    try:
        target = _real_target(Path(path))
        if instead_of is not None and not target.exists():
            raise CannotWrite(
                f"{path}: can't write: it is gone since it was read; nothing was written",
                "Look where it went, and run again.",
            )
        old = target.stat() if target.exists() else None
        if old is not None and stat.S_ISDIR(old.st_mode):
            raise IsADirectoryError(errno.EISDIR, "it is a folder")
        if old is not None and not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, "no permission to write")
        if old is not None and not stat.S_ISREG(old.st_mode):
            target.write_bytes(data)
            return
        _replace(target, data, old, instead_of)
    except CannotWrite:
        raise
    except OSError as error:
        cause, hint = _reason(error)
        raise CannotWrite(f"{path}: can't write: {cause}; nothing was changed", hint) from error
    _flush_folder(target.parent)


def _real_target(path: Path) -> Path:
    if not path.is_symlink():
        return path
    try:
        target = path.resolve()
    except RuntimeError:  # how Python up to 3.12 reports a circle; later ones return a link of it
        target = path
    if target.is_symlink():
        raise OSError(errno.ELOOP, "symbolic links in a circle")
    return target


def _replace(target: Path, data: bytes, old: os.stat_result | None, instead_of: bytes | None) -> None:
    # The name does not hold the target's: that may be as long as the file system allows.
    temporary = target.with_name(f".{os.getpid()}-{os.urandom(6).hex()}.beadwright")
    try:
        if not _write_nameless(temporary, data, old):
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
            descriptor = os.open(temporary, flags, 0o666)
            try:
                _fill(descriptor, data, old)
            finally:
                os.close(descriptor)
            if old is not None and not hasattr(os, "fchmod"):
                temporary.chmod(stat.S_IMODE(old.st_mode))
        if instead_of is not None and not _holds(target, instead_of):
            raise CannotWrite(
                f"{target}: can't write: it was changed since it was read; it stays as it is now",
                "Let the program that writes it finish, and run again.",
            )
        _rename(temporary, target)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def _holds(path: Path, data: bytes) -> bool:
    """Whether a file's bytes are these, read piece by piece."""
    view = memoryview(data)
    with path.open("rb") as file:
        while piece := file.read(_PIECE_BYTES):
            if view[: len(piece)] != piece:
                return False
            view = view[len(piece) :]
    return not view


def _write_nameless(temporary: Path, data: bytes, old: os.stat_result | None) -> bool:
    """Write a file that has no name until it is whole; False where the system can't."""
    if not hasattr(os, "O_TMPFILE"):
        return False
    try:
        descriptor = os.open(temporary.parent, os.O_WRONLY | os.O_TMPFILE, 0o666)
    except OSError:
        return False
    try:
        _fill(descriptor, data, old)
        return _link(descriptor, temporary)
    finally:
        os.close(descriptor)


def _link(descriptor: int, temporary: Path) -> bool:
    """Give a nameless file its name; False where the system can't."""
    try:
        # Without a folder's descriptor Python calls link(), which takes the entry in /proc for a file.
        folder = os.open("/proc/self/fd", os.O_RDONLY)
    except OSError:
        return False
    try:
        os.link(str(descriptor), temporary, src_dir_fd=folder, follow_symlinks=True)
    except OSError:
        return False
    finally:
        os.close(folder)
    return True


def _fill(descriptor: int, data: bytes, old: os.stat_result | None) -> None:
    """Write all of `data`, take over owner and permissions, flush to the disk."""
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view[:_PIECE_BYTES]) :]
    if old is not None and hasattr(os, "fchmod"):
        with contextlib.suppress(OSError):  # only the superuser may give a file away
            os.fchown(descriptor, old.st_uid, old.st_gid)
        os.fchmod(descriptor, stat.S_IMODE(old.st_mode))
    os.fsync(descriptor)


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
