"""Many plates, one kit: each is treated, estimated and told of, on all cores or a cluster; what is done stays done."""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Callable, Generator, Sequence
from pathlib import Path
from typing import Any

from gcodetools._version import __version__
from gcodetools.errors import CannotWrite
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Options
from gcodetools.jobs.batch_cluster import run_on_cluster
from gcodetools.jobs.batch_documents import Documents, documents_of, sendable
from gcodetools.jobs.batch_files import PLATE_SCHEMA, Lot, Source, lot_of, outputs_of, page_of, printable
from gcodetools.jobs.batch_local import budget_bytes, cores, run_local
from gcodetools.jobs.batch_plate import row_of_result, written
from gcodetools.jobs.batch_rows import csv_of, sums_of
from gcodetools.jobs.sources import digest
from gcodetools.records import dataclass
from gcodetools.strength.sentences import CAUTIONS

__all__ = ["Asked", "batch", "write_summary"]

Record = dict[str, Any]
Results = Generator[tuple[int, Record], None, None]
Progress = Callable[[str], None]

SUMMARY = "summary"
_NAME_SHOWN = 30


@dataclass(frozen=True, slots=True)
class Asked:
    """What a batch is asked for.

    given, listed : files, folders, and a file that lists some. folder : where results go. options : as for `apply`.
    only : the text of the subset. jobs : processes at most, None for a core each. report : a page for each plate.
    estimate : tell strength. fresh : do again what is done. strict : a warning fails its plate. cluster : address of
    a Dask scheduler. limit_s : seconds that a file may take, None for any.
    """

    given: tuple[Path, ...]
    listed: Path | None
    folder: Path
    options: Options
    only: str | None = None
    jobs: int | None = None
    report: bool = False
    estimate: bool = True
    fresh: bool = False
    strict: bool = False
    cluster: str | None = None
    limit_s: float | None = None


def batch(asked: Asked, progress: Progress) -> Record:
    """Treat them all and return the record with a row a plate; results of plates are written, the summary is not.

    Raises
    ------
    UsageError, InputError : nothing to treat, or a kit or profile that is invalid. CannotWrite : the folder. Fault :
    no process starts.
    """
    progress("looking for plates")
    documents = documents_of(asked.options)
    lot = lot_of(asked.given, asked.listed, asked.folder)
    _make(asked.folder)
    settings = _settings(asked, documents)
    if asked.cluster is not None:
        sendable(documents)
    tasks = [_task(asked, documents, settings, source) for source in lot.sources]
    rows: dict[int, list[Record]] = {}
    for number, task in enumerate(tasks):
        known = None if asked.fresh else _known(task, asked.strict)
        if known is not None:
            rows[number] = [{**row, "state": "as before", "status": 0} for row in known]
    todo = [number for number in range(len(tasks)) if number not in rows]
    count = _Count([tasks[number]["bytes"] for number in todo], len(rows), progress)
    for k, result in _results(asked, documents, [tasks[number] for number in todo], progress):
        task = tasks[todo[k]]
        rows[todo[k]] = _rows(task, result)
        count.done(k, task["file"])
    return _record(asked, documents, lot, [row for number in range(len(tasks)) for row in rows[number]])


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CannotWrite(
            f"-o {folder}: can't make the folder: {error.strerror}", "Name another, or check permissions."
        ) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise CannotWrite(f"-o {folder}: no permission to write in it", "Name another folder.")


def _settings(asked: Asked, documents: Documents) -> str:
    """Digest of all that a result rests on but the plate itself."""
    options = asked.options
    told = {
        "version": __version__,
        "documents": documents.digests,
        # Files go by their digests: where they lie makes no difference.
        **{
            key: None if name in documents.files else name
            for key, name in (("material", documents.material), ("machine", documents.machine))
        },
        "sets": options.sets,
        "only": asked.only,
        "plate": options.plate,
        "again": options.again,
        "allow_none": options.allow_none,
        "keep_times": options.keep_times,
        "estimate": asked.estimate,
    }
    return digest(json.dumps(told, sort_keys=True).encode())


def _task(asked: Asked, documents: Documents, settings: str, source: Source) -> Record:
    """See `batch_plate.treat`."""
    options = asked.options
    names = outputs_of(source.name)
    away = asked.cluster is not None
    return {
        "file": source.shown,
        "path": str(source.path),
        "bytes": source.size,
        "names": {key: printable(name) for key, name in names.items()},
        "targets": {key: str(asked.folder / name) for key, name in names.items()},
        "settings": settings,
        "kits": list(documents.kits) if away else [str(one.path) for one in documents.kit.sources],
        "kit_digests": [one.sha256 for one in documents.kit.sources],
        "material": documents.material if away else options.material,
        "machine": documents.machine if away else options.machine,
        "sets": list(options.sets),
        "only": asked.only,
        "plate": options.plate,
        "again": options.again,
        "allow_none": options.allow_none,
        "verify": options.verify,
        "keep_times": options.keep_times,
        "estimate": asked.estimate,
        "report": asked.report,
        "strict": asked.strict,
        "limit_s": asked.limit_s,
    }


