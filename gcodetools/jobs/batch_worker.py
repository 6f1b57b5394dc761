"""A worker process of a batch: tasks come in by standard input, a line of JSON each, results go out by standard output.

What a plate needs of memory and what may kill its process stays here; whoever waits for the results sees the end of
the pipe. SIGTERM ends a worker between any two steps but not while it writes a plate's results.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections.abc import Iterator
from types import FrameType
from typing import Any, BinaryIO

from gcodetools._version import __version__
from gcodetools.gcode.arrays import keep_memory
from gcodetools.jobs.batch_plate import commit, treat

__all__ = ["WRITING", "main"]

WRITING = {"writing": True}  # from here on no limit of time counts, lest something is left half-written


def main() -> None:
    """Work until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _ended)
    keep_memory()
    # Whatever else prints must not get between the results.
    with os.fdopen(os.dup(sys.stdout.fileno()), "wb") as out:
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
        with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
            _tell(out, {"ready": __version__})
            for line in sys.stdin.buffer:
                _serve(json.loads(line), out)


def _serve(task: dict[str, Any], out: BinaryIO) -> None:
    result = treat(task)
    with _unended():
        with contextlib.suppress(BrokenPipeError):  # what is done is written even if nobody waits any more
            _tell(out, WRITING)
        _tell(out, commit(result, task["targets"]))


def _tell(out: BinaryIO, message: dict[str, Any]) -> None:
    out.write(json.dumps(message).encode() + b"\n")
    out.flush()


def _ended(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


@contextlib.contextmanager
def _unended() -> Iterator[None]:
    """Put an end off until the results of a plate are whole."""
    asked: list[int] = []
    before = signal.signal(signal.SIGTERM, lambda number, frame: asked.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
    if asked:
        raise KeyboardInterrupt
