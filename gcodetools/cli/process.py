"""What a process owes its surroundings: signals, and a standard output that nobody reads."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

__all__ = [
    "discard_stdout",
    "escape_what_has_no_character",
    "ignore_signals",
    "open_streams",
    "stdout_is_closed",
    "uninterrupted",
]

Handler = Callable[[int, FrameType | None], Any] | int | None
_SIGNALS = (signal.SIGINT, signal.SIGTERM)


@contextlib.contextmanager
def uninterrupted() -> Iterator[None]:
    """Ignore SIGINT and SIGTERM within: replacing a file and saying so is done whole or not begun."""
    before = ignore_signals()
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def ignore_signals() -> list[tuple[signal.Signals, Handler]]:
    """Ignore SIGINT and SIGTERM from now on; return what was before. Does nothing outside the main thread."""
    if threading.current_thread() is not threading.main_thread():
        return []
    return [(number, signal.signal(number, signal.SIG_IGN)) for number in _SIGNALS]


def discard_stdout() -> None:
    """Let what is left to flush go nowhere, so that the interpreter does not fail over it at its end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def open_streams() -> None:
    """Let standard streams that are closed go nowhere: a hook may run without any.

    Else a file that is opened next would get their number, and what is said would be written into it.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115


def escape_what_has_no_character() -> None:
    """Let streams write an escape for what their encoding has no character for: a console, or a pipe on Windows, may
    have 256 of them, and a file's name may hold any."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="backslashreplace")


def stdout_is_closed() -> bool:
    """Whether standard output was closed when the program began."""
    return getattr(sys.stdout, "name", None) == os.devnull
