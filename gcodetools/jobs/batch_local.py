"""A batch on this machine: a process a core, no more plates at once than memory holds.

A process that dies takes its own plate with it and no other: each is told by the pipe it answers on. A plate whose
process died beside others is tried once more with the machine to itself.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Generator, Sequence
from pathlib import Path
from typing import Any, Self

from gcodetools.errors import Fault, Refused
from gcodetools.jobs.batch_files import is_packed, page_of
from gcodetools.jobs.batch_plate import FAULT_STATUS, failed

__all__ = ["budget_bytes", "cores", "free_bytes", "needed_bytes", "run_local", "treat_apart"]

Record = dict[str, Any]
Results = Generator[tuple[int, Record], None, None]

# Peak of a process over what it reads, on a plate of a million lines and 25 MB with four treatments in every layer:
# 10 times for `apply`, 15 with strength, 23 with the page; some more for plates that are less kind.
_IDLE_BYTES = 120 << 20
_APPLY_TIMES, _PAGE_TIMES = 18, 30
_PACKED_TIMES = 5  # text over its container; deflate makes G-code four to five times smaller
_SHARE = 0.75  # of the free memory; the rest is for whatever else runs
_LARGE_BYTES = 1 << 30  # of a need, above which a process is ended after the plate, lest it keeps the memory
_GRACE_S = 3.0  # for a process that is asked to end, before it is made to
_PATIENCE_S = 20.0  # for a process that is writing a plate's results when all is to end
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
_START = "import sys; sys.path[:] = sys.argv[1:]; from gcodetools.jobs.batch_worker import main; main()"


def cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def needed_bytes(task: Record) -> int:
    """Memory that a plate takes at most, by the size of its file."""
    text = task["bytes"] * (_PACKED_TIMES if is_packed(task["path"]) else 1)
    return int(_IDLE_BYTES + text * (_PAGE_TIMES if task["report"] else _APPLY_TIMES))


def free_bytes() -> int | None:
    """Memory that is free, by the system and by the group this process is held in; None where nothing says."""
    told = [value for value in (_available(), _left_of_group()) if value is not None]
    return min(told, default=None)


def _available() -> int | None:
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) << 10
    return None


def _left_of_group() -> int | None:
    """What the control groups of Linux (version 2) leave; their files are described with the kernel."""
    with contextlib.suppress(OSError, ValueError, IndexError, StopIteration):
        lines = Path("/proc/self/cgroup").read_text(encoding="utf-8").splitlines()
        own = next(line.removeprefix("0::/") for line in lines if line.startswith("0::/"))
        root = Path("/sys/fs/cgroup")
        folders = [root / own, *(root / own).parents]
        left = [_left_of(one) for one in folders if one == root or root in one.parents]
        return min((value for value in left if value is not None), default=None)
    return None


def _left_of(folder: Path) -> int | None:
    with contextlib.suppress(OSError, ValueError, StopIteration):
        most = int((folder / "memory.max").read_text(encoding="ascii"))
        used = int((folder / "memory.current").read_text(encoding="ascii"))
        lines = (folder / "memory.stat").read_text(encoding="ascii").splitlines()
        cached = next(int(line.split()[1]) for line in lines if line.startswith("inactive_file "))
        return most - used + cached
    return None


class _Worker:
    """A process with its pipes; started when a task comes, and anew where it is gone."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._said: Any = None
        self._lock = threading.Lock()
        self._over = False

    def _started(self) -> subprocess.Popen[bytes]:
        with self._lock:
            if self._over:
                raise Fault("a worker was asked to work behind its end", "")
            if self._process is not None and self._process.poll() is None:
                return self._process
            self._drop()
            self._said = tempfile.TemporaryFile()  # noqa: SIM115 (closed with the process)
            apart: Any = {"start_new_session": True} if os.name == "posix" else {"creationflags": 0x200}
            # Its own session: Ctrl-C is for the one who started the batch, who then ends the workers in order.
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _START, *sys.path],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._said,
                env={**os.environ, **dict.fromkeys(_THREADS, "1")},
                **apart,
            )
        if not self._line(self._process):
            cause = self._last_words()
            raise Fault(f"a worker process does not start: {cause}", "Try `beadwright apply` on one file.")
        return self._process

    def _line(self, process: subprocess.Popen[bytes]) -> Record | None:
        assert process.stdout is not None
        line = process.stdout.readline()
        return json.loads(line) if line.endswith(b"\n") else None

    def _last_words(self) -> str:
        self._said.seek(0)
        lines = self._said.read().decode("utf-8", "replace").strip().splitlines()
        return str(lines[-1]) if lines else "it said nothing"

    def _drop(self) -> None:
        """Let go of the pipes of a process that is gone."""
        pipes = () if self._process is None else (self._process.stdin, self._process.stdout)
        for pipe in (*pipes, self._said):
            if pipe is not None:
                with contextlib.suppress(OSError, ValueError):
                    pipe.close()

    def treat(self, task: Record) -> Record:
        """The result of a task; `memory` in it where the process did not live to tell and another try may help."""
        process = self._started()
        assert process.stdin is not None
        result = None
        with _Clock(process, task.get("limit_s")) as clock, contextlib.suppress(OSError, ValueError):
            process.stdin.write(json.dumps(task).encode() + b"\n")
            process.stdin.flush()
            result = self._line(process)
            if result is not None and "writing" in result:
                clock.stop()
                result = self._line(process)
        if clock.over:
            self.wait(time.monotonic() + _PATIENCE_S)
        if result is not None:
            return result
        status = process.wait()
        if clock.over:
            return _too_long(task)
        how = f"by signal {-status}" if status < 0 else f"with status {status}"
        if status == -9:
            how += ", as the system does where memory runs out"
        hint = "Give --jobs 1, or treat the plate alone with `beadwright apply` to see more."
        return {**failed(FAULT_STATUS, f"{task['file']}: its process ended {how}", hint), "memory": True}

    def close_input(self) -> None:
        """Let the process end once its task is done."""
        process = self._process
        if process is not None and process.stdin is not None:
            with contextlib.suppress(OSError, ValueError):
                process.stdin.close()

    def end(self, *, asked: bool) -> None:
        """Tell the process to end. asked : at once, but not while it writes results."""
        with self._lock:
            self._over = True
        if asked and self._process is not None:
            with contextlib.suppress(OSError):
                self._process.terminate()
        self.close_input()

    def wait(self, deadline: float) -> None:
        """Wait for the end, not beyond a time of the clock, and clean up."""
        if self._process is None:
            return
        try:
            self._process.wait(max(deadline - time.monotonic(), 0.1))
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._drop()

    def restart(self) -> None:
        """End the idle process; the next task gets a fresh one."""
        self.close_input()
        if self._process is not None:
            self._process.wait()


