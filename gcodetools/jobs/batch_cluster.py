"""A batch on a Dask cluster: plates and documents go out as bytes in plain dicts, results come back as bytes.

The library is optional (extra `cluster`) and loaded when first needed. A scheduler runs whatever code it is sent, so
it belongs on a network of one's own. A plate whose worker is lost is given to another by the scheduler.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import pkgutil
import secrets
from collections.abc import Callable, Generator, Mapping, Sequence
from typing import Any

from gcodetools._version import __version__
from gcodetools.errors import BeadwrightError, InputError, UsageError
from gcodetools.gcode.files import read_raw
from gcodetools.jobs.batch_local import treat_apart
from gcodetools.jobs.batch_plate import FAULT_STATUS, commit, failed, treat_sent

__all__ = ["run_on_cluster"]

Record = dict[str, Any]
Results = Generator[tuple[int, Record], None, None]

_PATIENCE_S = 10.0
_VERSION = "gcodetools._version:__version__"
_AHEAD = 2  # plates a thread that are on their way: one at work, one waiting, so that few are held in memory
_QUIET = {"distributed.admin.large-graph-warning-threshold": "1TB"}


def run_on_cluster(
    address: str,
    tasks: Sequence[Record],
    documents: Mapping[str, bytes],
    progress: Callable[[str], None],
) -> Results:
    """The number and the result of each task, in the order in which they come back; written by this process.

    Closing it early cancels what is on its way.

    Parameters
    ----------
    address : of the scheduler, such as tcp://host:8786. tasks : see `batch_plate.treat`, with `targets`, and `kits`,
    `material`, `machine` by the paths of `documents`.

    Raises
    ------
    UsageError : the library is not installed. InputError : nobody answers, there is no worker, one has another
    version, or the scheduler goes away.
    """
    dask, distributed = _libraries()
    client = _connected(distributed, address)
    try:
        progress(f"asking the workers at {address}")
        _check_workers(client, address)
        ahead = max(_AHEAD * sum(client.nthreads().values()), 1)
        with dask.config.set(_QUIET):
            yield from _Line(client, distributed, tasks, documents, address).run(ahead)
    finally:
        with contextlib.suppress(Exception):
            client.close()


def _libraries() -> tuple[Any, Any]:
    try:
        dask, distributed = (importlib.import_module(name) for name in ("dask", "distributed"))
    except ImportError:
        raise UsageError(
            "--cluster needs the library distributed, which is not installed",
            "pip install 'beadwright[cluster]', or leave --cluster out to use the cores of this machine.",
        ) from None
    # What it has to say of a connection that breaks is told by our errors.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    return dask, distributed


def _connected(distributed: Any, address: str) -> Any:
    try:
        return distributed.Client(address, timeout=_PATIENCE_S, set_as_default=False, name="beadwright")
    except (OSError, TimeoutError, ValueError) as error:
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            f"--cluster {address}: no Dask scheduler answers there: {why}",
            "Start one with `dask scheduler`; it prints its address, such as tcp://host:8786.",
        ) from None


def _check_workers(client: Any, address: str) -> None:
    """See that every worker has this version of Beadwright."""
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except TimeoutError:
        raise InputError(
            f"--cluster {address}: the scheduler has no worker", f"Start some with `dask worker {address}`."
        ) from None
    # A function of the standard library: a worker without Beadwright could not even load one of ours.
    told: Mapping[str, Any] = client.run(pkgutil.resolve_name, _VERSION, on_error="return")
    for worker, version in sorted(told.items()):
        if version != __version__:
            has = f"Beadwright {version}" if isinstance(version, str) else "no Beadwright"
            raise InputError(
                f"--cluster {address}: worker {worker} has {has}, expected {__version__} as here",
                f"On each machine: pip install beadwright=={__version__}.",
            )


class _Line:
    """What is on its way, out and back. waiting : numbers of tasks. again : those whose worker was lost: sent once
    more, one at a time, as a plate that ends its worker takes others there with it. futures : by what stands for a
    result, the number of its task."""

    def __init__(
        self,
        client: Any,
        distributed: Any,
        tasks: Sequence[Record],
        documents: Mapping[str, bytes],
        address: str,
    ) -> None:
        self.client, self.tasks, self.documents, self.address = client, tasks, documents, address
        self.waiting = list(range(len(tasks)))
        self.again: list[int] = []
        self.tried: set[int] = set()
        self.futures: dict[Any, int] = {}
        self.back = distributed.as_completed([], loop=client.loop)
        # The scheduler takes two tasks of one key for one task, whoever sends them.
        self.mark = f"beadwright-{secrets.token_hex(8)}"

    def run(self, ahead: int) -> Results:
        """All results. ahead : how many tasks are on their way at once."""
        try:
            while self.waiting or self.again or self.futures:
                yield from self._send(ahead)
                if self.futures:
                    yield from self._receive()
        finally:
            if self.futures:
                with contextlib.suppress(Exception):
                    self.client.cancel(list(self.futures), force=True)

    def _send(self, ahead: int) -> Results:
        """Send what may be on its way; plates that can't be read are done."""
        while len(self.futures) < (ahead if self.waiting else 1):
            if not (self.waiting or self.again):
                return
            number = (self.waiting or self.again).pop(0)
            try:
                sent = _packet(self.tasks[number], self.documents)
            except BeadwrightError as error:
                yield number, failed(error.status, error.cause, error.hint)
                continue
            key = f"{self.mark}-{number}-{len(self.tried)}"
            work = treat_sent if sent["task"].get("limit_s") is None else _treat_limited
            future = self.client.submit(work, sent, pure=False, key=key)
            self.futures[future] = number
            self.back.add(future)

    def _receive(self) -> Results:
        future = next(self.back)
        number = self.futures.pop(future)
        result = _result(future, self.tasks[number]["file"], self.address)
        future.release()
        if result.pop("memory", False) and number not in self.tried:
            self.tried.add(number)
            self.again.append(number)
        else:
            yield number, commit(result, self.tasks[number]["targets"])


def _treat_limited(sent: Record) -> Record:
    """Treat a plate in a process of its own there: a thread of a worker can't be ended."""
    try:
        return treat_sent(sent, treat_apart)
    except BeadwrightError as error:
        return failed(error.status, error.cause, error.hint)


def _packet(task: Record, documents: Mapping[str, bytes]) -> Record:
    """What a worker gets of a plate.

    Raises
    ------
    InputError : its file can't be read.
    """
    plain = {key: value for key, value in task.items() if key not in ("path", "targets")}
    data = read_raw(task["path"])
    return {"version": __version__, "task": plain, "data": data, "documents": dict(documents)}


def _result(future: Any, file: str, address: str) -> Record:
    """What came back; `memory` in it where another try may help.

    Raises
    ------
    InputError : nothing will come any more.
    """
    if future.status in ("cancelled", "lost"):
        raise InputError(
            f"--cluster {address}: the scheduler went away",
            "Start it and run again: what is done stays done.",
        )
    try:
        result: Record = future.result()
    except Exception as error:
        if type(error).__name__ == "KilledWorker":
            cause = f"{file}: every worker that tried it was lost, as where memory runs out"
            hint = "Give the workers more memory, or treat the plate with `beadwright apply` to see more."
            return {**failed(FAULT_STATUS, cause, hint), "memory": True}
        return failed(FAULT_STATUS, f"{file}: the cluster: {type(error).__name__}: {error}", "See its log.")
    return result
