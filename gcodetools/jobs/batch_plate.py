"""One file of a batch: a task in plain words and numbers comes in, a result of the same kind goes out.

Tasks and results cross borders between processes and machines, so they hold what JSON holds, and bytes. Whatever goes
wrong with a plate is its result.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from gcodetools._version import __version__
from gcodetools.errors import (
    AlreadyTreated,
    BeadwrightError,
    CannotWrite,
    Fault,
    InputError,
    StrictWarning,
)
from gcodetools.gcode.containers.base import NoSuchPlate
from gcodetools.gcode.files import read_raw, write_atomic
from gcodetools.jobs.apply import Applied, Options, apply_plate, read_plate
from gcodetools.jobs.batch_documents import lay_out, without_folder
from gcodetools.jobs.batch_files import PLATE_SCHEMA, page_of, printable
from gcodetools.jobs.batch_rows import row_of
from gcodetools.jobs.gains import gains_of
from gcodetools.jobs.report import report_plates
from gcodetools.jobs.sources import Subset, digest
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.records import dataclass
from gcodetools.report.page import assemble
from gcodetools.toolpath.plate import Plate

__all__ = ["FAULT_STATUS", "commit", "failed", "row_of_result", "treat", "treat_sent", "written"]

Record = dict[str, Any]

FAULT_STATUS = Fault.status


def treat(task: Record) -> Record:
    """Treat the plate of a file, or each of a package's; nothing is written.

    Parameters
    ----------
    task : `file` as shown, `path` to read, `kits`, `kit_digests`, `material`, `machine`, `sets`, `only`, `plate`,
    `again`, `allow_none`, `verify`, `keep_times`, `estimate`, `report`, `strict`, `settings` (digest of all that the
    result rests on but the plate), `names` of the results.

    Returns
    -------
    dict
        `state`: "done" with `record`, the bytes `treated`, `pages` by number of the plate (0 where a file has one) and
        `rows` of the table; "skipped" with `why`; "failed" with `status`, `cause`, `hint`, and `memory` where another
        try may help; "told" with `rows` where of several plates none came to anything.
    """
    return _guarded(task, lambda: _done(task))


def _guarded(task: Record, work: Callable[[], Record]) -> Record:
    """What `work` returns, or what went wrong."""
    try:
        return work()
    except AlreadyTreated:
        return {"state": "skipped", "why": "treated already (--again treats it on top)"}
    except BeadwrightError as error:
        return failed(error.status, error.cause, error.hint)
    except MemoryError:
        hint = "Close other programs, give --jobs 1, or treat the plate in parts (--only)."
        return {**failed(FAULT_STATUS, f"{task['file']}: out of memory", hint), "memory": True}
    except Exception as error:
        return _fault(task["file"], error)


def row_of_result(task: Record, result: Record) -> Record:
    """The row of a plate of which nothing came."""
    row: Record = {"file": task["file"], "state": result["state"], "status": result.get("status", 0)}
    if result["state"] == "skipped":
        return {**row, "why": result["why"]}
    return {**row, "error": {key: result[key] for key in ("cause", "hint")}}


def failed(status: int, cause: str, hint: str) -> Record:
    """A result that tells of an error."""
    return {"state": "failed", "status": status, "cause": printable(cause), "hint": printable(hint)}


def _fault(file: str, error: Exception) -> Record:
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    where = f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}, " if trace is not None else ""
    return failed(
        FAULT_STATUS,
        f"{file}: a fault of ours: {type(error).__name__}: {error} ({where}version {__version__})",
        "Nothing was written for it. Please report this line with the file and the kit.",
    )


def _done(task: Record) -> Record:
    options = Options(
        tuple(map(Path, task["kits"])),
        task["material"],
        task["machine"],
        tuple(task["sets"]),
        Subset.parse(task["only"]),
        again=task["again"],
        allow_none=task["allow_none"],
        verify=task["verify"],
        keep_times=task["keep_times"],
        plate=task["plate"],
    )
    kit = _same_kit(task)
    path = Path(task["path"])
    data = read_raw(path)
    try:
        plate = read_plate(path, again=options.again, number=options.plate, lenient=True, data=data)
    except NoSuchPlate as error:
        if options.plate is not None:
            raise
        return _package(task, options, kit, data, [one.number for one in error.plates])
    one = _one(task, options, kit, plate, task["names"])
    files = {"treated": digest(one.treated), **({"page": digest(one.page)} if one.page is not None else {})}
    return {
        "state": "done",
        "treated": one.treated,
        "pages": {} if one.page is None else {0: one.page},
        "record": {**_head(task, data, files), **one.told},
        "rows": [_ready(one)],
    }


def _package(task: Record, options: Options, kit: Kit, data: bytes, numbers: Sequence[int]) -> Record:
    """Treat the plates of a package, each in what came of those before; one that fails stays as it was."""
    now, pages, told, rows = data, {}, [], []
    for number in numbers:
        names = {**task["names"], "page": page_of(task["names"]["page"], number)}
        mine = replace(options, plate=number)

        def work(names: Record = names, mine: Options = mine, now: bytes = now) -> Record:
            plate = read_plate(Path(task["path"]), again=mine.again, number=mine.plate, data=now)
            return {"state": "done", "one": _one(task, mine, kit, plate, names)}

        result = _guarded(task, work)
        if result.get("memory"):
            return result
        if result["state"] == "done":
            one: _One = result["one"]
            now, row = one.treated, _ready(one)
            told.append({"number": number, **one.told})
            if one.page is not None:
                pages[number] = one.page
        else:
            row = row_of_result(task, result)
            told.append({"number": number, **{key: row[key] for key in ("why", "error") if key in row}})
        rows.append({"file": row["file"], "plate": number, **row})
    if all(row["state"] != "done" for row in rows):
        return {"state": "told", "rows": rows}
    files = {"treated": digest(now), **{f"page {k}": digest(page) for k, page in pages.items()}}
    record = {**_head(task, data, files), "plates": told}
    return {"state": "done", "treated": now, "pages": pages, "record": record, "rows": rows}


@dataclass(frozen=True, slots=True)
class _One:
    """What came of a plate. told : `row`, `warnings` and `apply`, for the record."""

    treated: bytes
    page: bytes | None
    told: Record


def _one(task: Record, options: Options, kit: Kit, plate: Plate, names: Mapping[str, str]) -> _One:
    applied = apply_plate(plate, kit, options)
    warnings = list(dict.fromkeys(applied.warnings))
    if task["strict"] and warnings:
        raise StrictWarning(f"{task['file']}: {warnings[0]} (--strict)", "Nothing was written for it.")
    record = {**applied.summary, "file": task["file"], "out": names["treated"]}
    if task["estimate"]:
        record |= gains_of(applied)
    page = _page(applied, kit, options, task, names["treated"]) if task["report"] else None
    parts = Counter(pose.part for pose in applied.placed.poses)
    row = row_of(record, parts, warnings, names, ("treated", *(("page",) if page is not None else ())))
    told: Record = _plain({"row": row, "warnings": warnings, "apply": record})
    return _One(applied.treated.render_file(), page, told)


def _head(task: Record, data: bytes, files: Mapping[str, str]) -> Record:
    """What the record of a file begins with."""
    head = {"schema": PLATE_SCHEMA, "version": __version__, "settings": task["settings"]}
    return {**head, "plate": digest(data), "files": dict(files)}


def _ready(one: _One) -> Record:
    return {**one.told["row"], "state": "done", "status": 0}


def _same_kit(task: Record) -> Kit:
    kit = load_kits([Path(name) for name in task["kits"]])
    if [one.sha256 for one in kit.sources] != task["kit_digests"]:
        raise InputError(
            f"kit {kit.name}: changed while the batch ran, so that plates would differ",
            "Run again: what was done by the old kit is done anew.",
        )
    return kit


def _page(applied: Applied, kit: Kit, options: Options, task: Record, name: str) -> bytes:
    """The page of the treated plate against the plate as it was."""
    data, _ = report_plates(applied.treated.plate, applied.treated.original, kit, options)
    if "away" in task:
        data = _at_home(data, **task["away"])
    own, container = Path(name).name, applied.treated.original.container
    if container is not None and len(container.plates) > 1:
        own += f" (plate {container.plate})"
    data["file"] = data["files"]["after"]["file"] = own
    return assemble(data)


def _plain(value: Any) -> Any:
    """Texts with letters that can be written out; tuples as lists, as they come back from JSON."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, dict):
        return {printable(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def treat_sent(sent: Record, by: Callable[[Record], Record] = treat) -> Record:
    """Treat a plate that came as bytes, somewhere on another machine; see `treat`.

    Parameters
    ----------
    sent : `version` of the sender, `task` as for `treat` with paths of `documents`, `data` of the plate, `documents` as
    bytes by relative path. by : what does it.
    """
    task: Record = sent["task"]
    if sent["version"] != __version__:
        return failed(
            FAULT_STATUS,
            f"{task['file']}: a worker of the cluster has Beadwright {__version__}, expected {sent['version']}",
            "Install the same version on all of them.",
        )
    with tempfile.TemporaryDirectory(prefix="beadwright-") as name:
        root = Path(name) / "d"
        plate = Path(name) / "p" / Path(task["file"]).name
        try:
            root.mkdir()
            plate.parent.mkdir()
            plate.write_bytes(sent["data"])
            lay_out(sent["documents"], root)
        except (OSError, InputError) as error:
            return failed(
                FAULT_STATUS, f"{task['file']}: a worker of the cluster: {error}", "See to its disk."
            )
        away: Record = {"names": [(str(plate), task["file"])], "root": str(root)}
        laid = {
            "away": away,
            "path": str(plate),
            "kits": [str(root / key) for key in task["kits"]],
            **{
                key: str(root / task[key])
                for key in ("material", "machine")
                if task[key] in sent["documents"]
            },
        }
        result: Record = _at_home(by({**task, **laid}), **away)
        return result


def _at_home(value: Any, names: Sequence[tuple[str, str]], root: str) -> Any:
    """A result in the paths of the sender."""
    if isinstance(value, str):
        for away, home in names:
            value = value.replace(away, home)
        return without_folder(value, root)
    if isinstance(value, dict):
        return {key: _at_home(item, names, root) for key, item in value.items()}
    if isinstance(value, list):
        return [_at_home(item, names, root) for item in value]
    return value


def commit(result: Record, names: Mapping[str, str]) -> Record:
    """Write what a result holds, the record last, as it says that the others are whole; the result without bytes, or
    what went wrong.

    names : paths of `treated`, `page` and `record`.
    """
    if result["state"] != "done":
        return result
    files = [(names["treated"], result["treated"])]
    files += [(page_of(names["page"], number), page) for number, page in result["pages"].items()]
    done: list[Path] = []
    try:
        for name, data in (*files, (names["record"], written(result["record"]))):
            path = Path(name)
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, data)
            done.append(path)
    except BeadwrightError as error:
        _undo(done)
        return failed(error.status, error.cause, error.hint)
    except OSError as error:
        _undo(done)
        cause = f"{names['treated']}: can't write: {error.strerror}"
        return failed(CannotWrite.status, cause, "Check its folder.")
    except BaseException:
        _undo(done)
        raise
    return {"state": "done", "rows": result["rows"]}


def _undo(paths: Sequence[Path]) -> None:
    """Take back what was written of a plate: without its record nobody would know what it is."""
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


def written(record: Record) -> bytes:
    """A record as a file holds it."""
    return (json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode("utf-8")