class _Clock:
    """Ends a process that takes longer than a limit: asks it to, and soon makes it. over : it was asked."""

    def __init__(self, process: subprocess.Popen[bytes], limit_s: float | None) -> None:
        self.over = False
        self._process = process
        self._timers = []
        if limit_s is not None:
            self._timers = [
                threading.Timer(limit_s, self._ask),
                threading.Timer(limit_s + _GRACE_S, process.kill),
            ]

    def _ask(self) -> None:
        self.over = True
        with contextlib.suppress(OSError):
            self._process.terminate()

    def __enter__(self) -> Self:
        for timer in self._timers:
            timer.daemon = True
            timer.start()
        return self

    def __exit__(self, *error: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Let it take what time it takes from here on."""
        for timer in self._timers:
            timer.cancel()


def _too_long(task: Record) -> Record:
    return failed(
        Refused.status,
        f"{task['file']}: not done within {task['limit_s']:g} s (--time-limit), so its process was ended",
        "Nothing was written for it. Give a longer limit, or see with `beadwright apply -v` where the time goes.",
    )


def treat_apart(task: Record) -> Record:
    """The result of a task, bytes and all, from a process of its own; see `batch_plate.treat`.

    Raises
    ------
    Fault : the process does not start.
    """
    with tempfile.TemporaryDirectory(prefix="beadwright-") as folder:
        targets = {kind: str(Path(folder) / kind) for kind in ("treated", "page", "record")}
        worker = _Worker()
        try:
            result = worker.treat({**task, "targets": targets})
        finally:
            worker.end(asked=False)
            worker.wait(time.monotonic() + _PATIENCE_S)
        if result["state"] != "done":
            return result
        plates = [int(row.get("plate", 0)) for row in result["rows"]]
        pages = {number: Path(page_of(targets["page"], number)) for number in plates}
        return {
            **result,
            "record": json.loads(Path(targets["record"]).read_bytes()),
            "treated": Path(targets["treated"]).read_bytes(),
            "pages": {number: path.read_bytes() for number, path in pages.items() if path.exists()},
        }


def run_local(tasks: Sequence[Record], jobs: int, budget: int | None) -> Results:
    """The number and the result of each task, in the order in which they are done; large plates are begun first.

    Closing it early ends the processes: a plate whose results are being written is finished, others are dropped.

    Parameters
    ----------
    tasks : see `batch_plate.treat`, with `bytes` of the file, `targets`, the paths to write to, and `limit_s`, seconds
    it may take or None. jobs : processes at
    most. budget : bytes of memory for all, None for no bound; a plate that needs more runs alone.

    Raises
    ------
    Fault : a process does not start.
    """
    bench = _Bench(tasks, min(jobs, len(tasks)), budget)
    try:
        while bench.left():
            yield from bench.step()
    finally:
        bench.close()


class _Bench:
    """Who works on what. waiting : numbers of tasks, the largest first. again : those that want the machine to
    themselves. beside : those that did not have it."""

    def __init__(self, tasks: Sequence[Record], jobs: int, budget: int | None) -> None:
        self.tasks, self.budget = tasks, budget
        self.needs = [needed_bytes(task) for task in tasks]
        self.waiting = sorted(range(len(tasks)), key=lambda k: (-self.needs[k], k))
        self.again: list[int] = []
        self.beside: set[int] = set()
        self.running: dict[int, _Worker] = {}
        self.workers = [_Worker() for _ in range(jobs)]
        self.free = list(self.workers)
        self.told: queue.SimpleQueue[tuple[int, Record | BaseException]] = queue.SimpleQueue()

    def left(self) -> bool:
        """Whether there is anything to do or to wait for."""
        return bool(self.waiting or self.running or self.again)

    def step(self) -> Results:
        """Begin what can begin, wait for one to end."""
        while self.free and (number := self._next()) is not None:
            self._begin(number)
        try:
            # In pieces, as some systems hear no Ctrl-C while they wait.
            number, result = self.told.get(timeout=1.0)
        except queue.Empty:
            return
        self.free.append(self.running.pop(number))
        if isinstance(result, BaseException):
            raise result
        if result.pop("memory", False) and number in self.beside:
            self.beside.discard(number)
            self.again.append(number)
        else:
            yield number, result

    def _next(self) -> int | None:
        """The next task that fits into memory beside those that run."""
        if not self.running:
            queue_ = self.waiting or self.again
            return queue_.pop(0) if queue_ else None
        taken = sum(self.needs[k] for k in self.running)
        for number in self.waiting:
            if self.budget is None or taken + self.needs[number] <= self.budget:
                self.waiting.remove(number)
                return number
        return None

    def _begin(self, number: int) -> None:
        worker = self.free.pop(0)
        if self.running:
            self.beside |= {number, *self.running}
        self.running[number] = worker
        threading.Thread(target=self._serve, args=(worker, number), daemon=True).start()

    def _serve(self, worker: _Worker, number: int) -> None:
        result: Record | BaseException
        try:
            result = worker.treat(self.tasks[number])
            if self.needs[number] > _LARGE_BYTES:
                worker.restart()
        except BaseException as error:  # told where it is waited for
            result = error
        self.told.put((number, result))

    def close(self) -> None:
        """End all processes."""
        early = bool(self.running)
        for worker in self.workers:
            worker.end(asked=early)
        deadline = time.monotonic() + _PATIENCE_S
        for worker in self.workers:
            worker.wait(deadline)


def budget_bytes() -> int | None:
    """Memory that a batch takes for itself; None where nothing says how much is free."""
    free = free_bytes()
    return None if free is None else int(free * _SHARE)
