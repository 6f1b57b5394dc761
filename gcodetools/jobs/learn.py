"""Start a kit from a sliced file, with a drawing to read coordinates from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.apply import read_plate
from gcodetools.jobs.records import Approve, unopposed, without_nulls
from gcodetools.kit.learning import Learnt, learn

__all__ = ["drawing_beside", "learn_file", "learnt_record"]


def learn_file(
    path: Path, label: str | None, out: Path, approve: Approve = unopposed, number: int | None = None
) -> tuple[dict[str, Any], list[str]]:
    """Write a kit and its drawing (beside it, `.svg`); return record and warnings.

    approve : see `records.Approve`. number : of the plate, where a package has several.

    Raises
    ------
    InputError : the file, or no such label. CannotWrite : see `files.write_atomic`.
    """
    plate = read_plate(path, number=number)
    learnt = learn(plate, label)
    drawing = drawing_beside(out)
    warnings = [*plate.program.warnings, *plate.warnings, *learnt.warnings]
    approve(warnings)
    write_atomic(out, learnt.kit_text.encode())
    write_atomic(drawing, learnt.drawing.encode())
    return learnt_record(learnt, path, out), warnings


def drawing_beside(out: Path) -> Path:
    """Where the drawing of the kit `out` goes."""
    return out.with_name(out.name.removesuffix(".yaml").removesuffix(".kit") + ".svg")


def learnt_record(learnt: Learnt, path: Path, out: Path) -> dict[str, Any]:
    """The record of what was learnt from `path` into `out`."""
    record: dict[str, Any] = {
        "schema": "beadwright.learn/1",
        "file": str(path),
        "out": str(out),
        "drawing": str(drawing_beside(out)),
        "part": learnt.part,
        "label": learnt.label,
        "height_mm": round(learnt.height_mm, 3),
        "thin_areas": learnt.areas,
        "specks_left_out": learnt.specks,
    }
    return without_nulls(record)
