"""One plate of a batch: a task in plain words and numbers comes in, a result of the same kind goes out.

Tasks and results cross borders between processes and machines, so they hold what JSON holds, and bytes. Whatever goes
wrong with a plate is its result.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
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
    UsageError,
)
from gcodetools.gcode.containers.base import NoSuchPlate
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Applied, Options, apply_plate, read_plate
from gcodetools.jobs.batch_documents import lay_out, without_folder
from gcodetools.jobs.batch_files import PLATE_SCHEMA, printable
from gcodetools.jobs.batch_rows import row_of
from gcodetools.jobs.gains import gains_of
from gcodetools.jobs.report import report_plates
from gcodetools.jobs.sources import Subset, digest
from gcodetools.kit.schema import Kit, load_kits
from gcodetools.report.page import assemble
from gcodetools.toolpath.plate import Plate

__all__ = ["FAULT_STATUS", "commit", "failed", "treat", "treat_sent", "written"]

Record = dict[str, Any]

FAULT_STATUS = Fault.status
_FILES = ("treated", "page", "record")  # the record last: it says that the others are whole


def treat(task: Record) -> Record:
    """Treat one plate; nothing is written.

    Parameters
    ----------
    task : `file` as shown, `path` to read, `kits`, `kit_digests`, `material`, `machine`, `sets`, `only`, `plate`,
    `again`, `allow_none`, `verify`, `keep_times`, `estimate`, `report`, `strict`, `settings` (digest of all that the
    result rests on but the plate), `names` of the results.

    Returns
    -------
    dict
        `state`: "done" with `record` and the bytes `treated` and maybe `page`; "skipped" with `why`; "failed" with
        `status`, `cause`, `hint`, and `memory` where another try may help.
    """
    try:
        return _done(task)
    except AlreadyTreated:
        return {"state": "skipped", "why": "treated already (--again treats it on top)"}
    except BeadwrightError as error:
        return failed(error.status, error.cause, error.hint)
    except MemoryError:
        hint = "Close other programs, give --jobs 1, or treat the plate in parts (--only)."
        return {**failed(FAULT_STATUS, f"{task['file']}: out of memory", hint), "memory": True}
    except Exception as error:
        return _fault(task["file"], error)


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
    plate = _plate(task, options)
    applied = apply_plate(plate, kit, options)
    warnings = list(dict.fromkeys(applied.warnings))
    if task["strict"] and warnings:
        raise StrictWarning(f"{task['file']}: {warnings[0]} (--strict)", "Nothing was written for it.")
    record = {**applied.summary, "file": task["file"], "out": task["names"]["treated"]}
    if task["estimate"]:
        record |= gains_of(applied)
    treated = applied.treated.render_file()
    files = {"treated": digest(treated)}
    result: Record = {"state": "done", "treated": treated}
    if task["report"]:
        result["page"] = _page(applied, kit, options, task["names"]["treated"])
        files["page"] = digest(result["page"])
    parts = Counter(pose.part for pose in applied.placed.poses)
    row = row_of(record, parts, warnings, task["names"], files)
    head: Record = {"schema": PLATE_SCHEMA, "version": __version__, "settings": task["settings"]}
    result["record"] = _plain(
        {
            **head,
            "plate": digest(_bytes_of(plate)),
            "files": files,
            "row": row,
            "warnings": warnings,
            "apply": record,
        }
    )
    return result


def _plate(task: Record, options: Options) -> Plate:
    """Read it; where several plates are in one file, say what a batch can do about it."""
    try:
        return read_plate(Path(task["path"]), again=options.again, number=options.plate, lenient=True)
    except NoSuchPlate as error:
        raise UsageError(
            error.cause,
            f"There are {error.numbers}. --plate N takes that one of each package, into a folder of its own; for all "
            "in one file, copy it and run `beadwright post COPY --kit KIT --plate N` for each.",
        ) from None


def _same_kit(task: Record) -> Kit:
    kit = load_kits([Path(name) for name in task["kits"]])
    if [one.sha256 for one in kit.sources] != task["kit_digests"]:
        raise InputError(
            f"kit {kit.name}: changed while the batch ran, so that plates would differ",
            "Run again: what was done by the old kit is done anew.",
        )
    return kit


def _bytes_of(plate: Plate) -> bytes:
    return plate.program.lines.data if plate.container is None else plate.container.data


def _page(applied: Applied, kit: Kit, options: Options, name: str) -> bytes:
    """The page of the treated plate against the plate as it was."""
    data, _ = report_plates(applied.treated.plate, applied.treated.original, kit, options)
    own = Path(name).name
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


def treat_sent(sent: Record) -> Record:
    """Treat a plate that came as bytes, somewhere on another machine; see `treat`.

    Parameters
    ----------
    sent : `version` of the sender, `task` as for `treat` with paths of `documents`, `data` of the plate, `documents` as
    bytes by relative path.
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
        laid = {
            "path": str(plate),
            "kits": [str(root / key) for key in task["kits"]],
            **{
                key: str(root / task[key])
                for key in ("material", "machine")
                if task[key] in sent["documents"]
            },
        }
        result: Record = _at_home(treat({**task, **laid}), [(str(plate), task["file"])], str(root))
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
    """Write what a result holds, the record last; the result without bytes, or what went wrong.

    names : paths of `treated`, `page` and `record`.
    """
    if result["state"] != "done":
        return result
    done: list[Path] = []
    try:
        for kind in _FILES:
            data = written(result["record"]) if kind == "record" else result.get(kind)
            if data is not None:
                path = Path(names[kind])
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
    return {"state": "done", "row": result["record"]["row"]}


def _undo(paths: Sequence[Path]) -> None:
    """Take back what was written of a plate: without its record nobody would know what it is."""
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


def written(record: Record) -> bytes:
    """A record as a file holds it."""
    return (json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode("utf-8")