def _known(task: Record, strict: bool) -> list[Record] | None:
    """The rows of a file that is done already and unchanged since, by its record and the files it names."""
    record = _record_of(task)
    if record is None or record.get("settings") != task["settings"]:
        return None
    several, files = record.get("plates"), record.get("files")
    plates = several if isinstance(several, list) else [record]
    rows = [one.get("row") if isinstance(one, dict) else None for one in plates]
    if not isinstance(files, dict) or not rows:
        return None
    known: list[Record] = []
    pages = {}
    for one, row in zip(plates, rows, strict=True):
        number = one.get("number", 0) if isinstance(one, dict) and one is not record else 0
        # Of several plates one that came to nothing is tried again, and with it the package.
        if not isinstance(row, dict) or not isinstance(number, int) or (strict and row.get("warnings")):
            return None
        pages[f"page {number}" if number else "page"] = page_of(task["targets"]["page"], number)
        known.append({**row, "file": task["file"], **({"plate": number} if number else {})})
    wanted = {"treated": task["targets"]["treated"], **(pages if task["report"] else {})}
    same = all(_digest(path) == files.get(key) for key, path in wanted.items())
    return known if same and _digest(task["path"]) == record.get("plate") else None


def _record_of(task: Record) -> Record | None:
    """The record of an earlier run, if there is one that can be read."""
    try:
        record = json.loads(Path(task["targets"]["record"]).read_bytes())
    except (OSError, ValueError):
        return None
    return record if isinstance(record, dict) and record.get("schema") == PLATE_SCHEMA else None


def _digest(path: str) -> str:
    """Digest of a file; "" where it can't be read, which no record says."""
    try:
        return digest(Path(path).read_bytes())
    except OSError:
        return ""


def _results(asked: Asked, documents: Documents, tasks: Sequence[Record], progress: Progress) -> Results:
    if not tasks:
        return
    if asked.cluster is not None:
        run = run_on_cluster(asked.cluster, tasks, documents.files, progress)
    else:
        run = run_local(tasks, asked.jobs or cores(), budget_bytes())
    with contextlib.closing(run):
        yield from run


class _Count:
    """How far it is: how many of how many, and how long the rest takes by the bytes done."""

    def __init__(self, sizes: Sequence[int], before: int, progress: Progress) -> None:
        self.sizes, self.before, self.progress = sizes, before, progress
        self.count, self.bytes, self.began = 0, 0, time.monotonic()
        if sizes:
            progress(f"{before} of {before + len(sizes)}")

    def done(self, number: int, file: str) -> None:
        """Count one more and say so."""
        self.count, self.bytes = self.count + 1, self.bytes + self.sizes[number]
        took, rest = time.monotonic() - self.began, sum(self.sizes) - self.bytes
        left_s = took * rest / max(self.bytes, 1)
        left = f"{left_s / 60:.0f} min" if left_s >= 90 else f"{left_s:.0f} s"
        name = file if len(file) <= _NAME_SHOWN else f"...{file[3 - _NAME_SHOWN :]}"
        self.progress(f"{self.before + self.count} of {self.before + len(self.sizes)}, {name}, {left} left")


def _rows(task: Record, result: Record) -> list[Record]:
    """The rows of a file that was tried."""
    if "rows" in result:
        rows: list[Record] = result["rows"]
    else:
        rows = [row_of_result(task, result)]
    if all(row["state"] == "failed" for row in rows) and _record_of(task) is not None:
        rows[0]["stale"] = task["names"]["treated"]
    return rows


def _record(asked: Asked, documents: Documents, lot: Lot, rows: list[Record]) -> Record:
    rows += [{"file": one.file, "state": "skipped", "status": 0, "why": one.why} for one in lot.left]
    ready = [row for row in rows if row["state"] in ("done", "as before")]
    count = {
        state: sum(row["state"] == state for row in rows)
        for state in ("done", "as before", "skipped", "failed")
    }
    return {
        "schema": "beadwright.batch/1",
        "version": __version__,
        "kit": documents.kit.name,
        "folder": printable(str(asked.folder)),
        "status": max((row["status"] for row in rows), default=0),
        "count": {"plates": len(rows) - len(lot.left), **count, "other_files": lot.others},
        **({"total": sums_of(ready)} if ready else {}),
        **({"cautions": list(CAUTIONS)} if any("margin_after" in row for row in ready) else {}),
        "plates": rows,
    }


def write_summary(folder: Path, record: Record, text: str) -> list[str]:
    """Write the table as text, CSV and JSON; return their paths.

    Raises
    ------
    CannotWrite : see `files.write_atomic`.
    """
    files = {".txt": f"{text}\n".encode(), ".csv": csv_of(record["plates"]), ".json": written(record)}
    paths = [folder / f"{SUMMARY}{ending}" for ending in files]
    for path, data in zip(paths, files.values(), strict=True):
        write_atomic(path, data)
    return [str(path) for path in paths]
