"""What a process owes its surroundings: signals, and a standard output that nobody reads."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

__all__ = ["discard_stdout", "ignore_signals", "uninterrupted"]

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
