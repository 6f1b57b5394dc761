"""Where the time and the memory of a job go: looked at from a thread of its own every few milliseconds."""

from __future__ import annotations

import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

PERIOD_S = 0.002
TOLD = 3  # places told of a job
PACKAGE = str(Path(__file__).resolve().parents[2] / "gcodetools")
IDLE = {"wait", "acquire", "_worker", "result", "join", "select", "_wait_for_tstate_lock"}


def resident_bytes() -> int:
    """What the process holds now; 0 where the system does not tell."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * 4096
    except OSError:
        return 0


def _place(frame: FrameType | None) -> str | None:
    """The package's innermost module at work in a thread; None for one that waits or is not at its work."""
    if frame is None or frame.f_code.co_name in IDLE:
        return None
    while frame is not None:
        name = frame.f_code.co_filename
        if name.startswith(PACKAGE):
            return name[len(PACKAGE) + 1 : -3].replace("/", ".")
        frame = frame.f_back
    return None


class Sampler:
    """Counts modules at work, both cores', while it is entered; and keeps the place of the highest memory."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self.peak_bytes, self.peak_at = 0, ""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Sampler:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        own = threading.get_ident()
        while not self._stop.is_set():
            frames: dict[int, Any] = sys._current_frames()
            places = [found for ident, frame in frames.items() if ident != own and (found := _place(frame))]
            del frames
            self.counts.update(places)
            held = resident_bytes()
            if held > self.peak_bytes and places:
                self.peak_bytes, self.peak_at = held, places[0]
            time.sleep(PERIOD_S)

    def told(self) -> str:
        """`edit.audit 21 %, gcode.scan 18 %, ...`: shares of the time in which a core was at work."""
        whole = sum(self.counts.values())
        return ", ".join(f"{name} {100 * n / whole:.0f} %" for name, n in self.counts.most_common(TOLD))


def where_time(job: Callable[[], object]) -> str:
    """The modules in which a job spends most of its time, with their shares."""
    with Sampler() as seen:
        job()
    return seen.told()


def where_memory(job: Callable[[], object]) -> str:
    """The module that is at work when a job holds most."""
    with Sampler() as seen:
        job()
    return f"highest in {seen.peak_at}" if seen.peak_at else ""
