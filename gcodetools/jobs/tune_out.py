"""Run `tune` and write what it is asked for: a material file, a plot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from gcodetools.errors import Refused, UsageError
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.records import Approve, unopposed
from gcodetools.jobs.tune import Asked, Tuned, tune_sheets
from gcodetools.jobs.tune_material import Written, material_file
from gcodetools.jobs.tune_plot import form_of, plot_bytes
from gcodetools.records import dataclass

__all__ = ["Outputs", "tune_files"]

_SUFFIXES = (".yaml", ".yml")
_MOST_NAME = 80


@dataclass(frozen=True, slots=True)
class Outputs:
    """What to write. material : a file, with the material's name (the file's, if None), and whether one that is there
    may go. plot : a picture. wall_mm : thickness of the specimens, for the material."""

    material: Path | None = None
    name: str | None = None
    overwrite: bool = False
    plot: Path | None = None
    wall_mm: float | None = None


def _silent(stage: str) -> None:
    """No progress."""


def tune_files(
    paths: Sequence[Path],
    asked: Asked,
    outputs: Outputs,
    approve: Approve = unopposed,
    progress: Callable[[str], None] = _silent,
) -> Tuned:
    """Fit sheets and write the outputs, all or none of them but for a disk that fails between.

    approve : see `records.Approve`.

    Raises
    ------
    InputError, UsageError : as `tune.tune_sheets`, `tune_material.material_file`, `tune_plot.plot_bytes`; or an output
    that makes no sense. Refused : the material file is there. CannotWrite : an output.
    """
    _check(paths, outputs, asked)
    tuned = tune_sheets(paths, asked, progress)
    record = dict(tuned.record)
    made: list[tuple[Path, bytes]] = []
    if outputs.material is not None:
        written = _material(tuned, outputs)
        made.append((outputs.material, written.text.encode()))
        record["material_file"] = {
            "out": str(outputs.material),
            "name": _name(outputs),
            "carried": list(written.carried),
            "left": list(written.left),
        }
    if outputs.plot is not None:
        progress("drawing")
        made.append((outputs.plot, plot_bytes(tuned, outputs.plot)))
        record["plot"] = str(outputs.plot)
    approve(list(tuned.warnings))
    for path, data in made:
        write_atomic(path, data)
    return replace(tuned, record=record)


def _name(outputs: Outputs) -> str:
    assert outputs.material is not None
    return outputs.name if outputs.name is not None else outputs.material.stem


def _material(tuned: Tuned, outputs: Outputs) -> Written:
    assert outputs.material is not None
    return material_file(tuned, outputs.material, _name(outputs), outputs.wall_mm)


def _check(paths: Sequence[Path], outputs: Outputs, asked: Asked) -> None:
    """What can be told before anything is read.

    Raises
    ------
    UsageError, Refused.
    """
    out = outputs.material
    if outputs.plot is not None:
        form_of(outputs.plot)
    if out is not None and out.suffix.lower() not in _SUFFIXES:
        raise UsageError(
            f"-o {out}: expected a name that ends in .yaml or .yml", "For example -o my-petg.yaml."
        )
    if out is not None and not (
        _name(outputs).strip() and _name(outputs).isprintable() and len(_name(outputs)) <= _MOST_NAME
    ):
        raise UsageError(
            f"--name {_name(outputs)!r}: expected 1 to {_MOST_NAME} characters on one line",
            "For example --name my-petg.",
        )
    if outputs.wall_mm is not None and not 0 < outputs.wall_mm < 1000:
        raise UsageError(
            f"--wall-mm {outputs.wall_mm:g}: expected a thickness above 0", "For example --wall-mm 4."
        )
    if out is None and (outputs.name is not None or outputs.wall_mm is not None):
        raise UsageError(
            "--name and --wall-mm are of a material file, and none is written", "Name one with -o."
        )
    read = [*paths, *(Path(one) for one in (asked.material, asked.machine) if one)]
    for target, option in ((out, "-o"), (outputs.plot, "--plot")):
        if target is None or not target.exists():
            continue
        if any(one.exists() and target.samefile(one) for one in read):
            raise UsageError(f"{option} {target}: a file that is to be read", "Name another.")
    if out is not None and out.exists() and not outputs.overwrite:
        raise Refused(f"-o {out}: a file is there already", "Name another, or add --force to overwrite it.")
