"""The demo's run: make the plate and the kit, treat, read back, name what to open."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import make_plate
from gcodetools.errors import CannotWrite
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import Options, apply_file, write
from gcodetools.jobs.check import check_kit
from gcodetools.jobs.learn import learn_file

__all__ = ["run_demo"]


def run_demo(folder: Path, progress: Callable[[str], None]) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of the demo in `folder`.

    Raises
    ------
    CannotWrite : the folder can't be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CannotWrite(f"{folder}: can't make the folder: {error.strerror}", "Name another.") from error
    kit, plate, treated = (
        folder / "hoophouse.kit.yaml",
        folder / "plate.gcode",
        folder / "plate-treated.gcode",
    )
    drawing, learnt = folder / "hoophouse.svg", folder / "learnt.kit.yaml"
    progress("making the plate")
    write_atomic(kit, hoophouse_kit().encode())
    write_atomic(plate, make_plate())
    progress("checking the kit")
    check_record, warnings = check_kit((kit,), drawing)
    applied = apply_file(plate, Options((kit,)), progress)
    write(applied, treated)
    progress("learning a part")
    learn_record, more = learn_file(plate, "film-clip", learnt)
    record = {
        "schema": "beadwright.demo/1",
        "folder": str(folder),
        "check": check_record,
        "apply": {**applied.record, "out": str(treated)},
        "learn": learn_record,
        "open": [
            {"path": str(kit), "what": "the kit: parts, regions and treatments, with comments"},
            {"path": str(drawing), "what": "its parts and regions, drawn"},
            {"path": str(plate), "what": "the plate as sliced"},
            {"path": str(treated), "what": "the plate as treated; compare it with the one above"},
            {"path": learn_record["drawing"], "what": "the drawing `learn` makes of one part of a plate"},
        ],
        "next": f"beadwright inspect {plate} --kit {kit}",
    }
    return record, [*warnings, *applied.warnings, *more]
